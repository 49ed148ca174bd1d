//! What a sequence of settings proves, and what it leaves to the eye and the meter.

use super::effect::rail;
use super::words::told_together;
use super::{Fault, Sighting, sightings};
use crate::board::{Board, NetId, Setting};
use crate::circuit::Parts;
use crate::units::Ohms;
use crate::window::{self, Windows};

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
    /// A meter across a seated shunt, without power: next to nothing.
    Contact {
        /// The nets that it joins.
        between: [NetId; 2],
    },
    /// A meter between two nets that no part joins directly, without power and with the shunts off:
    /// more than a bridge of solder.
    Apart {
        /// The nets.
        between: [NetId; 2],
    },
    /// A meter from a net to a rail, without power, with the shunts off and the supply joined to
    /// ground: a leak makes it less.
    Leak {
        /// The nets.
        between: [NetId; 2],
        /// What a good unit shows; infinite where nothing joins them.
        ohms: Ohms,
    },
    /// The maker has accepted it: the entry of the board file, by index.
    Accepted(usize),
}

impl Coverage {
    /// The defects that no reading is sure to show, in words, those together that one look or one
    /// measurement shows: what shows them, then the defects.
    pub fn unseen_in_words(&self, board: &Board) -> Vec<(String, String)> {
        let found = self.unseen_together(board).into_iter();
        found.map(|(by, faults)| (by, told_together(board, &faults))).collect()
    }

    /// The same, what shows them in words and the defects as they are.
    pub fn unseen_together(&self, board: &Board) -> Vec<(String, Vec<Fault>)> {
        let mut found: Vec<(String, Vec<Fault>)> = Vec::new();
        for &(fault, by) in &self.unseen {
            let by = by.text(board);
            match found.iter_mut().find(|(known, _)| *known == by) {
                Some((_, faults)) => faults.push(fault),
                None => found.push((by, vec![fault])),
            }
        }
        found
    }
}

impl By {
    /// What to do, with designators and nets.
    pub fn text(self, board: &Board) -> String {
        let nets = |between: [NetId; 2]| {
            let [a, b] = between.map(|n| board.net_name(n));
            format!("{a} to {b}")
        };
        match self {
            By::Look => "look".to_string(),
            By::Meter { resistor, ohms } => {
                let between = nets(board.resistors[resistor].between);
                format!("meter, power off: {between}, {ohms} or less")
            }
            By::Contact { between } => {
                format!("meter, power off, shunt on: {}, under 1 ohm", nets(between))
            }
            By::Leak { between, ohms } if ohms.0.is_finite() => {
                let between = nets(between);
                format!(
                    "meter, power off, shunts off, supply joined to ground: {between}, {ohms}, \
                     less with a leak"
                )
            }
            By::Leak { between, .. } => {
                let between = nets(between);
                format!("meter, power off, shunts off: {between}, over 1 MΩ")
            }
            By::Accepted(entry) => format!("accepted: {}", board.accepted[entry].reason),
            By::Apart { between } => {
                format!("meter, power off, shunts off: {}, over 1 ohm", nets(between))
            }
        }
    }
}

/// Holds every modelled defect of a board against a sequence: its settings, each with the channels
/// that are read in it.
pub fn coverage(
    board: &Board,
    windows: &Windows,
    looks: impl IntoIterator<Item = (Setting, Vec<usize>)>,
) -> Coverage {
    let mut coverage = Coverage::default();
    for (fault, sighting) in sightings(board, windows, looks) {
        match sighting {
            Some(sighting) => coverage.seen.push((fault, sighting)),
            None => coverage.unseen.push((fault, by(board, fault))),
        }
    }
    coverage
}

fn by(board: &Board, fault: Fault) -> By {
    let accepted = board.accepted.iter().position(|a| {
        let parts = fault.parts();
        let named = parts.iter().all(|p| a.parts.contains(p));
        named && !parts.is_empty() && a.defects.contains(&fault.class())
    });
    if let Some(entry) = accepted {
        return By::Accepted(entry);
    }
    match fault {
        Fault::ResistorOpen { resistor }
        | Fault::ResistorShorted { resistor }
        | Fault::ResistorValue { resistor, .. }
        | Fault::ResistorOff { resistor, .. }
        | Fault::ResistorsSwapped { resistors: [resistor, _] } => {
            By::Meter { resistor, ohms: board.resistors[resistor].ohms }
        }
        Fault::ContactOpen { jumper, position }
        | Fault::ContactResistive { jumper, position, .. } => {
            let joins = &board.jumpers[jumper].positions[position].joins;
            joins.first().map_or(By::Look, |&between| By::Contact { between })
        }
        Fault::PinsBridged { between, .. } => By::Apart { between },
        Fault::ChannelsBridged { channels, .. } => {
            By::Apart { between: channels.map(|c| board.channels[c].net) }
        }
        Fault::PinLeaks { channel, to, .. } => {
            let between = [board.channels[channel].net, rail(board, to)];
            let (parts, open) = (Parts::nominal(board), Setting::all_open(board));
            let (joined, _) = window::ohms_between(board, &parts, &open, between);
            By::Leak { between, ohms: Ohms(joined) }
        }
        _ => By::Look,
    }
}
