//! Pins of different headers that lie side by side, where solder may bridge them.

use super::{Jumper, NetId};
use std::collections::BTreeMap;

/// Two pins of two headers, side by side on the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Neighbours {
    /// Jumper indices, the lower one first.
    pub jumpers: [usize; 2],
    /// The number of the pin on each of these headers.
    pub pins: [u16; 2],
    /// The nets at these pins; they may be one.
    pub nets: [NetId; 2],
}

impl Jumper {
    /// The net at each header pin that a position joins.
    pub fn pin_nets(&self) -> BTreeMap<u16, NetId> {
        let poles = self.positions.iter().flat_map(|p| p.pins.iter().zip(&p.joins));
        poles.flat_map(|(pins, joins)| pins.iter().copied().zip(joins.iter().copied())).collect()
    }
}
