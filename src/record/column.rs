//! Columns of a table: how a typed field becomes a cell and a cell becomes the field again.
//!
//! A table is one struct made by [`columns!`]; its header, its printing and its reading come from
//! that one list and cannot drift apart.

use jiff::Timestamp;

/// Version of the files written here; stands in the first cell of every row.
pub const FORMAT: u64 = 2;

/// One column, or several neighbouring ones.
pub trait Columns: Sized {
    /// Appends the names; `name` is that of the field.
    fn names(name: &'static str, out: &mut Vec<&'static str>);
    /// Appends the cells. A missing figure is an empty cell.
    fn print(&self, decimals: usize, out: &mut Vec<String>);
    /// Takes its cells; the error says what is wrong with the cell taken last and what to do next.
    fn parse(cells: &mut Cells) -> Result<Self, String>;
}

/// The cells of one line, taken from left to right.
pub struct Cells<'a> {
    cells: Vec<&'a str>,
    taken: usize,
}

impl<'a> Cells<'a> {
    /// The cells of one line.
    pub fn new(cells: Vec<&'a str>) -> Self {
        Cells { cells, taken: 0 }
    }

    /// How many cells were taken.
    pub fn taken(&self) -> usize {
        self.taken
    }

    /// The next cell; beyond the last one, an empty one.
    fn take(&mut self) -> &'a str {
        let cell = self.cells.get(self.taken).copied().unwrap_or("");
        self.taken += 1;
        cell
    }
}

/// Makes the struct of a table. After each type stands, where it matters, the number of decimals.
macro_rules! columns {
    (
        $(#[$meta:meta])* pub struct $name:ident {
            $( $(#[$doc:meta])* $field:ident : $type:ty $([$decimals:literal])?, )*
        }
    ) => {
        $(#[$meta])*
        #[derive(Clone, Debug, Default, PartialEq)]
        pub struct $name { $( $(#[$doc])* pub $field: $type, )* }

        impl $crate::record::column::Columns for $name {
            fn names(_: &'static str, out: &mut Vec<&'static str>) {
                $( <$type as $crate::record::column::Columns>::names(stringify!($field), out); )*
            }

            fn print(&self, _: usize, out: &mut Vec<String>) {
                $( $crate::record::column::Columns::print(
                    &self.$field, 0 $(+ $decimals)?, out,
                ); )*
            }

            fn parse(cells: &mut $crate::record::column::Cells) -> Result<Self, String> {
                Ok($name {
                    $( $field: $crate::record::column::Columns::parse(cells)?, )*
                })
            }
        }
    };
}
pub(crate) use columns;

/// The version of the file; it takes no other value than [`FORMAT`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Format;

impl Columns for Format {
    fn names(name: &'static str, out: &mut Vec<&'static str>) {
        out.push(name);
    }

    fn print(&self, _: usize, out: &mut Vec<String>) {
        out.push(FORMAT.to_string());
    }

    fn parse(cells: &mut Cells) -> Result<Self, String> {
        let text = cells.take();
        if text.parse() == Ok(FORMAT) {
            return Ok(Format);
        }
        Err(format!(
            "format `{}` is not known here, only format {FORMAT}; \
             read this file with the version of Strapwise that wrote it (column `tool`)",
            shown(text)
        ))
    }
}

/// Text is free text: a cell that a spreadsheet would run as a formula is made harmless.
impl Columns for String {
    fn names(name: &'static str, out: &mut Vec<&'static str>) {
        out.push(name);
    }

    fn print(&self, _: usize, out: &mut Vec<String>) {
        out.push(harmless(self));
    }

    fn parse(cells: &mut Cells) -> Result<Self, String> {
        Ok(original(cells.take()).to_string())
    }
}

impl Columns for Option<f64> {
    fn names(name: &'static str, out: &mut Vec<&'static str>) {
        out.push(name);
    }

    /// A plain numeral with a fixed number of decimals; what is no finite number is missing.
    fn print(&self, decimals: usize, out: &mut Vec<String>) {
        let cell = match self {
            Some(value) if value.is_finite() => numeral(*value, decimals),
            _ => String::new(),
        };
        out.push(cell);
    }

    fn parse(cells: &mut Cells) -> Result<Self, String> {
        match cells.take() {
            "" => Ok(None),
            text => match text.parse::<f64>() {
                Ok(value) if value.is_finite() => Ok(Some(value)),
                _ => Err(format!("`{}` is not a number; {MEND_CELL}", shown(text))),
            },
        }
    }
}

impl Columns for Option<u64> {
    fn names(name: &'static str, out: &mut Vec<&'static str>) {
        out.push(name);
    }

    fn print(&self, _: usize, out: &mut Vec<String>) {
        out.push(self.map(|value| value.to_string()).unwrap_or_default());
    }

    fn parse(cells: &mut Cells) -> Result<Self, String> {
        match cells.take() {
            "" => Ok(None),
            text => whole(text).map(Some),
        }
    }
}

impl Columns for u64 {
    fn names(name: &'static str, out: &mut Vec<&'static str>) {
        out.push(name);
    }

    fn print(&self, _: usize, out: &mut Vec<String>) {
        out.push(self.to_string());
    }

    fn parse(cells: &mut Cells) -> Result<Self, String> {
        whole(cells.take())
    }
}

/// RFC 3339 in UTC, to the millisecond.
impl Columns for Timestamp {
    fn names(name: &'static str, out: &mut Vec<&'static str>) {
        out.push(name);
    }

    fn print(&self, _: usize, out: &mut Vec<String>) {
        out.push(format!("{self:.3}"));
    }

    fn parse(cells: &mut Cells) -> Result<Self, String> {
        time(cells.take())
    }
}

impl Columns for Option<Timestamp> {
    fn names(name: &'static str, out: &mut Vec<&'static str>) {
        out.push(name);
    }

    fn print(&self, decimals: usize, out: &mut Vec<String>) {
        match self {
            Some(at) => at.print(decimals, out),
            None => out.push(String::new()),
        }
    }

    fn parse(cells: &mut Cells) -> Result<Self, String> {
        match cells.take() {
            "" => Ok(None),
            text => time(text).map(Some),
        }
    }
}

fn time(text: &str) -> Result<Timestamp, String> {
    text.parse().map_err(|_| {
        format!(
            "`{}` is not a time such as 1985-04-12T23:20:50.520Z (RFC 3339); {MEND_CELL}",
            shown(text)
        )
    })
}

/// What to do about a cell that cannot be read.
pub(crate) const MEND_CELL: &str =
    "was the file changed by a spreadsheet? put the original back, or correct this cell by hand";

fn whole(text: &str) -> Result<u64, String> {
    text.parse().map_err(|_| format!("`{}` is not a whole number; {MEND_CELL}", shown(text)))
}

/// A numeral without a minus before zero.
fn numeral(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.bytes().all(|b| b == b'0' || b == b'.') => digits.to_string(),
        _ => text,
    }
}

/// A cell as an error quotes it: short, on one line.
pub(crate) fn shown(text: &str) -> String {
    let mut short: String = text.chars().take(40).flat_map(char::escape_debug).collect();
    if text.chars().nth(40).is_some() {
        short.push('…');
    }
    short
}

/// Whether a spreadsheet would take the text for a formula, counting what stands after the
/// apostrophes that it begins with.
///
/// Source: OWASP, CSV Injection: cells that begin with = + - @ TAB CR LF.
fn like_formula(text: &str) -> bool {
    text.trim_start_matches('\'').starts_with(['=', '+', '-', '@', '\t', '\r', '\n'])
}

/// The text with an apostrophe before it where a spreadsheet would run it.
///
/// Text that has apostrophes before such a character gets one more, so that [`original`] can
/// take exactly one away.
fn harmless(text: &str) -> String {
    if like_formula(text) { format!("'{text}") } else { text.to_string() }
}

/// The text that [`harmless`] was given.
fn original(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(text) if like_formula(text) => text,
        _ => cell,
    }
}
