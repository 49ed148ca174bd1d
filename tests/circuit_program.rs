//! The compiled circuit against the solver.

mod circuit_support;

use circuit_support::{Maker, net, network, numbered, profile_ladder, setting};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use strapwise::board::{Board, Kind, NetId, Setting};
use strapwise::circuit::{
    Circuit, Input, LANES, Lanes, Node, Parts, Program, Registers, Spread, pulled_up,
};
use strapwise::units::Ohms;
use strapwise::window::bench_spread;

/// The compiled ratio for units of these parts, all lanes alike but for the first resistor.
fn compiled(program: &Program, parts: &[Parts], leakage: f64, pull_up: f64) -> Lanes {
    let values: Vec<Lanes> = program
        .inputs()
        .iter()
        .map(|input| {
            std::array::from_fn(|lane| match *input {
                Input::Resistor(i) => 1.0 / parts[lane].resistors[i].0,
                Input::Contact { jumper, position } => {
                    1.0 / parts[lane].contacts[jumper][position].0
                }
                Input::Switch(i) => 1.0 / parts[lane].switches[i].on.0,
                Input::PullUp => 1.0 / pull_up,
                Input::Leakage => leakage / 5.0,
            })
        })
        .collect();
    program.run(|i| &values[i], &mut Registers::default())
}

fn solved(board: &Board, parts: &Parts, at: &Setting, net: NetId, leakage: f64) -> f64 {
    match Circuit::solve(board, parts, at, &[]).node(net) {
        Node::Driven { volts, source } => (volts.0 + leakage * source.0) / 5.0,
        Node::Floating => panic!("the net floats"),
    }
}

fn units(board: &Board, rng: &mut ChaCha8Rng) -> Vec<Parts> {
    let mut parts = vec![Parts::nominal(board); LANES];
    for unit in &mut parts {
        unit.resistors.iter_mut().for_each(|r| r.0 *= rng.random_range(0.5..2.0));
    }
    parts
}

#[test]
fn a_compiled_circuit_gives_what_the_solver_gives() {
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    for case in 0..300 {
        let nets = rng.random_range(1..=12);
        let mut parts = Vec::new();
        for n in 2..nets + 2 {
            parts.push((n, rng.random_range(0..n), 10_f64.powf(rng.random_range(0.0..7.0))));
        }
        for _ in 0..rng.random_range(0..2 * nets) {
            let a = rng.random_range(0..nets + 2);
            let b = (a + rng.random_range(1..nets + 2)) % (nets + 2);
            parts.push((a, b, 10_f64.powf(rng.random_range(0.0..7.0))));
        }
        let board = network(nets, &parts, 0.1);
        let at = net(&board, &numbered(rng.random_range(2..nets + 2)));
        let spread = bench_spread(&board, false);
        let Some(program) = Program::new(&board, &board.delivery, &[], at, &spread) else {
            let circuit = Circuit::solve(&board, &Parts::nominal(&board), &board.delivery, &[]);
            assert_eq!(circuit.node(at), Node::Floating, "{case}");
            continue;
        };
        let units = units(&board, &mut rng);
        let ratios = compiled(&program, &units, 0.0, 35e3);
        for (unit, ratio) in units.iter().zip(ratios) {
            let expected = solved(&board, unit, &board.delivery, at, 0.0);
            assert!((ratio - expected).abs() < 1e-12, "{case}: {ratio}, not {expected}");
        }
    }
}

#[test]
fn jumpers_leakage_and_pull_ups_are_compiled_in() {
    let board = profile_ladder();
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let at = net(&board, "PROFILE");
    let units = units(&board, &mut rng);
    for place in 1..=5 {
        let setting = setting(&board, &format!("J1={place}"));
        let mut spread = bench_spread(&board, false);
        let program = Program::new(&board, &setting, &[], at, &spread).expect("driven");
        let ratios = compiled(&program, &units, 1e-6, 35e3);
        for (unit, ratio) in units.iter().zip(ratios) {
            let expected = solved(&board, unit, &setting, at, 1e-6);
            assert!((ratio - expected).abs() < 1e-12, "{ratio}, not {expected}");
        }
        spread.pull_up = Some((Ohms(20e3), Ohms(50e3)));
        let program = Program::new(&board, &setting, &[], at, &spread).expect("driven");
        let ratios = compiled(&program, &units, 0.0, 35e3);
        for (unit, ratio) in units.iter().zip(ratios) {
            let node = Circuit::solve(&board, unit, &setting, &[]).node(at);
            let expected = pulled_up(node, board.supply.volts, Ohms(35e3)).0 / 5.0;
            assert!((ratio - expected).abs() < 1e-12, "{ratio}, not {expected}");
        }
    }
}

#[test]
fn a_floating_net_and_a_switch_with_a_drop_are_not_compiled() {
    let board = Maker::new()
        .resistor("R1", "OUT", "GND", 1e3, 0.01)
        .resistor("R2", "LONE", "FAR", 1e3, 0.01)
        .switch("K1", ["VCC", "OUT"], "PD5", [10.0, 100.0], [0.1, 0.3])
        .channel("OUT", "OUT", "PC0", Kind::Analog)
        .channel("LONE", "LONE", "PC1", Kind::Analog)
        .done();
    let compile = |name: &str, closed: &[usize], spread: &Spread| {
        Program::new(&board, &board.delivery, closed, net(&board, name), spread).is_some()
    };
    let mut spread = bench_spread(&board, false);
    assert!(compile("OUT", &[], &spread) && compile("VCC", &[], &spread));
    assert!(!compile("OUT", &[0], &spread) && !compile("LONE", &[], &spread));
    spread.pull_up = Some((Ohms(20e3), Ohms(50e3)));
    assert!(compile("LONE", &[], &spread));
}
