//! The chain of bands from one end of the scale to the other, for resistors of any value.
//!
//! At a pin between a resistance up and a resistance down, made of parts that all have the same
//! spread, the corners of the ratio depend on the nominal ratio `s` alone: `s·h / (s·h + (1-s)·l)`
//! and the reverse, with `l` and `h` the smallest and largest value over the nominal one. So a
//! chain of positions that keep a distance of `m` codes fits, or does not, whatever the values;
//! the largest `m` that fits bounds every choice from above.

use super::rules::Rules;

/// Halvings of an interval: beyond the resolution of any converter, short of that of a float.
const HALVINGS: usize = 44;

/// Bands by nominal ratio, at the least source resistance that the current limit allows.
pub(super) struct Ruler<'a> {
    rules: &'a Rules,
}

impl Ruler<'_> {
    pub fn new(rules: &Rules) -> Ruler<'_> {
        Ruler { rules }
    }

    /// Lowest code at a nominal ratio.
    pub fn low(&self, s: f64) -> f64 {
        let (l, h) = (self.rules.low, self.rules.high);
        let sum = s * l + (1.0 - s) * h;
        self.rules.low_code(s * l / sum, s * (1.0 - s) * self.rules.least * h * l / sum)
    }

    /// Highest code at a nominal ratio.
    pub fn high(&self, s: f64) -> f64 {
        let (l, h) = (self.rules.low, self.rules.high);
        let sum = s * h + (1.0 - s) * l;
        self.rules.high_code(s * h / sum, s * (1.0 - s) * self.rules.least * h * l / sum)
    }

    /// The smallest ratio whose band lies at or above a code.
    pub fn from(&self, code: f64) -> Option<f64> {
        (self.low(1.0) >= code).then(|| turn(0.0, 1.0, |s| self.low(s) >= code).0)
    }

    /// The largest ratio whose band lies at or below a code.
    pub fn up_to(&self, code: f64) -> Option<f64> {
        (self.high(0.0) <= code).then(|| turn(0.0, 1.0, |s| self.high(s) > code).1)
    }

    /// For so many positions between two neighbours at codes `ends`, each `m` codes from the
    /// next: the interval of ratios that each may lie in, widened by what the halving leaves.
    pub fn slots(&self, positions: usize, ends: (f64, f64), m: f64) -> Option<Vec<(f64, f64)>> {
        let mut slots = Vec::with_capacity(positions);
        let mut below = ends.0;
        for _ in 0..positions {
            let s = self.from(below + m)?;
            slots.push((s, 1.0));
            below = self.high(s);
        }
        let mut above = ends.1;
        if below + m > above {
            return None;
        }
        for slot in slots.iter_mut().rev() {
            slot.1 = self.up_to(above - m)?;
            above = self.low(slot.1);
        }
        slots.iter().all(|s| s.0 <= s.1).then_some(slots)
    }

    /// The largest distance in codes that `fits`, from above; what fits a distance fits a smaller.
    pub fn bound(&self, fits: impl Fn(f64) -> bool) -> f64 {
        let span = self.rules.span() + 1.0;
        turn(-span, span, |m| !fits(m)).1
    }
}

/// Where a condition that is false at `from` and true at `to` turns, as a pair just before and
/// just after.
pub(super) fn turn(from: f64, to: f64, holds: impl Fn(f64) -> bool) -> (f64, f64) {
    let (mut before, mut after) = (from, to);
    for _ in 0..HALVINGS {
        let middle = before + (after - before) / 2.0;
        if holds(middle) {
            after = middle;
        } else {
            before = middle;
        }
    }
    (before, after)
}
