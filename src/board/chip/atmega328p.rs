//! ATmega328P, 5 V class, 32-pin package.

use super::{
    Chip, Clock, InputLevel, InputLevels, Internal, Probe, Provenance, Sampling, analog_only,
    figure, pin, reserved,
};
use crate::units::{Amperes, Farads, Hertz, Ohms, Ratio, Volts};
use std::borrow::Cow;

/// 0.3 and 0.6 Vcc from 2.4 V, 0.2 and 0.7 Vcc from 1.8 V: 7810C p. 305, DS40001906C p. 405.
pub(super) const LEVELS: &[InputLevels] = &[
    InputLevels {
        above: Volts(1.8),
        vil: InputLevel::Share(Ratio(0.2)),
        vih: InputLevel::Share(Ratio(0.7)),
    },
    InputLevels {
        above: Volts(2.4),
        vil: InputLevel::Share(Ratio(0.3)),
        vih: InputLevel::Share(Ratio(0.6)),
    },
];

/// The profile.
pub static ATMEGA328P: Chip = Chip {
    name: Cow::Borrowed("atmega328p"),
    part: Cow::Borrowed("ATmega328P"),
    probe: Probe::Image,
    reads_supply: true,
    // The extended byte has BODLEVEL in three bits, the lock bits are six: data sheet, "Memory
    // Programming" (from memory).
    fuse_bits: Some([0xFF, 0xFF, 0x07, 0x3F]),
    // 1.8 to 5.5 V: Atmel-8271H, first page (from memory).
    works: (Volts(1.8), Volts(5.5)),
    // Code = Vin * 1024 / Vref, 0x3FF for the reference less one LSB: data sheet, "ADC Conversion
    // Result" (section 24.7 in the 8271 editions).
    scale: 1024.0,
    full_scale: 1023,
    // Atmel 8161D-AVR-10/09 table 28-7 p. 323: typical at 4 V and 200 kHz. The same table has 2 LSB
    // typical for all of them together, less than the parts make; the parts are taken.
    offset: figure(2.0, Provenance::Typical),
    gain: figure(2.0, Provenance::Typical),
    inl: figure(0.5, Provenance::Typical),
    dnl: figure(0.25, Provenance::Typical),
    total: None,
    extra: None,
    usable: (Ratio(0.0), Ratio(1.0)),
    bad_codes: Cow::Borrowed(&[]),
    correction: Cow::Borrowed(&[]),
    // 1.0 / 1.1 / 1.2 V: 8161D table 28-7.
    internal: Cow::Borrowed(&[Internal {
        low: Volts(1.0),
        typical: Volts(1.1),
        high: Volts(1.2),
        from: Provenance::Max,
        total: None,
    }]),
    // Data sheet, "ADC Voltage Reference": with a voltage at AREF no other reference may be used.
    shared_aref: true,
    aref_pin: None,
    // 1 µA at 5.5 V: 8271H p. 301.
    leakage: Amperes(1e-6),
    leakage_from: Provenance::Max,
    // 20 to 50 kΩ: 8271H p. 301.
    pull_up: (Ohms(20e3), Ohms(50e3)),
    pull_up_from: Provenance::Max,
    levels: Cow::Borrowed(LEVELS),
    levels_from: Provenance::Max,
    vil: Ratio(0.3),
    vih: Ratio(0.6),
    sampling: Sampling {
        // Section 24.6.1, "Analog Input Circuitry", gives 1 to 100 kΩ and full resolution from a
        // 10 kΩ source; at 200 kHz, 1.5 clocks settle 14 pF to half a code through 70 kΩ at most
        // (R C ln 2^11), so 60 kΩ is what its own statements leave of the 100.
        ohms: Ohms(60e3),
        // 14 pF: the same figure, seen in 8018P p. 223.
        hold: Farads(14e-12),
        // 10 pF for a pin: 8271H, two-wire table (from memory).
        pin: Farads(10e-12),
        from: Provenance::Assumed,
        // Sampled 1.5 clocks after the start, 13 clocks in all: 8271H section 24.4 p. 241.
        clocks: 1.5,
        conversion: 13.0,
        // The block diagram has the sample-and-hold apart from the DAC, so nothing empties it.
        keeps: true,
    },
    clock: Clock {
        // 16 MHz / 128: common practice, no source.
        usual: Hertz(125e3),
        least: Hertz(50e3),
        // 1 MHz is the fastest for which an error is stated; full resolution needs 200 kHz: 8271H
        // section 24.4. The error of all together grows from 2 to 4.5 LSB typical: 8161D p. 323
        // (4 LSB in DS40002011A table 33-12, for its siblings).
        most: Hertz(1e6),
        beyond: Some((Hertz(200e3), figure(2.5, Provenance::Typical))),
    },
    // The multiplexer has a 0 V input: data sheet, ADMUX.
    ground_input: true,
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
