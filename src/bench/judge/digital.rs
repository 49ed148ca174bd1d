//! One digital channel.

use super::Readings;
use super::driven::digital_driven;
use crate::bench::{Burst, Check, Driven, Mode, Rule, Verdict};
use crate::board::{Board, Kind, Level, Setting};
use crate::window::{Expected, Limits, Windows};

/// The level that digital reads show: none when they disagree among themselves.
pub fn level(reads: (u32, u32)) -> Option<Level> {
    match reads {
        (n, ones) if n > 0 && ones == n => Some(Level::High),
        (n, 0) if n > 0 => Some(Level::Low),
        _ => None,
    }
}

pub(super) fn digital(
    board: &Board,
    windows: &Windows,
    setting: &Setting,
    channel: usize,
    on: &[String],
    readings: &Readings,
    expected: &Expected,
) -> Check {
    let windows = &windows.channels[channel];
    let class = windows.class_of_setting(setting).map(|c| &windows.classes[c]);
    let read = readings.level.and_then(level);
    let means = |l: Level| windows.class_of_level(l).map(|c| windows.classes[c].name.clone());
    let driven = digital_driven(board, &board.channels[channel], readings, expected);
    // Where the board file asks for a discharge, its answer is needed.
    let no_proof = board.channels[channel].discharge && driven == Driven::NotShown;
    let (verdict, reason) = match (readings.level, read, class.map(|c| &c.limits)) {
        (None, _, _) => (Verdict::NotTested, "no reading".to_string()),
        (_, None, _) => (Verdict::Fail, "reads differ: between the levels".to_string()),
        (_, Some(_), Some(_)) if driven == Driven::Open => {
            (Verdict::Fail, "nothing drives the pin: an open contact or part".to_string())
        }
        (_, Some(Level::High), Some(Limits::Level(Level::High))) if no_proof => {
            (Verdict::NotTested, "no proof that the pin is driven".to_string())
        }
        (_, Some(l), Some(Limits::Level(want))) if l == *want => (Verdict::Pass, String::new()),
        (_, Some(l), Some(Limits::Level(want))) => {
            let name = class.map_or("", |c| c.name.as_str());
            (Verdict::Fail, format!("reads {}; {name} reads {}", word(l), word(*want)))
        }
        (_, Some(l), Some(_)) => (Verdict::Fail, format!("reads {}", word(l))),
        (_, Some(_), None) => (Verdict::NotTested, "this setting stands for no option".to_string()),
    };
    Check {
        channel,
        mode: Mode::AsProduct,
        kind: Kind::Digital,
        pull_up: board.channels[channel].pull_up,
        on: on.to_vec(),
        burst: readings.level.map(as_burst),
        rule: Rule::Simple,
        typed: None,
        pull_up_shift: None,
        driven,
        u_code: None,
        k: None,
        expected_code: match expected.level {
            Some(Level::High) => Some(1.0),
            Some(Level::Low) => Some(0.0),
            None => None,
        },
        bench_band: None,
        limits: class.map(|c| c.limits.clone()),
        limit_source: class.map_or(String::new(), |c| c.by.to_string()),
        position: class.map_or(String::new(), |c| c.name.clone()),
        option_expected: class.map(|c| c.name.clone()),
        option_read: read.and_then(means),
        margin_code: None,
        margin_pct: None,
        remaining_code: None,
        verdict,
        reason,
    }
}

fn word(level: Level) -> &'static str {
    match level {
        Level::Low => "low",
        Level::High => "high",
    }
}

/// Digital reads as the summary of a burst of zeros and ones.
fn as_burst((n, ones): (u32, u32)) -> Burst {
    let share = f64::from(ones) / f64::from(n.max(1));
    let variance = share * (1.0 - share) * f64::from(n) / f64::from(n.saturating_sub(1).max(1));
    Burst {
        n,
        mean: share,
        sd: variance.sqrt(),
        lag1: 0.0,
        min: u16::from(ones == n && n > 0),
        max: u16::from(ones > 0),
        q01: u16::from(ones == n && n > 0),
        q99: u16::from(ones > 0),
    }
}
