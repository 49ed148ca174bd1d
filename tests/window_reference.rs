//! What the converter refers to: bands, windows and advice against supply, internal and external
//! references.

mod circuit_support;

use circuit_support::{Maker, net, setting};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::sync::Arc;
use strapwise::board::chip::{ATMEGA328P, ATMEGA4809, Chip, Figure, Provenance};
use strapwise::board::{Aref, Board, Kind, Reference};
use strapwise::circuit::{Circuit, Node, Parts};
use strapwise::units::{Amperes, Ohms, Ratio, Volts};
use strapwise::window::{Limits, adc, expect, notes, windows};

/// A tenth and a fifth of the supply.
fn tenths() -> Board {
    Maker::new()
        .resistor("R1", "VCC", "HIGH", 8e3, 0.01)
        .resistor("R2", "HIGH", "LOW", 1e3, 0.01)
        .resistor("R3", "LOW", "GND", 1e3, 0.01)
        .jumper("J1", &[("low", "LOW", "PIN"), ("high", "HIGH", "PIN")], false)
        .channel("PIN", "PIN", "PC0", Kind::Analog)
        .options("which", &["PIN"], &[("J1=low", "a"), ("J1=high", "b")])
        .done()
}

fn internal(mut board: Board) -> Board {
    board.firmware.reference = Reference::Internal(board.chip.internal[0]);
    board
}

fn external(mut board: Board, volts: f64, tolerance: f64) -> Board {
    let ends = [1.0 - tolerance, 1.0, 1.0 + tolerance].map(|f| Volts(volts * f));
    board.supply.aref = Aref::External(ends[0], ends[1], ends[2]);
    board.firmware.reference = Reference::External(ends[0], ends[1], ends[2]);
    board
}

/// Neither converter nor pin with any error.
fn ideal(mut board: Board) -> Board {
    let none = Figure { lsb: 0.0, from: Provenance::Max };
    let chip = Chip {
        offset: none,
        gain: none,
        inl: none,
        dnl: none,
        total: None,
        leakage: Amperes(0.0),
        ..(*board.chip).clone()
    };
    board.chip = Arc::new(chip);
    board.resistors.iter_mut().for_each(|r| r.tolerance = Ratio(0.0));
    board
}

/// 1.0 / 1.1 / 1.2 V: 8161D-AVR-10/09 table 28-7 (row A7), by hand: 0.5 V of 5 V ± 5 %.
#[test]
fn against_the_bandgap_the_tolerances_of_supply_and_reference_are_both_in_the_band() {
    let board = ideal(internal(tenths()));
    let at = expect(&board, &setting(&board, "J1=low"), 0);
    assert!((at.code - 0.5 * 1024.0 / 1.1).abs() < 0.1, "{}", at.code);
    // Truncation takes a code; the contact some thousandths.
    assert!((at.bench.low - (0.475 * 1024.0 / 1.2 - 1.0)).abs() < 0.1, "{:?}", at.bench);
    assert!((at.bench.high - 0.525 * 1024.0 / 1.0).abs() < 0.1, "{:?}", at.bench);
}

#[test]
fn against_the_supply_its_tolerance_cancels() {
    let board = ideal(tenths());
    let at = expect(&board, &setting(&board, "J1=low"), 0);
    assert!((at.code - 102.4).abs() < 0.01, "{}", at.code);
    assert!(at.bench.high - at.bench.low < 1.1, "{:?}", at.bench);
}

#[test]
fn an_external_reference_scales_codes_volts_and_windows() {
    let board = external(tenths(), 2.048, 0.001);
    let windows = windows(&board).unwrap_or_else(|p| panic!("{p:?}"));
    let [low, high] = &windows.channels[0].classes[..] else { panic!("two") };
    assert!((low.code - 250.0).abs() < 0.1 && (high.code - 500.0).abs() < 0.1);
    assert!((low.volts.expect("driven").0 - 0.5).abs() < 1e-3);
    assert!((high.volts.expect("driven").0 - 1.0).abs() < 1e-3);
    let Limits::Codes { low: from, high: to } = low.limits else { panic!("codes") };
    assert!(from < 220 && to > 280 && to < 400, "{from}..{to}");
    assert!((adc::lsb(board.reference(), &board.chip).0 - 2e-3).abs() < 1e-12);
}

#[test]
fn a_tap_above_the_reference_reads_full_scale() {
    let mut board = internal(tenths());
    board.resistors[0].ohms = Ohms(1e3);
    // Two thirds of 5 V.
    let at = expect(&board, &setting(&board, "J1=high"), 0);
    assert!(at.code > 3000.0, "{}", at.code);
    assert!(at.design.low > 1022.9 && at.design.high == 1023.0, "{:?}", at.design);
}

/// Units anywhere within every tolerance read inside their band, whatever the reference.
#[test]
fn ten_thousand_good_units_read_inside_the_band_of_any_reference() {
    let boards = [tenths(), internal(tenths()), external(tenths(), 4.096, 0.005)];
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    for board in boards {
        let expected = ["J1=low", "J1=high"].map(|p| expect(&board, &setting(&board, p), 0));
        let (lowest, highest) = match board.firmware.reference {
            Reference::Supply => (0.0, 0.0),
            Reference::Internal(i) => (i.low.0, i.high.0),
            Reference::External(low, _, high) => (low.0, high.0),
        };
        for _ in 0..10_000 {
            let mut parts = Parts::nominal(&board);
            parts.supply.0 *= 1.0 + rng.random_range(-0.05..=0.05);
            for (ohms, r) in parts.resistors.iter_mut().zip(&board.resistors) {
                ohms.0 *= 1.0 + r.tolerance.0 * rng.random_range(-1.0..=1.0);
            }
            let which = rng.random_range(0..2);
            let at = setting(&board, ["J1=low", "J1=high"][which]);
            let node = Circuit::solve(&board, &parts, &at, &[]).node(net(&board, "PIN"));
            let Node::Driven { mut volts, source } = node else { panic!("driven") };
            volts.0 += rng.random_range(-1e-6..=1e-6) * source.0;
            let vref = match board.firmware.reference {
                Reference::Supply => parts.supply.0,
                _ => rng.random_range(lowest..=highest),
            };
            volts.0 += rng.random_range(-4.0..=4.0) * vref / 1024.0;
            let code = f64::from(adc::code_of(volts, Volts(vref), &board.chip));
            let band = expected[which].bench;
            assert!(band.contains(code), "{code} outside {band:?}");
        }
    }
}

#[test]
fn an_uncalibrated_reference_that_is_worse_than_the_supply_is_advised_against() {
    let advice =
        |board: &Board| notes::advice(board, &windows(board).unwrap_or_else(|p| panic!("{p:?}")));
    let told = advice(&internal(tenths()));
    let expected = "the internal reference may be off by 9.1 percent, the supply by 5.0 percent \
                    only: write `reference = \"supply\"` in [firmware], which cancels both at a \
                    divider";
    assert_eq!(told, [expected]);
    assert!(advice(&tenths()).is_empty());
    let mut loose = internal(tenths());
    loose.supply.tolerance = Ratio(0.15);
    loose.resistors[0].ohms = Ohms(18e3);
    loose.resistors[1].ohms = Ohms(3e3);
    assert!(advice(&loose).is_empty(), "{:?}", advice(&loose));
}

/// DS40002016B p. 27: 35 LSB with an internal reference, which holds its own tolerance (row A22).
#[test]
fn the_reference_of_the_atmega4809_is_in_the_error_stated_for_it() {
    let text = "format = 1\ndelivery = {}\n[board]\nname = \"a\"\nrevision = \"A\"\n\
        chip = \"atmega4809\"\n[supply]\nnet = \"VCC\"\nground = \"GND\"\nvolts = \"5V\"\n\
        tolerance = \"1%\"\nsource = \"bench\"\naref = \"capacitor\"\n\
        [use]\nbench_temperature = \"25..25\"\n[firmware]\n\
        reference = \"internal\"\nreference_volts = \"1.1V\"\n[[resistor]]\nid = \"R1\"\n\
        between = [\"VCC\", \"PIN\"]\nvalue = \"9k\"\ntolerance = \"0%\"\n[[resistor]]\n\
        id = \"R2\"\nbetween = [\"PIN\", \"GND\"]\nvalue = \"1k\"\ntolerance = \"0%\"\n\
        [[channel]]\nid = \"PIN\"\nnet = \"PIN\"\npin = \"PD0\"\nkind = \"analog\"\n";
    let board = strapwise::board::parse("a.toml", text).unwrap_or_else(|p| panic!("{p}"));
    let Reference::Internal(chosen) = board.firmware.reference else { panic!("internal") };
    assert_eq!(chosen.typical, Volts(1.1));
    let at = expect(&board, &board.delivery, 0);
    assert!((at.code - 0.5 * 1023.0 / 1.1).abs() < 0.1);
    // 35 codes either way, 1 % of the supply, and the code that truncation takes.
    let code = 0.5 * 1023.0 / 1.1;
    assert!((at.bench.low - (0.99 * code - 36.0)).abs() < 0.5, "{:?}", at.bench);
    assert!((at.bench.high - (1.01 * code + 35.0)).abs() < 0.5, "{:?}", at.bench);
    let plain = ATMEGA4809.total.expect("stated").worst();
    assert!(board.chip.total.expect("stated").worst() > plain);
    assert_eq!(ATMEGA328P.internal.len(), 1);
}
