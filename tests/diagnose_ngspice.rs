//! What a faulted board's pins see, against ngspice with the same defect in its netlist.

mod bench_support;

use bench_support::vent_controller;
use std::fmt::Write as _;
use std::process::Command;
use strapwise::board::{Board, NetId, Setting};
use strapwise::circuit::Node;
use strapwise::faults::{Built, Fault, modelled};
use strapwise::walk;
use strapwise::window;

/// Elements of a faulted unit in a setting, written down from the board file and the defect: what
/// is planted here owes nothing to the program's own way of planting it, but for the seat of
/// shunts that are counted wrongly.
fn netlist(board: &Board, fault: Fault, meant: &Setting, closed: &[usize], tag: usize) -> String {
    let node = |net: NetId| match net {
        n if n == board.supply.ground => "0".to_string(),
        n => format!("n{}_{tag}", n.0),
    };
    let mut out = String::new();
    let supply = board.supply.volts.0;
    writeln!(out, "V{tag} {} 0 {supply}", node(board.supply.net)).unwrap();
    let mut count = 0;
    let mut element = |between: [NetId; 2], ohms: f64| {
        count += 1;
        let [a, b] = between.map(node);
        writeln!(out, "R{tag}_{count} {a} {b} {ohms:e}").unwrap();
    };
    for (i, r) in board.resistors.iter().enumerate() {
        let ohms = match fault {
            Fault::ResistorOpen { resistor } if resistor == i => continue,
            Fault::ResistorShorted { resistor } if resistor == i => 0.02,
            Fault::ResistorValue { resistor, ohms } if resistor == i => ohms.0,
            Fault::ResistorOff { resistor, ratio } if resistor == i => r.ohms.0 * ratio,
            Fault::ResistorsSwapped { resistors: [a, b] } if a == i => board.resistors[b].ohms.0,
            Fault::ResistorsSwapped { resistors: [a, b] } if b == i => board.resistors[a].ohms.0,
            _ => r.ohms.0,
        };
        element(r.between, ohms);
    }
    let seat = Built::with(board, fault).seat(board, meant);
    for (j, place) in seat.0.iter().enumerate() {
        let strapwise::board::Place::At(p) = *place else { continue };
        let ohms = match fault {
            Fault::ContactOpen { jumper, position } if (jumper, position) == (j, p) => continue,
            Fault::ContactResistive { jumper, position, ohms } if (jumper, position) == (j, p) => {
                ohms.0
            }
            _ => 0.02,
        };
        for &between in &board.jumpers[j].positions[p].joins {
            element(between, ohms);
        }
    }
    for (s, switch) in board.switches.iter().enumerate() {
        let is_closed = match fault {
            Fault::SwitchStaysOpen { switch } if switch == s => false,
            Fault::SwitchStaysClosed { switch } if switch == s => true,
            _ => closed.contains(&s),
        };
        if is_closed {
            element(switch.between, (switch.on.0.0 * switch.on.1.0).sqrt());
        }
    }
    match fault {
        Fault::PinsBridged { between, ohms, .. } | Fault::HeadersBridged { between, ohms, .. } => {
            element(between, ohms.0);
        }
        Fault::ChannelsBridged { channels: [a, b], ohms } => {
            element([board.channels[a].net, board.channels[b].net], ohms.0);
        }
        Fault::PinLeaks { channel, to, ohms } => {
            let rail = match to {
                strapwise::board::Level::High => board.supply.net,
                strapwise::board::Level::Low => board.supply.ground,
            };
            element([board.channels[channel].net, rail], ohms.0);
        }
        Fault::SecondShunt { jumper, position } => {
            for &between in &board.jumpers[jumper].positions[position].joins {
                element(between, 0.02);
            }
        }
        _ => {}
    }
    out
}

#[test]
fn every_defect_of_the_demo_s_board_shows_what_ngspice_says() {
    let board = vent_controller();
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let mut deck = String::new();
    let mut asked: Vec<(String, f64, String)> = Vec::new();
    let mut compared = 0;
    let mut tag = 0;
    // In every setting some of the defects, so that each meets several settings.
    for (i, fault) in modelled(&board).into_iter().enumerate() {
        for (s, step) in walk.steps.iter().enumerate().filter(|(s, _)| (s + i) % 4 == 0) {
            let built = Built::with(&board, fault);
            let closed: &[usize] = if (i + s) % 2 == 0 { &[0] } else { &[] };
            if built.shorts(&board, &step.setting, closed) {
                continue;
            }
            deck += &netlist(&board, fault, &step.setting, closed, tag);
            for (channel, c) in board.channels.iter().enumerate() {
                // The net is asked for: what a bad joint makes of it is no circuit.
                let mut sound = built.clone();
                sound.joints[channel] = Default::default();
                if let Node::Driven { volts, .. } =
                    sound.node(&board, &step.setting, closed, channel)
                {
                    let name = format!("v(n{}_{tag})", c.net.0);
                    let text = format!("{} {}", fault.text(&board), step.setting.text(&board));
                    asked.push((name, volts.0, text));
                }
            }
            tag += 1;
        }
        // Not all in one circuit: what floats in one unit makes ngspice slow in all.
        if i % 40 == 39 {
            compared += compare(&std::mem::take(&mut deck), &std::mem::take(&mut asked));
        }
    }
    compared += compare(&deck, &asked);
    assert!(compared > 3000, "{compared} voltages");
}

fn compare(deck: &str, asked: &[(String, f64, String)]) -> usize {
    let simulated = simulate(deck, asked);
    for ((name, ours, text), theirs) in asked.iter().zip(simulated) {
        let close = 1e-6 * theirs.abs() + 2e-6;
        assert!((ours - theirs).abs() <= close, "{name} {text}: {ours}, ngspice {theirs}");
    }
    asked.len()
}

fn simulate(deck: &str, asked: &[(String, f64, String)]) -> Vec<f64> {
    let folder = tempfile::tempdir().unwrap();
    let mut deck = format!("* faulted boards\n{deck}");
    // Floating nets make the matrix singular: a shunt of 1e-12 S to ground holds them.
    deck.push_str(".options rshunt=1e12 reltol=1e-9 vntol=1e-12 abstol=1e-15 gmin=1e-18\n");
    deck.push_str(".control\nset numdgt=12\nop\n");
    for (name, _, _) in asked {
        writeln!(deck, "print {name}").unwrap();
    }
    deck.push_str("quit\n.endc\n.end\n");
    let file = folder.path().join("faulted.cir");
    std::fs::write(&file, deck).unwrap();
    let run = Command::new("ngspice").arg("-b").arg(&file).output();
    let run = run.expect("ngspice is missing; install it with: sudo apt-get install ngspice");
    let text = String::from_utf8_lossy(&run.stdout);
    let value = |line: &str| line.split_once(" = ")?.1.parse().ok();
    let found: Vec<f64> = text.lines().filter(|l| l.starts_with("v(")).filter_map(value).collect();
    let complaint = String::from_utf8_lossy(&run.stderr);
    assert_eq!(found.len(), asked.len(), "ngspice answered too little: {complaint}");
    found
}
