//! The live view of bring-up: every channel read again and again, beside what the circuit predicts.
//!
//! A picture, never a record of a unit: nothing here is a verdict on one.

mod round;

pub use round::{Codes, Pace, Round, Watched};

use super::reading::conclude;
use super::shape::{Shape, seen_shapes};
use super::sweep::{BURST, Got, Keep, Sweep};
use super::{Answer, Ask, Boot, Cut, Design, Event, Input, Key, Output, Procedure};
use super::{Summary, UnitVerdict, probe_problem};
use crate::board::{Board, Kind, Setting};
use crate::window::{self, Band, Windows};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// Pause between two questions to a probe that does not answer.
const AGAIN: Duration = Duration::from_millis(300);

/// What the watcher waits for.
#[derive(Clone, Debug, PartialEq)]
enum State {
    /// To be started.
    New,
    /// For the probe's name.
    Greeting,
    /// For an answer of the round.
    Reading,
    /// For the time of the next round, or for a key.
    Resting,
    /// For the probe to come back until a time; for an answer, or for the time to ask again.
    Away { until: Duration, again: Option<Duration> },
    /// For the answer under way, then for everything to be off; with how it was cut short.
    Stopping(Option<Cut>),
    /// For everything to be off.
    Off(Option<Cut>),
    /// Nothing more.
    Over,
}

/// The procedure of the live view.
#[derive(Debug)]
pub struct Watcher {
    board: Arc<Design>,
    windows: Arc<Windows>,
    expected: Setting,
    pace: Pace,
    state: State,
    sweep: Sweep,
    boot: Boot,
    began: Duration,
    next_at: Duration,
    rounds: u64,
    paused: bool,
    recording: bool,
    codes: Option<Codes>,
    /// What the channel of `codes` read as when they were counted.
    counted_as: Option<(Setting, Shape)>,
    /// The shifts predicted for the setting found last.
    shifts: Option<(Setting, Vec<Option<Band>>)>,
    /// Why the port went away, where the system told.
    gone: Option<String>,
}

impl Watcher {
    /// A watcher; `expected` fills in what no reading shows.
    pub fn new(board: Arc<Board>, windows: Arc<Windows>, expected: Setting, pace: Pace) -> Watcher {
        let codes = pace.histogram.map(|channel| Codes { channel, counts: BTreeMap::new() });
        Watcher {
            board: Arc::new(Design::new(board, windows.clone())),
            windows,
            expected,
            pace,
            state: State::New,
            sweep: Sweep::new(),
            boot: Boot::default(),
            began: Duration::ZERO,
            next_at: Duration::ZERO,
            rounds: 0,
            paused: false,
            recording: pace.record,
            codes,
            counted_as: None,
            shifts: None,
            gone: None,
        }
    }

    /// Rounds read so far.
    pub fn rounds(&self) -> u64 {
        self.rounds
    }

    fn tell(&self, watched: Watched) -> Output {
        Output::Event(Event::Watched(watched))
    }

    fn close(&mut self, now: Duration, cut: Option<Cut>) -> Vec<Output> {
        self.state = State::Over;
        let took = now.saturating_sub(self.began);
        // A picture is no test of a unit.
        vec![Output::Event(Event::Finished(Summary {
            verdict: UnitVerdict::Incomplete,
            reasons: Vec::new(),
            failing: Vec::new(),
            worst: None,
            sag: None,
            checks: 0,
            unseen: 0,
            cut,
            took,
        }))]
    }

    /// Begins a round. What may be driven is named each time: a probe that was reset forgot it.
    fn begin(&mut self, now: Duration) -> Vec<Output> {
        let shown = self.codes.as_ref().map(|c| c.channel);
        let mut sweep = Sweep::new().ask(Ask::Prepare, Keep::No);
        for channel in 0..self.board.channels.len() {
            sweep = sweep.watch(&self.board, channel, shown == Some(channel));
        }
        if self.board.chip.reads_supply {
            sweep = sweep.ask(Ask::Supply { n: BURST }, Keep::Supply);
        }
        self.sweep = sweep.ask(Ask::AllOff, Keep::No).ask(Ask::Boot, Keep::Boot);
        self.next_at = now + self.pace.every;
        self.state = State::Reading;
        self.next(now)
    }

    fn next(&mut self, now: Duration) -> Vec<Output> {
        if let Some(ask) = self.sweep.next() {
            return vec![Output::Ask(ask)];
        }
        self.state = State::Resting;
        let got = self.sweep.got().clone();
        let boot = got.boot.clone().unwrap_or_default();
        let same = boot.count == self.boot.count && boot.uptime_ms >= self.boot.uptime_ms;
        if got.boot.is_some() && !same {
            self.boot = boot.clone();
            return vec![self.tell(Watched::Reset(boot))];
        }
        self.boot = boot;
        self.rounds += 1;
        let round = self.round(&got);
        let mut outputs = vec![self.tell(Watched::Round(Box::new(round)))];
        if self.pace.count.is_some_and(|count| self.rounds >= count) {
            outputs.extend(self.close(now, None));
        }
        outputs
    }

    fn round(&mut self, got: &Got) -> Round {
        let look = conclude(&self.board, &self.windows, got, &self.expected);
        let shapes = seen_shapes(&self.board, &self.windows, got);
        self.count(got, &look.setting, &shapes);
        let shifts = match self.shifts.take() {
            Some((setting, shifts)) if setting == look.setting => shifts,
            _ => self.predict(&look.setting),
        };
        self.shifts = Some((look.setting.clone(), shifts.clone()));
        Round {
            number: self.rounds,
            look,
            shapes,
            shifts,
            supply: got.supply,
            codes: self.codes.clone(),
            refused: got.refused.clone(),
        }
    }

    /// Counts the codes that came, from nothing where the pin reads as something else than before.
    fn count(&mut self, got: &Got, setting: &Setting, shapes: &[Shape]) {
        let (Some(codes), Some((channel, new))) = (&mut self.codes, &got.codes) else { return };
        let now = Some((setting.clone(), shapes[*channel]));
        if codes.channel != *channel {
            return;
        }
        if self.counted_as != now {
            codes.counts.clear();
            self.counted_as = now;
        }
        for &code in new {
            *codes.counts.entry(code).or_default() += 1;
        }
    }

    fn predict(&self, setting: &Setting) -> Vec<Option<Band>> {
        let shift = |channel: usize| {
            if self.board.channels[channel].kind != Kind::Analog {
                return None;
            }
            let expected = window::expect(&self.board, setting, channel);
            let code = expected.code;
            expected.pulled.map(|p| Band { low: p.low - code, high: p.high - code })
        };
        (0..self.board.channels.len()).map(shift).collect()
    }

    fn answered(&mut self, now: Duration, answer: Answer) -> Vec<Output> {
        if answer == Answer::Silent {
            return self.silent(now);
        }
        match self.state.clone() {
            State::New | State::Over | State::Resting => Vec::new(),
            State::Greeting => self.greeted(now, answer, false),
            State::Away { .. } => self.greeted(now, answer, true),
            State::Reading => {
                self.sweep.answer(answer);
                self.next(now)
            }
            State::Stopping(cut) => {
                self.state = State::Off(cut);
                vec![Output::Ask(Ask::AllOff)]
            }
            State::Off(cut) => self.close(now, cut),
        }
    }

    fn greeted(&mut self, now: Duration, answer: Answer, back: bool) -> Vec<Output> {
        if let Some(why) = probe_problem(&self.board, &answer) {
            return self.close(now, Some(Cut::Probe(why)));
        }
        let Answer::Who(info) = answer else { return Vec::new() };
        self.boot = info.boot.clone();
        self.gone = None;
        let mut outputs = vec![self.tell(Watched::Probe { info, back })];
        if self.paused {
            self.state = State::Resting;
        } else {
            outputs.extend(self.begin(now));
        }
        outputs
    }

    /// The probe does not answer: it is waited for.
    fn silent(&mut self, now: Duration) -> Vec<Output> {
        match self.state.clone() {
            State::Stopping(cut) | State::Off(cut) => self.close(now, cut),
            State::Away { until, .. } if now >= until => self.given_up(now),
            State::Away { until, .. } => {
                self.state = State::Away { until, again: Some(now + AGAIN) };
                Vec::new()
            }
            _ => {
                let silent = "the probe does not answer: look at the cable and the supply";
                let why = self.gone.take().unwrap_or(silent.into());
                let wait = self.pace.wait;
                self.state = State::Away { until: now + wait, again: None };
                vec![self.tell(Watched::Away { why, wait }), Output::Ask(Ask::Return)]
            }
        }
    }

    fn given_up(&mut self, now: Duration) -> Vec<Output> {
        let wait = self.pace.wait.as_secs_f64();
        let why = format!(
            "the probe did not come back in {wait} s: plug the board in and start again, or give \
             it longer with --wait"
        );
        self.close(now, Some(Cut::Probe(why)))
    }

    /// Everything is switched off before the end, after the answer that may be under way.
    fn stop(&mut self, now: Duration, cut: Option<Cut>) -> Vec<Output> {
        match self.state {
            State::New | State::Away { .. } => self.close(now, cut),
            State::Greeting | State::Reading => {
                self.state = State::Stopping(cut);
                Vec::new()
            }
            State::Resting => {
                self.state = State::Off(cut);
                vec![Output::Ask(Ask::AllOff)]
            }
            State::Stopping(_) | State::Off(_) | State::Over => Vec::new(),
        }
    }

    fn tick(&mut self, now: Duration) -> Vec<Output> {
        match self.state {
            State::Resting if !self.paused && now >= self.next_at => self.begin(now),
            State::Away { until, .. } if now >= until => self.given_up(now),
            State::Away { until, again: Some(at) } if now >= at => {
                self.state = State::Away { until, again: None };
                vec![Output::Ask(Ask::Return)]
            }
            _ => Vec::new(),
        }
    }

    fn pause(&mut self, now: Duration) -> Vec<Output> {
        self.paused = !self.paused;
        let mut outputs = vec![self.tell(Watched::Paused(self.paused))];
        if !self.paused && self.state == State::Resting {
            outputs.extend(self.begin(now));
        }
        outputs
    }

    /// The next analog channel, and after the last one none.
    fn choose(&mut self) -> Vec<Output> {
        let from = self.codes.take().map_or(0, |c| c.channel + 1);
        let analog = |&c: &usize| self.board.channels[c].kind == Kind::Analog;
        let channel = (from..self.board.channels.len()).find(analog);
        self.codes = channel.map(|channel| Codes { channel, counts: BTreeMap::new() });
        self.counted_as = None;
        vec![self.tell(Watched::Histogram(channel))]
    }
}

impl Procedure for Watcher {
    fn handle(&mut self, now: Duration, input: Input) -> Vec<Output> {
        match input {
            _ if self.over() => Vec::new(),
            Input::Start if self.state == State::New => {
                self.began = now;
                self.state = State::Greeting;
                vec![Output::Ask(Ask::Who)]
            }
            Input::Answer(answer) => self.answered(now, answer),
            Input::Tick => self.tick(now),
            Input::Lost(why) => self.close(now, Some(Cut::Probe(why))),
            Input::Stop => self.stop(now, Some(Cut::Stopped)),
            Input::Key(Key::No) => self.pause(now),
            // One round at once, also while it is paused.
            Input::Key(Key::Yes) if self.state == State::Resting => self.begin(now),
            // A view asks nothing of anybody.
            Input::Start | Input::Key(_) | Input::Typed(_) | Input::Ran(_) | Input::NoKeys => {
                Vec::new()
            }
        }
    }

    fn letter(&mut self, now: Duration, letter: char) -> Vec<Output> {
        match letter {
            _ if self.over() => Vec::new(),
            'p' => self.pause(now),
            'h' => self.choose(),
            'r' => {
                self.recording = !self.recording;
                vec![self.tell(Watched::Recording(self.recording))]
            }
            'q' => self.stop(now, None),
            _ => Vec::new(),
        }
    }

    fn gone(&mut self, now: Duration, why: &str) -> Vec<Output> {
        self.gone = Some(format!("the port is gone ({why})"));
        if self.state == State::Resting { self.silent(now) } else { Vec::new() }
    }

    fn wake_at(&self) -> Option<Duration> {
        match self.state {
            State::Resting if !self.paused => Some(self.next_at),
            State::Away { until, again } => Some(again.map_or(until, |at| at.min(until))),
            _ => None,
        }
    }

    fn over(&self) -> bool {
        self.state == State::Over
    }

    /// A probe that has been met is waited for when it goes away.
    fn may_be_silent(&self) -> bool {
        !matches!(self.state, State::New | State::Greeting | State::Over)
    }
}
