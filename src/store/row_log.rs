//! The file of a diagnosis: rows as a record has them, written as it goes, in no lot.

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use super::error::StoreError;
use super::{Name, files};
use crate::record::{Row, csv};

/// Numbers that are tried for a free name.
const NUMBERS: u32 = 10_000;

/// What stands before the number in the name of such a file; the name of a record it is not.
const KIND: &str = "diagnosis";

/// Rows on disk that are no record of a test.
#[derive(Debug)]
pub struct RowLog {
    path: PathBuf,
    /// Where the name is this program's choice, its folder and what it begins with.
    free: Option<(PathBuf, String)>,
    /// None until the first rows.
    file: Option<File>,
    /// Bytes known to be on the disk.
    safe: u64,
}

impl RowLog {
    /// A file that a person named; it is made when the first rows come.
    ///
    /// # Errors
    /// The name of a record, which would count in its lot, and a file that is there already.
    pub fn named(path: &Path) -> Result<RowLog, StoreError> {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if Name::of(&name).is_some() {
            let what = "that is the name of the record of a test, which counts in a lot".into();
            let next = format!("give another one, for example {}", numbered("V001-1", 1));
            return Err(StoreError::usage(path, what, &next));
        }
        if path.exists() {
            return Err(there(path));
        }
        Ok(RowLog { path: path.into(), free: None, file: None, safe: 0 })
    }

    /// A free name in a folder: `diagnosis1.csv`, and of a record that is gone on from its own name
    /// before that.
    pub fn free(folder: &Path, record: Option<&Path>) -> RowLog {
        let stem = record.and_then(Path::file_stem).map(|s| s.to_string_lossy().into_owned());
        let stem = stem.unwrap_or_default();
        // Who goes on from a diagnosis writes the next one.
        let plain = stem.trim_end_matches(|c: char| c.is_ascii_digit()).strip_suffix(KIND);
        let stem = plain.map_or(stem.as_str(), |plain| plain.trim_end_matches('.')).to_string();
        let path = next_free(folder, &stem);
        RowLog { path, free: Some((folder.into(), stem)), file: None, safe: 0 }
    }

    /// Where the rows go.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether anything was written.
    pub fn begun(&self) -> bool {
        self.file.is_some()
    }

    /// Writes rows at the end and returns when they are on the disk.
    ///
    /// # Errors
    /// What the disk refuses; earlier rows are safe, and none of these is written.
    pub fn append(&mut self, rows: &[Row]) -> Result<(), StoreError> {
        let lines = csv::rows_lines(rows);
        if self.file.is_some() {
            return self.write(&lines);
        }
        self.make()?;
        self.write(&[csv::header_line::<Row>(), lines].concat())?;
        files::sync_folder(self.path.parent().unwrap_or(Path::new("")))
    }

    fn make(&mut self) -> Result<(), StoreError> {
        files::make_folder(self.path.parent().unwrap_or(Path::new("")))?;
        loop {
            let made = OpenOptions::new().append(true).create_new(true).open(&self.path);
            match (made, &self.free) {
                (Ok(file), _) => {
                    self.file = Some(file);
                    return Ok(());
                }
                (Err(e), Some((folder, stem))) if e.kind() == ErrorKind::AlreadyExists => {
                    // Another program was faster.
                    let next = next_free(folder, stem);
                    if next == self.path {
                        return Err(there(&next));
                    }
                    self.path = next;
                }
                (Err(e), None) if e.kind() == ErrorKind::AlreadyExists => {
                    return Err(there(&self.path));
                }
                (Err(e), _) => {
                    return Err(StoreError::io(&self.path, "cannot make the file", &e));
                }
            }
        }
    }

    fn write(&mut self, bytes: &[u8]) -> Result<(), StoreError> {
        let Some(file) = &mut self.file else { return Ok(()) };
        if let Err(e) = file.write_all(bytes).and_then(|()| file.sync_data()) {
            // Half a line is no row.
            let _ = file.set_len(self.safe);
            let what = "the last rows could not be written (earlier ones are safe)";
            return Err(StoreError::io(&self.path, what, &e));
        }
        self.safe += bytes.len() as u64;
        Ok(())
    }
}

fn there(path: &Path) -> StoreError {
    let what = "the file is there already and was left as it is".to_string();
    StoreError::usage(path, what, "give the name of a new file")
}

fn numbered(stem: &str, number: u32) -> String {
    let dot = if stem.is_empty() { "" } else { "." };
    format!("{stem}{dot}{KIND}{number}.csv")
}

fn next_free(folder: &Path, stem: &str) -> PathBuf {
    let name = |n: u32| folder.join(numbered(stem, n));
    (1..NUMBERS).map(name).find(|path| !path.exists()).unwrap_or_else(|| name(NUMBERS))
}
