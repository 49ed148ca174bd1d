//! The worst case of every position beside the root sum of squares and drawn units.

use super::positions::within;
use super::table::{Cell, Form, Table};
use super::windows::{WIDTH, heading, is_meter, window};
use super::wrap;
use crate::board::Board;
use crate::window::monte_carlo::{Law, MonteCarlo, Tally};
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

/// One row for each position that stands for an option; with drawn units a last row holds those
/// that read every position right.
pub fn table(board: &Board, windows: &Windows, drawn: Option<&Drawn>) -> Table {
    let extra = if drawn.is_some() { DRAWN } else { &[] };
    let mut table = Table::new(&[WORST, RSS, extra].concat());
    for row in rows(board, windows) {
        let mut cells = row.worst(board);
        cells.extend(row.rss_cells());
        if let Some(drawn) = drawn {
            cells.extend(row.drawn(drawn));
        }
        table.rows.push(cells);
    }
    if let Some(Drawn { tally, .. }) = drawn.filter(|d| d.tally.units > 0) {
        let mut cells = vec![Cell::from("all"); 1];
        cells.resize(WORST.len() + RSS.len(), Cell::Missing);
        cells.push(Cell::number(Some(tally.units as f64), 0));
        cells.resize(cells.len() + 4, Cell::Missing);
        cells.push(Cell::number(Some(tally.good as f64), 0));
        cells.push(Cell::number(Some(tally.expected_yield()), 6));
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
        text += &heading(board, channel);
        text.push('\n');
        let mut columns = vec!["position", "window", "worst", "rss"];
        if drawn.is_some() {
            columns.extend(["drawn", "mean", "sd", "wrong"]);
        }
        let mut table = Table::new(&columns);
        for row in of {
            let mut cells = vec![
                Cell::from(row.position.name.as_str()),
                Cell::from(window(&row.class.limits)),
                range(Some((row.class.design.low, row.class.design.high))),
                range(row.rss.map(|r| (r.band.low, r.band.high))),
            ];
            if let Some(drawn) = drawn {
                cells.extend(row.drawn_text(drawn));
            }
            table.rows.push(cells);
        }
        for line in within(table, WIDTH - 2).print(Form::Text).lines() {
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

fn range(band: Option<(f64, f64)>) -> Cell {
    band.map_or(Cell::Missing, |(low, high)| {
        format!("{:.0}..{:.0}", low.floor(), high.ceil()).into()
    })
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
}

fn rows<'a>(board: &Board, windows: &'a Windows) -> Vec<Row<'a>> {
    let row = |position: Position| {
        // A meter's windows are in ohms.
        board.channels.get(position.channel).filter(|c| !is_meter(c))?;
        let class = windows.channels.get(position.channel)?.classes.get(position.class)?;
        let rss = rss(board, &position.setting, position.channel);
        Some(Row { position, class, rss })
    };
    positions(board, windows).into_iter().filter_map(row).collect()
}

impl Row<'_> {
    fn worst(&self, board: &Board) -> Vec<Cell> {
        vec![
            Cell::from(board.channels[self.position.channel].id.as_str()),
            Cell::from(self.position.name.as_str()),
            Cell::text(self.class.means.as_deref().unwrap_or_default()),
            Cell::from(window(&self.class.limits)),
            Cell::number(Some(self.class.design.low), 1),
            Cell::number(Some(self.class.design.high), 1),
        ]
    }

    fn rss_cells(&self) -> Vec<Cell> {
        let cell =
            |of: fn(&Rss) -> f64, decimals| Cell::number(self.rss.as_ref().map(of), decimals);
        vec![
            cell(|r| r.code, 1),
            cell(|r| r.u, 2),
            cell(|r| r.band.low, 1),
            cell(|r| r.band.high, 1),
        ]
    }

    /// Index of the position among those drawn.
    fn place(&self, drawn: &Drawn) -> Option<usize> {
        drawn.plan.positions().iter().position(|p| *p == self.position)
    }

    fn drawn(&self, drawn: &Drawn) -> Vec<Cell> {
        let units = drawn.tally.units;
        let found = self.place(drawn).and_then(|p| drawn.tally.readings.get(p));
        let Some(r) = found else { return vec![Cell::Missing; DRAWN.len()] };
        let share = r.right as f64 / units as f64;
        vec![
            Cell::number(Some(units as f64), 0),
            Cell::number(Some(r.mean(units)), 2),
            Cell::number(Some(r.deviation(units)), 3),
            Cell::number(Some(f64::from(r.low)), 0),
            Cell::number(Some(f64::from(r.high)), 0),
            Cell::number(Some(r.right as f64), 0),
            Cell::number(Some(share), 6),
        ]
    }

    fn drawn_text(&self, drawn: &Drawn) -> Vec<Cell> {
        let units = drawn.tally.units;
        let found = self.place(drawn).and_then(|p| drawn.tally.readings.get(p));
        let Some(r) = found else { return vec![Cell::Missing; 4] };
        vec![
            range(Some((f64::from(r.low), f64::from(r.high)))),
            Cell::number(Some(r.mean(units)), 1),
            Cell::number(Some(r.deviation(units)), 2),
            Cell::number(Some((units - r.right) as f64), 0),
        ]
    }
}
