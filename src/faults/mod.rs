//! Every modelled defect of a board, and what the readings would be with it.
//!
//! One list serves the sequence, the coverage, the demo and diagnosis.

mod coverage;
mod sight;

pub use coverage::{By, Coverage, coverage};
pub use sight::{Views, sightings};

use crate::board::{Board, NetId, Setting};
use crate::circuit::{Circuit, Parts};
use crate::units::Ohms;

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

    /// Whether the defect sits in a part of the circuit with these nets and jumpers.
    pub fn touches(self, board: &Board, nets: &[NetId], jumpers: &[usize]) -> bool {
        let joins = |between: [NetId; 2]| between.iter().any(|n| nets.contains(n));
        match self {
            Fault::ResistorOpen { resistor } | Fault::ResistorValue { resistor, .. } => {
                joins(board.resistors[resistor].between)
            }
            Fault::ContactOpen { jumper, .. } => jumpers.contains(&jumper),
            Fault::SwitchStaysOpen { switch } | Fault::SwitchStaysClosed { switch } => {
                joins(board.switches[switch].between)
            }
        }
    }

    /// What kind of defect it is, for counting.
    pub fn class(self) -> &'static str {
        match self {
            Fault::ResistorOpen { .. } => "resistor open",
            Fault::ResistorValue { .. } => "resistor of another decade",
            Fault::ContactOpen { .. } => "shunt without contact",
            Fault::SwitchStaysOpen { .. } => "switch never closes",
            Fault::SwitchStaysClosed { .. } => "switch never opens",
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
