//! The record of an attempt while it is written.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::error::StoreError;
use super::lock::Lock;
use crate::record::{Row, csv};

/// Where the bytes of a record go: a file, or in a test something that fails like one.
pub trait Sink: Send {
    /// Writes all bytes at the end.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Returns when everything written is on the disk.
    fn sync(&mut self) -> io::Result<()>;
    /// Takes away what stands behind the first `length` bytes.
    fn cut(&mut self, length: u64) -> io::Result<()>;
}

impl Sink for File {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_all(bytes)?;
        self.flush()
    }

    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.set_len(length)
    }
}

/// How the end of the file stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum End {
    /// Whole lines, all on the disk.
    Whole,
    /// Perhaps half a line behind the acknowledged ones: to be cut before the next write.
    Torn,
    /// The disk did not take what it had accepted; trying again could not prove anything.
    Lost,
}

/// An attempt that is under way. What [`Attempt::append`] returned from is on the disk.
pub struct Attempt {
    pub(super) path: PathBuf,
    pub(super) board: String,
    pub(super) lot: String,
    pub(super) unit: String,
    pub(super) number: u64,
    sink: Box<dyn Sink>,
    acknowledged: u64,
    end: End,
    /// The lot stays ours as long as one of its records is open.
    _lock: Arc<Lock>,
}

impl Attempt {
    pub(super) fn new(
        path: PathBuf,
        [board, lot, unit]: [&str; 3],
        number: u64,
        sink: Box<dyn Sink>,
        lock: Arc<Lock>,
    ) -> Attempt {
        Attempt {
            path,
            board: board.into(),
            lot: lot.into(),
            unit: unit.into(),
            number,
            sink,
            acknowledged: 0,
            end: End::Whole,
            _lock: lock,
        }
    }

    /// The same behind bytes that are in the file already.
    pub(super) fn behind(self, length: u64) -> Attempt {
        Attempt { acknowledged: length, ..self }
    }

    /// The number of this attempt at its unit, from 1.
    pub fn number(&self) -> u64 {
        self.number
    }

    /// The record's file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes rows at the end of the record and returns when they are on the disk.
    ///
    /// After an error none of these rows counts as written and all earlier ones do. A full disk
    /// can be cleared and the same rows appended again. Rows of another unit, lot or attempt are
    /// refused.
    pub fn append(&mut self, rows: &[Row]) -> Result<(), StoreError> {
        rows.iter().try_for_each(|row| self.belongs(row))?;
        self.write(&csv::rows_lines(rows))
    }

    pub(super) fn write_header(&mut self) -> Result<(), StoreError> {
        self.write(&csv::header_line::<Row>())
    }

    fn belongs(&self, row: &Row) -> Result<(), StoreError> {
        let head = &row.head;
        let same = head.board == self.board
            && head.lot == self.lot
            && head.unit == self.unit
            && head.attempt == self.number;
        if same {
            return Ok(());
        }
        Err(StoreError::usage(
            &self.path,
            format!(
                "a row of board {}, lot {}, unit {}, attempt {} does not belong in this record",
                head.board, head.lot, head.unit, head.attempt
            ),
            "nothing was written; this is a fault of the program, please report it",
        ))
    }

    fn write(&mut self, bytes: &[u8]) -> Result<(), StoreError> {
        let refused = |path: &Path, e: &io::Error| {
            StoreError::io(path, "the last rows could not be written (earlier ones are safe)", e)
        };
        if self.end == End::Lost {
            return Err(lost(&self.path, "the disk failed earlier"));
        }
        if self.end == End::Torn {
            self.sink.cut(self.acknowledged).map_err(|e| refused(&self.path, &e))?;
        }
        self.end = End::Torn;
        if let Err(e) = self.sink.append(bytes) {
            // Now or before the next write; if neither comes, the next opening mends it.
            if self.sink.cut(self.acknowledged).is_ok() {
                self.end = End::Whole;
            }
            return Err(refused(&self.path, &e));
        }
        if let Err(e) = self.sink.sync() {
            self.end = End::Lost;
            return Err(lost(&self.path, &e.to_string()));
        }
        self.acknowledged += bytes.len() as u64;
        self.end = End::Whole;
        Ok(())
    }
}

/// A failed sync may have dropped the bytes for good, and a second one may report success for
/// bytes that are gone: this record takes no more.
fn lost(path: &Path, why: &str) -> StoreError {
    StoreError {
        kind: super::ErrorKind::Io,
        path: path.into(),
        what: format!("the disk did not take the last rows ({why}); earlier ones are safe"),
        next: "look at the disk, then test the unit again as a new attempt".into(),
    }
}
