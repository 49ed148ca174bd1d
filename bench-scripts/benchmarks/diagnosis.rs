//! How often the diagnosis is right, on simulated units with planted defects, and how long it takes.
//!
//!     cargo run --release --example diagnosis [-- UNITS [SEED [misses]]]
//!
//! Prints, by class of defect: units, those told from a good one, and of these how many have the
//! right class of causes first, the right cause first, the right class among the first three, and
//! how many are wrongly said to have no modelled cause. Then how far the stated probabilities hold,
//! With `misses` every unit whose right class is not first is told. Then how far the stated probabilities hold,
//! pairs of defects, causes that are not in the list, and what the proposed measurements settle.
//! The world shares the solver; its converter, pull-ups, tolerances and open pins are its own.

#[path = "../../tests/diagnose_support/mod.rs"]
mod diagnose_support;

mod boards;

use diagnose_support::{evidence, unit};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::time::{Duration, Instant};
use strapwise::board::{self, Board, NetId};
use strapwise::diagnose::{
    Class, Diagnosis, Evidence, Measurement, Meter, Options, diagnose, measured, suggest,
};
use strapwise::faults::{Built, Fault, modelled};
use strapwise::units::Ohms;
use strapwise::walk::{self, Walk};
use strapwise::window;

const THREADS: usize = 2;

/// Measurements made at most before a unit is given up.
const PATIENCE: usize = 6;

fn misses() -> bool {
    std::env::args().any(|a| a == "misses")
}

/// A board with its sequence.
struct Design {
    board: Board,
    walk: Walk,
    faults: Vec<Fault>,
}

fn design(name: &str, text: &str) -> Design {
    let board = board::parse(name, text).unwrap_or_else(|e| panic!("{name}: {e}"));
    let windows = window::windows(&board).unwrap_or_else(|e| panic!("{name}: {e:?}"));
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let faults = modelled(&board);
    Design { board, walk, faults }
}

/// A defect of the list, those of a continuous kind with a value of their own.
fn draw(design: &Design, rng: &mut ChaCha8Rng) -> Fault {
    let mut classes: Vec<&str> = design.faults.iter().map(|f| f.class()).collect();
    classes.sort_unstable();
    classes.dedup();
    let class = *classes.choose(rng).expect("a class");
    let members: Vec<Fault> =
        design.faults.iter().copied().filter(|f| f.class() == class).collect();
    let log = |rng: &mut ChaCha8Rng, low: f64, high: f64| {
        Ohms((rng.random_range(low.ln()..high.ln())).exp())
    };
    match *members.choose(rng).expect("a member") {
        Fault::ResistorOff { resistor, .. } => {
            let ratio = rng.random_range(0.15..1.5_f64).exp();
            Fault::ResistorOff { resistor, ratio: if rng.random() { ratio } else { 1.0 / ratio } }
        }
        Fault::ContactResistive { jumper, position, .. } => {
            Fault::ContactResistive { jumper, position, ohms: log(rng, 200.0, 10e3) }
        }
        Fault::PinLeaks { channel, to, .. } => {
            Fault::PinLeaks { channel, to, ohms: log(rng, 1e3, 100e3) }
        }
        Fault::PinsBridged { jumper, pins, between, .. } if rng.random() => {
            Fault::PinsBridged { jumper, pins, between, ohms: log(rng, 10.0, 10e3) }
        }
        other => other,
    }
}

/// Whether a cause is the one planted; fitted values are close, not equal.
fn is(cause: &[Fault], planted: &[Fault]) -> bool {
    let one = |a: &Fault, b: &Fault| match (*a, *b) {
        (Fault::ResistorOff { resistor: r, .. }, Fault::ResistorOff { resistor: s, .. }) => r == s,
        (
            Fault::ContactResistive { jumper: a, position: p, .. },
            Fault::ContactResistive { jumper: b, position: q, .. },
        ) => (a, p) == (b, q),
        (Fault::PinLeaks { channel: a, to: p, .. }, Fault::PinLeaks { channel: b, to: q, .. }) => {
            (a, p) == (b, q)
        }
        (Fault::PinsBridged { between: a, .. }, Fault::PinsBridged { between: b, .. }) => a == b,
        (
            Fault::ChannelsBridged { channels: a, .. },
            Fault::ChannelsBridged { channels: b, .. },
        ) => a == b,
        (a, b) => a == b,
    };
    cause.len() == planted.len() && planted.iter().all(|p| cause.iter().any(|c| one(c, p)))
}

fn holds(class: &Class, planted: &[Fault]) -> bool {
    class.causes.iter().any(|c| is(&c.faults, planted))
}

/// Probability that the unit is good.
fn good(diagnosis: &Diagnosis) -> f64 {
    let causes = diagnosis.classes.iter().flat_map(|c| &c.causes);
    causes.filter(|c| c.faults.is_empty()).map(|c| c.probability).sum()
}

#[derive(Clone, Copy, Default)]
struct Count {
    units: usize,
    told: usize,
    class_first: usize,
    cause_first: usize,
    in_three: usize,
    unexplained: usize,
}

impl Count {
    fn add(&mut self, other: Count) {
        self.units += other.units;
        self.told += other.told;
        self.class_first += other.class_first;
        self.cause_first += other.cause_first;
        self.in_three += other.in_three;
        self.unexplained += other.unexplained;
    }

    fn of(diagnosis: &Diagnosis, planted: &[Fault]) -> Count {
        let told = good(diagnosis) < 0.01;
        let at = diagnosis.classes.iter().position(|c| holds(c, planted));
        let first = diagnosis.classes.first().and_then(|c| c.causes.first());
        let count = |yes: bool| usize::from(told && yes);
        Count {
            units: 1,
            told: usize::from(told),
            class_first: count(at == Some(0)),
            cause_first: count(first.is_some_and(|c| is(&c.faults, planted))),
            in_three: count(at.is_some_and(|at| at < 3)),
            unexplained: count(!diagnosis.explained),
        }
    }

    fn line(&self, name: &str) {
        let share = |n: usize| match self.told {
            0 => "     -".to_string(),
            told => format!("{:6.1}", 100.0 * n as f64 / told as f64),
        };
        println!(
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
struct Calibration {
    bins: [(usize, f64, usize); 10],
}

impl Calibration {
    fn take(&mut self, stated: f64, right: bool) {
        let bin = &mut self.bins[((stated * 10.0) as usize).min(9)];
        bin.0 += 1;
        bin.1 += stated;
        bin.2 += usize::from(right);
    }

    fn add(&mut self, other: &Calibration) {
        for (a, b) in self.bins.iter_mut().zip(&other.bins) {
            a.0 += b.0;
            a.1 += b.1;
            a.2 += b.2;
        }
    }

    fn print(&self) {
        let units: usize = self.bins.iter().map(|b| b.0).sum();
        let mut off = 0.0;
        for (n, stated, right) in self.bins.iter().filter(|b| b.0 > 0) {
            let (stated, seen) = (stated / *n as f64, *right as f64 / *n as f64);
            off += *n as f64 * (stated - seen).abs();
            println!("  stated {stated:.3}  right {seen:.3}  units {n}");
        }
        println!("  off by {:.2} points, weighted", 100.0 * off / units.max(1) as f64);
    }
}

/// What the proposed measurements came to.
#[derive(Clone, Default)]
struct Settling {
    open_first: usize,
    /// Nothing that a meter can reach tells the causes apart any more.
    beyond: usize,
    settled: usize,
    right: usize,
    taken: Vec<usize>,
}

#[derive(Clone, Default)]
struct Tally {
    singles: BTreeMap<&'static str, Count>,
    calibration: Calibration,
    pairs: Count,
    strangers: Count,
    settling: Settling,
    good: (usize, usize, usize),
    time: Duration,
}

impl Tally {
    fn add(&mut self, other: Tally) {
        for (class, count) in other.singles {
            self.singles.entry(class).or_default().add(count);
        }
        self.calibration.add(&other.calibration);
        self.pairs.add(other.pairs);
        self.strangers.add(other.strangers);
        self.settling.open_first += other.settling.open_first;
        self.settling.beyond += other.settling.beyond;
        self.settling.settled += other.settling.settled;
        self.settling.right += other.settling.right;
        self.settling.taken.extend(other.settling.taken);
        self.good.0 += other.good.0;
        self.good.1 += other.good.1;
        self.good.2 += other.good.2;
        self.time += other.time;
    }
}

fn single(design: &Design, rng: &mut ChaCha8Rng, tally: &mut Tally) {
    let board = &design.board;
    let fault = draw(design, rng);
    let built = unit(board, &[fault], rng);
    let seen = evidence(board, &design.walk, &built, rng);
    if seen.is_empty() {
        return;
    }
    let began = Instant::now();
    let found = diagnose(board, &seen, &Options::default());
    tally.time += began.elapsed();
    tally.singles.entry(fault.class()).or_default().add(Count::of(&found, &[fault]));
    let (Some(first), true) = (found.classes.first(), good(&found) < 0.01) else { return };
    if misses() && !holds(first, &[fault]) {
        let texts = |c: &strapwise::diagnose::Cause| {
            let each: Vec<String> = c.faults.iter().map(|f| f.text(board)).collect();
            each.join(" + ")
        };
        let first: Vec<String> = first.causes.iter().map(texts).collect();
        println!(
            "miss: {} taken for {} ({:.3}, fit {:.1e}, right one at {:?})",
            fault.text(board),
            first.join(" | "),
            found.classes[0].probability,
            found.fit,
            found.classes.iter().position(|c| holds(c, &[fault]))
        );
    }
    tally.calibration.take(first.probability, holds(first, &[fault]));
    if first.causes[0].probability < 0.95 {
        settle(board, &built, seen, found, &[fault], rng, &mut tally.settling);
    }
}

/// Measures what is proposed until one cause holds.
fn settle(
    board: &Board,
    built: &Built,
    mut seen: Evidence,
    mut found: Diagnosis,
    planted: &[Fault],
    rng: &mut ChaCha8Rng,
    settling: &mut Settling,
) {
    settling.open_first += 1;
    for taken in 1..=PATIENCE {
        let next = suggest(board, &seen, &found);
        let by_meter = |m: &&Measurement| !matches!(m, Measurement::Reading { .. });
        let Some(measurement) = next.iter().map(|s| &s.measurement).find(by_meter) else {
            settling.beyond += 1;
            return;
        };
        let gauss: f64 = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        let value = measured(board, built, measurement, gauss);
        seen.meter.extend(Meter::of(measurement, value));
        found = diagnose(board, &seen, &Options::default());
        let first = &found.classes[0].causes[0];
        if first.probability > 0.95 {
            settling.settled += 1;
            settling.right += usize::from(is(&first.faults, planted));
            settling.taken.push(taken);
            return;
        }
    }
}

fn pair(design: &Design, rng: &mut ChaCha8Rng, tally: &mut Tally) {
    let board = &design.board;
    let hard = |f: &Fault| {
        !matches!(
            f,
            Fault::ResistorOff { .. }
                | Fault::ContactResistive { .. }
                | Fault::PinLeaks { .. }
                | Fault::ResistorsSwapped { .. }
                | Fault::HeadersMistaken { .. }
                | Fault::LoadDead { .. }
                | Fault::LoadShorted { .. }
                | Fault::PinStuck { .. }
        )
    };
    let faults: Vec<Fault> = design.faults.iter().copied().filter(hard).collect();
    let planted = [0, 1].map(|_| *faults.choose(rng).expect("a defect"));
    let built = unit(board, &planted, rng);
    let seen = evidence(board, &design.walk, &built, rng);
    // One of them alone must not explain what is seen.
    if seen.is_empty() || planted[0].reach(board) == planted[1].reach(board) {
        return;
    }
    let found = diagnose(board, &seen, &Options::default());
    let alone = found.classes.first().is_some_and(|c| c.causes[0].faults.len() < 2);
    if !alone {
        tally.pairs.add(Count::of(&found, &planted));
    }
}

/// A part that is in no list: a resistor between two nets that nothing joins.
fn stranger(design: &Design, rng: &mut ChaCha8Rng, tally: &mut Tally) {
    let board = &design.board;
    let mut built = unit(board, &[], rng);
    let net = |rng: &mut ChaCha8Rng| NetId(rng.random_range(0..board.nets.len()));
    let between = [net(rng), net(rng)];
    let ohms = Ohms(rng.random_range(1e3_f64.ln()..50e3_f64.ln()).exp());
    built.parts.bridges.push((between, ohms));
    let seen = evidence(board, &design.walk, &built, rng);
    let found = diagnose(board, &seen, &Options::default());
    if between[0] != between[1] {
        tally.strangers.add(Count::of(&found, &[]));
    }
}

fn sound(design: &Design, rng: &mut ChaCha8Rng, tally: &mut Tally) {
    let built = unit(&design.board, &[], rng);
    let seen = evidence(&design.board, &design.walk, &built, rng);
    let found = diagnose(&design.board, &seen, &Options::default());
    tally.good.0 += 1;
    tally.good.1 += usize::from(good(&found) < 0.01);
    tally.good.2 += usize::from(!found.explained);
}

fn run(design: &Design, units: usize, seed: u64) -> Tally {
    let share = |of: usize| {
        let mut rng = ChaCha8Rng::seed_from_u64(seed * 1000 + of as u64);
        let mut tally = Tally::default();
        for i in 0..units / THREADS {
            single(design, &mut rng, &mut tally);
            if i % 10 == 0 {
                pair(design, &mut rng, &mut tally);
                stranger(design, &mut rng, &mut tally);
                sound(design, &mut rng, &mut tally);
            }
        }
        tally
    };
    let mut sum = Tally::default();
    std::thread::scope(|scope| {
        let threads: Vec<_> = (0..THREADS).map(|of| scope.spawn(move || share(of))).collect();
        for thread in threads {
            sum.add(thread.join().expect("no panic"));
        }
    });
    sum
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let units: usize = arguments.next().and_then(|a| a.parse().ok()).unwrap_or(5000);
    let seed: u64 = arguments.next().and_then(|a| a.parse().ok()).unwrap_or(1);
    let vent = include_str!("../../protocols/vent-controller.toml");
    let designs = [design("vent-controller", vent), design("twelve", &boards::twelve_jumpers())];
    let mut sum = Tally::default();
    for design in &designs {
        let tally = run(design, units / designs.len(), seed);
        let count: usize = tally.singles.values().map(|c| c.units).sum();
        println!(
            "{}: {} defects in the list, {:.1} ms a unit, one thread",
            design.board.name,
            design.faults.len(),
            1e3 * tally.time.as_secs_f64() / count.max(1) as f64
        );
        sum.add(tally);
    }
    println!("\nin percent of those told from a good unit\n");
    println!("class of defect                        units   told  class  cause  three  unexpl");
    let mut all = Count::default();
    for (class, count) in &sum.singles {
        count.line(class);
        all.add(*count);
    }
    all.line("all");
    println!("\nprobability of the first class");
    sum.calibration.print();
    println!();
    sum.pairs.line("two defects, where two are seen");
    sum.strangers.line("a part in no list");
    let (n, alarms, unexplained) = sum.good;
    println!("good units {n}: false alarms {alarms}, said to be unexplained {unexplained}");
    let s = &mut sum.settling;
    s.taken.sort_unstable();
    let at = |share: f64| {
        s.taken.get((share * (s.taken.len().max(1) - 1) as f64) as usize).copied().unwrap_or(0)
    };
    println!(
        "measurements: {} units open at first, {} of them beyond a meter (alike at every net), {} \
         settled by them, {} right; median {}, 90 % {}",
        s.open_first,
        s.beyond,
        s.settled,
        s.right,
        at(0.5),
        at(0.9)
    );
}
