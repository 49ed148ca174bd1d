//! Records that a kill or a loss of power left with half a line at the end.

use std::fs::OpenOptions;
use std::io::Write;
use std::path::Path;

use jiff::Timestamp;

use super::error::StoreError;
use super::{Name, files, read_bytes};
use crate::record::{Head, Row, RowKind, csv};

/// A record that was mended on opening its lot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mended {
    /// The record's file name.
    pub file: String,
    /// Bytes that were cut off its end.
    pub bytes: usize,
    /// The file beside it that keeps them.
    pub torn: String,
}

impl std::fmt::Display for Mended {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Mended { file, bytes, torn } = self;
        write!(f, "{file} ended in a torn line: its {bytes} bytes are kept in {torn}")
    }
}

/// The rule named by the row that tells of a mended record.
pub const RULE: &str = "record mended";

/// Cuts a torn last line off a record into a file of its own and notes it in the record.
///
/// Rows before it are untouched. A record that was torn in its header gets a new one.
pub(super) fn mend(
    folder: &Path,
    name: &Name,
    head: Head,
    at: Timestamp,
) -> Result<Option<Mended>, StoreError> {
    let path = folder.join(&name.file);
    // What cannot be read at all is reported where the records are read.
    let Ok(bytes) = read_bytes(&path) else { return Ok(None) };
    let whole = csv::whole_lines(&bytes);
    if whole == bytes.len() {
        return Ok(None);
    }
    let torn = files::keep(folder, &format!("{}.torn", name.file), &bytes[whole..])?;
    let cut = bytes.len() - whole;
    let note = note(&name.file, &bytes[..whole], head, at, &format!("{cut} bytes, now in {torn}"));
    let failed = |e| StoreError::io(&path, "cannot mend the torn last line", &e);
    let mut file = OpenOptions::new().append(true).open(&path).map_err(failed)?;
    file.set_len(whole as u64).map_err(failed)?;
    file.write_all(&note).map_err(failed)?;
    file.sync_all().map_err(failed)?;
    Ok(Some(Mended { file: name.file.clone(), bytes: cut, torn }))
}

/// The bytes to append: a row, with a header before it where there is none. Nothing where the
/// rows before cannot be read, since the row's number is not known then.
fn note(file: &str, whole: &[u8], head: Head, at: Timestamp, what: &str) -> Vec<u8> {
    let Ok(parsed) = csv::read::<Row>(file, whole) else { return Vec::new() };
    let last = parsed.rows.last();
    let row = Row {
        row: RowKind::Event,
        seq: last.map_or(0, |row| row.seq).saturating_add(1),
        at,
        head: last.map_or(head, |row| row.head.clone()),
        rule: RULE.into(),
        reason: "the program was stopped while it wrote a row".into(),
        note: what.into(),
        ..Row::default()
    };
    let mut bytes = if whole.is_empty() { csv::header_line::<Row>() } else { Vec::new() };
    bytes.extend(csv::rows_lines(&[row]));
    bytes
}
