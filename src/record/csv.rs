//! Rows to and from CSV (RFC 4180: CRLF, quotes where needed). The one door of the `csv` crate.
//!
//! Cells are quoted where RFC 4180 asks for it, not throughout: an empty cell stays empty, and the
//! spreadsheet guard (an apostrophe before free text that looks like a formula, see
//! [`super::column`]) does not depend on quotes.

use std::fmt;

use ::csv::{Position, QuoteStyle, ReaderBuilder, StringRecord, Terminator, WriterBuilder};

use super::column::{Cells, Columns, FORMAT, Format, shown};

/// Why a file of rows cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file.
    pub file: String,
    /// Line, from 1; 0 when it is the file as a whole.
    pub line: u64,
    /// Name of the column, where it is one cell.
    pub column: Option<&'static str>,
    /// What is wrong and what to do next.
    pub what: String,
}

impl Problem {
    /// A problem of the file as a whole.
    pub fn of_file(file: &str, what: String) -> Problem {
        Problem { file: file.into(), line: 0, column: None, what }
    }

    /// Line, column and what is wrong, for a place that names the file itself.
    pub fn without_file(&self) -> String {
        let mut text = String::new();
        if self.line > 0 {
            text += &format!("line {}", self.line);
        }
        if let Some(column) = self.column {
            text += &format!(", column {column}");
        }
        if !text.is_empty() {
            text += ": ";
        }
        text + &self.what
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let separator = if self.line > 0 { ", " } else { ": " };
        write!(f, "{}{separator}{}", self.file, self.without_file())
    }
}

impl std::error::Error for Problem {}

/// What was read.
#[derive(Clone, Debug, PartialEq)]
pub struct Parsed<T> {
    /// The rows of the whole lines.
    pub rows: Vec<T>,
    /// Bytes of whole lines; what stands behind them is a torn last line.
    pub whole: usize,
}

/// The names of a table's columns, in order.
pub fn header<T: Columns>() -> Vec<&'static str> {
    let mut names = Vec::new();
    T::names("", &mut names);
    names
}

/// The header line.
pub fn header_line<T: Columns>() -> Vec<u8> {
    lines(std::iter::once(header::<T>()))
}

/// A line for each row, without header.
pub fn rows_lines<T: Columns>(rows: &[T]) -> Vec<u8> {
    lines(rows.iter().map(|row| {
        let mut cells = Vec::new();
        row.print(0, &mut cells);
        cells
    }))
}

/// Records as RFC 4180 lines, each ended by CR LF, fields quoted where they must be.
pub fn lines<S: AsRef<[u8]>>(records: impl Iterator<Item = Vec<S>>) -> Vec<u8> {
    let mut writer = WriterBuilder::new()
        .terminator(Terminator::CRLF)
        .quote_style(QuoteStyle::Necessary)
        .flexible(true)
        .from_writer(Vec::new());
    for record in records {
        writer.write_record(record).expect("writing to memory cannot fail");
    }
    writer.into_inner().expect("writing to memory cannot fail")
}

/// One column of a table from elsewhere: its cells that are not empty, each with its line.
///
/// The header line names the column, in any case of its letters; spaces round cells do not count.
/// Cells stand between commas, or between semicolons where the header line has these alone: so
/// spreadsheets write them where the comma is the decimal mark.
///
/// # Errors
/// No such column, lines that are no CSV, or a quote that is not closed: the lines behind it would
/// be taken as one cell.
pub fn column(file: &str, bytes: &[u8], name: &'static str) -> Result<Vec<(u64, String)>, Problem> {
    let source = Source { file, bytes, names: vec![name] };
    let first = bytes.split(|&b| b == b'\n').next().unwrap_or_default();
    let between = if first.contains(&b';') && !first.contains(&b',') { b';' } else { b',' };
    if let Some(line) = unclosed_quote(bytes, between) {
        let what = "a quote is opened and not closed; close it, or take it out".to_string();
        return Err(Problem { file: file.into(), line, column: None, what });
    }
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(between)
        .from_reader(bytes);
    let mut lines = reader.records().map(|line| line.map_err(|e| source.unreadable(&e)));
    let header = lines.next().transpose()?.unwrap_or_default();
    let clean = |cell: &str| cell.trim_start_matches('\u{feff}').trim().to_string();
    let Some(at) = header.iter().position(|c| clean(c).eq_ignore_ascii_case(name)) else {
        let what = format!("its first line names no column `{name}`; name the columns there");
        return Err(Problem::of_file(file, what));
    };
    let mut cells = Vec::new();
    for line in lines {
        let line = line?;
        let cell = clean(line.get(at).unwrap_or_default());
        if !cell.is_empty() {
            cells.push((line.position().map_or(0, |at| source.line(at)), cell));
        }
    }
    Ok(cells)
}

/// Reads a table. `file` is what errors call it.
///
/// A last line without its line end is torn: it is left out and `Parsed::whole` ends before it.
/// A file without a whole line has no rows.
pub fn read<T: Columns>(file: &str, bytes: &[u8]) -> Result<Parsed<T>, Problem> {
    let whole = whole_lines(bytes);
    let source = Source { file, bytes: &bytes[..whole], names: header::<T>() };
    let mut reader =
        ReaderBuilder::new().has_headers(false).flexible(true).from_reader(source.bytes);
    let mut lines = reader.records().map(|line| line.map_err(|e| source.unreadable(&e)));
    let mut rows = Vec::new();
    let Some(found) = lines.next().transpose()? else {
        return Ok(Parsed { rows, whole });
    };
    let mut line = lines.next().transpose()?;
    // A newer format may have other columns, so the format is looked at before the header.
    if let Some(first) = &line {
        source.check_format(&found, first)?;
    }
    source.check_header(&found)?;
    while let Some(cells) = line {
        rows.push(source.row(&cells)?);
        line = lines.next().transpose()?;
    }
    Ok(Parsed { rows, whole })
}

/// Length of the bytes up to the last line end that stands outside quotes.
///
/// As RFC 4180 has it, a quote opens a quoted cell only where the cell begins.
pub fn whole_lines(bytes: &[u8]) -> usize {
    let mut at = In::Start;
    let mut whole = 0;
    for (index, byte) in bytes.iter().enumerate() {
        at = at.after(*byte, b',');
        if *byte == b'\n' && at == In::Start {
            whole = index + 1;
        }
    }
    whole
}

/// Line, from 1, of a quote that is still open where the bytes end. `between` parts the cells.
fn unclosed_quote(bytes: &[u8], between: u8) -> Option<u64> {
    let (mut at, mut line, mut opened) = (In::Start, 1, 1);
    // A mark of the byte order is no part of the first cell; the reader leaves it out too.
    for &byte in bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes) {
        let next = at.after(byte, between);
        if at == In::Start && next == In::Quoted {
            opened = line;
        }
        at = next;
        line += u64::from(byte == b'\n');
    }
    (at == In::Quoted).then_some(opened)
}

/// Where in a cell a scan for its end is.
#[derive(Clone, Copy, PartialEq, Eq)]
enum In {
    Start,
    Plain,
    Quoted,
    /// Behind a quote in a quoted cell: its end, or the first of a doubled one.
    Closed,
}

impl In {
    /// Where it is behind this byte.
    fn after(self, byte: u8, between: u8) -> In {
        match (self, byte) {
            (In::Quoted, b'"') => In::Closed,
            (In::Quoted, _) => In::Quoted,
            (In::Start | In::Closed, b'"') => In::Quoted,
            (_, b'\r' | b'\n') => In::Start,
            (_, byte) if byte == between => In::Start,
            _ => In::Plain,
        }
    }
}

/// A file being read, for the errors about it.
struct Source<'a> {
    file: &'a str,
    bytes: &'a [u8],
    names: Vec<&'static str>,
}

impl Source<'_> {
    fn problem(
        &self,
        at: Option<&Position>,
        column: Option<&'static str>,
        what: String,
    ) -> Problem {
        let line = at.map_or(0, |at| self.line(at));
        Problem { file: self.file.into(), line, column, what }
    }

    /// The line that a reader's position stands for, from 1. The reader leaves the end of the line
    /// before, and empty lines, to be skipped.
    fn line(&self, at: &Position) -> u64 {
        let at = usize::try_from(at.byte()).unwrap_or(usize::MAX).min(self.bytes.len());
        let skipped = self.bytes[at..].iter().take_while(|b| matches!(b, b'\r' | b'\n')).count();
        1 + self.bytes[..at + skipped].iter().filter(|b| **b == b'\n').count() as u64
    }

    fn check_format(&self, header: &StringRecord, row: &StringRecord) -> Result<(), Problem> {
        if header.get(0) != Some("format") {
            return Ok(());
        }
        Format::parse(&mut Cells::new(row.iter().take(1).collect()))
            .map(|_| ())
            .map_err(|what| self.problem(row.position(), Some("format"), what))
    }

    fn check_header(&self, found: &StringRecord) -> Result<(), Problem> {
        if found.iter().eq(self.names.iter().copied()) {
            return Ok(());
        }
        let at = found.iter().zip(&self.names).take_while(|(a, b)| a == *b).count();
        let what = match (found.get(at), self.names.get(at)) {
            (Some(a), Some(b)) => format!("column {} is `{}`, not `{b}`", at + 1, shown(a)),
            (None, Some(b)) => format!("the column `{b}` is missing"),
            (more, None) => {
                format!("there is a column `{}` too many", shown(more.unwrap_or_default()))
            }
        };
        let what = format!(
            "{what}; this is no file of format {FORMAT}: put the original back, \
             or move the file out of the folder"
        );
        Err(self.problem(found.position(), None, what))
    }

    fn row<T: Columns>(&self, line: &StringRecord) -> Result<T, Problem> {
        if line.len() != self.names.len() {
            let what = format!(
                "there are {} cells, not {}; put the original back, or correct this line by hand",
                line.len(),
                self.names.len()
            );
            return Err(self.problem(line.position(), None, what));
        }
        let mut cells = Cells::new(line.iter().collect());
        T::parse(&mut cells).map_err(|what| {
            let column = cells.taken().checked_sub(1).and_then(|at| self.names.get(at)).copied();
            self.problem(line.position(), column, what)
        })
    }

    fn unreadable(&self, error: &::csv::Error) -> Problem {
        let what = match error.kind() {
            ::csv::ErrorKind::Utf8 { .. } => {
                "the line is not UTF-8; save it as UTF-8 CSV, put a copy back, or move the file out \
                 of the folder"
            }
            _ => "the line is not CSV; put a copy back, or move the file out of the folder",
        };
        self.problem(error.position(), None, what.into())
    }
}
