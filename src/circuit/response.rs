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

/// What a net shows, and how it goes with each resistor and each closed switch.
#[derive(Clone, Debug, PartialEq)]
pub struct Slopes {
    /// The net as a source.
    pub node: Node,
    /// Resistors that reach the net: index, volts and ohms of source resistance by which they move
    /// it per unit of the logarithm of their value.
    pub by_resistor: Vec<(usize, f64, f64)>,
    /// Closed switches that reach the net.
    pub by_switch: Vec<SwitchSlope>,
    /// The same for the conductances that were added, all of them together: the value of a poor
    /// contact, a bridge, a leak.
    pub by_added: (f64, f64),
}

impl Slopes {
    fn none(node: Node) -> Slopes {
        Slopes { node, by_resistor: Vec::new(), by_switch: Vec::new(), by_added: (0.0, 0.0) }
    }

    /// What is held there whatever the parts are.
    pub fn held(node: Node) -> Slopes {
        Slopes::none(node)
    }
}

/// How a net goes with a closed switch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SwitchSlope {
    /// Its index.
    pub switch: usize,
    /// Volts and ohms of source resistance per unit of the logarithm of its resistance.
    pub by_resistance: (f64, f64),
    /// Volts per volt of its drop.
    pub by_drop: f64,
}

/// A switch that conducts.
#[derive(Clone, Debug)]
struct Closed {
    switch: usize,
    between: [NetId; 2],
    siemens: f64,
    /// 1 or -1 where a drop stands against the current, and its volts.
    direction: f64,
    drop: f64,
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
    /// By row: the rows of its piece of the circuit, first and one past the last. Entries of the
    /// inverse between pieces are 0.
    piece: Vec<(usize, usize)>,
    /// By row: the resistors that one end of stands there.
    joined: Vec<Vec<usize>>,
    /// Per resistor: its nets and siemens.
    resistors: Vec<([NetId; 2], f64)>,
    /// Switches that conduct.
    closed: Vec<Closed>,
    /// By row: whether its piece has a switch with a drop, so that changes are not linear there.
    bends: Vec<bool>,
    /// Conductances that were added before it was solved.
    made: Vec<Change>,
}

/// Rows under way: those of the nets that a question is about, as far as the pieces go that it
/// touches.
struct Rows {
    /// The first row that is kept.
    from: usize,
    /// Volts by which the changes move each row.
    volts: Vec<f64>,
    /// That of the net asked for, then of each change.
    rows: Vec<Vec<f64>>,
}

impl Response {
    /// Solves a unit with these parts in a setting with the switches in `closed` closed.
    pub fn new(board: &Board, parts: &Parts, setting: &Setting, closed: &[usize]) -> Response {
        let circuit = Circuit::solve(board, parts, setting, closed);
        Response::of(board, parts, &circuit, |_| true)
    }

    /// The same of some nets only, that no part joins with others but through rails: a group of
    /// them. The others are not in it and are not to be asked for.
    pub fn within(
        board: &Board,
        parts: &Parts,
        setting: &Setting,
        closed: &[usize],
        nets: &[NetId],
    ) -> Response {
        let circuit = Circuit::solve(board, parts, setting, closed);
        Response::of(board, parts, &circuit, |piece| piece.iter().any(|n| nets.contains(n)))
    }

    /// The same of a unit in which changes are made already, as they have to be where a switch with
    /// a drop is near, see [`Response::bends_at`].
    pub fn made(
        board: &Board,
        setting: &Setting,
        closed: &[usize],
        changes: &[Change],
        nets: &[NetId],
    ) -> Response {
        let mut parts = Parts::nominal(board);
        for change in changes {
            match change.resistor {
                Some(resistor) => {
                    let siemens = 1.0 / parts.resistors[resistor].0 + change.siemens;
                    // What is taken away leaves some digits.
                    let open = siemens < 1e-9 * change.siemens.abs();
                    let ohms = if open { f64::INFINITY } else { 1.0 / siemens };
                    parts.resistors[resistor] = Ohms(ohms);
                }
                None => parts.bridges.push((change.between, Ohms(1.0 / change.siemens))),
            }
        }
        let mut response = Response::within(board, &parts, setting, closed, nets);
        response.made.extend(changes.iter().filter(|c| c.resistor.is_none()));
        response
    }

    fn of(
        board: &Board,
        parts: &Parts,
        circuit: &Circuit,
        wanted: impl Fn(&[NetId]) -> bool,
    ) -> Response {
        let nets = board.nets.len();
        let mut row = vec![None; nets];
        let mut first = Vec::with_capacity(circuit.pieces.len());
        let mut n = 0;
        for piece in &circuit.pieces {
            let wanted = wanted(&piece.nets);
            first.push(wanted.then_some(n));
            n += if wanted { piece.nets.len() } else { 0 };
        }
        let mut driven = vec![true; nets];
        let mut volts = vec![0.0; nets];
        for (net, home) in circuit.homes.iter().enumerate() {
            if let Home::Node { piece, node } = *home {
                let Some(first) = first[piece] else { continue };
                row[net] = Some(first + node);
                driven[net] = circuit.solution(piece).driven[node];
            }
            volts[net] = circuit.volts(NetId(net)).unwrap_or(0.0);
        }
        let mut inverse = vec![0.0; n * n];
        let mut of_row = vec![(0, 0); n];
        let mut bends = vec![false; n];
        let mut closed = Vec::new();
        for (p, piece) in circuit.pieces.iter().enumerate() {
            let Some(first) = first[p] else { continue };
            let solution = circuit.solution(p);
            let bent = piece.branches.iter().any(|b| circuit.values[b.link].drop > 0.0);
            bends[first..first + piece.nets.len()].fill(bent);
            closed.extend(conducting(circuit, p));
            let tied = solution.driven.iter().any(|d| !d);
            let mesh = tied.then(|| piece.tied(&circuit.values, solution, TIE));
            let mesh = mesh.as_ref().unwrap_or(&solution.mesh);
            of_row[first..first + piece.nets.len()].fill((first, first + piece.nets.len()));
            for node in 0..piece.nets.len() {
                let at = (first + node) * n + first;
                inverse[at..at + piece.nets.len()].copy_from_slice(&mesh.column(node));
            }
        }
        let resistors = board
            .resistors
            .iter()
            .enumerate()
            .map(|(i, r)| (r.between, parts.value(Origin::Resistor(i)).siemens()))
            .collect();
        let mut joined: Vec<Vec<usize>> = vec![Vec::new(); n];
        for (i, r) in board.resistors.iter().enumerate() {
            // Once is enough: the other end is found from here.
            if let Some(at) = r.between.iter().find_map(|net| row[net.0]) {
                joined[at].push(i);
            }
        }
        let (piece, made) = (of_row, Vec::new());
        Response { row, volts, driven, n, inverse, piece, joined, resistors, closed, bends, made }
    }

    /// Two circuits of one unit as one: each [`Response::within`] some nets, none of them in both.
    pub fn beside(&self, other: &Response) -> Response {
        let n = self.n + other.n;
        let mut one = Response { n, ..self.clone() };
        for (net, row) in other.row.iter().enumerate() {
            if let Some(row) = row {
                one.row[net] = Some(self.n + row);
                one.volts[net] = other.volts[net];
                one.driven[net] = other.driven[net];
            }
        }
        one.inverse = vec![0.0; n * n];
        for (part, from) in [(self, 0), (other, self.n)] {
            for row in 0..part.n {
                let at = (from + row) * n + from;
                let entries = &part.inverse[row * part.n..(row + 1) * part.n];
                one.inverse[at..at + part.n].copy_from_slice(entries);
            }
        }
        one.piece.extend(other.piece.iter().map(|&(a, b)| (self.n + a, self.n + b)));
        one.joined.extend(other.joined.iter().cloned());
        one.closed.extend(other.closed.iter().cloned());
        one.bends.extend(&other.bends);
        one.made.extend(&other.made);
        one
    }

    /// Whether changes are not linear here, because a switch with a drop may conduct or not; what is
    /// said of them then holds for small ones only.
    pub fn bends(&self) -> bool {
        self.bends.contains(&true)
    }

    /// Whether these changes are not.
    pub fn bends_at(&self, changes: &[Change]) -> bool {
        let mut rows = changes.iter().flat_map(|c| c.between).filter_map(|net| self.row[net.0]);
        rows.any(|row| self.bends[row])
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
            Some(row) => self.changed_at(net, row, changes),
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
        let to = |c: &Change| z(net, c.between[0]) - z(net, c.between[1]);
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

    /// The changes one by one, on the few entries of the inverse between the nets in question.
    fn changed_at(&self, net: NetId, row: usize, changes: &[Change]) -> Node {
        let sorted;
        let changes = match changes {
            [_] => changes,
            _ => {
                sorted = in_order(changes);
                &sorted
            }
        };
        // Nearly always there are one or two; that needs no room on the heap.
        const FEW: usize = 5;
        let n = 2 * changes.len() + 1;
        let (mut few, mut many) = ([0.0; FEW * (FEW + 2)], Vec::new());
        let room = match n <= FEW {
            true => &mut few[..n * (n + 2)],
            false => {
                many.resize(n * (n + 2), 0.0);
                &mut many[..]
            }
        };
        let (volts, rest) = room.split_at_mut(n);
        let (column, between) = rest.split_at_mut(n);
        let point = |i: usize| match i {
            0 => (Some(row), self.volts[net.0]),
            i => {
                let net = changes[(i - 1) / 2].between[(i - 1) % 2];
                (self.row[net.0], self.volts[net.0])
            }
        };
        for i in 0..n {
            let (at, here) = point(i);
            volts[i] = here;
            for j in 0..n {
                let entry = at.zip(point(j).0).map(|(a, b)| self.inverse[a * self.n + b]);
                between[i * n + j] = entry.unwrap_or(0.0);
            }
        }
        for (c, change) in changes.iter().enumerate() {
            let (a, b) = (2 * c + 1, 2 * c + 2);
            for (i, x) in column.iter_mut().enumerate() {
                *x = between[i * n + a] - between[i * n + b];
            }
            let share = change.siemens / left(*change, column[a] - column[b]);
            if share == 0.0 {
                continue;
            }
            let across = volts[a] - volts[b];
            for (i, x) in column.iter().enumerate() {
                volts[i] -= share * across * x;
                for (j, y) in column.iter().enumerate() {
                    between[i * n + j] -= share * x * y;
                }
            }
        }
        node(volts[0], between[0])
    }

    /// The same with the slopes against every resistor.
    pub fn slopes(&self, net: NetId, changes: &[Change]) -> Slopes {
        let Some(row) = self.row[net.0] else {
            return Slopes::none(self.node(net));
        };
        let rows = self.rows(net, changes);
        let node = node(self.volts_at(&rows, net), rows.rows[0][row - rows.from]);
        let Node::Driven { .. } = node else { return Slopes::none(node) };
        let adjoint = &rows.rows[0];
        let across = |[a, b]: [NetId; 2]| {
            let w = self.at(&rows, adjoint, a) - self.at(&rows, adjoint, b);
            (self.volts_at(&rows, a) - self.volts_at(&rows, b), w)
        };
        let mut near: Vec<usize> = self.joined[rows.from..rows.from + rows.volts.len()]
            .iter()
            .flatten()
            .copied()
            .collect();
        near.sort_unstable();
        let mut by_resistor = Vec::new();
        for i in near {
            let (between, siemens) = self.resistors[i];
            let (v, w) = across(between);
            let added = changes.iter().filter(|c| c.resistor == Some(i)).map(|c| c.siemens);
            let siemens = (siemens + added.sum::<f64>()).max(0.0);
            if w != 0.0 && siemens != 0.0 {
                by_resistor.push((i, siemens * v * w, siemens * w * w));
            }
        }
        let by_switch = self.closed.iter().map(|c| {
            let (v, w) = across(c.between);
            let over = v - c.direction * c.drop;
            SwitchSlope {
                switch: c.switch,
                by_resistance: (c.siemens * over * w, c.siemens * w * w),
                by_drop: c.siemens * c.direction * w,
            }
        });
        let by_switch = by_switch.filter(|s| s.by_resistance.1 != 0.0).collect();
        let mut by_added = (0.0, 0.0);
        for change in changes.iter().filter(|c| c.resistor.is_none()).chain(&self.made) {
            let (v, w) = across(change.between);
            by_added.0 += change.siemens * v * w;
            by_added.1 += change.siemens * w * w;
        }
        Slopes { node, by_resistor, by_switch, by_added }
    }

    fn at(&self, rows: &Rows, row: &[f64], net: NetId) -> f64 {
        let kept = self.row[net.0].and_then(|r| row.get(r.checked_sub(rows.from)?));
        kept.copied().unwrap_or(0.0)
    }

    fn volts_at(&self, rows: &Rows, net: NetId) -> f64 {
        self.volts[net.0] + self.at(rows, &rows.volts, net)
    }

    /// Makes the changes one by one, on whole rows.
    fn rows(&self, net: NetId, changes: &[Change]) -> Rows {
        let changes = in_order(changes);
        let asked = changes.iter().flat_map(|c| c.between).chain([net]);
        let pieces = asked.filter_map(|net| self.row[net.0]).map(|row| self.piece[row]);
        let (from, to) = pieces.fold((self.n, 0), |(a, b), (c, d)| (a.min(c), b.max(d)));
        let volts = vec![0.0; to.saturating_sub(from)];
        let row_of = |net: NetId| {
            let row = self.row[net.0].map(|r| r * self.n);
            row.map_or(&[][..], |r| &self.inverse[r + from..r + to])
        };
        let between = |[a, b]: [NetId; 2]| {
            let mut row = vec![0.0; to.saturating_sub(from)];
            row.iter_mut().zip(row_of(a)).for_each(|(x, y)| *x += y);
            row.iter_mut().zip(row_of(b)).for_each(|(x, y)| *x -= y);
            row
        };
        let rows = std::iter::once(row_of(net).to_vec());
        let rows = rows.chain(changes.iter().map(|c| between(c.between))).collect();
        let mut rows = Rows { from, volts, rows };
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
        let across = self.at(rows, &column, a) - self.at(rows, &column, b);
        let volts = self.volts_at(rows, a) - self.volts_at(rows, b);
        let share = change.siemens / left(change, across);
        rows.volts.iter_mut().zip(&column).for_each(|(v, c)| *v -= share * volts * c);
        // The rows that are still needed: the net's own and those of the changes to come.
        for i in (0..rows.rows.len()).filter(|&i| i == 0 || i > index) {
            let across = self.at(rows, &rows.rows[i], a) - self.at(rows, &rows.rows[i], b);
            if across != 0.0 {
                let row = rows.rows[i].iter_mut().zip(&column);
                row.for_each(|(x, c)| *x -= share * across * c);
            }
        }
    }
}

/// The switches of a piece that conduct.
fn conducting(circuit: &Circuit, piece: usize) -> impl Iterator<Item = Closed> {
    let solution = circuit.solution(piece);
    circuit.pieces[piece].branches.iter().zip(&solution.direction).filter_map(|(branch, &way)| {
        let (link, value) = (circuit.links[branch.link], circuit.values[branch.link]);
        let Origin::Switch(switch) = link.origin else { return None };
        (value.drop == 0.0 || way != 0).then(|| Closed {
            switch,
            between: link.between,
            siemens: value.siemens(),
            direction: f64::from(way),
            drop: value.drop,
        })
    })
}

/// First what is taken away, since a cut is found by digits that a floating net loses when it is
/// joined.
fn in_order(changes: &[Change]) -> Vec<Change> {
    let mut changes = changes.to_vec();
    changes.sort_by(|a, b| a.siemens.total_cmp(&b.siemens));
    changes
}

/// What a change leaves of the conductance that its two nets meet, as a share; `across` is the
/// resistance between them without it.
fn left(change: Change, across: f64) -> f64 {
    let left = 1.0 + change.siemens * across;
    if left.abs() < CUT { 1.0 / (change.siemens.abs() * OHMS_OF_CUT) } else { left }
}

fn node(volts: f64, source: f64) -> Node {
    if source > FLOATS_BEYOND {
        return Node::Floating;
    }
    Node::Driven { volts: Volts(volts), source: Ohms(source.max(0.0)) }
}
