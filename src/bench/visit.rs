//! A short talk with a probe that judges no unit: it is greeted, an errand is done, everything is
//! switched off before the end.

use super::{
    Answer, Ask, Boot, Cut, Event, Input, Output, ProbeInfo, Procedure, Summary, UnitVerdict,
    probe_problem,
};
use crate::board::Board;
use std::fmt::Debug;
use std::sync::Arc;
use std::time::Duration;

/// What becomes of an errand after something happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Next {
    /// The probe is asked.
    Ask(Ask),
    /// Nothing is asked until the errand wakes.
    Wait,
    /// It is done, or cannot be done.
    Done(Option<Cut>),
}

/// What a visit is for. It is told the time, and never asks twice before an answer.
pub trait Errand: Debug {
    /// The probe has said who it is, and is one for this board.
    fn greeted(&mut self, now: Duration, who: ProbeInfo) -> Next;

    /// The probe has answered.
    fn answered(&mut self, now: Duration, answer: Answer) -> Next;

    /// When it wants to be woken; none while it waits for an answer, or for nothing.
    fn wake_at(&self) -> Option<Duration> {
        None
    }

    /// It is woken.
    fn woken(&mut self, now: Duration) -> Next {
        let _ = now;
        Next::Wait
    }

    /// The verdict of what was read, and how many checks it has; most judge nothing.
    fn verdict(&self, cut: Option<&Cut>) -> (UnitVerdict, usize) {
        let _ = cut;
        (UnitVerdict::Incomplete, 0)
    }
}

/// Whether the probe has gone on since it said so the first time: it counts no other boot, and its
/// clock is later.
pub(super) fn went_on(first: &Boot, now: &Boot) -> bool {
    now.count == first.count && now.uptime_ms >= first.uptime_ms
}

/// What is waited for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    New,
    Greeting,
    /// For an answer to the errand.
    Asked,
    /// For the errand to wake.
    Resting,
    /// For the answer under way when the operator stopped.
    Stopping,
    /// For everything to be off.
    Off,
    Over,
}

/// One visit.
#[derive(Debug)]
pub struct Visit<E> {
    board: Arc<Board>,
    errand: E,
    state: State,
    began: Duration,
}

impl<E: Errand> Visit<E> {
    /// A visit to the probe on a board.
    pub(super) fn to(board: Arc<Board>, errand: E) -> Visit<E> {
        Visit { board, errand, state: State::New, began: Duration::ZERO }
    }

    /// What it is for.
    pub(super) fn errand(&self) -> &E {
        &self.errand
    }

    fn close(&mut self, now: Duration, cut: Option<Cut>) -> Vec<Output> {
        self.state = State::Over;
        let (verdict, checks) = self.errand.verdict(cut.as_ref());
        let (reasons, failing, worst, sag) = (Vec::new(), Vec::new(), None, None);
        let took = now.saturating_sub(self.began);
        let unseen = 0;
        let summary = Summary { verdict, reasons, failing, worst, sag, checks, unseen, cut, took };
        vec![Output::Event(Event::Finished(summary))]
    }

    fn go_on(&mut self, now: Duration, next: Next) -> Vec<Output> {
        match next {
            Next::Ask(ask) => {
                self.state = State::Asked;
                vec![Output::Ask(ask)]
            }
            Next::Wait => {
                self.state = State::Resting;
                Vec::new()
            }
            Next::Done(cut) => self.close(now, cut),
        }
    }

    fn answered(&mut self, now: Duration, answer: Answer) -> Vec<Output> {
        match self.state {
            State::New | State::Resting | State::Over => Vec::new(),
            State::Greeting => match (probe_problem(&self.board, &answer), answer) {
                (None, Answer::Who(who)) => {
                    let next = self.errand.greeted(now, who);
                    self.go_on(now, next)
                }
                (why, _) => self.close(now, Some(Cut::Probe(why.unwrap_or_default()))),
            },
            State::Asked => {
                let next = self.errand.answered(now, answer);
                self.go_on(now, next)
            }
            State::Stopping => self.all_off(),
            State::Off => self.close(now, Some(Cut::Stopped)),
        }
    }

    fn all_off(&mut self) -> Vec<Output> {
        self.state = State::Off;
        vec![Output::Ask(Ask::AllOff)]
    }

    /// Everything is switched off before the end, after the answer that may be under way.
    fn stop(&mut self, now: Duration) -> Vec<Output> {
        match self.state {
            State::New => self.close(now, Some(Cut::Stopped)),
            State::Resting => self.all_off(),
            State::Greeting | State::Asked => {
                self.state = State::Stopping;
                Vec::new()
            }
            State::Stopping | State::Off | State::Over => Vec::new(),
        }
    }
}

impl<E: Errand> Procedure for Visit<E> {
    fn handle(&mut self, now: Duration, input: Input) -> Vec<Output> {
        match input {
            _ if self.over() => Vec::new(),
            Input::Start if self.state == State::New => {
                self.began = now;
                self.state = State::Greeting;
                vec![Output::Ask(Ask::Who)]
            }
            Input::Answer(answer) => self.answered(now, answer),
            Input::Lost(why) => self.close(now, Some(Cut::Probe(why))),
            Input::Stop => self.stop(now),
            Input::Tick if self.state == State::Resting => {
                let next = self.errand.woken(now);
                self.go_on(now, next)
            }
            // Nothing is asked of anybody.
            Input::Start
            | Input::Key(_)
            | Input::Typed(_)
            | Input::Ran(_)
            | Input::NoKeys
            | Input::Tick => Vec::new(),
        }
    }

    fn wake_at(&self) -> Option<Duration> {
        self.errand.wake_at().filter(|_| self.state == State::Resting)
    }

    fn over(&self) -> bool {
        self.state == State::Over
    }
}
