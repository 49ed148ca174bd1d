//! Whether the unit on the bench is the one that a record is of, and later the one that was there
//! before: by its chip's number, and where that cannot tell by what it reads.

use super::Failure;
use super::diagnose_live::{Live, Ready, ready_of};
use super::diagnose_talk::{Said, Talk, yes_or_no};
use crate::bench::ProbeInfo;
use crate::board::{Board, Setting};
use crate::circuit::{self, Parts};
use crate::diagnose::{self, Evidence, InHand, foreign};
use crate::record::led::{NO_TEST, SILENT};
use crate::record::{Head, Row};
use crate::report::diagnosis_steps::Wanted;
use std::cmp::Reverse;

/// The unit that a record is of.
#[derive(Clone, Debug, Default)]
pub struct Of {
    /// Its serial number; empty where no row has one.
    unit: String,
    /// Numbers of its chip: the chip's own, or one that a test wrote and took away again.
    numbers: Vec<String>,
    /// Whether it went silent, so that it gets no power any more.
    pub silent: bool,
}

/// What the number of a chip says.
enum ByNumber {
    Same,
    Another(String),
    /// One of the two has none.
    Open,
}

/// What somebody says of a unit that reads otherwise than it should.
enum Told {
    /// It is the same.
    Yes,
    /// It is another.
    No,
    /// Something was put right.
    Again,
    Else(Ready),
}

impl Of {
    /// What the rows of a record say of its unit; none where there is no record.
    pub fn rows(rows: &[Row]) -> Option<Of> {
        let first = &rows.first()?.head;
        let own = || rows.iter().filter(|row| foreign(first, &row.head).is_none());
        let named = |of: fn(&Head) -> &String| {
            own().map(move |row| of(&row.head)).filter(|text| !text.is_empty()).cloned()
        };
        let unit = named(|head| &head.unit).next().unwrap_or_default();
        let mut numbers: Vec<String> = named(|head| &head.identity).collect();
        numbers.dedup();
        let silent = own().any(|row| row.head.attempt == NO_TEST && row.rule == SILENT);
        Some(Of { unit, numbers, silent })
    }

    fn by_number(&self, who: &ProbeInfo) -> ByNumber {
        let named = !self.unit.is_empty() && !who.unit.is_empty();
        if named && who.unit != self.unit {
            return ByNumber::Another(format!(
                "the chip carries the identity of unit {}, the record is of {}",
                who.unit, self.unit
            ));
        }
        match (who.identity.as_str(), self.numbers.last()) {
            ("", _) | (_, None) => ByNumber::Open,
            (number, _) if self.numbers.iter().any(|known| known == number) => ByNumber::Same,
            // Each test writes a number of its own, and one that was cut short leaves it there.
            (_, Some(_)) if named => ByNumber::Open,
            (number, Some(last)) => ByNumber::Another(format!(
                "another unit is there than the record's: its chip has {number}, that of the \
                 record has {last}"
            )),
        }
    }

    fn name(&self) -> String {
        match self.unit.as_str() {
            "" => "the unit of the record".into(),
            unit => format!("unit {unit}, which the record is of"),
        }
    }
}

impl Live<'_> {
    /// Before anything of a unit goes with a record it reads a setting that the record has: another
    /// unit's readings beside the record's would give a cause that neither has.
    pub fn recognise(
        &mut self,
        talk: &mut Talk,
        evidence: &mut Evidence,
    ) -> Result<Ready, Failure> {
        let Some(of) = self.of.clone() else { return Ok(Ready::Yes) };
        if self.hand.dead {
            talk.say(&format!(
                "\nit went silent, and gets no power any more, so its chip cannot say who it is: \
                 look at its label for {}\n",
                of.name()
            ))?;
            return Ok(Ready::Yes);
        }
        let Some(setting) = telling(self.board, evidence) else { return Ok(Ready::Yes) };
        talk.say(
            "\nFirst a setting that the record has: what is read there shows whether this is its \
             unit\n",
        )?;
        let wanted = Wanted { setting: setting.clone(), powered: true, joined: false };
        loop {
            match self.bring(talk, &wanted, None, evidence)? {
                Ready::Yes => {}
                other => return Ok(other),
            }
            match self.as_recorded(talk, &of, &setting, evidence)? {
                Ok(true) => {
                    self.seen.push(setting);
                    return Ok(Ready::Yes);
                }
                Ok(false) => {
                    // Another one is plugged in, and its shunts may be anywhere.
                    (self.hand, self.who, self.was_off) = (InHand::default(), None, true);
                    talk.say(&format!("unplug it, and take {}\n", of.name()))?;
                }
                Err(ready) => return Ok(ready),
            }
        }
    }

    /// Whether the unit that has power is the record's, by number, by readings, or by the person's
    /// word.
    fn as_recorded(
        &mut self,
        talk: &mut Talk,
        of: &Of,
        setting: &Setting,
        evidence: &mut Evidence,
    ) -> Result<Result<bool, Ready>, Failure> {
        let mut said_so = false;
        loop {
            let seen = match self.look(talk, evidence)? {
                Ok(seen) => seen,
                Err(ready) => return Ok(Err(ready)),
            };
            self.was_off = false;
            let who = self.who.clone().unwrap_or_default();
            let rows = self.rows(setting, &seen);
            let readings = Evidence::of(self.board, &rows).readings;
            let differing = evidence.differing(&readings);
            let same = matches!(of.by_number(&who), ByNumber::Same);
            if same {
                talk.say("its chip has the number of the record: it is the same unit\n")?;
            } else if differing.is_empty() && !said_so {
                let none = match who.identity.is_empty() {
                    true => "its chip keeps no number",
                    false => "the record has no number of its chip",
                };
                talk.say(&format!(
                    "it reads as in the record. That is no proof that it is the same unit: {none}, \
                     and another unit may read alike\n"
                ))?;
            }
            if differing.is_empty() {
                return Ok(Ok(true));
            }
            if same || said_so {
                self.kept.add(rows)?;
                evidence.renew(readings);
                return Ok(Ok(true));
            }
            let why = match who.identity.is_empty() {
                true => "its chip keeps no number of its own",
                false => "the record has no number of its chip",
            };
            match self.is_the_same(talk, &differing, "in the record", why)? {
                Told::Yes => said_so = true,
                Told::No => return Ok(Ok(false)),
                Told::Again => {}
                Told::Else(ready) => return Ok(Err(ready)),
            }
        }
    }

    /// A chip that keeps no number is known again by what it reads, so where it was read before:
    /// the setting of those that is nearest to the one that is wanted.
    pub(super) fn known_by(&self, wanted: &Wanted, evidence: &Evidence) -> Option<Wanted> {
        let comes_back = wanted.powered && !self.hand.powered && self.hand.setting.is_some();
        let named = self.who.as_ref().is_some_and(|who| !who.identity.is_empty());
        let mut known = read_in(self.board, evidence);
        if !comes_back || named || known.contains(&wanted.setting) {
            return None;
        }
        let moves =
            |seen: &Setting| seen.0.iter().zip(&wanted.setting.0).filter(|(a, b)| a != b).count();
        known.sort_by_key(moves);
        let setting = known.into_iter().next()?;
        Some(Wanted { setting, ..wanted.clone() })
    }

    /// A unit that has power again is the one that was unplugged.
    pub(super) fn back_again(
        &mut self,
        talk: &mut Talk,
        evidence: &mut Evidence,
    ) -> Result<Ready, Failure> {
        let setting = self.hand.setting.clone().unwrap_or_else(|| self.board.delivery.clone());
        let mut said_so = false;
        loop {
            let seen = match self.look(talk, evidence)? {
                Ok(seen) => seen,
                Err(ready) => return Ok(ready),
            };
            self.was_off = false;
            if std::mem::take(&mut self.changed) {
                return Ok(Ready::Yes);
            }
            let rows = self.rows(&setting, &seen);
            let readings = Evidence::of(self.board, &rows).readings;
            let differing = evidence.differing(&readings);
            let named = self.who.as_ref().is_some_and(|who| !who.identity.is_empty());
            let known = evidence.readings.iter().any(|reading| reading.setting == setting);
            if (differing.is_empty() && !said_so) || named {
                let how = match (named, known) {
                    (true, _) => "the same chip is back",
                    (false, true) => "it is back, and reads as before",
                    (false, false) => {
                        "it is back; its chip keeps no number and this setting is new, so nothing \
                         shows that it is the same unit"
                    }
                };
                talk.say(&format!("{how}\n"))?;
            }
            if differing.is_empty() {
                return Ok(Ready::Yes);
            }
            if named || said_so {
                self.kept.add(rows)?;
                evidence.renew(readings);
                return Ok(Ready::Yes);
            }
            let why = "its chip keeps no number of its own";
            match self.is_the_same(talk, &differing, "before in this setting", why)? {
                Told::Yes => said_so = true,
                Told::Again => {}
                Told::No => {
                    self.was_off = true;
                    self.hand.powered = false;
                    talk.say("put that right; it is asked for again\n")?;
                    let wanted = Wanted { setting, powered: true, joined: false };
                    return self.bring(talk, &wanted, None, evidence);
                }
                Told::Else(ready) => return Ok(ready),
            }
        }
    }

    /// Asks whether a unit that reads otherwise than `then` is the same one; `why` nothing else
    /// tells. It has to be read again whatever is said but a no: shunts may have been put right.
    fn is_the_same(
        &self,
        talk: &mut Talk,
        differing: &[usize],
        then: &str,
        why: &str,
    ) -> Result<Told, Failure> {
        let ids: Vec<&str> =
            differing.iter().map(|&c| self.board.channels[c].id.as_str()).collect();
        let reads = if ids.len() == 1 { "reads" } else { "read" };
        let asked = format!(
            "{} {reads} otherwise than {then}, and {why}: is it the same unit, with the shunts as \
             asked?\nput right what is not, and press Enter to have it read again; else yes or no",
            ids.join(", ")
        );
        loop {
            match talk.ask(&asked)? {
                Said::Word(word) => match yes_or_no(&word) {
                    Ok(true) => return Ok(Told::Yes),
                    Ok(false) => return Ok(Told::No),
                    Err(why) => talk.say(&format!("{why}\n"))?,
                },
                Said::Enter => return Ok(Told::Again),
                other => return Ok(Told::Else(ready_of(&other))),
            }
        }
    }

    /// Why a chip is not the one that it should be.
    pub(super) fn another(&self, who: &ProbeInfo) -> Option<String> {
        if let Some(ByNumber::Another(why)) = self.of.as_ref().map(|of| of.by_number(who)) {
            return Some(why);
        }
        let first = self.who.as_ref()?;
        (first.identity != who.identity).then(|| {
            let name = |who: &ProbeInfo| match who.identity.as_str() {
                "" => "no number".to_string(),
                identity => identity.to_string(),
            };
            format!(
                "another unit is there than before: its chip has {}, the other had {}",
                name(who),
                name(first)
            )
        })
    }
}

/// The settings that were read, each once.
fn read_in(board: &Board, evidence: &Evidence) -> Vec<Setting> {
    let parts = Parts::nominal(board);
    let mut found: Vec<Setting> = Vec::new();
    for reading in &evidence.readings {
        let setting = &reading.setting;
        if !found.contains(setting) && circuit::short(board, &parts, setting, &[]).is_none() {
            found.push(setting.clone());
        }
    }
    found
}

/// The setting of those read in which most channels tell the unit from others: by reading otherwise
/// than the nominal unit, then by codes between the ends of the scale; then the nearest to the
/// delivery setting.
fn telling(board: &Board, evidence: &Evidence) -> Option<Setting> {
    let compared = diagnose::compare(board, evidence, &diagnose::Cause::good());
    let full = f64::from(board.chip.full_scale);
    let worth = |setting: &Setting| {
        let own = || compared.iter().filter(|c| evidence.readings[c.reading].setting == *setting);
        let off = own().filter(|c| c.read.zip(c.good).is_none_or(|(a, b)| (a - b).abs() >= 1.0));
        let off = off.filter(|c| c.read.is_some() || c.good.is_some());
        let inside = own().filter(|c| c.read.is_some_and(|code| 1.0 < code && code < full - 1.0));
        let moves = setting.0.iter().zip(&board.delivery.0).filter(|(a, b)| a != b).count();
        (off.count(), inside.count(), Reverse(moves))
    };
    // Of equals the first one read.
    let read = read_in(board, evidence).into_iter().rev();
    read.max_by_key(worth)
}
