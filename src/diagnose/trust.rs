//! Units known good by other means, against the board file: which of its entries disagree.

use super::cause::{Causes, Hypothesis, fitted};
use super::entries::Entry;
use super::evidence::Evidence;
use super::rank::{Weigher, good_unit};
use super::{Options, UNEXPLAINED, cores, tail};
use crate::board::{Board, NetId, Place};
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

/// Nats that are nothing but rounding.
const NO_MATTER: f64 = 1e-6;

/// Factor between what two units make of one resistor from which on they disagree: more than the
/// tolerances of a ladder, less than two values of the E24 series two apart (advice of our own).
const OTHER_VALUE: f64 = 1.15;

/// An entry of the board file that trusted units contradict.
#[derive(Clone, Debug, PartialEq)]
pub struct Correction {
    /// What is true of the units beside the file.
    pub entry: Entry,
    /// By how many nats the units that are not against it prefer it, each on average.
    pub preferred: f64,
    /// The same of the one among them that likes it least.
    pub least: f64,
    /// Units of which the file explains the readings of its circuit with it.
    pub explained: usize,
    /// Units of which something of its circuit was read.
    pub asked: usize,
    /// Units, by index, that contradict the file with this entry, and agree with each other less than
    /// with what it says: they are no more than those that it explains.
    pub against: Vec<usize>,
}

/// How one unit takes an entry.
#[derive(Clone, Copy, Debug)]
struct Taken {
    /// By how many nats it prefers it.
    preferred: f64,
    /// Whether its readings are explained with it.
    explained: bool,
    /// What the entry would be for this unit alone, where it has a value.
    fault: Option<Fault>,
}

impl Taken {
    /// Whether the entry changes anything of what is known of the unit.
    fn bears(&self) -> bool {
        self.preferred.abs() > NO_MATTER
    }
}

/// An entry, and how those units take it of which something of its circuit was read.
#[derive(Clone, Debug)]
struct Asked {
    entry: Entry,
    units: Vec<(usize, Taken)>,
}

impl Asked {
    /// What the majority of the units make of it; none where they keep to the file, or do not care.
    fn majority(&self) -> Option<Correction> {
        let mut entry = self.entry.clone();
        let ratio = |taken: &Taken| match taken.fault {
            Some(Fault::ResistorOff { ratio, .. }) => Some(ratio),
            _ => None,
        };
        let wanting = || self.units.iter().filter(|(_, t)| t.preferred > 0.0 && t.explained);
        let mut ratios: Vec<f64> = wanting().filter_map(|(_, t)| ratio(t)).collect();
        ratios.sort_by(f64::total_cmp);
        let middle = ratios.get(ratios.len() / 2).copied();
        if let (Entry::Defect(Fault::ResistorOff { ratio, .. }), Some(middle)) =
            (&mut entry, middle)
        {
            *ratio = middle;
        }
        let other = |taken: &Taken| {
            let apart = ratio(taken).zip(middle).map(|(a, b)| (a / b).ln().abs());
            apart.is_some_and(|ln| ln > OTHER_VALUE.ln())
        };
        let is_against = |taken: &Taken| taken.preferred < -EACH || other(taken);
        let (against, rest): (Vec<_>, Vec<_>) = self.units.iter().partition(|(_, t)| is_against(t));
        let explained = rest.iter().filter(|(_, taken)| taken.explained).count();
        let preferred: f64 = rest.iter().map(|(_, taken)| taken.preferred).sum();
        let all = rest.len() as f64;
        // One that leaves a pin open is preferred to much, and explains nothing.
        let enough = preferred > (EACH * all).max(TOGETHER) && 2 * explained > rest.len();
        (enough && explained >= against.len()).then(|| Correction {
            entry,
            preferred,
            least: rest.iter().map(|(_, t)| t.preferred).fold(f64::INFINITY, f64::min),
            explained,
            asked: self.units.len(),
            against: against.iter().map(|(unit, _)| *unit).collect(),
        })
    }
}

/// The entries of the board file that disagree with units known good, worst first. Nothing is
/// learned from them: a correction is proposed, limits stay computed.
pub fn corrections(board: &Board, trusted: &[Evidence]) -> Vec<Correction> {
    let units: Vec<Unit> = trusted.iter().map(|evidence| Unit::new(board, evidence)).collect();
    let mut found: Vec<Correction> =
        of_parts(board, &units).iter().filter_map(Asked::majority).collect();
    found.extend(of_nets(board, &units).iter().filter_map(|asked| {
        let correction = asked.majority()?;
        Some(Correction { preferred: correction.preferred - NET, ..correction })
    }));
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
    let mean = |c: Correction| {
        let all = (c.asked - c.against.len()).max(1) as f64;
        Correction { preferred: c.preferred / all, ..c }
    };
    let mut kept: Vec<Correction> = kept.into_iter().map(|(_, c)| mean(c)).collect();
    // Any value at all says nothing that a value of the board's own does not.
    let named: Vec<Entry> = kept.iter().map(|correction| correction.entry.clone()).collect();
    kept.retain(|c| !named.iter().any(|value| is_roughly(board, &c.entry, value)));
    // The one that explains most units first; of those the one that they prefer.
    kept.sort_by_key(|correction| std::cmp::Reverse(correction.explained));
    kept
}

/// Whether an entry of any value is about another one of a certain value.
fn is_roughly(board: &Board, entry: &Entry, value: &Entry) -> bool {
    let (
        Entry::Defect(Fault::ResistorOff { resistor, ratio }),
        Entry::Defect(Fault::ResistorValue { resistor: other, ohms }),
    ) = (entry, value)
    else {
        return false;
    };
    let apart = (board.resistors[*resistor].ohms.0 * ratio / ohms.0).ln().abs();
    resistor == other && apart < OTHER_VALUE.ln()
}

/// What units known good do not say of a board file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Gap {
    /// Channels of which nothing was read.
    pub channels: Vec<usize>,
    /// Places of jumpers that show in a channel, in which nothing was read.
    pub places: Vec<(usize, Place)>,
}

impl Gap {
    /// That of one unit.
    pub fn of(board: &Board, evidence: &Evidence) -> Gap {
        let mut channels = evidence.unread(board);
        channels.extend(evidence.unmetered(board));
        channels.sort_unstable();
        Gap { channels, places: evidence.places_unread(board) }
    }

    /// What all of them leave open.
    pub fn common(gaps: &[Gap]) -> Gap {
        let Some((first, rest)) = gaps.split_first() else { return Gap::default() };
        let mut common = first.clone();
        common.channels.retain(|channel| rest.iter().all(|g| g.channels.contains(channel)));
        // Whoever never read a channel has read it in no place either.
        common.places.retain(|place| rest.iter().all(|g| g.places.contains(place)));
        common
    }

    /// Whether nothing is left open.
    pub fn is_none(&self) -> bool {
        self.channels.is_empty() && self.places.is_empty()
    }
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
        let hopeless = Taken { preferred: HOPELESS, explained: false, fault: None };
        if entry.shorts(other, self.evidence) {
            return hopeless;
        }
        let weigher = Weigher::new(other, self.evidence);
        let touched = entry.groups(self.weigher.board, &circuit::groups(other));
        let mut touched = touched.into_iter();
        match weigher.weigh(&[good_unit()]).first() {
            Some(w) => Taken {
                preferred: w.ln - self.as_filed,
                explained: touched.all(|g| weigher.is_good(g, UNEXPLAINED)),
                fault: None,
            },
            None => hopeless,
        }
    }

    /// Whether anything is known that an entry with other nets may change, and it does, or might have.
    fn is_asked(&self, entry: &Entry, other: &Board, taken: &Taken) -> bool {
        let board = self.weigher.board;
        let of = |board: &Board| {
            let groups = circuit::groups(board);
            let touched = entry.groups(self.weigher.board, &groups);
            let nets = touched.iter().flat_map(|&g| groups[g].nets.clone());
            let nets: Vec<NetId> = nets.collect();
            self.evidence.readings.iter().any(|r| nets.contains(&board.channels[r.channel].net))
        };
        taken.bears() || of(board) || of(other)
    }
}

/// Entries that would be a defect of one unit.
fn of_parts(board: &Board, units: &[Unit]) -> Vec<Asked> {
    let causes = Causes::single(board, &Options::default().weights);
    let mut hypotheses = causes.hypotheses;
    hypotheses.retain(|h| h.faults.iter().all(Entry::is_of_the_file));
    // What the file says, and each other entry, are alike beforehand.
    hypotheses.iter_mut().for_each(|h| h.prior = 0.0);
    let mut asked: BTreeMap<usize, Asked> = BTreeMap::new();
    for (index, unit) in units.iter().enumerate() {
        for (cause, (fault, taken)) in taken(unit, &hypotheses) {
            let none = || Asked { entry: Entry::Defect(fault), units: Vec::new() };
            asked.entry(cause).or_insert_with(none).units.push((index, taken));
        }
    }
    asked.into_values().collect()
}

/// How a unit takes the best of each cause of which it was read anything. Those of each circuit are
/// weighed by themselves, so that one that mends much does not hide what is wrong elsewhere.
fn taken(unit: &Unit, hypotheses: &[Hypothesis]) -> BTreeMap<usize, (Fault, Taken)> {
    let mut circuits: BTreeMap<Vec<usize>, Vec<Hypothesis>> = BTreeMap::new();
    for h in hypotheses.iter().filter(|h| !h.faults.is_empty()) {
        circuits.entry(unit.weigher.touched(&h.faults)).or_default().push(h.clone());
    }
    let nowhere = circuits.remove(&Vec::new()).unwrap_or_default();
    let mut found: BTreeMap<usize, (Fault, Taken)> =
        circuits.values().flat_map(|hypotheses| best_of(unit, hypotheses)).collect();
    // No channel shows it; an answer or a load may.
    found.extend(best_of(unit, &nowhere).into_iter().filter(|(_, (_, taken))| taken.bears()));
    found
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
            let taken = Taken { preferred: hopeless, explained: false, fault: Some(fault) };
            best.entry(h.cause).or_insert((fault, taken));
        }
    }
    for w in &weighed {
        let Some(&fault) = w.hypothesis.faults.first() else { continue };
        let by = w.own.map_or(0.0, |(by, _)| by);
        let preferred = w.ln - unit.as_filed;
        if best.get(&w.hypothesis.cause).is_some_and(|(_, known)| preferred > known.preferred) {
            let fits = unit.weigher.fits(&w.hypothesis.faults, &w.hypothesis, w.pull);
            let explained = fits.first().is_some_and(|fit| tail(fit) > UNEXPLAINED);
            let fault = fitted(fault, by);
            let taken = Taken { preferred, explained, fault: Some(fault) };
            best.insert(w.hypothesis.cause, (fault, taken));
        }
    }
    best
}

/// Entries with other nets, sought only where the file as it is does not explain a circuit.
fn of_nets(board: &Board, units: &[Unit]) -> Vec<Asked> {
    let groups = circuit::groups(board);
    let unexplained = units.iter().map(|unit| (unit.unexplained(&groups), unit.evidence));
    let unexplained: Vec<(Vec<NetId>, &Evidence)> =
        unexplained.filter(|(nets, _)| !nets.is_empty()).collect();
    let alike = |nets: &[NetId]| unexplained.iter().filter(|(other, _)| other == nets).count();
    let most = unexplained.iter().max_by_key(|(nets, _)| (alike(nets), nets.len()));
    let Some((nets, evidence)) = most else { return Vec::new() };
    // The readings that are not explained leave few entries. Most units have those in common that are
    // the file's; what is wrong in one of them may be its own.
    let mut odd: Evidence = (*evidence).clone();
    odd.readings.retain(|r| nets.contains(&board.channels[r.channel].net));
    let odd = Unit::new(board, &odd);
    let tried = cores::each(&Entry::of_nets(board, nets), |entry| {
        let taken = odd.take(entry, &entry.applied(board));
        (entry.clone(), taken.preferred)
    });
    let mut tried: Vec<(Entry, f64)> = tried.into_iter().filter(|(_, by)| *by > EACH).collect();
    tried.sort_by(|a, b| b.1.total_cmp(&a.1));
    tried.truncate(TRIED);
    cores::each(&tried, |(entry, _)| {
        let other = entry.applied(board);
        let take = |(index, unit): (usize, &Unit)| {
            let taken = unit.take(entry, &other);
            unit.is_asked(entry, &other, &taken).then_some((index, taken))
        };
        Asked { entry: entry.clone(), units: units.iter().enumerate().filter_map(take).collect() }
    })
}
