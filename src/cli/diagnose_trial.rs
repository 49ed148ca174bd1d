//! What is tried out on a unit on the bench: another shunt, a blade or an iron between pins, lamps
//! looked at again. Where the probe can tell what comes of it, nobody else has to.

use super::Failure;
use super::connection::{ByMeter, nonce};
use super::diagnose_live::{Live, Ready, ready_of};
use super::diagnose_talk::{Said, Talk};
use crate::bench::showing::Shower;
use crate::bench::{Check, Cut, Verdict};
use crate::board::{NetId, Place, Setting};
use crate::circuit;
use crate::diagnose::{self, Between, Cause, Evidence, Look};
use crate::record::Head;
use crate::record::fold::Folder;
use crate::report::diagnosis_look;
use crate::report::diagnosis_steps::Wanted;
use crate::screen::Silent;
use crate::session::Conductor;
use crate::session::live::{self, NoRecord};
use jiff::Timestamp;
use std::time::Duration;

/// How long switches are held closed for somebody to look.
const HOLD: Duration = Duration::from_secs(6);

impl Live<'_> {
    /// Tries out what a look asks for where the probe can tell what comes of it; none where the
    /// person has to say it.
    pub fn try_out(
        &mut self,
        talk: &mut Talk,
        look: Look,
        evidence: &mut Evidence,
    ) -> Result<(Ready, Option<bool>), Failure> {
        match look {
            Look::Answer { question } | Look::Lamp { question, .. } => {
                Ok((self.show(talk, question, evidence)?, None))
            }
            Look::OtherShunt { jumper, position } => {
                let at = |s: &Setting| s.0[jumper] == Place::At(position);
                let usual = self.board.delivery.with(jumper, Place::At(position));
                let own = self.channels(jumper);
                let setting = self.worst(evidence, &own, at).unwrap_or(usual);
                let id = &self.board.jumpers[jumper].id;
                let act = format!("put another shunt on {id} in place of the unit's own");
                let owed = format!("put the unit's own shunt back on {id}");
                let came = self.judge(talk, look, setting, &own, &act, evidence)?;
                self.owed = came.1.map(|_| owed);
                Ok(came)
            }
            Look::Scraped(pins) | Look::Desoldered(pins) => {
                let touched = self.beside(pins);
                self.hand_off(talk, look, &touched, evidence)
            }
            Look::Resoldered { channel } => self.hand_off(talk, look, &[channel], evidence),
            Look::Lifted { resistor } => {
                let setting = self.hand.setting.clone();
                let setting = setting.unwrap_or_else(|| self.board.delivery.clone());
                let off = Wanted { setting, powered: false, joined: false };
                let ready = self.bring(talk, &off, None, evidence)?;
                let id = &self.board.resistors[resistor].id;
                let owed = format!("solder the end of {id} back where it was lifted");
                self.owed = (ready == Ready::Yes).then_some(owed);
                Ok((ready, None))
            }
            // Eyes need nothing.
            _ => Ok((Ready::Yes, None)),
        }
    }

    /// The same with the power off while something is done to the unit, which channels may show.
    fn hand_off(
        &mut self,
        talk: &mut Talk,
        look: Look,
        touched: &[usize],
        evidence: &mut Evidence,
    ) -> Result<(Ready, Option<bool>), Failure> {
        let usual = self.board.delivery.clone();
        let setting = self.worst(evidence, touched, |_| true).unwrap_or(usual);
        let act = diagnosis_look::trial(self.board, look);
        let off = Wanted { setting: setting.clone(), powered: false, joined: false };
        match self.bring(talk, &off, act.as_deref(), evidence)? {
            Ready::Yes => {}
            other => return Ok((other, None)),
        }
        self.judge(talk, look, setting, touched, "", evidence)
    }

    /// Whether channels read as they should after something was done.
    fn judge(
        &mut self,
        talk: &mut Talk,
        look: Look,
        setting: Setting,
        touched: &[usize],
        act: &str,
        evidence: &mut Evidence,
    ) -> Result<(Ready, Option<bool>), Failure> {
        let wanted = Wanted { setting, powered: true, joined: false };
        let act = Some(act).filter(|act| !act.is_empty());
        // It may well read otherwise than before.
        self.changed = true;
        let came = self.bring(talk, &wanted, act, evidence)?;
        self.changed = false;
        if came != Ready::Yes {
            return Ok((came, None));
        }
        let seen = match self.look(talk, evidence)? {
            Ok(seen) => seen,
            Err(ready) => return Ok((ready, None)),
        };
        let rows = self.rows(&wanted.setting, &seen);
        self.kept.tried(look, rows)?;
        let own = |c: &&Check| touched.contains(&c.channel);
        let checks: Vec<&Check> = seen.checks.iter().filter(own).collect();
        if checks.is_empty() {
            return Ok((Ready::Yes, None));
        }
        // It is judged by the setting that was asked for, whatever else it may read as.
        let nets: Vec<NetId> = touched.iter().map(|&c| self.board.channels[c].net).collect();
        let groups = circuit::groups(self.board).into_iter();
        let groups = groups.filter(|g| g.nets.iter().any(|net| nets.contains(net)));
        let mut jumpers = groups.flat_map(|g| g.jumpers);
        let there = jumpers.all(|j| seen.setting.0[j] == wanted.setting.0[j]);
        let right = there && checks.iter().all(|c| c.verdict == Verdict::Pass);
        talk.say(match right {
            true => "it reads as it should: yes\n",
            false => "it does not read as it should: no\n",
        })?;
        Ok((Ready::Yes, Some(right)))
    }

    /// Channels that a jumper bears on.
    fn channels(&self, jumper: usize) -> Vec<usize> {
        let groups = circuit::groups(self.board);
        let group = groups.into_iter().find(|g| g.jumpers.contains(&jumper));
        let nets = group.map_or(Vec::new(), |g| g.nets);
        (0..self.board.channels.len())
            .filter(|&c| nets.contains(&self.board.channels[c].net))
            .collect()
    }

    /// Channels that what joins the pins of a pins bears on.
    fn beside(&self, pins: Between) -> Vec<usize> {
        match pins {
            Between::Header { jumper, .. } => self.channels(jumper),
            Between::Headers { jumpers, .. } => {
                jumpers.iter().flat_map(|&j| self.channels(j)).collect()
            }
            Between::Chip { channels } => channels.to_vec(),
        }
    }

    /// The setting in which one of these channels is farthest from what it should be.
    fn worst(
        &self,
        evidence: &Evidence,
        own: &[usize],
        at: impl Fn(&Setting) -> bool,
    ) -> Option<Setting> {
        let good = diagnose::compare(self.board, evidence, &Cause::good());
        let off = |c: &diagnose::Compared| match (c.read, c.good) {
            (Some(a), Some(b)) => (a - b).abs(),
            (None, None) => 0.0,
            _ => f64::INFINITY,
        };
        let ours = good.iter().filter(|c| {
            let reading = &evidence.readings[c.reading];
            own.contains(&reading.channel) && at(&reading.setting)
        });
        let worst = ours.max_by(|a, b| off(a).total_cmp(&off(b)))?;
        Some(evidence.readings[worst.reading].setting.clone())
    }

    /// Closes the switches of a question for somebody to look at what they feed.
    fn show(
        &mut self,
        talk: &mut Talk,
        question: usize,
        evidence: &mut Evidence,
    ) -> Result<Ready, Failure> {
        let q = &self.board.questions[question];
        let delivery = self.board.delivery.clone();
        let setting = q.when.iter().fold(delivery, |s, &(j, p)| s.with(j, p));
        let wanted = Wanted { setting, powered: true, joined: false };
        match self.bring(talk, &wanted, None, evidence)? {
            Ready::Yes if !q.closes.is_empty() => {}
            other => return Ok(other),
        }
        let ids: Vec<&str> = q.closes.iter().map(|&s| self.board.switches[s].id.as_str()).collect();
        let ids = ids.join(", ");
        let seconds = HOLD.as_secs();
        let prompt = format!(
            "{ids} will be closed for {seconds} seconds: look there, and press Enter to begin (s: \
             leave it out, b: back, q: end)"
        );
        match talk.done(&prompt, &[])? {
            Said::Enter | Said::Word(_) => {}
            other => return Ok(ready_of(&other)),
        }
        let setting = self.hand.setting.clone().unwrap_or_else(|| self.board.delivery.clone());
        let (line, opening) = self.connection.open(self.board, &setting, ByMeter::No)?;
        let shower = Shower::new(self.board.clone(), q.closes.clone(), HOLD);
        let folder = Folder::new(self.board.clone(), Head::default(), Timestamp::now());
        let exchange = opening.exchange(nonce());
        let mut conductor = Conductor::new(self.board.clone(), shower, exchange, folder);
        let summary = live::run(&mut conductor, line, &mut Silent, &mut NoRecord, None)?;
        match summary.cut {
            Some(Cut::Stopped) => Ok(Ready::Stop),
            Some(Cut::Probe(why) | Cut::Command(why)) => {
                talk.say(&format!("{why}\n"))?;
                Ok(Ready::Leave)
            }
            Some(Cut::NoKeys) | None => Ok(Ready::Yes),
        }
    }
}
