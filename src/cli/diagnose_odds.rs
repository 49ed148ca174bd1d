//! How likely causes are before anything is read: stated on the command line, in the board file, and
//! learned from what was found in other units of the lot.

use super::{Exit, Failure};
use crate::board::{self, Board};
use crate::diagnose::{self, Evidence, Options};
use crate::faults;
use crate::record::Head;
use crate::record::cause::Confirmed;
use crate::report::diagnosis;
use crate::store;
use jiff::Timestamp;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Longest words of what was found.
const LONGEST: usize = 200;

/// A class as likely as this speaks against another cause that was found.
const SURE: f64 = 0.95;

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

fn folder_of(record: &Path) -> &Path {
    match record.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// Writes down what was found in a unit.
pub fn keep(
    board: &Board,
    record: &Path,
    (of, evidence): (&Head, &Evidence),
    found: &str,
) -> Result<Exit, Failure> {
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
    let replaced = store::confirm(folder, cause)?;
    if let Some(before) = replaced {
        let words =
            if before.found.is_empty() { String::new() } else { format!(": {}", before.found) };
        let what = format!("{}: replaces `{}{words}`, kept before", of.unit, before.kind);
        super::complain(&what);
    }
    let file = folder.join(store::CAUSES_FILE).display().to_string();
    super::print(&format!(
        "{}: `{kind}` is kept in {file}; it counts when other units of the lot are diagnosed\n",
        of.unit
    ))?;
    if let Some(doubt) = doubt(board, evidence, kind, words) {
        super::complain(&format!("{}: {doubt}", of.unit));
    }
    Ok(Exit::Pass)
}

/// That the record says something else nearly for certain. Whoever has looked knows better, unless
/// it was written down for the wrong unit.
fn doubt(board: &Board, evidence: &Evidence, kind: &str, words: &str) -> Option<String> {
    let diagnosis = diagnose::diagnose(board, evidence, &Options::default());
    let class = diagnosis.classes.first().filter(|class| class.probability > SURE)?;
    let part = |fault: &faults::Fault| {
        let text = fault.text(board);
        let mut named =
            words.split(|c: char| !c.is_alphanumeric()).filter(|word| is_part(board, word));
        let parts = text.split(|c: char| !c.is_alphanumeric()).collect::<Vec<&str>>();
        let mut any = false;
        let fits = named.by_ref().any(|word| {
            any = true;
            parts.iter().any(|p| p.eq_ignore_ascii_case(word))
        });
        fits || !any
    };
    let fits = class
        .causes
        .iter()
        .any(|cause| cause.faults.iter().any(|fault| fault.class() == kind && part(fault)));
    let first = class.causes.first().filter(|_| diagnosis.explained && !fits)?;
    let says = diagnosis::sentence(board, first);
    let share = diagnosis::percent(class.probability, true);
    let others = match class.causes.len() {
        1 => String::new(),
        many => format!(" (or {} that read alike)", many - 1),
    };
    Some(format!(
        "the record says otherwise, {share}: {says}{others}; see that the unit and the part are the \
         right ones. What you found is kept"
    ))
}

/// The parts that words name, each once.
fn parts_named(board: &Board, words: &str) -> BTreeSet<String> {
    let words = words.split(|c: char| !c.is_alphanumeric());
    words.filter(|word| is_part(board, word)).map(str::to_uppercase).collect()
}

/// Whether a word names a resistor, a capacitor or a header.
fn is_part(board: &Board, word: &str) -> bool {
    let resistors = board.resistors.iter().map(|p| &p.id);
    let capacitors = board.capacitors.iter().map(|p| &p.id);
    let mut ids = resistors.chain(capacitors).chain(board.jumpers.iter().map(|p| &p.id));
    ids.any(|id| id.eq_ignore_ascii_case(word))
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
        if !board::WEIGHTS.contains(&weight) {
            let [low, high] = [board::WEIGHTS.start(), board::WEIGHTS.end()];
            return Err(wrong(&format!("the weight is {low} to {high}, as in [odds]")));
        }
        weights.push((kind.to_string(), weight));
    }
    Ok(weights)
}
