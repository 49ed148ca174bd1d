//! A first look at very many hypotheses: how well their nominal circuits fit, with the slopes of a
//! good unit. What is hopeless even so, with each reading allowed some codes more, is gone into no
//! further.

use super::cause::{Hypothesis, fitted};
use super::cell::{AGAINST, Cell, Fit, Point, Prediction};
use super::rank::good_unit;
use super::system::{Code, System, codes};
use crate::circuit::Node;
use crate::faults::Fault;

/// Codes by which a reading may miss besides, as a standard deviation: the slopes are those of a
/// good unit.
const SLACK: f64 = 3.0;

/// The readings of a cell at one value of the pull-up, weighed once.
pub(super) struct Glance {
    pub pull: f64,
    /// By code: its variance, what good parts may do to it included.
    pub spread: Vec<f64>,
    /// Logarithm of the density of a perfect fit of a unit whose pins are all driven.
    pub density: f64,
    /// Per code, in the order of the points: its weight, and how it moves with each parameter.
    rows: Vec<(f64, Vec<f64>)>,
    size: usize,
    /// Lower triangle of Cholesky's factor.
    factor: Vec<f64>,
}

impl Glance {
    pub fn new(cell: &Cell, good: &[Prediction], pull: f64) -> Glance {
        let unit = good_unit();
        let system = System::new(cell, &unit);
        let size = system.size();
        let mut rows = Vec::new();
        for (point, prediction) in cell.analog(good) {
            let weight = 1.0 / (point.variance + SLACK * SLACK);
            let slopes = &prediction.slopes;
            let row = |code: &Code| (weight, system.row(point, code, slopes));
            match slopes.node {
                Node::Driven { volts, source } => {
                    rows.extend(codes(cell, point, (volts.0, source.0), pull).map(|c| row(&c)));
                }
                Node::Floating => {
                    let count = 1 + usize::from(point.pulled.is_some());
                    rows.extend(vec![(weight, vec![0.0; size]); count]);
                }
            }
        }
        let mut factor = vec![0.0; size * size];
        for i in 0..size {
            for j in 0..=i {
                let sum: f64 = rows.iter().map(|(w, row)| w * row[i] * row[j]).sum();
                factor[i * size + j] = sum + if i == j { 1.0 } else { 0.0 };
            }
        }
        super::system::cholesky(&mut factor, size);
        let squares = |row: &[f64]| row.iter().map(|x| x * x).sum::<f64>();
        let spread = rows.iter().map(|(weight, row)| 1.0 / weight + squares(row)).collect();
        let density = density(cell, good, pull);
        Glance { pull, spread, density, rows, size, factor }
    }

    /// Squared distance of codes that miss by so much, in the order of the points.
    pub fn chi(&self, missed: &[f64], right: &mut Vec<f64>) -> f64 {
        let mut squares = 0.0;
        right.clear();
        right.resize(self.size, 0.0);
        for (&missed, (weight, row)) in missed.iter().zip(&self.rows) {
            let weighted = weight * missed;
            squares += weighted * missed;
            if weighted != 0.0 {
                right.iter_mut().zip(row).for_each(|(r, by)| *r += weighted * by);
            }
        }
        let solved = super::system::forward(&self.factor, self.size, right);
        (squares - solved.iter().map(|x| x * x).sum::<f64>()).max(0.0)
    }

    /// Squared distance of the readings from a hypothesis with these nodes, and what an open pin or
    /// a short costs; `moved` are the nodes with its own value moved by a deviation.
    pub fn ln(&self, cell: &Cell, points: &[(&Point, Node)], moved: Option<&[Node]>) -> f64 {
        let mut ln = 0.0;
        let mut squares = [0.0; 3];
        let mut right = [vec![0.0; self.size], vec![0.0; self.size]];
        let mut at = 0;
        for (i, (point, node)) in points.iter().enumerate() {
            let count = 1 + usize::from(point.pulled.is_some());
            let rows = &self.rows[at..at + count];
            at += count;
            let Node::Driven { volts, source } = *node else {
                ln -= cell.board.chip.scale.ln() * count as f64;
                continue;
            };
            let other = moved.map(|nodes| nodes[i]);
            let here = codes(cell, point, (volts.0, source.0), self.pull);
            let there = match other {
                Some(Node::Driven { volts, source }) => (volts.0, source.0),
                _ => (volts.0, source.0),
            };
            let there = codes(cell, point, there, self.pull);
            for ((code, other), (weight, row)) in here.zip(there).zip(rows) {
                let Some(residual) = code.missed(cell.board, point) else { continue };
                let slope = cell.board.chip.scale * (other.v - code.v);
                squares[0] += weight * residual * residual;
                squares[1] += weight * residual * slope;
                squares[2] += weight * slope * slope;
                for (r, by) in right[0].iter_mut().zip(row) {
                    *r += weight * residual * by;
                }
                if moved.is_some() {
                    for (r, by) in right[1].iter_mut().zip(row) {
                        *r += weight * slope * by;
                    }
                }
            }
        }
        let x = super::system::forward(&self.factor, self.size, &right[0]);
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let mut chi = squares[0] - dot(&x, &x);
        if moved.is_some() {
            let y = super::system::forward(&self.factor, self.size, &right[1]);
            let own = 1.0 + squares[2] - dot(&y, &y);
            chi -= (squares[1] - dot(&x, &y)).powi(2) / own;
        }
        ln - chi.max(0.0) / 2.0
    }
}

/// What [`System`] gives a perfect fit of the pins that a good unit drives.
fn density(cell: &Cell, good: &[Prediction], pull: f64) -> f64 {
    let unit = good_unit();
    let (mut system, mut fit) = (System::new(cell, &unit), Fit::default());
    for (point, prediction) in cell.analog(good) {
        if let Node::Driven { .. } = prediction.slopes.node {
            system.point(point, &prediction.slopes, pull, &mut fit);
        }
    }
    system.close(&mut fit);
    fit.ln + fit.chi / 2.0
}

impl Cell<'_> {
    /// What a first look makes of a hypothesis: the most of some values of the pull-up. Proofs and
    /// levels count as in full.
    pub fn glance(&self, glances: &[Glance], hypothesis: &Hypothesis) -> f64 {
        let (nodes, mut ln) = self.nodes(&hypothesis.faults);
        let moved = hypothesis.loose.map(|sd| {
            let moved: Vec<Fault> = hypothesis.faults.iter().map(|&f| fitted(f, sd)).collect();
            self.nodes(&moved).0
        });
        let points: Vec<(&Point, Node)> = self.points().iter().zip(nodes).collect();
        let analog: Vec<(&Point, Node)> =
            points.iter().copied().filter(|(p, _)| !p.digital).collect();
        let moved = moved.map(|nodes| {
            let each = self.points().iter().zip(nodes).filter(|(p, _)| !p.digital);
            each.map(|(_, node)| node).collect::<Vec<Node>>()
        });
        for (point, node) in &points {
            if !point.digital && self.contradicts(point, *node) {
                ln += AGAINST;
            }
        }
        let each = glances.iter().map(|g| g.ln(self, &analog, moved.as_deref()));
        ln + each.fold(f64::NEG_INFINITY, f64::max)
    }
}
