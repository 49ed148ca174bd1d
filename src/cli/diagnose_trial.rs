//! What is tried out on a unit on the bench: another shunt, a blade between pins, lamps looked at
//! again. Where the probe can tell what comes of it, nobody else has to.

use super::Failure;
use super::connection::{ByMeter, nonce};
use super::diagnose_live::{Live, Ready, ready_of};
use super::diagnose_talk::{Said, Talk};
use crate::bench::showing::Shower;
use crate::bench::{Check, Cut, Verdict};
use crate::board::{Place, Setting};
use crate::circuit;
use crate::diagnose::{self, Cause, Evidence, Look};
use crate::record::Head;
use crate::record::fold::Folder;
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
                let setting = self.worst(evidence, jumper, at).unwrap_or(usual);
                let id = &self.board.jumpers[jumper].id;
                let act = format!("put another shunt on {id} in place of the unit's own");
                let owed = format!("put the unit's own shunt back on {id}");
                let came = self.judge(talk, look, setting, &[jumper], &act, evidence)?;
                self.owed = came.1.map(|_| owed);
                Ok(came)
            }
            Look::Scraped { jumper, pins: [a, b] } => {
                let usual = self.board.delivery.clone();
                let setting = self.worst(evidence, jumper, |_| true).unwrap_or(usual);
                let id = &self.board.jumpers[jumper].id;
                let act = format!("draw a blade between pins {a} and {b} of {id}");
                self.hand_off(talk, look, &setting, evidence, &act, &[jumper])
            }
            Look::ScrapedBetween { jumpers, pins: [p, q] } => {
                let usual = self.board.delivery.clone();
                let worst = jumpers.iter().find_map(|&j| self.worst(evidence, j, |_| true));
                let setting = worst.unwrap_or(usual);
                let [a, b] = jumpers.map(|j| self.board.jumpers[j].id.as_str());
                let act = format!("draw a blade between pin {p} of {a} and pin {q} of {b}");
                self.hand_off(talk, look, &setting, evidence, &act, &jumpers)
            }
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

    /// The same with the power off while something is done to the unit.
    fn hand_off(
        &mut self,
        talk: &mut Talk,
        look: Look,
        setting: &Setting,
        evidence: &mut Evidence,
        act: &str,
        jumpers: &[usize],
    ) -> Result<(Ready, Option<bool>), Failure> {
        let off = Wanted { setting: setting.clone(), powered: false, joined: false };
        match self.bring(talk, &off, Some(act), evidence)? {
            Ready::Yes => {}
            other => return Ok((other, None)),
        }
        self.judge(talk, look, setting.clone(), jumpers, "", evidence)
    }

    /// Whether the channels that jumpers bear on read as they should after something was done.
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
        let own: Vec<usize> = touched.iter().flat_map(|&j| self.channels(j)).collect();
        let checks: Vec<&Check> = seen.checks.iter().filter(|c| own.contains(&c.channel)).collect();
        if checks.is_empty() {
            return Ok((Ready::Yes, None));
        }
        // It is judged by the setting that was asked for, whatever else it may read as.
        let groups = circuit::groups(self.board).into_iter();
        let groups = groups.filter(|g| g.jumpers.iter().any(|j| touched.contains(j)));
        let mut jumpers = groups.flat_map(|g| g.jumpers);
        let there = jumpers.all(|j| seen.setting.0[j] == wanted.setting.0[j]);
        let right = there && checks.iter().all(|c| c.verdict == Verdict::Pass);
        let words = if right { "as it should: yes" } else { "not as it should: no" };
        talk.say(&format!("it reads {words}\n"))?;
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

    /// The setting in which a channel of a jumper is farthest from what it should be.
    fn worst(
        &self,
        evidence: &Evidence,
        jumper: usize,
        at: impl Fn(&Setting) -> bool,
    ) -> Option<Setting> {
        let own = self.channels(jumper);
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
