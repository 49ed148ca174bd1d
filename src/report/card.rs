//! The jumper card of a board: what every place of every shunt stands for, and how the unit leaves.

use super::positions::within;
use super::table::{Cell, Form, Table};
use super::wrap;
use crate::board::{Board, Jumper, OptionSet, Place};
use std::borrow::Cow;

/// The line for a board that drives loads.
pub const CAUTION: &str = "Caution: power off and live equipment off the outputs before a shunt is \
                           moved; extra-low voltage only.";

/// Columns of a terminal that the text stays within, less its indent.
const WIDTH: usize = 76;

/// Narrowest column of options.
const NARROW: usize = 16;

/// One piece of the card.
#[derive(Clone, Debug, PartialEq)]
pub enum Part {
    /// A header whose places mean something by themselves.
    Header {
        /// Index of the jumper.
        jumper: usize,
        /// Its places.
        rows: Vec<PlaceRow>,
    },
    /// Headers that make an option together, as address bits do.
    Together {
        /// Index of the set of options.
        set: usize,
        /// The jumpers that it names, in the order of the file.
        jumpers: Vec<usize>,
        /// Its entries.
        rows: Vec<TogetherRow>,
    },
}

/// One place of a jumper.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceRow {
    /// The place.
    pub place: Place,
    /// What it stands for; empty where no channel reads it.
    pub options: Vec<String>,
    /// Whether the unit leaves like this.
    pub delivered: bool,
}

/// One entry of a set of options.
#[derive(Clone, Debug, PartialEq)]
pub struct TogetherRow {
    /// A place for each jumper of the part; `None` where it does not matter.
    pub places: Vec<Option<Place>>,
    /// The option.
    pub option: String,
    /// Whether the unit leaves like this.
    pub delivered: bool,
}

/// The pieces of a board's card: headers in the order of the file, then sets made by several.
pub fn parts(board: &Board) -> Vec<Part> {
    let several = |set: &&OptionSet| jumpers(set).len() > 1;
    let in_set =
        |jumper| board.options.iter().filter(several).any(|s| jumpers(s).contains(&jumper));
    let mut parts = Vec::new();
    for jumper in 0..board.jumpers.len() {
        let rows = place_rows(board, jumper);
        // The header of an address bit is drawn above its column of the table.
        let alone = rows.iter().any(|r| !r.options.is_empty());
        if alone || !in_set(jumper) || board.jumpers[jumper].positions.len() > 1 {
            parts.push(Part::Header { jumper, rows });
        }
    }
    for (set, s) in board.options.iter().enumerate().filter(|(_, s)| several(s)) {
        let jumpers = jumpers(s);
        let delivered = s.when.iter().position(|m| m.holds(&board.delivery));
        let row = |(i, m): (usize, &crate::board::Meaning)| TogetherRow {
            places: jumpers
                .iter()
                .map(|j| m.places.iter().find(|(named, _)| named == j).map(|&(_, place)| place))
                .collect(),
            option: m.means.clone(),
            delivered: delivered == Some(i),
        };
        let rows = s.when.iter().enumerate().map(row).collect();
        parts.push(Part::Together { set, jumpers, rows });
    }
    parts
}

/// The jumpers that a set names, in the order of the file.
fn jumpers(set: &OptionSet) -> Vec<usize> {
    let mut jumpers: Vec<usize> =
        set.when.iter().flat_map(|m| m.places.iter().map(|&(jumper, _)| jumper)).collect();
    jumpers.sort_unstable();
    jumpers.dedup();
    jumpers
}

fn place_rows(board: &Board, jumper: usize) -> Vec<PlaceRow> {
    let alone: Vec<&OptionSet> = board.options.iter().filter(|s| jumpers(s) == [jumper]).collect();
    let delivered = board.delivery.0[jumper];
    let mut places = board.jumpers[jumper].places();
    if !places.contains(&delivered) {
        places.push(delivered);
    }
    let row = |place: Place| {
        let means = |s: &&OptionSet| {
            let entry = s.when.iter().find(|m| m.places == [(jumper, place)])?;
            // With several sets on one header each says which it is.
            Some(match alone.len() {
                1 => entry.means.clone(),
                _ => format!("{}: {}", set_name(s), entry.means),
            })
        };
        let options = alone.iter().filter_map(means).collect();
        PlaceRow { place, options, delivered: place == delivered }
    };
    places.into_iter().map(row).collect()
}

/// What a set of options is called.
pub fn set_name(set: &OptionSet) -> &str {
    if set.label.is_empty() { &set.id } else { &set.label }
}

/// What a header is called.
pub fn header_name(jumper: &Jumper) -> String {
    format!("{} {}", jumper.id, jumper.label).trim_end().to_string()
}

/// The pins that a place joins: `5-6`, of several poles `1-2 and 4-5`; nothing without a shunt.
pub fn pins(jumper: &Jumper, place: Place) -> String {
    let Place::At(i) = place else { return String::new() };
    let poles: Vec<String> =
        jumper.positions[i].pins.iter().map(|[a, b]| format!("{a}-{b}")).collect();
    poles.join(" and ")
}

/// A row for each place and each entry, for programs.
pub fn table(board: &Board) -> Table {
    let mut table = Table::new(&["what", "setting", "pins", "option", "delivery"]);
    let mut row = |set: Cell, places: &[(usize, Place)], option: Cell, delivered: bool| {
        let each = |text: &dyn Fn(&Jumper, Place) -> String| {
            let of = |&(j, place): &(usize, Place)| text(&board.jumpers[j], place);
            let words: Vec<String> = places.iter().map(of).filter(|w| !w.is_empty()).collect();
            words.join(" ")
        };
        let setting = each(&|j, place| format!("{}={}", j.id, j.place_name(place)));
        let pins = each(&|j, place| match pins(j, place) {
            none if none.is_empty() => none,
            some => format!("{}:{}", j.id, some.replace(" and ", "+")),
        });
        let delivered = if delivered { "yes" } else { "no" };
        table.rows.push(vec![set, setting.into(), Cell::text(pins), option, delivered.into()]);
    };
    for part in parts(board) {
        match part {
            Part::Header { jumper, rows } => {
                let label = &board.jumpers[jumper].label;
                for r in rows {
                    let option = Cell::text(r.options.join("; "));
                    row(Cell::text(label.clone()), &[(jumper, r.place)], option, r.delivered);
                }
            }
            Part::Together { set, jumpers, rows } => {
                for r in rows {
                    let named: Vec<(usize, Place)> = jumpers
                        .iter()
                        .zip(&r.places)
                        .filter_map(|(&j, p)| Some((j, (*p)?)))
                        .collect();
                    let name = set_name(&board.options[set]);
                    row(name.into(), &named, r.option.into(), r.delivered);
                }
            }
        }
    }
    table
}

/// The card for people: a small table for each part, the delivery setting marked.
pub fn text(board: &Board) -> String {
    let mut text = format!("{}, revision {}: jumper card\n", board.name, board.revision);
    if !board.loads.is_empty() {
        text += &wrap::lines(CAUTION, 78).join("\n");
        text.push('\n');
    }
    for part in parts(board) {
        let (heading, table) = match part {
            Part::Header { jumper, rows } => {
                let j = &board.jumpers[jumper];
                (header_name(j), header_table(j, &rows))
            }
            Part::Together { set, jumpers, rows } => {
                (set_name(&board.options[set]).to_string(), fitting(board, &jumpers, &rows))
            }
        };
        text += &format!("\n{heading}\n");
        for line in table.print(Form::Text).lines() {
            text += &format!("  {line}\n");
        }
    }
    text
}

/// The sign and the word of the delivery setting.
fn mark(delivered: bool) -> (Cell, Cell) {
    match delivered {
        true => (">".into(), "delivery".into()),
        false => ("".into(), "".into()),
    }
}

fn header_table(jumper: &Jumper, rows: &[PlaceRow]) -> Table {
    let mut table = Table::new(&["", "position", "pins", "option", ""]);
    for row in rows {
        let (sign, word) = mark(row.delivered);
        let place = jumper.place_name(row.place).into();
        let pins = Cell::text(pins(jumper, row.place));
        table.rows.push(vec![sign, place, pins, Cell::text(row.options.join("; ")), word]);
    }
    const OPTION: usize = 3;
    let wide = |c: usize| {
        let cells = table.rows.iter().map(|row| row[c].width());
        cells.chain([table.columns[c].len()]).max().unwrap_or(0)
    };
    let rest: usize = (0..table.columns.len()).filter(|&c| c != OPTION).map(|c| wide(c) + 2).sum();
    let room = WIDTH.saturating_sub(rest).max(NARROW);
    let mut broken = Table { columns: table.columns, rows: Vec::new() };
    for mut row in table.rows {
        let mut lines = match &row[OPTION] {
            Cell::Text(text) => wrap::lines(text, room).into_iter(),
            _ => Vec::new().into_iter(),
        };
        if let Some(first) = lines.next() {
            row[OPTION] = first.into();
        }
        broken.rows.push(row);
        for line in lines {
            let blank = |c: usize| Cell::from(if c == OPTION { line.as_str() } else { "" });
            broken.rows.push((0..broken.columns.len()).map(blank).collect());
        }
    }
    broken
}

/// A column for each jumper where they fit a terminal, else each setting in words.
fn fitting(board: &Board, jumpers: &[usize], rows: &[TogetherRow]) -> Table {
    let columns = together_table(board, jumpers, rows);
    if columns.print(Form::Text).lines().all(|line| line.chars().count() <= WIDTH) {
        return columns;
    }
    let mut table = Table::new(&["setting", "option", ""]);
    for row in rows {
        let place = |(&j, p): (&usize, &Option<Place>)| {
            let jumper = &board.jumpers[j];
            Some(format!("{}={}", jumper.id, jumper.place_name((*p)?)))
        };
        let places: Vec<String> = jumpers.iter().zip(&row.places).filter_map(place).collect();
        let mark = if row.delivered { "< delivery" } else { "" };
        table.rows.push(vec![places.join(" ").into(), row.option.as_str().into(), mark.into()]);
    }
    within(table, WIDTH)
}

fn together_table(board: &Board, jumpers: &[usize], rows: &[TogetherRow]) -> Table {
    let ids = jumpers.iter().map(|&j| Cow::from(board.jumpers[j].id.clone()));
    let columns = [Cow::from("")].into_iter().chain(ids).chain(["option".into(), "".into()]);
    let mut table = Table { columns: columns.collect(), rows: Vec::new() };
    for row in rows {
        let (sign, word) = mark(row.delivered);
        let place = |(&j, p): (&usize, &Option<Place>)| match p {
            Some(place) => Cell::from(board.jumpers[j].place_name(*place)),
            None => Cell::from("any"),
        };
        let places = jumpers.iter().zip(&row.places).map(place);
        let cells = [sign].into_iter().chain(places).chain([row.option.as_str().into(), word]);
        table.rows.push(cells.collect());
    }
    table
}
