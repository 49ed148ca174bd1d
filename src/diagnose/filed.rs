//! What rows of a record say of the board file outright: the chip, the pin that a channel was read at,
//! the supply that fed the unit.

use crate::board::{Board, Kind};
use crate::record::{Row, RowKind};
use crate::units::Volts;

/// How far beyond the tolerance of the supply its volts may lie, as a share, and still be those of
/// the board file: the chip's own reference is good for some 9 % (advice of our own).
const BEYOND: f64 = 0.15;

/// An entry of the board file that rows contradict.
#[derive(Clone, Debug, PartialEq)]
pub enum Filed {
    /// A channel was read at another pin.
    Pin {
        /// Channel index.
        channel: usize,
        /// The pin that it was read at.
        pin: String,
    },
    /// The supply is another.
    Supply {
        /// As the test read it.
        volts: Volts,
    },
}

impl Filed {
    /// What a row says, if anything.
    pub(super) fn of(board: &Board, row: &Row) -> Option<Filed> {
        match row.row {
            RowKind::Check => {
                let channel = board.channel(&row.channel)?;
                let c = &board.channels[channel];
                let by_probe = !matches!(c.kind, Kind::Meter { .. });
                let other = by_probe && !row.pin.is_empty() && row.pin != c.pin.name;
                other.then(|| Filed::Pin { channel, pin: row.pin.chars().take(20).collect() })
            }
            RowKind::Volts => {
                let volts = Volts(row.supply_mv? / 1000.0);
                far_off(board, volts).then_some(Filed::Supply { volts })
            }
            _ => None,
        }
    }

    /// What is said, and what to do.
    pub fn text(&self, board: &Board) -> String {
        match self {
            Filed::Pin { channel, pin } => {
                let c = &board.channels[*channel];
                format!(
                    "{} was read at {pin}, the board file has it at {}: correct its pin there, or \
                     test the unit again by this file",
                    c.id, c.pin.name
                )
            }
            Filed::Supply { volts } => format!(
                "{}: correct its volts there, or look at what fed the unit",
                other_supply(board, *volts)
            ),
        }
    }
}

/// Whether volts are none that the board file's supply, read as roughly as a chip does, may have.
pub fn far_off(board: &Board, volts: Volts) -> bool {
    let supply = &board.supply;
    (volts.0 / supply.volts.0 - 1.0).abs() > supply.tolerance.0 + BEYOND
}

fn other_supply(board: &Board, volts: Volts) -> String {
    let (supply, volts) = (&board.supply, Volts((volts.0 * 100.0).round() / 100.0));
    format!(
        "the supply was at {volts}, the board file has {}, give or take {:.0} %",
        supply.volts,
        100.0 * supply.tolerance.0
    )
}

/// Why a row is of no unit of this board: its chip is another.
pub fn other_chip(board: &Board, row: &Row) -> Option<String> {
    let (is, should) = (row.head.chip.as_str(), board.chip.part.as_ref());
    let is: String = is.chars().filter(|c| !c.is_control()).take(40).collect();
    (!is.is_empty() && is != should)
        .then(|| format!("it is of chip {is}, the board file of {should}"))
}
