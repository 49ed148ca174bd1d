//! The procedure itself: greet the probe, lead through the moves, measure, ask, load, close.
//!
//! Here is the frame: the states, how answers and time reach them, and what a reset of the probe
//! does; what a key does is in `keys`. What happens in a step is in `step`, in a question in
//! `question`, under load in `load`, before the power is on in `rails` and `meter`, of the supply
//! itself in `supply`, with the maker's own commands in `command`, after an earlier run was cut short
//! in `resume`, with faults made on purpose in `on_purpose`.

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
    Procedure, Prompt, Shunts, StepAt, SupplyCheck, UnitId, Verdict, probe_problem,
};
use crate::board::{Board, Kind};
use crate::units::{Ohms, Volts};
use crate::walk::{Move, Walk};
use crate::window::Windows;
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
    Idling { turn: usize, sweep: Sweep },
    Loading { turn: usize, sweep: Sweep, idle: Option<Burst> },
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
            | State::Idling { sweep, .. }
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
            State::Asking { sweep, next, .. } if sweep.done() && now >= *next => {
                *next = now + HEARTBEAT;
                *sweep = Sweep::new().ask(Ask::Boot, Keep::Boot);
                self.go_on(now);
            }
            _ => {}
        }
    }

    /// Asks what the sweep in hand wants next, or takes what it has read.
    fn go_on(&mut self, now: Duration) {
        let Some(sweep) = self.state.sweep() else { return };
        match sweep.next() {
            Some(ask) => self.ask(ask),
            None => self.swept(now),
        }
    }

    fn answer(&mut self, now: Duration, answer: Answer) {
        if self.asks_who_is_there() {
            return match std::mem::replace(&mut self.state, State::Over) {
                State::Keeping { found } => self.kept(now, answer, found),
                State::Owning { found } => self.owned(now, answer, found),
                State::Renaming { found } => self.renamed(now, answer, found),
                State::Fuses => self.fuses_read(now, answer),
                State::PuttingBack { cut } => self.was_put_back(now, answer, cut),
                State::Cycling { silent, .. } => self.called(now, answer, silent),
                _ => self.greeted(now, answer),
            };
        }
        if let State::Ending { cut, asked } = &mut self.state {
            let cut = cut.take();
            return if *asked { self.put_back(now, cut) } else { self.end(cut, false) };
        }
        let Some(sweep) = self.state.sweep() else { return };
        sweep.answer(answer);
        self.go_on(now);
    }

    fn asks_who_is_there(&self) -> bool {
        matches!(
            self.state,
            State::Greeting
                | State::Keeping { .. }
                | State::Owning { .. }
                | State::Renaming { .. }
                | State::Fuses
                | State::PuttingBack { .. }
                | State::Cycling { .. }
        )
    }

    fn prepare(&mut self, now: Duration, then: After) {
        let sweep = Sweep::new().ask(Ask::Prepare, Keep::No).ask(Ask::Boot, Keep::Boot);
        self.state = State::Preparing { sweep, then };
        self.go_on(now);
    }

    /// Whether the probe has been reset since the last look; the new boot is taken over.
    ///
    /// A boot that is not counted shows by its clock alone: it must have gone on as ours has.
    fn rebooted(&mut self, now: Duration, got: &Got) -> bool {
        let Some(boot) = got.boot.clone() else { return true };
        let passed = now.saturating_sub(self.boot_seen);
        let reset = self.boot.as_ref().is_some_and(|old| {
            let expected = Duration::from_millis(u64::from(old.uptime_ms)) + passed.mul_f64(0.95);
            let uptime = Duration::from_millis(u64::from(boot.uptime_ms));
            old.count != boot.count || uptime + CLOCKS_APART < expected
        });
        self.take_boot(now, Some(boot.clone()));
        if reset {
            self.tell(Event::Rebooted(boot));
        }
        reset
    }

    fn take_boot(&mut self, now: Duration, boot: Option<Boot>) {
        self.boot = boot;
        self.boot_seen = now;
    }

    /// A sweep has been worked off.
    fn swept(&mut self, now: Duration) {
        let state = std::mem::replace(&mut self.state, State::Over);
        match state {
            State::Preparing { sweep, then } => self.prepared(now, &sweep, then),
            State::Supplying { sweep, by, asked } => {
                self.supply_read(now, sweep.got(), by, asked);
            }
            State::OnPurpose { turn, deed, sweep } => {
                self.looked_at_deed(now, turn, deed, sweep.got());
            }
            State::Resuming { sweep, patterns } => {
                self.looked_as_it_was(now, sweep.got(), &patterns);
            }
            State::Moving { watch, sweep: Some(sweep), .. } => {
                self.glanced(now, watch, sweep.got());
            }
            State::Measuring { sweep, first, rounds } => {
                self.measured(now, sweep.got().clone(), first, rounds);
            }
            State::Asking { question, left, sweep, next } => {
                let heartbeat = sweep.got().boot.is_some();
                let got = sweep.got().clone();
                let reset = heartbeat && self.rebooted(now, &got);
                self.state = State::Asking { question, left, sweep, next };
                if reset {
                    self.void_by_reset(now);
                } else if !heartbeat {
                    // Asked only now that the switches are closed: there is something to see.
                    self.prompt(Prompt::Question { question });
                }
            }
            State::Answering { question, yes, left, sweep } => {
                // Of a probe that was reset nobody knows what the operator saw.
                if self.rebooted(now, sweep.got()) {
                    return self.void_by_reset(now);
                }
                // Nor of what had gone off by itself before the answer.
                if let Some(refused) = sweep.got().refused.first() {
                    let why = format!("the question was not seen to its end: {refused}");
                    return self.void(now, &why);
                }
                self.count_answer(question, yes);
                self.ask_next_question(now, left);
            }
            State::Idling { turn, sweep } => self.idled(now, turn, sweep.got()),
            State::Loading { turn, sweep, idle } => {
                self.loaded(now, turn, sweep.got().clone(), idle);
            }
            other => self.state = other,
        }
    }

    fn prepared(&mut self, now: Duration, sweep: &Sweep, then: After) {
        if let Some(refused) = sweep.got().refused.first() {
            let why = format!("the probe refused the board file's pins: {refused}");
            return self.close(now, Some(Cut::Probe(why)));
        }
        if then != After::Cautions {
            // A second reset right away is found by the next look.
            self.take_boot(now, sweep.got().boot.clone());
        } else {
            self.rebooted(now, sweep.got());
        }
        match then {
            // They were told before the meter came out.
            After::Cautions if self.metered() => self.begin_supply(now),
            After::Cautions => self.wait_for_key(Prompt::Cautions),
            After::Supply => self.begin_supply(now),
            After::Step => self.begin_step(now),
            After::Powered => self.powered(now),
            After::Load(turn) => self.begin_load(now, turn),
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
            self.begin_load(now, 0);
        }
    }

    /// The probe was reset: what was read in this step is void, and it is done again.
    fn void_by_reset(&mut self, now: Duration) {
        let why = format!("the probe was reset ({})", self.reset_cause());
        self.void(now, &why);
    }

    /// What was read in this step is void, and it is done again; not for ever.
    fn void(&mut self, now: Duration, why: &str) {
        let at = self.at();
        if self.attempt >= MOST_ATTEMPTS {
            let why = format!("{why}, {MOST_ATTEMPTS} times in one step: {STEADY_FIRST}");
            self.tell(Event::Voided { at, why: why.clone() });
            return self.end(Some(Cut::Probe(why)), false);
        }
        self.tell(Event::Voided { at, why: format!("{why}; the step is done again") });
        self.attempt += 1;
        self.prepare(now, After::Step);
    }

    fn reset_cause(&self) -> &str {
        self.boot.as_ref().map_or("UNKNOWN", |b| b.cause.as_str())
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
            State::Asking { sweep, next, .. } if sweep.done() => Some(*next),
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
        matches!(self.state, State::Metering { .. } | State::Rails { .. } | State::Volting { .. })
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
