//! Before and after the test: the maker's own commands.
//!
//! The probe is put on a unit only when a person says so, and what was there is saved first where
//! the board file says how; the product is put on after everything passed, and then asked what it
//! reads. The unit's verdict is told when all that is done: a product that is not on makes no PASS.

use super::super::UnitVerdict;
use super::super::command::{Ran, lacking};
use super::*;
use crate::board::Task;

impl Bench {
    /// Nobody answers as the probe: it is put on where the board file says how, and asked about.
    pub(super) fn no_probe_there(&mut self, now: Duration, why: String) {
        if self.flashed || !self.has(Task::FlashProbe) {
            return self.close(now, Some(Cut::Probe(why)));
        }
        self.wait_for_key(Prompt::FlashProbe { why });
    }

    fn has(&self, task: Task) -> bool {
        self.board.commands.get(task).is_some()
    }

    pub(super) fn run(&mut self, task: Task) {
        self.state = State::Running;
        self.tell(Event::Running(task));
        self.out.push(Output::Run(task));
    }

    /// The person says that the probe may replace what is on the unit.
    pub(super) fn flash_probe(&mut self) {
        match self.has(Task::Save) {
            true => self.run(Task::Save),
            false => self.run(Task::FlashProbe),
        }
    }

    /// A command is done, or could not be.
    pub(super) fn ran(&mut self, now: Duration, ran: Ran) {
        if !matches!(self.state, State::Running) {
            return;
        }
        self.tell(Event::Ran(ran.clone()));
        let stopping = self.stopping.take();
        match (ran.task, &ran.problem) {
            (Task::Save, None) => {
                self.saved = true;
                match stopping {
                    Some(cut) => self.finish(now, Some(cut)),
                    None => self.run(Task::FlashProbe),
                }
            }
            (Task::Save, Some(why)) => {
                let why =
                    format!("what is on the unit could not be saved ({why}): nothing flashed");
                self.finish(now, Some(stopping.unwrap_or(Cut::Command(why))));
            }
            (Task::FlashProbe, problem) => {
                self.flashed = true;
                let failed =
                    problem.as_ref().map(|why| format!("the probe was not flashed: {why}"));
                match stopping.or(failed.map(Cut::Command)) {
                    Some(cut) => self.close(now, Some(cut)),
                    None => self.greet(),
                }
            }
            (Task::Restore, _) => {
                let cut = self.ending.take().or(stopping);
                self.finish(now, cut);
            }
            (Task::FlashProduct, Some(why)) => {
                let why = format!("the product was not flashed: {why}");
                self.tally.count(Verdict::NotTested, "flash_product", || why.clone());
                self.finish(now, stopping);
            }
            (Task::FlashProduct, None) => match stopping {
                Some(cut) => self.finish(now, Some(cut)),
                None => self.ask_product(now),
            },
            (Task::Report, _) => {
                self.compare_report(&ran);
                self.finish(now, stopping);
            }
            (Task::OnPass | Task::OnFail | Task::OnHold, _) => self.state = State::Over,
        }
    }

    /// What the product has to report: the options of the setting that the unit leaves with.
    fn expected_report(&self) -> Vec<String> {
        let last = self.walk.steps.last().map(|step| &step.setting);
        self.board.report_lines(last.unwrap_or(&self.board.delivery))
    }

    /// The product is on: what does it read?
    fn ask_product(&mut self, now: Duration) {
        let expected = self.expected_report();
        match (expected.is_empty(), self.has(Task::Report)) {
            // A board without options has nothing to report.
            (true, _) => self.finish(now, None),
            (false, true) => self.run(Task::Report),
            (false, false) => self.wait_for_key(Prompt::Report { expected }),
        }
    }

    fn compare_report(&mut self, ran: &Ran) {
        let expected = self.expected_report();
        let missing = lacking(&ran.output, &expected).join(", ");
        let (verdict, reason) = match (&ran.problem, missing.is_empty()) {
            (Some(why), _) => (Verdict::NotTested, format!("the product was not asked: {why}")),
            (None, false) => (Verdict::Fail, format!("the product does not report {missing}")),
            (None, true) => (Verdict::Pass, String::new()),
        };
        self.reported(expected, Some(ran.output.clone()), verdict, reason);
    }

    /// A person says whether the product reports what it has to.
    pub(super) fn said_of_report(&mut self, now: Duration, expected: Vec<String>, yes: bool) {
        let (verdict, reason) = match yes {
            true => (Verdict::Pass, String::new()),
            false => {
                let lines = expected.join(", ");
                (Verdict::Fail, format!("the product does not report {lines}, by the operator"))
            }
        };
        let said = if yes { "yes" } else { "no" };
        self.reported(expected, Some(said.into()), verdict, reason);
        self.finish(now, None);
    }

    fn reported(
        &mut self,
        expected: Vec<String>,
        said: Option<String>,
        verdict: Verdict,
        reason: String,
    ) {
        self.tally.count(verdict, "report", || reason.clone());
        self.tell(Event::Reported { expected, said, verdict, reason });
    }

    /// The test is over: what comes after it, then the end.
    pub(super) fn close(&mut self, now: Duration, cut: Option<Cut>) {
        if cut.is_none() && self.tally.passes() && self.has(Task::FlashProduct) {
            return self.run(Task::FlashProduct);
        }
        if self.saved && self.has(Task::Restore) {
            self.ending = cut;
            return self.run(Task::Restore);
        }
        self.finish(now, cut);
    }

    /// The unit's verdict, and the command that the board file has for it.
    pub(super) fn finish(&mut self, now: Duration, cut: Option<Cut>) {
        let tally = std::mem::take(&mut self.tally);
        let mut summary = tally.close(cut, now.saturating_sub(self.began));
        summary.unseen = self.walk.coverage.unseen.len();
        let task = match summary.verdict {
            UnitVerdict::Pass => Some(Task::OnPass),
            UnitVerdict::Fail => Some(Task::OnFail),
            UnitVerdict::Hold => Some(Task::OnHold),
            UnitVerdict::Incomplete => None,
        };
        self.state = State::Over;
        self.tell(Event::Finished(summary));
        if let Some(task) = task.filter(|&task| self.has(task)) {
            self.run(task);
        }
    }

    /// A request to stop while the probe is not wanted; false when it is.
    pub(super) fn stopped_beside_the_probe(&mut self, now: Duration, cut: &Cut) -> bool {
        match &self.state {
            // A command is not broken off: half a program is worse than another one.
            State::Running => self.stopping = Some(cut.clone()),
            State::Ready { prompt: Prompt::FlashProbe { .. } } => {
                self.finish(now, Some(cut.clone()));
            }
            State::Ready { prompt: Prompt::Report { expected } } => {
                let (expected, why) = (expected.clone(), "nobody said what the product reports");
                self.reported(expected, None, Verdict::NotTested, why.into());
                self.finish(now, Some(cut.clone()));
            }
            _ => return false,
        }
        true
    }

    /// Whether the port may go: nothing is wanted of the probe.
    pub(super) fn beside_the_probe(&self) -> bool {
        let asks = |p: &Prompt| matches!(p, Prompt::FlashProbe { .. } | Prompt::Report { .. });
        match &self.state {
            State::Running => true,
            State::Ready { prompt } => asks(prompt),
            _ => false,
        }
    }
}
