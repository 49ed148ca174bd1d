//! What the sample-and-hold keeps of the channel read before, and what to do about it.

mod circuit_support;

use circuit_support::{Maker, setting};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use strapwise::board::chip::{ATMEGA328P, Chip, SAMD21, Sampling};
use strapwise::board::{Board, Capacitor, Firmware, Kind, NetId, Reference};
use strapwise::units::{Farads, Hertz, Ohms, Ratio};
use strapwise::window::settle::{self, Settling, left, remedies, settling};
use strapwise::window::{expect, notes, windows};

fn firmware(hertz: f64, discard: u16, conversions: u16) -> Firmware {
    Firmware {
        conversions,
        discard,
        adc_clock: Hertz(hertz),
        reference: Reference::Supply,
        gap: Ratio(0.25),
    }
}

/// The ATmega328P's converter with a pin of next to no capacitance, as the formula has it.
fn bare(ohms: f64) -> Chip {
    let sampling =
        Sampling { ohms: Ohms(ohms), pin: Farads(1e-19), keeps: false, ..ATMEGA328P.sampling };
    Chip { sampling, ..ATMEGA328P.clone() }
}

/// RC ln 2^11, with the 10 kΩ source and 14 pF of the ATmega328P's analog input circuitry (same text
/// as in 8018P p. 223) and 1 to 100 kΩ inside (rows A10, A20).
#[test]
fn half_a_count_is_left_after_the_time_of_the_formula() {
    for (source, inside, seconds) in
        [(10e3, 1e3, 1.174e-6), (10e3, 100e3, 11.74e-6), (1e6, 1e3, 106.9e-6)]
    {
        let chip = bare(inside);
        let clock = chip.sampling.clocks / seconds;
        let codes = 1024.0 * left(&chip, &firmware(clock, 0, 1), Ohms(source), Farads(0.0));
        assert!((codes / 0.5 - 1.0).abs() < 0.05, "{source} ohm: {codes} codes");
    }
}

/// DS40001882D section 37.11.4.3 p. 1006, worked for 10 kΩ (rows A33, A34).
#[test]
fn the_samd21_leaves_half_a_count_of_a_10_kilohm_source_after_0_43_us() {
    let mut chip = SAMD21.clone();
    chip.sampling.pin = Farads(1e-19);
    let clock = chip.sampling.clocks / 0.4258e-6;
    let codes = 4096.0 * left(&chip, &firmware(clock, 0, 1), Ohms(10e3), Farads(0.0));
    assert!((codes / 0.5 - 1.0).abs() < 0.01, "{codes}");
}

/// The full resolution at 200 kHz from 10 kΩ that the data sheet states (rows A10, A11).
#[test]
fn ten_kilohm_settle_to_half_a_count_at_200_khz_in_a_single_conversion() {
    let chip = bare(ATMEGA328P.sampling.ohms.0);
    let codes = 1024.0 * left(&chip, &firmware(200e3, 0, 1), Ohms(10e3), Farads(0.0));
    assert!((0.4..=0.5).contains(&codes), "{codes}");
}

/// Charge sharing: 14 pF share a step with 100 nF, by hand.
#[test]
fn a_large_capacitor_at_the_pin_takes_the_step_by_the_ratio_of_the_two() {
    let codes = 1024.0 * left(&ATMEGA328P, &firmware(125e3, 0, 4096), Ohms(10e3), Farads(100e-9));
    let shared = 1024.0 * 14e-12 / (100e-9 + 24e-12);
    assert!((codes / shared - 1.0).abs() < 0.02, "{codes}, not {shared}");
    // One conversion thrown away hardly helps: the capacitor recovers in a millisecond.
    let one = 1024.0 * left(&ATMEGA328P, &firmware(125e3, 1, 4096), Ohms(10e3), Farads(100e-9));
    assert!(one > 0.8 * codes && one < codes, "{one}");
}

/// A capacitor that cannot recover between readings adds up: then the sample-and-hold is a resistor
/// of T / C from the other channel (switched capacitor, textbook).
#[test]
fn a_capacitor_that_cannot_recover_between_readings_is_dragged_along() {
    let (source, farads) = (1e6, 1e-6);
    let found = left(&ATMEGA328P, &firmware(125e3, 0, 1), Ohms(source), Farads(farads));
    // Two conversions of 104 µs from one reading to the next.
    let resistor = 2.0 * 104e-6 / 14e-12;
    let expected = source / (source + resistor);
    assert!((found / expected - 1.0).abs() < 0.02, "{found}, not {expected}");
}

#[test]
fn a_capacitor_beyond_all_measure_leaves_a_share_of_the_step_and_no_nonsense() {
    for keeps in [true, false] {
        let mut chip = ATMEGA328P.clone();
        chip.sampling.keeps = keeps;
        for (ohms, farads) in [(0.0, 1e6), (1e9, 1e6), (1e12, 1e-12), (0.0, 0.0)] {
            let found = left(&chip, &firmware(125e3, 1, 1), Ohms(ohms), Farads(farads));
            assert!((0.0..=1.0).contains(&found), "{ohms} {farads}: {found}");
        }
    }
}

/// The circuit in small steps of time while the two are joined, as a reference of its own; apart,
/// the pin recovers by its own time constant.
fn stepped(chip: &Chip, firmware: &Firmware, source: f64, capacitor: f64) -> f64 {
    let s = chip.sampling;
    let (rc, ch, cp) = (s.ohms.0, s.hold.0, capacitor + s.pin.0);
    let clock = firmware.adc_clock.0;
    let sample = s.clocks / clock;
    let steps = (sample / (rc * ch).min(source * cp).min(rc * cp) * 400.0).ceil();
    let dt = sample / steps;
    let apart = |seconds: f64| (-seconds / (source * cp)).exp();
    let reading = firmware.discard + firmware.conversions;
    let (mut pin, mut found) = (0.0, f64::NAN);
    loop {
        let (mut hold, before) = (1.0, found);
        for conversion in 0..reading {
            if !s.keeps {
                hold = 1.0;
            }
            for _ in 0..steps as u64 {
                let current = (hold - pin) / rc;
                hold -= dt * current / ch;
                pin += dt * (current - pin / source) / cp;
            }
            if !s.keeps || conversion == firmware.discard {
                found = hold;
            }
            pin *= apart((s.conversion - s.clocks) / clock);
        }
        if s.keeps {
            pin *= apart(f64::from(reading) * s.conversion / clock);
        }
        if (found - before).abs() < 1e-7 {
            return found;
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::with_cases(40) })]

    #[test]
    fn what_is_left_agrees_with_the_circuit_taken_in_small_steps(
        source in 3.0..5.3_f64,
        capacitor in prop_oneof![Just(0.0), (-11.5..-9.5_f64).prop_map(|e| 10f64.powf(e))],
        discard in 0..3_u16,
        keeps: bool,
    ) {
        let mut chip = ATMEGA328P.clone();
        chip.sampling.keeps = keeps;
        let (source, firmware) = (10f64.powf(source), firmware(125e3, discard, 1));
        let found = left(&chip, &firmware, Ohms(source), Farads(capacitor));
        let expected = stepped(&chip, &firmware, source, capacitor);
        prop_assert!((found - expected).abs() < 0.02 * expected + 1e-5, "{found} {expected}");
    }

    #[test]
    fn a_higher_source_or_a_faster_clock_never_settles_better_without_a_capacitor(
        source in 1e3..1e6_f64, more in 1.0..3.0_f64, clock in 50e3..200e3_f64,
    ) {
        let of = |source: f64, clock: f64| {
            left(&ATMEGA328P, &firmware(clock, 0, 1), Ohms(source), Farads(0.0))
        };
        prop_assert!(of(source * more, clock) >= of(source, clock) - 1e-12);
        prop_assert!(of(source, clock * more) >= of(source, clock) - 1e-12);
    }

    /// Whatever is advised settles the channel when it is done.
    #[test]
    fn every_remedy_does_what_it_says(source in 20e3..3e6_f64, discard in 0..2_u16, keeps: bool) {
        let mut chip = ATMEGA328P.clone();
        chip.sampling.keeps = keeps;
        let f = firmware(125e3, discard, 1);
        let now = Settling {
            source: Ohms(source),
            capacitor: Farads(0.0),
            left: left(&chip, &f, Ohms(source), Farads(0.0)),
        };
        let good = |left: f64| left * chip.scale <= settle::ENOUGH;
        let found = remedies(&chip, &f, &now);
        if let Some(ohms) = found.source {
            prop_assert!(good(left(&chip, &f, ohms, now.capacitor)));
        }
        if let Some(clock) = found.clock {
            let slower = Firmware { adc_clock: clock, ..f.clone() };
            prop_assert!(good(left(&chip, &slower, now.source, now.capacitor)));
        }
        if let Some(farads) = found.capacitor {
            prop_assert!(good(left(&chip, &f, now.source, farads)));
        }
        if let Some(discard) = found.discard {
            let more = Firmware { discard, ..f.clone() };
            prop_assert!(good(left(&chip, &more, now.source, now.capacitor)));
        }
    }
}

/// A divider of high resistance into one pin.
fn divider(ohms: f64, discard: u16, capacitor: Option<f64>) -> Board {
    let mut board = Maker::new()
        .resistor("R1", "VCC", "PIN", ohms, 0.01)
        .resistor("R2", "FAR", "PIN", ohms, 0.01)
        .jumper("J1", &[("on", "FAR", "GND")], true)
        .channel("PIN", "PIN", "PC0", Kind::Analog)
        .options("which", &["PIN"], &[("J1=on", "half"), ("J1=open", "full")])
        .done();
    board.firmware.discard = discard;
    if let Some(farads) = capacitor {
        let between = [board.channels[0].net, NetId(1)];
        board.capacitors.push(Capacitor { id: "C1".into(), between, farads: Farads(farads) });
    }
    board
}

fn advice(board: &Board) -> Vec<String> {
    notes::advice(board, &windows(board).unwrap_or_else(|p| panic!("{p:?}")))
}

#[test]
fn a_source_too_high_to_settle_widens_the_design_band_and_is_told_with_what_to_change() {
    let board = divider(470e3, 0, None);
    let at = setting(&board, "J1=on");
    let found = settling(&board, &at, &board.channels[0]).expect("driven");
    // Half of 470 kΩ at 1 %, a twentieth of an ohm of contact aside.
    assert!((found.source.0 / (235e3 * 1.01) - 1.0).abs() < 1e-5, "{}", found.source);
    assert!(found.codes(&board.chip) > 10.0, "{found:?}");
    let settled = divider(470e3, 5, None);
    let (wide, narrow) = (expect(&board, &at, 0).design, expect(&settled, &at, 0).design);
    assert!(wide.low < narrow.low - 5.0 && wide.high > narrow.high + 5.0, "{wide:?} {narrow:?}");
    let told = advice(&board);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].starts_with("PIN: in J1=open a sample from "), "{}", told[0]);
    let end = "codes of the channel read before; lower its resistors to a source of 40 kΩ, or throw 5 \
               conversions away";
    assert!(told[0].ends_with(end), "{}", told[0]);
    assert!(advice(&settled).is_empty(), "{:?}", advice(&settled));
}

#[test]
fn resistors_of_some_kilohm_settle_without_advice() {
    assert!(advice(&divider(10e3, 0, None)).is_empty(), "{:?}", advice(&divider(10e3, 0, None)));
    assert!(advice(&divider(10e3, 1, Some(10e-9))).is_empty());
}
