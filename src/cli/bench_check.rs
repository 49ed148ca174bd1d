//! `bench BOARD --unit ID --check-bench`: a unit that is known to be good checks the bench.

use super::bench::{Prepared, TOOL};
use super::{Exit, Failure};
use crate::bench::{Summary, UnitVerdict};
use crate::lot::{self, Reference, reference};
use crate::record::{Record, Row, RowKind};
use jiff::Timestamp;

/// Holds the run that has just ended against the unit's earlier ones, writes it down and says it.
pub fn close(prepared: &Prepared, unit: &str, summary: &Summary) -> Result<Exit, Failure> {
    let mut records = prepared.store.records()?;
    records.retain(|record| record.unit == unit);
    records.sort_by_key(|record| record.attempt);
    let Some((now, earlier)) = records.split_last() else { return Ok(Exit::Incomplete) };
    if summary.cut.is_some() {
        return Ok(super::bench::exit(summary));
    }
    let found = reference::against(&earlier.iter().collect::<Vec<&Record>>(), now);
    let good = summary.verdict == UnitVerdict::Pass && found.reason().is_none();
    if let Some(row) = row(now, &found, good) {
        prepared.store.reopen(unit, now.attempt)?.append(&[row])?;
        prepared.store.rebuild_lot(lot::table_csv)?;
    }
    super::print(&text(unit, &found, good))?;
    Ok(if good { Exit::Pass } else { Exit::Fail })
}

fn row(now: &Record, found: &Reference, good: bool) -> Option<Row> {
    let last = now.rows.last()?;
    let note = format!("{} readings, {} earlier runs", found.compared, found.runs);
    Some(Row {
        row: RowKind::Event,
        seq: last.seq.saturating_add(1),
        at: Timestamp::now(),
        head: crate::record::Head { tool: TOOL.into(), ..last.head.clone() },
        rule: reference::BENCH_CHECK.into(),
        verdict: if good { "pass" } else { "fail" }.into(),
        reason: found.reason().unwrap_or_default(),
        note,
        ..Row::default()
    })
}

fn text(unit: &str, found: &Reference, good: bool) -> String {
    let mut text = match found.runs {
        0 => format!(
            "\n{unit} has no earlier good run in this lot: later ones are held against this one\n"
        ),
        runs => {
            let word = if runs == 1 { "run" } else { "runs" };
            let lie = found.compared - found.changed.len();
            format!(
                "\n{lie} of {} readings lie within 3 U of {runs} earlier {word}\n",
                found.compared
            )
        }
    };
    for change in &found.changed {
        text += &format!(
            "    {}: {:.1}, was {:.1} give or take {:.1}\n",
            change.what, change.now, change.then, change.room
        );
    }
    for missing in &found.missing {
        text += &format!("    {missing}\n");
    }
    text += match good {
        true if found.runs == 0 => "",
        true => "the bench is as it was\n",
        false => {
            "the bench is not to be trusted: look at supply, cable, shunts and port, and at this \
             unit, before a lot is tested\n"
        }
    };
    text
}
