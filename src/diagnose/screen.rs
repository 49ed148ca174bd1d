//! A look at very many pairs of defects in the readings of one cell.
//!
//! Each defect is prepared once: where it puts the shunts of every wiring, and what it changes
//! there. A pair is the two together, a few dozen operations a reading on the solved circuit
//! ([`Response::glance`]). Most pairs miss some reading by so much that the rest need no look: the
//! squared distance of one code by itself is never more than that of all codes together. What is
//! left is weighed with the slopes of a good unit, each code allowed some codes more.

use super::cell::{AGAINST, Cell, Holds, KEEPS, Point, Prediction, SURVIVES};
use super::glance::Glance;
use super::system::codes;
use crate::board::Level;
use crate::circuit::{Change, Node, Response};
use crate::faults::{Fault, Joint};
use crate::units::{Ohms, Volts};
use std::sync::Arc;

/// The readings of a cell, ready for pairs.
pub(super) struct Screen<'a> {
    cell: Arc<Cell<'a>>,
    /// The good unit, by wiring.
    wired: Vec<Arc<Response>>,
    /// Wirings in the order in which they are looked at, each with its points and the number of
    /// the first code of each.
    order: Vec<(usize, Vec<(usize, usize)>)>,
    /// By value of the pull-up.
    glances: Vec<Glance>,
    codes: usize,
}

/// A defect as one of a pair.
pub(super) struct Lone {
    fault: Fault,
    states: Vec<State>,
    changes: Vec<Change>,
    /// Whether it moves shunts or switches in some wiring.
    seats: bool,
}

/// What a defect does to one wiring.
struct State {
    /// The circuit, where it is wired otherwise.
    other: Option<Arc<Response>>,
    changes: (usize, usize),
    shorts: bool,
}

/// Room for the look at one pair.
#[derive(Default)]
pub(super) struct Scratch {
    changes: Vec<Change>,
    by_pull: Vec<AtPull>,
    /// Open digital channels and what they read.
    held: Vec<(Option<usize>, f64)>,
    right: Vec<f64>,
    /// Whether a short that the supply did not give in to has been counted.
    survived: bool,
}

/// How a pair stands at one value of the pull-up.
#[derive(Clone, Default)]
struct AtPull {
    /// What counts besides the distance of the codes.
    ln: f64,
    /// The largest squared distance of one code.
    worst: f64,
    /// By how much each code misses.
    missed: Vec<f64>,
}

impl Scratch {
    fn reset(&mut self, screen: &Screen, start: &[f64]) {
        self.by_pull.resize(start.len(), AtPull::default());
        for (at, &ln) in self.by_pull.iter_mut().zip(start) {
            at.missed.clear();
            at.missed.resize(screen.codes, 0.0);
            (at.ln, at.worst) = (ln, 0.0);
        }
        self.held.clear();
        self.survived = false;
    }

    fn add(&mut self, ln: f64) {
        self.by_pull.iter_mut().for_each(|at| at.ln += ln);
    }

    /// The most that it can still come to.
    fn most(&self) -> f64 {
        self.by_pull.iter().map(|at| at.ln - at.worst / 2.0).fold(f64::NEG_INFINITY, f64::max)
    }
}

impl<'a> Screen<'a> {
    /// Prepares the readings of a cell for some values of the pull-up, in ohms.
    pub fn new(cell: Arc<Cell<'a>>, pulls: &[f64]) -> Screen<'a> {
        let good = cell.predict(&[]);
        let glances: Vec<Glance> = pulls.iter().map(|&p| Glance::new(&cell, &good, p)).collect();
        let wirings = cell.wirings();
        let wired = (0..wirings).map(|w| cell.circuit(&[], w).0).collect();
        let mut order: Vec<_> = (0..wirings).map(|w| (w, Vec::new())).collect();
        let mut codes = 0;
        for (i, point) in cell.points().iter().enumerate() {
            order[point.wiring].1.push((i, codes));
            codes += if point.digital { 0 } else { point.codes() };
        }
        let mut screen = Screen { cell, wired, order, glances, codes };
        screen.tell_first(&good);
        screen
    }

    /// Puts the wirings first in which a good unit misses most: most pairs miss there too.
    fn tell_first(&mut self, good: &[Prediction]) {
        let Some(glance) = self.glances.first() else { return };
        let missed = |&(i, at): &(usize, usize)| {
            let point = &self.cell.points()[i];
            let Node::Driven { volts, source } = good[i].slopes.node else { return 0.0 };
            if point.digital {
                return 0.0;
            }
            let all = codes(&self.cell, point, (volts.0, source.0), glance.pull);
            let far = |(k, code): (usize, super::system::Code)| {
                code.missed(self.cell.board, point).map_or(0.0, |m| m * m / glance.spread[at + k])
            };
            all.enumerate().map(far).fold(0.0, f64::max)
        };
        let most = |points: &[(usize, usize)]| points.iter().map(missed).fold(0.0, f64::max);
        let mut keyed: Vec<_> = self.order.iter().map(|e| (most(&e.1), e.clone())).collect();
        keyed.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.0.cmp(&b.1.0)));
        self.order = keyed.into_iter().map(|(_, entry)| entry).collect();
    }

    /// Prepares a defect.
    pub fn lone(&self, fault: Fault) -> Lone {
        let mut lone = Lone { fault, states: Vec::new(), changes: Vec::new(), seats: false };
        for (w, wired) in self.wired.iter().enumerate() {
            let (response, changes) = self.cell.circuit(&[fault], w);
            let first = lone.changes.len();
            lone.changes.extend(changes);
            let other = (!Arc::ptr_eq(&response, wired)).then_some(response);
            lone.seats |= other.is_some();
            let shorts = self.cell.shorts(&[fault], w);
            lone.states.push(State { other, changes: (first, lone.changes.len()), shorts });
        }
        lone
    }

    /// How well these defects, one or two, explain the readings, by value of the pull-up; `start`
    /// is what is known of each value besides. None where all of them come to less than `floor`.
    pub fn look(
        &self,
        lones: &[&Lone],
        start: &[f64],
        floor: f64,
        scratch: &mut Scratch,
    ) -> Option<Vec<f64>> {
        scratch.reset(self, start);
        for (w, points) in &self.order {
            match lones.iter().any(|l| l.states[*w].shorts) {
                true => self.shorted(points, scratch),
                false => self.wiring(lones, (*w, points), scratch),
            }
            if scratch.most() < floor {
                return None;
            }
        }
        let close = |(glance, at): (&Glance, &AtPull)| {
            let bound = at.ln - at.worst / 2.0;
            if bound < floor {
                return f64::NEG_INFINITY;
            }
            at.ln + glance.density - glance.chi(&at.missed, &mut scratch.right) / 2.0
        };
        let ln: Vec<f64> = self.glances.iter().zip(&scratch.by_pull).map(close).collect();
        ln.iter().any(|&ln| ln > floor).then_some(ln)
    }

    /// A shorted supply, see [`Cell::fit`].
    fn shorted(&self, points: &[(usize, usize)], scratch: &mut Scratch) {
        if !std::mem::replace(&mut scratch.survived, true) {
            scratch.add(SURVIVES);
        }
        for &(i, _) in points {
            let point = &self.cell.points()[i];
            match point.digital {
                true => scratch.add(-2f64.ln()),
                false => self.open(point.codes(), scratch),
            }
        }
    }

    /// Codes of which nothing is known but that they are in the scale.
    fn open(&self, codes: usize, scratch: &mut Scratch) {
        for (glance, at) in self.glances.iter().zip(&mut scratch.by_pull) {
            let each = glance.density / self.codes.max(1) as f64;
            at.ln -= codes as f64 * (self.cell.board.chip.scale.ln() + each);
        }
    }

    fn wiring(&self, lones: &[&Lone], at: (usize, &[(usize, usize)]), scratch: &mut Scratch) {
        let (w, points) = at;
        scratch.changes.clear();
        let bent;
        let response = match lones {
            // Where both move shunts, one of them may move what the other has moved.
            [a, b] if a.seats && b.seats => {
                let (response, changes) = self.cell.circuit(&[a.fault, b.fault], w);
                scratch.changes.extend(changes);
                bent = response;
                &bent
            }
            _ => {
                for lone in lones {
                    let (from, to) = lone.states[w].changes;
                    scratch.changes.extend_from_slice(&lone.changes[from..to]);
                }
                let mut others = lones.iter().filter_map(|l| l.states[w].other.as_ref());
                others.next().unwrap_or(&self.wired[w])
            }
        };
        for &(i, code) in points {
            let point = &self.cell.points()[i];
            let node = self.node(lones, response, point, &mut scratch.changes);
            match point.digital {
                true => self.level(lones, point, node, scratch),
                false => self.analog(point, node, code, scratch),
            }
        }
    }

    fn node(
        &self,
        lones: &[&Lone],
        response: &Response,
        point: &Point,
        changes: &mut Vec<Change>,
    ) -> Node {
        let board = self.cell.board;
        let joint = |channel: usize| lones.iter().find_map(|l| l.fault.pin(channel));
        match point.channel.and_then(joint) {
            Some(Joint::Open) => Node::Floating,
            Some(Joint::Stuck(level)) => {
                let volts = if level == Level::High { board.supply.volts } else { Volts(0.0) };
                Node::Driven { volts, source: Ohms(0.0) }
            }
            _ if point.load > 0.0 => {
                let between = [point.net, board.supply.ground];
                changes.push(Change { between, siemens: point.load, resistor: None });
                let node = response.changed(point.net, changes);
                changes.pop();
                node
            }
            _ => response
                .glance(point.net, changes)
                .unwrap_or_else(|| response.changed(point.net, changes)),
        }
    }

    fn analog(&self, point: &Point, node: Node, first: usize, scratch: &mut Scratch) {
        scratch.add(self.cell.proof(point, node).0);
        let Node::Driven { volts, source } = node else {
            self.open(point.codes(), scratch);
            if let Some(pulled) = point.pulled {
                let at_rail = pulled > 0.97 * f64::from(self.cell.board.chip.full_scale);
                scratch.add(if at_rail { 0.0 } else { AGAINST });
            }
            return;
        };
        for (glance, at) in self.glances.iter().zip(&mut scratch.by_pull) {
            let each = codes(&self.cell, point, (volts.0, source.0), glance.pull);
            for (k, code) in each.enumerate() {
                let Some(missed) = code.missed(self.cell.board, point) else { continue };
                at.missed[first + k] = missed;
                at.worst = at.worst.max(missed * missed / glance.spread[first + k]);
            }
        }
    }

    /// A level, as in [`Cell::fit`].
    fn level(&self, lones: &[&Lone], point: &Point, node: Node, scratch: &mut Scratch) {
        let each = lones.iter().map(|l| self.cell.holds(point, &[l.fault]));
        let holds = each.reduce(|a, b| if b == Holds::Missing { b } else { a });
        let holds = holds.unwrap_or_else(|| self.cell.holds(point, &[]));
        let open = node == Node::Floating && holds != Holds::On;
        for (glance, at) in self.glances.iter().zip(&mut scratch.by_pull) {
            let (mut ln, against) = self.cell.level(point, (node, holds), glance.pull);
            if open && !against {
                let kept = scratch.held.iter().find(|(c, _)| *c == point.channel);
                ln = kept.map_or(ln, |&(_, code)| if code == point.code { KEEPS } else { ln });
            }
            at.ln += ln;
        }
        if open {
            scratch.held.retain(|(c, _)| *c != point.channel);
            scratch.held.push((point.channel, point.code));
        }
    }
}
