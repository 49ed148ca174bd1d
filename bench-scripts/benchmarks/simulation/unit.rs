//! What one unit really is: its circuit by the tables, its parts, its chip, its supply.

use super::tables::{Cluster, State, Tables, built, clusters};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::collections::HashMap;
use std::f64::consts::TAU;
use std::rc::Rc;
use strapwise::board::chip::Figure;
use strapwise::board::{Board, Place, Setting};
use strapwise::faults::{Built, Fault};
use strapwise::window::TEMPCO;

/// Kelvin by which a bench may differ from where resistors are specified.
const KELVIN: f64 = 10.0;

/// Something wrong that is in no list of defects and in no circuit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Odd {
    /// A pin that draws or gives a current, in amperes, far beyond its data sheet.
    Current(usize, f64),
    /// A pin that conducts to ground above a share of the supply: channel, share, ohms.
    Clamps(usize, f64, f64),
    /// A pin whose pull-up is so many times that of the others.
    PullUp(usize, f64),
    /// A converter that is bent by so many codes.
    Bent(f64),
}

/// A combination of defects with its solved circuits.
pub struct Case {
    pub faults: Vec<Fault>,
    pub built: Built,
    pub clusters: Vec<(Cluster, Rc<Vec<State>>)>,
    pub odd: Option<Odd>,
}

/// States that are known already: those of the good unit are in every case.
pub type Known = HashMap<u64, Rc<Vec<State>>>;

impl Case {
    /// The case, if all of its circuits have been solved.
    pub fn new(
        board: &Board,
        tables: &Tables,
        known: &mut Known,
        faults: &[Fault],
    ) -> Option<Case> {
        let mut found = Vec::new();
        for (cluster, faults) in clusters(board, faults) {
            let key = super::tables::key(&cluster, &faults);
            let states = match known.get(&key) {
                Some(states) => states.clone(),
                None => {
                    let states = Rc::new(tables.states(board, &cluster, &faults)?);
                    known.insert(key, states.clone());
                    states
                }
            };
            found.push((cluster, states));
        }
        let built = built(board, faults);
        Some(Case { faults: faults.to_vec(), built, clusters: found, odd: None })
    }

    /// Where the shunts are for the tables: one that does not make contact is not there.
    pub fn seat(&self, board: &Board, shunts: &Setting) -> Setting {
        let mut seat = self.built.seat(board, shunts);
        for (place, contacts) in seat.0.iter_mut().zip(&self.built.parts.contacts) {
            if let Place::At(p) = *place
                && contacts[p].0.is_infinite()
            {
                *place = Place::Open;
            }
        }
        seat
    }
}

/// Normal deviates (Box and Muller, Annals of Mathematical Statistics 29, 1958, p. 610).
#[derive(Default)]
pub struct Gauss {
    spare: Option<f64>,
}

impl Gauss {
    pub fn draw(&mut self, rng: &mut ChaCha8Rng) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * (1.0 - rng.random::<f64>()).ln()).sqrt();
        let (sin, cos) = (TAU * rng.random::<f64>()).sin_cos();
        self.spare = Some(radius * sin);
        radius * cos
    }
}

/// Uniform between two values.
pub fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

/// Uniform, half of the time at one of the ends.
fn to_the_limit(rng: &mut ChaCha8Rng, most: f64) -> f64 {
    match rng.random_range(0..4) {
        0 => most,
        1 => -most,
        _ => between(rng, -most, most),
    }
}

/// Parts of one unit and its chip, as drawn. Codes are counts of the converter.
pub struct Drawn {
    /// By resistor: relative deviation, tolerance and the bench's temperature together.
    pub shares: Vec<f64>,
    /// By switch: ohms when closed.
    pub switches: Vec<f64>,
    pub supply: f64,
    pub bandgap: f64,
    /// By channel: ohms of the pull-up, amperes of leakage at the pin.
    pub pull_ups: Vec<f64>,
    pub leaks: Vec<f64>,
    /// The converter: offset, gain at full scale, bow, slow drift over an hour.
    pub offset: f64,
    pub gain: f64,
    pub bow: f64,
    pub drift: f64,
    /// Deviation of a conversion; peak of the hum at a stiff node and at 100 kΩ.
    pub noise: f64,
    pub hum: [f64; 2],
    pub mains: f64,
    /// Share of the channel before that a product's conversion keeps.
    pub carried: f64,
    /// By load: volts of sag, volts by which the ground of the jumper circuits lifts.
    pub sags: Vec<f64>,
    pub lifts: Vec<f64>,
    /// Whether the supply gives in to a short.
    pub limited: bool,
}

impl Drawn {
    /// A unit that may lie anywhere in its tolerances, often at their ends.
    pub fn new(board: &Board, case: &Case, rng: &mut ChaCha8Rng) -> Drawn {
        let chip = &board.chip;
        let exact = |r: usize| {
            let off =
                |f: &Fault| matches!(f, Fault::ResistorOff { resistor, .. } if *resistor == r);
            case.faults.iter().any(off)
        };
        let warm = between(rng, -1.0, 1.0) * KELVIN;
        let shares = board.resistors.iter().enumerate().map(|(r, resistor)| {
            let made = to_the_limit(rng, resistor.tolerance.0);
            let made = if exact(r) { 0.0 } else { made };
            made + between(rng, -TEMPCO, TEMPCO) * warm
        });
        let shares = shares.collect();
        let on = |s: &strapwise::board::Switch, rng: &mut ChaCha8Rng| {
            s.on.0.0 * (s.on.1.0 / s.on.0.0).powf(rng.random::<f64>())
        };
        let switches = board.switches.iter().map(|s| on(s, rng)).collect();
        let pull = between(rng, chip.pull_up.0.0 * 1.03, chip.pull_up.1.0 * 0.97);
        let channels = board.channels.len();
        let pull_ups = (0..channels).map(|_| pull * between(rng, 0.97, 1.03)).collect();
        // Most pins leak next to nothing; some as much as the data sheet lets them.
        let most = chip.leakage.0;
        let leaks = (0..channels)
            .map(|_| {
                if rng.random_bool(0.1) {
                    to_the_limit(rng, most)
                } else {
                    between(rng, -0.02, 0.02) * most
                }
            })
            .collect();
        let worst = |figure: Figure| figure.worst();
        let tolerance = board.supply.tolerance.0;
        let sag = |l: &strapwise::board::Load, rng: &mut ChaCha8Rng| {
            between(rng, l.sag.0.0 * 1.2, l.sag.1.0 * 0.85)
        };
        let mut drawn = Drawn {
            shares,
            switches,
            supply: board.supply.volts.0 * (1.0 + to_the_limit(rng, 0.9 * tolerance)),
            bandgap: between(rng, 1.0, 1.2),
            pull_ups,
            leaks,
            offset: to_the_limit(rng, worst(chip.offset)),
            gain: to_the_limit(rng, worst(chip.gain)),
            bow: to_the_limit(rng, worst(chip.inl)),
            drift: between(rng, -0.2, 0.2),
            noise: between(rng, 0.3, 0.8),
            hum: [between(rng, 0.0, 0.5), between(rng, 0.0, 1.0)],
            mains: if rng.random() { 50.0 } else { 60.0 },
            carried: between(rng, 0.0, 1e-4),
            sags: board.loads.iter().map(|l| sag(l, rng)).collect(),
            lifts: board.loads.iter().map(|_| between(rng, 0.0, 0.002)).collect(),
            limited: rng.random(),
        };
        match case.odd {
            Some(Odd::Current(channel, amperes)) => drawn.leaks[channel] = amperes,
            Some(Odd::PullUp(channel, times)) => drawn.pull_ups[channel] *= times,
            Some(Odd::Bent(codes)) => drawn.bow = codes,
            Some(Odd::Clamps(..)) | None => {}
        }
        drawn
    }
}
