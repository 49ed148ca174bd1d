//! What the diagnoses came to, by class of defect.

use std::collections::{BTreeMap, HashMap};
use std::time::Duration;
use strapwise::board::Board;
use strapwise::diagnose::{Causes, Class, Diagnosis};
use strapwise::faults::{Fault, modelled};

/// A value that is within so much of another is the same one: "about 2.7 kΩ" is right of 2.69 kΩ.
const SAME_VALUE: f64 = 0.05;

/// Whether a cause is the one planted; fitted values are close, not equal.
pub fn is(board: &Board, cause: &[Fault], planted: &[Fault]) -> bool {
    // A resistor that has drifted to some value and one of that value fitted is one thing.
    let value = |fault: Fault| match fault {
        Fault::ResistorValue { resistor, ohms } => Some((resistor, ohms.0)),
        Fault::ResistorOff { resistor, ratio } => {
            Some((resistor, board.resistors[resistor].ohms.0 * ratio))
        }
        _ => None,
    };
    let same_value = |a: Fault, b: Fault| match (value(a), value(b)) {
        (Some((r, x)), Some((s, y))) => r == s && (x / y).ln().abs() < SAME_VALUE,
        _ => false,
    };
    let one = |a: &Fault, b: &Fault| match (*a, *b) {
        (Fault::ResistorOff { resistor: r, .. }, Fault::ResistorOff { resistor: s, .. }) => r == s,
        (a, b) if same_value(a, b) => true,
        (
            Fault::ContactResistive { jumper: a, position: p, .. },
            Fault::ContactResistive { jumper: b, position: q, .. },
        ) => (a, p) == (b, q),
        (Fault::PinLeaks { channel: a, to: p, .. }, Fault::PinLeaks { channel: b, to: q, .. }) => {
            (a, p) == (b, q)
        }
        (Fault::PinsBridged { between: a, .. }, Fault::PinsBridged { between: b, .. })
        | (Fault::HeadersBridged { between: a, .. }, Fault::HeadersBridged { between: b, .. }) => {
            a == b
        }
        (
            Fault::ChannelsBridged { channels: a, .. },
            Fault::ChannelsBridged { channels: b, .. },
        ) => a == b,
        (a, b) => a == b,
    };
    cause.len() == planted.len() && planted.iter().all(|p| cause.iter().any(|c| one(c, p)))
}

pub fn holds(board: &Board, class: &Class, planted: &[Fault]) -> bool {
    class.causes.iter().any(|c| is(board, &c.faults, planted))
}

/// Probability that the unit is good.
pub fn good(diagnosis: &Diagnosis) -> f64 {
    let causes = diagnosis.classes.iter().flat_map(|c| &c.causes);
    causes.filter(|c| c.faults.is_empty()).map(|c| c.probability).sum()
}

/// The odds by which units are drawn: each class as likely as any other, and in it each member; all
/// together as likely beside a good unit as the program has them. Weights are those of
/// [`strapwise::diagnose::Options`].
pub fn odds(board: &Board) -> HashMap<String, f64> {
    let mut odds: HashMap<String, f64> = HashMap::new();
    for fault in modelled(board) {
        *odds.entry(fault.class().into()).or_default() += 1.0;
    }
    for (class, weight) in &mut odds {
        // Weights are by resistor, whatever its values.
        let resistors = ["resistor of another value", "resistor out of tolerance"];
        let members = match resistors.contains(&class.as_str()) {
            true => board.resistors.len() as f64,
            false => *weight,
        };
        *weight = 1.0 / members;
    }
    let scale = beside_good(board, &HashMap::new()) / beside_good(board, &odds);
    odds.values_mut().for_each(|weight| *weight *= scale);
    odds
}

/// How much likelier any defect is than none, before anything is read.
fn beside_good(board: &Board, weights: &HashMap<String, f64>) -> f64 {
    let causes = Causes::single(board, weights);
    let (good, defects) = causes.hypotheses.split_first().expect("the good unit is the first");
    defects.iter().map(|h| (h.prior - good.prior).exp()).sum()
}

/// How often a ranker is right at best that knows the class of a unit and the odds of the draw: the
/// share of the likeliest member.
fn at_best(board: &Board, class: &Class) -> f64 {
    let odds = odds(board);
    let values = |resistor: usize| {
        let same =
            |f: &&Fault| matches!(f, Fault::ResistorValue { resistor: r, .. } if *r == resistor);
        modelled(board).iter().filter(same).count().max(1) as f64
    };
    let weight = |fault: &Fault| {
        let weight = odds.get(fault.class()).copied().unwrap_or(0.0);
        match fault {
            Fault::ResistorValue { resistor, .. } => weight / values(*resistor),
            _ => weight,
        }
    };
    let single = class.causes.iter().filter(|c| c.faults.len() == 1);
    let weights: Vec<f64> = single.map(|c| weight(&c.faults[0])).collect();
    let sum: f64 = weights.iter().sum();
    if sum > 0.0 { weights.iter().copied().fold(0.0, f64::max) / sum } else { 1.0 }
}

#[derive(Clone, Copy, Default)]
pub struct Count {
    pub units: usize,
    pub told: usize,
    pub class_first: usize,
    pub cause_first: usize,
    pub in_three: usize,
    pub unexplained: usize,
    /// The right cause first after what was proposed: by meter alone, and with looks.
    pub by_meter: usize,
    pub with_looks: usize,
    /// Units whose class holds one cause only, those of them whose cause is first, and how many a
    /// ranker has right at best.
    pub by_itself: usize,
    pub itself_first: usize,
    pub at_best: f64,
}

impl Count {
    pub fn add(&mut self, other: Count) {
        self.units += other.units;
        self.told += other.told;
        self.class_first += other.class_first;
        self.cause_first += other.cause_first;
        self.in_three += other.in_three;
        self.unexplained += other.unexplained;
        self.by_meter += other.by_meter;
        self.with_looks += other.with_looks;
        self.by_itself += other.by_itself;
        self.itself_first += other.itself_first;
        self.at_best += other.at_best;
    }

    pub fn of(board: &Board, diagnosis: &Diagnosis, planted: &[Fault]) -> Count {
        let told = good(diagnosis) < 0.01;
        let at = diagnosis.classes.iter().position(|c| holds(board, c, planted));
        let first = diagnosis.classes.first().and_then(|c| c.causes.first());
        let count = |yes: bool| usize::from(told && yes);
        let home = at.and_then(|at| diagnosis.classes.get(at));
        let single = home.is_some_and(|class| class.causes.len() == 1);
        Count {
            by_itself: count(single),
            itself_first: count(single && at == Some(0)),
            at_best: home.filter(|_| told).map_or(0.0, |class| at_best(board, class)),
            units: 1,
            told: usize::from(told),
            class_first: count(at == Some(0)),
            cause_first: count(first.is_some_and(|c| is(board, &c.faults, planted))),
            in_three: count(at.is_some_and(|at| at < 3)),
            unexplained: count(!diagnosis.explained),
            ..Count::default()
        }
    }

    pub fn line(&self, name: &str) {
        let share = |n: usize| match self.told {
            0 => "     -".to_string(),
            told => format!("{:6.1}", 100.0 * n as f64 / told as f64),
        };
        tell!(
            "{name:<37} {:>6} {:>6} {} {} {} {}",
            self.units,
            self.told,
            share(self.class_first),
            share(self.cause_first),
            share(self.in_three),
            share(self.unexplained)
        );
    }
}

/// How often what was said with some probability was so.
#[derive(Clone, Default)]
pub struct Calibration {
    pub bins: [(usize, f64, usize); 10],
}

impl Calibration {
    pub fn take(&mut self, stated: f64, right: bool) {
        let bin = &mut self.bins[((stated * 10.0) as usize).min(9)];
        bin.0 += 1;
        bin.1 += stated;
        bin.2 += usize::from(right);
    }

    pub fn add(&mut self, other: &Calibration) {
        for (a, b) in self.bins.iter_mut().zip(&other.bins) {
            a.0 += b.0;
            a.1 += b.1;
            a.2 += b.2;
        }
    }

    pub fn print(&self) {
        let units: usize = self.bins.iter().map(|b| b.0).sum();
        let mut off = 0.0;
        for (n, stated, right) in self.bins.iter().filter(|b| b.0 > 0) {
            let (stated, seen) = (stated / *n as f64, *right as f64 / *n as f64);
            off += *n as f64 * (stated - seen).abs();
            tell!("  stated {stated:.3}  right {seen:.3}  units {n}");
        }
        tell!("  off by {:.2} points, weighted", 100.0 * off / units.max(1) as f64);
    }
}

/// What the proposed measurements came to.
#[derive(Clone, Default)]
pub struct Settling {
    /// Nothing that can be measured tells the causes apart any more.
    pub beyond: usize,
    pub settled: usize,
    pub right: usize,
    pub taken: Vec<usize>,
    /// Looks among what was done.
    pub looks: usize,
}

#[derive(Clone, Default)]
pub struct Tally {
    pub singles: BTreeMap<&'static str, Count>,
    pub calibration: Calibration,
    pub pairs: Count,
    /// By kind of what is in no list.
    pub strangers: BTreeMap<&'static str, Count>,
    /// Units whose likeliest cause holds less than 95 % at first, and what measuring them further
    /// came to: by meter alone, and with looks.
    pub open_first: usize,
    pub settling: [Settling; 2],
    pub good: (usize, usize, usize),
    pub time: Duration,
}

impl Tally {
    pub fn add(&mut self, other: Tally) {
        for (class, count) in other.singles {
            self.singles.entry(class).or_default().add(count);
        }
        self.calibration.add(&other.calibration);
        self.pairs.add(other.pairs);
        for (kind, count) in other.strangers {
            self.strangers.entry(kind).or_default().add(count);
        }
        self.open_first += other.open_first;
        for (mine, theirs) in self.settling.iter_mut().zip(other.settling) {
            mine.add(theirs);
        }
        self.good.0 += other.good.0;
        self.good.1 += other.good.1;
        self.good.2 += other.good.2;
        self.time += other.time;
    }

    /// Prints the whole table.
    pub fn print(&mut self) {
        tell!("\nin percent of those told from a good unit\n");
        tell!("class of defect                        units   told  class  cause  three  unexpl");
        let mut all = Count::default();
        for (class, count) in &self.singles {
            count.line(class);
            all.add(*count);
        }
        all.line("all");
        tell!("\nprobability of the first class");
        self.calibration.print();
        tell!("");
        self.pairs.line("two defects, where two are seen");
        let mut strange = Count::default();
        for (kind, count) in &self.strangers {
            count.line(kind);
            strange.add(*count);
        }
        strange.line("all that is in no list");
        let (n, alarms, unexplained) = self.good;
        tell!("good units {n}: false alarms {alarms}, said to be unexplained {unexplained}");
        let share = |n: usize| 100.0 * n as f64 / all.told.max(1) as f64;
        tell!(
            "the right cause first: {:.1} % before any measurement, {:.1} % after those proposed \
             by meter alone, {:.1} % with looks",
            share(all.cause_first),
            share(all.by_meter),
            share(all.with_looks)
        );
        tell!(
            "of {} units whose readings fit one cause alone it is first in {:.1} %; of all, a ranker \
             that knew the odds of the draw would have the right cause first in {:.1} % at best",
            all.by_itself,
            100.0 * all.itself_first as f64 / all.by_itself.max(1) as f64,
            100.0 * all.at_best / all.told.max(1) as f64
        );
        tell!("{} units open at first", self.open_first);
        for (name, settling) in ["by meter alone", "with looks"].iter().zip(&mut self.settling) {
            settling.print(name, self.open_first);
        }
    }
}

impl Settling {
    fn add(&mut self, other: Settling) {
        self.beyond += other.beyond;
        self.settled += other.settled;
        self.right += other.right;
        self.taken.extend(other.taken);
        self.looks += other.looks;
    }

    fn print(&mut self, name: &str, open: usize) {
        self.taken.sort_unstable();
        let last = self.taken.len().max(1) - 1;
        let at = |share: f64| self.taken.get((share * last as f64) as usize).copied().unwrap_or(0);
        let percent = |of: usize| 100.0 * self.settled as f64 / of.max(1) as f64;
        tell!(
            "  {name}: {} end where nothing is left that tells the causes apart, {} settled \
             ({:.1} % of all open, {:.1} % of the others), {} right; median {}, 90 % {}; {} looks",
            self.beyond,
            self.settled,
            percent(open),
            percent(open - self.beyond),
            self.right,
            at(0.5),
            at(0.9),
            self.looks
        );
    }
}
