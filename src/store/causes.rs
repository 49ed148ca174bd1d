//! What was found in the units of a lot: `causes.csv` beside their records.

use std::fs;
use std::io::ErrorKind::NotFound;
use std::path::Path;

use super::error::StoreError;
use super::files;
use super::lock::Lock;
use crate::record::cause::Confirmed;
use crate::record::csv;

/// Name of the file with a line for each confirmed cause.
pub const CAUSES_FILE: &str = "causes.csv";

/// The confirmed causes of a lot's folder; none where there is no such file.
///
/// # Errors
/// A file that cannot be read, or whose lines are not what this program writes.
pub fn causes(folder: &Path) -> Result<Vec<Confirmed>, StoreError> {
    let path = folder.join(CAUSES_FILE);
    let bytes = match fs::read(&path) {
        Ok(bytes) => bytes,
        Err(e) if e.kind() == NotFound => return Ok(Vec::new()),
        Err(e) => return Err(StoreError::io(&path, "cannot read the confirmed causes", &e)),
    };
    let unread = |what: String| {
        StoreError::usage(&path, what, "correct that line, or move the file out of the folder")
    };
    let parsed = csv::read::<Confirmed>(CAUSES_FILE, &bytes);
    let parsed = parsed.map_err(|problem| unread(problem.without_file()))?;
    if parsed.whole < bytes.len() {
        return Err(unread("its last line has no end".into()));
    }
    Ok(parsed.rows)
}

/// Adds a confirmed cause to a lot's folder.
///
/// # Errors
/// One that is there already, a lot that somebody else has open, what [`causes`] complains of.
pub fn confirm(folder: &Path, cause: Confirmed) -> Result<(), StoreError> {
    let _lock = Lock::take(folder)?;
    let mut all = causes(folder)?;
    let path = folder.join(CAUSES_FILE);
    let same =
        |c: &Confirmed| (&c.unit, &c.kind, &c.found) == (&cause.unit, &cause.kind, &cause.found);
    if all.iter().any(same) {
        let what = format!("`{}` of {} is confirmed already", cause.kind, cause.unit);
        return Err(StoreError::usage(&path, what, "say what else was found, or leave it"));
    }
    all.push(cause);
    let mut bytes = csv::header_line::<Confirmed>();
    bytes.extend(csv::rows_lines(&all));
    files::replace(&path, &bytes)
}
