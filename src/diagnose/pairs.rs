//! Two defects at once.
//!
//! Every hard defect is paired with every other. Where two touch different groups, how well each
//! explains its own is all that is needed, and likely pairs are found from sorted lists. Where they
//! share a group each pair is looked at in its readings ([`Screen`]). What is within reach of the
//! best is then weighed in full. Which pairs are left does not depend on the order of the work: a
//! pair is dropped only where it is hopeless beside one that stays.

use super::cause::{Causes, Hypothesis, SECOND, pairs_with_others};
use super::cores;
use super::rank::{HOPELESS, Weighed, Weigher, log_sum};
use super::screen::{Lone, Scratch, Screen};
use crate::faults::Fault;
use std::collections::{BTreeMap, HashMap};

/// Values of the pull-up at which pairs are looked at.
const LOOKS: usize = 6;
/// Values of the pull-up that all groups together make this many nats less likely than the best are
/// not looked at: more than one group may be faulty.
const UNLIKELY: f64 = 20.0;
/// Nats that a look, with the slopes of a good unit, may be off.
const ROUGH: f64 = 4.0;
/// Pairs at most that are weighed in full, those that look best.
const MOST: usize = 2000;
/// Defects that are paired with all others before the best is looked up anew.
const AT_ONCE: usize = 24;

/// A defect that may be one of two.
struct Member<'h> {
    hypothesis: &'h Hypothesis,
    /// Index of the groups that it touches.
    set: usize,
    /// Whether answers, loads and ohms may speak for it, and what they say then.
    matters: bool,
    side: f64,
    /// By value of the pull-up: how well it explains its own groups.
    curve: Vec<f64>,
    /// The most that it adds to a pair.
    most: f64,
}

/// Two members by index, and how well they look.
#[derive(Clone, Copy)]
struct Found {
    pair: [usize; 2],
    ln: f64,
}

/// What the search works with.
struct Search<'w, 'a, 'h> {
    weigher: &'w Weigher<'a>,
    pulls: Vec<usize>,
    sets: Vec<Vec<usize>>,
    members: Vec<Member<'h>>,
    by_set: Vec<Vec<usize>>,
    best: f64,
    found: Vec<Found>,
}

impl Weigher<'_> {
    /// Weighs every pair of hard defects; those that are hopeless are left out.
    pub fn pairs(&self, causes: &Causes) -> Vec<Weighed> {
        let mut search = Search::new(self, &causes.hypotheses);
        search.apart();
        search.together();
        search.weighed(causes.count)
    }
}

impl<'w, 'a, 'h> Search<'w, 'a, 'h> {
    fn new(weigher: &'w Weigher<'a>, singles: &'h [Hypothesis]) -> Self {
        let pulls = weigher.spread_pulls(&weigher.others(&[]), LOOKS, UNLIKELY);
        let hard = |h: &&Hypothesis| {
            h.loose.is_none() && !h.faults.is_empty() && h.faults.iter().all(pairs_with_others)
        };
        let hard: Vec<&Hypothesis> = singles.iter().filter(hard).collect();
        let touched = cores::each(&hard, |h| weigher.touched(&h.faults));
        let mut sets: Vec<Vec<usize>> = touched.clone();
        sets.sort();
        sets.dedup();
        let at = |set: &Vec<usize>| sets.binary_search(set).expect("it was put there");
        let of: Vec<(&Hypothesis, usize)> =
            hard.iter().zip(&touched).map(|(&h, set)| (h, at(set))).collect();
        let ohms: Vec<f64> = pulls.iter().map(|&p| weigher.pulls[p]).collect();
        let screens: Vec<Option<Screen>> = cores::each(&sets, |set| {
            (!set.is_empty()).then(|| Screen::new(weigher.cell(set), &ohms))
        });
        let members = cores::each(&of, |&(hypothesis, set)| {
            let matters = weigher.side_matters(hypothesis);
            let side = if matters { weigher.side(hypothesis) } else { weigher.good_side };
            let nothing = vec![0.0; pulls.len()];
            let curve = match &screens[set] {
                None => nothing,
                Some(screen) => {
                    let lone = screen.lone(hypothesis.faults[0]);
                    let never = f64::NEG_INFINITY;
                    let look = screen.look(&[&lone], &nothing, never, &mut Scratch::default());
                    look.unwrap_or(vec![never; pulls.len()])
                }
            };
            let room = if matters { weigher.side_top() - weigher.good_side } else { 0.0 };
            let most =
                hypothesis.prior + room + curve.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            Member { hypothesis, set, matters, side, curve, most }
        });
        let mut by_set = vec![Vec::new(); sets.len()];
        for (i, member) in members.iter().enumerate() {
            by_set[member.set].push(i);
        }
        // Those that explain most first.
        for set in &mut by_set {
            set.sort_by(|&a, &b| members[b].most.total_cmp(&members[a].most).then(a.cmp(&b)));
        }
        Search { weigher, pulls, sets, members, by_set, best: f64::NEG_INFINITY, found: vec![] }
    }

    /// Odds, answers, loads and ohms of two: the most that they may be.
    fn base(&self, [a, b]: [usize; 2]) -> f64 {
        let (a, b) = (&self.members[a], &self.members[b]);
        let side = match (a.matters, b.matters) {
            (true, true) => self.weigher.side_top(),
            (true, false) => a.side,
            (false, true) => b.side,
            (false, false) => self.weigher.good_side,
        };
        a.hypothesis.prior + b.hypothesis.prior + SECOND.ln() + side
    }

    /// Keeps two that looked so good, with what their answers, loads and ohms really say.
    fn keep(&self, pair: [usize; 2], ln: f64, best: f64) -> Option<Found> {
        let [a, b] = pair.map(|i| &self.members[i]);
        let mut ln = ln;
        if a.matters && b.matters {
            let both = together(a.hypothesis, b.hypothesis);
            ln += self.weigher.side(&both) - self.weigher.side_top();
        }
        (ln > best - HOPELESS - ROUGH).then_some(Found { pair, ln })
    }

    fn take(&mut self, found: impl IntoIterator<Item = Found>) {
        for one in found {
            self.best = self.best.max(one.ln);
            self.found.push(one);
        }
    }

    /// By value of the pull-up: what the groups outside a set say.
    fn outside(&self, set: &[usize]) -> Vec<f64> {
        let all = self.weigher.others(set);
        self.pulls.iter().map(|&p| all[p]).collect()
    }

    /// Pairs of defects that share no group.
    fn apart(&mut self) {
        for s in 0..self.sets.len() {
            for t in s..self.sets.len() {
                let shared = self.sets[s].iter().any(|g| self.sets[t].contains(g));
                if !shared && (s != t || self.sets[s].is_empty()) {
                    let found = self.apart_in(s, t);
                    self.take(found);
                }
            }
        }
    }

    fn apart_in(&self, s: usize, t: usize) -> Vec<Found> {
        let outside = self.outside(&union(&self.sets[s], &self.sets[t]));
        let top = outside.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let known = top + SECOND.ln() + self.weigher.good_side;
        let firsts = &self.by_set[t];
        let Some(&first) = firsts.first() else { return Vec::new() };
        let (mut best, mut found) = (self.best, Vec::new());
        for (i, &a) in self.by_set[s].iter().enumerate() {
            let hopeless = best - HOPELESS - ROUGH;
            if self.members[a].most + self.members[first].most + known < hopeless {
                break;
            }
            let others = if s == t { &firsts[i + 1..] } else { &firsts[..] };
            for &b in others {
                let hopeless = best - HOPELESS - ROUGH;
                if self.members[a].most + self.members[b].most + known < hopeless {
                    break;
                }
                let pair = [a.min(b), a.max(b)];
                if !may_both_be(self.members[a].hypothesis, self.members[b].hypothesis) {
                    continue;
                }
                let curves = self.members[a].curve.iter().zip(&self.members[b].curve);
                let each = outside.iter().zip(curves).map(|(o, (a, b))| o + a + b);
                let ln = self.base(pair) + each.fold(f64::NEG_INFINITY, f64::max);
                if ln > hopeless
                    && let Some(one) = self.keep(pair, ln, best)
                {
                    best = best.max(one.ln);
                    found.push(one);
                }
            }
        }
        found
    }

    /// Pairs of defects that share a group.
    fn together(&mut self) {
        let mut unions: BTreeMap<Vec<usize>, Vec<[usize; 2]>> = BTreeMap::new();
        for s in 0..self.sets.len() {
            for t in s..self.sets.len() {
                if self.sets[s].iter().any(|g| self.sets[t].contains(g)) {
                    let both = union(&self.sets[s], &self.sets[t]);
                    unions.entry(both).or_default().push([s, t]);
                }
            }
        }
        for (groups, sets) in unions {
            self.together_in(&groups, &sets);
        }
    }

    fn together_in(&mut self, groups: &[usize], sets: &[[usize; 2]]) {
        let ohms: Vec<f64> = self.pulls.iter().map(|&p| self.weigher.pulls[p]).collect();
        let screen = Screen::new(self.weigher.cell(groups), &ohms);
        let outside = self.outside(groups);
        let mut inside: Vec<usize> = sets.iter().flatten().copied().collect();
        inside.sort_unstable();
        inside.dedup();
        let members: Vec<usize> = inside.iter().flat_map(|&s| self.by_set[s].clone()).collect();
        let lones = cores::each(&members, |&m| screen.lone(self.members[m].hypothesis.faults[0]));
        let lones: HashMap<usize, Lone> = members.into_iter().zip(lones).collect();
        // Pairs with the likeliest first, a share at a time, so that the best is known soon.
        let mut firsts: Vec<(usize, &[usize])> = Vec::new();
        for &[s, t] in sets {
            for (i, &a) in self.by_set[s].iter().enumerate() {
                let others = if s == t { &self.by_set[t][i + 1..] } else { &self.by_set[t][..] };
                firsts.push((a, others));
            }
        }
        let most = |&(a, _): &(usize, &[usize])| self.members[a].most;
        firsts.sort_by(|a, b| most(b).total_cmp(&most(a)).then(a.0.cmp(&b.0)));
        let mut found = Vec::new();
        let mut best = self.best;
        for share in firsts.chunks(AT_ONCE) {
            let each = cores::each(share, |&(a, others)| {
                self.with_others(&screen, &lones, &outside, (a, others), best)
            });
            for one in each.into_iter().flatten() {
                best = best.max(one.ln);
                found.push(one);
            }
        }
        self.take(found);
    }

    /// One defect with each of others in the same readings.
    fn with_others(
        &self,
        screen: &Screen,
        lones: &HashMap<usize, Lone>,
        outside: &[f64],
        (a, others): (usize, &[usize]),
        best: f64,
    ) -> Vec<Found> {
        let mut scratch = Scratch::default();
        let (mut best, mut found) = (best, Vec::new());
        let mut start = vec![0.0; outside.len()];
        for &b in others {
            if !may_both_be(self.members[a].hypothesis, self.members[b].hypothesis) {
                continue;
            }
            let pair = [a.min(b), a.max(b)];
            let base = self.base(pair);
            start.iter_mut().zip(outside).for_each(|(s, o)| *s = base + o);
            let both = pair.map(|i| &lones[&i]);
            let hopeless = best - HOPELESS - ROUGH;
            let Some(each) = screen.look(&both, &start, hopeless, &mut scratch) else { continue };
            let ln = each.into_iter().fold(f64::NEG_INFINITY, f64::max);
            if let Some(one) = self.keep(pair, ln, best) {
                best = best.max(one.ln);
                found.push(one);
            }
        }
        found
    }

    /// Weighs in full what is left.
    fn weighed(mut self, count: usize) -> Vec<Weighed> {
        let hopeless = self.best - HOPELESS - ROUGH;
        self.found.retain(|f| f.ln > hopeless);
        self.found.sort_by(|a, b| b.ln.total_cmp(&a.ln).then(a.pair.cmp(&b.pair)));
        self.found.truncate(MOST);
        let pairs: Vec<Hypothesis> = self
            .found
            .iter()
            .enumerate()
            .map(|(i, found)| {
                let [a, b] = found.pair.map(|m| self.members[m].hypothesis);
                Hypothesis { cause: count + i, ..together(a, b) }
            })
            .collect();
        let curves = self.curves();
        let numbers: Vec<usize> = (0..pairs.len()).collect();
        cores::each(&numbers, |&i| {
            let sets = self.found[i].pair.map(|m| &self.sets[self.members[m].set]);
            let others = self.weigher.others(&union(sets[0], sets[1]));
            match self.found[i].pair.map(|m| curves.get(&m)) {
                [Some(a), Some(b)] if !sets[0].iter().any(|g| sets[1].contains(g)) => {
                    self.weigher.weighed_apart(&pairs[i], [a, b], &others)
                }
                _ => self.weigher.weighed_together(&pairs[i], others),
            }
        })
    }

    /// By member of a pair whose two touch different groups, and by value of the pull-up: how well
    /// it explains its own.
    fn curves(&self) -> HashMap<usize, Vec<f64>> {
        let mut wanted: Vec<usize> = self.found.iter().flat_map(|f| f.pair).collect();
        wanted.sort_unstable();
        wanted.dedup();
        let curves = cores::each(&wanted, |&m| {
            let member = &self.members[m];
            let set = &self.sets[member.set];
            if set.is_empty() {
                return vec![0.0; self.weigher.pulls.len()];
            }
            let cell = self.weigher.cell(set);
            let predictions = cell.predict(&member.hypothesis.faults);
            let fit = |&pull: &f64| cell.fit(member.hypothesis, &predictions, pull).ln;
            self.weigher.pulls.iter().map(fit).collect()
        });
        wanted.into_iter().zip(curves).collect()
    }
}

impl Weigher<'_> {
    fn weighed_apart(
        &self,
        hypothesis: &Hypothesis,
        curves: [&Vec<f64>; 2],
        others: &[f64],
    ) -> Weighed {
        let base = self.base(hypothesis);
        let at = |p: usize| base + others[p] + curves[0][p] + curves[1][p];
        let terms: Vec<f64> = (0..self.pulls.len()).map(at).collect();
        let best = (0..terms.len()).max_by(|&a, &b| terms[a].total_cmp(&terms[b]));
        let ln = log_sum(&terms) - (self.pulls.len() as f64).ln();
        let pull = self.pulls[best.unwrap_or(0)];
        Weighed { hypothesis: hypothesis.clone(), ln, pull, own: None }
    }
}

/// Groups of either, ascending.
fn union(a: &[usize], b: &[usize]) -> Vec<usize> {
    let mut both: Vec<usize> = a.iter().chain(b).copied().collect();
    both.sort_unstable();
    both.dedup();
    both
}

/// Two defects as one hypothesis.
fn together(a: &Hypothesis, b: &Hypothesis) -> Hypothesis {
    Hypothesis {
        faults: vec![a.faults[0], b.faults[0]],
        cause: 0,
        prior: a.prior + b.prior + SECOND.ln(),
        loose: None,
    }
}

/// Whether two defects may be in one unit: no two states of one part.
fn may_both_be(a: &Hypothesis, b: &Hypothesis) -> bool {
    let (first, second) = (part(a.faults[0]), part(b.faults[0]));
    first.is_none() || first != second
}

/// The part that a defect is a state of, of which a unit has one at a time: kind and index. A
/// header may have several, so that it is none.
fn part(fault: Fault) -> Option<(u8, usize)> {
    match fault {
        Fault::ResistorOpen { resistor }
        | Fault::ResistorShorted { resistor }
        | Fault::ResistorValue { resistor, .. }
        | Fault::ResistorOff { resistor, .. } => Some((0, resistor)),
        Fault::PinOpen { channel }
        | Fault::PinStuck { channel, .. }
        | Fault::PullUpMissing { channel } => Some((1, channel)),
        Fault::SwitchStaysOpen { switch } | Fault::SwitchStaysClosed { switch } => {
            Some((2, switch))
        }
        Fault::LoadDead { load } | Fault::LoadShorted { load } => Some((3, load)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::{self, Board, Kind, Setting};
    use crate::circuit::{Node, Parts, pulled_up};
    use crate::diagnose::{Evidence, Proof, Read, Reading};
    use crate::faults::{Built, modelled};
    use crate::units::{Ohms, Volts};
    use std::collections::HashMap as Weights;

    fn demo() -> Board {
        let text = include_str!("../../protocols/vent-controller.toml");
        board::parse("vent-controller.toml", text).unwrap_or_else(|e| panic!("{e}"))
    }

    /// What a nominal unit with these defects shows in every setting one move from delivery.
    fn read(board: &Board, faults: &[Fault]) -> Evidence {
        let mut built = Built::good(board, Parts::nominal(board));
        faults.iter().for_each(|&f| built.plant(board, f));
        let moved = |j: usize| {
            let places = board.jumpers[j].places().into_iter();
            places.map(move |place| board.delivery.with(j, place))
        };
        let mut settings: Vec<Setting> = (0..board.jumpers.len()).flat_map(moved).collect();
        settings.retain(|s| !built.shorts(board, s, &[]));
        let mut evidence = Evidence::default();
        for (step, setting) in settings.into_iter().enumerate() {
            for (channel, c) in board.channels.iter().enumerate() {
                let node = built.node(board, &setting, &c.closes, channel);
                let pull = (!built.no_pull_up.contains(&channel)).then_some(35e3);
                let up = |node| pulled_up(node, board.supply.volts, Ohms(pull.unwrap_or(1e9)));
                let (shown, proof) = match node {
                    Node::Driven { volts, .. } => (volts, Proof::Driven),
                    Node::Floating => (board.supply.volts, Proof::Open),
                };
                let share = |volts: Volts| (volts.0 / board.supply.volts.0).clamp(0.0, 0.998);
                let read = match c.kind {
                    Kind::Analog => Read::Code {
                        mean: (1024.0 * share(shown)).floor(),
                        sd: 0.5,
                        n: 64.0,
                        pulled: Some((1024.0 * share(up(node))).floor()),
                    },
                    _ => Read::Level { ones: if up(node).0 > 2.5 { 1.0 } else { 0.0 } },
                };
                let (setting, closed) = (setting.clone(), c.closes.clone());
                let proof = if c.kind == Kind::Analog { proof } else { Proof::NotShown };
                let step = step as u64 + 1;
                evidence.readings.push(Reading { step, setting, closed, channel, read, proof });
            }
        }
        evidence
    }

    /// Two defects that the readings of this unit suit best are among those found, however they
    /// are come upon: every hundredth pair is weighed in full beside them.
    #[test]
    fn no_pair_that_explains_the_readings_is_left_out() {
        let board = demo();
        let hard: Vec<Fault> = modelled(&board).into_iter().filter(pairs_with_others).collect();
        let causes = Causes::single(&board, &Weights::new());
        for (a, b) in [(3, 90), (20, 61), (44, 100), (10, 12)] {
            let planted = [hard[a % hard.len()], hard[b % hard.len()]];
            let evidence = read(&board, &planted);
            let weigher = Weigher::new(&board, &evidence);
            let found = weigher.pairs(&causes);
            let best = found.iter().map(|w| w.ln).fold(f64::NEG_INFINITY, f64::max);
            let same = |w: &Weighed, pair: [Fault; 2]| {
                pair.iter().all(|f| w.hypothesis.faults.contains(f))
            };
            let members: Vec<&Hypothesis> = causes
                .hypotheses
                .iter()
                .filter(|h| h.loose.is_none() && !h.faults.is_empty())
                .filter(|h| pairs_with_others(&h.faults[0]))
                .collect();
            let mut weighed = 0;
            let all = (0..members.len()).flat_map(|i| (i + 1..members.len()).map(move |j| (i, j)));
            for (i, j) in all.step_by(97) {
                if !may_both_be(members[i], members[j]) {
                    continue;
                }
                let both = together(members[i], members[j]);
                let others = weigher.others(&weigher.touched(&both.faults));
                let ln = weigher.weighed_together(&both, others).ln;
                let pair = [both.faults[0], both.faults[1]];
                weighed += 1;
                let likely = ln > best - 12.0;
                assert!(!likely || found.iter().any(|w| same(w, pair)), "{pair:?}: {ln} of {best}");
            }
            assert!(weighed > 50, "{weighed}");
            assert!(found.iter().any(|w| same(w, planted)), "{planted:?}");
        }
    }
}
