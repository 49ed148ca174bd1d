//! RP2040.

use super::{Chip, Clock, InputLevel, InputLevels, Probe, Provenance, Sampling, figure, pin};
use crate::units::{Amperes, Farads, Hertz, Ohms, Ratio, Volts};
use std::borrow::Cow;

/// The profile. Figures are those of the RP2040 data sheet unless they say otherwise.
pub static RP2040: Chip = Chip {
    name: Cow::Borrowed("rp2040"),
    part: Cow::Borrowed("RP2040"),
    probe: Probe::Sketch,
    reads_supply: false,
    fuse_bits: None,
    // Pins at 3.3 V, 10 % either way (from memory); at 1.8 V other levels hold.
    works: (Volts(2.97), Volts(3.63)),
    // Twelve bits, 0 V to ADC_AVDD: table 634 p. 636. 4096 steps: 3.3 V / 4096 a code.
    scale: 4096.0,
    full_scale: 4095,
    // The data sheet states 8.7 effective bits (section 4.9) and a step beyond 9 LSB at four codes
    // (E11), and neither offset nor gain: assumed, nine codes each for offset, gain and INL.
    offset: figure(9.0, Provenance::Assumed),
    gain: figure(9.0, Provenance::Assumed),
    inl: figure(9.0, Provenance::Assumed),
    dnl: figure(1.0, Provenance::Assumed),
    total: None,
    extra: None,
    usable: (Ratio(0.0), Ratio(1.0)),
    // Erratum E11, 0x200, 0x600, 0xA00, 0xE00: RP2350 data sheet section 12.4.1, "Changes from
    // RP2040".
    bad_codes: Cow::Borrowed(&[512, 1536, 2560, 3584]),
    correction: Cow::Borrowed(&[]),
    // The converter refers to ADC_AVDD and has no reference of its own.
    internal: Cow::Borrowed(&[]),
    shared_aref: true,
    aref_pin: None,
    // Assumed: no figure at hand.
    leakage: Amperes(1e-6),
    leakage_from: Provenance::Assumed,
    // 50 to 80 kΩ: section 5.2.3 (from memory).
    pull_up: (Ohms(50e3), Ohms(80e3)),
    pull_up_from: Provenance::Max,
    // 0.8 V and 2.0 V at 3.3 V: section 5.2.3 (from memory).
    levels: Cow::Borrowed(&[InputLevels {
        above: Volts(2.97),
        vil: InputLevel::At(Volts(0.8)),
        vih: InputLevel::At(Volts(2.0)),
    }]),
    levels_from: Provenance::Max,
    vil: Ratio(0.8 / 3.3),
    vih: Ratio(2.0 / 3.3),
    sampling: Sampling {
        // About 1 pF, and more than 100 kΩ at 500 kS/s: section 4.9 (1 pF from memory), doubled.
        // Its resistance and the share of the conversion in which it is joined are assumed.
        ohms: Ohms(10e3),
        hold: Farads(2e-12),
        pin: Farads(5e-12),
        from: Provenance::Assumed,
        clocks: 24.0,
        // 500 kS/s from 48 MHz: table 634.
        conversion: 96.0,
        keeps: false,
    },
    // 48 MHz: section 4.9.
    clock: Clock { usual: Hertz(48e6), least: Hertz(1e6), most: Hertz(48e6), beyond: None },
    // The multiplexer has four pins and the temperature sensor.
    ground_input: false,
    pins: Cow::Borrowed(&[
        pin("GPIO0", 0, None),
        pin("GPIO1", 1, None),
        pin("GPIO2", 2, None),
        pin("GPIO3", 3, None),
        pin("GPIO4", 4, None),
        pin("GPIO5", 5, None),
        pin("GPIO6", 6, None),
        pin("GPIO7", 7, None),
        pin("GPIO8", 8, None),
        pin("GPIO9", 9, None),
        pin("GPIO10", 10, None),
        pin("GPIO11", 11, None),
        pin("GPIO12", 12, None),
        pin("GPIO13", 13, None),
        pin("GPIO14", 14, None),
        pin("GPIO15", 15, None),
        pin("GPIO16", 16, None),
        pin("GPIO17", 17, None),
        pin("GPIO18", 18, None),
        pin("GPIO19", 19, None),
        pin("GPIO20", 20, None),
        pin("GPIO21", 21, None),
        pin("GPIO22", 22, None),
        pin("GPIO23", 23, None),
        pin("GPIO24", 24, None),
        pin("GPIO25", 25, None),
        pin("GPIO26", 26, Some(0)),
        pin("GPIO27", 27, Some(1)),
        pin("GPIO28", 28, Some(2)),
        pin("GPIO29", 29, Some(3)),
    ]),
};
