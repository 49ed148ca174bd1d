//! Files that a command writes where a person says: what the command reads, and what holds anything
//! else than the command would write there, is never written over, whatever was asked.

use super::Failure;
use crate::store;
use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

/// Bytes in which the kind of a file shows.
const HEAD: u64 = 4096;

/// A file to be written, and what stands in its way.
pub struct Written<'a> {
    /// Where.
    pub path: &'a Path,
    /// Whether a file of the same kind may be replaced.
    pub replace: bool,
    /// Files that the command reads.
    pub inputs: &'a [&'a Path],
    /// What it is called, for example `picture`.
    pub kind: &'a str,
    /// Whether a file that begins so is of that kind.
    pub is_kind: &'a dyn Fn(&[u8]) -> bool,
}

impl Written<'_> {
    /// Whether it may be written, before anything is done for it.
    ///
    /// # Errors
    /// An input of the command; with `replace` a file of another kind, or one that cannot be read.
    /// What else is there already is found by [`Written::write`].
    pub fn allowed(&self) -> Result<(), Failure> {
        let name = self.path.display();
        if self.inputs.iter().any(|input| is_same(self.path, input)) {
            return Err(Failure::input(format!(
                "{name}: this command reads that file, and it was left as it is; give another name \
                 for the {}",
                self.kind
            )));
        }
        // Devices and folders are refused by the store.
        if !self.replace || !self.path.is_file() {
            return Ok(());
        }
        match head(self.path) {
            Ok(head) if head.is_empty() || (self.is_kind)(&head) => Ok(()),
            Ok(_) => Err(Failure::input(format!(
                "{name}: this is no {}, and was left as it is; give another name",
                self.kind
            ))),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(()),
            Err(e) => Err(Failure::input(format!(
                "{name}: what is in it cannot be told ({e}), and it was left as it is; give \
                 another name"
            ))),
        }
    }

    /// Writes it; whether a file was replaced.
    ///
    /// # Errors
    /// Those of [`Written::allowed`] and of the store.
    pub fn write(&self, bytes: &[u8]) -> Result<bool, Failure> {
        self.allowed()?;
        Ok(store::write_file(self.path, bytes, self.replace)?)
    }
}

/// Whether two names are of one file, links followed. A hard link is a file of its own: writing puts
/// a new one in its place, and the other keeps its bytes.
fn is_same(a: &Path, b: &Path) -> bool {
    let whole = |path: &Path| -> Option<PathBuf> { fs::canonicalize(path).ok() };
    whole(a).is_some_and(|a| Some(a) == whole(b))
}

fn head(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut head = Vec::new();
    File::open(path)?.take(HEAD).read_to_end(&mut head)?;
    Ok(head)
}
