//! The best sets found so far.

use super::How;
use std::cmp::Ordering;

/// Margins within one such step, in codes, are a tie.
const STEP: f64 = 0.1;

/// First shortfall from the bound that is looked through, in codes; it doubles until enough sets
/// are found.
const FIRST_SHORTFALL: f64 = 1.0;

/// A set of values in the order of the search.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Set {
    pub ohms: Vec<f64>,
    pub pull: Option<f64>,
    pub margin: f64,
    pub different: usize,
}

impl Set {
    pub fn new(ohms: &[f64], pull: Option<f64>, margin: f64) -> Set {
        let mut values: Vec<f64> = ohms.iter().copied().chain(pull).collect();
        values.sort_by(f64::total_cmp);
        values.dedup();
        Set { ohms: ohms.to_vec(), pull, margin, different: values.len() }
    }

    fn step(&self) -> f64 {
        (self.margin / STEP).round()
    }

    /// Better first: margin by steps, fewer different values, margin, then the larger values,
    /// which draw less; never equal for different sets.
    fn order(&self, other: &Set) -> Ordering {
        let total = |s: &Set| s.ohms.iter().chain(&s.pull).sum::<f64>();
        let values = |s: &Set| s.ohms.iter().chain(&s.pull).copied().collect::<Vec<f64>>();
        other
            .step()
            .total_cmp(&self.step())
            .then(self.different.cmp(&other.different))
            .then(other.margin.total_cmp(&self.margin))
            .then(total(other).total_cmp(&total(self)))
            .then_with(|| {
                let (a, b) = (values(self), values(other));
                a.iter()
                    .zip(&b)
                    .map(|(a, b)| a.total_cmp(b))
                    .find(|o| o.is_ne())
                    .unwrap_or(Ordering::Equal)
            })
    }
}

/// The best few sets, best first. Only margins above zero count.
#[derive(Clone, Debug)]
pub(super) struct Best {
    most: usize,
    sets: Vec<Set>,
    /// Sets below this margin are not looked for.
    floor: f64,
}

impl Best {
    pub fn new(most: usize) -> Best {
        Best { most, sets: Vec::new(), floor: 0.0 }
    }

    /// Finds every set that belongs into the list by whole searches of the tree.
    ///
    /// A beam has found good sets before; a search then finds the better ones, or that there are
    /// none. A list that the beam did not fill is searched for further and further below the
    /// bound. `search` goes through the tree for sets from [`Best::need`] up and says whether it
    /// came to its end.
    pub fn deepen(&mut self, bound: f64, mut search: impl FnMut(&mut Best) -> bool) -> How {
        let mut shortfall = FIRST_SHORTFALL;
        loop {
            let full = self.sets.len() >= self.most;
            self.floor = if full { 0.0 } else { f64::max(bound - shortfall, 0.0) };
            if !search(self) {
                return How::Beam;
            }
            if self.floor <= 0.0 || self.worst().is_some_and(|worst| worst >= self.floor) {
                return How::Exact;
            }
            shortfall *= 2.0;
        }
    }

    /// The margin that a set needs to enter; a tie may still enter by fewer values.
    pub fn need(&self) -> f64 {
        self.worst().map_or(self.floor, |worst| self.floor.max(worst))
    }

    /// Lower end of the step of the last set of a full list.
    fn worst(&self) -> Option<f64> {
        self.sets
            .last()
            .filter(|_| self.sets.len() >= self.most)
            .map(|last| (last.step() - 0.5) * STEP)
    }

    /// Takes a set if it is good enough; whether the need has risen.
    pub fn offer(&mut self, set: Set) -> bool {
        if !(set.margin > 0.0 && set.margin >= self.floor) {
            return false;
        }
        let at = self.sets.partition_point(|s| s.order(&set).is_lt());
        if at >= self.most || self.sets.get(at).is_some_and(|s| s.order(&set).is_eq()) {
            return false;
        }
        let need = self.need();
        self.sets.insert(at, set);
        self.sets.truncate(self.most);
        self.need() > need
    }

    pub fn into_sets(self) -> Vec<Set> {
        self.sets
    }
}
