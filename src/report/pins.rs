//! A header seen from above: where its pins are, and a drawing of it with its shunt.

use super::svg::{Anchor, Area, Font, Look, Picture, Stroke};
use crate::board::{Jumper, Place};

/// Columns of a long header that are drawn round a shunt.
const ROUND: usize = 5;

/// The pins of a header in columns and rows.
pub struct Header {
    /// Pin, column, row.
    pins: Vec<(u16, usize, usize)>,
    columns: usize,
    rows: usize,
    /// Whether the header goes on to the left, to the right.
    on: [bool; 2],
}

const WHOLE: [bool; 2] = [false; 2];

impl Header {
    /// Lays out the pins that the positions name.
    ///
    /// Positions that share no pin stand side by side, the two pins of each under one another, as
    /// on a double-row header. Positions that share pins lie in one row where each joins two
    /// neighbours, else in two rows with the odd pins above the even ones (common practice, no
    /// source).
    pub fn of(jumper: &Jumper) -> Header {
        let mut pairs: Vec<[u16; 2]> =
            jumper.positions.iter().flat_map(|p| p.pins.iter().copied()).collect();
        pairs.sort_unstable_by_key(|p| (p[0].min(p[1]), p[0].max(p[1])));
        pairs.dedup();
        let mut numbers: Vec<u16> = pairs.iter().flatten().copied().collect();
        numbers.sort_unstable();
        let all = numbers.len();
        numbers.dedup();
        if numbers.len() == all {
            let pins = pairs.iter().enumerate();
            let pins = pins.flat_map(|(c, &[a, b])| [(a, c, 0), (b, c, 1)]).collect();
            return Header { pins, columns: pairs.len(), rows: 2, on: WHOLE };
        }
        let rank = |pin: u16| numbers.binary_search(&pin).unwrap_or(0);
        if pairs.iter().all(|&[a, b]| rank(a).abs_diff(rank(b)) == 1) {
            let pins = numbers.iter().enumerate().map(|(c, &pin)| (pin, c, 0)).collect();
            return Header { pins, columns: numbers.len(), rows: 1, on: WHOLE };
        }
        let mut columns: Vec<u16> = numbers.iter().map(|pin| pin.saturating_sub(1) / 2).collect();
        columns.dedup();
        let column = |pin: u16| columns.binary_search(&(pin.saturating_sub(1) / 2)).unwrap_or(0);
        let row = |pin: u16| usize::from(pin.is_multiple_of(2));
        let pins = numbers.iter().map(|&pin| (pin, column(pin), row(pin))).collect();
        Header { pins, columns: columns.len(), rows: 2, on: WHOLE }
    }

    /// The columns round a shunt, those at its left end where there is none; the whole header where
    /// it has no more than these, or its shunt joins pins further apart.
    pub fn round(&self, shunt: Option<&[[u16; 2]]>) -> Header {
        let joined = |pin: u16| shunt.unwrap_or_default().iter().flatten().any(|&p| p == pin);
        let columns = self.pins.iter().filter(|p| joined(p.0)).map(|p| p.1);
        let (first, last) = (columns.clone().min().unwrap_or(0), columns.max().unwrap_or(0));
        let spare = ROUND.saturating_sub(last + 1 - first);
        let (from, shown) = match self.columns > ROUND && last - first < ROUND {
            true => (first.saturating_sub(spare / 2).min(self.columns - ROUND), ROUND),
            false => (0, self.columns),
        };
        let pins = self.pins.iter().filter(|p| (from..from + shown).contains(&p.1));
        Header {
            pins: pins.map(|&(pin, column, row)| (pin, column - from, row)).collect(),
            columns: shown,
            rows: self.rows,
            on: [from > 0, from + shown < self.columns],
        }
    }

    /// The largest distance between pins, up to `most`, at which the header is no wider than
    /// `room`.
    pub fn pitch(&self, room: f64, most: f64) -> f64 {
        (room / self.columns.max(1) as f64).min(most)
    }

    /// Its width at a pitch.
    pub fn width(&self, pitch: f64) -> f64 {
        self.columns as f64 * pitch
    }

    /// Its height at a pitch, without pin numbers.
    pub fn height(&self, pitch: f64) -> f64 {
        self.rows as f64 * pitch
    }

    /// Draws it from its top left corner, with the shunt on a place.
    pub fn draw(
        &self,
        p: &mut Picture,
        (x, y): (f64, f64),
        pitch: f64,
        shunt: Option<&[[u16; 2]]>,
    ) {
        self.outline(p, (x, y), pitch);
        let middle = |column: usize, row: usize| {
            (x + pitch * (column as f64 + 0.5), y + pitch * (row as f64 + 0.5))
        };
        let of = |pin: u16| {
            self.pins.iter().find(|p| p.0 == pin).map_or((x, y), |&(_, c, r)| middle(c, r))
        };
        for &[a, b] in shunt.unwrap_or_default() {
            p.bar(of(a), of(b), 0.72 * pitch);
        }
        let side = 0.34 * pitch;
        for &(_, column, row) in &self.pins {
            let (cx, cy) = middle(column, row);
            let pin = Area { x: cx - side / 2.0, y: cy - side / 2.0, w: side, h: side };
            p.area(pin, Look::Outlined);
        }
    }

    /// Its edge, dotted where it goes on.
    fn outline(&self, p: &mut Picture, (x, y): (f64, f64), pitch: f64) {
        let (w, h) = (self.width(pitch), self.height(pitch));
        if self.on == WHOLE {
            return p.area(Area { x, y, w, h }, Look::Outlined);
        }
        for at in [y, y + h] {
            p.line((x, at), (x + w, at), Stroke::Thin);
        }
        for (at, on) in [x, x + w].into_iter().zip(self.on) {
            p.line((at, y), (at, y + h), if on { Stroke::Dotted } else { Stroke::Thin });
        }
    }

    /// Draws it with the numbers of its pins, where there is room for them, from a top left corner;
    /// the bottom edge reached.
    pub fn draw_numbered(
        &self,
        p: &mut Picture,
        (x, y): (f64, f64),
        pitch: f64,
        shunt: Option<&[[u16; 2]]>,
    ) -> f64 {
        let font = Font::plain(6.0);
        let fits = |pin: u16| font.width(&pin.to_string()) < pitch;
        let numbered = self.pins.iter().all(|p| fits(p.0));
        let above = if numbered && self.rows > 1 { font.line() } else { 0.0 };
        self.draw(p, (x, y + above), pitch, shunt);
        let under = y + above + self.height(pitch);
        if !numbered {
            return under;
        }
        for &(pin, column, row) in &self.pins {
            let feet =
                if row == 0 && self.rows > 1 { y + font.size - 0.5 } else { under + font.size };
            let middle = x + pitch * (column as f64 + 0.5);
            p.text(middle, feet, Anchor::Middle, font, &pin.to_string());
        }
        under + font.line()
    }
}

/// The pins that a shunt joins in a place.
pub fn joined(jumper: &Jumper, place: Place) -> Option<&[[u16; 2]]> {
    match place {
        Place::At(i) => jumper.positions.get(i).map(|p| p.pins.as_slice()),
        Place::Open => None,
    }
}
