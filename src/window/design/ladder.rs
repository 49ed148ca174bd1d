//! Values for a ladder. Resistors are taken from ground up; `sum` is what lies below a tap.

use super::best::{Best, Set};
use super::chain::{Ruler, turn};
use super::rules::Rules;
use super::{How, MOST_NODES, beam};
use crate::board::template::{Ends, Rail};
use crate::units::Ohms;

/// Whole resistances that a beam starts from.
const BEAM_SIZES: usize = 24;
/// Pulls that a beam starts from.
const BEAM_PULLS: usize = 8;

/// A ladder whose resistors are to be chosen, with one pull.
struct Ladder<'a> {
    rules: &'a Rules,
    ends: Ends,
    resistors: usize,
    pull: Option<(Rail, f64)>,
}

/// The search: the bound, how it was done, and the sets in `best`.
pub(super) fn search(
    rules: &Rules,
    resistors: usize,
    ends: Ends,
    open: Option<(Rail, Option<Ohms>)>,
    best: &mut Best,
) -> (f64, How) {
    let ladder = |pull| Ladder { rules, ends, resistors, pull };
    let ruler = Ruler::new(rules);
    let bound = |l: &Ladder| ruler.bound(|m| l.slots(&ruler, m).is_some());
    let mut ladders: Vec<(f64, Ladder)> = match open {
        None => vec![ladder(None)],
        Some((to, Some(ohms))) => vec![ladder(Some((to, ohms.0)))],
        Some((to, None)) => {
            let fits = |&p: &f64| p <= rules.source && (p >= rules.least || !ends.has(to.other()));
            rules.stock.iter().copied().filter(fits).map(|p| ladder(Some((to, p)))).collect()
        }
    }
    .into_iter()
    .map(|l| (bound(&l), l))
    .collect();
    ladders.sort_by(|a, b| b.0.total_cmp(&a.0));
    let most = match open {
        Some((_, None)) => bound(&ladder(None)),
        _ => ladders.first().map_or(0.0, |l| l.0),
    };
    let found = ladders.first().map_or(0.0, |l| l.0);
    if found <= 0.0 {
        return (most, How::Exact);
    }
    widen(&ruler, &ladders, best);
    let mut nodes = 0;
    let how = best.deepen(found, |best| {
        ladders
            .iter()
            .all(|(bound, ladder)| *bound < best.need() || ladder.branch(&ruler, best, &mut nodes))
    });
    (most, how)
}

/// The beam: starts from ladders of ideal ratios rounded to the stock.
fn widen(ruler: &Ruler, ladders: &[(f64, Ladder)], best: &mut Best) {
    for (bound, ladder) in ladders.iter().take(BEAM_PULLS) {
        let Some(slots) = ruler.slots(ladder.resistors - 1, ladder.neighbours(), bound - 1e-6)
        else {
            continue;
        };
        let ideal: Vec<f64> = slots.iter().map(|s| (s.0 + s.1) / 2.0).collect();
        let (least, most) = (ladder.rules.least, 8.0 * ladder.rules.source.max(ladder.rules.least));
        let starts = (0..BEAM_SIZES).map(|i| {
            let share = i as f64 / BEAM_SIZES as f64;
            ladder.rounded(&ideal, least * (most / least).powf(share))
        });
        let pull = ladder.pull.map(|p| p.1);
        beam::improve(&ladder.rules.stock, starts.collect(), best, |ohms| {
            Some(Set::new(ohms, pull, ladder.margin(ohms)?))
        });
    }
}

impl Ladder<'_> {
    /// Codes of what lies below the lowest and above the highest tap between the rails.
    fn neighbours(&self) -> (f64, f64) {
        let (low, high, contact) = (self.rules.low, self.rules.high, self.rules.contact);
        // What a tap at a rail loses over its contact to the pull on the other side.
        let tap = |p: f64| p * low / (p * low + contact);
        let ground = match self.pull {
            Some((Rail::Ground, p)) => self.rules.high_code(0.0, p * high),
            Some((Rail::Supply, p)) if self.ends.has(Rail::Ground) => {
                self.rules.high_code(1.0 - tap(p), contact)
            }
            _ if self.ends.has(Rail::Ground) => self.rules.high_code(0.0, contact),
            _ => self.rail_code(Rail::Ground),
        };
        let supply = match self.pull {
            Some((Rail::Supply, p)) => self.rules.low_code(1.0, p * high),
            Some((Rail::Ground, p)) if self.ends.has(Rail::Supply) => {
                self.rules.low_code(tap(p), contact)
            }
            _ if self.ends.has(Rail::Supply) => self.rules.low_code(1.0, contact),
            _ => self.rail_code(Rail::Supply),
        };
        (ground, supply)
    }

    /// Where each tap must lie for a margin of `m`; `None` when there is no such ladder.
    ///
    /// With a pull the parts of one side come to no more than the pull, so that a tap far from
    /// the pull's rail keeps the current limit with a large pull only.
    fn slots(&self, ruler: &Ruler, m: f64) -> Option<Vec<(f64, f64)>> {
        let slots = ruler.slots(self.resistors - 1, self.neighbours(), m)?;
        let Some((to, pull)) = self.pull else { return Some(slots) };
        let share = match to {
            Rail::Ground => slots.last().map_or(0.0, |s| s.0),
            Rail::Supply => slots.first().map_or(0.0, |s| 1.0 - s.1),
        };
        (pull >= self.rules.least * share * (1.0 - 1e-9)).then_some(slots)
    }

    /// The code of a pin that is joined to a rail directly.
    fn rail_code(&self, rail: Rail) -> f64 {
        match rail {
            Rail::Ground => self.rules.rail_codes().0,
            Rail::Supply => self.rules.rail_codes().1,
        }
    }

    /// Ratio and source resistance of a tap with `down` and `up` to the rails, behind `contact`,
    /// at the pull that is left.
    fn tap(&self, down: f64, up: f64, contact: f64, pull: f64) -> (f64, f64) {
        let (ratio, ohms) = (down / (down + up), down * up / (down + up) + contact);
        match self.pull {
            None => (ratio, ohms),
            Some((to, _)) => {
                let rail = if to == Rail::Supply { 1.0 } else { 0.0 };
                ((ratio * pull + rail * ohms) / (ohms + pull), ohms * pull / (ohms + pull))
            }
        }
    }

    /// The smallest distance between neighbouring bands; `None` beyond the limits.
    fn margin(&self, ohms: &[f64]) -> Option<f64> {
        let rules = self.rules;
        let (l, h) = (rules.low, rules.high);
        let whole: f64 = ohms.iter().sum();
        let beside = |r: f64| self.pull.map_or(r, |(_, p)| r * p / (r + p));
        let far_tap = self.pull.is_some_and(|(to, _)| self.ends.has(to.other()));
        let slack = 1.0 + 1e-12;
        if (if far_tap { beside(whole) } else { whole }) * slack < rules.least
            || self.pull.is_some_and(|p| p.1 > rules.source * slack)
        {
            return None;
        }
        let (mut below, supply) = self.neighbours();
        let mut margin = f64::INFINITY;
        let mut sum = 0.0;
        for ohm in &ohms[..ohms.len() - 1] {
            sum += ohm;
            let up = whole - sum;
            let drawn = match self.pull {
                None => whole,
                Some((Rail::Ground, _)) => up + beside(sum),
                Some((Rail::Supply, _)) => beside(up) + sum,
            };
            if drawn * slack < rules.least || beside(sum * up / whole) > rules.source * slack {
                return None;
            }
            // The contact weakens the tap against the pull, towards the pull's rail.
            let pull = self.pull.map_or(0.0, |p| p.1);
            let (down_pull, up_pull) = match self.pull {
                Some((Rail::Supply, _)) => ((0.0, pull * h), (rules.contact, pull * l)),
                _ => ((rules.contact, pull * l), (0.0, pull * h)),
            };
            let low = self.tap(sum * l, up * h, down_pull.0, down_pull.1);
            let high = self.tap(sum * h, up * l, up_pull.0, up_pull.1);
            margin = margin.min(rules.low_code(low.0, low.1) - below);
            below = rules.high_code(high.0, high.1);
        }
        Some(margin.min(supply - below))
    }

    /// Goes through every set that may be good enough; `false` when there are too many.
    fn branch(&self, ruler: &Ruler, best: &mut Best, nodes: &mut u64) -> bool {
        let stock = &self.rules.stock;
        let most = self.resistors as f64 * stock.last().copied().unwrap_or(0.0);
        let mut branch = Branch {
            ladder: self,
            ruler,
            slots: None,
            need: f64::NAN,
            ohms: Vec::with_capacity(self.resistors),
            best,
            nodes,
        };
        branch.tighten();
        branch.descend(0.0, (self.rules.least * (1.0 - 1e-12), most))
    }

    /// The nominal ratio at a tap with its pull, contact left out.
    fn ratio(&self, sum: f64, whole: f64) -> f64 {
        let up = whole - sum;
        match self.pull {
            None => sum / whole,
            Some((Rail::Ground, p)) => {
                let down = sum * p / (sum + p);
                down / (down + up)
            }
            Some((Rail::Supply, p)) => sum / (sum + up * p / (up + p)),
        }
    }

    /// The whole resistance with which a tap has this ratio; infinite when none is large enough.
    fn whole(&self, sum: f64, ratio: f64) -> f64 {
        match self.pull {
            None => sum / ratio,
            Some((Rail::Ground, p)) => sum + sum * p / (sum + p) * (1.0 - ratio) / ratio,
            Some((Rail::Supply, p)) => {
                let beside = sum * (1.0 - ratio) / ratio;
                if beside >= p { f64::INFINITY } else { sum + beside * p / (p - beside) }
            }
        }
    }

    /// The whole resistance from which the current with the shunt at a tap is small enough;
    /// infinite when none is large enough.
    fn least_whole(&self, sum: f64) -> f64 {
        let least = self.rules.least * (1.0 - 1e-12);
        match self.pull {
            None => least,
            Some((Rail::Ground, p)) => sum + (least - sum * p / (sum + p)).max(0.0),
            Some((Rail::Supply, p)) => match least - sum {
                beside if beside <= 0.0 => sum,
                beside if beside >= p => f64::INFINITY,
                beside => sum + beside * p / (p - beside),
            },
        }
    }

    /// The whole resistance up to which the source resistance at a tap is small enough.
    fn most_whole(&self, sum: f64) -> f64 {
        let source = self.rules.source;
        let limit = match self.pull {
            Some((_, p)) if p <= source => f64::INFINITY,
            Some((_, p)) => source * p / (p - source),
            None => source,
        };
        if sum <= limit { f64::INFINITY } else { sum + sum * limit / (sum - limit) }
    }

    /// Resistors of a ladder of this size whose taps come nearest the ratios.
    fn rounded(&self, ratios: &[f64], whole: f64) -> Vec<usize> {
        let stock = &self.rules.stock;
        let mut sum = 0.0;
        let sums = ratios.iter().map(|&s| turn(0.0, whole, |sum| self.ratio(sum, whole) >= s).1);
        sums.chain([whole])
            .map(|wanted| {
                let at = beam::nearest(stock, wanted - sum);
                sum += stock[at];
                at
            })
            .collect()
    }
}

/// A walk down the tree of partial ladders.
struct Branch<'a> {
    ladder: &'a Ladder<'a>,
    ruler: &'a Ruler<'a>,
    /// Where each tap must lie for the margin needed; `None` when none is good enough.
    slots: Option<Vec<(f64, f64)>>,
    need: f64,
    ohms: Vec<f64>,
    best: &'a mut Best,
    nodes: &'a mut u64,
}

impl Branch<'_> {
    /// Narrows the slots to the margin needed now.
    fn tighten(&mut self) {
        let need = self.best.need();
        if need != self.need {
            // A hair below, so that rounding rules nothing out.
            self.slots = self.ladder.slots(self.ruler, need - 1e-6);
            self.need = need;
        }
    }

    /// Adds the next resistor to what lies below; the whole ladder is within `whole`.
    fn descend(&mut self, sum: f64, whole: (f64, f64)) -> bool {
        *self.nodes += 1;
        if *self.nodes > MOST_NODES {
            return false;
        }
        let stock = &self.ladder.rules.stock;
        let tap = self.ohms.len();
        if tap + 1 == self.ladder.resistors {
            let first = stock.partition_point(|r| sum + r < whole.0);
            for &ohm in stock[first..].iter().take_while(|&&r| sum + r <= whole.1) {
                self.leaf(ohm);
            }
            return true;
        }
        let first =
            stock.partition_point(|&r| self.ladder.whole(sum + r, self.slot(tap).0) < whole.0);
        for &ohm in &stock[first..] {
            let below = sum + ohm;
            if self.slots.is_none() {
                return true;
            }
            let (low, high) = self.slot(tap);
            let from = self.ladder.whole(below, high).max(whole.0);
            if from > whole.1 {
                break;
            }
            let from = from.max(self.ladder.least_whole(below));
            let to = self.ladder.whole(below, low).min(self.ladder.most_whole(below)).min(whole.1);
            if from > to || !self.apart(sum, below, (from, to)) {
                continue;
            }
            self.ohms.push(ohm);
            let enough = self.descend(below, (from, to));
            self.ohms.pop();
            if !enough {
                return false;
            }
        }
        true
    }

    /// Where a tap must lie; nowhere when nothing is good enough.
    fn slot(&self, tap: usize) -> (f64, f64) {
        self.slots.as_ref().map_or((1.0, 0.0), |s| s[tap])
    }

    /// Whether two neighbouring taps can be far enough apart for some size of the ladder.
    fn apart(&self, below: f64, above: f64, whole: (f64, f64)) -> bool {
        if below == 0.0 {
            return true;
        }
        let high = self.ruler.high(self.ladder.ratio(below, whole.1));
        let low = self.ruler.low(self.ladder.ratio(above, whole.0));
        low - high >= self.need - 1e-6
    }

    fn leaf(&mut self, ohm: f64) {
        self.ohms.push(ohm);
        if let Some(margin) = self.ladder.margin(&self.ohms) {
            let pull = self.ladder.pull.map(|p| p.1);
            if margin >= self.need && self.best.offer(Set::new(&self.ohms, pull, margin)) {
                self.tighten();
            }
        }
        self.ohms.pop();
    }
}
