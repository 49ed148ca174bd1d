//! What to measure next: the one reading that is expected to settle most.

use super::evidence::Evidence;
use super::look::{self, Look};
use super::measure::{Measurement, OPEN_FROM, VOLTS_SD, Wiring, expected_by};
use super::rank::moved;
use super::tried;
use super::{Cause, Diagnosis, SETTLED};
use crate::board::{Board, Kind, NetId, Place, Setting};
use crate::circuit::{self, Parts, Response};
use crate::faults::Built;
use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;

/// Causes that are told apart, and how likely one must be to count.
const MOST_CAUSES: usize = 24;
const LEAST_LIKELY: f64 = 1e-3;

/// A measurement that settles less than this, in nats, is not worth a hand's move.
const WORTH: f64 = 0.02;

/// How likely it must be that an iron mends a unit, to be put where nobody has looked.
const SURE: f64 = 0.9;

/// How likely it may be that a setting shorts the supply, for a unit to be powered in it.
pub(super) const SHORTED: f64 = 0.02;

/// A measurement proposed.
#[derive(Clone, Debug, PartialEq)]
pub struct Suggestion {
    /// What to measure.
    pub measurement: Measurement,
    /// What it settles on average, as a share of what is open.
    pub settles: f64,
    /// What it should show under each cause: index of class and of cause in it, value and standard
    /// deviation, in volts, ohms or codes; infinite ohms for open. Of a look, the probability of a
    /// yes.
    pub expected: Vec<(usize, usize, f64, f64)>,
    /// How likely it is to mend the unit, by all that is known; 0 of what is no trial.
    pub mends: f64,
    /// What the supply has to show first, so that volts are exact shares of it: none where it was
    /// measured, or its tolerance says as much.
    pub supply_first: Option<Measurement>,
}

/// The measurements that settle most, best first; none once one class is nearly certain or nothing
/// measurable tells the causes apart.
pub fn suggest(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis) -> Vec<Suggestion> {
    let leading = Leading::of(board, diagnosis);
    let first = leading.causes.first();
    if first.is_none_or(|(_, _, first)| holds(board, evidence, diagnosis, first)) {
        return Vec::new();
    }
    // A unit that was mended reads otherwise than what the causes are weighed by.
    if evidence.mended().is_some() {
        return Vec::new();
    }
    let mut measurements = candidates(board, evidence);
    let by_cause = leading.causes.iter().flat_map(|(_, _, cause)| &cause.faults);
    let by_cause = by_cause.flat_map(|fault| Look::of(board, fault));
    for look in by_cause.chain(Look::at_lamps(board)) {
        let asked = |look: Look| evidence.looks.iter().any(|&(l, yes)| l.tells(&look, yes));
        let measurement = Measurement::Look(look);
        let due = tried::is_due(evidence, &look);
        if due && !asked(look) && !measurements.contains(&measurement) {
            measurements.push(measurement);
        }
    }
    measurements.retain(|m| powered(m).is_none_or(|at| leading.shorts(board, at) < SHORTED));
    let mut found: Vec<Suggestion> = Vec::new();
    for measurement in measurements {
        found.extend(leading.suggestion(board, evidence, measurement, WORTH));
    }
    let looked = |look: &Look| evidence.looks.iter().any(|(l, _)| l == look);
    found.retain(|s| match s.measurement {
        Measurement::Look(look) => s.mends > SURE || look.comes_after().is_none_or(|l| looked(&l)),
        _ => true,
    });
    found.sort_by(|a, b| effort(b).total_cmp(&effort(a)));
    found
}

/// Whether a cause is nearly certain, and would be by eyes that are poorer than they are believed to
/// be: that nothing was seen of another must not be all there is to it.
fn holds(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis, first: &Cause) -> bool {
    let doubted = |cause: &Cause| {
        let each = evidence.looks.iter().map(|(look, yes)| {
            look.ln_doubted(board, &cause.faults, *yes) - look.ln(board, &cause.faults, *yes)
        });
        cause.probability * each.sum::<f64>().exp()
    };
    let all: f64 = diagnosis.classes.iter().flat_map(|c| &c.causes).map(doubted).sum();
    first.probability > SETTLED && doubted(first) > SETTLED * all
}

/// The causes that are told apart, and a unit with each.
pub(super) struct Leading<'a> {
    /// With the index of the class and of the cause in it.
    causes: Vec<(usize, usize, &'a Cause)>,
    units: Vec<Unit>,
    weights: Vec<f64>,
    /// What is open, in nats.
    entropy: f64,
}

impl<'a> Leading<'a> {
    pub fn of(board: &Board, diagnosis: &'a Diagnosis) -> Leading<'a> {
        let mut causes: Vec<(usize, usize, &Cause)> = Vec::new();
        for (c, class) in diagnosis.classes.iter().enumerate() {
            causes.extend(class.causes.iter().enumerate().map(|(i, cause)| (c, i, cause)));
        }
        causes.retain(|(_, _, cause)| cause.probability > LEAST_LIKELY);
        causes.sort_by(|a, b| b.2.probability.total_cmp(&a.2.probability));
        causes.truncate(MOST_CAUSES);
        let units: Vec<Unit> = causes.iter().map(|(_, _, c)| Unit::of(board, c)).collect();
        let weights: Vec<f64> = causes.iter().map(|(_, _, cause)| cause.probability).collect();
        let sum: f64 = weights.iter().sum();
        let entropy = weights.iter().map(|w| w / sum).map(|p| -p * p.ln()).sum();
        Leading { causes, units, weights, entropy }
    }

    /// How likely it is that a setting shorts the supply.
    pub fn shorts(&self, board: &Board, setting: &Setting) -> f64 {
        let total: f64 = self.weights.iter().sum();
        let each = self.units.iter().zip(&self.weights);
        let shorts = each.filter(|(unit, _)| unit.shorts(board, setting)).map(|(_, w)| w);
        shorts.sum::<f64>() / total
    }

    /// A measurement with what it should show, if it settles more than `least` nats.
    pub fn suggestion(
        &self,
        board: &Board,
        evidence: &Evidence,
        measurement: Measurement,
        least: f64,
    ) -> Option<Suggestion> {
        let expected: Vec<(f64, f64)> = match measurement {
            Measurement::Look(look) => {
                self.causes.iter().map(|(_, _, c)| (look.yes(board, &c.faults), 0.0)).collect()
            }
            _ => self.units.iter().map(|unit| unit.expected(board, &measurement)).collect(),
        };
        let settles = information(&self.weights, &expected, &measurement);
        let mends = match measurement {
            Measurement::Look(look) if look.may_mend() => {
                let each = self.causes.iter().zip(&self.weights);
                let its = each.filter(|((.., cause), _)| look.is_for_any(board, &cause.faults));
                let its: f64 = its.map(|(_, weight)| weight).sum();
                look.rates().found * its / self.weights.iter().sum::<f64>()
            }
            _ => 0.0,
        };
        if settles <= least {
            return None;
        }
        let each = self.causes.iter().zip(&expected);
        let expected = each.map(|(&(c, i, _), &(value, sd))| (c, i, value, sd)).collect();
        let settles = (settles / self.entropy.max(1e-9)).min(1.0);
        let supply_first = supply_first(board, evidence, &measurement);
        Some(Suggestion { measurement, settles, expected, mends, supply_first })
    }
}

/// What has to be measured before a voltage is worth something.
fn supply_first(
    board: &Board,
    evidence: &Evidence,
    measurement: &Measurement,
) -> Option<Measurement> {
    let Measurement::Volts { setting, .. } = measurement else { return None };
    let loose = board.supply.tolerance.0 / 3f64.sqrt() > VOLTS_SD.share;
    let unknown = evidence.metered_supply(board).is_none();
    let net = board.supply.net;
    (loose && unknown).then(|| Measurement::Volts { net, setting: setting.clone() })
}

/// What a measurement settles, less a little for the work: a setting to be made takes longer than a
/// tip to be held.
fn effort(suggestion: &Suggestion) -> f64 {
    let work = match suggestion.measurement {
        // The unit is in the hand already, and nothing is to be connected.
        Measurement::Volts { .. } => 0.0,
        Measurement::Look(look) => look.work(suggestion.mends),
        Measurement::Reading { .. } => 0.02,
        Measurement::Ohms { joined, .. } => 0.03 + if joined { 0.03 } else { 0.0 },
    };
    suggestion.settles - work
}

/// The setting in which a measurement is made with power.
fn powered(measurement: &Measurement) -> Option<&Setting> {
    match measurement {
        Measurement::Volts { setting, .. } | Measurement::Reading { setting, .. } => Some(setting),
        Measurement::Ohms { .. } | Measurement::Look(_) => None,
    }
}

/// A unit as one cause has it; it is measured in many places of few settings, each solved once.
struct Unit {
    built: Built,
    solved: RefCell<HashMap<Wiring, Rc<Response>>>,
    /// Whether it shorts its supply, by setting.
    shorted: RefCell<Vec<(Setting, bool)>>,
    /// The same with the value of its defect another by a standard deviation.
    moved: Option<Box<Unit>>,
}

impl Unit {
    fn of(board: &Board, cause: &Cause) -> Unit {
        let mut built = Built::good(board, Parts::nominal(board));
        cause.faults.iter().for_each(|&f| built.plant(board, f));
        let mut unit = Unit::new(built);
        unit.moved = moved(board, &cause.faults, cause.loose).map(|m| Box::new(Unit::new(m)));
        unit
    }

    fn new(built: Built) -> Unit {
        let (solved, shorted) = (RefCell::default(), RefCell::default());
        Unit { built, solved, shorted, moved: None }
    }

    fn shorts(&self, board: &Board, setting: &Setting) -> bool {
        let mut shorted = self.shorted.borrow_mut();
        if let Some((_, shorts)) = shorted.iter().find(|(known, _)| known == setting) {
            return *shorts;
        }
        let shorts = self.built.shorts(board, setting, &[]);
        shorted.push((setting.clone(), shorts));
        shorts
    }

    /// What a measurement shows, and its standard deviation, for which the value of the defect is
    /// as far known as it is.
    fn expected(&self, board: &Board, measurement: &Measurement) -> (f64, f64) {
        let (value, sd) = self.shows(board, measurement);
        let other = self.moved.as_ref().map_or(value, |m| m.shows(board, measurement).0);
        // What is open for another value is no matter of some ohms more.
        let loose = if other.is_finite() && value.is_finite() { other - value } else { 0.0 };
        (value, sd.hypot(loose))
    }

    fn shows(&self, board: &Board, measurement: &Measurement) -> (f64, f64) {
        let solve = |seat: Setting, closed: &[usize]| {
            let mut solved = self.solved.borrow_mut();
            let anew = |(seat, closed): &Wiring| {
                Rc::new(Response::new(board, &self.built.parts, seat, closed))
            };
            solved.entry((seat, closed.to_vec())).or_insert_with_key(anew).clone()
        };
        expected_by(board, &self.built, measurement, solve)
    }
}

/// Everything that can be measured and was not yet.
fn candidates(board: &Board, evidence: &Evidence) -> Vec<Measurement> {
    let mut found = Vec::new();
    for group in circuit::groups(board) {
        // Only the jumpers of its own group matter to a net; the others stay as delivered.
        let mut settings: Vec<Setting> = vec![board.delivery.clone()];
        for reading in &evidence.readings {
            let own = group.jumpers.iter().map(|&j| (j, reading.setting.0[j]));
            let setting = own.fold(board.delivery.clone(), |s, (j, place)| s.with(j, place));
            if !settings.contains(&setting) {
                settings.push(setting);
            }
        }
        for setting in &settings {
            let volts = |&net: &NetId| Measurement::Volts { net, setting: setting.clone() };
            found.extend(group.nets.iter().map(volts));
        }
    }
    let bare = Setting::all_open(board);
    let mut pairs: Vec<([NetId; 2], Setting)> = Vec::new();
    let mut add = |between: [NetId; 2], setting: Setting| {
        if between[0] != between[1] && !pairs.contains(&(between, setting.clone())) {
            pairs.push((between, setting));
        }
    };
    board.resistors.iter().for_each(|r| add(r.between, bare.clone()));
    // Where no channel reads codes, one value through shunt and resistors tells most of them apart.
    let delivery = &board.delivery;
    for group in circuit::groups(board).iter().filter(|g| !reads_codes(board, g)) {
        for &net in &group.nets {
            add([net, board.supply.ground], delivery.clone());
            add([net, board.supply.net], delivery.clone());
        }
    }
    for (jumper, j) in board.jumpers.iter().enumerate() {
        for (position, p) in j.positions.iter().enumerate() {
            for &between in &p.joins {
                add(between, bare.clone());
                add(between, bare.with(jumper, Place::At(position)));
            }
        }
    }
    for (between, setting) in pairs {
        for joined in [false, true] {
            found.push(Measurement::Ohms { between, setting: setting.clone(), joined });
        }
    }
    found.extend(untried(board, evidence));
    let known = |m: &Measurement| evidence.meter.iter().any(|known| known.is(m));
    found.retain(|m| !known(m));
    found
}

/// Whether a channel of a group reads codes.
fn reads_codes(board: &Board, group: &circuit::Group) -> bool {
    let analog = board.channels.iter().filter(|c| c.kind == Kind::Analog);
    analog.map(|c| c.net).any(|net| group.nets.contains(&net))
}

/// Settings one move from the delivery setting in which a channel was not read.
fn untried(board: &Board, evidence: &Evidence) -> Vec<Measurement> {
    let mut found = Vec::new();
    for (jumper, j) in board.jumpers.iter().enumerate() {
        for place in j.places() {
            let setting = board.delivery.with(jumper, place);
            let short = window_shorts(board, &setting);
            for (channel, c) in board.channels.iter().enumerate() {
                let read =
                    evidence.readings.iter().any(|r| r.channel == channel && r.setting == setting);
                if !read && !short && !matches!(c.kind, Kind::Meter { .. }) {
                    found.push(Measurement::Reading { channel, setting: setting.clone() });
                }
            }
        }
    }
    found
}

fn window_shorts(board: &Board, setting: &Setting) -> bool {
    crate::circuit::short(board, &Parts::nominal(board), setting, &[]).is_some()
}

/// Information that a measurement is expected to give on the cause, in nats: the bound of Kolchinsky
/// and Tracey with Bhattacharyya distances (Entropy 19, 2017, 361; from memory).
fn information(weights: &[f64], expected: &[(f64, f64)], measurement: &Measurement) -> f64 {
    if let Measurement::Look(_) = measurement {
        let yes: Vec<f64> = expected.iter().map(|(yes, _)| *yes).collect();
        return look::information(weights, &yes);
    }
    let total: f64 = weights.iter().sum();
    let ohms = matches!(measurement, Measurement::Ohms { .. });
    // Ohms span decades: their logarithm is what is normal.
    let seen = |&(value, sd): &(f64, f64)| match ohms {
        true if value >= OPEN_FROM => (OPEN_FROM.ln(), 0.01),
        true => ((value + 0.3).ln(), sd / (value + 0.3)),
        false => (value, sd),
    };
    let seen: Vec<(f64, f64)> = expected.iter().map(seen).collect();
    let mut sum = 0.0;
    for (&p, &(m, s)) in weights.iter().zip(&seen) {
        let overlap: f64 = weights
            .iter()
            .zip(&seen)
            .map(|(&q, &(n, t))| {
                let both = s * s + t * t;
                let distance = (m - n).powi(2) / (4.0 * both) + (both / (2.0 * s * t)).ln() / 2.0;
                q / total * (-distance).exp()
            })
            .sum();
        sum -= p / total * overlap.ln();
    }
    sum
}
