//! The ways through the groups woven into one sequence.
//!
//! A bridge between two headers joins two groups: it shows only while both are set so that it does,
//! and which pairs of their settings the operator passes depends on how the two ways alternate. No
//! order changes the moves of a way. Of all orders that pass a wanted pair, the one with the fewest
//! changes of header is found by A* on where each way stands, the wants met and the way moved last
//! (Hart, Nilsson and Raphael, IEEE Transactions SSC-4, 1968). What no order of the ways at hand
//! passes is gone to on a detour, the shortest one there is, or the two groups are gone through as
//! one where that takes fewer moves.

use super::search::Problem;
use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap, HashSet};

/// Steps of the search for an order with all wants, and for one with one more want.
const PATIENCE: usize = 20_000;

/// Wants that one search takes.
const MOST_WANTS: usize = 64;

/// Pairs of settings that a detour may be made to, of one want.
const MOST_TARGETS: usize = 1024;

/// The way through one group.
#[derive(Clone, Debug)]
pub(super) struct Strand<'a> {
    /// The group.
    pub problem: &'a Problem,
    /// Index of its first jumper, so that no two groups share one.
    pub first: usize,
    /// The stops, the start first.
    pub stops: Vec<usize>,
}

impl Strand<'_> {
    /// The jumper of each move, numbered over all strands.
    fn moved(&self) -> Vec<usize> {
        let jumper = |pair: &[usize]| {
            let differs =
                |&j: &usize| self.problem.digit(pair[0], j) != self.problem.digit(pair[1], j);
            self.first + (0..self.problem.radix.len()).find(differs).unwrap_or(0)
        };
        self.stops.windows(2).map(jumper).collect()
    }

    fn apart(&self, a: usize, b: usize) -> usize {
        let differs = |&j: &usize| self.problem.digit(a, j) != self.problem.digit(b, j);
        (0..self.problem.radix.len()).filter(differs).count()
    }
}

/// Two groups in settings of which one pair is to be passed.
#[derive(Clone, Debug)]
pub(super) struct Want {
    /// The two strands, the lower index first.
    pub strands: [usize; 2],
    /// Pairs of stops.
    pub pairs: HashSet<[usize; 2]>,
}

/// The strands and who moves when.
#[derive(Clone, Debug)]
pub(super) struct Woven<'a> {
    pub strands: Vec<Strand<'a>>,
    /// By move, the strand that makes it.
    pub order: Vec<usize>,
}

impl<'a> Woven<'a> {
    /// The order that passes a pair of every want that can be reached, with as few changes of header
    /// as that takes.
    pub fn weave(strands: Vec<Strand<'a>>, wants: &[Want]) -> Woven<'a> {
        let mut woven = Woven { strands, order: Vec::new() };
        let mut missed = Vec::new();
        for members in clusters(woven.strands.len(), wants) {
            let mine: Vec<&Want> =
                wants.iter().filter(|w| members.contains(&w.strands[0])).collect();
            let (order, left) = woven.in_order(&members, &mine);
            woven.order.extend(order);
            missed.extend(left);
        }
        for want in missed {
            if !woven.passes(want) {
                woven.detour(want);
            }
        }
        woven
    }

    /// The order of the strands of one cluster, and the wants that it does not meet.
    fn in_order<'w>(&self, members: &[usize], wants: &[&'w Want]) -> (Vec<usize>, Vec<&'w Want>) {
        if members.len() == 1 {
            return (vec![members[0]; self.strands[members[0]].stops.len() - 1], Vec::new());
        }
        let (mut kept, mut left) = (Vec::new(), Vec::new());
        for &want in wants {
            match kept.len() < MOST_WANTS && !self.points(want).is_empty() {
                true => kept.push(want),
                false => left.push(want),
            }
        }
        if let Some(order) = Search::new(self, members, &kept).solve() {
            return (order, left);
        }
        // Some of them exclude each other: as many as go together, one after the other.
        let mut order = Search::new(self, members, &[]).solve().unwrap_or_default();
        let mut together: Vec<&Want> = Vec::new();
        for want in kept {
            together.push(want);
            match Search::new(self, members, &together).solve() {
                Some(better) => order = better,
                None => left.extend(together.pop()),
            }
        }
        (order, left)
    }

    /// Where along its two strands a want is met.
    fn points(&self, want: &Want) -> Vec<[usize; 2]> {
        let [a, b] = want.strands.map(|s| &self.strands[s].stops);
        let mut found = Vec::new();
        for (i, &x) in a.iter().enumerate() {
            let met = |(j, &y): (usize, &usize)| want.pairs.contains(&[x, y]).then_some([i, j]);
            found.extend(b.iter().enumerate().filter_map(met));
        }
        found
    }

    /// How far each strand is after each move, nothing moved first.
    fn progress(&self) -> Vec<Vec<usize>> {
        let mut at = vec![0; self.strands.len()];
        let mut found = vec![at.clone()];
        for &strand in &self.order {
            at[strand] += 1;
            found.push(at.clone());
        }
        found
    }

    fn passes(&self, want: &Want) -> bool {
        let [a, b] = want.strands;
        let pair = |at: &Vec<usize>| [self.strands[a].stops[at[a]], self.strands[b].stops[at[b]]];
        self.progress().iter().any(|at| want.pairs.contains(&pair(at)))
    }

    /// Goes to a wanted pair and on, from where that takes the fewest moves more; none where no way
    /// leads there.
    fn detour(&mut self, want: &Want) -> Option<()> {
        let progress = self.progress();
        let mut targets: Vec<[usize; 2]> = want.pairs.iter().copied().collect();
        targets.sort_unstable();
        targets.truncate(MOST_TARGETS);
        let mut best: Option<(usize, usize, [usize; 2])> = None;
        for (t, at) in progress.iter().enumerate() {
            let ends = want.strands.map(|s| self.ends(s, at, t));
            for &target in &targets {
                let moves: usize = (0..2)
                    .map(|i| {
                        let strand = &self.strands[want.strands[i]];
                        let [from, to] = ends[i];
                        strand.apart(from, target[i]) + strand.apart(target[i], to)
                            - strand.apart(from, to)
                    })
                    .sum();
                if best.is_none_or(|(least, ..)| moves < least) {
                    best = Some((moves, t, target));
                }
            }
        }
        let (_, t, target) = best?;
        self.go(want.strands, target, &progress[t], t)
    }

    /// The stops of a strand before and after a move of the order.
    fn ends(&self, strand: usize, at: &[usize], t: usize) -> [usize; 2] {
        let stops = &self.strands[strand].stops;
        let next = at[strand] + usize::from(self.order.get(t) == Some(&strand));
        [stops[at[strand]], stops[next]]
    }

    /// Puts the way to a pair of stops and back in before a move of the order.
    fn go(
        &mut self,
        strands: [usize; 2],
        target: [usize; 2],
        at: &[usize],
        t: usize,
    ) -> Option<()> {
        let mut ways = Vec::new();
        for (strand, target) in strands.into_iter().zip(target) {
            let [from, to] = self.ends(strand, at, t);
            let problem = self.strands[strand].problem;
            ways.push([problem.between(from, target)?, problem.between(target, to)?]);
        }
        let (mut there, mut back) = (Vec::new(), Vec::new());
        let mut taken = false;
        for (strand, [out, home]) in strands.into_iter().zip(ways) {
            there.extend(std::iter::repeat_n(strand, out.len()));
            back.extend(std::iter::repeat_n(strand, home.len()));
            let mut stops: Vec<usize> = out.into_iter().chain(home).collect();
            if self.order.get(t) == Some(&strand) {
                // The last of them is the stop that the move leads to by itself.
                stops.pop();
                taken = true;
            }
            let next = at[strand] + 1;
            self.strands[strand].stops.splice(next..next, stops);
        }
        let replaced = t..t + usize::from(taken);
        self.order.splice(replaced, there.into_iter().chain(back));
        Some(())
    }
}

/// The way through two groups at once.
#[derive(Clone, Debug)]
pub(super) struct Joint {
    /// The stops of each.
    pub ways: Vec<Vec<usize>>,
    /// By move, which of the two makes it.
    pub order: Vec<usize>,
    /// Moves that no way can do without.
    pub least: usize,
}

/// The shortest way through two groups taken as one, with the wants of each and those of both; none
/// where the two have more settings than a group may have. `power` as for each group.
pub(super) fn joint(strands: &[Strand<'_>], wants: &[Want], power: &[Vec<bool>]) -> Option<Joint> {
    let [a, b] = strands else { return None };
    let (a, b) = (a.problem, b.problem);
    let (m, n) = (a.allowed.len(), b.allowed.len());
    if m * n > super::MOST_SETTINGS {
        return None;
    }
    let both = |x: usize, y: usize| x + m * y;
    let all = || (0..n).flat_map(|y| (0..m).map(move |x| [x, y]));
    let where_so = |holds: &dyn Fn([usize; 2]) -> bool| -> Vec<usize> {
        all().filter(|&pair| holds(pair)).map(|[x, y]| both(x, y)).collect()
    };
    let of_a = a.wants.iter().map(|w| where_so(&|[x, _]| w.binary_search(&x).is_ok()));
    let of_b = b.wants.iter().map(|w| where_so(&|[_, y]| w.binary_search(&y).is_ok()));
    let of_both = wants.iter().map(|w| where_so(&|pair| w.pairs.contains(&pair)));
    let mut problem = Problem {
        radix: a.radix.iter().chain(&b.radix).copied().collect(),
        allowed: all().map(|[x, y]| a.allowed[x] && b.allowed[y]).collect(),
        start: both(a.start, b.start),
        end: both(a.end, b.end),
        wants: of_a.chain(of_b).chain(of_both).collect(),
    };
    problem.reduce();
    let way = problem.smooth(problem.solve()?, &power.concat());
    let mut found =
        Joint { ways: vec![vec![a.start], vec![b.start]], order: vec![], least: way.least };
    for pair in way.stops.windows(2) {
        let turn = usize::from(pair[0] % m == pair[1] % m);
        found.ways[turn].push(if turn == 0 { pair[1] % m } else { pair[1] / m });
        found.order.push(turn);
    }
    Some(found)
}

/// Strands that wants tie together, in the order of the strands.
pub(super) fn clusters(strands: usize, wants: &[Want]) -> Vec<Vec<usize>> {
    let mut of: Vec<usize> = (0..strands).collect();
    for want in wants {
        let [a, b] = want.strands.map(|s| of[s]);
        of.iter_mut().filter(|c| **c == a.max(b)).for_each(|c| *c = a.min(b));
    }
    let mine = |c: usize| -> Vec<usize> { (0..strands).filter(|&s| of[s] == c).collect() };
    (0..strands).map(mine).filter(|members| !members.is_empty()).collect()
}

/// Where the strands of a cluster stand, the one moved last, and the wants met, a bit each.
type State = (Vec<u16>, Option<usize>, u64);

struct Search {
    /// By member: the number of its strand.
    members: Vec<usize>,
    /// By member: the jumper of each move.
    moved: Vec<Vec<usize>>,
    /// By member and moves made: changes of header from there on, and the same counted from the move
    /// before.
    changes: Vec<Vec<[usize; 2]>>,
    wants: Vec<Lattice>,
    states: Vec<(State, usize, usize)>,
    known: HashMap<State, usize>,
}

/// A want as the points along two members where it is met.
struct Lattice {
    members: [usize; 2],
    points: HashSet<[u16; 2]>,
    /// By moves made on the first: the farthest that the second may be for a point still to come.
    latest: Vec<Option<u16>>,
}

impl Search {
    fn new(woven: &Woven<'_>, members: &[usize], wants: &[&Want]) -> Search {
        let moved: Vec<Vec<usize>> = members.iter().map(|&s| woven.strands[s].moved()).collect();
        let changes = moved.iter().map(|moved| {
            let from = |i: usize| moved[i..].windows(2).filter(|p| p[0] != p[1]).count();
            (0..=moved.len()).map(|i| [from(i), from(i.saturating_sub(1))]).collect()
        });
        let lattice = |want: &&Want| {
            let of = want.strands.map(|s| members.iter().position(|&m| m == s).unwrap_or(0));
            let points = woven.points(want).into_iter().map(|p| p.map(|i| i as u16));
            let points: HashSet<[u16; 2]> = points.collect();
            let latest = (0..=moved[of[0]].len())
                .map(|i| points.iter().filter(|p| usize::from(p[0]) >= i).map(|p| p[1]).max());
            let latest = latest.collect();
            Lattice { members: of, points, latest }
        };
        Search {
            members: members.to_vec(),
            changes: changes.collect(),
            wants: wants.iter().map(lattice).collect(),
            moved,
            states: Vec::new(),
            known: HashMap::new(),
        }
    }

    fn solve(mut self) -> Option<Vec<usize>> {
        let start = vec![0; self.members.len()];
        let met = self.met(&start, 0)?;
        let state = (start, None, met);
        let mut queue = BinaryHeap::from([(Reverse(self.ahead(&state)), 0, 0_usize)]);
        self.states.push((state, 0, usize::MAX));
        let mut done = vec![false];
        let all = self.wants.iter().enumerate().fold(0, |all, (i, _)| all | 1_u64 << i);
        let mut steps = 0;
        while let Some((_, depth, id)) = queue.pop() {
            if std::mem::replace(&mut done[id], true) {
                continue;
            }
            let (state, changes, _) = self.states[id].clone();
            if state.2 == all && self.at_end(&state) {
                return Some(self.back(id));
            }
            steps += 1;
            if steps > PATIENCE {
                return None;
            }
            // Those pushed last go first among equals: the strands in their order.
            for member in (0..self.members.len()).rev() {
                let Some((found, total)) = self.step(id, &state, changes, member) else { continue };
                done.resize(self.states.len(), false);
                done[found] = false;
                queue.push((Reverse(total), depth + 1, found));
            }
        }
        None
    }

    fn at_end(&self, state: &State) -> bool {
        state.0.iter().zip(&self.moved).all(|(&at, moved)| usize::from(at) == moved.len())
    }

    /// The state after a move of a member, where it is new or cheaper than before, with the changes
    /// of header that an order through it takes at least.
    fn step(
        &mut self,
        id: usize,
        state: &State,
        changes: usize,
        member: usize,
    ) -> Option<(usize, usize)> {
        let made = usize::from(state.0[member]);
        let jumper = *self.moved[member].get(made)?;
        let before = state.1.map(|last| self.moved[last][usize::from(state.0[last]) - 1]);
        let mut at = state.0.clone();
        at[member] += 1;
        let met = self.met(&at, state.2)?;
        let changes = changes + usize::from(before.is_some_and(|b| b != jumper));
        let new: State = (at, Some(member), met);
        let total = changes + self.ahead(&new);
        match self.known.get(&new) {
            Some(&known) if self.states[known].1 <= changes => None,
            Some(&known) => {
                self.states[known] = (new, changes, id);
                Some((known, total))
            }
            None => {
                self.known.insert(new.clone(), self.states.len());
                self.states.push((new, changes, id));
                Some((self.states.len() - 1, total))
            }
        }
    }

    /// The wants met once the strands stand so; none where one can be met no more.
    fn met(&self, at: &[u16], before: u64) -> Option<u64> {
        let mut met = before;
        for (i, want) in self.wants.iter().enumerate().filter(|(i, _)| before >> i & 1 == 0) {
            let [a, b] = want.members.map(|m| at[m]);
            if want.points.contains(&[a, b]) {
                met |= 1 << i;
            } else if want.latest[usize::from(a)].is_none_or(|latest| b > latest) {
                return None;
            }
        }
        Some(met)
    }

    /// Changes of header that are still to come at least.
    fn ahead(&self, state: &State) -> usize {
        let each = self.changes.iter().zip(&state.0).enumerate();
        each.map(|(member, (changes, &at))| {
            let [from_here, with_the_last] = changes[usize::from(at)];
            let left = usize::from(at) < self.moved[member].len();
            match state.1 {
                Some(last) if last == member => with_the_last,
                Some(_) => from_here + usize::from(left),
                None => from_here,
            }
        })
        .sum()
    }

    fn back(&self, mut id: usize) -> Vec<usize> {
        let mut order = Vec::new();
        while let Some((state, _, before)) = self.states.get(id) {
            order.extend(state.1.map(|member| self.members[member]));
            id = *before;
        }
        order.reverse();
        order
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn problem(radix: Vec<usize>) -> Problem {
        let count: usize = radix.iter().product();
        Problem { radix, allowed: vec![true; count], start: 0, end: 0, wants: vec![] }
    }

    fn strands<'p>(problems: &'p [Problem], ways: &[Vec<usize>]) -> Vec<Strand<'p>> {
        let mut first = 0;
        let one = |(problem, stops): (&'p Problem, &Vec<usize>)| {
            let strand = Strand { problem, first, stops: stops.clone() };
            first += problem.radix.len();
            strand
        };
        problems.iter().zip(ways).map(one).collect()
    }

    fn changes(woven: &Woven<'_>) -> usize {
        let moved: Vec<Vec<usize>> = woven.strands.iter().map(Strand::moved).collect();
        let mut at = vec![0; moved.len()];
        let mut jumpers = Vec::new();
        for &s in &woven.order {
            jumpers.push(moved[s][at[s]]);
            at[s] += 1;
        }
        jumpers.windows(2).filter(|p| p[0] != p[1]).count()
    }

    /// Every order of strands that have so many moves left each.
    fn every_order(left: &mut Vec<usize>, so_far: &mut Vec<usize>, found: &mut Vec<Vec<usize>>) {
        if left.iter().all(|&l| l == 0) {
            found.push(so_far.clone());
        }
        for s in 0..left.len() {
            if left[s] > 0 {
                left[s] -= 1;
                so_far.push(s);
                every_order(left, so_far, found);
                so_far.pop();
                left[s] += 1;
            }
        }
    }

    fn well_made(woven: &Woven<'_>, ends: &[(usize, usize)]) {
        for (i, (strand, &(start, end))) in woven.strands.iter().zip(ends).enumerate() {
            let (first, last) = (strand.stops[0], strand.stops[strand.stops.len() - 1]);
            assert_eq!((first, last), (start, end), "{:?}", strand.stops);
            for pair in strand.stops.windows(2) {
                assert_eq!(strand.apart(pair[0], pair[1]), 1, "{:?}", strand.stops);
            }
            let turns = woven.order.iter().filter(|&&s| s == i).count();
            assert_eq!(turns, strand.stops.len() - 1, "{:?}", woven.order);
        }
    }

    #[test]
    fn ways_that_nothing_joins_stay_one_after_the_other() {
        let problems = [problem(vec![3]), problem(vec![3])];
        let woven = Woven::weave(strands(&problems, &[vec![0, 1, 2], vec![0, 2, 1]]), &[]);
        assert_eq!(woven.order, [0, 0, 1, 1]);
    }

    #[test]
    fn a_pair_that_neither_order_of_the_ways_passes_is_alternated_to() {
        let problems = [problem(vec![3]), problem(vec![3])];
        let ways = [vec![0, 1, 2, 0], vec![0, 1, 2, 0]];
        let want = Want { strands: [0, 1], pairs: HashSet::from([[1, 2]]) };
        let woven = Woven::weave(strands(&problems, &ways), std::slice::from_ref(&want));
        assert!(woven.passes(&want));
        // The second way goes while the first stands at 1; away and back are two changes.
        assert_eq!((woven.order.len(), changes(&woven)), (6, 2));
    }

    #[test]
    fn pairs_that_exclude_each_other_take_a_detour() {
        let mut problems = [problem(vec![3]), problem(vec![3])];
        for problem in &mut problems {
            (problem.end, problem.wants) = (2, vec![vec![1]]);
        }
        let ways = [vec![0, 1, 2], vec![0, 1, 2]];
        let pair = |pair| Want { strands: [0, 1], pairs: HashSet::from([pair]) };
        let wants = [pair([1, 2]), pair([2, 1])];
        let woven = Woven::weave(strands(&problems, &ways), &wants);
        assert!(wants.iter().all(|w| woven.passes(w)), "{woven:?}");
        well_made(&woven, &[(0, 2), (0, 2)]);
        assert_eq!(woven.order.len(), 6, "there and back: {woven:?}");
        // Both groups as one leave a stop out and come back to it.
        let joint = joint(&woven.strands, &wants, &[vec![false], vec![false]]).expect("a way");
        assert_eq!((joint.order.len(), joint.least), (5, 5), "{joint:?}");
        let joined = Woven { strands: strands(&problems, &joint.ways), order: joint.order };
        assert!(wants.iter().all(|w| joined.passes(w)), "{joined:?}");
        well_made(&joined, &[(0, 2), (0, 2)]);
    }

    /// A way of a few moves through a group, and the group.
    fn way() -> impl Strategy<Value = (Problem, Vec<usize>)> {
        let group = prop_oneof![Just(vec![3]), Just(vec![2, 2]), Just(vec![2, 3])];
        (group, prop::collection::vec(any::<prop::sample::Index>(), 1..4)).prop_map(
            |(radix, by)| {
                let problem = problem(radix);
                let mut stops = vec![0];
                for index in by {
                    let next = problem.next(stops[stops.len() - 1]);
                    stops.push(*index.get(&next));
                }
                (problem, stops)
            },
        )
    }

    fn want(strands: usize) -> impl Strategy<Value = Want> {
        let pair = prop::collection::hash_set([0_usize..6, 0_usize..6], 1..4);
        (prop::sample::subsequence((0..strands).collect::<Vec<_>>(), 2), pair)
            .prop_map(|(both, pairs)| Want { strands: [both[0], both[1]], pairs })
    }

    proptest! {
        #[test]
        fn no_order_that_passes_all_wants_changes_headers_less(
            (ways, wants) in (2_usize..4).prop_flat_map(|n| {
                (prop::collection::vec(way(), n), prop::collection::vec(want(n), 0..4))
            })
        ) {
            let (problems, ways): (Vec<Problem>, Vec<Vec<usize>>) = ways.into_iter().unzip();
            // A pair that a group has not is none.
            let count = |s: usize| problems[s].allowed.len();
            let wants: Vec<Want> = wants.into_iter().filter_map(|mut w| {
                let [a, b] = w.strands;
                w.pairs.retain(|p| p[0] < count(a) && p[1] < count(b));
                (!w.pairs.is_empty()).then_some(w)
            }).collect();
            let ends: Vec<_> = ways.iter().map(|w| (w[0], w[w.len() - 1])).collect();
            let woven = Woven::weave(strands(&problems, &ways), &wants);
            well_made(&woven, &ends);
            for want in &wants {
                prop_assert!(woven.passes(want), "{:?} was not passed", want);
            }
            let mut orders = Vec::new();
            let mut left: Vec<usize> = ways.iter().map(|w| w.len() - 1).collect();
            every_order(&mut left, &mut Vec::new(), &mut orders);
            // Only the strands that a want ties together are free against each other.
            let tied = clusters(ways.len(), &wants).len() == 1;
            let other = |order| Woven { strands: strands(&problems, &ways), order };
            let passing = orders.into_iter().map(other).filter(|o| wants.iter().all(|w| o.passes(w)));
            match passing.map(|o| changes(&o)).min() {
                Some(fewest) if tied => prop_assert_eq!(
                    (woven.order.len(), changes(&woven)),
                    (ways.iter().map(|w| w.len() - 1).sum(), fewest)
                ),
                Some(fewest) => prop_assert!(changes(&woven) <= fewest),
                None => {}
            }
        }
    }
}
