//! What units known good say of the board file, in its own words.

use super::diagnosis::{SHOWN, paragraph, rounded};
use crate::board::{Board, NetId, Place};
use crate::diagnose::{Correction, Entry, Filed, Gap};
use crate::faults::Fault;
use crate::units::Ohms;

/// Units known good, and what they say together.
pub struct Trusted<'a> {
    /// What the units are called.
    pub units: &'a [String],
    /// Entries of the file that they contradict.
    pub found: &'a [Correction],
    /// Those, by index, that contradict the file where no correction does.
    pub apart: &'a [usize],
    /// What each of them leaves open.
    pub gaps: &'a [Gap],
    /// What rows of each say of the file outright.
    pub filed: &'a [Vec<Filed>],
}

impl Trusted<'_> {
    /// What they say of the board file.
    pub fn text(&self, board: &Board) -> String {
        let said = match (self.found.is_empty(), self.apart) {
            (true, []) => self.agree(),
            (true, apart) => self.contradict(apart),
            (false, []) => self.corrections(board),
            (false, apart) => self.corrections(board) + &self.contradict(apart),
        };
        self.outright(board) + &said + &self.open(board)
    }

    /// Units that contradict the file where none of the entries named does. Few of them have a defect
    /// of their own; where they are as many as the others, the file may as well be wrong.
    fn contradict(&self, apart: &[usize]) -> String {
        let others = self.units.len() - apart.len();
        let words = match (others, apart) {
            (0, _) => {
                let besides = if self.found.is_empty() { "" } else { " elsewhere too" };
                format!(
                    "These units contradict the board file{besides}, and no single entry explains it. \
                     They may differ among themselves, or several entries of one circuit are wrong: \
                     diagnose each record by itself."
                )
            }
            _ if apart.len() >= others => format!(
                "{} of {} units contradict the board file, and no single entry explains it: {}. The \
                 others do not. Either several entries of one circuit are wrong in the file, and the \
                 others are built otherwise, or those units have defects: diagnose each record by \
                 itself, and look at the drawing.",
                apart.len(),
                self.units.len(),
                self.named(apart)
            ),
            (_, [_]) => format!(
                "{} contradicts the board file where the others agree with it: what is wrong there is \
                 that unit's. Diagnose its record alone, and trust it no more.",
                self.named(apart)
            ),
            _ => format!(
                "{} contradict the board file where the others agree with it: what is wrong there is \
                 those units'. Diagnose each record alone, and trust them no more.",
                self.named(apart)
            ),
        };
        paragraph(&words, 0)
    }

    fn named(&self, units: &[usize]) -> String {
        let named: Vec<&str> = units.iter().map(|&u| self.units[u].as_str()).collect();
        named.join(" and ")
    }

    /// Entries of the file that their rows contradict by themselves, with the units that do.
    fn outright(&self, board: &Board) -> String {
        let mut entries: Vec<(String, Vec<usize>)> = Vec::new();
        for (unit, filed) in
            self.filed.iter().enumerate().flat_map(|(u, f)| f.iter().map(move |f| (u, f)))
        {
            let text = filed.text(board);
            match entries.iter_mut().find(|(known, _)| *known == text) {
                Some((_, units)) => units.push(unit),
                None => entries.push((text, vec![unit])),
            }
        }
        let line = |(text, units): &(String, Vec<usize>)| {
            let units = match units.len() {
                n if n == self.units.len() && n > 1 => "every unit".to_string(),
                _ => self.named(units),
            };
            paragraph(&format!("- {units}: {text}"), 0)
        };
        match entries.is_empty() {
            true => String::new(),
            false => {
                let head = "Rows contradict the board file, and count for nothing else:\n";
                entries.iter().map(line).fold(head.to_string(), |text, line| text + &line)
            }
        }
    }

    /// They may agree in what they read only.
    fn agree(&self) -> String {
        let agree = match self.units {
            [one] => format!("{one} agrees with the board file"),
            many => format!("{} trusted units agree with the board file", many.len()),
        };
        if self.filed.iter().any(|filed| !filed.is_empty()) {
            return "Whatever else was read agrees with it.\n".into();
        }
        let read = if self.units.len() == 1 { "it was" } else { "they were" };
        match Gap::common(self.gaps).is_none() {
            true => agree + ".\n",
            false => paragraph(&format!("{agree} as far as {read} read."), 0),
        }
    }

    /// What was not read, of all of them and of each.
    fn open(&self, board: &Board) -> String {
        let common = Gap::common(self.gaps);
        let mut out = String::new();
        if !common.is_none() && self.units.len() > 1 {
            let words = format!(
                "Not read in any of these records: {}. Nothing that the file says of it was tried.",
                gap(board, &common)
            );
            out += &paragraph(&words, 0);
        }
        for (unit, own) in self.units.iter().zip(self.gaps).filter(|(_, own)| !own.is_none()) {
            out += &paragraph(&format!("- not read in {unit}: {}", gap(board, own)), 0);
        }
        out
    }

    fn corrections(&self, board: &Board) -> String {
        let contradicted = |unit: &usize| self.found.iter().any(|c| c.against.contains(unit));
        let doubted: Vec<usize> = (0..self.units.len()).filter(contradicted).collect();
        let agree_on = self.found.iter().map(|c| c.asked - c.against.len()).max().unwrap_or(0);
        let disagree = match (agree_on, self.units.len()) {
            (_, 1) => "The trusted unit disagrees".to_string(),
            (some, all) if some == all => format!("{all} trusted units disagree"),
            (1, all) => format!("One of {all} trusted units disagrees"),
            (some, all) => format!("{some} of {all} trusted units disagree"),
        };
        let mut out = paragraph(
            &format!(
                "{disagree} with the board file. Likeliest first; change the file only when the \
                 drawing and the parts say so too, limits are never learned from units:"
            ),
            0,
        );
        for correction in self.found.iter().take(SHOWN) {
            out += &paragraph(&self.correction(board, correction), 0);
            if !correction.against.is_empty() {
                let against = self.named(&correction.against);
                out += &paragraph(&format!("against: {against}"), 3);
            }
        }
        if !doubted.is_empty() {
            out += &paragraph(
                "These units disagree with each other, so one of two things is so: the file is \
                 wrong, and the units against it have another part or a defect there; or the file \
                 is right, and the others all have the same part wrong, one reel for example. Look \
                 at the part in one unit of each kind, and at the drawing.",
                0,
            );
        }
        out
    }

    fn correction(&self, board: &Board, correction: &Correction) -> String {
        let what = entry(board, &correction.entry);
        let (n, asked) = (correction.explained, correction.asked);
        let explained = match (n == asked, asked == self.units.len()) {
            (true, true) => String::new(),
            (_, true) => format!(" in {n} of {asked}"),
            (_, false) => format!(" in {n} of the {asked} that were read there"),
        };
        let each = if asked == 1 { "the unit prefers" } else { "on average a unit prefers" };
        let odds = odds(correction.preferred);
        format!(
            "- {what} ({each} it {odds} to 1; with it the file explains this circuit{explained})"
        )
    }
}

/// Channels and places.
pub(super) fn gap(board: &Board, gap: &Gap) -> String {
    let channels = gap.channels.iter().map(|&c| board.channels[c].id.clone());
    let place = |&(j, place): &(usize, Place)| {
        let jumper = &board.jumpers[j];
        format!("{}={}", jumper.id, jumper.place_name(place))
    };
    let all: Vec<String> = channels.chain(gap.places.iter().map(place)).collect();
    all.join(", ")
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
