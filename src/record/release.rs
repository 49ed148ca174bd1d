//! Rows about a unit as a whole that a person answers for: a retest with its reason, a release.

use super::{Head, Row, RowKind};
use jiff::Timestamp;

/// Rule of the event that says why a unit is tested again.
pub const RETEST: &str = "retest";

/// Rule of the row that takes a unit off HOLD.
pub const RELEASE: &str = "release";

/// The reasons for a retest that have a word of their own; others are written out.
pub const REASONS: [&str; 3] = ["reseated", "slip", "repaired"];

/// Whether a reason says that the unit is another than it was: `repaired`, with or without more.
pub fn is_repair(reason: &str) -> bool {
    let first = reason.split(|c: char| !c.is_alphanumeric()).find(|word| !word.is_empty());
    first.is_some_and(|word| word.eq_ignore_ascii_case(REASONS[2]))
}

/// Why the unit of these rows was tested again, where they say so.
pub fn retest(rows: &[Row]) -> Option<&str> {
    let row = rows.iter().find(|row| row.row == RowKind::Event && row.rule == RETEST);
    row.map(|row| row.reason.as_str())
}

/// The row that releases the unit whose record ends in `last`.
pub fn row(last: &Row, operator: &str, tool: &str, reason: &str, at: Timestamp) -> Row {
    let head = Head { operator: operator.into(), tool: tool.into(), ..last.head.clone() };
    Row {
        row: RowKind::Unit,
        seq: last.seq.saturating_add(1),
        at,
        head,
        rule: RELEASE.into(),
        verdict: "PASS".into(),
        reason: format!("released by {operator}: {reason}"),
        ..Row::default()
    }
}

#[cfg(test)]
mod tests {
    use super::is_repair;

    #[test]
    fn a_repair_is_told_from_other_reasons() {
        for repair in ["repaired", "Repaired: R3 replaced", " repaired, R3"] {
            assert!(is_repair(repair), "{repair}");
        }
        for other in ["", "slip", "reseated", "not repaired", "repairedish"] {
            assert!(!is_repair(other), "{other}");
        }
    }
}
