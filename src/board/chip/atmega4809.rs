//! ATmega4809, 48-pin package.

use super::{
    Chip, Clock, InputLevel, InputLevels, Internal, Probe, Provenance, Sampling, figure, pin,
    reserved,
};
use crate::units::{Amperes, Farads, Hertz, Ohms, Ratio, Volts};
use std::borrow::Cow;

/// One of the internal references: the error stated for them, 35 LSB over the full range, holds
/// the reference's own tolerance (DS40002016B p. 27, absolute accuracy and gain error alike).
const fn internal(volts: f64) -> Internal {
    Internal {
        low: Volts(volts),
        typical: Volts(volts),
        high: Volts(volts),
        from: Provenance::Max,
        total: Some(figure(35.0, Provenance::Max)),
    }
}

/// The profile. Figures are those of DS40002016B unless they say otherwise.
pub static ATMEGA4809: Chip = Chip {
    name: Cow::Borrowed("atmega4809"),
    part: Cow::Borrowed("ATmega4809"),
    probe: Probe::None,
    reads_supply: false,
    fuse_bits: None,
    // 1.8 to 5.5 V: first page (from memory).
    works: (Volts(1.8), Volts(5.5)),
    // Ten bits (p. 28, table 4-26), and code = 1023 * Vin / Vref, unlike the older AVRs: online
    // pages "ADC Conversion Result" of the family.
    scale: 1023.0,
    full_scale: 1023,
    // Table 4-26 p. 28, typical, the worst of 15 to 115 ksps; "design guidance, not production
    // tested".
    offset: figure(0.5, Provenance::Typical),
    gain: figure(2.0, Provenance::Typical),
    inl: figure(1.2, Provenance::Typical),
    dnl: figure(0.8, Provenance::Typical),
    // Absolute accuracy 2.5 LSB typical with the supply as reference (p. 27), 2 LSB with an
    // external one (p. 28); the larger serves for both.
    total: Some(figure(2.5, Provenance::Typical)),
    extra: None,
    usable: (Ratio(0.0), Ratio(1.0)),
    bad_codes: Cow::Borrowed(&[]),
    correction: Cow::Borrowed(&[]),
    // 0.55 to 4.3 V: the reference's register in the data sheet (from memory).
    internal: Cow::Borrowed(&[
        internal(2.5),
        internal(0.55),
        internal(1.1),
        internal(1.5),
        internal(4.3),
    ]),
    // The external reference has a pin of its own.
    shared_aref: false,
    // VREFA is on PD7: multiplexing table (from memory).
    aref_pin: Some("PD7"),
    // Below 0.05 µA typical, doubled: p. 18.
    leakage: Amperes(2.0 * 0.05e-6),
    leakage_from: Provenance::Typical,
    // 20 / 35 / 50 kΩ: p. 18.
    pull_up: (Ohms(20e3), Ohms(50e3)),
    pull_up_from: Provenance::Max,
    // 0.3 and 0.7 Vdd: p. 17 (from memory).
    levels: Cow::Borrowed(&[InputLevels {
        above: Volts(1.8),
        vil: InputLevel::Share(Ratio(0.3)),
        vih: InputLevel::Share(Ratio(0.7)),
    }]),
    levels_from: Provenance::Max,
    vil: Ratio(0.3),
    vih: Ratio(0.7),
    sampling: Sampling {
        // 14 kΩ and 5 pF: the analog input figure of the family (from memory).
        ohms: Ohms(14e3),
        hold: Farads(5e-12),
        // 3.5 pF: p. 18.
        pin: Farads(3.5e-12),
        from: Provenance::Assumed,
        // Two clocks to sample, 13 in all, as the chip starts (from memory).
        clocks: 2.0,
        conversion: 13.0,
        // Nothing in the data sheet says that the sample survives a conversion.
        keeps: false,
    },
    // 200 kHz to 1.5 MHz for ten bits (from memory); 1 MHz is common practice, no source.
    clock: Clock { usual: Hertz(1e6), least: Hertz(200e3), most: Hertz(1.5e6), beyond: None },
    // The multiplexer has a 0 V input (from memory).
    ground_input: true,
    // Converter inputs: multiplexing table of the 48-pin package (from memory). PF6 is the reset.
    pins: Cow::Borrowed(&[
        pin("PA0", 0, None),
        pin("PA1", 1, None),
        pin("PA2", 2, None),
        pin("PA3", 3, None),
        pin("PA4", 4, None),
        pin("PA5", 5, None),
        pin("PA6", 6, None),
        pin("PA7", 7, None),
        pin("PB0", 8, None),
        pin("PB1", 9, None),
        pin("PB2", 10, None),
        pin("PB3", 11, None),
        pin("PB4", 12, None),
        pin("PB5", 13, None),
        pin("PC0", 14, None),
        pin("PC1", 15, None),
        pin("PC2", 16, None),
        pin("PC3", 17, None),
        pin("PC4", 18, None),
        pin("PC5", 19, None),
        pin("PC6", 20, None),
        pin("PC7", 21, None),
        pin("PD0", 22, Some(0)),
        pin("PD1", 23, Some(1)),
        pin("PD2", 24, Some(2)),
        pin("PD3", 25, Some(3)),
        pin("PD4", 26, Some(4)),
        pin("PD5", 27, Some(5)),
        pin("PD6", 28, Some(6)),
        pin("PD7", 29, Some(7)),
        pin("PE0", 30, Some(8)),
        pin("PE1", 31, Some(9)),
        pin("PE2", 32, Some(10)),
        pin("PE3", 33, Some(11)),
        pin("PF0", 34, None),
        pin("PF1", 35, None),
        pin("PF2", 36, Some(12)),
        pin("PF3", 37, Some(13)),
        pin("PF4", 38, Some(14)),
        pin("PF5", 39, Some(15)),
        reserved("PF6", 40),
    ]),
};
