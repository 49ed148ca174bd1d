//! Values for a weighted network. Resistors are taken from the largest down; a level is the sum of
//! the conductances that a setting joins to one rail.

use super::best::{Best, Set};
use super::levels::Levels;
use super::rules::Rules;
use super::{How, MOST_NODES, beam};
use crate::board::template::Rail;
use crate::units::Ohms;

/// Ratios between neighbouring resistors that a beam starts from.
const BEAM_RATIOS: [f64; 7] = [1.3, 1.5, 1.7, 1.8, 1.9, 2.0, 2.1];
/// Largest resistors that a beam starts from.
const BEAM_SIZES: usize = 100;
/// Pulls that a beam starts from.
const BEAM_PULLS: usize = 12;

/// A network whose resistors are to be chosen: shunts to a rail against one pull, or three-pin.
#[derive(Clone, Copy)]
pub(super) struct Weighted<'a> {
    pub rules: &'a Rules,
    pub shunts: usize,
    pub pull: Option<(Rail, f64)>,
}

/// The search: the bound, how it was done, and the sets in `best`. `two_pin`: the rail that the
/// shunts join and the pull to the other one if it is given; none: three-pin headers.
pub(super) fn search(
    rules: &Rules,
    shunts: usize,
    two_pin: Option<(Rail, Option<Ohms>)>,
    best: &mut Best,
) -> (f64, How) {
    let network = |pull| Weighted { rules, shunts, pull };
    let networks: Vec<Weighted> = match two_pin {
        None => vec![network(None)],
        Some((to, Some(ohms))) => vec![network(Some((to, ohms.0)))],
        Some((to, None)) => {
            let fits = |&p: &f64| p <= rules.source;
            rules.stock.iter().copied().filter(fits).map(|p| network(Some((to, p)))).collect()
        }
    };
    let most = match two_pin {
        Some((to, None)) => Levels::any_pull(rules, shunts, to).bound(),
        _ => networks.first().map_or(0.0, |n| Levels::new(n).bound()),
    };
    if most <= 0.0 || networks.is_empty() {
        return (most, How::Exact);
    }
    widen(&networks, best);
    let mut nodes = 0;
    let how = best.deepen(most, |best| networks.iter().all(|n| n.branch(best, &mut nodes)));
    (most, how)
}

/// The beam: starts from evenly weighted networks of many sizes, each with some pulls.
fn widen(networks: &[Weighted], best: &mut Best) {
    let [first, ..] = networks else { return };
    let stock = &first.rules.stock;
    let sizes = stock.iter().step_by(stock.len().div_ceil(BEAM_SIZES));
    let starts = sizes.flat_map(|&size| {
        BEAM_RATIOS.iter().map(move |&ratio| -> Vec<usize> {
            let ohms = (0..first.shunts).map(|bit| size / ratio.powi(bit as i32));
            ohms.map(|r| beam::nearest(stock, r)).collect()
        })
    });
    let starts: Vec<Vec<usize>> = starts.collect();
    for network in networks.iter().step_by(networks.len().div_ceil(BEAM_PULLS)) {
        let pull = network.pull.map(|p| p.1);
        beam::improve(stock, starts.clone(), best, |ohms| {
            // Any order of the same values is the same network.
            let falling = ohms.windows(2).all(|pair| pair[0] >= pair[1]);
            falling.then(|| Some(Set::new(ohms, pull, network.margin(ohms)?))).flatten()
        });
    }
}

impl Weighted<'_> {
    /// Ratio and source resistance at a corner: `on` and `off` are the conductances that a setting
    /// joins to either side, each scaled by its corner already.
    fn node(on: f64, off: f64) -> (f64, f64) {
        (on / (on + off), 1.0 / (on + off))
    }

    /// The smallest distance between neighbouring bands; `None` beyond the limits.
    fn margin(&self, ohms: &[f64]) -> Option<f64> {
        let rules = self.rules;
        let slack = 1.0 + 1e-12;
        let whole: f64 = ohms.iter().map(|r| 1.0 / r).sum();
        match self.pull {
            Some((_, p)) if p > rules.source * slack => return None,
            Some((_, p)) if (p + 1.0 / whole) * slack < rules.least => return None,
            None if 1.0 / whole > rules.source * slack => return None,
            _ => {}
        }
        let mut bands = Vec::with_capacity(1 << ohms.len());
        for setting in 0_usize..1 << ohms.len() {
            if self.pull.is_none() {
                let on: f64 = chosen(ohms, setting).map(|r| 1.0 / r).sum();
                let off = whole - on;
                if on * off > 0.0 && (1.0 / on + 1.0 / off) * slack < rules.least {
                    return None;
                }
            }
            bands.push(self.band(ohms, setting));
        }
        bands.sort_by(|a, b| a.0.total_cmp(&b.0));
        Some(bands.windows(2).map(|b| b[1].0 - b[0].1).fold(f64::INFINITY, f64::min))
    }

    /// Lowest and highest code in a setting: one bit for each shunt.
    fn band(&self, ohms: &[f64], setting: usize) -> (f64, f64) {
        let Rules { low, high, contact, .. } = *self.rules;
        let fitted = |corner: f64, contact: f64| -> f64 {
            chosen(ohms, setting).map(|r| 1.0 / (r * corner + contact)).sum()
        };
        // The side joined to the supply and the other one, at the corner that raises the pin.
        let (up, down) = match self.pull {
            None => {
                let rest = !setting & ((1 << ohms.len()) - 1);
                let off = |corner: f64, contact: f64| -> f64 {
                    chosen(ohms, rest).map(|r| 1.0 / (r * corner + contact)).sum()
                };
                ((fitted(low, 0.0), off(high, contact)), (fitted(high, contact), off(low, 0.0)))
            }
            Some((Rail::Supply, p)) => {
                ((fitted(low, 0.0), 1.0 / (p * high)), (fitted(high, contact), 1.0 / (p * low)))
            }
            Some((Rail::Ground, p)) => {
                ((1.0 / (p * low), fitted(high, contact)), (1.0 / (p * high), fitted(low, 0.0)))
            }
        };
        let (raised, lowered) = (Self::node(up.0, up.1), Self::node(down.0, down.1));
        (self.rules.low_code(lowered.0, lowered.1), self.rules.high_code(raised.0, raised.1))
    }

    /// Goes through every set that may be good enough; `false` when there are too many.
    fn branch(&self, best: &mut Best, nodes: &mut u64) -> bool {
        let mut branch = Branch {
            network: self,
            levels: Levels::new(self),
            need: f64::NAN,
            possible: true,
            ohms: Vec::with_capacity(self.shunts),
            sums: vec![vec![0.0]],
            best,
            nodes,
        };
        branch.tighten();
        branch.descend()
    }
}

/// The resistors of the bits set.
fn chosen(ohms: &[f64], setting: usize) -> impl Iterator<Item = f64> + '_ {
    ohms.iter().enumerate().filter(move |(bit, _)| setting >> bit & 1 == 1).map(|p| *p.1)
}

/// A walk down the tree of partial networks.
struct Branch<'a> {
    network: &'a Weighted<'a>,
    levels: Levels<'a>,
    need: f64,
    /// Whether anything good enough can exist.
    possible: bool,
    ohms: Vec<f64>,
    /// For each number of resistors chosen, all sums of their conductances, ascending.
    sums: Vec<Vec<f64>>,
    best: &'a mut Best,
    nodes: &'a mut u64,
}

impl Branch<'_> {
    /// Narrows what is possible to the margin needed now.
    fn tighten(&mut self) {
        let need = self.best.need();
        if need != self.need {
            // A hair below, so that rounding rules nothing out.
            self.possible = self.levels.aim(need - 1e-6);
            self.need = need;
        }
    }

    /// Adds the next resistor, not larger than the last.
    fn descend(&mut self) -> bool {
        *self.nodes += 1;
        if *self.nodes > MOST_NODES {
            return false;
        }
        let stock = &self.network.rules.stock;
        let left = self.network.shunts - self.ohms.len() - 1;
        let last = self.ohms.last().copied().unwrap_or(f64::INFINITY);
        let first = stock.partition_point(|&r| r <= last);
        for &ohm in stock[..first].iter().rev() {
            if !self.possible {
                return true;
            }
            let depth = self.ohms.len();
            let before = &self.sums[depth];
            let sums = merged(before, 1.0 / ohm);
            self.ohms.push(ohm);
            let verdict = self.levels.judge(&self.ohms, before, &sums, left);
            let mut enough = true;
            if verdict != Verdict::Possible {
                *self.nodes += 1;
            } else if left == 0 {
                self.leaf();
            } else {
                self.sums.push(sums);
                enough = self.descend();
                self.sums.pop();
            }
            self.ohms.pop();
            if !enough {
                return false;
            }
            if verdict == Verdict::TooHeavy {
                break;
            }
        }
        true
    }

    fn leaf(&mut self) {
        let Some(margin) = self.network.margin(&self.ohms) else { return };
        let pull = self.network.pull.map(|p| p.1);
        if margin >= self.need && self.best.offer(Set::new(&self.ohms, pull, margin)) {
            self.tighten();
        }
    }
}

/// What is known of a partial network.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// Not good enough; a smaller resistor may be.
    TooLight,
    /// Not good enough, and no smaller resistor is.
    TooHeavy,
    /// It may be good enough.
    Possible,
}

/// The sums with and without one more conductance, ascending like those given.
fn merged(sums: &[f64], more: f64) -> Vec<f64> {
    let mut all = Vec::with_capacity(2 * sums.len());
    let mut behind = sums.iter().map(|s| s + more).peekable();
    for &sum in sums {
        while let Some(with) = behind.next_if(|w| *w < sum) {
            all.push(with);
        }
        all.push(sum);
    }
    all.extend(behind);
    all
}
