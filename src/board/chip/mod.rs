//! What a microcontroller can do at its pins, as data: one file for each chip.
//!
//! Every electrical figure carries its provenance, because data sheets give some as limits and
//! some as typical values, and a limit made from a typical value is an assumption to be shown.

mod atmega2560;
mod atmega328p;
mod atmega4809;
mod rp2040;
mod samd21;

pub use atmega328p::ATMEGA328P;
pub use atmega2560::ATMEGA2560;
pub use atmega4809::ATMEGA4809;
pub use rp2040::RP2040;
pub use samd21::SAMD21;

use crate::units::{Amperes, Farads, Hertz, Ohms, Ratio, Volts};
use std::borrow::Cow;
use std::sync::Arc;

/// Where a figure comes from, and so how much it can bear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Provenance {
    /// The data sheet gives it as a limit.
    Max,
    /// The data sheet gives a typical value; bands use twice as much, and say so.
    Typical,
    /// Not in the data sheet; assumed, and said so.
    Assumed,
}

impl Provenance {
    /// The word for board files and tables.
    pub fn word(self) -> &'static str {
        match self {
            Provenance::Max => "max",
            Provenance::Typical => "typ",
            Provenance::Assumed => "assumed",
        }
    }

    /// The size of a figure of this provenance that enters a worst case: a typical one counts
    /// double.
    pub fn worst(self, size: f64) -> f64 {
        match self {
            Provenance::Typical => 2.0 * size,
            Provenance::Max | Provenance::Assumed => size,
        }
    }
}

/// An error figure in counts with its provenance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    /// Size in counts (LSB), never negative.
    pub lsb: f64,
    /// Limit, typical or assumed.
    pub from: Provenance,
}

impl Figure {
    /// The size that enters a worst case: a typical figure counts double.
    pub fn worst(self) -> f64 {
        self.from.worst(self.lsb)
    }
}

/// One pin of a chip, by the name in the data sheet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChipPin {
    /// Name in the data sheet, for example `PC0`.
    pub name: Cow<'static, str>,
    /// Number by which the probe's channel lists call it.
    pub number: u8,
    /// Input of the converter's multiplexer, where it has one.
    pub adc: Option<u8>,
    /// Whether a pull-up can be switched on.
    pub pull_up: bool,
    /// Whether the pin can be read and driven as a digital one.
    pub digital: bool,
    /// Whether it is needed by what is on the chip (serial line, reset, debugger).
    pub reserved: bool,
}

impl ChipPin {
    /// The highest number that a channel of the probe can have.
    pub const LAST: u8 = 63;

    /// What stands for a pin where a meter reads: none of the chip's, and nothing can be done with
    /// it.
    pub fn meter() -> ChipPin {
        ChipPin {
            name: Cow::Borrowed("meter"),
            number: u8::MAX,
            adc: None,
            pull_up: false,
            digital: false,
            reserved: true,
        }
    }
}

/// An internal reference of the converter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Internal {
    /// Smallest voltage.
    pub low: Volts,
    /// Typical voltage.
    pub typical: Volts,
    /// Largest voltage.
    pub high: Volts,
    /// Where the two ends come from.
    pub from: Provenance,
    /// Error of the converter with this reference, where the data sheet states it as a whole.
    pub total: Option<Figure>,
}

/// An input level: a share of the supply, or a voltage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum InputLevel {
    /// Share of the supply.
    Share(Ratio),
    /// Voltage whatever the supply.
    At(Volts),
}

impl InputLevel {
    /// As a share of one supply voltage.
    fn share(self, supply: Volts) -> f64 {
        match self {
            InputLevel::Share(share) => share.0,
            InputLevel::At(volts) => volts.0 / supply.0,
        }
    }
}

/// Input levels from one supply voltage up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InputLevels {
    /// Lowest supply for which they are stated.
    pub above: Volts,
    /// Highest low level.
    pub vil: InputLevel,
    /// Lowest high level.
    pub vih: InputLevel,
}

/// How the converter takes a sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampling {
    /// Resistance between pin and sample-and-hold.
    pub ohms: Ohms,
    /// Capacitance of the sample-and-hold.
    pub hold: Farads,
    /// Capacitance of the pin itself.
    pub pin: Farads,
    /// Where these figures come from.
    pub from: Provenance,
    /// Clocks of the converter during which the sample-and-hold is joined to the pin.
    pub clocks: f64,
    /// Clocks from one conversion to the next.
    pub conversion: f64,
    /// Whether the sample-and-hold keeps its voltage from one conversion of a pin to the next, so
    /// that conversions thrown away help it settle.
    pub keeps: bool,
}

/// The clock of the converter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clock {
    /// What a product uses whose board file says nothing.
    pub usual: Hertz,
    /// Slowest clock.
    pub least: Hertz,
    /// Fastest clock.
    pub most: Hertz,
    /// Above this clock the error grows by a further figure.
    pub beyond: Option<(Hertz, Figure)>,
}

/// A point of a converter that is not straight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// The code that it gives.
    pub read: f64,
    /// The code that a straight converter would give.
    pub meant: f64,
}

/// In which form there is a probe for a chip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Probe {
    /// In none.
    None,
    /// As the kept image, `bench-scripts/probe/image`.
    Image,
    /// As the sketch, `bench-scripts/probe/sketch`, for the chip's Arduino core.
    Sketch,
}

/// The electrical profile of a microcontroller.
#[derive(Clone, Debug, PartialEq)]
pub struct Chip {
    /// Name used in board files, lower case, for example `atmega328p`.
    pub name: Cow<'static, str>,
    /// Name on the package.
    pub part: Cow<'static, str>,
    /// The probe for it.
    pub probe: Probe,
    /// Whether the probe can read an internal reference against the supply, and so the supply.
    pub reads_supply: bool,
    /// The bits that there are of the low, high and extended fuse byte and of the lock bits; `None`
    /// for a chip without fuses that a program can read.
    pub fuse_bits: Option<[u8; 4]>,
    /// Supply voltages that it works at.
    pub works: (Volts, Volts),
    /// Code = floor(Vin * `scale` / Vref).
    pub scale: f64,
    /// Highest code.
    pub full_scale: u16,
    /// Offset error of the converter.
    pub offset: Figure,
    /// Gain error at full scale.
    pub gain: Figure,
    /// Integral non-linearity.
    pub inl: Figure,
    /// Differential non-linearity.
    pub dnl: Figure,
    /// All errors together, where the data sheet states them so; it takes the place of the four.
    pub total: Option<Figure>,
    /// What comes on top by the product's clock.
    pub extra: Option<Figure>,
    /// Share of the range for which the errors are stated. Beyond it the converter is taken to be
    /// monotone and no more.
    pub usable: (Ratio, Ratio),
    /// Codes that no limit may come near: steps of the converter.
    pub bad_codes: Cow<'static, [u16]>,
    /// Points of a converter that is not straight, rising in both; empty for a straight one.
    pub correction: Cow<'static, [Point]>,
    /// Internal references, the usual one first.
    pub internal: Cow<'static, [Internal]>,
    /// Whether the internal reference and the supply come to the same pin as an external one, so
    /// that selecting one joins it to what feeds the pin.
    pub shared_aref: bool,
    /// The one of the pins that an external reference takes up, if it is not a pin of its own.
    pub aref_pin: Option<&'static str>,
    /// Leakage of an input pin as it enters a worst case, either sign; a typical one is doubled.
    pub leakage: Amperes,
    /// Where the leakage comes from.
    pub leakage_from: Provenance,
    /// Strongest and weakest internal pull-up.
    pub pull_up: (Ohms, Ohms),
    /// Where the pull-ups come from.
    pub pull_up_from: Provenance,
    /// Input levels by supply voltage, rising.
    pub levels: Cow<'static, [InputLevels]>,
    /// Where the input levels come from.
    pub levels_from: Provenance,
    /// Highest low level as a ratio of the supply of the board, see [`Chip::suit`].
    pub vil: Ratio,
    /// Lowest high level as a ratio of the supply of the board, see [`Chip::suit`].
    pub vih: Ratio,
    /// How the converter takes a sample.
    pub sampling: Sampling,
    /// The clock of the converter.
    pub clock: Clock,
    /// Whether the converter can read an internal 0 V, which charge sharing needs.
    pub ground_input: bool,
    /// The pins.
    pub pins: Cow<'static, [ChipPin]>,
}

const fn pin(name: &'static str, number: u8, adc: Option<u8>) -> ChipPin {
    let name = Cow::Borrowed(name);
    ChipPin { name, number, adc, pull_up: true, digital: true, reserved: false }
}

const fn reserved(name: &'static str, number: u8) -> ChipPin {
    let name = Cow::Borrowed(name);
    ChipPin { name, number, adc: None, pull_up: true, digital: true, reserved: true }
}

const fn analog_only(name: &'static str, number: u8, adc: u8) -> ChipPin {
    let name = Cow::Borrowed(name);
    ChipPin { name, number, adc: Some(adc), pull_up: false, digital: false, reserved: false }
}

const fn figure(lsb: f64, from: Provenance) -> Figure {
    Figure { lsb, from }
}

/// Every chip that board files may name.
pub static CHIPS: &[&Chip] = &[&ATMEGA328P, &ATMEGA2560, &ATMEGA4809, &SAMD21, &RP2040];

/// Finds a chip by the name used in board files.
pub fn chip(name: &str) -> Option<Arc<Chip>> {
    CHIPS.iter().find(|c| c.name.eq_ignore_ascii_case(name)).map(|&c| Arc::new(c.clone()))
}

impl Chip {
    /// Finds a pin by its data-sheet name.
    pub fn pin(&self, name: &str) -> Option<&ChipPin> {
        self.pins.iter().find(|p| p.name.eq_ignore_ascii_case(name))
    }

    /// Bits of a code.
    pub fn bits(&self) -> u8 {
        // At most 16.
        (u16::BITS - self.full_scale.leading_zeros()) as u8
    }

    /// Sets what depends on the supply, from its smallest to its largest voltage, and on the
    /// converter's clock: the input levels that hold over all of it, and the further error.
    ///
    /// Below the lowest supply for which levels are stated the lowest ones are taken.
    pub fn suit(&mut self, supply: (Volts, Volts), clock: Hertz) {
        let lowest = self.levels.iter().rposition(|l| l.above <= supply.0).unwrap_or(0);
        let held = |l: &&InputLevels| l.above <= supply.1;
        let levels: Vec<InputLevels> =
            self.levels.iter().skip(lowest).take_while(held).copied().collect();
        // Each row holds over its part of the range only, so the ends between are its borders.
        let ends = |i: usize| {
            let low = levels[i].above.0.max(supply.0.0);
            let high = levels.get(i + 1).map_or(supply.1.0, |next| next.above.0);
            [Volts(low), Volts(high.max(low))]
        };
        let over = |level: fn(&InputLevels) -> InputLevel, pick: fn(f64, f64) -> f64| {
            let shares =
                (0..levels.len()).flat_map(|i| ends(i).map(|volts| level(&levels[i]).share(volts)));
            shares.reduce(pick)
        };
        if let (Some(vil), Some(vih)) = (over(|l| l.vil, f64::min), over(|l| l.vih, f64::max)) {
            (self.vil, self.vih) = (Ratio(vil), Ratio(vih));
        }
        let beyond = self.clock.beyond.filter(|(above, _)| clock > *above);
        self.extra = beyond.map(|(_, figure)| figure);
    }

    /// The code that the converter gives where a straight one would give `meant`: interpolated
    /// between the points of its correction, and as far off as the outermost point beyond them.
    pub fn reads(&self, meant: f64) -> f64 {
        interpolate(&self.correction, meant, |p| (p.meant, p.read))
    }

    /// The code that a straight converter would give where this one gives `read`.
    pub fn means(&self, read: f64) -> f64 {
        interpolate(&self.correction, read, |p| (p.read, p.meant))
    }
}

/// From the first to the second coordinate of points that rise in both.
fn interpolate(points: &[Point], from: f64, of: fn(&Point) -> (f64, f64)) -> f64 {
    let (Some(first), Some(last)) = (points.first().map(of), points.last().map(of)) else {
        return from;
    };
    if from <= first.0 {
        return from + first.1 - first.0;
    }
    if from >= last.0 {
        return from + last.1 - last.0;
    }
    let next = points.partition_point(|p| of(p).0 <= from).clamp(1, points.len() - 1);
    let ((x0, y0), (x1, y1)) = (of(&points[next - 1]), of(&points[next]));
    y0 + (y1 - y0) * (from - x0) / (x1 - x0)
}
