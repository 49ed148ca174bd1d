//! Units read as the bench reads them, without the bench: quick enough for thousands.
//!
//! The world shares the solver with the program, but not what the diagnosis assumes of readings:
//! tolerances are uniform, codes are floored, the converter has offset, gain and a bow, pins have
//! pull-ups of their own, and an open pin shows what the pin before left on it.

#![allow(dead_code)]

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use strapwise::board::{Board, Kind, Setting};
use strapwise::circuit::{Node, Parts};
use strapwise::diagnose::{Evidence, Proof, Read, Reading};
use strapwise::faults::{Built, Fault, answer};
use strapwise::units::{Ohms, Volts};
use strapwise::walk::Walk;
use strapwise::window::expect;

/// The parts of a unit as they came from the reel.
pub fn parts(board: &Board, rng: &mut ChaCha8Rng) -> Parts {
    let mut parts = Parts::nominal(board);
    for (ohms, r) in parts.resistors.iter_mut().zip(&board.resistors) {
        *ohms = Ohms(r.ohms.0 * (1.0 + r.tolerance.0 * rng.random_range(-1.0..1.0)));
    }
    for contact in parts.contacts.iter_mut().flatten() {
        *contact = Ohms(rng.random_range(0.01..0.04));
    }
    parts
}

/// A unit's converter and pull-ups.
pub struct Chip {
    offset: f64,
    gain: f64,
    bow: f64,
    noise: f64,
    pull: Vec<f64>,
}

impl Chip {
    pub fn draw(board: &Board, rng: &mut ChaCha8Rng) -> Chip {
        let pull = rng.random_range(22e3..48e3);
        let pin = |_: &_| pull * (1.0 + rng.random_range(-0.06..0.06));
        let pull = board.channels.iter().map(pin).collect();
        Chip {
            offset: rng.random_range(-1.5..1.5),
            gain: rng.random_range(-1.5..1.5),
            bow: rng.random_range(-0.6..0.6),
            noise: 0.5,
            pull,
        }
    }

    /// Mean of many conversions of a ratio to the supply.
    fn mean(&self, board: &Board, ratio: f64, rng: &mut ChaCha8Rng) -> f64 {
        let full = f64::from(board.chip.full_scale);
        let bow = self.bow * (std::f64::consts::PI * ratio).sin();
        let ideal = board.chip.scale * ratio + self.offset + self.gain * ratio + bow;
        let one = |rng: &mut ChaCha8Rng| {
            // The sum of twelve uniform figures is near enough to normal.
            let gauss: f64 = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
            (ideal + self.noise * gauss).floor().clamp(0.0, full)
        };
        (0..64).map(|_| one(rng)).sum::<f64>() / 64.0
    }
}

/// Everything that a sequence reads of a unit.
pub fn evidence(board: &Board, walk: &Walk, built: &Built, rng: &mut ChaCha8Rng) -> Evidence {
    let chip = Chip::draw(board, rng);
    let mut evidence = Evidence::default();
    let mut left = 0.5;
    for (i, step) in walk.steps.iter().enumerate() {
        // The unit goes down, and its record ends there.
        if built.shorts(board, &step.setting, &[]) {
            return evidence;
        }
        for &channel in &step.reads {
            let c = &board.channels[channel];
            let mut take = |closed: &[usize]| {
                let node = built.node(board, &step.setting, closed, channel);
                let (read, proof) = match c.kind {
                    Kind::Meter { .. } => return,
                    Kind::Digital => {
                        digital(board, &chip, built, channel, &step.setting, node, rng)
                    }
                    Kind::Analog => analog(board, &chip, channel, node, &mut left, rng),
                };
                evidence.readings.push(Reading {
                    step: i as u64 + 1,
                    setting: step.setting.clone(),
                    closed: closed.to_vec(),
                    channel,
                    read,
                    proof,
                });
            };
            take(&c.closes);
            if !c.closes.is_empty() && c.kind == Kind::Analog {
                take(&[]);
            }
        }
        for (q, question) in board.questions.iter().enumerate() {
            let asked = evidence.answers.iter().any(|(_, asked, _)| *asked == q);
            let holds = question.when.iter().all(|&(j, p)| step.setting.0[j] == p);
            if holds && !asked {
                let yes = answer(board, built, &step.setting, question);
                evidence.answers.push((step.setting.clone(), q, yes));
            }
        }
    }
    for (load, l) in board.loads.iter().enumerate() {
        let (least, most) = l.sag;
        let sag = match () {
            () if built.dead_loads.contains(&load) => 0.0,
            () if built.shorted_loads.contains(&load) => most.0 * 5.0,
            () => (least.0 + most.0) / 2.0,
        };
        evidence.loads.push((load, Volts(sag)));
    }
    evidence
}

fn analog(
    board: &Board,
    chip: &Chip,
    channel: usize,
    node: Node,
    left: &mut f64,
    rng: &mut ChaCha8Rng,
) -> (Read, Proof) {
    let pin = &board.channels[channel].pin;
    let (ratio, pulled) = match node {
        Node::Floating => ((*left + rng.random_range(-0.02..0.02)).clamp(0.0, 1.0), 1.0),
        Node::Driven { volts, source } => {
            let ratio = volts.0 / board.supply.volts.0;
            let x = source.0 / chip.pull[channel];
            (ratio, (ratio + x) / (1.0 + x))
        }
    };
    *left = ratio;
    let mean = chip.mean(board, ratio, rng);
    let pulled = pin.pull_up.then(|| chip.mean(board, pulled, rng));
    let full = f64::from(board.chip.full_scale);
    let proof = match node {
        Node::Floating => Proof::Open,
        Node::Driven { .. } if mean > 0.05 * full => Proof::Driven,
        Node::Driven { .. } if pulled.is_some_and(|p| p < 0.95 * full) => Proof::Driven,
        Node::Driven { .. } => Proof::NotShown,
    };
    (Read::Code { mean, sd: chip.noise, n: 961.0, pulled }, proof)
}

fn digital(
    board: &Board,
    chip: &Chip,
    built: &Built,
    channel: usize,
    setting: &Setting,
    node: Node,
    rng: &mut ChaCha8Rng,
) -> (Read, Proof) {
    let c = &board.channels[channel];
    let supply = board.supply.volts.0;
    let pulls = c.pull_up && !built.no_pull_up.contains(&channel);
    let ratio = |pulled: bool| match node {
        Node::Floating if pulled => Some(1.0),
        Node::Floating => None,
        Node::Driven { volts, source } => {
            let x = if pulled { source.0 / chip.pull[channel] } else { 0.0 };
            Some((volts.0 / supply + x) / (1.0 + x))
        }
    };
    let middle = (board.chip.vil.0 + board.chip.vih.0) / 2.0;
    let high = |r: Option<f64>| r.map_or_else(|| None, |r| Some(r > middle));
    let ones = high(ratio(pulls)).unwrap_or_else(|| rng.random());
    let expected = expect(board, setting, channel);
    let proof = match (ones, node) {
        (false, _) if c.pin.pull_up && high(ratio(true)) == Some(false) => Proof::Driven,
        (false, Node::Floating) if c.pin.pull_up && !expected.gives_way(&board.chip) => Proof::Open,
        (true, Node::Driven { .. }) if c.discharge => Proof::Driven,
        (true, Node::Floating) if c.discharge => Proof::Open,
        _ => Proof::NotShown,
    };
    (Read::Level { ones: if ones { 1.0 } else { 0.0 } }, proof)
}

/// A unit with these defects, its good parts drawn.
pub fn unit(board: &Board, faults: &[Fault], rng: &mut ChaCha8Rng) -> Built {
    let mut built = Built::good(board, parts(board, rng));
    faults.iter().for_each(|&f| built.plant(board, f));
    built
}
