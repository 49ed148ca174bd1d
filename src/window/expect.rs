//! What a channel shows in a setting on a good unit, with everything that a good unit may do.

use super::spread::{self, bench_spread, design_spread};
use crate::board::chip::{Chip, Provenance};
use crate::board::{Board, Channel, Kind, Level, Setting};
use crate::circuit::{self, Circuit, Node, Parts, Spread};
use crate::units::Ohms;

/// A range of codes, both ends belonging to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Lowest code.
    pub low: f64,
    /// Highest code.
    pub high: f64,
}

impl Band {
    /// The smallest band that holds both.
    pub fn union(self, other: Band) -> Band {
        Band { low: self.low.min(other.low), high: self.high.max(other.high) }
    }

    /// Whether a code lies in the band.
    pub fn contains(self, code: f64) -> bool {
        self.low <= code && code <= self.high
    }

    /// Whether the bands share a code.
    pub fn overlaps(self, other: Band) -> bool {
        self.low <= other.high && other.low <= self.high
    }
}

/// What one channel shows in one setting on a good unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Expected {
    /// The net of the nominal unit, without the pin's pull-up.
    pub node: Node,
    /// Nominal code, `volts * scale / supply`, not floored, with the pull-up where the product
    /// switches it on. A floating net has the code that its pull-up would give it: the supply's.
    pub code: f64,
    /// Nominal logic level; `None` between the levels and on a floating net.
    pub level: Option<Level>,
    /// Codes that a good board can give over everything allowed in use. A digital channel: codes
    /// of its voltage as if it were converted without error. A floating net: the whole scale.
    pub design: Band,
    /// Codes that a good board can give here and now.
    pub bench: Band,
    /// Bench band with the pin's pull-up on; `None` when the pin has none.
    pub pulled: Option<Band>,
}

/// What a channel shows in a setting, with the channel's switches closed.
///
/// *Design band*: resistors at tolerance, over the temperature in use and with age; contacts from 0
/// to their largest resistance; switches over their range; the pin's leakage either way; the whole
/// supply tolerance (a ratio sees it only through drops and leakage); and the converter: offset,
/// gain, INL and DNL, typical figures doubled, and the count that truncation takes.
///
/// *Bench band*: the same with the resistors' initial tolerance and the temperatures of the bench.
/// The converter's errors are in it, so the uncertainty that a part is judged with must hold noise
/// only. The unit's supply is not known here, so all of its tolerance counts.
///
/// *Pulled band*: the bench band with the weakest to the strongest pull-up from the pin.
pub fn expect(board: &Board, setting: &Setting, channel: usize) -> Expected {
    of(board, setting, &board.channels[channel])
}

/// The same with only the switches `closed` closed, whatever the product closes.
pub fn expect_closed(
    board: &Board,
    setting: &Setting,
    channel: usize,
    closed: &[usize],
) -> Expected {
    let channel = Channel { closes: closed.to_vec(), ..board.channels[channel].clone() };
    of(board, setting, &channel)
}

fn of(board: &Board, setting: &Setting, channel: &Channel) -> Expected {
    let supply = board.supply.volts;
    let parts = Parts::nominal(board);
    let node = Circuit::solve(board, &parts, setting, &channel.closes).node(channel.net);
    let (low, high) = board.chip.pull_up;
    let typical = Ohms((low.0 * high.0).sqrt());
    let volts = match node {
        Node::Driven { volts, .. } if !channel.pull_up => volts,
        _ => circuit::pulled_up(node, supply, typical),
    };
    let code = volts.0 * board.chip.scale / supply.0;
    let floats = node == Node::Floating && !channel.pull_up;
    let level = if floats { None } else { level_of(code, &board.chip) };
    let on = channel.pull_up;
    let design = design_spread(board, on);
    let mut bands = vec![band(board, setting, channel, &design)];
    if let Some(pulled) = spread::also_pulled(board, channel) {
        // The probe reads pin by pin, the product with every pull-up on.
        let together = Spread { also_pulled: Some(pulled), ..design };
        bands.push(band(board, setting, channel, &together));
    }
    Expected {
        node,
        code,
        level,
        design: bands.into_iter().reduce(Band::union).unwrap_or(whole_scale(&board.chip)),
        bench: band(board, setting, channel, &bench_spread(board, on)),
        pulled: (channel.pin.pull_up)
            .then(|| band(board, setting, channel, &bench_spread(board, true))),
    }
}

/// The logic level of a code by the chip's input levels; `None` between them.
pub fn level_of(code: f64, chip: &Chip) -> Option<Level> {
    let ratio = code / chip.scale;
    if ratio <= chip.vil.0 {
        Some(Level::Low)
    } else if ratio >= chip.vih.0 {
        Some(Level::High)
    } else {
        None
    }
}

fn band(board: &Board, setting: &Setting, channel: &Channel, spread: &Spread) -> Band {
    let chip = &*board.chip;
    let Some((low, high)) = circuit::extremes(board, setting, &channel.closes, channel.net, spread)
    else {
        return whole_scale(chip);
    };
    let ideal = Band { low: low * chip.scale, high: high * chip.scale };
    match channel.kind {
        Kind::Digital => ideal,
        Kind::Analog => {
            let full = f64::from(chip.full_scale);
            let code = |c: f64| c.clamp(0.0, full);
            Band {
                low: code(ideal.low - converter_error(ideal.low, chip) - 1.0),
                high: code(ideal.high + converter_error(ideal.high, chip)),
            }
        }
    }
}

/// Every code there is.
pub fn whole_scale(chip: &Chip) -> Band {
    Band { low: 0.0, high: f64::from(chip.full_scale) }
}

/// Largest error of the converter at a code, in counts, without the truncation: offset, INL and
/// DNL in full, the gain error in proportion to the code.
pub fn converter_error(code: f64, chip: &Chip) -> f64 {
    let share = (code / f64::from(chip.full_scale)).clamp(0.0, 1.0);
    chip.offset.worst() + share * chip.gain.worst() + chip.inl.worst() + chip.dnl.worst()
}

/// What the bands rest on without the board file or a data-sheet limit saying so, a line each.
pub fn assumptions(board: &Board) -> Vec<String> {
    let mut lines = spread::assumptions(board);
    let chip = &*board.chip;
    let figures =
        [("offset", chip.offset), ("gain error", chip.gain), ("INL", chip.inl), ("DNL", chip.dnl)];
    for (name, figure) in figures {
        let part = &chip.part;
        match figure.from {
            Provenance::Typical => lines.push(format!(
                "{name} of the {part} up to {} LSB: twice its typical figure (assumed)",
                figure.worst()
            )),
            Provenance::Assumed => {
                lines.push(format!("{name} of the {part} up to {} LSB (assumed)", figure.worst()))
            }
            Provenance::Max => {}
        }
    }
    lines
}
