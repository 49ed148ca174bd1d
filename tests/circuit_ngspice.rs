//! The solver against ngspice, an independent circuit simulator, on generated networks.
//!
//! Every network is a board with resistors from 1 ohm to 10 megohm and jumpers in some setting,
//! with nodes of its own, and all of them run in one batch.

mod circuit_support;

use circuit_support::Maker;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::fmt::Write as _;
use std::process::Command;
use strapwise::board::{Board, NetId, Place, Setting};
use strapwise::circuit::{Circuit, Node, Parts};
use strapwise::units::Ohms;

const NETWORKS: usize = 250;
const SUPPLY: f64 = 5.0;

/// A board with random parts between random nets, and a random place for every jumper.
fn network(rng: &mut ChaCha8Rng) -> (Board, Parts, Setting) {
    let inner = rng.random_range(1..12);
    let name = |i: usize| match i {
        0 => "VCC".to_string(),
        1 => "GND".to_string(),
        i => format!("N{i}"),
    };
    let mut maker = Maker::new();
    for i in 0..inner + 2 {
        maker.net(&name(i));
    }
    for r in 0..rng.random_range(inner..3 * inner + 2) {
        let (a, b) = two_nets(rng, inner + 2);
        let ohms = 10_f64.powf(rng.random_range(0.0..7.0));
        maker = maker.resistor(&format!("R{r}"), &name(a), &name(b), ohms, 0.01);
    }
    for j in 0..rng.random_range(0..5) {
        let ends: Vec<(String, String, String)> = (0..rng.random_range(1..4))
            .map(|p| {
                let (a, b) = two_nets(rng, inner + 2);
                (p.to_string(), name(a), name(b))
            })
            .collect();
        let positions: Vec<(&str, &str, &str)> =
            ends.iter().map(|(p, a, b)| (p.as_str(), a.as_str(), b.as_str())).collect();
        maker = maker.jumper(&format!("J{j}"), &positions, true);
    }
    let board = maker.done();
    let mut parts = Parts::nominal(&board);
    parts.supply.0 = SUPPLY;
    for contact in parts.contacts.iter_mut().flatten() {
        *contact = Ohms(10_f64.powf(rng.random_range(-2.0..0.0)));
    }
    let places = board.jumpers.iter().map(|j| {
        let places = j.places();
        places[rng.random_range(0..places.len())]
    });
    let setting = Setting(places.collect());
    (board, parts, setting)
}

fn two_nets(rng: &mut ChaCha8Rng, nets: usize) -> (usize, usize) {
    let a = rng.random_range(0..nets);
    let b = (a + rng.random_range(1..nets)) % nets;
    (a, b)
}

/// The parts that a network has in its setting, written down anew for the simulator.
fn netlist(board: &Board, parts: &Parts, setting: &Setting, tag: usize, out: &mut String) {
    let node = |net: NetId| match board.net_name(net) {
        "VCC" => format!("v{tag}"),
        "GND" => "0".to_string(),
        name => format!("{}_{tag}", name.to_lowercase()),
    };
    writeln!(out, "V{tag} v{tag} 0 {SUPPLY}").unwrap();
    let mut parts_written = 0;
    let mut resistor = |[a, b]: [NetId; 2], ohms: f64| {
        parts_written += 1;
        writeln!(out, "R{tag}_{parts_written} {} {} {ohms:e}", node(a), node(b)).unwrap();
    };
    for (r, ohms) in board.resistors.iter().zip(&parts.resistors) {
        resistor(r.between, ohms.0);
    }
    for (j, (jumper, place)) in board.jumpers.iter().zip(&setting.0).enumerate() {
        if let Place::At(p) = place {
            resistor(jumper.positions[*p].joins[0], parts.contacts[j][*p].0);
        }
    }
}

#[test]
fn two_hundred_and_fifty_generated_networks_agree_with_ngspice() {
    let mut rng = ChaCha8Rng::seed_from_u64(20);
    let mut deck = String::from("* generated networks\n");
    let mut asked: Vec<(String, f64)> = Vec::new();
    let mut floating = 0;
    for tag in 0..NETWORKS {
        let (board, parts, setting) = network(&mut rng);
        netlist(&board, &parts, &setting, tag, &mut deck);
        let circuit = Circuit::solve(&board, &parts, &setting, &[]);
        for net in (2..board.nets.len()).map(NetId) {
            match circuit.node(net) {
                Node::Driven { volts, .. } => {
                    let name = board.net_name(net).to_lowercase();
                    asked.push((format!("v({name}_{tag})"), volts.0));
                }
                Node::Floating => floating += 1,
            }
        }
        asked.push((format!("i(v{tag})"), -circuit.supply_current().0));
    }
    assert!(asked.len() > 1000 && floating > 20, "{} driven, {floating} floating", asked.len());
    let simulated = simulate(&deck, &asked);
    for ((name, ours), theirs) in asked.iter().zip(simulated) {
        // 1 µV, or 1 nA, beside the relative part.
        let least = if name.starts_with('v') { 1e-6 } else { 1e-9 };
        let close = 1e-6 * theirs.abs() + least;
        assert!((ours - theirs).abs() <= close, "{name}: {ours} here, {theirs} in ngspice");
    }
}

/// Runs the operating point and returns what was asked for, in order.
fn simulate(deck: &str, asked: &[(String, f64)]) -> Vec<f64> {
    let folder = tempfile::tempdir().unwrap();
    let mut deck = deck.to_string();
    // Floating nets make the matrix singular: a shunt of 1e-15 S to ground holds them.
    deck.push_str(".options rshunt=1e15 reltol=1e-9 vntol=1e-12 abstol=1e-15 gmin=1e-18\n");
    deck.push_str(".control\nset numdgt=12\nop\n");
    for (name, _) in asked {
        writeln!(deck, "print {name}").unwrap();
    }
    deck.push_str("quit\n.endc\n.end\n");
    let file = folder.path().join("networks.cir");
    std::fs::write(&file, deck).unwrap();
    let run = Command::new("ngspice").arg("-b").arg(&file).output();
    let run = run.expect("ngspice is missing; install it with: sudo apt-get install ngspice");
    let text = String::from_utf8_lossy(&run.stdout);
    let found: Vec<f64> = text
        .lines()
        .filter_map(|line| {
            let (name, value) = line.split_once(" = ")?;
            (name.starts_with("v(") || name.starts_with("i(")).then_some(value)?.parse().ok()
        })
        .collect();
    let complaint = String::from_utf8_lossy(&run.stderr);
    assert_eq!(found.len(), asked.len(), "ngspice answered too little: {complaint}\n{text}");
    found
}
