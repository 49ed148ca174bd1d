//! Switches held closed for some seconds, so that somebody can look at what they feed.
//!
//! The probe switches outputs off by itself once the line has been silent for three seconds
//! (`protocols/probe-link.md`, `*RST`), so it is asked something meanwhile.

use super::{
    Answer, Ask, Boot, Cut, Event, Input, Output, Procedure, Summary, UnitVerdict, probe_problem,
};
use crate::board::Board;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

/// Time between two questions that keep the outputs on.
const HEARTBEAT: Duration = Duration::from_secs(1);

/// What is waited for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    New,
    Greeting,
    Closing,
    /// For the next heartbeat; the switches are closed until then.
    Holding {
        next: Duration,
        until: Duration,
    },
    /// For the answer to one.
    Beating {
        until: Duration,
    },
    Opening,
    /// For the answer under way when the operator stopped.
    Stopping,
    /// For everything to be off.
    Off,
    Over,
}

/// Closes switches, holds them, and opens them again.
#[derive(Debug)]
pub struct Shower {
    board: Arc<Board>,
    switches: Vec<usize>,
    hold: Duration,
    state: State,
    left: VecDeque<Ask>,
    boot: Boot,
    began: Duration,
}

impl Shower {
    /// A procedure that holds these switches closed for so long.
    pub fn new(board: Arc<Board>, switches: Vec<usize>, hold: Duration) -> Shower {
        Shower {
            board,
            switches,
            hold,
            state: State::New,
            left: VecDeque::new(),
            boot: Boot::default(),
            began: Duration::ZERO,
        }
    }

    fn close(&mut self, now: Duration, cut: Option<Cut>) -> Vec<Output> {
        self.state = State::Over;
        let (reasons, failing, worst, sag) = (Vec::new(), Vec::new(), None, None);
        let took = now.saturating_sub(self.began);
        // Nothing is judged here.
        let (verdict, checks, unseen) = (UnitVerdict::Incomplete, 0, 0);
        let summary = Summary { verdict, reasons, failing, worst, sag, checks, unseen, cut, took };
        vec![Output::Event(Event::Finished(summary))]
    }

    fn next(&mut self, now: Duration) -> Vec<Output> {
        match (self.left.pop_front(), self.state) {
            (Some(ask), _) => vec![Output::Ask(ask)],
            (None, State::Closing) => {
                let until = now + self.hold;
                self.state = State::Holding { next: until.min(now + HEARTBEAT), until };
                Vec::new()
            }
            (None, _) => self.close(now, None),
        }
    }

    fn answered(&mut self, now: Duration, answer: Answer) -> Vec<Output> {
        match (self.state, answer) {
            (State::New | State::Over | State::Holding { .. }, _) => Vec::new(),
            (State::Greeting, answer) => self.greeted(now, answer),
            (State::Stopping, _) => {
                self.state = State::Off;
                vec![Output::Ask(Ask::AllOff)]
            }
            (State::Off, _) => self.close(now, Some(Cut::Stopped)),
            (_, Answer::Refused(why)) => {
                let why = format!("the probe refused: {why}");
                self.close(now, Some(Cut::Probe(why)))
            }
            (State::Beating { until }, Answer::Boot(boot)) => {
                if boot.count != self.boot.count || boot.uptime_ms < self.boot.uptime_ms {
                    let why = "the probe was reset while its outputs were on: the supply may have \
                               broken down under them";
                    return self.close(now, Some(Cut::Probe(why.into())));
                }
                self.state = State::Holding { next: until.min(now + HEARTBEAT), until };
                Vec::new()
            }
            (State::Closing | State::Beating { .. } | State::Opening, _) => self.next(now),
        }
    }

    fn greeted(&mut self, now: Duration, answer: Answer) -> Vec<Output> {
        if let Some(why) = probe_problem(&self.board, &answer) {
            return self.close(now, Some(Cut::Probe(why)));
        }
        if let Answer::Who(info) = answer {
            self.boot = info.boot;
        }
        self.state = State::Closing;
        let on = self.switches.iter().map(|&switch| Ask::Switch { switch, on: true });
        self.left = [Ask::Prepare].into_iter().chain(on).collect();
        self.next(now)
    }

    fn tick(&mut self, now: Duration) -> Vec<Output> {
        let State::Holding { next, until } = self.state else { return Vec::new() };
        if now >= until {
            self.state = State::Opening;
            let off = self.switches.iter().map(|&switch| Ask::Switch { switch, on: false });
            self.left = off.chain([Ask::AllOff]).collect();
            return self.next(now);
        }
        if now < next {
            return Vec::new();
        }
        self.state = State::Beating { until };
        vec![Output::Ask(Ask::Boot)]
    }

    /// Everything is switched off before the end, after the answer that may be under way.
    fn stop(&mut self, now: Duration) -> Vec<Output> {
        match self.state {
            State::New => self.close(now, Some(Cut::Stopped)),
            State::Holding { .. } => {
                self.state = State::Off;
                vec![Output::Ask(Ask::AllOff)]
            }
            State::Greeting | State::Closing | State::Beating { .. } | State::Opening => {
                self.state = State::Stopping;
                Vec::new()
            }
            State::Stopping | State::Off | State::Over => Vec::new(),
        }
    }
}

impl Procedure for Shower {
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
            Input::Tick => self.tick(now),
            // Nothing is asked of anybody.
            Input::Start | Input::Key(_) | Input::Typed(_) | Input::Ran(_) | Input::NoKeys => {
                Vec::new()
            }
        }
    }

    fn wake_at(&self) -> Option<Duration> {
        match self.state {
            State::Holding { next, .. } => Some(next),
            _ => None,
        }
    }

    fn over(&self) -> bool {
        self.state == State::Over
    }
}
