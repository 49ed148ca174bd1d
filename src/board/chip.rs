//! What a microcontroller can do at its pins, as data.
//!
//! Every electrical figure carries its provenance, because data sheets give some as limits and
//! some as typical values, and a limit made from a typical value is an assumption to be shown.

use crate::units::{Amperes, Ohms, Ratio, Volts};
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
        match self.from {
            Provenance::Typical => 2.0 * self.lsb,
            Provenance::Max | Provenance::Assumed => self.lsb,
        }
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
    /// Whether the probe needs the pin itself (serial line, reset, crystal).
    pub reserved: bool,
}

impl ChipPin {
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

/// The electrical profile of a microcontroller.
#[derive(Clone, Debug, PartialEq)]
pub struct Chip {
    /// Name used in board files, lower case, for example `atmega328p`.
    pub name: Cow<'static, str>,
    /// Name on the package.
    pub part: Cow<'static, str>,
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
    /// Leakage of an input pin, largest size, either sign.
    pub leakage: Amperes,
    /// Weakest and strongest internal pull-up.
    pub pull_up: (Ohms, Ohms),
    /// Internal reference: smallest, typical, largest.
    pub bandgap: (Volts, Volts, Volts),
    /// Highest low level as a ratio of the supply.
    pub vil: Ratio,
    /// Lowest high level as a ratio of the supply.
    pub vih: Ratio,
    /// Source resistance that the converter is made for.
    pub source_limit: Ohms,
    /// Capacitance of the sample-and-hold, in farads.
    pub hold: crate::units::Farads,
    /// Seconds of one conversion as the probe runs it.
    pub conversion_s: f64,
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

/// ATmega328P, 5 V class, 32-pin package.
///
/// Code = Vin * 1024 / Vref, floor (data sheet, "ADC Conversion Result"). Accuracy figures: Atmel
/// 8161D-AVR-10/09 Table 28-7, typical at 4 V and 200 kHz. Pin figures: Atmel-8271H section 29.2
/// (leakage 1 µA max, pull-up 20 to 50 kΩ); input levels for 2.4 to 5.5 V: 7810C p. 305. Sample
/// capacitor 14 pF and 10 kΩ source: same text as in 8018P p. 223. Conversion: 13 cycles at
/// 125 kHz (16 MHz / 128), 8271H section 24.4.
pub static ATMEGA328P: Chip = Chip {
    name: Cow::Borrowed("atmega328p"),
    part: Cow::Borrowed("ATmega328P"),
    scale: 1024.0,
    full_scale: 1023,
    offset: Figure { lsb: 2.0, from: Provenance::Typical },
    gain: Figure { lsb: 2.0, from: Provenance::Typical },
    inl: Figure { lsb: 0.5, from: Provenance::Typical },
    dnl: Figure { lsb: 0.25, from: Provenance::Typical },
    leakage: Amperes(1e-6),
    pull_up: (Ohms(20e3), Ohms(50e3)),
    bandgap: (Volts(1.0), Volts(1.1), Volts(1.2)),
    vil: Ratio(0.3),
    vih: Ratio(0.6),
    source_limit: Ohms(10e3),
    hold: crate::units::Farads(14e-12),
    conversion_s: 13.0 / 125e3,
    pins: Cow::Borrowed(&[
        reserved("PD0", 0),
        reserved("PD1", 1),
        pin("PD2", 2, None),
        pin("PD3", 3, None),
        pin("PD4", 4, None),
        pin("PD5", 5, None),
        pin("PD6", 6, None),
        pin("PD7", 7, None),
        pin("PB0", 8, None),
        pin("PB1", 9, None),
        pin("PB2", 10, None),
        pin("PB3", 11, None),
        pin("PB4", 12, None),
        pin("PB5", 13, None),
        pin("PC0", 14, Some(0)),
        pin("PC1", 15, Some(1)),
        pin("PC2", 16, Some(2)),
        pin("PC3", 17, Some(3)),
        pin("PC4", 18, Some(4)),
        pin("PC5", 19, Some(5)),
        analog_only("ADC6", 20, 6),
        analog_only("ADC7", 21, 7),
    ]),
};

/// Every chip that board files may name.
pub static CHIPS: &[&Chip] = &[&ATMEGA328P];

/// Finds a chip by the name used in board files.
pub fn chip(name: &str) -> Option<Arc<Chip>> {
    CHIPS.iter().find(|c| c.name.eq_ignore_ascii_case(name)).map(|&c| Arc::new(c.clone()))
}

impl Chip {
    /// Finds a pin by its data-sheet name.
    pub fn pin(&self, name: &str) -> Option<&ChipPin> {
        self.pins.iter().find(|p| p.name.eq_ignore_ascii_case(name))
    }
}
