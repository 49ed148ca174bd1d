//! Positions of many jumpers in few columns.

use super::table::{Cell, Table};
use super::windows::position;
use super::wrap;
use crate::board::{Board, Place};
use crate::window::{ChannelWindows, Class};
use std::collections::BTreeMap;

/// Names of classes longer than this leave out what most of them have in common.
const LONG: usize = 24;

/// Narrowest column of words.
const NARROW: usize = 9;

/// What the classes of a channel are called.
pub(super) struct Names {
    /// In the order of the classes.
    pub classes: Vec<String>,
    /// Where the jumpers are that a name leaves out.
    pub note: Option<String>,
}

impl Names {
    pub(super) fn new(board: &Board, w: &ChannelWindows) -> Names {
        let plain: Vec<String> = w.classes.iter().map(|c| position(c).to_string()).collect();
        if plain.iter().all(|name| name.chars().count() <= LONG) {
            return Names { classes: plain, note: None };
        }
        let usual = usual(w);
        let pair = |jumper: usize, place: Place| {
            let j = &board.jumpers[jumper];
            format!("{}={}", j.id, j.place_name(place))
        };
        let one = |places: &Vec<(usize, Place)>| {
            let odd = places.iter().filter(|(j, p)| usual.get(j) != Some(p));
            let odd: Vec<String> = odd.map(|&(j, p)| pair(j, p)).collect();
            if odd.is_empty() { "all below".to_string() } else { odd.join(" ") }
        };
        let name = |class: &Class| {
            let all: Vec<String> =
                std::iter::once(&class.places).chain(&class.also).map(one).collect();
            all.join(" or ")
        };
        let rest: Vec<String> = usual.iter().map(|(&j, &p)| pair(j, p)).collect();
        let note = format!("where not named: {}", rest.join(" "));
        Names { classes: w.classes.iter().map(name).collect(), note: Some(note) }
    }
}

/// The place that each jumper has in most classes; of equals, no shunt.
fn usual(w: &ChannelWindows) -> BTreeMap<usize, Place> {
    let mut count: BTreeMap<usize, BTreeMap<Place, usize>> = BTreeMap::new();
    for class in &w.classes {
        for &(jumper, place) in std::iter::once(&class.places).chain(&class.also).flatten() {
            *count.entry(jumper).or_default().entry(place).or_default() += 1;
        }
    }
    let most = |(jumper, places): (usize, BTreeMap<Place, usize>)| {
        // `Open` sorts last, and the last of equals is taken.
        let place = places.into_iter().max_by_key(|&(place, n)| (n, place));
        place.map(|(place, _)| (jumper, place))
    };
    count.into_iter().filter_map(most).collect()
}

/// A table whose first two columns, of words, are broken so that its lines fit into `width`.
pub(super) fn within(table: Table, width: usize) -> Table {
    let wide = |c: usize| {
        let cells = table.rows.iter().filter_map(|row| row.get(c));
        cells.map(|cell| cell.width()).chain([table.columns[c].len()]).max().unwrap_or(0)
    };
    let rest: usize = (2..table.columns.len()).map(|c| wide(c) + 2).sum();
    let room = width.saturating_sub(rest + 2);
    if wide(0) + wide(1) <= room {
        return table;
    }
    let second = wide(1).min((room / 2).max(NARROW));
    let first = room.saturating_sub(second).max(NARROW);
    let mut broken = Table { columns: table.columns, rows: Vec::new() };
    for row in table.rows {
        let lines = |cell: Option<&Cell>, width: usize| match cell {
            Some(Cell::Text(text)) => wrap::lines(text, width),
            _ => Vec::new(),
        };
        let (a, b) = (lines(row.first(), first), lines(row.get(1), second));
        let first_of =
            |lines: &[String]| lines.first().map_or(Cell::Missing, |line| Cell::Text(line.clone()));
        let figures = row.into_iter().skip(2);
        broken.rows.push([first_of(&a), first_of(&b)].into_iter().chain(figures).collect());
        for n in 1..a.len().max(b.len()) {
            // Nothing is missing there: the row goes on.
            let of = |lines: &[String]| Cell::Text(lines.get(n).cloned().unwrap_or_default());
            let blank = (2..broken.columns.len()).map(|_| Cell::from(""));
            broken.rows.push([of(&a), of(&b)].into_iter().chain(blank).collect());
        }
    }
    broken
}
