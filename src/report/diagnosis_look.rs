//! Looks in words: what to look for, and how the command line names it.

use crate::board::Board;
use crate::diagnose::{Between, Look};
use crate::units::{Allow, Ohms, read};

/// What to do for a look, ending in a question with yes or no.
pub fn question(board: &Board, look: Look) -> String {
    let j = |j: usize| board.jumpers[j].id.as_str();
    let r = |r: usize| board.resistors[r].id.as_str();
    match look {
        Look::SecondShunt { jumper } => {
            format!("look at {}: is there a shunt on it that the test did not ask for?", j(jumper))
        }
        Look::Bridge(pins) => look_between(board, pins),
        Look::OtherValue { resistor } => format!(
            "look at {}: is another value than {} printed on it?",
            r(resistor),
            board.resistors[resistor].ohms
        ),
        Look::Printed { resistor, ohms } => format!(
            "look at {}: is {ohms} printed on it in place of {}?",
            r(resistor),
            board.resistors[resistor].ohms
        ),
        Look::Joint { resistor } => format!(
            "look at {} with a magnifier: is it missing or cracked, or a joint lifted or dull?",
            r(resistor)
        ),
        Look::Across { resistor } => {
            format!("look at {} with a magnifier: is there solder across it?", r(resistor))
        }
        Look::PinJoint { channel } => format!(
            "look at the chip with a magnifier: is the joint at {} lifted or dull?",
            pin(board, channel)
        ),
        Look::WrongEnd { jumper } => format!(
            "look at {} and its marking: were its positions counted from the wrong end?",
            j(jumper)
        ),
        Look::Mistaken { jumpers: [a, b] } => {
            format!("look at {} and {}: were they taken for each other?", j(a), j(b))
        }
        Look::OtherShunt { jumper, position } => format!(
            "put another shunt on {} at {}: does the unit then read as it should?",
            j(jumper),
            board.jumpers[jumper].positions[position].name
        ),
        Look::Scraped(_) | Look::Desoldered(_) | Look::Resoldered { .. } => format!(
            "{}, power off: does the unit then read as it should?",
            trial(board, look).unwrap_or_default()
        ),
        Look::Lifted { resistor } => format!(
            "lift one end of {}, power off, and measure it: is it out of its {} ± {:.0} %?",
            r(resistor),
            board.resistors[resistor].ohms,
            100.0 * board.resistors[resistor].tolerance.0
        ),
        Look::Answer { question } => {
            format!("ask again in a test (`bench`): {}", board.questions[question].ask)
        }
        Look::Lamp { question, resistor } => format!(
            "look again in a test (`bench`), when it asks '{}': is the lamp at {} lit?",
            board.questions[question].ask,
            r(resistor)
        ),
    }
}

/// What is done to a unit for a look that may mend it, with the power off; none for any other.
pub fn trial(board: &Board, look: Look) -> Option<String> {
    match look {
        Look::Scraped(pins) => Some(format!("draw a blade between {}", ends(board, pins))),
        Look::Desoldered(pins) => {
            Some(format!("draw the solder off between {} with iron and braid", ends(board, pins)))
        }
        Look::Resoldered { channel } => {
            Some(format!("solder the chip's joint at {} anew", pin(board, channel)))
        }
        _ => None,
    }
}

fn pin(board: &Board, channel: usize) -> String {
    format!("{} ({})", board.channels[channel].pin.name, board.channels[channel].id)
}

/// The two pins: `pins 1 and 3 of J1`.
fn ends(board: &Board, pins: Between) -> String {
    let j = |j: usize| board.jumpers[j].id.as_str();
    match pins {
        Between::Header { jumper, pins: [a, b] } => format!("pins {a} and {b} of {}", j(jumper)),
        Between::Headers { jumpers: [a, b], pins: [p, q] } => {
            format!("pin {p} of {} and pin {q} of {}", j(a), j(b))
        }
        Between::Chip { channels: [a, b] } => {
            format!("{} and {} of the chip", pin(board, a), pin(board, b))
        }
    }
}

fn look_between(board: &Board, pins: Between) -> String {
    let j = |j: usize| board.jumpers[j].id.as_str();
    match pins {
        Between::Header { jumper, pins: [a, b] } => format!(
            "look at {} from below with a magnifier: is there solder between pins {a} and {b}?",
            j(jumper)
        ),
        Between::Headers { jumpers: [a, b], .. } => format!(
            "look at {} and {} from below with a magnifier: is there solder between {}?",
            j(a),
            j(b),
            ends(board, pins)
        ),
        Between::Chip { channels: [a, b] } => format!(
            "look at the chip with a magnifier: is there solder or residue between {} and {}?",
            pin(board, a),
            pin(board, b)
        ),
    }
}

/// How the command line names a look: what is looked for, and where.
pub fn flag(board: &Board, look: Look) -> String {
    let j = |j: usize| board.jumpers[j].id.as_str();
    let r = |r: usize| board.resistors[r].id.as_str();
    let c = |c: usize| board.channels[c].id.as_str();
    match look {
        Look::SecondShunt { jumper } => format!("second-shunt:{}", j(jumper)),
        Look::Bridge(pins) => between(board, "bridge", pins),
        Look::OtherValue { resistor } => format!("other-value:{}", r(resistor)),
        Look::Printed { resistor, ohms } => {
            format!("printed:{}:{}", r(resistor), typed(ohms))
        }
        Look::Joint { resistor } => format!("joint:{}", r(resistor)),
        Look::Across { resistor } => format!("across:{}", r(resistor)),
        Look::PinJoint { channel } => format!("pin-joint:{}", c(channel)),
        Look::WrongEnd { jumper } => format!("wrong-end:{}", j(jumper)),
        Look::Mistaken { jumpers: [a, b] } => format!("mistaken:{}:{}", j(a), j(b)),
        Look::OtherShunt { jumper, position } => {
            format!("other-shunt:{}:{}", j(jumper), board.jumpers[jumper].positions[position].name)
        }
        Look::Scraped(pins) => between(board, "scraped", pins),
        Look::Desoldered(pins) => between(board, "desoldered", pins),
        Look::Resoldered { channel } => format!("resoldered:{}", c(channel)),
        Look::Lifted { resistor } => format!("lifted:{}", r(resistor)),
        Look::Answer { question } => format!("answer:{}", board.questions[question].id),
        Look::Lamp { question, resistor } => {
            format!("lamp:{}:{}", board.questions[question].id, r(resistor))
        }
    }
}

/// Two pins as a name has it, behind what is asked of it.
fn between(board: &Board, kind: &str, pins: Between) -> String {
    let j = |j: usize| board.jumpers[j].id.as_str();
    let c = |c: usize| board.channels[c].id.as_str();
    match pins {
        Between::Header { jumper, pins: [a, b] } => format!("{kind}:{}:{a}-{b}", j(jumper)),
        Between::Headers { jumpers: [a, b], pins: [p, q] } => {
            format!("{kind}:{}:{p}:{}:{q}", j(a), j(b))
        }
        Between::Chip { channels: [a, b] } => format!("chip-{kind}:{}:{}", c(a), c(b)),
    }
}

/// Ohms as a keyboard has them: `2.7k`.
fn typed(ohms: Ohms) -> String {
    ohms.to_string().replace([' ', 'Ω'], "")
}

/// The same name with its two ends in the other order, in each of the ways in which ends are
/// written: `bridge:J2:2-1`, `chip-bridge:MODE:BUS1`, `bridge:J2:1:J1:3`.
fn turned(name: &str) -> Vec<String> {
    match name.split(':').collect::<Vec<&str>>()[..] {
        [kind, a, b] => {
            let pins = b.split_once('-').map(|(p, q)| format!("{kind}:{a}:{q}-{p}"));
            pins.into_iter().chain([format!("{kind}:{b}:{a}")]).collect()
        }
        [kind, a, p, b, q] => vec![format!("{kind}:{b}:{q}:{a}:{p}")],
        _ => Vec::new(),
    }
}

/// The look that a name stands for, as [`flag`] writes it; two ends may be in either order.
///
/// Errors: what is wrong with the name, and which names there are.
pub fn named(board: &Board, name: &str) -> Result<Look, String> {
    // A value may be written in several ways, and any may be printed.
    if let ["printed", id, value] = name.split(':').collect::<Vec<&str>>()[..]
        && let Some(resistor) = board.resistors.iter().position(|r| r.id == id)
    {
        let ohms = read::<Ohms>(value, Allow::Positive).map_err(|e| e.to_string())?;
        return Ok(Look::Printed { resistor, ohms });
    }
    let looks = Look::all(board);
    let named = |name: &str| looks.iter().find(|look| flag(board, **look) == name);
    if let Some(look) = named(name).or_else(|| turned(name).iter().find_map(|name| named(name))) {
        return Ok(*look);
    }
    let kind = name.split(':').next().unwrap_or_default();
    let names: Vec<String> = looks.iter().map(|look| flag(board, *look)).collect();
    let same: Vec<&str> = names
        .iter()
        .filter(|known| known.split(':').next() == Some(kind))
        .map(String::as_str)
        .collect();
    if !same.is_empty() {
        return Err(format!("this board has {}", same.join(", ")));
    }
    let mut kinds: Vec<&str> = names.iter().filter_map(|n| n.split(':').next()).collect();
    kinds.sort_unstable();
    kinds.dedup();
    Err(format!("nothing is looked for by the name {kind}; there is {}", kinds.join(", ")))
}
