//! Rows of a record that no bench can have written of this unit: they are named, and nothing is
//! concluded from them.

use crate::board::{Board, Kind};
use crate::record::led::NO_TEST;
use crate::record::{Head, Row, RowKind};
use crate::units::{Allow, Ohms, Volts, read};
use std::collections::BTreeMap;

/// Most volts that feed such a board: extra-low voltage ends there (IEC 61140, from memory).
const MOST_MV: f64 = 60_000.0;

/// Share by which a figure may differ from what a person typed for it: it is printed rounded.
const ROUNDED: f64 = 0.01;

/// Share of the scale by which a pull-up may seem to pull down: noise (advice of our own).
const PULLED_DOWN: f64 = 0.02;

/// Which of two heads' cells differ, if they cannot be of one attempt at one unit. What was read
/// when it was led through its diagnosis is of no attempt, and maybe by a newer board file; its unit
/// may be known from the first reading on only.
pub fn foreign(own: &Head, head: &Head) -> Option<String> {
    let led = head.attempt == NO_TEST;
    let unit = if own.unit.is_empty() { &head.unit } else { &own.unit };
    let attempt = [own.attempt, head.attempt].map(|attempt| attempt.to_string());
    let cells = [
        ("board", &own.board, &head.board, true),
        ("revision", &own.revision, &head.revision, !led),
        ("lot", &own.lot, &head.lot, true),
        ("unit", unit, &head.unit, true),
        ("attempt", &attempt[0], &attempt[1], !led),
        ("chip", &own.chip, &head.chip, !led),
    ];
    let (name, own, other, _) =
        cells.into_iter().find(|(_, own, other, counts)| *counts && own != other)?;
    Some(format!("it is of {name} {}, the record of {}", named(other), named(own)))
}

/// Numbers of the tries of each step go up one by one: what is wrong with each row's, by its place.
pub(super) fn tries(rows: &[Row]) -> BTreeMap<usize, String> {
    let mut now: BTreeMap<u64, u64> = BTreeMap::new();
    let mut wrong = BTreeMap::new();
    for (i, row) in rows.iter().enumerate() {
        let Some(step) = row.step else { continue };
        let Some(tried) = row.step_try else {
            wrong.insert(i, "step_try is empty".to_string());
            continue;
        };
        let known = now.get(&step).copied();
        // Earlier lines may be lost, so the first number of a step may be any that hands reach.
        let next = known.map_or(0..=99, |known| known..=known + 1);
        match next.contains(&tried) {
            true => drop(now.insert(step, tried)),
            false => drop(wrong.insert(i, format!("step_try {tried} is out of order"))),
        }
    }
    wrong
}

/// Why a row says nothing, where it holds what no bench writes.
pub(super) fn unfit(board: &Board, row: &Row) -> Option<String> {
    let verdicts = ["", "pass", "marginal", "not tested", "fail"];
    let judged = row.is_check();
    if judged && !verdicts.contains(&row.verdict.as_str()) {
        return Some(no_word("verdict", &row.verdict));
    }
    match row.row {
        RowKind::Check => unfit_check(board, row),
        RowKind::Question => match (row.answer.as_str(), row.verdict.as_str()) {
            ("yes" | "no", _) | ("", "" | "not tested") => None,
            (other, _) => Some(no_word("answer", other)),
        },
        RowKind::Supply => unfit_sag(row),
        RowKind::Volts if !row.answer.is_empty() => unfit_volts(row),
        RowKind::Event | RowKind::Unit if row.mean_code.is_some() && !row.channel.is_empty() => {
            Some(format!("a reading stands in a row of the kind {}", row.row.word()))
        }
        _ => None,
    }
}

fn unfit_check(board: &Board, row: &Row) -> Option<String> {
    let known = |name: &str, text: &str, words: &[&str]| {
        (!words.contains(&text)).then(|| no_word(name, text))
    };
    let word = known("mode", &row.mode, &["mean", "as_product", "meter"])
        .or_else(|| known("pull", &row.pull, &["", "on", "off"]))
        .or_else(|| known("driven_proof", &row.driven_proof, &PROOFS));
    if word.is_some() {
        return word;
    }
    if row.channel.is_empty() && row.mode == "meter" {
        return None;
    }
    let Some(channel) = board.channel(&row.channel) else {
        return Some(format!("the board has no channel {}", named(&row.channel)));
    };
    let by_meter = matches!(board.channels[channel].kind, Kind::Meter { .. });
    match (by_meter, row.mode.as_str()) {
        (true, "meter") => return unfit_ohms(row),
        (false, "mean" | "as_product") => {}
        _ => {
            let mode = &row.mode;
            return Some(format!("{} is not read in the mode {mode}", row.channel));
        }
    }
    let on = |id: &str| {
        board.switches.iter().any(|s| s.id == id) || board.loads.iter().any(|l| l.id == id)
    };
    if let Some(other) = row.load.split_whitespace().find(|id| !on(id)) {
        return Some(format!("the board has no load or switch {other}"));
    }
    match board.channels[channel].kind {
        Kind::Digital => unfit_burst(row, 1.0),
        _ => unfit_burst(row, f64::from(board.chip.full_scale)),
    }
}

/// Words of the column `driven_proof`.
const PROOFS: [&str; 6] = ["", "pull-up", "charge sharing", "discharge", "open", "not shown"];

/// The figures of a burst have to go with each other, and with the converter.
fn unfit_burst(row: &Row, full: f64) -> Option<String> {
    let Some(mean) = row.mean_code else {
        let taken = matches!(row.verdict.as_str(), "pass" | "marginal" | "fail");
        return taken.then(|| "mean_code is empty".to_string());
    };
    if !(0.0..=full).contains(&mean) {
        return Some(format!("mean_code {mean} is outside 0 to {full:.0}"));
    }
    if row.n.is_none_or(|n| n == 0) {
        return Some("mean_code of no conversions: n is empty or 0".into());
    }
    let range = row.min_code.zip(row.max_code).map(|(low, high)| (low as f64, high as f64));
    // The mean is printed with three decimals.
    if let Some((low, high)) = range
        && !(low - 1e-3..=high + 1e-3).contains(&mean)
    {
        return Some(format!("mean_code {mean} is outside its min_code {low} to max_code {high}"));
    }
    let widest = range.map_or(full, |(low, high)| high - low) + 1e-3;
    if let Some(sd) = row.sd_code
        && !(0.0..=widest).contains(&sd)
    {
        let sd = if sd.abs() < 1e6 { format!("{sd}") } else { format!("{sd:.0e}") };
        let within = range.map_or(String::new(), |(low, high)| {
            format!(", from min_code {low} to max_code {high}")
        });
        return Some(format!("sd_code {sd} is no deviation of such a burst{within}"));
    }
    let shift = row.pullup_shift_code?;
    let goes = -PULLED_DOWN * full <= shift && mean + shift <= full * (1.0 + PULLED_DOWN);
    (!goes).then(|| format!("pullup_shift_code {shift} is none that a pull-up gives at {mean}"))
}

/// What a person typed is in the row too.
fn unfit_ohms(row: &Row) -> Option<String> {
    let typed = read::<Ohms>(&row.answer, Allow::NonNegative).ok().map(|ohms| ohms.0);
    match (row.ohm, typed) {
        (Some(ohm), _) if ohm < 0.0 => Some(format!("ohm {ohm} is below 0")),
        (Some(ohm), Some(typed)) if apart(ohm, typed) => {
            Some(format!("ohm {ohm} is not what was typed, {}", row.answer))
        }
        (None, Some(_)) => Some(format!("ohm is empty, and {} was typed", row.answer)),
        _ => None,
    }
}

fn unfit_volts(row: &Row) -> Option<String> {
    let mv = row.supply_mv?;
    let typed = read::<Volts>(&row.answer, Allow::Any).ok().map(|volts| 1e3 * volts.0);
    match typed {
        _ if !(0.0..=MOST_MV).contains(&mv) => Some(format!("supply_mv {mv} feeds no such board")),
        Some(typed) if apart(mv, typed) => {
            Some(format!("supply_mv {mv} is not what was typed, {}", row.answer))
        }
        _ => None,
    }
}

fn unfit_sag(row: &Row) -> Option<String> {
    let figures = [row.supply_mv, row.supply_loaded_mv, row.sag_mv];
    if let Some(mv) = figures.into_iter().flatten().find(|mv| mv.abs() > MOST_MV) {
        return Some(format!("{mv} mV are none of such a board"));
    }
    match (row.supply_loaded_mv, row.sag_mv) {
        // A reset leaves none.
        (Some(_), None) if !row.reason.contains("was reset when") => Some("sag_mv is empty".into()),
        _ => None,
    }
}

fn apart(a: f64, b: f64) -> bool {
    (a - b).abs() > ROUNDED * a.abs().max(b.abs()) + 1e-3
}

fn no_word(column: &str, text: &str) -> String {
    match text.is_empty() {
        true => format!("{column} is empty"),
        false => format!("`{}` is no word of the column {column}", named(text)),
    }
}

/// Text of a cell as far as a line bears it.
fn named(text: &str) -> String {
    const LONGEST: usize = 40;
    match text.chars().count() {
        0 => "no name".into(),
        n if n > LONGEST => text.chars().take(LONGEST).chain(['…']).collect(),
        _ => text.chars().map(|c| if c.is_control() { '?' } else { c }).collect(),
    }
}
