//! What a meter showed: what it says for and against a cause, and values that go with none.

use super::diagnosis::paragraph;
use super::diagnosis_class::class_line;
use super::diagnosis_next;
use super::diagnosis_points::{Point, would};
use crate::board::Board;
use crate::diagnose::{Apart, Diagnosis, Evidence, Measurement, Metered, OPEN_FROM, metered};
use crate::faults::Fault;
use crate::units::{Ohms, Volts};

/// Causes that are named of those that the rest does not tell apart.
const TOGETHER: usize = 2;

/// Values that speak for or against a cause: what speaks against it first, then what tells it from a
/// good unit; somebody measured the rest to tell it from other causes.
pub(super) fn points(board: &Board, evidence: &Evidence, faults: &[Fault]) -> Vec<Point> {
    let point = |m: &Metered| {
        let measurement = evidence.meter[m.meter].measurement();
        let shown = |ends: (f64, f64)| match ends {
            (low, high) if low == high => shown(&measurement, low),
            (low, high) => {
                format!("{} to {}", shown(&measurement, low), shown(&measurement, high))
            }
        };
        let what = diagnosis_next::measurement(board, &measurement);
        Point {
            how: if m.far() { "against" } else { "for" },
            what: format!("{what}: a meter shows {}", shown((m.read, m.read))),
            would: Some(would(&shown(m.predicted), &shown(m.good), faults.is_empty())),
        }
    };
    let mut each = metered(board, evidence, faults);
    each.sort_by_key(|m| (!m.far(), !m.tells()));
    each.iter().map(point).collect()
}

/// What to make of values that the leading cause does not give.
pub fn apart(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis, apart: &Apart) -> String {
    let named: Vec<String> = apart
        .meter
        .iter()
        .map(|&i| {
            let measurement = evidence.meter[i].measurement();
            let flag = diagnosis_next::flag(board, &measurement).unwrap_or_default();
            format!("{flag}={}", shown(&measurement, evidence.meter[i].value()))
        })
        .collect();
    let (values, it, do_not) = match &named[..] {
        [one] => (one.clone(), "it", "does not"),
        many => (many.join(", "), "them", "do not"),
    };
    let rest = apart.diagnosis.classes.first();
    let rest = rest.map(|class| class_line(board, class, true, TOGETHER));
    let rest = match (rest, apart.diagnosis.explained) {
        (Some(rest), true) => format!("Without {it} the rest says, {rest}."),
        (Some(rest), false) => {
            format!("Without {it} no modelled cause explains the rest either; the closest, {rest}.")
        }
        (None, _) => String::new(),
    };
    let why = match diagnosis.explained {
        true => "the cause that leads",
        false => "what else is known, and any modelled cause",
    };
    if apart.alone {
        let line = format!(
            "Measure again: {values} alone makes it so; a slip of range or key is as likely as a \
             defect that nothing else speaks for. {rest}"
        );
        return paragraph(line.trim_end(), 0);
    }
    let line = format!(
        "Measure again: {values} {do_not} go with {why}. The wrong net, another setting or a unit \
         that had power may be why. {rest}"
    );
    paragraph(line.trim_end(), 0)
}

fn shown(measurement: &Measurement, value: f64) -> String {
    exactly(matches!(measurement, Measurement::Ohms { .. }), value)
}

/// A value as a meter shows it.
pub fn exactly(ohms: bool, value: f64) -> String {
    match ohms {
        true if value >= OPEN_FROM => "open".to_string(),
        // A hand-held meter and its leads tell no less apart.
        true if value < 1.0 => "under 1 Ω".to_string(),
        true => Ohms(three_digits(value)).to_string(),
        false if value.abs() < 1e-4 => Volts(0.0).to_string(),
        false => Volts(three_digits(value)).to_string(),
    }
}

fn three_digits(value: f64) -> f64 {
    if value.abs() < 1e-9 {
        return 0.0;
    }
    let digit = 10f64.powf(value.abs().log10().floor() - 2.0);
    (value / digit).round() * digit
}
