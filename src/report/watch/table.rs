//! The channels of a round as a table, narrow or wide.

use crate::record::live::LiveRow;
use crate::report::table::{Cell, Form, Table};

/// From this width on there is room for the bands of a good unit and the options.
const WIDE: usize = 132;

/// The channels: what is read, beside what the circuit predicts for the setting found.
pub(super) fn table(rows: &[LiveRow], width: usize) -> String {
    let narrow = ["channel", "code", "volts", "noise", "shift", "driven", "circuit", "reads as"];
    let wide = [
        "channel",
        "code",
        "volts",
        "noise",
        "lowest..highest",
        "shift",
        "driven by",
        "circuit",
        "good unit here",
        "good shift",
        "reads as",
        "option",
    ];
    let columns: &[&'static str] = if width >= WIDE { &wide } else { &narrow };
    let mut table = Table::new(columns);
    table.rows = rows.iter().map(|row| cells(row, width >= WIDE)).collect();
    table.print(Form::Text)
}

fn cells(row: &LiveRow, wide: bool) -> Vec<Cell> {
    let analog = row.sd.is_some();
    let code = match (analog, row.code) {
        (true, code) => Cell::number(code, 1),
        (false, Some(share)) => level(share, row.n).into(),
        (false, None) => Cell::Missing,
    };
    let circuit = match (analog, row.expected_code) {
        (true, code) => Cell::number(code, 1),
        (false, Some(1.0)) => "high".into(),
        (false, Some(0.0)) => "low".into(),
        (false, _) => Cell::Missing,
    };
    let shift = match row.pull_up_shift {
        Some(shift) => Cell::Text(format!("{shift:+.1}")),
        None => Cell::Missing,
    };
    let range = |low: Option<f64>, high: Option<f64>| match (low, high) {
        (Some(low), Some(high)) if analog => format!("{low:.1}..{high:.1}").into(),
        _ => Cell::Missing,
    };
    let whole = |n: Option<u64>| n.map(|n| n as f64);
    let mut cells = vec![row.channel.clone().into(), code];
    cells.extend([Cell::number(row.volts, 3), Cell::number(row.sd, 2)]);
    if wide {
        let seen = match (whole(row.min), whole(row.max)) {
            (Some(low), Some(high)) if analog => format!("{low:.0}..{high:.0}").into(),
            _ => Cell::Missing,
        };
        cells.extend([seen, shift, row.driven.clone().into(), circuit]);
        cells.push(range(row.bench_low, row.bench_high));
        cells.push(range(row.shift_low, row.shift_high));
    } else {
        // `charge sharing` takes too much of 80 columns.
        let driven = row.driven.trim_end_matches(" sharing");
        cells.extend([shift, driven.into(), circuit]);
    }
    cells.push(Cell::text(row.reads_as.clone()));
    if wide {
        cells.push(Cell::text(row.option.clone()));
    }
    cells
}

/// A digital pin's reads: a level, or how many of them were high.
pub(super) fn level(share: f64, n: Option<u64>) -> String {
    match share {
        0.0 => "low".into(),
        1.0 => "high".into(),
        _ => {
            let n = n.unwrap_or(0);
            format!("{:.0} of {n} high", share * n as f64)
        }
    }
}
