//! Which part to lift, for programs: a row for every cause, and one for everything else that people
//! are told beside them; what trusted units say of the board file.

use super::diagnosis::{leading, nothing_to_lift, sentence};
use super::diagnosis_trust::Trusted;
use super::table::{Cell, Table};
use super::{diagnosis_beside, diagnosis_next, diagnosis_trust};
use crate::board::Board;
use crate::diagnose::{Cause, Diagnosis, Evidence, Suggestion, beside};

/// What is told beside the causes.
pub struct Aside<'a> {
    /// Values of a meter that go with nothing, in words.
    pub apart: Option<String>,
    /// What would settle most, best first.
    pub next: &'a [Suggestion],
    /// What else is to be known of the record and of the odds.
    pub notes: &'a [String],
}

/// Every cause, a row each; those beside the parts without odds and class, and after them, marked
/// by their kind, what is in doubt, what was not used, and what to measure next.
pub fn table(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis, aside: &Aside) -> Table {
    let columns = [
        "class",
        "class_probability",
        "probability",
        "cause",
        "kind",
        "explained",
        "in_doubt",
        "next_shows",
        "add",
    ];
    // What is to be measured next should show under a cause.
    let shows = |class: usize, at: usize, cause: &Cause| {
        let next = aside.next.first()?;
        let of = next.expected.iter().find(|e| (e.0, e.1) == (class, at))?;
        Some(diagnosis_next::shown(board, cause, next, of))
    };
    let yes = |yes: bool| Cell::text(if yes { "yes" } else { "no" });
    let mut table = Table::new(&columns);
    for (i, class) in diagnosis.classes.iter().enumerate() {
        for (at, cause) in class.causes.iter().enumerate() {
            let kind = cause.faults.first().map_or("good unit", |f| f.class());
            table.rows.push(vec![
                Cell::Number(i as f64 + 1.0, 0),
                Cell::Number(class.probability, 4),
                Cell::Number(cause.probability, 4),
                sentence(board, cause).into(),
                kind.into(),
                yes(diagnosis.explained),
                yes(aside.apart.is_some()),
                Cell::text(shows(i, at, cause).unwrap_or_default()),
                Cell::Missing,
            ]);
        }
    }
    let mut words = |kind: &str, text: &str, add: Option<String>| {
        let text = text.split_whitespace().collect::<Vec<&str>>().join(" ");
        let mut cells = vec![Cell::Missing; columns.len()];
        (cells[3], cells[4]) = (text.into(), kind.into());
        cells[columns.len() - 1] = Cell::text(add.unwrap_or_default());
        table.rows.push(cells);
    };
    for beside in beside(board, evidence, leading(diagnosis)) {
        let (kind, sentence) = diagnosis_beside::row(board, &beside);
        words(kind, &sentence, None);
    }
    if let Some(apart) = &aside.apart {
        words("measure again", apart.trim_start_matches("Measure again: "), None);
    }
    if let Some(best) = aside.next.first() {
        let what = diagnosis_next::measurement(board, &best.measurement);
        words("next", &what, diagnosis_next::add(board, best));
    }
    for why in &evidence.left_out {
        words("not used", why, None);
    }
    if nothing_to_lift(board, evidence, diagnosis) {
        words("note", diagnosis_next::NOTHING, None);
    }
    if let Some(mended) = diagnosis_next::mended(board, evidence) {
        words("note", &mended, None);
    }
    for note in aside.notes {
        words("note", note.trim_start_matches("note: "), None);
    }
    table
}

/// What trusted units say of the board file: a row for each entry that their rows contradict outright,
/// for each correction, with each unit against it, for each unit that contradicts the file where no
/// correction does, and for what was not read of each; one that they agree where nothing contradicts.
pub fn trusted(board: &Board, said: &Trusted) -> Table {
    let mut table = Table::new(&["kind", "what", "odds_log10", "explained", "units"]);
    let count = |n: usize| Cell::Number(n as f64, 0);
    let units = said.units;
    let all = units.len();
    let row =
        |kind: &str, what: Cell| vec![kind.into(), what, Cell::Missing, Cell::Missing, count(all)];
    let named = |unit: usize| Cell::from(units[unit].as_str());
    for (unit, filed) in
        said.filed.iter().enumerate().flat_map(|(u, f)| f.iter().map(move |f| (u, f)))
    {
        table.rows.push(row("file", format!("{}: {}", units[unit], filed.text(board)).into()));
    }
    for correction in said.found {
        table.rows.push(vec![
            "correction".into(),
            diagnosis_trust::entry(board, &correction.entry).into(),
            Cell::Number(correction.preferred / std::f64::consts::LN_10, 2),
            count(correction.explained),
            count(correction.asked),
        ]);
        table.rows.extend(correction.against.iter().map(|&unit| row("against", named(unit))));
    }
    table.rows.extend(said.apart.iter().map(|&unit| row("contradicts", named(unit))));
    if table.rows.is_empty() {
        table.rows.push(row("agree", Cell::Missing));
    }
    for (unit, gap) in said.gaps.iter().enumerate().filter(|(_, gap)| !gap.is_none()) {
        let what = format!("{}: {}", units[unit], diagnosis_trust::gap(board, gap));
        table.rows.push(row("not read", what.into()));
    }
    table
}
