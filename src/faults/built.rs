//! What one unit is really like: its parts, its joints, and where its shunts are in truth.

use super::Fault;
use crate::board::{Board, Level, Place, Question, Setting};
use crate::circuit::{Circuit, Node, Parts, SEATED, SHORT_BELOW};
use crate::units::{Ohms, Volts};

/// The joint between a pin of the chip and its net.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Joint {
    /// As it should be.
    #[default]
    Sound,
    /// Not soldered.
    Open,
    /// The pin reads this level whatever its net does.
    Stuck(Level),
}

/// One unit as it was built, with its defects.
#[derive(Clone, Debug)]
pub struct Built {
    /// The values of its parts.
    pub parts: Parts,
    /// Per channel: the joint at its pin.
    pub joints: Vec<Joint>,
    /// Channels whose pull-up does not pull.
    pub no_pull_up: Vec<usize>,
    /// Jumpers whose positions are counted from the other end.
    pub reversed: Vec<usize>,
    /// Jumpers that are taken for each other.
    pub mistaken: Vec<[usize; 2]>,
    /// Second shunts: jumper and position. What they join is among the bridges of the parts.
    pub second_shunts: Vec<(usize, usize)>,
    /// Loads that draw nothing.
    pub dead_loads: Vec<usize>,
    /// Loads that draw far too much.
    pub shorted_loads: Vec<usize>,
}

impl Built {
    /// A unit without defects, with these parts.
    pub fn good(board: &Board, parts: Parts) -> Built {
        Built {
            parts,
            joints: vec![Joint::Sound; board.channels.len()],
            no_pull_up: Vec::new(),
            reversed: Vec::new(),
            mistaken: Vec::new(),
            second_shunts: Vec::new(),
            dead_loads: Vec::new(),
            shorted_loads: Vec::new(),
        }
    }

    /// The nominal unit with one defect.
    pub fn with(board: &Board, fault: Fault) -> Built {
        let mut built = Built::good(board, Parts::nominal(board));
        built.plant(board, fault);
        built
    }

    /// Puts a defect into the unit.
    pub fn plant(&mut self, board: &Board, fault: Fault) {
        let parts = &mut self.parts;
        match fault {
            Fault::ResistorOpen { resistor } => parts.resistors[resistor] = Ohms(f64::INFINITY),
            Fault::ResistorShorted { resistor } => parts.resistors[resistor] = SEATED,
            Fault::ResistorValue { resistor, ohms } => parts.resistors[resistor] = ohms,
            Fault::ResistorOff { resistor, ratio } => {
                parts.resistors[resistor] = Ohms(board.resistors[resistor].ohms.0 * ratio);
            }
            Fault::ResistorsSwapped { resistors: [a, b] } => parts.resistors.swap(a, b),
            Fault::ContactOpen { jumper, position } => {
                parts.contacts[jumper][position] = Ohms(f64::INFINITY);
            }
            Fault::ContactResistive { jumper, position, ohms } => {
                parts.contacts[jumper][position] = ohms;
            }
            Fault::PinsBridged { between, ohms, .. }
            | Fault::HeadersBridged { between, ohms, .. } => parts.bridges.push((between, ohms)),
            Fault::SecondShunt { jumper, position } => {
                let joins = &board.jumpers[jumper].positions[position].joins;
                parts.bridges.extend(joins.iter().map(|&between| (between, SEATED)));
                self.second_shunts.push((jumper, position));
            }
            Fault::CountedFromWrongEnd { jumper } => self.reversed.push(jumper),
            Fault::HeadersMistaken { jumpers } => self.mistaken.push(jumpers),
            Fault::PinOpen { channel } => self.joints[channel] = Joint::Open,
            Fault::PinStuck { channel, level } => self.joints[channel] = Joint::Stuck(level),
            Fault::PinLeaks { channel, to, ohms } => {
                let rail = super::effect::rail(board, to);
                parts.bridges.push(([board.channels[channel].net, rail], ohms));
            }
            Fault::ChannelsBridged { channels, ohms } => {
                parts.bridges.push((channels.map(|c| board.channels[c].net), ohms));
            }
            Fault::PullUpMissing { channel } => self.no_pull_up.push(channel),
            Fault::SwitchStaysOpen { switch } => parts.switches[switch].stuck = Some(false),
            Fault::SwitchStaysClosed { switch } => parts.switches[switch].stuck = Some(true),
            Fault::LoadDead { load } => self.dead_loads.push(load),
            Fault::LoadShorted { load } => self.shorted_loads.push(load),
        }
    }

    /// Where the shunts are in truth when they are meant to be in a setting.
    pub fn seat(&self, board: &Board, meant: &Setting) -> Setting {
        let mut seat = meant.clone();
        for &[a, b] in &self.mistaken {
            seat.0.swap(a, b);
        }
        for &jumper in &self.reversed {
            if let Place::At(position) = seat.0[jumper] {
                let positions = board.jumpers[jumper].positions.len();
                seat.0[jumper] = Place::At(positions - 1 - position);
            }
        }
        seat
    }

    /// The unit after somebody took every shunt off the headers that a setting has bare: a second
    /// one goes with the first, a bridge stays.
    pub fn bare(&self, board: &Board, setting: &Setting) -> Built {
        let mut bare = self.clone();
        let off = |&(jumper, _): &(usize, usize)| setting.0[jumper] == Place::Open;
        for (jumper, position) in self.second_shunts.iter().copied().filter(off) {
            for &between in &board.jumpers[jumper].positions[position].joins {
                let joined = (between, SEATED);
                let bridges = &mut bare.parts.bridges;
                if let Some(at) = bridges.iter().position(|b| *b == joined) {
                    bridges.remove(at);
                }
            }
        }
        bare.second_shunts.retain(|second| !off(second));
        bare
    }

    /// What the pin of a channel sees in a setting that is meant, with these switches closed.
    pub fn node(&self, board: &Board, meant: &Setting, closed: &[usize], channel: usize) -> Node {
        let seat = self.seat(board, meant);
        let circuit = Circuit::solve(board, &self.parts, &seat, closed);
        self.at_pin(channel, circuit.node(board.channels[channel].net))
    }

    /// Whether the supply is shorted in a setting that is meant, so that nothing can be read.
    pub fn shorts(&self, board: &Board, meant: &Setting, closed: &[usize]) -> bool {
        let seat = self.seat(board, meant);
        let circuit = Circuit::solve(board, &self.parts, &seat, closed);
        circuit.supply_current().0 > self.parts.supply.0 / SHORT_BELOW.0
    }

    /// What the pin sees of its net.
    pub fn at_pin(&self, channel: usize, net: Node) -> Node {
        match self.joints[channel] {
            Joint::Sound => net,
            Joint::Open => Node::Floating,
            Joint::Stuck(level) => stuck(self.parts.supply, level),
        }
    }
}

/// A pin held at an end of the scale.
pub(super) fn stuck(supply: Volts, level: Level) -> Node {
    let volts = if level == Level::High { supply } else { Volts(0.0) };
    Node::Driven { volts, source: Ohms(0.0) }
}

/// Current above which a lamp is seen to glow, in amperes (common practice, no source).
const GLOWS: f64 = 0.5e-3;

/// Voltage across a lamp below which it is dark whatever flows: no light-emitting diode glows below its
/// forward voltage, 1.6 V of a red one (common practice, no source), and a short carries all of the
/// current and gives no light.
const GLOWS_FROM: f64 = 1.0;

/// The answer that an attentive person would give to a question about lit or dark lamps.
pub fn answer(board: &Board, built: &Built, meant: &Setting, question: &Question) -> bool {
    let seat = built.seat(board, meant);
    let circuit = Circuit::solve(board, &built.parts, &seat, &question.closes);
    let glows = |&r: &usize| {
        let amperes = circuit.resistor_current(r).0.abs();
        amperes > GLOWS && amperes * built.parts.resistors[r].0 > GLOWS_FROM
    };
    question.lit.iter().all(glows) && !question.dark.iter().any(glows)
}
