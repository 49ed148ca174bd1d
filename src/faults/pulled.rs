//! Whether the reading with the pin's pull-up on shows a defect.

use super::good::{Good, Widths};
use super::sight::{Shows, beyond, clear, code};
use crate::board::Board;
use crate::circuit::{Node, pulled_up};
use crate::units::{Ohms, Volts};
use crate::window::Band;

/// Codes that the nominal faulty unit with the pull-up on must lie beyond the band, over the
/// pull-up's own range, to be looked at more closely.
const PULLED_APART: f64 = 5.0;

/// Whether the reading with the pull-up on shows a defect: first by the nominal faulty unit over the
/// pull-up's range, then with its parts spread.
pub(super) fn pulled_shows(
    board: &Board,
    node: Node,
    good: &Good,
    most: f64,
    widths: &dyn Fn() -> Widths,
) -> Shows {
    let Some(band) = good.expected.pulled else { return Shows::No };
    let pulled = |pull: Ohms| code(board, pulled_up(node, board.supply.volts, pull));
    let (a, b) = (pulled(board.chip.pull_up.0), pulled(board.chip.pull_up.1));
    let nominal = Band { low: a.min(b) - PULLED_APART, high: a.max(b) + PULLED_APART };
    if nominal.overlaps(band) {
        return Shows::No;
    }
    match pulled_apart(board, node, good, band, Widths::all(most)) {
        Shows::Yes => Shows::Yes,
        _ => pulled_apart(board, node, good, band, widths()),
    }
}

/// As with the pull-up off: what of a good unit's band its tolerances do not explain comes from
/// elsewhere, and the faulty unit has it too; its pin may leak through more.
fn pulled_apart(board: &Board, node: Node, good: &Good, band: Band, widths: Widths) -> Shows {
    let (strong, weak) = board.chip.pull_up;
    let ends = |node: Node, widths: Widths| {
        let both = [strong, weak].map(|p| code(board, pulled_up(node, board.supply.volts, p)));
        let end = |sign: f64| [0, 1].map(|i| both[i] + sign * widths.on[i]);
        let (low, high) = (end(-1.0), end(1.0));
        Band { low: low[0].min(low[1]), high: high[0].max(high[1]) }
    };
    let known = ends(good.expected.node, good.widths);
    let (under, over) = (known.low - band.low, band.high - known.high);
    // An end of the scale, or of what of it is usable, says nothing of that side.
    let (under, over) = match (band.low <= 0.0, band.high >= good.top) {
        (true, false) => (over, over),
        (false, true) => (under, under),
        (true, true) => (under.max(over), under.max(over)),
        (false, false) => (under, over),
    };
    let (under, over) = (under.max(0.0), over.max(0.0));
    let leaks = match node {
        Node::Driven { source, .. } => {
            let through = 1.0 / (1.0 / source.0.max(1e-3) + 1.0 / weak.0);
            code(board, Volts(board.chip.leakage.0 * through))
        }
        Node::Floating => 0.0,
    };
    let parts = ends(node, widths);
    let bad = Band { low: parts.low - under - leaks, high: parts.high + over + leaks };
    let bad = to_the_ends(board, bad, good.top);
    clear(beyond(bad, band), 2.0 * widths.on[0].max(widths.on[1]))
}

/// A band that reaches beyond what of the scale is usable goes to the end of it.
fn to_the_ends(board: &Board, band: Band, top: f64) -> Band {
    let chip = &board.chip;
    let (bottom, ceiling) = (chip.usable.0.0, chip.usable.1.0);
    let under = bottom > 0.0 && band.low < bottom * chip.scale;
    let over = ceiling < 1.0 && band.high > ceiling * chip.scale;
    Band { low: if under { 0.0 } else { band.low }, high: if over { top } else { band.high } }
}
