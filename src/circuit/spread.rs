//! What may vary in a circuit, and by how much.

use super::SEATED;
use super::network::{Link, Origin, Value};
use crate::board::{Board, NetId};
use crate::units::{Amperes, Ohms, Volts};

/// What may vary: each part by itself, and what is common to several.
#[derive(Clone, Debug)]
pub struct Spread {
    /// Smallest and largest supply. A ratio sees it only through drops and leakage.
    pub supply: (Volts, Volts),
    /// Smallest and largest value, per resistor of the board, without what is common to several.
    pub resistors: Vec<(Ohms, Ohms)>,
    /// What moves several resistors together.
    pub common: Vec<Common>,
    /// Smallest and largest resistance of a seated contact.
    pub contact: (Ohms, Ohms),
    /// Largest leakage of a pin, either sign; every channel leaks into its net.
    pub leakage: Amperes,
    /// Smallest and largest pull-up at the net asked for, when it is on.
    pub pull_up: Option<(Ohms, Ohms)>,
    /// Pull-ups that are on at other nets at the same time.
    pub also_pulled: Option<Pulled>,
}

/// Nets whose pull-ups are on. Those of one chip are made alike: all have the same value,
/// somewhere in the range, and so has the pull-up at the net asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Pulled {
    /// The nets.
    pub nets: Vec<NetId>,
    /// Smallest and largest value.
    pub ohms: (Ohms, Ohms),
}

/// One quantity that moves several resistors: a temperature, the substrate of an array.
///
/// At a value `s` of it a resistor is its own range times `1 + c s`, with `c` anywhere between
/// the two coefficients given for it.
#[derive(Clone, Debug, PartialEq)]
pub struct Common {
    /// Smallest and largest value.
    pub range: (f64, f64),
    /// Per resistor moved: index, smallest and largest coefficient.
    pub moves: Vec<(usize, (f64, f64))>,
}

impl Common {
    /// Smallest and largest factor that it puts on a resistor at a value `s`.
    fn factor(&self, resistor: usize, s: f64) -> (f64, f64) {
        let mut factor = (1.0, 1.0);
        for &(_, (a, b)) in self.moves.iter().filter(|(i, _)| *i == resistor) {
            factor.0 += (a * s).min(b * s);
            factor.1 += (a * s).max(b * s);
        }
        (factor.0.max(0.0), factor.1.max(0.0))
    }

    /// The same over its whole range.
    fn factors(&self, resistor: usize) -> (f64, f64) {
        let (a, b) = (self.factor(resistor, self.range.0), self.factor(resistor, self.range.1));
        (a.0.min(b.0), a.1.max(b.1))
    }

    /// Whether it ties these resistors together, so that a corner of all parts by themselves may
    /// be out of reach. A coefficient whose sign is open ties nothing: its resistor has both ends
    /// of its range at either end of the quantity.
    pub(super) fn ties(&self, inside: impl Fn(usize) -> bool) -> bool {
        let moved = self.moves.iter().filter(|&&(i, _)| inside(i));
        let (mut all, mut signed) = (0, 0);
        for &(_, (a, b)) in moved {
            all += 1;
            signed += usize::from(a != -b);
        }
        let lopsided = self.range.0 != -self.range.1;
        self.range.0 < self.range.1 && (signed > 1 || (signed == 1 && all > 1 && lopsided))
    }
}

/// Smallest, nominal and largest resistance of a link, and the drop of a switch.
#[derive(Clone, Copy, Debug)]
pub(super) struct Span {
    pub low: f64,
    pub nominal: f64,
    pub high: f64,
    pub drop: (f64, f64),
}

impl Span {
    fn of(nominal: f64, (low, high): (Ohms, Ohms)) -> Span {
        Span { low: low.0, nominal, high: high.0, drop: (0.0, 0.0) }
    }

    /// Farthest that the value gets from nominal, in ohms.
    pub fn reach(&self) -> f64 {
        (self.high - self.nominal).max(self.nominal - self.low)
    }

    /// Nominal resistance, the drop in the middle of its range.
    pub fn middle(&self) -> Value {
        Value { ohms: self.nominal, drop: (self.drop.0 + self.drop.1) / 2.0 }
    }

    pub fn varies(&self) -> bool {
        self.low < self.high
    }
}

impl Spread {
    /// Smallest and largest value of a resistor, what it has in common with others included.
    pub fn ends(&self, resistor: usize) -> (Ohms, Ohms) {
        let (low, high) = self.resistors[resistor];
        let factors = self.common.iter().map(|c| c.factors(resistor));
        let (a, b) = factors.fold((1.0, 1.0), |all, f| (all.0 * f.0, all.1 * f.1));
        (Ohms(low.0 * a), Ohms(high.0 * b))
    }

    /// The pull-ups that are on while a net is read.
    pub(super) fn pulled(&self, board: &Board, net: NetId) -> Vec<Link> {
        let own = [net].into_iter().filter(|_| self.pull_up.is_some());
        let others = self.also_pulled.iter().flat_map(|p| p.nets.iter().copied());
        let others = others.filter(|&n| n != net && n != board.supply.net);
        let link = |n| Link { between: [n, board.supply.net], origin: Origin::PullUp };
        own.chain(others).map(link).collect()
    }

    /// Smallest and largest value of the pull-ups that are on.
    pub(super) fn pull_up_range(&self) -> (Ohms, Ohms) {
        let others = || self.also_pulled.as_ref().map(|p| p.ohms);
        self.pull_up.or_else(others).unwrap_or((Ohms(f64::INFINITY), Ohms(f64::INFINITY)))
    }

    /// The span of a link, without what is common.
    pub(super) fn own(&self, board: &Board, origin: Origin) -> Span {
        match origin {
            Origin::Resistor(i) => Span::of(board.resistors[i].ohms.0, self.resistors[i]),
            Origin::Contact { .. } => {
                let (low, high) = self.contact;
                Span::of(SEATED.0.clamp(low.0, high.0.max(low.0)), self.contact)
            }
            Origin::Switch(i) => {
                let s = &board.switches[i];
                let drop = (s.drop.0.0, s.drop.1.0);
                Span { drop, ..Span::of((s.on.0.0 * s.on.1.0).sqrt(), s.on) }
            }
            Origin::PullUp => {
                let (low, high) = self.pull_up_range();
                Span::of((low.0 * high.0).sqrt(), (low, high))
            }
            Origin::Bridge(_) => {
                Span::of(f64::INFINITY, (Ohms(f64::INFINITY), Ohms(f64::INFINITY)))
            }
        }
    }

    /// The span of a link with what is common at the values `at`, by index of `common`; `None`
    /// leaves one free for every part by itself.
    pub(super) fn span(&self, board: &Board, origin: Origin, at: &[Option<f64>]) -> Span {
        let mut span = self.own(board, origin);
        if let Origin::Resistor(i) = origin {
            for (common, value) in self.common.iter().zip(at) {
                let (low, high) = match value {
                    Some(s) => common.factor(i, *s),
                    None => common.factors(i),
                };
                span.low *= low;
                span.high *= high;
            }
            // Far from the middle of what is common, nominal may lie outside.
            span.nominal = span.nominal.clamp(span.low, span.high);
        }
        span
    }
}
