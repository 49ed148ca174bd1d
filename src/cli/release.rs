//! `bench BOARD --release UNIT --reason TEXT`: takes a unit off HOLD.

use super::bench::{Options, TOOL};
use super::{Exit, Failure, load};
use crate::lot;
use crate::record::release;
use crate::store::Store;
use jiff::Timestamp;

/// Appends the release to the unit's last record and makes the lot's table new.
pub fn run(options: &Options, unit: &str) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    let reason = reason(options.reason.as_deref())?
        .ok_or_else(|| Failure::input(format!("--release {unit}: say why, with --reason \"…\"")))?;
    let operator = options.operator.trim();
    if operator.is_empty() {
        let what = "a person answers for a release: name yours with --operator NAME";
        return Err(Failure::input(format!("--release {unit}: {what}")));
    }
    let store = Store::open(&options.results, &board.name, &options.lot)?;
    for mended in store.mended() {
        super::complain(&mended.to_string());
    }
    let records = store.records()?;
    let last = records.iter().filter(|r| r.unit == unit).max_by_key(|r| r.attempt);
    let Some(record) = last else {
        let folder = store.folder().display();
        let what = format!("there is no record of {unit} in {folder}; give its --lot");
        return Err(Failure::input(format!("--release {unit}: {what}")));
    };
    let (verdict, why) = lot::verdict(record);
    let (Some(row), "HOLD") = (record.rows.last(), verdict.as_str()) else {
        let why = if why.is_empty() { String::new() } else { format!(" ({why})") };
        return Err(Failure::input(format!(
            "--release {unit}: its last attempt, {}, is {verdict}{why}; only a unit on HOLD can be \
             released",
            record.attempt
        )));
    };
    let row = release::row(row, operator, TOOL, &reason, Timestamp::now());
    store.reopen(unit, record.attempt)?.append(&[row])?;
    store.rebuild_lot(lot::table_csv)?;
    super::say(&format!(
        "{unit} released by {operator}: {reason}\nIt was on HOLD because {why}\nrecord {}\n",
        store.folder().join(&record.file).display()
    ))?;
    Ok(Exit::Pass)
}

/// Longest reason in characters.
const LONGEST: usize = 200;

/// A reason as given, in one line.
pub fn reason(given: Option<&str>) -> Result<Option<String>, Failure> {
    let Some(given) = given else { return Ok(None) };
    let text = given.trim();
    let wrong = |what: &str| Err(Failure::input(format!("--reason: {what}")));
    if text.is_empty() {
        return wrong("it is empty; say in a few words why");
    }
    if text.chars().count() > LONGEST || text.chars().any(char::is_control) {
        return wrong(&format!("write one line of {LONGEST} characters at most"));
    }
    Ok(Some(text.to_string()))
}
