//! A beam search by exchange, for where the exact search would take too long.

use super::best::{Best, Set};
use std::collections::BTreeSet;

/// Sets kept from round to round.
const WIDTH: usize = 48;
/// Rounds at most; it ends earlier when a round finds nothing better.
const ROUNDS: usize = 60;

/// Index of the value in an ascending stock with the smallest difference.
pub(super) fn nearest(stock: &[f64], wanted: f64) -> usize {
    let above = stock.partition_point(|&r| r < wanted).min(stock.len() - 1);
    let below = above.saturating_sub(1);
    if wanted - stock[below] <= stock[above] - wanted { below } else { above }
}

/// Improves sets, given as indices into the stock, one step of the stock up or down at a time and
/// in opposite pairs, keeping the best of every round. `judge` gives `None` beyond the limits.
pub(super) fn improve(
    stock: &[f64],
    starts: Vec<Vec<usize>>,
    best: &mut Best,
    judge: impl Fn(&[f64]) -> Option<Set>,
) {
    let mut seen: BTreeSet<Vec<usize>> = BTreeSet::new();
    let mut beam: Vec<(f64, Vec<usize>)> = Vec::new();
    let mut fresh = starts;
    for _ in 0..ROUNDS {
        let mut better = false;
        for at in std::mem::take(&mut fresh) {
            if !seen.insert(at.clone()) {
                continue;
            }
            let ohms: Vec<f64> = at.iter().map(|&i| stock[i]).collect();
            let Some(set) = judge(&ohms) else { continue };
            better |= beam.len() < WIDTH || beam.last().is_some_and(|b| set.margin > b.0);
            beam.push((set.margin, at));
            best.offer(set);
        }
        if !better {
            return;
        }
        beam.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
        beam.truncate(WIDTH);
        fresh = beam.iter().flat_map(|(_, at)| exchanges(at, stock.len())).collect();
    }
}

/// Every set one step away.
fn exchanges(at: &[usize], stock: usize) -> Vec<Vec<usize>> {
    let step = |set: &[usize], i: usize, up: bool| -> Option<Vec<usize>> {
        let to = if up { set[i] + 1 } else { set[i].checked_sub(1)? };
        let mut set = set.to_vec();
        set[i] = to;
        (to < stock).then_some(set)
    };
    let mut found = Vec::new();
    for i in 0..at.len() {
        for up in [false, true] {
            let Some(one) = step(at, i, up) else { continue };
            let others = (0..at.len()).filter(|&j| j != i);
            found.extend(others.filter_map(|j| step(&one, j, !up)));
            found.push(one);
        }
    }
    found
}
