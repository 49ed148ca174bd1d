//! Every modelled defect of a board, and what the readings would be with it.
//!
//! One list serves the sequence, the coverage, the demo and diagnosis.

use crate::board::{Board, Kind, Place, Setting};
use crate::circuit::{Circuit, Node, Parts, pulled_up};
use crate::units::Ohms;
use crate::window::{self, Band, Expected};

/// One defect.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// A resistor is missing, cracked or not soldered.
    ResistorOpen {
        /// Resistor index.
        resistor: usize,
    },
    /// A resistor of another value is fitted.
    ResistorValue {
        /// Resistor index.
        resistor: usize,
        /// The value fitted.
        ohms: Ohms,
    },
    /// A seated shunt does not make contact.
    ContactOpen {
        /// Jumper index.
        jumper: usize,
        /// Position index.
        position: usize,
    },
    /// A switch stays open whatever its pin does.
    SwitchStaysOpen {
        /// Switch index.
        switch: usize,
    },
    /// A switch stays closed whatever its pin does.
    SwitchStaysClosed {
        /// Switch index.
        switch: usize,
    },
}

/// Where a defect shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sighting {
    /// Index of the setting in the list that was searched.
    pub step: usize,
    /// Channel index; none when a question sees it.
    pub channel: Option<usize>,
}

impl Fault {
    /// Puts the defect into the parts of a unit.
    pub fn plant(self, parts: &mut Parts) {
        match self {
            Fault::ResistorOpen { resistor } => parts.resistors[resistor] = Ohms(f64::INFINITY),
            Fault::ResistorValue { resistor, ohms } => parts.resistors[resistor] = ohms,
            Fault::ContactOpen { jumper, position } => {
                parts.contacts[jumper][position] = Ohms(f64::INFINITY);
            }
            Fault::SwitchStaysOpen { switch } => parts.switches[switch].stuck = Some(false),
            Fault::SwitchStaysClosed { switch } => parts.switches[switch].stuck = Some(true),
        }
    }

    /// The defect in a sentence, with designators.
    pub fn text(self, board: &Board) -> String {
        match self {
            Fault::ResistorOpen { resistor } => format!("{} is open", board.resistors[resistor].id),
            Fault::ResistorValue { resistor, ohms } => {
                let r = &board.resistors[resistor];
                format!("{} is {ohms} instead of {}", r.id, r.ohms)
            }
            Fault::ContactOpen { jumper, position } => {
                let j = &board.jumpers[jumper];
                format!("{} does not make contact on {}", j.id, j.positions[position].name)
            }
            Fault::SwitchStaysOpen { switch } => {
                format!("{} never closes", board.switches[switch].id)
            }
            Fault::SwitchStaysClosed { switch } => {
                format!("{} never opens", board.switches[switch].id)
            }
        }
    }
}

/// The factors of wrong values that are modelled: the neighbouring decades, mis-picked reels being
/// the commonest mistake of hand assembly (common practice, no source).
const WRONG: [f64; 2] = [0.1, 10.0];

/// Every modelled defect of a board.
pub fn modelled(board: &Board) -> Vec<Fault> {
    let mut faults = Vec::new();
    for (resistor, r) in board.resistors.iter().enumerate() {
        faults.push(Fault::ResistorOpen { resistor });
        let wrong = |f: f64| Fault::ResistorValue { resistor, ohms: Ohms(r.ohms.0 * f) };
        faults.extend(WRONG.map(wrong));
    }
    for (jumper, j) in board.jumpers.iter().enumerate() {
        faults
            .extend((0..j.positions.len()).map(|position| Fault::ContactOpen { jumper, position }));
    }
    for switch in 0..board.switches.len() {
        faults.push(Fault::SwitchStaysOpen { switch });
        faults.push(Fault::SwitchStaysClosed { switch });
    }
    faults
}

/// The first of the settings in which the readings cannot be those of a good unit, or none.
///
/// Worst case on both sides: the readings with the defect, spread as those of a good unit are, must
/// not touch what a good unit can give. A node that a defect leaves floating counts only where the
/// driven proof shows it.
pub fn sighting(board: &Board, fault: Fault, settings: &[Setting]) -> Option<Sighting> {
    let mut parts = Parts::nominal(board);
    fault.plant(&mut parts);
    for (step, setting) in settings.iter().enumerate() {
        for (channel, c) in board.channels.iter().enumerate() {
            let closed = window::expect(board, setting, channel);
            let open = window::expect_closed(board, setting, channel, &[]);
            let rests = !c.closes.is_empty() && c.kind == Kind::Analog;
            let shows = shows(board, &parts, setting, channel, &c.closes, &closed)
                || (rests && shows(board, &parts, setting, channel, &[], &open));
            if shows {
                return Some(Sighting { step, channel: Some(channel) });
            }
        }
    }
    shown_by_question(board, &parts, settings)
}

fn shows(
    board: &Board,
    parts: &Parts,
    setting: &Setting,
    channel: usize,
    closed: &[usize],
    good: &Expected,
) -> bool {
    let c = &board.channels[channel];
    if matches!(c.kind, Kind::Meter { .. }) {
        return false; // the sequence reads it by no pin
    }
    let node = Circuit::solve(board, parts, setting, closed).node(c.net);
    let Node::Driven { volts, .. } = node else {
        return c.kind == Kind::Analog
            && c.pin.pull_up
            && matches!(good.node, Node::Driven { .. })
            && !at_low_end(board, good);
    };
    if !matches!(good.node, Node::Driven { .. }) {
        return false;
    }
    let ratio = volts.0 / board.supply.volts.0;
    match c.kind {
        Kind::Meter { .. } => false,
        Kind::Digital => match good.level {
            Some(crate::board::Level::Low) => ratio > board.chip.vih.0,
            Some(crate::board::Level::High) => ratio < board.chip.vil.0,
            None => false,
        },
        Kind::Analog => {
            let code = ratio * board.chip.scale;
            let low = code - (good.code - good.bench.low).abs();
            let high = code + (good.bench.high - good.code).abs();
            low > good.bench.high || high < good.bench.low || pulled_shows(board, node, good)
        }
    }
}

/// At 0 V an open pin without pull-up looks like a good one, but not with it.
fn at_low_end(board: &Board, good: &Expected) -> bool {
    good.pulled.is_none() && good.code < 0.05 * board.chip.scale
}

fn pulled_shows(board: &Board, node: Node, good: &Expected) -> bool {
    let Some(band) = good.pulled else { return false };
    let code = |pull: Ohms| {
        pulled_up(node, board.supply.volts, pull).0 / board.supply.volts.0 * board.chip.scale
    };
    let (a, b) = (code(board.chip.pull_up.0), code(board.chip.pull_up.1));
    let faulty = Band { low: a.min(b) - 5.0, high: a.max(b) + 5.0 };
    faulty.low > band.high || faulty.high < band.low
}

/// A question sees what it asks about: lamps that should be lit or dark and are not.
fn shown_by_question(board: &Board, parts: &Parts, settings: &[Setting]) -> Option<Sighting> {
    for (step, setting) in settings.iter().enumerate() {
        for q in &board.questions {
            let holds = q.when.iter().all(|&(j, p): &(usize, Place)| setting.0[j] == p);
            let answers = !q.lit.is_empty() || !q.dark.is_empty();
            if holds && answers && answer(board, parts, setting, q) != q.expect {
                return Some(Sighting { step, channel: None });
            }
        }
    }
    None
}

/// Current above which a lamp is seen to glow, in amperes (common practice, no source).
const GLOWS: f64 = 0.5e-3;

/// The answer that an attentive person would give to a question about lit or dark lamps.
pub fn answer(
    board: &Board,
    parts: &Parts,
    setting: &Setting,
    question: &crate::board::Question,
) -> bool {
    let circuit = Circuit::solve(board, parts, setting, &question.closes);
    let glows = |&r: &usize| circuit.resistor_current(r).0.abs() > GLOWS;
    question.lit.iter().all(glows) && !question.dark.iter().any(glows)
}
