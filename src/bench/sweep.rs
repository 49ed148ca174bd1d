//! A list of things to ask the probe, worked off one at a time, and what came of it.

use super::judge::Readings;
use super::{Answer, Ask, Boot, Burst};
use crate::board::{Board, Kind};
use crate::circuit::Node;
use crate::window;
use std::collections::BTreeMap;

/// Conversions of an averaged burst: 100 ms at 125 kHz, whole periods of 50 and of 60 Hz.
pub const BURST: u16 = 961;

/// Conversions of a burst taken while a shunt moves: 20 ms, one period of 50 Hz.
pub const GLANCE: u16 = 192;

/// Reads of a digital pin.
const READS: u16 = 32;

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
    /// The supply.
    Supply,
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
    /// The supply.
    pub supply: Option<Burst>,
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
    pub fn measure(mut self, board: &Board, channel: usize) -> Sweep {
        let c = &board.channels[channel];
        self = self.switches(board, channel, true);
        match c.kind {
            // Read by a person, the power off.
            Kind::Meter { .. } => {}
            Kind::Digital => self = self.levels(board, channel, c.pin.pull_up),
            Kind::Analog => {
                self.plan.push((burst(board, channel, BURST, false, false), Keep::Mean(channel)));
                let product = burst(board, channel, board.firmware.conversions, false, true);
                self.plan.push((product, Keep::Product(channel)));
                if c.pin.pull_up {
                    let pulled = burst(board, channel, GLANCE, true, false);
                    self.plan.push((pulled, Keep::Pulled(channel)));
                }
                let pairs = charge_pairs(board, channel);
                self.plan.push((Ask::Charge { channel, pairs }, Keep::Charge(channel)));
            }
        }
        self = self.switches(board, channel, false);
        if !c.closes.is_empty() && c.kind == Kind::Analog {
            self.plan.push((burst(board, channel, BURST, false, false), Keep::Rest(channel)));
        }
        self
    }

    /// Adds the quick readings that show where a shunt is.
    pub fn glance(mut self, board: &Board, channel: usize) -> Sweep {
        let c = &board.channels[channel];
        self = self.switches(board, channel, true);
        match c.kind {
            Kind::Meter { .. } => {}
            // No pull-up here: it would leave its charge on an open pin.
            Kind::Digital => self = self.levels(board, channel, false),
            Kind::Analog => {
                self.plan.push((burst(board, channel, GLANCE, false, false), Keep::Mean(channel)));
                if c.pin.pull_up {
                    let pulled = burst(board, channel, GLANCE / 4, true, false);
                    self.plan.push((pulled, Keep::Pulled(channel)));
                }
                let pairs = charge_pairs(board, channel);
                self.plan.push((Ask::Charge { channel, pairs }, Keep::Charge(channel)));
            }
        }
        self.switches(board, channel, false)
    }

    /// Adds an averaged burst alone.
    pub fn again(mut self, board: &Board, channel: usize) -> Sweep {
        self = self.switches(board, channel, true);
        self.plan.push((burst(board, channel, BURST, false, false), Keep::Mean(channel)));
        self.switches(board, channel, false)
    }

    fn levels(mut self, board: &Board, channel: usize, pulled: bool) -> Sweep {
        let c = &board.channels[channel];
        let settle_us = settle_us(board, channel, c.pull_up);
        let level = Ask::Level { channel, n: READS, pull_up: c.pull_up, settle_us };
        self.plan.push((level, Keep::Level(channel)));
        if pulled {
            let settle_us = settle_us.max(settle_us_pulled(board, channel));
            let level = Ask::Level { channel, n: READS, pull_up: true, settle_us };
            self.plan.push((level, Keep::LevelPulled(channel)));
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
            (Keep::Rest(c), Answer::Burst(b)) => {
                got.rest.insert(c, b);
            }
            (Keep::Supply, Answer::Burst(b)) => got.supply = Some(b),
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

fn burst(board: &Board, channel: usize, n: u16, pull_up: bool, as_product: bool) -> Ask {
    let discard = if as_product { board.firmware.discard } else { 2 };
    let settle_us =
        if pull_up { settle_us_pulled(board, channel) } else { settle_us(board, channel, false) };
    Ask::Burst { channel, n, pull_up, discard, settle_us, as_product }
}

/// Time for a switch to close or open: relays and optocouplers take up to some milliseconds (common
/// practice, no source).
const SWITCHING_US: f64 = 5_000.0;

/// Longest wait that is asked of the probe.
const LONGEST_US: f64 = 1_000_000.0;

/// Microseconds until a driven node rests within half a code: ten time constants of its source
/// resistance and capacitor, and the time of its switches.
fn settle_us(board: &Board, channel: usize, pull_up: bool) -> u32 {
    if pull_up {
        return settle_us_pulled(board, channel);
    }
    let c = &board.channels[channel];
    let setting = &board.delivery;
    let source = match window::expect(board, setting, channel).node {
        Node::Driven { source, .. } => source.0,
        Node::Floating => 0.0,
    };
    let switching = if c.closes.is_empty() { 0.0 } else { SWITCHING_US };
    (100.0 + switching + 10e6 * source * board.capacitance(c.net).0).min(LONGEST_US) as u32
}

/// The same with the pull-up on and nothing else driving: ten time constants of the weakest pull-up
/// and the capacitor, so that an open pin has reached the rail.
fn settle_us_pulled(board: &Board, channel: usize) -> u32 {
    let c = &board.channels[channel];
    let switching = if c.closes.is_empty() { 0.0 } else { SWITCHING_US };
    let tau = board.chip.pull_up.1.0 * (board.capacitance(c.net).0 + PIN_FARADS);
    (100.0 + switching + 10e6 * tau).min(LONGEST_US) as u32
}

/// Capacitance of a pin and its track (common practice, no source).
const PIN_FARADS: f64 = 15e-12;

/// Pairs of conversions after which an open pin has lost a tenth of its charge: each pair takes the
/// share hold / (hold + pin) of it.
fn charge_pairs(board: &Board, channel: usize) -> u16 {
    let hold = board.chip.hold.0;
    let pin = board.capacitance(board.channels[channel].net).0 + PIN_FARADS;
    (0.1 * (hold + pin) / hold).ceil().clamp(16.0, 2000.0) as u16
}
