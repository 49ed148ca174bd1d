//! How likely causes are before anything is read: stated on the command line, in the board file, and
//! learned from what was found in other units of the lot.

use super::Failure;
use crate::board::{self, Board};
use crate::diagnose::{self, Options};
use crate::faults;
use crate::record::Head;
use crate::record::cause::NOTHING;
use crate::report::diagnosis;
use crate::store;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// The odds that causes have beforehand, and where they come from.
pub struct Odds {
    /// What the diagnosis is given.
    pub weights: Options,
    given: Vec<(String, f64)>,
    confirmed: BTreeMap<String, usize>,
    file: String,
    /// Whether the file of confirmed causes ends in half a line.
    torn: bool,
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
            torn: false,
        };
        let Some((path, head)) = record else { return Ok(odds) };
        let folder = folder_of(path);
        odds.file = folder.join(store::CAUSES_FILE).display().to_string();
        // Its own causes would only say again what is to be found out.
        let (causes, torn) = store::causes(folder)?;
        odds.torn = torn;
        // A unit tested again before its repair has one defect, however often it was found.
        let others = causes.iter().filter(|c| c.board == board.name && c.unit != head.unit);
        let others = others.filter(|c| c.kind != NOTHING);
        let defects: BTreeSet<_> =
            others.map(|c| (&c.unit, &c.kind, parts_named(board, &c.found))).collect();
        for (_, kind, _) in defects {
            *odds.confirmed.entry(kind.clone()).or_default() += 1;
        }
        odds.weights.weights = diagnose::learned(board, &odds.weights.weights, &odds.confirmed);
        Ok(odds)
    }

    /// What of the lot's file could not be used.
    pub fn notes(&self) -> Vec<String> {
        let torn = format!("note: {} ends in half a line, which is left out", self.file);
        self.torn.then_some(torn).into_iter().collect()
    }

    /// Which odds were used, for people.
    pub fn text(&self, board: &Board) -> String {
        let text = diagnosis::odds_text(board, &self.given, &self.confirmed, &self.file);
        self.notes().iter().fold(text, |text, note| text + &diagnosis::line(note))
    }
}

/// The folder of a record, where its lot's causes lie.
pub fn folder_of(record: &Path) -> &Path {
    match record.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// The parts that words name, each once.
fn parts_named(board: &Board, words: &str) -> BTreeSet<String> {
    let words = words.split(|c: char| !c.is_alphanumeric());
    words.filter(|word| is_part(board, word)).map(str::to_uppercase).collect()
}

/// Whether a word names a resistor, a capacitor or a header.
pub fn is_part(board: &Board, word: &str) -> bool {
    let resistors = board.resistors.iter().map(|p| &p.id);
    let capacitors = board.capacitors.iter().map(|p| &p.id);
    let mut ids = resistors.chain(capacitors).chain(board.jumpers.iter().map(|p| &p.id));
    ids.any(|id| id.eq_ignore_ascii_case(word))
}

/// The kinds of defects that a board may have.
pub fn kinds(board: &Board) -> Vec<&'static str> {
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
        if !board::WEIGHTS.contains(&weight) {
            let [low, high] = [board::WEIGHTS.start(), board::WEIGHTS.end()];
            return Err(wrong(&format!("the weight is {low} to {high}, as in [odds]")));
        }
        weights.push((kind.to_string(), weight));
    }
    Ok(weights)
}
