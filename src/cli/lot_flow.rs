//! `bench BOARD` without a unit: a lot, one unit after another.

use super::bench::{Options, Prepared, Unit, exit, keys};
use super::{Exit, Failure, release};
use crate::bench::{Cut, Key, Retest, Summary};
use crate::lot::{self, Counts, Table};
use crate::probe::port;
use crate::record::release::REASONS;
use crate::record::{Problem, Record};
use crate::report::table::{self, Cell, Form};
use crate::screen::keys::key_of;
use crate::session::live::{Desk, Said};

/// Leads an operator through a lot until there is no next unit.
pub fn run(options: &Options, prepared: &Prepared) -> Result<Exit, Failure> {
    let mut lot = Lot {
        options,
        prepared,
        desk: Desk::new(Some(keys()))?,
        port: options.connection.serial_port().map(str::to_string),
        next: None,
        tested: 0,
        worst: None,
        stopped: false,
    };
    super::say(&unreadable(&prepared.store.records()?))?;
    if let Some(first) = &options.next {
        if successor(first).is_none() {
            return Err(Failure::input(format!(
                "--next '{first}': it cannot be counted up; end it with digits, like V001"
            )));
        }
        lot.next = Some(lot.free(first.clone())?);
    }
    while let Some((id, how)) = lot.next_unit()? {
        if !lot.test(&id, how)? || !lot.unplugged(&id) {
            break;
        }
    }
    let records = prepared.store.rebuild_lot(lot::table_csv)?;
    super::say(&format!("{}{}", closing(&Table::of(&records)), unreadable(&records)))?;
    Ok(match lot.stopped {
        true => Exit::Interrupted,
        // Nothing was tested.
        false => lot.worst.unwrap_or(Exit::Incomplete),
    })
}

/// The lot while it is being tested.
struct Lot<'a> {
    options: &'a Options,
    prepared: &'a Prepared,
    desk: Desk,
    /// The serial port, if there is one.
    port: Option<String>,
    /// The serial number proposed for the next unit.
    next: Option<String>,
    tested: u64,
    worst: Option<Exit>,
    stopped: bool,
}

impl Lot<'_> {
    /// A line that was typed, or nothing when the lot ends here.
    fn line(&mut self, asked: &str) -> Result<Option<String>, Failure> {
        self.desk.forget_typed();
        super::say(&format!("{asked}\n"))?;
        Ok(match self.desk.wait(|| false) {
            Said::Line(line) if line != "q" => Some(line),
            said => {
                self.ends(&said);
                None
            }
        })
    }

    fn ends(&mut self, said: &Said) {
        self.stopped |= *said == Said::Stop;
    }

    /// The next unit and how it is tested; nothing when the lot ends here.
    fn next_unit(&mut self) -> Result<Option<(String, How)>, Failure> {
        if !self.plugged_in()? {
            return Ok(None);
        }
        loop {
            let asked = match &self.next {
                Some(next) => format!(
                    "\nThis unit is {next}: Enter, or type another serial number (q ends the lot)"
                ),
                None => "\nSerial number of this unit (q ends the lot)".to_string(),
            };
            let Some(line) = self.line(&asked)? else { return Ok(None) };
            let id = match (line.is_empty(), &self.next) {
                (true, Some(next)) => next.clone(),
                (true, None) => continue,
                (false, _) => line,
            };
            if let Some(why) = no_serial(&id) {
                super::say(&format!("{why}\n"))?;
                continue;
            }
            if let Err(refused) = self.prepared.known(&id) {
                super::say(&format!("{refused}\n"))?;
                // Nothing is proposed that cannot be taken.
                self.next = self.next.take().filter(|next| *next != id);
                continue;
            }
            match self.again(&id)? {
                Again::Test(how) => return Ok(Some((id, how))),
                Again::No => {}
                Again::End => return Ok(None),
            }
        }
    }

    /// Waits for the unit's port; false when the lot ends here.
    fn plugged_in(&mut self) -> Result<bool, Failure> {
        // A unit that is measured first has no power yet.
        let Some(port) = self.port.clone().filter(|_| self.prepared.powered_at_first()) else {
            return Ok(true);
        };
        if port::present(&port) {
            return Ok(true);
        }
        self.desk.forget_typed();
        super::say(&format!("\nPlug the next unit in ({port}); q and Enter ends the lot\n"))?;
        loop {
            match self.desk.wait(|| port::present(&port)) {
                Said::Seen => return Ok(true),
                Said::Line(line) if line != "q" => {}
                said => {
                    self.ends(&said);
                    return Ok(false);
                }
            }
        }
    }

    /// Whether the unit is in this lot already, and if so whether it is to be tested again.
    fn again(&mut self, id: &str) -> Result<Again, Failure> {
        let history = self.prepared.history(id)?;
        if history.attempts == 0 {
            return Ok(Again::Test(How::First));
        }
        let before = history.needs_reason().unwrap_or_else(|| match &history.last {
            Some((attempt, verdict, _)) => format!("attempt {attempt} was {verdict}"),
            None => "it was not wholly tested".into(),
        });
        let cut = self.prepared.cut(id).ok();
        let going_on = match &cut {
            Some(cut) => format!("; {RESUME} goes on where attempt {} was cut short", cut.attempt),
            None => String::new(),
        };
        let asked = format!(
            "{id} is in this lot already: {before}. Test it again? Say why ({}, or in your own \
             words){going_on}; Enter alone takes another unit",
            REASONS.join(", ")
        );
        let Some(line) = self.line(&asked)? else { return Ok(Again::End) };
        if line.is_empty() {
            return Ok(Again::No);
        }
        if let Some(cut) = cut.filter(|_| line == RESUME) {
            return Ok(Again::Test(How::GoingOn(Box::new(cut))));
        }
        match release::reason(Some(&line)) {
            Ok(Some(reason)) => {
                let retest = Retest { held: history.held(&reason), reason };
                Ok(Again::Test(How::Again(retest)))
            }
            Ok(None) => Ok(Again::No),
            Err(wrong) => super::say(&format!("{wrong}\n")).map(|()| Again::No),
        }
    }

    /// Tests one unit; false when the lot ends with it.
    fn test(&mut self, id: &str, how: How) -> Result<bool, Failure> {
        let (retest, earlier) = match how {
            How::First => (None, None),
            How::Again(retest) => (Some(retest), None),
            How::GoingOn(cut) => (None, Some(*cut)),
        };
        let unit = Unit { earlier, ..self.prepared.unit(self.options, id, retest)? };
        let opened = self.prepared.open(self.options, self.tested);
        let (line, opening) = match opened {
            Ok(opened) => opened,
            // The lot is not lost with a port that does not open.
            Err(failure) => {
                super::say(&format!("{failure}\n"))?;
                return Ok(true);
            }
        };
        let summary = unit.run(&mut self.desk, &self.prepared.store, line, &opening)?;
        self.tested += 1;
        self.count(&summary);
        super::say(&self.prepared.suspects(id)?)?;
        if self.next.is_some() {
            self.next = Some(self.free(successor(id).unwrap_or_else(|| id.to_string()))?);
        }
        self.stopped |= summary.cut == Some(Cut::Stopped);
        Ok(!matches!(summary.cut, Some(Cut::Stopped | Cut::NoKeys)))
    }

    fn count(&mut self, summary: &Summary) {
        let order = [Exit::Pass, Exit::Hold, Exit::Incomplete, Exit::Lost, Exit::Fail];
        let rank = |exit: &Exit| order.iter().position(|e| e == exit);
        let now = exit(summary);
        self.worst = self.worst.into_iter().chain([now]).max_by_key(rank);
    }

    /// Waits until the unit is unplugged; false when the lot ends here.
    fn unplugged(&mut self, id: &str) -> bool {
        let Some(port) = self.port.clone().filter(|port| port::present(port)) else { return true };
        let what = "Enter goes on where the port stays, as an adapter's does";
        self.desk.forget_typed();
        if super::say(&format!("\nUnplug {id}; {what}; q ends the lot\n")).is_err() {
            return false;
        }
        loop {
            match self.desk.wait(|| !port::present(&port)) {
                Said::Seen => return true,
                // Only what says so says that hands are done; a serial number scanned early is not it.
                Said::Line(line) if key_of(&line) == Some(Key::Yes) => return true,
                Said::Line(line) if line != "q" => {
                    let what = "is no answer here: press Enter alone when it is done";
                    self.desk.forget_typed();
                    if super::say(&format!("`{line}` {what}; q ends the lot\n")).is_err() {
                        return false;
                    }
                }
                said => {
                    self.ends(&said);
                    return false;
                }
            }
        }
    }

    /// The first serial number from this one on that the lot has no record of.
    fn free(&self, first: String) -> Result<String, Failure> {
        let records = self.prepared.store.records()?;
        let mut id = first.clone();
        while records.iter().any(|record| record.unit == id) {
            let Some(next) = successor(&id) else {
                let what = "--next counts up the digits at its end; give it some, like V001";
                return Err(Failure::input(format!("--next '{id}': {what}")));
            };
            id = next;
        }
        if id != first {
            super::say(&format!("{first} is in this lot already: the next free one is {id}\n"))?;
        }
        Ok(id)
    }
}

/// What is typed to go on from an attempt that was cut short.
const RESUME: &str = "resume";

/// How a unit is tested.
enum How {
    /// It is new in this lot.
    First,
    /// Again, and why.
    Again(Retest),
    /// From where an attempt was cut short.
    GoingOn(Box<Record>),
}

/// Why a word typed for a serial number is none, though it could be one.
fn no_serial(word: &str) -> Option<String> {
    if word.starts_with('#') {
        return Some(
            "A note belongs to a unit: type its number, then the note in its test.".into(),
        );
    }
    let answers = REASONS.iter().chain([&RESUME]);
    let answers = answers.into_iter().any(|answer| word.eq_ignore_ascii_case(answer));
    answers.then(|| {
        format!("Type the serial number of the unit first; then it is asked whether to {word}.")
    })
}

/// What is done with a serial number.
enum Again {
    /// It is tested.
    Test(How),
    /// Another one is asked for.
    No,
    /// The lot ends here.
    End,
}

/// The serial number that follows: its last digits, one higher and no fewer of them.
pub fn successor(id: &str) -> Option<String> {
    let stem = id.trim_end_matches(|c: char| c.is_ascii_digit());
    let digits = &id[stem.len()..];
    let next = digits.parse::<u64>().ok()?.checked_add(1)?;
    Some(format!("{stem}{next:0width$}", width = digits.len()))
}

/// The records that cannot be read, and why: their units are INCOMPLETE.
fn unreadable(records: &[Record]) -> String {
    let damaged = records.iter().filter_map(|r| r.problem.as_ref().map(|p| (r, p)));
    let line = |(r, problem): (&Record, &Problem)| {
        let what = problem.without_file();
        format!("record {} cannot be read: {what}; {} counts as INCOMPLETE\n", r.file, r.unit)
    };
    damaged.map(line).collect()
}

/// The lot as it stands, a line for each unit.
fn closing(lot: &Table) -> String {
    let columns = ["unit", "attempts", "verdict", "remaining_margin", "where", "failing"];
    let mut table = table::Table::new(&columns);
    for line in &lot.lines {
        table.rows.push(vec![
            Cell::text(line.unit.clone()),
            Cell::text(line.attempts.to_string()),
            Cell::text(line.verdict.clone()),
            Cell::number(line.worst_remaining_margin_code, 1),
            Cell::text(line.worst_where.clone()),
            Cell::text(line.failing.split("; ").next().unwrap_or_default().to_string()),
        ]);
    }
    let Counts { units, pass, hold, incomplete, fail, first_pass } = lot.counts();
    let rows = match units {
        0 => String::new(),
        _ => format!("\n{}", table.print(Form::Text)),
    };
    let word = if units == 1 { "unit" } else { "units" };
    format!(
        "{rows}\n{units} {word}: {pass} PASS, {hold} HOLD, {incomplete} INCOMPLETE, {fail} FAIL; \
         {first_pass} passed at the first attempt\n"
    )
}

#[cfg(test)]
mod tests {
    use super::successor;

    #[test]
    fn serial_numbers_count_up_by_their_last_digits() {
        for (id, next) in [("V001", "V002"), ("V999", "V1000"), ("7", "8"), ("A-2-09", "A-2-10")] {
            assert_eq!(successor(id).as_deref(), Some(next), "{id}");
        }
        for id in ["V", "V1a", "", "V99999999999999999999"] {
            assert_eq!(successor(id), None, "{id}");
        }
        assert_eq!(successor("V18446744073709551615"), None, "there is none after it");
    }
}
