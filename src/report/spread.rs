//! The worst case of every position beside the root sum of squares and drawn units.

use super::positions::{Names, within};
use super::table::{Cell, Form, Table};
use super::windows::{WIDTH, digits, heading, is_meter, window};
use super::wrap;
use crate::board::Board;
use crate::window::monte_carlo::{Law, MonteCarlo, Readings, Tally};
use crate::window::rss::{CONFIDENCE, Rss, rss};
use crate::window::{Class, Position, Windows, positions};

/// Units drawn, and how.
pub struct Drawn<'a> {
    /// The positions read.
    pub plan: &'a MonteCarlo<'a>,
    /// What they read.
    pub tally: Tally,
    /// How the figures lie between their limits.
    pub law: Law,
    /// Seed of the random numbers.
    pub seed: u64,
}

const WORST: &[&str] = &["channel", "position", "option", "window", "worst_low", "worst_high"];
const RSS: &[&str] = &["rss_code", "rss_u", "rss_low", "rss_high"];
const DRAWN: &[&str] =
    &["units", "drawn_mean", "drawn_sd", "drawn_low", "drawn_high", "right", "right_share"];

/// One row for each position that stands for an option, in codes, or in ohms where a meter reads:
/// `unit` says which. With drawn units a last row holds those that read every position right.
pub fn table(board: &Board, windows: &Windows, drawn: Option<&Drawn>) -> Table {
    let extra = if drawn.is_some() { DRAWN } else { &[] };
    let mut table = Table::new(&[WORST, RSS, extra, &["unit"]].concat());
    for row in rows(board, windows) {
        let mut cells = row.worst(board);
        cells.extend(row.rss_cells());
        if let Some(drawn) = drawn {
            cells.extend(row.drawn(drawn));
        }
        cells.push(row.unit.into());
        table.rows.push(cells);
    }
    if let Some(Drawn { tally, .. }) = drawn.filter(|d| d.tally.units > 0) {
        let mut cells = vec![Cell::from("all"); 1];
        cells.resize(WORST.len() + RSS.len(), Cell::Missing);
        cells.push(Cell::number(Some(tally.units as f64), 0));
        cells.resize(cells.len() + 4, Cell::Missing);
        cells.push(Cell::number(Some(tally.good as f64), 0));
        cells.push(Cell::number(Some(tally.expected_yield()), 6));
        cells.push(Cell::Missing);
        table.rows.push(cells);
    }
    table
}

/// The same for people, channel by channel, and what the figures mean.
pub fn text(board: &Board, windows: &Windows, drawn: Option<&Drawn>) -> String {
    let mut text = String::new();
    let rows = rows(board, windows);
    for (index, channel) in board.channels.iter().enumerate() {
        let of: Vec<&Row> = rows.iter().filter(|r| r.position.channel == index).collect();
        if of.is_empty() {
            continue;
        }
        text += &format!("{}\n", heading(board, channel));
        let names = windows.channels.get(index).map(|w| Names::new(board, w));
        let table = in_few_columns(&of, names.as_ref(), drawn);
        for line in within(table, WIDTH - 2).print(Form::Text).lines() {
            text += &format!("  {line}\n");
        }
        let note = names.and_then(|n| n.note);
        for line in note.iter().flat_map(|note| wrap::lines(note, WIDTH - 2)) {
            text += &format!("  {line}\n");
        }
        text.push('\n');
    }
    for note in notes(drawn) {
        for line in wrap::lines(&note, WIDTH - 2) {
            text += &line;
            text.push('\n');
        }
    }
    text
}

/// The rows of one channel. Ohms take more room than codes, so there is no column for the window:
/// `windows` shows it.
fn in_few_columns(of: &[&Row], names: Option<&Names>, drawn: Option<&Drawn>) -> Table {
    let in_ohms = of.iter().any(|row| row.in_ohms());
    let mut columns = vec!["position", "window", "worst", "rss"];
    if in_ohms {
        columns.remove(1);
    }
    if drawn.is_some() {
        columns.extend(["drawn", "mean", "sd", "wrong"]);
    }
    let mut table = Table::new(&columns);
    for row in of {
        let short = names.filter(|n| n.note.is_some() && row.class.also.is_empty());
        let short = short.and_then(|n| n.classes.get(row.position.class));
        let mut cells = vec![Cell::from(short.unwrap_or(&row.position.name).as_str())];
        if !in_ohms {
            cells.push(window(&row.class.limits).into());
        }
        cells.push(row.range(Some((row.class.design.low, row.class.design.high))));
        cells.push(row.range(row.rss.map(|r| (r.band.low, r.band.high))));
        if let Some(drawn) = drawn {
            cells.extend(row.drawn_text(drawn));
        }
        table.rows.push(cells);
    }
    table
}

fn notes(drawn: Option<&Drawn>) -> Vec<String> {
    let mut notes = vec![
        "worst: every part at its worst end at once; the windows rest on it".to_string(),
        format!(
            "rss: root sum of squares, {:.0} percent of boards; every limit counts as rectangular",
            CONFIDENCE * 100.0
        ),
    ];
    let Some(Drawn { plan, tally, law, seed }) = drawn else { return notes };
    let law = match law {
        Law::Uniform => "anywhere between its limits",
        Law::Normal => "normal, its limits three deviations away and cut off there",
    };
    notes.push(format!(
        "drawn: {} units, each figure {law}; seed {seed}; without noise",
        tally.units
    ));
    if !plan.left_out().is_empty() {
        notes.push(format!("not drawn: {}", plan.left_out().join(", ")));
    }
    if tally.units > 0 {
        let percent = 100.0 * tally.expected_yield();
        let wrong = tally.units - tally.good;
        notes.push(format!(
            "expected yield: {percent:.4} percent; {wrong} of {} units read a position wrong",
            tally.units
        ));
    }
    notes
}

/// One position with what is known of it.
struct Row<'a> {
    position: Position,
    class: &'a Class,
    rss: Option<Rss>,
    /// Of the figures: `code`, or `ohm` where a meter reads.
    unit: &'static str,
}

fn rows<'a>(board: &Board, windows: &'a Windows) -> Vec<Row<'a>> {
    let row = |position: Position| {
        let unit = if is_meter(board.channels.get(position.channel)?) { "ohm" } else { "code" };
        let class = windows.channels.get(position.channel)?.classes.get(position.class)?;
        let rss = rss(board, &position.setting, position.channel);
        Some(Row { position, class, rss, unit })
    };
    positions(board, windows).into_iter().filter_map(row).collect()
}

impl Row<'_> {
    fn in_ohms(&self) -> bool {
        self.unit == "ohm"
    }

    /// Decimals of a figure: `codes` of them, more of ohms, which begin at 1.
    fn decimals(&self, codes: usize) -> usize {
        if self.in_ohms() { codes.max(4) } else { codes }
    }

    /// Two ends in as few characters as tell them, whole codes outside them.
    fn range(&self, ends: Option<(f64, f64)>) -> Cell {
        ends.map_or(Cell::Missing, |(low, high)| match self.in_ohms() {
            true => format!("{}..{}", digits(low, 3), digits(high, 3)).into(),
            false => format!("{:.0}..{:.0}", low.floor(), high.ceil()).into(),
        })
    }

    /// Mean or deviation.
    fn figure(&self, value: f64, decimals: usize) -> Cell {
        match self.in_ohms() {
            true => digits(value, 4).into(),
            false => Cell::number(Some(value), decimals),
        }
    }

    fn worst(&self, board: &Board) -> Vec<Cell> {
        vec![
            Cell::from(board.channels[self.position.channel].id.as_str()),
            Cell::from(self.position.name.as_str()),
            Cell::text(self.class.means.as_deref().unwrap_or_default()),
            Cell::from(window(&self.class.limits)),
            Cell::number(Some(self.class.design.low), self.decimals(1)),
            Cell::number(Some(self.class.design.high), self.decimals(1)),
        ]
    }

    fn rss_cells(&self) -> Vec<Cell> {
        let cell =
            |of: fn(&Rss) -> f64, n| Cell::number(self.rss.as_ref().map(of), self.decimals(n));
        vec![
            cell(|r| r.code, 1),
            cell(|r| r.u, 2),
            cell(|r| r.band.low, 1),
            cell(|r| r.band.high, 1),
        ]
    }

    /// What the drawn units read, and what a step of it is worth.
    fn read<'d>(&self, drawn: &'d Drawn) -> Option<(&'d Readings, f64)> {
        let place = drawn.plan.positions().iter().position(|p| *p == self.position)?;
        Some((drawn.tally.readings.get(place)?, drawn.plan.worth(place)))
    }

    fn drawn(&self, drawn: &Drawn) -> Vec<Cell> {
        let units = drawn.tally.units;
        let Some((r, worth)) = self.read(drawn) else { return vec![Cell::Missing; DRAWN.len()] };
        let figure = |value: f64, n| Cell::number(Some(worth * value), self.decimals(n));
        let share = r.right as f64 / units as f64;
        vec![
            Cell::number(Some(units as f64), 0),
            figure(r.mean(units), 2),
            figure(r.deviation(units), 3),
            figure(f64::from(r.low), 0),
            figure(f64::from(r.high), 0),
            Cell::number(Some(r.right as f64), 0),
            Cell::number(Some(share), 6),
        ]
    }

    fn drawn_text(&self, drawn: &Drawn) -> Vec<Cell> {
        let units = drawn.tally.units;
        let Some((r, worth)) = self.read(drawn) else { return vec![Cell::Missing; 4] };
        vec![
            self.range(Some((worth * f64::from(r.low), worth * f64::from(r.high)))),
            self.figure(worth * r.mean(units), 1),
            self.figure(worth * r.deviation(units), 2),
            Cell::number(Some((units - r.right) as f64), 0),
        ]
    }
}
