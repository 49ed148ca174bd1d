//! Extremes of a node when some of what varies is common to several parts.
//!
//! A temperature or the substrate of an array moves several parts at once, so the worst case need
//! not lie at an end of it. Each is scanned as a parameter of its own, with the corner search over
//! everything else at every step, and the best step is refined. What may still hide between two
//! steps is bounded by the bend of the curve and added.
//!
//! The pull-ups of a chip need no scan: all of them join the supply, so each of them raises every
//! node, and the worst case has all at the same end by itself.

use super::corners::{Case, Reached};
use super::network::Origin;
use super::sources::{self, Ties};
use super::spread::Spread;
use crate::board::{Board, NetId, Setting};
use crate::units::Volts;

/// Steps of the scan along each parameter, by how many there are.
const STEPS: [usize; 5] = [1, 17, 9, 5, 4];
/// Steps of the golden section, which shrinks the stretch by 0.618 each time.
const REFINE: usize = 18;

/// Extremes of the ratio of a net's voltage to the supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extremes {
    /// Smallest ratio. It may leave 0 to 1 by what leakage does to a high source resistance.
    pub low: f64,
    /// Largest ratio.
    pub high: f64,
    /// By how much the two were moved outwards because the worst case was bounded there and not
    /// searched to the end; 0 when it was.
    pub widened: f64,
}

impl Extremes {
    fn union(self, other: Extremes) -> Extremes {
        Extremes {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
            widened: self.widened.max(other.widened),
        }
    }
}

/// Smallest and largest ratio of a net's voltage to the supply, in a setting with the switches in
/// `closed` closed; `None` when the net floats.
///
/// Two poles of one shunt vary independently. The range is never too narrow for want of
/// searching: what is not searched is bounded, see [`Extremes::widened`].
pub fn search(
    board: &Board,
    setting: &Setting,
    closed: &[usize],
    net: NetId,
    spread: &Spread,
) -> Option<Extremes> {
    if board.sources.is_empty() {
        return of_sources(board, setting, closed, net, spread);
    }
    let corners = sources::corners(board);
    let each = corners.iter().map(|corner| of_sources(corner, setting, closed, net, spread));
    each.reduce(|a, b| Some(a?.union(b?)))?
}

/// The same with the sources as they are.
fn of_sources(
    board: &Board,
    setting: &Setting,
    closed: &[usize],
    net: NetId,
    spread: &Spread,
) -> Option<Extremes> {
    let fixed = |supply: Volts| Some(Ties::new(board).fixed(board, net, supply.0)? / supply.0);
    if let (Some(a), Some(b)) = (fixed(spread.supply.0), fixed(spread.supply.1)) {
        return Some(Extremes { low: a.min(b), high: a.max(b), widened: 0.0 });
    }
    let case = Case::new(board, setting, closed, net, spread)?;
    let scan = Scan::new(board, spread, case);
    let (low, high) = (scan.extreme(-1.0)?, scan.extreme(1.0)?);
    Some(Extremes {
        low: low.ratio - low.left_out,
        high: high.ratio + high.left_out,
        widened: low.left_out.max(high.left_out),
    })
}

/// [`search`] as a pair: smallest and largest.
pub fn extremes(
    board: &Board,
    setting: &Setting,
    closed: &[usize],
    net: NetId,
    spread: &Spread,
) -> Option<(f64, f64)> {
    search(board, setting, closed, net, spread).map(|e| (e.low, e.high))
}

struct Scan<'a> {
    board: &'a Board,
    spread: &'a Spread,
    case: Case,
    /// Indices into [`Spread::common`] and their ranges.
    axes: Vec<(usize, (f64, f64))>,
}

impl<'a> Scan<'a> {
    fn new(board: &'a Board, spread: &'a Spread, case: Case) -> Scan<'a> {
        let inside = |i: usize| case.origins().any(|o| o == Origin::Resistor(i));
        let commons = spread.common.iter().enumerate();
        let axes = commons.filter(|(_, c)| c.ties(inside)).map(|(i, c)| (i, c.range)).collect();
        Scan { board, spread, case, axes }
    }

    fn extreme(&self, sign: f64) -> Option<Reached> {
        if self.axes.is_empty() {
            return self.case.extreme(sign);
        }
        match STEPS.get(self.axes.len()) {
            Some(&steps) => self.over_grid(sign, steps),
            None => self.left_free(sign),
        }
    }

    /// More axes than are scanned: each part is left free by itself, which holds all that they can
    /// do together and more.
    fn left_free(&self, sign: f64) -> Option<Reached> {
        let middle: Vec<f64> = self.axes.iter().map(|(_, r)| (r.0 + r.1) / 2.0).collect();
        let inner = self.at(sign, &middle)?;
        let outer = self.case.extreme(sign)?;
        let left_out = sign * (outer.ratio - inner.ratio) + outer.left_out;
        Some(Reached { left_out, ..inner })
    }

    /// The corner search with everything common at a point of the scan.
    fn at(&self, sign: f64, point: &[f64]) -> Option<Reached> {
        let mut common = vec![None; self.spread.common.len()];
        for (&(i, _), &s) in self.axes.iter().zip(point) {
            common[i] = Some(s);
        }
        let mut case = self.case.clone();
        for branch in &self.case.piece.branches {
            let origin = case.links[branch.link].origin;
            case.spans[branch.link] = self.spread.span(self.board, origin, &common);
        }
        case.extreme(sign)
    }

    fn over_grid(&self, sign: f64, steps: usize) -> Option<Reached> {
        let axes = self.axes.len();
        let count = steps.pow(axes as u32);
        let place = |index: usize, axis: usize| index / steps.pow(axis as u32) % steps;
        let value = |axis: usize, step: f64| {
            let (low, high) = self.axes[axis].1;
            low + (high - low) * step / (steps - 1) as f64
        };
        let mut heights = Vec::with_capacity(count);
        let mut left_out: f64 = 0.0;
        for index in 0..count {
            let point: Vec<f64> = (0..axes).map(|a| value(a, place(index, a) as f64)).collect();
            let reached = self.at(sign, &point)?;
            left_out = left_out.max(reached.left_out);
            heights.push(sign * reached.ratio);
        }
        let top = (0..count).max_by(|&a, &b| heights[a].total_cmp(&heights[b]))?;
        let start: Vec<f64> = (0..axes).map(|a| value(a, place(top, a) as f64)).collect();
        let reach: Vec<f64> = (0..axes).map(|a| value(a, 1.0) - value(a, 0.0)).collect();
        let height = self.refine(sign, start, &reach, heights[top])?;
        // Between two steps a curve rises above both by an eighth of its second difference.
        let bend = |index: usize, axis: usize| {
            let stride = steps.pow(axis as u32);
            let middle = place(index, axis).clamp(1, steps - 2);
            let at = |p: usize| heights[index + p * stride - place(index, axis) * stride];
            (at(middle - 1) - 2.0 * at(middle) + at(middle + 1)).abs() / 8.0
        };
        let hidden = |index: usize| {
            let near = (0..axes).all(|a| place(index, a).abs_diff(place(top, a)) <= 1);
            let bends: f64 = (0..axes).map(|a| bend(index, a)).sum();
            if near { 0.0 } else { heights[index] + bends - height }
        };
        let hidden = (0..count).map(hidden).fold(0.0, f64::max);
        Some(Reached { ratio: sign * height, left_out: left_out + hidden })
    }

    /// Climbs from the best step by golden sections along one axis after the other.
    fn refine(&self, sign: f64, start: Vec<f64>, reach: &[f64], height: f64) -> Option<f64> {
        const GOLDEN: f64 = 0.618_033_988_749_895;
        let (mut at, mut best) = (start, height);
        let rounds = if at.len() == 1 { 1 } else { 3 };
        for axis in (0..rounds).flat_map(|_| 0..reach.len()) {
            let (least, most) = self.axes[axis].1;
            let mut low = (at[axis] - reach[axis]).max(least);
            let mut high = (at[axis] + reach[axis]).min(most);
            for _ in 0..REFINE {
                let (a, b) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
                let mut height = |s: f64| {
                    let mut point = at.clone();
                    point[axis] = s;
                    let height = sign * self.at(sign, &point)?.ratio;
                    if height > best {
                        (best, at) = (height, point);
                    }
                    Some(height)
                };
                if height(a)? > height(b)? { high = b } else { low = a }
            }
        }
        Some(best)
    }
}
