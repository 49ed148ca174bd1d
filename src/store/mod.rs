//! Where records are kept: `<root>/<board>/<lot>/<unit>-<attempt>.csv`, and `lot.csv` beside them.
//!
//! What a call here returned from is on the disk. A record is only ever appended to, a retest is
//! a new file, and `lot.csv` is made new from the records whenever asked.

mod attempt;
mod causes;
mod error;
mod files;
mod live_log;
mod lock;
mod mend;
mod row_log;

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;

use crate::board::ids::check_file_id;
use crate::record::{Head, Problem, Record, Row, csv};
pub use attempt::{Attempt, Sink};
pub use causes::{CAUSES_FILE, causes, confirm, withdraw};
pub use error::{ErrorKind, StoreError};
pub use files::write_file;
pub use live_log::LiveLog;
use lock::Lock;
pub use mend::{Mended, RULE as MENDED_RULE};
pub use row_log::RowLog;

/// Folder of the results where none is given.
pub const ROOT: &str = "results";

/// Name of the file with a line for each unit.
pub const LOT_FILE: &str = "lot.csv";

/// Largest record that is read, in bytes; a record of this program is far below a tenth of it.
const LARGEST: u64 = 64 << 20;

/// One lot, open for writing; nobody else can open it meanwhile.
#[derive(Debug)]
pub struct Store {
    folder: PathBuf,
    board: String,
    lot: String,
    lock: Arc<Lock>,
    mended: Vec<Mended>,
}

impl Store {
    /// Opens a lot, making its folder where needed, and mends records with a torn last line.
    pub fn open(root: &Path, board: &str, lot: &str) -> Result<Store, StoreError> {
        let folder = folder_of(root, board, lot)?;
        files::make_folder(&folder)?;
        let lock = Arc::new(Lock::take(&folder)?);
        files::sweep(&folder);
        let mut store =
            Store { folder, board: board.into(), lot: lot.into(), lock, mended: Vec::new() };
        for name in names(&store.folder)? {
            let head = store.head(&name.unit, name.attempt);
            store.mended.extend(mend::mend(&store.folder, &name, head, Timestamp::now())?);
        }
        Ok(store)
    }

    /// The lot's folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The records that were mended on opening.
    pub fn mended(&self) -> &[Mended] {
        &self.mended
    }

    /// Begins the next attempt at a unit: a new file with its header, on the disk.
    pub fn begin(&self, unit: &str) -> Result<Attempt, StoreError> {
        self.begin_into(unit, |file| Box::new(file))
    }

    /// The same with something between the record and its file.
    pub fn begin_into(
        &self,
        unit: &str,
        sink: impl FnOnce(File) -> Box<dyn Sink>,
    ) -> Result<Attempt, StoreError> {
        let number = self.next_attempt(unit)?;
        let path = self.folder.join(format!("{unit}-{number}.csv"));
        let file = OpenOptions::new()
            .append(true)
            .create_new(true)
            .open(&path)
            .map_err(|e| StoreError::io(&path, "cannot begin the record", &e))?;
        let parts = [&*self.board, &*self.lot, unit];
        let mut attempt =
            Attempt::new(path.clone(), parts, number, sink(file), Arc::clone(&self.lock));
        let begun = attempt.write_header().and_then(|()| files::sync_folder(&self.folder));
        if let Err(e) = begun {
            // Nothing was tested yet, so there is no attempt to remember.
            let _ = fs::remove_file(&path);
            return Err(e);
        }
        Ok(attempt)
    }

    /// Opens the record of an attempt that is over, for a row that a person adds to it.
    pub fn reopen(&self, unit: &str, number: u64) -> Result<Attempt, StoreError> {
        check(&self.folder, "unit", unit)?;
        let path = self.folder.join(format!("{unit}-{number}.csv"));
        let failed = |e: io::Error| StoreError::io(&path, "cannot open the record", &e);
        let file = OpenOptions::new().append(true).open(&path).map_err(failed)?;
        let length = file.metadata().map_err(failed)?.len();
        let parts = [&*self.board, &*self.lot, unit];
        let lock = Arc::clone(&self.lock);
        Ok(Attempt::new(path.clone(), parts, number, Box::new(file), lock).behind(length))
    }

    /// One more than the highest attempt at this unit.
    fn next_attempt(&self, unit: &str) -> Result<u64, StoreError> {
        check(&self.folder, "unit", unit)?;
        let mut highest = 0;
        for name in names(&self.folder)? {
            if name.unit == unit {
                highest = highest.max(name.attempt);
            } else if name.unit.eq_ignore_ascii_case(unit) {
                return Err(StoreError::usage(
                    &self.folder,
                    format!("unit {} is in this lot, so {unit} cannot be", name.unit),
                    "write the serial number as before: some disks do not tell the two apart",
                ));
            }
        }
        highest.checked_add(1).ok_or_else(|| {
            let what = format!("there is no number left for an attempt at {unit}");
            StoreError::usage(&self.folder, what, "move the record with the highest number away")
        })
    }

    /// All records of the lot, by unit and attempt.
    pub fn records(&self) -> Result<Vec<Record>, StoreError> {
        read_records(&self.folder, &self.board, &self.lot)
    }

    /// Makes `lot.csv` new from the records; `table` says what is in it.
    pub fn rebuild_lot(
        &self,
        table: impl FnOnce(&[Record]) -> Vec<u8>,
    ) -> Result<Vec<Record>, StoreError> {
        let records = self.records()?;
        files::replace(&self.folder.join(LOT_FILE), &table(&records))?;
        Ok(records)
    }

    fn head(&self, unit: &str, attempt: u64) -> Head {
        Head {
            board: self.board.clone(),
            lot: self.lot.clone(),
            unit: unit.into(),
            attempt,
            ..Head::default()
        }
    }
}

/// All records of a lot, by unit and attempt, without opening the lot: also while it is being
/// tested. A torn last line is left out.
pub fn read_lot(root: &Path, board: &str, lot: &str) -> Result<Vec<Record>, StoreError> {
    read_records(&folder_of(root, board, lot)?, board, lot)
}

fn folder_of(root: &Path, board: &str, lot: &str) -> Result<PathBuf, StoreError> {
    check(root, "board", board)?;
    check(root, "lot", lot)?;
    Ok(root.join(board).join(lot))
}

/// Names become files and folders.
fn check(folder: &Path, what: &str, id: &str) -> Result<(), StoreError> {
    check_file_id(id).map_err(|why| {
        let what_is_wrong = format!("the name `{id}` of the {what} {why}");
        StoreError::usage(folder, what_is_wrong, &format!("give the {what} another name"))
    })
}

/// A record's file name, taken apart.
struct Name {
    unit: String,
    attempt: u64,
    file: String,
}

impl Name {
    /// `<unit>-<attempt>.csv`; nothing for any other name.
    fn of(file: &str) -> Option<Name> {
        let (unit, number) = file.strip_suffix(".csv")?.rsplit_once('-')?;
        let attempt: u64 = number.parse().ok().filter(|&n| n > 0)?;
        let canonical = number == attempt.to_string() && check_file_id(unit).is_ok();
        canonical.then(|| Name { unit: unit.into(), attempt, file: file.into() })
    }
}

/// The records in a folder, by unit and attempt.
fn names(folder: &Path) -> Result<Vec<Name>, StoreError> {
    let failed = |e: io::Error| StoreError::io(folder, "cannot list the records", &e);
    let mut names = Vec::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        if entry.file_type().is_ok_and(|kind| kind.is_dir()) {
            continue;
        }
        let file = entry.file_name();
        names.extend(file.to_str().and_then(Name::of));
    }
    names.sort_by(|a, b| (&a.unit, a.attempt).cmp(&(&b.unit, b.attempt)));
    Ok(names)
}

fn read_records(folder: &Path, board: &str, lot: &str) -> Result<Vec<Record>, StoreError> {
    let names = names(folder)?;
    Ok(names.into_iter().map(|name| read_record(folder, name, board, lot)).collect())
}

fn read_record(folder: &Path, name: Name, board: &str, lot: &str) -> Record {
    let path = folder.join(&name.file);
    let shown = path.display().to_string();
    let rows = read_bytes(&path)
        .map_err(|e| Problem::of_file(&shown, e))
        .and_then(|bytes| csv::read::<Row>(&shown, &bytes))
        .and_then(|parsed| belong(&shown, &name, board, lot, parsed.rows));
    let (rows, problem) = match rows {
        Ok(rows) => (rows, None),
        Err(problem) => (Vec::new(), Some(problem)),
    };
    Record {
        board: board.into(),
        lot: lot.into(),
        file: name.file,
        unit: name.unit,
        attempt: name.attempt,
        rows,
        problem,
    }
}

/// The rows, if all are of the unit, attempt, lot and board that their place says.
fn belong(
    file: &str,
    name: &Name,
    board: &str,
    lot: &str,
    rows: Vec<Row>,
) -> Result<Vec<Row>, Problem> {
    let stray = rows.iter().map(|row| &row.head).find(|head| {
        head.unit != name.unit
            || head.attempt != name.attempt
            || head.lot != lot
            || head.board != board
    });
    match stray {
        None => Ok(rows),
        Some(head) => Err(Problem::of_file(
            file,
            format!(
                "it holds a row of board {}, lot {}, unit {}, attempt {}; \
                 give the file its own name and folder back",
                head.board, head.lot, head.unit, head.attempt
            ),
        )),
    }
}

/// A whole file, unless it is larger than any record.
fn read_bytes(path: &Path) -> Result<Vec<u8>, String> {
    let failed = |e: io::Error| format!("cannot be read ({e}); look at the disk and the file");
    let file = File::open(path).map_err(failed)?;
    let mut bytes = Vec::new();
    file.take(LARGEST + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > LARGEST {
        return Err("is larger than any record; move it out of the folder".into());
    }
    Ok(bytes)
}
