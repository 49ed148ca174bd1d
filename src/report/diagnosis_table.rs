//! Which part to lift, for programs: a row for every cause, and one for everything else that people
//! are told beside them.

use super::diagnosis::{leading, nothing_to_lift, sentence};
use super::table::{Cell, Table};
use super::{diagnosis_beside, diagnosis_next};
use crate::board::Board;
use crate::diagnose::{Diagnosis, Evidence, Suggestion, beside};

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
    let columns =
        ["class", "class_probability", "probability", "cause", "kind", "explained", "in_doubt"];
    let yes = |yes: bool| Cell::text(if yes { "yes" } else { "no" });
    let mut table = Table::new(&columns);
    for (i, class) in diagnosis.classes.iter().enumerate() {
        for cause in &class.causes {
            let kind = cause.faults.first().map_or("good unit", |f| f.class());
            table.rows.push(vec![
                Cell::Number(i as f64 + 1.0, 0),
                Cell::Number(class.probability, 4),
                Cell::Number(cause.probability, 4),
                sentence(board, cause).into(),
                kind.into(),
                yes(diagnosis.explained),
                yes(aside.apart.is_some()),
            ]);
        }
    }
    let mut words = |kind: &str, text: &str| {
        let text = text.split_whitespace().collect::<Vec<&str>>().join(" ");
        let none = || Cell::Missing;
        table.rows.push(vec![none(), none(), none(), text.into(), kind.into(), none(), none()]);
    };
    for beside in beside(board, evidence, leading(diagnosis)) {
        let (kind, sentence) = diagnosis_beside::row(board, &beside);
        words(kind, &sentence);
    }
    if let Some(apart) = &aside.apart {
        words("measure again", apart.trim_start_matches("Measure again: "));
    }
    if let Some(best) = aside.next.first() {
        words("next", &diagnosis_next::measurement(board, &best.measurement));
    }
    for why in &evidence.left_out {
        words("not used", why);
    }
    if nothing_to_lift(board, evidence, diagnosis) {
        words("note", diagnosis_next::NOTHING);
    }
    for note in aside.notes {
        words("note", note.trim_start_matches("note: "));
    }
    table
}
