//! Units known good by other means, against the board file: which of its entries disagree.

use super::Options;
use super::cause::Causes;
use super::evidence::Evidence;
use super::rank::Weigher;
use crate::board::Board;
use crate::faults::Fault;
use std::collections::HashMap;

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
    let mut sums: HashMap<usize, (f64, usize, Fault)> = HashMap::new();
    for evidence in trusted {
        let weigher = Weigher::new(board, evidence);
        let weighed = weigher.weigh(&hypotheses);
        let top = weighed.iter().map(|w| w.ln).fold(f64::NEG_INFINITY, f64::max);
        let as_filed = weighed.iter().find(|w| w.hypothesis.faults.is_empty());
        let as_filed = as_filed.map_or(top + HOPELESS, |w| w.ln);
        let mut best: HashMap<usize, (f64, Fault)> = HashMap::new();
        for w in &weighed {
            if let Some(&fault) = w.hypothesis.faults.first() {
                let by = w.own.map_or(0.0, |(by, _)| by);
                let known = best.entry(w.hypothesis.cause).or_insert((f64::NEG_INFINITY, fault));
                if w.ln > known.0 {
                    *known = (w.ln, super::cause::fitted(fault, by));
                }
            }
        }
        for h in &hypotheses {
            let Some(&fault) = h.faults.first() else { continue };
            let (ln, fitted) = best.get(&h.cause).copied().unwrap_or((top + HOPELESS, fault));
            let entry = sums.entry(h.cause).or_insert((0.0, 0, fitted));
            // A family counts once.
            if entry.1 < units_so_far(trusted, evidence) {
                entry.0 += ln - as_filed;
                entry.1 += 1;
                if ln > as_filed {
                    entry.2 = fitted;
                }
            }
        }
    }
    let units = trusted.len();
    let mut found: Vec<Correction> = sums
        .into_values()
        .map(|(sum, _, fault)| Correction { fault, preferred: sum / units.max(1) as f64, units })
        .filter(|c| c.preferred > EACH && c.preferred * units as f64 > TOGETHER)
        .collect();
    found.sort_by(|a, b| {
        b.preferred.total_cmp(&a.preferred).then(a.fault.class().cmp(b.fault.class()))
    });
    found
}

fn units_so_far(trusted: &[Evidence], evidence: &Evidence) -> usize {
    trusted.iter().position(|e| std::ptr::eq(e, evidence)).map_or(0, |i| i + 1)
}
