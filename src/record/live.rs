//! Rows of the live view: a channel of a round, beside what the circuit predicts. They are no part
//! of a unit's record.

use jiff::Timestamp;

use super::column::{Format, columns};
use crate::bench::shape::Shape;
use crate::bench::watching::Round;
use crate::bench::{Check, sag};
use crate::board::{Board, Kind};
use crate::window::{Windows, adc};
use std::time::Duration;

columns! {
    /// One channel in one round.
    pub struct LiveRow {
        /// Version of the file.
        format: Format,
        /// When the round ended.
        at: Timestamp,
        /// Milliseconds since the view began.
        t_ms: Option<u64>,
        /// Board.
        board: String,
        /// Number of the round.
        round: Option<u64>,
        /// Channel.
        channel: String,
        /// Conversions or digital reads.
        n: Option<u64>,
        /// Mean code; of a digital channel the share of reads that were high.
        code: Option<f64> [3],
        /// Deviation of one conversion, in codes.
        sd: Option<f64> [3],
        /// Smallest code.
        min: Option<u64>,
        /// Largest code.
        max: Option<u64>,
        /// Volts that the mean stands for, by the board's nominal reference.
        volts: Option<f64> [4],
        /// Code with the pull-up on less code with it off.
        pull_up_shift: Option<f64> [1],
        /// The driven proof.
        driven: String,
        /// The position that the channel reads as, or `open`, `no position`, `as drawn` where no
        /// jumper has a part in it, `low`, `high`, `between`.
        reads_as: String,
        /// The option, where this channel alone decides it.
        option: String,
        /// The setting found, which the next five columns are computed for.
        setting: String,
        /// Code that the circuit predicts.
        expected_code: Option<f64> [1],
        /// Lowest code of a good unit here and now.
        bench_low: Option<f64> [1],
        /// Highest code of a good unit here and now.
        bench_high: Option<f64> [1],
        /// Smallest pull-up shift of a good unit.
        shift_low: Option<f64> [1],
        /// Largest pull-up shift of a good unit.
        shift_high: Option<f64> [1],
        /// Mean code of the internal reference against the supply.
        supply_code: Option<f64> [2],
        /// Supply by the nominal internal reference, in volts.
        supply_volts: Option<f64> [3],
        /// What is odd about the reading.
        note: String,
    }
}

/// The rows of a round that ended `t` after the beginning at `began`, a channel each.
pub fn rows(
    board: &Board,
    windows: &Windows,
    began: Timestamp,
    t: Duration,
    round: &Round,
) -> Vec<LiveRow> {
    let since = jiff::SignedDuration::try_from(t).unwrap_or(jiff::SignedDuration::ZERO);
    let supply_code = round.supply.map(|b| b.mean);
    let all = LiveRow {
        at: began.checked_add(since).unwrap_or(began),
        t_ms: u64::try_from(t.as_millis()).ok(),
        board: board.name.clone(),
        round: Some(round.number),
        setting: round.look.setting.text(board),
        supply_code,
        supply_volts: supply_code.and_then(|c| sag::supply_volts(&board.chip, c)).map(|v| v.0),
        ..LiveRow::default()
    };
    let row = |check: &Check| channel(board, windows, round, check, all.clone());
    round.look.checks.iter().map(row).collect()
}

fn channel(board: &Board, windows: &Windows, round: &Round, c: &Check, all: LiveRow) -> LiveRow {
    let analog = c.kind == Kind::Analog;
    let code = c.burst.map(|b| b.mean);
    let shift = round.shifts.get(c.channel).copied().flatten();
    let (reads_as, option) = reads(windows, round, c);
    let row = LiveRow {
        channel: board.channels[c.channel].id.clone(),
        n: c.burst.map(|b| u64::from(b.n)),
        code,
        min: c.burst.map(|b| u64::from(b.min)),
        max: c.burst.map(|b| u64::from(b.max)),
        pull_up_shift: c.pull_up_shift,
        driven: c.driven.word().to_string(),
        reads_as,
        option,
        expected_code: c.expected_code,
        bench_low: c.bench_band.map(|b| b.low),
        bench_high: c.bench_band.map(|b| b.high),
        shift_low: shift.map(|b| b.low),
        shift_high: shift.map(|b| b.high),
        note: c.reason.clone(),
        ..all
    };
    match analog {
        false => row,
        true => LiveRow {
            sd: c.burst.map(|b| b.sd),
            volts: code.map(|code| adc::volts_of(code, board.reference(), &board.chip).0),
            ..row
        },
    }
}

/// The position that a channel reads as, and its option.
fn reads(windows: &Windows, round: &Round, c: &Check) -> (String, String) {
    let level = match c.burst {
        Some(b) if c.kind == Kind::Digital && b.min == b.max => {
            if b.max == 0 {
                "low"
            } else {
                "high"
            }
        }
        _ => "",
    };
    match round.shapes.get(c.channel) {
        Some(Shape::Class(class)) => {
            let class = &windows.channels[c.channel].classes[*class];
            // A channel that no jumper has a part in stands for no position.
            let name = match (class.places.is_empty(), level) {
                (true, "") => "as drawn",
                (true, level) => level,
                (false, _) => &class.name,
            };
            (name.to_string(), class.means.clone().unwrap_or_default())
        }
        Some(Shape::Open) => ("open".into(), String::new()),
        Some(Shape::Between) if c.kind == Kind::Digital => ("between".into(), String::new()),
        Some(Shape::Between) => ("no position".into(), String::new()),
        Some(Shape::Unknown) | None => (level.to_string(), String::new()),
    }
}
