//! What the eye or another shunt tells: yes or no, and either may be wrong.
//!
//! Many causes are alike at every net, and differ in what is to be seen: a second shunt and a
//! bridge of solder between the same pins of a header.

use crate::board::Board;
use crate::faults::Fault;

/// Something to look for on a unit, with a magnifier, or to try with a shunt that is known good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// Another shunt on a header than the one that was moved.
    SecondShunt {
        /// Jumper index.
        jumper: usize,
    },
    /// Solder between two pins of a header.
    Bridge {
        /// Jumper index.
        jumper: usize,
        /// Numbers of the header pins.
        pins: [u16; 2],
    },
    /// Solder or residue between the pins of two channels on the chip.
    ChipBridge {
        /// Channel indices.
        channels: [usize; 2],
    },
    /// Another value printed on a resistor than the board file has.
    Value {
        /// Resistor index.
        resistor: usize,
    },
    /// A resistor that is missing or cracked, or a joint of it that is lifted or dull.
    Joint {
        /// Resistor index.
        resistor: usize,
    },
    /// Solder across a resistor.
    Across {
        /// Resistor index.
        resistor: usize,
    },
    /// A lifted or dull joint at the chip's pin of a channel.
    PinJoint {
        /// Channel index.
        channel: usize,
    },
    /// Positions of a header that were counted from its other end in this test.
    WrongEnd {
        /// Jumper index.
        jumper: usize,
    },
    /// Two headers that were taken for each other in this test.
    Mistaken {
        /// Jumper indices.
        jumpers: [usize; 2],
    },
    /// A reading that comes right with another shunt in place of the unit's own.
    OtherShunt {
        /// Jumper index.
        jumper: usize,
        /// Position index.
        position: usize,
    },
}

/// How often a look says yes: of the defect that it is for, and of any other unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rates {
    /// Share of yes where the defect is.
    pub found: f64,
    /// Share of yes where it is not.
    pub imagined: f64,
}

/// A bridge of more ohms is no clean joint of solder: residue or a whisker, which is easily missed.
const SOLDER_BELOW: f64 = 10.0;

impl Look {
    /// How far the eye is to be trusted, for bridges with that of clean solder (common practice, no
    /// source; the figures are ours): an extra shunt is plain, a printed value is read wrongly now
    /// and then, a joint shows its fault less often than it has one. A poor contact goes away with
    /// another shunt in half of cases, the rest sit in the pin.
    pub fn rates(&self) -> Rates {
        let rates = |found, imagined| Rates { found, imagined };
        match self {
            Look::SecondShunt { .. } => rates(0.99, 0.002),
            Look::Bridge { .. } => rates(0.9, 0.02),
            Look::ChipBridge { .. } => rates(0.85, 0.03),
            Look::Value { .. } => rates(0.97, 0.01),
            Look::Joint { .. } => rates(0.75, 0.04),
            Look::Across { .. } => rates(0.9, 0.02),
            Look::PinJoint { .. } => rates(0.7, 0.05),
            Look::WrongEnd { .. } | Look::Mistaken { .. } => rates(0.9, 0.02),
            Look::OtherShunt { .. } => rates(0.5, 0.02),
        }
    }

    /// What a defect is to be looked for by; none where nothing is to be seen. A resistor that has
    /// drifted bears its right value, and the inside of a chip shows nothing.
    pub fn of(board: &Board, fault: &Fault) -> Vec<Look> {
        match *fault {
            Fault::ResistorOpen { resistor } => vec![Look::Joint { resistor }],
            Fault::ResistorShorted { resistor } => vec![Look::Across { resistor }],
            Fault::ResistorValue { resistor, .. } => vec![Look::Value { resistor }],
            Fault::ResistorsSwapped { resistors } => {
                resistors.map(|resistor| Look::Value { resistor }).to_vec()
            }
            Fault::ContactOpen { jumper, position }
            | Fault::ContactResistive { jumper, position, .. } => {
                // The shunt of a header with several positions made contact on the others.
                match board.jumpers[jumper].positions.len() {
                    1 => vec![Look::OtherShunt { jumper, position }],
                    _ => Vec::new(),
                }
            }
            Fault::PinsBridged { jumper, pins, .. } => vec![Look::Bridge { jumper, pins }],
            Fault::SecondShunt { jumper, .. } => vec![Look::SecondShunt { jumper }],
            Fault::CountedFromWrongEnd { jumper } => vec![Look::WrongEnd { jumper }],
            Fault::HeadersMistaken { jumpers } => vec![Look::Mistaken { jumpers }],
            Fault::PinOpen { channel } => vec![Look::PinJoint { channel }],
            Fault::ChannelsBridged { channels, .. } => vec![Look::ChipBridge { channels }],
            Fault::ResistorOff { .. }
            | Fault::PinStuck { .. }
            | Fault::PinLeaks { .. }
            | Fault::PullUpMissing { .. }
            | Fault::SwitchStaysOpen { .. }
            | Fault::SwitchStaysClosed { .. }
            | Fault::LoadDead { .. }
            | Fault::LoadShorted { .. } => Vec::new(),
        }
    }

    /// How likely a yes is of a unit with these defects.
    pub fn yes(&self, board: &Board, faults: &[Fault]) -> f64 {
        let rates = self.rates();
        let shows = |f: &&Fault| Look::of(board, f).contains(self);
        match faults.iter().find(shows) {
            None => rates.imagined,
            Some(fault) if is_poor_bridge(fault) => rates.found / 2.0,
            Some(_) => rates.found,
        }
    }

    /// Logarithm of how likely an answer is of a unit with these defects.
    pub(super) fn ln(&self, board: &Board, faults: &[Fault], yes: bool) -> f64 {
        let likely = self.yes(board, faults);
        if yes { likely.ln() } else { (1.0 - likely).ln() }
    }
}

fn is_poor_bridge(fault: &Fault) -> bool {
    match *fault {
        Fault::PinsBridged { ohms, .. } | Fault::ChannelsBridged { ohms, .. } => {
            ohms.0 > SOLDER_BELOW
        }
        _ => false,
    }
}

/// Information on the cause that a yes or no is expected to give, in nats: exact, since there are
/// but two outcomes. `yes` is the probability of a yes under each cause.
pub(super) fn information(weights: &[f64], yes: &[f64]) -> f64 {
    let total: f64 = weights.iter().sum();
    let entropy =
        |p: f64| -[p, 1.0 - p].map(|q| if q > 0.0 { q * q.ln() } else { 0.0 }).iter().sum::<f64>();
    let mean = weights.iter().zip(yes).map(|(w, y)| w / total * y).sum::<f64>();
    let within: f64 = weights.iter().zip(yes).map(|(w, &y)| w / total * entropy(y)).sum();
    entropy(mean.clamp(0.0, 1.0)) - within
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sure_look_settles_a_bit_and_a_blind_one_nothing() {
        let sure = information(&[0.5, 0.5], &[1.0, 0.0]);
        assert!((sure - 2f64.ln()).abs() < 1e-12, "{sure}");
        assert!(information(&[0.5, 0.5], &[0.3, 0.3]).abs() < 1e-12);
        let poor = information(&[0.5, 0.5], &[0.7, 0.05]);
        assert!(poor > 0.0 && poor < sure, "{poor}");
    }
}
