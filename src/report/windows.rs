//! The windows of a board as a table.

use super::positions::{Names, within};
use super::table::{Cell, Form, Table};
use super::wrap;
use crate::board::{Board, Channel, Kind, Level};
use crate::units::Ohms;
use crate::window::{
    Band, ChannelWindows, Class, Limits, PositionBand, Windows, adc, assumptions, notes, widened,
};

/// One row for each channel and each position that it can see.
///
/// Gaps are the codes between a window and its neighbour below that the firmware takes as no
/// option. Margins are those of the worst good unit: 100 % is the nominal unit, 0 % the limit. Rows
/// without a channel follow: a figure of the chip that the bands rest on, with where it comes from
/// (`max`, `typ`, entered doubled, or `assumed`), or a line of `advice`.
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
        "from",
        "note",
        "unit",
    ]);
    for (channel, w) in board.channels.iter().zip(&windows.channels) {
        let highs = highs(w);
        let full = f64::from(board.chip.full_scale);
        // Ohms of a meter have no end of the scale.
        let end = if is_meter(channel) { f64::INFINITY } else { full };
        for class in &w.classes {
            table.rows.push(vec![
                Cell::from(channel.id.as_str()),
                Cell::from(&*channel.pin.name),
                Cell::from(position(class)),
                Cell::text(class.means.as_deref().unwrap_or_default()),
                Cell::number(class.volts.map(|v| v.0), 3),
                Cell::number(Some(class.code.min(end)), 1),
                Cell::number(Some(class.design.low), 1),
                Cell::number(Some(class.design.high.min(end)), 1),
                Cell::from(window(&class.limits)),
                Cell::number(gap_below(&class.limits, &highs).map(f64::from), 0),
                Cell::number(class.margin().map(|m| m.0), 1),
                Cell::number(class.margin().map(|m| m.1), 0),
                Cell::Missing,
                Cell::Missing,
                Cell::from(if is_meter(channel) { "ohm" } else { "code" }),
            ]);
        }
    }
    let figures = notes::figures(board).into_iter().map(|n| (n.from.word(), n.text));
    let advice = notes::advice(board, windows).into_iter().map(|text| ("advice", text));
    for (from, text) in figures.chain(advice) {
        let named = table.columns.iter().map(|name| match &**name {
            "from" => Cell::from(from),
            "note" => Cell::from(text.as_str()),
            _ => Cell::Missing,
        });
        let row = named.collect();
        table.rows.push(row);
    }
    table
}

pub(super) fn is_meter(channel: &Channel) -> bool {
    matches!(channel.kind, Kind::Meter { .. })
}

/// Columns of a terminal that the text stays within.
pub(super) const WIDTH: usize = 80;

/// The same for people: a heading and a table for each channel, within 80 columns, and what the
/// figures rest on.
pub fn text(board: &Board, windows: &Windows) -> String {
    let mut text = String::new();
    for (channel, w) in board.channels.iter().zip(&windows.channels) {
        text += &heading(board, channel);
        text.push('\n');
        let names = Names::new(board, w);
        let table = match is_meter(channel) {
            true => in_ohms(w, &names),
            false => narrow(w, &names, board.chip.full_scale),
        };
        for line in within(table, WIDTH - 2).print(Form::Text).lines() {
            text += &format!("  {line}\n");
        }
        for line in names.note.iter().flat_map(|note| wrap::lines(note, WIDTH - 2)) {
            text += &format!("  {line}\n");
        }
        text.push('\n');
    }
    let lines = meanings(board).into_iter().chain(assumptions(board));
    for note in lines.chain(advice(board, windows)) {
        for line in wrap::lines(&note, WIDTH - 2) {
            text += &line;
            text.push('\n');
        }
    }
    text
}

/// What each position of a board gives whose windows cannot be had, within 80 columns.
pub fn bands(board: &Board, bands: &[PositionBand]) -> String {
    let mut text = String::new();
    for of in bands.chunk_by(|a, b| a.channel == b.channel) {
        let Some(channel) = of.first().and_then(|b| board.channels.get(b.channel)) else {
            continue;
        };
        text += &format!("{}\n", heading(board, channel));
        let meter = is_meter(channel);
        let unit = if meter { "ohm" } else { "code" };
        let mut table = Table::new(&["position", "option", "volts", unit, "band", "overlaps"]);
        let full = f64::from(board.chip.full_scale);
        let number = |x: f64| match meter {
            true => Cell::from(digits(x, 4)),
            false => Cell::number(Some(x.clamp(0.0, full)), 1),
        };
        let range = |band: Band| match meter {
            true => format!("{}..{}", digits(band.low, 4), digits(band.high, 4)),
            false => {
                format!("{:.1}..{:.1}", band.low.clamp(0.0, full), band.high.clamp(0.0, full))
            }
        };
        for band in of {
            table.rows.push(vec![
                band.name.as_str().into(),
                Cell::text(band.means.as_deref().unwrap_or_default()),
                Cell::number(band.volts.map(|v| v.0), 3),
                number(band.code),
                range(band.design).into(),
                Cell::text(band.meets.join(", ")),
            ]);
        }
        for line in within(table, WIDTH - 2).print(Form::Text).lines() {
            text += &format!("  {line}\n");
        }
        text.push('\n');
    }
    text
}

/// What a channel is called above its rows.
pub(super) fn heading(board: &Board, channel: &Channel) -> String {
    let read = match channel.kind {
        Kind::Meter { against, .. } => {
            let [a, b] = [channel.net, against].map(|net| board.net_name(net));
            format!("by meter from {a} to {b}, power off")
        }
        Kind::Analog | Kind::Digital => format!("on {}", channel.pin.name),
    };
    let label =
        if channel.label.is_empty() { String::new() } else { format!(", {}", channel.label) };
    format!("{} {read}{label}", channel.id)
}

/// Ohms in so many digits without blank and unit, which stand elsewhere: `4.7k`.
pub(super) fn digits(ohms: f64, n: usize) -> String {
    match ohms {
        // An `m` would be taken for mega.
        x if x < 1.0 => format!("{x:.3}"),
        x => format!("{:.n$}", Ohms(x)).replace([' ', 'Ω'], ""),
    }
}

/// The rows of a channel that a meter reads.
fn in_ohms(w: &ChannelWindows, names: &Names) -> Table {
    let mut table = Table::new(&["position", "option", "ohm", "band", "window", "margin", "%"]);
    let short = |ohms: f64| digits(ohms, 4);
    for (class, name) in w.classes.iter().zip(&names.classes) {
        let window = match class.limits {
            Limits::Ohms { low, high } => format!("{}..{}", short(low.0), short(high.0)),
            _ => window(&class.limits),
        };
        table.rows.push(vec![
            name.as_str().into(),
            Cell::text(class.means.as_deref().unwrap_or_default()),
            digits(class.code, 6).into(),
            format!("{}..{}", short(class.design.low), short(class.design.high)).into(),
            window.into(),
            class.margin().map_or(Cell::Missing, |m| digits(m.0, 3).into()),
            Cell::number(class.margin().map(|m| m.1), 0),
        ]);
    }
    table
}

/// One channel's rows with as few columns as tell everything, of a converter that ends at `full`.
fn narrow(w: &ChannelWindows, names: &Names, full: u16) -> Table {
    let highs = highs(w);
    let mut table = Table::new(&[
        "position", "option", "volts", "code", "band", "window", "gap", "margin", "%",
    ]);
    for (class, name) in w.classes.iter().zip(&names.classes) {
        let (low, high) = whole(class, full);
        table.rows.push(vec![
            name.as_str().into(),
            Cell::text(class.means.as_deref().unwrap_or_default()),
            Cell::number(class.volts.map(|v| v.0), 3),
            Cell::number(Some(class.code.min(f64::from(full))), 1),
            format!("{low}..{high}").into(),
            window(&class.limits).into(),
            Cell::number(gap_below(&class.limits, &highs).map(f64::from), 0),
            Cell::number(class.margin().map(|m| m.0), 1),
            Cell::number(class.margin().map(|m| m.1), 0),
        ]);
    }
    table
}

/// The whole codes of a band as people see them. Of a channel that no option is read from the window
/// is no more than the codes that hold the band, and so is what is shown of the band: a mean may
/// lie between two codes.
pub(super) fn whole(class: &Class, full: u16) -> (u16, u16) {
    match class.limits {
        Limits::Codes { low, high } if class.rows.is_empty() => (low, high),
        _ => class.codes(full),
    }
}

/// The places of a class as people write them.
pub(super) fn position(class: &Class) -> &str {
    if class.name.is_empty() { "any" } else { &class.name }
}

/// What the figures mean, a line each, to be printed under them.
pub(super) fn meanings(board: &Board) -> Vec<String> {
    let reference = board.reference();
    let lsb_mv = 1000.0 * adc::lsb(reference, &board.chip).0;
    if board.channels.iter().all(is_meter) {
        return vec![
            "band: ohms of a good unit over everything allowed in use; window: ohms that stand for \
             the option; ∞ is an open circuit, and counts from ten times the highest band"
                .to_string(),
            "margin: ohms from the worst good unit to the nearest end of its window; 100 percent \
             is the nominal unit, 0 the limit"
                .to_string(),
        ];
    }
    let mut lines = vec![
        format!(
            "codes of the {}: 0 to {}; one code is {lsb_mv:.3} mV at {}",
            board.chip.part, board.chip.full_scale, reference
        ),
        "band: codes of a good unit over everything allowed in use; window: codes that the firmware \
         takes as the option; gap: codes under the window that it takes as none"
            .to_string(),
        "margin: codes from the worst good unit to its nearest threshold; 100 percent is the \
         nominal unit, 0 the limit"
            .to_string(),
    ];
    if board.channels.iter().any(is_meter) {
        lines.push(
            "by meter: ohms instead of codes; ∞ is an open circuit, and counts from ten times the \
             highest band"
                .to_string(),
        );
    }
    lines
}

/// What to know of these windows and what the maker might change, a line each.
pub(super) fn advice(board: &Board, windows: &Windows) -> Vec<String> {
    let widened = widened(board, windows).into_iter().map(|(position, counts)| {
        format!(
            "{} {}: its band may be up to {counts:.1} codes too wide either way; too many parts \
             there could turn the sign of their influence to try them all",
            board.channels[position.channel].id, position.name
        )
    });
    let advice = notes::advice(board, windows).into_iter().map(|line| format!("advice: {line}"));
    widened.chain(advice).collect()
}

/// A window or a level in a few characters.
pub(super) fn window(limits: &Limits) -> String {
    match limits {
        Limits::Codes { low, high } => format!("{low}..{high}"),
        Limits::Level(Level::Low) => "low".into(),
        Limits::Level(Level::High) => "high".into(),
        Limits::Ohms { low, high } => format!("{}..{}", low.0, high.0),
    }
}

/// The upper limits of a channel's windows, in order.
pub(super) fn highs(w: &ChannelWindows) -> Vec<u16> {
    let high = |class: &Class| match class.limits {
        Limits::Codes { high, .. } => Some(high),
        Limits::Level(_) | Limits::Ohms { .. } => None,
    };
    let mut highs: Vec<u16> = w.classes.iter().filter_map(high).collect();
    highs.sort_unstable();
    highs
}

/// Codes between this window and the next one below, or the end of the scale.
pub(super) fn gap_below(limits: &Limits, highs: &[u16]) -> Option<u16> {
    let Limits::Codes { low, .. } = limits else { return None };
    match highs.iter().rev().find(|&&h| h < *low) {
        Some(below) => Some(low - below - 1),
        None => Some(*low),
    }
}
