//! What a sequence of settings proves, and what it leaves to the eye and the meter.

use super::effect::rail;

use super::words::told_together;
use super::{Fault, Sighting, sightings};
use crate::board::{Board, NetId, Setting};
use crate::circuit::Parts;
use crate::units::Ohms;
use crate::window::{self, Windows};
use std::collections::HashMap;

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
    /// A meter across a resistor, without power and with the shunts off: what it shows of a good
    /// unit, other parts that join the same nets included.
    Meter {
        /// Resistor index.
        resistor: usize,
        /// The least and the most, infinite where the chip between the rails bears on it.
        good: (Ohms, Ohms),
        /// Whether the supply has to be joined to ground, so that what the chip does does not
        /// matter.
        joined: bool,
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
    /// A meter from a pin's net to ground while the product runs, the shunts off: its pull-up, which is
    /// inside the chip, holds the net at the supply.
    PulledUp {
        /// The net.
        net: NetId,
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
            By::Meter { resistor, good: (low, high), joined } => {
                let between = nets(board.resistors[resistor].between);
                let joined = if joined { ", supply joined to ground" } else { "" };
                format!("meter, power off, shunts off{joined}: {between}, {low} to {high}")
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
            By::PulledUp { net } => format!(
                "meter, the product running, shunts off: {}, at the volts of {}",
                nets([net, board.supply.ground]),
                board.net_name(board.supply.net)
            ),
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
    coverage_of(board, sightings(board, windows, looks))
}

/// The same of defects that are held against a sequence already, each with where it shows.
pub fn coverage_of(board: &Board, held: Vec<(Fault, Option<Sighting>)>) -> Coverage {
    let mut coverage = Coverage::default();
    // What a meter shows across a resistor is the same for all that may be wrong with it.
    let mut known = HashMap::new();
    for (fault, sighting) in held {
        match sighting {
            Some(sighting) => coverage.seen.push((fault, sighting)),
            None => coverage.unseen.push((fault, by(board, fault, &mut known))),
        }
    }
    coverage
}

/// What a meter across a resistor shows of a good unit: resistance between two nets grows with every
/// part of it (Rayleigh), so the ends of the tolerances are the ends of what it may be.
fn across(board: &Board, resistor: usize) -> By {
    let between = board.resistors[resistor].between;
    let open = Setting::all_open(board);
    let at = |end: f64| {
        let mut parts = Parts::nominal(board);
        for (ohms, r) in parts.resistors.iter_mut().zip(&board.resistors) {
            ohms.0 *= 1.0 + end * r.tolerance.0;
        }
        window::ohms_between(board, &parts, &open, between)
    };
    let (low, high) = (at(-1.0), at(1.0));
    // Where nothing but the part lies between the nets, the lead is spared; across the rails it would
    // short the part itself.
    let rails = [board.supply.net, board.supply.ground];
    let spared = between.iter().all(|net| rails.contains(net));
    let alone = (low.1 - low.0).abs() <= 1e-9 * low.1 || spared;
    let good = if alone { (low.1, high.1) } else { (low.0, high.0) };
    By::Meter { resistor, good: (Ohms(good.0), Ohms(good.1)), joined: !alone }
}

fn by(board: &Board, fault: Fault, known: &mut HashMap<usize, By>) -> By {
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
            *known.entry(resistor).or_insert_with(|| across(board, resistor))
        }
        Fault::ContactOpen { jumper, position }
        | Fault::ContactResistive { jumper, position, .. } => {
            let joins = &board.jumpers[jumper].positions[position].joins;
            joins.first().map_or(By::Look, |&between| By::Contact { between })
        }
        Fault::PinsBridged { between, .. } | Fault::HeadersBridged { between, .. } => {
            By::Apart { between }
        }
        Fault::ChannelsBridged { channels, .. } => {
            By::Apart { between: channels.map(|c| board.channels[c].net) }
        }
        Fault::PinLeaks { channel, to, .. } => {
            let between = [board.channels[channel].net, rail(board, to)];
            let (parts, open) = (Parts::nominal(board), Setting::all_open(board));
            let (joined, _) = window::ohms_between(board, &parts, &open, between);
            By::Leak { between, ohms: Ohms(joined) }
        }
        Fault::PullUpMissing { channel } => By::PulledUp { net: board.channels[channel].net },
        _ => By::Look,
    }
}
