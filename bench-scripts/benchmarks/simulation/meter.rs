//! What a hand-held meter shows of a unit: ngspice solves the circuit that it is held to.

use super::solve::{elements, node};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::fmt::Write as _;
use std::process::Command;
use strapwise::board::{Board, NetId, Setting};
use strapwise::diagnose::Measurement;
use strapwise::faults::Built;

/// Input resistance of the meter on volts, in ohms (common practice, no source).
const INPUT: f64 = 10e6;

/// Test current of the meter on ohms, in amperes, and what it shows as open.
const TEST: f64 = 1e-6;
const OPEN: f64 = 20e6;

/// What the chip and everything else may be between the rails of a unit without power, in ohms.
const RAILS: (f64, f64) = (10e3, 10e6);

/// What it shows; none for what no meter reaches. `deviations` is how far it is off.
pub fn shows(
    board: &Board,
    built: &Built,
    measurement: &Measurement,
    deviations: f64,
    rng: &mut ChaCha8Rng,
) -> Option<f64> {
    let circuit = |built: &Built, setting: &Setting| {
        // A shunt that makes no contact has an infinite resistance, which is left out.
        let seat = built.seat(board, setting);
        let stuck: Vec<usize> = (0..board.switches.len())
            .filter(|&s| built.parts.switches[s].stuck == Some(true))
            .collect();
        elements(board, &built.parts, &seat, &stuck, 0)
    };
    let name = |net: NetId| node(board, net, 0);
    let [supply, ground] = [board.supply.net, board.supply.ground];
    match measurement {
        Measurement::Volts { net, setting } => {
            let mut deck = circuit(built, setting);
            let _ = writeln!(deck, "V0 {} 0 {}", name(supply), board.supply.volts.0);
            let _ = writeln!(deck, "RM {} 0 {INPUT:e}", name(*net));
            let volts = if *net == ground { 0.0 } else { solve(&deck, &name(*net), "0") };
            Some(volts + deviations * (0.003 * volts.abs() + 0.002))
        }
        Measurement::Ohms { between: [a, b], setting, joined } => {
            let bare = built.bare(board, &built.seat(board, setting));
            let mut deck = circuit(&bare, setting);
            let (low, high) = RAILS;
            let rails = (rng.random_range(low.ln()..high.ln())).exp();
            let rails = if *joined { 1e-3 } else { rails };
            let _ = writeln!(deck, "RR {} 0 {rails:e}", name(supply));
            let _ = writeln!(deck, "I0 {} {} {TEST:e}", name(*b), name(*a));
            let ohms = solve(&deck, &name(*a), &name(*b)) / TEST;
            let shown = ohms + deviations * (0.005 * ohms + 0.3);
            Some(if ohms > OPEN { f64::INFINITY } else { shown.max(0.0) })
        }
        Measurement::Reading { .. } | Measurement::Look(_) => None,
    }
}

/// Volts between two nodes of a circuit.
fn solve(circuit: &str, a: &str, b: &str) -> f64 {
    let folder = tempfile::tempdir().expect("a folder for the netlist");
    let mut deck = format!("* a unit and a meter\n{circuit}");
    for (i, tip) in [a, b].into_iter().enumerate().filter(|(_, tip)| *tip != "0") {
        let _ = writeln!(deck, "RQ{i} {tip} 0 1e13");
    }
    let shown = match (a, b) {
        (a, "0") => format!("v({a})"),
        ("0", b) => format!("-v({b})"),
        (a, b) => format!("v({a})-v({b})"),
    };
    deck.push_str(".options rshunt=1e12 reltol=1e-6 vntol=1e-9 abstol=1e-15\n");
    let _ = writeln!(deck, ".control\nset numdgt=12\nop\nprint {shown}\nquit\n.endc\n.end");
    let file = folder.path().join("meter.cir");
    std::fs::write(&file, deck).expect("the netlist can be written");
    let run = Command::new("ngspice").arg("-b").arg(&file).output();
    let run = run.expect("ngspice is missing; install it with: sudo apt-get install ngspice");
    let text = String::from_utf8_lossy(&run.stdout);
    let value = |line: &str| line.strip_prefix(&shown)?.split_once(" = ")?.1.trim().parse().ok();
    text.lines().find_map(value).unwrap_or_else(|| panic!("ngspice says nothing:\n{text}"))
}
