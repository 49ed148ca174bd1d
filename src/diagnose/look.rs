//! What the eye or the hand tells: yes or no, and either may be wrong.
//!
//! Many causes are alike at every net, and differ in what is to be seen or tried: a second shunt
//! and a bridge of solder between the same pins of a header.

use super::tried;
use crate::board::{Board, Setting};
use crate::circuit::Parts;
use crate::faults::{self, Built, Fault, answer};
use crate::units::Ohms;

/// Two pins side by side that solder or residue may join.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Between {
    /// Of one header.
    Header {
        /// Jumper index.
        jumper: usize,
        /// Numbers of the header pins.
        pins: [u16; 2],
    },
    /// Of two headers.
    Headers {
        /// Jumper indices.
        jumpers: [usize; 2],
        /// The number of the pin on each header.
        pins: [u16; 2],
    },
    /// Of the chip.
    Chip {
        /// Channel indices.
        channels: [usize; 2],
    },
}

/// Something to look for on a unit, with a magnifier, or to try by hand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Look {
    /// Another shunt on a header than the one that was moved.
    SecondShunt {
        /// Jumper index.
        jumper: usize,
    },
    /// Solder between two pins, or on the chip residue as well.
    Bridge(Between),
    /// Any value printed on a resistor but the board file's.
    OtherValue {
        /// Resistor index.
        resistor: usize,
    },
    /// This value printed on a resistor.
    Printed {
        /// Resistor index.
        resistor: usize,
        /// The value, which is not the board file's.
        ohms: Ohms,
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
    /// A reading that comes right once a blade was drawn between two pins.
    Scraped(Between),
    /// A reading that comes right once the solder between two pins was drawn off with an iron.
    Desoldered(Between),
    /// A reading that comes right once the joint at the chip's pin of a channel was soldered anew.
    Resoldered {
        /// Channel index.
        channel: usize,
    },
    /// A resistor that a meter finds out of tolerance with one end lifted.
    Lifted {
        /// Resistor index.
        resistor: usize,
    },
    /// A question of the test answered with yes when it is asked again.
    Answer {
        /// Question index.
        question: usize,
    },
    /// One lamp among several of a question, lit when it is asked again.
    Lamp {
        /// Question index.
        question: usize,
        /// Resistor index: the one that the lamp's current flows through.
        resistor: usize,
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

/// Probability that an answer to a question is not what the unit shows: eyes slip.
pub(super) const SLIP: f64 = 0.01;

/// How many times as often as they are believed to eyes may miss what is there, and a cause hold all
/// the same: what nobody saw is little to solder by (common practice, no source; the figure is ours).
const DOUBT: f64 = 3.0;

/// A resistor whose logarithm is off by more has not drifted: it is another part, with its value
/// printed on it.
const ODD_FROM: f64 = 1.1;

/// A bridge of more ohms is no clean joint of solder: residue or a whisker, which is easily missed.
const SOLDER_BELOW: f64 = 10.0;

impl Look {
    /// How far eye and hand are to be trusted (common practice, no source; the figures are ours):
    /// an extra shunt is plain, a printed value is read wrongly now and then, a joint shows its
    /// fault less often than it has one. A poor contact goes away with another shunt in half of
    /// cases, the rest sit in the pin. A blade and an iron cure what they are put to, now and then
    /// something beside it, and what is read then leaves no doubt.
    pub fn rates(&self) -> Rates {
        let rates = |found, imagined| Rates { found, imagined };
        match self {
            Look::SecondShunt { .. } => rates(0.99, 0.002),
            Look::Bridge(Between::Chip { .. }) => rates(0.85, 0.03),
            Look::Bridge(_) => rates(0.9, 0.02),
            Look::OtherValue { .. } | Look::Printed { .. } => rates(0.97, 0.01),
            Look::Joint { .. } => rates(0.75, 0.04),
            Look::Across { .. } => rates(0.9, 0.02),
            Look::PinJoint { .. } => rates(0.7, 0.05),
            Look::WrongEnd { .. } | Look::Mistaken { .. } => rates(0.9, 0.02),
            Look::OtherShunt { .. } => rates(0.5, 0.02),
            Look::Scraped(_) => rates(0.9, 0.005),
            Look::Desoldered(_) => rates(0.95, 0.01),
            Look::Resoldered { .. } => rates(0.9, 0.01),
            Look::Lifted { .. } => rates(0.99, 0.005),
            Look::Answer { .. } | Look::Lamp { .. } => rates(1.0 - SLIP, SLIP),
        }
    }

    /// Whether something is done to the unit, and not only looked at.
    pub fn is_tried(&self) -> bool {
        self.changes_the_unit() || matches!(self, Look::OtherShunt { .. })
    }

    /// Whether an iron or a blade is put to the unit.
    pub fn changes_the_unit(&self) -> bool {
        self.may_mend() || matches!(self, Look::Lifted { .. })
    }

    /// Whether a yes says that the defect is gone, so that the unit reads otherwise from there on.
    pub fn may_mend(&self) -> bool {
        matches!(self, Look::Scraped(_) | Look::Desoldered(_) | Look::Resoldered { .. })
    }

    /// What the work of it is worth, as a share of what is open: a look costs nothing beside that,
    /// an iron does, the less the likelier it is that it `mends` the unit.
    pub(super) fn work(&self, mends: f64) -> f64 {
        match self {
            Look::OtherShunt { .. } | Look::Answer { .. } | Look::Lamp { .. } => 0.03,
            Look::Scraped(_) => 0.35 * (1.0 - mends),
            Look::Desoldered(_) | Look::Resoldered { .. } => 0.7 * (1.0 - mends),
            Look::Lifted { .. } => 0.2,
            _ => 0.0,
        }
    }

    /// What is looked at before a blade or an iron goes there, unless it is nearly sure to help.
    pub(super) fn comes_after(&self) -> Option<Look> {
        match *self {
            Look::Scraped(pins) | Look::Desoldered(pins) => Some(Look::Bridge(pins)),
            Look::Resoldered { channel } => Some(Look::PinJoint { channel }),
            _ => None,
        }
    }

    /// What a defect is to be looked for by; none where nothing is to be seen. A resistor that has
    /// drifted bears its right value, and the inside of a chip shows nothing.
    pub fn of(board: &Board, fault: &Fault) -> Vec<Look> {
        match *fault {
            Fault::ResistorOpen { resistor } => {
                vec![Look::Joint { resistor }, Look::Lifted { resistor }]
            }
            Fault::ResistorShorted { resistor } => vec![Look::Across { resistor }],
            Fault::ResistorValue { resistor, ohms } => {
                let printed = Look::Printed { resistor, ohms };
                vec![Look::OtherValue { resistor }, printed, Look::Lifted { resistor }]
            }
            // No drift, but another part.
            Fault::ResistorOff { resistor, ratio } if ratio.ln().abs() > ODD_FROM => {
                vec![Look::OtherValue { resistor }, Look::Lifted { resistor }]
            }
            Fault::ResistorOff { resistor, .. } => vec![Look::Lifted { resistor }],
            Fault::ResistorsSwapped { resistors: [a, b] } => {
                let printed = |resistor: usize, other: usize| Look::Printed {
                    resistor,
                    ohms: board.resistors[other].ohms,
                };
                let other = |resistor: usize| Look::OtherValue { resistor };
                vec![other(a), other(b), printed(a, b), printed(b, a)]
            }
            Fault::ContactOpen { jumper, position }
            | Fault::ContactResistive { jumper, position, .. } => {
                // The shunt of a header with several positions made contact on the others.
                match board.jumpers[jumper].positions.len() {
                    1 => vec![Look::OtherShunt { jumper, position }],
                    _ => Vec::new(),
                }
            }
            Fault::PinsBridged { jumper, pins, .. } => {
                bridged(fault, Between::Header { jumper, pins })
            }
            Fault::HeadersBridged { jumpers, pins, .. } => {
                bridged(fault, Between::Headers { jumpers, pins })
            }
            Fault::ChannelsBridged { channels, .. } => bridged(fault, Between::Chip { channels }),
            Fault::SecondShunt { jumper, .. } => vec![Look::SecondShunt { jumper }],
            Fault::CountedFromWrongEnd { jumper } => vec![Look::WrongEnd { jumper }],
            Fault::HeadersMistaken { jumpers } => vec![Look::Mistaken { jumpers }],
            Fault::PinOpen { channel } => {
                vec![Look::PinJoint { channel }, Look::Resoldered { channel }]
            }
            Fault::PinStuck { .. }
            | Fault::PinLeaks { .. }
            | Fault::PullUpMissing { .. }
            | Fault::SwitchStaysOpen { .. }
            | Fault::SwitchStaysClosed { .. }
            | Fault::LoadDead { .. }
            | Fault::LoadShorted { .. } => Vec::new(),
        }
    }

    /// Everything that can be looked for on a board.
    pub fn all(board: &Board) -> Vec<Look> {
        let mut found: Vec<Look> = Vec::new();
        let poor = |fault: Fault| match fault {
            Fault::PinsBridged { jumper, pins, between, .. } => {
                Some(Fault::PinsBridged { jumper, pins, between, ohms: Ohms(1e3) })
            }
            Fault::HeadersBridged { jumpers, pins, between, .. } => {
                Some(Fault::HeadersBridged { jumpers, pins, between, ohms: Ohms(1e3) })
            }
            _ => None,
        };
        for fault in faults::modelled(board) {
            let each = [Some(fault), poor(fault)].into_iter().flatten();
            for look in each.flat_map(|f| Look::of(board, &f)) {
                if !found.contains(&look) {
                    found.push(look);
                }
            }
        }
        found.extend(Look::at_lamps(board));
        found
    }

    /// The questions of the test that may be asked again, and their lamps one by one.
    pub(super) fn at_lamps(board: &Board) -> Vec<Look> {
        let mut found = Vec::new();
        for (question, q) in board.questions.iter().enumerate() {
            let lamps: Vec<usize> = q.lit.iter().chain(&q.dark).copied().collect();
            if !lamps.is_empty() {
                found.push(Look::Answer { question });
            }
            if lamps.len() > 1 {
                found.extend(lamps.into_iter().map(|resistor| Look::Lamp { question, resistor }));
            }
        }
        found
    }

    /// The question that is asked again, if that is what is to be done.
    pub fn question(&self) -> Option<usize> {
        match *self {
            Look::Answer { question } | Look::Lamp { question, .. } => Some(question),
            _ => None,
        }
    }

    /// What the lamps of a unit with these defects show; none where no lamp is looked at.
    fn lights(&self, board: &Board, faults: &[Fault]) -> Option<bool> {
        let mut question = board.questions[self.question()?].clone();
        if let Look::Lamp { resistor, .. } = *self {
            (question.lit, question.dark) = (vec![resistor], Vec::new());
        }
        let delivery = board.delivery.clone();
        let setting: Setting =
            question.when.iter().fold(delivery, |s, &(jumper, place)| s.with(jumper, place));
        let mut built = Built::good(board, Parts::nominal(board));
        faults.iter().for_each(|&f| built.plant(board, f));
        Some(answer(board, &built, &setting, &question))
    }

    /// How likely a yes is of a unit with these defects.
    pub fn yes(&self, board: &Board, faults: &[Fault]) -> f64 {
        let rates = self.rates();
        if let Some(lights) = self.lights(board, faults) {
            return if lights { rates.found } else { rates.imagined };
        }
        let by_eye = matches!(self, Look::Bridge(_));
        match faults.iter().find(|f| self.is_for(board, f)) {
            // What reads as it should without a trial does so after it.
            None if tried::reads_wrong(board, self, faults) == Some(false) => 1.0 - rates.imagined,
            None => rates.imagined,
            Some(fault) if by_eye && is_poor_bridge(fault) => rates.found / 2.0,
            Some(_) => rates.found,
        }
    }

    /// Whether another look is the same; values are printed with two digits or three.
    pub fn same(&self, other: &Look) -> bool {
        match (*self, *other) {
            (Look::Printed { resistor: r, ohms: a }, Look::Printed { resistor: s, ohms: b }) => {
                r == s && (a.0 / b.0 - 1.0).abs() < 1e-3
            }
            (a, b) => a == b,
        }
    }

    /// Whether its answer is that of another look too: who was asked whether a resistor bears another
    /// value has read it, and reads it alike once more.
    pub(super) fn tells(&self, other: &Look, yes: bool) -> bool {
        match (*self, *other) {
            (Look::OtherValue { resistor: r }, Look::Printed { resistor: s, .. }) => r == s && !yes,
            (Look::Printed { resistor: r, .. }, Look::OtherValue { resistor: s }) => r == s,
            (Look::Desoldered(a), Look::Scraped(b)) => a == b,
            _ => self.same(other),
        }
    }

    fn is_for(&self, board: &Board, fault: &Fault) -> bool {
        let covers = |look: &Look| match (*self, *look) {
            // An iron takes away what a blade does.
            (Look::Desoldered(a), Look::Scraped(b)) => a == b,
            _ => look.same(self),
        };
        Look::of(board, fault).iter().any(covers)
    }

    /// Whether it may tell defects from none: by what it is for, or by what is read of them where it
    /// is tried; of questions that is told by the nets of their lamps, not here.
    pub(super) fn concerns(&self, board: &Board, faults: &[Fault]) -> bool {
        self.is_for_any(board, faults) || tried::reads_wrong(board, self, faults) == Some(true)
    }

    /// Whether one of these defects is looked for by it.
    pub(super) fn is_for_any(&self, board: &Board, faults: &[Fault]) -> bool {
        faults.iter().any(|f| self.is_for(board, f))
    }

    /// Logarithm of how likely an answer is of a unit with these defects.
    pub(super) fn ln(&self, board: &Board, faults: &[Fault], yes: bool) -> f64 {
        let likely = self.yes(board, faults);
        if yes { likely.ln() } else { (1.0 - likely).ln() }
    }

    /// The same by eyes that miss what is there some times as often as they are believed to.
    pub(super) fn ln_doubted(&self, board: &Board, faults: &[Fault], yes: bool) -> f64 {
        if yes || self.question().is_some() {
            return self.ln(board, faults, yes);
        }
        // At worst it is as if nobody had looked.
        let missed = DOUBT * (1.0 - self.yes(board, faults));
        missed.min(1.0 - self.rates().imagined).ln()
    }
}

/// What a bridge is looked for by. Residue and whiskers give way to a blade, solder to an iron only;
/// between the pins of a chip there is no room for a blade.
fn bridged(fault: &Fault, pins: Between) -> Vec<Look> {
    let by_blade = is_poor_bridge(fault) && !matches!(pins, Between::Chip { .. });
    let trial = if by_blade { Look::Scraped(pins) } else { Look::Desoldered(pins) };
    vec![Look::Bridge(pins), trial]
}

fn is_poor_bridge(fault: &Fault) -> bool {
    match *fault {
        Fault::PinsBridged { ohms, .. }
        | Fault::HeadersBridged { ohms, .. }
        | Fault::ChannelsBridged { ohms, .. } => ohms.0 > SOLDER_BELOW,
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
