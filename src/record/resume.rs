//! An attempt that was cut short, read again from its rows so that another can go on from it.

use super::{Row, RowKind, former};
use crate::bench::judge::Margin;
use crate::bench::meter::{self, Said};
use crate::bench::resume::{Done, Earlier, Former, Value};
use crate::bench::{Mode, MovedBy, Verdict};
use crate::board::Board;
use std::collections::BTreeMap;

/// Rule of the row that says which steps were taken over.
pub(super) const RESUMED: &str = "resumed";

/// Rule of the row that says how many values by meter were taken over.
pub(super) const VALUES_KNOWN: &str = "values known";

/// Rule of the rows on a channel that changed with a move and should not have.
pub(super) const ANOTHER_CHANGED: &str = "another changed";

/// Rule of the rows on a reading that stood there before the move was asked for.
pub(super) const NO_CHANGE: &str = "no change seen";

/// What the rows of an attempt hold of its steps. Rows that cannot be read leave their step
/// unfinished.
pub fn earlier(board: &Board, attempt: u64, rows: &[Row]) -> Earlier {
    let identity = rows.iter().rev().map(|r| &r.head.identity).find(|id| !id.is_empty());
    let mut steps: BTreeMap<u64, Done> = BTreeMap::new();
    for row in counted(rows) {
        let Some(step) = row.step.filter(|_| row.rule != RESUMED) else { continue };
        let done = steps.entry(step).or_default();
        done.setting.clone_from(&row.setting);
        match row.row {
            RowKind::Check => match former(board, row) {
                Some(former) => done.reads.push(former),
                None => done.doubted = true,
            },
            RowKind::Question => match answer(board, row) {
                Some(answer) => done.answers.push(answer),
                None => done.doubted = true,
            },
            RowKind::Event if [ANOTHER_CHANGED, NO_CHANGE].contains(&row.rule.as_str()) => {
                done.doubted = true;
            }
            // What the readings showed after all is no word against them.
            RowKind::Event if row.moved_by == MovedBy::Changed.word() => done.doubted = false,
            _ => {}
        }
    }
    let mut next = 1..;
    let steps = steps.into_iter().take_while(|(step, _)| Some(*step) == next.next());
    let steps = steps.map(|(_, done)| done).collect();
    let put_back = former::owed(rows).is_none();
    let values = by_meter(rows).map_while(|row| value(board, row)).collect();
    let identity = identity.cloned().unwrap_or_default();
    Earlier { attempt, identity, put_back, values, steps }
}

/// The rows on values that a person measured before the power was on.
fn by_meter(rows: &[Row]) -> impl Iterator<Item = &Row> {
    rows.iter().filter(|row| row.row == RowKind::Check && row.mode == Mode::Meter.word())
}

/// What was typed; none where nothing was, or nothing that can be read.
fn value(board: &Board, row: &Row) -> Option<Value> {
    let Ok(Said::Value(typed)) = meter::read(&row.answer) else { return None };
    Some(Value { channel: board.channel(&row.channel)?, setting: row.setting.clone(), typed })
}

/// The rows of the first values by meter, or of the first `steps` steps, as another record takes
/// them over: its own attempt, no time since its beginning, and the attempt that they come from in
/// the note.
pub fn taken_over(rows: &[Row], values: usize, steps: usize) -> Vec<Row> {
    let of_a_step = |row: &&Row| row.step.is_some_and(|s| s as usize <= steps);
    let counts = |row: &&Row| {
        row.row != RowKind::Unit && row.rule != RESUMED && row.mode != Mode::Meter.word()
    };
    let from = |row: &Row| {
        let mut row = row.clone();
        let note = format!("attempt {}, row {}", row.head.attempt, row.seq);
        row.note = if row.note.is_empty() { note } else { format!("{note}: {}", row.note) };
        row.t_ms = None;
        row
    };
    let of_steps = counted(rows).filter(of_a_step).filter(counts);
    by_meter(rows).take(values).chain(of_steps).map(from).collect()
}

/// Whether the rows are of an attempt that took over something of the one before.
pub fn resumed(rows: &[Row]) -> bool {
    rows.iter()
        .filter(|row| row.row == RowKind::Event)
        .any(|row| row.rule == VALUES_KNOWN || (row.rule == RESUMED && row.step.is_some()))
}

/// Of a step that was begun several times only the last try counts.
fn counted(rows: &[Row]) -> impl Iterator<Item = &Row> {
    let mut last: BTreeMap<u64, u64> = BTreeMap::new();
    for row in rows {
        if let (Some(step), Some(tried)) = (row.step, row.step_try) {
            let known = last.entry(step).or_default();
            *known = tried.max(*known);
        }
    }
    rows.iter().filter(move |row| row.step.is_none_or(|s| row.step_try == last.get(&s).copied()))
}

fn former(board: &Board, row: &Row) -> Option<Former> {
    let mode = [Mode::Mean, Mode::AsProduct].into_iter().find(|m| m.word() == row.mode)?;
    let verdicts = [Verdict::Pass, Verdict::Marginal, Verdict::NotTested, Verdict::Fail];
    let verdict = verdicts.into_iter().find(|v| v.word() == row.verdict)?;
    let figures = row.margin_code.zip(row.margin_pct).zip(row.remaining_margin_code);
    let margin = figures.map(|((code, percent), remaining)| Margin { code, percent, remaining });
    let expected = Some(row.option_expected.clone()).filter(|o| !o.is_empty());
    Some(Former {
        channel: board.channel(&row.channel)?,
        mode,
        on: row.load.split_whitespace().map(str::to_string).collect(),
        mean: row.mean_code,
        sd: row.sd_code.unwrap_or(0.0),
        option_expected: expected,
        margin,
        verdict,
        reason: row.reason.clone(),
    })
}

fn answer(board: &Board, row: &Row) -> Option<(usize, bool)> {
    let question = board.questions.iter().position(|q| q.id == row.rule)?;
    match row.answer.as_str() {
        "yes" => Some((question, true)),
        "no" => Some((question, false)),
        _ => None,
    }
}
