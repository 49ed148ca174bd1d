//! Extremes of a node over everything that may vary.
//!
//! A node voltage is a quotient of polynomials that are linear in each conductance by itself
//! (matrix-tree theorem), so it is monotone in each alone and its extremes over a box lie at
//! corners. The sign of the slope `dv/dg_k = -V_k W_k` (`V` over the part, `W` over it for one
//! ampere into the node) is constant for parts at a rail; it can turn only for the bridge of a
//! Wheatstone circuit. So: put the parts at the rails to their ends, take the signs there, check
//! them again, and try both ends of the few parts whose sign may turn.

use super::network::{self, End, Home, Link, Origin, Piece, Solution, Value};
use super::sources::{self, Ties};
use crate::board::{Board, NetId, Setting};
use crate::units::{Amperes, Ohms, Volts};

/// Parts tried at both ends for certain; the rest follow their sign.
const MOST_FORKS: usize = 12;
/// Parts that cannot move the ratio by more than this are not tried at both ends: a thousandth of
/// a count at 10 bits.
const NEGLIGIBLE: f64 = 1e-6;

/// What may vary, each part by itself. Switches vary as the board says.
#[derive(Clone, Debug)]
pub struct Spread {
    /// Smallest and largest supply. A ratio sees it only through drops and leakage.
    pub supply: (Volts, Volts),
    /// Smallest and largest value, per resistor of the board.
    pub resistors: Vec<(Ohms, Ohms)>,
    /// Smallest and largest resistance of a seated contact.
    pub contact: (Ohms, Ohms),
    /// Largest leakage of a pin, either sign; every channel leaks into its net.
    pub leakage: Amperes,
    /// Smallest and largest pull-up at the net asked for, when it is on.
    pub pull_up: Option<(Ohms, Ohms)>,
}

#[derive(Clone, Copy)]
struct Span {
    low: f64,
    nominal: f64,
    high: f64,
    drop: (f64, f64),
}

impl Span {
    /// Farthest that the value gets from nominal, in ohms.
    fn reach(&self) -> f64 {
        (self.high - self.nominal).max(self.nominal - self.low)
    }

    fn middle(&self) -> Value {
        Value { ohms: self.nominal, drop: (self.drop.0 + self.drop.1) / 2.0 }
    }

    fn varies(&self) -> bool {
        self.low < self.high
    }
}

fn span(board: &Board, spread: &Spread, origin: Origin) -> Span {
    let of = |nominal: f64, (low, high): (Ohms, Ohms)| Span {
        low: low.0,
        nominal,
        high: high.0,
        drop: (0.0, 0.0),
    };
    match origin {
        Origin::Resistor(i) => of(board.resistors[i].ohms.0, spread.resistors[i]),
        Origin::Contact { .. } => {
            let (low, high) = spread.contact;
            of(super::SEATED.0.clamp(low.0, high.0.max(low.0)), spread.contact)
        }
        Origin::Switch(i) => {
            let s = &board.switches[i];
            Span { drop: (s.drop.0.0, s.drop.1.0), ..of((s.on.0.0 * s.on.1.0).sqrt(), s.on) }
        }
        Origin::PullUp => {
            let (low, high) = spread.pull_up.unwrap_or((Ohms(1.0), Ohms(1.0)));
            of((low.0 * high.0).sqrt(), (low, high))
        }
        Origin::Bridge(_) => of(f64::INFINITY, (Ohms(f64::INFINITY), Ohms(f64::INFINITY))),
    }
}

/// The piece of network round one net, with all that may vary in it.
struct Case {
    piece: Piece,
    spans: Vec<Span>,
    links: Vec<Link>,
    node: usize,
    /// Volts that sources hold the net above its node.
    above: f64,
    /// Whether sources feed the board, so that ratios depend on the supply.
    fed: bool,
    pins: Vec<f64>,
    leakage: f64,
    supply: (f64, f64),
}

/// Something tried at both ends.
#[derive(Clone, Copy)]
enum Fork {
    Ohms(usize),
    Drop(usize),
    Supply,
}

/// Smallest and largest ratio of a net's voltage to the supply, in a setting with the switches in
/// `closed` closed; `None` when the net floats.
///
/// The ratio may leave 0 to 1 by what leakage does to a high source resistance. Two poles of one
/// shunt vary independently.
pub fn extremes(
    board: &Board,
    setting: &Setting,
    closed: &[usize],
    net: NetId,
    spread: &Spread,
) -> Option<(f64, f64)> {
    if board.sources.is_empty() {
        return of_sources(board, setting, closed, net, spread);
    }
    let corners = sources::corners(board);
    let each = corners.iter().map(|corner| of_sources(corner, setting, closed, net, spread));
    each.reduce(|a, b| {
        let (a, b) = (a?, b?);
        Some((a.0.min(b.0), a.1.max(b.1)))
    })?
}

/// The same with the sources as they are.
fn of_sources(
    board: &Board,
    setting: &Setting,
    closed: &[usize],
    net: NetId,
    spread: &Spread,
) -> Option<(f64, f64)> {
    let fixed = |supply: Volts| Some(Ties::new(board).fixed(board, net, supply.0)? / supply.0);
    if let (Some(a), Some(b)) = (fixed(spread.supply.0), fixed(spread.supply.1)) {
        return Some((a.min(b), a.max(b)));
    }
    let case = Case::new(board, setting, closed, net, spread)?;
    Some((case.extreme(-1.0)?, case.extreme(1.0)?))
}

/// How far each resistor's spread moves a net, as a ratio of the supply and to first order
/// (`|g V W| * reach / r`), largest first.
pub fn contributions(
    board: &Board,
    setting: &Setting,
    closed: &[usize],
    net: NetId,
    spread: &Spread,
) -> Vec<(usize, f64)> {
    let Some(case) = Case::new(board, setting, closed, net, spread) else { return Vec::new() };
    let point = case.at_middle(0.0);
    let mut found: Vec<(usize, f64)> = (0..case.piece.branches.len())
        .filter_map(|k| match case.links[case.piece.branches[k].link].origin {
            Origin::Resistor(i) => Some((i, case.slope(&point, k).abs() * case.reach(k))),
            _ => None,
        })
        .collect();
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    found
}

/// A corner or another point of the box, solved.
struct Point {
    values: Vec<Value>,
    solution: Solution,
    adjoint: Vec<f64>,
    ratio: f64,
}

impl Case {
    fn new(
        board: &Board,
        setting: &Setting,
        closed: &[usize],
        net: NetId,
        spread: &Spread,
    ) -> Option<Case> {
        let mut links = network::links(board, setting, closed);
        if spread.pull_up.is_some() {
            let between = [net, board.supply.net];
            links.push(Link { between, origin: Origin::PullUp });
        }
        let spans: Vec<Span> = links.iter().map(|l| span(board, spread, l.origin)).collect();
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

    /// Half of the box's width of branch `k` in ohms.
    fn reach(&self, k: usize) -> f64 {
        self.span_of(k).reach()
    }

    fn span_of(&self, k: usize) -> &Span {
        &self.spans[self.piece.branches[k].link]
    }

    fn solve(&self, values: Vec<Value>, supply: f64, sign: f64) -> Point {
        let inject: Vec<f64> = self.pins.iter().map(|p| sign * p * self.leakage).collect();
        let solution = self.piece.solve(&values, supply, &inject);
        let adjoint = solution.mesh.column(self.node);
        let ratio = (solution.volts[self.node] + self.above) / supply;
        Point { values, solution, adjoint, ratio }
    }

    /// All parts at nominal, with the leakage in the direction of `sign` (0: none).
    fn at_middle(&self, sign: f64) -> Point {
        let values = self.spans.iter().map(Span::middle).collect();
        self.solve(values, (self.supply.0 + self.supply.1) / 2.0, sign)
    }

    fn adjoint_over(&self, point: &Point, k: usize) -> f64 {
        let at = |end: End| match end {
            End::Node(i) => point.adjoint[i],
            End::Supply | End::Ground => 0.0,
        };
        let [a, b] = self.piece.branches[k].ends;
        at(a) - at(b)
    }

    /// Slope of the ratio in the ohms of branch `k`: `g² V W / supply`.
    fn slope(&self, point: &Point, k: usize) -> f64 {
        let value = point.values[self.piece.branches[k].link];
        if value.drop > 0.0 && point.solution.direction[k] == 0 {
            return 0.0;
        }
        let v = point.solution.over_resistance(&self.piece, k, value);
        let g = value.siemens();
        (g * v) * (g * self.adjoint_over(point, k)) / point.solution.supply
    }

    /// The extreme in the direction of `sign`; `None` when the net floats at some corner.
    fn extreme(&self, sign: f64) -> Option<f64> {
        let forks = self.forks(sign);
        let mut best: Option<f64> = None;
        for choice in 0_u32..1 << forks.len() {
            let ratio = self.climb(sign, &forks, choice)?;
            best = Some(best.map_or(ratio, |b| if sign * ratio > sign * b { ratio } else { b }));
        }
        best
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
    /// whose `V` or `W` is smaller than 1.5 times what the other parts' spread does to it.
    fn forks(&self, sign: f64) -> Vec<Fork> {
        let mut forks = Vec::new();
        for branch in &self.piece.branches {
            if self.spans[branch.link].drop.1 > 0.0 {
                forks.extend([Fork::Ohms(branch.link), Fork::Drop(branch.link)]);
            }
        }
        if !forks.is_empty() || self.fed {
            forks.push(Fork::Supply);
        }
        let point = self.at_middle(sign);
        let mut turning: Vec<(f64, usize)> = (0..self.piece.branches.len())
            .filter(|&k| self.span_of(k).varies() && self.span_of(k).drop.1 == 0.0)
            .filter_map(|k| Some((self.may_turn(&point, k)?, self.piece.branches[k].link)))
            .collect();
        turning.sort_by(|a, b| b.0.total_cmp(&a.0));
        forks.extend(turning.iter().map(|&(_, link)| Fork::Ohms(link)));
        forks.truncate(MOST_FORKS);
        forks
    }

    /// The most that branch `k` can move the ratio, if the sign of its slope may turn.
    fn may_turn(&self, point: &Point, k: usize) -> Option<f64> {
        let ends = self.piece.branches[k].ends;
        // The current of a part at a rail can turn only where another source drives it.
        if !self.fed && !ends.iter().all(|&end| is_node(end)) {
            return None;
        }
        let mut inject = vec![0.0; self.piece.nets.len()];
        for (end, amps) in ends.iter().zip([1.0, -1.0]) {
            if let End::Node(i) = end {
                inject[*i] += amps;
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
        let most = g * (v + swing_v) * g * (w + swing_w) * self.reach(k) / point.solution.supply;
        (turns && most > NEGLIGIBLE).then_some(most)
    }
}

fn is_node(end: End) -> bool {
    matches!(end, End::Node(_))
}
