//! What a sequence of settings proves, and what it leaves to the eye and the meter.

use super::{Fault, Sighting, sightings};
use crate::board::{Board, Setting};
use crate::units::Ohms;
use crate::window::Windows;

/// What a pass means.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Coverage {
    /// Defects that show, with the first setting in which they do.
    pub seen: Vec<(Fault, Sighting)>,
    /// Defects that no reading is sure to show, with what would.
    pub unseen: Vec<(Fault, By)>,
}

/// What shows a defect that the readings do not.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum By {
    /// A look at the part.
    Look,
    /// A meter across a resistor, without power and with the shunts off; it reads this much, or
    /// less where other parts join the same nets.
    Meter {
        /// Resistor index.
        resistor: usize,
        /// Its value.
        ohms: Ohms,
    },
}

impl By {
    /// What to do, with designators and nets.
    pub fn text(self, board: &Board) -> String {
        match self {
            By::Look => "look".to_string(),
            By::Meter { resistor, ohms } => {
                let [a, b] = board.resistors[resistor].between.map(|n| board.net_name(n));
                format!("meter, power off: {a} to {b}, {ohms} or less")
            }
        }
    }
}

/// Holds every modelled defect of a board against the settings of a sequence.
pub fn coverage(board: &Board, windows: &Windows, settings: &[Setting]) -> Coverage {
    let mut coverage = Coverage::default();
    for (fault, sighting) in sightings(board, windows, settings) {
        match sighting {
            Some(sighting) => coverage.seen.push((fault, sighting)),
            None => coverage.unseen.push((fault, by(board, fault))),
        }
    }
    coverage
}

fn by(board: &Board, fault: Fault) -> By {
    match fault {
        Fault::ResistorOpen { resistor } | Fault::ResistorValue { resistor, .. } => {
            By::Meter { resistor, ohms: board.resistors[resistor].ohms }
        }
        Fault::ContactOpen { .. }
        | Fault::SwitchStaysOpen { .. }
        | Fault::SwitchStaysClosed { .. } => By::Look,
    }
}
