//! The stand of the bench tests: the procedure alone, answered from the solved circuit, with the
//! operator's hands and words.

#![allow(dead_code, reason = "every test file uses its own part of the stand")]

pub mod full;
pub mod metered;

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::command::Ran;
use strapwise::bench::resume::Earlier;
use strapwise::bench::supply::Known;
use strapwise::bench::{
    Answer, Ask, Bench, Boot, Burst, Check, Config, Event, Input, Key, MovedBy, Output, Presence,
    ProbeInfo, Procedure, Prompt, Pull, Shunts, Slots, Summary, SupplyCheck, UnitId, UnitVerdict,
    Verdict,
};
use strapwise::board::{self, Board, Place, Setting, Task};
use strapwise::circuit::{Circuit, Node, Parts, pulled_up};
use strapwise::faults;
use strapwise::session::hands::as_typed;
use strapwise::units::{Ohms, Volts};
use strapwise::walk::{self, Walk};
use strapwise::window::{self, Windows};

/// The board of the demo.
pub fn vent_controller() -> Arc<Board> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/protocols/vent-controller.toml");
    board_of(&std::fs::read_to_string(path).expect("the board file of the demo"))
}

/// A board from the text of a board file.
pub fn board_of(text: &str) -> Arc<Board> {
    Arc::new(board::parse("test.toml", text).unwrap_or_else(|problems| panic!("{problems}")))
}

/// The time that the probe takes for one ask.
const ONE_ASK: Duration = Duration::from_millis(5);

/// A pull-up of a good chip, between the 20 and 50 kΩ of the data sheet.
const PULL: Ohms = Ohms(34e3);

/// What a hand takes to reach the board, at least.
const A_HAND_IS_SLOW: Duration = Duration::from_millis(200);

/// How often the probe may be asked before a test is called endless.
const ENDLESS: usize = 200_000;

/// How an answer is changed on its way.
type Meddle = Box<dyn FnMut(&Ask, Answer) -> Answer>;

/// One unit on the bench, answered without a probe.
pub struct Stand {
    pub board: Arc<Board>,
    pub bench: Bench,
    pub parts: Parts,
    pub shunts: Setting,
    pub now: Duration,
    pub events: Vec<Event>,
    pub asks: Vec<Ask>,
    /// Commands asked for.
    pub runs: Vec<Task>,
    /// Deviation and lag-1 autocorrelation of a conversion, in codes.
    pub noise: (f64, f64),
    /// Sag of the supply by load, in volts.
    pub sags: Vec<f64>,
    /// What it sags on top with every load on, and how far it dips now and then with any, in volts.
    pub sags_together: f64,
    pub dips: f64,
    /// How far it dips on top as loads go on, in volts.
    pub inrush: f64,
    /// Parts on a bus that do not answer.
    pub silent: Vec<usize>,
    /// The chip's internal reference, in volts.
    pub reference: f64,
    /// Loads that reset the probe when they come on.
    pub resetting: Vec<usize>,
    /// Loads, and switches, that the probe finds off already when it is told to switch them off.
    pub gone_off: Vec<usize>,
    pub switches_gone_off: Vec<usize>,
    pub closed: BTreeSet<usize>,
    pub loads_on: BTreeSet<usize>,
    /// Whether the probe has an identity, without which it counts no boots.
    pub counts_boots: bool,
    /// Whether the unit has power.
    pub powered: bool,
    /// The identity on the chip and the unit that it was written for.
    pub identity: (String, String),
    /// What stands where an identity is written.
    pub slots: Slots,
    boots: u32,
    cause: &'static str,
    booted: Duration,
    /// Per channel: what an open pin was left with, as a share of the supply.
    held: Vec<f64>,
    under_way: Option<Ask>,
    /// Prompts that the operator has taken note of.
    handled: usize,
    meddle: Option<Meddle>,
}

impl Stand {
    /// A nominal unit of the vent controller, its shunts beside it.
    pub fn new() -> Stand {
        Stand::with(vent_controller())
    }

    /// A nominal unit of a board.
    pub fn with(board: Arc<Board>) -> Stand {
        Stand::led_through(board, |_| {})
    }

    /// The same, led through another sequence than the one planned.
    pub fn led_through(board: Arc<Board>, change: impl FnOnce(&mut Walk)) -> Stand {
        Stand::of_unit(board, UnitId::default(), change)
    }

    /// A nominal unit with a name, whose chip has the identity 0BADCAFE of no unit yet.
    pub fn named(unit: UnitId) -> Stand {
        Stand::of_unit(vent_controller(), unit, |_| {})
    }

    fn of_unit(board: Arc<Board>, unit: UnitId, change: impl FnOnce(&mut Walk)) -> Stand {
        let windows = Arc::new(window::windows(&board).expect("a board with windows"));
        let mut walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
        change(&mut walk);
        let bench = Bench::new(board.clone(), windows, Arc::new(walk), unit, Config::default());
        let sags = board.loads.iter().map(|l| (l.sag.0.0 + l.sag.1.0) / 2.0).collect();
        Stand {
            bench,
            parts: Parts::nominal(&board),
            shunts: Setting::all_open(&board),
            // The unit has been plugged in for a while.
            now: Duration::from_secs(60),
            events: Vec::new(),
            asks: Vec::new(),
            runs: Vec::new(),
            noise: (0.6, 0.0),
            sags,
            sags_together: 0.0,
            dips: 0.0,
            inrush: 0.0,
            silent: Vec::new(),
            reference: 1.1,
            resetting: Vec::new(),
            gone_off: Vec::new(),
            switches_gone_off: Vec::new(),
            closed: BTreeSet::new(),
            loads_on: BTreeSet::new(),
            counts_boots: true,
            powered: true,
            identity: ("0BADCAFE".into(), String::new()),
            slots: [vec![0xFF; 4], vec![0x12; 4]],
            boots: 7,
            cause: "POWER",
            booted: Duration::ZERO,
            held: vec![0.0; board.channels.len()],
            under_way: None,
            handled: 0,
            meddle: None,
            board,
        }
    }

    /// The windows of the board.
    pub fn windows(&self) -> Windows {
        window::windows(&self.board).expect("a board with windows")
    }

    /// A unit with other parts.
    pub fn built_with(mut self, change: impl FnOnce(&Board, &mut Parts)) -> Stand {
        change(&self.board, &mut self.parts);
        self
    }

    /// A run in which something is known of the supply.
    pub fn supplied(mut self, known: Known) -> Stand {
        self.bench = self.bench.supplied(known);
        self
    }

    /// A run on a unit that is known to be good, with faults made on purpose at the end.
    pub fn on_purpose(mut self) -> Stand {
        let windows = Arc::new(self.windows());
        let walk = walk::plan(&self.board, &windows, &self.board.delivery).expect("a sequence");
        let config = Config { on_purpose: true, ..Config::default() };
        let unit = UnitId::default();
        self.bench = Bench::new(self.board.clone(), windows, Arc::new(walk), unit, config);
        self
    }

    /// A run that goes on from an earlier attempt.
    pub fn resuming(mut self, earlier: Earlier) -> Stand {
        self.bench = self.bench.resuming(earlier);
        self
    }

    /// What open pins hold before anything is read, as a share of the supply.
    pub fn held_at_first(&mut self, share: f64) {
        self.held.fill(share);
    }

    /// A probe whose answers are changed on their way.
    pub fn answered_by(mut self, meddle: impl FnMut(&Ask, Answer) -> Answer + 'static) -> Stand {
        self.meddle = Some(Box::new(meddle));
        self
    }

    pub fn channel(&self, id: &str) -> usize {
        self.board.channel(id).expect("a channel of the board")
    }

    pub fn jumper(&self, id: &str) -> usize {
        self.board.jumper(id).expect("a jumper of the board")
    }

    pub fn load(&self, id: &str) -> usize {
        self.board.loads.iter().position(|l| l.id == id).expect("a load of the board")
    }

    /// A jumper and one of its places.
    pub fn place(&self, jumper: &str, name: &str) -> (usize, Place) {
        let j = self.jumper(jumper);
        (j, self.board.jumpers[j].place(name).expect("a place of the jumper"))
    }

    /// The place that the move asked for leads to.
    pub fn walk_place(&self, jumper: &str) -> String {
        let j = self.jumper(jumper);
        match self.prompt() {
            Some(Prompt::Move { jumper, to, .. } | Prompt::MoveUnpowered { jumper, to, .. })
                if *jumper == j =>
            {
                self.board.jumpers[j].place_name(*to).to_string()
            }
            other => panic!("asked for {other:?}, not for {jumper}"),
        }
    }

    // --- the bench and its probe -----------------------------------------------------------------

    fn tell(&mut self, input: Input) {
        for output in self.bench.handle(self.now, input) {
            match output {
                Output::Ask(ask) => {
                    assert!(self.under_way.is_none(), "asked {ask:?} with another ask under way");
                    self.asks.push(ask.clone());
                    assert!(self.asks.len() < ENDLESS, "the bench asks without end");
                    self.under_way = Some(ask);
                }
                Output::Run(task) => self.runs.push(task),
                Output::Event(event) => self.events.push(event),
            }
        }
    }

    /// One thing happens: an answer, or the time that the bench waits for. False when the bench
    /// waits for the operator.
    pub fn step(&mut self) -> bool {
        if let Some(ask) = self.under_way.take() {
            self.now += ONE_ASK;
            let mut answer = self.answer(&ask);
            if let Some(meddle) = &mut self.meddle {
                answer = meddle(&ask, answer);
            }
            self.tell(Input::Answer(answer));
            return true;
        }
        let Some(at) = self.bench.wake_at() else { return false };
        self.now = self.now.max(at);
        self.tell(Input::Tick);
        true
    }

    /// What the probe has been asked and has not answered yet.
    pub fn under_way(&self) -> Option<&Ask> {
        self.under_way.as_ref()
    }

    /// Begins.
    pub fn start(&mut self) -> &mut Stand {
        self.tell(Input::Start);
        self
    }

    /// Time passes at the bench while the operator does nothing.
    pub fn wait(&mut self, time: Duration) -> &mut Stand {
        let until = self.now + time;
        while self.now < until && self.step() {}
        self.now = self.now.max(until);
        self
    }

    /// The probe is reset: it starts anew with everything off.
    pub fn reset_probe(&mut self) -> &mut Stand {
        self.boots += u32::from(self.counts_boots);
        self.cause = "BROWNOUT";
        self.booted = self.now;
        self.closed.clear();
        self.loads_on.clear();
        self
    }

    /// The power of the unit is cut, or given back.
    pub fn power(&mut self, on: bool) -> &mut Stand {
        if on && !self.powered {
            self.reset_probe();
            self.cause = "POWER";
        }
        self.powered = on;
        self
    }

    /// The line to the probe is cut.
    pub fn lose_probe(&mut self) -> &mut Stand {
        self.under_way = None;
        self.tell(Input::Lost("the probe does not answer".into()));
        self
    }

    /// The operator stops.
    pub fn stop(&mut self) -> &mut Stand {
        self.tell(Input::Stop);
        while self.step() {}
        self
    }

    fn circuit(&self) -> Circuit {
        let closed: Vec<usize> = self.closed.iter().copied().collect();
        Circuit::solve(&self.board, &self.parts, &self.shunts, &closed)
    }

    /// Share of the supply at a channel's pin.
    fn ratio(&mut self, channel: usize, pull_up: bool) -> f64 {
        let supply = self.parts.supply;
        let node = self.circuit().node(self.board.channels[channel].net);
        let volts = match (node, pull_up) {
            (_, true) => pulled_up(node, supply, PULL),
            (Node::Driven { volts, .. }, false) => volts,
            (Node::Floating, false) => Volts(self.held[channel] * supply.0),
        };
        self.held[channel] = volts.0 / supply.0;
        self.held[channel]
    }

    fn burst(&self, code: f64, n: u16) -> Burst {
        let full = f64::from(self.board.chip.full_scale);
        let at_end = code <= 0.0 || code >= full;
        // At an end of the scale there is no noise to be seen.
        let sd = if at_end { 0.0 } else { self.noise.0 };
        let clamp = |code: f64| code.clamp(0.0, full);
        let low = clamp(code - 2.0 * sd).round() as u16;
        let high = clamp(code + 2.0 * sd).round() as u16;
        let (n, mean, lag1) = (u32::from(n), clamp(code), self.noise.1);
        Burst { n, mean, sd, lag1, min: low, max: high, q01: low, q99: high }
    }

    fn boot_now(&self) -> Boot {
        let uptime_ms = (self.now - self.booted).as_millis() as u32;
        Boot { count: self.boots, cause: self.cause.into(), uptime_ms }
    }

    /// The supply with what is on.
    fn supply_now(&self) -> f64 {
        let sag: f64 = self.loads_on.iter().map(|&l| self.sags[l]).sum();
        let all = !self.loads_on.is_empty() && self.loads_on.len() == self.board.loads.len();
        let sag = sag + if all { self.sags_together } else { 0.0 };
        self.parts.supply.0 - sag
    }

    fn supply_code(&self) -> f64 {
        self.reference * self.board.chip.scale / self.supply_now()
    }

    /// A burst of the reference: dips are too few to move the mean.
    fn supply_burst(&self, n: u16) -> Burst {
        let mut burst = self.burst(self.supply_code(), n);
        if !self.loads_on.is_empty() {
            let share = 1.0 - self.dips / self.parts.supply.0;
            burst.q99 = (f64::from(burst.q99) / share).round() as u16;
            burst.max = burst.max.max(burst.q99);
        }
        burst
    }

    /// The supply as loads go on, and off again.
    fn loads_go_on(&mut self, loads: &[usize], n: u16) -> Answer {
        let before = self.supply_burst(n);
        self.loads_on.extend(loads);
        let mut burst = self.supply_burst(n);
        let share = 1.0 - self.inrush / self.parts.supply.0;
        burst.q99 = (f64::from(burst.q99) / share).round() as u16;
        burst.max = burst.max.max(burst.q99);
        self.loads_on.retain(|load| !loads.contains(load));
        if loads.iter().any(|load| self.resetting.contains(load)) {
            self.reset_probe();
        }
        let codes = vec![Some(burst.mean.round() as u16); usize::from(n)];
        Answer::Samples { before: Some(before), burst, codes }
    }

    fn answer(&mut self, ask: &Ask) -> Answer {
        match *ask {
            Ask::Return if !self.powered => Answer::Silent,
            Ask::Who | Ask::Return => Answer::Who(ProbeInfo {
                model: "PROBE-ATMEGA328P".into(),
                version: "1".into(),
                identity: self.identity.0.clone(),
                unit: self.identity.1.clone(),
                boot: self.boot_now(),
            }),
            Ask::Boot => Answer::Boot(self.boot_now()),
            Ask::Prepare => Answer::Done,
            Ask::Fuses => Answer::Fuses([0xFF, 0xDE, 0xFD, 0xCF]),
            Ask::Slots => Answer::Slots(self.slots.clone()),
            Ask::Own { identity, ref unit } => {
                self.identity = (format!("{identity:08X}"), unit.clone());
                self.slots = [identity.to_be_bytes().to_vec(), unit.clone().into_bytes()];
                Answer::Done
            }
            Ask::PutBack(ref slots) => {
                self.identity = Default::default();
                self.slots = slots.clone();
                Answer::Done
            }
            Ask::AllOff => {
                self.closed.clear();
                self.loads_on.clear();
                Answer::Done
            }
            Ask::Burst { channel, n, pull_up, .. } => {
                let code = self.ratio(channel, pull_up) * self.board.chip.scale;
                Answer::Burst(self.burst(code, n))
            }
            Ask::Codes { channel, n, .. } => {
                let code = self.ratio(channel, false) * self.board.chip.scale;
                let burst = self.burst(code, n);
                Answer::Codes(burst, vec![burst.mean.round() as u16; usize::from(n)])
            }
            Ask::Step { channel: None, ref loads, n } => self.loads_go_on(loads, n),
            Ask::Samples { .. } | Ask::Step { .. } => panic!("no bench asks this: {ask:?}"),
            Ask::Presence { part } => Answer::Presence(match self.silent.contains(&part) {
                true => Presence::Silent,
                false => Presence::Answers,
            }),
            Ask::Product { channel, .. } => {
                let code = self.ratio(channel, false) * self.board.chip.scale;
                Answer::Burst(self.burst(code, self.board.firmware.conversions))
            }
            Ask::Level { channel, n, pull, .. } => {
                let (n, chip) = (u32::from(n), self.board.chip.clone());
                if pull == Pull::Discharged {
                    self.held[channel] = 0.0;
                }
                let ones = match self.ratio(channel, pull == Pull::Up) {
                    r if r >= chip.vih.0 => n,
                    r if r <= chip.vil.0 => 0,
                    _ => n / 2,
                };
                Answer::Level { n, ones }
            }
            Ask::Charge { channel, .. } => self.charge(channel),
            Ask::Supply { n } => Answer::Burst(self.supply_burst(n)),
            Ask::Switch { switch, on } => {
                let _ = if on { self.closed.insert(switch) } else { self.closed.remove(&switch) };
                match !on && self.switches_gone_off.contains(&switch) {
                    true => Answer::Refused("an output had gone off by itself".into()),
                    false => Answer::Done,
                }
            }
            Ask::Load { load, on } => {
                let _ = if on { self.loads_on.insert(load) } else { self.loads_on.remove(&load) };
                if on && self.resetting.contains(&load) {
                    self.reset_probe();
                }
                match !on && self.gone_off.contains(&load) {
                    true => Answer::Refused("an output had gone off by itself".into()),
                    false => Answer::Done,
                }
            }
        }
    }

    /// A driven pin stays where it is; an open one gives its charge away.
    fn charge(&mut self, channel: usize) -> Answer {
        let full = f64::from(self.board.chip.full_scale);
        let scale = self.board.chip.scale;
        let code = |ratio: f64| (ratio * scale).min(full);
        match self.circuit().node(self.board.channels[channel].net) {
            Node::Driven { volts, .. } => {
                let code = code(volts.0 / self.parts.supply.0);
                Answer::Charge { first: code, last: code }
            }
            Node::Floating => {
                let first = code(self.held[channel]);
                self.held[channel] *= 0.85;
                Answer::Charge { first, last: code(self.held[channel]) }
            }
        }
    }

    // --- the operator's words --------------------------------------------------------------------

    /// The prompt that stands.
    pub fn prompt(&self) -> Option<&Prompt> {
        self.events.iter().rev().find_map(|e| match e {
            Event::Prompt { prompt, .. } => Some(prompt),
            _ => None,
        })
    }

    fn prompts(&self) -> usize {
        self.events.iter().filter(|e| matches!(e, Event::Prompt { .. })).count()
    }

    /// Waits until something new is asked of the operator; none when the run is over, or when the
    /// bench waits for a key or has had ten minutes.
    pub fn next_prompt(&mut self) -> Option<Prompt> {
        let patience = self.now + Duration::from_secs(600);
        while self.prompts() == self.handled && !self.bench.over() && self.now < patience {
            if !self.step() {
                break;
            }
        }
        let new = self.prompts() > self.handled;
        self.handled = self.prompts();
        new.then(|| self.prompt().cloned()).flatten()
    }

    /// Follows every prompt like a careful operator until this move is asked for.
    pub fn prompted_move(&mut self, jumper: &str, place: &str) -> &mut Stand {
        let (j, p) = self.place(jumper, place);
        let wanted = |prompt: &Prompt| matches!(prompt, Prompt::Move { jumper, to, .. } if (*jumper, *to) == (j, p));
        assert!(self.obey_until(wanted), "was never asked to move {jumper} to {place}");
        self.wait(A_HAND_IS_SLOW)
    }

    /// Follows every prompt until this question is asked.
    pub fn asked(&mut self, id: &str) -> &mut Stand {
        let q = self.board.questions.iter().position(|q| q.id == id).expect("a question");
        let wanted = |p: &Prompt| matches!(p, Prompt::Question { question } if *question == q);
        assert!(self.obey_until(wanted), "was never asked '{id}'");
        self
    }

    /// Follows every prompt to the end, and says what the run came to.
    pub fn finish(&mut self) -> Summary {
        self.obey_until(|_| false);
        self.summary()
    }

    /// What the run came to.
    #[track_caller]
    pub fn summary(&self) -> Summary {
        assert!(self.bench.over(), "the run is not over; asked last: {:?}", self.prompt());
        let finished = self.events.iter().rev().find_map(|e| match e {
            Event::Finished(summary) => Some(summary.clone()),
            _ => None,
        });
        finished.expect("a run that is over has a summary")
    }

    /// Does what is asked until `wanted` is asked; false when the run ends or stands still before.
    pub fn obey_until(&mut self, wanted: impl Fn(&Prompt) -> bool) -> bool {
        if self.events.is_empty() && self.asks.is_empty() {
            self.start();
        }
        for _ in 0..500 {
            let Some(prompt) = self.next_prompt() else { return false };
            if wanted(&prompt) {
                return true;
            }
            self.obey(&prompt);
        }
        panic!("the procedure does not come to an end");
    }

    /// Does what a prompt asks, as an attentive person with this unit would.
    fn obey(&mut self, prompt: &Prompt) {
        match *prompt {
            Prompt::Meter { channel, ref shunts, .. } => {
                self.power(false);
                let moves: Vec<(usize, Place)> = match shunts {
                    Shunts::All(setting) => setting.0.iter().copied().enumerate().collect(),
                    Shunts::Moved(moves) => moves.iter().map(|m| (m.jumper, m.to)).collect(),
                };
                for (jumper, place) in moves {
                    self.put(jumper, place);
                }
                self.wait(Duration::from_secs(10));
                let ohms = window::measured(&self.board, &self.parts, &self.shunts, channel);
                self.type_in(&as_typed(ohms));
            }
            Prompt::SupplyVolts { .. } => {
                // It takes longer than the probe bears silence.
                self.wait(Duration::from_secs(8));
                let shown = as_typed(Volts(self.supply_now()));
                self.type_in(&shown);
            }
            Prompt::PowerOn { ref moves } => {
                for made in moves {
                    self.put(made.jumper, made.to);
                }
                self.power(true).wait(Duration::from_secs(2)).press(Key::Yes);
            }
            Prompt::Rails { .. } => {
                self.power(false);
                self.shunts = Setting::all_open(&self.board);
                self.wait(Duration::from_secs(10));
                let tips = [self.board.supply.net, self.board.supply.ground];
                let board = self.board.clone();
                let (_, ohms) = window::ohms_between(&board, &self.parts, &self.shunts, tips);
                self.type_in(&as_typed(Ohms(ohms)));
            }
            Prompt::Cautions
            | Prompt::OtherUnit { .. }
            | Prompt::FlashProbe { .. }
            | Prompt::Report { .. } => {
                self.press(Key::Yes);
            }
            Prompt::OnPurpose { jumper, to, .. } => {
                self.put(jumper, to);
                self.press(Key::Yes);
            }
            Prompt::AsItWas { ref setting, .. } | Prompt::Clear { to: ref setting } => {
                self.shunts = setting.clone();
                self.press(Key::Yes);
            }
            Prompt::Move { jumper, from, to, key_needed } => {
                self.wait(A_HAND_IS_SLOW);
                if from != Place::Open {
                    self.put(jumper, Place::Open);
                    self.wait(Duration::from_millis(300));
                }
                self.put(jumper, to);
                if key_needed {
                    self.wait(Duration::from_millis(300)).press(Key::Yes);
                }
            }
            Prompt::MoveUnpowered { jumper, to, .. } => {
                self.power(false).wait(2 * A_HAND_IS_SLOW);
                self.put(jumper, to);
                self.wait(Duration::from_secs(2)).power(true);
            }
            Prompt::Strayed { .. } => {
                self.press(Key::Yes);
            }
            Prompt::Doubt { jumper, asked, reads_as }
                if reads_as == Some(asked) && self.shunts.0[jumper] == asked =>
            {
                self.put(jumper, Place::Open);
                self.wait(Duration::from_secs(1));
                self.put(jumper, asked);
                self.wait(Duration::from_secs(2)).press(Key::Yes);
            }
            Prompt::Doubt { jumper, asked, .. } => {
                let there = self.shunts.0[jumper] == asked;
                self.press(if there { Key::Yes } else { Key::No });
                self.put(jumper, asked);
            }
            Prompt::Question { question } => {
                self.wait(Duration::from_millis(300));
                let q = &self.board.questions[question];
                let built = faults::Built::good(&self.board, self.parts.clone());
                let yes = faults::answer(&self.board, &built, &self.shunts, q);
                self.press(if yes { Key::Yes } else { Key::No });
            }
            Prompt::Unstable { .. } | Prompt::HandsOff => {}
        }
    }

    fn put(&mut self, jumper: usize, place: Place) {
        self.shunts = self.shunts.with(jumper, place);
    }

    /// Seats a shunt.
    pub fn fit(&mut self, jumper: &str, place: &str) -> &mut Stand {
        let (j, p) = self.place(jumper, place);
        self.put(j, p);
        self
    }

    /// Takes a shunt off.
    pub fn lift(&mut self, jumper: &str) -> &mut Stand {
        self.fit(jumper, "open")
    }

    /// Presses a key.
    pub fn press(&mut self, key: Key) -> &mut Stand {
        self.tell(Input::Key(key));
        self
    }

    /// Nobody can press a key any more.
    pub fn nobody(&mut self) -> &mut Stand {
        self.tell(Input::NoKeys);
        self
    }

    /// A command has been run, with this problem if any.
    pub fn ran(&mut self, task: Task, output: &str, problem: Option<&str>) -> &mut Stand {
        let problem = problem.map(str::to_string);
        let exit = Some(if problem.is_none() { 0 } else { 1 });
        let output = output.to_string();
        self.tell(Input::Ran(Ran { exit, output, problem, ..Ran::nobody(task) }));
        self
    }

    /// Types a line.
    pub fn type_in(&mut self, text: &str) -> &mut Stand {
        self.tell(Input::Typed(text.into()));
        self
    }

    /// Follows every prompt until a meter's reading is asked for, and puts the shunts as asked.
    pub fn asked_to_measure(&mut self) -> Option<Prompt> {
        let asked = self.obey_until(|p| matches!(p, Prompt::Meter { .. }));
        asked.then(|| self.prompt().cloned()).flatten()
    }

    // --- what is expected of the bench -----------------------------------------------------------

    /// Every reading judged so far.
    pub fn checks(&self) -> Vec<&Check> {
        let mut checks = Vec::new();
        for event in &self.events {
            if let Event::Check { check, .. } = event {
                checks.push(check);
            }
        }
        checks
    }

    /// The readings of a channel judged with a jumper at a place as the one moved.
    pub fn checks_at(&self, channel: &str, jumper: &str, place: &str) -> Vec<&Check> {
        let (channel, moved) = (self.channel(channel), self.place(jumper, place));
        let mut checks = Vec::new();
        for event in &self.events {
            if let Event::Check { at, check } = event
                && (check.channel, at.moved) == (channel, Some(moved))
            {
                checks.push(check);
            }
        }
        checks
    }

    /// Every load tried so far.
    pub fn supplies(&self) -> Vec<&SupplyCheck> {
        let mut supplies = Vec::new();
        for event in &self.events {
            if let Event::Supply { check, .. } = event {
                supplies.push(check);
            }
        }
        supplies
    }

    /// How a move was believed, each time that it was.
    pub fn believed(&self, jumper: &str, place: &str) -> Vec<MovedBy> {
        let moved = self.place(jumper, place);
        let by = |e: &Event| match e {
            Event::Moved(at) if at.moved == Some(moved) => at.moved_by,
            _ => None,
        };
        self.events.iter().filter_map(by).collect()
    }

    /// Follows every prompt to the end, which has this verdict.
    #[track_caller]
    pub fn expect_verdict(&mut self, verdict: UnitVerdict) -> Summary {
        self.obey_until(|_| false);
        let summary = self.summary();
        assert_eq!(summary.verdict, verdict, "{:?}", summary.reasons);
        summary
    }

    /// Nothing that the probe switches is on.
    #[track_caller]
    pub fn expect_all_off(&self) {
        assert!(self.closed.is_empty(), "switches {:?} are still closed", self.closed);
        assert!(self.loads_on.is_empty(), "loads {:?} are still on", self.loads_on);
    }
}

/// The worst verdict of some checks.
#[track_caller]
pub fn worst(checks: &[&Check]) -> Verdict {
    checks.iter().map(|c| c.verdict).max().expect("at least one check")
}
