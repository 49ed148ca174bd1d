//! Leads a person from one measurement to the next, until one cause is nearly certain or nothing
//! more can be measured.

use super::diagnose::settled;
use super::diagnose_live::{Live, Ready};
use super::diagnose_talk::{Said, Talk, yes_or_no};
use super::diagnose_typed::{no_supply, value};
use super::{Exit, Failure};
use crate::board::{Board, Setting};
use crate::diagnose::{
    self, Apart, Diagnosis, Evidence, Look, Measurement, Meter, Options, Suggestion,
};
use crate::report::{diagnosis_meter, diagnosis_talk};
use std::ops::Range;
use std::sync::Arc;

/// What was answered or done and may be taken back; with the row that it is kept in, where it is.
enum Given {
    /// A value of a meter, and the one of the same that it was taken in place of.
    Meter(Meter, Option<Range<u64>>, Option<Meter>),
    Look(Look, Option<Range<u64>>),
    LeftOut(Measurement),
    /// A setting that was read.
    Read,
}

/// What a measurement takes. Who leaves one out may have no meter at hand, or cannot reach the
/// header: others that take the same come last then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Takes {
    Volts,
    Ohms,
    Moves,
    Looks,
    Trials,
}

impl Takes {
    fn of(measurement: &Measurement) -> Takes {
        match measurement {
            Measurement::Volts { .. } => Takes::Volts,
            Measurement::Ohms { .. } => Takes::Ohms,
            Measurement::Reading { .. } => Takes::Moves,
            Measurement::Look(look) if look.is_tried() => Takes::Trials,
            Measurement::Look(_) => Takes::Looks,
        }
    }

    fn word(self) -> &'static str {
        match self {
            Takes::Volts => "volts",
            Takes::Ohms => "ohms",
            Takes::Moves => "moves",
            Takes::Looks => "looks",
            Takes::Trials => "trials by hand",
        }
    }
}

/// What a measurement came to.
enum Came {
    /// Something is known that was not.
    On,
    /// The person has enough.
    End,
    /// A request to stop.
    Stop,
}

/// Whether a unit is good.
enum Good {
    /// Something shows, or may; or what is not known yet cannot be read.
    No,
    /// Nothing shows so far; this is read next.
    If(Suggestion),
    Yes,
}

/// What is known so far.
pub struct So {
    /// What it says.
    pub found: Diagnosis,
    /// What would settle most, best first.
    pub next: Vec<Suggestion>,
    /// Values of a meter that do not go with it.
    pub apart: Option<Apart>,
}

/// Whether a measurement is a question that a test asks, and none that was answered.
fn is_asked_in_a_test(evidence: &Evidence, measurement: &Measurement) -> bool {
    let answered = |question| evidence.answers.iter().any(|&(_, known, _)| known == question);
    matches!(measurement, Measurement::Look(Look::Answer { question }) if !answered(*question))
}

/// Where values and answers are left out.
const HOW: &str = "(Enter: leave it out, b: back, q: end)";

/// Said where `b` is typed before anything was answered.
const NO_ANSWER: &str = "there is no answer to take back\n";

/// Somebody who is led.
pub struct Lead<'a> {
    board: &'a Arc<Board>,
    odds: &'a Options,
    /// The unit on the bench, if it is there.
    pub live: Option<Live<'a>>,
    left_out: Vec<Measurement>,
    given: Vec<Given>,
    /// What comes last, since one of it was left out and none was made after that; and whether it
    /// was said that nothing else is left.
    last: Vec<(Takes, bool)>,
    /// How it stood when that was said last.
    said: String,
    /// What was measured again, since its value went with nothing, or alone decided.
    again: Vec<Measurement>,
}

impl<'a> Lead<'a> {
    /// Nothing has been asked yet.
    pub fn new(board: &'a Arc<Board>, odds: &'a Options, live: Option<Live<'a>>) -> Lead<'a> {
        let (left_out, given, last) = (Vec::new(), Vec::new(), Vec::new());
        Lead { board, odds, live, left_out, given, last, said: String::new(), again: Vec::new() }
    }

    /// Whether anything was answered.
    pub fn has_asked(&self) -> bool {
        !self.given.is_empty()
    }

    /// What is known by now, and what is still to be asked: what takes what was left out last.
    pub fn so_far(&self, evidence: &Evidence) -> So {
        let mut so = self.conclusion(evidence);
        so.next.retain(|s| !self.is_left_out(&s.measurement));
        match self.good_so_far(evidence, &so) {
            Good::No => {}
            Good::If(reading) => so.next.insert(0, reading),
            Good::Yes => so.next.retain(|s| is_asked_in_a_test(evidence, &s.measurement)),
        }
        so.next.sort_by_key(|s| self.comes_last(&s.measurement));
        so
    }

    /// Of a unit on the bench that shows nothing the probe reads every place first, lamps are looked
    /// at as in a test, and then it is good: nobody measures a good unit by hand.
    fn good_so_far(&self, evidence: &Evidence, so: &So) -> Good {
        let Some(class) = so.found.classes.first() else { return Good::No };
        let shows_nothing = so.found.explained && class.causes.iter().any(|c| c.faults.is_empty());
        let (Some(live), true) = (&self.live, shows_nothing && so.apart.is_none()) else {
            return Good::No;
        };
        if evidence.is_whole(self.board) {
            return if settled(class, true) { Good::Yes } else { Good::No };
        }
        let Some(from) = live.hand.setting.as_ref().filter(|_| !live.hand.dead) else {
            return Good::No;
        };
        let wanted = |setting: &Setting| {
            let left = |m: &Measurement| match m {
                Measurement::Reading { setting: left, .. } => left == setting,
                _ => false,
            };
            !live.has_seen(setting) && !self.left_out.iter().any(left)
        };
        diagnose::still_to_read(self.board, evidence, &so.found, from, wanted)
            .map_or(Good::No, Good::If)
    }

    fn comes_last(&self, measurement: &Measurement) -> bool {
        self.last.iter().any(|(takes, _)| *takes == Takes::of(measurement))
    }

    /// Once one was made, others that take the same come in their turn again.
    fn made(&mut self, measurement: &Measurement) {
        self.last.retain(|(takes, _)| *takes != Takes::of(measurement));
    }

    /// Says that nothing is left but what was left out before.
    fn after_all(&mut self, talk: &Talk, measurement: &Measurement) -> Result<(), Failure> {
        let takes = Takes::of(measurement);
        match self.last.iter_mut().find(|(last, said)| *last == takes && !said) {
            None => Ok(()),
            Some((_, said)) => {
                *said = true;
                talk.say(&format!("\nnothing else is left, so {} after all\n", takes.word()))
            }
        }
    }

    /// What is known in the end; what was left out may settle more all the same.
    pub fn conclusion(&self, evidence: &Evidence) -> So {
        let found = diagnose::diagnose(self.board, evidence, self.odds);
        let next = diagnose::suggest(self.board, evidence, &found);
        let mut next = match &self.live {
            Some(live) => diagnose::in_hand(self.board, &live.hand, next),
            None => diagnose::spared(next),
        };
        next.retain(|s| self.can(&s.measurement));
        // A supply that nobody measures leaves its tolerance in the volts.
        for suggestion in &mut next {
            suggestion.supply_first.take_if(|first| self.left_out.contains(first));
        }
        let apart = diagnose::set_apart(self.board, evidence, self.odds, &found);
        So { found, next, apart }
    }

    /// What was left out, any channel in a setting that was, and the same tips with a lead.
    fn is_left_out(&self, measurement: &Measurement) -> bool {
        let same = |left: &Measurement| match (left, measurement) {
            (Measurement::Reading { setting, .. }, Measurement::Reading { setting: other, .. }) => {
                setting == other
            }
            (
                Measurement::Ohms { between, setting, .. },
                Measurement::Ohms { between: tips, setting: other, .. },
            ) => between == tips && setting == other,
            _ => left == measurement,
        };
        self.left_out.iter().any(same)
    }

    /// Without the unit only what a person measures can be asked for; with it, no setting twice.
    fn can(&self, measurement: &Measurement) -> bool {
        match (measurement, &self.live) {
            (Measurement::Reading { setting, .. }, Some(live)) => !live.has_seen(setting),
            _ => true,
        }
    }

    /// Asks until there is nothing more to ask, or nobody to ask. An exit code where somebody
    /// stopped it.
    pub fn lead(
        &mut self,
        talk: &mut Talk,
        evidence: &mut Evidence,
    ) -> Result<Option<Exit>, Failure> {
        let mut begun = false;
        // It no longer reads what it did once a trial mended it.
        while evidence.mended().is_none() {
            // What was read first may have been taken back.
            if (!begun || (self.live.is_some() && evidence.is_empty()))
                && let Some(came) = self.begin(talk, evidence)?
            {
                return Ok(came);
            }
            begun = true;
            let so = self.so_far(evidence);
            let reading = |s: &&Suggestion| matches!(s.measurement, Measurement::Reading { .. });
            let can = |s: &&Suggestion| self.live.is_some() || !reading(s);
            let again = self.to_repeat(evidence, &so);
            let Some(suggestion) = again.as_ref().or(so.next.iter().find(can)) else {
                return Ok(None);
            };
            if self.live.is_some() || self.has_asked() || again.is_some() {
                let said = diagnosis_talk::so_far(self.board, evidence, &so.found, talk.width);
                if said != self.said {
                    talk.say(&format!("\n{said}"))?;
                    self.said = said;
                }
                if let Some(apart) = &so.apart {
                    let again = diagnosis_meter::apart(self.board, evidence, &so.found, apart);
                    talk.say(&again)?;
                }
            }
            match &again {
                Some(again) => self.again.push(again.measurement.clone()),
                None => self.after_all(talk, &suggestion.measurement)?,
            }
            match self.measure(talk, evidence, &so.found, suggestion)? {
                Came::On => {}
                Came::End => return Ok(None),
                Came::Stop => return Ok(Some(Exit::Interrupted)),
            }
        }
        Ok(None)
    }

    /// A value that goes with nothing, or alone decides, is measured again, once, before anything is
    /// concluded from it.
    fn to_repeat(&self, evidence: &Evidence, so: &So) -> Option<Suggestion> {
        let each = so.apart.iter().flat_map(|apart| &apart.meter);
        let mut each = each.map(|&i| evidence.meter[i].measurement());
        let measurement = each.find(|m| !self.again.contains(m) && !self.is_left_out(m))?;
        Some(Suggestion {
            measurement,
            settles: 1.0,
            expected: Vec::new(),
            mends: 0.0,
            supply_first: None,
        })
    }

    /// Whose unit it is, where a record was given; else the unit is looked at as it is delivered. The
    /// exit code, if there is one, where that is the end of it.
    fn begin(
        &mut self,
        talk: &mut Talk,
        evidence: &mut Evidence,
    ) -> Result<Option<Option<Exit>>, Failure> {
        if self.live.is_none() {
            return Ok(None);
        }
        let bare = evidence.is_empty();
        loop {
            let ready = match (bare, &mut self.live) {
                (false, Some(live)) => live.recognise(talk, evidence)?,
                _ => self.read(talk, &self.board.delivery.clone(), evidence)?,
            };
            let dead = self.live.as_ref().is_some_and(|live| live.hand.dead);
            return Ok(match ready {
                Ready::Yes => None,
                Ready::Stop => Some(Some(Exit::Interrupted)),
                Ready::Back => {
                    talk.say(NO_ANSWER)?;
                    continue;
                }
                Ready::Leave | Ready::End if bare => {
                    talk.say("nothing was read, so nothing is concluded\n")?;
                    Some(Some(Exit::Incomplete))
                }
                Ready::End => Some(None),
                Ready::Leave if dead => None,
                Ready::Leave => {
                    talk.say("left out: nothing shows that this is the unit of the record\n")?;
                    None
                }
            });
        }
    }

    /// Has a setting read by the probe.
    fn read(
        &mut self,
        talk: &mut Talk,
        setting: &Setting,
        evidence: &mut Evidence,
    ) -> Result<Ready, Failure> {
        let Some(live) = &mut self.live else { return Ok(Ready::Leave) };
        let before = live.has_taken();
        let ready = live.read(talk, setting, evidence)?;
        let taken = live.has_taken() - before;
        self.given.extend((0..taken).map(|_| Given::Read));
        Ok(ready)
    }

    /// Has one measurement made.
    fn measure(
        &mut self,
        talk: &mut Talk,
        evidence: &mut Evidence,
        found: &Diagnosis,
        suggestion: &Suggestion,
    ) -> Result<Came, Failure> {
        let asked = suggestion.supply_first.as_ref().unwrap_or(&suggestion.measurement);
        talk.say(&format!(
            "\n{}",
            diagnosis_talk::asked(self.board, found, suggestion, self.live.is_some(), talk.width)
        ))?;
        if let Some(live) = &mut self.live {
            let ready = match asked {
                Measurement::Reading { setting, .. } => self.read(talk, setting, evidence)?,
                Measurement::Look(look) => match live.try_out(talk, *look, evidence)? {
                    (ready, Some(yes)) => {
                        self.looked(evidence, *look, yes)?;
                        ready
                    }
                    (Ready::Yes, None) => return self.ask(talk, evidence, asked),
                    (ready, None) => ready,
                },
                _ => match live.ready(talk, asked, evidence)? {
                    Ready::Yes => return self.ask(talk, evidence, asked),
                    ready => ready,
                },
            };
            return Ok(match ready {
                Ready::Yes => {
                    self.made(asked);
                    Came::On
                }
                Ready::Leave => self.leave_out(talk, suggestion.measurement.clone())?,
                Ready::Back => self.back(talk, evidence)?,
                Ready::End => Came::End,
                Ready::Stop => Came::Stop,
            });
        }
        self.ask(talk, evidence, asked)
    }

    /// Asks for the outcome of a measurement.
    fn ask(
        &mut self,
        talk: &mut Talk,
        evidence: &mut Evidence,
        asked: &Measurement,
    ) -> Result<Came, Failure> {
        let prompt = match asked {
            // Somebody who looked at a lamp meanwhile wants to see again what was asked.
            Measurement::Look(look) if self.live.is_some() && look.question().is_some() => {
                let question = diagnosis_talk::question(self.board, asked, true);
                format!("{question} yes or no? {HOW}")
            }
            Measurement::Look(_) => format!("yes or no? {HOW}"),
            // Tips were put on since it was said where.
            Measurement::Ohms { between: [a, b], .. } => {
                let [a, b] = [a, b].map(|&net| self.board.net_name(net));
                format!("{a} to {b}: how many ohms, or `open`? {HOW}")
            }
            Measurement::Volts { net, .. } => {
                let [net, ground] =
                    [*net, self.board.supply.ground].map(|n| self.board.net_name(n));
                format!("{net} to {ground}: how many volts? {HOW}")
            }
            Measurement::Reading { .. } => return Ok(Came::On),
        };
        loop {
            let word = match talk.ask(&prompt)? {
                Said::Word(word) => word,
                Said::Enter | Said::Leave => return self.leave_out(talk, asked.clone()),
                Said::Back => return self.back(talk, evidence),
                Said::End => return Ok(Came::End),
                Said::Stop => return Ok(Came::Stop),
            };
            match self.take(evidence, asked, &word)? {
                Ok(()) => {
                    self.made(asked);
                    return Ok(Came::On);
                }
                Err(why) => talk.say(&format!("{why}\n"))?,
            }
        }
    }

    /// Takes what was typed; or says what is wrong with it.
    fn take(
        &mut self,
        evidence: &mut Evidence,
        asked: &Measurement,
        word: &str,
    ) -> Result<Result<(), String>, Failure> {
        if let Measurement::Look(look) = asked {
            return match yes_or_no(word) {
                Ok(yes) => self.looked(evidence, *look, yes).map(Ok),
                Err(why) => Ok(Err(why)),
            };
        }
        let value = match value(word, matches!(asked, Measurement::Ohms { .. })) {
            Ok(value) => value,
            Err(why) => return Ok(Err(why)),
        };
        if let Some(meter) = Meter::of(asked, value) {
            if let Some(why) = no_supply(self.board, &meter) {
                return Ok(Err(format!("not taken: {why}, then measure again")));
            }
            let kept = self.live.as_mut().map(|live| live.kept.measured(&meter));
            let known = evidence.measured(self.board, meter.clone());
            self.given.push(Given::Meter(meter, kept.transpose()?, known));
        }
        Ok(Ok(()))
    }

    fn looked(&mut self, evidence: &mut Evidence, look: Look, yes: bool) -> Result<(), Failure> {
        let kept = self.live.as_mut().map(|live| live.kept.looked(look, yes));
        evidence.looks.push((look, yes));
        self.given.push(Given::Look(look, kept.transpose()?));
        Ok(())
    }

    fn leave_out(&mut self, talk: &Talk, measurement: Measurement) -> Result<Came, Failure> {
        let takes = Takes::of(&measurement);
        if !self.comes_last(&measurement) {
            self.last.push((takes, false));
            talk.say(&format!("left out; {} come last from here on\n", takes.word()))?;
        }
        self.left_out.push(measurement.clone());
        self.given.push(Given::LeftOut(measurement));
        Ok(Came::On)
    }

    /// Takes the last answer back.
    fn back(&mut self, talk: &Talk, evidence: &mut Evidence) -> Result<Came, Failure> {
        let last = self.given.pop();
        if let (Some(live), Some(Given::Meter(_, Some(rows), _) | Given::Look(_, Some(rows)))) =
            (&mut self.live, &last)
        {
            live.kept.taken_back(rows.clone())?;
        }
        let said = match last {
            None => NO_ANSWER.trim_end().to_string(),
            Some(Given::LeftOut(measurement)) => {
                self.left_out.retain(|left| *left != measurement);
                self.made(&measurement);
                "what was left out is asked again".to_string()
            }
            Some(Given::Read) => {
                let live = self.live.as_mut();
                let setting = live.map(|live| live.take_back(evidence)).transpose()?.flatten();
                let places = setting.map_or(String::new(), |setting| setting.text(self.board));
                format!("taken back: what was read with {places}; see that the shunts are there")
            }
            Some(Given::Meter(meter, _, known)) => {
                evidence.meter.retain(|taken| *taken != meter);
                evidence.confirmed.retain(|taken| *taken != meter);
                evidence.meter.extend(known);
                self.again.retain(|again| *again != meter.measurement());
                let what = diagnosis_talk::question(self.board, &meter.measurement(), false);
                format!("taken back: {what}")
            }
            Some(Given::Look(look, _)) => {
                evidence.looks.retain(|(known, _)| !known.same(&look));
                let live = self.live.is_some();
                let what = diagnosis_talk::question(self.board, &Measurement::Look(look), live);
                format!("taken back: {what}")
            }
        };
        talk.say(&format!("{said}\n"))?;
        Ok(Came::On)
    }
}
