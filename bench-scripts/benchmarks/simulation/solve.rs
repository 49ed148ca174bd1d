//! Has ngspice solve the board with every defect, and keeps what it says.
//!
//! Only netlists go there: the program's own solver has no part in a table.

use super::tables::{self, Cluster, MAGIC, SLOPES, clusters, electrical};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::HashSet;
use std::fmt::Write as _;
use std::process::Command;
use strapwise::board::{Board, NetId, Place, Setting};
use strapwise::circuit::{Parts, SHORT_BELOW};
use strapwise::faults::{Fault, modelled};
use strapwise::units::Ohms;

/// Circuits in one run of ngspice.
const AT_ONCE: usize = 1500;

/// Pairs of defects in one cluster that are solved; of different clusters each has its own table.
const PAIRS: usize = 400;

/// Steps of the slopes: a share of a resistor, ohms of contact and of a closed switch.
const RESISTOR: f64 = 0.002;
const CONTACT: f64 = 0.1;
const SWITCH: f64 = 10.0;

/// Current of the test source, in amperes, and the resistance above which nothing drives a net.
const TEST: f64 = 1e-3;
const OPEN: f64 = 1e10;

/// Current above which a lamp is seen to glow, in amperes (common practice, no source).
const GLOWS: f64 = 0.5e-3;
/// Volts across it from which on it does: a short gives no light (common practice, no source).
const GLOWS_FROM: f64 = 1.0;

/// A net's node in one of several circuits.
pub fn node(board: &Board, net: NetId, tag: usize) -> String {
    match net {
        n if n == board.supply.ground => "0".to_string(),
        n => format!("n{}_{tag}", n.0),
    }
}

/// Everything of a unit that resists, without its supply.
pub fn elements(
    board: &Board,
    parts: &Parts,
    setting: &Setting,
    closed: &[usize],
    tag: usize,
) -> String {
    let mut text = String::new();
    let mut count = 0;
    let mut resistor = |between: [NetId; 2], ohms: f64| {
        count += 1;
        if ohms.is_finite() {
            let [a, b] = between.map(|net| node(board, net, tag));
            let _ = writeln!(text, "R{tag}_{count} {a} {b} {ohms:e}");
        }
    };
    for (r, ohms) in board.resistors.iter().zip(&parts.resistors) {
        resistor(r.between, ohms.0);
    }
    for (j, place) in setting.0.iter().enumerate() {
        if let Place::At(p) = *place {
            for &between in &board.jumpers[j].positions[p].joins {
                resistor(between, parts.contacts[j][p].0);
            }
        }
    }
    for &s in closed {
        resistor(board.switches[s].between, parts.switches[s].on.0);
    }
    for &(between, ohms) in &parts.bridges {
        resistor(between, ohms.0);
    }
    text
}

/// A batch of circuits and what is asked of them.
#[derive(Default)]
struct Deck {
    text: String,
    asked: Vec<String>,
    circuits: usize,
    found: Vec<f64>,
}

impl Deck {
    /// Adds a circuit with the supply at `volts` and the test current into a net.
    fn add(
        &mut self,
        board: &Board,
        parts: &Parts,
        setting: &Setting,
        closed: &[usize],
        volts: f64,
        into: Option<NetId>,
    ) -> usize {
        if self.circuits.is_multiple_of(AT_ONCE) {
            self.run();
        }
        self.circuits += 1;
        let tag = self.circuits;
        let node = |net: NetId| node(board, net, tag);
        let _ = writeln!(self.text, "V{tag} {} 0 {volts}", node(board.supply.net));
        self.text += &elements(board, parts, setting, closed, tag);
        if let Some(net) = into {
            let _ = writeln!(self.text, "I{tag} 0 {} {TEST:e}", node(net));
        }
        tag
    }

    fn ask(&mut self, board: &Board, net: NetId, tag: usize) {
        if net == board.supply.ground {
            // A node that is there in every circuit and carries nothing of interest.
            return self.asked.push(format!("i(v{tag})"));
        }
        // So that the node is there even where every part of it is open.
        let unique = self.asked.len();
        let _ = writeln!(self.text, "RQ{tag}_{unique} n{}_{tag} 0 1e13", net.0);
        self.asked.push(format!("v(n{}_{tag})", net.0));
    }

    fn run(&mut self) {
        if self.asked.is_empty() {
            return;
        }
        let folder = tempfile::tempdir().expect("a folder for the netlists");
        let mut deck = format!("* circuits of the board\n{}", std::mem::take(&mut self.text));
        deck.push_str(".options rshunt=1e13 reltol=1e-6 vntol=1e-9 abstol=1e-12\n");
        deck.push_str(".control\nset numdgt=12\nop\n");
        for name in &self.asked {
            let _ = writeln!(deck, "print {name}");
        }
        deck.push_str("quit\n.endc\n.end\n");
        let file = folder.path().join("circuits.cir");
        std::fs::write(&file, deck).expect("the netlists can be written");
        let run = Command::new("ngspice").arg("-b").arg(&file).output();
        let run = run.expect("ngspice is missing; install it with: sudo apt-get install ngspice");
        let text = String::from_utf8_lossy(&run.stdout);
        let before = self.found.len();
        self.found.extend(text.lines().filter_map(|line| {
            let (name, value) = line.split_once(" = ")?;
            (name.starts_with("v(") || name.starts_with("i(")).then_some(value)?.parse::<f64>().ok()
        }));
        let asked = self.asked.drain(..).count();
        assert_eq!(self.found.len() - before, asked, "ngspice answered too little:\n{text}");
        eprintln!("{} circuits", self.circuits);
    }
}

/// Writes one table's circuits down; what they come to is read in the same order afterwards.
fn write_down(board: &Board, cluster: &Cluster, faults: &[Fault], deck: &mut Deck) {
    let parts = tables::built(board, faults).parts;
    let volts = board.supply.volts.0;
    for number in 0..cluster.states(board) {
        let (setting, closed) = cluster.picked(board, number);
        let tag = deck.add(board, &parts, &setting, &closed, volts, None);
        deck.asked.push(format!("i(v{tag})"));
        for &lamp in &cluster.lamps {
            for net in board.resistors[lamp].between {
                deck.ask(board, net, tag);
            }
        }
        let mut variants = vec![parts.clone()];
        variants.extend(cluster.resistors.iter().map(|&r| {
            let mut other = parts.clone();
            other.resistors[r].0 *= 1.0 + RESISTOR;
            other
        }));
        let mut other = parts.clone();
        other.contacts.iter_mut().flatten().for_each(|c| c.0 += CONTACT);
        variants.push(other);
        variants.extend(cluster.switches.iter().map(|&s| {
            let mut other = parts.clone();
            other.switches[s].on.0 += SWITCH;
            other
        }));
        for parts in &variants {
            let tag = deck.add(board, parts, &setting, &closed, volts, None);
            for &c in &cluster.channels {
                deck.ask(board, board.channels[c].net, tag);
            }
            for &c in &cluster.channels {
                let net = board.channels[c].net;
                let tag = deck.add(board, parts, &setting, &closed, 0.0, Some(net));
                deck.ask(board, net, tag);
            }
        }
    }
}

/// Reads a table's bytes out of what ngspice found.
fn take(
    board: &Board,
    cluster: &Cluster,
    faults: &[Fault],
    found: &mut std::slice::Iter<'_, f64>,
) -> Vec<u8> {
    let parts = tables::built(board, faults).parts;
    let volts = board.supply.volts.0;
    let mut next = || *found.next().expect("as many values as were asked for");
    let mut bytes = Vec::new();
    let variants = 2 + cluster.resistors.len() + cluster.switches.len();
    for _ in 0..cluster.states(board) {
        let short = next().abs() > volts / SHORT_BELOW.0;
        let mut lit = 0u8;
        for (i, &lamp) in cluster.lamps.iter().enumerate() {
            let [a, b] = board.resistors[lamp].between.map(|net| match net {
                n if n == board.supply.ground => next() * 0.0,
                _ => next(),
            });
            let amperes = ((a - b) / parts.resistors[lamp].0).abs();
            lit |= u8::from(amperes > GLOWS && (a - b).abs() > GLOWS_FROM) << i;
        }
        bytes.extend([u8::from(short), lit]);
        // By variant, by channel: share of the supply and source.
        let solved: Vec<Vec<(f64, f64)>> = (0..variants)
            .map(|_| {
                let ratios: Vec<f64> = cluster.channels.iter().map(|_| next() / volts).collect();
                ratios.into_iter().map(|ratio| (ratio, next() / TEST)).collect()
            })
            .collect();
        for channel in 0..cluster.channels.len() {
            let node: Vec<(f64, f64)> = solved.iter().map(|v| v[channel]).collect();
            pack(cluster, &node, &mut bytes);
        }
    }
    bytes
}

fn pack(cluster: &Cluster, node: &[(f64, f64)], bytes: &mut Vec<u8>) {
    let (ratio, source) = node[0];
    if source > OPEN {
        return bytes.extend(vec![0; cluster.node_bytes()]);
    }
    bytes.extend(tables::pack_ratio(ratio));
    bytes.extend(tables::pack_source(Some(source)));
    let n = cluster.resistors.len();
    for &(r, s) in &node[1..=n] {
        bytes.extend(tables::pack_slope((r - ratio) / RESISTOR, SLOPES[0]));
        bytes.extend(tables::pack_slope((s / source).ln() / RESISTOR, SLOPES[1]));
    }
    for (i, &(r, s)) in node[n + 1..].iter().enumerate() {
        let step = if i == 0 { CONTACT } else { SWITCH };
        bytes.extend(tables::pack_slope((r - ratio) / step, SLOPES[2]));
        bytes.extend(tables::pack_slope((s - source) / step, SLOPES[3]));
    }
}

/// Every combination of defects that has a table.
fn cases(board: &Board) -> Vec<Vec<Fault>> {
    let hard: Vec<Fault> = modelled(board).into_iter().filter(electrical).collect();
    let mut cases = vec![Vec::new()];
    cases.extend(hard.iter().map(|&f| vec![f]));
    cases.extend(tables::soft(board).into_iter().flatten().map(|f| vec![f]));
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut pairs = 0;
    while pairs < PAIRS {
        let [a, b] = [0, 1].map(|_| *hard.choose(&mut rng).expect("a defect"));
        let together = clusters(board, &[a, b]).iter().any(|(_, faults)| faults.len() == 2);
        if a != b && together {
            cases.push(vec![a, b]);
            pairs += 1;
        }
    }
    cases
}

/// Solves every table and returns the file.
pub fn solve(board: &Board) -> Vec<u8> {
    tables_of(board, cases(board))
}

/// Solves the tables of some combinations of defects and returns the file.
pub fn tables_of(board: &Board, cases: Vec<Vec<Fault>>) -> Vec<u8> {
    let mut known = HashSet::new();
    let mut wanted: Vec<(Cluster, Vec<Fault>)> = Vec::new();
    for case in cases {
        for (cluster, faults) in clusters(board, &case) {
            if known.insert(tables::key(&cluster, &faults)) {
                wanted.push((cluster, faults));
            }
        }
    }
    let mut deck = Deck::default();
    for (cluster, faults) in &wanted {
        write_down(board, cluster, faults, &mut deck);
    }
    deck.run();
    let found = std::mem::take(&mut deck.found);
    let mut found = found.iter();
    let mut file = MAGIC.to_vec();
    file.extend(tables::fingerprint(board).to_le_bytes());
    for (cluster, faults) in &wanted {
        let bytes = take(board, cluster, faults, &mut found);
        file.extend(tables::key(cluster, faults).to_le_bytes());
        file.extend((bytes.len() as u32).to_le_bytes());
        file.extend(bytes);
    }
    eprintln!("{} tables, {} circuits, {} bytes", wanted.len(), deck.circuits, file.len());
    file
}

/// The largest error of the straight lines against units that ngspice solves with their parts drawn,
/// in codes of 1024 and as a share of the source resistance.
pub fn straightness(board: &Board, kept: &tables::Tables, units: usize) -> (f64, f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let (mut deck, mut drawn) = (Deck::default(), Vec::new());
    let nominal = tables::built(board, &[]).parts;
    for _ in 0..units {
        let shares: Vec<f64> = board
            .resistors
            .iter()
            .map(|r| r.tolerance.0 * if rng.random() { 1.0 } else { -1.0 })
            .collect();
        let mut parts = nominal.clone();
        for (ohms, share) in parts.resistors.iter_mut().zip(&shares) {
            *ohms = Ohms(ohms.0 * (1.0 + share));
        }
        for (cluster, _) in clusters(board, &[]) {
            let number = rng.random_range(0..cluster.states(board));
            let (setting, closed) = cluster.picked(board, number);
            for (at, &c) in cluster.channels.iter().enumerate() {
                let net = board.channels[c].net;
                let tag = deck.add(board, &parts, &setting, &closed, board.supply.volts.0, None);
                deck.ask(board, net, tag);
                let tag = deck.add(board, &parts, &setting, &closed, 0.0, Some(net));
                deck.ask(board, net, tag);
                drawn.push((cluster.clone(), number, at, shares.clone()));
            }
        }
    }
    deck.run();
    let mut worst = (0.0_f64, 0.0_f64);
    for ((cluster, number, at, shares), found) in drawn.iter().zip(deck.found.chunks_exact(2)) {
        let states = kept.states(board, cluster, &[]).expect("the table of a good unit");
        let entry = &states[*number].channels[*at];
        let Some(source) = entry.source else { continue };
        let (mut ratio, mut log) = (entry.ratio, source.ln());
        for (&r, by) in cluster.resistors.iter().zip(&entry.by_resistor) {
            ratio += by[0] * shares[r];
            log += by[1] * shares[r];
        }
        worst.0 = worst.0.max((ratio - found[0] / board.supply.volts.0).abs() * 1024.0);
        worst.1 = worst.1.max((log.exp() / (found[1] / TEST) - 1.0).abs());
    }
    worst
}
