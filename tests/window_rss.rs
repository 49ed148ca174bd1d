//! The root sum of squares of a channel: worked by hand, and against drawn units.

mod circuit_support;

use circuit_support::{Maker, profile_ladder, setting};
use strapwise::board::chip::{Figure, Provenance};
use strapwise::board::{Array, Board, Feed, Kind, Meter, NetId, Reference, Source};
use strapwise::units::{Amperes, Celsius, Ohms, Ratio, Volts};
use strapwise::window::{expect, rss::rss};

/// A converter without errors, on a board whose resistors have their tolerance and no more.
fn only_tolerance(mut board: Board) -> Board {
    let chip = std::sync::Arc::make_mut(&mut board.chip);
    let none = Figure { lsb: 0.0, from: Provenance::Max };
    (chip.offset, chip.gain, chip.inl, chip.dnl) = (none, none, none, none);
    chip.leakage = Amperes(0.0);
    board.in_use.temperature = Some((Celsius(25.0), Celsius(25.0)));
    board.in_use.tempco = Some((Ratio(0.0), Ratio(0.0)));
    board.in_use.ageing = Some(Ratio(0.0));
    board.in_use.contact = Some(Ohms(0.02));
    board
}

fn divider() -> Board {
    Maker::new()
        .resistor("R1", "VCC", "OUT", 10e3, 0.01)
        .resistor("R2", "OUT", "GND", 10e3, 0.01)
        .channel("OUT", "OUT", "PC0", Kind::Analog)
        .done()
}

/// d(ratio)/d ln R is 1/4 for each of two equal resistors; 1 % is 0.577 % of standard uncertainty;
/// the truncation has 1/sqrt(12) of a count.
#[test]
fn a_divider_has_the_root_sum_of_squares_worked_by_hand() {
    let board = only_tolerance(divider());
    let found = rss(&board, &board.delivery, 0).expect("driven");
    let of_resistors = 1024.0 / 4.0 * 0.01 / 3f64.sqrt() * 2f64.sqrt();
    let u = of_resistors.hypot(1.0 / 12f64.sqrt());
    assert!((found.u - u).abs() < 1e-4, "{found:?}, not {u}");
    assert!((found.code - 511.5).abs() < 1e-9, "{found:?}");
    assert!((found.band.high - found.code - 1.960 * u).abs() < 1e-3, "{found:?}");
}

/// A tolerance that both arms of a divider share does nothing; half the ratio in each remains.
#[test]
fn what_an_array_shares_falls_out_of_a_divider() {
    let mut board = only_tolerance(divider());
    board.arrays.push(Array { id: "RN1".into(), ratio: Ratio(0.002), tracking: None });
    for r in &mut board.resistors {
        r.tolerance = Ratio(0.05);
        r.drift.array = Some(0);
    }
    let found = rss(&board, &board.delivery, 0).expect("driven");
    let of_resistors = 1024.0 / 4.0 * 0.001 / 3f64.sqrt() * 2f64.sqrt();
    let u = of_resistors.hypot(1.0 / 12f64.sqrt());
    assert!((found.u - u).abs() < 1e-3, "{found:?}, not {u}");
}

/// Arms that drift with the same sign cancel, with opposite signs they add up.
#[test]
fn signed_coefficients_are_correlated_by_the_temperature() {
    let u = |ppm: [f64; 2]| {
        let mut board = only_tolerance(divider());
        board.in_use.temperature = Some((Celsius(-25.0), Celsius(75.0)));
        for (r, ppm) in board.resistors.iter_mut().zip(ppm) {
            r.tolerance = Ratio(0.0);
            r.drift.tempco = Some((Ratio(ppm * 1e-6), Ratio(ppm * 1e-6)));
        }
        rss(&board, &board.delivery, 0).expect("driven").u
    };
    let truncation = 1.0 / 12f64.sqrt();
    assert!((u([400.0, 400.0]) - truncation).abs() < 1e-4, "{}", u([400.0, 400.0]));
    // 400 ppm/K over 50 K either way in both arms: 2 % against each other.
    let apart = 1024.0 / 4.0 * 2.0 * 0.02 / 3f64.sqrt();
    let expected = apart.hypot(truncation);
    assert!((u([400.0, -400.0]) - expected).abs() < 0.01, "{}", u([400.0, -400.0]));
}

#[test]
fn the_root_sum_of_squares_lies_inside_the_worst_case() {
    let board = profile_ladder();
    for place in 1..=5 {
        let at = setting(&board, &format!("J1={place}"));
        let (found, worst) = (rss(&board, &at, 0).expect("driven").band, expect(&board, &at, 0));
        assert!(worst.design.low <= found.low && found.high <= worst.design.high, "{found:?}");
    }
    let at = setting(&board, "J1=3");
    let found = rss(&board, &at, 0).expect("driven");
    // Typical figures and assumed drifts leave few degrees of freedom, so more than two u.
    assert!(found.degrees.is_finite() && found.band.high - found.code > 1.97 * found.u);
}

#[test]
fn a_floating_net_has_no_root_sum_of_squares_and_a_rail_has_that_of_the_converter() {
    let board = Maker::new()
        .resistor("R1", "LONE", "FAR", 1e3, 0.01)
        .channel("LONE", "LONE", "PC0", Kind::Analog)
        .channel("VCC", "VCC", "PC1", Kind::Analog)
        .done();
    assert_eq!(rss(&board, &board.delivery, 0), None);
    let rail = rss(&board, &board.delivery, 1).expect("driven");
    // Offset 4, gain 4, INL 1, DNL 0.5 (twice the typical figures) and half a count.
    let u = [4.0, 4.0, 1.0, 0.5, 0.5].iter().map(|h: &f64| h * h / 3.0).sum::<f64>().sqrt();
    assert!((rail.u - u).abs() < 1e-9, "{rail:?}, not {u}");
}

/// Against a fixed reference the supply's tolerance and the reference's both count: a divider of
/// half, 1.1 V of 1.0 to 1.2 V, 5 % of supply (GUM 5.1.6: relative uncertainties of a quotient).
#[test]
fn a_fixed_reference_brings_its_own_tolerance_and_that_of_the_supply() {
    let mut board = only_tolerance(divider());
    for r in &mut board.resistors {
        r.tolerance = Ratio(0.0);
    }
    board.resistors[1].ohms = Ohms(1e3);
    let internal = *board.chip.internal.first().expect("a reference");
    board.firmware.reference = Reference::Internal(internal);
    let found = rss(&board, &board.delivery, 0).expect("driven");
    let code = 5.0 / 11.0 / 1.1 * 1024.0;
    let relative = (0.05 / 3f64.sqrt()).hypot(0.1 / 1.1 / 3f64.sqrt());
    assert!((found.code + 0.5 - code).abs() < 1.0, "{found:?}, not {code}");
    // The second order of a reference of 9 % adds a little.
    assert!((found.u / (code * relative) - 1.0).abs() < 0.02, "{found:?}, not {}", code * relative);
}

/// 12 V of 2 % through 9 kilohms and 1 kilohm: 1.2 V, and 2 % of it.
#[test]
fn a_further_source_brings_its_tolerance() {
    let mut maker = Maker::new()
        .resistor("R1", "TWELVE", "OUT", 9e3, 0.0)
        .resistor("R2", "OUT", "GND", 1e3, 0.0)
        .channel("OUT", "OUT", "PC0", Kind::Analog);
    let between = [maker.net("TWELVE"), maker.net("GND")];
    let (id, feed) = ("V2".into(), Feed::Volts(Volts(12.0)));
    maker.0.sources.push(Source { id, between, feed, tolerance: Ratio(0.02) });
    maker.0.supply.tolerance = Ratio(0.0);
    let board = only_tolerance(maker.done());
    let found = rss(&board, &board.delivery, 0).expect("driven");
    let code = 1.2 / 5.0 * 1024.0;
    let u = (code * 0.02 / 3f64.sqrt()).hypot(1.0 / 12f64.sqrt());
    assert!((found.code + 0.5 - code).abs() < 0.02, "{found:?}, not {code}");
    assert!((found.u - u).abs() < 0.01, "{found:?}, not {u}");
}

/// By hand: 100 ohm at 1 % in parallel with 100 ohm at 1 %; each moves the 50 ohm by a quarter of
/// itself. The meter's 1 % of 50 ohm and one digit of 0.1 ohm are rectangular too (GUM 4.3.7).
#[test]
fn two_resistors_in_parallel_on_a_meter_have_the_root_sum_of_squares_worked_by_hand() {
    let meter = Meter { accuracy: Ratio(0.01), digits: 1, counts: 2000 };
    let board = Maker::new()
        .resistor("R1", "A", "B", 100.0, 0.01)
        .resistor("R2", "A", "B", 100.0, 0.01)
        .channel("OHMS", "A", "PC0", Kind::Analog)
        .done();
    let mut board = only_tolerance(board);
    let against = NetId(board.nets.iter().position(|n| n == "B").expect("the net"));
    board.channels[0].kind = Kind::Meter { against, meter };
    let found = rss(&board, &board.delivery, 0).expect("joined");
    let each = 0.25 / 3f64.sqrt();
    let shown = (0.5 + 0.1) / 3f64.sqrt();
    let u = (2.0 * each * each + shown * shown).sqrt();
    assert!((found.code - 50.0).abs() < 1e-9, "{found:?}");
    // What is left is of the second order.
    assert!((found.u - u).abs() < 1e-4, "{found:?}, not {u}");
    board.resistors.clear();
    assert_eq!(rss(&board, &board.delivery, 0), None, "nothing joins the tips");
}

/// A tap between the rails: what a meter from it to ground shows depends on what else joins them.
#[test]
fn what_joins_the_rails_besides_the_parts_leaves_a_meter_without_root_sum_of_squares() {
    let mut board = only_tolerance(divider());
    let meter = Meter { accuracy: Ratio(0.01), digits: 1, counts: 2000 };
    board.channels[0].kind = Kind::Meter { against: board.supply.ground, meter };
    assert_eq!(rss(&board, &board.delivery, 0), None);
    board.resistors.remove(0);
    assert!(rss(&board, &board.delivery, 0).is_some(), "nothing leads to the supply");
}
