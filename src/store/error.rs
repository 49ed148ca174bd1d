//! What goes wrong with files: where, what, and what to do next.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// What kind of thing went wrong; decides the exit code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ErrorKind {
    /// A name or a row that was handed in cannot be used.
    Usage,
    /// Somebody else has the lot open.
    Held,
    /// The disk refused.
    Io,
}

/// An error of the store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoreError {
    /// What kind of thing went wrong.
    pub kind: ErrorKind,
    /// The file or folder.
    pub path: PathBuf,
    /// What is wrong.
    pub what: String,
    /// What to do next.
    pub next: String,
}

impl StoreError {
    pub(super) fn usage(path: &Path, what: String, next: &str) -> StoreError {
        StoreError { kind: ErrorKind::Usage, path: path.into(), what, next: next.into() }
    }

    /// The disk refused while `doing`.
    pub(super) fn io(path: &Path, doing: &str, error: &io::Error) -> StoreError {
        let (what, next) = explain(error);
        StoreError {
            kind: ErrorKind::Io,
            path: path.into(),
            what: format!("{doing}: {what}"),
            next: next.into(),
        }
    }
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{}: {}; {}", self.path.display(), self.what, self.next)
    }
}

impl std::error::Error for StoreError {}

fn explain(error: &io::Error) -> (String, &'static str) {
    let (what, next) = match error.kind() {
        io::ErrorKind::StorageFull => ("the disk is full", "free some space on it, then go on"),
        io::ErrorKind::QuotaExceeded => {
            ("your share of the disk is used up", "free some space, then go on")
        }
        io::ErrorKind::FileTooLarge => (
            "the file may not grow further",
            "lift the limit on file sizes (`ulimit -f`), then go on",
        ),
        io::ErrorKind::ReadOnlyFilesystem => (
            "the disk is read-only",
            "mount it for writing, or choose another folder for the results",
        ),
        io::ErrorKind::PermissionDenied => (
            "this user may not do that here",
            "change the folder's permissions, or choose another folder for the results",
        ),
        io::ErrorKind::AlreadyExists | io::ErrorKind::NotADirectory => (
            "a file of that name is in the way",
            "move it away, or choose another folder for the results",
        ),
        io::ErrorKind::NotFound => (
            "it is not there (any more)",
            "look whether the disk is still plugged in and the name is right",
        ),
        _ => return (error.to_string(), "look at the disk, then try again"),
    };
    (what.into(), next)
}
