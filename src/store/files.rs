//! Folders and whole files that survive a loss of power.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use super::error::StoreError;

/// Beginning of the names of files that are not finished.
const UNFINISHED: &str = ".unfinished-";

/// Makes a folder and those above it, each known to the disk before the next.
pub(super) fn make_folder(folder: &Path) -> Result<(), StoreError> {
    if folder.as_os_str().is_empty() || folder.is_dir() {
        return Ok(());
    }
    let parent = folder.parent().unwrap_or(Path::new(""));
    make_folder(parent)?;
    match fs::create_dir(folder) {
        Err(e) if e.kind() != io::ErrorKind::AlreadyExists || !folder.is_dir() => {
            Err(StoreError::io(folder, "cannot make the folder", &e))
        }
        _ => sync_folder(parent),
    }
}

/// Brings a folder's list of names to the disk. Systems other than Unix do this by themselves.
pub(super) fn sync_folder(folder: &Path) -> Result<(), StoreError> {
    if cfg!(not(unix)) {
        return Ok(());
    }
    let here = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    File::open(here)
        .and_then(|f| f.sync_all())
        .map_err(|e| StoreError::io(folder, "cannot bring the folder to the disk", &e))
}

/// Replaces a file as a whole: a reader sees the old one or the new one, also after a kill.
pub(super) fn replace(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let folder = path.parent().unwrap_or(Path::new(""));
    write_beside(folder, bytes)
        .and_then(|temporary| temporary.persist(path).map_err(|e| e.error))
        .map_err(|e| StoreError::io(path, "cannot write the file", &e))?;
    sync_folder(folder)
}

/// Writes a whole file that a person asked for. A file that is there already is left alone unless
/// `over` says otherwise; returns whether one was replaced.
///
/// A link is followed to its file, and that keeps its permissions.
///
/// # Errors
/// A file that is in the way, something that is no file, a folder that is missing, and what the disk
/// refuses.
pub fn write_file(path: &Path, bytes: &[u8], over: bool) -> Result<bool, StoreError> {
    let failed = |e: io::Error| StoreError::io(path, "cannot write the file", &e);
    let old = fs::metadata(path).ok().filter(|_| over);
    if old.as_ref().is_some_and(|old| !old.is_file()) {
        let what = "a folder, a device or a pipe stands there, which is not written over".into();
        return Err(StoreError::usage(path, what, "give the name of a file"));
    }
    let linked = old.as_ref().map(|_| fs::canonicalize(path)).transpose().map_err(failed)?;
    let path = linked.as_deref().unwrap_or(path);
    let folder = path.parent().unwrap_or(Path::new(""));
    if !folder.as_os_str().is_empty() && !folder.is_dir() {
        let what = format!("there is no folder {}", folder.display());
        return Err(StoreError::usage(path, what, "make it, or give another name"));
    }
    let temporary = write_beside(folder, bytes).map_err(failed)?;
    if let Some(old) = &old {
        temporary.as_file().set_permissions(old.permissions()).map_err(failed)?;
    }
    let replaced = old.is_some();
    let kept = if over { temporary.persist(path) } else { temporary.persist_noclobber(path) };
    match kept.map_err(|e| e.error) {
        Err(e) if !over && e.kind() == io::ErrorKind::AlreadyExists => Err(StoreError::usage(
            path,
            "the file is there already and was left as it is".into(),
            "give another name, or add --replace to write over it",
        )),
        Err(e) => Err(failed(e)),
        Ok(_) => sync_folder(folder).map(|()| replaced),
    }
}

/// Keeps bytes under the first free name of `name`, `name-2`, `name-3`; returns the name taken.
pub(super) fn keep(folder: &Path, name: &str, bytes: &[u8]) -> Result<String, StoreError> {
    let path = folder.join(name);
    let mut temporary = write_beside(folder, bytes)
        .map_err(|e| StoreError::io(&path, "cannot keep the torn bytes", &e))?;
    let mut taken = name.to_string();
    let mut number = 1;
    while let Err(e) = temporary.persist_noclobber(folder.join(&taken)) {
        if e.error.kind() != io::ErrorKind::AlreadyExists {
            return Err(StoreError::io(&path, "cannot keep the torn bytes", &e.error));
        }
        temporary = e.file;
        number += 1;
        taken = format!("{name}-{number}");
    }
    sync_folder(folder)?;
    Ok(taken)
}

fn write_beside(folder: &Path, bytes: &[u8]) -> io::Result<tempfile::NamedTempFile> {
    let here = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    let mut builder = tempfile::Builder::new();
    builder.prefix(UNFINISHED);
    // A temporary file is private; a result is as readable as any other file of this user.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut temporary = builder.tempfile_in(here)?;
    temporary.write_all(bytes)?;
    temporary.as_file().sync_all()?;
    Ok(temporary)
}

/// Removes what a killed run left unfinished in a folder. Call it with the lot's lock held.
pub(super) fn sweep(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        if entry.file_name().to_string_lossy().starts_with(UNFINISHED) {
            // Left over bytes do no harm: the next run tries again.
            let _ = fs::remove_file(entry.path());
        }
    }
}
