//! The windows of a board as a table.

use super::table::{Cell, Form, Table};
use super::wrap;
use crate::board::{Board, Level};
use crate::window::{ChannelWindows, Class, Limits, Windows, assumptions, widened};

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
            table.rows.push(vec![
                Cell::from(channel.id.as_str()),
                Cell::from(&*channel.pin.name),
                Cell::from(position(class)),
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

/// The same for people: a heading and a table for each channel, within 80 columns, and what the
/// figures rest on.
pub fn text(board: &Board, windows: &Windows) -> String {
    let mut text = String::new();
    for (channel, w) in board.channels.iter().zip(&windows.channels) {
        text += &format!("{} on {}, {}\n", channel.id, channel.pin.name, channel.label);
        for line in narrow(w).print(Form::Text).lines() {
            text += &format!("  {line}\n");
        }
        text.push('\n');
    }
    for note in notes(board, windows) {
        for line in wrap::lines(&note, 78) {
            text += &line;
            text.push('\n');
        }
    }
    text
}

/// One channel's rows with as few columns as tell everything; whole codes outside the band.
fn narrow(w: &ChannelWindows) -> Table {
    let mut highs: Vec<u16> = w.classes.iter().filter_map(|c| high(&c.limits)).collect();
    highs.sort_unstable();
    let mut table = Table::new(&[
        "position", "option", "volts", "code", "band", "window", "gap", "margin", "%",
    ]);
    for class in &w.classes {
        table.rows.push(vec![
            position(class).into(),
            class.means.as_deref().unwrap_or("-").into(),
            Cell::number(class.volts.map(|v| v.0), 3),
            Cell::number(Some(class.code), 1),
            format!("{:.0}..{:.0}", class.design.low.floor(), class.design.high.ceil()).into(),
            window(&class.limits).into(),
            Cell::number(gap_below(&class.limits, &highs).map(f64::from), 0),
            Cell::number(Some(class.margin_code), 1),
            Cell::number(Some(class.margin_pct), 0),
        ]);
    }
    table
}

/// The places of a class as people write them.
fn position(class: &Class) -> &str {
    if class.name.is_empty() { "any" } else { &class.name }
}

/// What the table rests on, a line each, to be printed under it.
fn notes(board: &Board, windows: &Windows) -> Vec<String> {
    let lsb_mv = 1000.0 * board.supply.volts.0 / board.chip.scale;
    let mut notes = vec![
        format!(
            "codes of the {}: 0 to {}; one code is {lsb_mv:.3} mV at {}",
            board.chip.part, board.chip.full_scale, board.supply.volts
        ),
        "band: codes of a good unit over everything allowed in use; window: codes that the firmware \
         takes as the option; gap: codes under the window that it takes as none"
            .to_string(),
        "margin: codes from the worst good unit to its nearest threshold; 100 percent is the \
         nominal unit, 0 the limit"
            .to_string(),
    ];
    notes.extend(widened(board, windows).into_iter().map(|(position, counts)| {
        format!(
            "{} {}: its band may be up to {counts:.1} codes too wide either way; too many parts \
             there could turn the sign of their influence to try them all",
            board.channels[position.channel].id, position.name
        )
    }));
    notes.extend(assumptions(board));
    notes
}

/// A window or a level in a few characters.
pub(super) fn window(limits: &Limits) -> String {
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
