//! Position by position: what the firmware takes a good unit for, and with what margin.

use super::zones::{self, Zones};
use super::{Check, Finding, FindingKind, Grade, PositionCheck};
use crate::board::Board;
use crate::window::{ChannelWindows, Class, Limits};

/// The positions of an analog channel with their margins, thresholds that are off, and gaps that
/// are missing.
pub(super) fn check(board: &Board, windows: &ChannelWindows, zones: &Zones) -> Check {
    let mut findings = Vec::new();
    let positions = (0..windows.classes.len())
        .map(|class| {
            let position = position(board, windows, zones, class);
            findings.extend(off(board, windows, zones, class, &position));
            position
        })
        .collect();
    if board.firmware.gap.0 > 0.0 {
        findings.extend(gaps(board, windows, zones));
    }
    Check { positions, findings }
}

/// Stretches of codes that are right for a class, both ends included.
fn stretches(zones: &Zones, class: usize) -> Vec<(u16, u16)> {
    let mut found: Vec<(u16, u16)> = Vec::new();
    for zone in zones.zones.iter().filter(|z| zones.right(z, class)) {
        match found.last_mut() {
            Some(last) if u32::from(last.1) + 1 == u32::from(zone.low) => last.1 = zone.high,
            _ => found.push((zone.low, zone.high)),
        }
    }
    found
}

/// Codes and percent from the edge of the band to the nearer threshold, below zero when the band
/// reaches beyond it; an end of the scale is no threshold. Percent is missing when the nominal
/// unit itself lies beyond.
fn margin(class: &Class, (low, high): (u16, u16), full: u16) -> (f64, Option<f64>) {
    let nominal = class.code.clamp(0.0, f64::from(full));
    let side =
        |codes: f64, whole: f64| (codes, (whole > 0.0).then(|| (100.0 * codes / whole).min(100.0)));
    let (low_code, high_code) = (f64::from(low), f64::from(high));
    let below = (low > 0).then(|| side(class.design.low - low_code, nominal - low_code));
    let above = (high < full).then(|| side(high_code - class.design.high, high_code - nominal));
    let tighter = below.into_iter().chain(above).min_by(|a, b| a.0.total_cmp(&b.0));
    tighter.unwrap_or((f64::from(full), Some(100.0)))
}

fn position(board: &Board, windows: &ChannelWindows, zones: &Zones, class: usize) -> PositionCheck {
    let full = board.chip.full_scale;
    let c = &windows.classes[class];
    let (low, high) = c.codes(full);
    let met = zones.zones.iter().filter(|z| z.low <= high && z.high >= low);
    let right = met.clone().all(|z| zones.right(z, class));
    let mut reads: Vec<String> = Vec::new();
    for name in met.map(|z| zones.name(z)) {
        if !reads.iter().any(|r| r == name) {
            reads.push(name.to_string());
        }
    }
    let best = stretches(zones, class)
        .into_iter()
        .map(|s| (s, margin(c, s, full)))
        .max_by(|a, b| a.1.0.total_cmp(&b.1.0));
    let (takes, (margin_code, margin_pct)) = match best {
        Some((takes, (codes, percent))) => (Some(takes), (Some(codes), percent)),
        None => (None, (None, None)),
    };
    // The fraction of a band beyond the last code of a window holds no code.
    let floor = |m: Option<f64>| m.map(|m| if right { m.max(0.0) } else { m });
    PositionCheck {
        channel: Some(windows.channel),
        set: windows.set.unwrap_or_default(),
        place: c.name.clone(),
        option: zones::option(c).to_string(),
        band: Some(c.design),
        codes: Some((low, high)),
        takes,
        reads,
        margin_code: floor(margin_code),
        margin_pct: floor(margin_pct),
        proposal: limits(c),
        grade: if right { Grade::Pass } else { Grade::Fail },
    }
}

fn limits(class: &Class) -> Option<(u16, u16)> {
    match class.limits {
        Limits::Codes { low, high } => Some((low, high)),
        _ => None,
    }
}

/// What is wrong with the thresholds round a position.
fn off(
    board: &Board,
    windows: &ChannelWindows,
    zones: &Zones,
    class: usize,
    position: &PositionCheck,
) -> Vec<Finding> {
    if position.grade == Grade::Pass {
        return Vec::new();
    }
    let full = board.chip.full_scale;
    let (low, high) = windows.classes[class].codes(full);
    let proposal = position.proposal.unwrap_or((low, high));
    let name = |code: u16| {
        let zone = zones.zones.iter().find(|z| z.low <= code && code <= z.high);
        zone.map_or(zones::NONE, |z| zones.name(z))
    };
    let finding = |what: String, change: String| Finding {
        kind: FindingKind::Threshold,
        name: board.channels[windows.channel].id.clone(),
        place: position.place.clone(),
        grade: Grade::Fail,
        what,
        change,
    };
    let window = format!("take {}..{} for {}", proposal.0, proposal.1, position.option);
    let Some((from, to)) = position.takes else {
        let what = format!(
            "no code reads as {}; a good unit gives {low} to {high}, which reads as {}",
            position.option,
            position.reads.join(" or ")
        );
        return vec![finding(what, window)];
    };
    // Only where another option begins at once, and the window does not go on to the end of the
    // scale, is there a threshold to move; else it is a window.
    let change = |beyond: u16, to: u16, moved: &str| match name(beyond) {
        zones::NONE => window.clone(),
        _ if to == 0 || to >= full => window.clone(),
        _ => format!("{moved} the threshold to {to}"),
    };
    let mut found = Vec::new();
    if low < from {
        let what = format!(
            "a good unit gives down to {low}, but the firmware takes {} from {from} up: off by {} \
             codes, and {low} reads as {}",
            position.option,
            from - low,
            name(low)
        );
        found.push(finding(what, change(from - 1, proposal.0, "lower")));
    }
    if high > to {
        let what = format!(
            "a good unit gives up to {high}, but the firmware takes {} up to {to}: off by {} \
             codes, and {high} reads as {}",
            position.option,
            high - to,
            name(high)
        );
        found.push(finding(what, change(to + 1, proposal.1, "raise")));
    }
    if found.is_empty() {
        let what = format!(
            "a good unit gives {low} to {high}, of which some codes read as {}",
            position.reads.join(" or ")
        );
        found.push(finding(what, window));
    }
    found
}

/// Neighbours that share a threshold: whatever moves a code across it makes another valid option.
fn gaps(board: &Board, windows: &ChannelWindows, zones: &Zones) -> Vec<Finding> {
    let class_limits = |label: usize| {
        let classes = zones.labels[label].classes.iter();
        classes.filter_map(|&c| limits(&windows.classes[c]))
    };
    let mut found = Vec::new();
    for pair in zones.zones.windows(2) {
        let (below, above) = (&pair[0], &pair[1]);
        let (Some(a), Some(b)) = (below.label, above.label) else { continue };
        if zones.labels[a].classes == zones.labels[b].classes {
            continue;
        }
        let (a_name, b_name) = (&zones.labels[a].name, &zones.labels[b].name);
        // Of several windows with one option, those next to the threshold.
        let end = class_limits(a).filter(|l| l.0 <= above.low).map(|l| l.1).max();
        let begin = class_limits(b).filter(|l| l.1 >= below.high).map(|l| l.0).min();
        let change = match (end, begin) {
            (Some(end), Some(begin)) if end < begin => {
                format!("end {a_name} at {end}, begin {b_name} at {begin}, take the rest for none")
            }
            _ => "take the windows proposed for the positions".to_string(),
        };
        found.push(Finding {
            kind: FindingKind::Gap,
            name: board.channels[windows.channel].id.clone(),
            place: String::new(),
            grade: Grade::Marginal,
            what: format!(
                "{a_name} up to {} and {b_name} from {} share a threshold: a wrong part can turn \
                 one into the other",
                below.high, above.low
            ),
            change,
        });
    }
    found
}
