//! `--found`: what somebody found in a unit is kept for the others of its lot, taken back, or said to
//! be nothing.

use super::diagnose_odds::{folder_of, is_part, kinds};
use super::{Exit, Failure};
use crate::board::{Board, Part};
use crate::diagnose::{self, Evidence, Options, SETTLED};
use crate::faults::{self, Fault};
use crate::record::Head;
use crate::record::cause::{Confirmed, NOTHING};
use crate::report::{diagnosis, diagnosis_class};
use crate::store;
use jiff::Timestamp;
use std::collections::BTreeSet;
use std::path::Path;

/// Longest words of what was found.
const LONGEST: usize = 200;

/// What takes back what was kept of an attempt.
const NONE: &str = "none";

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
    if kind == NONE {
        return take_back(board, record, of);
    }
    let known = kinds(board);
    if kind != NOTHING && !known.contains(&kind) {
        let like = "write it like \"resistor open: R3, cracked\"; `nothing` where somebody looked in \
                    vain, `none` takes back what was kept";
        return Err(wrong(format!("the kinds are {}; {like}", known.join(", "))));
    }
    if words.chars().any(char::is_control) || words.chars().count() > LONGEST {
        return Err(wrong(format!("the words are one line of at most {LONGEST} characters")));
    }
    if let Some((part, like)) = unknown_part(board, words) {
        let own = board.name.as_str();
        return Err(wrong(format!("{own} has no {part}; it has {}", like.join(", "))));
    }
    if let Some(why) = other_kind(board, kind, words) {
        return Err(wrong(why));
    }
    if of.unit.is_empty() {
        return Err(wrong(NO_UNIT.into()));
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
        "{}: `{kind}` is kept in {file}; it {} when other units of the lot are diagnosed\n",
        of.unit,
        if kind == NOTHING { "changes no odds" } else { "counts" }
    ))?;
    if let Some(doubt) = doubt(board, evidence, kind, words) {
        super::complain(&format!("{}: {doubt}", of.unit));
    }
    Ok(Exit::Pass)
}

/// What is said of a record without a unit.
const NO_UNIT: &str = "the record names no unit; give the record of its test";

/// Takes back what was kept of this attempt.
fn take_back(board: &Board, record: &Path, of: &Head) -> Result<Exit, Failure> {
    if of.unit.is_empty() {
        return Err(Failure::input(format!("--found {NONE}: {NO_UNIT}")));
    }
    let folder = folder_of(record);
    let known = store::withdraw(folder, (&board.name, &of.unit, of.attempt))?;
    let words = if known.found.is_empty() { String::new() } else { format!(": {}", known.found) };
    super::print(&format!("{}: `{}{words}` is taken back\n", of.unit, known.kind))?;
    Ok(Exit::Pass)
}

/// What a part is called, and of what sort it is.
fn named(board: &Board, part: Part) -> Vec<&str> {
    match part {
        Part::Resistor(r) => vec![board.resistors[r].id.as_str()],
        Part::Jumper(j) => vec![board.jumpers[j].id.as_str()],
        Part::Channel(c) => vec![board.channels[c].id.as_str(), &board.channels[c].pin.name],
        Part::Switch(s) => vec![board.switches[s].id.as_str()],
        Part::Load(l) => vec![board.loads[l].id.as_str()],
        Part::Options(_) => Vec::new(),
    }
}

/// Whether two parts are of one sort: what happens to one resistor may happen to any.
fn same_sort(a: Part, b: Part) -> bool {
    std::mem::discriminant(&a) == std::mem::discriminant(&b)
}

/// Why a kind of defect is none that the parts named may have, and what would fit either.
fn other_kind(board: &Board, kind: &str, words: &str) -> Option<String> {
    let modelled = faults::modelled(board);
    let of_kind = |kind: &str| -> Vec<Part> {
        modelled.iter().filter(|f| f.class() == kind).flat_map(|f| f.parts()).collect()
    };
    let own = of_kind(kind);
    let words: Vec<&str> = words
        .split(|c: char| !(c.is_alphanumeric() || c == '_'))
        .filter(|w| !w.is_empty())
        .collect();
    let parts = modelled.iter().flat_map(|f| f.parts());
    let is_named = |part: &Part| {
        named(board, *part).iter().any(|id| words.iter().any(|w| w.eq_ignore_ascii_case(id)))
    };
    let parts: Vec<Part> = parts.filter(is_named).collect();
    let first = *parts.first()?;
    if kind == NOTHING || parts.iter().any(|&part| own.iter().any(|&own| same_sort(own, part))) {
        return None;
    }
    let kinds: BTreeSet<&str> = modelled
        .iter()
        .filter(|f| f.parts().iter().any(|&p| same_sort(p, first)))
        .map(|f| f.class())
        .collect();
    let mut fit: Vec<&str> = Vec::new();
    for id in own.iter().filter_map(|&part| named(board, part).first().copied()) {
        if !fit.contains(&id) {
            fit.push(id);
        }
    }
    let part = named(board, first).first().copied().unwrap_or_default();
    let kinds: Vec<&str> = kinds.into_iter().collect();
    Some(format!(
        "`{kind}` is none of {part}'s defects; it is one of {}, and {part} may have: {}",
        fit.join(", "),
        kinds.join(", ")
    ))
}

/// That the record says something else nearly for certain. Whoever has looked knows better, unless
/// it was written down for the wrong unit.
fn doubt(board: &Board, evidence: &Evidence, kind: &str, words: &str) -> Option<String> {
    let diagnosis = diagnose::diagnose(board, evidence, &Options::default());
    let class = diagnosis.classes.first().filter(|class| class.probability > SETTLED)?;
    let part = |fault: &Fault| {
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
    let good = class.causes.iter().any(|cause| cause.faults.is_empty());
    let fits = fits || kind == NOTHING && good;
    let first = class.causes.first().filter(|_| diagnosis.explained && !fits)?;
    let says = diagnosis::sentence(board, first);
    let share = diagnosis_class::percent(class.probability, true);
    let others = match class.causes.len() {
        1 => String::new(),
        many => format!(" (or {} that read alike)", many - 1),
    };
    Some(format!(
        "the record says otherwise, {share}: {says}{others}; see that the unit and the part are the \
         right ones. What you found is kept"
    ))
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
