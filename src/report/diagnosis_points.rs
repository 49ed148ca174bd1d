//! What speaks for and against the causes of a class, and for which of them it does where they
//! differ in it.

use super::diagnosis::{paragraph, places};
use super::{diagnosis_look, diagnosis_meter};
use crate::board::Board;
use crate::diagnose::{Aside, Cause, Compared, Evidence, Read, asides, compare};
use crate::faults::Fault;
use crate::units::Volts;

/// Readings named for and against a cause, and values of a meter.
const READINGS: usize = 3;
const VALUES: usize = 4;
/// Points of one kind named of a cause beside those that it shares with the rest of its class.
const OWN: usize = 2;

/// Codes by which a reading must miss to speak against something.
const MISSES: f64 = 6.0;

/// Something that was read, measured or answered, beside what a cause makes of it.
pub(super) struct Point {
    /// `for` or `against`.
    pub how: &'static str,
    /// What was read, measured or answered.
    pub what: String,
    /// What the cause would show, in words; none where the answer says it.
    pub would: Option<String>,
}

impl Point {
    fn is(&self, other: &Point) -> bool {
        self.how == other.how && self.what == other.what
    }

    fn line(&self, whose: &str) -> String {
        let Point { how, what, would } = self;
        let would = would.as_ref().map_or(String::new(), |would| format!(", {would}"));
        paragraph(&format!("{how}{whose}: {what}{would}"), 3)
    }
}

/// What speaks for and against the causes of a class.
pub(super) struct Points {
    /// A line each.
    pub text: String,
    /// Whether some are of a part of the causes, which are named by their letters then.
    pub differ: bool,
}

/// The letter of a cause in its class.
pub(super) fn letter(cause: usize) -> char {
    ('a'..='z').nth(cause).unwrap_or('z')
}

/// What speaks for and against causes that the readings do not tell apart: what all of them have in
/// common, then what is said of some of them, by their letters. Their fits are alike in sum, and may
/// differ in what they miss.
pub(super) fn of(board: &Board, evidence: &Evidence, causes: &[&Cause]) -> Points {
    let each: Vec<Vec<Kind>> = causes.iter().map(|c| kinds(board, evidence, c)).collect();
    let mut points = Points { text: String::new(), differ: false };
    let kinds = each.first().map_or(0, Vec::len);
    for kind in 0..kinds {
        let whose = |point: &Point| -> Vec<usize> {
            let has = |&c: &usize| each[c][kind].points.iter().any(|other| other.is(point));
            (0..causes.len()).filter(has).collect()
        };
        let Kind { most, points: first } = &each[0][kind];
        let common = first.iter().filter(|point| whose(point).len() == causes.len());
        points.text += &common.take(*most).map(|point| point.line("")).collect::<String>();
        let mut own: Vec<&Point> = Vec::new();
        for cause in &each {
            let mine = cause[kind].points.iter().filter(|p| whose(p).len() < causes.len());
            for point in mine.take(OWN) {
                if !own.iter().any(|known| known.is(point)) {
                    own.push(point);
                }
            }
        }
        points.differ |= !own.is_empty();
        for point in own {
            let letters: Vec<String> = whose(point).into_iter().map(|c| letter(c).into()).collect();
            points.text += &point.line(&format!(" {}", letters.join(", ")));
        }
    }
    points
}

/// Points of one kind, the weightiest first, each once, and how many of them are named.
struct Kind {
    most: usize,
    points: Vec<Point>,
}

/// All that speaks for and against a cause, by kinds.
fn kinds(board: &Board, evidence: &Evidence, cause: &Cause) -> Vec<Kind> {
    let compared = compare(board, evidence, cause);
    let good_unit = cause.faults.is_empty();
    // What the cause misses as well speaks for nothing, if it misses a good unit by more.
    let gives = |c: &&Compared| !good_unit && missed(c.read, c.predicted, c.loose) == 0.0;
    let speaks = compared.iter().filter(gives).map(|c| (evidently(c), c));
    let misses = compared.iter().map(|c| (missed(c.read, c.predicted, c.loose), c));
    let read = |how, found: Vec<(f64, &Compared)>| by_readings(board, evidence, how, found);
    let sure = |found: &(f64, &Compared)| found.0 > 0.0;
    let kind = |most, points: Vec<Point>| {
        let mut once: Vec<Point> = Vec::new();
        for point in points {
            if !once.iter().any(|known| known.is(&point)) {
                once.push(point);
            }
        }
        Kind { most, points: once }
    };
    vec![
        kind(usize::MAX, by_asides(board, evidence, cause)),
        kind(VALUES, diagnosis_meter::points(board, evidence, &cause.faults)),
        kind(READINGS, read(("for", false), speaks.filter(sure).collect())),
        kind(READINGS, read(("against", good_unit), misses.filter(sure).collect())),
    ]
}

/// Answers and loads that speak for or against a cause.
fn by_asides(board: &Board, evidence: &Evidence, cause: &Cause) -> Vec<Point> {
    let yes = |yes: bool| if yes { "yes" } else { "no" };
    let told = |agrees: bool, what: String| Point {
        how: if agrees { "for" } else { "against" },
        what,
        would: None,
    };
    let point = |aside: &Aside| match *aside {
        Aside::Question(question, [was, by, _]) => {
            let ask = &board.questions[question].ask;
            told(was == by, format!("'{ask}' was answered {}", yes(was)))
        }
        Aside::Load(load, sag, _) => by_load(board, load, sag, cause),
        Aside::Look(look, [was, by, _]) => {
            told(was == by, format!("{} {}", diagnosis_look::question(board, look), yes(was)))
        }
    };
    asides(board, evidence, &cause.faults).iter().map(point).collect()
}

/// What a load does to the supply, as a point.
fn by_load(board: &Board, load: usize, sag: Volts, cause: &Cause) -> Point {
    let of = &board.loads[load];
    let volts = |volts: f64| diagnosis_meter::exactly(false, volts);
    let (least, most) = of.sag;
    let good = format!("{} to {}", volts(least.0), volts(most.0));
    let dead = cause.faults.contains(&Fault::LoadDead { load });
    let shorted = cause.faults.contains(&Fault::LoadShorted { load });
    let (gives, by) = match (dead, shorted) {
        (true, _) => (sag.0.abs() < least.0, "none".to_string()),
        (_, true) => (sag.0 > most.0, format!("over {}", volts(most.0))),
        _ => ((least.0..=most.0).contains(&sag.0), good.clone()),
    };
    let what = match sag.0 {
        // So it is taken where the chip was reset as the load went on.
        sag if sag >= board.supply.volts.0 => "does not hold".to_string(),
        sag if sag < 0.0 => format!("rises by {}", volts(-sag)),
        sag => format!("sags by {}", volts(sag)),
    };
    Point {
        how: if gives { "for" } else { "against" },
        what: format!("with {} on the supply {what}", of.id),
        would: Some(would(&by, &good, cause.faults.is_empty())),
    }
}

/// How far a reading misses what is predicted, beyond what tolerances, noise and, by `loose` codes,
/// switches may do; open and driven differ without measure.
pub(super) fn missed(read: Option<f64>, predicted: Option<f64>, loose: f64) -> f64 {
    match (read, predicted) {
        (Some(a), Some(b)) => {
            let least = if a <= 1.0 && b <= 1.0 { 0.5 } else { MISSES + 0.02 * b + loose };
            ((a - b).abs() - least).max(0.0)
        }
        (None, None) => 0.0,
        _ => 1e3,
    }
}

/// By how much more a reading misses a good unit than it misses the cause.
fn evidently(compared: &Compared) -> f64 {
    plainly(compared).max(by_pull_up(compared))
}

/// The same without the pull-up.
fn plainly(compared: &Compared) -> f64 {
    missed(compared.read, compared.good, compared.loose)
        - missed(compared.read, compared.predicted, compared.loose)
}

/// The same with the pull-up on.
fn by_pull_up(compared: &Compared) -> f64 {
    let Some([read, predicted, good]) = compared.pulled else { return 0.0 };
    missed(Some(read), Some(good), compared.loose)
        - missed(Some(read), Some(predicted), compared.loose)
}

/// Readings as points, by how much they say; `good_unit` where it is one that they speak of.
fn by_readings(
    board: &Board,
    evidence: &Evidence,
    (how, good_unit): (&'static str, bool),
    mut found: Vec<(f64, &Compared)>,
) -> Vec<Point> {
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let point = |c: &Compared| {
        let reading = &evidence.readings[c.reading];
        let analog = matches!(reading.read, Read::Code { .. });
        let at = places(board, reading.channel, &reading.setting);
        let id = &board.channels[reading.channel].id;
        let (what, would) = match c.pulled {
            Some([read, predicted, good]) if how == "for" && by_pull_up(c) > plainly(c) => (
                format!("{id} {at} with the pull-up on reads {read:.0}"),
                would(&format!("{predicted:.0}"), &format!("{good:.0}"), good_unit),
            ),
            _ => (
                format!("{id} {at} reads {}", shown(c.read, analog)),
                would(&shown(c.predicted, analog), &shown(c.good, analog), good_unit),
            ),
        };
        Point { how, what, would: Some(would) }
    };
    found.iter().map(|(_, compared)| point(compared)).collect()
}

/// What a cause would show, beside a good unit where it is not that.
pub(super) fn would(cause: &str, good: &str, good_unit: bool) -> String {
    match good_unit {
        true => format!("with a good unit {good}"),
        false => format!("with this cause {cause}, with a good unit {good}"),
    }
}

fn shown(value: Option<f64>, analog: bool) -> String {
    match value {
        None => "open".into(),
        Some(x) if analog => format!("{x:.0}"),
        Some(x) if x >= 1.0 => "high".into(),
        Some(x) if x <= 0.0 => "low".into(),
        Some(_) => "between the levels".into(),
    }
}
