//! Holds what the product's firmware takes for an option against what the circuit gives: where
//! the two meet, with what margin, and what to change.

mod analog;
mod bits;
mod loads;
mod scale;
mod zones;

use super::{Band, ChannelWindows, WindowProblem, shorts};
use crate::board::{Board, Decoding, GAP, IN_RESET, Kind, Part};
use std::fmt;

/// How good a position or a finding is, the worst last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// Read right on every good unit.
    Pass,
    /// Read right, but something is to be put right.
    Marginal,
    /// Nothing is known of what the firmware makes of it.
    NotTested,
    /// A good unit can be misread.
    Fail,
}

impl Grade {
    /// The word for people and files.
    pub fn word(self) -> &'static str {
        match self {
            Grade::Pass => "pass",
            Grade::Marginal => "marginal",
            Grade::NotTested => "not tested",
            Grade::Fail => "fail",
        }
    }
}

/// One position as the firmware reads it.
#[derive(Clone, Debug, PartialEq)]
pub struct PositionCheck {
    /// The analog channel; none for a set read from levels.
    pub channel: Option<usize>,
    /// Index of the option set.
    pub set: usize,
    /// Places as people write them: `J1=3`.
    pub place: String,
    /// The option that it stands for; the place where several channels decide the option.
    pub option: String,
    /// Design band of an analog channel.
    pub band: Option<Band>,
    /// Lowest and highest whole code that a good unit gives an analog channel.
    pub codes: Option<(u16, u16)>,
    /// Codes round the position that the firmware takes for its option, both ends included.
    pub takes: Option<(u16, u16)>,
    /// Everything that the firmware may take a good unit for; `none` is no option.
    pub reads: Vec<String>,
    /// Codes from the edge of the design band to the nearest threshold; below zero it is off by
    /// as much. Missing when no code at all reads as the option.
    pub margin_code: Option<f64>,
    /// The same in percent of the nominal unit's distance to that threshold.
    pub margin_pct: Option<f64>,
    /// The window that the circuit asks for.
    pub proposal: Option<(u16, u16)>,
    /// Pass or fail.
    pub grade: Grade,
}

/// What a finding is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FindingKind {
    /// A threshold that cuts off codes of a good unit.
    Threshold,
    /// Two options that meet without codes between them that are none.
    Gap,
    /// Thresholds made for a converter of the other scale: full scale for its supply, or one more.
    Scale,
    /// Levels read the other way round.
    Polarity,
    /// A digital pin that nothing holds when its shunt is off.
    PullUp,
    /// An output that nothing holds off while the microcontroller is in reset.
    Load,
    /// A circuit that no thresholds can read.
    Circuit,
    /// Nothing is stated.
    Untested,
}

impl FindingKind {
    /// The word for people and files.
    pub fn word(self) -> &'static str {
        match self {
            FindingKind::Threshold => "threshold",
            FindingKind::Gap => "gap",
            FindingKind::Scale => "scale",
            FindingKind::Polarity => "polarity",
            FindingKind::PullUp => "pull-up",
            FindingKind::Load => "load",
            FindingKind::Circuit => "circuit",
            FindingKind::Untested => "untested",
        }
    }
}

/// Something to put right.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What it is about.
    pub kind: FindingKind,
    /// Channel, set of options or load.
    pub name: String,
    /// The position, where it concerns one.
    pub place: String,
    /// How bad it is.
    pub grade: Grade,
    /// What is wrong.
    pub what: String,
    /// What to change; of one that the maker has accepted the reason why.
    pub change: String,
}

impl Finding {
    /// Whether there is something to put right: the maker has not accepted it.
    pub fn open(&self) -> bool {
        self.grade != Grade::Pass
    }

    /// A finding that lets every position be read right passes where the maker has accepted it.
    fn accept(&mut self, board: &Board) {
        let (what, parts) = match self.kind {
            FindingKind::Gap => (GAP, read_as(board, &self.name)),
            FindingKind::Load => {
                let load = board.loads.iter().position(|load| load.id == self.name);
                (IN_RESET, load.map(Part::Load).into_iter().collect())
            }
            _ => return,
        };
        let entry = board.accepted.iter().find(|a| a.takes(what, &parts));
        if let Some(entry) = entry.filter(|_| self.grade == Grade::Marginal) {
            self.grade = Grade::Pass;
            self.change = format!("accepted: {}", entry.reason);
        }
    }
}

/// A channel, and the sets of options that are read from it.
fn read_as(board: &Board, name: &str) -> Vec<Part> {
    let Some(channel) = board.channel(name) else { return Vec::new() };
    let sets = board.options.iter().enumerate().filter(|(_, s)| s.channels.contains(&channel));
    sets.map(|(s, _)| Part::Options(s)).chain([Part::Channel(channel)]).collect()
}

/// Positions in the order of the board's sets, and what was found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Check {
    /// One for each position of an analog channel and each row of a set read from levels.
    pub positions: Vec<PositionCheck>,
    /// What to put right.
    pub findings: Vec<Finding>,
}

impl Check {
    /// The worst grade of all; a check of nothing is not tested.
    pub fn grade(&self) -> Grade {
        let grades = self.positions.iter().map(|p| p.grade);
        let all = grades.chain(self.findings.iter().map(|f| f.grade));
        all.max().unwrap_or(Grade::NotTested)
    }
}

/// What the firmware is said to do that does not fit the board: where, what, what next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mismatch {
    /// What does not fit.
    pub what: String,
    /// What to do about it.
    pub do_next: String,
}

impl fmt::Display for Mismatch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.what, self.do_next)
    }
}

impl std::error::Error for Mismatch {}

/// Checks what the firmware makes of every channel that an option is read from, and whether the
/// loads are held off in reset.
///
/// Design bands, windows and level margins are those of [`super::windows`]. A channel or set
/// without an entry in `decodings` is found untested, never right.
///
/// # Errors
/// Every entry that does not fit the board: an option it does not have, a wrong number of
/// thresholds.
pub fn check(board: &Board, decodings: &[Decoding]) -> Result<Check, Vec<Mismatch>> {
    let mut check = Check::default();
    let mut wrong = unread(board, decodings);
    let whole = shorts::too_large(board);
    if !whole.is_empty() {
        check.findings.extend(whole.iter().map(|p| circuit(board, None, p)));
        return if wrong.is_empty() { Ok(check) } else { Err(wrong) };
    }
    let windows: Vec<Result<ChannelWindows, Vec<WindowProblem>>> =
        (0..board.channels.len()).map(|c| super::of_channel(board, c)).collect();
    for (s, set) in board.options.iter().enumerate() {
        let mut levels = Some(Vec::new());
        for &channel in &set.channels {
            match windows.get(channel) {
                Some(Ok(found)) if board.channels[channel].kind == Kind::Analog => {
                    let said = decodings.iter().find(|d| d.channel() == Some(channel));
                    match analog(board, found, said) {
                        Ok(part) => check.add(part),
                        Err(mismatch) => wrong.push(mismatch),
                    }
                }
                Some(Ok(found)) if board.channels[channel].kind == Kind::Digital => {
                    levels.iter_mut().for_each(|l| l.push(found.clone()));
                }
                Some(Err(problems)) => {
                    levels = None;
                    let found = problems.iter().map(|p| circuit(board, Some(channel), p));
                    check.findings.extend(found);
                }
                Some(Ok(_)) | None => {}
            }
        }
        if let Some(levels) = levels.filter(|l| !l.is_empty()) {
            let said = decodings.iter().find(|d| d.set() == Some(s));
            match bits::check(board, s, &levels, said) {
                Ok(part) => check.add(part),
                Err(mismatch) => wrong.push(mismatch),
            }
        }
    }
    let mut whole = shorts::shorts(board);
    whole.extend(windows.iter().filter_map(|w| w.as_ref().err()).flatten().cloned());
    shorts::once(&mut whole);
    let settings = whole.iter().filter(|p| matches!(p, WindowProblem::ShortSetting { .. }));
    check.findings.extend(settings.map(|p| circuit(board, None, p)));
    let sound: Result<Vec<ChannelWindows>, _> = windows.into_iter().collect();
    if let Ok(windows) = sound {
        check
            .findings
            .extend(super::alike(board, &windows).iter().map(|p| circuit(board, None, p)));
    }
    check.findings.extend(loads::findings(board));
    check.findings.iter_mut().for_each(|finding| finding.accept(board));
    if wrong.is_empty() { Ok(check) } else { Err(wrong) }
}

impl Check {
    fn add(&mut self, part: Check) {
        self.positions.extend(part.positions);
        self.findings.extend(part.findings);
    }
}

/// Entries for channels that no option is read from.
fn unread(board: &Board, decodings: &[Decoding]) -> Vec<Mismatch> {
    let unread = |channel: &usize| !board.options.iter().any(|s| s.channels.contains(channel));
    let channels = decodings.iter().filter_map(Decoding::channel).filter(unread);
    channels
        .map(|channel| Mismatch {
            what: format!("no option is read from {}", board.channels[channel].id),
            do_next: "take its thresholds out, or name it in a set of options".into(),
        })
        .collect()
}

fn analog(
    board: &Board,
    windows: &ChannelWindows,
    said: Option<&Decoding>,
) -> Result<Check, Mismatch> {
    let id = &board.channels[windows.channel].id;
    let Some(said) = said else {
        let change = format!(
            "add `[[thresholds]]` with `channel = \"{id}\"` to the board file, or give \
             --thresholds {id}=CODE,CODE"
        );
        return Ok(Check { positions: Vec::new(), findings: vec![untested(id, change)] });
    };
    let zones = zones::of(board, windows, said)?;
    let mut check = analog::check(board, windows, &zones);
    check.findings.extend(scale::findings(board, windows, said, &zones, &check.positions));
    Ok(check)
}

fn untested(name: &str, change: String) -> Finding {
    Finding {
        kind: FindingKind::Untested,
        name: name.to_string(),
        place: String::new(),
        grade: Grade::NotTested,
        what: "nothing says what the firmware makes of it".into(),
        change,
    }
}

/// A circuit that cannot be read right by any thresholds.
fn circuit(board: &Board, channel: Option<usize>, problem: &WindowProblem) -> Finding {
    let plain = |name: &str| {
        let text = problem.to_string();
        let (what, change) = text.split_once("; ").unwrap_or((&text, "change the circuit"));
        Finding {
            kind: FindingKind::Circuit,
            name: name.to_string(),
            place: String::new(),
            grade: Grade::Fail,
            what: what.to_string(),
            change: change.to_string(),
        }
    };
    match (problem, channel) {
        (WindowProblem::Alike { set, .. }, _) => plain(set),
        (_, None) => plain(&board.name),
        (WindowProblem::Floating { class, .. }, Some(channel))
            if board.channels[channel].kind == Kind::Digital =>
        {
            bits::unheld(board, channel, class)
        }
        (_, Some(channel)) => plain(&board.channels[channel].id),
    }
}
