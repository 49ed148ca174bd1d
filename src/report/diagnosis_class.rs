//! A class of causes in a line: one way to say it, wherever it is said.

use super::diagnosis::sentence;
use crate::board::Board;
use crate::diagnose::{Cause, Class, SETTLED};

/// How likely a cause of a class must be beside the first to be named.
const WORTH_NAMING: f64 = 0.02;

/// The causes of a class that are likely enough to be named, likeliest first; one alone where it is
/// the answer, whatever else would read alike.
pub(super) fn alike(class: &Class) -> Vec<&Cause> {
    if let Some(first) = class.causes.first().filter(|first| first.probability > SETTLED) {
        return vec![first];
    }
    let least = WORTH_NAMING * class.causes.first().map_or(0.0, |first| first.probability);
    class.causes.iter().filter(|cause| cause.probability > least).collect()
}

/// The cause that a class is named by: the good unit, whose readings say that of all the others
/// nothing shows, else the likeliest.
pub(super) fn shown_first(class: &Class) -> Option<&Cause> {
    let good = class.causes.iter().find(|cause| cause.faults.is_empty());
    good.or(class.causes.first())
}

/// What is stated of a class: the probability of all its causes, or of the one that is the answer.
pub(super) fn stated(class: &Class, first: &Cause, alike: &[&Cause]) -> f64 {
    match alike.len() == 1 && !first.faults.is_empty() && first.probability > SETTLED {
        true => first.probability,
        false => class.probability,
    }
}

/// A class by the cause that it is named by. Where defects are left that do not show, nobody says
/// that nothing is wrong.
pub(super) fn class_sentence(board: &Board, class: &Class, first: &Cause) -> String {
    match first.faults.is_empty() && class.causes.len() > 1 {
        true => "a good unit, or a defect that these readings do not show".to_string(),
        false => sentence(board, first),
    }
}

/// A probability for people: no certainty that there is not, and where nothing fits one among the
/// modelled causes alone.
pub fn percent(probability: f64, explained: bool) -> String {
    let shown = match probability {
        p if p > 0.999 => "over 99.9 %".to_string(),
        p if p < 0.001 => "under 0.1 %".to_string(),
        p => format!("{:.1} %", 100.0 * p),
    };
    if explained { shown } else { format!("{shown} of what is modelled") }
}

/// A class in a line. Where the readings do not tell several causes apart, the probability is that
/// of all of them: so many of them are named, and how many there are.
pub fn class_line(board: &Board, class: &Class, explained: bool, named: usize) -> String {
    let Some(first) = shown_first(class) else { return percent(class.probability, explained) };
    let (alike, many) = (alike(class), class.causes.len());
    let percent = percent(stated(class, first, &alike), explained);
    if alike.len() > 1 && !first.faults.is_empty() {
        let shown: Vec<String> = alike.iter().take(named).map(|c| sentence(board, c)).collect();
        let more = match many - shown.len() {
            0 => String::new(),
            more => format!("; or {more} more"),
        };
        let what = format!("one of these {many}, not separable by these readings");
        return format!("{percent}: {what}: {}{more}", shown.join("; or "));
    }
    let others = match (many, first.faults.is_empty()) {
        (1, _) | (2, true) => String::new(),
        (many, true) => format!(" ({} of them)", many - 1),
        (many, false) => format!(" (or {} more, less likely)", many - 1),
    };
    format!("{percent}: {}{others}", class_sentence(board, class, first))
}
