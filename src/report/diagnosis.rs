//! Which part to lift, in words: causes with their odds, what speaks for and against each, and what
//! to measure next.

use super::diagnosis_class::{alike, class_sentence, percent, shown_first, stated};
use super::diagnosis_points::missed;
use super::{diagnosis_beside, diagnosis_next, diagnosis_points, exchanged, wrap};
use crate::board::{Board, NetId, Setting};
use crate::circuit;
use crate::diagnose::{
    Cause, Class, Compared, Diagnosis, Evidence, Metered, Read, SETTLED, Suggestion, beside,
    compare, metered,
};
use crate::faults::Fault;
use crate::units::Ohms;
use std::collections::BTreeMap;

/// Classes of causes that are shown.
pub(super) const SHOWN: usize = 5;
/// Causes of one class that are named.
pub(super) const NAMED: usize = 6;
/// A class less likely than this is not shown behind the first.
const WORTH_SHOWING: f64 = 0.002;
/// Narrowest and widest strip that draws a reading, and what stands beside it: two bars, a blank,
/// and up to five signs of what is open.
const STRIP: (usize, usize) = (15, 41);
const BESIDE: usize = 10;
/// Readings drawn in the text.
const DRAWN: usize = 24;

/// A cause in a sentence.
pub fn sentence(board: &Board, cause: &Cause) -> String {
    let Some((first, rest)) = cause.faults.split_first() else {
        return "nothing is wrong with the unit".into();
    };
    if let Some(both) = exchanged::both(board, cause) {
        return told(board, both);
    }
    let mut text = told(board, *first);
    if let Some(sd) = cause.loose {
        text += &match 100.0 * (sd.exp() - 1.0) {
            percent if percent < 0.5 => " (give or take under 1 %)".to_string(),
            percent => format!(" (give or take {percent:.0} %)"),
        };
    }
    for fault in rest {
        text += &format!(", and {}", told(board, *fault));
    }
    text
}

/// A defect, as somebody with a board in hand would say it.
fn told(board: &Board, fault: Fault) -> String {
    let r = |r: usize| &board.resistors[r];
    match fault {
        Fault::ResistorValue { resistor, ohms } => {
            let (r, ratio) = (r(resistor), ohms.0 / r(resistor).ohms.0);
            let about = match ratio {
                x if x >= 5.0 => format!(" is about {x:.0} times its value"),
                x if x <= 0.2 => format!(" is about 1/{:.0} of its value", 1.0 / x),
                _ => " is another value".to_string(),
            };
            format!("{}{about}: {ohms} fitted for {}", r.id, r.ohms)
        }
        Fault::ResistorOff { resistor, ratio } => {
            let r = r(resistor);
            match telling(r.ohms.0 * ratio, r.ohms.0) {
                Some(ohms) => format!("{} has some {} instead of {}", r.id, Ohms(ohms), r.ohms),
                None => format!("{} is off its {} by under 0.1 %", r.id, r.ohms),
            }
        }
        Fault::ContactResistive { jumper, position, ohms } => {
            let ohms = Ohms(rounded(ohms.0));
            Fault::ContactResistive { jumper, position, ohms }.text(board)
        }
        Fault::PinLeaks { channel, to, ohms } => {
            Fault::PinLeaks { channel, to, ohms: Ohms(rounded(ohms.0)) }.text(board)
        }
        Fault::PinsBridged { ohms, .. }
        | Fault::HeadersBridged { ohms, .. }
        | Fault::ChannelsBridged { ohms, .. }
            if ohms.0 > 1.0 =>
        {
            format!("{} by some {}", fault.text(board), Ohms(rounded(ohms.0)))
        }
        other => other.text(board),
    }
}

/// Two digits: more would be a false promise.
pub(super) fn rounded(x: f64) -> f64 {
    digits(x, 2)
}

fn digits(x: f64, count: i32) -> f64 {
    let digit = 10f64.powi(x.abs().log10().floor() as i32 + 1 - count);
    (x / digit).round() * digit
}

/// A value that differs from another, with no more digits than show that it does; none where four
/// do not.
fn telling(x: f64, other: f64) -> Option<f64> {
    (2..=4).map(|count| digits(x, count)).find(|shown| (shown / other - 1.0).abs() > 5e-4)
}

/// The places of the jumpers that a channel depends on.
pub fn places(board: &Board, channel: usize, setting: &Setting) -> String {
    own_places(board, board.channels[channel].net, setting)
}

pub(super) fn own_places(board: &Board, net: NetId, setting: &Setting) -> String {
    let group = circuit::group_of(board, net);
    let jumpers = group.map_or(Vec::new(), |g| g.jumpers);
    let place = |&j: &usize| {
        let jumper = &board.jumpers[j];
        format!("{}={}", jumper.id, jumper.place_name(setting.0[j]))
    };
    jumpers.iter().map(place).collect::<Vec<String>>().join(" ")
}

/// The whole of it for people, broken to `width` columns.
pub fn text(
    board: &Board,
    evidence: &Evidence,
    diagnosis: &Diagnosis,
    next: &[Suggestion],
    width: usize,
) -> String {
    let mut out = unread(board, evidence) + &verdict(diagnosis);
    let worth = |(i, class): &(usize, &Class)| *i == 0 || class.probability > WORTH_SHOWING;
    for (i, class) in diagnosis.classes.iter().take(SHOWN).enumerate().filter(worth) {
        out += &class_text(board, evidence, i + 1, class, diagnosis.explained);
    }
    out += &drawn(board, evidence, diagnosis, width);
    out += &diagnosis_beside::text(board, &beside(board, evidence, leading(diagnosis)));
    let good = nothing_to_lift(board, evidence, diagnosis);
    out += &diagnosis_next::text(board, evidence, diagnosis, next, good);
    for why in &evidence.left_out {
        out += &paragraph(&format!("not used: {why}"), 0);
    }
    wrap::page(&out, width)
}

/// Whether all was read and as a good unit has it, so that no part is to be lifted: what is left are
/// defects that these readings do not show.
pub(super) fn nothing_to_lift(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis) -> bool {
    let good = diagnosis.classes.first().is_some_and(|class| {
        let good = shown_first(class).is_some_and(|cause| cause.faults.is_empty());
        good && class.probability > SETTLED
    });
    // A value that goes with nothing is to be measured again.
    let goes = || !metered(board, evidence, leading(diagnosis)).iter().any(Metered::far);
    diagnosis.explained
        && good
        && evidence.rows.failed.is_empty()
        && evidence.is_whole(board)
        && goes()
}

/// The defects of the cause that the likeliest class is named by: none where that is a good unit.
pub(super) fn leading(diagnosis: &Diagnosis) -> &[Fault] {
    let first = diagnosis.classes.first().and_then(shown_first);
    first.map_or(&[], |cause| &cause.faults)
}

/// What the rows of a record without any reading speak of.
pub fn beside_text(board: &Board, evidence: &Evidence) -> String {
    diagnosis_beside::text(board, &beside(board, evidence, &[]))
}

/// That nothing fits; none where something does.
pub(super) fn unexplained(diagnosis: &Diagnosis) -> Option<String> {
    let once = 1.0 / diagnosis.fit.max(1e-12);
    (!diagnosis.explained).then(|| {
        format!(
            "No modelled cause explains these readings (a fit as bad as the best one's comes by \
             chance once in {once:.0e}). The closest:"
        )
    })
}

/// Channels of which no reading is known, said.
fn unread(board: &Board, evidence: &Evidence) -> String {
    let unread = evidence.unread(board).into_iter();
    let ids: Vec<&str> = unread.map(|c| board.channels[c].id.as_str()).collect();
    match ids.is_empty() {
        true => String::new(),
        false => {
            let were = if ids.len() == 1 { "was" } else { "were" };
            let words = format!("{were} never read, so what shows there alone stays open");
            paragraph(&format!("note: {} {words}", ids.join(", ")), 0) + "\n"
        }
    }
}

fn verdict(diagnosis: &Diagnosis) -> String {
    match unexplained(diagnosis) {
        None => String::new(),
        Some(words) => paragraph(&words, 0),
    }
}

fn class_text(
    board: &Board,
    evidence: &Evidence,
    number: usize,
    class: &Class,
    explained: bool,
) -> String {
    let Some(first) = shown_first(class) else { return String::new() };
    let alike = alike(class);
    let percent = percent(stated(class, first, &alike), explained);
    if !first.faults.is_empty() && alike.len() > 1 {
        // The probability is that of all of them together.
        let what = "one of these, not separable by these readings";
        let shown = &alike[..alike.len().min(NAMED)];
        let points = diagnosis_points::of(board, evidence, shown);
        return paragraph(&format!("{number}. {percent}: {what}"), 0)
            + &listed(board, class, shown, points.differ)
            + &points.text;
    }
    let what = class_sentence(board, class, first);
    let mut out = paragraph(&format!("{number}. {percent}: {what}"), 0);
    if first.faults.is_empty() && class.causes.len() > 1 {
        let others = alike.iter().filter(|c| !c.faults.is_empty()).take(NAMED);
        let named: Vec<String> = others.map(|c| sentence(board, c)).collect();
        let more = match class.causes.len() - 1 - named.len() {
            0 => String::new(),
            more if named.is_empty() => format!("{more} unlikely ones"),
            more => format!("; and {more} less likely"),
        };
        let named = named.join("; ");
        out += &paragraph(&format!("not shown by these readings: {named}{more}"), 3);
    }
    out += &exchanged::elsewhere(board, first);
    out + &diagnosis_points::of(board, evidence, &[first]).text
}

/// The causes of a class, a line each, likeliest first; with a letter each where what speaks for
/// and against them names them by it.
fn listed(board: &Board, class: &Class, shown: &[&Cause], lettered: bool) -> String {
    let sign = |i: usize| match lettered {
        true => format!("{})", diagnosis_points::letter(i)),
        false => "-".to_string(),
    };
    let line = |(i, cause): (usize, &&Cause)| format!("{} {}", sign(i), sentence(board, cause));
    let mut lines: Vec<String> = shown.iter().enumerate().map(line).collect();
    match class.causes.len() - lines.len() {
        0 => {}
        more => lines.push(format!("- {more} more, less likely")),
    }
    lines.iter().map(|line| paragraph(line, 3)).collect()
}

/// Readings in which the leading causes or a good unit differ, each as a strip of the scale.
fn drawn(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis, width: usize) -> String {
    let rows = strips(board, evidence, diagnosis);
    if rows.is_empty() {
        return String::new();
    }
    let full = f64::from(board.chip.full_scale);
    let label = rows.iter().map(|r| r.label.chars().count()).max().unwrap_or(0);
    let label = label.min(width.saturating_sub(STRIP.0 + BESIDE));
    let strip_width = width.saturating_sub(label + BESIDE).clamp(STRIP.0, STRIP.1);
    let mut out = String::from("\n* read   = good unit   1, 2 causes as above   ? open\n");
    for row in rows.iter().take(DRAWN) {
        let mut strip = vec!['.'; strip_width];
        let mut open = String::new();
        let mut put = |value: Option<f64>, sign: char| match value {
            Some(x) => {
                let last = (strip_width - 1) as f64;
                let at = (x / full * last).round().clamp(0.0, last);
                strip[at as usize] = sign;
            }
            None => open.push(sign),
        };
        put(row.good, '=');
        for (i, &cause) in row.causes.iter().enumerate().rev() {
            put(cause, char::from(b'1' + i as u8));
        }
        put(row.read, '*');
        let open = if open.is_empty() { open } else { format!(" ?{open}") };
        let strip: String = strip.into_iter().collect();
        let name: String = row.label.chars().take(label).collect();
        out += &format!("{name:<label$} |{strip}|{open}\n");
    }
    out
}

/// One reading to be drawn.
pub(super) struct Strip {
    pub label: String,
    pub read: Option<f64>,
    pub good: Option<f64>,
    /// Of each leading class.
    pub causes: Vec<Option<f64>>,
}

/// The analog readings that tell the leading causes from a good unit or from each other.
pub(super) fn strips(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis) -> Vec<Strip> {
    let leading: Vec<Vec<Compared>> = diagnosis
        .classes
        .iter()
        .take(3)
        .filter_map(|class| class.causes.first())
        .map(|cause| compare(board, evidence, cause))
        .collect();
    let Some(first) = leading.first() else { return Vec::new() };
    let mut rows = Vec::new();
    for (i, compared) in first.iter().enumerate() {
        let reading = &evidence.readings[compared.reading];
        let differs = missed(compared.read, compared.good, compared.loose) > 0.0
            || leading.iter().any(|c| missed(c[i].predicted, compared.good, compared.loose) > 0.0);
        if !differs || !matches!(reading.read, Read::Code { .. }) {
            continue;
        }
        let id = &board.channels[reading.channel].id;
        let at = places(board, reading.channel, &reading.setting);
        let closed: Vec<&str> =
            reading.closed.iter().map(|&s| board.switches[s].id.as_str()).collect();
        let label = [id.as_str(), &at, &closed.join(" ")].join(" ").trim_end().to_string();
        // A setting read twice is drawn once.
        if rows.iter().any(|row: &Strip| row.label == label) {
            continue;
        }
        rows.push(Strip {
            label,
            read: compared.read,
            good: compared.good,
            causes: leading.iter().map(|c| c[i].predicted).collect(),
        });
    }
    rows
}

/// Which odds the causes had before anything was read: `given` on the command line, `confirmed` in
/// other units of the lot, with the file that says so.
pub fn odds_text(
    board: &Board,
    given: &[(String, f64)],
    confirmed: &BTreeMap<String, usize>,
    file: &str,
) -> String {
    let mut from =
        vec!["this program's (soldering and mis-picked parts before failed chips)".into()];
    let mut list = |named: Vec<String>, source: String| {
        if !named.is_empty() {
            from.push(format!("{source}: {}", named.join(", ")));
        }
    };
    let stated = board.odds.0.iter().map(|(kind, weight)| format!("{kind} {weight}"));
    list(stated.collect(), "[odds] of the board file".into());
    list(given.iter().map(|(k, w)| format!("{k} {w}")).collect(), "--weight".into());
    let found = confirmed.iter().map(|(kind, count)| format!("{kind} {count}"));
    list(found.collect(), format!("causes confirmed in other units, {file}"));
    format!("\n{}", paragraph(&format!("odds beforehand: {}", from.join("; ")), 0))
}

/// A sentence, in a line that is broken where it is printed.
pub fn line(text: &str) -> String {
    paragraph(text, 0)
}

/// A sentence behind some blanks, in a line that `wrap::page` breaks.
pub(super) fn paragraph(text: &str, indent: usize) -> String {
    let words: Vec<&str> = text.split_whitespace().collect();
    format!("{}{}\n", " ".repeat(indent), words.join(" "))
}
