//! A header drawn with the shunt where it should be.

use super::card;
use crate::board::{Jumper, Place};

/// The header's pins in the order of their numbers, one pole a line; the shunt is drawn as `[n=n]`.
///
/// Positions that share pins (three in a row) are drawn in one row, others one under another, as a
/// double-row header has them.
pub fn drawing(jumper: &Jumper, to: Place) -> Vec<String> {
    if shares_pins(jumper) { vec![in_a_row(jumper, to)] } else { one_under_another(jumper, to) }
}

fn shares_pins(jumper: &Jumper) -> bool {
    let mut pins: Vec<u16> =
        jumper.positions.iter().flat_map(|p| p.pins.iter().flatten().copied()).collect();
    let all = pins.len();
    pins.sort_unstable();
    pins.dedup();
    pins.len() < all
}

fn in_a_row(jumper: &Jumper, to: Place) -> String {
    let mut pins: Vec<u16> =
        jumper.positions.iter().flat_map(|p| p.pins.iter().flatten().copied()).collect();
    pins.sort_unstable();
    pins.dedup();
    let joined: Vec<[u16; 2]> = match to {
        Place::At(i) => jumper.positions[i].pins.clone(),
        Place::Open => Vec::new(),
    };
    let mut text = format!("{}  ", jumper.id);
    for (i, pin) in pins.iter().enumerate() {
        let starts = joined.iter().any(|p| p[0].min(p[1]) == *pin);
        let ends = joined.iter().any(|p| p[0].max(p[1]) == *pin);
        text += if starts { "[" } else { " " };
        text += &pin.to_string();
        text += if ends { "]" } else { " " };
        let inside = joined.iter().any(|p| {
            p[0].min(p[1]) <= *pin && pins.get(i + 1).is_some_and(|n| *n <= p[0].max(p[1]))
        });
        text += if inside { "==" } else { "  " };
    }
    text.trim_end().to_string()
}

fn one_under_another(jumper: &Jumper, to: Place) -> Vec<String> {
    // The only position of a jumper has no need of a name.
    let named = jumper.positions.len() > 1;
    let name = |p: &crate::board::Position| if named { p.name.clone() } else { String::new() };
    let widest = jumper.positions.iter().map(|p| name(p).chars().count()).max().unwrap_or(0);
    let row = |(i, position): (usize, &crate::board::Position)| {
        let here = to == Place::At(i);
        let poles: Vec<String> = position
            .pins
            .iter()
            .map(|[a, b]| if here { format!("[{a}=={b}]") } else { format!(" {a}  {b} ") })
            .collect();
        let mark = if here { ">" } else { " " };
        let name = name(position);
        let pad = " ".repeat(widest - name.chars().count());
        let gap = if named { "  " } else { "" };
        format!("{mark} {name}{pad}{gap}{}", poles.join("  "))
    };
    let mut rows: Vec<String> = jumper.positions.iter().enumerate().map(row).collect();
    rows.insert(0, card::header_name(jumper));
    rows
}
