//! What is common to several parts: arrays, temperature, pull-ups; and what the search says when
//! it cannot try every corner.

mod circuit_support;

use circuit_support::{Maker, net, network, profile_ladder, setting};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use strapwise::board::{Array, Board, Kind, Meaning, NetId, OptionSet};
use strapwise::circuit::{
    Circuit, Common, Node, Parts, Pulled, Spread, extremes, pulled_up, search,
};
use strapwise::units::{Amperes, Celsius, Ohms, Ratio, Volts};
use strapwise::window::{bench_spread, design_spread, expect, windows};

/// A hundredth of a count at 10 bits, as a ratio.
const CLOSE: f64 = 0.01 / 1024.0;

/// Resistors vary, nothing else.
fn resistors_only(board: &Board) -> Spread {
    Spread {
        supply: (Volts(5.0), Volts(5.0)),
        contact: (Ohms(0.02), Ohms(0.02)),
        leakage: Amperes(0.0),
        ..bench_spread(board, false)
    }
}

fn ratio(board: &Board, parts: &Parts, net: NetId) -> f64 {
    match Circuit::solve(board, parts, &board.delivery, &[]).node(net) {
        Node::Driven { volts, .. } => volts.0 / 5.0,
        Node::Floating => panic!("the net floats"),
    }
}

/// Every corner of every resistor's own range, at many values of one common quantity.
fn every_corner(board: &Board, spread: &Spread, net: NetId, steps: u32) -> (f64, f64) {
    let common = &spread.common[0];
    let mut parts = Parts::nominal(board);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for step in 0..=steps {
        let (least, most) = common.range;
        let s = least + (most - least) * f64::from(step) / f64::from(steps);
        for corner in 0_u32..1 << board.resistors.len() {
            for (i, own) in spread.resistors.iter().enumerate() {
                let up = corner >> i & 1 == 1;
                let coefficient = common.moves.iter().find(|m| m.0 == i).map_or(0.0, |m| {
                    // At the end that raises the part when it is to be high.
                    if up == (s > 0.0) { m.1.1 } else { m.1.0 }
                });
                let ohms = if up { own.1.0 } else { own.0.0 };
                parts.resistors[i] = Ohms(ohms * (1.0 + coefficient * s));
            }
            let ratio = ratio(board, &parts, net);
            low = low.min(ratio);
            high = high.max(ratio);
        }
    }
    (low, high)
}

/// The demo's ladder with its four resistors in one array of 5 %, matched to 0.1 %.
fn ladder_in_an_array() -> Board {
    let mut board = profile_ladder();
    board.arrays.push(Array { id: "RN1".into(), ratio: Ratio(0.001), tracking: Some(Ratio(0.0)) });
    for r in &mut board.resistors[..4] {
        r.tolerance = Ratio(0.05);
        r.drift.array = Some(0);
    }
    board
}

#[test]
fn a_ladder_from_an_array_has_a_narrower_band_than_one_of_separate_parts() {
    let array = ladder_in_an_array();
    let mut separate = array.clone();
    for r in &mut separate.resistors {
        r.drift.array = None;
    }
    let tap = net(&array, "TAP3");
    let range = |board: &Board| {
        let (low, high) =
            extremes(board, &board.delivery, &[], tap, &resistors_only(board)).expect("driven");
        high - low
    };
    // 5 % and 0.1 % between any two: the absolute tolerance falls out of a divider.
    assert!(range(&array) < range(&separate) / 40.0, "{} {}", range(&array), range(&separate));
    let at = setting(&array, "J1=3");
    let width = |board: &Board| {
        let band = expect(board, &at, 0).bench;
        band.high - band.low
    };
    assert!(width(&separate) - width(&array) > 40.0, "{} {}", width(&separate), width(&array));
}

#[test]
fn the_band_of_an_array_is_that_of_every_corner_at_every_common_value() {
    let mut board = ladder_in_an_array();
    // A load outside the array, so that the common value matters.
    board = {
        let mut maker = Maker(board);
        let between = [maker.net("TAP3"), maker.net("GND")];
        let last = maker.0.resistors[4].clone();
        maker.0.resistors[4].between = between;
        maker.0.resistors[4].id = "RL".into();
        maker.0.resistors[4].ohms = Ohms(2.2e3);
        assert_eq!(last.drift.array, None);
        maker.done()
    };
    let spread = resistors_only(&board);
    let tap = net(&board, "TAP3");
    let (low, high) = every_corner(&board, &spread, tap, 200);
    let found = search(&board, &board.delivery, &[], tap, &spread).expect("driven");
    assert!((found.low - low).abs() < CLOSE, "{found:?}, not {low} to {high}");
    assert!((found.high - high).abs() < CLOSE, "{found:?}, not {low} to {high}");
    assert!(found.widened < CLOSE / 10.0, "{found:?}");
}

/// Two parts in an array may differ by the ratio and be off by the tolerance, neither by more.
#[test]
fn resistors_of_an_array_keep_to_tolerance_and_ratio_at_once() {
    let board = ladder_in_an_array();
    let spread = resistors_only(&board);
    let common = &spread.common[0];
    for (r, own) in board.resistors.iter().zip(&spread.resistors).take(4) {
        let most = own.1.0 / r.ohms.0 + common.range.1 - 1.0;
        assert!((most - 0.05).abs() < 1e-12, "{most}");
        assert!((own.1.0 - own.0.0) / r.ohms.0 - 0.001 < 1e-12);
    }
}

#[test]
fn random_networks_with_a_common_quantity_agree_with_every_corner() {
    let mut rng = ChaCha8Rng::seed_from_u64(56);
    for case in 0..60 {
        let count = rng.random_range(4..=7);
        let mut parts = vec![(0, 2, 10e3), (2, 1, 10e3), (2, 3, 10e3), (3, 1, 4.7e3)];
        while parts.len() < count {
            let a = rng.random_range(0..4);
            parts.push((
                a,
                (a + rng.random_range(1..4)) % 4,
                10_f64.powf(rng.random_range(3.0..5.0)),
            ));
        }
        let board = network(2, &parts, 0.01);
        let mut spread = resistors_only(&board);
        let moves = (0..count)
            .map(|i| {
                let middle: f64 = rng.random_range(-0.004..0.004);
                let loose: f64 = rng.random_range(0.0..0.0005);
                (i, (middle - loose, middle + loose))
            })
            .collect();
        spread.common = vec![Common { range: (-40.0, 60.0), moves }];
        let at = net(&board, "N2");
        let (low, high) = every_corner(&board, &spread, at, 50);
        let found = search(&board, &board.delivery, &[], at, &spread).expect("driven");
        // Brute force stands at steps of its own, the search may be a little better.
        assert!(
            found.low < low + 1e-9 && found.high > high - 1e-9,
            "{case}: {found:?} {low} {high}"
        );
        assert!(
            found.low > low - 5.0 * CLOSE && found.high < high + 5.0 * CLOSE,
            "{case}: {found:?}"
        );
    }
}

/// A divider of a rising and a falling part peaks inside the range of temperature.
#[test]
fn a_worst_case_inside_the_range_of_temperature_is_found() {
    let mut board = network(2, &[(0, 2, 10e3), (2, 1, 10e3), (0, 3, 10e3), (3, 2, 10e3)], 0.0);
    board.in_use.temperature = Some((Celsius(-65.0), Celsius(115.0)));
    board.in_use.ageing = Some(Ratio(0.0));
    let signed = |ppm: f64| Some((Ratio(ppm * 1e-6), Ratio(ppm * 1e-6)));
    for (r, ppm) in board.resistors.iter_mut().zip([-9000.0, 0.0, 9000.0, 0.0]) {
        r.drift.tempco = signed(ppm);
    }
    let spread = Spread { leakage: Amperes(0.0), ..design_spread(&board, false) };
    let at = net(&board, "N2");
    let ends = [-90.0, 90.0].map(|kelvin| {
        let mut parts = Parts::nominal(&board);
        for (ohms, r) in parts.resistors.iter_mut().zip(&board.resistors) {
            ohms.0 *= 1.0 + r.drift.tempco.map_or(0.0, |t| t.0.0) * kelvin;
        }
        ratio(&board, &parts, at)
    });
    let mut spread = spread;
    spread.common.retain(|c| !c.moves.is_empty());
    let (low, _) = every_corner(&board, &spread, at, 4000);
    assert!(ends[0].min(ends[1]) - low > 0.01, "the least is at an end: {ends:?} {low}");
    let found = search(&board, &board.delivery, &[], at, &spread).expect("driven");
    assert!((found.low - low).abs() < 1e-6, "{found:?}, not {low}");
}

#[test]
fn pull_ups_of_one_value_at_two_nets_have_their_worst_case_at_an_end() {
    let board = Maker::new()
        .resistor("R1", "A", "B", 10e3, 0.05)
        .resistor("R2", "B", "GND", 4.7e3, 0.05)
        .channel_with("A", "A", "PD2", Kind::Digital, true, &[])
        .channel_with("B", "B", "PD3", Kind::Digital, true, &[])
        .done();
    let (a, b) = (net(&board, "A"), net(&board, "B"));
    let mut spread = resistors_only(&board);
    spread.pull_up = Some(board.chip.pull_up);
    spread.also_pulled = Some(Pulled { nets: vec![b], ohms: board.chip.pull_up });
    let found = search(&board, &board.delivery, &[], a, &spread).expect("driven");
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for step in 0..=100 {
        let pull = 20e3 + 30e3 * f64::from(step) / 100.0;
        for (r1, r2) in [(0.95, 0.95), (0.95, 1.05), (1.05, 0.95), (1.05, 1.05)] {
            // B by Kirchhoff: R2 to ground, the pull-up, and the one at A through R1.
            let (to_a, down) = (10e3 * r1 + pull, 4.7e3 * r2);
            let at_b = (1.0 / pull + 1.0 / to_a) / (1.0 / pull + 1.0 / to_a + 1.0 / down);
            let at_a = at_b + (1.0 - at_b) * 10e3 * r1 / to_a;
            low = low.min(at_a);
            high = high.max(at_a);
        }
    }
    assert!((found.low - low).abs() < 1e-9 && (found.high - high).abs() < 1e-9, "{found:?}");
    // The windows count with both, and with the probe's own pull-up alone.
    let alone = pulled_up(
        Circuit::solve(&board, &Parts::nominal(&board), &board.delivery, &[]).node(a),
        Volts(5.0),
        Ohms(50e3),
    );
    let design = expect(&board, &board.delivery, 0).design;
    assert!(design.low < alone.0 / 5.0 * 1024.0 && design.high >= high * 1024.0, "{design:?}");
}

/// A mesh in which more parts may turn than are tried at both ends.
fn wide_mesh() -> Board {
    let side = 4;
    let at = |x: usize, y: usize| 2 + y * side + x;
    let mut parts = vec![(0, at(0, 0), 1e3), (1, at(side - 1, side - 1), 1e3)];
    for y in 0..side {
        for x in 0..side {
            if x + 1 < side {
                parts.push((at(x, y), at(x + 1, y), 10e3));
            }
            if y + 1 < side {
                parts.push((at(x, y), at(x, y + 1), 10e3));
            }
        }
    }
    let mut board = network(side * side, &parts, 0.3);
    board.channels[0].net = net(&board, &format!("N{}", at(side - 1, 0)));
    board
}

#[test]
fn a_band_that_could_not_be_searched_to_the_end_is_widened_and_says_so() {
    let board = wide_mesh();
    let spread = resistors_only(&board);
    let at = board.channels[0].net;
    let found = search(&board, &board.delivery, &[], at, &spread).expect("driven");
    assert!(found.widened > 1e-4, "{found:?}");
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    for start in 0..20 {
        let sign = if start % 2 == 0 { 1.0 } else { -1.0 };
        let mut parts = Parts::nominal(&board);
        for (ohms, own) in parts.resistors.iter_mut().zip(&spread.resistors) {
            *ohms = if rng.random_bool(0.5) { own.1 } else { own.0 };
        }
        // From a random corner uphill, part by part, until no part helps: a local worst case.
        let mut best = sign * ratio(&board, &parts, at);
        loop {
            let before = best;
            for (i, own) in spread.resistors.iter().enumerate() {
                let was = parts.resistors[i];
                parts.resistors[i] = if was == own.1 { own.0 } else { own.1 };
                let flipped = sign * ratio(&board, &parts, at);
                if flipped > best {
                    best = flipped;
                } else {
                    parts.resistors[i] = was;
                }
            }
            if best == before {
                break;
            }
        }
        let ratio = sign * best;
        assert!(found.low <= ratio && ratio <= found.high, "{ratio} outside {found:?}");
    }
    let mut board = board;
    board.channels[0].label = "mesh".into();
    board.options.push(OptionSet {
        id: "mesh".into(),
        label: String::new(),
        channels: vec![0],
        when: vec![Meaning { places: vec![], means: "on".into() }],
    });
    let windows = windows(&board).expect("one class");
    let told = strapwise::report::windows::text(&board, &windows);
    assert!(told.contains("N2 any: its band may be up to"), "{told}");
}
