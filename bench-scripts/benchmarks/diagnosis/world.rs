//! One unit after another is diagnosed, in whatever world.

use super::count::{Count, Settling, Tally, good, holds, is};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::time::Instant;
use strapwise::board::Board;
use strapwise::diagnose::{
    Cause, Diagnosis, Evidence, Look, Measurement, Meter, Options, diagnose, suggest,
};
use strapwise::faults::{Built, Fault};

/// Measurements made at most before a unit is given up.
const PATIENCE: usize = 6;

/// A unit, what is wrong with it, and what the bench has read of it.
pub struct Subject {
    pub faults: Vec<Fault>,
    pub built: Built,
    pub seen: Evidence,
}

/// Where units come from and are read.
pub trait World {
    fn board(&self) -> &Board;

    /// A unit with one defect of the list; none where nothing could be read of it.
    fn single(&mut self, rng: &mut ChaCha8Rng) -> Option<Subject>;

    /// A unit with two, at different places.
    fn pair(&mut self, rng: &mut ChaCha8Rng) -> Option<Subject>;

    /// A unit with something that is in no list, and what kind of thing.
    fn stranger(&mut self, rng: &mut ChaCha8Rng) -> Option<(&'static str, Subject)>;

    /// A good unit.
    fn good(&mut self, rng: &mut ChaCha8Rng) -> Subject;

    /// What a hand-held meter shows; none for what it cannot reach.
    fn measure(
        &mut self,
        subject: &Subject,
        measurement: &Measurement,
        rng: &mut ChaCha8Rng,
    ) -> Option<f64>;

    /// How many times as often as the diagnosis believes a look errs here.
    fn errs(&self) -> f64;
}

/// What somebody says who looks at a unit.
fn says(world: &dyn World, subject: &Subject, look: Look, rng: &mut ChaCha8Rng) -> bool {
    let likely = look.yes(world.board(), &subject.faults);
    // A yes that is this likely is that of something there, if hard to see.
    let yes = match likely > 0.2 {
        true => 1.0 - world.errs() * (1.0 - likely),
        false => world.errs() * likely,
    };
    rng.random::<f64>() < yes
}

/// A normal deviate, near enough: the sum of twelve uniform figures.
pub fn gauss(rng: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0
}

/// What is the same for every unit of a run.
pub struct Manner {
    pub options: Options,
    /// Whether every unit whose right class is not first is told.
    pub misses: bool,
    /// Whether units have two defects, all of them.
    pub pairs: bool,
}

/// Diagnoses so many units with one defect, and a tenth as many of each other kind.
pub fn run(world: &mut dyn World, units: usize, manner: &Manner, rng: &mut ChaCha8Rng) -> Tally {
    let mut tally = Tally::default();
    for i in 0..units {
        if manner.pairs {
            pair(world, manner, rng, &mut tally);
            continue;
        }
        single(world, manner, rng, &mut tally);
        if i % 10 == 0 {
            pair(world, manner, rng, &mut tally);
            stranger(world, manner, rng, &mut tally);
            sound(world, manner, rng, &mut tally);
        }
    }
    tally
}

fn single(world: &mut dyn World, manner: &Manner, rng: &mut ChaCha8Rng, tally: &mut Tally) {
    let Some(subject) = world.single(rng) else { return };
    let began = Instant::now();
    let found = diagnose(world.board(), &subject.seen, &manner.options);
    tally.time += began.elapsed();
    let faults = &subject.faults;
    let count = Count::of(world.board(), &found, faults);
    tally.singles.entry(faults[0].class()).or_default().add(count);
    let (Some(first), true) = (found.classes.first(), good(&found) < 0.01) else { return };
    let right = holds(world.board(), first, faults);
    if manner.misses && !right {
        tell("miss", world.board(), &found, faults);
    }
    tally.calibration.take(first.probability, right);
    let known = is(world.board(), &first.causes[0].faults, faults);
    let mut after = [known; 2];
    if first.causes[0].probability < 0.95 {
        tally.open_first += 1;
        for (by, after) in [By::Meter, By::All].into_iter().zip(&mut after) {
            let settling = &mut tally.settling[by as usize];
            *after = settle(world, &subject, &found, manner, by, rng, settling);
        }
    }
    let count = tally.singles.entry(faults[0].class()).or_default();
    count.by_meter += usize::from(after[0]);
    count.with_looks += usize::from(after[1]);
}

/// By what a unit is measured further.
#[derive(Clone, Copy, PartialEq, Eq)]
enum By {
    Meter,
    All,
}

/// What is done with a unit to settle it, as lines to tell.
#[derive(Default)]
struct Path(Vec<String>);

impl Path {
    fn step(&mut self, board: &Board, done: String, found: &Diagnosis) {
        let causes = found.classes.iter().flat_map(|c| &c.causes).take(4);
        let each: Vec<String> = causes.map(|c| cause_text(board, c)).collect();
        self.0.push(format!("    {done}: {}", each.join(" | ")));
    }

    fn tell(&self) {
        self.0.iter().for_each(|line| tell!("{line}"));
    }
}

fn cause_text(board: &Board, cause: &Cause) -> String {
    let each: Vec<String> = cause.faults.iter().map(|f| f.text(board)).collect();
    format!("{} {:.3}", each.join(" + "), cause.probability)
}

fn tell(what: &str, board: &Board, found: &Diagnosis, faults: &[Fault]) {
    let texts = |faults: &[Fault]| {
        let each: Vec<String> = faults.iter().map(|f| f.text(board)).collect();
        each.join(" + ")
    };
    let first = found.classes.iter().take(1).flat_map(|c| &c.causes);
    let first: Vec<String> = first.map(|c| cause_text(board, c)).collect();
    tell!(
        "{what}: {} taken for {} (fit {:.1e}, right one at {:?})",
        texts(faults),
        first.join(" | "),
        found.fit,
        found.classes.iter().position(|c| holds(board, c, faults))
    );
}

/// Measures what is proposed until one cause holds; whether the likeliest is right then.
fn settle(
    world: &mut dyn World,
    subject: &Subject,
    found: &Diagnosis,
    manner: &Manner,
    by: By,
    rng: &mut ChaCha8Rng,
    settling: &mut Settling,
) -> bool {
    let faults = &subject.faults;
    let (mut seen, mut found) = (subject.seen.clone(), found.clone());
    let right = |world: &dyn World, found: &Diagnosis| {
        let first = found.classes.first().and_then(|c| c.causes.first());
        first.is_some_and(|c| is(world.board(), &c.faults, faults))
    };
    let misses = manner.misses && by == By::All;
    // The supply that the unit has on the desk where a meter is held to it: every node follows it.
    let supply = world.board().supply.clone();
    let follows = 1.0 + supply.tolerance.0 * rng.random_range(-1.0..1.0);
    let shown = |m: &Measurement, value: f64| match m {
        Measurement::Volts { .. } => Meter::of(m, value * follows),
        _ => Meter::of(m, value),
    };
    let mut path = Path::default();
    path.step(world.board(), "at first".into(), &found);
    let mut taken = 0;
    while taken < PATIENCE {
        let mut done = String::new();
        let next = suggest(world.board(), &seen, &found);
        let before = (seen.meter.len(), seen.looks.len());
        for suggestion in &next {
            match suggestion.measurement {
                Measurement::Look(look) if by == By::All => {
                    let yes = says(world, subject, look, rng);
                    done = format!("{look:?} {yes}");
                    seen.looks.push((look, yes));
                    settling.looks += 1;
                }
                Measurement::Look(_) => {}
                ref by_meter => {
                    let Some(value) = world.measure(subject, by_meter, rng) else { continue };
                    done = format!("{by_meter:?} {value:.4}");
                    // Asked for with the first voltage, once.
                    if let Some(first) = &suggestion.supply_first {
                        let off = 0.003 * supply.volts.0 + 0.002;
                        seen.meter.extend(shown(first, supply.volts.0 + off * gauss(rng)));
                    }
                    seen.meter.extend(shown(by_meter, value));
                }
            }
            if (seen.meter.len(), seen.looks.len()) != before {
                break;
            }
        }
        if (seen.meter.len(), seen.looks.len()) == before {
            break;
        }
        taken += 1;
        found = diagnose(world.board(), &seen, &manner.options);
        path.step(world.board(), done, &found);
    }
    let right = right(world, &found);
    let settled = found.classes[0].causes[0].probability > 0.95;
    if settled {
        settling.settled += 1;
        settling.right += usize::from(right);
        settling.taken.push(taken);
    } else if taken < PATIENCE {
        settling.beyond += 1;
    }
    let what = match (settled, right, taken) {
        (true, true, 0..=2) => return right,
        (true, true, _) => "settled late",
        (true, false, _) => "settled wrongly",
        (false, _, PATIENCE) => "unsettled",
        (false, ..) => "beyond",
    };
    if misses {
        tell(what, world.board(), &found, faults);
        path.tell();
    }
    right
}

fn pair(world: &mut dyn World, manner: &Manner, rng: &mut ChaCha8Rng, tally: &mut Tally) {
    let Some(subject) = world.pair(rng) else { return };
    let found = diagnose(world.board(), &subject.seen, &manner.options);
    // One of them alone must not explain what is seen.
    if found.classes.first().is_some_and(|c| c.causes[0].faults.len() < 2) {
        return;
    }
    tally.pairs.add(Count::of(world.board(), &found, &subject.faults));
    if manner.misses
        && !found.classes.first().is_some_and(|c| holds(world.board(), c, &subject.faults))
    {
        tell("pair", world.board(), &found, &subject.faults);
    }
}

fn stranger(world: &mut dyn World, manner: &Manner, rng: &mut ChaCha8Rng, tally: &mut Tally) {
    let Some((kind, subject)) = world.stranger(rng) else { return };
    let found = diagnose(world.board(), &subject.seen, &manner.options);
    tally.strangers.entry(kind).or_default().add(Count::of(world.board(), &found, &[]));
}

fn sound(world: &mut dyn World, manner: &Manner, rng: &mut ChaCha8Rng, tally: &mut Tally) {
    let subject = world.good(rng);
    let found = diagnose(world.board(), &subject.seen, &manner.options);
    tally.good.0 += 1;
    tally.good.1 += usize::from(good(&found) < 0.01);
    tally.good.2 += usize::from(!found.explained);
}
