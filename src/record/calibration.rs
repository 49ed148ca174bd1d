//! What a meter said of a chip's internal reference, found again in the records of its unit.

use super::release::{RETEST, is_repair};
use super::{Row, RowKind, former};
use crate::bench::Verdict;
use crate::bench::supply::{Calibration, reference};
use crate::board::Board;
use crate::units::Volts;

/// The last calibration in the rows of one unit, in their order; none from before a repair, which
/// may have changed the chip, and none that was not believed.
pub fn last<'a>(
    board: &Board,
    rows: impl IntoIterator<Item = &'a Row> + Clone,
) -> Option<Calibration> {
    let mut identity = String::new();
    let last = rows.clone().into_iter().fold(None, |last, row| {
        if !row.head.identity.is_empty() {
            identity.clone_from(&row.head.identity);
        }
        match row.row {
            RowKind::Event if row.rule == RETEST && is_repair(&row.reason) => None,
            RowKind::Volts => of(board, row).or(last),
            _ => last,
        }
    });
    let put_back = former::owed(rows).is_none();
    last.map(|last| Calibration { identity, put_back, ..last })
}

fn of(board: &Board, row: &Row) -> Option<Calibration> {
    let believed = row.verdict != Verdict::NotTested.word() && !row.answer.is_empty();
    let (volts, code) = (row.supply_mv? / 1000.0, row.mean_code?);
    let same_chip = row.head.chip == board.chip.part;
    let on = row.at.strftime("%Y-%m-%d").to_string();
    let reference = reference(board, Volts(volts), code);
    let (identity, put_back) = (row.head.identity.clone(), true);
    (believed && same_chip).then_some(Calibration { reference, on, identity, put_back })
}
