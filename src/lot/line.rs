//! One unit's line in the lot, from the records of its attempts.

use std::collections::HashMap;

use jiff::Timestamp;

use super::VERDICTS;
use crate::record::column::{Format, columns};
use crate::record::{Record, Row, RowKind, release};

/// Verdict of an attempt that has none of its own.
const NO_VERDICT: &str = "INCOMPLETE";

columns! {
    /// One unit: how its last attempt stands, and how the first one ended.
    pub struct UnitLine {
        /// Version of the file format.
        format: Format,
        /// Name of the board.
        board: String,
        /// Revision of the board at the last attempt.
        revision: String,
        /// Lot.
        lot: String,
        /// Serial number.
        unit: String,
        /// How many attempts have a record.
        attempts: u64,
        /// Verdict of attempt 1; empty when its record is gone.
        first_verdict: String,
        /// Verdict of the last attempt.
        verdict: String,
        /// The checks that failed in the last attempt, with `; ` between them.
        failing: String,
        /// Smallest remaining margin of the last attempt, in codes.
        worst_remaining_margin_code: Option<f64> [3],
        /// The margin there, in percent of the nominal unit's.
        worst_margin_pct: Option<f64> [2],
        /// The check that has it.
        worst_where: String,
        /// Largest sag of the last attempt, in millivolts.
        sag_mv: Option<f64> [2],
        /// Largest sag of the last attempt, in percent of the supply without load.
        sag_pct: Option<f64> [2],
        /// The load that drew it.
        sag_load: String,
        /// Who tested last.
        operator: String,
        /// Time of the first row of attempt 1, or of the earliest attempt left.
        began_at: Option<Timestamp>,
        /// Time of the last row of the last attempt.
        ended_at: Option<Timestamp>,
        /// The last attempt's record.
        file: String,
        /// Why there is no verdict, or the reason given with it.
        note: String,
    }
}

impl UnitLine {
    /// The line of one unit from its records, ordered by attempt; none without a record.
    pub fn of(attempts: &[&Record]) -> Option<UnitLine> {
        let (first, last) = (*attempts.first()?, *attempts.last()?);
        let (verdict, note) = verdict(last);
        let revision = last.rows.last().map(|row| row.head.revision.clone());
        let counted = counted(&last.rows);
        let worst = smallest_margin(&counted);
        let sag = largest_sag(&counted);
        Some(UnitLine {
            format: Format,
            board: last.board.clone(),
            revision: revision.unwrap_or_default(),
            lot: last.lot.clone(),
            unit: last.unit.clone(),
            attempts: attempts.len() as u64,
            first_verdict: if first.attempt == 1 { tested(first).0 } else { String::new() },
            verdict,
            failing: failing(&counted),
            worst_remaining_margin_code: worst.and_then(|row| row.remaining_margin_code),
            worst_margin_pct: worst.and_then(|row| row.margin_pct),
            worst_where: worst.map(Row::checked).unwrap_or_default(),
            sag_mv: sag.and_then(|row| row.sag_mv),
            sag_pct: sag.and_then(|row| row.sag_pct),
            sag_load: sag.map(|row| row.load.clone()).unwrap_or_default(),
            operator: last
                .rows
                .iter()
                .rfind(|row| row.rule != release::RELEASE)
                .map(|row| row.head.operator.clone())
                .unwrap_or_default(),
            began_at: attempts.iter().find_map(|a| a.rows.first()).map(|row| row.at),
            ended_at: last.rows.last().map(|row| row.at),
            file: last.file.clone(),
            note,
        })
    }
}

/// The verdict that a record closes with, and why; a release of a unit on HOLD counts. A record
/// that does not close with a verdict known here is INCOMPLETE: nothing passes by default.
pub fn verdict(record: &Record) -> (String, String) {
    let (verdict, why) = tested(record);
    // Only what is on HOLD can be released, whatever a row says.
    match record.rows.iter().rfind(|row| row.row == RowKind::Unit) {
        Some(row) if row.rule == release::RELEASE && verdict == "HOLD" => {
            (row.verdict.clone(), row.reason.clone())
        }
        _ => (verdict, why),
    }
}

/// Whether a check of a record failed, also where it has no verdict.
pub(super) fn failed(record: &Record) -> bool {
    counted(&record.rows).iter().any(|row| row.verdict == "fail")
}

/// The verdict that the test itself came to, and why.
fn tested(record: &Record) -> (String, String) {
    if let Some(problem) = &record.problem {
        return (NO_VERDICT.into(), format!("record unreadable: {}", problem.without_file()));
    }
    let closing = |row: &&Row| row.row == RowKind::Unit && row.rule != release::RELEASE;
    match record.rows.iter().rfind(closing) {
        None => (NO_VERDICT.into(), "interrupted".into()),
        Some(row) if VERDICTS.contains(&row.verdict.as_str()) => {
            let retest = release::retest(&record.rows).map(|why| format!("retest: {why}"));
            let why = if row.reason.is_empty() { retest } else { Some(row.reason.clone()) };
            (row.verdict.clone(), why.unwrap_or_default())
        }
        Some(row) => (NO_VERDICT.into(), format!("unknown verdict `{}`", row.verdict)),
    }
}

/// The rows that are judged, without those of a step that was done again later.
fn counted(rows: &[Row]) -> Vec<&Row> {
    let mut last_try: HashMap<u64, Option<u64>> = HashMap::new();
    for row in rows {
        if let Some(step) = row.step {
            let last = last_try.entry(step).or_default();
            *last = (*last).max(row.step_try);
        }
    }
    let holds = |row: &&Row| row.step.is_none_or(|step| last_try[&step] == row.step_try);
    rows.iter().filter(|row| row.is_check()).filter(holds).collect()
}

/// The checks that failed, each once, in the order of the record.
fn failing(rows: &[&Row]) -> String {
    let mut places: Vec<String> = Vec::new();
    for row in rows.iter().filter(|row| row.verdict == "fail") {
        let place = row.checked();
        if !places.contains(&place) {
            places.push(place);
        }
    }
    places.join("; ")
}

fn smallest_margin<'a>(rows: &[&'a Row]) -> Option<&'a Row> {
    let key = |row: &Row| row.remaining_margin_code.unwrap_or(f64::INFINITY);
    let with = rows.iter().copied().filter(|row| row.remaining_margin_code.is_some());
    with.min_by(|a, b| key(a).total_cmp(&key(b)))
}

fn largest_sag<'a>(rows: &[&'a Row]) -> Option<&'a Row> {
    let mv = |row: &Row| row.sag_mv.unwrap_or(f64::NEG_INFINITY);
    let pct = |row: &Row| row.sag_pct.unwrap_or(f64::NEG_INFINITY);
    let with = rows.iter().copied().filter(|row| row.sag_mv.or(row.sag_pct).is_some());
    with.max_by(|a, b| mv(a).total_cmp(&mv(b)).then(pct(a).total_cmp(&pct(b))))
}
