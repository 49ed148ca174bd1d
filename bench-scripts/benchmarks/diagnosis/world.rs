//! One unit after another is diagnosed, in whatever world.

use super::count::{Count, Settling, Tally, good, holds, is};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::time::Instant;
use strapwise::board::Board;
use strapwise::diagnose::{
    Cause, Diagnosis, Evidence, Measurement, Meter, Options, diagnose, suggest,
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
}

/// Diagnoses so many units with one defect, and a tenth as many of each other kind.
pub fn run(world: &mut dyn World, units: usize, manner: &Manner, rng: &mut ChaCha8Rng) -> Tally {
    let mut tally = Tally::default();
    for i in 0..units {
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
    if first.causes[0].probability < 0.95 {
        settle(world, subject, found, manner, rng, &mut tally.settling);
    }
}

fn tell(what: &str, board: &Board, found: &Diagnosis, faults: &[Fault]) {
    let texts = |faults: &[Fault]| {
        let each: Vec<String> = faults.iter().map(|f| f.text(board)).collect();
        each.join(" + ")
    };
    let cause = |c: &Cause| format!("{} {:.3}", texts(&c.faults), c.probability);
    let first: Vec<String> =
        found.classes.iter().take(1).flat_map(|c| &c.causes).map(cause).collect();
    println!(
        "{what}: {} taken for {} (fit {:.1e}, right one at {:?})",
        texts(faults),
        first.join(" | "),
        found.fit,
        found.classes.iter().position(|c| holds(board, c, faults))
    );
}

/// Measures what is proposed until one cause holds.
fn settle(
    world: &mut dyn World,
    mut subject: Subject,
    mut found: Diagnosis,
    manner: &Manner,
    rng: &mut ChaCha8Rng,
    settling: &mut Settling,
) {
    settling.open_first += 1;
    // The supply that the unit has on the desk where a meter is held to it: every node follows it.
    let supply = world.board().supply.clone();
    let follows = 1.0 + supply.tolerance.0 * rng.random_range(-1.0..1.0);
    for taken in 1..=PATIENCE {
        let next = suggest(world.board(), &subject.seen, &found);
        let measured = next.iter().find_map(|s| {
            let shown = |m: &Measurement, value: f64| match m {
                Measurement::Volts { .. } => Meter::of(m, value * follows),
                Measurement::Ohms { .. } | Measurement::Reading { .. } => Meter::of(m, value),
            };
            let value = world.measure(&subject, &s.measurement, rng)?;
            // Asked for with the first voltage, once.
            let of = s.supply_first.as_ref().and_then(|m| {
                let off = 0.003 * supply.volts.0 + 0.002;
                shown(m, supply.volts.0 + off * gauss(rng))
            });
            Some(of.into_iter().chain(shown(&s.measurement, value)))
        });
        let Some(meter) = measured else {
            settling.beyond += 1;
            if manner.misses {
                tell("beyond", world.board(), &found, &subject.faults);
            }
            return;
        };
        subject.seen.meter.extend(meter);
        found = diagnose(world.board(), &subject.seen, &manner.options);
        let first = &found.classes[0].causes[0];
        if first.probability > 0.95 {
            settling.settled += 1;
            let right = is(world.board(), &first.faults, &subject.faults);
            settling.right += usize::from(right);
            settling.taken.push(taken);
            if manner.misses && !right {
                tell("settled wrongly", world.board(), &found, &subject.faults);
            }
            return;
        }
    }
    if manner.misses {
        tell("unsettled", world.board(), &found, &subject.faults);
    }
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
