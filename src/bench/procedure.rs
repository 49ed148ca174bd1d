//! The procedure itself: greet the probe, lead through the moves, measure, ask, load, close.

use super::evidence::{self, Sight, Telling, Watch};
use super::judge::{self, Readings};
use super::sweep::{BURST, Got, Keep, Sweep};
use super::tally::Tally;
use super::{
    Answer, Ask, Boot, Burst, Check, Cut, Event, Input, Key, MovedBy, Output, Procedure, Prompt,
    StepAt, SupplyCheck, Verdict, probe_problem, sag,
};
use crate::board::{Board, Kind};
use crate::circuit;
use crate::walk::Walk;
use crate::window::Windows;
use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

/// What may be set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Config {
    /// How long a pattern must stand to be believed.
    pub still: Duration,
    /// Pause between two glances while a shunt moves.
    pub pause: Duration,
}

impl Default for Config {
    fn default() -> Config {
        Config { still: Duration::from_millis(500), pause: Duration::from_millis(30) }
    }
}

/// How often the probe is asked while nothing else is, so that it does not take silence for the end.
const HEARTBEAT: Duration = Duration::from_millis(800);

/// How far the probe's clock may fall behind ours for the time that messages take.
const CLOCKS_APART: Duration = Duration::from_millis(500);

/// What the bench is doing.
#[derive(Debug)]
enum State {
    New,
    Greeting,
    Preparing { sweep: Sweep, then: After },
    Ready { prompt: Prompt },
    Moving { watch: Box<Watch>, sweep: Option<Sweep>, next: Duration },
    Measuring { sweep: Sweep, first: Got, rounds: u8 },
    Asking { question: usize, left: VecDeque<usize>, sweep: Sweep, next: Duration },
    Answering { question: usize, yes: bool, left: VecDeque<usize>, sweep: Sweep },
    Idling { load: usize, sweep: Sweep },
    Loading { load: usize, sweep: Sweep, idle: Option<Burst> },
    Ending { cut: Option<Cut>, asked: bool },
    Over,
}

/// Where to go on after the probe has been prepared.
#[derive(Clone, Copy, Debug, PartialEq)]
enum After {
    Cautions,
    Step,
    Load(usize),
}

/// The bench, running one unit.
#[derive(Debug)]
pub struct Bench {
    board: Arc<Board>,
    windows: Arc<Windows>,
    walk: Walk,
    config: Config,
    /// Channels that each jumper has a part in.
    sees: Vec<Vec<usize>>,
    state: State,
    step: usize,
    attempt: u32,
    moved_by: Option<MovedBy>,
    boot: Option<Boot>,
    /// When the boot was last looked at.
    boot_seen: Duration,
    asked: Vec<bool>,
    /// Driven proofs of the last step, good for the same setting under load.
    proofs: BTreeMap<usize, Readings>,
    tally: Tally,
    began: Duration,
    waiting: bool,
    /// A key pressed while an answer was under way.
    keyed: Option<Key>,
    out: Vec<Output>,
}

impl Bench {
    /// A bench for one unit of `board`, led through `walk`.
    pub fn new(board: Arc<Board>, windows: Arc<Windows>, walk: Walk, config: Config) -> Bench {
        let groups = circuit::groups(&board);
        let sees = (0..board.jumpers.len())
            .map(|jumper| {
                let nets = groups.iter().filter(|g| g.jumpers.contains(&jumper));
                let nets: Vec<_> = nets.flat_map(|g| g.nets.iter().copied()).collect();
                let with = |&c: &usize| nets.contains(&board.channels[c].net);
                (0..board.channels.len()).filter(with).collect()
            })
            .collect();
        let asked = vec![false; board.questions.len()];
        Bench {
            board,
            windows,
            walk,
            config,
            sees,
            state: State::New,
            step: 0,
            attempt: 1,
            moved_by: None,
            boot: None,
            boot_seen: Duration::ZERO,
            asked,
            proofs: BTreeMap::new(),
            tally: Tally::default(),
            began: Duration::ZERO,
            waiting: false,
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
        let step = &self.walk.steps[self.step.min(self.walk.steps.len() - 1)];
        StepAt {
            step: self.step,
            attempt: self.attempt,
            setting: step.setting.clone(),
            moved: step.made.map(|m| (m.jumper, m.to)),
            moved_by: self.moved_by,
        }
    }

    fn close(&mut self, now: Duration, cut: Option<Cut>) {
        let tally = std::mem::take(&mut self.tally);
        self.state = State::Over;
        let summary = tally.close(cut, now.saturating_sub(self.began));
        self.tell(Event::Finished(summary));
    }

    fn stop(&mut self) {
        if self.over() || matches!(self.state, State::Ending { .. }) {
            return;
        }
        // An answer may still be under way; it is followed by switching everything off.
        let under_way = self.waiting;
        self.end(Some(Cut::Stopped), under_way);
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
        let step = &self.walk.steps[self.step.min(self.walk.steps.len() - 1)];
        let channels = step.made.map_or(&[][..], |m| &self.sees[m.jumper]);
        match &mut self.state {
            State::Moving { sweep, next, .. } if sweep.is_none() && now >= *next => {
                let mut glance = Sweep::new();
                for &channel in channels {
                    glance = glance.glance(&board, channel);
                }
                *sweep = Some(glance.ask(Ask::Boot, Keep::Boot));
                self.go_on(now);
            }
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
        let sweep = match &self.state {
            State::Preparing { sweep, .. }
            | State::Measuring { sweep, .. }
            | State::Asking { sweep, .. }
            | State::Answering { sweep, .. }
            | State::Idling { sweep, .. }
            | State::Loading { sweep, .. }
            | State::Moving { sweep: Some(sweep), .. } => sweep,
            _ => return,
        };
        match sweep.next() {
            Some(ask) => self.ask(ask),
            None => self.swept(now),
        }
    }

    fn answer(&mut self, now: Duration, answer: Answer) {
        match &mut self.state {
            State::Greeting => return self.greeted(now, answer),
            State::Ending { cut, asked } => {
                let cut = cut.take();
                return if *asked { self.close(now, cut) } else { self.end(cut, false) };
            }
            State::Preparing { sweep, .. }
            | State::Measuring { sweep, .. }
            | State::Asking { sweep, .. }
            | State::Answering { sweep, .. }
            | State::Idling { sweep, .. }
            | State::Loading { sweep, .. }
            | State::Moving { sweep: Some(sweep), .. } => sweep.answer(answer),
            _ => return,
        }
        self.go_on(now);
    }

    fn greeted(&mut self, now: Duration, answer: Answer) {
        if let Some(why) = probe_problem(&self.board, &answer) {
            return self.close(now, Some(Cut::Probe(why)));
        }
        let Answer::Who(info) = answer else { return };
        self.take_boot(now, Some(info.boot.clone()));
        self.tell(Event::Probe(info));
        self.prepare(now, After::Cautions);
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
                    self.void(now);
                } else if !heartbeat {
                    // Asked only now that the switches are closed: there is something to see.
                    self.prompt(Prompt::Question { question });
                }
            }
            State::Answering { question, yes, left, sweep } => {
                // Of a probe that was reset nobody knows what the operator saw.
                if self.rebooted(now, sweep.got()) {
                    return self.void(now);
                }
                self.count_answer(question, yes);
                self.ask_next_question(now, left);
            }
            State::Idling { load, sweep } => {
                let (idle, sweep) = (sweep.got().supply, self.load_sweep(load));
                self.state = State::Loading { load, sweep, idle };
                self.go_on(now);
            }
            State::Loading { load, sweep, idle } => {
                self.loaded(now, load, sweep.got().clone(), idle);
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
            After::Cautions => self.wait_for_key(Prompt::Cautions),
            After::Step => self.begin_step(now),
            After::Load(load) => self.begin_load(now, load),
        }
    }

    fn wait_for_key(&mut self, prompt: Prompt) {
        self.prompt(prompt.clone());
        self.state = State::Ready { prompt };
    }

    fn begin_step(&mut self, now: Duration) {
        self.moved_by = None;
        let step = self.walk.steps[self.step].clone();
        let Some(made) = step.made else {
            return match self.step {
                0 => self.wait_for_key(Prompt::Clear),
                _ => {
                    self.prompt(Prompt::HandsOff);
                    self.measure(now);
                }
            };
        };
        let channels = &self.sees[made.jumper];
        let still = self.config.still;
        let watch = Watch::new(&self.board, &self.windows, &step.setting, made, channels, still);
        let key_needed = watch.telling() == Telling::Key;
        let (jumper, from, to) = (made.jumper, made.from, made.to);
        self.prompt(Prompt::Move { jumper, from, to, key_needed });
        self.state = State::Moving { watch: Box::new(watch), sweep: None, next: now };
    }

    fn glanced(&mut self, now: Duration, mut watch: Box<Watch>, got: &Got) {
        if self.rebooted(now, got) {
            return self.void(now);
        }
        if !got.channels.is_empty() {
            let live = evidence::live(&self.board, &self.windows, got);
            self.tell(Event::Live(live));
        }
        let jumper = watch.jumper();
        let next = now + self.config.pause;
        match watch.look(now, &self.board, &self.windows, got) {
            Sight::Believed(by) => return self.moved(now, by),
            Sight::Doubt(reads_as) => {
                let step = &self.walk.steps[self.step];
                let asked = step.setting.0[jumper];
                self.prompt(Prompt::Doubt { jumper, asked, reads_as });
            }
            Sight::Unstable => self.prompt(Prompt::Unstable { jumper }),
            Sight::Wait => {}
        }
        self.state = State::Moving { watch, sweep: None, next };
    }

    fn moved(&mut self, now: Duration, by: MovedBy) {
        self.moved_by = Some(by);
        let at = self.at();
        self.tell(Event::Moved(at));
        self.measure(now);
    }

    /// Channels that a step must judge: those of the jumper moved; all of them first and last. A
    /// setting that stands for no option is not judged.
    fn channels(&self) -> Vec<usize> {
        let step = &self.walk.steps[self.step];
        let all: Vec<usize> = (0..self.board.channels.len()).collect();
        let channels = step.made.map_or(all, |m| self.sees[m.jumper].clone());
        let stands =
            |&c: &usize| self.windows.channels[c].class_of_setting(&step.setting).is_some();
        channels.into_iter().filter(stands).collect()
    }

    fn measure(&mut self, now: Duration) {
        let mut sweep = Sweep::new();
        for channel in self.channels() {
            sweep = sweep.measure(&self.board, channel);
        }
        let sweep = sweep.ask(Ask::Boot, Keep::Boot);
        self.state = State::Measuring { sweep, first: Got::default(), rounds: 0 };
        self.go_on(now);
    }

    fn judge(&self, got: &Got, channel: usize, on: &[String]) -> Vec<Check> {
        let setting = &self.walk.steps[self.step.min(self.walk.steps.len() - 1)].setting;
        let readings = got.channels.get(&channel).cloned().unwrap_or_default();
        judge::channel(&self.board, &self.windows, setting, channel, on, &readings)
    }

    fn closed_for(&self, channel: usize) -> Vec<String> {
        let closes = &self.board.channels[channel].closes;
        closes.iter().map(|&s| self.board.switches[s].id.clone()).collect()
    }

    fn measured(&mut self, now: Duration, got: Got, first: Got, rounds: u8) {
        if self.rebooted(now, &got) {
            return self.void(now);
        }
        let got = if rounds == 0 { got } else { self.worse(first, got) };
        if rounds < 2 {
            let near: Vec<usize> =
                got.channels.keys().copied().filter(|&c| self.near(&got, c)).collect();
            if !near.is_empty() {
                let mut sweep = Sweep::new();
                for channel in near {
                    sweep = sweep.again(&self.board, channel);
                }
                let sweep = sweep.ask(Ask::Boot, Keep::Boot);
                self.state = State::Measuring { sweep, first: got, rounds: rounds + 1 };
                return self.go_on(now);
            }
        }
        for refused in &got.refused {
            self.tally.count(Verdict::NotTested, "probe", || refused.clone());
        }
        self.tell_checks(&got);
        self.proofs = got.channels;
        let holds = |(i, q): (usize, &crate::board::Question)| {
            let setting = &self.walk.steps[self.step].setting;
            let now = !self.asked[i] && q.when.iter().all(|&(j, p)| setting.0[j] == p);
            now.then_some(i)
        };
        let left = self.board.questions.iter().enumerate().filter_map(holds).collect();
        self.ask_next_question(now, left);
    }

    /// Whether a channel's reading lies so near a limit that two more bursts are wanted.
    fn near(&self, got: &Got, channel: usize) -> bool {
        self.judge(got, channel, &[]).iter().any(|c| {
            c.mode == super::Mode::Mean
                && c.margin_code.zip(c.u_code).is_some_and(|(m, u)| m.abs() < judge::NEAR * u)
        })
    }

    /// The readings with, for each channel, the burst that leaves the smaller margin.
    fn worse(&self, mut first: Got, again: Got) -> Got {
        for (channel, readings) in again.channels {
            let mut second = first.clone();
            second.channels.entry(channel).or_default().mean = readings.mean;
            let margin = |got: &Got| {
                let checks = self.judge(got, channel, &[]);
                checks.first().and_then(|c| c.margin_code).unwrap_or(f64::NEG_INFINITY)
            };
            if margin(&second) < margin(&first) {
                first = second;
            }
        }
        first
    }

    fn tell_checks(&mut self, got: &Got) {
        let at = self.at();
        let setting = at.setting.clone();
        for channel in self.channels() {
            let on = self.closed_for(channel);
            for check in self.judge(got, channel, &on) {
                self.tell_check(&at, check);
            }
            let rests = !on.is_empty() && self.board.channels[channel].kind == Kind::Analog;
            if rests {
                let burst = got.rest.get(&channel).copied();
                let check = judge::at_rest(&self.board, &setting, channel, burst);
                self.tell_check(&at, check);
            }
        }
    }

    fn tell_check(&mut self, at: &StepAt, check: Check) {
        self.tally.check(&self.board, at, &check);
        self.tell(Event::Check { at: at.clone(), check });
    }

    fn ask_next_question(&mut self, now: Duration, mut left: VecDeque<usize>) {
        let Some(question) = left.pop_front() else { return self.next_step(now) };
        let mut sweep = Sweep::new();
        for &switch in &self.board.questions[question].closes {
            sweep = sweep.ask(Ask::Switch { switch, on: true }, Keep::No);
        }
        self.state = State::Asking { question, left, sweep, next: now + HEARTBEAT };
        self.go_on(now);
    }

    fn answered(&mut self, now: Duration, question: usize, yes: bool, left: VecDeque<usize>) {
        let mut sweep = Sweep::new();
        for &switch in &self.board.questions[question].closes {
            sweep = sweep.ask(Ask::Switch { switch, on: false }, Keep::No);
        }
        let sweep = sweep.ask(Ask::Boot, Keep::Boot);
        self.state = State::Answering { question, yes, left, sweep };
        self.go_on(now);
    }

    fn count_answer(&mut self, question: usize, yes: bool) {
        self.asked[question] = true;
        let q = &self.board.questions[question];
        let verdict = if yes == q.expect { Verdict::Pass } else { Verdict::Fail };
        let said = if yes { "yes" } else { "no" };
        let reason = format!("{}: '{}' was answered {said}", q.id, q.ask);
        self.tally.count(verdict, &q.id, || reason.clone());
        let at = self.at();
        self.tell(Event::Answered { at, question, yes, verdict });
    }

    /// Questions that no step of the sequence came to are not tested.
    fn count_unasked(&mut self) {
        let left = self.board.questions.iter().zip(&self.asked).filter(|(_, asked)| !**asked);
        let left: Vec<String> = left.map(|(q, _)| q.id.clone()).collect();
        for id in left {
            let reason =
                format!("{id}: no step of the sequence has the setting that it is asked in");
            self.tally.count(Verdict::NotTested, &id, || reason.clone());
        }
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

    fn begin_load(&mut self, now: Duration, load: usize) {
        if load >= self.board.loads.len() {
            return self.end(None, false);
        }
        let sweep = Sweep::new().ask(Ask::Supply { n: BURST }, Keep::Supply);
        self.state = State::Idling { load, sweep };
        self.go_on(now);
    }

    fn load_sweep(&self, load: usize) -> Sweep {
        let mut sweep = Sweep::new()
            .ask(Ask::Load { load, on: true }, Keep::No)
            // The first burst lets the current settle: motors start, filaments warm.
            .ask(Ask::Supply { n: BURST }, Keep::No)
            .ask(Ask::Supply { n: BURST }, Keep::Supply);
        for channel in self.channels() {
            sweep = match self.board.channels[channel].kind {
                Kind::Analog => sweep.again(&self.board, channel),
                Kind::Digital => sweep.glance(&self.board, channel),
            };
        }
        sweep.ask(Ask::Load { load, on: false }, Keep::No).ask(Ask::Boot, Keep::Boot)
    }

    fn loaded(&mut self, now: Duration, load: usize, mut got: Got, idle: Option<Burst>) {
        let refused = got.refused.first().cloned();
        if refused.is_some() {
            // Something was not as asked for while it was read: none of it counts.
            got.supply = None;
            got.channels.clear();
        }
        let at = self.at();
        let mut check = SupplyCheck {
            load,
            idle,
            loaded: got.supply,
            verdict: Verdict::NotTested,
            reason: refused.unwrap_or_default(),
        };
        let reset = self.rebooted(now, &got);
        if reset {
            let cause = self.boot.as_ref().map_or("UNKNOWN", |b| b.cause.as_str());
            check.verdict = Verdict::Fail;
            check.reason = format!("the probe was reset when it was switched on ({cause})");
        } else {
            check = sag::judge(&self.board, check);
        }
        self.tally.supply(&self.board, &check);
        self.tell(Event::Supply { at: at.clone(), check });
        if reset {
            return self.prepare(now, After::Load(load + 1));
        }
        self.tell_checks_under_load(&at, load, got);
        self.begin_load(now, load + 1);
    }

    fn tell_checks_under_load(&mut self, at: &StepAt, load: usize, mut got: Got) {
        for channel in self.channels() {
            if let (Some(readings), Some(proof)) =
                (got.channels.get_mut(&channel), self.proofs.get(&channel))
            {
                readings.charge = proof.charge;
                readings.pulled = proof.pulled;
                readings.level_pulled = proof.level_pulled;
            }
            let mut on = self.closed_for(channel);
            on.push(self.board.loads[load].id.clone());
            for check in self.judge(&got, channel, &on) {
                self.tell_check(at, check);
            }
        }
    }

    /// The probe was reset: what was read in this step is void, and it is done again.
    fn void(&mut self, now: Duration) {
        let cause = self.boot.as_ref().map_or("UNKNOWN", |b| b.cause.as_str());
        let why = format!("the probe was reset ({cause}); the step is done again");
        let at = self.at();
        self.tell(Event::Voided { at, why });
        self.attempt += 1;
        self.prepare(now, After::Step);
    }

    fn key(&mut self, now: Duration, key: Key) {
        if self.waiting {
            // Only these two wait for a key while they ask the probe.
            if matches!(self.state, State::Moving { .. } | State::Asking { .. }) {
                self.keyed = Some(key);
            }
            return;
        }
        let state = std::mem::replace(&mut self.state, State::Over);
        match (state, key) {
            (State::Ready { prompt: Prompt::Cautions }, Key::Yes) => self.begin_step(now),
            (State::Ready { .. }, Key::Yes) => self.moved(now, MovedBy::SaidSo),
            // Where the readings can tell, a word is taken only when it was asked for.
            // It is never more than a word: a reading that shows what was asked for needs none.
            (State::Moving { watch, .. }, Key::Yes) if watch.takes_a_word() => {
                self.moved(now, MovedBy::SaidSo);
            }
            (State::Moving { mut watch, next, .. }, Key::No | Key::Again) => {
                watch.go_on();
                self.state = State::Moving { watch, sweep: None, next };
            }
            (State::Asking { question, left, .. }, Key::Yes | Key::No) => {
                self.answered(now, question, key == Key::Yes, left);
            }
            (other, _) => self.state = other,
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
            State::Moving { sweep: None, next, .. } => Some(*next),
            State::Asking { sweep, next, .. } if sweep.done() => Some(*next),
            _ => None,
        }
    }

    fn handle(&mut self, now: Duration, input: Input) -> Vec<Output> {
        match input {
            Input::Start if matches!(self.state, State::New) => {
                self.began = now;
                self.state = State::Greeting;
                self.ask(Ask::Who);
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
            Input::Tick => self.tick(now),
            Input::Lost(why) => {
                self.waiting = false;
                if !self.over() {
                    self.close(now, Some(Cut::Probe(why)));
                }
            }
            Input::Stop => self.stop(),
        }
        std::mem::take(&mut self.out)
    }
}
