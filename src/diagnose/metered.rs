//! What a meter showed beside what a cause would have it show, and what to make of values that no
//! cause gives.

use super::evidence::{Evidence, Meter};
use super::measure::{LEAST_OHMS, Measurement, OHMS_SD, OPEN_FROM, between_ends, expected, off};
use super::{Cause, Class, Diagnosis, Options, SETTLED, diagnose};
use crate::board::Board;
use crate::circuit::Parts;
use crate::faults::{Built, Fault};

/// Standard deviations beyond which a value is none that a unit gives.
const FAR: f64 = 5.0;

/// One value of a meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Metered {
    /// Index into [`Evidence::meter`].
    pub meter: usize,
    /// What was shown, in volts or ohms; infinite for open.
    pub read: f64,
    /// What it would be with the cause: the least and the most, which are one where the unit's parts
    /// alone decide; ohms may depend on what lies between its rails.
    pub predicted: (f64, f64),
    /// What a good unit would give, likewise.
    pub good: (f64, f64),
    /// Standard deviations between what was shown and what the cause gives.
    pub misses: f64,
    /// The same for a good unit.
    pub misses_good: f64,
}

impl Metered {
    /// Whether the cause does not give this value.
    pub fn far(&self) -> bool {
        self.misses > FAR
    }

    /// Whether it tells the cause from a good unit.
    pub fn tells(&self) -> bool {
        (self.misses > FAR) != (self.misses_good > FAR)
    }
}

impl Meter {
    /// What was measured.
    pub fn measurement(&self) -> Measurement {
        match self.clone() {
            Meter::Volts { net, setting, .. } => Measurement::Volts { net, setting },
            Meter::Ohms { between, setting, joined, .. } => {
                Measurement::Ohms { between, setting, joined }
            }
        }
    }

    /// What was shown, in volts or ohms.
    pub fn value(&self) -> f64 {
        match self {
            Meter::Volts { volts, .. } => volts.0,
            Meter::Ohms { ohms, .. } => ohms.0,
        }
    }

    /// Whether another value is of the same thing.
    pub fn same(&self, other: &Meter) -> bool {
        match (self, other) {
            (
                Meter::Ohms { between: [a, b], setting, joined, .. },
                Meter::Ohms { between, setting: s, joined: j, .. },
            ) => {
                let ends = between == &[*a, *b] || between == &[*b, *a];
                ends && setting == s && joined == j
            }
            _ => self.measurement() == other.measurement(),
        }
    }

    /// Whether two values of the same thing are farther apart than a hand-held meter shows them.
    pub fn contradicts(&self, board: &Board, other: &Meter) -> bool {
        let ohms = matches!(self, Meter::Ohms { .. });
        let (a, b) = (self.value(), other.value());
        let sd = match ohms {
            true => OHMS_SD.of(a).hypot(OHMS_SD.of(b)),
            false => 0.005 * board.supply.volts.0,
        };
        self.same(other) && away(ohms, a, b, sd) > FAR
    }
}

/// Every value of a meter beside what a cause and a good unit give; the supply's own is none of
/// theirs.
pub fn metered(board: &Board, evidence: &Evidence, faults: &[Fault]) -> Vec<Metered> {
    let good = Built::good(board, Parts::nominal(board));
    let mut built = good.clone();
    faults.iter().for_each(|&f| built.plant(board, f));
    let supply = evidence.metered_supply(board).or(evidence.fed_by);
    let share = supply.map_or(1.0, |volts| volts.0 / board.supply.volts.0);
    let loose = if supply.is_some() { 0.0 } else { board.supply.tolerance.0 / 3f64.sqrt() };
    let one = |(meter, m): (usize, &Meter)| {
        let own = matches!(m, Meter::Volts { net, .. } if *net == board.supply.net);
        let ohms = matches!(m, Meter::Ohms { .. });
        let (read, measurement) = (m.value(), m.measurement());
        // What a unit gives, and how far what was read is from it.
        let by = |unit: &Built| {
            if let Some((ends, spread)) = between_ends(board, unit, &measurement) {
                return (ends, outside(read, ends, spread));
            }
            let (value, sd) = expected(board, unit, &measurement);
            let (value, sd) = match ohms {
                true => (value, sd),
                false => (share * value, sd.hypot(loose * value)),
            };
            ((value, value), away(ohms, read, value, sd))
        };
        let ((predicted, misses), (of_good, misses_good)) = (by(&built), by(&good));
        (!own).then_some(Metered { meter, read, predicted, good: of_good, misses, misses_good })
    };
    evidence.meter.iter().enumerate().filter_map(one).collect()
}

/// Deviations by which ohms lie outside two ends, each of which is uncertain by a share.
fn outside(read: f64, (low, high): (f64, f64), spread: f64) -> f64 {
    let far = |end: f64| away(true, read, end, spread * end + LEAST_OHMS);
    match read {
        _ if read < low => far(low),
        _ if read > high.min(OPEN_FROM) && high < OPEN_FROM => far(high),
        _ => 0.0,
    }
}

/// Deviations between two values; ohms span decades, and open is far from all that is not.
fn away(ohms: bool, a: f64, b: f64, sd: f64) -> f64 {
    match (ohms, a >= OPEN_FROM, b >= OPEN_FROM) {
        (false, ..) => (a - b).abs() / sd,
        (true, true, true) => 0.0,
        (true, false, false) => (off(a, b) / (sd / (b + LEAST_OHMS))).abs(),
        (true, ..) => f64::INFINITY,
    }
}

impl Evidence {
    /// Takes a value of a meter in place of an earlier one of the same, which it gives back: somebody
    /// measured again. The same value a second time is confirmed.
    pub fn measured(&mut self, board: &Board, meter: Meter) -> Option<Meter> {
        let at = self.meter.iter().position(|known| known.same(&meter));
        let known = at.map(|at| self.meter.remove(at));
        self.confirmed.retain(|known| !known.same(&meter));
        if known.as_ref().is_some_and(|known| !known.contradicts(board, &meter)) {
            self.confirmed.push(meter.clone());
        }
        self.meter.push(meter);
        known
    }
}

/// Values of a meter that do not go with the rest, or alone decide against it, and what the rest
/// says.
#[derive(Clone, Debug, PartialEq)]
pub struct Apart {
    /// Indices into [`Evidence::meter`].
    pub meter: Vec<usize>,
    /// Whether the leading cause gives the value, and nothing else speaks for that cause.
    pub alone: bool,
    /// What is known without them.
    pub evidence: Evidence,
    /// What it says.
    pub diagnosis: Diagnosis,
}

/// Sets the values of a meter apart that the leading cause does not give, or the one that alone makes
/// it lead; none where there are none.
pub fn set_apart(
    board: &Board,
    evidence: &Evidence,
    options: &Options,
    diagnosis: &Diagnosis,
) -> Option<Apart> {
    let leading = diagnosis.classes.first()?.causes.first()?;
    let each = metered(board, evidence, &leading.faults);
    let meter: Vec<usize> = each.iter().filter(|m| m.far()).map(|m| m.meter).collect();
    if meter.is_empty() {
        return decides_alone(board, evidence, options, leading, &each);
    }
    without(board, evidence, options, meter, false)
}

/// What the rest says without some values.
fn without(
    board: &Board,
    evidence: &Evidence,
    options: &Options,
    meter: Vec<usize>,
    alone: bool,
) -> Option<Apart> {
    let mut rest = evidence.clone();
    let mut index = 0..;
    rest.meter.retain(|_| index.next().is_none_or(|i| !meter.contains(&i)));
    if rest.is_empty() {
        return None;
    }
    let diagnosis = diagnose(board, &rest, options);
    Some(Apart { meter, alone, evidence: rest, diagnosis })
}

/// The value without which all the rest settles on something else: a slip of the hands, one time in a
/// hundred, is about as likely as a defect that nothing else speaks for. Measured twice it is none.
fn decides_alone(
    board: &Board,
    evidence: &Evidence,
    options: &Options,
    leading: &Cause,
    each: &[Metered],
) -> Option<Apart> {
    if leading.probability < SETTLED {
        return None;
    }
    let once = |m: &&Metered| {
        m.tells() && !evidence.confirmed.iter().any(|c| c.same(&evidence.meter[m.meter]))
    };
    let candidates = each.iter().filter(once);
    let apart = candidates.filter_map(|m| without(board, evidence, options, vec![m.meter], true));
    let settled = |apart: &Apart| {
        let other = |class: &Class| {
            let like = |c: &&Cause| match leading.loose {
                Some(_) => c.is_at(leading),
                None => c.faults == leading.faults,
            };
            let same = class.causes.iter().filter(like);
            let before: f64 = same.map(|cause| cause.probability).sum();
            class.probability > SETTLED && before < 1.0 - SETTLED
        };
        apart.diagnosis.explained && apart.diagnosis.classes.first().is_some_and(other)
    };
    apart.into_iter().find(settled)
}
