//! What a pass means: the defects that the sequence shows, and those that are left to the eye and
//! the meter.

use super::table::{Cell, Form, Table};
use super::windows::is_meter;
use super::wrap;
use crate::bench::{Otherwise, otherwise};
use crate::board::{Board, GAP, IN_RESET};
use crate::circuit;
use crate::faults::{self, ALIKE, By, Fault, Likeness, Moved, Sighting, Witness};
use crate::walk::{Walk, meter};
use crate::window::Windows;

/// Every modelled defect, a row each, for programs.
pub fn table(board: &Board, windows: &Windows, walk: &Walk) -> Table {
    let columns = [
        "class",
        "defect",
        "seen",
        "step",
        "setting",
        "shown_by",
        "by",
        "moves_codes",
        "moves_channel",
        "moves_at",
    ];
    let mut table = Table::new(&columns);
    for (fault, sighting) in &walk.coverage.seen {
        let witness = match sighting.by {
            Witness::Channel(channel) => board.channels[channel].id.as_str(),
            Witness::Question(question) => board.questions[question].id.as_str(),
            Witness::Load(load) => board.loads[load].id.as_str(),
        };
        let metered = matches!(sighting.by, Witness::Channel(c) if is_meter(&board.channels[c]));
        let setting = match metered {
            true => &walk.metered[sighting.step].setting,
            false => &walk.steps[sighting.step].setting,
        };
        table.rows.push(vec![
            fault.class().into(),
            fault.text(board).into(),
            "yes".into(),
            // People count from 1; what is measured before the power is on is no step.
            if metered { Cell::Missing } else { Cell::Number(sighting.step as f64 + 1.0, 0) },
            setting.text(board).into(),
            witness.into(),
            Cell::Missing,
            Cell::Missing,
            Cell::Missing,
            Cell::Missing,
        ]);
    }
    let unseen: Vec<Fault> = walk.coverage.unseen.iter().map(|(fault, _)| *fault).collect();
    let likenesses = faults::likeness(board, &unseen);
    for ((fault, by), likeness) in walk.coverage.unseen.iter().zip(likenesses) {
        let most = match &likeness {
            Likeness::Most(moved) => Some(moved),
            Likeness::Untried => None,
        };
        let at = most.and_then(|m| Some((m, m.channel?)));
        table.rows.push(vec![
            fault.class().into(),
            fault.text(board).into(),
            "no".into(),
            Cell::Missing,
            Cell::Missing,
            Cell::Missing,
            by.text(board).into(),
            Cell::number(most.map(|m| m.codes), 1),
            at.map_or(Cell::Missing, |(_, c)| board.channels[c].id.as_str().into()),
            at.map_or(Cell::Missing, |(m, c)| {
                where_moved(board, m, c).trim_start_matches(", ").into()
            }),
        ]);
    }
    for other in otherwise(board, windows, walk) {
        let mut row = vec![other.class.into(), other.what.into()];
        row.push(if other.found { "yes" } else { "no" }.into());
        row.extend([Cell::Missing, Cell::Missing]);
        let by = other.by.into();
        row.extend(if other.found { [by, Cell::Missing] } else { [Cell::Missing, by] });
        row.extend([Cell::Missing, Cell::Missing, Cell::Missing]);
        table.rows.push(row);
    }
    table
}

/// What is no defect of the circuit, and what finds it.
fn otherwise_text(found: &[Otherwise]) -> String {
    let mut text = String::new();
    for other in found {
        if text.is_empty() {
            text += "\nno defect of the circuit, and what finds it\n";
        }
        for line in wrap::lines(&other.what, 80) {
            text += &format!("{line}\n");
        }
        let by = match other.found {
            true => format!("by {}", other.by),
            false => format!("not found by the test; by {}", other.by),
        };
        for line in wrap::lines(&by, 76) {
            text += &format!("    {line}\n");
        }
    }
    text
}

/// What a sequence asks of the operator: `17 moves (17 is the least), about 95 s by hand`.
pub fn effort(board: &Board, walk: &Walk) -> String {
    let seconds = walk.seconds(board).round();
    let values = match walk.values() {
        0 => String::new(),
        1 => "1 value by meter, ".to_string(),
        n => format!("{n} values by meter, "),
    };
    let moves = match meter::needs_power(board) {
        true => format!("{} moves ({} is the least)", walk.moves(), walk.least),
        false => {
            let moves: usize = walk.metered.iter().map(|stop| stop.moves.len()).sum();
            format!("{moves} moves between them")
        }
    };
    format!("{values}{moves}, about {seconds} s by hand")
}

/// The same for people: counts by class, then what is not seen and what would see it.
pub fn text(board: &Board, windows: &Windows, walk: &Walk) -> String {
    let (seen, unseen) = (&walk.coverage.seen, &walk.coverage.unseen);
    let mut text = format!(
        "{} {}: {}\n{} modelled defects, {} of them shown\n\n",
        board.name,
        board.revision,
        effort(board, walk),
        seen.len() + unseen.len(),
        seen.len()
    );
    text += &by_class(seen, unseen).print(Form::Text);
    if !unseen.is_empty() {
        text += "\nnot shown, and what shows it\n";
        for (by, faults) in walk.coverage.unseen_together(board) {
            for line in wrap::lines(&faults::told_together(board, &faults), 80) {
                text += &format!("{line}\n");
            }
            let likeness = likeness(board, &faults::likeness(board, &faults));
            for said in [format!("by {by}"), likeness] {
                for line in wrap::lines(&said, 76) {
                    text += &format!("    {line}\n");
                }
            }
        }
    }
    let besides = otherwise(board, windows, walk);
    for (i, entry) in board.accepted.iter().enumerate() {
        // What the check of thresholds finds is its own affair.
        let of_check = [GAP, IN_RESET].iter().any(|&what| entry.besides.contains(&what));
        let of_other = besides.iter().any(|other| other.accepted == Some(i));
        if !of_check && !of_other && !unseen.iter().any(|(_, by)| *by == By::Accepted(i)) {
            let needless = format!(
                "the entry accepted because \"{}\" is needless: a reading or a check shows it, or \
                 there is no such thing on this board",
                entry.reason
            );
            text += &format!("\n{}\n", wrap::lines(&needless, 80).join("\n"));
        }
    }
    text += &otherwise_text(&besides);
    text += &least_text(board, windows, walk);
    text += &scale_text(board, windows, walk);
    let never = faults::never_seen(board);
    let never = wrap::lines(&never, 80).join("\n");
    format!("{text}\n{never}\n")
}

/// Whether defects move any reading in any setting.
fn likeness(board: &Board, found: &[Likeness]) -> String {
    let mut most: Option<&Moved> = None;
    for likeness in found {
        match likeness {
            Likeness::Untried => return "not tried in every setting".to_string(),
            Likeness::Most(moved) if most.is_none_or(|m| m.codes < moved.codes) => {
                most = Some(moved);
            }
            Likeness::Most(_) => {}
        }
    }
    match most.and_then(|m| Some((m, m.channel?))) {
        Some((moved, channel)) if moved.codes > ALIKE => format!(
            "moves {} by {:.0} codes at most{}",
            board.channels[channel].id,
            moved.codes,
            where_moved(board, moved, channel)
        ),
        _ => "moves no reading in any setting".to_string(),
    }
}

/// `, at J1=2, pull-up on`: the jumpers that the channel depends on.
fn where_moved(board: &Board, moved: &Moved, channel: usize) -> String {
    let group = circuit::group_of(board, board.channels[channel].net);
    let jumpers = group.map(|g| g.jumpers).unwrap_or_default();
    let place = |&j: &usize| {
        let jumper = &board.jumpers[j];
        format!("{}={}", jumper.id, jumper.place_name(moved.setting.0[j]))
    };
    let places: Vec<String> = jumpers.iter().map(place).collect();
    let at = if places.is_empty() { String::new() } else { format!(", at {}", places.join(" ")) };
    if moved.pulled { format!("{at}, pull-up on") } else { at }
}

/// The smallest poor contact and wrong value that each channel shows.
fn least_text(board: &Board, windows: &Windows, walk: &Walk) -> String {
    let found = faults::least(board, windows, walk.looks());
    if found.is_empty() {
        return String::new();
    }
    let columns = ["channel", "contact_from_ohm", "too_large_from_pct", "too_small_from_pct"];
    let mut table = Table::new(&columns);
    for least in found {
        table.rows.push(vec![
            board.channels[least.channel].id.as_str().into(),
            Cell::number(least.contact.map(|o| o.0), 0),
            Cell::number(least.too_large.map(|f| 100.0 * (f - 1.0)), 0),
            Cell::number(least.too_small.map(|f| 100.0 * (1.0 - 1.0 / f)), 0),
        ]);
    }
    let how = "\nsmallest poor contact and wrong resistor that show, at whichever place\n";
    how.to_string() + &table.print(Form::Text)
}

/// By what factor a whole ladder must be off to show, and what settles it where it is off by less.
fn scale_text(board: &Board, windows: &Windows, walk: &Walk) -> String {
    let found = faults::scale(board, windows, walk.looks());
    if found.is_empty() {
        return String::new();
    }
    let columns = ["channel", "times_too_large", "times_too_small", "meter", "at", "ohm"];
    let mut table = Table::new(&columns);
    let ground = board.net_name(board.supply.ground);
    for scale in found {
        let channel = &board.channels[scale.channel];
        let jumpers = circuit::group_of(board, channel.net).map_or(Vec::new(), |g| g.jumpers);
        let place = |&j: &usize| {
            let jumper = &board.jumpers[j];
            format!("{}={}", jumper.id, jumper.place_name(scale.setting.0[j]))
        };
        let places: Vec<String> = jumpers.iter().map(place).collect();
        table.rows.push(vec![
            channel.id.as_str().into(),
            Cell::number(scale.too_large, 2),
            Cell::number(scale.too_small, 2),
            format!("{} to {ground}", board.net_name(channel.net)).into(),
            places.join(" ").into(),
            Cell::Number(scale.ohms.0, 0),
        ]);
    }
    let how = "smallest factor by which all resistors of a ladder together show to be off. Within \
               it the readings cannot tell: measure the first unit by a meter, power off, the \
               supply joined to ground";
    let how = wrap::lines(how, 80).join("\n");
    format!("\n{how}\n{}", table.print(Form::Text))
}

fn by_class(seen: &[(Fault, Sighting)], unseen: &[(Fault, By)]) -> Table {
    let mut classes: Vec<&'static str> = Vec::new();
    let every = seen.iter().map(|(f, _)| f).chain(unseen.iter().map(|(f, _)| f));
    for class in every.map(|f| f.class()) {
        if !classes.contains(&class) {
            classes.push(class);
        }
    }
    classes.sort_unstable();
    let mut table = Table::new(&["class", "shown", "of"]);
    for class in classes {
        let shown = seen.iter().filter(|(f, _)| f.class() == class).count();
        let of = shown + unseen.iter().filter(|(f, _)| f.class() == class).count();
        let count = |n: usize| Cell::Number(n as f64, 0);
        table.rows.push(vec![class.into(), count(shown), count(of)]);
    }
    table
}
