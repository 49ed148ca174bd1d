//! SAMD21, 64-pin package; smaller packages have fewer of its pins.

use super::{
    Chip, Clock, InputLevel, InputLevels, Internal, Probe, Provenance, Sampling, figure, pin,
    reserved,
};
use crate::units::{Amperes, Farads, Hertz, Ohms, Ratio, Volts};
use std::borrow::Cow;

/// The profile. Figures are those of DS40001882D unless they say otherwise.
pub static SAMD21: Chip = Chip {
    name: Cow::Borrowed("samd21"),
    part: Cow::Borrowed("SAMD21"),
    probe: Probe::Sketch,
    reads_supply: false,
    fuse_bits: None,
    // 1.62 to 3.63 V: general operating ratings (from memory).
    works: (Volts(1.62), Volts(3.63)),
    // Twelve bits, single-ended, code = Vin * 4096 / Vref: converter chapter (from memory).
    scale: 4096.0,
    full_scale: 4095,
    // Table 38-12 p. 1052, up to 105 °C. Offset 10 mV and gain 5 mV are 12.4 and 6.2 codes at
    // 3.3 V.
    offset: figure(12.4, Provenance::Max),
    gain: figure(6.2, Provenance::Max),
    inl: figure(5.0, Provenance::Max),
    dnl: figure(0.95, Provenance::Max),
    // Total unadjusted error: 7.9 typical, 30 at most, in the same table.
    total: Some(figure(30.0, Provenance::Max)),
    extra: None,
    // The figures are valid from 5 to 95 % of the range: note to the same table.
    usable: (Ratio(0.05), Ratio(0.95)),
    bad_codes: Cow::Borrowed(&[]),
    correction: Cow::Borrowed(&[]),
    // 1.0 V; its ends of 3 % are assumed.
    internal: Cow::Borrowed(&[Internal {
        low: Volts(0.97),
        typical: Volts(1.0),
        high: Volts(1.03),
        from: Provenance::Assumed,
        total: None,
    }]),
    // External references have pins of their own.
    shared_aref: false,
    // VREFA is on PA03: multiplexing table (from memory).
    aref_pin: Some("PA03"),
    // 1 µA: SAM D20 table 32-12; that the D21 has the same is from memory.
    leakage: Amperes(1e-6),
    leakage_from: Provenance::Max,
    // 20 / 40 / 60 kΩ: the same table.
    pull_up: (Ohms(20e3), Ohms(60e3)),
    pull_up_from: Provenance::Max,
    // 0.25 and 0.7 Vdd below 2.7 V, 0.3 and 0.55 Vdd above: the same table.
    levels: Cow::Borrowed(&[
        InputLevels {
            above: Volts(1.62),
            vil: InputLevel::Share(Ratio(0.25)),
            vih: InputLevel::Share(Ratio(0.7)),
        },
        InputLevels {
            above: Volts(2.7),
            vil: InputLevel::Share(Ratio(0.3)),
            vih: InputLevel::Share(Ratio(0.55)),
        },
    ]),
    levels_from: Provenance::Max,
    vil: Ratio(0.3),
    vih: Ratio(0.55),
    sampling: Sampling {
        // 3.5 kΩ and 3.5 pF: converter tables (from memory), used by the formula of section
        // 37.11.4.3 p. 1006.
        ohms: Ohms(3.5e3),
        hold: Farads(3.5e-12),
        // Assumed, as of the pins of its relatives.
        pin: Farads(5e-12),
        from: Provenance::Assumed,
        // Half a clock to sample and 7 in all, as the chip starts (from memory).
        clocks: 0.5,
        conversion: 7.0,
        // Nothing in the data sheet says that the sample survives a conversion.
        keeps: false,
    },
    // 30 kHz to 2.1 MHz (from memory); 48 MHz / 512 is common practice, no source.
    clock: Clock { usual: Hertz(93.75e3), least: Hertz(30e3), most: Hertz(2.1e6), beyond: None },
    // Single-ended conversions reach no 0 V input (from memory).
    ground_input: false,
    // Converter inputs: multiplexing table (from memory). PA24 and PA25 are USB, by which the probe
    // is reached, PA30 and PA31 the debugger's.
    pins: Cow::Borrowed(&[
        pin("PA00", 0, None),
        pin("PA01", 1, None),
        pin("PA02", 2, Some(0)),
        pin("PA03", 3, Some(1)),
        pin("PA04", 4, Some(4)),
        pin("PA05", 5, Some(5)),
        pin("PA06", 6, Some(6)),
        pin("PA07", 7, Some(7)),
        pin("PA08", 8, Some(16)),
        pin("PA09", 9, Some(17)),
        pin("PA10", 10, Some(18)),
        pin("PA11", 11, Some(19)),
        pin("PA12", 12, None),
        pin("PA13", 13, None),
        pin("PA14", 14, None),
        pin("PA15", 15, None),
        pin("PA16", 16, None),
        pin("PA17", 17, None),
        pin("PA18", 18, None),
        pin("PA19", 19, None),
        pin("PA20", 20, None),
        pin("PA21", 21, None),
        pin("PA22", 22, None),
        pin("PA23", 23, None),
        reserved("PA24", 24),
        reserved("PA25", 25),
        pin("PA27", 27, None),
        pin("PA28", 28, None),
        reserved("PA30", 30),
        reserved("PA31", 31),
        pin("PB00", 32, Some(8)),
        pin("PB01", 33, Some(9)),
        pin("PB02", 34, Some(10)),
        pin("PB03", 35, Some(11)),
        pin("PB04", 36, Some(12)),
        pin("PB05", 37, Some(13)),
        pin("PB06", 38, Some(14)),
        pin("PB07", 39, Some(15)),
        pin("PB08", 40, Some(2)),
        pin("PB09", 41, Some(3)),
        pin("PB10", 42, None),
        pin("PB11", 43, None),
        pin("PB12", 44, None),
        pin("PB13", 45, None),
        pin("PB14", 46, None),
        pin("PB15", 47, None),
        pin("PB16", 48, None),
        pin("PB17", 49, None),
        pin("PB22", 54, None),
        pin("PB23", 55, None),
        pin("PB30", 62, None),
        pin("PB31", 63, None),
    ]),
};
