//! How likely causes are before anything is read: stated on the command line, in the board file, and
//! learned from what was found in other units of the lot.

use super::{Exit, Failure};
use crate::board::Board;
use crate::diagnose::{self, Options};
use crate::faults;
use crate::record::Head;
use crate::record::cause::Confirmed;
use crate::report::diagnosis;
use crate::store;
use jiff::Timestamp;
use std::collections::BTreeMap;
use std::path::Path;

/// Longest words of what was found.
const LONGEST: usize = 200;

/// The odds that causes have beforehand, and where they come from.
pub struct Odds {
    /// What the diagnosis is given.
    pub weights: Options,
    given: Vec<(String, f64)>,
    confirmed: BTreeMap<String, usize>,
    file: String,
}

impl Odds {
    /// Those given on the command line, and what was found in the other units beside a record.
    pub fn of(
        board: &Board,
        given: &[String],
        record: Option<(&Path, &Head)>,
    ) -> Result<Odds, Failure> {
        let given = weights(board, given)?;
        let mut odds = Odds {
            weights: Options { weights: given.iter().cloned().collect() },
            given,
            confirmed: BTreeMap::new(),
            file: String::new(),
        };
        let Some((path, head)) = record else { return Ok(odds) };
        let folder = folder_of(path);
        odds.file = folder.join(store::CAUSES_FILE).display().to_string();
        // Its own causes would only say again what is to be found out.
        for cause in store::causes(folder)? {
            if cause.board == board.name && cause.unit != head.unit {
                *odds.confirmed.entry(cause.kind).or_default() += 1;
            }
        }
        odds.weights.weights = diagnose::learned(board, &odds.weights.weights, &odds.confirmed);
        Ok(odds)
    }

    /// Which odds were used, for people.
    pub fn text(&self, board: &Board) -> String {
        diagnosis::odds_text(board, &self.given, &self.confirmed, &self.file)
    }
}

fn folder_of(record: &Path) -> &Path {
    match record.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// Writes down what was found in a unit.
pub fn keep(board: &Board, record: &Path, of: &Head, found: &str) -> Result<Exit, Failure> {
    let wrong = |why: String| Failure::input(format!("--found '{found}': {why}"));
    let (kind, words) = found.split_once(':').unwrap_or((found, ""));
    let (kind, words) = (kind.trim(), words.trim());
    let known = kinds(board);
    if !known.contains(&kind) {
        let like = "write it like \"resistor open: R3, cracked\"";
        return Err(wrong(format!("the kinds are {}; {like}", known.join(", "))));
    }
    if words.chars().any(char::is_control) || words.chars().count() > LONGEST {
        return Err(wrong(format!("the words are one line of at most {LONGEST} characters")));
    }
    if let Some((part, like)) = unknown_part(board, words) {
        let own = board.name.as_str();
        return Err(wrong(format!("{own} has no {part}; it has {}", like.join(", "))));
    }
    if of.unit.is_empty() {
        let what = "the record names no unit; give the record of its test";
        return Err(wrong(what.into()));
    }
    let folder = folder_of(record);
    let cause = Confirmed {
        board: board.name.clone(),
        unit: of.unit.clone(),
        attempt: of.attempt,
        kind: kind.into(),
        found: words.into(),
        at: Timestamp::now(),
        ..Confirmed::default()
    };
    store::confirm(folder, cause)?;
    let file = folder.join(store::CAUSES_FILE).display().to_string();
    super::print(&format!(
        "{}: `{kind}` is kept in {file}; it counts when other units of the lot are diagnosed\n",
        of.unit
    ))?;
    Ok(Exit::Pass)
}

/// A part named like those of the board that is none of them, and those that there are. Parts of
/// kinds that the board file does not have at all may well be on the board.
fn unknown_part<'a>(board: &Board, words: &'a str) -> Option<(&'a str, Vec<String>)> {
    let named = |ids: Vec<&String>| ids.into_iter().cloned().collect::<Vec<String>>();
    let parts: Vec<String> = [
        named(board.resistors.iter().map(|p| &p.id).collect()),
        named(board.capacitors.iter().map(|p| &p.id).collect()),
        named(board.jumpers.iter().map(|p| &p.id).collect()),
        named(board.switches.iter().map(|p| &p.id).collect()),
        named(board.loads.iter().map(|p| &p.id).collect()),
    ]
    .concat();
    let others = board.channels.iter().map(|c| &c.id).chain(&board.nets);
    let known: Vec<&String> = parts.iter().chain(others).collect();
    let letters = |id: &str| {
        let numbered = id.trim_end_matches(|c: char| c.is_ascii_digit());
        let is = numbered.len() < id.len() && numbered.chars().all(|c| c.is_ascii_alphabetic());
        (is && !numbered.is_empty()).then(|| numbered.to_uppercase())
    };
    words.split(|c: char| !c.is_alphanumeric()).find_map(|word| {
        let kind = letters(word)?;
        let like: Vec<String> =
            parts.iter().filter(|id| letters(id).as_ref() == Some(&kind)).cloned().collect();
        let there = known.iter().any(|id| id.eq_ignore_ascii_case(word));
        (!like.is_empty() && !there).then_some((word, like))
    })
}

/// The kinds of defects that a board may have.
fn kinds(board: &Board) -> Vec<&'static str> {
    let mut known: Vec<&str> = faults::modelled(board).iter().map(|f| f.class()).collect();
    known.sort_unstable();
    known.dedup();
    known
}

fn weights(board: &Board, given: &[String]) -> Result<Vec<(String, f64)>, Failure> {
    let known = kinds(board);
    let mut weights = Vec::new();
    for text in given {
        let wrong = |why: &str| Failure::input(format!("--weight '{text}': {why}"));
        let (kind, weight) = text.split_once('=').ok_or_else(|| wrong("write KIND=WEIGHT"))?;
        if !known.contains(&kind) {
            return Err(wrong(&format!("the kinds are {}", known.join(", "))));
        }
        let weight: f64 = weight.parse().map_err(|_| wrong("the weight is a number"))?;
        if !(weight.is_finite() && weight > 0.0) {
            return Err(wrong("the weight is above 0"));
        }
        weights.push((kind.to_string(), weight));
    }
    Ok(weights)
}
