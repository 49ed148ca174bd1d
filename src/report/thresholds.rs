//! The check of the firmware's thresholds as a table.

use super::table::{Cell, Form, Table};
use super::wrap;
use crate::board::Board;
use crate::window::{Check, Finding, Grade, PositionCheck, adc};

/// Columns of text that a terminal surely has.
const WIDTH: usize = 80;

/// One row for each position, then one for each finding.
///
/// `what` is `position` or the kind of the finding. Margins are those of the worst good unit: 100 %
/// is the nominal unit, 0 % the limit, below zero the threshold is off by as much.
pub fn table(board: &Board, check: &Check) -> Table {
    let mut table = Table::new(&[
        "what",
        "name",
        "position",
        "option",
        "band_low",
        "band_high",
        "takes",
        "reads",
        "margin",
        "margin_mv",
        "margin_pct",
        "proposed",
        "verdict",
        "finding",
        "change",
    ]);
    for p in &check.positions {
        table.rows.push(vec![
            "position".into(),
            name(board, p).into(),
            p.place.as_str().into(),
            p.option.as_str().into(),
            Cell::number(p.band.map(|b| b.low), 1),
            Cell::number(p.band.map(|b| b.high), 1),
            window(p.takes),
            p.reads.join(" or ").into(),
            Cell::number(p.margin_code, 1),
            millivolts(board, p),
            Cell::number(p.margin_pct, 0),
            window(p.proposal),
            p.grade.word().into(),
            Cell::Missing,
            Cell::Missing,
        ]);
    }
    for f in &check.findings {
        let mut row = vec![Cell::Missing; table.columns.len()];
        row[0] = f.kind.word().into();
        row[1] = f.name.as_str().into();
        row[2] = if f.place.is_empty() { Cell::Missing } else { f.place.as_str().into() };
        let end = [f.grade.word(), f.what.as_str(), f.change.as_str()].map(Cell::from);
        row.splice(12.., end);
        table.rows.push(row);
    }
    table
}

/// The same for people: a table for each channel or set, what was found with what to change, and
/// the sum of it.
pub fn text(board: &Board, check: &Check) -> String {
    let mut text = String::new();
    for group in check.positions.chunk_by(|a, b| name(board, a) == name(board, b)) {
        let Some(first) = group.first() else { continue };
        text += &format!("{}\n", heading(board, first));
        let levels = first.channel.is_none();
        for line in narrow(board, group, levels).print(Form::Text).lines() {
            text += &format!("  {line}\n");
        }
        text.push('\n');
    }
    for finding in &check.findings {
        text += &told(finding);
    }
    if !check.findings.is_empty() {
        text.push('\n');
    }
    for line in wrap::lines(&sum(check), WIDTH - 2) {
        text += &format!("{line}\n");
    }
    text
}

/// With the label behind it, if there is one.
fn labelled(name: String, label: &str) -> String {
    if label.is_empty() { name } else { format!("{name}, {label}") }
}

fn heading(board: &Board, p: &PositionCheck) -> String {
    match p.channel {
        Some(channel) => {
            let c = &board.channels[channel];
            labelled(format!("{} on {}", c.id, c.pin.name), &c.label)
        }
        None => labelled(board.options[p.set].id.clone(), &board.options[p.set].label),
    }
}

/// The channel, or the set of options that is read from levels.
fn name<'a>(board: &'a Board, p: &PositionCheck) -> &'a str {
    match p.channel {
        Some(channel) => &board.channels[channel].id,
        None => &board.options[p.set].id,
    }
}

fn narrow(board: &Board, positions: &[PositionCheck], levels: bool) -> Table {
    let mut table = match levels {
        true => Table::new(&["position", "option", "reads", "margin", "mV", "%", "verdict"]),
        false => Table::new(&[
            "position", "option", "band", "takes", "margin", "mV", "%", "proposed", "verdict",
        ]),
    };
    for p in positions {
        let mut row: Vec<Cell> = vec![p.place.as_str().into(), p.option.as_str().into()];
        match p.codes.filter(|_| !levels) {
            Some(codes) => {
                row.push(window(Some(codes)));
                row.push(p.takes.map_or("nothing".into(), |t| window(Some(t))));
            }
            None => row.push(p.reads.join(" or ").into()),
        }
        row.push(Cell::number(p.margin_code, 1));
        row.push(millivolts(board, p));
        row.push(Cell::number(p.margin_pct, 0));
        if !levels {
            row.push(window(p.proposal));
        }
        row.push(p.grade.word().into());
        table.rows.push(row);
    }
    table
}

fn millivolts(board: &Board, p: &PositionCheck) -> Cell {
    // Input levels are shares of the supply, whatever the converter refers to.
    let full = if p.channel.is_some() { board.reference() } else { board.supply.volts };
    let lsb = adc::lsb(full, &board.chip).0;
    Cell::number(p.margin_code.map(|codes| 1000.0 * codes * lsb), 0)
}

fn window(codes: Option<(u16, u16)>) -> Cell {
    codes.map_or(Cell::Missing, |(low, high)| format!("{low}..{high}").into())
}

/// A finding in a few lines: where and how bad, what, what to change.
fn told(finding: &Finding) -> String {
    let place =
        if finding.place.is_empty() { String::new() } else { format!(" {}", finding.place) };
    let Finding { name, what, change, .. } = finding;
    let said = format!("{name}{place}, {}: {what}", finding.grade.word());
    let mut text = String::new();
    for line in wrap::lines(&said, WIDTH - 2) {
        text += &format!("{line}\n");
    }
    for line in wrap::lines(change, WIDTH - 6) {
        text += &format!("    {line}\n");
    }
    text
}

fn sum(check: &Check) -> String {
    let misread = check.positions.iter().filter(|p| p.grade == Grade::Fail).count();
    let positions = check.positions.len();
    let found = check.findings.iter().filter(|f| f.open()).count();
    format!(
        "{}: {} of {positions} {} read right on every good unit, {} to put right",
        check.grade().word(),
        positions - misread,
        if positions == 1 { "position" } else { "positions" },
        match found {
            0 => "nothing".to_string(),
            1 => "one finding".to_string(),
            n => format!("{n} findings"),
        }
    )
}
