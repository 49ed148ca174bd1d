//! Odds learned from what was found in other units of the lot.

use super::cause::Causes;
use crate::board::Board;
use std::collections::{BTreeMap, HashMap};

/// Units that the stated odds are worth: so many confirmed causes weigh as much as what was stated
/// (advice of our own; a lot is ten units to two hundred, of which some are bad).
const STATED: f64 = 20.0;

/// Weights by kind of defect after causes of other units were confirmed: kind and count.
///
/// The kinds' shares have a Dirichlet law whose mean is what is stated and whose weight is
/// 20 units; each confirmed cause counts as one (conjugate update, any textbook of Bayesian
/// statistics). Kinds that the board cannot have do not count.
pub fn learned(
    board: &Board,
    stated: &HashMap<String, f64>,
    confirmed: &BTreeMap<String, usize>,
) -> HashMap<String, f64> {
    let hypotheses = Causes::single(board, stated).hypotheses;
    let mut shares: BTreeMap<&str, f64> = BTreeMap::new();
    for hypothesis in &hypotheses {
        if let Some(fault) = hypothesis.faults.first() {
            *shares.entry(fault.class()).or_default() += hypothesis.prior.exp();
        }
    }
    let sum: f64 = shares.values().sum();
    let known = confirmed.iter().filter(|(kind, _)| shares.contains_key(kind.as_str()));
    let units: usize = known.map(|(_, count)| count).sum();
    let mut weights = stated.clone();
    if units == 0 {
        return weights;
    }
    let weighed = super::cause::weights(board, stated);
    for (kind, share) in shares {
        let count = confirmed.get(kind).copied().unwrap_or(0) as f64;
        let after = (STATED * share / sum + count) / (STATED + units as f64);
        let factor = after / (share / sum);
        weights.insert(kind.into(), weighed[kind] * factor);
    }
    weights
}
