//! What stood on a chip where an identity was written: kept in the record until it is put back.

use super::{Row, RowKind};
use crate::bench::Slots;

/// Rule of the row that keeps what stood there.
pub(super) const KEPT: &str = "identity place kept";

/// Rule of the row that says that it has been put back.
pub(super) const PUT_BACK: &str = "identity place put back";

/// The two places as hexadecimal digits, with a blank between.
pub(super) fn slots_text(slots: &Slots) -> String {
    let hex = |bytes: &Vec<u8>| bytes.iter().map(|b| format!("{b:02X}")).collect::<String>();
    slots.iter().map(hex).collect::<Vec<_>>().join(" ")
}

fn read_slots(text: &str) -> Option<Slots> {
    let bytes = |hex: &str| {
        let digit = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok();
        hex.len()
            .is_multiple_of(2)
            .then(|| hex.as_bytes().chunks(2).map(digit).collect::<Option<Vec<u8>>>())?
    };
    let (first, second) = text.split_once(' ')?;
    Some([bytes(first)?, bytes(second)?])
}

/// What the rows of a unit, in their order, still owe to its chip: kept and not put back.
pub fn owed<'a>(rows: impl IntoIterator<Item = &'a Row>) -> Option<Slots> {
    let events = rows.into_iter().filter(|row| row.row == RowKind::Event);
    events.fold(None, |owed, row| match row.rule.as_str() {
        // The earliest is the product's: a later one may be an identity of ours.
        KEPT => owed.or_else(|| read_slots(&row.note)),
        PUT_BACK => None,
        _ => owed,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(rule: &str, note: &str) -> Row {
        Row { row: RowKind::Event, rule: rule.into(), note: note.into(), ..Row::default() }
    }

    #[test]
    fn what_was_kept_is_owed_until_it_is_put_back() {
        let slots: Slots = [vec![0xFF, 0x00], vec![0x12]];
        let kept = row(KEPT, &slots_text(&slots));
        assert_eq!(kept.note, "FF00 12");
        assert_eq!(owed([&kept]), Some(slots.clone()));
        assert_eq!(owed([&kept, &row(PUT_BACK, "")]), None);
        let later = row(KEPT, "AA BB");
        assert_eq!(owed([&kept, &later]), Some(slots), "the earlier one is the product's");
        assert_eq!(owed([&row(KEPT, "A B"), &row(KEPT, "none")]), None, "not hexadecimal bytes");
    }
}
