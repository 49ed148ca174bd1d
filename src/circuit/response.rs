//! A solved circuit that answers what a net would be if some parts were different, without solving
//! again.
//!
//! With `Z` the inverse of the conductance matrix, a conductance `d` added between two nets changes
//! every voltage and every entry of `Z` by a term of rank one (Sherman and Morrison, Annals of
//! Mathematical Statistics 21, 1950, p. 124; from memory). Several changes are made one after the
//! other, on the few rows that are needed. The slopes against each resistor come from the same rows
//! (adjoint network: Director and Rohrer, IEEE Transactions CT-16, 1969; from memory).

use super::network::{Home, Origin};
use super::{Circuit, Node, Parts};
use crate::board::{Board, NetId, Setting};
use crate::units::{Ohms, Volts};

/// Siemens from every floating net to ground, so that floating pieces have an inverse too.
const TIE: f64 = 1e-14;

/// A source resistance beyond this is that of a tie: the net floats.
const FLOATS_BEYOND: f64 = 1e11;

/// Where a conductance carries all but this share of what joins its two sides, nothing else does:
/// taking it away cuts them apart.
const CUT: f64 = 1e-9;

/// Ohms that are taken to be left in a cut, so that the far side floats by its source resistance and
/// can be joined again by a later change.
const OHMS_OF_CUT: f64 = 1e13;

/// A conductance added between two nets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Its two nets.
    pub between: [NetId; 2],
    /// Siemens added; taken away where negative.
    pub siemens: f64,
    /// The resistor of the board that it changes, if it does.
    pub resistor: Option<usize>,
}

/// What a net shows, and how it goes with each resistor.
#[derive(Clone, Debug, PartialEq)]
pub struct Slopes {
    /// The net as a source.
    pub node: Node,
    /// Resistors that reach the net: index, volts and ohms of source resistance by which they move
    /// it per unit of the logarithm of their value.
    pub by_resistor: Vec<(usize, f64, f64)>,
    /// The same for the conductances that were added, all of them together: the value of a poor
    /// contact, a bridge, a leak.
    pub by_added: (f64, f64),
}

impl Slopes {
    fn none(node: Node) -> Slopes {
        Slopes { node, by_resistor: Vec::new(), by_added: (0.0, 0.0) }
    }
}

/// The circuit of one unit in one setting with its inverse.
#[derive(Clone, Debug)]
pub struct Response {
    /// Row of each net in `inverse`; none for nets that a rail holds.
    row: Vec<Option<usize>>,
    /// Volts of each net; 0 where it floats.
    volts: Vec<f64>,
    /// Whether each net reaches a rail.
    driven: Vec<bool>,
    n: usize,
    inverse: Vec<f64>,
    /// Per resistor: its nets and siemens.
    resistors: Vec<([NetId; 2], f64)>,
    /// Whether a switch with a drop conducts somewhere, so that changes are not linear.
    bends: bool,
}

/// Rows under way: those of the nets that a question is about.
struct Rows {
    volts: Vec<f64>,
    /// Per change yet to be made, and the net asked for last.
    rows: Vec<Vec<f64>>,
}

impl Response {
    /// Solves a unit with these parts in a setting with the switches in `closed` closed.
    pub fn new(board: &Board, parts: &Parts, setting: &Setting, closed: &[usize]) -> Response {
        let circuit = Circuit::solve(board, parts, setting, closed);
        let nets = board.nets.len();
        let mut row = vec![None; nets];
        let mut first = Vec::with_capacity(circuit.pieces.len());
        let mut n = 0;
        for piece in &circuit.pieces {
            first.push(n);
            n += piece.nets.len();
        }
        let mut driven = vec![true; nets];
        for (net, home) in circuit.homes.iter().enumerate() {
            if let Home::Node { piece, node } = *home {
                row[net] = Some(first[piece] + node);
                driven[net] = circuit.solution(piece).driven[node];
            }
        }
        let mut inverse = vec![0.0; n * n];
        let mut bends = false;
        for (p, piece) in circuit.pieces.iter().enumerate() {
            let solution = circuit.solution(p);
            bends |= piece.branches.iter().any(|b| circuit.values[b.link].drop > 0.0);
            let tied = solution.driven.iter().any(|d| !d);
            let mesh = tied.then(|| piece.tied(&circuit.values, solution, TIE));
            let mesh = mesh.as_ref().unwrap_or(&solution.mesh);
            for node in 0..piece.nets.len() {
                let at = (first[p] + node) * n + first[p];
                inverse[at..at + piece.nets.len()].copy_from_slice(&mesh.column(node));
            }
        }
        let volts = (0..nets).map(|i| circuit.volts(NetId(i)).unwrap_or(0.0)).collect();
        let resistors = board
            .resistors
            .iter()
            .enumerate()
            .map(|(i, r)| (r.between, parts.value(Origin::Resistor(i)).siemens()))
            .collect();
        Response { row, volts, driven, n, inverse, resistors, bends }
    }

    /// Whether changes are not linear here, because a switch with a drop conducts; what is said of
    /// them then holds for small ones only.
    pub fn bends(&self) -> bool {
        self.bends
    }

    /// Siemens of a resistor.
    pub fn siemens(&self, resistor: usize) -> f64 {
        self.resistors[resistor].1
    }

    /// What a net shows.
    pub fn node(&self, net: NetId) -> Node {
        let volts = Volts(self.volts[net.0]);
        match self.row[net.0] {
            None => Node::Driven { volts, source: Ohms(0.0) },
            Some(_) if !self.driven[net.0] => Node::Floating,
            Some(row) => Node::Driven { volts, source: Ohms(self.inverse[row * self.n + row]) },
        }
    }

    /// What a net shows with these changes made.
    ///
    /// A floating piece takes one change; a unit with more of them there is solved anew.
    pub fn changed(&self, net: NetId, changes: &[Change]) -> Node {
        match self.row[net.0] {
            _ if changes.is_empty() => self.node(net),
            // A rail is what it is; what drives it is not asked.
            None => self.node(net),
            Some(row) => match changes {
                [change] => self.changed_once(net, row, *change),
                _ => self.rows(net, changes).node(net, row),
            },
        }
    }

    /// The same for a first look at very many changes, in a few dozen operations: all of them at
    /// once (Woodbury's formula, from memory), and only for what is asked. None where something is
    /// cut off or floats, or there are more than two: ask [`Response::changed`] then.
    pub fn glance(&self, net: NetId, changes: &[Change]) -> Option<Node> {
        let row = self.row[net.0]?;
        let [first, rest @ ..] = changes else { return None };
        let second = match rest {
            [] => None,
            [second] => Some(second),
            _ => return None,
        };
        if !self.driven[net.0] || changes.iter().any(|c| c.siemens == 0.0) {
            return None;
        }
        let z = |a: NetId, b: NetId| match (self.row[a.0], self.row[b.0]) {
            (Some(a), Some(b)) => self.inverse[a * self.n + b],
            _ => 0.0,
        };
        let own = &self.inverse[row * self.n..(row + 1) * self.n];
        let to = |c: &Change| self.at(own, c.between[0]) - self.at(own, c.between[1]);
        let over = |c: &Change| self.volts[c.between[0].0] - self.volts[c.between[1].0];
        let across = |c: &Change, d: &Change| {
            let ([a, b], [e, f]) = (c.between, d.between);
            z(a, e) - z(a, f) - z(b, e) + z(b, f)
        };
        let driven = |c: &Change| c.between.iter().all(|n| self.driven[n.0]);
        let (w, v) = (to(first), over(first));
        let a = 1.0 / first.siemens + across(first, first);
        let whole = |c: &Change, left: f64| driven(c) && (left * c.siemens).abs() > 1e-6;
        if !whole(first, a) {
            return None;
        }
        let (volts, source) = match second {
            None => (w * v / a, w * w / a),
            Some(second) => {
                let (x, u) = (to(second), over(second));
                let b = across(first, second);
                let d = 1.0 / second.siemens + across(second, second);
                let det = a * d - b * b;
                if !whole(second, d) || (det / (a * d)).abs() < 1e-6 {
                    return None;
                }
                let by = |p: f64, q: f64| (w * (d * p - b * q) + x * (a * q - b * p)) / det;
                (by(v, u), by(w, x))
            }
        };
        let source = Ohms((self.inverse[row * self.n + row] - source).max(0.0));
        Some(Node::Driven { volts: Volts(self.volts[net.0] - volts), source })
    }

    /// One change, by the few entries of the inverse that it needs.
    fn changed_once(&self, net: NetId, row: usize, change: Change) -> Node {
        let own = self.inverse[row * self.n + row];
        let (mut volts, mut source) = (self.volts[net.0], own);
        if change.siemens != 0.0 {
            let [a, b] = change.between;
            let entry = |i: Option<usize>, j: Option<usize>| {
                i.zip(j).map_or(0.0, |(i, j)| self.inverse[i * self.n + j])
            };
            let (at, to) = (self.row[a.0], self.row[b.0]);
            let across = entry(at, at) - entry(at, to) - entry(to, at) + entry(to, to);
            let share = change.siemens / self.left(change, across);
            let far = entry(at, Some(row)) - entry(to, Some(row));
            volts -= share * (self.volts[a.0] - self.volts[b.0]) * far;
            source -= share * (entry(Some(row), at) - entry(Some(row), to)) * far;
        }
        node(volts, source)
    }

    /// What a change leaves of the conductance that its two nets meet, as a share; `across` is the
    /// resistance between them without it.
    fn left(&self, change: Change, across: f64) -> f64 {
        let left = 1.0 + change.siemens * across;
        if left.abs() < CUT { 1.0 / (change.siemens.abs() * OHMS_OF_CUT) } else { left }
    }

    /// The same with the slopes against every resistor.
    pub fn slopes(&self, net: NetId, changes: &[Change]) -> Slopes {
        let Some(row) = self.row[net.0] else {
            return Slopes::none(self.node(net));
        };
        let rows = self.rows(net, changes);
        let node = rows.node(net, row);
        let Node::Driven { .. } = node else { return Slopes::none(node) };
        let adjoint = &rows.rows[0];
        let mut by_resistor = Vec::new();
        for (i, &([a, b], siemens)) in self.resistors.iter().enumerate() {
            let w = self.at(adjoint, a) - self.at(adjoint, b);
            let added = changes.iter().filter(|c| c.resistor == Some(i)).map(|c| c.siemens);
            let siemens = (siemens + added.sum::<f64>()).max(0.0);
            if w == 0.0 || siemens == 0.0 {
                continue;
            }
            let v = rows.volts[a.0] - rows.volts[b.0];
            by_resistor.push((i, siemens * v * w, siemens * w * w));
        }
        let mut by_added = (0.0, 0.0);
        for change in changes.iter().filter(|c| c.resistor.is_none()) {
            let [a, b] = change.between;
            let w = self.at(adjoint, a) - self.at(adjoint, b);
            by_added.0 += change.siemens * (rows.volts[a.0] - rows.volts[b.0]) * w;
            by_added.1 += change.siemens * w * w;
        }
        Slopes { node, by_resistor, by_added }
    }

    fn at(&self, row: &[f64], net: NetId) -> f64 {
        self.row[net.0].map_or(0.0, |r| row[r])
    }

    /// The row of `Z` for a current in at the first net and out at the second.
    fn row_between(&self, [a, b]: [NetId; 2]) -> Vec<f64> {
        let of = |net: NetId| {
            let row = self.row[net.0];
            row.map_or(&[][..], |r| &self.inverse[r * self.n..(r + 1) * self.n])
        };
        let mut row = vec![0.0; self.n];
        row.iter_mut().zip(of(a)).for_each(|(x, y)| *x += y);
        row.iter_mut().zip(of(b)).for_each(|(x, y)| *x -= y);
        row
    }

    /// Makes the changes one by one: first what is taken away, since a cut is found by digits that
    /// a floating net loses when it is joined.
    fn rows(&self, net: NetId, changes: &[Change]) -> Rows {
        let mut changes = changes.to_vec();
        changes.sort_by(|a, b| a.siemens.total_cmp(&b.siemens));
        let own = self.row[net.0].map_or(&[][..], |r| &self.inverse[r * self.n..(r + 1) * self.n]);
        let mut rows = Rows {
            volts: self.volts.clone(),
            rows: std::iter::once(own.to_vec())
                .chain(changes.iter().map(|c| self.row_between(c.between)))
                .collect(),
        };
        for (i, change) in changes.iter().enumerate() {
            if change.siemens != 0.0 {
                self.make(&mut rows, i + 1, *change);
            }
        }
        rows
    }

    fn make(&self, rows: &mut Rows, index: usize, change: Change) {
        let [a, b] = change.between;
        let column = std::mem::take(&mut rows.rows[index]);
        let across = self.at(&column, a) - self.at(&column, b);
        let volts = rows.volts[a.0] - rows.volts[b.0];
        let share = change.siemens / self.left(change, across);
        for (net, volt) in rows.volts.iter_mut().enumerate() {
            *volt -= share * volts * self.at(&column, NetId(net));
        }
        // The rows that are still needed: the net's own and those of the changes to come.
        for (i, row) in rows.rows.iter_mut().enumerate() {
            if row.is_empty() || (i > 0 && i <= index) {
                continue;
            }
            let across = self.at(row, a) - self.at(row, b);
            if across != 0.0 {
                row.iter_mut().zip(&column).for_each(|(x, c)| *x -= share * across * c);
            }
        }
    }
}

impl Rows {
    fn node(&self, net: NetId, row: usize) -> Node {
        node(self.volts[net.0], self.rows[0][row])
    }
}

fn node(volts: f64, source: f64) -> Node {
    if source > FLOATS_BEYOND {
        return Node::Floating;
    }
    Node::Driven { volts: Volts(volts), source: Ohms(source.max(0.0)) }
}
