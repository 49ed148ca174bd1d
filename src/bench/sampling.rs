//! The single conversions of one channel, for whoever looks for the cause of its noise, or sees
//! what a load does to it as it goes on.
//!
//! The probe has no room to keep codes: what the line damages is gone. So a burst of which codes
//! are missing is taken anew, a few times at most, and what is missing then is named.

use super::sweep::rest_us;
use super::visit::{Errand, Next, Visit, went_on};
use super::{Answer, Ask, Boot, Burst, Cut, ProbeInfo};
use crate::board::Board;
use std::collections::VecDeque;
use std::ops::Range;
use std::sync::Arc;
use std::time::Duration;

/// How often a burst is taken, as long as codes are missing.
pub const TRIES: u32 = 5;

/// Most conversions on either side of a load's step: what the probe takes.
pub const STEP_MAX: u16 = 1_000;

/// Conversions thrown away after the channel was selected.
const DISCARD: u16 = 2;

/// What is to be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Plan {
    /// Channel index; the supply, by the internal reference, without one.
    pub channel: Option<usize>,
    /// Conversions; with a load so many without it and so many on load.
    pub n: u16,
    /// A load (index) that goes on between two of them.
    pub load: Option<usize>,
}

/// What was taken.
#[derive(Clone, Debug, PartialEq)]
pub struct Taken {
    /// What was asked for.
    pub plan: Plan,
    /// The burst without load, where a load went on.
    pub before: Option<Burst>,
    /// The burst whose codes these are, over all of its conversions.
    pub burst: Burst,
    /// Its codes in their order; `None` for one that did not come through the line.
    pub codes: Vec<Option<u16>>,
    /// How often it was taken.
    pub tries: u32,
}

impl Taken {
    /// Numbers of the conversions whose codes are missing, from 0.
    pub fn lost(&self) -> Vec<Range<usize>> {
        let mut lost: Vec<Range<usize>> = Vec::new();
        for (i, _) in self.codes.iter().enumerate().filter(|(_, code)| code.is_none()) {
            match lost.last_mut().filter(|range| range.end == i) {
                Some(range) => range.end = i + 1,
                None => lost.push(i..i + 1),
            }
        }
        lost
    }

    /// How many are missing.
    pub fn missing(&self) -> usize {
        self.codes.iter().filter(|code| code.is_none()).count()
    }

    /// Whether so many are missing that the line must be too slow: damage costs 32 at a time.
    pub fn too_slow(&self) -> bool {
        2 * self.missing() > self.codes.len()
    }

    /// What the load did to the channel; none where no load went on, or too little came through.
    pub fn dip(&self) -> Option<Dip> {
        dip(self.before.as_ref()?, &self.codes)
    }
}

/// What a load does to a channel as it goes on, in codes. Conversions are counted from 0, the first
/// after the load went on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dip {
    /// Mean without load.
    pub before: f64,
    /// The code farthest from that on load.
    pub farthest: u16,
    /// The first conversion with it.
    pub at: usize,
    /// By how many codes that is farther off, on its side, than any code of the burst without load:
    /// of many noisy codes one is always far off. 0 where it is no farther.
    pub beyond: f64,
    /// Mean of the last quarter of the conversions on load.
    pub steady: f64,
    /// The conversion from which on the channel stays at `steady`, as far as noise lets that be
    /// seen; `None` where that is not before the last quarter itself: it still moves.
    pub settled: Option<usize>,
}

/// Conversions that are averaged to see whether a channel still moves: 0.8 ms.
const GROUP: usize = 8;

/// Deviations that the mean of such a group may be off by noise: one of 120 is in a hundred bursts,
/// and hum, which averages not at all in so short a time, stays within its amplitude.
const NOISE: f64 = 4.0;

fn dip(before: &Burst, codes: &[Option<u16>]) -> Option<Dip> {
    let mean = |codes: &[Option<u16>]| {
        let come = codes.iter().flatten().map(|&code| f64::from(code));
        let (n, sum) = come.fold((0_u32, 0.0), |(n, sum), code| (n + 1, sum + code));
        (n > 0).then(|| sum / f64::from(n))
    };
    let from = codes.len() - codes.len() / 4;
    let steady = mean(&codes[from..])?;
    let come = codes.iter().enumerate().filter_map(|(i, code)| Some((i, (*code)?)));
    let off = |code: u16| (f64::from(code) - before.mean).abs();
    // The first of several that are as far.
    let farther = |best: (usize, u16), new: (usize, u16)| {
        if off(new.1) > off(best.1) { new } else { best }
    };
    let (at, farthest) = come.reduce(farther)?;
    let other = if f64::from(farthest) < before.mean { before.min } else { before.max };
    // Whole codes are half a one off.
    let noise = NOISE * before.sd / (GROUP as f64).sqrt() + 0.5;
    let moves = |group: &[Option<u16>]| mean(group).is_some_and(|m| (m - steady).abs() > noise);
    let settled = codes.chunks(GROUP).rposition(moves).map_or(0, |group| (group + 1) * GROUP);
    Some(Dip {
        before: before.mean,
        farthest,
        at,
        beyond: (off(farthest) - off(other)).max(0.0),
        steady,
        settled: (settled <= from).then_some(settled),
    })
}

/// Takes the conversions of one channel.
pub type Sampler = Visit<Sampling>;

/// What a sampler does between its greeting and its end.
#[derive(Debug)]
pub struct Sampling {
    board: Arc<Board>,
    plan: Plan,
    left: VecDeque<Ask>,
    asked: Option<Ask>,
    boot: Boot,
    tries: u32,
    taken: Option<Taken>,
}

impl Visit<Sampling> {
    /// A sampler for one burst of a board.
    pub fn new(board: Arc<Board>, plan: Plan) -> Sampler {
        let sampling = Sampling {
            board: board.clone(),
            plan,
            left: VecDeque::new(),
            asked: None,
            boot: Boot::default(),
            tries: 0,
            taken: None,
        };
        Visit::to(board, sampling)
    }

    /// What was taken, once it is over.
    pub fn taken(&self) -> Option<&Taken> {
        self.errand().taken.as_ref()
    }
}

impl Sampling {
    /// The burst itself.
    fn burst(&self) -> Ask {
        let Plan { channel, n, load } = self.plan;
        match (channel, load) {
            (channel, Some(load)) => Ask::Step { channel, loads: vec![load], n },
            (Some(channel), None) => {
                let settle_us = rest_us(&self.board, channel);
                Ask::Samples { channel, n, discard: DISCARD, settle_us }
            }
            // The codes of the internal reference are sent with a load only.
            (None, None) => Ask::Supply { n },
        }
    }

    fn asks(&self) -> VecDeque<Ask> {
        let closes = self.plan.channel.map_or(&[][..], |c| &self.board.channels[c].closes);
        let switch = |on| closes.iter().map(move |&switch| Ask::Switch { switch, on });
        let before = [Ask::Prepare].into_iter().chain(switch(true));
        let after = switch(false).chain([Ask::AllOff, Ask::Boot]);
        before.chain([self.burst()]).chain(after).collect()
    }

    fn next(&mut self) -> Next {
        match self.left.pop_front() {
            Some(ask) => {
                self.asked = Some(ask.clone());
                Next::Ask(ask)
            }
            None => Next::Done(None),
        }
    }

    /// Nothing that was read counts.
    fn void(&mut self, why: String) -> Next {
        self.taken = None;
        Next::Done(Some(Cut::Probe(why)))
    }

    /// Keeps the burst of which least is missing, and has it taken anew while that may help.
    fn keep(&mut self, before: Option<Burst>, burst: Burst, codes: Vec<Option<u16>>) {
        self.tries += 1;
        let new = Taken { plan: self.plan, before, burst, codes, tries: self.tries };
        let again = new.missing() > 0 && !new.too_slow() && self.tries < TRIES;
        if self.taken.as_ref().is_none_or(|old| new.missing() < old.missing()) {
            self.taken = Some(new);
        }
        if let Some(taken) = &mut self.taken {
            taken.tries = self.tries;
        }
        if let Some(ask) = self.asked.clone().filter(|_| again) {
            self.left.push_front(ask);
        }
    }
}

impl Errand for Sampling {
    fn greeted(&mut self, _: Duration, who: ProbeInfo) -> Next {
        self.boot = who.boot;
        self.left = self.asks();
        self.next()
    }

    fn answered(&mut self, _: Duration, answer: Answer) -> Next {
        match answer {
            Answer::Refused(why) => self.void(format!("the probe refused: {why}")),
            Answer::Samples { before, burst, codes } => {
                self.keep(before, burst, codes);
                self.next()
            }
            Answer::Boot(boot) if !went_on(&self.boot, &boot) => {
                let why = "the probe was reset while it was read: what it read is void; where a \
                           load went on, the supply may have broken down under it";
                self.void(why.into())
            }
            _ => self.next(),
        }
    }
}
