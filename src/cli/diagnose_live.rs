//! A unit on the bench, led through what still tells something of its defect: shunts, power and
//! leads are where a measurement needs them, and the unit that comes back is the one that left.

use super::connection::{ByMeter, Connection, needs_probe};
use super::diagnose_kept::Kept;
use super::diagnose_talk::{Said, Talk, yes_or_no};
use super::read::look;
use super::{Exit, Failure, windows_of};
use crate::bench::reading::{Located, Look as Seen};
use crate::bench::{Check, Mode, ProbeInfo};
use crate::board::{Board, Jumper, Kind, Place, Setting};
use crate::diagnose::{Evidence, InHand, Measurement};
use crate::record::{Head, Row};
use crate::report::diagnosis_steps::{Steps, Wanted, steps};
use crate::window::Windows;
use std::path::Path;
use std::sync::Arc;

/// Whether something is ready to be measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ready {
    /// It is.
    Yes,
    /// It is to be left out, or can no longer be measured.
    Leave,
    /// The answer before is taken back.
    Back,
    /// The person has enough, or is gone.
    End,
    /// A request to stop.
    Stop,
}

/// The unit and the person at it.
pub struct Live<'a> {
    pub(super) board: &'a Arc<Board>,
    windows: Arc<Windows>,
    pub(super) connection: &'a Connection,
    /// The unit as it lies there.
    pub hand: InHand,
    /// Whether a lead joins the rails.
    joined: bool,
    /// Settings looked at.
    seen: Vec<Setting>,
    /// Who answered last, the same chip as ever.
    who: Option<ProbeInfo>,
    /// Whether the unit was without power since it was last looked at.
    was_off: bool,
    /// Whether something was done to it meanwhile that may change what it reads.
    pub(super) changed: bool,
    /// What is still to be put right on the unit.
    pub(super) owed: Option<String>,
    /// What it read and was found to be, on disk.
    pub(super) kept: Kept,
    /// The unit that a record is of.
    unit: String,
}

impl<'a> Live<'a> {
    /// A unit that has not been looked at yet; `unit` is the one that a record is of.
    pub fn new(
        board: &'a Arc<Board>,
        file: &Path,
        connection: &'a Connection,
        unit: Option<&Head>,
        kept: Kept,
    ) -> Result<Live<'a>, Failure> {
        needs_probe(board, file)?;
        let windows = windows_of(board)?;
        Ok(Live {
            board,
            windows,
            connection,
            hand: InHand::default(),
            joined: false,
            seen: Vec::new(),
            who: None,
            was_off: false,
            changed: false,
            owed: None,
            kept,
            unit: unit.map(|head| head.unit.clone()).unwrap_or_default(),
        })
    }

    /// Whether a setting was looked at.
    pub fn has_seen(&self, setting: &Setting) -> bool {
        self.seen.contains(setting)
    }

    /// Has the shunts put where a setting has them, and takes every channel into the evidence.
    pub fn read(
        &mut self,
        talk: &mut Talk,
        setting: &Setting,
        evidence: &mut Evidence,
    ) -> Result<Ready, Failure> {
        let wanted = Wanted { setting: setting.clone(), powered: true, joined: false };
        match self.bring(talk, &wanted, None, evidence)? {
            Ready::Yes if self.has_seen(setting) => return Ok(Ready::Yes),
            Ready::Yes => {}
            other => return Ok(other),
        }
        loop {
            let seen = match self.look(talk, evidence)? {
                Ok(seen) => seen,
                Err(ready) => return Ok(ready),
            };
            match self.is_seated(talk, setting, &seen)? {
                Some(Ready::Yes) => {
                    let rows = self.rows(setting, &seen);
                    let readings = Evidence::of(self.board, &rows).readings;
                    self.kept.add(rows)?;
                    evidence.renew(readings);
                    self.seen.push(setting.clone());
                    return Ok(Ready::Yes);
                }
                Some(other) => return Ok(other),
                None => {}
            }
        }
    }

    /// A shunt that reads as in another place than it was asked for is in that place, or shows the
    /// defect: whoever sees the board says which. None where it is to be looked at again.
    fn is_seated(
        &mut self,
        talk: &mut Talk,
        setting: &Setting,
        seen: &Seen,
    ) -> Result<Option<Ready>, Failure> {
        let before = self.seen.last();
        let jumpers = self.board.jumpers.iter().enumerate();
        let doubts = jumpers.filter(|&(j, _)| {
            let moved = before.is_none_or(|before| before.0[j] != setting.0[j]);
            moved && matches!(seen.jumpers[j], Located::At(place) if place != setting.0[j])
        });
        let told = |(j, jumper): (usize, &Jumper)| {
            let Located::At(place) = seen.jumpers[j] else { return String::new() };
            let asked = match setting.0[j] {
                Place::Open => "off".to_string(),
                place => format!("on {}", jumper.place_name(place)),
            };
            let (id, reads) = (&jumper.id, jumper.place_name(place));
            format!("{id} reads as {reads}: is its shunt {asked}?")
        };
        let doubts: Vec<String> = doubts.map(told).collect();
        if doubts.is_empty() {
            return Ok(Some(Ready::Yes));
        }
        let asked = format!(
            "{}\nyes: it is so, and reads otherwise; else put it there and press Enter (s: leave \
             it out, q: end)",
            doubts.join("\n")
        );
        loop {
            match talk.ask(&asked)? {
                Said::Enter => return Ok(None),
                Said::Word(word) => match yes_or_no(&word) {
                    Ok(true) => return Ok(Some(Ready::Yes)),
                    Ok(false) => {}
                    Err(why) => talk.say(&format!("{why}\n"))?,
                },
                other => return Ok(Some(ready_of(&other))),
            }
        }
    }

    /// Has everything put as a measurement by hand needs it.
    pub fn ready(
        &mut self,
        talk: &mut Talk,
        asked: &Measurement,
        evidence: &mut Evidence,
    ) -> Result<Ready, Failure> {
        let wanted = match asked {
            Measurement::Volts { setting, .. } | Measurement::Reading { setting, .. } => {
                Wanted { setting: setting.clone(), powered: true, joined: false }
            }
            Measurement::Ohms { setting, joined, .. } => {
                Wanted { setting: setting.clone(), powered: false, joined: *joined }
            }
            // Eyes need nothing.
            Measurement::Look(_) => return Ok(Ready::Yes),
        };
        self.bring(talk, &wanted, None, evidence)
    }

    /// Has shunts, power and leads brought to where they are wanted, with `act` done on the way.
    pub(super) fn bring(
        &mut self,
        talk: &mut Talk,
        wanted: &Wanted,
        act: Option<&str>,
        evidence: &mut Evidence,
    ) -> Result<Ready, Failure> {
        if let Some(known) = self.known_by(wanted) {
            match self.bring(talk, &known, None, evidence)? {
                Ready::Yes => {}
                other => return Ok(other),
            }
        }
        if let Some(off) = self.off_first(wanted) {
            match self.bring(talk, &off, None, evidence)? {
                Ready::Yes => {}
                other => return Ok(other),
            }
        }
        let Steps { mut list, cut } = steps(self.board, &self.hand, self.joined, wanted, act);
        if act.is_none() && !list.is_empty() {
            // What is owed is done with the next move.
            list.splice(0..0, self.owed.take());
        }
        if list.is_empty() {
            return Ok(Ready::Yes);
        }
        let how = match &list[..] {
            [one] => format!("\n{one}, then press Enter (s: leave it out, q: end)"),
            many => {
                let numbered = many.iter().enumerate().map(|(i, s)| format!("{}. {s}\n", i + 1));
                let numbered: String = numbered.collect();
                format!("\n{numbered}press Enter when that is done (s: leave it out, q: end)")
            }
        };
        let was = self.hand.clone();
        match talk.done(&how, &[])? {
            Said::Enter | Said::Word(_) => {}
            other => return Ok(ready_of(&other)),
        }
        self.hand.setting = Some(wanted.setting.clone());
        self.hand.powered = wanted.powered;
        self.joined = wanted.joined;
        self.was_off |= cut && was.setting.is_some();
        if !wanted.powered {
            return self.is_off(talk, &was);
        }
        if self.was_off {
            return self.back_again(talk, evidence);
        }
        Ok(Ready::Yes)
    }

    /// Before anything else is done to a unit without power it is unplugged, and seen to be: a lead
    /// that joins the rails of one that has power is a short.
    fn off_first(&self, wanted: &Wanted) -> Option<Wanted> {
        let setting = match &self.hand.setting {
            Some(setting) if self.hand.powered && !wanted.powered => setting.clone(),
            None if wanted.joined => wanted.setting.clone(),
            _ => return None,
        };
        let off = Wanted { setting, powered: false, joined: false };
        (off != *wanted).then_some(off)
    }

    /// A chip that keeps no number is known again by what it reads, so where it was read before:
    /// the setting of those that is nearest to the one that is wanted.
    fn known_by(&self, wanted: &Wanted) -> Option<Wanted> {
        let comes_back = wanted.powered && !self.hand.powered && self.hand.setting.is_some();
        let named = self.who.as_ref().is_some_and(|who| !who.identity.is_empty());
        if !comes_back || named || self.has_seen(&wanted.setting) {
            return None;
        }
        let moves =
            |seen: &&Setting| seen.0.iter().zip(&wanted.setting.0).filter(|(a, b)| a != b).count();
        let setting = self.seen.iter().min_by_key(moves)?.clone();
        Some(Wanted { setting, ..wanted.clone() })
    }

    /// A unit without power does not answer; one that does is not unplugged yet.
    fn is_off(&mut self, talk: &mut Talk, was: &InHand) -> Result<Ready, Failure> {
        if self.connection.is_virtual() || (was.setting.is_some() && !was.powered) {
            return Ok(Ready::Yes);
        }
        talk.say("looking whether it is silent...\n")?;
        while let Ok(answer) = self.reads(ByMeter::No) {
            match answer {
                Ok(_) => {}
                Err(Exit::Interrupted) => return Ok(Ready::Stop),
                Err(_) => return Ok(Ready::End),
            }
            let asked = "the unit still answers, so it has power: unplug it from every supply, \
                         then press Enter (s: leave it out, q: end)";
            match talk.done(asked, &[])? {
                Said::Enter | Said::Word(_) => {}
                other => {
                    self.hand.powered = true;
                    return Ok(ready_of(&other));
                }
            }
        }
        talk.say("it is silent, as it should be without power\n")?;
        Ok(Ready::Yes)
    }

    /// A unit that has power again is the one that was unplugged.
    fn back_again(&mut self, talk: &mut Talk, evidence: &mut Evidence) -> Result<Ready, Failure> {
        let setting = self.hand.setting.clone().unwrap_or_else(|| self.board.delivery.clone());
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
        if differing.is_empty() || named {
            let how = match (named, known) {
                (true, _) => "the same chip is back",
                (false, true) => "it is back, and reads as before",
                (false, false) => {
                    "it is back; its chip keeps no number and this setting is new, so nothing \
                     shows that it is the same unit"
                }
            };
            talk.say(&format!("{how}\n"))?;
            if !differing.is_empty() {
                self.kept.add(rows)?;
                evidence.renew(readings);
            }
            return Ok(Ready::Yes);
        }
        match self.is_the_same(talk, &differing)? {
            Ok(true) => {
                self.kept.add(rows)?;
                evidence.renew(readings);
                Ok(Ready::Yes)
            }
            Ok(false) => {
                self.was_off = true;
                self.hand.powered = false;
                talk.say("put that right; it is asked for again\n")?;
                let wanted = Wanted { setting, powered: true, joined: false };
                self.bring(talk, &wanted, None, evidence)
            }
            Err(ready) => Ok(ready),
        }
    }

    /// Asks whether a unit that reads otherwise than before is the same one.
    fn is_the_same(
        &self,
        talk: &mut Talk,
        differing: &[usize],
    ) -> Result<Result<bool, Ready>, Failure> {
        let ids: Vec<&str> =
            differing.iter().map(|&c| self.board.channels[c].id.as_str()).collect();
        let asked = format!(
            "{} reads otherwise than before in this setting, and the chip keeps no number of its \
             own: is it the same unit, with the shunts as asked? yes or no",
            ids.join(", ")
        );
        loop {
            match talk.ask(&asked)? {
                Said::Word(word) => match yes_or_no(&word) {
                    Ok(yes) => return Ok(Ok(yes)),
                    Err(why) => talk.say(&format!("{why}\n"))?,
                },
                Said::Enter => {}
                other => return Ok(Err(ready_of(&other))),
            }
        }
    }

    /// Reads every channel as the unit lies there, by the same chip as ever.
    pub(super) fn look(
        &mut self,
        talk: &mut Talk,
        evidence: &mut Evidence,
    ) -> Result<Result<Seen, Ready>, Failure> {
        loop {
            // A port may take a moment to come back after its unit was plugged in.
            let by = if self.was_off { ByMeter::First } else { ByMeter::No };
            let why = match self.reads(by) {
                Ok(Ok((seen, who))) => match self.another(&who) {
                    None => {
                        self.who = Some(who);
                        return Ok(Ok(seen));
                    }
                    Some(why) => why,
                },
                Ok(Err(Exit::Interrupted)) => return Ok(Err(Ready::Stop)),
                Ok(Err(_)) => return Ok(Err(Ready::End)),
                // Nothing was ever read: there is nothing to go on with.
                Err(failure) if self.seen.is_empty() && evidence.is_empty() => return Err(failure),
                Err(failure) if failure.exit == Exit::Lost => {
                    match self.lost(talk, &failure.text, evidence)? {
                        Ready::Yes => continue,
                        other => return Ok(Err(other)),
                    }
                }
                Err(failure) => return Err(failure),
            };
            let asked = format!("{why}\nplug the right unit in, then press Enter (q: end)");
            match talk.done(&asked, &[])? {
                Said::Enter | Said::Word(_) => {}
                other => return Ok(Err(ready_of(&other))),
            }
        }
    }

    /// The probe does not answer where it should.
    fn lost(
        &mut self,
        talk: &mut Talk,
        why: &str,
        evidence: &mut Evidence,
    ) -> Result<Ready, Failure> {
        let asked = format!(
            "{why}\nIf the unit or its supply gets warm, or the supply is at its limit: unplug it \
             at once and type `silent`. Else look at the cable, plug it in and press Enter \
             (silent: it stays so, q: end)"
        );
        match talk.done(&asked, &["silent"])? {
            Said::Word(word) if word.eq_ignore_ascii_case("silent") => {
                // What was moved last may have shorted the supply.
                evidence.silent_after = self.seen.last().cloned();
                if let Some(after) = &evidence.silent_after {
                    self.kept.silent(after)?;
                }
                self.hand.dead = true;
                self.hand.powered = false;
                let said = "Leave it unplugged: what can be measured without power is asked for \
                            from here on.\n";
                talk.say(said)?;
                Ok(Ready::Leave)
            }
            Said::Enter | Said::Word(_) => Ok(Ready::Yes),
            other => Ok(ready_of(&other)),
        }
    }

    fn reads(&self, by: ByMeter) -> Result<Result<(Seen, ProbeInfo), Exit>, Failure> {
        let setting = self.hand.setting.as_ref().unwrap_or(&self.board.delivery);
        let line = self.connection.open(self.board, setting, by)?;
        look(self.board, self.windows.clone(), setting.clone(), line)
    }

    /// Why a chip is not the one that it should be.
    fn another(&self, who: &ProbeInfo) -> Option<String> {
        if !self.unit.is_empty() && !who.unit.is_empty() && who.unit != self.unit {
            return Some(format!(
                "the chip carries the identity of unit {}, the record is of {}",
                who.unit, self.unit
            ));
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

    /// The rows of a look, as if the shunts were in this setting, in whatever it reads as.
    fn rows(&mut self, setting: &Setting, seen: &Seen) -> Vec<Row> {
        let plain = |c: &&Check| c.mode == Mode::Mean || c.kind == Kind::Digital;
        let checks = seen.checks.iter().filter(plain).filter(|c| c.burst.is_some());
        let who = self.who.clone().unwrap_or_default();
        self.kept.rows(&who, setting, checks)
    }
}

pub(super) fn ready_of(said: &Said) -> Ready {
    match said {
        Said::Enter | Said::Word(_) => Ready::Yes,
        Said::Leave => Ready::Leave,
        Said::Back => Ready::Back,
        Said::End => Ready::End,
        Said::Stop => Ready::Stop,
    }
}
