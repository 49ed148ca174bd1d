//! Switches held closed for some seconds, so that somebody can look at what they feed.
//!
//! The probe switches outputs off by itself once the line has been silent for three seconds
//! (`protocols/probe-link.md`, `*RST`), so it is asked something meanwhile.

use super::visit::{Errand, Next, Visit, went_on};
use super::{Answer, Ask, Boot, Cut, ProbeInfo};
use crate::board::Board;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

/// Time between two questions that keep the outputs on.
const HEARTBEAT: Duration = Duration::from_secs(1);

/// How far it has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Closing,
    /// Until the next heartbeat; the switches are closed.
    Holding {
        next: Duration,
        until: Duration,
    },
    Opening,
}

/// Closes switches, holds them, and opens them again.
pub type Shower = Visit<Showing>;

/// What a shower does between its greeting and its end.
#[derive(Debug)]
pub struct Showing {
    switches: Vec<usize>,
    hold: Duration,
    stage: Stage,
    left: VecDeque<Ask>,
    boot: Boot,
}

impl Visit<Showing> {
    /// A procedure that holds these switches closed for so long.
    pub fn new(board: Arc<Board>, switches: Vec<usize>, hold: Duration) -> Shower {
        let (left, boot) = (VecDeque::new(), Boot::default());
        Visit::to(board, Showing { switches, hold, stage: Stage::Closing, left, boot })
    }
}

impl Showing {
    fn next(&mut self, now: Duration) -> Next {
        match (self.left.pop_front(), self.stage) {
            (Some(ask), _) => Next::Ask(ask),
            (None, Stage::Closing) => self.rest(now, now + self.hold),
            (None, Stage::Holding { until, .. }) => self.rest(now, until),
            (None, Stage::Opening) => Next::Done(None),
        }
    }

    fn rest(&mut self, now: Duration, until: Duration) -> Next {
        self.stage = Stage::Holding { next: until.min(now + HEARTBEAT), until };
        Next::Wait
    }

    fn all(&self, on: bool) -> impl Iterator<Item = Ask> {
        self.switches.iter().map(move |&switch| Ask::Switch { switch, on })
    }
}

impl Errand for Showing {
    fn greeted(&mut self, now: Duration, who: ProbeInfo) -> Next {
        self.boot = who.boot;
        self.left = [Ask::Prepare].into_iter().chain(self.all(true)).collect();
        self.next(now)
    }

    fn answered(&mut self, now: Duration, answer: Answer) -> Next {
        let cut = |why: String| Next::Done(Some(Cut::Probe(why)));
        match answer {
            Answer::Refused(why) => cut(format!("the probe refused: {why}")),
            Answer::Boot(boot) if !went_on(&self.boot, &boot) => cut(
                "the probe was reset while its outputs were on: the supply may have broken down \
                 under them"
                    .into(),
            ),
            _ => self.next(now),
        }
    }

    fn wake_at(&self) -> Option<Duration> {
        match self.stage {
            Stage::Holding { next, .. } => Some(next),
            Stage::Closing | Stage::Opening => None,
        }
    }

    fn woken(&mut self, now: Duration) -> Next {
        let Stage::Holding { next, until } = self.stage else { return Next::Wait };
        if now >= until {
            self.stage = Stage::Opening;
            self.left = self.all(false).chain([Ask::AllOff]).collect();
            return self.next(now);
        }
        if now < next { Next::Wait } else { Next::Ask(Ask::Boot) }
    }
}
