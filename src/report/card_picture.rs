//! The jumper card as a picture for lid or leaflet, as wide as an A4 sheet: every header with its
//! pins, every place of its shunt with the option it stands for, the delivery setting marked by a
//! frame, a sign and a word.

use super::card::{self, CAUTION, Part, PlaceRow, TogetherRow};
use super::pins::{Header, joined};
use super::svg::{A4_WIDTH, Anchor, Area, Font, Look, Picture, Stroke};
use crate::board::{Board, Jumper, Place};

/// Margin of the sheet.
const EDGE: f64 = 25.0;
/// Width between the margins.
const INNER: f64 = A4_WIDTH - 2.0 * EDGE;
/// Between two panels.
const APART: f64 = 10.0;
/// Width of a panel of which two stand side by side.
const HALF: f64 = (INNER - APART) / 2.0;
/// From the edge of a panel to what is in it.
const PAD: f64 = 7.0;
/// Width of the column with the delivery mark.
const MARK: f64 = 54.0;
/// Least width of a jumper's column in a table.
const COLUMN: f64 = 34.0;
/// Width of a jumper's column where one table has several lines of them.
const WIDE_COLUMN: f64 = 48.0;
/// Least width of the options in a table.
const LEAST_OPTION: f64 = 50.0;

/// Pins of a header closer than this are told apart with trouble: half of their 2.54 mm, nearly.
const LEGIBLE: f64 = 5.0;
/// Distance of pins in the part of a long header that is drawn round a shunt.
const PART: f64 = 9.5;
/// Between two columns of places, and from a drawing to its words.
const BETWEEN: f64 = 12.0;

const TITLE: Font = Font::bold(14.0);
const HEADING: Font = Font::bold(10.0);
const OPTION: Font = Font::bold(8.5);
const SMALL: Font = Font::plain(7.0);

/// Draws the card.
pub fn picture(board: &Board) -> String {
    let mut p = Picture::new(A4_WIDTH);
    let title = format!("{}, revision {}: jumper card", board.name, board.revision);
    let mut top = p.lines(EDGE, EDGE, INNER, TITLE, &title);
    top = p.lines(EDGE, top, INNER, SMALL, &board.about) + 2.0;
    if !board.loads.is_empty() {
        top = p.lines(EDGE, top, INNER, Font::plain(8.0), CAUTION) + 2.0;
    }
    // Bottom edges of the left and the right column.
    let mut columns = [top + 6.0; 2];
    for part in card::parts(board) {
        let panel = Panel::of(board, &part);
        if panel.width > HALF {
            let y = columns[0].max(columns[1]);
            columns = [panel.draw(&mut p, EDGE, y) + APART; 2];
            continue;
        }
        let right = columns[1] < columns[0];
        let x = if right { EDGE + HALF + APART } else { EDGE };
        let column = &mut columns[usize::from(right)];
        *column = panel.draw(&mut p, x, *column) + APART;
    }
    p.finish(columns[0].max(columns[1]) - APART + EDGE, &title)
}

/// One framed part of the card.
struct Panel<'a> {
    board: &'a Board,
    part: &'a Part,
    width: f64,
    heading: String,
}

impl<'a> Panel<'a> {
    fn of(board: &'a Board, part: &'a Part) -> Panel<'a> {
        let (heading, half) = match part {
            Part::Header { jumper, .. } => {
                let jumper = &board.jumpers[*jumper];
                (card::header_name(jumper), !is_long(&Header::of(jumper)))
            }
            Part::Together { set, jumpers, rows } => (
                card::set_name(&board.options[*set]).to_string(),
                options_width(rows) <= option_room(HALF, jumpers.len()),
            ),
        };
        let width = if half { HALF } else { INNER };
        Panel { board, part, width, heading }
    }

    /// Draws the panel from its top left corner; the bottom edge reached.
    fn draw(&self, p: &mut Picture, x: f64, y: f64) -> f64 {
        let inside = (x + PAD, self.width - 2.0 * PAD);
        let top = p.lines(inside.0, y + PAD - 2.0, inside.1, HEADING, &self.heading) + 2.0;
        let bottom = match self.part {
            Part::Header { jumper, rows } => {
                let jumper = &self.board.jumpers[*jumper];
                match is_long(&Header::of(jumper)) {
                    true => long_header(p, inside, top, jumper, rows),
                    false => header(p, inside, top, jumper, rows),
                }
            }
            Part::Together { jumpers, rows, .. } => {
                let columns: Vec<&Jumper> =
                    jumpers.iter().map(|&j| &self.board.jumpers[j]).collect();
                match option_room(self.width, columns.len()) {
                    room if room < LEAST_OPTION => in_lines(p, inside, top, &columns, rows),
                    _ => together(p, inside, top, &columns, rows),
                }
            }
        } + PAD
            - 3.0;
        p.area(Area { x, y, w: self.width, h: bottom - y }, Look::Bordered);
        bottom
    }
}

/// The width that the options of a table want: that of their longest word, within reason.
fn options_width(rows: &[TogetherRow]) -> f64 {
    let words = rows.iter().flat_map(|r| r.option.split_whitespace());
    let widest = words.map(|w| OPTION.width(w)).fold(0.0, f64::max);
    (widest + 8.0).clamp(LEAST_OPTION, 160.0)
}

/// What the least columns of a table leave for the options.
fn option_room(width: f64, columns: usize) -> f64 {
    width - 2.0 * PAD - MARK - COLUMN * columns as f64
}

/// A header with its pin numbers, then a row for each place.
fn header(p: &mut Picture, (x, w): (f64, f64), y: f64, jumper: &Jumper, rows: &[PlaceRow]) -> f64 {
    let pins = Header::of(jumper);
    let mut y = pins.draw_numbered(p, (x, y), pins.pitch(w, 13.0), None) + 5.0;
    let small = pins.pitch(80.0, 8.0);
    let words = x + 90.0;
    let room = w - 90.0 - MARK;
    for row in rows {
        pins.draw(p, (x + 3.0, y + 2.0), small, joined(jumper, row.place));
        let bottom = said(p, (words, y + 1.0), room, jumper, row);
        let bottom = (bottom + 2.0).max(y + pins.height(small) + 4.0);
        if row.delivered {
            mark(p, Area { x, y, w, h: bottom - y });
        }
        y = bottom + 3.0;
    }
    y
}

/// What a place stands for, and its pins; the bottom edge reached.
fn said(p: &mut Picture, (x, y): (f64, f64), room: f64, jumper: &Jumper, row: &PlaceRow) -> f64 {
    let bottom = row.options.iter().fold(y, |y, option| p.lines(x, y, room, OPTION, option));
    let place = match row.place {
        Place::Open => "open: no shunt".to_string(),
        at => format!("{}: pins {}", jumper.place_name(at), card::pins(jumper, at)),
    };
    let font = if row.options.is_empty() { OPTION } else { SMALL };
    p.lines(x, bottom, room, font, &place)
}

/// Whether a header has so many pins that a small drawing of it could not be read.
fn is_long(pins: &Header) -> bool {
    pins.pitch(80.0, 8.0) < LEGIBLE
}

/// A long header over the whole width, then its places in columns, each with no more of the header
/// than lies round its shunt.
fn long_header(
    p: &mut Picture,
    (x, w): (f64, f64),
    y: f64,
    jumper: &Jumper,
    rows: &[PlaceRow],
) -> f64 {
    let pins = Header::of(jumper);
    let top = pins.draw_numbered(p, (x, y), pins.pitch(w, 18.0), None) + 6.0;
    let drawings: Vec<Header> = rows.iter().map(|r| pins.round(joined(jumper, r.place))).collect();
    let pitch = |of: &Header| of.pitch(PART * 7.0, PART);
    let drawn = drawings.iter().map(|of| of.width(pitch(of))).fold(0.0, f64::max);
    // The mark stands in one row alone; only there do words make room for it.
    let least_words = LEAST_OPTION + MARK;
    let columns = ((w + BETWEEN) / (drawn + BETWEEN + least_words + BETWEEN)).floor().max(1.0);
    let each = (w - BETWEEN * (columns - 1.0)) / columns;
    let room = each - drawn - BETWEEN;
    let many = rows.len().div_ceil(columns as usize);
    let mut reached = top;
    for (column, some) in rows.chunks(many).enumerate() {
        let x = x + (each + BETWEEN) * column as f64;
        let mut y = top;
        for (row, part) in some.iter().zip(&drawings[many * column..]) {
            let shunt = joined(jumper, row.place);
            let low = part.draw_numbered(p, (x + 3.0, y + 2.0), pitch(part), shunt);
            let room = if row.delivered { room - MARK } else { room };
            let low = low.max(said(p, (x + drawn + BETWEEN, y + 2.0), room, jumper, row)) + 2.0;
            if row.delivered {
                mark(p, Area { x, y, w: each, h: low - y });
            }
            y = low + 4.0;
        }
        reached = reached.max(y);
    }
    reached
}

/// A table: a column for each jumper under its header, a row for each option.
fn together(
    p: &mut Picture,
    (x, w): (f64, f64),
    y: f64,
    jumpers: &[&Jumper],
    rows: &[TogetherRow],
) -> f64 {
    // The options take what is left over by columns of a readable width.
    let each = (w - MARK - options_width(rows)) / jumpers.len().max(1) as f64;
    let each = each.clamp(COLUMN, 60.0);
    let first = x + w - MARK - each * jumpers.len() as f64;
    let headers: Vec<(f64, Header)> =
        jumpers.iter().enumerate().map(|(i, j)| (first + each * i as f64, Header::of(j))).collect();
    let mut y = heads(p, y, each - 4.0, jumpers, &headers) + 2.0;
    for row in rows {
        p.line((x, y), (x + w, y), Stroke::Dotted);
        let mut bottom = p.lines(x + 3.0, y + 3.0, first - x - 6.0, OPTION, &row.option);
        for ((column, pins), (jumper, place)) in headers.iter().zip(jumpers.iter().zip(&row.places))
        {
            bottom = bottom.max(cell(p, (*column, y + 3.0), each - 4.0, pins, jumper, *place));
        }
        bottom += 2.0;
        if row.delivered {
            mark(p, Area { x, y: y + 1.0, w, h: bottom - y - 1.0 });
        }
        y = bottom + 2.0;
    }
    y
}

/// A place drawn and named, the name beside the drawing where there is room, else under it.
fn cell(
    p: &mut Picture,
    (x, y): (f64, f64),
    width: f64,
    pins: &Header,
    jumper: &Jumper,
    place: Option<Place>,
) -> f64 {
    let Some(place) = place else { return p.lines(x, y, width, SMALL, "any") };
    let part = pins.round(joined(jumper, place));
    let pins = if pins.pitch(width, 8.0) < LEGIBLE / 2.0 { &part } else { pins };
    let pitch = pins.pitch(width, 8.0);
    pins.draw(p, (x, y), pitch, joined(jumper, place));
    let (name, drawn) = (jumper.place_name(place), (pins.width(pitch), pins.height(pitch)));
    if SMALL.width(name) + 3.0 + drawn.0 > width {
        return p.lines(x, y + drawn.1 + 1.0, width, SMALL, name);
    }
    let middle = y + drawn.1 / 2.0 + 2.5;
    p.text(x + drawn.0 + 3.0, middle, Anchor::Start, SMALL, name);
    (y + drawn.1).max(middle + 2.0)
}

/// The heads of a table's columns, each with its header and the numbers of its pins.
fn heads(
    p: &mut Picture,
    y: f64,
    width: f64,
    jumpers: &[&Jumper],
    headers: &[(f64, Header)],
) -> f64 {
    let mut bottom = y;
    for (jumper, (x, pins)) in jumpers.iter().zip(headers) {
        let mut under = p.lines(*x, y, width, OPTION, &jumper.id);
        if !jumper.label.is_empty() {
            under = p.lines(*x, under, width, SMALL, &jumper.label);
        }
        bottom =
            bottom.max(pins.draw_numbered(p, (*x, under + 2.0), pins.pitch(width, 11.0), None));
    }
    bottom
}

/// A table of more jumpers than a sheet is wide for: several lines of columns for each option.
fn in_lines(
    p: &mut Picture,
    (x, w): (f64, f64),
    mut y: f64,
    jumpers: &[&Jumper],
    rows: &[TogetherRow],
) -> f64 {
    let most = ((w - MARK) / WIDE_COLUMN).floor().max(1.0) as usize;
    let columns = |i: usize| x + 3.0 + WIDE_COLUMN * i as f64;
    for line in jumpers.chunks(most) {
        let headers: Vec<(f64, Header)> =
            line.iter().enumerate().map(|(i, j)| (columns(i), Header::of(j))).collect();
        y = heads(p, y, WIDE_COLUMN - 4.0, line, &headers) + 4.0;
    }
    for row in rows {
        let mut bottom = p.lines(x + 3.0, y + 2.0, w - MARK - 6.0, OPTION, &row.option);
        for (line, places) in jumpers.chunks(most).zip(row.places.chunks(most)) {
            let top = bottom + 1.0;
            for (i, (jumper, place)) in line.iter().zip(places).enumerate() {
                let under = p.lines(columns(i), top, WIDE_COLUMN - 4.0, SMALL, &jumper.id);
                let at = (columns(i), under + 1.5);
                let drawn = cell(p, at, WIDE_COLUMN - 4.0, &Header::of(jumper), jumper, *place);
                bottom = bottom.max(drawn + 1.0);
            }
        }
        bottom += 2.0;
        if row.delivered {
            mark(p, Area { x, y, w, h: bottom - y });
        }
        y = bottom + 3.0;
    }
    y
}

/// Marks a row as the delivery setting.
fn mark(p: &mut Picture, row: Area) {
    p.area(row, Look::Framed);
    let middle = row.y + row.h / 2.0;
    let right = row.x + row.w - 4.0;
    let font = Font::bold(7.5);
    p.pointer(right - font.width("delivery") - 8.0, middle, 6.0);
    p.text(right, middle + 2.6, Anchor::End, font, "delivery");
}
