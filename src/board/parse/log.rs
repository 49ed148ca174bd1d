//! Collects the problems of a board file and turns byte offsets into lines and columns.

use super::super::problem::{Problem, Problems};

/// Problems kept; further ones are counted only, so that memory and time stay bounded.
const KEPT: usize = 50;

/// A problem at a byte offset.
struct Found {
    at: usize,
    what: String,
    do_next: String,
    /// Whether its line is shown.
    shown: bool,
}

/// The problems found so far in one file.
pub(super) struct Log<'a> {
    file: &'a str,
    text: &'a str,
    found: Vec<Found>,
    /// Problems of the files that this one names.
    beside: Vec<Problem>,
    more: usize,
}

impl<'a> Log<'a> {
    pub(super) fn new(file: &'a str, text: &'a str) -> Self {
        Log { file, text, found: Vec::new(), beside: Vec::new(), more: 0 }
    }

    /// Notes a problem at a byte offset.
    pub(super) fn add(&mut self, at: usize, what: impl Into<String>, do_next: impl Into<String>) {
        self.note(Found { at, what: what.into(), do_next: do_next.into(), shown: false });
    }

    /// Notes a problem whose line has to be seen to be understood.
    pub(super) fn add_shown(&mut self, at: usize, what: String, do_next: &str) {
        self.note(Found { at, what, do_next: do_next.into(), shown: true });
    }

    fn note(&mut self, found: Found) {
        if self.full() {
            self.more += 1;
        } else {
            self.found.push(found);
        }
    }

    /// Whether further problems are only counted, so that costly advice can be left out.
    pub(super) fn full(&self) -> bool {
        self.found.len() + self.beside.len() >= KEPT
    }

    /// Whether nothing was found.
    pub(super) fn clean(&self) -> bool {
        self.found.is_empty() && self.beside.is_empty()
    }

    /// Takes up the problems of a file that this one names.
    pub(super) fn absorb(&mut self, other: Log<'_>) {
        let Problems { list, more } = other.into_problems();
        self.beside.extend(list);
        self.more += more;
    }

    /// The problems in the order of the file, then those of the files that it names.
    pub(super) fn into_problems(mut self) -> Problems {
        self.found.sort_by_key(|f| f.at);
        let mut list: Vec<Problem> = self
            .found
            .into_iter()
            .map(|Found { at, what, do_next, shown }| {
                let (line, column) = position(self.text, at);
                let shown = shown.then(|| excerpt(self.text, line, column));
                Problem { file: self.file.to_string(), line, column, what, shown, do_next }
            })
            .collect();
        list.append(&mut self.beside);
        Problems { list, more: self.more }
    }
}

/// Characters shown of a line, and how many of them stand before the place.
const SHOWN: usize = 68;
const BEFORE: usize = 40;

/// A line with its number, and under it a mark at the column.
fn excerpt(text: &str, line: usize, column: usize) -> [String; 2] {
    let whole = text.split('\n').nth(line - 1).unwrap_or_default().trim_end_matches('\r');
    let start = (column - 1).saturating_sub(BEFORE);
    let visible = |c: char| if c.is_control() { ' ' } else { c };
    let part: String = whole.chars().skip(start).take(SHOWN).map(visible).collect();
    let (cut, rest) = (if start > 0 { "…" } else { "" }, whole.chars().count() > start + SHOWN);
    let number = line.to_string();
    let under = " ".repeat(column - 1 - start + cut.chars().count());
    [
        format!("{number} | {cut}{part}{}", if rest { "…" } else { "" }),
        format!("{} | {under}^", " ".repeat(number.len())),
    ]
}

/// Line and column, both from 1, of a byte offset; the column counts characters.
fn position(text: &str, at: usize) -> (usize, usize) {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    let before = &text[..at];
    let start = before.rfind('\n').map_or(0, |i| i + 1);
    (before.matches('\n').count() + 1, before[start..].chars().count() + 1)
}
