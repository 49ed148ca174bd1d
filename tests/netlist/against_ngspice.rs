//! ngspice and the board read the same generated file, sources and all; their voltages agree.

use super::read;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::process::Command;
use strapwise::board::{NetId, Setting};
use strapwise::circuit::{Circuit, Node, Parts};

const NETWORKS: usize = 60;

/// A netlist of resistors in many spellings, voltage sources to ground and between nets, and
/// current sources.
fn netlist(rng: &mut ChaCha8Rng) -> String {
    let nets = rng.random_range(3..9);
    let name = |n: usize| match n {
        0 => "0".to_string(),
        1 => "vcc".to_string(),
        n => format!("N{n}"),
    };
    let mut text = String::from("* generated\nV1 VCC 0 DC 5\n");
    // Every net hangs on the ones before it, so that none floats.
    for n in 2..nets {
        let other = rng.random_range(0..n);
        text += &format!("R{n} {} {} {}\n", name(n), name(other), value(rng));
    }
    for r in 0..rng.random_range(nets..3 * nets) {
        let (a, b) = (rng.random_range(0..nets), rng.random_range(0..nets));
        if a != b {
            text += &format!("R{r}x {}\n+ {} {}\n", name(a), name(b), value(rng));
        }
    }
    let source = rng.random_range(2..nets);
    let against = [0, 1, source - 1][rng.random_range(0..3_usize)];
    text += &format!("V2 {} {} {:.3}\n", name(source), name(against), rng.random_range(-9.0..9.0));
    let (from, to) = (rng.random_range(0..nets), rng.random_range(2..nets));
    if from != to {
        text += &format!("I1 {} {} {:.4}m\n", name(from), name(to), rng.random_range(-2.0..2.0));
    }
    text
}

fn value(rng: &mut ChaCha8Rng) -> String {
    let digits = rng.random_range(1.0..999.0);
    let suffix = ["", "k", "K", "kOhm", "e3", "meg", "MEG"][rng.random_range(0..7_usize)];
    match suffix {
        "meg" | "MEG" => format!("{:.3}{suffix}", digits / 100.0),
        _ => format!("{digits:.2}{suffix}"),
    }
}

const BOARD: &str = r#"format = 1
[board]
name = "same-file"
revision = "A"
chip = "atmega328p"
[supply]
net = "vcc"
ground = "gnd"
volts = "5V"
tolerance = "5%"
source = "bench supply"
aref = "capacitor"
[delivery]
[netlist]
file = "board.cir"
tolerance = "1%"
[[channel]]
id = "N2"
net = "n2"
pin = "PC0"
kind = "analog"
"#;

#[test]
fn sixty_generated_netlists_with_further_sources_read_as_ngspice_reads_them() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let folder = tempfile::tempdir().unwrap();
    let mut compared = 0;
    for _ in 0..NETWORKS {
        let netlist = netlist(&mut rng);
        let board = read(BOARD, &[("board.cir", &netlist)]).unwrap_or_else(|e| panic!("{e}"));
        let circuit = Circuit::solve(&board, &Parts::nominal(&board), &Setting(vec![]), &[]);
        let nets: Vec<NetId> = (2..board.nets.len()).map(NetId).collect();
        let theirs = ngspice(folder.path(), &netlist, &board.nets[2..]);
        for (&net, theirs) in nets.iter().zip(theirs) {
            let Node::Driven { volts, .. } = circuit.node(net) else {
                panic!("{} floats in\n{netlist}", board.net_name(net));
            };
            let close = 1e-6 * theirs.abs() + 1e-6;
            let name = board.net_name(net);
            assert!((volts.0 - theirs).abs() < close, "{name}: {volts} {theirs}\n{netlist}");
            compared += 1;
        }
    }
    assert!(compared > 150, "{compared}");
}

/// The voltages of nets at the operating point.
fn ngspice(folder: &std::path::Path, netlist: &str, nets: &[String]) -> Vec<f64> {
    let mut deck = netlist.to_string();
    deck += ".options reltol=1e-9 vntol=1e-12 abstol=1e-15 gmin=1e-18\n";
    deck += ".control\nset numdgt=12\nop\n";
    for net in nets {
        deck += &format!("print v({})\n", net.to_lowercase());
    }
    deck += "quit\n.endc\n.end\n";
    let file = folder.join("board.cir");
    std::fs::write(&file, deck).unwrap();
    let run = Command::new("ngspice").arg("-b").arg(&file).output();
    let run = run.expect("ngspice is missing; install it with: sudo apt-get install ngspice");
    let text = String::from_utf8_lossy(&run.stdout);
    let found: Vec<f64> = text
        .lines()
        .filter(|line| line.starts_with("v("))
        .filter_map(|line| line.split_once(" = ")?.1.parse().ok())
        .collect();
    assert_eq!(found.len(), nets.len(), "{text}{}", String::from_utf8_lossy(&run.stderr));
    found
}
