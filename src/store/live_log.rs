//! The file that the live view writes its rounds to: appended to, never written over.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::error::StoreError;
use super::files;
use crate::record::csv;
use crate::record::live::LiveRow;

/// Names that are tried before giving up on a free one.
const NAMES: u32 = 10_000;

/// A line of the file is far shorter.
const LONGEST_LINE: u64 = 1 << 16;

/// A table of rounds on disk.
#[derive(Debug)]
pub struct LiveLog {
    path: PathBuf,
    /// None until the first row, where nobody named the file.
    file: Option<File>,
}

impl LiveLog {
    /// Opens a file that a person named, new or to go on with. Returns what was mended, if its last
    /// line was torn.
    ///
    /// # Errors
    /// A file that is no table of rounds, that somebody else writes, and what the disk refuses.
    pub fn open(path: &Path) -> Result<(LiveLog, Option<String>), StoreError> {
        let mut log = LiveLog { path: path.to_path_buf(), file: None };
        let failed = |e: std::io::Error| StoreError::io(path, "cannot write the file", &e);
        let mut options = OpenOptions::new();
        let file = options.read(true).append(true).create(true).open(path).map_err(failed)?;
        let mended = log.begin(file)?;
        Ok((log, mended))
    }

    /// A file of this program's choice in a folder, made when the first rows come.
    pub fn later(folder: &Path, board: &str) -> LiveLog {
        let name = |n: u32| folder.join(format!("{board}-live-{n}.csv"));
        let free = (1..NAMES).map(name).find(|path| !path.exists());
        LiveLog { path: free.unwrap_or_else(|| name(NAMES)), file: None }
    }

    /// Where the rows go.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes rows at the end and returns when they are on the disk.
    pub fn append(&mut self, rows: &[LiveRow]) -> Result<(), StoreError> {
        if self.file.is_none() {
            let made = OpenOptions::new().read(true).append(true).create_new(true).open(&self.path);
            let failed = |e| StoreError::io(&self.path, "cannot make the file", &e);
            self.begin(made.map_err(failed)?)?;
        }
        self.write(&csv::rows_lines(rows))
    }

    /// Locks the file, writes the header where there is none, and mends a torn last line.
    fn begin(&mut self, mut file: File) -> Result<Option<String>, StoreError> {
        let path = self.path.clone();
        let failed = |e: std::io::Error| StoreError::io(&path, "cannot read the file", &e);
        // Elsewhere a lock would keep others from reading, too.
        if cfg!(unix) && matches!(file.try_lock(), Err(TryLockError::WouldBlock)) {
            let what = "another program writes it just now".to_string();
            return Err(StoreError::usage(&path, what, "end that one, or give another name"));
        }
        let header = csv::header_line::<LiveRow>();
        let mut found = Vec::new();
        Read::by_ref(&mut file)
            .take(header.len() as u64)
            .read_to_end(&mut found)
            .map_err(failed)?;
        if !found.is_empty() && found != header {
            let what = "it holds something else than a live view's rows, and was left as it is";
            return Err(StoreError::usage(&path, what.into(), "give the name of a new file"));
        }
        let mended = if found.is_empty() { None } else { self.mend(&mut file).map_err(failed)? };
        self.file = Some(file);
        if found.is_empty() {
            self.write(&header)?;
        }
        Ok(mended)
    }

    /// Cuts a torn last line off into a file of its own.
    fn mend(&self, file: &mut File) -> std::io::Result<Option<String>> {
        let length = file.seek(SeekFrom::End(0))?;
        let from = length.saturating_sub(LONGEST_LINE);
        file.seek(SeekFrom::Start(from))?;
        let mut tail = Vec::new();
        Read::by_ref(file).take(LONGEST_LINE).read_to_end(&mut tail)?;
        let whole = tail.iter().rposition(|&b| b == b'\n').map_or(0, |at| at + 1);
        if whole == tail.len() {
            return Ok(None);
        }
        let folder = self.path.parent().unwrap_or(Path::new(""));
        let name = self.path.file_name().unwrap_or_default().to_string_lossy();
        let torn = files::keep(folder, &format!("{name}.torn"), &tail[whole..])
            .map_err(|e| std::io::Error::other(e.what))?;
        file.set_len(from + whole as u64)?;
        file.sync_all()?;
        let bytes = tail.len() - whole;
        Ok(Some(format!("{name} ended in a torn line: its {bytes} bytes are kept in {torn}")))
    }

    fn write(&mut self, bytes: &[u8]) -> Result<(), StoreError> {
        let Some(file) = &mut self.file else { return Ok(()) };
        let written = file.write_all(bytes).and_then(|()| file.sync_data());
        let what = "the last rows could not be written (earlier ones are safe)";
        written.map_err(|e| StoreError::io(&self.path, what, &e))
    }
}
