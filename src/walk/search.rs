//! The shortest way through the settings of one group of jumpers.
//!
//! A stop is a setting of the group's jumpers, a move changes one of them. Wanted are sets of
//! stops, of each of which one must be passed; every stop on the way counts. The way is found by
//! A* on stop and wants left, with a bound that never overestimates, so that the first way found is
//! a shortest one (Hart, Nilsson and Raphael, IEEE Transactions SSC-4, 1968). Where that takes too
//! long, the better of two plain ways is taken and said to be no more than that.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap, VecDeque};

/// Steps of the search after which a plain way is taken instead.
const PATIENCE: usize = 60_000;

/// What is searched: stops are numbered in the mixed radix of the jumpers' places, the first jumper
/// varying fastest.
#[derive(Clone, Debug)]
pub(super) struct Problem {
    /// Number of places of each jumper.
    pub radix: Vec<usize>,
    /// By stop: whether it may be set at all.
    pub allowed: Vec<bool>,
    /// Where the shunts are.
    pub start: usize,
    /// Where they shall be in the end.
    pub end: usize,
    /// Sets of stops, ascending, none of them empty; of each one stop must be passed.
    pub wants: Vec<Vec<usize>>,
}

/// A way, from the start to the end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Way {
    /// The stops, the start first.
    pub stops: Vec<usize>,
    /// Moves that no way can do without.
    pub least: usize,
}

/// The wants that have been met, a bit each.
pub(super) type Met = Box<[u64]>;

impl Problem {
    /// Drops wants that are met whenever another is.
    pub fn reduce(&mut self) {
        self.wants.sort_by(|a, b| a.len().cmp(&b.len()).then_with(|| a.cmp(b)));
        let mut kept: Vec<Vec<usize>> = Vec::new();
        for want in std::mem::take(&mut self.wants) {
            let within = |small: &Vec<usize>| small.iter().all(|s| want.binary_search(s).is_ok());
            if !kept.iter().any(within) {
                kept.push(want);
            }
        }
        self.wants = kept;
    }

    /// The place of a jumper at a stop.
    pub fn digit(&self, stop: usize, jumper: usize) -> usize {
        let below: usize = self.radix[..jumper].iter().product();
        stop / below % self.radix[jumper]
    }

    /// The stop with one jumper elsewhere.
    fn with(&self, stop: usize, jumper: usize, place: usize) -> usize {
        let below: usize = self.radix[..jumper].iter().product();
        stop - self.digit(stop, jumper) * below + place * below
    }

    pub(super) fn nothing_met(&self) -> Met {
        vec![0; self.wants.len().div_ceil(64)].into()
    }

    /// The stops one move away.
    pub(super) fn next(&self, stop: usize) -> Vec<usize> {
        let mut found = Vec::new();
        for (jumper, &places) in self.radix.iter().enumerate() {
            let here = self.digit(stop, jumper);
            let others = (0..places).filter(|&p| p != here);
            found.extend(others.map(|p| self.with(stop, jumper, p)).filter(|&s| self.allowed[s]));
        }
        found
    }

    /// The shortest way that meets every want, or the best that was found in time.
    ///
    /// `None` when some want, or the end, cannot be reached at all.
    pub fn solve(&self) -> Option<Way> {
        Search::new(self).solve()
    }
}

/// What is left to do once some wants are met.
#[derive(Debug)]
pub(super) struct Rest {
    met: Met,
    /// By jumper and place: whether it must yet go there.
    needed: Vec<Vec<bool>>,
    /// How many wants are left that only one stop meets.
    single: usize,
    /// Whether one of these stops is the end.
    ends_there: bool,
    /// Whether every want is met.
    pub all: bool,
}

/// The sets of wants met that a search has come upon, each worked out once.
#[derive(Debug, Default)]
pub(super) struct Rests {
    pub all: Vec<Rest>,
    ids: HashMap<Met, usize>,
    /// What follows from one of them at a stop of a kind.
    after: HashMap<(usize, usize), usize>,
}

impl Rests {
    pub fn id(&mut self, search: &Search<'_>, met: Met) -> usize {
        if let Some(&known) = self.ids.get(&met) {
            return known;
        }
        self.ids.insert(met.clone(), self.all.len());
        self.all.push(search.rest(met));
        self.all.len() - 1
    }

    /// With the wants met too that a stop meets.
    pub fn after(&mut self, search: &Search<'_>, rest: usize, stop: usize) -> usize {
        let kind = search.kind[stop];
        if let Some(&known) = self.after.get(&(rest, kind)) {
            return known;
        }
        let met = search.meet(&self.all[rest].met, stop);
        let id = self.id(search, met);
        self.after.insert((rest, kind), id);
        id
    }
}

/// A search under way, with what is asked again and again made ready.
pub(super) struct Search<'a> {
    problem: &'a Problem,
    /// By stop: the wants that it meets.
    meets: Vec<Met>,
    /// By stop: stops that meet the same wants have the same number.
    kind: Vec<usize>,
    /// By want and jumper: the place that all its stops agree on.
    agreed: Vec<Vec<Option<usize>>>,
}

impl std::ops::Deref for Search<'_> {
    type Target = Problem;

    fn deref(&self) -> &Problem {
        self.problem
    }
}

impl<'a> Search<'a> {
    pub fn new(problem: &'a Problem) -> Search<'a> {
        let mut meets: Vec<Met> = vec![problem.nothing_met(); problem.allowed.len()];
        for (i, want) in problem.wants.iter().enumerate() {
            for &stop in want {
                meets[stop][i / 64] |= 1 << (i % 64);
            }
        }
        let agreed = |want: &Vec<usize>| {
            let place = |jumper: usize| {
                let first = problem.digit(want[0], jumper);
                want.iter().all(|&s| problem.digit(s, jumper) == first).then_some(first)
            };
            (0..problem.radix.len()).map(place).collect()
        };
        let agreed = problem.wants.iter().map(agreed).collect();
        let mut kinds: HashMap<&Met, usize> = HashMap::new();
        let kind = meets.iter().map(|met| {
            let new = kinds.len();
            *kinds.entry(met).or_insert(new)
        });
        let kind = kind.collect();
        Search { problem, meets, kind, agreed }
    }

    fn meet(&self, met: &Met, stop: usize) -> Met {
        met.iter().zip(&self.meets[stop]).map(|(a, b)| a | b).collect()
    }

    /// The wants not met yet.
    fn left<'b>(&'b self, met: &'b Met) -> impl Iterator<Item = usize> + 'b {
        (0..self.wants.len()).filter(|i| met[i / 64] & (1 << (i % 64)) == 0)
    }

    /// What is left to do with these wants met, wherever the shunts are.
    fn rest(&self, met: Met) -> Rest {
        let mut needed: Vec<Vec<bool>> =
            self.radix.iter().map(|&places| vec![false; places]).collect();
        let mut single = Vec::new();
        let mut all = true;
        for want in self.left(&met) {
            all = false;
            for (needed, &agreed) in needed.iter_mut().zip(&self.agreed[want]) {
                if let Some(place) = agreed {
                    needed[place] = true;
                }
            }
            if let [stop] = self.wants[want][..] {
                single.push(stop);
            }
        }
        let ends_there = single.contains(&self.end);
        Rest { met, needed, single: single.len(), ends_there, all }
    }

    /// Moves that are still needed at least.
    ///
    /// Two counts, the larger of which holds. By jumper: places that it must yet go to, where all
    /// stops of a want agree on one, and the move to its last place. By stop: wants that only one
    /// stop meets take a move each, and another leads to the end.
    pub fn least(&self, stop: usize, rest: &Rest) -> usize {
        let moves: usize = self.each_least(stop, rest).sum();
        let last = !rest.ends_there && (self.end != stop || rest.single > 0);
        moves.max(rest.single + usize::from(last))
    }

    /// The first of the two counts, jumper by jumper.
    pub fn each_least<'b>(
        &'b self,
        stop: usize,
        rest: &'b Rest,
    ) -> impl Iterator<Item = usize> + 'b {
        let (mut here_of, mut end_of) = (stop, self.end);
        rest.needed.iter().zip(&self.radix).map(move |(needed, &places)| {
            let (here, end) = (here_of % places, end_of % places);
            (here_of, end_of) = (here_of / places, end_of / places);
            let count = needed.iter().filter(|&&n| n).count() - usize::from(needed[here]);
            let last = (here == end || !needed[end]) && (end != here || count > 0);
            count + usize::from(last)
        })
    }

    fn solve(&self) -> Option<Way> {
        let mut rests = Rests::default();
        let nothing = rests.id(self, self.nothing_met());
        let first = rests.after(self, nothing, self.start);
        let bound = self.least(self.start, &rests.all[first]);
        let start = (self.start, first);
        let mut ids: HashMap<(usize, usize), usize> = HashMap::from([(start, 0)]);
        let mut states = vec![(start, 0_usize, usize::MAX)];
        // The state found last goes first among equals: it is the deepest.
        let mut queue = BinaryHeap::from([(Reverse(bound), 0_usize)]);
        let mut done = vec![false];
        let mut steps = 0;
        while let Some((Reverse(total), id)) = queue.pop() {
            if std::mem::replace(&mut done[id], true) {
                continue;
            }
            let ((stop, rest), moves, _) = states[id];
            if stop == self.end && rests.all[rest].all {
                return Some(Way { stops: self.back(&states, id), least: total });
            }
            steps += 1;
            if steps > PATIENCE {
                let stops = self.plain()?;
                return Some(Way { stops, least: total });
            }
            // Those pushed last go first: the places of a header in the order of the file.
            for next in self.next(stop).into_iter().rev() {
                let state = (next, rests.after(self, rest, next));
                let moves = moves + 1;
                let known = ids.get(&state).copied();
                let next_id = match known {
                    Some(known) if states[known].1 <= moves => continue,
                    Some(known) => known,
                    None => states.len(),
                };
                let total = moves + self.least(next, &rests.all[state.1]);
                if known.is_none() {
                    ids.insert(state, next_id);
                    states.push((state, moves, id));
                    done.push(false);
                } else {
                    states[next_id] = (state, moves, id);
                    done[next_id] = false;
                }
                queue.push((Reverse(total), next_id));
            }
        }
        None
    }

    fn back(&self, states: &[((usize, usize), usize, usize)], mut id: usize) -> Vec<usize> {
        let mut stops = Vec::new();
        while let Some(((stop, _), _, before)) = states.get(id) {
            stops.push(*stop);
            id = *before;
        }
        stops.reverse();
        stops
    }

    /// The shorter of two ways that need no search.
    fn plain(&self) -> Option<Vec<usize>> {
        let ways = [self.through_all(), self.nearest_first()];
        ways.into_iter().flatten().min_by_key(Vec::len)
    }

    /// Every stop once in reflected order, one shunt a move (the Gray code in mixed radix), then on
    /// to the end; `None` where a stop is not allowed.
    fn through_all(&self) -> Option<Vec<usize>> {
        let count: usize = self.radix.iter().product();
        if self.allowed.iter().any(|&a| !a) {
            return None;
        }
        let stop = |number: usize| {
            let (mut rest, mut stop, mut below) = (number, 0, 1);
            let mut digits = Vec::new();
            for &radix in &self.radix {
                digits.push(rest % radix);
                rest /= radix;
            }
            let mut above = 0;
            // From the slowest digit down: a digit runs backwards where those above sum odd.
            for (jumper, &radix) in self.radix.iter().enumerate().rev() {
                let digit = digits[jumper];
                let turned = if above % 2 == 1 { radix - 1 - digit } else { digit };
                above = above * radix + digit;
                digits[jumper] = turned;
            }
            for (digit, &radix) in digits.iter().zip(&self.radix) {
                stop += digit * below;
                below *= radix;
            }
            // The order begins where the shunts are.
            (0..self.radix.len()).fold(stop, |s, j| {
                let place = (self.digit(s, j) + self.digit(self.start, j)) % self.radix[j];
                self.with(s, j, place)
            })
        };
        let mut stops: Vec<usize> = (0..count).map(stop).collect();
        stops.extend(self.path(*stops.last()?, |s| s == self.end)?);
        Some(stops)
    }

    /// Always on to the nearest stop that meets a want, the one that meets most first.
    fn nearest_first(&self) -> Option<Vec<usize>> {
        let mut stops = vec![self.start];
        let mut met = self.meet(&self.nothing_met(), self.start);
        while self.left(&met).next().is_some() {
            let here = *stops.last()?;
            let wanted = |s: usize| self.meet(&met, s) != met;
            let way = self.path(here, wanted)?;
            for &stop in &way {
                met = self.meet(&met, stop);
            }
            stops.extend(way);
        }
        stops.extend(self.path(*stops.last()?, |s| s == self.end)?);
        Some(stops)
    }

    /// The stops after `from` on a shortest way to one that is wanted; none when it is one itself.
    fn path(&self, from: usize, wanted: impl Fn(usize) -> bool) -> Option<Vec<usize>> {
        let mut before: HashMap<usize, usize> = HashMap::from([(from, from)]);
        let mut queue = VecDeque::from([from]);
        while let Some(stop) = queue.pop_front() {
            if wanted(stop) {
                let mut way = Vec::new();
                let mut at = stop;
                while at != from {
                    way.push(at);
                    at = before[&at];
                }
                way.reverse();
                return Some(way);
            }
            for next in self.next(stop) {
                before.entry(next).or_insert_with(|| {
                    queue.push_back(next);
                    stop
                });
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::HashSet;

    fn all_wanted(radix: Vec<usize>, end: usize) -> Problem {
        let count: usize = radix.iter().product();
        let wants = (0..count).map(|s| vec![s]).collect();
        Problem { radix, allowed: vec![true; count], start: 0, end, wants }
    }

    fn moves(way: &Way) -> usize {
        way.stops.len() - 1
    }

    #[test]
    fn all_settings_of_n_jumpers_take_as_many_moves_as_the_gray_code() {
        // 2^n - 1 moves, and 2^n to return to the start; a lower bound that the reflected code
        // attains (Gray, US patent 2,632,058, 1953).
        for n in 1..=6 {
            let count = 1_usize << n;
            let way = all_wanted(vec![2; n], count / 2).solve().expect("a way");
            assert_eq!(moves(&way), count - 1, "n = {n}");
            assert_eq!(way.least, count - 1, "n = {n}: the bound");
            let back = all_wanted(vec![2; n], 0).solve().expect("a way");
            assert_eq!(moves(&back), if n == 1 { 2 } else { count }, "n = {n}, back to the start");
        }
    }

    #[test]
    fn the_plain_ways_meet_everything_and_change_one_jumper_a_move() {
        for radix in [vec![2, 2, 2], vec![3, 2, 4], vec![5], vec![2, 3, 3]] {
            let problem = all_wanted(radix, 1);
            let search = Search::new(&problem);
            for stops in [search.through_all(), search.nearest_first()] {
                let stops = stops.expect("a way");
                for pair in stops.windows(2) {
                    assert!(problem.next(pair[0]).contains(&pair[1]), "{pair:?} is no one move");
                }
                let every = (0..problem.allowed.len()).all(|s| stops.contains(&s));
                assert!(every && stops[0] == 0 && stops.last() == Some(&1), "{stops:?}");
            }
        }
    }

    #[test]
    fn a_stop_that_is_not_allowed_is_gone_round() {
        let mut problem = all_wanted(vec![2, 2], 3);
        problem.allowed[1] = false;
        problem.wants.remove(1);
        assert_eq!(problem.solve().expect("a way").stops, [0, 2, 3]);
        problem.allowed[2] = false;
        assert_eq!(problem.solve(), None, "both ways are closed");
    }

    #[test]
    fn a_want_that_another_implies_is_dropped() {
        let mut problem = all_wanted(vec![2, 2], 0);
        problem.wants = vec![vec![1, 3], vec![3], vec![0, 1, 3], vec![2]];
        problem.reduce();
        assert_eq!(problem.wants, [vec![2], vec![3]]);
    }

    /// Moves of a shortest way, by going through everything move by move.
    fn by_exhaustion(problem: &Problem) -> Option<usize> {
        let search = Search::new(problem);
        let first = (problem.start, search.meet(&problem.nothing_met(), problem.start));
        let mut known: HashSet<(usize, Met)> = HashSet::from([first.clone()]);
        let mut edge = vec![first];
        for moves in 0.. {
            let there = |(stop, met): &(usize, Met)| {
                *stop == problem.end && search.left(met).next().is_none()
            };
            if edge.iter().any(there) {
                return Some(moves);
            }
            let mut next = Vec::new();
            for (stop, met) in &edge {
                for to in problem.next(*stop) {
                    let state = (to, search.meet(met, to));
                    if known.insert(state.clone()) {
                        next.push(state);
                    }
                }
            }
            if next.is_empty() {
                return None;
            }
            edge = next;
        }
        None
    }

    fn problems() -> impl Strategy<Value = Problem> {
        let radix = prop::collection::vec(2_usize..4, 1..4);
        radix.prop_flat_map(|radix| {
            let count: usize = radix.iter().product();
            let want = prop::collection::btree_set(0..count, 1..4);
            let wants = prop::collection::vec(want, 0..7);
            let allowed = prop::collection::vec(prop::bool::weighted(0.9), count);
            (wants, allowed, 0..count, 0..count).prop_map(move |(wants, allowed, start, end)| {
                let wants = wants.into_iter().map(|w| w.into_iter().collect()).collect();
                Problem { radix: radix.clone(), allowed, start, end, wants }
            })
        })
    }

    proptest! {
        #[test]
        fn no_way_is_shorter_than_the_one_found(mut problem in problems()) {
            let shortest = by_exhaustion(&problem);
            problem.reduce();
            let way = problem.solve();
            prop_assert_eq!(way.as_ref().map(moves), shortest);
            let Some(way) = way else { return Ok(()) };
            prop_assert_eq!(moves(&way), way.least);
            let power = [false, true, false];
            let smooth = problem.smooth(way.clone(), &power);
            prop_assert_eq!(moves(&smooth), moves(&way));
            prop_assert!(problem.cost(&smooth.stops, &power) <= problem.cost(&way.stops, &power));
            for stops in [&way.stops, &smooth.stops] {
                for want in &problem.wants {
                    prop_assert!(stops.iter().any(|s| want.contains(s)), "{:?} was not met", want);
                }
                prop_assert!(stops.windows(2).all(|p| problem.next(p[0]).contains(&p[1])));
                prop_assert_eq!((stops[0], stops[stops.len() - 1]), (problem.start, problem.end));
            }
        }
    }
}
