//! How much each thing that may vary moves a node: slopes by the adjoint network.

use super::corners::{Case, Point};
use super::network::Origin;
use super::spread::Spread;
use crate::board::{Board, NetId, Setting};

/// Something that varies by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// Resistance of a resistor of the board, in ohms.
    Resistor(usize),
    /// Resistance of a seated shunt, in ohms.
    Contact {
        /// Its jumper.
        jumper: usize,
    },
    /// Resistance of a closed switch, in ohms.
    SwitchOn(usize),
    /// Drop of a closed switch, in volts.
    SwitchDrop(usize),
    /// The pull-ups that are on, in ohms.
    PullUp,
    /// Leakage of the pins into the piece of network, in amperes.
    Leakage,
    /// The supply, in volts.
    Supply,
}

/// One thing that varies: where it is nominally, and between which ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Varying {
    /// What it is; its unit follows from it.
    pub cause: Cause,
    /// Nominal value.
    pub nominal: f64,
    /// Smallest value, everything common to several parts included.
    pub low: f64,
    /// Largest value.
    pub high: f64,
}

/// The ratio of a net's voltage to the supply as a function of everything that varies.
pub struct Model {
    case: Case,
    varying: Vec<Varying>,
}

impl Model {
    /// The model of a net in a setting, with the switches in `closed` closed; `None` when the net
    /// floats or is a rail.
    pub fn new(
        board: &Board,
        setting: &Setting,
        closed: &[usize],
        net: NetId,
        spread: &Spread,
    ) -> Option<Model> {
        let case = Case::new(board, setting, closed, net, spread)?;
        let mut varying: Vec<Varying> = Vec::new();
        for branch in &case.piece.branches {
            let span = case.spans[branch.link];
            let cause = cause_of(case.links[branch.link].origin);
            // Two poles of a shunt and the pull-ups of a chip count as one.
            if let Some(cause) = cause.filter(|c| varying.iter().all(|v| v.cause != *c)) {
                let (nominal, low, high) = (span.nominal, span.low, span.high);
                varying.push(Varying { cause, nominal, low, high });
            }
            if let (Origin::Switch(i), true) =
                (case.links[branch.link].origin, span.drop.1 > span.drop.0)
            {
                let (low, high) = span.drop;
                let nominal = (low + high) / 2.0;
                varying.push(Varying { cause: Cause::SwitchDrop(i), nominal, low, high });
            }
        }
        let (low, high) = case.supply;
        varying.push(Varying { cause: Cause::Supply, nominal: (low + high) / 2.0, low, high });
        let (low, high) = (-case.leakage, case.leakage);
        varying.push(Varying { cause: Cause::Leakage, nominal: 0.0, low, high });
        Some(Model { case, varying })
    }

    /// Everything that varies, in the order of the values that [`Model::at`] takes.
    pub fn varying(&self) -> &[Varying] {
        &self.varying
    }

    /// The ratio at these values.
    pub fn ratio(&self, values: &[f64]) -> f64 {
        self.point(values).0.ratio
    }

    /// The circuit at these values, and the leakage among them.
    fn point(&self, values: &[f64]) -> (Point, f64) {
        let find = |cause: Cause| {
            let at = self.varying.iter().position(|v| v.cause == cause)?;
            values.get(at).copied()
        };
        let case = &self.case;
        let links = case.links.iter().zip(&case.spans);
        let parts = links.map(|(link, span)| {
            let mut value = span.middle();
            value.ohms = cause_of(link.origin).and_then(find).unwrap_or(value.ohms);
            if let Origin::Switch(i) = link.origin {
                value.drop = find(Cause::SwitchDrop(i)).unwrap_or(value.drop);
            }
            value
        });
        let supply = find(Cause::Supply).unwrap_or(case.supply.0);
        let leakage = find(Cause::Leakage).unwrap_or(0.0);
        (case.leaking(parts.collect(), supply, leakage), leakage)
    }

    /// The ratio at these values, and its slope in each of them.
    pub fn at(&self, values: &[f64]) -> (f64, Vec<f64>) {
        let case = &self.case;
        let (point, leakage) = self.point(values);
        let slopes = self.varying.iter().map(|v| match v.cause {
            Cause::Leakage => case.leakage_slope(&point),
            Cause::Supply => case.supply_slope(&point, leakage),
            Cause::SwitchDrop(i) => case.drop_slope(&point, Origin::Switch(i)),
            cause => (0..case.piece.branches.len())
                .filter(|&k| {
                    cause_of(case.links[case.piece.branches[k].link].origin) == Some(cause)
                })
                .map(|k| case.slope(&point, k))
                .sum(),
        });
        (point.ratio, slopes.collect())
    }

    /// The ratio with everything at its nominal value, and the slopes there.
    pub fn nominal(&self) -> (f64, Vec<f64>) {
        let values: Vec<f64> = self.varying.iter().map(|v| v.nominal).collect();
        self.at(&values)
    }
}

fn cause_of(origin: Origin) -> Option<Cause> {
    match origin {
        Origin::Resistor(i) => Some(Cause::Resistor(i)),
        Origin::Contact { jumper, .. } => Some(Cause::Contact { jumper }),
        Origin::Switch(i) => Some(Cause::SwitchOn(i)),
        Origin::PullUp => Some(Cause::PullUp),
        Origin::Bridge(_) => None,
    }
}

/// How far each resistor's spread moves a net, as a ratio of the supply and to first order
/// (slope times the farther end), largest first.
pub fn contributions(
    board: &Board,
    setting: &Setting,
    closed: &[usize],
    net: NetId,
    spread: &Spread,
) -> Vec<(usize, f64)> {
    let Some(model) = Model::new(board, setting, closed, net, spread) else { return Vec::new() };
    let (_, slopes) = model.nominal();
    let moved = model.varying.iter().zip(slopes).filter_map(|(v, slope)| match v.cause {
        Cause::Resistor(i) => {
            let reach = (v.high - v.nominal).max(v.nominal - v.low);
            Some((i, slope.abs() * reach))
        }
        _ => None,
    });
    let mut found: Vec<(usize, f64)> = moved.collect();
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    found
}
