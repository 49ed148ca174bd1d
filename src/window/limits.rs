//! Limits between the bands of a channel, and the margins they leave.

use super::classes::{self, Draft};
use super::notes::CLEAR;
use super::ohms;
use super::{Band, Class, Limits};
use crate::board::{Board, Kind, Level};

/// Gives every class of a channel its limits; the design bands must not overlap.
pub(super) fn classes(board: &Board, channel: usize, drafts: &[Draft]) -> Vec<Class> {
    if matches!(board.channels[channel].kind, Kind::Meter { .. }) {
        return ohms::classes(board, drafts);
    }
    let codes = code_limits(board, drafts);
    let class = |(draft, codes): (&Draft, (u16, u16))| {
        let assigned = !draft.rows.is_empty();
        let level = (board.channels[channel].kind == Kind::Digital)
            .then(|| classes::level_of_band(board, draft.design))
            .flatten();
        let (limits, margin, by) = match level {
            Some(level) => {
                (Limits::Level(level), level_margin(board, draft, level), "input levels")
            }
            None => {
                let (low, high) = if assigned { codes } else { around(board, draft.design) };
                let margin = code_margin(board, draft, low, high);
                (Limits::Codes { low, high }, margin, "design band")
            }
        };
        Class {
            places: draft.places.clone(),
            also: draft.also.clone(),
            rows: draft.rows.clone(),
            name: draft.name(board),
            means: draft.means(board),
            volts: draft.volts,
            code: draft.code,
            design: draft.design,
            bench: draft.bench,
            limits,
            margin_code: margin.codes,
            margin_pct: margin.percent,
            by,
        }
    };
    drafts.iter().zip(codes).map(class).collect()
}

/// The whole codes that hold a band.
fn around(board: &Board, band: Band) -> (u16, u16) {
    let full = f64::from(board.chip.full_scale);
    let code = |c: f64| c.clamp(0.0, full) as u16;
    (code(band.low.floor()), code(band.high.ceil()))
}

/// Lowest and highest code of each window, in the order of the drafts.
fn code_limits(board: &Board, drafts: &[Draft]) -> Vec<(u16, u16)> {
    let scale = classes::scale(board);
    let kept = (1.0 - board.firmware.gap.0.clamp(0.0, 1.0)) / 2.0;
    let mut order: Vec<usize> = (0..drafts.len()).collect();
    order.sort_by(|&a, &b| drafts[a].design.low.total_cmp(&drafts[b].design.low));
    let mut limits = vec![(0, 0); drafts.len()];
    let mut taken: Option<u16> = None;
    for (place, &i) in order.iter().enumerate() {
        let band = drafts[i].design;
        let below = place.checked_sub(1).map_or(scale.low, |p| drafts[order[p]].design.high);
        let above = order.get(place + 1).map_or(scale.high, |&n| drafts[n].design.low);
        let low = (band.low - (band.low - below) * kept).ceil();
        let high = (band.high + (above - band.high) * kept).floor();
        let low = clear(board, at_ends(board, low, band.low), 1.0, (below, band.low));
        let high = clear(board, at_ends(board, high, band.high), -1.0, (band.high, above));
        let code = |c: f64| c.clamp(scale.low, scale.high) as u16;
        // Without a gap two windows meet; a code on the border belongs to the lower one.
        let low = taken.map_or(code(low), |t| code(low).max(t.saturating_add(1)));
        limits[i] = (low, code(high).max(low));
        taken = Some(limits[i].1);
    }
    limits
}

/// Codes that a limit keeps from an end of the scale: there a converter may stick (advice of our
/// own, from the errors of the ATmega328P).
const END: f64 = 2.0;

/// The lowest and the highest code that a limit may have within the scale: inside the range for
/// which the converter's errors are stated, and off its ends.
fn inside(board: &Board) -> (f64, f64) {
    let chip = &board.chip;
    let full = f64::from(chip.full_scale);
    let low = chip.reads(chip.usable.0.0 * chip.scale).ceil();
    let high = chip.reads(chip.usable.1.0 * chip.scale).floor();
    (low.max(END), high.min(full - END))
}

/// A limit on the side of a band's edge: inside where the edge is, else at the end of the scale.
fn at_ends(board: &Board, limit: f64, edge: f64) -> f64 {
    let (low, high) = inside(board);
    if limit < low {
        if edge >= low { low } else { 0.0 }
    } else if limit > high {
        if edge <= high { high } else { f64::from(board.chip.full_scale) }
    } else {
        limit
    }
}

/// A limit moved clear of the converter's bad codes: towards its own band (`inwards` is the
/// direction) where there is room between the bands, else away from it; where there is none it
/// stays, and [`near_bad_code`] finds it.
fn clear(board: &Board, limit: f64, inwards: f64, between: (f64, f64)) -> f64 {
    let clear = f64::from(CLEAR);
    let bad = board.chip.bad_codes.iter().map(|&c| f64::from(c));
    let Some(bad) = bad.into_iter().find(|b| (b - limit).abs() < clear) else { return limit };
    let (low, high) = between;
    let fits = |c: &f64| low <= *c && *c <= high;
    [bad + inwards * clear, bad - inwards * clear].into_iter().find(fits).unwrap_or(limit)
}

/// The bad code of the converter that a limit of a class is too near to.
pub(super) fn near_bad_code(board: &Board, class: &Class) -> Option<u16> {
    let Limits::Codes { low, high } = class.limits else { return None };
    if class.rows.is_empty() {
        return None;
    }
    let near = |bad: &&u16| bad.abs_diff(low) < CLEAR || bad.abs_diff(high) < CLEAR;
    board.chip.bad_codes.iter().find(near).copied()
}

struct Margin {
    codes: f64,
    percent: f64,
}

impl Margin {
    /// Of the worst good unit on one side: `edge` of its band, `nominal` and `threshold`.
    fn to(threshold: f64, edge: f64, nominal: f64) -> Margin {
        let codes = (threshold - edge).abs();
        let whole = (threshold - nominal).abs();
        let percent = if whole > 0.0 { (100.0 * codes / whole).min(100.0) } else { 0.0 };
        Margin { codes, percent }
    }

    fn none() -> Margin {
        Margin { codes: 0.0, percent: 0.0 }
    }
}

/// The tighter side. A window that ends with the scale has no threshold there; one that is the
/// whole scale has none at all, and the whole scale as its margin.
fn code_margin(board: &Board, draft: &Draft, low: u16, high: u16) -> Margin {
    let (band, scale) = (draft.design, classes::scale(board));
    let nominal = draft.code.clamp(scale.low, scale.high);
    let (low, high) = (f64::from(low), f64::from(high));
    let side = |threshold: f64, edge: f64, inside: bool| {
        // A limit is a whole code: the fraction of the band beyond it holds no code.
        if inside { Margin::to(threshold, edge, nominal) } else { Margin::none() }
    };
    let sides = [
        (low > scale.low).then(|| side(low, band.low, band.low >= low)),
        (high < scale.high).then(|| side(high, band.high, band.high <= high)),
    ];
    sides
        .into_iter()
        .flatten()
        .min_by(|a, b| a.codes.total_cmp(&b.codes))
        .unwrap_or(Margin { codes: scale.high - scale.low, percent: 100.0 })
}

fn level_margin(board: &Board, draft: &Draft, level: Level) -> Margin {
    let chip = &board.chip;
    match level {
        Level::Low => Margin::to(chip.vil.0 * chip.scale, draft.design.high, draft.code),
        Level::High => Margin::to(chip.vih.0 * chip.scale, draft.design.low, draft.code),
    }
}
