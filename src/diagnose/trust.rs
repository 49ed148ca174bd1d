//! Units known good by other means, against the board file: which of its entries disagree.

use super::Options;
use super::cause::{Causes, fitted};
use super::evidence::Evidence;
use super::rank::Weigher;
use crate::board::Board;
use crate::faults::Fault;
use std::collections::BTreeMap;

/// Nats by which each unit on average must prefer another entry, and all of them together.
const EACH: f64 = 3.0;
const TOGETHER: f64 = 10.0;

/// What a hypothesis counts that is hopeless on one unit.
const HOPELESS: f64 = -30.0;

/// An entry of the board file that trusted units contradict.
#[derive(Clone, Debug, PartialEq)]
pub struct Correction {
    /// What is true of the units beside the file, as the defect that it would be of one unit.
    pub fault: Fault,
    /// By how many nats the units prefer it, each on average.
    pub preferred: f64,
    /// Units that prefer it, of those given.
    pub units: usize,
}

/// What a board file may have wrong: values, the order of positions, which header is which.
fn of_the_file(fault: &Fault) -> bool {
    matches!(
        fault,
        Fault::ResistorValue { .. }
            | Fault::ResistorOff { .. }
            | Fault::ResistorsSwapped { .. }
            | Fault::CountedFromWrongEnd { .. }
            | Fault::HeadersMistaken { .. }
    )
}

/// The entries of the board file that disagree with units known good, worst first. Nothing is
/// learned from them: a correction is proposed, limits stay computed.
pub fn corrections(board: &Board, trusted: &[Evidence]) -> Vec<Correction> {
    let causes = Causes::single(board, &Options::default().weights);
    let mut hypotheses = causes.hypotheses;
    hypotheses.retain(|h| h.faults.iter().all(of_the_file));
    // What the file says, and each other entry, are alike beforehand.
    hypotheses.iter_mut().for_each(|h| h.prior = 0.0);
    let mut sums: BTreeMap<usize, Correction> = BTreeMap::new();
    for evidence in trusted {
        let weighed = Weigher::new(board, evidence).weigh(&hypotheses);
        let top = weighed.iter().map(|w| w.ln).fold(f64::NEG_INFINITY, f64::max);
        let as_filed = weighed.iter().find(|w| w.hypothesis.faults.is_empty());
        let as_filed = as_filed.map_or(top + HOPELESS, |w| w.ln);
        // The best of each cause; one that was hopeless from the start is not among the weighed.
        let mut best: BTreeMap<usize, (f64, Fault)> = BTreeMap::new();
        for h in &hypotheses {
            if let Some(&fault) = h.faults.first() {
                best.entry(h.cause).or_insert((top + HOPELESS, fault));
            }
        }
        for w in &weighed {
            let Some(&fault) = w.hypothesis.faults.first() else { continue };
            let by = w.own.map_or(0.0, |(by, _)| by);
            if best.get(&w.hypothesis.cause).is_some_and(|known| w.ln > known.0) {
                best.insert(w.hypothesis.cause, (w.ln, fitted(fault, by)));
            }
        }
        for (cause, (ln, fault)) in best {
            let sum = sums.entry(cause).or_insert(Correction { fault, preferred: 0.0, units: 0 });
            sum.preferred += ln - as_filed;
            if ln > as_filed {
                sum.units += 1;
                sum.fault = fault;
            }
        }
    }
    let units = trusted.len().max(1) as f64;
    let mut found: Vec<Correction> = sums.into_values().collect();
    found.retain(|c| c.preferred > (EACH * units).max(TOGETHER));
    found.iter_mut().for_each(|c| c.preferred /= units);
    found.sort_by(|a, b| {
        b.preferred.total_cmp(&a.preferred).then(a.fault.class().cmp(b.fault.class()))
    });
    found
}
