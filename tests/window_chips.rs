//! The chip profiles against their data sheets, and what the profiles do to windows.

mod circuit_support;

use circuit_support::{Maker, net, setting};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::sync::Arc;
use strapwise::board::chip::{
    ATMEGA328P, ATMEGA4809, CHIPS, Chip, Figure, InputLevel, Point, Provenance, RP2040, SAMD21,
};
use strapwise::board::{Board, Kind, Level};
use strapwise::circuit::{self, Node, Parts};
use strapwise::units::{Amperes, Farads, Hertz, Ohms, Ratio, Volts};
use strapwise::window::{
    Limits, WindowProblem, adc, converter_error, expect, level_of, notes, whole_scale, windows,
};

/// A ladder whose taps sit at these shares of the supply, read by a chip.
fn ladder(chip: &Chip, volts: f64, shares: &[f64]) -> Board {
    let mut maker = Maker::new().supply(volts);
    let names: Vec<String> = (0..shares.len()).map(|i| format!("T{i}")).collect();
    let (mut above, mut last) = ("VCC".to_string(), 1.0);
    for (i, share) in shares.iter().enumerate() {
        maker = maker.resistor(&format!("R{i}"), &above, &names[i], 10e3 * (last - share), 0.001);
        (above, last) = (names[i].clone(), *share);
    }
    maker = maker.resistor("RE", &above, "GND", 10e3 * last, 0.001);
    let positions: Vec<(&str, &str, &str)> =
        names.iter().map(|n| (n.as_str(), n.as_str(), "PIN")).collect();
    let places: Vec<String> = names.iter().map(|n| format!("J1={n}")).collect();
    let rows: Vec<(&str, &str)> =
        places.iter().zip(&names).map(|(p, n)| (p.as_str(), n.as_str())).collect();
    let mut board = maker
        .jumper("J1", &positions, false)
        .channel("PIN", "PIN", "PC0", Kind::Analog)
        .options("which", &["PIN"], &rows)
        .done();
    board.firmware.adc_clock = chip.clock.usual;
    board.chip = Arc::new(chip.clone());
    board
}

fn limits(board: &Board) -> Vec<(u16, u16)> {
    let windows = windows(board).unwrap_or_else(|p| panic!("{p:?}"));
    let classes = windows.channels[0].classes.iter();
    classes
        .map(|c| match c.limits {
            Limits::Codes { low, high } => (low, high),
            Limits::Level(_) | Limits::Ohms { .. } => panic!("an analog channel has codes"),
        })
        .collect()
}

fn advice(board: &Board) -> Vec<String> {
    notes::advice(board, &windows(board).unwrap_or_else(|p| panic!("{p:?}")))
}

/// Input levels at a supply, as voltages.
fn levels(chip: &Chip, volts: f64) -> (f64, f64) {
    let mut chip = chip.clone();
    chip.suit((Volts(volts), Volts(volts)), chip.clock.usual);
    (chip.vil.0 * volts, chip.vih.0 * volts)
}

fn close(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-9, "{found} is not {expected}");
}

/// 8161D-AVR-10/09 table 28-7 p. 323, typical at 4 V and 200 kHz (rows A4 to A6).
#[test]
fn the_errors_of_the_atmega328p_are_typical_ones_and_enter_doubled() {
    let typical = |lsb: f64| Figure { lsb, from: Provenance::Typical };
    let chip = &ATMEGA328P;
    assert_eq!((chip.inl, chip.dnl), (typical(0.5), typical(0.25)));
    assert_eq!((chip.gain, chip.offset), (typical(2.0), typical(2.0)));
    close(converter_error(1023.0, chip), 2.0 * (0.5 + 0.25 + 2.0 + 2.0));
    // At 1 MHz all together grow from 2 to 4.5 LSB.
    let mut fast = chip.clone();
    fast.suit((Volts(5.0), Volts(5.0)), Hertz(1e6));
    let slow = converter_error(512.0, chip);
    close(converter_error(512.0, &fast) - slow, 2.0 * (4.5 - 2.0));
    fast.suit((Volts(5.0), Volts(5.0)), Hertz(200e3));
    close(converter_error(512.0, &fast), slow);
}

/// Atmel-8271H section 24.4 p. 241: 13 clocks; 125 kHz is 16 MHz / 128 (rows A11, A12).
#[test]
fn a_conversion_of_the_atmega328p_takes_104_us_at_125_khz() {
    let micro = |hertz: f64| 1e6 * ATMEGA328P.sampling.conversion / hertz;
    close(micro(125e3), 104.0);
    close(micro(200e3), 65.0);
    close(micro(50e3), 260.0);
    assert_eq!((ATMEGA328P.clock.least, ATMEGA328P.clock.usual), (Hertz(50e3), Hertz(125e3)));
}

/// 8271H p. 301: 1 µA and 20 to 50 kΩ (rows A14, A15, A18).
#[test]
fn leakage_pulls_an_open_pin_10_mv_down_at_10_kilohm_and_50_mv_at_the_weakest_pull_up() {
    let chip = &ATMEGA328P;
    assert_eq!((chip.leakage, chip.pull_up), (Amperes(1e-6), (Ohms(20e3), Ohms(50e3))));
    let volts = |ohms: f64| {
        let board = Maker::new()
            .resistor("R1", "VCC", "PIN", ohms, 0.0)
            .channel("PIN", "PIN", "PD2", Kind::Digital)
            .done();
        let spread = circuit::Spread {
            supply: (Volts(5.0), Volts(5.0)),
            resistors: vec![(Ohms(ohms), Ohms(ohms))],
            ..strapwise::window::bench_spread(&board, false)
        };
        let low = circuit::extremes(&board, &board.delivery, &[], net(&board, "PIN"), &spread);
        5.0 * low.expect("driven").0
    };
    assert!((volts(10e3) - 4.990).abs() < 1e-6, "{}", volts(10e3));
    assert!((volts(50e3) - 4.950).abs() < 1e-6, "{}", volts(50e3));
}

/// From 8271H p. 301 and 7810C p. 305 (row A19).
#[test]
fn a_jumper_through_4k7_reads_low_against_any_internal_pull_up() {
    let node = Node::Driven { volts: Volts(0.0), source: Ohms(4.7e3) };
    for (pull, expected) in [(50e3, 0.42962), (20e3, 0.95142)] {
        let volts = circuit::pulled_up(node, Volts(5.0), Ohms(pull)).0;
        assert!((volts - expected).abs() < 1e-5, "{volts}");
        assert_eq!(level_of(volts / 5.0 * 1024.0, &ATMEGA328P), Some(Level::Low));
    }
}

/// 7810C p. 305 and DS40001906C p. 405: 0.3 and 0.6 Vcc from 2.4 V, 0.2 and 0.7 Vcc below (row A16
/// and note 0.4).
#[test]
fn input_levels_of_the_atmega328p_widen_below_2_4_v() {
    let near = |volts: f64, low: f64, high: f64| {
        let (vil, vih) = levels(&ATMEGA328P, volts);
        close(vil, low);
        close(vih, high);
    };
    near(5.0, 1.5, 3.0);
    near(3.3, 0.99, 1.98);
    near(2.0, 0.4, 1.4);
    // A supply on both sides of the border has the levels that hold on both.
    let mut chip = ATMEGA328P.clone();
    chip.suit((Volts(2.2), Volts(2.6)), Hertz(125e3));
    assert_eq!((chip.vil, chip.vih), (Ratio(0.2), Ratio(0.7)));
}

/// Microchip online pages "ADC Conversion Result" of the newer AVRs: 1023 * Vin / Vref; ten bits:
/// DS40002016B p. 28 table 4-26 (row A13, notes 0.1 and 0.2).
#[test]
fn the_atmega4809_counts_1023_steps_of_ten_bits() {
    let code = |volts: f64| adc::code_of(Volts(volts), Volts(5.0), &ATMEGA4809);
    assert_eq!((code(1.1), code(2.5), code(5.0)), (225, 511, 1023));
    let unfloored = |volts: f64| volts * ATMEGA4809.scale / 5.0;
    assert!((unfloored(1.1) - 225.06).abs() < 1e-9 && (unfloored(2.5) - 511.5).abs() < 1e-9);
    assert_eq!(ATMEGA4809.full_scale, 1023);
}

/// DS40002016B p. 17, 18, 27, 28 (rows A21 to A24).
#[test]
fn the_atmega4809_has_the_errors_and_pins_of_its_data_sheet() {
    let chip = &ATMEGA4809;
    assert_eq!((chip.inl.lsb, chip.dnl.lsb, chip.gain.lsb, chip.offset.lsb), (1.2, 0.8, 2.0, 0.5));
    // 2.5 LSB typical against the supply, doubled.
    close(converter_error(512.0, chip), 5.0);
    let internal = chip.internal[0].total.expect("stated as a whole");
    assert_eq!((internal.lsb, internal.from), (35.0, Provenance::Max));
    assert_eq!(chip.pull_up, (Ohms(20e3), Ohms(50e3)));
    // Below 0.05 µA typical, doubled.
    assert_eq!((chip.leakage, chip.leakage_from), (Amperes(1e-7), Provenance::Typical));
    assert_eq!(chip.sampling.pin, Farads(3.5e-12));
    let (vil, vih) = levels(chip, 5.0);
    close(vil, 1.5);
    close(vih, 3.5);
}

/// DS40001882D table 38-12 p. 1052 (row A31).
#[test]
fn the_samd21_has_30_codes_of_total_error_between_5_and_95_percent() {
    assert_eq!((SAMD21.scale, SAMD21.full_scale), (4096.0, 4095));
    close(converter_error(2048.0, &SAMD21), 30.0);
    assert_eq!((SAMD21.usable.0.0, SAMD21.usable.1.0), (0.05, 0.95));
    let millivolts = |figure: Figure| figure.lsb * 3300.0 / 4096.0;
    assert!((millivolts(SAMD21.offset) - 10.0).abs() < 0.05);
    assert!((millivolts(SAMD21.gain) - 5.0).abs() < 0.05);
    assert_eq!((SAMD21.inl.lsb, SAMD21.dnl.lsb), (5.0, 0.95));
}

/// DS40001882D section 37.11.4.3 p. 1006: (R_S + R_SRC) C (n + 1) ln 2; 3.5 kΩ and 3.5 pF are from
/// memory (rows A33, A34).
#[test]
fn the_samd21_samples_a_10_kilohm_source_in_0_43_us() {
    let s = SAMD21.sampling;
    let seconds = adc::settle_s(Ohms(s.ohms.0 + 10e3), s.hold, &SAMD21);
    assert!((seconds - 0.4258e-6).abs() < 0.0005e-6, "{seconds}");
    assert!((seconds / (13.5e3 * 3.5e-12) - 9.0109).abs() < 1e-4);
}

/// SAM D20 table 32-12; that the D21 is the same is from memory (row A35).
#[test]
fn the_samd21_has_other_input_levels_below_2_7_v() {
    assert_eq!((SAMD21.leakage, SAMD21.pull_up), (Amperes(1e-6), (Ohms(20e3), Ohms(60e3))));
    let at = |volts: f64| levels(&SAMD21, volts);
    let (vil, vih) = at(3.3);
    close(vil, 0.99);
    close(vih, 1.815);
    let (vil, vih) = at(2.0);
    close(vil, 0.5);
    close(vih, 1.4);
}

/// RP2040 data sheet table 634 p. 636, section 5.2.3 (from memory), and 3.3 V / 4096 (rows A25, A29,
/// A30).
#[test]
fn the_rp2040_counts_0_8_mv_a_code_and_reads_low_up_to_0_8_v() {
    close(adc::lsb(Volts(3.3), &RP2040).0, 0.8056640625e-3);
    assert_eq!(RP2040.pull_up, (Ohms(50e3), Ohms(80e3)));
    let (vil, vih) = levels(&RP2040, 3.3);
    close(vil, 0.8);
    close(vih, 2.0);
    assert_eq!(RP2040.levels[0].vil, InputLevel::At(Volts(0.8)));
    // 500 kS/s.
    close(RP2040.clock.most.0 / RP2040.sampling.conversion, 500e3);
}

/// RP2350 data sheet section 12.4.1, "Changes from RP2040" (row A27).
#[test]
fn the_rp2040_has_its_steps_at_an_eighth_and_then_every_quarter() {
    let volts = RP2040.bad_codes.iter().map(|&c| adc::volts_of(f64::from(c), Volts(3.3), &RP2040));
    for (found, expected) in volts.zip([0.4125, 1.2375, 2.0625, 2.8875]) {
        close(found.0, expected);
    }
    let hex = [0x200, 0x600, 0xA00, 0xE00];
    assert_eq!(*RP2040.bad_codes, hex);
}

#[test]
fn every_chip_has_pins_of_its_own_names_and_inputs() {
    for chip in CHIPS {
        for (i, a) in chip.pins.iter().enumerate() {
            for b in &chip.pins[..i] {
                assert!(a.name != b.name && a.number != b.number, "{} {}", chip.name, a.name);
                assert!(a.adc.is_none() || a.adc != b.adc, "{} {}", chip.name, a.name);
            }
        }
        assert!(chip.pins.iter().any(|p| p.adc == Some(0)), "{}", chip.name);
        assert_eq!(chip.pin(&chip.pins[0].name.to_lowercase()), Some(&chip.pins[0]));
        assert!(chip.vil.0 < chip.vih.0 && chip.works.0 < chip.works.1);
    }
}

#[test]
fn limits_of_the_samd21_stay_between_5_and_95_percent_or_at_the_ends() {
    let inside = ladder(&SAMD21, 3.3, &[0.9, 0.5, 0.1]);
    for (low, high) in limits(&inside) {
        assert!(low >= 205 && high <= 3891, "{low}..{high}");
    }
    assert!(advice(&inside).is_empty(), "{:?}", advice(&inside));
    let ends = ladder(&SAMD21, 3.3, &[0.97, 0.5, 0.02]);
    let found = limits(&ends);
    assert_eq!((found[0].1, found[2].0), (4095, 0));
    assert!(found[0].0 <= 3891 && found[2].1 >= 205, "{found:?}");
    let told = advice(&ends);
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told[0].contains("J1=T0 reads code 3973, beyond the 5 to 95 percent"), "{}", told[0]);
}

#[test]
fn two_positions_beyond_the_stated_range_cannot_be_told_apart() {
    let board = ladder(&SAMD21, 3.3, &[0.99, 0.96, 0.5]);
    let problems = windows(&board).expect_err("no error is stated there");
    let told = problems[0].to_string();
    let expected = "channel PIN: J1=T1 and J1=T0 both lie beyond the 5 to 95 percent of the range";
    assert!(told.starts_with(expected), "{told}");
}

/// LSB / sqrt 12 = 0.288675 LSB for an ideal quantiser (textbook, row A36).
#[test]
fn an_ideal_conversion_is_off_by_a_twelfth_of_a_square_count() {
    let volts = (0..10_230).map(|i| (f64::from(i) + 0.5) / 10.0 * 5.0 / 1024.0);
    let square: f64 = volts
        .map(|v| {
            let code = f64::from(adc::code_of(Volts(v), Volts(5.0), &ATMEGA328P));
            (v * 1024.0 / 5.0 - code - 0.5).powi(2)
        })
        .sum();
    let rms = (square / 10_230.0).sqrt();
    assert!((rms - 0.288675).abs() < 2e-3, "{rms}");
}

#[test]
fn a_limit_of_the_rp2040_keeps_ten_codes_clear_of_its_steps() {
    // The middle between 0.5 and 0.25 is code 1536; the quarter left out is 256 codes wide.
    for middle in [0.245, 0.25, 0.255, 0.26, 0.3] {
        for gap in [0.0, 0.25, 0.6] {
            let mut board = ladder(&RP2040, 3.3, &[0.5, middle]);
            board.firmware.gap = Ratio(gap);
            let found = limits(&board);
            for limit in found.iter().flat_map(|&(low, high)| [low, high]) {
                let clear = RP2040.bad_codes.iter().all(|bad| bad.abs_diff(limit) >= 10);
                assert!(clear, "{middle} {gap}: {found:?}");
            }
            assert!(found[1].1 < found[0].0, "{found:?}");
        }
    }
}

#[test]
fn a_position_of_the_rp2040_at_a_step_is_told_so() {
    let board = ladder(&RP2040, 3.3, &[0.5, 0.125]);
    let told = advice(&board);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].starts_with("PIN: the nominal code of J1=T1 (512; "), "{}", told[0]);
    assert!(told[0].ends_with("choose resistors that move it 10 codes clear of it"), "{}", told[0]);
    assert!(advice(&ladder(&RP2040, 3.3, &[0.5, 0.2])).is_empty());
    assert!(advice(&ladder(&ATMEGA328P, 5.0, &[0.5, 0.125])).is_empty());
}

#[test]
fn two_bands_with_only_a_step_between_them_are_refused() {
    let mut chip = RP2040.clone();
    let none = Figure { lsb: 0.0, from: Provenance::Max };
    (chip.offset, chip.gain, chip.inl, chip.dnl) = (none, none, none, none);
    let mut told = Vec::new();
    for apart in 5..60 {
        let shares = [1536 + apart, 1536 - apart].map(|code| f64::from(code) / 4096.0);
        match windows(&ladder(&chip, 3.3, &shares)) {
            Ok(_) => assert!(apart > 20, "limits beside the step {apart} codes from it"),
            Err(problems) => told.push(problems[0].to_string()),
        }
    }
    assert!(told[0].contains("overlap by"), "{}", told[0]);
    let last = told.last().expect("refusals");
    assert!(last.contains("lies at code 1536, where the converter of the RP2040"), "{last}");
}

#[test]
fn a_limit_never_lies_within_two_codes_of_an_end_of_the_scale() {
    for share in [0.0004, 0.001, 0.004, 0.008, 0.02] {
        let low = ladder(&ATMEGA328P, 5.0, &[0.5, share]);
        let high = ladder(&ATMEGA328P, 5.0, &[1.0 - share, 0.5]);
        for (a, b) in limits(&low).into_iter().chain(limits(&high)) {
            assert!(a == 0 || a >= 2, "{share}: {a}");
            assert!(b == 1023 || b <= 1021, "{share}: {b}");
        }
    }
}

#[test]
fn a_digital_channel_is_judged_by_the_levels_of_its_chip() {
    let board = |chip: &Chip, volts: f64| {
        let mut board = Maker::new()
            .supply(volts)
            .resistor("R1", "VCC", "BIT", 10e3, 0.01)
            .resistor("R2", "FAR", "BIT", 4.7e3, 0.01)
            .jumper("J1", &[("fitted", "FAR", "GND")], true)
            .channel("BIT", "BIT", "PD2", Kind::Digital)
            .options("which", &["BIT"], &[("J1=fitted", "on"), ("J1=open", "off")])
            .done();
        let mut chip = chip.clone();
        chip.suit(board.supply_range(), chip.clock.usual);
        board.chip = Arc::new(chip);
        board
    };
    // 0.32 of the supply: 1.06 V at 3.3 V, above the 0.8 V of the RP2040 and the 0.3 Vdd of others.
    for chip in CHIPS {
        let problems = windows(&board(chip, 3.3)).expect_err("between the levels");
        assert!(matches!(problems[0], WindowProblem::BetweenLevels { .. }), "{problems:?}");
    }
    let mut low = board(&RP2040, 3.3);
    low.resistors[1].ohms = Ohms(2.2e3);
    let windows = windows(&low).unwrap_or_else(|p| panic!("{p:?}"));
    // 0.18 of the supply; the threshold is 0.8 V at the highest supply.
    let class = &windows.channels[0].classes[0];
    assert_eq!(class.limits, Limits::Level(Level::Low));
    close(low.chip.vil.0, 0.8 / (3.3 * 1.05));
}

/// A chip whose converter is bent as a known curve says.
fn bent() -> Chip {
    let points: Vec<Point> = [(0.0, 100.0), (1000.0, 900.0), (3000.0, 3100.0), (4095.0, 3900.0)]
        .map(|(read, meant)| Point { read, meant })
        .to_vec();
    Chip { correction: points.into(), ..RP2040.clone() }
}

#[test]
fn a_bent_converter_is_straightened_by_its_points() {
    let chip = bent();
    // Halfway between two points, by hand.
    close(chip.reads(2000.0), 2000.0);
    close(chip.means(2000.0), 2000.0);
    close(chip.reads(500.0), 500.0);
    close(chip.reads(3500.0), 3547.5);
    // Beyond the last points the deviation stays.
    close(chip.reads(50.0), -50.0);
    assert_eq!(adc::code_of(Volts(0.0), Volts(3.3), &chip), 0);
    assert_eq!(adc::code_of(Volts(3.3), Volts(3.3), &chip), 4095);
    close(adc::volts_of(3547.5, Volts(3.3), &chip).0, 3500.0 / 4096.0 * 3.3);
    let board = ladder(&chip, 3.3, &[3500.0 / 4096.0, 0.3]);
    let class = &windows(&board).unwrap_or_else(|p| panic!("{p:?}")).channels[0].classes[0];
    assert!((class.code - 3547.5).abs() < 0.5, "{}", class.code);
    assert!((class.volts.expect("driven").0 - 3.3 * 3500.0 / 4096.0).abs() < 1e-3);
    assert!(class.design.low < 3530.0 && class.design.high > 3555.0, "{:?}", class.design);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::with_cases(64) })]

    #[test]
    fn straightening_undoes_the_bend_and_keeps_the_order(a in -200.0..4300.0, b in -200.0..4300.0) {
        let chip = bent();
        prop_assert!((chip.means(chip.reads(a)) - a).abs() < 1e-6);
        prop_assert!((a < b) == (chip.reads(a) < chip.reads(b)) || a == b);
    }

    /// Every chip, taps anywhere: the nominal code lies in its band, the band on the scale.
    #[test]
    fn the_nominal_code_lies_in_the_band_of_every_chip(share in 0.0..1.0, which in 0..4usize) {
        let chip = CHIPS[which];
        let board = ladder(chip, 3.3, &[f64::midpoint(1.0, share), share]);
        let at = expect(&board, &setting(&board, "J1=T1"), 0);
        let scale = whole_scale(chip);
        prop_assert!(at.design.contains(at.code.clamp(scale.low, scale.high)), "{at:?}");
        prop_assert!(scale.low <= at.design.low && at.design.high <= scale.high);
        prop_assert!(at.design.low <= at.bench.low && at.bench.high <= at.design.high);
    }
}

#[test]
fn what_the_bands_rest_on_is_told_with_where_it_comes_from() {
    let of = |chip: &Chip, start: &str| {
        let figures = notes::figures(&ladder(chip, 3.3, &[0.6, 0.3]));
        let found = figures.iter().find(|n| n.text.starts_with(start));
        found.unwrap_or_else(|| panic!("no {start} in {figures:?}")).from
    };
    assert_eq!(of(&SAMD21, "total error of the SAMD21 up to 30 LSB"), Provenance::Max);
    assert_eq!(of(&ATMEGA4809, "total error of the ATmega4809 up to 5 LSB"), Provenance::Typical);
    assert_eq!(of(&RP2040, "INL of the RP2040 up to 9 LSB"), Provenance::Assumed);
    assert_eq!(of(&ATMEGA328P, "a pin of the ATmega328P leaks up to 1 µA"), Provenance::Max);
    let parts = Parts::nominal(&ladder(&SAMD21, 3.3, &[0.6, 0.3]));
    assert_eq!(parts.supply, Volts(3.3));
}
