//! The lot, from its records: a line per unit. Computing only.

mod history;
mod line;
mod order;
pub mod reference;

pub use history::History;
pub use line::{UnitLine, verdict};
pub use reference::Reference;

use crate::record::{Record, csv};

/// The verdicts on a unit, worst last.
pub const VERDICTS: [&str; 4] = ["PASS", "HOLD", "INCOMPLETE", "FAIL"];

/// A line for each unit of a lot.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Table {
    /// The lines, by unit; numbers in the names count as numbers, so 9 stands before 10.
    pub lines: Vec<UnitLine>,
}

/// How many units stand how.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Units in the lot.
    pub units: usize,
    /// Units whose last attempt passed.
    pub pass: usize,
    /// Units on hold.
    pub hold: usize,
    /// Units without a verdict.
    pub incomplete: usize,
    /// Units that failed.
    pub fail: usize,
    /// Units that passed at their first attempt.
    pub first_pass: usize,
}

impl Table {
    /// The table of a lot's records, in whatever order they come.
    pub fn of(records: &[Record]) -> Table {
        let mut records: Vec<&Record> = records.iter().collect();
        records.sort_by(|a, b| {
            order::natural(&a.unit, &b.unit).then_with(|| a.attempt.cmp(&b.attempt))
        });
        let units = records.chunk_by(|a, b| a.unit == b.unit);
        Table { lines: units.filter_map(UnitLine::of).collect() }
    }

    /// The bytes of `lot.csv`.
    pub fn to_csv(&self) -> Vec<u8> {
        let mut bytes = csv::header_line::<UnitLine>();
        bytes.extend(csv::rows_lines(&self.lines));
        bytes
    }

    /// How many units stand how.
    pub fn counts(&self) -> Counts {
        let count = |word: &str| self.lines.iter().filter(|line| line.verdict == word).count();
        let [pass, hold, incomplete, fail] = VERDICTS.map(count);
        let first_pass = self.lines.iter().filter(|line| line.first_verdict == "PASS").count();
        Counts { units: self.lines.len(), pass, hold, incomplete, fail, first_pass }
    }
}

/// The bytes of `lot.csv` from a lot's records.
pub fn table_csv(records: &[Record]) -> Vec<u8> {
    Table::of(records).to_csv()
}
