//! The smallest poor contact and the smallest wrong value that a sequence is sure to show, channel
//! by channel.

use super::{Fault, Views};
use crate::board::{Board, Kind, Setting};
use crate::circuit;
use crate::units::Ohms;
use crate::window::Windows;

/// What is looked for between: contacts in ohms, values as a factor.
const CONTACTS: (f64, f64) = (0.1, 1e7);
const FACTORS: (f64, f64) = (1.001, 1000.0);

/// Halvings of the logarithm: to a percent of what is found.
const HALVINGS: usize = 12;

/// What the readings of one channel are sure to show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Least {
    /// Channel index.
    pub channel: usize,
    /// From this resistance on a poor contact shows, at whichever position it is; none where some
    /// position never shows one.
    pub contact: Option<Ohms>,
    /// From this factor on a resistor that is too large shows, whichever it is; none where one
    /// never does.
    pub too_large: Option<f64>,
    /// The same of one that is too small by a factor.
    pub too_small: Option<f64>,
}

/// The least that every analog channel shows in a sequence: its settings, each with the channels
/// that are read in it.
pub fn least(
    board: &Board,
    windows: &Windows,
    looks: impl IntoIterator<Item = (Setting, Vec<usize>)>,
) -> Vec<Least> {
    let views = Views::new(board, windows, looks);
    let mut found = Vec::new();
    for (channel, c) in board.channels.iter().enumerate().filter(|(_, c)| c.kind == Kind::Analog) {
        let Some(group) = circuit::group_of(board, c.net) else { continue };
        let contacts: Vec<(usize, usize)> = group
            .jumpers
            .iter()
            .flat_map(|&j| (0..board.jumpers[j].positions.len()).map(move |p| (j, p)))
            .collect();
        let inside = |&r: &usize| board.resistors[r].between.iter().any(|n| group.nets.contains(n));
        let resistors: Vec<usize> = (0..board.resistors.len()).filter(inside).collect();
        let shows = |fault: Fault| views.surely_shows(fault);
        let contact = worst(CONTACTS, &contacts, |&(jumper, position), ohms| {
            shows(Fault::ContactResistive { jumper, position, ohms: Ohms(ohms) })
        });
        let off = |upwards: bool| {
            worst(FACTORS, &resistors, |&resistor, factor| {
                let ratio = if upwards { factor } else { 1.0 / factor };
                shows(Fault::ResistorOff { resistor, ratio })
            })
        };
        let (too_large, too_small) = (off(true), off(false));
        found.push(Least { channel, contact: contact.map(Ohms), too_large, too_small });
    }
    found
}

/// The largest of the smallest values that show, part by part; none where there is no part, or one
/// that never shows.
fn worst<P>(range: (f64, f64), parts: &[P], shows: impl Fn(&P, f64) -> bool) -> Option<f64> {
    let of = |part: &P| {
        let (mut low, mut high) = (range.0.ln(), range.1.ln());
        if !shows(part, range.1) {
            return None;
        }
        for _ in 0..HALVINGS {
            let middle = (low + high) / 2.0;
            if shows(part, middle.exp()) { high = middle } else { low = middle }
        }
        Some(high.exp())
    };
    let each: Option<Vec<f64>> = parts.iter().map(of).collect();
    each?.into_iter().reduce(f64::max)
}
