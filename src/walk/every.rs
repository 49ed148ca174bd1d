//! Every combination of places, one shunt a move: a mixed-radix reflected Gray code.
//!
//! With n jumpers of two places it takes 2^n - 1 moves, the fewest there can be, since each new
//! setting takes one (F. Gray, US patent 2632058, 1953; mixed radices: D. E. Knuth, The Art of
//! Computer Programming 4A, 7.2.1.1, algorithm H; from memory).

use super::search::{Problem, Way};
use std::collections::VecDeque;

/// Digits whose order is tried every way, so that the code ends near the delivery setting.
const TRIED: usize = 6;

impl Problem {
    /// A way from the start through every stop that is `wanted`, to the end. None where one cannot
    /// be reached.
    pub fn every(&self, wanted: &[bool]) -> Option<Way> {
        let order = self.gray();
        let mut stops = vec![self.start];
        let mut done = vec![false; self.allowed.len()];
        done[self.start] = true;
        let count = |stop: &usize| wanted[*stop] && self.allowed[*stop];
        for stop in order.into_iter().filter(count) {
            if !done[stop] {
                let way = self.between(*stops.last()?, stop)?;
                way.iter().for_each(|&on_the_way| done[on_the_way] = true);
                stops.extend(way);
            }
        }
        let home = self.between(*stops.last()?, self.end)?;
        stops.extend(home);
        let new = (0..self.allowed.len()).filter(|s| count(s) && *s != self.start).count();
        let returns = usize::from(self.start == self.end && new > 0);
        let elsewhere = usize::from(!count(&self.end) && self.end != self.start);
        Some(Way { stops, least: new + returns + elsewhere })
    }

    /// All stops in the order of a code that begins at the start, each one move from the one before,
    /// and ends as near to the end as the order of the digits allows.
    fn gray(&self) -> Vec<usize> {
        let digits: Vec<usize> = (0..self.radix.len()).collect();
        let orders = match digits.len() {
            n if n <= TRIED => permutations(&digits),
            _ => vec![digits],
        };
        let apart = |stops: &Vec<usize>| {
            let last = stops.last().copied().unwrap_or(self.start);
            (0..self.radix.len())
                .filter(|&d| self.digit(last, d) != self.digit(self.end, d))
                .count()
        };
        let codes = orders.iter().map(|order| self.code(order));
        codes.min_by_key(apart).unwrap_or_default()
    }

    /// The code with its fastest digit first in `order`.
    fn code(&self, order: &[usize]) -> Vec<usize> {
        // The values of each digit as they come: the start's first, the end's last.
        let values: Vec<Vec<usize>> = (0..self.radix.len())
            .map(|d| {
                let (first, last) = (self.digit(self.start, d), self.digit(self.end, d));
                let between = (0..self.radix[d]).filter(|&v| v != first && v != last);
                let end = (last != first).then_some(last);
                [first].into_iter().chain(between).chain(end).collect()
            })
            .collect();
        let mut at = vec![0_usize; self.radix.len()];
        let mut upwards = vec![true; self.radix.len()];
        let stop = |at: &[usize]| {
            let place = |d: usize| values[d][at[d]];
            (0..at.len()).rev().fold(0, |stop, d| stop * self.radix[d] + place(d))
        };
        let mut code = vec![stop(&at)];
        'next: loop {
            for &d in order {
                let further = match upwards[d] {
                    true => (at[d] + 1 < self.radix[d]).then(|| at[d] + 1),
                    false => at[d].checked_sub(1),
                };
                if let Some(value) = further {
                    at[d] = value;
                    code.push(stop(&at));
                    continue 'next;
                }
                upwards[d] = !upwards[d];
            }
            return code;
        }
    }

    /// The fewest moves from one stop to another, through those that may be set; the stops after the
    /// first.
    pub fn between(&self, from: usize, to: usize) -> Option<Vec<usize>> {
        let mut before: Vec<Option<usize>> = vec![None; self.allowed.len()];
        let mut queue = VecDeque::from([from]);
        while let Some(stop) = queue.pop_front() {
            if stop == to {
                let mut way = Vec::new();
                let mut at = to;
                while at != from {
                    way.push(at);
                    at = before[at]?;
                }
                way.reverse();
                return Some(way);
            }
            for next in self.next(stop) {
                if next != from && before[next].is_none() {
                    before[next] = Some(stop);
                    queue.push_back(next);
                }
            }
        }
        None
    }
}

fn permutations(of: &[usize]) -> Vec<Vec<usize>> {
    let [first, rest @ ..] = of else { return vec![Vec::new()] };
    let mut found = Vec::new();
    for shorter in permutations(rest) {
        for at in 0..=shorter.len() {
            let mut one = shorter.clone();
            one.insert(at, *first);
            found.push(one);
        }
    }
    found
}
