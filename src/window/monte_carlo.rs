//! Monte Carlo: drawn units read at every position, and the share of them that read every one as
//! its own option.
//!
//! A unit is drawn at one moment of its use: parts as made, a temperature, a share of their ageing,
//! a supply. Noise is not in it. No thread is started here: units come in [`stretches`], each with
//! its own stream of random numbers, and tallies add up in any order to the same figures.

pub use super::draw::Law;
use super::draw::{self, Dice, Drawn, Need, Recipe};
use super::ohms::Tips;
use super::reading::{Input as Reads, Reading};
use super::{Limits, Position, Windows, positions, spread};
use crate::board::{Board, Channel, Kind, Level, Meter, NetId, Place, Setting};
use crate::circuit::{self, Cause, Input, LANES, Lanes, Model, Parts, Program, Registers};
use crate::units::Ohms;
use std::sync::Arc;

/// Units of one stretch, but for the last.
pub const STRETCH: u64 = 16_384;

/// Units that are drawn from one stream of random numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Number of the stream, from 0.
    pub stream: u64,
    /// How many units.
    pub units: u64,
}

/// Cuts so many units into stretches.
pub fn stretches(units: u64) -> impl Iterator<Item = Stretch> {
    (0..units.div_ceil(STRETCH))
        .map(move |stream| Stretch { stream, units: STRETCH.min(units - stream * STRETCH) })
}

/// A position with what it takes to read it.
struct Read {
    way: Way,
    limits: Limits,
    /// By the converter; `None` on a digital channel.
    reading: Option<Reading>,
    /// Places of the further sources in what is drawn, and what the upper end of each adds to the
    /// ratio.
    sources: Vec<(usize, f64)>,
    /// Steps of [`Readings`] to a code, or to an ohm.
    steps: f64,
}

/// How the ratio at the pin is found.
enum Way {
    /// Compiled, with the places of its inputs in what is drawn.
    Compiled(Program, Vec<usize>),
    /// Unit by unit, for what cannot be compiled: switches with a drop, further sources.
    Solved(Box<Model>, Vec<(Cause, usize)>),
    /// Ohms between the tips of a meter, compiled.
    Metered(Program, Vec<usize>, Meter),
}

/// Steps of [`Readings`] to the highest resistance of a position that a meter reads.
const STEPS: f64 = 1e6;

/// Everything that is the same for all units.
pub struct MonteCarlo<'a> {
    board: &'a Board,
    recipe: Recipe,
    /// Places of supply and reference in what is drawn.
    supply: usize,
    reference: usize,
    positions: Vec<Position>,
    reads: Vec<Read>,
    left_out: Vec<String>,
    table: Arc<Vec<f64>>,
}

/// Readings of one position over the units drawn, in codes. Where a meter reads they are in steps,
/// which [`MonteCarlo::worth`] gives in ohms.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Readings {
    /// Units that read it as its own option.
    pub right: u64,
    /// Lowest code.
    pub low: u32,
    /// Highest code.
    pub high: u32,
    sum: u64,
    squares: u128,
}

/// What units drawn so far have read. Whole numbers only, so that the order of adding up does not
/// matter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Units drawn.
    pub units: u64,
    /// Units that read every position as its own option.
    pub good: u64,
    /// By position, as in [`MonteCarlo::positions`]; empty before the first unit.
    pub readings: Vec<Readings>,
}

impl Readings {
    const NONE: Readings = Readings { right: 0, low: u32::MAX, high: 0, sum: 0, squares: 0 };

    /// Mean code over so many units.
    pub fn mean(&self, units: u64) -> f64 {
        self.sum as f64 / units as f64
    }

    /// Standard deviation of the code over so many units, at least two.
    pub fn deviation(&self, units: u64) -> f64 {
        let n = u128::from(units);
        let sum = u128::from(self.sum);
        // Exact in whole numbers: nothing cancels.
        let spread = (n * self.squares).saturating_sub(sum * sum) as f64;
        (spread / units as f64 / (units as f64 - 1.0)).sqrt()
    }
}

impl Tally {
    /// Adds another tally of the same positions.
    pub fn merge(&mut self, other: &Tally) {
        self.units += other.units;
        self.good += other.good;
        self.readings.resize(self.readings.len().max(other.readings.len()), Readings::NONE);
        for (mine, theirs) in self.readings.iter_mut().zip(&other.readings) {
            mine.right += theirs.right;
            mine.low = mine.low.min(theirs.low);
            mine.high = mine.high.max(theirs.high);
            mine.sum += theirs.sum;
            mine.squares += theirs.squares;
        }
    }

    /// Share of units that read every position as its own option.
    pub fn expected_yield(&self) -> f64 {
        self.good as f64 / self.units as f64
    }
}

impl<'a> MonteCarlo<'a> {
    /// Sets up every position that stands for an option, with the windows that it must read in.
    pub fn new(board: &'a Board, windows: &Windows, law: Law) -> MonteCarlo<'a> {
        let mut recipe = Recipe::new(board);
        let mut made = MonteCarlo {
            board,
            supply: recipe.need(Need::Supply),
            reference: recipe.need(Need::Reference),
            recipe,
            positions: Vec::new(),
            reads: Vec::new(),
            left_out: Vec::new(),
            table: draw::table(law),
        };
        for position in positions(board, windows) {
            made.add(windows, position);
        }
        made
    }

    fn add(&mut self, windows: &Windows, position: Position) {
        let (board, setting) = (self.board, &position.setting);
        let of = &board.channels[position.channel];
        let class =
            windows.channels.get(position.channel).and_then(|w| w.classes.get(position.class));
        let shorts = circuit::short(board, &Parts::nominal(board), setting, &of.closes).is_some();
        match (self.way(of, setting).filter(|_| !shorts), class) {
            (Some((way, sources)), Some(class)) => {
                let reading = Reading::new(board, setting, of);
                let steps = match way {
                    Way::Metered(..) => STEPS / class.design.high,
                    _ => 1.0,
                };
                let limits = class.limits.clone();
                self.reads.push(Read { way, limits, reading, sources, steps });
                self.positions.push(position);
            }
            _ => self.left_out.push(format!("{} {}", of.id, position.name)),
        }
    }

    fn way(&mut self, channel: &Channel, setting: &Setting) -> Option<(Way, Vec<(usize, f64)>)> {
        if let Kind::Meter { against, meter } = channel.kind {
            return Some((self.metered(setting, [channel.net, against], meter)?, Vec::new()));
        }
        let (board, net, closes) = (self.board, channel.net, &channel.closes);
        let mut spread = spread::design_spread(board, channel.pull_up);
        spread.also_pulled = spread::also_pulled(board, channel);
        let recipe = &mut self.recipe;
        if let Some(program) = Program::new(board, setting, closes, net, &spread) {
            let places = program.inputs().iter().map(|&i| recipe.need(Need::Circuit(i))).collect();
            return Some((Way::Compiled(program, places), Vec::new()));
        }
        let model = Model::new(board, setting, closes, net, &spread)?;
        let mut places = Vec::new();
        for varying in model.varying() {
            let need = match varying.cause {
                Cause::Resistor(i) => Need::Circuit(Input::Resistor(i)),
                Cause::Contact { jumper } => match setting.0.get(jumper) {
                    Some(&Place::At(position)) => {
                        Need::Circuit(Input::Contact { jumper, position })
                    }
                    _ => return None,
                },
                Cause::SwitchOn(i) => Need::Circuit(Input::Switch(i)),
                Cause::SwitchDrop(i) => Need::Drop(i),
                Cause::PullUp => Need::Circuit(Input::PullUp),
                Cause::Leakage => Need::Circuit(Input::Leakage),
                Cause::Supply => Need::Supply,
            };
            places.push((varying.cause, recipe.need(need)));
        }
        let sources = circuit::of_sources(board, setting, closes, net, &spread);
        let sources = sources.into_iter().map(|(i, by)| (recipe.need(Need::Source(i)), by));
        Some((Way::Solved(Box::new(model), places), sources.collect()))
    }

    fn metered(&mut self, setting: &Setting, tips: [NetId; 2], meter: Meter) -> Option<Way> {
        let tips = Tips::new(self.board, tips);
        tips.settled(setting)?;
        let spread = spread::design_spread(self.board, false);
        let program = Program::new(&tips.board, setting, &[], tips.tip, &spread)?;
        let need = |&i: &Input| self.recipe.need(Need::Circuit(i));
        let places = program.inputs().iter().map(need).collect();
        Some(Way::Metered(program, places, meter))
    }

    /// What one step of the readings of a position is worth: a code, or so many ohms.
    pub fn worth(&self, position: usize) -> f64 {
        self.reads.get(position).map_or(1.0, |read| 1.0 / read.steps)
    }

    /// The positions that are read, channel by channel.
    pub fn positions(&self) -> &[Position] {
        &self.positions
    }

    /// Positions that are not drawn: with the other jumpers as delivered the setting shorts the
    /// supply, or the pin floats, or nothing joins the tips of a meter, or what joins the rails
    /// besides the parts of the file matters to it. They count in no figure.
    pub fn left_out(&self) -> &[String] {
        &self.left_out
    }

    /// Draws the units of one stretch and reads them.
    pub fn run(&self, seed: u64, stretch: Stretch) -> Tally {
        let mut dice = Dice::new(seed, stretch.stream, Arc::clone(&self.table));
        let (mut drawn, mut registers) = (Drawn::new(), Registers::default());
        let mut tally = Tally {
            units: stretch.units,
            good: 0,
            readings: vec![Readings::NONE; self.positions.len()],
        };
        let mut left = stretch.units;
        while left > 0 {
            let units = left.min(LANES as u64) as usize;
            self.recipe.draw(&mut dice, &mut drawn);
            let (offset, gain) = (dice.roll(), dice.roll());
            let mut good = [true; LANES];
            for (read, readings) in self.reads.iter().zip(&mut tally.readings) {
                let ratio = self.ratio(read, &drawn, &mut registers);
                let codes = match &read.reading {
                    Some(reading) => {
                        self.convert(reading, &ratio, &drawn, [&offset, &gain], &mut dice)
                    }
                    None => match &read.way {
                        Way::Metered(_, _, meter) => measure(meter, &ratio, &mut dice),
                        _ => ratio.map(|r| r * self.board.chip.scale),
                    },
                };
                let right = self.right(&read.limits, &ratio, &codes);
                for lane in 0..units {
                    good[lane] &= right[lane];
                    readings.count((codes[lane] * read.steps) as u32, right[lane]);
                }
            }
            tally.good += good[..units].iter().filter(|g| **g).count() as u64;
            left -= units as u64;
        }
        tally
    }

    /// Codes of the converter, whole numbers within the scale.
    fn convert(
        &self,
        reading: &Reading,
        ratio: &Lanes,
        drawn: &Drawn,
        [offset, gain]: [&Lanes; 2],
        dice: &mut Dice,
    ) -> Lanes {
        let full = f64::from(self.board.chip.full_scale);
        let before = if reading.left.0 > 0.0 { dice.roll() } else { [0.0; LANES] };
        let mut codes = [0.0; LANES];
        for (lane, code) in codes.iter_mut().enumerate() {
            let ideal = reading.code(&Reads {
                ratio: ratio[lane],
                supply: drawn[self.supply][lane],
                reference: drawn[self.reference][lane],
                before: 0.5 + 0.5 * before[lane],
            });
            let gain = reading.gain.counts * reading.gain_at(ideal) * gain[lane];
            *code = ideal + reading.offset.counts * offset[lane] + gain;
        }
        for half in &reading.each {
            let roll = dice.roll();
            codes.iter_mut().zip(roll).for_each(|(code, x)| *code += half.counts * x);
        }
        // Towards zero is downwards here.
        codes.map(|code| f64::from(code.clamp(0.0, full) as i32))
    }

    /// The ratio at the pin, or the ohms between the tips of a meter.
    fn ratio(&self, read: &Read, drawn: &Drawn, registers: &mut Registers) -> Lanes {
        let (model, places) = match &read.way {
            Way::Compiled(program, places) => return program.run(|i| &drawn[places[i]], registers),
            Way::Metered(program, places, _) => {
                return program.source(|i| &drawn[places[i]], registers);
            }
            Way::Solved(model, places) => (model, places),
        };
        std::array::from_fn(|lane| {
            let value = |&(cause, place): &(Cause, usize)| {
                let value = drawn[place][lane];
                match cause {
                    Cause::Leakage => value * drawn[self.supply][lane],
                    Cause::Supply | Cause::SwitchDrop(_) => value,
                    _ => 1.0 / value,
                }
            };
            let values: Vec<f64> = places.iter().map(value).collect();
            let moved = read.sources.iter().map(|&(place, by)| drawn[place][lane] * by);
            model.ratio(&values) + moved.sum::<f64>()
        })
    }

    fn right(&self, limits: &Limits, ratio: &Lanes, codes: &Lanes) -> [bool; LANES] {
        let chip = &self.board.chip;
        match *limits {
            Limits::Codes { low, high } => {
                let (low, high) = (f64::from(low), f64::from(high));
                codes.map(|c| low <= c && c <= high)
            }
            Limits::Level(Level::Low) => ratio.map(|r| r <= chip.vil.0),
            Limits::Level(Level::High) => ratio.map(|r| r >= chip.vih.0),
            Limits::Ohms { low, high } => codes.map(|ohms| low.0 <= ohms && ohms <= high.0),
        }
    }
}

impl Readings {
    fn count(&mut self, code: u32, right: bool) {
        self.right += u64::from(right);
        self.low = self.low.min(code);
        self.high = self.high.max(code);
        self.sum += u64::from(code);
        self.squares += u128::from(u64::from(code) * u64::from(code));
    }
}

/// What a meter shows, anywhere within its accuracy.
fn measure(meter: &Meter, ohms: &Lanes, dice: &mut Dice) -> Lanes {
    let mut shown = dice.roll();
    for (shown, ohms) in shown.iter_mut().zip(ohms) {
        *shown = (ohms + *shown * meter.error(Ohms(*ohms)).0).max(0.0);
    }
    shown
}
