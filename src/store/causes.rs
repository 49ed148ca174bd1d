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

/// Most bytes of such a file; a line is shorter than 500.
const LARGEST: u64 = 16 << 20;

/// The confirmed causes of a lot's folder, and whether its last line is torn off and left out; none
/// where there is no such file.
///
/// # Errors
/// A file that cannot be read, or whose lines are not what this program writes.
pub fn causes(folder: &Path) -> Result<(Vec<Confirmed>, bool), StoreError> {
    let path = folder.join(CAUSES_FILE);
    // A link to a device has no end, a pipe nobody who writes.
    match fs::metadata(&path) {
        Ok(found) if !found.is_file() || found.len() > LARGEST => {
            let what = match found.is_file() {
                true => format!("it has more bytes than {LARGEST}, which are the most"),
                false => "it is no file".to_string(),
            };
            let next = "move it out of the folder, and put the lot's own file there";
            return Err(StoreError::usage(&path, what, next));
        }
        Err(e) if e.kind() == NotFound => return Ok((Vec::new(), false)),
        Ok(_) | Err(_) => {}
    }
    let bytes = fs::read(&path)
        .map_err(|e| StoreError::io(&path, "cannot read the confirmed causes", &e))?;
    let unread = |what: String| {
        StoreError::usage(&path, what, "correct that line, or move the file out of the folder")
    };
    let parsed = csv::read::<Confirmed>(CAUSES_FILE, &bytes);
    let parsed = parsed.map_err(|problem| unread(problem.without_file()))?;
    Ok((parsed.rows, parsed.whole < bytes.len()))
}

/// Puts a confirmed cause into a lot's folder; what the file said of the same attempt at the same
/// unit is replaced and given back. What was half of a line is no longer there.
///
/// # Errors
/// The very same that is there already, a lot that somebody else has open, what [`causes`]
/// complains of.
pub fn confirm(folder: &Path, cause: Confirmed) -> Result<Option<Confirmed>, StoreError> {
    let _lock = Lock::take(folder)?;
    let (mut all, _) = causes(folder)?;
    let path = folder.join(CAUSES_FILE);
    let known = all.iter().position(|c| is_of(c, (&cause.board, &cause.unit, cause.attempt)));
    if known.is_some_and(|at| (&all[at].kind, &all[at].found) == (&cause.kind, &cause.found)) {
        let what = format!("`{}` of {} is confirmed already", cause.kind, cause.unit);
        return Err(StoreError::usage(&path, what, "say what else was found, or leave it"));
    }
    let replaced = known.map(|at| all.remove(at));
    all.push(cause);
    write(&path, &all)?;
    Ok(replaced)
}

/// Takes out what a lot's folder says of an attempt at a unit of a board, and gives it back.
///
/// # Errors
/// Nothing that is said of it, a lot that somebody else has open, what [`causes`] complains of.
pub fn withdraw(folder: &Path, of: (&str, &str, u64)) -> Result<Confirmed, StoreError> {
    let _lock = Lock::take(folder)?;
    let (mut all, _) = causes(folder)?;
    let path = folder.join(CAUSES_FILE);
    let Some(known) = all.iter().position(|c| is_of(c, of)) else {
        let what = format!("nothing is kept there of {}, attempt {}", of.1, of.2);
        let next = "there is nothing to take back; give the record of the attempt that was meant";
        return Err(StoreError::usage(&path, what, next));
    };
    let withdrawn = all.remove(known);
    write(&path, &all)?;
    Ok(withdrawn)
}

/// Whether a line is of this attempt: board, unit, number.
fn is_of(cause: &Confirmed, of: (&str, &str, u64)) -> bool {
    (cause.board.as_str(), cause.unit.as_str(), cause.attempt) == of
}

fn write(path: &Path, all: &[Confirmed]) -> Result<(), StoreError> {
    let mut bytes = csv::header_line::<Confirmed>();
    bytes.extend(csv::rows_lines(all));
    files::replace(path, &bytes)
}
