//! Extremes of a node over everything that may vary by itself.
//!
//! A node voltage is a quotient of polynomials that are linear in each conductance by itself
//! (matrix-tree theorem), so it is monotone in each alone and its extremes over a box lie at
//! corners. The sign of the slope `dv/dg_k = -V_k W_k` (`V` over the part, `W` over it for one
//! ampere into the node) is constant for parts at a rail; it can turn only for the bridge of a
//! Wheatstone circuit. So: put the parts at the rails to their ends, take the signs there, check
//! them again, and try both ends of the few parts whose sign may turn.

use super::network::{self, End, Home, Link, Origin, Piece, Solution, Value};
use super::sources::Ties;
use super::spread::{Span, Spread};
use crate::board::{Board, NetId, Setting};

/// Parts tried at both ends for certain; the rest follow their sign.
const MOST_FORKS: usize = 12;
/// Parts that cannot move the ratio by more than this are not tried at both ends: a thousandth of
/// a count at 10 bits.
const NEGLIGIBLE: f64 = 1e-6;

/// The piece of network round one net, with all that may vary in it.
#[derive(Clone)]
pub(super) struct Case {
    pub piece: Piece,
    pub spans: Vec<Span>,
    pub links: Vec<Link>,
    pub node: usize,
    /// Volts that sources hold the net above its node.
    pub above: f64,
    /// Whether sources feed the board, so that ratios depend on the supply.
    pub fed: bool,
    pub pins: Vec<f64>,
    pub leakage: f64,
    pub supply: (f64, f64),
}

/// Something tried at both ends.
#[derive(Clone, Copy)]
enum Fork {
    Ohms(usize),
    Drop(usize),
    Supply,
}

/// Forks of a case, and how much those that are not tried could add to the ratio.
struct Forks {
    tried: Vec<Fork>,
    left_out: f64,
}

/// The extreme in one direction.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reached {
    /// The ratio at the worst corner found.
    pub ratio: f64,
    /// What corners that were not tried could add to it at most, to first order.
    pub left_out: f64,
}

/// A corner or another point of the box, solved.
pub(super) struct Point {
    pub values: Vec<Value>,
    pub solution: Solution,
    pub adjoint: Vec<f64>,
    pub ratio: f64,
}

impl Case {
    /// `None` when the net floats. What is common to several parts is left free for each.
    pub fn new(
        board: &Board,
        setting: &Setting,
        closed: &[usize],
        net: NetId,
        spread: &Spread,
    ) -> Option<Case> {
        let mut links = network::links(board, setting, closed);
        links.extend(spread.pulled(board, net));
        let free = vec![None; spread.common.len()];
        let spans: Vec<Span> = links.iter().map(|l| spread.span(board, l.origin, &free)).collect();
        let ties = Ties::new(board);
        let (mut pieces, homes) =
            network::pieces(board, &links, &ties, |i| spans[i].high.is_finite());
        let Home::Node { piece, node } = homes[net.0] else { return None };
        let piece = pieces.swap_remove(piece);
        let mut pins = vec![0.0; piece.nets.len()];
        for channel in &board.channels {
            let lead = ties.lead[channel.net.0];
            if let Some(i) = piece.nets.iter().position(|&n| n == lead) {
                pins[i] += 1.0;
            }
        }
        let supply = (spread.supply.0.0, spread.supply.1.0);
        let (above, fed) = (ties.above[net.0], !board.sources.is_empty());
        let leakage = spread.leakage.0;
        let case = Case { piece, spans, links, node, above, fed, pins, leakage, supply };
        let driven = case.at_middle(0.0).solution.driven[case.node];
        driven.then_some(case)
    }

    /// What the branches of the piece stand for.
    pub fn origins(&self) -> impl Iterator<Item = Origin> {
        self.piece.branches.iter().map(|b| self.links[b.link].origin)
    }

    /// Half of the box's width of branch `k` in ohms.
    fn reach(&self, k: usize) -> f64 {
        self.span_of(k).reach()
    }

    fn span_of(&self, k: usize) -> &Span {
        &self.spans[self.piece.branches[k].link]
    }

    /// The piece with these values, the pins leaking in the direction of `sign`.
    fn solve(&self, values: Vec<Value>, supply: f64, sign: f64) -> Point {
        self.leaking(values, supply, sign * self.leakage)
    }

    /// The piece with these values and so many amperes flowing in from every pin.
    pub fn leaking(&self, values: Vec<Value>, supply: f64, leakage: f64) -> Point {
        let inject: Vec<f64> = self.pins.iter().map(|p| p * leakage).collect();
        let solution = self.piece.solve(&values, supply, &inject);
        let adjoint = solution.mesh.column(self.node);
        let ratio = (solution.volts[self.node] + self.above) / supply;
        Point { values, solution, adjoint, ratio }
    }

    /// All parts at nominal, with the leakage in the direction of `sign` (0: none).
    pub fn at_middle(&self, sign: f64) -> Point {
        let values = self.spans.iter().map(Span::middle).collect();
        self.solve(values, (self.supply.0 + self.supply.1) / 2.0, sign)
    }

    pub fn adjoint_over(&self, point: &Point, k: usize) -> f64 {
        let at = |end: End| match end {
            End::Node(i) => point.adjoint[i],
            End::Supply | End::Ground => 0.0,
        };
        let [a, b] = self.piece.branches[k].ends;
        at(a) - at(b)
    }

    /// Slope of the ratio in the ohms of branch `k`: `g² V W / supply`.
    pub fn slope(&self, point: &Point, k: usize) -> f64 {
        let value = point.values[self.piece.branches[k].link];
        if value.drop > 0.0 && point.solution.direction[k] == 0 {
            return 0.0;
        }
        let v = point.solution.over_resistance(&self.piece, k, value);
        let g = value.siemens();
        (g * v) * (g * self.adjoint_over(point, k)) / point.solution.supply
    }

    /// Slope of the ratio in the leakage of a pin: the resistances that it flows through.
    pub fn leakage_slope(&self, point: &Point) -> f64 {
        let moved: f64 = self.pins.iter().zip(&point.adjoint).map(|(p, w)| p * w).sum();
        moved / point.solution.supply
    }

    /// Slope of the ratio in the drop of the branches of one origin.
    pub fn drop_slope(&self, point: &Point, origin: Origin) -> f64 {
        let of = |&k: &usize| self.links[self.piece.branches[k].link].origin == origin;
        let moved: f64 = (0..self.piece.branches.len())
            .filter(of)
            .map(|k| {
                let g = point.values[self.piece.branches[k].link].siemens();
                -f64::from(point.solution.direction[k]) * g * self.adjoint_over(point, k)
            })
            .sum();
        moved / point.solution.supply
    }

    /// Slope of the ratio in the supply: of what is not in proportion to it, drops, leakage and
    /// other sources, a larger one makes a smaller ratio.
    pub fn supply_slope(&self, point: &Point) -> f64 {
        let nothing = vec![0.0; self.piece.nets.len()];
        let in_proportion = point.solution.mesh.solve(1.0, &nothing)[self.node];
        (in_proportion - point.ratio) / point.solution.supply
    }

    /// The extreme in the direction of `sign`; `None` when the net floats at some corner.
    pub fn extreme(&self, sign: f64) -> Option<Reached> {
        let Forks { tried, left_out } = self.forks(sign);
        let mut best: Option<f64> = None;
        for choice in 0_u32..1 << tried.len() {
            let ratio = self.climb(sign, &tried, choice)?;
            best = Some(best.map_or(ratio, |b| if sign * ratio > sign * b { ratio } else { b }));
        }
        best.map(|ratio| Reached { ratio, left_out })
    }

    /// Follows the signs uphill with the forks held at the ends that `choice` says.
    fn climb(&self, sign: f64, forks: &[Fork], choice: u32) -> Option<f64> {
        let mut values: Vec<Value> = self.spans.iter().map(Span::middle).collect();
        // Without a drop only leakage sees the supply, and it weighs most at the lowest.
        let mut supply = self.supply.0;
        let mut held = vec![false; self.spans.len()];
        for (bit, fork) in forks.iter().enumerate() {
            let up = choice >> bit & 1 == 1;
            match *fork {
                Fork::Ohms(link) => {
                    let span = &self.spans[link];
                    values[link].ohms = if up { span.high } else { span.low };
                    held[link] = true;
                }
                Fork::Drop(link) => {
                    let drop = self.spans[link].drop;
                    values[link].drop = if up { drop.1 } else { drop.0 };
                }
                Fork::Supply => supply = if up { self.supply.1 } else { self.supply.0 },
            }
        }
        let middle = self.solve(values, supply, sign);
        let rails = self.step(&middle, sign, &held, |b| b.ends.iter().any(|e| !is_node(*e)));
        let mut at = self.solve(rails, supply, sign);
        let mut best: Option<f64> = None;
        for _ in 0..4 {
            at = self.solve(self.step(&at, sign, &held, |_| true), supply, sign);
            if !at.solution.driven[self.node] {
                return None;
            }
            if best.is_some_and(|b| sign * at.ratio <= sign * b) {
                break;
            }
            best = Some(at.ratio);
        }
        best
    }

    /// Every free part that `which` names, at the end to which its slope points.
    fn step(
        &self,
        from: &Point,
        sign: f64,
        held: &[bool],
        which: impl Fn(&network::Branch) -> bool,
    ) -> Vec<Value> {
        let mut values = from.values.clone();
        for (k, branch) in self.piece.branches.iter().enumerate() {
            let span = &self.spans[branch.link];
            if held[branch.link] || !span.varies() || !which(branch) {
                continue;
            }
            let slope = sign * self.slope(from, k);
            if slope != 0.0 {
                values[branch.link].ohms = if slope > 0.0 { span.high } else { span.low };
            }
        }
        values
    }

    /// What must be tried at both ends: switches with a drop, and the parts between inner nodes
    /// whose `V` or `W` is smaller than 1.5 times what the other parts' spread does to it. Those
    /// that can move the ratio most come first; what is beyond [`MOST_FORKS`] follows its sign,
    /// and the most that a wrong sign could cost is added up.
    fn forks(&self, sign: f64) -> Forks {
        let point = self.at_middle(sign);
        let mut found: Vec<(f64, Fork)> = Vec::new();
        for k in 0..self.piece.branches.len() {
            let (span, link) = (self.span_of(k), self.piece.branches[k].link);
            if span.drop.1 > 0.0 {
                // A source of one volt in series moves no node by more than a volt.
                let volts = (span.drop.1 - span.drop.0) / self.supply.0;
                found.extend([
                    (volts, Fork::Drop(link)),
                    (self.most(&point, k).0, Fork::Ohms(link)),
                ]);
            } else if span.varies() && self.may_turn(k) {
                let (most, turns) = self.most(&point, k);
                found.extend(turns.then_some((most, Fork::Ohms(link))));
            }
        }
        found.retain(|f| f.0 > NEGLIGIBLE);
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut tried: Vec<Fork> = Vec::new();
        let sees_supply = self.fed || self.spans.iter().any(|s| s.drop.1 > 0.0);
        if sees_supply && self.supply.0 < self.supply.1 {
            tried.push(Fork::Supply);
        }
        let room = MOST_FORKS - tried.len();
        tried.extend(found.iter().take(room).map(|f| f.1));
        let left_out = found.iter().skip(room).map(|f| f.0).sum();
        Forks { tried, left_out }
    }

    /// Whether the sign of a part's influence could turn at all: that of one at a rail cannot,
    /// unless another source drives its current.
    fn may_turn(&self, k: usize) -> bool {
        self.fed || self.piece.branches[k].ends.into_iter().all(is_node)
    }

    /// The most that branch `k` can move the ratio from one end to the other, to first order with
    /// the largest `V` and `W` that the other parts' spread leaves it; and whether the sign of its
    /// slope may turn, if it lies between inner nodes.
    fn most(&self, point: &Point, k: usize) -> (f64, bool) {
        let ends = self.piece.branches[k].ends;
        let mut inject = vec![0.0; self.piece.nets.len()];
        for (end, amps) in ends.into_iter().zip([1.0, -1.0]) {
            if let End::Node(i) = end {
                inject[i] += amps;
            }
        }
        let column = point.solution.mesh.solve(0.0, &inject);
        let at = |end: End| match end {
            End::Node(i) => column[i],
            End::Supply | End::Ground => 0.0,
        };
        let (mut swing_v, mut swing_w) = (0.0, 0.0);
        for (j, branch) in self.piece.branches.iter().enumerate() {
            // A part's own value changes the size of its current, never the direction.
            if j == k {
                continue;
            }
            let value = point.values[branch.link];
            let g = value.siemens();
            let moved = (g * (at(branch.ends[0]) - at(branch.ends[1]))).abs() * self.reach(j);
            let v = point.solution.over_resistance(&self.piece, j, value);
            swing_v += (g * v).abs() * moved;
            swing_w += (g * self.adjoint_over(point, j)).abs() * moved;
        }
        let value = point.values[self.piece.branches[k].link];
        let v = point.solution.over_resistance(&self.piece, k, value).abs();
        let w = self.adjoint_over(point, k).abs();
        let turns = v < 1.5 * swing_v || w < 1.5 * swing_w;
        let g = value.siemens();
        let width = self.span_of(k).high - self.span_of(k).low;
        (g * (v + swing_v) * g * (w + swing_w) * width / point.solution.supply, turns)
    }
}

fn is_node(end: End) -> bool {
    matches!(end, End::Node(_))
}
