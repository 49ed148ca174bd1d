//! How much each thing that may vary moves a node: slopes by the adjoint network.

use super::corners::{Case, Point};
use super::network::Origin;
use super::sources::{self, Ties};
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

/// The ratio of a net's voltage to the supply as a function of everything that varies but for
/// further sources, see [`of_sources`].
pub struct Model {
    part: Part,
    varying: Vec<Varying>,
}

enum Part {
    /// A node of the network.
    Node(Box<Case>),
    /// A net that a rail leads: its share of the supply, and the volts that sources add.
    Held { share: f64, above: f64 },
}

impl Model {
    /// The model of a net in a setting, with the switches in `closed` closed; `None` when the net
    /// floats.
    pub fn new(
        board: &Board,
        setting: &Setting,
        closed: &[usize],
        net: NetId,
        spread: &Spread,
    ) -> Option<Model> {
        let ties = Ties::new(board);
        if let (Some(above), Some(at_one)) =
            (ties.fixed(board, net, 0.0), ties.fixed(board, net, 1.0))
        {
            let part = Part::Held { share: at_one - above, above };
            return Some(Model { part, varying: vec![supply_of(spread)] });
        }
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
        varying.push(supply_of(spread));
        let (low, high) = (-case.leakage, case.leakage);
        varying.push(Varying { cause: Cause::Leakage, nominal: 0.0, low, high });
        Some(Model { part: Part::Node(Box::new(case)), varying })
    }

    /// Everything that varies, in the order of the values that [`Model::at`] takes.
    pub fn varying(&self) -> &[Varying] {
        &self.varying
    }

    /// The ratio at these values.
    pub fn ratio(&self, values: &[f64]) -> f64 {
        match &self.part {
            Part::Held { share, above } => share + above / self.supply(values),
            Part::Node(case) => self.point(case, values).ratio,
        }
    }

    fn find(&self, cause: Cause, values: &[f64]) -> Option<f64> {
        values.get(self.varying.iter().position(|v| v.cause == cause)?).copied()
    }

    fn supply(&self, values: &[f64]) -> f64 {
        self.find(Cause::Supply, values).unwrap_or(1.0)
    }

    /// The circuit at these values.
    fn point(&self, case: &Case, values: &[f64]) -> Point {
        let find = |cause: Cause| self.find(cause, values);
        let links = case.links.iter().zip(&case.spans);
        let parts = links.map(|(link, span)| {
            let mut value = span.middle();
            value.ohms = cause_of(link.origin).and_then(find).unwrap_or(value.ohms);
            if let Origin::Switch(i) = link.origin {
                value.drop = find(Cause::SwitchDrop(i)).unwrap_or(value.drop);
            }
            value
        });
        let leakage = find(Cause::Leakage).unwrap_or(0.0);
        case.leaking(parts.collect(), self.supply(values), leakage)
    }

    /// The ratio at these values, and its slope in each of them.
    pub fn at(&self, values: &[f64]) -> (f64, Vec<f64>) {
        let case = match &self.part {
            Part::Node(case) => case,
            Part::Held { above, .. } => {
                let supply = self.supply(values);
                return (self.ratio(values), vec![-above / (supply * supply)]);
            }
        };
        let point = self.point(case, values);
        let slopes = self.varying.iter().map(|v| match v.cause {
            Cause::Leakage => case.leakage_slope(&point),
            Cause::Supply => case.supply_slope(&point),
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

fn supply_of(spread: &Spread) -> Varying {
    let (low, high) = (spread.supply.0.0, spread.supply.1.0);
    Varying { cause: Cause::Supply, nominal: (low + high) / 2.0, low, high }
}

/// How far each further source moves the ratio of a net by its tolerance, either way, with
/// everything else nominal; the ratio is linear in a source. Index of the source, and the ratio
/// that it adds at its upper end.
pub fn of_sources(
    board: &Board,
    setting: &Setting,
    closed: &[usize],
    net: NetId,
    spread: &Spread,
) -> Vec<(usize, f64)> {
    let uncertain = (0..board.sources.len()).filter(|&i| board.sources[i].tolerance.0 > 0.0);
    let ratio = |board: &Board| Some(Model::new(board, setting, closed, net, spread)?.nominal().0);
    let moved = |i: usize| {
        let at = |sign: f64| ratio(&sources::with_source_at(board, i, sign));
        Some((i, (at(1.0)? - at(-1.0)?) / 2.0))
    };
    uncertain.filter_map(moved).collect()
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
