//! The single conversions of one channel, for whoever looks for the cause of its noise, or sees
//! what a load does to it as it goes on.
//!
//! The probe has no room to keep codes: what the line damages is gone. So a burst of which codes
//! are missing is taken anew, a few times at most, and what is missing then is named.

use super::sweep::rest_us;
use super::{Answer, Ask, Boot, Burst, Cut, Input, Output, Procedure, UnitVerdict, probe_problem};
use super::{Event, Summary};
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

/// What is waited for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    New,
    Greeting,
    Taking,
    /// For the answer under way when the operator stopped.
    Stopping,
    /// For everything to be off.
    Off,
    Over,
}

/// Takes the conversions of one channel.
#[derive(Debug)]
pub struct Sampler {
    board: Arc<Board>,
    plan: Plan,
    state: State,
    left: VecDeque<Ask>,
    asked: Option<Ask>,
    boot: Boot,
    tries: u32,
    taken: Option<Taken>,
    began: Duration,
}

impl Sampler {
    /// A sampler for one burst of a board.
    pub fn new(board: Arc<Board>, plan: Plan) -> Sampler {
        Sampler {
            board,
            plan,
            state: State::New,
            left: VecDeque::new(),
            asked: None,
            boot: Boot::default(),
            tries: 0,
            taken: None,
            began: Duration::ZERO,
        }
    }

    /// What was taken, once it is over.
    pub fn taken(&self) -> Option<&Taken> {
        self.taken.as_ref()
    }

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

    fn next(&mut self, now: Duration) -> Vec<Output> {
        match self.left.pop_front() {
            Some(ask) => {
                self.asked = Some(ask.clone());
                vec![Output::Ask(ask)]
            }
            None => self.close(now, None),
        }
    }

    fn greeted(&mut self, now: Duration, answer: Answer) -> Vec<Output> {
        if let Some(why) = probe_problem(&self.board, &answer) {
            return self.close(now, Some(Cut::Probe(why)));
        }
        if let Answer::Who(info) = answer {
            self.boot = info.boot;
        }
        self.state = State::Taking;
        self.left = self.asks();
        self.next(now)
    }

    fn answered(&mut self, now: Duration, answer: Answer) -> Vec<Output> {
        match (self.state, answer) {
            (State::New | State::Over, _) => Vec::new(),
            (State::Greeting, answer) => self.greeted(now, answer),
            (State::Stopping, _) => {
                self.state = State::Off;
                vec![Output::Ask(Ask::AllOff)]
            }
            (State::Off, _) => self.close(now, Some(Cut::Stopped)),
            (State::Taking, Answer::Refused(why)) => {
                self.taken = None;
                let why = format!("the probe refused: {why}");
                self.close(now, Some(Cut::Probe(why)))
            }
            (State::Taking, Answer::Samples { before, burst, codes }) => {
                self.keep(before, burst, codes);
                self.next(now)
            }
            (State::Taking, Answer::Boot(boot)) => {
                let same = boot.count == self.boot.count && boot.uptime_ms >= self.boot.uptime_ms;
                if same {
                    return self.next(now);
                }
                self.taken = None;
                let why = "the probe was reset while it was read: what it read is void; where a \
                           load went on, the supply may have broken down under it";
                self.close(now, Some(Cut::Probe(why.into())))
            }
            (State::Taking, _) => self.next(now),
        }
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

    fn close(&mut self, now: Duration, cut: Option<Cut>) -> Vec<Output> {
        self.state = State::Over;
        // Nothing is judged here.
        let verdict = UnitVerdict::Incomplete;
        let (reasons, failing, worst, sag) = (Vec::new(), Vec::new(), None, None);
        let took = now.saturating_sub(self.began);
        let (checks, unseen) = (0, 0);
        let summary = Summary { verdict, reasons, failing, worst, sag, checks, unseen, cut, took };
        vec![Output::Event(Event::Finished(summary))]
    }

    /// Everything is switched off before the end, after the answer that may be under way.
    fn stop(&mut self, now: Duration) -> Vec<Output> {
        match self.state {
            State::New => self.close(now, Some(Cut::Stopped)),
            State::Greeting | State::Taking => {
                self.state = State::Stopping;
                Vec::new()
            }
            State::Stopping | State::Off | State::Over => Vec::new(),
        }
    }
}

impl Procedure for Sampler {
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
        None
    }

    fn over(&self) -> bool {
        self.state == State::Over
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn board() -> Arc<Board> {
        let text = include_str!("../../protocols/vent-controller.toml");
        Arc::new(crate::board::parse("demo", text).expect("a board"))
    }

    fn burst(mean: f64, sd: f64) -> Burst {
        let code = mean as u16;
        Burst { n: 100, mean, sd, min: code, max: code, ..Burst::default() }
    }

    fn some(codes: &[u16]) -> Vec<Option<u16>> {
        codes.iter().copied().map(Some).collect()
    }

    #[test]
    fn a_dip_is_told_with_its_place_its_depth_and_when_it_is_over() {
        let codes = [vec![400; 2], vec![380, 385, 390, 394], vec![396; 34]].concat();
        let dip = dip(&burst(400.0, 0.2), &some(&codes)).expect("a dip");
        // To the group of eight conversions in which it is over.
        assert_eq!((dip.farthest, dip.at, dip.settled), (380, 2, Some(8)));
        assert_eq!((dip.before, dip.steady, dip.beyond), (400.0, 396.0, 20.0));
        // The codes of the internal reference rise as the supply falls.
        let rising: Vec<u16> = codes.iter().map(|code| 800 - code).collect();
        let dip = super::dip(&burst(400.0, 0.2), &some(&rising)).expect("a dip");
        assert_eq!((dip.farthest, dip.steady), (420, 404.0));
    }

    #[test]
    fn noise_and_hum_alone_are_neither_a_dip_nor_a_movement() {
        // Hum of 50 Hz, 3 codes high, under conversions of 104 µs, and of it whole codes.
        let hum = |from: usize| {
            let turns = move |i: usize| i as f64 * 104e-6 * 50.0;
            let code = move |i: usize| 400.0 + 3.0 * (turns(i) * std::f64::consts::TAU).sin();
            (from..from + 961).map(move |i| code(i).round() as u16)
        };
        let (low, high) = (hum(0).min().unwrap_or(0), hum(0).max().unwrap_or(0));
        let idle = Burst { min: low, max: high, ..burst(400.0, 3.0 / 2f64.sqrt()) };
        let dip = dip(&idle, &some(&hum(500).collect::<Vec<_>>())).expect("figures");
        assert_eq!((dip.beyond, dip.settled), (0.0, Some(0)), "{dip:?}");
    }

    #[test]
    fn what_still_moves_at_the_end_is_not_called_settled() {
        let codes: Vec<u16> = (0..40).map(|i| 400 - 2 * i).collect();
        let dip = dip(&burst(400.0, 0.5), &some(&codes)).expect("a dip");
        assert_eq!(dip.settled, None);
    }

    #[test]
    fn missing_codes_are_named_and_stand_for_nothing() {
        let mut codes = some(&[400; 96]);
        codes[32..64].fill(None);
        let plan = Plan { channel: Some(0), n: 96, load: None };
        let (before, burst, tries) = (Some(burst(400.0, 0.0)), burst(400.0, 0.0), 1);
        let mut taken = Taken { plan, before, burst, codes, tries };
        assert_eq!(taken.lost(), std::slice::from_ref(&(32..64)));
        assert!(!taken.too_slow());
        assert_eq!(taken.dip().map(|d| (d.farthest, d.settled)), Some((400, Some(0))));
        taken.codes.fill(None);
        assert_eq!((taken.dip(), taken.too_slow()), (None, true));
    }

    /// Leads a sampler to its end, each burst answered with so many codes missing.
    fn lead(missing: &[usize]) -> (Sampler, usize) {
        let plan = Plan { channel: Some(0), n: 64, load: None };
        let mut sampler = Sampler::new(board(), plan);
        let (mut bursts, now) = (0, Duration::ZERO);
        let mut outputs = sampler.handle(now, Input::Start);
        while let Some(Output::Ask(ask)) = outputs.first() {
            let answer = match ask {
                Ask::Who => {
                    let model = "PROBE-ATMEGA328P".to_string();
                    Answer::Who(super::super::ProbeInfo { model, ..Default::default() })
                }
                Ask::Boot => Answer::Boot(Boot::default()),
                Ask::Samples { n: 64, .. } => {
                    let mut codes = some(&[500; 64]);
                    codes[..missing[bursts.min(missing.len() - 1)]].fill(None);
                    bursts += 1;
                    Answer::Samples { before: None, burst: burst(500.0, 0.0), codes }
                }
                _ => Answer::Done,
            };
            outputs = sampler.handle(now, Input::Answer(answer));
        }
        (sampler, bursts)
    }

    #[test]
    fn a_burst_with_codes_missing_is_taken_anew_until_it_is_whole() {
        let (sampler, bursts) = lead(&[32, 32, 0]);
        let taken = sampler.taken().expect("a burst");
        assert_eq!((bursts, taken.tries, taken.missing()), (3, 3, 0));
    }

    #[test]
    fn it_is_not_taken_for_ever_and_the_best_one_is_kept() {
        let (sampler, bursts) = lead(&[32, 20, 32]);
        let taken = sampler.taken().expect("a burst");
        assert_eq!((bursts, taken.tries, taken.missing()), (5, 5, 20));
        // A line that is too slow stays so.
        let (sampler, bursts) = lead(&[40]);
        assert_eq!((bursts, sampler.taken().map(Taken::missing)), (1, Some(40)));
    }
}
