//! What somebody is told from one measurement to the next: how it stands, and what is asked.

use super::diagnosis::{nothing_to_lift, paragraph, places};
use super::diagnosis_class::class_line;
use super::diagnosis_next::NOTHING;
use super::{diagnosis_look, diagnosis_next, wrap};
use crate::board::Board;
use crate::diagnose::{Diagnosis, Evidence, Look, Measurement, Suggestion};

/// Classes that are named on the way, and how likely one must be.
const NAMED: usize = 3;
const WORTH_NAMING: f64 = 0.01;

/// Causes that are named of those that the readings do not tell apart.
const TOGETHER: usize = 2;

/// How it stands, in a line or two of a width.
pub fn so_far(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis, width: usize) -> String {
    let mut out = match diagnosis.explained {
        true => String::new(),
        false => "no modelled cause explains these readings so far; the closest:\n".to_string(),
    };
    let worth = diagnosis.classes.iter().filter(|class| class.probability > WORTH_NAMING);
    for class in worth.take(NAMED) {
        let line = class_line(board, class, diagnosis.explained, TOGETHER);
        out += &paragraph(&format!("so far {line}"), 0);
    }
    if nothing_to_lift(board, evidence, diagnosis) {
        out += &paragraph(&format!("{NOTHING} What is asked tells more of the rest."), 0);
    }
    wrap::page(&out, width)
}

/// What is asked of a person at the unit: in a run of its own where it is `live`, since the probe
/// can be asked there.
pub fn question(board: &Board, measurement: &Measurement, live: bool) -> String {
    let jumper = |j: usize| board.jumpers[j].id.as_str();
    match *measurement {
        Measurement::Reading { channel, ref setting } if live => {
            let id = &board.channels[channel].id;
            format!("read {id} with {}", places(board, channel, setting))
        }
        Measurement::Look(Look::Answer { question }) if live => {
            format!("{}{}", lit_by(board, question), board.questions[question].ask)
        }
        Measurement::Look(Look::Lamp { question, resistor }) if live => {
            let id = &board.resistors[resistor].id;
            format!("{}is the lamp at {id} lit?", lit_by(board, question))
        }
        Measurement::Look(Look::OtherShunt { jumper: j, position }) if live => {
            let place = &board.jumpers[j].positions[position].name;
            format!("another shunt on {} at {place}: does it read as it should?", jumper(j))
        }
        Measurement::Look(look) if live => diagnosis_look::question(board, look),
        _ => diagnosis_next::measurement(board, measurement),
    }
}

/// The switches that are closed for a question.
fn lit_by(board: &Board, question: usize) -> String {
    let closes = board.questions[question].closes.iter();
    let ids: Vec<&str> = closes.map(|&s| board.switches[s].id.as_str()).collect();
    match ids.is_empty() {
        true => String::new(),
        false => format!("while {} is closed: ", ids.join(" and ")),
    }
}

/// What is asked next, and what it should show, in lines of a width.
pub fn asked(
    board: &Board,
    diagnosis: &Diagnosis,
    suggestion: &Suggestion,
    live: bool,
    width: usize,
) -> String {
    let measurement = &suggestion.measurement;
    if let Some(first) = &suggestion.supply_first {
        let what = diagnosis_next::measurement(board, first);
        let then = diagnosis_next::measurement(board, measurement);
        let first = paragraph(&format!("First: {what}"), 0);
        let then = paragraph(&format!("(a share of it comes next: {then})"), 3);
        return wrap::page(&(first + &then), width);
    }
    let what = question(board, measurement, live);
    let next = match measurement {
        Measurement::Look(_) | Measurement::Reading { .. } => "Next",
        _ => "Measure next",
    };
    let expected = diagnosis_next::expectations(board, diagnosis, suggestion);
    wrap::page(&(paragraph(&format!("{next}: {what}"), 0) + &expected), width)
}
