//! What may be wrong, and how likely it is before anything is read.

use crate::board::{Board, Channel, Kind, Level};
use crate::faults::{self, Fault};
use crate::units::Ohms;
use std::collections::HashMap;

/// One thing that may be wrong, with the value that it has: a drifted resistor is a family of such,
/// each of which stands for the values round its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Hypothesis {
    /// The defects; none for a good unit.
    pub faults: Vec<Fault>,
    /// Number of the cause that it belongs to.
    pub cause: usize,
    /// Natural logarithm of its probability beforehand.
    pub prior: f64,
    /// Standard deviation of the logarithm of its own value, where that is loose.
    pub loose: Option<f64>,
}

/// How likely a kind of defect is beforehand, as a weight for each part, joint or header that can
/// have it. Hand-soldered joints and mis-picked parts are likelier than failed chips (common
/// practice, no source; the figures are ours).
fn weight(fault: &Fault) -> f64 {
    match fault {
        Fault::ResistorOpen { .. } => 3.0,
        Fault::ContactOpen { .. } => 3.0,
        Fault::ResistorShorted { .. } => 1.0,
        // Divided among all values of one resistor, see `hypotheses`.
        Fault::ResistorValue { .. } => 3.0,
        Fault::ResistorOff { .. } => 0.5,
        Fault::ResistorsSwapped { .. } => 0.5,
        Fault::ContactResistive { .. } => 0.5,
        Fault::PinsBridged { .. } => 1.0,
        // Farther apart than the pins of one header.
        Fault::HeadersBridged { .. } => 0.5,
        Fault::SecondShunt { .. } => 0.5,
        Fault::CountedFromWrongEnd { .. } => 1.0,
        Fault::HeadersMistaken { .. } => 0.5,
        Fault::PinOpen { .. } => 2.0,
        Fault::PinStuck { .. } => 0.2,
        Fault::PinLeaks { .. } => 0.3,
        Fault::ChannelsBridged { .. } => 2.0,
        Fault::PullUpMissing { .. } => 0.3,
        Fault::SwitchStaysOpen { .. } => 1.0,
        Fault::SwitchStaysClosed { .. } => 0.7,
        Fault::LoadDead { .. } => 2.0,
        Fault::LoadShorted { .. } => 1.0,
    }
}

/// Weight of the good unit among them: a unit is diagnosed because something is off, yet a slip of
/// the hands may have been all there was.
const GOOD: f64 = 3.0;

/// Second defects are so much rarer, each, than first ones.
pub(super) const SECOND: f64 = 0.003;

/// Steps of a family in the logarithm of its value, and the spread within one.
const DRIFT: Family = Family { step: 0.1, from: -2.2, to: 2.2, sd: 0.055 };
/// Beyond that it is no drift, but a part of some value that the board has nowhere else, up to a
/// hundred times off: nobody knows which, so that all are alike.
const ODD: Family = Family { step: 0.25, from: 2.35, to: 4.6, sd: 0.14 };
/// How likely such a part is in a step of a drift, beside the least drift (advice of our own).
const ODD_SHARE: f64 = 0.02;
/// A drift smaller than this is what the tolerance of a resistor allows, or almost.
const LEAST_DRIFT: f64 = 0.05;
/// Poor contacts, leaks and bridges, from 10 Ω to 1 MΩ.
const RESISTANCE: Family = Family { step: 0.25, from: 2.3, to: 13.8, sd: 0.14 };
/// The same where a meter reads them: from 1 Ω.
const BY_METER: Family = Family { from: 0.05, ..RESISTANCE };

struct Family {
    step: f64,
    from: f64,
    to: f64,
    sd: f64,
}

impl Family {
    fn values(&self) -> Vec<f64> {
        let count = ((self.to - self.from) / self.step).round() as usize;
        (0..=count).map(|i| self.from + self.step * i as f64).collect()
    }
}

/// The weight of each kind of defect that a board may have: those given, the board file's, the
/// program's.
pub(super) fn weights(board: &Board, given: &HashMap<String, f64>) -> HashMap<&'static str, f64> {
    let of = |fault: &Fault| {
        let stated = given.get(fault.class()).copied().or(board.odds.of(fault.class()));
        (fault.class(), stated.unwrap_or_else(|| weight(fault)))
    };
    let drift = Fault::ResistorOff { resistor: 0, ratio: 1.0 };
    faults::modelled(board).iter().chain([&drift]).map(of).collect()
}

/// The causes of a board: their hypotheses, and what each is called after.
#[derive(Clone, Debug)]
pub struct Causes {
    /// All hypotheses; the first is the good unit.
    pub hypotheses: Vec<Hypothesis>,
    /// Number of causes.
    pub count: usize,
}

impl Causes {
    /// Every single cause of a board, with `weights` in place of those for the classes named, the
    /// board file's odds in place of those of the program.
    pub fn single(board: &Board, weights: &HashMap<String, f64>) -> Causes {
        let mut causes = Causes { hypotheses: Vec::new(), count: 0 };
        causes.add(vec![], GOOD, None);
        let faults = faults::modelled(board);
        let mut values = vec![0.0; board.resistors.len()];
        for fault in &faults {
            if let Fault::ResistorValue { resistor, .. } = fault {
                values[*resistor] += 1.0;
            }
        }
        let known = self::weights(board, weights);
        let weigh = |fault: &Fault| known[fault.class()];
        for fault in faults {
            let weight = weigh(&fault);
            match fault {
                Fault::ResistorValue { resistor, .. } => {
                    causes.add(vec![fault], weight / values[resistor], None);
                }
                // A family stands for every drift of a resistor, see below.
                Fault::ResistorOff { .. } => {}
                Fault::ContactResistive { jumper, position, .. } => {
                    let meter = |c: &Channel| matches!(c.kind, Kind::Meter { .. });
                    let family = match board.channels.iter().any(meter) {
                        true => &BY_METER,
                        false => &RESISTANCE,
                    };
                    causes.family(family, weight, |ohms| Fault::ContactResistive {
                        jumper,
                        position,
                        ohms,
                    });
                }
                Fault::PinLeaks { channel, to, .. } => {
                    causes.family(&RESISTANCE, weight, |ohms| Fault::PinLeaks {
                        channel,
                        to,
                        ohms,
                    });
                }
                Fault::PinsBridged { jumper, pins, between, .. } => {
                    let poor = |ohms| Fault::PinsBridged { jumper, pins, between, ohms };
                    causes.bridge(fault, weight, poor);
                }
                Fault::HeadersBridged { jumpers, pins, between, .. } => {
                    let poor = |ohms| Fault::HeadersBridged { jumpers, pins, between, ohms };
                    causes.bridge(fault, weight, poor);
                }
                Fault::ChannelsBridged { channels, .. } => {
                    let poor = |ohms| Fault::ChannelsBridged { channels, ohms };
                    causes.bridge(fault, weight, poor);
                }
                _ => causes.add(vec![fault], weight, None),
            }
        }
        for resistor in 0..board.resistors.len() {
            causes.drift(resistor, weigh(&Fault::ResistorOff { resistor, ratio: 1.0 }));
        }
        causes.normalise();
        causes
    }

    fn add(&mut self, faults: Vec<Fault>, weight: f64, loose: Option<f64>) {
        let cause = self.count;
        self.count += 1;
        self.hypotheses.push(Hypothesis { faults, cause, prior: weight.max(1e-9).ln(), loose });
    }

    /// A clean bridge, and poor ones of the same place: one cause.
    fn bridge(&mut self, clean: Fault, weight: f64, poor: impl Fn(Ohms) -> Fault) {
        self.add(vec![clean], weight, None);
        self.count -= 1;
        self.family(&RESISTANCE, weight / 5.0, poor);
    }

    fn drift(&mut self, resistor: usize, weight: f64) {
        // Small drifts are likelier than large ones.
        let share = |t: f64| (-t.abs() / 0.7).exp() + ODD_SHARE;
        let drifts = DRIFT.values().into_iter().filter(|t| t.abs() > LEAST_DRIFT);
        let drifts = drifts.map(|t| (t, DRIFT.sd, share(t)));
        let odd = ODD.values().into_iter().flat_map(|t| [-t, t]);
        let odd = odd.map(|t| (t, ODD.sd, share(t) * ODD.step / DRIFT.step));
        let values: Vec<(f64, f64, f64)> = drifts.chain(odd).collect();
        let sum: f64 = values.iter().map(|(.., share)| share).sum();
        for (t, sd, share) in values {
            self.hypotheses.push(Hypothesis {
                faults: vec![Fault::ResistorOff { resistor, ratio: t.exp() }],
                cause: self.count,
                prior: (weight * share / sum).ln(),
                loose: Some(sd),
            });
        }
        self.count += 1;
    }

    fn family(&mut self, family: &Family, weight: f64, fault: impl Fn(Ohms) -> Fault) {
        let values = family.values();
        for &t in &values {
            self.hypotheses.push(Hypothesis {
                faults: vec![fault(Ohms(t.exp()))],
                cause: self.count,
                prior: (weight / values.len() as f64).ln(),
                loose: Some(family.sd),
            });
        }
        self.count += 1;
    }

    fn normalise(&mut self) {
        let sum: f64 = self.hypotheses.iter().map(|h| h.prior.exp()).sum();
        self.hypotheses.iter_mut().for_each(|h| h.prior -= sum.ln());
    }
}

/// Whether two defects are the same but for their values.
pub(super) fn is_at(a: Fault, b: Fault) -> bool {
    let any = Ohms(1.0);
    let bare = |fault: Fault| match fault {
        Fault::ResistorOff { resistor, .. } | Fault::ResistorValue { resistor, .. } => {
            Fault::ResistorOff { resistor, ratio: 1.0 }
        }
        Fault::ContactResistive { jumper, position, .. } => {
            Fault::ContactResistive { jumper, position, ohms: any }
        }
        Fault::PinLeaks { channel, to, .. } => Fault::PinLeaks { channel, to, ohms: any },
        Fault::PinsBridged { jumper, pins, between, .. } => {
            Fault::PinsBridged { jumper, pins, between, ohms: any }
        }
        Fault::HeadersBridged { jumpers, pins, between, .. } => {
            Fault::HeadersBridged { jumpers, pins, between, ohms: any }
        }
        Fault::ChannelsBridged { channels, .. } => Fault::ChannelsBridged { channels, ohms: any },
        other => other,
    };
    bare(a) == bare(b)
}

/// A defect with the value that was fitted to it: `by` is the logarithm of the factor on the value
/// that the hypothesis stood for.
pub(super) fn fitted(fault: Fault, by: f64) -> Fault {
    let times = |ohms: Ohms| Ohms(ohms.0 * by.exp());
    match fault {
        Fault::ResistorOff { resistor, ratio } => {
            Fault::ResistorOff { resistor, ratio: ratio * by.exp() }
        }
        Fault::ContactResistive { jumper, position, ohms } => {
            Fault::ContactResistive { jumper, position, ohms: times(ohms) }
        }
        Fault::PinLeaks { channel, to, ohms } => Fault::PinLeaks { channel, to, ohms: times(ohms) },
        Fault::PinsBridged { jumper, pins, between, ohms } => {
            Fault::PinsBridged { jumper, pins, between, ohms: times(ohms) }
        }
        Fault::HeadersBridged { jumpers, pins, between, ohms } => {
            Fault::HeadersBridged { jumpers, pins, between, ohms: times(ohms) }
        }
        Fault::ChannelsBridged { channels, ohms } => {
            Fault::ChannelsBridged { channels, ohms: times(ohms) }
        }
        other => other,
    }
}

/// Whether a defect is one of the kinds that pairs are made of: hard ones, each at one place.
pub(super) fn pairs_with_others(fault: &Fault) -> bool {
    !matches!(
        fault,
        Fault::ResistorOff { .. }
            | Fault::ResistorsSwapped { .. }
            | Fault::HeadersMistaken { .. }
            | Fault::PinStuck { level: Level::Low | Level::High, .. }
    )
}
