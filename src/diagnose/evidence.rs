//! What is known of a unit: its readings, answers and loads, as they stand in its record, and what
//! its owner has measured since.

use super::beside::Rows;
use super::failed::TakenBack;
use super::filed::{Filed, other_chip};
use super::look::Look;
use super::unfit;
use super::unseated::unseated;
use crate::board::{Board, Kind, NetId, Place, Setting};
use crate::circuit::{self, Parts};
use crate::record::{Row, RowKind};
use crate::units::{Ohms, Volts};
use crate::window;
use std::collections::BTreeMap;

/// Codes by which two readings of one setting may differ: seating a shunt anew, hum, drift (advice
/// of our own).
const RESEATED: f64 = 6.0;

/// Factor between what a meter shows with the rails joined and apart, from which on its value says
/// as much of the chip as of the parts (advice of our own).
pub(super) const RAILS_TELL: f64 = 1.01;

/// Whether something drove the pin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Proof {
    /// It was proved to be driven.
    Driven,
    /// Nothing drove it.
    Open,
    /// The pin could not tell.
    NotShown,
}

/// What was read of a channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Read {
    /// Codes of an averaged burst.
    Code {
        /// Mean, the pull-up off.
        mean: f64,
        /// Standard deviation of the conversions.
        sd: f64,
        /// Conversions.
        n: f64,
        /// Mean with the pull-up on, where it was taken.
        pulled: Option<f64>,
    },
    /// Share of ones in digital reads.
    Level {
        /// From 0 to 1.
        ones: f64,
    },
}

/// A channel read in a setting.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Number of the step in the record, from 1.
    pub step: u64,
    /// Where the shunts were meant to be.
    pub setting: Setting,
    /// Switches commanded to close.
    pub closed: Vec<usize>,
    /// Channel index.
    pub channel: usize,
    /// What was read.
    pub read: Read,
    /// Whether something drove the pin.
    pub proof: Proof,
}

impl Reading {
    /// Whether another reading is of the same channel in the same setting.
    fn is_of(&self, other: &Reading) -> bool {
        (self.channel, &self.setting, &self.closed)
            == (other.channel, &other.setting, &other.closed)
    }

    /// Whether another reading with the same shunts cannot be of the same thing. An open input may
    /// read anything.
    pub(super) fn differs(&self, other: &Reading) -> bool {
        let open = [self, other].iter().all(|reading| reading.proof == Proof::Open);
        !open && differ(self.read, other.read)
    }
}

/// What a meter showed.
#[derive(Clone, Debug, PartialEq)]
pub enum Meter {
    /// Volts of a net against ground, with power, in a setting.
    Volts {
        /// The net.
        net: NetId,
        /// Where the shunts were.
        setting: Setting,
        /// What was read.
        volts: Volts,
    },
    /// Ohms between two nets, without power.
    Ohms {
        /// The nets.
        between: [NetId; 2],
        /// Where the shunts were.
        setting: Setting,
        /// Whether the supply net was joined to ground meanwhile.
        joined: bool,
        /// What was read; infinite for open.
        ohms: Ohms,
    },
}

/// Everything known of one unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Evidence {
    /// Channels read.
    pub readings: Vec<Reading>,
    /// Questions answered: where the shunts were, which, and whether with yes.
    pub answers: Vec<(Setting, usize, bool)>,
    /// Loads tried: which, and the sag in volts.
    pub loads: Vec<(usize, Volts)>,
    /// What a meter showed since.
    pub meter: Vec<Meter>,
    /// Those of them that were measured twice, and showed the same.
    pub confirmed: Vec<Meter>,
    /// What was looked for since, and whether it was there.
    pub looks: Vec<(Look, bool)>,
    /// The supply that a meter read while the unit was tested.
    pub fed_by: Option<Volts>,
    /// Where the shunts were last seen, when the probe then stopped answering.
    pub silent_after: Option<Setting>,
    /// Where they were asked for then, if that is known.
    pub silent_at: Option<Setting>,
    /// What its rows tell of causes that are not in the parts.
    pub rows: Rows,
    /// Readings that a later one with the same shunts takes back, and which do not count.
    pub taken_back: Vec<TakenBack>,
    /// Entries of the board file that rows contradict outright, each once.
    pub filed: Vec<Filed>,
    /// What of the record could not be used, in words.
    pub left_out: Vec<String>,
}

impl Evidence {
    /// What a record holds. Of a step that was begun several times only the last try counts. Rows
    /// that are not of the first row's unit, and those that no bench writes, are left out and named.
    pub fn of(board: &Board, rows: &[Row]) -> Evidence {
        let mut evidence = Evidence::default();
        let rows = evidence.fit(board, rows);
        let last = last_tries(&rows);
        for row in rows.iter().filter(|row| counts(&last, row)) {
            if let Err(why) = evidence.take(board, row) {
                evidence.left_out.push(format!("row {}: {why}", row.seq));
            }
        }
        evidence.drop_unseated(board);
        evidence.silent_after = silent(board, &rows);
        evidence.rows = Rows::of(board, &rows);
        evidence
    }

    /// What was tried that mended the unit, so that it no longer reads as these readings have it.
    pub fn mended(&self) -> Option<Look> {
        self.looks.iter().find(|(look, yes)| *yes && look.may_mend()).map(|(look, _)| *look)
    }

    /// The rows that can be of this unit.
    fn fit(&mut self, board: &Board, rows: &[Row]) -> Vec<Row> {
        let Some(first) = rows.first() else { return Vec::new() };
        let tries = unfit::tries(rows);
        let mut fit = Vec::new();
        for (i, row) in rows.iter().enumerate() {
            let why = other_chip(board, row)
                .or_else(|| unfit::foreign(&first.head, &row.head))
                .or_else(|| tries.get(&i).cloned())
                .or_else(|| unfit::unfit(board, row));
            let filed = Filed::of(board, row).filter(|_| why.is_none());
            // A supply that failed for that is told as such too; its volts scale nothing.
            let kept = why.is_none() && !matches!(filed, Some(Filed::Pin { .. }));
            let why = why.or_else(|| filed.as_ref().map(|filed| filed.text(board)));
            self.filed.extend(filed.filter(|filed| !self.filed.contains(filed)));
            self.left_out.extend(why.map(|why| format!("row {}: {why}", row.seq)));
            fit.extend(kept.then(|| row.clone()));
        }
        fit
    }

    /// Of two readings of a channel in one setting that differ, the later one counts.
    fn drop_unseated(&mut self, board: &Board) {
        let unseated = unseated(board, &self.readings);
        for (i, last, places) in &unseated {
            let (reading, later) = (&self.readings[*i], &self.readings[*last]);
            self.taken_back.push(TakenBack {
                channel: reading.channel,
                setting: reading.setting.clone(),
                first: (reading.read, reading.step),
                later: (later.read, later.step),
            });
            self.left_out.push(format!(
                "{} of step {}, which reads otherwise with {places} later: not seated yet, a loose \
                 contact, or something that no modelled defect does from another header",
                board.channels[reading.channel].id, reading.step
            ));
        }
        let mut index = 0..;
        let dropped = |i: usize| unseated.iter().any(|(u, ..)| *u == i);
        self.readings.retain(|_| index.next().is_none_or(|i| !dropped(i)));
    }

    fn take(&mut self, board: &Board, row: &Row) -> Result<(), String> {
        match row.row {
            RowKind::Check if row.mode == "mean" || row.pin_is_digital(board) => {
                self.take_check(board, row)
            }
            RowKind::Check if row.mode == "meter" && !row.channel.is_empty() => {
                self.take_typed(board, row)
            }
            RowKind::Question => {
                let question = board.questions.iter().position(|q| q.id == row.rule);
                let question = question.ok_or(format!("the board has no question {}", row.rule))?;
                let yes = match row.answer.as_str() {
                    "yes" => true,
                    "no" => false,
                    _ => return Ok(()),
                };
                self.answers.push((setting(board, &row.setting)?, question, yes));
                Ok(())
            }
            RowKind::Volts if !row.answer.is_empty() && Filed::of(board, row).is_none() => {
                self.fed_by = row.supply_mv.map(|mv| Volts(mv / 1000.0)).or(self.fed_by);
                Ok(())
            }
            RowKind::Supply => {
                let load = board.loads.iter().position(|l| l.id == row.load);
                let load = load.ok_or(format!("the board has no load {}", row.load))?;
                match row.sag_mv {
                    Some(sag) => self.loads.push((load, Volts(sag / 1000.0))),
                    // The chip was reset when it was switched on: the whole supply gave way.
                    None if row.verdict == "fail" => self.loads.push((load, board.supply.volts)),
                    None => {}
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }

    /// What a person read of a channel before the unit had power. Where the chip between the rails
    /// bears on it, it says too little: a lead that joins them was not asked for.
    fn take_typed(&mut self, board: &Board, row: &Row) -> Result<(), String> {
        let channel = board.channel(&row.channel);
        let channel = channel.ok_or(format!("the board has no channel {}", row.channel))?;
        let c = &board.channels[channel];
        let Kind::Meter { against, .. } = c.kind else { return Ok(()) };
        if row.answer.is_empty() {
            return Ok(());
        }
        // A reading beyond the meter's range leaves no figure.
        let ohms = Ohms(row.ohm.unwrap_or(f64::INFINITY));
        let (between, setting) = ([c.net, against], setting(board, &row.setting)?);
        if !rails_tell(board, &setting, between) {
            let meter = Meter::Ohms { between, setting, joined: false, ohms };
            // A test asks twice for what is wrong.
            self.confirmed.push(meter.clone());
            self.meter.push(meter);
        }
        Ok(())
    }

    fn take_check(&mut self, board: &Board, row: &Row) -> Result<(), String> {
        let channel = board.channel(&row.channel);
        let channel = channel.ok_or(format!("the board has no channel {}", row.channel))?;
        let mut closed = Vec::new();
        for word in row.load.split_whitespace() {
            match board.switches.iter().position(|s| s.id == word) {
                Some(switch) => closed.push(switch),
                // Read under load: what the supply does is told by the load's own row.
                None => return Ok(()),
            }
        }
        let Some(mean) = row.mean_code else { return Ok(()) };
        let read = match board.channels[channel].kind {
            Kind::Meter { .. } => return Ok(()),
            Kind::Digital => Read::Level { ones: mean },
            Kind::Analog => Read::Code {
                mean,
                sd: row.sd_code.unwrap_or(0.5),
                n: row.n.unwrap_or(1).max(1) as f64,
                pulled: row.pullup_shift_code.map(|shift| mean + shift),
            },
        };
        let proof = match row.driven_proof.as_str() {
            "pull-up" | "charge sharing" | "discharge" => Proof::Driven,
            "open" => Proof::Open,
            _ => Proof::NotShown,
        };
        let (step, setting) = (row.step.unwrap_or(0), setting(board, &row.setting)?);
        self.readings.push(Reading { step, setting, closed, channel, read, proof });
        Ok(())
    }

    /// Channels that read otherwise now than when they were last read so: another unit, a shunt in
    /// another place, or a loose contact.
    pub fn differing(&self, now: &[Reading]) -> Vec<usize> {
        let before = |reading: &Reading| {
            self.readings.iter().rev().find(|known| known.is_of(reading)).cloned()
        };
        let other = |reading: &&Reading| {
            before(reading)
                .is_some_and(|known| known.differs(reading) || known.proof != reading.proof)
        };
        now.iter().filter(other).map(|reading| reading.channel).collect()
    }

    /// Channels that a probe reads of which no reading is known, by index.
    pub fn unread(&self, board: &Board) -> Vec<usize> {
        let known = |c: usize| self.readings.iter().any(|reading| reading.channel == c);
        let by_probe = |c: usize| !matches!(board.channels[c].kind, Kind::Meter { .. });
        (0..board.channels.len()).filter(|&c| by_probe(c) && !known(c)).collect()
    }

    /// Whether every channel was read, and in every place of each jumper that one shows: what is not
    /// known of a unit cannot be called good.
    pub fn is_whole(&self, board: &Board) -> bool {
        self.unread(board).is_empty() && self.places_unread(board).is_empty()
    }

    /// Channels that a person reads with a meter of which no value counts, by index.
    pub fn unmetered(&self, board: &Board) -> Vec<usize> {
        let is_open = |&channel: &usize| {
            let c = &board.channels[channel];
            let Kind::Meter { against, .. } = c.kind else { return false };
            let known = self.meter.iter().any(|meter| match meter {
                Meter::Ohms { between: [a, b], .. } => (*a, *b) == (c.net, against),
                Meter::Volts { .. } => false,
            });
            !known && !rails_tell(board, &board.delivery, [c.net, against])
        };
        (0..board.channels.len()).filter(is_open).collect()
    }

    /// The places of jumpers, by index, in which no channel that shows them was read.
    pub fn places_unread(&self, board: &Board) -> Vec<(usize, Place)> {
        let group = |channel: usize| circuit::group_of(board, board.channels[channel].net);
        let own: Vec<(&Setting, Vec<usize>)> = self
            .readings
            .iter()
            .filter_map(|r| Some((&r.setting, group(r.channel)?.jumpers)))
            .collect();
        let mut missing = Vec::new();
        for (jumper, j) in board.jumpers.iter().enumerate() {
            let mut shown = own.iter().filter(|(_, jumpers)| jumpers.contains(&jumper)).peekable();
            if shown.peek().is_some() {
                let seen: Vec<Place> = shown.map(|(setting, _)| setting.0[jumper]).collect();
                let unread = j.places().into_iter().filter(|place| !seen.contains(place));
                missing.extend(unread.map(|place| (jumper, place)));
            }
        }
        missing
    }

    /// Takes readings in place of those of the same channels in the same setting, which it gives
    /// back.
    pub fn renew(&mut self, now: Vec<Reading>) -> Vec<Reading> {
        let former = self.readings.iter().filter(|known| now.iter().any(|r| r.is_of(known)));
        let former: Vec<Reading> = former.cloned().collect();
        self.readings.retain(|known| !former.contains(known));
        self.readings.extend(now);
        former
    }

    /// Readings do not count: those `former` ones hold again that they were taken in place of, where
    /// none came later.
    pub fn take_back(&mut self, readings: &[Reading], former: Vec<Reading>) {
        self.readings.retain(|known| !readings.contains(known));
        let again = former.into_iter().filter(|f| !self.readings.iter().any(|r| r.is_of(f)));
        let again: Vec<Reading> = again.collect();
        self.readings.extend(again);
    }

    /// What a meter showed of the supply since, the latest.
    pub fn metered_supply(&self, board: &Board) -> Option<Volts> {
        self.meter.iter().rev().find_map(|meter| match meter {
            Meter::Volts { net, volts, .. } if *net == board.supply.net => Some(*volts),
            Meter::Volts { .. } | Meter::Ohms { .. } => None,
        })
    }

    /// Whether there is nothing to conclude from.
    pub fn is_empty(&self) -> bool {
        let told = self.answers.is_empty() && self.loads.is_empty() && self.meter.is_empty();
        self.readings.is_empty() && told
    }
}

/// Whether what a meter shows between two nets says as much of the chip between the rails as of the
/// parts.
fn rails_tell(board: &Board, setting: &Setting, between: [NetId; 2]) -> bool {
    let (low, high) = window::ohms_between(board, &Parts::nominal(board), setting, between);
    low != high && high / low >= RAILS_TELL
}

/// The last try of each step.
pub(super) fn last_tries(rows: &[Row]) -> BTreeMap<u64, u64> {
    let mut last: BTreeMap<u64, u64> = BTreeMap::new();
    for row in rows {
        if let (Some(step), Some(tried)) = (row.step, row.step_try) {
            let known = last.entry(step).or_default();
            *known = tried.max(*known);
        }
    }
    last
}

/// Whether a row counts: of no step, or of the last try of its step.
pub(super) fn counts(last: &BTreeMap<u64, u64>, row: &Row) -> bool {
    row.step.is_none_or(|s| row.step_try == last.get(&s).copied())
}

/// Where the shunts were last seen, when the record ends because the probe stopped answering: what
/// was moved next may have shorted the supply.
fn silent(board: &Board, rows: &[Row]) -> Option<Setting> {
    let last = rows.iter().rev().find(|row| row.row == RowKind::Unit)?;
    let gone = last.verdict == "INCOMPLETE" && last.reason.contains("does not answer");
    let seen = rows.iter().rev().filter(|row| row.step.is_some());
    let seen = seen.map(|row| setting(board, &row.setting)).find_map(Result::ok);
    seen.filter(|_| gone)
}

/// Whether two values cannot be of one thing.
pub(super) fn differ(a: Read, b: Read) -> bool {
    match (a, b) {
        (Read::Code { mean: a, .. }, Read::Code { mean: b, .. }) => (a - b).abs() > RESEATED,
        (Read::Level { ones: a }, Read::Level { ones: b }) => (a - b).abs() > 0.5,
        _ => true,
    }
}

/// `J1=3 J2=open`, every jumper once.
pub fn setting(board: &Board, text: &str) -> Result<Setting, String> {
    let mut setting = Setting::all_open(board);
    let mut named = vec![false; board.jumpers.len()];
    for word in text.split_whitespace() {
        let known = word.split_once('=').and_then(|(id, name)| {
            let jumper = board.jumper(id)?;
            Some((jumper, board.jumpers[jumper].place(name)?))
        });
        let (jumper, place) = known.ok_or(format!("the board has no {word}"))?;
        setting.0[jumper] = place;
        named[jumper] = true;
    }
    match named.iter().position(|n| !n) {
        None => Ok(setting),
        Some(jumper) => Err(format!("{} has no place there", board.jumpers[jumper].id)),
    }
}

impl Row {
    fn pin_is_digital(&self, board: &Board) -> bool {
        let channel = board.channel(&self.channel);
        channel.is_some_and(|c| board.channels[c].kind == Kind::Digital)
    }
}
