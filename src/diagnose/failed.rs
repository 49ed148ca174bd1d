//! Checks of a record that failed, and what of them is not in the parts: a supply out of its tolerance,
//! a contact that comes and goes, and what no modelled part explains.

use super::beside::Beside;
use super::evidence::{Evidence, Read, counts, last_tries};
use crate::board::{Board, Setting};
use crate::faults::Fault;
use crate::record::{Row, RowKind};
use crate::units::Volts;

/// A check of a record that failed.
#[derive(Clone, Debug, PartialEq)]
pub struct Failed {
    /// The kind of check.
    pub kind: RowKind,
    /// What was checked and where, for example `PROFILE J1=3`.
    pub what: String,
    /// Why it failed, in the record's words; empty where it has none.
    pub reason: String,
    /// The channel, where one was read.
    pub channel: Option<usize>,
    /// The step that it was read in.
    pub step: Option<u64>,
    /// The supply, where that was read.
    pub volts: Option<Volts>,
}

impl Failed {
    fn of(board: &Board, row: &Row) -> Failed {
        Failed {
            kind: row.row,
            what: row.checked(),
            reason: row.reason.clone(),
            channel: board.channel(&row.channel),
            step: row.step,
            volts: row.supply_mv.filter(|_| row.row == RowKind::Volts).map(|mv| Volts(mv / 1000.0)),
        }
    }
}

/// The checks that failed, each once; none where the unit did not fail, or was released.
pub(super) fn failed(board: &Board, rows: &[Row]) -> Vec<Failed> {
    let verdict = rows.iter().rev().find(|row| row.row == RowKind::Unit);
    if verdict.is_some_and(|row| row.verdict != "FAIL" && row.verdict != "INCOMPLETE") {
        return Vec::new();
    }
    let last = last_tries(rows);
    let is = |row: &&Row| row.is_check() && row.verdict == "fail" && counts(&last, row);
    let mut found: Vec<Failed> = Vec::new();
    for row in rows.iter().filter(is) {
        // A burst as the product takes it is of the same place.
        let new = Failed::of(board, row);
        if !found.iter().any(|known| (&known.what, known.step) == (&new.what, new.step)) {
            found.push(new);
        }
    }
    found
}

/// A reading that a later one of the same channel, with the same shunts, takes back.
#[derive(Clone, Debug, PartialEq)]
pub struct TakenBack {
    /// Channel index.
    pub channel: usize,
    /// Where the shunts were.
    pub setting: Setting,
    /// What was read, and in which step.
    pub first: (Read, u64),
    /// The same of the later reading.
    pub later: (Read, u64),
}

/// What of the failed checks is not in the parts; `leading` is the likeliest in them.
pub(super) fn beside(evidence: &Evidence, leading: &[Fault]) -> Vec<Beside> {
    let mut found = Vec::new();
    let mut rest: Vec<&Failed> = evidence.rows.failed.iter().collect();
    rest.retain(|failed| match (failed.kind, failed.volts) {
        (RowKind::Volts, Some(volts)) => {
            let reason = failed.reason.clone();
            found.push(Beside::Supply { volts, reason });
            false
        }
        // They have words of their own.
        (RowKind::Report | RowKind::Fuses, _) => false,
        _ => true,
    });
    for back in &evidence.taken_back {
        let is_it = |failed: &&Failed| {
            let steps = [back.first.1, back.later.1].map(Some);
            failed.channel == Some(back.channel) && steps.contains(&failed.step)
        };
        if rest.iter().any(&is_it) {
            rest.retain(|failed| !is_it(failed));
            found.push(Beside::Loose(back.clone()));
        }
    }
    if leading.is_empty() && !rest.is_empty() {
        found.push(Beside::Failed(rest.into_iter().cloned().collect()));
    }
    found
}
