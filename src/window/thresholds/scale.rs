//! 1023 or 1024: thresholds made for a converter of the other scale.
//!
//! Some converters give `Vin * 1024 / Vref`, others `1023 * Vin / Vref` (ATmega328P and ATmega4809
//! data sheets, "ADC Conversion Result"). Thresholds worked out with the wrong one lie up to one
//! code off, at the top of the scale.

use super::zones::{self, Zones};
use super::{Finding, FindingKind, Grade, PositionCheck, analog};
use crate::board::{Board, Decoding};
use crate::window::ChannelWindows;

/// Rounding or cutting off leaves up to one code between a threshold and what it was made from.
const ROUNDING: f64 = 1.0;
/// How much better the other scale must fit, as a ratio of root mean squares.
const CLEARLY: f64 = 0.6;
/// A smallest margin that grows by less than this share is no difference worth telling.
const WORTH: f64 = 0.1;

/// Says that the thresholds fit the other scale better, where putting that right makes a
/// difference; and that a threshold lies beyond the highest code, where an option is lost by it.
pub(super) fn findings(
    board: &Board,
    windows: &ChannelWindows,
    said: &Decoding,
    zones: &Zones,
    positions: &[PositionCheck],
) -> Vec<Finding> {
    let full = f64::from(board.chip.full_scale);
    let finding = |grade: Grade, what: String, change: String| Finding {
        kind: FindingKind::Scale,
        name: board.channels[windows.channel].id.clone(),
        place: String::new(),
        grade,
        what,
        change,
    };
    let beyond = zones::numbers(said).into_iter().find(|&n| n > full);
    let lost = positions.iter().find(|p| p.takes.is_none());
    if let (Some(beyond), Some(lost)) = (beyond, lost) {
        let what = format!(
            "the firmware asks for {beyond}, but {full} is the highest code of the {}, so {} is \
             never read",
            board.chip.part, lost.option
        );
        let change = format!("{full} is full scale; keep every threshold at or under it");
        return vec![finding(Grade::Fail, what, change)];
    }
    let own = board.chip.scale;
    let other = if own > full { full } else { full + 1.0 };
    let Some((own_rms, other_rms, worst)) = residuals(windows, said, zones, other / own) else {
        return Vec::new();
    };
    if worst > ROUNDING || other_rms >= CLEARLY * own_rms {
        return Vec::new();
    }
    let corrected = zones::mapped(said, |n| (n * own / other).round());
    let Ok(better) = zones::of(board, windows, &corrected) else { return Vec::new() };
    let better = analog::check(board, windows, &better).positions;
    if !differs(positions, &better) {
        return Vec::new();
    }
    let worst = positions.iter().map(|p| p.grade).max().unwrap_or(Grade::Marginal);
    let what = format!(
        "the thresholds fit code = {other} * Vin / Vref (off by {other_rms:.2} codes, root mean \
         square), but the {} gives {own} * Vin / Vref (off by {own_rms:.2})",
        board.chip.part
    );
    let list: Vec<String> = zones::numbers(&corrected).iter().map(f64::to_string).collect();
    let change = format!("with {own} in place of {other} they are {}", list.join(", "));
    vec![finding(worst.max(Grade::Marginal), what, change)]
}

/// Root mean squares of the distances of the thresholds from the middle between the nominal codes
/// of their neighbours, on this chip's scale and on one that is `ratio` of it; and the largest
/// distance on the latter.
fn residuals(
    windows: &ChannelWindows,
    said: &Decoding,
    zones: &Zones,
    ratio: f64,
) -> Option<(f64, f64, f64)> {
    let thresholds = zones::numbers(said);
    let touching = matches!(said, Decoding::Thresholds { .. });
    let taken: Vec<_> = zones.zones.iter().filter(|z| z.label.is_some()).collect();
    let mut own = Vec::new();
    let mut other = Vec::new();
    for pair in taken.windows(2) {
        let (below, above) = (pair[0], pair[1]);
        let meet = u32::from(below.high) + 1 == u32::from(above.low);
        // Where two ranges meet the number itself is known, fraction and all.
        let stated = thresholds.iter().copied().find(|&t| {
            touching && meet && zones::compare(said).last_below(t) == i64::from(below.high)
        });
        let at = stated.unwrap_or(f64::midpoint(f64::from(below.high), f64::from(above.low)));
        let nominal = |label: Option<usize>| {
            let classes = label.map(|l| zones.labels[l].classes.as_slice()).unwrap_or_default();
            classes.iter().map(|&c| windows.classes[c].code)
        };
        let from = nominal(below.label).filter(|&c| c <= at).max_by(f64::total_cmp);
        let to = nominal(above.label).filter(|&c| c >= at).min_by(f64::total_cmp);
        if let (Some(from), Some(to)) = (from, to) {
            let middle = f64::midpoint(from, to);
            own.push(at - middle);
            other.push(at - middle * ratio);
        }
    }
    let rms = |d: &[f64]| (d.iter().map(|x| x * x).sum::<f64>() / d.len() as f64).sqrt();
    let worst = other.iter().map(|d| d.abs()).max_by(f64::total_cmp)?;
    Some((rms(&own), rms(&other), worst))
}

/// Whether a position is read right only with the corrected thresholds, or the smallest margin of
/// the channel grows by [`WORTH`].
fn differs(now: &[PositionCheck], then: &[PositionCheck]) -> bool {
    let fails = |all: &[PositionCheck]| all.iter().filter(|p| p.grade == Grade::Fail).count();
    let smallest = |all: &[PositionCheck]| {
        all.iter().filter_map(|p| p.margin_code).min_by(f64::total_cmp).unwrap_or(0.0)
    };
    let (a, b) = (smallest(now), smallest(then));
    fails(then) < fails(now) || (b > a && b - a >= WORTH * a.abs())
}
