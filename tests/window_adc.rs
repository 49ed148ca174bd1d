//! The converter's transfer function against the data sheet. A1 to A20 are rows of the project's
//! table of check values.

use strapwise::board::Level;
use strapwise::board::chip::{ATMEGA328P, Internal};
use strapwise::units::{Farads, Ohms, Volts};
use strapwise::window::{adc, level_of};

/// A1, A2: ATmega328P data sheet, "ADC Conversion Result"; (0.3, 2.5) gives 122.88 also at
/// electronics.stackexchange 631397.
#[test]
fn codes_are_the_voltage_times_1024_over_the_reference_cut_off() {
    let cases = [
        (2.5, 5.0, 512),
        (1.1, 5.0, 225),
        (0.3, 2.5, 122),
        (3.3, 5.0, 675),
        (4.9951, 5.0, 1022),
        (5.0, 5.0, 1023),
        (1.1, 3.3, 341),
        (0.0, 5.0, 0),
    ];
    for (volts, vref, code) in cases {
        assert_eq!(adc::code_of(Volts(volts), Volts(vref), &ATMEGA328P), code, "{volts} V");
    }
}

#[test]
fn voltages_outside_the_scale_and_no_number_stay_on_the_scale() {
    let code = |volts: f64| adc::code_of(Volts(volts), Volts(5.0), &ATMEGA328P);
    assert_eq!((code(-1.0), code(9.0), code(f64::INFINITY), code(f64::NAN)), (0, 1023, 1023, 0));
}

/// A3: from A1.
#[test]
fn one_count_is_4_9_mv_at_5_v_and_3_2_mv_at_3_3_v() {
    assert_eq!(adc::lsb(Volts(5.0), &ATMEGA328P).0, 4.8828125e-3);
    assert!((adc::lsb(Volts(3.3), &ATMEGA328P).0 - 3.22265625e-3).abs() < 1e-15);
}

/// A8: from A1 and the bandgap of 1.0, 1.1 and 1.2 V (8161D-AVR-10/09 table 28-7).
#[test]
fn the_supply_follows_from_the_code_of_the_internal_reference() {
    let supply = |reference: Volts| adc::supply_of(225.0, reference, &ATMEGA328P).unwrap().0;
    let [Internal { low, typical, high, .. }] = *ATMEGA328P.internal else { panic!("one") };
    assert!((supply(low) - 4.55111).abs() < 1e-5);
    assert!((supply(typical) - 5.00622).abs() < 1e-5);
    assert!((supply(high) - 5.46133).abs() < 1e-5);
    assert_eq!(adc::supply_of(0.0, typical, &ATMEGA328P), None);
}

/// A16: 7810C p. 305.
#[test]
fn input_levels_are_1_5_and_3_v_at_5_v() {
    let level = |volts: f64| level_of(volts * 1024.0 / 5.0, &ATMEGA328P);
    assert_eq!(level(1.5), Some(Level::Low));
    assert_eq!(level(1.51), None);
    assert_eq!(level(2.99), None);
    assert_eq!(level(3.0), Some(Level::High));
}

/// A17: 1 µA (Atmel-8271H p. 301) through 10 kΩ.
#[test]
fn leakage_through_ten_kilohm_is_two_counts_at_5_v() {
    let volts = ATMEGA328P.leakage.0 * 10e3;
    assert!((volts / adc::lsb(Volts(5.0), &ATMEGA328P).0 - 2.048).abs() < 1e-12);
}

/// A20: RC ln 2^11 with the 14 pF of the sample-and-hold.
#[test]
fn the_sample_and_hold_settles_to_half_a_count_in_rc_times_ln_2048() {
    let cases = [(11e3, 1.174e-6), (110e3, 11.74e-6), (1.001e6, 106.9e-6)];
    for (ohms, seconds) in cases {
        let found = adc::settle_s(Ohms(ohms), Farads(14e-12), &ATMEGA328P);
        assert!((found / seconds - 1.0).abs() < 0.005, "{ohms} ohm: {found} s");
    }
    assert_eq!(ATMEGA328P.sampling.hold, Farads(14e-12));
}
