//! Draws units: values of everything that varies, many units side by side.

use super::spread::{self, Makeup};
use crate::board::{Board, Reference};
use crate::circuit::{Input, LANES, Lanes};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::distribution::{ContinuousCDF, Normal};

/// How a figure lies between its two limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Law {
    /// Anywhere between them alike.
    #[default]
    Uniform,
    /// Normal about the middle, a limit three deviations away and cut off there.
    Normal,
}

/// Deviations from the middle to a limit.
const CUT: f64 = 3.0;
/// Stretches of the table of quantiles.
const TABLE: usize = 1024;
/// Bits of a draw that say where in a stretch it lies.
const WITHIN: u32 = u16::BITS - TABLE.trailing_zeros();
/// Figures that are drawn at once, for [`LANES`] units each.
const ROLLS: usize = 64;
/// Bytes of one of them.
const BYTES: usize = LANES * 2;

/// Draws figures between -1 and 1, in 65,536 steps: a ten thousandth of a count where a part's
/// limits are six counts apart.
pub(super) struct Dice {
    rng: ChaCha8Rng,
    /// Quantiles of the cut normal law, from limit to limit; empty for the uniform law.
    table: std::sync::Arc<Vec<f64>>,
    bits: Vec<u8>,
    used: usize,
}

/// The table of a law, made once and shared.
pub(super) fn table(law: Law) -> std::sync::Arc<Vec<f64>> {
    let normal = Normal::standard();
    let below = normal.cdf(-CUT);
    let quantile = |i: usize| {
        let share = i as f64 / TABLE as f64;
        (normal.inverse_cdf(below + share * (1.0 - 2.0 * below)) / CUT).clamp(-1.0, 1.0)
    };
    std::sync::Arc::new(match law {
        Law::Uniform => Vec::new(),
        Law::Normal => (0..=TABLE).map(quantile).collect(),
    })
}

impl Dice {
    /// Dice for one stretch of units. Each stretch has a stream of its own, so it does not matter
    /// who draws it, nor when.
    pub fn new(seed: u64, stream: u64, table: std::sync::Arc<Vec<f64>>) -> Dice {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Dice { rng, table, bits: Vec::new(), used: 0 }
    }

    /// One figure between -1 and 1 for each of [`LANES`] units.
    #[inline]
    pub fn roll(&mut self) -> Lanes {
        if self.used == self.bits.len() {
            self.refill();
        }
        let mut lanes = [0.0; LANES];
        let next = &self.bits[self.used..self.used + BYTES];
        let pairs = lanes.iter_mut().zip(next.chunks_exact(2));
        if self.table.is_empty() {
            for (lane, two) in pairs {
                // Half a step on, so that the steps lie evenly about the middle.
                *lane = (f64::from(i16::from_le_bytes([two[0], two[1]])) + 0.5) * 2f64.powi(-15);
            }
        } else {
            for (lane, two) in pairs {
                *lane = quantile(&self.table, u16::from_le_bytes([two[0], two[1]]));
            }
        }
        self.used += BYTES;
        lanes
    }

    #[cold]
    fn refill(&mut self) {
        self.bits.resize(ROLLS * BYTES, 0);
        self.rng.fill_bytes(&mut self.bits);
        self.used = 0;
    }

    /// One figure between two limits.
    pub fn between(&mut self, low: f64, high: f64) -> Lanes {
        let (middle, half) = ((low + high) / 2.0, (high - low) / 2.0);
        self.roll().map(|x| middle + half * x)
    }
}

/// Between two entries of the table in a straight line.
fn quantile(table: &[f64], bits: u16) -> f64 {
    let (at, within) = (usize::from(bits >> WITHIN), bits & ((1 << WITHIN) - 1));
    let share = (f64::from(within) + 0.5) / f64::from(1_u32 << WITHIN);
    table[at] + share * (table[at + 1] - table[at])
}

/// Something that is drawn for every unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Need {
    /// What a compiled circuit reads.
    Circuit(Input),
    /// Drop of a closed switch, in volts.
    Drop(usize),
    /// Supply, in volts.
    Supply,
    /// What the converter refers to, in volts.
    Reference,
    /// A further source, from -1 at its lower end to 1.
    Source(usize),
}

/// Which figures are drawn, and from what.
pub(super) struct Recipe {
    needs: Vec<Need>,
    resistors: Vec<Makeup>,
    arrays: usize,
    kelvin: (f64, f64),
    contact: (f64, f64),
    switches: Vec<(f64, f64)>,
    drops: Vec<(f64, f64)>,
    pull_up: (f64, f64),
    leakage: f64,
    supply: (f64, f64),
    /// A fixed reference; `None` where it is the supply.
    reference: Option<(f64, f64)>,
}

/// What is drawn, in the order of the recipe's needs.
pub(super) type Drawn = Vec<Lanes>;

impl Recipe {
    /// Nothing yet.
    pub fn new(board: &Board) -> Recipe {
        let supply = board.supply_range();
        let pull_up = board.chip.pull_up;
        Recipe {
            needs: Vec::new(),
            resistors: board.resistors.iter().map(|r| Makeup::of(board, r)).collect(),
            arrays: board.arrays.len(),
            kelvin: spread::kelvin_in_use(board),
            contact: (0.0, spread::contact_max(board).0),
            switches: board.switches.iter().map(|s| (s.on.0.0, s.on.1.0)).collect(),
            drops: board.switches.iter().map(|s| (s.drop.0.0, s.drop.1.0)).collect(),
            pull_up: (pull_up.0.0, pull_up.1.0),
            leakage: board.chip.leakage.0,
            supply: (supply.0.0, supply.1.0),
            reference: match board.firmware.reference {
                Reference::Supply => None,
                Reference::Internal(i) => Some((i.low.0, i.high.0)),
                Reference::External(low, _, high) => Some((low.0, high.0)),
            },
        }
    }

    /// Place of a need in what is drawn; it is taken up if it is new.
    pub fn need(&mut self, need: Need) -> usize {
        self.needs.iter().position(|n| *n == need).unwrap_or_else(|| {
            self.needs.push(need);
            self.needs.len() - 1
        })
    }

    /// The values of [`LANES`] units, each at one moment of its life. What is not needed is not
    /// drawn.
    pub fn draw(&self, dice: &mut Dice, drawn: &mut Drawn) {
        drawn.clear();
        let kelvin = dice.between(self.kelvin.0, self.kelvin.1);
        let supply = dice.between(self.supply.0, self.supply.1);
        let arrays: Vec<[Lanes; 2]> =
            (0..self.arrays).map(|_| [dice.roll(), dice.roll()]).collect();
        for need in &self.needs {
            let mut within = |(low, high): (f64, f64)| dice.between(low, high);
            drawn.push(match *need {
                Need::Supply => supply,
                Need::Reference => self.reference.map_or(supply, within),
                Need::Source(_) => within((-1.0, 1.0)),
                Need::Drop(i) => within(self.drops[i]),
                Need::Circuit(Input::Contact { .. }) => siemens(within(self.contact)),
                Need::Circuit(Input::Switch(i)) => siemens(within(self.switches[i])),
                Need::Circuit(Input::PullUp) => siemens(within(self.pull_up)),
                Need::Circuit(Input::Leakage) => {
                    let mut leakage = within((-self.leakage, self.leakage));
                    leakage.iter_mut().zip(supply).for_each(|(l, s)| *l /= s);
                    leakage
                }
                Need::Circuit(Input::Resistor(i)) => {
                    resistor(&self.resistors[i], dice, &kelvin, &arrays)
                }
            });
        }
    }
}

/// Conductance of a resistor: as made, at its temperature, at its age.
fn resistor(made: &Makeup, dice: &mut Dice, kelvin: &Lanes, arrays: &[[Lanes; 2]]) -> Lanes {
    let (tolerance, loose, aged) = (dice.roll(), dice.roll(), dice.roll());
    let mut ohms = [0.0; LANES];
    for (lane, ohms) in ohms.iter_mut().enumerate() {
        let drift = made.drift + made.loose.own * loose[lane];
        let own = made.tolerance.own * tolerance[lane] + made.ageing * aged[lane];
        *ohms = made.ohms * (1.0 + own + drift * kelvin[lane]);
    }
    if let Some([tolerance, loose]) = made.array.and_then(|a| arrays.get(a)) {
        for (lane, ohms) in ohms.iter_mut().enumerate() {
            let drift = made.loose.common * loose[lane] * kelvin[lane];
            *ohms += made.ohms * (made.tolerance.common * tolerance[lane] + drift);
        }
    }
    siemens(ohms)
}

/// Less resistance than any solder joint has counts as this much, as in the solver.
const LEAST_OHMS: f64 = 1e-6;

fn siemens(mut ohms: Lanes) -> Lanes {
    ohms.iter_mut().for_each(|r| *r = 1.0 / r.max(LEAST_OHMS));
    ohms
}
