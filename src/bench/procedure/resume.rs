//! Going on from an attempt that was cut short.

use super::super::resume::{Earlier, Patterns};
use super::*;

impl Bench {
    /// A bench that goes on from an earlier attempt at the unit, where the unit still shows what it
    /// showed then.
    #[must_use]
    pub fn resuming(mut self, earlier: Earlier) -> Bench {
        self.earlier = Some(earlier);
        self
    }

    /// Asks for the shunts to be as they were; false where there is nothing to go on from.
    pub(super) fn ask_to_resume(&mut self) -> bool {
        let Some(earlier) = &self.earlier else { return false };
        let whole = earlier.whole(&self.board, &self.walk);
        let attempt = earlier.attempt;
        let why = match () {
            () if whole == 0 => "no step of it was whole",
            () if self.is_another(earlier) => "the chip is another than then",
            () => {
                let setting = self.walk.steps[whole - 1].setting.clone();
                self.wait_for_key(Prompt::AsItWas { attempt, setting });
                return true;
            }
        };
        self.start_anew(why);
        false
    }

    /// Whether the chip cannot be the one of the earlier attempt: it carries another number, or none
    /// though the one that was written had been left on it.
    fn is_another(&self, earlier: &Earlier) -> bool {
        let bare = self.came_with.is_empty();
        if bare { !earlier.put_back } else { self.came_with != earlier.identity }
    }

    pub(super) fn start_anew(&mut self, why: &str) {
        if let Some(earlier) = self.earlier.take() {
            let (attempt, why) = (earlier.attempt, why.to_string());
            self.tell(Event::Resumed { attempt, steps: 0, why });
        }
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
        self.tell(Event::Resumed { attempt, steps, why });
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
