//! From what a node may be to the codes that it may give: reference, errors, usable range.

use super::Band;
use super::settle::Settling;
use crate::board::chip::Chip;
use crate::board::{Board, Channel, Reference, Setting};
use crate::circuit::{self, Spread};

/// Ideal codes that a net may have over a spread; `None` when it floats.
///
/// Against the supply a code is a ratio and does not see the supply's tolerance. A fixed reference
/// sees it whole, and its own on top: the net is taken at both ends of the supply.
pub(super) fn ideal(
    board: &Board,
    setting: &Setting,
    channel: &Channel,
    spread: &Spread,
) -> Option<Band> {
    let scale = board.chip.scale;
    let extremes =
        |spread: &Spread| circuit::extremes(board, setting, &channel.closes, channel.net, spread);
    let (lowest, highest) = match board.firmware.reference {
        Reference::Supply => {
            let (low, high) = extremes(spread)?;
            return Some(Band { low: low * scale, high: high * scale });
        }
        Reference::Internal(internal) => (internal.low.0, internal.high.0),
        Reference::External(low, _, high) => (low.0, high.0),
    };
    let mut band: Option<Band> = None;
    for supply in [spread.supply.0, spread.supply.1] {
        let (low, high) = extremes(&Spread { supply: (supply, supply), ..spread.clone() })?;
        let codes = |volts: f64, reference: f64| volts * scale / reference;
        let (low, high) = (low * supply.0, high * supply.0);
        let new = Band {
            low: codes(low, highest).min(codes(low, lowest)),
            high: codes(high, lowest).max(codes(high, highest)),
        };
        band = Some(band.map_or(new, |b| b.union(new)));
    }
    band
}

/// Codes that a good converter may give for ideal ones: its errors, its correction, the count that
/// truncation takes. Beyond its usable range it is taken to be monotone and no more.
pub(super) fn read(board: &Board, ideal: Band) -> Band {
    let chip = &*board.chip;
    let full = f64::from(chip.full_scale);
    let (bottom, top) = (chip.usable.0.0 * chip.scale, chip.usable.1.0 * chip.scale);
    let (under, over) = (chip.usable.0.0 > 0.0, chip.usable.1.0 < 1.0);
    let low = if over { ideal.low.min(top) } else { ideal.low };
    let high = if under { ideal.high.max(bottom) } else { ideal.high };
    let (low, high) = (chip.reads(low), chip.reads(high));
    let code = |c: f64| c.clamp(0.0, full);
    Band {
        low: match under && ideal.low < bottom {
            true => 0.0,
            false => code(low - converter_error(low, chip) - 1.0),
        },
        high: match over && ideal.high > top {
            true => full,
            false => code(high + converter_error(high, chip)),
        },
    }
}

/// Whether two bands reach beyond the same end of the range for which errors are stated.
pub(super) fn both_beyond(chip: &Chip, a: Band, b: Band) -> bool {
    let full = f64::from(chip.full_scale);
    let under = chip.usable.0.0 > 0.0 && a.low <= 0.0 && b.low <= 0.0;
    let over = chip.usable.1.0 < 1.0 && a.high >= full && b.high >= full;
    under || over
}

/// A band with what is left of the channel read before, which may have been anywhere from 0 V to
/// the larger of supply and reference.
pub(super) fn unsettled(board: &Board, band: Band, settling: Option<Settling>) -> Band {
    let Some(settling) = settling else { return band };
    let full = f64::from(board.chip.full_scale);
    let (_, supply) = board.supply_range();
    let top = board.chip.scale * (supply.0 / board.reference().0).max(1.0);
    let low = band.low - settling.left * band.low;
    let high = band.high + settling.left * (top - band.high);
    Band { low: low.clamp(0.0, full), high: high.clamp(0.0, full) }
}

/// Every code there is.
pub fn whole_scale(chip: &Chip) -> Band {
    Band { low: 0.0, high: f64::from(chip.full_scale) }
}

/// Largest error of the converter at a code, in counts, without the truncation: all of it where the
/// data sheet states it as a whole, else offset, INL and DNL in full and the gain error in
/// proportion to the code; and what the product's clock adds.
pub fn converter_error(code: f64, chip: &Chip) -> f64 {
    let extra = chip.extra.map_or(0.0, |figure| figure.worst());
    if let Some(total) = chip.total {
        return total.worst() + extra;
    }
    let share = (code / f64::from(chip.full_scale)).clamp(0.0, 1.0);
    let parts = chip.offset.worst() + chip.inl.worst() + chip.dnl.worst();
    parts + share * chip.gain.worst() + extra
}
