//! Normal equations: how well codes with normal nuisances fit a hypothesis, and what they make of
//! its own value.

use super::cause::Hypothesis;
use super::cell::{AGAINST, Cell, Fit, Point};
use crate::board::Board;
use crate::circuit::{Node, Slopes};
use crate::faults::Fault;
use std::collections::HashMap;
use std::f64::consts::TAU;

/// Relative spread of the pull-ups of one chip round their common value (common practice, no
/// source: some percent).
const PULL_UP_SPREAD: f64 = 0.05;

/// Standard deviation of a pin's leakage as a share of the limit in the data sheet: a pin may leak
/// anything up to it (uniform law, JCGM 100:2008, 4.3.7), the same in every reading.
const LEAKAGE_SHARE: f64 = 0.577;

/// The normal equations of one hypothesis: parameters are resistors, pins, offset, gain, switches and
/// the hypothesis's own value, each in units of its standard deviation. Of each pin there are two, its
/// pull-up and its leakage.
pub(super) struct System<'c> {
    cell: &'c Cell<'c>,
    /// Per resistor of the board: its parameter and standard deviation.
    of_resistor: HashMap<usize, (usize, f64)>,
    /// The first of the two parameters of each switch of the cell: its resistance and its drop.
    of_switch: Vec<usize>,
    /// Parameters of the supply while the probe read, and while a meter was held; none where its
    /// value is in no point.
    supply: [Option<usize>; 2],
    /// Parameter of the hypothesis's own value, with its deviation.
    own: Option<(usize, f64)>,
    size: usize,
    matrix: Vec<f64>,
    right: Vec<f64>,
    squares: f64,
    log_variance: f64,
    codes: usize,
}

impl<'c> System<'c> {
    pub fn new(cell: &'c Cell<'c>, hypothesis: &Hypothesis) -> System<'c> {
        let mut of_resistor: HashMap<usize, (usize, f64)> =
            cell.resistors.iter().enumerate().map(|(p, &(r, sd))| (r, (p, sd))).collect();
        let mut size = cell.resistors.len() + 2 * cell.channels.len() + 2;
        let mut added = || {
            size += 1;
            size - 1
        };
        let probed = cell.scale.supply_sd().map(|_| added());
        let supply = [probed, cell.metered.then(&mut added)];
        let of_switch = cell.switches.iter().map(|_| (added(), added()).0).collect();
        let mut own = None;
        if let (Some(loose), Some(fault)) = (hypothesis.loose, hypothesis.faults.first()) {
            match fault {
                Fault::ResistorOff { resistor, .. } => {
                    if let Some(entry) = of_resistor.get_mut(resistor) {
                        entry.1 = loose;
                        own = Some((entry.0, loose));
                    }
                }
                _ => {
                    own = Some((size, loose));
                    size += 1;
                }
            }
        }
        let mut matrix = vec![0.0; size * size];
        (0..size).for_each(|i| matrix[i * size + i] = 1.0);
        System {
            cell,
            of_resistor,
            of_switch,
            supply,
            own,
            size,
            matrix,
            right: vec![0.0; size],
            squares: 0.0,
            log_variance: 0.0,
            codes: 0,
        }
    }

    /// Takes a point: the codes with the pull-up off and on.
    pub fn point(&mut self, point: &Point, slopes: &Slopes, pull: f64, fit: &mut Fit) {
        let chip = &self.cell.board.chip;
        let Node::Driven { volts, source } = slopes.node else {
            // Nothing is known of an open pin but that its pull-up brings it to the rail.
            fit.ln -= chip.scale.ln();
            if let Some(pulled) = point.pulled {
                let at_rail = pulled > 0.97 * f64::from(chip.full_scale);
                fit.ln += if at_rail { -chip.scale.ln() / 2.0 } else { AGAINST };
                fit.against += usize::from(!at_rail);
            }
            return;
        };
        for code in codes(self.cell, point, (volts.0, source.0), pull) {
            self.code(point, &code, slopes);
        }
    }

    fn code(&mut self, point: &Point, code: &Code, slopes: &Slopes) {
        match code.missed(self.cell.board, point) {
            Some(residual) => self.add(residual, point.variance, &self.row(point, code, slopes)),
            None => self.add(0.0, point.variance, &vec![0.0; self.size]),
        }
    }

    /// How a code moves with each parameter.
    pub fn row(&self, point: &Point, code: &Code, slopes: &Slopes) -> Vec<f64> {
        let chip = &self.cell.board.chip;
        let scale = chip.scale;
        let mut row = vec![0.0; self.size];
        let slope = |volts: f64, ohms: f64| scale * (volts * code.to[0] + ohms * code.to[1]);
        for &(r, volts, ohms) in &slopes.by_resistor {
            if let Some(&(p, sd)) = self.of_resistor.get(&r) {
                row[p] = slope(volts, ohms) * sd;
            }
        }
        for s in &slopes.by_switch {
            let mut switches = self.cell.switches.iter().zip(&self.of_switch);
            if let Some((&(_, on, drop), &p)) = switches.find(|((i, ..), _)| *i == s.switch) {
                row[p] = slope(s.by_resistance.0, s.by_resistance.1) * on;
                row[p + 1] = slope(s.by_drop, 0.0) * drop;
            }
        }
        let first = self.cell.resistors.len();
        let place = point.channel.and_then(|c| self.cell.channels.iter().position(|&d| d == c));
        if let Some(place) = place {
            row[first + place] = scale * code.pin[0];
            row[first + self.cell.channels.len() + place] = code.pin[1];
            let offset = first + 2 * self.cell.channels.len();
            row[offset] = chip.offset.worst().max(0.5) / 3f64.sqrt();
            let gain = chip.gain.worst().max(0.5) / 3f64.sqrt();
            row[offset + 1] = code.v * gain.hypot(scale * self.cell.scale.reference_sd());
        }
        let probed = place.and(self.supply[0]).zip(self.cell.scale.supply_sd());
        let metered = self.supply[1].filter(|_| point.channel.is_none());
        if let Some((p, sd)) = probed.or(metered.map(|p| (p, self.cell.scale.metered_sd()))) {
            row[p] = scale * code.v * sd;
        }
        if let Some((p, sd)) = self.own
            && p >= first
        {
            row[p] = slope(slopes.by_added.0, slopes.by_added.1) * sd;
        }
        row
    }

    fn add(&mut self, residual: f64, variance: f64, row: &[f64]) {
        let weight = 1.0 / variance;
        self.squares += weight * residual * residual;
        self.log_variance += (TAU * variance).ln();
        self.codes += 1;
        let n = self.size;
        for i in (0..n).filter(|&i| row[i] != 0.0) {
            let a = weight * row[i];
            self.right[i] += a * residual;
            for j in 0..=i {
                self.matrix[i * n + j] += a * row[j];
            }
        }
    }

    /// Number of parameters.
    pub fn size(&self) -> usize {
        self.size
    }

    /// Solves by Cholesky's method and closes the likelihood.
    pub fn close(mut self, fit: &mut Fit) {
        self.solve(fit);
    }

    /// The same, with how far the nuisances are stretched.
    pub fn close_in_full(mut self, fit: &mut Fit) {
        let solved = self.solve(fit);
        let estimates = backward(&self.matrix, self.size, &solved);
        let own = self.own.map(|(p, _)| p);
        let nuisances = estimates.iter().enumerate().filter(|(p, _)| own != Some(*p));
        let most = nuisances.map(|(_, z)| z.abs()).fold(0.0, f64::max);
        fit.stretched = Some((most, self.size));
    }

    fn solve(&mut self, fit: &mut Fit) -> Vec<f64> {
        let n = self.size;
        let log_det = cholesky(&mut self.matrix, n);
        let solved = forward(&self.matrix, n, &self.right);
        let explained: f64 = solved.iter().map(|x| x * x).sum();
        fit.chi = (self.squares - explained).max(0.0);
        fit.codes = self.codes;
        fit.ln -= (self.log_variance + log_det + fit.chi) / 2.0;
        if let Some((p, sd)) = self.own {
            let mut unit = vec![0.0; n];
            unit[p] = 1.0;
            let column = forward(&self.matrix, n, &unit);
            let estimate: f64 = column.iter().zip(&solved).map(|(a, b)| a * b).sum();
            let variance: f64 = column.iter().map(|x| x * x).sum();
            fit.own = Some((sd * estimate, sd * variance.sqrt()));
        }
        solved
    }
}

/// Puts Cholesky's factor in place of the lower triangle of a matrix; returns the logarithm of its
/// determinant.
pub(super) fn cholesky(matrix: &mut [f64], n: usize) -> f64 {
    let mut log_det = 0.0;
    for i in 0..n {
        for j in 0..=i {
            let (a, b) = (&matrix[i * n..i * n + j], &matrix[j * n..j * n + j]);
            let sum = matrix[i * n + j] - a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
            matrix[i * n + j] = if i == j {
                let pivot = sum.max(1e-300).sqrt();
                log_det += 2.0 * pivot.ln();
                pivot
            } else {
                sum / matrix[j * n + j]
            };
        }
    }
    log_det
}

/// Solves with a lower triangle.
pub(super) fn forward(factor: &[f64], n: usize, right: &[f64]) -> Vec<f64> {
    let mut x = right.to_vec();
    for i in 0..n {
        let row = &factor[i * n..i * n + i];
        let sum: f64 = row.iter().zip(&x).map(|(a, b)| a * b).sum();
        x[i] = (x[i] - sum) / factor[i * n + i];
    }
    x
}

/// Solves with the transpose of a lower triangle.
fn backward(factor: &[f64], n: usize, right: &[f64]) -> Vec<f64> {
    let mut x = right.to_vec();
    for i in (0..n).rev() {
        let sum: f64 = (i + 1..n).map(|k| factor[k * n + i] * x[k]).sum();
        x[i] = (x[i] - sum) / factor[i * n + i];
    }
    x
}

/// One code of a point.
pub(super) struct Code {
    /// What was read.
    pub code: f64,
    /// The share of the reference predicted.
    pub v: f64,
    /// How it moves by a volt and by an ohm of the node.
    to: [f64; 2],
    /// How it moves by a deviation of the pin's pull-up (a ratio) and of its leakage (codes).
    pin: [f64; 2],
}

impl Code {
    /// By how many codes it misses its prediction; none where it is at an end of the scale, where
    /// the converter says no more than that, and the prediction lies beyond.
    pub fn missed(&self, board: &Board, point: &Point) -> Option<f64> {
        let full = f64::from(board.chip.full_scale);
        let meter = point.channel.is_none();
        let predicted = board.chip.scale * self.v - if meter { 0.0 } else { 0.5 };
        let (low, high) = (self.code < 0.5, self.code > full - 0.5);
        let clipped = (low && predicted < self.code) || (high && predicted > self.code);
        (meter || !clipped).then_some(self.code - predicted)
    }
}

/// The codes of a point whose node has these volts and ohms: with the pull-up off, and on.
pub(super) fn codes(
    cell: &Cell,
    point: &Point,
    (volts, source): (f64, f64),
    pull: f64,
) -> impl Iterator<Item = Code> {
    let (chip, per_volt) = (&cell.board.chip, cell.per_volt(point));
    let leak = LEAKAGE_SHARE * chip.leakage.0 * source * per_volt * chip.scale;
    let (v, supply) = (volts * per_volt, cell.board.supply.volts.0 * per_volt);
    let plain = Code { code: point.code, v, to: [per_volt, 0.0], pin: [0.0, leak] };
    let pulled = point.pulled.map(|code| {
        let x = source / pull;
        let down = 1.0 + x;
        let by_x = (supply - v) / (down * down);
        Code {
            code,
            v: (v + supply * x) / down,
            to: [per_volt / down, by_x / pull],
            pin: [-by_x * x * PULL_UP_SPREAD, leak / down],
        }
    });
    std::iter::once(plain).chain(pulled)
}
