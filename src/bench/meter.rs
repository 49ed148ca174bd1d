//! Resistances that a person reads on a meter and types: what was typed, and its verdict.
//!
//! The bands of such a channel are those of what a meter shows, its error included, so that a value
//! is held against them as it is: an error stands in the band or in the uncertainty, never in both.

use super::{Check, Driven, Mode, Rule, TypedIn, Verdict};
use crate::board::{Board, Kind, Setting};
use crate::circuit::Node;
use crate::units::{self, Allow, Ohms, Volts};
use crate::window::{self, Band, Class, Expected, Limits, Windows};

/// What an operator said about a reading.
#[derive(Clone, Debug, PartialEq)]
pub enum Said {
    /// What the meter shows.
    Value(TypedIn),
    /// It cannot be measured.
    Skip,
}

/// How meters and people write 'over range'.
const OVER_RANGE: [&str; 8] = ["ol", "0l", "o.l", "0.l", "o.l.", "open", "inf", "∞"];

/// The word for a reading that cannot be taken.
const SKIP: &str = "skip";

/// Whether something typed stands for more than a meter's range: an open circuit.
pub fn over_range(text: &str) -> bool {
    OVER_RANGE.contains(&text.trim().to_lowercase().as_str())
}

/// Reads what was typed: ohms as people write them (`4k7`, `4.7k`, `470`, `1M`), `OL` or `open` for
/// over range, `skip`.
///
/// # Errors
/// Says what is wrong with it and how a resistance is written.
pub fn read(text: &str) -> Result<Said, String> {
    let text = text.trim();
    let word = text.to_lowercase();
    let value = |ohms| Ok(Said::Value(TypedIn { text: text.to_string(), ohms }));
    match word.as_str() {
        "" => Err("nothing was typed: type what the meter shows, or skip".into()),
        SKIP => Ok(Said::Skip),
        _ if over_range(text) => value(Ohms(f64::INFINITY)),
        _ => match units::read::<Ohms>(text, Allow::NonNegative) {
            Ok(ohms) => value(ohms),
            Err(misread) => Err(format!("{misread}; OL is over range, skip leaves it out")),
        },
    }
}

/// How often a value is asked for before it counts as not tested: whoever types, the run ends.
pub(super) const MOST_TRIES: u8 = 20;

/// Whether a value is what was typed before, so that it is no slip of the fingers: within 5 %, since a
/// tip that is held anew shows a little else (advice of our own).
pub(super) fn same(before: Option<Ohms>, now: Ohms) -> bool {
    before.is_some_and(|before| alike(before.0, now.0))
}

/// The same of volts.
pub(super) fn same_volts(before: Option<Volts>, now: Volts) -> bool {
    before.is_some_and(|before| alike(before.0, now.0))
}

fn alike(before: f64, now: f64) -> bool {
    let finite = before.is_finite() && now.is_finite();
    before == now || (finite && (before - now).abs() <= 0.05 * before.max(now))
}

/// Judges what was typed of supply to ground: nothing about options, only whether it may be what a
/// good unit shows.
pub(super) fn rails(board: &Board, band: Band, typed: Option<&TypedIn>) -> (Verdict, String) {
    let [net, ground] = [board.supply.net, board.supply.ground].map(|net| board.net_name(net));
    let (low, high) = (Ohms(band.low), Ohms(band.high));
    let range = match band.high.is_finite() {
        true => format!("{low} to {high}"),
        false => format!("{low} or more"),
    };
    let Some(ohms) = typed.map(|t| t.ohms) else {
        let to_do = format!("measure {net} to {ground} with a meter, the power off: {range}");
        return (Verdict::NotTested, to_do);
    };
    let what = match ohms {
        ohms if ohms < low => "something shorts the supply, or loads it",
        ohms if ohms > high => "parts between them are missing, or the tips had no contact",
        _ => return (Verdict::Pass, String::new()),
    };
    (Verdict::Fail, format!("{net} to {ground}: {ohms} is outside {range}: {what}"))
}

/// Judges what was typed of a channel in a setting; nothing typed is not tested.
pub fn judge(
    board: &Board,
    windows: &Windows,
    setting: &Setting,
    channel: usize,
    typed: Option<TypedIn>,
) -> Check {
    let expected = window::expect(board, setting, channel);
    let of = &windows.channels[channel];
    let class = of.class_of_setting(setting).map(|c| &of.classes[c]);
    let band = expected.design;
    let limits = match class {
        Some(class) => class.limits.clone(),
        None => Limits::Ohms { low: Ohms(band.low), high: Ohms(band.high) },
    };
    let mut check = Check {
        channel,
        mode: Mode::Meter,
        kind: board.channels[channel].kind,
        pull_up: false,
        on: Vec::new(),
        burst: None,
        rule: Rule::TypedIn,
        typed,
        pull_up_shift: None,
        driven: Driven::NotShown,
        u_code: None,
        k: None,
        expected_code: matches!(expected.node, Node::Driven { .. }).then_some(expected.code),
        bench_band: Some(expected.bench),
        limits: Some(limits),
        limit_source: class.map_or("design band, no option", |c| c.by).to_string(),
        position: name(board, setting, class),
        option_expected: class.and_then(|c| c.means.clone()),
        option_read: None,
        margin_code: None,
        margin_pct: None,
        remaining_code: None,
        verdict: Verdict::NotTested,
        reason: String::new(),
    };
    let Some(ohms) = check.typed.as_ref().map(|t| t.ohms) else {
        check.reason = to_do(board, &check);
        return check;
    };
    // A setting that stands for no option is measured for its parts.
    check.option_read =
        class.and_then(|_| of.class_of_ohms(ohms)).and_then(|c| of.classes[c].means.clone());
    check.margin_pct = margin(&check, &expected, ohms);
    (check.verdict, check.reason) = verdict(windows, &check, &expected, ohms);
    check
}

/// The option, or where none is meant the jumpers that are not as delivered.
fn name(board: &Board, setting: &Setting, class: Option<&Class>) -> String {
    if let Some(means) = class.and_then(|c| c.means.clone()) {
        return means;
    }
    let moved = board.jumpers.iter().zip(setting.0.iter().zip(&board.delivery.0));
    let moved = moved.filter(|(_, (now, delivered))| now != delivered);
    let places: Vec<String> =
        moved.map(|(j, (&now, _))| format!("{}={}", j.id, j.place_name(now))).collect();
    if places.is_empty() { "as delivered".into() } else { places.join(" ") }
}

/// What is left to do where nothing was typed.
fn to_do(board: &Board, check: &Check) -> String {
    let channel = &board.channels[check.channel];
    let Kind::Meter { against, .. } = channel.kind else { return "no reading".into() };
    let [a, b] = [channel.net, against].map(|net| board.net_name(net));
    let range = match check.limits {
        Some(Limits::Ohms { low, high }) => format!("{low} to {high}"),
        _ => "what `windows` says".into(),
    };
    format!("measure {a} to {b} with a meter, the power off: {range}")
}

/// The rule itself, worst first: the option by the window, the parts by the bench band.
fn verdict(windows: &Windows, check: &Check, expected: &Expected, ohms: Ohms) -> (Verdict, String) {
    let Some(Limits::Ohms { low, high }) = check.limits else {
        return (Verdict::NotTested, "this channel has no limits in ohms".into());
    };
    if ohms < low || ohms > high {
        let of = &windows.channels[check.channel];
        let reads = match of.class_of_ohms(ohms).map(|c| &of.classes[c]) {
            Some(class) => class.means.clone().unwrap_or_else(|| class.name.clone()),
            None => "no option".into(),
        };
        return (Verdict::Fail, format!("{ohms} is outside {low} to {high}: reads as {reads}"));
    }
    let (low, high) = (Ohms(expected.bench.low), Ohms(expected.bench.high));
    if ohms < low || ohms > high {
        let what = format!("{ohms} is outside {low} to {high}, where good parts lie");
        return (Verdict::Marginal, what);
    }
    (Verdict::Pass, String::new())
}

/// From the value to the nearest limit in percent of the nominal unit's distance; none where that
/// is an open circuit.
fn margin(check: &Check, expected: &Expected, ohms: Ohms) -> Option<f64> {
    let Some(Limits::Ohms { low, high }) = check.limits else { return None };
    let side = |distance: f64, nominal: f64| 100.0 * distance / nominal.max(1e-9);
    let sides = [
        (low.0 > 0.0).then(|| side(ohms.0 - low.0, expected.code - low.0)),
        high.0.is_finite().then(|| side(high.0 - ohms.0, high.0 - expected.code)),
    ];
    sides.into_iter().flatten().filter(|m| m.is_finite()).reduce(f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ohms(text: &str) -> f64 {
        match read(text) {
            Ok(Said::Value(typed)) => typed.ohms.0,
            other => panic!("{text}: {other:?}"),
        }
    }

    #[test]
    fn values_are_read_as_people_write_them() {
        // IEC 60062 for the letter in place of the point; the rest is common practice, no source.
        for (text, value) in [("4k7", 4700.0), (" 4.7k ", 4700.0), ("470", 470.0), ("1M", 1e6)] {
            assert_eq!(ohms(text), value, "{text}");
        }
        for text in ["OL", "ol", "0L", "O.L", "open", "∞"] {
            assert_eq!(ohms(text), f64::INFINITY, "{text}");
        }
        assert_eq!(ohms("0"), 0.0, "a short");
        assert_eq!(read("SKIP"), Ok(Said::Skip));
    }

    #[test]
    fn what_is_no_resistance_is_refused_in_words() {
        for text in ["", "abc", "4,7k", "-5", "5V", "4k7k", "1e3", "nan", "infinity", "1 m"] {
            let why = read(text).expect_err(text);
            assert!(why.contains("skip"), "{text}: {why}");
        }
    }
}
