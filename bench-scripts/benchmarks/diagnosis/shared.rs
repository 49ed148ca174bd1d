//! The world that shares the solver with the diagnosis: quick, on any board. Its converter, pull-ups,
//! tolerances and open pins are its own.

use super::diagnose_support::{evidence, unit};
use super::world::{Subject, World, gauss};
use rand::RngExt;
use rand::seq::IndexedRandom;
use rand_chacha::ChaCha8Rng;
use strapwise::board::{self, Board, NetId};
use strapwise::diagnose::{Measurement, measured};
use strapwise::faults::{Fault, modelled};
use strapwise::units::Ohms;
use strapwise::walk::{self, Walk};
use strapwise::window;

/// A board with its sequence and its defects.
pub struct Shared {
    board: Board,
    walk: Walk,
    faults: Vec<Fault>,
}

impl Shared {
    pub fn new(name: &str, text: &str) -> Shared {
        let board = board::parse(name, text).unwrap_or_else(|e| panic!("{name}: {e}"));
        let windows = window::windows(&board).unwrap_or_else(|e| panic!("{name}: {e:?}"));
        let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
        let faults = modelled(&board);
        Shared { board, walk, faults }
    }

    fn subject(&self, faults: &[Fault], rng: &mut ChaCha8Rng) -> Option<Subject> {
        let built = unit(&self.board, faults, rng);
        let seen = evidence(&self.board, &self.walk, &built, rng);
        (!seen.is_empty()).then(|| Subject { faults: faults.to_vec(), built, seen })
    }
}

/// A member of a class that is drawn first, each class as likely as any other.
pub fn by_class(faults: &[Fault], rng: &mut ChaCha8Rng) -> Fault {
    let mut classes: Vec<&str> = faults.iter().map(|f| f.class()).collect();
    classes.sort_unstable();
    classes.dedup();
    let class = *classes.choose(rng).expect("a class");
    let members: Vec<Fault> = faults.iter().copied().filter(|f| f.class() == class).collect();
    *members.choose(rng).expect("a member")
}

/// The least and the largest drift, as a logarithm, and the same of poor contacts, of leaks and of
/// poor bridges in ohms.
pub const DRIFTS: (f64, f64) = (0.15, 1.5);
pub const POOR: (f64, f64) = (200.0, 10e3);
pub const LEAKS: (f64, f64) = (1e3, 100e3);
pub const BRIDGES: (f64, f64) = (10.0, 10e3);

/// A defect of a continuous kind with a value of its own.
fn valued(fault: Fault, rng: &mut ChaCha8Rng) -> Fault {
    let log = |rng: &mut ChaCha8Rng, (low, high): (f64, f64)| {
        Ohms((rng.random_range(low.ln()..high.ln())).exp())
    };
    match fault {
        Fault::ResistorOff { resistor, .. } => {
            let ratio = rng.random_range(DRIFTS.0..DRIFTS.1).exp();
            Fault::ResistorOff { resistor, ratio: if rng.random() { ratio } else { 1.0 / ratio } }
        }
        Fault::ContactResistive { jumper, position, .. } => {
            Fault::ContactResistive { jumper, position, ohms: log(rng, POOR) }
        }
        Fault::PinLeaks { channel, to, .. } => {
            Fault::PinLeaks { channel, to, ohms: log(rng, LEAKS) }
        }
        Fault::PinsBridged { jumper, pins, between, .. } if rng.random() => {
            Fault::PinsBridged { jumper, pins, between, ohms: log(rng, BRIDGES) }
        }
        other => other,
    }
}

/// Whether a defect is hard and sits at one place: such are put in twos.
pub fn hard(fault: &Fault) -> bool {
    !matches!(
        fault,
        Fault::ResistorOff { .. }
            | Fault::ContactResistive { .. }
            | Fault::PinLeaks { .. }
            | Fault::ResistorsSwapped { .. }
            | Fault::HeadersMistaken { .. }
            | Fault::LoadDead { .. }
            | Fault::LoadShorted { .. }
            | Fault::PinStuck { .. }
    )
}

impl World for Shared {
    fn board(&self) -> &Board {
        &self.board
    }

    fn single(&mut self, rng: &mut ChaCha8Rng) -> Option<Subject> {
        let fault = valued(by_class(&self.faults, rng), rng);
        self.subject(&[fault], rng)
    }

    fn pair(&mut self, rng: &mut ChaCha8Rng) -> Option<Subject> {
        let faults: Vec<Fault> = self.faults.iter().copied().filter(hard).collect();
        let planted = [0, 1].map(|_| *faults.choose(rng).expect("a defect"));
        let apart = planted[0].reach(&self.board) != planted[1].reach(&self.board);
        apart.then(|| self.subject(&planted, rng)).flatten()
    }

    fn stranger(&mut self, rng: &mut ChaCha8Rng) -> Option<(&'static str, Subject)> {
        let board = &self.board;
        let mut built = unit(board, &[], rng);
        let net = |rng: &mut ChaCha8Rng| NetId(rng.random_range(0..board.nets.len()));
        let between = [net(rng), net(rng)];
        let ohms = Ohms(rng.random_range(1e3_f64.ln()..50e3_f64.ln()).exp());
        built.parts.bridges.push((between, ohms));
        let seen = evidence(board, &self.walk, &built, rng);
        let subject = Subject { faults: Vec::new(), built, seen };
        (between[0] != between[1]).then_some(("a resistor between any two nets", subject))
    }

    fn good(&mut self, rng: &mut ChaCha8Rng) -> Subject {
        self.subject(&[], rng).expect("a good unit is read")
    }

    fn measure(
        &mut self,
        subject: &Subject,
        measurement: &Measurement,
        rng: &mut ChaCha8Rng,
    ) -> Option<f64> {
        let by_meter = !matches!(measurement, Measurement::Reading { .. });
        by_meter.then(|| measured(&self.board, &subject.built, measurement, gauss(rng)))
    }

    fn errs(&self) -> f64 {
        1.0
    }
}
