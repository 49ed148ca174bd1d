//! Laws that every resistive network keeps, on arbitrary networks.

mod circuit_support;

use circuit_support::{net, network, numbered};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed};
use strapwise::board::{Board, NetId};
use strapwise::circuit::{Circuit, Node, Parts, pulled_up};
use strapwise::units::{Ohms, Volts};

fn config() -> Config {
    Config {
        cases: 300,
        rng_seed: RngSeed::Fixed(7),
        failure_persistence: None,
        ..Config::default()
    }
}

/// Up to eight nets and twenty resistors from 1 ohm to 10 megohm between any two of them.
fn any_network() -> impl Strategy<Value = (usize, Vec<(usize, usize, f64)>)> {
    (1_usize..8).prop_flat_map(|nets| {
        let resistor = (0..nets + 2, 1..nets + 2, 0.0..7.0_f64)
            .prop_map(move |(a, by, decade)| (a, (a + by) % (nets + 2), 10_f64.powf(decade)));
        (Just(nets), prop::collection::vec(resistor, 1..20))
    })
}

fn solve(board: &Board, parts: &Parts) -> Circuit {
    Circuit::solve(board, parts, &board.delivery, &[])
}

fn nodes(board: &Board, circuit: &Circuit) -> Vec<(NetId, f64, f64)> {
    (2..board.nets.len())
        .map(NetId)
        .filter_map(|net| match circuit.node(net) {
            Node::Driven { volts, source } => Some((net, volts.0, source.0)),
            Node::Floating => None,
        })
        .collect()
}

fn alike(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs()) + 1e-12
}

proptest! {
    #![proptest_config(config())]

    /// Maximum principle.
    #[test]
    fn no_net_leaves_the_rails((nets, resistors) in any_network()) {
        let board = network(nets, &resistors, 0.01);
        let circuit = solve(&board, &Parts::nominal(&board));
        for (net, volts, source) in nodes(&board, &circuit) {
            prop_assert!((0.0..=5.0 * (1.0 + 1e-12)).contains(&volts), "{net:?} at {volts}");
            prop_assert!(source > 0.0);
        }
    }

    /// Kirchhoff's current law at every net and over the whole circuit.
    #[test]
    fn currents_into_every_net_add_up_to_nothing((nets, resistors) in any_network()) {
        let board = network(nets, &resistors, 0.01);
        let circuit = solve(&board, &Parts::nominal(&board));
        let mut into = vec![0.0; board.nets.len()];
        let mut most: f64 = 0.0;
        for (i, r) in board.resistors.iter().enumerate() {
            let amps = circuit.resistor_current(i).0;
            into[r.between[0].0] -= amps;
            into[r.between[1].0] += amps;
            most = most.max(amps.abs());
        }
        for (n, amps) in into[2..].iter().enumerate() {
            prop_assert!(amps.abs() <= 1e-9 * most.max(1.0), "{amps} A into {}", numbered(n + 2));
        }
        prop_assert!((into[1] - circuit.supply_current().0).abs() <= 1e-9 * most.max(1.0));
    }

    #[test]
    fn scaling_the_resistors_scales_sources_and_scaling_the_supply_scales_volts(
        (nets, resistors) in any_network(),
        factor in 0.1..10.0_f64,
    ) {
        let board = network(nets, &resistors, 0.01);
        let parts = Parts::nominal(&board);
        let mut scaled = parts.clone();
        scaled.resistors.iter_mut().for_each(|r| r.0 *= factor);
        let mut raised = parts.clone();
        raised.supply.0 *= factor;
        let plain = nodes(&board, &solve(&board, &parts));
        let scaled = nodes(&board, &solve(&board, &scaled));
        let raised = nodes(&board, &solve(&board, &raised));
        prop_assert_eq!(plain.len(), scaled.len());
        for ((a, b), c) in plain.iter().zip(scaled).zip(raised) {
            prop_assert!(alike(a.1, b.1) && alike(a.2 * factor, b.2), "{:?} {:?}", a, b);
            prop_assert!(alike(a.1 * factor, c.1) && alike(a.2, c.2), "{:?} {:?}", a, c);
        }
    }

    /// The supply turned round: every net is as far from ground as it was from the supply.
    #[test]
    fn swapping_the_rails_mirrors_every_voltage((nets, resistors) in any_network()) {
        let board = network(nets, &resistors, 0.01);
        let mut turned = board.clone();
        (turned.supply.net, turned.supply.ground) = (board.supply.ground, board.supply.net);
        let parts = Parts::nominal(&board);
        let one = nodes(&board, &solve(&board, &parts));
        let other = nodes(&board, &solve(&turned, &parts));
        for (a, b) in one.iter().zip(other) {
            prop_assert!((a.1 + b.1 - 5.0).abs() < 1e-9, "{:?} {:?}", a, b);
        }
    }

    #[test]
    fn the_pull_up_formula_agrees_with_a_resistor_in_the_network(
        (nets, resistors) in any_network(),
        pull in 20e3..50e3_f64,
    ) {
        let board = network(nets, &resistors, 0.01);
        let mut with = resistors.clone();
        with.push((0, 2, pull));
        let pulled = network(nets, &with, 0.01);
        let node = solve(&board, &Parts::nominal(&board)).node(net(&board, "N2"));
        let formula = pulled_up(node, Volts(5.0), Ohms(pull)).0;
        let Node::Driven { volts, .. } = solve(&pulled, &Parts::nominal(&pulled)).node(net(&board, "N2"))
        else { return Err(TestCaseError::fail("a pulled-up net floats")) };
        prop_assert!((formula - volts.0).abs() < 1e-9, "{formula} by formula, {} solved", volts.0);
    }

    /// The source resistance is what a load shows (Thévenin).
    #[test]
    fn a_load_pulls_a_net_down_by_its_source_resistance(
        (nets, resistors) in any_network(),
        load in 1.0..1e6_f64,
    ) {
        let board = network(nets, &resistors, 0.01);
        let mut with = resistors.clone();
        with.push((2, 1, load));
        let loaded = network(nets, &with, 0.01);
        let node = solve(&board, &Parts::nominal(&board)).node(net(&board, "N2"));
        let expected = match node {
            Node::Driven { volts, source } => volts.0 * load / (load + source.0),
            Node::Floating => 0.0,
        };
        let Node::Driven { volts, .. } = solve(&loaded, &Parts::nominal(&loaded)).node(net(&board, "N2"))
        else { return Err(TestCaseError::fail("a loaded net floats")) };
        prop_assert!((expected - volts.0).abs() < 1e-9);
    }

    #[test]
    fn absurd_values_give_answers_and_no_panic(
        (nets, resistors) in any_network(),
        odd in prop::collection::vec(
            prop::sample::select(vec![0.0, -1.0, f64::NAN, f64::INFINITY, 1e-300, 1e300]), 20),
    ) {
        let board = network(nets, &resistors, 0.01);
        let mut parts = Parts::nominal(&board);
        for (r, &ohms) in parts.resistors.iter_mut().zip(&odd) {
            *r = Ohms(ohms);
        }
        let circuit = solve(&board, &parts);
        for (net, volts, source) in nodes(&board, &circuit) {
            prop_assert!(volts.is_finite() && source.is_finite(), "{net:?}: {volts} {source}");
        }
        prop_assert!(circuit.supply_current().0.is_finite());
    }
}
