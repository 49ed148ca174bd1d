//! A unit on the bench, led through what still tells something of its defect: shunts, power and
//! leads are where a measurement needs them, and the unit that comes back is the one that left.

use super::connection::{ByMeter, Connection, needs_probe};
use super::diagnose_kept::Kept;
use super::diagnose_same::Of;
use super::diagnose_talk::{Said, Talk, yes_or_no};
use super::read::look;
use super::{Exit, Failure, windows_of};
use crate::bench::reading::{Located, Look as Seen};
use crate::bench::{Check, Mode, ProbeInfo};
use crate::board::{Board, Jumper, Kind, Place, Setting};
use crate::diagnose::{Evidence, InHand, Measurement, Reading};
use crate::record::Row;
use crate::report::diagnosis_steps::{Steps, Wanted, steps};
use crate::window::Windows;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

/// What else may be typed where something is to be done.
pub(super) const HOW: &str = "(s: leave it out, b: back, q: end)";

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

/// What was read in a setting, and may be taken back.
struct Taken {
    setting: Setting,
    readings: Vec<Reading>,
    /// What it was taken in place of.
    former: Vec<Reading>,
    /// Where it is kept.
    rows: Range<u64>,
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
    pub(super) seen: Vec<Setting>,
    /// What was read there, in that order.
    taken: Vec<Taken>,
    /// Who answered last, the same chip as ever.
    pub(super) who: Option<ProbeInfo>,
    /// Whether the unit was without power since it was last looked at.
    pub(super) was_off: bool,
    /// Whether something was done to it meanwhile that may change what it reads.
    pub(super) changed: bool,
    /// What is still to be put right on the unit.
    pub(super) owed: Option<String>,
    /// What it read and was found to be, on disk.
    pub(super) kept: Kept,
    /// The unit that a record is of.
    pub(super) of: Option<Of>,
}

impl<'a> Live<'a> {
    /// A unit that has not been looked at yet; `of` is the one that a record is of.
    pub fn new(
        board: &'a Arc<Board>,
        file: &Path,
        connection: &'a Connection,
        of: Option<Of>,
        kept: Kept,
    ) -> Result<Live<'a>, Failure> {
        needs_probe(board, file)?;
        let windows = windows_of(board)?;
        Ok(Live {
            board,
            windows,
            connection,
            hand: InHand { dead: of.as_ref().is_some_and(|of| of.silent), ..InHand::default() },
            joined: false,
            seen: Vec::new(),
            taken: Vec::new(),
            who: None,
            was_off: false,
            changed: false,
            owed: None,
            kept,
            of,
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
                    let rows = self.kept.add(rows)?;
                    let former = evidence.renew(readings.clone());
                    self.seen.push(setting.clone());
                    self.taken.push(Taken { setting: setting.clone(), readings, former, rows });
                    return Ok(Ready::Yes);
                }
                Some(other) => return Ok(other),
                None => {}
            }
        }
    }

    /// How often something was read that may be taken back.
    pub fn has_taken(&self) -> usize {
        self.taken.len()
    }

    /// What was read last does not count: a shunt was not where it was said to be. The setting that
    /// it was read in.
    pub fn take_back(&mut self, evidence: &mut Evidence) -> Result<Option<Setting>, Failure> {
        let Some(taken) = self.taken.pop() else { return Ok(None) };
        self.kept.taken_back(taken.rows)?;
        evidence.take_back(&taken.readings, taken.former);
        self.seen.retain(|seen| *seen != taken.setting);
        Ok(Some(taken.setting))
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
             it out, b: back, q: end)",
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
        if let Some(known) = self.known_by(wanted, evidence) {
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
        // What is owed is done with the next move.
        let pays = act.is_none() && !list.is_empty();
        if pays {
            list.splice(0..0, self.owed.clone());
        }
        if list.is_empty() {
            return Ok(Ready::Yes);
        }
        let how = match &list[..] {
            [one] => format!("\n{one}, then press Enter {HOW}"),
            many => {
                let numbered = many.iter().enumerate().map(|(i, s)| format!("{}. {s}\n", i + 1));
                let numbered: String = numbered.collect();
                format!("\n{numbered}press Enter when that is done {HOW}")
            }
        };
        let was = self.hand.clone();
        match talk.done(&how, &[])? {
            Said::Enter | Said::Word(_) => {}
            other => return Ok(ready_of(&other)),
        }
        if pays {
            self.owed = None;
        }
        self.hand.setting = Some(wanted.setting.clone());
        self.hand.powered = wanted.powered;
        self.joined = wanted.joined;
        self.was_off |= cut && was.setting.is_some();
        if !wanted.powered {
            return self.is_off(talk, &was);
        }
        if self.was_off {
            return match was.setting {
                Some(_) => self.back_again(talk, evidence),
                // Nothing is known of the one that comes.
                None => Ok(Ready::Yes),
            };
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
                Err(mut failure) if self.seen.is_empty() && evidence.is_empty() => {
                    failure.text += &self.at_once();
                    return Err(failure);
                }
                Err(failure) if failure.exit == Exit::Lost => {
                    match self.lost(talk, &failure.text, evidence)? {
                        Ready::Yes => continue,
                        other => return Ok(Err(other)),
                    }
                }
                Err(failure) => return Err(failure),
            };
            let places = self.hand.setting.as_ref().unwrap_or(&self.board.delivery);
            let asked = format!(
                "{why}\nplug the right unit in, with its shunts at {}, then press Enter (q: end)",
                places.text(self.board)
            );
            match talk.done(&asked, &[])? {
                Said::Enter | Said::Word(_) => {}
                other => return Ok(Err(ready_of(&other))),
            }
        }
    }

    /// What to do with a unit that never answered, and may be shorted as it is delivered.
    fn at_once(&self) -> String {
        let [supply, ground] =
            [self.board.supply.net, self.board.supply.ground].map(|net| self.board.net_name(net));
        format!(
            ". If the unit or its supply gets warm, or the supply is at its limit: unplug it at \
             once, and measure the ohms from {supply} to {ground}"
        )
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
                if let Some(after) = self.seen.last() {
                    evidence.silent_after = Some(after.clone());
                    evidence.silent_at.clone_from(&self.hand.setting);
                    self.kept.silent(after, self.hand.setting.as_ref())?;
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

    /// The rows of a look, as if the shunts were in this setting, in whatever it reads as.
    pub(super) fn rows(&mut self, setting: &Setting, seen: &Seen) -> Vec<Row> {
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
