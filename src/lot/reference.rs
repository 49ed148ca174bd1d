//! A unit that is known to be good, held against its own earlier runs: what has changed on a bench
//! shows there first.

use crate::record::{Record, Row, RowKind};
use std::collections::BTreeMap;

/// Expanded uncertainties that a reading may lie from the mean of the earlier ones.
const WITHIN: f64 = 3.0;

/// Rule of the row that says what a bench check came to.
pub const BENCH_CHECK: &str = "bench check";

/// The least expanded uncertainty of a mean, in codes: k = 2 of a perfect quantiser, 1/sqrt(12) of a
/// code.
const LEAST_U: f64 = 0.58;

/// A reading that is not what it was.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// What was read, in words.
    pub what: String,
    /// What it reads now, in codes or as a share of ones.
    pub now: f64,
    /// The mean of what it read before.
    pub then: f64,
    /// How far it may lie from that.
    pub room: f64,
}

/// A run held against earlier ones.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reference {
    /// Earlier runs that passed.
    pub runs: usize,
    /// Readings compared.
    pub compared: usize,
    /// Those that have changed.
    pub changed: Vec<Change>,
    /// Readings that the earlier runs have and this one lacks, or the other way round, in words.
    pub missing: Vec<String>,
}

/// Holds a run against the earlier ones of the same unit that passed on the same board file.
pub fn against(earlier: &[&Record], now: &Record) -> Reference {
    let same = |record: &&&Record| record.rows.first().map(file) == now.rows.first().map(file);
    let passed = |record: &&&Record| {
        let last = record.rows.iter().rfind(|row| row.row == RowKind::Unit);
        let refused = |row: &Row| row.rule == BENCH_CHECK && row.verdict == "fail";
        last.is_some_and(|row| row.verdict == "PASS") && !record.rows.iter().any(refused)
    };
    let before: Vec<BTreeMap<String, (f64, f64)>> =
        earlier.iter().filter(same).filter(passed).map(|record| readings(&record.rows)).collect();
    let mut found = Reference { runs: before.len(), ..Reference::default() };
    if before.is_empty() {
        return found;
    }
    let now = readings(&now.rows);
    for (what, &(code, u)) in &now {
        let then: Vec<f64> = before.iter().filter_map(|r| Some(r.get(what)?.0)).collect();
        if then.is_empty() {
            found.missing.push(format!("{what} was not read before"));
            continue;
        }
        let mean = then.iter().sum::<f64>() / then.len() as f64;
        let room = WITHIN * u;
        found.compared += 1;
        if (code - mean).abs() > room {
            found.changed.push(Change { what: what.clone(), now: code, then: mean, room });
        }
    }
    let gone = before.iter().flat_map(BTreeMap::keys).filter(|what| !now.contains_key(*what));
    found.missing.extend(gone.map(|what| format!("{what} was not read now")));
    found.missing.sort_unstable();
    found.missing.dedup();
    found
}

fn file(row: &Row) -> &str {
    &row.head.board_sha256
}

/// The averaged readings and those of digital pins, each under what was read, with its uncertainty.
/// Of a step that was begun several times the last try counts.
fn readings(rows: &[Row]) -> BTreeMap<String, (f64, f64)> {
    let of = |row: &Row| {
        let digital = row.u_code.is_none();
        let taken = row.row == RowKind::Check && (row.mode == "mean" || digital);
        let code = row.mean_code.filter(|_| taken && row.mode != "meter")?;
        let load = match row.load.as_str() {
            "" => String::new(),
            load => format!(" with {load} on"),
        };
        let step = row.step.map_or(String::new(), |step| format!(" (step {step})"));
        let what = format!("{}{load} at {}{step}", row.channel, row.setting);
        // A digital pin reads alike or not.
        let u = row.u_code.map_or(0.1, |u| u.max(LEAST_U));
        Some((what, (code, u)))
    };
    rows.iter().filter_map(of).collect()
}

impl Reference {
    /// What it comes to: nothing when all is as it was.
    pub fn reason(&self) -> Option<String> {
        let change = |c: &Change| {
            format!("{}: {:.1}, was {:.1} give or take {:.1}", c.what, c.now, c.then, c.room)
        };
        let told: Vec<String> =
            self.changed.iter().map(change).chain(self.missing.iter().cloned()).collect();
        (!told.is_empty()).then(|| told.join("; "))
    }
}
