//! The world of `simulate`: ngspice solved the circuits, and the physics are told to nobody. Whole unit
//! tests of the bench are run in it, and what is diagnosed is the record that they leave.

use super::shared::{DRIFTS, LEAKS, POOR, by_class, hard};
use super::simulation::hands::Slips;
use super::simulation::run::{Manner, run};
use super::simulation::strata::vent_controller;
use super::simulation::tables::{Tables, soft};
use super::simulation::unit::{Case, Drawn, Known, Odd};
use super::simulation::world::Mishaps;
use super::simulation::{meter, solve};
use super::world::{Subject, World, gauss};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::sync::Arc;
use strapwise::bench::Design;
use strapwise::board::{Board, Kind, NetId};
use strapwise::diagnose::{Evidence, Measurement};
use strapwise::faults::{Fault, modelled};
use strapwise::units::Ohms;
use strapwise::walk::{self, Walk};
use strapwise::window;

/// Circuits that only this benchmark needs.
pub const TABLES: &str =
    concat!(env!("CARGO_MANIFEST_DIR"), "/bench-scripts/benchmarks/simulation/strangers.tables");
const KEPT: &[u8] = include_bytes!("../simulation/strangers.tables");
const AGAIN: &str = "cargo run --release --example diagnosis -- --solve";

/// Parts that are in no list, each a resistor between two nets.
const STRANGERS: usize = 60;

/// Ohms of poor bridges.
const BRIDGES: [f64; 3] = [47.0, 470.0, 4700.0];

/// Parts that are in no list of defects, written as bridges between header pins that are not there.
fn strangers(board: &Board) -> Vec<Fault> {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let mut found = Vec::new();
    while found.len() < STRANGERS {
        let mut net = || NetId(rng.random_range(0..board.nets.len()));
        let between = [net(), net()];
        let ohms = Ohms(rng.random_range(1e3_f64.ln()..50e3_f64.ln()).exp().round());
        if between[0] != between[1] {
            found.push(Fault::PinsBridged { jumper: 0, pins: [0, 0], between, ohms });
        }
    }
    found
}

/// Bridges of the list that are no clean short.
fn poor_bridges(board: &Board) -> Vec<Fault> {
    let poor = |fault: Fault| match fault {
        Fault::PinsBridged { jumper, pins, between, .. } => BRIDGES
            .map(|ohms| Fault::PinsBridged { jumper, pins, between, ohms: Ohms(ohms) })
            .to_vec(),
        _ => Vec::new(),
    };
    modelled(board).into_iter().flat_map(poor).collect()
}

/// Has ngspice solve what the tables of `simulate` do not hold.
pub fn tables(board: &Board) -> Vec<u8> {
    let each = strangers(board).into_iter().chain(poor_bridges(board));
    solve::tables_of(board, each.map(|f| vec![f]).collect())
}

/// The bench with its operator, and the units that come to it.
pub struct Independent {
    design: Arc<Design>,
    walk: Arc<Walk>,
    tables: Tables,
    known: Known,
    faults: Vec<Fault>,
    strangers: Vec<Fault>,
    /// Defects of continuous kinds with the values that were solved, by a key of their place.
    values: BTreeMap<String, Vec<Fault>>,
    /// What the unit was drawn from, to draw it again for the meter.
    last: Option<(Case, u64)>,
}

/// Where a defect sits, whatever its value.
fn place(fault: &Fault) -> String {
    match *fault {
        Fault::ResistorOff { resistor, .. } => format!("off {resistor}"),
        Fault::ContactResistive { jumper, position, .. } => format!("poor {jumper} {position}"),
        Fault::PinLeaks { channel, to, .. } => format!("leak {channel} {to:?}"),
        Fault::PinsBridged { between, .. } => format!("bridge {between:?}"),
        other => format!("{other:?}"),
    }
}

/// Whether a value is among those that the other world draws too.
fn wanted(fault: &Fault) -> bool {
    let inside = |x: f64, (low, high): (f64, f64)| low <= x && x <= high;
    match *fault {
        Fault::ResistorOff { ratio, .. } => inside(ratio.ln().abs(), DRIFTS),
        Fault::ContactResistive { ohms, .. } => inside(ohms.0, POOR),
        Fault::PinLeaks { ohms, .. } => inside(ohms.0, LEAKS),
        _ => true,
    }
}

impl Independent {
    /// Errors: tables that are not those of the board.
    pub fn new() -> Result<Independent, String> {
        let board = vent_controller();
        let windows = window::windows(&board).map_err(|e| format!("{e:?}"))?;
        let walk = walk::plan(&board, &windows, &board.delivery).map_err(|e| e.to_string())?;
        let mut tables = Tables::kept(&board)?;
        tables.join(Tables::of(&board, KEPT, AGAIN)?);
        let mut values: BTreeMap<String, Vec<Fault>> = BTreeMap::new();
        let each = soft(&board).into_iter().flatten().chain(poor_bridges(&board));
        for fault in each.filter(wanted) {
            values.entry(place(&fault)).or_default().push(fault);
        }
        Ok(Independent {
            strangers: strangers(&board),
            faults: modelled(&board),
            design: Arc::new(Design::new(board.clone(), Arc::new(windows))),
            walk: Arc::new(walk),
            tables,
            known: Known::new(),
            values,
            last: None,
        })
    }

    /// Runs the whole test of a unit with a good operator, and takes what its record holds.
    fn subject(
        &mut self,
        faults: &[Fault],
        odd: Option<Odd>,
        rng: &mut ChaCha8Rng,
    ) -> Option<Subject> {
        let board = self.design.board().clone();
        let mut case = Case::new(&board, &self.tables, &mut self.known, faults)?;
        case.odd = odd;
        let seed = rng.random();
        let manner = Manner {
            slips: Slips::default(),
            mishaps: Mishaps::default(),
            seed,
            stopped_at: None,
            killed: None,
            told: false,
        };
        let outcome = run(&self.design, &self.walk, &case, &manner);
        let seen = Evidence::of(&board, &outcome.rows);
        let mut built = case.built.clone();
        let drawn = Drawn::new(&board, &case, &mut ChaCha8Rng::seed_from_u64(seed));
        for (ohms, share) in built.parts.resistors.iter_mut().zip(&drawn.shares) {
            ohms.0 *= 1.0 + share;
        }
        self.last = Some((case, seed));
        (!seen.is_empty()).then(|| Subject { faults: faults.to_vec(), built, seen })
    }

    fn odd(&self, rng: &mut ChaCha8Rng) -> (&'static str, Odd) {
        let analog = |c: &usize| self.design.board().channels[*c].kind == Kind::Analog;
        let channels: Vec<usize> = (0..self.design.board().channels.len()).filter(analog).collect();
        let channel = *channels.choose(rng).expect("an analog channel");
        let sign = if rng.random() { 1.0 } else { -1.0 };
        match rng.random_range(0..4) {
            0 => {
                let amperes = sign * rng.random_range(10e-6_f64.ln()..300e-6_f64.ln()).exp();
                ("a pin that draws a current", Odd::Current(channel, amperes))
            }
            1 => {
                let clamps = Odd::Clamps(channel, rng.random_range(0.1..0.6), 500.0);
                ("a pin that conducts from some volts on", clamps)
            }
            2 => {
                let times = if rng.random() { 3.0 } else { 1.0 / 3.0 };
                ("a pull-up of another size", Odd::PullUp(channel, times))
            }
            _ => ("a bent converter", Odd::Bent(sign * rng.random_range(6.0..20.0))),
        }
    }
}

impl World for Independent {
    fn board(&self) -> &Board {
        self.design.board()
    }

    fn single(&mut self, rng: &mut ChaCha8Rng) -> Option<Subject> {
        let drawn = by_class(&self.faults, rng);
        // Half of the bridges are clean, as in the other world.
        let clean = matches!(drawn, Fault::PinsBridged { .. }) && rng.random();
        let valued = self.values.get(&place(&drawn)).and_then(|v| v.choose(rng)).copied();
        let fault = if clean { drawn } else { valued.unwrap_or(drawn) };
        self.subject(&[fault], None, rng)
    }

    fn pair(&mut self, rng: &mut ChaCha8Rng) -> Option<Subject> {
        let faults: Vec<Fault> = self.faults.iter().copied().filter(hard).collect();
        let planted = [0, 1].map(|_| *faults.choose(rng).expect("a defect"));
        let board = self.design.board();
        let apart = planted[0].reach(board) != planted[1].reach(board);
        apart.then(|| self.subject(&planted, None, rng)).flatten()
    }

    fn stranger(&mut self, rng: &mut ChaCha8Rng) -> Option<(&'static str, Subject)> {
        if rng.random() {
            let part = *self.strangers.choose(rng).expect("a stranger");
            let mut subject = self.subject(&[part], None, rng)?;
            subject.faults.clear();
            return Some(("a resistor between any two nets", subject));
        }
        let (kind, odd) = self.odd(rng);
        Some((kind, self.subject(&[], Some(odd), rng)?))
    }

    fn good(&mut self, rng: &mut ChaCha8Rng) -> Subject {
        self.subject(&[], None, rng).expect("a good unit is read")
    }

    fn measure(
        &mut self,
        subject: &Subject,
        measurement: &Measurement,
        rng: &mut ChaCha8Rng,
    ) -> Option<f64> {
        meter::shows(self.design.board(), &subject.built, measurement, gauss(rng), rng)
    }

    /// Eyes are worse here than the diagnosis believes.
    fn errs(&self) -> f64 {
        1.5
    }
}
