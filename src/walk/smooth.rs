//! Of all shortest ways the one that is kindest to the operator: fewest power cycles, then fewest
//! changes of header.
//!
//! The search is A* as for the shortest way, over states that also know the moves made and the
//! jumper moved last; the moves left bound which of them can still be part of a shortest way.

use super::search::{Problem, Rests, Search, Way};
use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};

/// Steps of the search after which the way at hand is kept.
const PATIENCE: usize = 20_000;

/// What a way costs besides its moves: moves of a shunt that takes a power cycle, and changes of
/// header.
pub(super) type Cost = (usize, usize);

/// Where a way stands: the stop, what is left to do, the moves made, the jumper moved last.
type State = (usize, usize, usize, Option<usize>);

impl Problem {
    /// What a way costs; by jumper in `power`, whether its shunt is moved with the power off.
    pub fn cost(&self, stops: &[usize], power: &[bool]) -> Cost {
        let moved = stops.windows(2).filter_map(|pair| self.moved(pair[0], pair[1]));
        let moved: Vec<usize> = moved.collect();
        let cycles = moved.iter().filter(|&&j| power[j]).count();
        (cycles, moved.windows(2).filter(|pair| pair[0] != pair[1]).count())
    }

    /// The jumper in which two stops differ.
    fn moved(&self, from: usize, to: usize) -> Option<usize> {
        (0..self.radix.len()).find(|&j| self.digit(from, j) != self.digit(to, j))
    }

    /// A way with no more moves than the given one that costs the least, or the given one where that
    /// takes too long to find.
    pub fn smooth(&self, way: Way, power: &[bool]) -> Way {
        // One jumper has no other header to go to.
        if self.radix.len() < 2 || way.stops.len() < 3 {
            return way;
        }
        match Smooth::new(self, power, way.stops.len() - 1).solve() {
            Some(stops) if self.cost(&stops, power) < self.cost(&way.stops, power) => {
                Way { stops, ..way }
            }
            _ => way,
        }
    }
}

struct Smooth<'a> {
    search: Search<'a>,
    power: &'a [bool],
    /// Moves that there may be.
    moves: usize,
    rests: Rests,
    known: HashMap<State, usize>,
    /// Cost, and the state before.
    states: Vec<(State, Cost, usize)>,
}

impl<'a> Smooth<'a> {
    fn new(problem: &'a Problem, power: &'a [bool], moves: usize) -> Smooth<'a> {
        Smooth {
            search: Search::new(problem),
            power,
            moves,
            rests: Rests::default(),
            known: HashMap::new(),
            states: Vec::new(),
        }
    }

    fn solve(&mut self) -> Option<Vec<usize>> {
        let start = self.search.start;
        let nothing = self.rests.id(&self.search, self.search.nothing_met());
        let rest = self.rests.after(&self.search, nothing, start);
        self.states.push(((start, rest, 0, None), (0, 0), usize::MAX));
        let mut queue = BinaryHeap::from([(Reverse((0, 0)), 0, 0_usize)]);
        let mut done = vec![false];
        let mut steps = 0;
        while let Some((_, _, id)) = queue.pop() {
            if std::mem::replace(&mut done[id], true) {
                continue;
            }
            let (state, cost, _) = self.states[id];
            if state.0 == self.search.end && self.rests.all[state.1].all {
                return Some(self.back(id));
            }
            steps += 1;
            if steps > PATIENCE {
                return None;
            }
            // As in the search for the shortest way: those pushed last go first among equals.
            for next in self.search.next(state.0).into_iter().rev() {
                let Some((found, total)) = self.step(id, state, cost, next) else { continue };
                done.resize(self.states.len(), false);
                done[found] = false;
                queue.push((Reverse(total), self.states[found].0.2, found));
            }
        }
        None
    }

    /// The state after a move, where it is new or cheaper than before, with the least that a way
    /// through it costs.
    fn step(&mut self, id: usize, state: State, cost: Cost, next: usize) -> Option<(usize, Cost)> {
        let (stop, rest, moves, last) = state;
        let jumper = self.search.moved(stop, next)?;
        let rest = self.rests.after(&self.search, rest, next);
        let moves = moves + 1;
        if moves + self.search.least(next, &self.rests.all[rest]) > self.moves {
            return None;
        }
        let state = (next, rest, moves, Some(jumper));
        let cost = (
            cost.0 + usize::from(self.power[jumper]),
            cost.1 + usize::from(last.is_some_and(|l| l != jumper)),
        );
        let found = match self.known.get(&state) {
            Some(&known) if self.states[known].1 <= cost => return None,
            Some(&known) => {
                self.states[known] = (state, cost, id);
                known
            }
            None => {
                self.known.insert(state, self.states.len());
                self.states.push((state, cost, id));
                self.states.len() - 1
            }
        };
        let ahead = self.ahead(next, rest, jumper);
        Some((found, (cost.0 + ahead.0, cost.1 + ahead.1)))
    }

    /// What is still to be paid at least: every jumper that must yet go somewhere is gone to once,
    /// unless it is the one in hand.
    fn ahead(&self, stop: usize, rest: usize, last: usize) -> Cost {
        let moves = self.search.each_least(stop, &self.rests.all[rest]);
        let mut cost = (0, 0);
        for (jumper, moves) in moves.enumerate() {
            cost.0 += if self.power[jumper] { moves } else { 0 };
            cost.1 += usize::from(moves > 0 && jumper != last);
        }
        cost
    }

    fn back(&self, mut id: usize) -> Vec<usize> {
        let mut stops = Vec::new();
        while let Some((state, _, before)) = self.states.get(id) {
            stops.push(state.0);
            id = *before;
        }
        stops.reverse();
        stops
    }
}
