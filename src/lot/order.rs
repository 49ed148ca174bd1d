//! The order of serial numbers.

use std::cmp::Ordering;

/// Compares names with the numbers in them taken as numbers: `U9` before `U10`. Names that then
/// are alike (`U7`, `U07`) go by their characters.
pub(super) fn natural(a: &str, b: &str) -> Ordering {
    pieces(a).cmp(pieces(b)).then_with(|| a.cmp(b))
}

/// Numbers stand before text. A run of digits compares by length and then by digit, so that no
/// serial number is too long.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
enum Piece<'a> {
    Number(usize, &'a str),
    Text(&'a str),
}

fn pieces(name: &str) -> impl Iterator<Item = Piece<'_>> {
    let mut rest = name;
    std::iter::from_fn(move || {
        let digit = rest.starts_with(|c: char| c.is_ascii_digit());
        let end = rest.find(|c: char| c.is_ascii_digit() != digit).unwrap_or(rest.len());
        let (piece, after) = rest.split_at(end);
        rest = after;
        match (piece.is_empty(), digit) {
            (true, _) => None,
            (_, true) => {
                let digits = piece.trim_start_matches('0');
                Some(Piece::Number(digits.len(), digits))
            }
            (_, false) => Some(Piece::Text(piece)),
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unit_9_stands_before_unit_10() {
        let mut units = ["U10", "U9", "7-2", "U-a", "U07", "7-10", "U7"];
        units.sort_by(|a, b| natural(a, b));
        assert_eq!(units, ["7-2", "7-10", "U07", "U7", "U9", "U10", "U-a"]);
    }
}
