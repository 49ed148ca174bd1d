//! The windows of a board as a table.

use super::table::{Cell, Table};
use crate::board::{Board, Level};
use crate::window::{Limits, Windows, assumptions};

/// One row for each channel and each position that it can see.
///
/// Gaps are the codes between a window and its neighbour below that the firmware takes as no
/// option. Margins are those of the worst good unit: 100 % is the nominal unit, 0 % the limit.
pub fn table(board: &Board, windows: &Windows) -> Table {
    let mut table = Table::new(&[
        "channel",
        "pin",
        "position",
        "option",
        "volts",
        "code",
        "band_low",
        "band_high",
        "window",
        "gap_below",
        "margin",
        "margin_pct",
    ]);
    for (channel, w) in board.channels.iter().zip(&windows.channels) {
        let mut highs: Vec<u16> = w.classes.iter().filter_map(|c| high(&c.limits)).collect();
        highs.sort_unstable();
        for class in &w.classes {
            let position = if class.name.is_empty() { "-" } else { &class.name };
            table.rows.push(vec![
                Cell::from(channel.id.as_str()),
                Cell::from(channel.pin.name),
                Cell::from(position),
                Cell::from(class.means.as_deref().unwrap_or("-")),
                Cell::number(class.volts.map(|v| v.0), 3),
                Cell::number(Some(class.code), 1),
                Cell::number(Some(class.design.low), 1),
                Cell::number(Some(class.design.high), 1),
                Cell::from(window(&class.limits)),
                Cell::number(gap_below(&class.limits, &highs).map(f64::from), 0),
                Cell::number(Some(class.margin_code), 1),
                Cell::number(Some(class.margin_pct), 0),
            ]);
        }
    }
    table
}

/// What the table rests on, a line each, to be printed under it.
pub fn notes(board: &Board) -> Vec<String> {
    let lsb_mv = 1000.0 * board.supply.volts.0 / board.chip.scale;
    let mut notes = vec![
        format!(
            "codes of the {}: {:.0} to {}, one code is {lsb_mv:.3} mV at {}",
            board.chip.part, 0.0, board.chip.full_scale, board.supply.volts
        ),
        "band: codes of a good unit over everything allowed in use; window: codes that the firmware \
         takes as the option; gap below: codes under the window that it takes as none"
            .to_string(),
        "margin: worst good unit to its nearest threshold; 100 % is the nominal unit, 0 % the limit"
            .to_string(),
    ];
    notes.extend(assumptions(board));
    notes
}

fn window(limits: &Limits) -> String {
    match limits {
        Limits::Codes { low, high } => format!("{low}..{high}"),
        Limits::Level(Level::Low) => "low".into(),
        Limits::Level(Level::High) => "high".into(),
    }
}

fn high(limits: &Limits) -> Option<u16> {
    match limits {
        Limits::Codes { high, .. } => Some(*high),
        Limits::Level(_) => None,
    }
}

/// Codes between this window and the next one below, or the end of the scale.
fn gap_below(limits: &Limits, highs: &[u16]) -> Option<u16> {
    let Limits::Codes { low, .. } = limits else { return None };
    match highs.iter().rev().find(|&&h| h < *low) {
        Some(below) => Some(low - below - 1),
        None => Some(*low),
    }
}
