//! The record of a unit that is led through its diagnosis: what was read, measured, looked at and
//! tried, in rows as a test has them. It is no test: its rows are of attempt 0 and bear no verdict.

use super::fold::put_reading;
use super::{Head, Row, RowKind};
use crate::bench::{Check, ProbeInfo};
use crate::board::{Board, Setting};
use jiff::Timestamp;
use std::sync::Arc;

/// The attempt of rows that are of no test.
pub const NO_TEST: u64 = 0;

/// What a meter showed: `note` is where and `answer` the value, as `--meter` takes them.
pub const MEASURED: &str = "measured";

/// What somebody saw or tried: `note` is what and `answer` yes or no, as `--look` takes them.
pub const LOOKED: &str = "looked";

/// What a channel read while something was tried that changes the unit, another shunt or a blade:
/// `note` is what, as `--look` takes it. It is no reading of the unit as it is.
pub const TRIED: &str = "tried";

/// An answer, or a reading, does not count: `note` is its row.
pub const TAKEN_BACK: &str = "taken back";

/// The probe went silent after `setting` was read, and the unit gets no power any more.
pub const SILENT: &str = "silent";

/// Makes the rows of one diagnosis.
#[derive(Debug)]
pub struct Led {
    board: Arc<Board>,
    head: Head,
    began: Timestamp,
    steps: u64,
    seq: u64,
}

impl Led {
    /// Behind the rows of the record that it goes on from, if there is one.
    pub fn new(board: &Arc<Board>, tool: &str, began: Timestamp, former: &[Row]) -> Led {
        let of = former.first().map(|row| &row.head);
        let head = Head {
            board: board.name.clone(),
            revision: board.revision.clone(),
            board_sha256: board.sha256.clone(),
            lot: of.map_or(String::new(), |head| head.lot.clone()),
            unit: of.map_or(String::new(), |head| head.unit.clone()),
            attempt: NO_TEST,
            tool: tool.to_string(),
            chip: board.chip.part.to_string(),
            supply_source: board.supply.source.clone(),
            ..Head::default()
        };
        let last = |of: fn(&Row) -> u64| former.iter().map(of).max().unwrap_or(0);
        let (steps, seq) = (last(|row| row.step.unwrap_or(0)), last(|row| row.seq));
        Led { board: board.clone(), head, began, steps, seq }
    }

    /// What every channel read in a setting, at `at`, by the probe that answered.
    pub fn read<'c>(
        &mut self,
        at: Timestamp,
        who: &ProbeInfo,
        setting: &Setting,
        checks: impl Iterator<Item = &'c Check>,
    ) -> Vec<Row> {
        self.head.probe = format!("{} {}", who.model, who.version);
        self.head.identity.clone_from(&who.identity);
        self.head.boot = Some(u64::from(who.boot.count));
        self.head.reset_cause = who.boot.cause.to_lowercase();
        if self.head.unit.is_empty() {
            self.head.unit.clone_from(&who.unit);
        }
        self.steps += 1;
        let row = |check: &Check| {
            let mut row = self.row(at, RowKind::Check);
            row.step = Some(self.steps);
            row.step_try = Some(1);
            row.setting = setting.text(&self.board);
            put_reading(&mut row, &self.board, check);
            // Whoever reads the record concludes from the figures in it.
            for figure in [&mut row.mean_code, &mut row.sd_code, &mut row.pullup_shift_code] {
                *figure = figure.map(|x| (x * 1000.0).round() / 1000.0);
            }
            row
        };
        checks.map(row).collect()
    }

    /// Something that was measured, seen, or happened.
    pub fn event(&self, at: Timestamp, rule: &str, note: &str, answer: &str) -> Row {
        let mut row = self.row(at, RowKind::Event);
        row.rule = rule.to_string();
        row.note = note.to_string();
        row.answer = answer.to_string();
        row
    }

    /// The probe went silent after this setting was read, when the shunts were asked for in another.
    pub fn silent(&self, now: Timestamp, after: &Setting, at: Option<&Setting>) -> Row {
        let asked = at.map_or(String::new(), |at| at.text(&self.board));
        Row { setting: after.text(&self.board), ..self.event(now, SILENT, &asked, "") }
    }

    /// Numbers rows in the order in which they are written; the number of the last one.
    pub fn number(&mut self, rows: &mut [Row]) -> u64 {
        for row in rows {
            self.seq += 1;
            row.seq = self.seq;
        }
        self.seq
    }

    fn row(&self, at: Timestamp, row: RowKind) -> Row {
        let since = at.duration_since(self.began);
        let t_ms = u64::try_from(since.as_millis()).ok();
        Row { row, at, t_ms, head: self.head.clone(), ..Row::default() }
    }
}
