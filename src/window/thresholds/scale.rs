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
    let borders = borders(board, windows, said, zones);
    let off = |ratio: f64| borders.iter().map(move |b| (b.at - b.middle * ratio).abs());
    let (own_rms, other_rms) = (rms(off(1.0)), rms(off(other / own)));
    let worst = off(other / own).fold(0.0, f64::max);
    if borders.is_empty() || worst > ROUNDING || other_rms >= CLEARLY * own_rms {
        return Vec::new();
    }
    let corrected = zones::mapped(said, |n| {
        let border = borders.iter().find(|b| b.stated == Some(n));
        border.map_or(n * own / other, |b| b.middle).round()
    });
    let Ok(better) = zones::of(board, windows, &corrected) else { return Vec::new() };
    let better = analog::check(board, windows, &better).positions;
    let Some(grade) = gained(positions, &better) else { return Vec::new() };
    let what = format!(
        "the thresholds fit code = {other} * Vin / Vref (off by {other_rms:.2} codes, root mean \
         square), but the {} gives {own} * Vin / Vref (off by {own_rms:.2})",
        board.chip.part
    );
    let list: Vec<String> = zones::numbers(&corrected).iter().map(f64::to_string).collect();
    let change = format!("with {own} in place of {other} they are {}", list.join(", "));
    vec![finding(grade, what, change)]
}

/// Root mean square; 0 of nothing.
fn rms(all: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = all.fold((0.0, 0.0), |(sum, n), x| (sum + x * x, n + 1.0));
    if count > 0.0 { (sum / count).sqrt() } else { 0.0 }
}

/// Where the firmware goes over from one option to the next.
struct Border {
    /// The threshold, or the middle of the gap.
    at: f64,
    /// The number of the statement that it is, where the ranges meet.
    stated: Option<f64>,
    /// Middle between the nominal codes of the two neighbours.
    middle: f64,
}

fn borders(board: &Board, windows: &ChannelWindows, said: &Decoding, zones: &Zones) -> Vec<Border> {
    let thresholds = match said {
        Decoding::Thresholds { .. } => zones::numbers(said),
        _ => Vec::new(),
    };
    let taken: Vec<_> = zones.zones.iter().filter(|z| z.label.is_some()).collect();
    let border = |pair: &[&zones::Zone]| {
        let (below, above) = (pair[0], pair[1]);
        let meet = u32::from(below.high) + 1 == u32::from(above.low);
        let ends = |t: f64| zones::compare(said).last_below(t) == i64::from(below.high);
        // Where two ranges meet the number itself is known, fraction and all.
        let stated = thresholds.iter().copied().find(|&t| meet && ends(t));
        let at = stated.unwrap_or(f64::midpoint(f64::from(below.high), f64::from(above.low)));
        let nominal = |label: Option<usize>| {
            let classes = label.map(|l| zones.labels[l].classes.as_slice()).unwrap_or_default();
            // Beyond the reference every voltage gives the same code.
            classes.iter().map(|&c| windows.classes[c].code).filter(|&c| c <= board.chip.scale)
        };
        let from = nominal(below.label).filter(|&c| c <= at).max_by(f64::total_cmp)?;
        let to = nominal(above.label).filter(|&c| c >= at).min_by(f64::total_cmp)?;
        Some(Border { at, stated, middle: f64::midpoint(from, to) })
    };
    taken.windows(2).filter_map(border).collect()
}

/// What the corrected thresholds gain, if it is worth telling: a position that is read right only
/// with them, or a smallest margin of the channel that grows by [`WORTH`].
fn gained(now: &[PositionCheck], then: &[PositionCheck]) -> Option<Grade> {
    let fails = |all: &[PositionCheck]| all.iter().filter(|p| p.grade == Grade::Fail).count();
    let smallest = |all: &[PositionCheck]| {
        all.iter().filter_map(|p| p.margin_code).min_by(f64::total_cmp).unwrap_or(0.0)
    };
    let (a, b) = (smallest(now), smallest(then));
    if fails(then) < fails(now) {
        return Some(Grade::Fail);
    }
    (b > a && b - a >= WORTH * a.abs()).then_some(Grade::Marginal)
}
