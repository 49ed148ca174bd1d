//! The procedure itself: greet the probe, lead through the moves, measure, ask, load, close.
//!
//! Here is the frame: the states, and how time and inputs reach them. What an answer of the probe
//! does is in `answers`, what a key does in `keys`, what a reset of the probe does in `reset`. What
//! happens in a step is in `step`, in a question in `question`, under load in `load`, before the
//! power is on in `rails` and `meter`, of the supply itself in `supply`, with the maker's own
//! commands in `command`, after an earlier run was cut short in `resume`, with faults made on
//! purpose in `on_purpose`.

mod answers;
mod command;
mod fuses;
mod identity;
mod keys;
mod load;
mod meter;
mod on_purpose;
mod power;
mod question;
mod rails;
mod reset;
mod resume;
mod step;
mod supply;

use super::evidence::Watch;
use super::judge::Readings;
use super::resume::{Earlier, Patterns};
use super::shape::Shape;
use super::supply::{By, Known};
use super::sweep::{BURST, Got, Keep, Sweep};
use super::tally::Tally;
use super::{
    Answer, Ask, Boot, Burst, Check, Cut, Design, Event, Input, Key, MovedBy, Output, ProbeInfo,
    Procedure, Prompt, SagByMeter, Shunts, StepAt, SupplyCheck, SwitchedOn, UnitId, Verdict,
    probe_problem,
};
use crate::board::{Board, Kind};
use crate::units::{Ohms, Volts};
use crate::walk::{Move, Walk};
use crate::window::Windows;
use load::Sagging;
use meter::Metering;
use on_purpose::Deed;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;
use supply::Volting;

/// What may be set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Config {
    /// How long a pattern must stand to be believed.
    pub still: Duration,
    /// Pause between two glances while a shunt moves.
    pub pause: Duration,
    /// Whether faults are made on purpose at the end, on a unit that is known to be good.
    pub on_purpose: bool,
}

impl Default for Config {
    fn default() -> Config {
        Config {
            still: Duration::from_millis(500),
            pause: Duration::from_millis(30),
            on_purpose: false,
        }
    }
}

/// How often the probe is asked while nothing else is, so that it does not take silence for the end.
const HEARTBEAT: Duration = Duration::from_millis(800);

/// How far the probe's clock may fall behind ours for the time that messages take.
const CLOCKS_APART: Duration = Duration::from_millis(500);

/// How often a step is begun before the unit is given up.
const MOST_ATTEMPTS: u32 = 3;

/// What to do about a probe that does not stay up.
const STEADY_FIRST: &str = "look at the supply, the cable and what resets the chip";

/// What the bench is doing.
#[derive(Debug)]
enum State {
    New,
    Rails { tries: u8, doubted: Option<Ohms> },
    Metering { at: Metering },
    Greeting,
    Keeping { found: ProbeInfo },
    Owning { found: ProbeInfo },
    Renaming { found: ProbeInfo },
    Fuses,
    Preparing { sweep: Sweep, then: After },
    Ready { prompt: Prompt },
    Resuming { sweep: Sweep, patterns: Patterns },
    OnPurpose { turn: usize, deed: Deed, sweep: Sweep },
    Volting { at: Volting },
    Supplying { sweep: Sweep, by: By, asked: Option<Volting> },
    Cycling { silent: bool, next: Duration },
    Moving { watch: Box<Watch>, sweep: Option<Sweep>, next: Duration },
    Measuring { sweep: Sweep, first: Got, rounds: u8 },
    Asking { question: usize, left: VecDeque<usize>, sweep: Sweep, next: Duration },
    Answering { question: usize, yes: bool, left: VecDeque<usize>, sweep: Sweep },
    Presence { sweep: Sweep },
    Idling { turn: usize, sweep: Sweep },
    Switching { turn: usize, sweep: Sweep, idle: Option<Burst> },
    Loading { turn: usize, sweep: Sweep, idle: Option<Burst>, step: Option<SwitchedOn> },
    Sagging { asked: Box<Sagging>, sweep: Sweep, next: Duration },
    Unloading { turn: usize, got: Box<Got>, by_meter: Option<SagByMeter>, sweep: Sweep },
    Ending { cut: Option<Cut>, asked: bool },
    PuttingBack { cut: Option<Cut> },
    Running,
    Over,
}

impl State {
    /// The sweep in hand.
    fn sweep(&mut self) -> Option<&mut Sweep> {
        match self {
            State::Preparing { sweep, .. }
            | State::Supplying { sweep, .. }
            | State::Resuming { sweep, .. }
            | State::OnPurpose { sweep, .. }
            | State::Measuring { sweep, .. }
            | State::Asking { sweep, .. }
            | State::Answering { sweep, .. }
            | State::Presence { sweep }
            | State::Idling { sweep, .. }
            | State::Switching { sweep, .. }
            | State::Sagging { sweep, .. }
            | State::Unloading { sweep, .. }
            | State::Loading { sweep, .. }
            | State::Moving { sweep: Some(sweep), .. } => Some(sweep),
            _ => None,
        }
    }
}

/// Where to go on after the probe has been prepared.
#[derive(Clone, Copy, Debug, PartialEq)]
enum After {
    Cautions,
    Supply,
    Step,
    Powered,
    Load(usize),
}

/// The bench, running one unit.
#[derive(Debug)]
pub struct Bench {
    board: Arc<Design>,
    windows: Arc<Windows>,
    walk: Arc<Walk>,
    unit: UnitId,
    config: Config,
    state: State,
    step: usize,
    attempt: u32,
    moved_by: Option<MovedBy>,
    /// What the chip is known by; empty when it keeps nothing.
    identity: String,
    boot: Option<Boot>,
    /// When the boot was last looked at.
    boot_seen: Duration,
    asked: Vec<bool>,
    /// The number that the chip came with; empty when it had none.
    came_with: String,
    /// The attempt to go on from, and whether values by meter were taken over from it.
    earlier: Option<Earlier>,
    took_values: bool,
    /// Whether the shunts were put as the sequence begins before the power was on.
    at_base: bool,
    /// What every channel looked like when it was last read in a step that stands, and in the last
    /// look at this one.
    last: Vec<Shape>,
    glance: Vec<Shape>,
    /// Driven proofs of the last step, good for the same setting under load.
    proofs: BTreeMap<usize, Readings>,
    /// What was known of the supply before the run.
    known: Known,
    /// The chip's internal reference, where a meter has told it.
    reference: Option<Volts>,
    /// The supply without load, as a meter showed it.
    idle_by_meter: Option<Volts>,
    /// A value typed while an answer was under way.
    typed_ahead: Option<String>,
    /// A load that drew too much alone.
    too_much: Option<usize>,
    tally: Tally,
    began: Duration,
    waiting: bool,
    /// Whether the probe has been flashed in this run, and what it replaced saved.
    flashed: bool,
    saved: bool,
    /// Why it ends while a command is still run, and how the test had ended before it.
    stopping: Option<Cut>,
    ending: Option<Cut>,
    /// A key pressed while an answer was under way.
    keyed: Option<Key>,
    out: Vec<Output>,
}

impl Bench {
    /// A bench for one unit of `board`, led through `walk`.
    pub fn new(
        board: Arc<Board>,
        windows: Arc<Windows>,
        walk: Arc<Walk>,
        unit: UnitId,
        config: Config,
    ) -> Bench {
        Bench::of(Arc::new(Design::new(board, windows)), walk, unit, config)
    }

    /// The same for a design that other units have been tested by already.
    pub fn of(board: Arc<Design>, walk: Arc<Walk>, unit: UnitId, config: Config) -> Bench {
        let windows = board.windows().clone();
        let asked = vec![false; board.questions.len()];
        let unseen = vec![Shape::Unknown; board.channels.len()];
        Bench {
            board,
            windows,
            walk,
            unit,
            config,
            state: State::New,
            step: 0,
            attempt: 1,
            moved_by: None,
            identity: String::new(),
            boot: None,
            boot_seen: Duration::ZERO,
            asked,
            came_with: String::new(),
            earlier: None,
            took_values: false,
            at_base: false,
            last: unseen.clone(),
            glance: unseen,
            proofs: BTreeMap::new(),
            known: Known::default(),
            reference: None,
            idle_by_meter: None,
            typed_ahead: None,
            too_much: None,
            tally: Tally::default(),
            began: Duration::ZERO,
            waiting: false,
            flashed: false,
            saved: false,
            stopping: None,
            ending: None,
            keyed: None,
            out: Vec::new(),
        }
    }

    fn ask(&mut self, ask: Ask) {
        self.waiting = true;
        self.out.push(Output::Ask(ask));
    }

    fn tell(&mut self, event: Event) {
        self.out.push(Output::Event(event));
    }

    fn prompt(&mut self, prompt: Prompt) {
        // A key pressed before this was asked answers something else.
        self.keyed = None;
        let (at, steps) = (self.at(), self.walk.steps.len());
        self.tell(Event::Prompt { at, steps, prompt });
    }

    fn at(&self) -> StepAt {
        if let State::Metering { at } = self.state {
            return self.at_meter(at);
        }
        let step = &self.walk.steps[self.step.min(self.walk.steps.len() - 1)];
        StepAt {
            step: self.step,
            attempt: self.attempt,
            setting: step.setting.clone(),
            moved: step.made.map(|m| (m.jumper, m.to)),
            moved_by: self.moved_by,
        }
    }

    fn stop(&mut self, now: Duration, cut: Cut) {
        if self.over() || matches!(self.state, State::Ending { .. } | State::PuttingBack { .. }) {
            return;
        }
        if self.stopped_beside_the_probe(now, &cut) {
            return;
        }
        if self.before_power() {
            // Nobody is there who could switch anything off.
            return self.close(now, Some(cut));
        }
        // An answer may still be under way; it is followed by switching everything off.
        let under_way = self.waiting;
        self.end(Some(cut), under_way);
    }

    /// Everything off, then the end.
    fn end(&mut self, cut: Option<Cut>, under_way: bool) {
        self.state = State::Ending { cut, asked: !under_way };
        if !under_way {
            self.ask(Ask::AllOff);
        }
    }

    fn tick(&mut self, now: Duration) {
        if self.waiting {
            return;
        }
        let board = self.board.clone();
        match &mut self.state {
            State::Moving { watch, sweep, next } if sweep.is_none() && now >= *next => {
                let mut glance = Sweep::new();
                for channel in watch.glances(&board) {
                    glance = glance.glance(&board, channel);
                }
                *sweep = Some(glance.ask(Ask::Boot, Keep::Boot));
                self.go_on(now);
            }
            State::Cycling { next, .. } if now >= *next => self.ask(Ask::Return),
            State::Asking { sweep, next, .. } | State::Sagging { sweep, next, .. }
                if sweep.done() && now >= *next =>
            {
                *next = now + HEARTBEAT;
                *sweep = Sweep::new().ask(Ask::Boot, Keep::Boot);
                self.go_on(now);
            }
            _ => {}
        }
    }

    /// Says why the unit is tested again, and holds it where it may not pass.
    fn tell_retest(&mut self) {
        let Some(retest) = self.unit.retest.clone() else { return };
        if let Some(held) = &retest.held {
            let reason = format!("{held}: a named person's release, or a repair, ends that");
            self.tally.hold(reason);
        }
        self.tell(Event::Retest(retest));
    }

    /// Says so where this unit leaves otherwise than the board file has it.
    fn tell_delivery(&mut self) {
        let last = self.walk.steps.last().map(|step| step.setting.clone());
        if let Some(setting) = last.filter(|s| *s != self.board.delivery) {
            self.tell(Event::Delivery(setting));
        }
    }

    fn greet(&mut self) {
        self.state = State::Greeting;
        self.ask(Ask::Who);
    }

    fn wait_for_key(&mut self, prompt: Prompt) {
        self.prompt(prompt.clone());
        self.state = State::Ready { prompt };
    }

    fn next_step(&mut self, now: Duration) {
        self.step += 1;
        self.attempt = 1;
        if self.step < self.walk.steps.len() {
            self.begin_step(now);
        } else {
            self.step = self.walk.steps.len() - 1;
            self.count_unasked();
            self.begin_presence(now);
        }
    }
}

impl Procedure for Bench {
    fn over(&self) -> bool {
        matches!(self.state, State::Over)
    }

    fn wake_at(&self) -> Option<Duration> {
        if self.waiting {
            return None;
        }
        match &self.state {
            State::Moving { sweep: None, next, .. } | State::Cycling { next, .. } => Some(*next),
            State::Asking { sweep, next, .. } | State::Sagging { sweep, next, .. }
                if sweep.done() =>
            {
                Some(*next)
            }
            _ => None,
        }
    }

    fn may_be_silent(&self) -> bool {
        matches!(self.state, State::Cycling { .. })
            || self.before_power()
            || self.beside_the_probe()
    }

    fn remark(&mut self, _: Duration, text: &str) -> Vec<Output> {
        if self.over() {
            return Vec::new();
        }
        let (at, text) = (self.at(), text.to_string());
        vec![Output::Event(Event::Remark { at, text })]
    }

    fn wants_text(&self) -> bool {
        matches!(
            self.state,
            State::Metering { .. }
                | State::Rails { .. }
                | State::Volting { .. }
                | State::Sagging { .. }
        )
    }

    fn wants_key(&self) -> bool {
        match &self.state {
            State::Ready { .. } | State::Asking { .. } => true,
            State::Moving { watch, .. } => watch.takes_a_word(),
            _ => false,
        }
    }

    fn handle(&mut self, now: Duration, input: Input) -> Vec<Output> {
        match input {
            Input::Start if matches!(self.state, State::New) => {
                self.began = now;
                if !self.unit.note.is_empty() {
                    self.tell(Event::Note(self.unit.note.clone()));
                }
                self.tell_retest();
                self.tell_delivery();
                match self.metered() {
                    true => self.wait_for_key(Prompt::Cautions),
                    false => self.greet(),
                }
            }
            Input::Start => {}
            Input::Answer(answer) => {
                self.waiting = false;
                self.answer(now, answer);
                if !self.waiting
                    && let Some(key) = self.keyed.take()
                {
                    self.key(now, key);
                }
            }
            Input::Key(key) => self.key(now, key),
            Input::Typed(text) => match self.state {
                State::Volting { .. } => self.volts_typed(now, &text),
                State::Sagging { .. } => self.sag_typed(now, &text),
                _ => self.typed(now, &text),
            },
            Input::Ran(ran) => self.ran(now, ran),
            Input::Tick => self.tick(now),
            Input::Lost(why) => {
                self.waiting = false;
                match self.state {
                    State::Over => {}
                    State::Greeting => self.no_probe_there(now, why),
                    // What goes away then is not missed.
                    _ if self.beside_the_probe() => {}
                    _ => self.close(now, Some(Cut::Probe(why))),
                }
            }
            Input::Stop => self.stop(now, Cut::Stopped),
            Input::NoKeys => self.stop(now, Cut::NoKeys),
        }
        std::mem::take(&mut self.out)
    }
}
