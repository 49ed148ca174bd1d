//! Questions of the board file, asked while their switches are closed.

use super::*;

impl Bench {
    pub(super) fn ask_next_question(&mut self, now: Duration, mut left: VecDeque<usize>) {
        let Some(question) = left.pop_front() else { return self.next_step(now) };
        let mut sweep = Sweep::new();
        for &switch in &self.board.questions[question].closes {
            sweep = sweep.ask(Ask::Switch { switch, on: true }, Keep::No);
        }
        self.state = State::Asking { question, left, sweep, next: now + HEARTBEAT };
        self.go_on(now);
    }

    pub(super) fn answered(
        &mut self,
        now: Duration,
        question: usize,
        yes: bool,
        left: VecDeque<usize>,
    ) {
        let mut sweep = Sweep::new();
        for &switch in &self.board.questions[question].closes {
            sweep = sweep.ask(Ask::Switch { switch, on: false }, Keep::No);
        }
        let sweep = sweep.ask(Ask::Boot, Keep::Boot);
        self.state = State::Answering { question, yes, left, sweep };
        self.go_on(now);
    }

    pub(super) fn count_answer(&mut self, question: usize, yes: bool) {
        let verdict = self.count_answer_of(question, yes);
        let at = self.at();
        self.tell(Event::Answered { at, question, yes, verdict });
    }

    pub(super) fn count_answer_of(&mut self, question: usize, yes: bool) -> Verdict {
        self.asked[question] = true;
        let q = &self.board.questions[question];
        let verdict = if yes == q.expect { Verdict::Pass } else { Verdict::Fail };
        let said = if yes { "yes" } else { "no" };
        let reason = format!("{}: '{}' was answered {said}", q.id, q.ask);
        self.tally.count(verdict, &q.id, || reason.clone());
        verdict
    }

    /// Questions that no step of the sequence came to are not tested.
    pub(super) fn count_unasked(&mut self) {
        let left = self.board.questions.iter().zip(&self.asked).filter(|(_, asked)| !**asked);
        let left: Vec<String> = left.map(|(q, _)| q.id.clone()).collect();
        for id in left {
            let reason =
                format!("{id}: no step of the sequence has the setting that it is asked in");
            self.tally.count(Verdict::NotTested, &id, || reason.clone());
        }
    }
}
