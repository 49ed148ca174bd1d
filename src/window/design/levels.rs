//! What levels a weighted network can have, whatever its resistors: the bound, and what a partial
//! network must keep to.
//!
//! A level is measured in `y`, the conductance that a setting joins to one rail: over the pull's
//! with two-pin headers (the ratio is `y / (1+y)` or its complement), over the whole network's
//! with three-pin ones (the ratio is `y` itself). Among all 2^n sums of n numbers each has its
//! complement, so the distances between neighbours are the same from either end. The distance
//! that `m` codes need grows towards large `y`, where ratios crowd; both ends of a pair of equal
//! distances must do, and the outer halves may not pass the middle. That holds for any numbers in
//! any order, and bounds the margin from above.

use super::chain::turn;
use super::rules::Rules;
use super::weighted::{Verdict, Weighted};
use crate::board::template::Rail;

/// Smallest and largest whole `y` of a two-pin network that is considered: outside, all levels but
/// one lie within a few percent of a rail.
const WHOLES: (f64, f64) = (1e-3, 1e4);
/// Intervals of the whole `y` are halved to this ratio of their ends.
const FINE: f64 = 1.002;
/// The bound is found to this many codes, from above.
const BOUND_STEP: f64 = 0.01;

/// How `y` becomes a ratio, with the least leakage that the network can have.
#[derive(Clone, Copy)]
enum Scale {
    /// Shunts to a rail against a pull of so many ohms, or of the least that the current limit
    /// allows.
    Pull(Rail, Option<f64>),
    /// Three-pin headers.
    Whole,
}

/// The levels of a network, and what they must keep to for the margin aimed at.
pub(super) struct Levels<'a> {
    rules: &'a Rules,
    shunts: usize,
    scale: Scale,
    aim: f64,
    /// Smallest and largest whole `y`.
    whole: (f64, f64),
    /// By number of resistors: the least `y` that they have together.
    spans: Vec<f64>,
    /// The least `y` of the level next below the middle.
    half: f64,
}

impl<'a> Levels<'a> {
    pub fn new(network: &Weighted<'a>) -> Levels<'a> {
        let scale = match network.pull {
            Some((to, p)) => Scale::Pull(to, Some(p)),
            None => Scale::Whole,
        };
        Levels::with(network.rules, network.shunts, scale)
    }

    /// A two-pin network with whatever pull the limits allow.
    pub fn any_pull(rules: &'a Rules, shunts: usize, to: Rail) -> Levels<'a> {
        Levels::with(rules, shunts, Scale::Pull(to, None))
    }

    fn with(rules: &'a Rules, shunts: usize, scale: Scale) -> Levels<'a> {
        Levels { rules, shunts, scale, aim: 0.0, whole: WHOLES, spans: Vec::new(), half: 0.0 }
    }

    /// Distance in codes between the bands of two levels, `low` being the smaller, in a network
    /// whose whole `y` is at least `whole`.
    fn gap(&self, low: f64, high: f64, whole: f64) -> f64 {
        let (l, h) = (self.rules.low, self.rules.high);
        // Conductances up and down at a corner; the source resistance is that of both together.
        let corner = |up: f64, down: f64, ohms: f64| (up / (up + down), ohms / (up + down));
        match self.scale {
            Scale::Whole => {
                let (raised, lowered) = (
                    corner(low / l, (1.0 - low) / h, 0.0),
                    corner(high / h, (1.0 - high) / l, 0.0),
                );
                self.rules.low_code(lowered.0, lowered.1) - self.rules.high_code(raised.0, raised.1)
            }
            Scale::Pull(to, pull) => {
                let p = pull.unwrap_or(self.rules.least * whole / (1.0 + whole));
                let (raised, lowered) = match to {
                    Rail::Supply => (corner(low / l, 1.0 / h, p), corner(high / h, 1.0 / l, p)),
                    Rail::Ground => (corner(1.0 / l, high / h, p), corner(1.0 / h, low / l, p)),
                };
                // What is said of distances here holds for a straight converter only.
                if let Some(most) = self.rules.majorant(raised.0, lowered.0) {
                    return most;
                }
                self.rules.low_code(lowered.0, lowered.1) - self.rules.high_code(raised.0, raised.1)
            }
        }
    }

    /// The smallest level above `y` that keeps `m` codes from it there and at the other end of a
    /// scale whose whole `y` lies between `from` and `to`; `None` when there is none.
    fn step(&self, y: f64, (from, to): (f64, f64), m: f64) -> Option<f64> {
        let keeps = |next: f64| {
            // At the other end distances are least at the smallest whole.
            let mirrored = (from - next).max(0.0);
            self.gap(y, next, from) >= m && self.gap(mirrored, mirrored + next - y, from) >= m
        };
        keeps(to).then(|| turn(y, to, keeps).0)
    }

    /// The level next below the middle, at least, if the outer halves leave room for it in some
    /// network whose whole `y` lies between `from` and `to`.
    fn fits(&self, from: f64, to: f64, m: f64) -> Option<f64> {
        let mut y = 0.0;
        for _ in 1..1_usize << (self.shunts - 1) {
            y = self.step(y, (from, to), m)?;
            if 2.0 * y > to {
                return None;
            }
        }
        (self.gap(y, to - y, from) >= m).then_some(y)
    }

    /// The smallest (or largest) whole `y` that may do, from an interval of them.
    fn first(&self, from: f64, to: f64, m: f64, smallest: bool) -> Option<f64> {
        self.fits(from, to, m)?;
        if to / from < FINE {
            return Some(if smallest { from } else { to });
        }
        let middle = (from * to).sqrt();
        let halves = [(from, middle), (middle, to)];
        let [near, far] = if smallest { halves } else { [halves[1], halves[0]] };
        let look = |half: (f64, f64)| self.first(half.0, half.1, m, smallest);
        look(near).or_else(|| look(far))
    }

    /// Smallest and largest whole `y` that may do.
    fn wholes(&self, m: f64) -> Option<(f64, f64)> {
        match self.scale {
            Scale::Whole => self.fits(1.0, 1.0, m).map(|_| (1.0, 1.0)),
            Scale::Pull(..) => {
                let (from, to) = WHOLES;
                Some((self.first(from, to, m, true)?, self.first(from, to, m, false)?))
            }
        }
    }

    /// The largest margin that any resistors reach, from above.
    pub fn bound(&self) -> f64 {
        let mut fits = -self.rules.span() - 1.0;
        let mut fails = self.rules.span() + 1.0;
        while fails - fits > BOUND_STEP {
            let m = (fits + fails) / 2.0;
            let found = match self.scale {
                Scale::Whole => self.fits(1.0, 1.0, m).is_some(),
                Scale::Pull(..) => self.first(WHOLES.0, WHOLES.1, m, true).is_some(),
            };
            if found {
                fits = m;
            } else {
                fails = m;
            }
        }
        fails
    }

    /// Works out what a margin of `m` asks for; `false` when nothing reaches it.
    pub fn aim(&mut self, m: f64) -> bool {
        self.aim = m;
        let Some(whole) = self.wholes(m) else { return false };
        self.whole = whole;
        self.half = self.fits(whole.0, whole.1, m).unwrap_or(0.0);
        self.spans = (0..self.shunts).map(|n| self.span((1 << n) - 1)).collect();
        true
    }

    /// The least `y` that so many distances between levels take. With a pull they all exist at the
    /// top of the scale, where distances are largest; else they exist at least at the bottom.
    fn span(&self, distances: usize) -> f64 {
        let whole = self.whole.0;
        let top = matches!(self.scale, Scale::Pull(..));
        let mut y = 0.0;
        for _ in 0..distances {
            let keeps = |next: f64| {
                let gap = if top {
                    self.gap(whole - next, whole - y, whole)
                } else {
                    self.gap(y, next, whole)
                };
                gap >= self.aim
            };
            if !keeps(whole) {
                return whole;
            }
            y = turn(y, whole, keeps).0;
        }
        y
    }

    /// What can be said of a partial network: `ohms` chosen, the largest first, the sums of the
    /// conductances `before` the last was added and now, and how many resistors, none larger, are
    /// still to come.
    pub fn judge(&self, ohms: &[f64], before: &[f64], sums: &[f64], left: usize) -> Verdict {
        match self.scale {
            Scale::Pull(_, pull) => {
                self.judge_pull(ohms, [before, sums], left, pull.unwrap_or(1.0))
            }
            Scale::Whole => self.judge_whole(ohms, [before, sums], left),
        }
    }

    /// Whether neighbouring sums keep their distance, each in units of `unit`, alone and with
    /// `more` (in `y`) added; whole at least `whole`. The largest sums are looked at first.
    fn apart(&self, sums: &[f64], unit: f64, more: f64, whole: f64) -> bool {
        let pair = |p: &[f64], more: f64| {
            self.gap(p[0] / unit + more, p[1] / unit + more, whole) >= self.aim
        };
        sums.windows(2).rev().all(|p| pair(p, more)) && sums.windows(2).all(|p| pair(p, 0.0))
    }

    fn judge_pull(
        &self,
        ohms: &[f64],
        [before, sums]: [&[f64]; 2],
        left: usize,
        pull: f64,
    ) -> Verdict {
        let y = |siemens: f64| siemens * pull;
        let sum = y(sums.last().copied().unwrap_or(0.0));
        let last = ohms.last().map_or(0.0, |r| y(1.0 / r));
        let mut rest = 0.0;
        if left > 0 {
            rest = f64::max(left as f64 * last, self.whole.0 - sum);
            let mut smallest = 0.0;
            for chosen in 0..=ohms.len() {
                let together = self.spans.get(left + chosen).copied().unwrap_or(0.0);
                rest = f64::max(rest, together - smallest);
                smallest += ohms.get(chosen).map_or(0.0, |r| y(1.0 / r));
            }
        }
        // More conductance still only crowds the sums of the others further.
        if sum + rest > self.whole.1 || !self.apart(before, 1.0 / pull, last + rest, self.whole.0) {
            return Verdict::TooHeavy;
        }
        let enough = left > 0 || sum >= self.whole.0;
        match enough && self.apart(sums, 1.0 / pull, rest, self.whole.0) {
            true => Verdict::Possible,
            false => Verdict::TooLight,
        }
    }

    fn judge_whole(&self, ohms: &[f64], [before, sums]: [&[f64]; 2], left: usize) -> Verdict {
        let Rules { least, source, .. } = *self.rules;
        let slack = 1.0 + 1e-9;
        let sum = sums.last().copied().unwrap_or(0.0);
        let last = ohms.last().map_or(0.0, |r| 1.0 / r);
        let mut rest = 0.0;
        if left > 0 {
            rest = f64::max(left as f64 * last, 1.0 / source / slack - sum);
            let mut smallest = 0.0;
            for chosen in 0..=ohms.len() {
                if let Some(&span) = self.spans.get(left + chosen).filter(|&&s| s < 1.0) {
                    rest = f64::max(rest, (span * sum - smallest) / (1.0 - span));
                }
                smallest += ohms.get(chosen).map_or(0.0, |r| 1.0 / r);
            }
        }
        let whole = sum + rest;
        let most = 1.0 / (least * self.half * (1.0 - self.half));
        if whole > most * slack || !self.apart(before, whole, (last + rest) / whole, 1.0) {
            return Verdict::TooHeavy;
        }
        let enough = left > 0 || sum * slack >= 1.0 / source;
        match enough && self.apart(sums, whole, rest / whole, 1.0) {
            true => Verdict::Possible,
            false => Verdict::TooLight,
        }
    }
}
