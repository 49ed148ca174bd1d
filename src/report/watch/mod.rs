//! The live view as text: a table for the terminal, a line per change for pipes.

mod lines;
mod table;

pub use lines::cautions;
use lines::{changed, line, told};
use table::table;

use super::card;
use super::histogram;
use super::wrap;
use crate::bench::reading::Located;
use crate::bench::watching::{Round, Watched};
use crate::board::Board;
use crate::record::live::{self, LiveRow};
use crate::window::Windows;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// What a live view has come to: told what happened, it is drawn as a picture or told in lines.
#[derive(Clone, Debug)]
pub struct View {
    board: Arc<Board>,
    windows: Arc<Windows>,
    /// Where rounds go when they are written.
    file: String,
    /// Whether keys move the shunts of a virtual unit.
    is_virtual: bool,
    probe: String,
    paused: bool,
    recording: bool,
    over: bool,
    /// Why nothing new comes.
    away: Option<String>,
    /// Code of the supply in the first round.
    supply_at_start: Option<f64>,
    t: Duration,
    round: Option<Box<Round>>,
    rows: Vec<LiveRow>,
    /// What was told last of each channel, and of the supply.
    told: BTreeMap<String, LiveRow>,
    supply_told: Option<f64>,
}

impl View {
    /// A view in which nothing has been read yet.
    pub fn new(
        board: Arc<Board>,
        windows: Arc<Windows>,
        file: &str,
        recording: bool,
        is_virtual: bool,
    ) -> View {
        View {
            board,
            windows,
            file: file.to_string(),
            is_virtual,
            probe: String::new(),
            paused: false,
            recording,
            over: false,
            away: None,
            supply_at_start: None,
            t: Duration::ZERO,
            round: None,
            rows: Vec::new(),
            told: BTreeMap::new(),
            supply_told: None,
        }
    }

    /// Takes what happened `t` after the beginning.
    pub fn take(&mut self, t: Duration, watched: &Watched) {
        match watched {
            Watched::Probe { info, .. } => {
                self.probe = format!("{} {}", info.model, info.version);
                self.away = None;
            }
            Watched::Round(round) => {
                self.t = t;
                self.rows = live::rows(&self.board, &self.windows, Default::default(), t, round);
                let supply = round.supply.map(|b| b.mean);
                self.supply_at_start = self.supply_at_start.or(supply);
                self.round = Some(round.clone());
            }
            Watched::Away { .. } => {
                self.away = told(&self.board, &self.file, watched).map(|(_, text)| text);
            }
            Watched::Paused(paused) => self.paused = *paused,
            Watched::Recording(recording) => self.recording = *recording,
            Watched::Histogram(None) => self.round.iter_mut().for_each(|r| r.codes = None),
            Watched::Histogram(Some(_)) | Watched::Reset(_) => {}
        }
    }

    /// Nothing follows, so that no key is worth naming any more.
    pub fn end(&mut self) {
        self.over = true;
    }

    /// The whole picture in lines of at most `width` columns.
    pub fn picture(&self, width: usize) -> Vec<String> {
        let Some(round) = &self.round else {
            let first = self.away.as_deref().unwrap_or("reading the first round");
            return wrap::lines(first, width);
        };
        let board = &self.board;
        let mut lines = wrap::lines(&self.title(round), width);
        lines.extend(self.supply());
        lines.push(String::new());
        lines.extend(table(&self.rows, width).lines().map(String::from));
        lines.push(String::new());
        lines.extend(wrap::lines(&format!("shunts: {}", shunts(board, round)), width));
        if !board.options.is_empty() {
            lines.extend(wrap::lines(&format!("options: {}", options(board, round)), width));
        }
        let odd = oddities(&self.rows, round);
        lines.extend(odd.iter().flat_map(|odd| wrap::lines(odd, width)));
        let codes = self.histogram(width);
        lines.extend((!codes.is_empty()).then(String::new));
        lines.extend(codes);
        if !self.over {
            lines.push(String::new());
            lines.extend(self.away.iter().flat_map(|why| wrap::lines(why, width)));
            lines.extend(wrap::lines(&self.keys(), width));
        }
        lines.into_iter().map(|line| clipped(line, width)).collect()
    }

    /// What is to be told in lines, each with its kind in front: of a round the channels that show
    /// something else than when they were told last.
    pub fn lines(&mut self, watched: &Watched) -> Vec<(&'static str, String)> {
        let Watched::Round(round) = watched else {
            return told(&self.board, &self.file, watched).into_iter().collect();
        };
        let mut lines = Vec::new();
        for row in &self.rows {
            if self.told.get(&row.channel).is_none_or(|before| changed(before, row)) {
                lines.push(("seen", line(row)));
                self.told.insert(row.channel.clone(), row.clone());
            }
        }
        let code = round.supply.map(|b| b.mean);
        let moved = match (self.supply_told, code) {
            (Some(before), Some(code)) => (code / before - 1.0).abs() > SUPPLY_MOVED,
            (before, code) => before.is_some() != code.is_some(),
        };
        if moved {
            lines.extend(self.supply().map(|text| ("supply", text)));
            self.supply_told = code;
        }
        lines.extend(round.refused.iter().map(|why| ("note", format!("the probe refused: {why}"))));
        lines
    }

    /// Rounds read.
    pub fn rounds(&self) -> u64 {
        self.round.as_ref().map_or(0, |r| r.number)
    }

    /// The histogram of the last round, if one is asked for.
    pub fn histogram(&self, width: usize) -> Vec<String> {
        let Some(codes) = self.round.as_ref().and_then(|r| r.codes.as_ref()) else {
            return Vec::new();
        };
        let id = &self.board.channels[codes.channel].id;
        let row = self.rows.iter().find(|r| r.channel == *id);
        histogram::bars(id, &codes.counts, row.and_then(|r| r.expected_code), width)
    }

    fn title(&self, round: &Round) -> String {
        let seconds = self.t.as_secs_f64();
        let paused = if self.paused { ", paused" } else { "" };
        let file = if self.recording { format!(", writing {}", self.file) } else { String::new() };
        let (board, probe) = (&self.board.name, &self.probe);
        format!("{board}: {probe}, round {}, {seconds:.1} s{paused}{file}", round.number)
    }

    /// The supply: its change is sharp, its volts carry the tolerance of the internal reference.
    fn supply(&self) -> Option<String> {
        let row = self.rows.first()?;
        let (code, volts) = (row.supply_code?, row.supply_volts?);
        let internal = self.board.chip.internal.first()?;
        let share = 100.0 * (internal.high.0 - internal.low.0) / (2.0 * internal.typical.0);
        // The code rises as the supply falls.
        let change = 100.0 * (self.supply_at_start.unwrap_or(code) / code - 1.0);
        Some(format!(
            "supply {volts:.2} V, give or take {share:.0} %; {change:+.2} % since the start"
        ))
    }

    fn keys(&self) -> String {
        let pause = if self.paused { "Space go on" } else { "Space pause" };
        let record = if self.recording { "r stop writing" } else { "r write" };
        let shunts = match (self.is_virtual, self.board.jumpers.len().min(9)) {
            (false, _) | (_, 0) => String::new(),
            (true, n) => format!(", 1..{n} shunts"),
        };
        // Whatever a narrow terminal cuts off, the way out stays.
        format!("keys: q quit, {pause}, Enter round, h histogram, {record}{shunts}")
    }
}

/// A supply that has moved by less is not told again; one code of the reference is 0.4 % at 5 V.
const SUPPLY_MOVED: f64 = 0.005;

/// Where the shunts are, as far as the readings show.
fn shunts(board: &Board, round: &Round) -> String {
    let place = |(jumper, located): (usize, &Located)| {
        let j = &board.jumpers[jumper];
        let name = match located {
            Located::At(place) => j.place_name(*place).to_string(),
            Located::OneOf(places) if places.is_empty() => "unknown".to_string(),
            Located::OneOf(places) => {
                let names: Vec<&str> = places.iter().map(|&p| j.place_name(p)).collect();
                names.join(" or ")
            }
            Located::Nowhere => "no position".to_string(),
        };
        format!("{}={name}", j.id)
    };
    let all: Vec<String> = round.look.jumpers.iter().enumerate().map(place).collect();
    all.join(", ")
}

fn options(board: &Board, round: &Round) -> String {
    let option = |(set, option): (&crate::board::OptionSet, &Option<String>)| {
        format!("{} {}", card::set_name(set), option.as_deref().unwrap_or("no option"))
    };
    let all: Vec<String> = board.options.iter().zip(&round.look.options).map(option).collect();
    all.join(", ")
}

/// What a good unit in the setting found would not show, and what the probe refused.
fn oddities(rows: &[LiveRow], round: &Round) -> Vec<String> {
    let mut odd = Vec::new();
    for row in rows.iter().filter(|r| !r.note.is_empty()) {
        let line = format!("{}: {}", row.channel, row.note);
        if !odd.contains(&line) {
            odd.push(line);
        }
    }
    odd.extend(round.refused.iter().map(|why| format!("the probe refused: {why}")));
    odd
}

fn clipped(line: String, width: usize) -> String {
    if line.chars().count() <= width {
        return line;
    }
    let mut short: String = line.chars().take(width.saturating_sub(1)).collect();
    short.push('…');
    short
}
