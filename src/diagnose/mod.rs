//! Which part to lift: every modelled cause weighed against all that is known of a unit.

mod beside;
mod cause;
mod cell;
mod cores;
mod entries;
mod evidence;
mod failed;
mod filed;
mod glance;
mod hand;
mod learned;
mod look;
mod measure;
mod metered;
mod next;
mod pairs;
mod rank;
mod scale;
mod screen;
mod shown;
mod system;
mod tried;
mod trust;
mod unfit;
mod unseated;
mod wanting;

pub use beside::{Beside, Misread, Report, Reset, Right, Rows, beside};
pub use cause::{Causes, Hypothesis};
pub use entries::Entry;
pub use evidence::{Evidence, Meter, Proof, Read, Reading, setting};
pub use failed::{Failed, TakenBack};
pub use filed::{Filed, far_off, other_chip};
pub use hand::{InHand, in_hand, spared};
pub use learned::learned;
pub use look::{Between, Look, Rates};
pub use measure::{Measurement, OPEN_FROM, measured, ohms_ends};
pub use metered::{Apart, Metered, metered, set_apart};
pub use next::{Suggestion, suggest};
pub use trust::{Correction, Gap, apart, corrections};
pub use unfit::foreign;
pub use wanting::still_to_read;

use crate::board::{Board, Level};
use crate::circuit::{Node, Parts, Response, pulled_up};
use crate::faults::{Built, Fault, answer};
use crate::units::{Ohms, Volts};
use crate::window::adc;
use cell::Fit;
use rank::{Weighed, Weigher, log_sum};
use shown::{level, mean_code};
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};
use std::collections::HashMap;

/// Hypotheses that the readings do not tell apart by so many standard deviations are one class.
const ALIKE: f64 = 2.0;

/// Probability of a fit so bad by chance, below which the leading cause explains nothing, divided
/// among the groups.
const UNEXPLAINED: f64 = 1e-3;

/// Causes less likely than this are not shown.
const LEAST: f64 = 1e-4;

/// A cause as likely as this is the answer: nothing more is asked for.
pub const SETTLED: f64 = 0.95;

/// Causes are equally likely if one has at least so much of the other's probability.
const EQUAL: f64 = 0.97;

/// Causes at most that are sorted into classes.
const MOST: usize = 60;

/// What may be set.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Weights in place of those for the classes of defects named, see [`Fault::class`].
    pub weights: HashMap<String, f64>,
}

/// One cause with its probability.
#[derive(Clone, Debug, PartialEq)]
pub struct Cause {
    /// The defects, with fitted values; none for a good unit.
    pub faults: Vec<Fault>,
    /// Standard deviation of the logarithm of the fitted value, where one was fitted.
    pub loose: Option<f64>,
    /// Probability of the cause by itself.
    pub probability: f64,
    /// The pull-up of the chip that fits it best, in ohms.
    pub pull: f64,
}

impl Cause {
    /// Nothing is wrong, and the pull-up of the chip, in ohms, in the middle of its range: to
    /// compare codes with.
    pub fn good() -> Cause {
        Cause { faults: Vec::new(), loose: None, probability: 0.0, pull: 35e3 }
    }
}

impl Cause {
    /// Whether another cause is the same kind of thing at the same place, whatever its value.
    pub fn is_at(&self, other: &Cause) -> bool {
        let mut pairs = self.faults.iter().zip(&other.faults);
        self.faults.len() == other.faults.len() && pairs.all(|(a, b)| cause::is_at(*a, *b))
    }
}

/// Causes that the readings do not tell apart.
#[derive(Clone, Debug, PartialEq)]
pub struct Class {
    /// The causes, likeliest first.
    pub causes: Vec<Cause>,
    /// Probability that one of them is it.
    pub probability: f64,
}

/// What a unit's readings say.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnosis {
    /// Classes of causes, likeliest first.
    pub classes: Vec<Class>,
    /// Whether the leading cause explains the readings; if not, none of the modelled ones does.
    pub explained: bool,
    /// How badly the leading cause fits: the probability of a worse fit by chance, of the worst
    /// group.
    pub fit: f64,
    /// Whether two defects at once were weighed.
    pub pairs: bool,
}

/// Weighs every single cause, and pairs where no single one explains the readings.
pub fn diagnose(board: &Board, evidence: &Evidence, options: &Options) -> Diagnosis {
    let weigher = Weigher::new(board, evidence);
    let causes = Causes::single(board, &options.weights);
    let mut weighed = weigher.weigh(&causes.hypotheses);
    let mut pairs = false;
    let explains = |leader: &Weighed| {
        // One value of a meter may be a slip; of two or more a second defect is likelier.
        let metered = metered(board, evidence, &as_fitted(leader));
        let slips = metered.iter().filter(|m| m.far()).count();
        goodness(&weigher, leader) > UNEXPLAINED && slips < 2
    };
    if !best(&weighed).is_some_and(explains) {
        pairs = true;
        weighed.extend(weigher.pairs(&causes));
    }
    let fit = best(&weighed).map_or(0.0, |l| goodness(&weigher, l));
    Diagnosis { classes: classes(&weigher, &weighed), explained: fit > UNEXPLAINED, fit, pairs }
}

fn best(weighed: &[Weighed]) -> Option<&Weighed> {
    weighed.iter().max_by(|a, b| a.ln.total_cmp(&b.ln))
}

/// Probability that a right hypothesis fits its worst group as badly by chance, times the number
/// of groups (Bonferroni); 0 where something contradicts it outright.
fn goodness(weigher: &Weigher, weighed: &Weighed) -> f64 {
    let hypothesis = &weighed.hypothesis;
    let fits = weigher.fits(&hypothesis.faults, hypothesis, weighed.pull);
    let groups = fits.iter().filter(|f| f.codes > 0).count().max(1) as f64;
    fits.iter().map(|f| (tail(f) * groups).min(1.0)).fold(1.0, f64::min)
}

/// Probability that a right hypothesis fits one group as badly by chance; 0 where something
/// contradicts it outright. All codes may miss by what one nuisance makes of them, which together is
/// little for so many: an offset beyond the data sheet's, a resistor far out of its tolerance.
fn tail(fit: &Fit) -> f64 {
    let stretched = fit.stretched.map_or(1.0, |(most, nuisances)| {
        let beyond = Normal::standard().sf(most);
        (2.0 * beyond * nuisances as f64).min(1.0)
    });
    match (fit.against, fit.codes) {
        (1.., _) => 0.0,
        (0, 0) => 1.0,
        (0, codes) => {
            let missed = ChiSquared::new(codes as f64).map_or(1.0, |law| law.sf(fit.chi));
            // Two ways to fit badly.
            (2.0 * missed.min(stretched)).min(1.0)
        }
    }
}

/// Causes with their probabilities, sorted into classes round the likeliest of each.
fn classes(weigher: &Weigher, weighed: &[Weighed]) -> Vec<Class> {
    let total = log_sum(&weighed.iter().map(|w| w.ln).collect::<Vec<f64>>());
    let mut by_cause: HashMap<usize, (f64, &Weighed)> = HashMap::new();
    for w in weighed {
        let entry = by_cause.entry(w.hypothesis.cause).or_insert((0.0, w));
        entry.0 += (w.ln - total).exp();
        if w.ln > entry.1.ln {
            entry.1 = w;
        }
    }
    let mut causes: Vec<(f64, &Weighed)> = by_cause.into_values().collect();
    causes
        .sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.hypothesis.cause.cmp(&b.1.hypothesis.cause)));
    in_order(&mut causes);
    let named = causes.iter().take_while(|c| c.0 > LEAST).count().min(MOST);
    let rest = causes.split_off(named);
    let mut classes: Vec<(&Weighed, Class)> = Vec::new();
    for (probability, weighed) in causes {
        let cause = cause(weighed, probability);
        let home = classes.iter_mut().find(|(leader, _)| alike(weigher, leader, weighed));
        match home {
            Some((_, class)) => {
                class.probability += probability;
                class.causes.push(cause);
            }
            None => classes.push((weighed, Class { causes: vec![cause], probability })),
        }
    }
    // Many that are unlikely each are not little together. What fits the readings as well as the
    // head of a class shows no more than that does.
    let fits = |w: &Weighed| w.ln - w.hypothesis.prior;
    for (probability, weighed) in rest {
        let as_well =
            |(leader, _): &&mut (&Weighed, Class)| (fits(leader) - fits(weighed)).abs() < ALIKE;
        if let Some((_, class)) = classes.iter_mut().find(as_well) {
            class.probability += probability;
        }
    }
    let mut classes: Vec<Class> = classes.into_iter().map(|(_, class)| class).collect();
    classes.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    classes
}

/// Puts causes that are as good as equally likely in the order of the list, so that the noise of a
/// reading does not change what is named first.
fn in_order(causes: &mut [(f64, &Weighed)]) {
    for i in 1..causes.len() {
        let later = |[a, b]: [usize; 2], causes: &[(f64, &Weighed)]| {
            let (a, b) = (&causes[a], &causes[b]);
            b.0 > EQUAL * a.0 && b.1.hypothesis.cause < a.1.hypothesis.cause
        };
        let mut at = i;
        while at > 0 && later([at - 1, at], causes) {
            causes.swap(at - 1, at);
            at -= 1;
        }
    }
}

/// The defects of a hypothesis with the value that was fitted.
fn as_fitted(weighed: &Weighed) -> Vec<Fault> {
    let by = weighed.own.map_or(0.0, |(by, _)| by);
    weighed.hypothesis.faults.iter().map(|&fault| cause::fitted(fault, by)).collect()
}

fn cause(weighed: &Weighed, probability: f64) -> Cause {
    let own = weighed.own;
    Cause {
        faults: as_fitted(weighed),
        loose: own.map(|(_, sd)| sd),
        probability,
        pull: weighed.pull,
    }
}

/// Whether the readings do not tell two hypotheses apart.
fn alike(weigher: &Weigher, leader: &Weighed, other: &Weighed) -> bool {
    let (a, b) = (&leader.hypothesis, &other.hypothesis);
    let mut groups = weigher.touched(&a.faults);
    groups.extend(weigher.touched(&b.faults));
    groups.sort_unstable();
    groups.dedup();
    if !weigher.side_alike(a, b) {
        return false;
    }
    let cell = weigher.cell(&groups);
    let (mine, theirs) = (cell.predict(&as_fitted(leader)), cell.predict(&as_fitted(other)));
    cell.distance((a, &mine), &theirs, leader.pull) < ALIKE
}

/// What one reading should be under a cause, beside what it was.
#[derive(Clone, Debug, PartialEq)]
pub struct Compared {
    /// Index into [`Evidence::readings`].
    pub reading: usize,
    /// What was read: codes, or the share of ones; none where nothing drove the pin.
    pub read: Option<f64>,
    /// What the cause predicts; none where the pin floats.
    pub predicted: Option<f64>,
    /// What a good unit would give; none where the pin floats.
    pub good: Option<f64>,
    /// The same three with the pull-up on, in codes, where it was taken.
    pub pulled: Option<[f64; 3]>,
    /// How far the ranges of closed switches may move a good unit, as two standard deviations in
    /// codes.
    pub loose: f64,
}

/// An answer or a load that a cause and a good unit differ in, or that was not as a cause has it.
#[derive(Clone, Debug, PartialEq)]
pub enum Aside {
    /// A question by index: answered, what the cause answers, what a good unit answers.
    Question(usize, [bool; 3]),
    /// A load by index, and its sag in volts: whether it was as it should be, likewise.
    Load(usize, Volts, [bool; 3]),
    /// A look: what was said, what is likelier of the cause, and of a good unit.
    Look(Look, [bool; 3]),
}

/// The answers and loads that say something of a cause.
pub fn asides(board: &Board, evidence: &Evidence, faults: &[Fault]) -> Vec<Aside> {
    let mut built = Built::good(board, Parts::nominal(board));
    let good = built.clone();
    faults.iter().for_each(|&f| built.plant(board, f));
    let mut found = Vec::new();
    for (setting, question, yes) in &evidence.answers {
        let q = &board.questions[*question];
        if !q.lit.is_empty() || !q.dark.is_empty() {
            let by = |unit: &Built| answer(board, unit, setting, q);
            found.push(Aside::Question(*question, [*yes, by(&built), by(&good)]));
        }
    }
    for &(load, sag) in &evidence.loads {
        let (least, most) = board.loads[load].sag;
        let right = (least.0..=most.0).contains(&sag.0);
        let ill = built.dead_loads.contains(&load) || built.shorted_loads.contains(&load);
        found.push(Aside::Load(load, sag, [right, !ill, true]));
    }
    for &(look, yes) in &evidence.looks {
        let likelier = |faults: &[Fault]| look.yes(board, faults) > 0.3;
        let said = [yes, likelier(faults), likelier(&[])];
        // What was tried for it speaks of it, also where a good unit would do the same.
        if look.is_for_any(board, faults) || said != [said[2]; 3] {
            found.push(Aside::Look(look, said));
        }
    }
    let says = |aside: &Aside| match aside {
        Aside::Question(_, [was, cause, good]) | Aside::Load(_, _, [was, cause, good]) => {
            was != good || cause != good
        }
        Aside::Look(..) => true,
    };
    found.retain(says);
    found
}

/// Every reading beside what a cause predicts and what a good unit gives.
pub fn compare(board: &Board, evidence: &Evidence, cause: &Cause) -> Vec<Compared> {
    let mut built = Built::good(board, Parts::nominal(board));
    let good = built.clone();
    cause.faults.iter().for_each(|&f| built.plant(board, f));
    let missing = |channel: usize| Fault::PullUpMissing { channel };
    // What the product holds with its pull-up is not open.
    let held = |reading: &Reading, node: Node, faults: &[Fault]| {
        let channel = reading.channel;
        match board.channels[channel].pull_up && !faults.contains(&missing(channel)) {
            true if matches!(reading.read, Read::Level { .. }) => {
                let volts = pulled_up(node, board.supply.volts, Ohms(cause.pull));
                Node::Driven { volts, source: Ohms(cause.pull) }
            }
            _ => node,
        }
    };
    let row = |(index, reading): (usize, &Reading)| {
        let node =
            |unit: &Built| unit.node(board, &reading.setting, &reading.closed, reading.channel);
        let (is, should) = (node(&built), node(&good));
        let (read, pulled) = match (reading.proof, reading.read) {
            (Proof::Open, _) => (None, None),
            (_, Read::Code { mean, pulled, .. }) => (Some(mean), pulled),
            (_, Read::Level { ones }) => (Some(ones), None),
        };
        let with_pull_up = |node: Node| {
            let volts = pulled_up(node, board.supply.volts, Ohms(cause.pull));
            mean_code(board, volts)
        };
        let loose = || {
            let response = Response::new(board, &good.parts, &reading.setting, &reading.closed);
            let net = board.channels[reading.channel].net;
            let volts = Volts(2.0 * measure::by_switches(board, &response.slopes(net, &[])));
            adc::code_at(volts, board)
        };
        Compared {
            loose: if reading.closed.is_empty() { 0.0 } else { loose() },
            reading: index,
            read,
            predicted: match held(reading, is, &cause.faults) {
                // Nothing shows that it is open, and it may have any level.
                Node::Floating if cause.faults.contains(&missing(reading.channel)) => read,
                node => shows(board, reading, node),
            },
            good: shows(board, reading, held(reading, should, &[])),
            pulled: pulled.map(|read| [read, with_pull_up(is), with_pull_up(should)]),
        }
    };
    evidence.readings.iter().enumerate().map(row).collect()
}

/// What a channel shows of a node: a mean code, or a level as 0 or 1, a half between the levels; none
/// where it is open.
fn shows(board: &Board, reading: &Reading, node: Node) -> Option<f64> {
    let Node::Driven { volts, .. } = node else { return None };
    match reading.read {
        Read::Code { .. } => Some(mean_code(board, volts)),
        Read::Level { .. } => Some(match level(board, volts) {
            Some(Level::High) => 1.0,
            Some(Level::Low) => 0.0,
            None => 0.5,
        }),
    }
}
