//! A list of things to ask the probe, worked off one at a time, and what came of it.

use super::judge::Readings;
use super::{Answer, Ask, Boot, Burst, Design, Presence, Pull, SwitchedOn};
use crate::board::{Board, Kind, Setting};
use crate::circuit::{Circuit, Node, Parts};
use crate::units::Ohms;
use std::collections::BTreeMap;

/// Conversions of an averaged burst: 100 ms at 125 kHz, whole periods of 50 and of 60 Hz.
pub const BURST: u16 = 961;

/// Conversions of a burst taken while a shunt moves: 20 ms, one period of 50 Hz.
pub const GLANCE: u16 = 192;

/// Reads of a digital pin.
const READS: u16 = 32;

/// Reads of a digital pin after a discharge, each with a discharge of its own.
const FEW_READS: u16 = 8;

/// What an answer is kept as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keep {
    /// The averaged burst of a channel.
    Mean(usize),
    /// The burst as the product takes it.
    Product(usize),
    /// The burst with the pull-up on.
    Pulled(usize),
    /// The burst with the channel's switches open.
    Rest(usize),
    /// Charge sharing.
    Charge(usize),
    /// Digital reads.
    Level(usize),
    /// Digital reads with the pull-up on.
    LevelPulled(usize),
    /// Digital reads after a discharge.
    LevelDischarged(usize),
    /// The averaged burst of a channel with its codes.
    Codes(usize),
    /// The supply.
    Supply,
    /// The supply without and with loads, switched while it is read.
    Step,
    /// Whether a part on a bus answers.
    Presence(usize),
    /// The boot that the probe is in.
    Boot,
    /// Nothing.
    No,
}

/// What a sweep has read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Got {
    /// Readings by channel.
    pub channels: BTreeMap<usize, Readings>,
    /// Bursts at rest by channel.
    pub rest: BTreeMap<usize, Burst>,
    /// The codes of the channel whose codes were asked for.
    pub codes: Option<(usize, Vec<u16>)>,
    /// The supply.
    pub supply: Option<Burst>,
    /// The supply as loads went on.
    pub step: Option<SwitchedOn>,
    /// What parts on a bus did, by part.
    pub presence: BTreeMap<usize, Presence>,
    /// The boot at the end of the sweep.
    pub boot: Option<Boot>,
    /// What the probe refused.
    pub refused: Vec<String>,
}

impl Got {
    fn readings(&mut self, channel: usize) -> &mut Readings {
        self.channels.entry(channel).or_default()
    }
}

/// Asks in order, with what each answer is kept as.
#[derive(Clone, Debug, Default)]
pub struct Sweep {
    plan: Vec<(Ask, Keep)>,
    at: usize,
    got: Got,
}

impl Sweep {
    /// An empty sweep.
    pub fn new() -> Sweep {
        Sweep::default()
    }

    /// Adds one ask.
    pub fn ask(mut self, ask: Ask, keep: Keep) -> Sweep {
        self.plan.push((ask, keep));
        self
    }

    /// Adds every reading that judging a channel needs.
    pub fn measure(mut self, board: &Design, channel: usize) -> Sweep {
        let c = &board.channels[channel];
        self = self.switches(board, channel, true);
        match c.kind {
            // Read by a person, the power off.
            Kind::Meter { .. } => {}
            Kind::Digital => {
                self = self.levels(board, channel, c.pin.pull_up).discharged(board, channel);
            }
            Kind::Analog => {
                self.plan.push((burst(board, channel, BURST, false), Keep::Mean(channel)));
                let product = Ask::Product { channel, before: read_before(board, channel) };
                self.plan.push((product, Keep::Product(channel)));
                if c.pin.pull_up {
                    let pulled = burst(board, channel, GLANCE, true);
                    self.plan.push((pulled, Keep::Pulled(channel)));
                }
                self = self.charge(board, channel);
            }
        }
        self = self.switches(board, channel, false);
        if !c.closes.is_empty() && c.kind == Kind::Analog {
            self.plan.push((burst(board, channel, BURST, false), Keep::Rest(channel)));
        }
        self
    }

    /// Adds what the live view shows: as [`Sweep::measure`], but for the burst as the product takes
    /// it and the one at rest. `codes` asks for the codes of the averaged burst as well.
    pub fn watch(mut self, board: &Design, channel: usize, codes: bool) -> Sweep {
        let c = &board.channels[channel];
        self = self.switches(board, channel, true);
        match c.kind {
            Kind::Meter { .. } => {}
            Kind::Digital => {
                self = self.levels(board, channel, c.pin.pull_up).discharged(board, channel);
            }
            Kind::Analog => {
                let mean = match codes {
                    false => (burst(board, channel, BURST, false), Keep::Mean(channel)),
                    true => {
                        let settle_us = board.waits(channel).settle_us(false);
                        let ask = Ask::Codes { channel, n: BURST, discard: 2, settle_us };
                        (ask, Keep::Codes(channel))
                    }
                };
                self.plan.push(mean);
                if c.pin.pull_up {
                    let pulled = burst(board, channel, GLANCE, true);
                    self.plan.push((pulled, Keep::Pulled(channel)));
                }
                self = self.charge(board, channel);
            }
        }
        self.switches(board, channel, false)
    }

    /// Adds charge sharing, where the converter has the 0 V input that it needs.
    fn charge(mut self, board: &Design, channel: usize) -> Sweep {
        if board.chip.ground_input {
            let pairs = board.waits(channel).charge_pairs;
            self.plan.push((Ask::Charge { channel, pairs }, Keep::Charge(channel)));
        }
        self
    }

    /// Adds the quick readings that show where a shunt is.
    pub fn glance(mut self, board: &Design, channel: usize) -> Sweep {
        let c = &board.channels[channel];
        self = self.switches(board, channel, true);
        match c.kind {
            Kind::Meter { .. } => {}
            // No pull-up here: it would leave its charge on an open pin.
            Kind::Digital => self = self.levels(board, channel, false),
            Kind::Analog => {
                self.plan.push((burst(board, channel, GLANCE, false), Keep::Mean(channel)));
                if c.pin.pull_up {
                    let pulled = burst(board, channel, GLANCE / 4, true);
                    self.plan.push((pulled, Keep::Pulled(channel)));
                }
                self = self.charge(board, channel);
            }
        }
        self.switches(board, channel, false)
    }

    /// Adds an averaged burst alone.
    pub fn again(mut self, board: &Design, channel: usize) -> Sweep {
        self = self.switches(board, channel, true);
        self.plan.push((burst(board, channel, BURST, false), Keep::Mean(channel)));
        self.switches(board, channel, false)
    }

    fn levels(mut self, board: &Design, channel: usize, pulled: bool) -> Sweep {
        let c = &board.channels[channel];
        let waits = board.waits(channel);
        let settle_us = waits.settle_us(c.pull_up);
        let pull = if c.pull_up { Pull::Up } else { Pull::Off };
        let level = Ask::Level { channel, n: READS, pull, settle_us };
        self.plan.push((level, Keep::Level(channel)));
        if pulled {
            let settle_us = settle_us.max(waits.settle_us(true));
            let level = Ask::Level { channel, n: READS, pull: Pull::Up, settle_us };
            self.plan.push((level, Keep::LevelPulled(channel)));
        }
        self
    }

    /// Adds reads after a discharge, where the board file allows it.
    fn discharged(mut self, board: &Design, channel: usize) -> Sweep {
        if board.channels[channel].discharge {
            let settle_us = board.waits(channel).discharged_us;
            let level = Ask::Level { channel, n: FEW_READS, pull: Pull::Discharged, settle_us };
            self.plan.push((level, Keep::LevelDischarged(channel)));
        }
        self
    }

    fn switches(mut self, board: &Board, channel: usize, on: bool) -> Sweep {
        for &switch in &board.channels[channel].closes {
            self.plan.push((Ask::Switch { switch, on }, Keep::No));
        }
        self
    }

    /// The next ask, if any is left.
    pub fn next(&self) -> Option<Ask> {
        self.plan.get(self.at).map(|(ask, _)| ask.clone())
    }

    /// Takes the answer to the ask that `next` named.
    pub fn answer(&mut self, answer: Answer) {
        let Some((_, keep)) = self.plan.get(self.at) else { return };
        self.at += 1;
        let got = &mut self.got;
        match (*keep, answer) {
            (Keep::Mean(c), Answer::Burst(b)) => got.readings(c).mean = Some(b),
            (Keep::Product(c), Answer::Burst(b)) => got.readings(c).product = Some(b),
            (Keep::Pulled(c), Answer::Burst(b)) => got.readings(c).pulled = Some(b),
            (Keep::Charge(c), Answer::Charge { first, last }) => {
                got.readings(c).charge = Some((first, last));
            }
            (Keep::Level(c), Answer::Level { n, ones }) => got.readings(c).level = Some((n, ones)),
            (Keep::LevelPulled(c), Answer::Level { n, ones }) => {
                got.readings(c).level_pulled = Some((n, ones));
            }
            (Keep::LevelDischarged(c), Answer::Level { n, ones }) => {
                got.readings(c).level_discharged = Some((n, ones));
            }
            (Keep::Codes(c), Answer::Codes(b, codes)) => {
                got.readings(c).mean = Some(b);
                got.codes = Some((c, codes));
            }
            (Keep::Rest(c), Answer::Burst(b)) => {
                got.rest.insert(c, b);
            }
            (Keep::Supply, Answer::Burst(b)) => got.supply = Some(b),
            (Keep::Step, Answer::Samples { before: Some(before), burst: after, .. }) => {
                got.step = Some(SwitchedOn { before, after });
            }
            (Keep::Presence(part), Answer::Presence(found)) => {
                got.presence.insert(part, found);
            }
            (Keep::Boot, Answer::Boot(b)) => got.boot = Some(b),
            (_, Answer::Refused(why)) => got.refused.push(why),
            _ => {}
        }
    }

    /// Whether everything has been answered.
    pub fn done(&self) -> bool {
        self.at >= self.plan.len()
    }

    /// What was read.
    pub fn got(&self) -> &Got {
        &self.got
    }
}

fn burst(board: &Design, channel: usize, n: u16, pull_up: bool) -> Ask {
    let settle_us = board.waits(channel).settle_us(pull_up);
    Ask::Burst { channel, n, pull_up, discard: 2, settle_us }
}

/// The channel that the product reads before this one: it goes round its analog channels in the
/// order of the board file.
fn read_before(board: &Board, channel: usize) -> usize {
    let analog = |&c: &usize| board.channels[c].kind == Kind::Analog;
    let (before, after) = (0..channel, channel..board.channels.len());
    before.rev().find(analog).or_else(|| after.rev().find(analog)).unwrap_or(channel)
}

/// Time for a switch to close or open: relays and optocouplers take up to some milliseconds (common
/// practice, no source).
const SWITCHING_US: f64 = 5_000.0;

/// Longest wait that is asked of the probe.
const LONGEST_US: f64 = 1_000_000.0;

/// Capacitance of a pin and its track (common practice, no source).
const PIN_FARADS: f64 = 15e-12;

/// Shortest wait after a discharge: the probe's own steps take longer than that (2 µs).
const SHORTEST_US: f64 = 2.0;

/// Time constants until a node rests: what is left is under half a code of 1024.
const CONSTANTS: f64 = 10.0;

/// How long a channel takes to rest, worked out once for a board.
#[derive(Clone, Copy, Debug)]
pub(super) struct Waits {
    driven_us: u32,
    pulled_us: u32,
    discharged_us: u32,
    charge_pairs: u16,
}

impl Waits {
    pub(super) fn of(board: &Board, channel: usize) -> Waits {
        let slowest = slowest(board, channel);
        Waits {
            driven_us: settle_us(board, channel, slowest),
            pulled_us: settle_us(board, channel, board.chip.pull_up.1),
            discharged_us: settle_us_discharged(board, channel, slowest),
            charge_pairs: charge_pairs(board, channel),
        }
    }

    /// Microseconds until the pin rests, with its pull-up off or on.
    fn settle_us(&self, pull_up: bool) -> u32 {
        if pull_up { self.pulled_us } else { self.driven_us }
    }
}

/// Microseconds until a channel rests, its pull-up off.
pub(super) fn rest_us(board: &Board, channel: usize) -> u32 {
    Waits::of(board, channel).driven_us
}

/// Microseconds until a driven node rests, with the slowest source that its jumpers can give it, or
/// with the weakest pull-up alone, so that an open pin has reached the rail.
fn settle_us(board: &Board, channel: usize, source: Ohms) -> u32 {
    let c = &board.channels[channel];
    let switching = if c.closes.is_empty() { 0.0 } else { SWITCHING_US };
    (100.0 + switching + rests_us(board, channel, source)).min(LONGEST_US) as u32
}

/// The same after a discharge: no longer than a driven pin needs, since an open one leaks back up.
/// At the leakage that the data sheet allows it rises by that times ten times the source resistance
/// meanwhile, 0.1 V for 10 kΩ at the ATmega328P.
fn settle_us_discharged(board: &Board, channel: usize, slowest: Ohms) -> u32 {
    let most = LONGEST_US / f64::from(FEW_READS);
    rests_us(board, channel, slowest).clamp(SHORTEST_US, most).ceil() as u32
}

fn rests_us(board: &Board, channel: usize, source: Ohms) -> f64 {
    let farads = board.capacitance(board.channels[channel].net).0 + PIN_FARADS;
    CONSTANTS * 1e6 * source.0 * farads
}

/// The largest source resistance that a channel has with one of the jumpers moved from the delivery
/// setting.
fn slowest(board: &Board, channel: usize) -> Ohms {
    let c = &board.channels[channel];
    let parts = Parts::nominal(board);
    let moved = (0..board.jumpers.len()).flat_map(|j| {
        let places = board.jumpers[j].places();
        places.into_iter().map(move |place| board.delivery.with(j, place))
    });
    let settings = std::iter::once(board.delivery.clone()).chain(moved);
    let source =
        |setting: Setting| match Circuit::solve(board, &parts, &setting, &c.closes).node(c.net) {
            Node::Driven { source, .. } => source.0,
            Node::Floating => 0.0,
        };
    Ohms(settings.map(source).fold(0.0, f64::max))
}

/// Pairs of conversions after which an open pin has lost a tenth of its charge: each pair takes the
/// share hold / (hold + pin) of it.
fn charge_pairs(board: &Board, channel: usize) -> u16 {
    let hold = board.chip.sampling.hold.0;
    let pin = board.capacitance(board.channels[channel].net).0 + PIN_FARADS;
    (0.1 * (hold + pin) / hold).ceil().clamp(16.0, 2000.0) as u16
}
