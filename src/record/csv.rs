//! Rows to and from CSV (RFC 4180: CRLF, quotes where needed). The one door of the `csv` crate.
//!
//! Cells are quoted where RFC 4180 asks for it, not throughout: an empty cell stays empty, and the
//! spreadsheet guard (an apostrophe before free text that looks like a formula, see
//! [`super::column`]) does not depend on quotes.

use std::fmt;

use ::csv::{QuoteStyle, ReaderBuilder, StringRecord, Terminator, WriterBuilder};

use super::column::{Cells, Columns, FORMAT, shown};

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

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(&self.file)?;
        if self.line > 0 {
            write!(f, ", line {}", self.line)?;
        }
        if let Some(column) = self.column {
            write!(f, ", column {column}")?;
        }
        write!(f, ": {}", self.what)
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

fn lines<S: AsRef<[u8]>>(records: impl Iterator<Item = Vec<S>>) -> Vec<u8> {
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

/// Reads a table. `file` is what errors call it.
///
/// A last line without its line end is torn: it is left out and `Parsed::whole` ends before it.
/// A file without a whole line has no rows.
pub fn read<T: Columns>(file: &str, bytes: &[u8]) -> Result<Parsed<T>, Problem> {
    let whole = whole_lines(bytes);
    let mut reader =
        ReaderBuilder::new().has_headers(false).flexible(true).from_reader(&bytes[..whole]);
    let mut records = reader.records();
    let mut rows = Vec::new();
    let Some(first) = records.next() else {
        return Ok(Parsed { rows, whole });
    };
    let names = header::<T>();
    let found = first.map_err(|e| unreadable(file, &e))?;
    let mut record = records.next();
    // A newer format may have other columns, so the format is looked at before the header.
    if let Some(Ok(row)) = &record {
        check_format(file, &found, row)?;
    }
    check_header(file, &names, &found)?;
    while let Some(line) = record {
        let line = line.map_err(|e| unreadable(file, &e))?;
        rows.push(row_of(file, &names, &line)?);
        record = records.next();
    }
    Ok(Parsed { rows, whole })
}

/// Length of the bytes up to the last line end that stands outside quotes.
///
/// Quotes inside a quoted cell are doubled, so an even number of quotes means outside.
fn whole_lines(bytes: &[u8]) -> usize {
    let mut quoted = false;
    let mut whole = 0;
    for (at, byte) in bytes.iter().enumerate() {
        match byte {
            b'"' => quoted = !quoted,
            b'\n' if !quoted => whole = at + 1,
            _ => {}
        }
    }
    whole
}

fn check_format(file: &str, header: &StringRecord, row: &StringRecord) -> Result<(), Problem> {
    let known = row.get(0).and_then(|text| text.parse().ok()) == Some(FORMAT);
    if header.get(0) != Some("format") || known {
        return Ok(());
    }
    let mut cells = Cells::new(row.iter().collect());
    let what = super::column::Format::parse(&mut cells).err().unwrap_or_default();
    Err(Problem { file: file.into(), line: line_of(row), column: Some("format"), what })
}

fn check_header(file: &str, names: &[&str], found: &StringRecord) -> Result<(), Problem> {
    if found.iter().eq(names.iter().copied()) {
        return Ok(());
    }
    let at = found.iter().zip(names).take_while(|(a, b)| a == *b).count();
    let what = match (found.get(at), names.get(at)) {
        (Some(a), Some(b)) => format!("column {} is `{}`, not `{b}`", at + 1, shown(a)),
        (None, Some(b)) => format!("the column `{b}` is missing"),
        (Some(a), None) => format!("there is a column `{}` too many", shown(a)),
        (None, None) => "the columns differ".to_string(),
    };
    Err(Problem {
        file: file.into(),
        line: 1,
        column: None,
        what: format!(
            "{what}; this is no file of format {FORMAT}: put the original back, \
             or move the file out of the folder"
        ),
    })
}

fn row_of<T: Columns>(
    file: &str,
    names: &[&'static str],
    line: &StringRecord,
) -> Result<T, Problem> {
    let problem = |column, what| Problem { file: file.into(), line: line_of(line), column, what };
    if line.len() != names.len() {
        let what = format!(
            "there are {} cells, not {}; put the original back, or correct this line by hand",
            line.len(),
            names.len()
        );
        return Err(problem(None, what));
    }
    let mut cells = Cells::new(line.iter().collect());
    T::parse(&mut cells).map_err(|what| {
        let column = cells.taken().checked_sub(1).and_then(|at| names.get(at)).copied();
        problem(column, what)
    })
}

fn line_of(record: &StringRecord) -> u64 {
    record.position().map_or(0, |p| p.line())
}

fn unreadable(file: &str, error: &::csv::Error) -> Problem {
    let kind = match error.kind() {
        ::csv::ErrorKind::Utf8 { .. } => "not UTF-8",
        _ => "not CSV",
    };
    Problem {
        file: file.into(),
        line: error.position().map_or(0, |p| p.line()),
        column: None,
        what: format!("the line is {kind}; put a copy back, or move the file out of the folder"),
    }
}
