//! The unit on the bench and its probe: what is asked is answered at once, by the tables and by
//! physics that the judge is not told of.

use super::unit::{Case, Drawn, Gauss, Odd, between};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::time::Duration;
use strapwise::bench::{Answer, Ask, Boot, Burst, ProbeInfo, Pull, Slots};
use strapwise::board::{Board, Level, Place, Setting};
use strapwise::circuit::SEATED;
use strapwise::faults::Joint;

/// Time of a conversion and of a message there and back, in seconds.
pub(super) const CONVERSION: f64 = 104e-6;
const MESSAGE: f64 = 4e-3;

/// Capacitance of an open pin with its track, in farads.
const STRAY: f64 = 15e-12;

/// What leaks at an open pin, in ohms: it keeps its charge for milliseconds, with a capacitor for
/// seconds.
const LEAK: f64 = 1e9;

/// How many times its sag a shorted load makes.
const SHORTED: f64 = 10.0;

/// How often things go wrong with probe and line, by ask.
#[derive(Clone, Copy, Default)]
pub struct Mishaps {
    pub late: f64,
    pub reset: f64,
    pub refused: f64,
    pub lost: f64,
}

/// One unit on the bench.
pub struct World<'a> {
    pub(super) board: &'a Board,
    case: &'a Case,
    pub drawn: Drawn,
    mishaps: Mishaps,
    pub(super) rng: ChaCha8Rng,
    pub(super) gauss: Gauss,
    /// Where hands have put the shunts, and the resistance of each seated contact beyond the usual.
    pub shunts: Setting,
    contacts: Vec<f64>,
    pub closed: Vec<bool>,
    loads: Vec<bool>,
    prepared: bool,
    boots: u32,
    cause: &'static str,
    booted: Duration,
    identity: (String, String),
    slots: Slots,
    /// By channel: share of the supply and source; none where nothing drives the pin.
    nodes: Vec<Option<(f64, f64)>>,
    lit: Vec<(usize, bool)>,
    short: bool,
    /// Shares of the supply: what each open pin holds, and the sample-and-hold.
    held: Vec<f64>,
    held_at: Vec<Duration>,
    now: Duration,
    pub(super) sampled: f64,
    levels: Vec<bool>,
}

impl<'a> World<'a> {
    /// A unit whose shunts lie beside it.
    pub fn new(board: &'a Board, case: &'a Case, mishaps: Mishaps, seed: u64) -> World<'a> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let drawn = Drawn::new(board, case, &mut rng);
        let channels = board.channels.len();
        let mut world = World {
            board,
            case,
            drawn,
            mishaps,
            gauss: Gauss::default(),
            shunts: Setting::all_open(board),
            contacts: vec![SEATED.0; board.jumpers.len()],
            closed: vec![false; board.switches.len()],
            loads: vec![false; board.loads.len()],
            prepared: false,
            boots: rng.random_range(0..50),
            cause: "POWER",
            booted: Duration::ZERO,
            identity: Default::default(),
            slots: [vec![0xFF; 4], vec![0xFF; 4]],
            nodes: vec![None; channels],
            lit: Vec::new(),
            short: false,
            held: (0..channels).map(|_| rng.random()).collect(),
            held_at: vec![Duration::ZERO; channels],
            now: Duration::ZERO,
            sampled: 0.0,
            levels: vec![false; channels],
            rng,
        };
        world.rewire();
        world
    }

    /// Puts a shunt somewhere, its contact drawn anew; `poor` is added to it.
    pub fn put(&mut self, jumper: usize, place: Place, poor: f64) {
        self.shunts.0[jumper] = place;
        self.contacts[jumper] = between(&mut self.rng, 0.005, 0.1) + poor;
        self.rewire();
    }

    /// Whether the lamps of a question are lit and dark as it says.
    pub fn answer_to(&self, question: usize) -> bool {
        let q = &self.board.questions[question];
        let glows = |r: &usize| self.lit.iter().any(|&(lamp, lit)| lamp == *r && lit);
        q.lit.iter().all(glows) && !q.dark.iter().any(glows)
    }

    /// Works out what every pin sees now.
    fn rewire(&mut self) {
        let (board, case) = (self.board, self.case);
        let seat = case.seat(board, &self.shunts);
        let stuck = |s: usize| case.built.parts.switches[s].stuck;
        let closed = |s: usize| stuck(s).unwrap_or(self.closed[s]);
        self.short = false;
        self.lit.clear();
        for (cluster, states) in &case.clusters {
            let state = &states[cluster.state(board, &seat, &closed)];
            self.short |= state.short;
            self.lit.extend(cluster.lamps.iter().copied().zip(state.lit.iter().copied()));
            let seated = cluster.jumpers.iter().filter(|&&j| seat.0[j] != Place::Open);
            let contacts: Vec<f64> = seated.map(|&j| self.contacts[j] - SEATED.0).collect();
            let contact = contacts.iter().sum::<f64>() / contacts.len().max(1) as f64;
            for (&c, entry) in cluster.channels.iter().zip(&state.channels) {
                self.nodes[c] = entry.source.map(|source| {
                    let (mut ratio, mut log) = (entry.ratio, 0.0);
                    for (&r, by) in cluster.resistors.iter().zip(&entry.by_resistor) {
                        ratio += by[0] * self.drawn.shares[r];
                        log += by[1] * self.drawn.shares[r];
                    }
                    ratio += entry.by_contact[0] * contact;
                    let mut ohms = source * (1.0 + log) + entry.by_contact[1] * contact;
                    for (&s, by) in cluster.switches.iter().zip(&entry.by_switch) {
                        let nominal = case.built.parts.switches[s].on.0;
                        let more = self.drawn.switches[s] - nominal;
                        ratio += by[0] * more;
                        ohms += by[1] * more;
                    }
                    (ratio.clamp(0.0, 1.0), ohms.max(0.0))
                });
            }
        }
        for (node, joint) in self.nodes.iter_mut().zip(&case.built.joints) {
            match joint {
                Joint::Sound => {}
                Joint::Open => *node = None,
                Joint::Stuck(Level::High) => *node = Some((1.0, 0.0)),
                Joint::Stuck(Level::Low) => *node = Some((0.0, 0.0)),
            }
        }
    }

    fn reset(&mut self, now: Duration, cause: &'static str) {
        self.boots += 1;
        self.cause = cause;
        self.booted = now;
        self.prepared = false;
        self.closed.fill(false);
        self.loads.fill(false);
        self.rewire();
    }

    /// Nobody talks to the probe any more: it switches everything off, and opening its port again
    /// resets it.
    pub fn left(&mut self, now: Duration) {
        self.reset(now, "EXTERNAL");
    }

    fn boot(&self, now: Duration) -> Boot {
        let uptime_ms = now.saturating_sub(self.booted).as_millis() as u32;
        Boot { count: self.boots, cause: self.cause.into(), uptime_ms }
    }

    fn supply(&self) -> f64 {
        let built = &self.case.built;
        let sag = |l: usize| match (built.dead_loads.contains(&l), built.shorted_loads.contains(&l))
        {
            (true, _) => 0.0,
            (_, true) => self.drawn.sags[l] * SHORTED,
            _ => self.drawn.sags[l],
        };
        let on = (0..self.loads.len()).filter(|&l| self.loads[l]);
        (self.drawn.supply - on.map(sag).sum::<f64>()).max(0.5)
    }

    /// How long the probe takes to answer.
    pub fn takes(&mut self, ask: &Ask) -> Duration {
        let us = |us: u32| f64::from(us) * 1e-6;
        let seconds = match *ask {
            Ask::Burst { n, settle_us, discard, .. } => {
                f64::from(n + discard) * CONVERSION + us(settle_us)
            }
            Ask::Product { .. } => 6.0 * CONVERSION,
            Ask::Supply { n } => f64::from(n) * CONVERSION + 1e-3,
            Ask::Step { n, .. } => 2.0 * f64::from(n) * CONVERSION + 1e-2,
            Ask::Charge { pairs, .. } => 2.0 * f64::from(pairs) * CONVERSION,
            Ask::Level { n, settle_us, .. } => f64::from(n) * 2e-6 + us(settle_us),
            Ask::Own { .. } | Ask::PutBack(_) => 0.1,
            _ => 0.0,
        };
        let late = self.mishaps.late > 0.0 && self.rng.random_bool(self.mishaps.late);
        let late = if late { between(&mut self.rng, 0.1, 1.2) } else { 0.0 };
        Duration::from_secs_f64(seconds + MESSAGE + late)
    }

    /// What the probe answers; nothing where it has gone.
    pub fn answer(&mut self, now: Duration, ask: &Ask) -> Option<Answer> {
        self.now = now;
        if self.short && self.drawn.limited {
            return None;
        }
        let happens = |p: f64, rng: &mut ChaCha8Rng| p > 0.0 && rng.random_bool(p);
        if happens(self.mishaps.lost, &mut self.rng) {
            return None;
        }
        if happens(self.mishaps.reset, &mut self.rng) {
            let cause = if self.rng.random() { "BROWNOUT" } else { "EXTERNAL" };
            self.reset(now, cause);
        }
        if happens(self.mishaps.refused, &mut self.rng) {
            return Some(Answer::Refused("-350 queue overflow".into()));
        }
        Some(self.reply(now, ask))
    }

    fn reply(&mut self, now: Duration, ask: &Ask) -> Answer {
        match *ask {
            // No bench asks for single conversions, and the demo has no bus.
            Ask::Samples { .. } | Ask::Step { channel: Some(_), .. } | Ask::Presence { .. } => {
                Answer::Refused("not simulated".into())
            }
            Ask::Step { channel: None, ref loads, n } => self.loads_go_on(now, loads, n),
            Ask::Who | Ask::Return => Answer::Who(ProbeInfo {
                model: "PROBE-ATMEGA328P".into(),
                version: "1".into(),
                identity: self.identity.0.clone(),
                unit: self.identity.1.clone(),
                boot: self.boot(now),
            }),
            Ask::Boot => Answer::Boot(self.boot(now)),
            Ask::Prepare => {
                self.prepared = true;
                Answer::Done
            }
            Ask::Fuses => Answer::Fuses([0xFF, 0xDE, 0xFD, 0xCF]),
            Ask::Slots => Answer::Slots(self.slots.clone()),
            Ask::Own { identity, ref unit } => {
                self.identity = (format!("{identity:08X}"), unit.clone());
                self.boots = 0;
                Answer::Done
            }
            Ask::PutBack(ref slots) => {
                self.identity = Default::default();
                self.slots = slots.clone();
                Answer::Done
            }
            Ask::AllOff => {
                self.closed.fill(false);
                self.loads.fill(false);
                self.rewire();
                Answer::Done
            }
            Ask::Switch { switch, on } => {
                let was = std::mem::replace(&mut self.closed[switch], on && self.prepared);
                self.rewire();
                self.output(on, was)
            }
            Ask::Load { load, on } => {
                let was = std::mem::replace(&mut self.loads[load], on && self.prepared);
                // What draws far too much may pull the chip down with it.
                if on && self.case.built.shorted_loads.contains(&load) && self.drawn.limited {
                    self.reset(now, "BROWNOUT");
                }
                self.output(on, was)
            }
            Ask::Burst { channel, n, pull_up, .. } => {
                Answer::Burst(self.burst(now, channel, n, pull_up))
            }
            Ask::Codes { channel, n, .. } => {
                let burst = self.burst(now, channel, n, false);
                Answer::Codes(burst, vec![burst.mean.round() as u16; usize::from(n)])
            }
            Ask::Product { channel, before } => self.product(now, channel, before),
            Ask::Level { channel, n, pull, .. } => self.level(channel, n, pull),
            Ask::Charge { channel, pairs } => self.charge(now, channel, pairs),
            Ask::Supply { n } => Answer::Burst(self.supply_burst(now, n)),
        }
    }

    fn supply_burst(&mut self, now: Duration, n: u16) -> Burst {
        let code = self.drawn.bandgap / self.supply() * self.board.chip.scale;
        self.summary(now, code + self.drawn.offset, 0.0, n)
    }

    /// The supply as loads go on inside a burst, and off again.
    fn loads_go_on(&mut self, now: Duration, loads: &[usize], n: u16) -> Answer {
        if !self.prepared {
            return Answer::Refused("-221 settings conflict".into());
        }
        let before = self.supply_burst(now, n);
        for &load in loads {
            self.loads[load] = true;
        }
        let after = self.supply_burst(now, n);
        for &load in loads {
            self.loads[load] = false;
        }
        // What draws far too much may pull the chip down with it.
        let shorted = |load: &usize| self.case.built.shorted_loads.contains(load);
        if loads.iter().any(shorted) && self.drawn.limited {
            self.reset(now, "BROWNOUT");
        }
        let codes = vec![Some(after.mean.round() as u16); usize::from(n)];
        Answer::Samples { before: Some(before), burst: after, codes }
    }

    /// An output that was not named is refused, and one that had gone off is told.
    fn output(&self, on: bool, was: bool) -> Answer {
        match (on, was) {
            (true, _) if !self.prepared => Answer::Refused("-221 settings conflict".into()),
            (false, false) => Answer::Refused("an output had gone off by itself".into()),
            _ => Answer::Done,
        }
    }

    /// Capacitance at a pin that nothing drives.
    fn farads(&self, channel: usize) -> f64 {
        let joined = self.case.built.joints[channel] == Joint::Sound;
        let net = self.board.capacitance(self.board.channels[channel].net).0;
        STRAY + if joined { net } else { 0.0 }
    }

    /// What an open pin holds by now: it leaks to the rail that its chip leaks to.
    fn leaked(&mut self, channel: usize) -> f64 {
        let since = self.now.saturating_sub(self.held_at[channel]).as_secs_f64();
        self.held_at[channel] = self.now;
        let rail = if self.drawn.leaks[channel] > 0.0 { 1.0 } else { 0.0 };
        let left = (-since / (LEAK * self.farads(channel))).exp();
        self.held[channel] = rail + (self.held[channel] - rail) * left;
        self.held[channel]
    }

    /// Share of the supply at a pin, and its source.
    pub(super) fn pin(&mut self, channel: usize, pull_up: bool) -> (f64, f64) {
        let supply = self.supply();
        let on = (0..self.loads.len()).filter(|&l| self.loads[l]);
        let lift = on.map(|l| self.drawn.lifts[l]).sum::<f64>() / supply;
        let pulls = pull_up && !self.case.built.no_pull_up.contains(&channel);
        let (pull, leak) = (self.drawn.pull_ups[channel], self.drawn.leaks[channel]);
        let (ratio, source) = match (self.nodes[channel], pulls) {
            (Some((ratio, source)), false) => (lift + ratio * (1.0 - lift), source),
            (Some((ratio, source)), true) => {
                let x = source / pull;
                ((lift + ratio * (1.0 - lift) + x) / (1.0 + x), source / (1.0 + x))
            }
            (None, true) => (1.0, pull),
            (None, false) => {
                // It is left with a mixture of what it held and what was converted before.
                let (hold, farads) = (self.board.chip.sampling.hold.0, self.farads(channel));
                let held = self.leaked(channel);
                let held = (held * farads + self.sampled * hold) / (farads + hold);
                self.held[channel] = held;
                return (held, 0.0);
            }
        };
        let mut ratio = (ratio + leak * source / supply).clamp(0.0, 1.0);
        if let Some(Odd::Clamps(at, above, ohms)) = self.case.odd
            && at == channel
        {
            ratio = ratio.min(above + (ratio - above) * ohms / (ohms + source));
        }
        self.held[channel] = ratio;
        self.held_at[channel] = self.now;
        (ratio, source)
    }

    fn level(&mut self, channel: usize, n: u16, pull: Pull) -> Answer {
        let chip = &self.board.chip;
        let (vil, vih) = (chip.vil.0, chip.vih.0);
        if pull == Pull::Discharged {
            self.held[channel] = 0.0;
            self.held_at[channel] = self.now;
            self.levels[channel] = false;
        }
        let open = self.nodes[channel].is_none();
        let ratio = match open && pull != Pull::Up {
            // A digital read takes no charge.
            true => self.leaked(channel),
            false => self.pin(channel, pull == Pull::Up).0,
        };
        // Between its levels an input stays what it was.
        self.levels[channel] = (self.levels[channel] && ratio > vil) || ratio >= vih;
        let n = u32::from(n);
        let ones = if self.levels[channel] { n } else { 0 };
        Answer::Level { n, ones }
    }

    /// Conversions of 0 V and of the pin in turn: an open pin gives its charge away.
    fn charge(&mut self, now: Duration, channel: usize, pairs: u16) -> Answer {
        self.sampled = 0.0;
        if self.nodes[channel].is_some() {
            let (ratio, source) = self.pin(channel, false);
            let mut mean = || {
                let code = self.code(now, ratio);
                self.summary(now, code, source, 8).mean
            };
            let (first, last) = (mean(), mean());
            self.sampled = ratio;
            return Answer::Charge { first, last };
        }
        let farads = self.farads(channel);
        self.leaked(channel);
        let hold = self.board.chip.sampling.hold.0;
        let keeps = farads / (farads + hold);
        let full = f64::from(self.board.chip.full_scale);
        let code = |ratio: f64| (ratio * self.board.chip.scale - 0.5).clamp(0.0, full);
        let first = code(self.held[channel] * keeps);
        self.held[channel] *= keeps.powi(i32::from(pairs));
        self.sampled = self.held[channel];
        Answer::Charge { first, last: code(self.held[channel]) }
    }
}
