//! What a channel shows in a setting on a good unit, with everything that a good unit may do.

use super::converter::{self, whole_scale};
use super::spread::{self, bench_spread, design_spread};
use super::{adc, notes, ohms, settle};
use crate::board::chip::Chip;
use crate::board::{Board, Channel, Kind, Level, Setting};
use crate::circuit::{self, Circuit, Node, Parts, Spread};
use crate::units::{Ohms, Volts};

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
    /// Nominal code, `volts * scale / reference`, not floored and not held within the scale, with
    /// the pull-up where the product switches it on. A floating net has the code that its pull-up
    /// would give it: the supply's. A digital channel: of the supply.
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

impl Expected {
    /// Whether the pin's own pull-up may lift the net of a good unit above the highest low level:
    /// a pull-down weaker than the pull-up gives way to it.
    pub fn gives_way(&self, chip: &Chip) -> bool {
        self.pulled.is_some_and(|band| band.high > chip.vil.0 * chip.scale)
    }
}

/// What a channel shows in a setting, with the channel's switches closed.
///
/// *Design band*: resistors at tolerance, over the temperature in use and with age; contacts from 0
/// to their largest resistance; switches over their range; the pin's leakage either way; the whole
/// supply tolerance (a ratio sees it only through drops and leakage); and the converter: its
/// errors, typical figures doubled, the count that truncation takes, its reference where that is
/// fixed, and what it keeps of the channel read before.
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

/// The same for the bench alone: the bench band stands in the place of the design band, which takes
/// time to work out.
pub fn expect_on_bench(
    board: &Board,
    setting: &Setting,
    channel: usize,
    closed: &[usize],
) -> Expected {
    let channel = Channel { closes: closed.to_vec(), ..board.channels[channel].clone() };
    let found = on_bench(board, setting, &channel);
    Expected { design: found.bench, ..found }
}

fn of(board: &Board, setting: &Setting, channel: &Channel) -> Expected {
    if let Kind::Meter { against, meter } = channel.kind {
        return ohms::expected(board, setting, [channel.net, against], &meter);
    }
    let settling = settle::settling(board, setting, channel);
    let spread = design_spread(board, channel.pull_up);
    let mut design = band(board, setting, channel, &spread);
    if let Some(pulled) = spread::also_pulled(board, channel) {
        // The probe reads pin by pin, the product with every pull-up on.
        let together = Spread { also_pulled: Some(pulled), ..spread };
        design = design.union(band(board, setting, channel, &together));
    }
    let design = converter::unsettled(board, design, settling);
    Expected { design, ..on_bench(board, setting, channel) }
}

/// All but the design band.
fn on_bench(board: &Board, setting: &Setting, channel: &Channel) -> Expected {
    if let Kind::Meter { against, meter } = channel.kind {
        return ohms::expected(board, setting, [channel.net, against], &meter);
    }
    let parts = Parts::nominal(board);
    let node = Circuit::solve(board, &parts, setting, &channel.closes).node(channel.net);
    let volts = nominal_volts(board, channel, node);
    let of_supply = volts.0 * board.chip.scale / board.supply.volts.0;
    let code = match channel.kind {
        Kind::Digital | Kind::Meter { .. } => of_supply,
        Kind::Analog => adc::code_at(volts, board),
    };
    let floats = node == Node::Floating && !channel.pull_up;
    let level = if floats { None } else { level_of(of_supply, &board.chip) };
    let on = channel.pull_up;
    Expected {
        node,
        code,
        level,
        design: whole_scale(&board.chip),
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
    match channel.kind {
        // Input levels are shares of the supply, whatever the converter refers to. A meter has
        // bands of its own.
        Kind::Digital | Kind::Meter { .. } => {
            let net = channel.net;
            let scale = board.chip.scale;
            circuit::extremes(board, setting, &channel.closes, net, spread)
                .map(|(low, high)| Band { low: low * scale, high: high * scale })
        }
        Kind::Analog => converter::ideal(board, setting, channel, spread)
            .map(|ideal| converter::read(board, ideal)),
    }
    .unwrap_or_else(|| whole_scale(&board.chip))
}

/// Voltage at the pin of the nominal unit, with the pull-up where the product switches it on. A
/// floating net has what its pull-up would give it: the supply.
pub(super) fn nominal_volts(board: &Board, channel: &Channel, node: Node) -> Volts {
    match node {
        Node::Driven { volts, .. } if !channel.pull_up => volts,
        _ => {
            let (low, high) = board.chip.pull_up;
            circuit::pulled_up(node, board.supply.volts, Ohms((low.0 * high.0).sqrt()))
        }
    }
}

/// What the bands rest on without the board file or a data-sheet limit saying so, a line each.
pub fn assumptions(board: &Board) -> Vec<String> {
    let mut lines = spread::assumptions(board);
    lines.extend(notes::of_the_chip(board));
    lines
}
