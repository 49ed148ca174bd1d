//! The live view in lines: what changed, what else happened, and what is said before.

use super::table::level;
use crate::bench::watching::Watched;
use crate::board::Board;
use crate::record::live::LiveRow;

/// Codes by which two readings may differ without being called a change, and the deviations.
const SAME: f64 = 3.0;

/// Whether a channel shows something else than before: another position or proof, or a code that
/// has moved by more than its noise.
pub(super) fn changed(before: &LiveRow, now: &LiveRow) -> bool {
    let moved = match (before.code, now.code) {
        (Some(a), Some(b)) if now.sd.is_some() => {
            let noise = before.sd.unwrap_or(0.0).max(now.sd.unwrap_or(0.0));
            (a - b).abs() > SAME * noise.max(1.0)
        }
        (a, b) => a != b,
    };
    moved || before.reads_as != now.reads_as || before.driven != now.driven
}

/// A channel on one line: what is read, then what the circuit predicts.
pub(super) fn line(row: &LiveRow) -> String {
    let id = &row.channel;
    let option = if row.option.is_empty() { String::new() } else { format!(" {}", row.option) };
    let reads = match row.reads_as.as_str() {
        "" => "no reading".to_string(),
        reads => format!("{reads}{option}"),
    };
    let read = match (row.code, row.volts, row.sd) {
        (Some(code), Some(volts), Some(sd)) => {
            let shift = row.pull_up_shift.map_or(String::new(), |s| format!(", shift {s:+.1}"));
            format!("{code:.1} ({volts:.3} V), noise {sd:.2}{shift}")
        }
        (Some(share), ..) => level(share, row.n),
        (None, ..) => "nothing read".into(),
    };
    let driven = match row.driven.as_str() {
        "open" => "nothing drives it".to_string(),
        "not shown" => "not shown to be driven".into(),
        by => format!("driven by {by}"),
    };
    let circuit = match (row.sd, row.expected_code) {
        (Some(_), Some(code)) => format!("; circuit {code:.1}"),
        (None, Some(share)) => format!("; circuit {}", level(share, None)),
        (_, None) => String::new(),
    };
    let note = if row.note.is_empty() { String::new() } else { format!("; {}", row.note) };
    format!("{id} {read}, {driven}: {reads}{circuit}{note}")
}

/// What else happened, with its kind in front; a round tells nothing here.
pub(super) fn told(board: &Board, file: &str, watched: &Watched) -> Option<(&'static str, String)> {
    Some(match watched {
        Watched::Round(_) => return None,
        Watched::Probe { info, back } => {
            let unit = match info.unit.as_str() {
                "" => String::new(),
                unit => format!(", unit {unit}"),
            };
            let back = if *back { " is back" } else { "" };
            ("probe", format!("{} {}{back}{unit}", info.model, info.version))
        }
        Watched::Away { why, wait } => {
            let wait = wait.as_secs_f64();
            ("away", format!("{why}; waiting {wait} s for it, plug the board in again"))
        }
        Watched::Reset(boot) => {
            ("note", format!("the probe was reset ({}): that round is void", boot.cause))
        }
        Watched::Paused(true) => ("note", "paused".into()),
        Watched::Paused(false) => ("note", "goes on".into()),
        Watched::Recording(true) => ("note", format!("writing {file}")),
        Watched::Recording(false) => ("note", format!("no longer writing {file}")),
        Watched::Histogram(None) => ("note", "no histogram".into()),
        Watched::Histogram(Some(channel)) => {
            ("note", format!("histogram of {}", board.channels[*channel].id))
        }
    })
}

/// What is said before the first round: what the view itself does to the board.
pub fn cautions(board: &Board) -> Vec<String> {
    let mut closed: Vec<&str> = Vec::new();
    for &switch in board.channels.iter().flat_map(|c| &c.closes) {
        let id = board.switches[switch].id.as_str();
        if !closed.contains(&id) {
            closed.push(id);
        }
    }
    if closed.is_empty() {
        return Vec::new();
    }
    let closed = closed.join(", ");
    vec![format!(
        "caution: each round closes {closed} for a moment: live equipment off the outputs"
    )]
}
