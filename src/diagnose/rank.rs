//! Weighs every cause against all that is known of a unit.
//!
//! Groups of jumpers and channels that do not influence each other are fitted one by one; the
//! chip's pull-up, which all of them share, is summed over a grid (Bayes' rule; the weights of the
//! grid are those of a uniform law in the logarithm).

use super::cause::{Hypothesis, fitted};
use super::cell::{AGAINST, Cell, Fit, Prediction, joins};
use super::cores;
use super::evidence::{Evidence, Meter};
use super::glance::Glance;
use super::look::SLIP;
use super::measure;
use crate::board::{Board, Setting};
use crate::circuit::{self, Group, Parts};
use crate::faults::{Built, Fault, Reach, answer};
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

/// Steps of the chip's pull-up in the logarithm.
const PULL_STEP: f64 = 0.03;
/// How far beyond the data sheet's ends the grid goes.
const PULL_BEYOND: f64 = 0.1;
/// Values of the pull-up that other groups make this many nats less likely than the best do not
/// count, and hypotheses this many behind the best are not gone into.
const UNLIKELY_PULL: f64 = 9.0;
pub(super) const HOPELESS: f64 = 18.0;
/// Values of the pull-up at which a hypothesis is looked at first.
const FIRST_LOOKS: usize = 5;
/// The same for the quick look that is taken where there are many hypotheses.
const GLANCES: usize = 3;
const MANY: usize = 100;
/// Hypotheses that are looked at before the best is looked up anew.
const AT_ONCE: usize = 32;

/// Probability that a load is not what a hypothesis predicts: eyes slip, the converter does not.
const STRAY: f64 = 1e-4;

/// Probability that a probe stops answering where nothing shorts the supply: a plug pulled, a cable.
const UNPLUGGED: f64 = 0.02;
/// Probability that another shunt was moved than was asked for, or to another place, and that this is
/// what shorted the supply (advice of our own).
const MISPLACED: f64 = 0.1;

/// The most that a value in ohms adds to a likelihood: it has a density, which may be above 1.
const DENSE: f64 = 6.0;

/// Levels of digital pins that are less likely than this (in nats) are not read by chance.
const CHANCE: f64 = -3.0;

/// A hypothesis weighed.
#[derive(Clone, Debug)]
pub(super) struct Weighed {
    pub hypothesis: Hypothesis,
    /// Natural logarithm of prior and likelihood, over all values of the pull-up.
    pub ln: f64,
    /// The pull-up that fits it best, in ohms.
    pub pull: f64,
    /// Estimate of its own value as the logarithm of a factor, with its deviation.
    pub own: Option<(f64, f64)>,
}

/// Everything that stays the same from hypothesis to hypothesis.
pub(super) struct Weigher<'a> {
    pub board: &'a Board,
    evidence: &'a Evidence,
    groups: Vec<Group>,
    /// By set of groups: their readings as one cell.
    cells: Mutex<HashMap<Vec<usize>, Arc<Cell<'a>>>>,
    pub pulls: Vec<f64>,
    /// By group and pull-up: how likely its readings are of a good unit.
    good: Vec<Vec<f64>>,
    pub good_side: f64,
}

impl<'a> Weigher<'a> {
    pub fn new(board: &'a Board, evidence: &'a Evidence) -> Weigher<'a> {
        let (low, high) = board.chip.pull_up;
        let (low, high) = ((low.0 * (1.0 - PULL_BEYOND)).ln(), (high.0 * (1.0 + PULL_BEYOND)).ln());
        let count = ((high - low) / PULL_STEP).ceil() as usize;
        let pulls =
            (0..=count).map(|i| (low + (high - low) * i as f64 / count as f64).exp()).collect();
        let mut weigher = Weigher {
            board,
            evidence,
            groups: circuit::groups(board),
            cells: Mutex::default(),
            pulls,
            good: Vec::new(),
            good_side: 0.0,
        };
        let good = good_unit();
        weigher.good_side = weigher.side(&good);
        for g in 0..weigher.groups.len() {
            let cell = weigher.cell(&[g]);
            let predictions = cell.predict(&[]);
            let fit = |&pull: &f64| cell.fit(&good, &predictions, pull);
            let fits: Vec<Fit> = weigher.pulls.iter().map(fit).collect();
            weigher.good.push(floored(&fits));
        }
        weigher
    }

    /// The readings of some groups together.
    pub fn cell(&self, groups: &[usize]) -> Arc<Cell<'a>> {
        let mut cells = self.cells.lock().unwrap_or_else(PoisonError::into_inner);
        let anew = |set: &Vec<usize>| {
            let nets: Vec<_> = set.iter().flat_map(|&g| self.groups[g].nets.clone()).collect();
            Arc::new(Cell::new(self.board, self.evidence, &nets))
        };
        cells.entry(groups.to_vec()).or_insert_with_key(anew).clone()
    }

    /// The groups that some defects touch, of those in which something was read.
    pub fn touched(&self, faults: &[Fault]) -> Vec<usize> {
        let reaches: Vec<Reach> = faults.iter().map(|f| f.reach(self.board)).collect();
        let touches = |&g: &usize| reaches.iter().any(|r| r.touches(self.board, &self.groups[g]));
        let touched = (0..self.groups.len()).filter(touches);
        touched.filter(|&g| !self.cell(&[g]).is_empty()).collect()
    }

    /// By pull-up: how likely the readings outside some groups are.
    pub fn others(&self, touched: &[usize]) -> Vec<f64> {
        let mut sum = vec![0.0; self.pulls.len()];
        for (g, good) in self.good.iter().enumerate() {
            if !touched.contains(&g) {
                sum.iter_mut().zip(good).for_each(|(s, ln)| *s += ln);
            }
        }
        sum
    }

    /// Answers and loads.
    pub fn side(&self, hypothesis: &Hypothesis) -> f64 {
        let mut built = Built::good(self.board, Parts::nominal(self.board));
        for &fault in &hypothesis.faults {
            built.plant(self.board, fault);
        }
        let agrees = |agrees: bool| if agrees { (1.0 - SLIP).ln() } else { SLIP.ln() };
        let mut ln = 0.0;
        for (setting, question, yes) in &self.evidence.answers {
            let q = &self.board.questions[*question];
            let asks = !q.lit.is_empty() || !q.dark.is_empty();
            if asks {
                ln += agrees(answer(self.board, &built, setting, q) == *yes);
            }
        }
        for &(load, sag) in &self.evidence.loads {
            let (least, most) = self.board.loads[load].sag;
            // No load lets the supply rise, dead or not.
            if sag.0 <= -least.0 {
                continue;
            }
            let (dead, shorted) = (sag.0 < least.0, sag.0 > most.0);
            let stray = |agrees: bool| if agrees { (1.0 - STRAY).ln() } else { STRAY.ln() };
            ln += stray(dead == built.dead_loads.contains(&load));
            ln += stray(shorted == built.shorted_loads.contains(&load));
        }
        if let Some(setting) = &self.evidence.silent_after {
            let joins = hypothesis.faults.iter().any(joins);
            let shorts = |at: &Setting| joins && built.shorts(self.board, at, &[]);
            let meant = self.evidence.silent_at.as_ref();
            ln += match meant.map(shorts) {
                Some(true) => (1.0 - UNPLUGGED).ln(),
                _ if !joins || !shorts_near(self.board, &built, setting) => UNPLUGGED.ln(),
                Some(false) => MISPLACED.ln(),
                None => (1.0 - UNPLUGGED).ln(),
            };
        }
        let looks = self.evidence.looks.iter();
        ln += looks.map(|(l, yes)| l.ln(self.board, &hypothesis.faults, *yes)).sum::<f64>();
        let moved = moved(self.board, &hypothesis.faults, hypothesis.loose);
        let meter = self.evidence.meter.iter();
        let ohms = |m: &Meter| measure::ohms_ln(self.board, &built, moved.as_ref(), m);
        ln + meter.map(ohms).sum::<f64>()
    }

    /// What ohms make of a value that the readings leave as they do, and how much more or less likely
    /// they are than [`Self::side`] has them, which does not know that.
    fn by_ohms(&self, hypothesis: &Hypothesis, own: (f64, f64)) -> (f64, (f64, f64)) {
        let ohms = self.evidence.meter.iter().filter(|m| matches!(m, Meter::Ohms { .. }));
        let ohms: Vec<Meter> = ohms.filter(|m| self.ohms_matter(m, hypothesis)).cloned().collect();
        if ohms.is_empty() {
            return (0.0, own);
        }
        let by = |by: f64| built_by(self.board, &hypothesis.faults, by);
        let (ln, fitted) = measure::fit_ohms(self.board, by, &ohms, own);
        let moved = moved(self.board, &hypothesis.faults, hypothesis.loose);
        let roughly = |m: &Meter| measure::ohms_ln(self.board, &by(0.0), moved.as_ref(), m);
        (ln - ohms.iter().map(roughly).sum::<f64>(), fitted)
    }

    /// The most that answers, loads and ohms can come to.
    pub fn side_top(&self) -> f64 {
        let ohms = self.evidence.meter.iter().filter(|m| matches!(m, Meter::Ohms { .. }));
        DENSE * ohms.count() as f64
    }

    /// Whether answers, loads and ohms are the same of two hypotheses.
    pub fn side_alike(&self, a: &Hypothesis, b: &Hypothesis) -> bool {
        (self.side(a) - self.side(b)).abs() < 2.0
    }

    /// Whether answers, loads and ohms may tell a hypothesis from the good unit.
    pub fn side_matters(&self, hypothesis: &Hypothesis) -> bool {
        let loads = |f: &Fault| matches!(f, Fault::LoadDead { .. } | Fault::LoadShorted { .. });
        let answered = self.evidence.answers.iter().map(|(_, q, _)| *q);
        let again = self.evidence.looks.iter().filter_map(|(look, _)| look.question());
        let lamps = answered.chain(again).any(|q| {
            let q = &self.board.questions[q];
            let nets: Vec<_> = q
                .lit
                .iter()
                .chain(&q.dark)
                .flat_map(|&r| self.board.resistors[r].between)
                .collect();
            let mine = self.groups.iter().filter(|g| nets.iter().any(|n| g.nets.contains(n)));
            let mut reaches = hypothesis.faults.iter().map(|f| f.reach(self.board));
            let mine: Vec<&Group> = mine.collect();
            reaches.any(|r| mine.iter().any(|g| r.touches(self.board, g)))
        });
        let shorts = self.evidence.silent_after.is_some() && hypothesis.faults.iter().any(joins);
        let mut looks = self.evidence.looks.iter();
        let looked = looks.any(|(look, _)| look.concerns(self.board, &hypothesis.faults));
        let ohms = self.evidence.meter.iter().any(|m| self.ohms_matter(m, hypothesis));
        lamps || shorts || looked || ohms || hypothesis.faults.iter().any(loads)
    }

    /// Whether a meter's ohms may tell a hypothesis from the good unit; volts are weighed with the
    /// readings. With the rails joined nothing beyond the groups of the tips bears on them.
    fn ohms_matter(&self, meter: &Meter, hypothesis: &Hypothesis) -> bool {
        let Meter::Ohms { between, joined, .. } = meter else { return false };
        let mut at_tips = self.groups.iter().filter(|g| between.iter().any(|n| g.nets.contains(n)));
        let touches = |g: &Group| {
            hypothesis.faults.iter().any(|f| f.reach(self.board).touches(self.board, g))
        };
        !joined || at_tips.any(touches)
    }

    /// Weighs hypotheses; those that are hopeless are left out.
    ///
    /// None can explain the readings that it touches better than perfectly, so that the most it can
    /// reach is known without a look at it; those that can reach most are looked at first.
    pub fn weigh(&self, hypotheses: &[Hypothesis]) -> Vec<Weighed> {
        let touched = cores::each(hypotheses, |h| self.touched(&h.faults));
        let mut sets = touched.clone();
        sets.sort_unstable();
        sets.dedup();
        let reaches = cores::each(&sets, |set| self.reachable(set));
        let of = |set: &Vec<usize>| sets.binary_search(set).expect("it was put there");
        let mut order: Vec<(f64, usize, usize)> = Vec::with_capacity(hypotheses.len());
        for (i, (hypothesis, touched)) in hypotheses.iter().zip(&touched).enumerate() {
            let set = of(touched);
            order.push((hypothesis.prior + reaches[set].most, i, set));
        }
        self.keep_likely(hypotheses, (&sets, &reaches), &mut order);
        order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let mut looks: Vec<(usize, f64, Candidate<'a>)> = Vec::new();
        let mut best = f64::NEG_INFINITY;
        for share in order.chunks(AT_ONCE) {
            let likely = share.iter().take_while(|(most, _, _)| *most >= best - HOPELESS);
            let likely: Vec<(usize, usize)> = likely.map(|&(_, i, set)| (i, set)).collect();
            let each = cores::each(&likely, |&(i, set)| {
                let others = reaches[set].others.clone();
                let candidate = self.candidate(&hypotheses[i], &sets[set], others);
                (i, self.first_look(&hypotheses[i], &candidate), candidate)
            });
            best = each.iter().map(|(_, look, _)| *look).fold(best, f64::max);
            looks.extend(each.into_iter().filter(|(_, look, _)| *look > best - HOPELESS));
            if likely.len() < share.len() {
                break;
            }
        }
        looks.retain(|(_, look, _)| *look > best - HOPELESS);
        looks.sort_by_key(|(i, _, _)| *i);
        cores::each(&looks, |(i, _, c)| self.weighed(&hypotheses[*i], c))
    }

    /// Leaves out what a first look finds hopeless beside the best that touches the same groups.
    fn keep_likely(
        &self,
        hypotheses: &[Hypothesis],
        (sets, reaches): (&[Vec<usize>], &[Reachable]),
        order: &mut Vec<(f64, usize, usize)>,
    ) {
        let mut counts = vec![0; sets.len()];
        order.iter().for_each(|(_, _, set)| counts[*set] += 1);
        let numbers: Vec<usize> = (0..sets.len()).collect();
        let glances = cores::each(&numbers, |&set| {
            (counts[set] > MANY).then(|| self.glances(&sets[set], &reaches[set].others))
        });
        let seen = cores::each(order, |&(_, i, set)| {
            glances[set].as_ref().map_or(f64::INFINITY, |(cell, looks)| {
                self.base(&hypotheses[i]) + cell.glance(looks, &hypotheses[i])
            })
        });
        let mut best = vec![f64::NEG_INFINITY; sets.len()];
        for (&(_, _, set), &ln) in order.iter().zip(&seen).filter(|(_, ln)| ln.is_finite()) {
            best[set] = best[set].max(ln);
        }
        let mut seen = seen.into_iter();
        order.retain(|&(_, _, set)| seen.next().is_none_or(|ln| ln > best[set] - HOPELESS));
    }

    /// What a first look at the readings of some groups needs.
    fn glances(&self, touched: &[usize], others: &[f64]) -> (Arc<Cell<'a>>, Vec<Glance>) {
        let cell = self.cell(touched);
        let good = cell.predict(&[]);
        let pulls = self.some_pulls(others, GLANCES);
        let looks = pulls.map(|p| Glance::new(&cell, &good, self.pulls[p])).collect();
        (cell, looks)
    }

    /// What hypotheses that touch these groups can reach.
    fn reachable(&self, touched: &[usize]) -> Reachable {
        let others = self.others(touched);
        let top = others.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let perfect: f64 = touched.iter().map(|&g| self.cell(&[g]).perfect()).sum();
        let dense = DENSE * self.evidence.meter.len() as f64;
        Reachable { most: top + perfect + dense, others: Arc::new(others) }
    }

    fn candidate(
        &self,
        hypothesis: &Hypothesis,
        touched: &[usize],
        others: Arc<Vec<f64>>,
    ) -> Candidate<'a> {
        let cell = self.cell(touched);
        let predictions = cell.predict(&hypothesis.faults);
        Candidate { cell, predictions, others, base: self.base(hypothesis) }
    }

    /// What a hypothesis has before the readings: its odds, answers, loads and ohms.
    pub fn base(&self, hypothesis: &Hypothesis) -> f64 {
        hypothesis.prior
            + match self.side_matters(hypothesis) {
                true => self.side(hypothesis),
                false => self.good_side,
            }
    }

    /// At most so many of the values of the pull-up that the other groups leave.
    fn some_pulls(&self, others: &[f64], most: usize) -> impl Iterator<Item = usize> {
        self.spread_pulls(others, most, UNLIKELY_PULL).into_iter()
    }

    /// The values of the pull-up that the other groups leave.
    fn likely_pulls(&self, others: &[f64]) -> Vec<usize> {
        self.spread_pulls(others, self.pulls.len(), UNLIKELY_PULL)
    }

    /// At most so many values of the pull-up, of those within some nats of the likeliest.
    pub fn spread_pulls(&self, likely: &[f64], most: usize, within: f64) -> Vec<usize> {
        let top = likely.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let left: Vec<usize> =
            (0..self.pulls.len()).filter(|&p| likely[p] > top - within).collect();
        let stride = left.len().div_ceil(most).max(1);
        left.into_iter().skip(stride / 2).step_by(stride).collect()
    }

    /// Weighs a pair whose defects share a group.
    pub fn weighed_together(&self, hypothesis: &Hypothesis, others: Vec<f64>) -> Weighed {
        let touched = self.touched(&hypothesis.faults);
        self.weighed(hypothesis, &self.candidate(hypothesis, &touched, Arc::new(others)))
    }

    fn first_look(&self, hypothesis: &Hypothesis, candidate: &Candidate) -> f64 {
        let pulls = self.some_pulls(&candidate.others, FIRST_LOOKS);
        let at = |p: usize| {
            let fit = candidate.cell.fit(hypothesis, &candidate.predictions, self.pulls[p]);
            candidate.base + fit.ln + candidate.others[p]
        };
        pulls.map(at).fold(f64::NEG_INFINITY, f64::max)
    }

    fn weighed(&self, hypothesis: &Hypothesis, candidate: &Candidate) -> Weighed {
        let mut terms = Vec::new();
        let (mut top, mut pull, mut own) = (f64::NEG_INFINITY, self.pulls[0], None);
        for p in self.likely_pulls(&candidate.others) {
            let fit = candidate.cell.fit(hypothesis, &candidate.predictions, self.pulls[p]);
            let ln = candidate.base + fit.ln + candidate.others[p];
            if ln > top {
                (top, pull, own) = (ln, self.pulls[p], fit.own);
            }
            terms.push(ln);
        }
        let mut ln = log_sum(&terms) - (self.pulls.len() as f64).ln();
        if let Some(loose) = hypothesis.loose {
            let (more, fitted) = self.by_ohms(hypothesis, own.unwrap_or((0.0, loose)));
            ln += more;
            own = Some(fitted);
        }
        Weighed { hypothesis: hypothesis.clone(), ln, pull, own }
    }

    /// Whether the readings of a group are those of a good unit at some pull-up, but for what chance
    /// does once in `rare` of all groups.
    pub fn is_good(&self, group: usize, rare: f64) -> bool {
        let cell = self.cell(&[group]);
        let (good, predictions) = (good_unit(), cell.predict(&[]));
        let rare = rare / self.groups.len().max(1) as f64;
        let fits = |fit: Fit| super::tail(&fit) > rare && fit.levels > CHANCE;
        self.pulls.iter().any(|&pull| fits(cell.fit_in_full(&good, &predictions, pull)))
    }

    /// How a hypothesis fits each group at one pull-up: groups, and the fit of each.
    pub fn fits(&self, faults: &[Fault], hypothesis: &Hypothesis, pull: f64) -> Vec<Fit> {
        let touched = self.touched(faults);
        let fit = |groups: &[usize], hypothesis: &Hypothesis, faults: &[Fault]| {
            let cell = self.cell(groups);
            cell.fit_in_full(hypothesis, &cell.predict(faults), pull)
        };
        let mut fits = Vec::new();
        if !touched.is_empty() {
            fits.push(fit(&touched, hypothesis, faults));
        }
        let rest = (0..self.groups.len()).filter(|g| !touched.contains(g));
        fits.extend(rest.map(|g| fit(&[g], &good_unit(), &[])));
        fits
    }
}

/// The unit with defects whose own value is another by a standard deviation; none where it is not
/// loose.
pub(super) fn moved(board: &Board, faults: &[Fault], loose: Option<f64>) -> Option<Built> {
    Some(built_by(board, faults, loose?))
}

/// The unit with defects whose own value is another by so much in the logarithm.
fn built_by(board: &Board, faults: &[Fault], by: f64) -> Built {
    let mut built = Built::good(board, Parts::nominal(board));
    faults.iter().for_each(|&fault| built.plant(board, fitted(fault, by)));
    built
}

/// Whether a unit shorts its supply when one shunt is moved from a setting, or the whole of it is
/// taken off.
fn shorts_near(board: &Board, built: &Built, from: &Setting) -> bool {
    let moved = |jumper: usize| {
        let places = board.jumpers[jumper].places().into_iter();
        places.map(move |place| from.with(jumper, place))
    };
    (0..board.jumpers.len()).flat_map(moved).any(|s| built.shorts(board, &s, &[]))
}

/// What hypotheses that touch the same groups have in common.
struct Reachable {
    /// The most that likelihood can come to.
    most: f64,
    /// By pull-up: how likely the readings outside the groups are.
    others: Arc<Vec<f64>>,
}

/// What the weighing of one hypothesis needs.
struct Candidate<'a> {
    cell: Arc<Cell<'a>>,
    predictions: Vec<Prediction>,
    others: Arc<Vec<f64>>,
    base: f64,
}

/// The unit without defects, as likely as it may be.
pub(super) fn good_unit() -> Hypothesis {
    Hypothesis { faults: Vec::new(), cause: 0, prior: 0.0, loose: None }
}

/// Logarithm of a sum of exponentials.
pub(super) fn log_sum(terms: &[f64]) -> f64 {
    let top = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY {
        return top;
    }
    top + terms.iter().map(|t| (t - top).exp()).sum::<f64>().ln()
}

/// Likelihoods over the pull-up, none of them far less than what something nobody thought of would
/// have: a faulty group must not drag the pull-up of the others.
fn floored(fits: &[Fit]) -> Vec<f64> {
    let top = fits.iter().map(|f| f.ln).fold(f64::NEG_INFINITY, f64::max);
    let unexplained = fits.iter().map(|f| f.chi).fold(f64::INFINITY, f64::min);
    let codes = fits.first().map_or(0, |f| f.codes) as f64;
    // A good group has a chi-square of about its number of codes; one that has far more says
    // nothing of the pull-up.
    let trusted = unexplained < codes + 6.0 * (2.0 * codes).sqrt() + 10.0;
    let floor = if trusted { top + AGAINST } else { top };
    fits.iter().map(|f| f.ln.max(floor)).collect()
}
