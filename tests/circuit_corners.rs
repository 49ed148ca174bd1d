//! The corner search against going through every corner.

mod circuit_support;

use circuit_support::{Maker, net, network, setting};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use strapwise::board::{Board, Kind};
use strapwise::circuit::{Circuit, Node, Parts, Spread, extremes};
use strapwise::units::{Amperes, Ohms, Volts};
use strapwise::window::bench_spread;

/// A twentieth of a count at 10 bits, as a ratio.
const CLOSE: f64 = 0.05 / 1024.0;

/// Resistors and leakage vary, nothing else.
fn spread(board: &Board, leakage: f64) -> Spread {
    Spread {
        supply: (Volts(5.0), Volts(5.0)),
        contact: (Ohms(0.02), Ohms(0.02)),
        leakage: Amperes(leakage),
        ..bench_spread(board, false)
    }
}

/// Every corner by the solver itself; leakage through the source resistance by Ohm's law.
fn every_corner(board: &Board, spread: &Spread) -> (f64, f64) {
    let mut parts = Parts::nominal(board);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for corner in 0_u32..1 << board.resistors.len() {
        for (i, &(least, most)) in spread.resistors.iter().enumerate() {
            parts.resistors[i] = if corner >> i & 1 == 1 { most } else { least };
        }
        let circuit = Circuit::solve(board, &parts, &board.delivery, &[]);
        let Node::Driven { volts, source } = circuit.node(net(board, "N2")) else {
            panic!("N2 floats")
        };
        let leak = spread.leakage.0 * source.0;
        low = low.min((volts.0 - leak) / 5.0);
        high = high.max((volts.0 + leak) / 5.0);
    }
    (low, high)
}

/// A connected random network: every new net hangs on an older one, the rest joins at random.
fn random_network(rng: &mut ChaCha8Rng, parts: usize) -> Board {
    let nets = rng.random_range(2..=4);
    let equal = rng.random_bool(0.4);
    let tolerance = [0.01, 0.05, 0.1, 0.4][rng.random_range(0..4)];
    let mut resistors = Vec::new();
    for i in 0..parts {
        let a = if i < nets { i + 2 } else { rng.random_range(0..nets + 2) };
        let b = if i < nets {
            rng.random_range(0..a)
        } else {
            (a + rng.random_range(1..nets + 2)) % (nets + 2)
        };
        let ohms = if equal { 10e3 } else { 10_f64.powf(rng.random_range(3.0..5.0)) };
        resistors.push((a, b, ohms));
    }
    network(nets, &resistors, tolerance)
}

#[test]
fn the_search_finds_the_worst_corner_of_two_thousand_networks() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    for i in 0..2000 {
        let parts = if i % 100 == 0 { 12 } else { rng.random_range(4..=8) };
        let board = random_network(&mut rng, parts);
        for leakage in [0.0, 1e-6] {
            let mut spread = spread(&board, leakage);
            if i % 3 == 0 {
                // A part as loose as a chip's pull-up.
                let last = spread.resistors.len() - 1;
                spread.resistors[last] = (Ohms(20e3), Ohms(50e3));
            }
            let (low, high) = every_corner(&board, &spread);
            let found = extremes(&board, &board.delivery, &[], net(&board, "N2"), &spread);
            let (l, h) = found.expect("a driven node");
            assert!((l - low).abs() < CLOSE, "{i}: low {l} is not {low}: {:?}", board.resistors);
            assert!((h - high).abs() < CLOSE, "{i}: high {h} is not {high}: {:?}", board.resistors);
        }
    }
}

/// The bridge of a Wheatstone circuit changes the sign of its influence within the tolerances.
#[test]
fn a_part_whose_influence_turns_is_searched_at_both_ends() {
    let balanced = [(0, 2), (2, 1), (0, 3), (3, 1), (2, 3)];
    // In this one, to follow the signs alone stops 7 codes short of the worst corner.
    let meshed = [(2, 0), (3, 2), (4, 0), (5, 4), (2, 4), (3, 5), (1, 3)];
    for (nets, ends, tolerance) in [(2, &balanced[..], 0.05), (4, &meshed[..], 0.6)] {
        let resistors: Vec<_> = ends.iter().map(|&(a, b)| (a, b, 10e3)).collect();
        let board = network(nets, &resistors, tolerance);
        let spread = spread(&board, 0.0);
        let (low, high) = every_corner(&board, &spread);
        let found = extremes(&board, &board.delivery, &[], net(&board, "N2"), &spread);
        let (l, h) = found.expect("a driven node");
        assert!((l - low).abs() < 1e-9 && (h - high).abs() < 1e-9, "{l} {h}, not {low} {high}");
    }
}

#[test]
fn contacts_switches_pull_up_and_supply_vary_too() {
    let board = Maker::new()
        .resistor("R1", "OUT", "GND", 1e3, 0.01)
        .switch("K1", ["FEED", "OUT"], "PD5", [10.0, 100.0], [0.1, 0.3])
        .jumper("J1", &[("up", "VCC", "FEED")], true)
        .channel_with("OUT", "OUT", "PC0", Kind::Analog, false, &[0])
        .done();
    let net = net(&board, "OUT");
    let mut spread = spread(&board, 0.0);
    spread.supply = (Volts(4.0), Volts(5.0));
    spread.contact = (Ohms(0.0), Ohms(0.1));
    let found = extremes(&board, &board.delivery, &[0], net, &spread).expect("driven");
    // Worked by hand: the drop weighs most at the lowest supply.
    let ratio = |supply: f64, drop: f64, on: f64, r: f64| (supply - drop) / supply * r / (r + on);
    let (low, high) = (ratio(4.0, 0.3, 100.1, 990.0), ratio(5.0, 0.1, 10.0, 1010.0));
    assert!((found.0 - low).abs() < 1e-8 && (found.1 - high).abs() < 1e-8, "{found:?}");
    let open = setting(&board, "J1=open");
    assert_eq!(extremes(&board, &open, &[0], net, &spread).map(|r| r.1), Some(0.0));
    spread.pull_up = Some((Ohms(20e3), Ohms(50e3)));
    let found = extremes(&board, &open, &[0], net, &spread).expect("driven");
    assert!((found.0 - 0.99 / 50.99).abs() < 1e-8, "{found:?}");
    assert!((found.1 - 1.01 / 21.01).abs() < 1e-8, "{found:?}");
}
