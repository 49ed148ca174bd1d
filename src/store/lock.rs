//! One writer at a time for a lot.
//!
//! The lock is on a file of its own that is never renamed or removed: a lock on a file that is
//! replaced would hold nothing. Who holds it stands in a second file, because a locked file
//! cannot be read on every system.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::error::{ErrorKind, StoreError};

const LOCK: &str = ".lock";
const HOLDER: &str = ".lock-holder";

/// The lot is ours until this is dropped; the system lets go of it too when the process dies.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
    holder: PathBuf,
}

impl Lock {
    /// Takes the lot in `folder`, or says who has it.
    pub(super) fn take(folder: &Path) -> Result<Lock, StoreError> {
        let path = folder.join(LOCK);
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|e| StoreError::io(&path, "cannot open the lot's lock", &e))?;
        let holder = folder.join(HOLDER);
        match file.try_lock() {
            Ok(()) => {
                // Only for the other one's message: without it the lock still holds.
                let _ = std::fs::write(&holder, me());
                Ok(Lock { file, holder })
            }
            Err(TryLockError::WouldBlock) => Err(held(folder, &holder)),
            Err(TryLockError::Error(e)) => {
                let mut error = StoreError::io(&path, "cannot lock the lot", &e);
                error.next = "keep the results on a local disk that knows file locks".into();
                Err(error)
            }
        }
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Nothing to save here: the lock goes with the file either way.
        let _ = std::fs::remove_file(&self.holder);
        let _ = self.file.unlock();
    }
}

fn held(folder: &Path, holder: &Path) -> StoreError {
    let who = std::fs::read_to_string(holder).unwrap_or_default();
    let who = match who.trim() {
        "" => "a process that left no name",
        who => who,
    };
    StoreError {
        kind: ErrorKind::Held,
        path: folder.into(),
        what: format!("the lot is in use by {who}"),
        next: "finish there first, or give another lot".into(),
    }
}

/// How this process names itself to the next one.
fn me() -> String {
    format!("process {} on {} since {:.0}", std::process::id(), host(), Timestamp::now())
}

fn host() -> String {
    let named = |text: String| Some(text.trim().to_string()).filter(|text| !text.is_empty());
    std::fs::read_to_string("/proc/sys/kernel/hostname")
        .ok()
        .and_then(named)
        .or_else(|| std::env::var("COMPUTERNAME").ok().and_then(named))
        .or_else(|| std::env::var("HOSTNAME").ok().and_then(named))
        .unwrap_or_else(|| "this machine".to_string())
}
