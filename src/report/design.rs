//! A choice of resistors as a table.

use super::table::{Cell, Form, Table};
use super::wrap;
use crate::board::usual;
use crate::units::{Volts, rkm};
use crate::window::design::{Choice, How, Network, Outcome, Request};

/// Characters of a list of resistors that leave the table within 80 columns.
const LONG: usize = 36;

/// One row for each set, the best first, with the bound and the kind of search in each.
pub fn table(outcome: &Outcome) -> Table {
    let mut table = Table::new(&[
        "rank",
        "margin_code",
        "resistors",
        "pull",
        "different",
        "current_ua",
        "source_ohm",
        "bound_code",
        "search",
    ]);
    for (rank, choice) in (1_u32..).zip(&outcome.choices) {
        table.rows.push(vec![
            Cell::number(Some(f64::from(rank)), 0),
            Cell::number(Some(choice.margin), 1),
            resistors(choice).into(),
            choice.pull.map_or(Cell::Missing, |p| rkm(p).into()),
            Cell::number(Some(choice.different as f64), 0),
            Cell::number(Some(1e6 * choice.current.0), 0),
            Cell::number(Some(choice.source.0), 0),
            Cell::number(Some(outcome.bound), 1),
            search(outcome.how).into(),
        ]);
    }
    table
}

/// The same for people, with what the figures mean under it.
pub fn text(request: &Request, outcome: &Outcome) -> String {
    let mut text = String::new();
    if !outcome.choices.is_empty() {
        // Many resistors have lines of their own.
        let long = outcome.choices.iter().any(|c| resistors(c).len() > LONG);
        let list = |choice: &Choice| match long {
            true => Cell::text("below"),
            false => resistors(choice).into(),
        };
        let mut narrow =
            Table::new(&["", "margin", "resistors", "pull", "values", "current", "source"]);
        for (rank, choice) in (1_u32..).zip(&outcome.choices) {
            narrow.rows.push(vec![
                Cell::number(Some(f64::from(rank)), 0),
                Cell::number(Some(choice.margin), 1),
                list(choice),
                choice.pull.map_or(Cell::Missing, |p| rkm(p).into()),
                Cell::number(Some(choice.different as f64), 0),
                format!("{:.3}", choice.current).into(),
                format!("{:.3}", choice.source).into(),
            ]);
        }
        text += &narrow.print(Form::Text);
        text.push('\n');
        for (rank, choice) in (1_u32..).zip(&outcome.choices).filter(|_| long) {
            for line in wrap::lines(&format!("{rank}: {}", resistors(choice)), 78) {
                text += &format!("{line}\n");
            }
        }
        if long {
            text.push('\n');
        }
    }
    for note in notes(request, outcome) {
        for line in wrap::lines(&note, 78) {
            text += &line;
            text.push('\n');
        }
    }
    text
}

/// What was found, against what could be.
fn notes(request: &Request, outcome: &Outcome) -> Vec<String> {
    let lsb = Volts(request.supply.0 / outcome.scale);
    let mut notes = Vec::new();
    match outcome.choices.first() {
        None if outcome.bound <= 0.0 => notes.push(format!(
            "no resistors of any value tell every setting apart: the bands of the best would \
             overlap by {:.1} codes; {}",
            -outcome.bound,
            advice(request)
        )),
        None => notes.push(format!(
            "no set of these values tells every setting apart within the limits{}; resistors of \
             any value reach {:.1} codes at most; {}",
            if outcome.how == How::Exact { "" } else { ", as far as was searched" },
            outcome.bound,
            advice(request)
        )),
        Some(best) => {
            notes.push(format!(
                "margin: smallest distance between neighbouring design bands in codes of {lsb:.3}; \
                 resistors of any value within the limits reach {:.1} at most, the best here {:.1}",
                outcome.bound, best.margin
            ));
            notes.push(match outcome.how {
                How::Exact => "search: exact, no set of these values is better".to_string(),
                How::Beam => "search: beam, better sets of these values may exist up to that bound"
                    .to_string(),
            });
            notes.push(match request.network {
                Network::Ladder { .. } => "resistors: from supply to ground".to_string(),
                _ => "resistors: bit 0 first".to_string(),
            });
            notes.push(
                "values: different ones; current, source resistance: largest at worst".into(),
            );
        }
    }
    notes.extend(assumed(request));
    notes
}

/// How far the resistors drift, where the request does not say.
fn assumed(request: &Request) -> Option<String> {
    let usual = usual(request.tolerance);
    let drift = usual.tempco.filter(|_| request.in_use.tempco.is_none());
    let ageing = usual.ageing.filter(|_| request.in_use.ageing.is_none());
    let drift = drift.map(|(_, most)| format!("{:.0} ppm/K (--tempco)", 1e6 * most.0));
    let ageing = ageing.map(|a| format!("{a} with age (--ageing)"));
    let all: Vec<String> = drift.into_iter().chain(ageing).collect();
    (!all.is_empty()).then(|| {
        format!("assumed, as usual for {} resistors: {}", request.tolerance, all.join(", "))
    })
}

/// What would help where nothing was found.
fn advice(request: &Request) -> &'static str {
    match request.network {
        Network::Ladder { .. } => {
            "take fewer positions, a closer tolerance, more values or a finer converter"
        }
        Network::TwoPin { .. } => {
            "take three-pin headers (--form three-pin), fewer shunts, or read them by two pins"
        }
        Network::ThreePin { .. } => {
            "take fewer shunts, a closer tolerance, more values, or read them by two pins"
        }
    }
}

fn resistors(choice: &Choice) -> String {
    choice.ohms.iter().map(|&r| rkm(r)).collect::<Vec<_>>().join(" ")
}

fn search(how: How) -> &'static str {
    match how {
        How::Exact => "exact",
        How::Beam => "beam",
    }
}
