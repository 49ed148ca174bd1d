//! Going on from an attempt that was cut short.

use super::super::meter::{self, Said};
use super::super::resume::{Earlier, Patterns};
use super::*;
use crate::board::Setting;

impl Bench {
    /// A bench that goes on from an earlier attempt at the unit, where the unit still shows what it
    /// showed then.
    #[must_use]
    pub fn resuming(mut self, earlier: Earlier) -> Bench {
        self.earlier = Some(earlier);
        self
    }

    /// The setting of the last whole step of the attempt to go on from.
    pub(super) fn to_resume_at(&self) -> Option<Setting> {
        let whole = self.earlier.as_ref()?.whole(&self.board, &self.walk);
        whole.checked_sub(1).map(|last| self.walk.steps[last].setting.clone())
    }

    /// Asks for the shunts to be as they were; false where there is nothing to go on from.
    pub(super) fn ask_to_resume(&mut self) -> bool {
        let Some(earlier) = &self.earlier else { return false };
        let attempt = earlier.attempt;
        let another = self.is_another(earlier);
        match self.to_resume_at() {
            // Whose values they are is known by this chip alone.
            _ if self.took_values && another && !earlier.identity.is_empty() => {
                let why = format!(
                    "the chip is another than in attempt {attempt}, whose values by meter were \
                     taken over: test the unit from the start"
                );
                self.end(Some(Cut::Probe(why)), false);
                true
            }
            Some(_) if another => self.start_anew("the chip is another than then"),
            Some(setting) => {
                self.wait_for_key(Prompt::AsItWas { attempt, setting });
                true
            }
            // What counts of it has been said already.
            None if self.took_values => {
                self.earlier = None;
                false
            }
            None => self.start_anew("no step of it was whole"),
        }
    }

    /// The value of an earlier attempt that is measured once more, by index.
    pub(super) fn telling_value(&self) -> Option<usize> {
        let earlier = self.earlier.as_ref()?;
        let known = earlier.values(&self.board, &self.walk);
        earlier.telling(&self.board, &self.walk, known)
    }

    /// A value that is known was measured once more: the same, and all of them are taken over.
    pub(super) fn typed_again(&mut self, now: Duration, mut at: Metering, text: &str) {
        let Some(earlier) = &self.earlier else { return self.begin_stops() };
        let (attempt, known) = (earlier.attempt, earlier.values(&self.board, &self.walk));
        let at_known = earlier.telling(&self.board, &self.walk, known);
        let Some(value) = at_known.map(|at| earlier.values[at].clone()) else {
            return self.begin_stops();
        };
        let id = &self.board.channels[value.channel].id;
        let then = format!("{id} was {} in attempt {attempt}", value.typed.ohms);
        let said = match meter::read(text) {
            Err(why) if at.tries < meter::MOST_TRIES => return self.ask_meter(at, Some(why)),
            Err(_) | Ok(Said::Skip) => None,
            Ok(Said::Value(typed)) => Some(typed.ohms),
        };
        match said {
            Some(ohms) if value.agrees(&self.board, ohms) => {
                let why = format!("{then} and is {ohms} now; the same unit on the operator's word");
                self.take_values(known, why);
                let shunts = self.walk.metered[at.stop].setting.clone();
                let beyond = Metering { stop: self.walk.metered.len(), ..Metering::default() };
                let next = self.values().get(known).copied().unwrap_or(beyond);
                self.next_value(now, Metering { anew: true, ..next }, &shunts);
            }
            Some(ohms) if !meter::same(at.doubted, ohms) => {
                at.doubted = Some(ohms);
                let why = format!(
                    "{ohms} is not what it was in attempt {attempt}: look at the tips, the shunts \
                     and the meter's range (k, M), then type what it shows, again if it is the same"
                );
                self.ask_meter(at, Some(why));
            }
            Some(ohms) => {
                self.start_anew(&format!("{then} and is {ohms} now"));
                self.begin_stops();
            }
            None => {
                self.start_anew(&format!("{then} and was not measured again"));
                self.begin_stops();
            }
        }
    }

    /// The first values of the earlier attempt count in this one.
    fn take_values(&mut self, values: usize, why: String) {
        let Some(earlier) = &self.earlier else { return };
        self.took_values = true;
        let (attempt, taken) = (earlier.attempt, earlier.values[..values].to_vec());
        self.tell(Event::Resumed { attempt, values, steps: 0, why });
        for (at, value) in self.values().into_iter().zip(taken) {
            let at = self.at_meter(at);
            let typed = Some(value.typed);
            let check = meter::judge(&self.board, &self.windows, &at.setting, value.channel, typed);
            self.tally.check(&self.board, &at, &check);
        }
    }

    /// Whether the chip cannot be the one of the earlier attempt: it carries another number, or none
    /// though the one that was written had been left on it.
    fn is_another(&self, earlier: &Earlier) -> bool {
        let bare = self.came_with.is_empty();
        if bare { !earlier.put_back } else { self.came_with != earlier.identity }
    }

    /// Nothing more of the earlier attempt counts; false, since nothing is asked.
    pub(super) fn start_anew(&mut self, why: &str) -> bool {
        if let Some(earlier) = self.earlier.take() {
            let (attempt, why) = (earlier.attempt, why.to_string());
            self.tell(Event::Resumed { attempt, values: 0, steps: 0, why });
        }
        false
    }

    /// The shunts are as they were: what does every channel show?
    pub(super) fn look_as_it_was(&mut self, now: Duration) {
        let Some(earlier) = &self.earlier else { return self.begin_step(now) };
        let patterns = earlier.patterns(&self.board, &self.walk);
        let mut sweep = Sweep::new();
        for channel in patterns.channels() {
            sweep = sweep.glance(&self.board, channel);
        }
        let sweep = sweep.ask(Ask::Boot, Keep::Boot);
        self.state = State::Resuming { sweep, patterns };
        self.go_on(now);
    }

    /// What they show has been read: the steps up to there are taken over.
    pub(super) fn looked_as_it_was(&mut self, now: Duration, got: &Got, patterns: &Patterns) {
        if self.rebooted(now, got) {
            return self.void_by_reset(now);
        }
        let steps = patterns.shown(got);
        if steps == 0 {
            self.start_anew("no channel pattern of it is shown now");
            return self.begin_step(now);
        }
        let Some(earlier) = self.earlier.take() else { return self.begin_step(now) };
        let by_chip = !self.came_with.is_empty();
        let known = if by_chip { "the number on its chip" } else { "its serial number alone" };
        let (attempt, why) = (earlier.attempt, format!("the same unit by {known}"));
        self.tell(Event::Resumed { attempt, values: 0, steps, why });
        for (step, done) in earlier.steps.iter().enumerate().take(steps) {
            self.step = step;
            let at = self.at();
            for former in &done.reads {
                self.tally.check(&self.board, &at, &former.check(&self.board, &at));
            }
            for &(question, yes) in &done.answers {
                self.count_answer_of(question, yes);
            }
        }
        self.keep_glance(got);
        self.next_step(now);
    }
}
