//! Defects in words.

use super::Fault;
use crate::board::{Board, Level, Part};

impl Fault {
    /// What kind of defect it is, for counting.
    pub fn class(self) -> &'static str {
        match self {
            Fault::ResistorOpen { .. } => "resistor open",
            Fault::ResistorShorted { .. } => "resistor shorted",
            Fault::ResistorValue { .. } => "resistor of another value",
            Fault::ResistorOff { .. } => "resistor out of tolerance",
            Fault::ResistorsSwapped { .. } => "resistors swapped",
            Fault::ContactOpen { .. } => "shunt without contact",
            Fault::ContactResistive { .. } => "shunt with poor contact",
            Fault::PinsBridged { .. } => "header pins bridged",
            Fault::HeadersBridged { .. } => "headers bridged",
            Fault::SecondShunt { .. } => "second shunt on a header",
            Fault::CountedFromWrongEnd { .. } => "positions counted from the wrong end",
            Fault::HeadersMistaken { .. } => "headers taken for each other",
            Fault::PinOpen { .. } => "chip pin open",
            Fault::PinStuck { .. } => "chip pin stuck",
            Fault::PinLeaks { .. } => "leak at a chip pin",
            Fault::ChannelsBridged { .. } => "chip pins bridged",
            Fault::PullUpMissing { .. } => "pull-up missing",
            Fault::SwitchStaysOpen { .. } => "switch never closes",
            Fault::SwitchStaysClosed { .. } => "switch never opens",
            Fault::LoadDead { .. } => "load draws nothing",
            Fault::LoadShorted { .. } => "load draws too much",
        }
    }

    /// The parts that it names.
    pub fn parts(self) -> Vec<Part> {
        match self {
            Fault::ResistorOpen { resistor }
            | Fault::ResistorShorted { resistor }
            | Fault::ResistorValue { resistor, .. }
            | Fault::ResistorOff { resistor, .. } => vec![Part::Resistor(resistor)],
            Fault::ResistorsSwapped { resistors } => resistors.map(Part::Resistor).to_vec(),
            Fault::ContactOpen { jumper, .. }
            | Fault::ContactResistive { jumper, .. }
            | Fault::PinsBridged { jumper, .. }
            | Fault::SecondShunt { jumper, .. }
            | Fault::CountedFromWrongEnd { jumper } => vec![Part::Jumper(jumper)],
            Fault::HeadersBridged { jumpers, .. } | Fault::HeadersMistaken { jumpers } => {
                jumpers.map(Part::Jumper).to_vec()
            }
            Fault::PinOpen { channel }
            | Fault::PinStuck { channel, .. }
            | Fault::PinLeaks { channel, .. }
            | Fault::PullUpMissing { channel } => vec![Part::Channel(channel)],
            Fault::ChannelsBridged { channels, .. } => channels.map(Part::Channel).to_vec(),
            Fault::SwitchStaysOpen { switch } | Fault::SwitchStaysClosed { switch } => {
                vec![Part::Switch(switch)]
            }
            Fault::LoadDead { load } | Fault::LoadShorted { load } => vec![Part::Load(load)],
        }
    }

    /// The defect in a sentence, with designators.
    pub fn text(self, board: &Board) -> String {
        let r = |r: usize| &board.resistors[r];
        let j = |j: usize| board.jumpers[j].id.as_str();
        let at = |jumper: usize, position: usize| {
            let jumper = &board.jumpers[jumper];
            format!("{} on {}", jumper.id, jumper.positions[position].name)
        };
        let pin = |c: usize| format!("{} ({})", board.channels[c].pin.name, board.channels[c].id);
        match self {
            Fault::ResistorOpen { resistor } => format!("{} is open", r(resistor).id),
            Fault::ResistorShorted { resistor } => format!("{} is shorted", r(resistor).id),
            Fault::ResistorValue { resistor, ohms } => {
                format!("{} is {ohms} instead of {}", r(resistor).id, r(resistor).ohms)
            }
            Fault::ResistorOff { resistor, ratio } => {
                let percent = (ratio - 1.0) * 100.0;
                format!("{} is {percent:+.0}% off {}", r(resistor).id, r(resistor).ohms)
            }
            Fault::ResistorsSwapped { resistors: [a, b] } => {
                format!("{} and {} are swapped", r(a).id, r(b).id)
            }
            Fault::ContactOpen { jumper, position } => {
                let jumper = &board.jumpers[jumper];
                let name = &jumper.positions[position].name;
                format!("{} does not make contact on {name}", jumper.id)
            }
            Fault::ContactResistive { jumper, position, ohms } => {
                format!("{} has {ohms} of contact", at(jumper, position))
            }
            Fault::PinsBridged { jumper, pins: [a, b], .. } => {
                format!("{} pins {a} and {b} are bridged", j(jumper))
            }
            Fault::HeadersBridged { jumpers: [a, b], pins: [p, q], .. } => {
                format!("{} pin {p} and {} pin {q} are bridged", j(a), j(b))
            }
            Fault::SecondShunt { jumper, position } => {
                format!("a second shunt sits at {}", at(jumper, position))
            }
            Fault::CountedFromWrongEnd { jumper } => {
                format!("{} is counted from the wrong end", j(jumper))
            }
            Fault::HeadersMistaken { jumpers: [a, b] } => {
                format!("{} and {} are taken for each other", j(a), j(b))
            }
            Fault::PinOpen { channel } => format!("{} is not soldered", pin(channel)),
            Fault::PinStuck { channel, level } => {
                let word = if level == Level::High { "high" } else { "low" };
                format!("{} is stuck {word}", pin(channel))
            }
            Fault::PinLeaks { channel, to, ohms } => {
                let rail = super::effect::rail(board, to);
                format!("{} leaks to {}, {ohms}", pin(channel), board.net_name(rail))
            }
            Fault::ChannelsBridged { channels: [a, b], .. } => {
                format!("{} and {} are bridged", pin(a), pin(b))
            }
            Fault::PullUpMissing { channel } => format!("{} has no pull-up", pin(channel)),
            Fault::SwitchStaysOpen { switch } => {
                format!("{} never closes", board.switches[switch].id)
            }
            Fault::SwitchStaysClosed { switch } => {
                format!("{} never opens", board.switches[switch].id)
            }
            Fault::LoadDead { load } => format!("{} draws nothing", board.loads[load].id),
            Fault::LoadShorted { load } => format!("{} draws too much", board.loads[load].id),
        }
    }
}

/// Several defects in a few words: the values that one resistor may have stand together.
pub fn told_together(board: &Board, faults: &[Fault]) -> String {
    let mut told: Vec<String> = Vec::new();
    let mut values: Vec<(usize, Vec<String>)> = Vec::new();
    for fault in faults {
        let (resistor, value) = match *fault {
            Fault::ResistorShorted { resistor } => (resistor, "shorted".to_string()),
            Fault::ResistorOpen { resistor } => (resistor, "open".to_string()),
            Fault::ResistorValue { resistor, ohms } => (resistor, ohms.to_string()),
            Fault::ResistorOff { resistor, ratio } => {
                (resistor, format!("{:+.0}%", (ratio - 1.0) * 100.0))
            }
            _ => {
                told.push(fault.text(board));
                continue;
            }
        };
        match values.iter_mut().find(|(known, _)| *known == resistor) {
            Some((_, values)) => values.push(value),
            None => values.push((resistor, vec![value])),
        }
    }
    let resistor = |(resistor, values): (usize, Vec<String>)| {
        let r = &board.resistors[resistor];
        format!("{} is {} instead of {}", r.id, values.join(", "), r.ohms)
    };
    values.into_iter().map(resistor).chain(told).collect::<Vec<String>>().join("; ")
}
