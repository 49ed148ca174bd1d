//! Units known good by other means, against the board file: which of its entries disagree.

use super::cause::{Causes, Hypothesis, fitted};
use super::entries::Entry;
use super::evidence::Evidence;
use super::rank::{Weigher, good_unit};
use super::{Options, UNEXPLAINED, cores, tail};
use crate::board::{Board, NetId};
use crate::circuit::{self, Group};
use crate::faults::Fault;
use std::collections::BTreeMap;

/// Nats by which each unit on average must prefer another entry, and all of them together.
const EACH: f64 = 3.0;
const TOGETHER: f64 = 10.0;

/// What a hypothesis counts that is hopeless on one unit.
const HOPELESS: f64 = -30.0;

/// An entry that all units together like so many nats less than another of the same circuit is none
/// of the likely ones.
const BEHIND: f64 = 12.0;

/// A net is harder to get wrong than a value (nats, once; advice of our own).
const NET: f64 = 2.0;

/// Entries with other nets that are tried on all units.
const TRIED: usize = 40;

/// An entry of the board file that trusted units contradict.
#[derive(Clone, Debug, PartialEq)]
pub struct Correction {
    /// What is true of the units beside the file.
    pub entry: Entry,
    /// By how many nats the units prefer it, each on average.
    pub preferred: f64,
    /// The same of the unit that likes it least: none may be against what is said of the file.
    pub least: f64,
    /// Units of which the file explains the readings of its circuit with it.
    pub explained: usize,
}

/// How one unit takes an entry: by how many nats it prefers it, and whether it is explained then.
type Taken = (f64, bool);

/// The entries of the board file that disagree with units known good, worst first. Nothing is
/// learned from them: a correction is proposed, limits stay computed.
pub fn corrections(board: &Board, trusted: &[Evidence]) -> Vec<Correction> {
    let units: Vec<Unit> = trusted.iter().map(|evidence| Unit::new(board, evidence)).collect();
    let mut found = of_parts(board, &units);
    found.extend(of_nets(board, &units));
    let all = trusted.len().max(1) as f64;
    found.retain(|c| c.preferred > (EACH * all).max(TOGETHER) && c.least > -EACH);
    // One that leaves a pin open is preferred to much, and explains nothing.
    found.retain(|c| 2 * c.explained > trusted.len());
    found.sort_by(|a, b| b.preferred.total_cmp(&a.preferred));
    let mut kept: Vec<(Vec<usize>, Correction)> = Vec::new();
    let groups = circuit::groups(board);
    for correction in found {
        let mine = correction.entry.groups(board, &groups);
        let beaten = |(theirs, better): &(Vec<usize>, Correction)| {
            theirs.iter().any(|g| mine.contains(g))
                && better.preferred > correction.preferred + BEHIND
        };
        if !kept.iter().any(beaten) {
            kept.push((mine, correction));
        }
    }
    let mean = |c: Correction| Correction { preferred: c.preferred / all, ..c };
    kept.into_iter().map(|(_, correction)| mean(correction)).collect()
}

/// Units, by index, that contradict the file in a circuit that none of the corrections touches: what
/// is wrong there is theirs.
pub fn apart(board: &Board, trusted: &[Evidence], found: &[Correction]) -> Vec<usize> {
    let groups = circuit::groups(board);
    let touched: Vec<usize> = found.iter().flat_map(|c| c.entry.groups(board, &groups)).collect();
    let odd = |evidence: &Evidence| {
        let unit = Unit::new(board, evidence);
        (0..groups.len()).any(|g| !touched.contains(&g) && !unit.weigher.is_good(g, UNEXPLAINED))
    };
    (0..trusted.len()).filter(|&u| odd(&trusted[u])).collect()
}

/// A trusted unit against the file as it is.
struct Unit<'a> {
    evidence: &'a Evidence,
    weigher: Weigher<'a>,
    as_filed: f64,
}

impl<'a> Unit<'a> {
    fn new(board: &'a Board, evidence: &'a Evidence) -> Unit<'a> {
        let weigher = Weigher::new(board, evidence);
        let as_filed = weigher.weigh(&[good_unit()]).first().map_or(HOPELESS, |w| w.ln);
        Unit { evidence, weigher, as_filed }
    }

    /// Nets of the circuits whose readings the file does not explain.
    fn unexplained(&self, groups: &[Group]) -> Vec<NetId> {
        let odd = |&g: &usize| !self.weigher.is_good(g, UNEXPLAINED);
        (0..groups.len()).filter(odd).flat_map(|g| groups[g].nets.clone()).collect()
    }

    /// How it takes an entry with other nets.
    fn take(&self, entry: &Entry, other: &Board) -> Taken {
        if entry.shorts(other, self.evidence) {
            return (HOPELESS, false);
        }
        let weigher = Weigher::new(other, self.evidence);
        let touched = entry.groups(self.weigher.board, &circuit::groups(other));
        let mut touched = touched.into_iter();
        match weigher.weigh(&[good_unit()]).first() {
            Some(w) => (w.ln - self.as_filed, touched.all(|g| weigher.is_good(g, UNEXPLAINED))),
            None => (HOPELESS, false),
        }
    }
}

/// Entries that would be a defect of one unit.
fn of_parts(board: &Board, units: &[Unit]) -> Vec<Correction> {
    let causes = Causes::single(board, &Options::default().weights);
    let mut hypotheses = causes.hypotheses;
    hypotheses.retain(|h| h.faults.iter().all(Entry::is_of_the_file));
    // What the file says, and each other entry, are alike beforehand.
    hypotheses.iter_mut().for_each(|h| h.prior = 0.0);
    let mut sums: BTreeMap<usize, Correction> = BTreeMap::new();
    for unit in units {
        for (cause, (fault, (preferred, explained))) in taken(unit, &hypotheses) {
            let entry = Entry::Defect(fault);
            let none = Correction { entry, preferred: 0.0, least: f64::INFINITY, explained: 0 };
            let sum = sums.entry(cause).or_insert(none);
            sum.preferred += preferred;
            sum.least = sum.least.min(preferred);
            sum.explained += usize::from(explained);
            if preferred > 0.0 {
                sum.entry = Entry::Defect(fault);
            }
        }
    }
    sums.into_values().collect()
}

/// How a unit takes the best of each cause. Those of each circuit are weighed by themselves, so that
/// one that mends much does not hide what is wrong elsewhere.
fn taken(unit: &Unit, hypotheses: &[Hypothesis]) -> BTreeMap<usize, (Fault, Taken)> {
    let mut circuits: BTreeMap<Vec<usize>, Vec<Hypothesis>> = BTreeMap::new();
    for h in hypotheses.iter().filter(|h| !h.faults.is_empty()) {
        circuits.entry(unit.weigher.touched(&h.faults)).or_default().push(h.clone());
    }
    circuits.values().flat_map(|hypotheses| best_of(unit, hypotheses)).collect()
}

/// The same of causes that touch one circuit.
fn best_of(unit: &Unit, hypotheses: &[Hypothesis]) -> BTreeMap<usize, (Fault, Taken)> {
    let weighed = unit.weigher.weigh(hypotheses);
    let top = weighed.iter().map(|w| w.ln).fold(f64::NEG_INFINITY, f64::max);
    // One that is hopeless beside the best is not weighed out, and mends nothing.
    let hopeless = (top + HOPELESS - unit.as_filed).min(0.0);
    let mut best: BTreeMap<usize, (Fault, Taken)> = BTreeMap::new();
    for h in hypotheses {
        if let Some(&fault) = h.faults.first() {
            best.entry(h.cause).or_insert((fault, (hopeless, false)));
        }
    }
    for w in &weighed {
        let Some(&fault) = w.hypothesis.faults.first() else { continue };
        let by = w.own.map_or(0.0, |(by, _)| by);
        let preferred = w.ln - unit.as_filed;
        if best.get(&w.hypothesis.cause).is_some_and(|(_, known)| preferred > known.0) {
            let fits = unit.weigher.fits(&w.hypothesis.faults, &w.hypothesis, w.pull);
            let explained = fits.first().is_some_and(|fit| tail(fit) > UNEXPLAINED);
            best.insert(w.hypothesis.cause, (fitted(fault, by), (preferred, explained)));
        }
    }
    best
}

/// Entries with other nets, sought only where the file as it is does not explain a circuit.
fn of_nets(board: &Board, units: &[Unit]) -> Vec<Correction> {
    let groups = circuit::groups(board);
    let unexplained = units.iter().map(|unit| (unit.unexplained(&groups), unit.evidence));
    let Some((nets, evidence)) = unexplained.max_by_key(|(nets, _)| nets.len()) else {
        return Vec::new();
    };
    // The readings that are not explained, of the unit that has most of them, leave few entries.
    let mut odd = evidence.clone();
    odd.readings.retain(|r| nets.contains(&board.channels[r.channel].net));
    let odd = Unit::new(board, &odd);
    let tried = cores::each(&Entry::of_nets(board, &nets), |entry| {
        let (preferred, _) = odd.take(entry, &entry.applied(board));
        (entry.clone(), preferred)
    });
    let mut tried: Vec<(Entry, f64)> = tried.into_iter().filter(|(_, by)| *by > EACH).collect();
    tried.sort_by(|a, b| b.1.total_cmp(&a.1));
    tried.truncate(TRIED);
    cores::each(&tried, |(entry, _)| {
        let other = entry.applied(board);
        let all: Vec<Taken> = units.iter().map(|unit| unit.take(entry, &other)).collect();
        Correction {
            entry: entry.clone(),
            preferred: all.iter().map(|(by, _)| by).sum::<f64>() - NET,
            least: all.iter().map(|(by, _)| *by).fold(f64::INFINITY, f64::min),
            explained: all.iter().filter(|(_, explained)| *explained).count(),
        }
    })
}
