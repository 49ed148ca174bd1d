//! What units known good say of the board file, in its own words.

use super::diagnosis::{SHOWN, paragraph, rounded};
use crate::board::{Board, NetId};
use crate::diagnose::{Correction, Entry};
use crate::faults::Fault;
use crate::units::Ohms;

/// What trusted units, by their names, say of the board file; `apart` are those that contradict it
/// where no correction does.
pub fn text(board: &Board, units: &[String], found: &[Correction], apart: &[usize]) -> String {
    let agree = match units {
        [one] => format!("{one} agrees with the board file.\n"),
        many => format!("{} trusted units agree with the board file.\n", many.len()),
    };
    let alone = apart.len() < units.len();
    match (found.is_empty(), apart) {
        (true, []) => agree,
        (false, []) => corrections(board, units.len(), found),
        // All of them contradict it, and no entry is what they have in common.
        (true, _) if !alone => paragraph(
            "These units contradict the board file, and no single entry explains it. They may differ \
             among themselves, or several entries of one circuit are wrong: diagnose each record by \
             itself.",
            0,
        ),
        (none, apart) => {
            let file = if none { String::new() } else { corrections(board, units.len(), found) };
            let named: Vec<&str> = apart.iter().map(|&u| units[u].as_str()).collect();
            let (do_so, whose) = match &named[..] {
                [_] => ("contradicts", "that unit's. Diagnose its record alone, and trust it"),
                _ => ("contradict", "those units'. Diagnose each record alone, and trust them"),
            };
            let words = format!(
                "{} {do_so} the board file where the others agree with it: what is wrong there is \
                 {whose} no more.",
                named.join(" and ")
            );
            file + &paragraph(&words, 0)
        }
    }
}

fn corrections(board: &Board, units: usize, found: &[Correction]) -> String {
    let disagree = match units {
        1 => "The trusted unit disagrees".to_string(),
        many => format!("{many} trusted units disagree"),
    };
    let mut out = paragraph(
        &format!(
            "{disagree} with the board file. Likeliest first; change the file only when the drawing \
             and the parts say so too, limits are never learned from units:"
        ),
        0,
    );
    for correction in found.iter().take(SHOWN) {
        let what = entry(board, &correction.entry);
        let explained = match correction.explained {
            n if n == units => "with it the file explains this circuit".into(),
            n => format!("with it the file explains this circuit in {n} of {units}"),
        };
        let odds = odds(correction.preferred);
        let each = if units == 1 { "the unit prefers" } else { "on average a unit prefers" };
        let line = format!("- {what} ({each} it {odds} to 1; {explained})");
        out += &paragraph(&line, 0);
    }
    out
}

/// An entry of the board file as it might read, with what it reads now.
pub(super) fn entry(board: &Board, entry: &Entry) -> String {
    let net = |n: &NetId| &board.nets[n.0];
    let nets = |[a, b]: &[NetId; 2]| format!("[\"{}\", \"{}\"]", net(a), net(b));
    match entry {
        Entry::Defect(Fault::ResistorValue { resistor, ohms }) => {
            let r = &board.resistors[*resistor];
            format!("{}: value = \"{ohms}\" in place of {}", r.id, r.ohms)
        }
        Entry::Defect(Fault::ResistorOff { resistor, ratio }) => {
            let r = &board.resistors[*resistor];
            let ohms = Ohms(rounded(r.ohms.0 * ratio));
            format!("{}: value = some {ohms} in place of {}", r.id, r.ohms)
        }
        Entry::Defect(other) => other.text(board),
        Entry::ResistorNets { resistor, between } => {
            let r = &board.resistors[*resistor];
            format!("{}: between = {} in place of {}", r.id, nets(between), nets(&r.between))
        }
        Entry::PositionNets { jumper, position, pole, joins } => {
            let j = &board.jumpers[*jumper];
            let p = &j.positions[*position];
            let of = if p.joins.len() > 1 { format!(", pole {}", pole + 1) } else { String::new() };
            let (name, now) = (&p.name, nets(&p.joins[*pole]));
            format!("{}, position {name}{of}: joins = {} in place of {now}", j.id, nets(joins))
        }
        Entry::Order { jumper, order } => {
            let j = &board.jumpers[*jumper];
            let name = |&i: &usize| j.positions[i].name.as_str();
            let moved: Vec<usize> = (0..order.len()).filter(|&i| order[i] != i).collect();
            match &moved[..] {
                [a, b] => format!("{}: the joins of {} and {} exchanged", j.id, name(a), name(b)),
                _ => {
                    let names: Vec<&str> = order.iter().map(name).collect();
                    let all: Vec<&str> = j.positions.iter().map(|p| p.name.as_str()).collect();
                    let (names, all) = (names.join(", "), all.join(", "));
                    format!("{}: the joins of {names} at the positions {all}", j.id)
                }
            }
        }
        Entry::ChannelNet { channel, net: other } => {
            let c = &board.channels[*channel];
            format!("{}: net = \"{}\" in place of {}", c.id, net(other), net(&c.net))
        }
        Entry::ChannelsExchanged { channels: [a, b] } => {
            let [a, b] = [a, b].map(|c| &board.channels[*c].id);
            format!("the pins of {a} and {b} exchanged")
        }
    }
}

/// Odds of so many nats, with one digit.
fn odds(nats: f64) -> String {
    match nats {
        n if n > 13.8 => "more than a million".to_string(),
        n => format!("{:.0}", rounded(n.exp())),
    }
}
