//! Causes that are not in the parts of a unit: fuses of its chip, a supply that breaks down, the
//! product's firmware. The record's rows speak for and against them; no odds are known of them, so
//! none are given.

use super::evidence::{Evidence, Read, counts, differ, last_tries};
use super::failed::{self, Failed, TakenBack};
use super::shown::{level, mean_code};
use crate::board::{Board, Fuses, Kind, Level, Place, Setting, brown_out};
use crate::circuit::{self, Node, Parts};
use crate::faults::{Built, Fault};
use crate::record::{Row, RowKind};
use crate::units::Volts;
use crate::window::{self, Grade};
use std::collections::BTreeMap;

/// Moves on a word, and nodes that a good unit has in their places, from which on a reading that never
/// changes says that nothing was moved.
const LEAST_MOVES: usize = 3;

/// What the rows of a record tell of such causes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rows {
    /// The fuse and lock bytes as the probe read them.
    pub fuses: Option<[u8; 4]>,
    /// Resets that nobody asked for.
    pub resets: Vec<Reset>,
    /// What the product's firmware said that it reads.
    pub report: Option<Report>,
    /// Readings that stand for the option that they should.
    pub right: Vec<Right>,
    /// Moves of each jumper that were believed on a word alone.
    pub said: BTreeMap<usize, usize>,
    /// Whether a probe ever answered.
    pub answered: bool,
    /// Why the run ended, where it ended without a verdict.
    pub cut: String,
    /// Checks that failed.
    pub failed: Vec<Failed>,
}

/// A reset of the chip during the test.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reset {
    /// Why, in the probe's word.
    pub cause: String,
    /// Loads that were just switched on; none in a step.
    pub loads: Vec<usize>,
}

/// The product's own word.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// What the delivery setting stands for.
    pub expected: String,
    /// What it said, or `no` where a person was asked.
    pub said: String,
    /// Whether that is right.
    pub right: bool,
}

/// A reading inside its window.
#[derive(Clone, Debug, PartialEq)]
pub struct Right {
    /// Channel index.
    pub channel: usize,
    /// Where the shunts were.
    pub setting: Setting,
    /// Mean code.
    pub code: f64,
    /// The option that it stands for.
    pub option: String,
}

impl Rows {
    /// What a record holds of it.
    pub fn of(board: &Board, rows: &[Row]) -> Rows {
        let mut found = Rows { failed: failed::failed(board, rows), ..Rows::default() };
        let last = last_tries(rows);
        for row in rows {
            found.answered |= !row.head.probe.is_empty();
            match row.row {
                RowKind::Fuses => found.fuses = Fuses::read(&row.option_read).or(found.fuses),
                RowKind::Report if matches!(row.verdict.as_str(), "pass" | "fail") => {
                    let right = row.verdict == "pass";
                    let (expected, said) = (row.option_expected.clone(), row.answer.clone());
                    found.report = Some(Report { expected, said, right });
                }
                RowKind::Check
                    if row.mode == "mean" && row.load.is_empty() && counts(&last, row) =>
                {
                    found.right.extend(right(board, row));
                }
                RowKind::Supply | RowKind::Loads if row.reason.contains("was reset when") => {
                    let known = |id: &str| board.loads.iter().position(|l| l.id == id);
                    let loads = row.load.split_whitespace().filter_map(known).collect();
                    found.resets.push(Reset { cause: row.head.reset_cause.clone(), loads });
                }
                RowKind::Event if row.rule == "step void" && row.note.contains("was reset (") => {
                    let cause = row.head.reset_cause.clone();
                    found.resets.push(Reset { cause, loads: Vec::new() });
                }
                RowKind::Event if !row.jumper.is_empty() && counts(&last, row) => {
                    let said = row.moved_by == "said so";
                    if let Some(jumper) = board.jumper(&row.jumper).filter(|_| said) {
                        *found.said.entry(jumper).or_default() += 1;
                    }
                }
                RowKind::Unit if row.verdict == "INCOMPLETE" => found.cut.clone_from(&row.reason),
                RowKind::Unit => found.cut.clear(),
                _ => {}
            }
        }
        found
    }
}

fn right(board: &Board, row: &Row) -> Option<Right> {
    let same = !row.option_read.is_empty() && row.option_read == row.option_expected;
    let right = same && matches!(row.verdict.as_str(), "pass" | "marginal");
    right.then_some(())?;
    Some(Right {
        channel: board.channel(&row.channel)?,
        setting: super::setting(board, &row.setting).ok()?,
        code: row.mean_code?,
        option: row.option_read.clone(),
    })
}

/// A cause that is not in the parts, as far as rows speak of it.
#[derive(Clone, Debug, PartialEq)]
pub enum Beside {
    /// The fuses are not those of the board file.
    Fuses {
        /// Those of the board file.
        expected: Fuses,
        /// As read.
        found: [u8; 4],
        /// Resets that nobody asked for.
        resets: Vec<Reset>,
    },
    /// The chip was reset, with the fuses as they should be, or not known.
    Reset {
        /// Resets that nobody asked for.
        resets: Vec<Reset>,
        /// Where the brown-out detector acts, where the fuses were read: 0 V where it is off.
        level: Option<Volts>,
    },
    /// A jumper whose channel read the same in all its places, while moves of it were believed on a
    /// word.
    Unmoved {
        /// Jumper index.
        jumper: usize,
        /// Channel index.
        channel: usize,
        /// What it read.
        read: Read,
        /// The place of a good unit that reads so, if any.
        stays: Option<Place>,
        /// Values that a good unit has in these places.
        values: usize,
    },
    /// The probe never answered.
    NoAnswer {
        /// The fuses of the board file, where it states any.
        expected: Option<Fuses>,
    },
    /// The product says that it reads something else than it should.
    Report {
        /// What it said.
        report: Report,
        /// Readings of the delivery setting that are right all the same.
        right: Vec<Right>,
        /// Whether a defect of the unit explains readings that are wrong.
        defect: bool,
        /// Positions that its thresholds, as the board file has them, misread.
        misread: Vec<Misread>,
    },
    /// The thresholds of the firmware, as the board file has them, misread positions that this unit
    /// reads right.
    Thresholds(Vec<Misread>),
    /// The supply that fed the unit was out of its tolerance.
    Supply {
        /// As it was read.
        volts: Volts,
        /// Why it failed, in the record's words.
        reason: String,
    },
    /// A check failed on a reading that another one with the same shunts takes back.
    Loose(TakenBack),
    /// Checks failed that nothing else explains.
    Failed(Vec<Failed>),
}

/// A position that thresholds take for another.
#[derive(Clone, Debug, PartialEq)]
pub struct Misread {
    /// The reading.
    pub reading: Right,
    /// Everything that the firmware may take a good unit for; `none` is no option.
    pub as_one_of: Vec<String>,
}

/// The causes beside the parts that the rows speak of; `leading` is the likeliest in them.
pub fn beside(board: &Board, evidence: &Evidence, leading: &[Fault]) -> Vec<Beside> {
    let rows = &evidence.rows;
    let mut found = Vec::new();
    if !rows.answered && !rows.cut.is_empty() {
        found.push(Beside::NoAnswer { expected: board.fuses });
    }
    found.extend(unmoved(board, evidence));
    let bits = board.chip.fuse_bits.unwrap_or_default();
    let expected = board.fuses.unwrap_or_default();
    match rows.fuses {
        Some(read) if !expected.differs(read, bits).is_empty() => {
            found.push(Beside::Fuses { expected, found: read, resets: rows.resets.clone() });
        }
        read if !rows.resets.is_empty() => {
            let level = read.and_then(|bytes| brown_out(bytes[2]));
            found.push(Beside::Reset { resets: rows.resets.clone(), level });
        }
        _ => {}
    }
    let misread = misread(board, &rows.right);
    match rows.report.clone().filter(|report| !report.right) {
        Some(report) => {
            let delivered = |right: &&Right| {
                let own = evidence.readings.iter().rev().map(|reading| &reading.setting);
                Some(&right.setting) == own.clone().next()
            };
            let right = rows.right.iter().filter(delivered).cloned().collect();
            let defect = !leading.is_empty();
            found.push(Beside::Report { report, right, defect, misread });
        }
        None if !misread.is_empty() => found.push(Beside::Thresholds(misread)),
        None => {}
    }
    found.extend(failed::beside(evidence, leading));
    found
}

/// Jumpers of which nothing shows that they were ever moved.
fn unmoved(board: &Board, evidence: &Evidence) -> Vec<Beside> {
    let good = Built::good(board, Parts::nominal(board));
    let mut found = Vec::new();
    for (&jumper, _) in evidence.rows.said.iter().filter(|(_, moves)| **moves >= LEAST_MOVES) {
        let net = |channel: usize| circuit::group_of(board, board.channels[channel].net);
        for channel in 0..board.channels.len() {
            if !net(channel).is_some_and(|g| g.jumpers.contains(&jumper)) {
                continue;
            }
            let mine = evidence.readings.iter().filter(|r| r.channel == channel);
            let mut places: Vec<(Place, Node)> = Vec::new();
            let mut read: Option<Read> = None;
            let same = mine.clone().all(|r| {
                let first = *read.get_or_insert(r.read);
                !differ(first, r.read)
            });
            for reading in mine {
                let place = reading.setting.0[jumper];
                if !places.iter().any(|(p, _)| *p == place) {
                    let node = good.node(board, &reading.setting, &reading.closed, channel);
                    places.push((place, node));
                }
            }
            // How many nodes a good unit has in these places.
            let mut nodes: Vec<Node> = Vec::new();
            for (_, node) in &places {
                if !nodes.iter().any(|known| alike(board, *known, *node)) {
                    nodes.push(*node);
                }
            }
            if let (Some(read), true, true) = (read, same, nodes.len() >= LEAST_MOVES) {
                let like =
                    |node: Node| reads(board, channel, node).is_some_and(|r| !differ(r, read));
                let stays = places.iter().find(|(_, node)| like(*node)).map(|(place, _)| *place);
                found.push(Beside::Unmoved { jumper, channel, read, stays, values: nodes.len() });
            }
        }
    }
    found
}

/// What a channel reads of a node of a good unit; none of an open one, and between the levels.
fn reads(board: &Board, channel: usize, node: Node) -> Option<Read> {
    let Node::Driven { volts, .. } = node else { return None };
    match board.channels[channel].kind {
        Kind::Analog => {
            let mean = mean_code(board, volts);
            Some(Read::Code { mean, sd: 0.5, n: 1.0, pulled: None })
        }
        Kind::Digital => {
            let level = level(board, volts)?;
            Some(Read::Level { ones: if level == Level::High { 1.0 } else { 0.0 } })
        }
        Kind::Meter { .. } => None,
    }
}

/// Whether two nodes read alike within some hundredths of the supply.
fn alike(board: &Board, a: Node, b: Node) -> bool {
    match (a, b) {
        (Node::Driven { volts: a, .. }, Node::Driven { volts: b, .. }) => {
            (a.0 - b.0).abs() < 0.02 * board.supply.volts.0
        }
        (Node::Floating, Node::Floating) => true,
        _ => false,
    }
}

/// Positions read right that the thresholds of the board file take for something else.
fn misread(board: &Board, right: &[Right]) -> Vec<Misread> {
    if board.thresholds.is_empty() {
        return Vec::new();
    }
    // What does not fit the board is told by `check-thresholds`.
    let Ok(check) = window::check(board, &board.thresholds) else { return Vec::new() };
    let mut found: Vec<Misread> = Vec::new();
    for position in check.positions.iter().filter(|p| p.grade == Grade::Fail) {
        let here = |right: &&Right| {
            let text = right.setting.text(board);
            let placed = position
                .place
                .split_whitespace()
                .all(|word| text.split_whitespace().any(|known| known == word));
            position.channel == Some(right.channel) && placed
        };
        if let Some(reading) = right.iter().find(here) {
            let as_one_of = position.reads.clone();
            found.push(Misread { reading: reading.clone(), as_one_of });
        }
    }
    found
}
