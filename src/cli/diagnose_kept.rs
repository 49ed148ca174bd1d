//! What a unit on the bench was led through is kept as it goes, and read again: a diagnosis that was
//! cut short, by a key or a crash, is concluded from its file, or gone on with.

use super::Failure;
use super::bench::TOOL;
use super::diagnose_typed::{looked, metered, no_supply, spelled};
use crate::bench::{Check, ProbeInfo};
use crate::board::{Board, Setting};
use crate::diagnose::{self, Evidence, Look, Meter, foreign};
use crate::record::led::{LOOKED, Led, MEASURED, NO_TEST, SILENT, TAKEN_BACK, TRIED};
use crate::record::{Row, RowKind};
use crate::report::diagnosis_look;
use crate::store::{ROOT, RowLog};
use jiff::Timestamp;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

/// The file of a unit that is led.
pub struct Kept {
    board: Arc<Board>,
    led: Led,
    log: RowLog,
    /// What is known beforehand, written with the first that is new.
    before: Vec<Row>,
}

impl Kept {
    /// Nothing is written yet. Without a name the file lies beside the record that is gone on from,
    /// or in the board's folder.
    pub fn new(
        board: &Arc<Board>,
        named: Option<&Path>,
        record: Option<&Path>,
        rows: Vec<Row>,
    ) -> Result<Kept, Failure> {
        let usual = Path::new(ROOT).join(&board.name);
        let beside = record.and_then(Path::parent);
        let log = match named {
            Some(path) => RowLog::named(path)?,
            None => RowLog::free(beside.unwrap_or(&usual), record),
        };
        let led = Led::new(board, TOOL, Timestamp::now(), &rows);
        Ok(Kept { board: board.clone(), led, log, before: rows })
    }

    /// Takes over what was given on the command line.
    pub fn given(&mut self, meters: &[Meter], looks: &[(Look, bool)]) {
        let meters = meters.iter().map(|meter| self.row_of_meter(meter));
        let looks = looks.iter().map(|&(look, yes)| self.row_of_look(look, yes));
        let mut rows: Vec<Row> = meters.chain(looks).collect();
        self.led.number(&mut rows);
        self.before.extend(rows);
    }

    /// Where it is kept.
    pub fn file(&self) -> String {
        self.log.path().display().to_string()
    }

    /// Whether anything is in it.
    pub fn begun(&self) -> bool {
        self.log.begun()
    }

    /// The rows of what every channel read in a setting; [`Kept::add`] writes them.
    pub fn rows<'c>(
        &mut self,
        who: &ProbeInfo,
        setting: &Setting,
        checks: impl Iterator<Item = &'c Check>,
    ) -> Vec<Row> {
        self.led.read(Timestamp::now(), who, setting, checks)
    }

    /// Writes rows; they are on the disk when this returns. Their numbers.
    pub fn add(&mut self, mut rows: Vec<Row>) -> Result<Range<u64>, Failure> {
        let count = rows.len() as u64;
        let last = self.led.number(&mut rows);
        let all = match self.log.begun() {
            true => rows,
            false => [std::mem::take(&mut self.before), rows].concat(),
        };
        self.log.append(&all)?;
        Ok(last + 1 - count..last + 1)
    }

    /// Writes the rows of what was read while something was tried.
    pub fn tried(&mut self, look: Look, mut rows: Vec<Row>) -> Result<(), Failure> {
        let what = diagnosis_look::flag(&self.board, look);
        for row in &mut rows {
            row.rule = TRIED.to_string();
            row.note.clone_from(&what);
        }
        self.add(rows).map(drop)
    }

    /// What a meter showed.
    pub fn measured(&mut self, meter: &Meter) -> Result<Range<u64>, Failure> {
        self.add(vec![self.row_of_meter(meter)])
    }

    /// What somebody saw or tried.
    pub fn looked(&mut self, look: Look, yes: bool) -> Result<Range<u64>, Failure> {
        self.add(vec![self.row_of_look(look, yes)])
    }

    /// An answer, or what was read, does not count any more.
    pub fn taken_back(&mut self, rows: Range<u64>) -> Result<(), Failure> {
        let event = |row: u64| self.led.event(Timestamp::now(), TAKEN_BACK, &row.to_string(), "");
        let events = rows.map(event).collect();
        self.add(events).map(drop)
    }

    /// The probe went silent after a setting was read.
    pub fn silent(&mut self, after: &Setting, at: Option<&Setting>) -> Result<(), Failure> {
        self.add(vec![self.led.silent(Timestamp::now(), after, at)]).map(drop)
    }

    fn row_of_meter(&self, meter: &Meter) -> Row {
        let (what, value) = spelled(&self.board, meter);
        self.led.event(Timestamp::now(), MEASURED, &what, &value)
    }

    fn row_of_look(&self, look: Look, yes: bool) -> Row {
        let what = diagnosis_look::flag(&self.board, look);
        self.led.event(Timestamp::now(), LOOKED, &what, if yes { "yes" } else { "no" })
    }
}

/// What rows say of a unit: those of a test, and after them those of a diagnosis, each in the order
/// in which it was known.
pub fn evidence_of(board: &Board, rows: &[Row]) -> Evidence {
    let (led, tested): (Vec<Row>, Vec<Row>) =
        rows.iter().cloned().partition(|row| row.head.attempt == NO_TEST);
    let mut evidence = Evidence::of(board, &tested);
    let back: Vec<&str> =
        led.iter().filter(|row| row.rule == TAKEN_BACK).map(|row| row.note.as_str()).collect();
    let first = rows.first().map(|row| &row.head);
    let other = |row: &&Row| first.and_then(|first| foreign(first, &row.head));
    for (row, why) in led.iter().filter_map(|row| Some((row, other(&row)?))) {
        evidence.left_out.push(format!("row {}: {why}", row.seq));
    }
    let counts = |row: &&Row| !back.contains(&row.seq.to_string().as_str()) && other(row).is_none();
    // What came of a trial is told by its answer: these are codes of a unit with another shunt.
    let of_the_unit = |row: &&Row| row.row != RowKind::Check || row.rule != TRIED;
    let led: Vec<&Row> = led.iter().filter(counts).filter(of_the_unit).collect();
    let one_look =
        |a: &&Row, b: &&Row| a.row == RowKind::Check && b.row == RowKind::Check && a.step == b.step;
    for rows in led.chunk_by(one_look) {
        if rows[0].row == RowKind::Check {
            let rows: Vec<Row> = rows.iter().map(|&row| row.clone()).collect();
            let seen = Evidence::of(board, &rows);
            evidence.renew(seen.readings);
            evidence.left_out.extend(seen.left_out);
            let new: Vec<_> =
                seen.filed.into_iter().filter(|f| !evidence.filed.contains(f)).collect();
            evidence.filed.extend(new);
        } else if let Err(why) = take(board, &mut evidence, rows[0]) {
            evidence.left_out.push(format!("row {}: {why}", rows[0].seq));
        }
    }
    evidence
}

fn take(board: &Board, evidence: &mut Evidence, row: &Row) -> Result<(), String> {
    let typed = || format!("{}={}", row.note, row.answer);
    match row.rule.as_str() {
        MEASURED => {
            let meter = metered(board, &typed())?;
            no_supply(board, &meter).map_or(Ok(()), Err)?;
            evidence.measured(board, meter);
        }
        LOOKED => evidence.looks.push(looked(board, &typed())?),
        SILENT => {
            evidence.silent_after = Some(diagnose::setting(board, &row.setting)?);
            // Files of before do not say.
            evidence.silent_at = diagnose::setting(board, &row.note).ok();
        }
        _ => {}
    }
    Ok(())
}
