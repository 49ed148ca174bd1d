//! The sheet that templates are drawn on: designators, pins, tables, comments.

use super::{Microcontroller, Plan};
use crate::board::chip::{self, Chip, ChipPin};
use crate::board::ids::check_id;
use crate::board::{Drift, InUse, usual};
use crate::units::{Celsius, Farads, Ohms, Ratio, rkm};
use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

/// The net at the supply.
pub(super) const SUPPLY: &str = "VCC";
/// The net at 0 V.
pub(super) const GROUND: &str = "GND";

/// Column at which the comments of a table begin, where the line is shorter.
const COMMENTS_AT: usize = 34;

/// A board file and the parts that it needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Written {
    /// The text of the board file.
    pub text: String,
    /// Its parts, in the order of the file.
    pub parts: Vec<Part>,
}

/// One part to be bought.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Designator.
    pub id: String,
    /// What it is.
    pub kind: PartKind,
    /// Its value as the board file writes it, or what it is in words.
    pub value: String,
    /// Initial tolerance, where the board file has one.
    pub tolerance: Option<Ratio>,
}

/// Kinds of parts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PartKind {
    /// A resistor.
    Resistor,
    /// A capacitor.
    Capacitor,
    /// A pin header.
    Header,
    /// A shunt for a header.
    Shunt,
    /// Something that closes a contact.
    Switch,
}

impl PartKind {
    /// Its name in a bill of materials.
    pub fn word(self) -> &'static str {
        match self {
            PartKind::Resistor => "resistor",
            PartKind::Capacitor => "capacitor",
            PartKind::Header => "header",
            PartKind::Shunt => "shunt",
            PartKind::Switch => "switch",
        }
    }
}

/// One key of a table: name, value as TOML, what it means.
pub(super) type Key<'a> = (&'a str, String, &'a str);

/// What is being written.
pub(super) struct Sheet {
    chip: Arc<Chip>,
    /// The table that describes it, where it is no known one.
    table: String,
    used_pins: BTreeSet<String>,
    ids: BTreeSet<String>,
    counts: HashMap<char, usize>,
    explained: BTreeSet<(String, String)>,
    delivery: Vec<(String, String)>,
    in_use: InUse,
    /// What is usual for the first resistor: written for all, where nothing is given.
    usual: Option<Drift>,
    body: String,
    parts: Vec<Part>,
}

impl Sheet {
    pub fn new(chip: &Microcontroller, in_use: InUse) -> Result<Sheet, String> {
        let known = || chip::CHIPS.iter().map(|c| c.name.to_string()).collect::<Vec<_>>();
        let (chip, table) = match chip {
            Microcontroller::Described(found) => (Arc::clone(&found.chip), found.table.clone()),
            Microcontroller::Named(name) => {
                let found = chip::chip(name).ok_or_else(|| {
                    format!(
                        "the chip `{name}` is not known; known: {}; for another, name a file \
                         with its `[chip]` table",
                        known().join(", ")
                    )
                })?;
                (found, String::new())
            }
        };
        Ok(Sheet {
            chip,
            table,
            used_pins: BTreeSet::new(),
            ids: [SUPPLY, GROUND].map(str::to_string).into(),
            counts: HashMap::new(),
            explained: BTreeSet::new(),
            delivery: Vec::new(),
            in_use,
            usual: None,
            body: String::new(),
            parts: Vec::new(),
        })
    }

    /// Takes an id that nothing else has, in any case of its letters.
    pub fn claim(&mut self, id: &str) -> Result<(), String> {
        check_id(id).map_err(|why| {
            format!("the name `{}` {why}; take letters, digits, `-` and `_`", id.escape_debug())
        })?;
        let mut rest = id.chars();
        let designator = rest.next().is_some_and(|c| "RCJK".contains(c.to_ascii_uppercase()))
            && id.len() > 1
            && rest.all(|c| c.is_ascii_digit());
        if designator {
            return Err(format!("the name `{id}` looks like a designator; take another name"));
        }
        if !self.ids.insert(id.to_uppercase()) {
            return Err(format!("the name `{id}` is used twice; give each template its own"));
        }
        Ok(())
    }

    /// The next designator of a letter: R, C, J, K.
    pub fn designator(&mut self, letter: char) -> String {
        let count = self.counts.entry(letter).or_insert(0);
        *count += 1;
        format!("{letter}{count}")
    }

    /// The first free pin that `fits`, taken from those with the fewest other uses.
    fn pin(&mut self, what: &str, fits: impl Fn(&ChipPin) -> bool) -> Result<String, String> {
        let free = |p: &&ChipPin| !p.reserved && !self.used_pins.contains(p.name.as_ref() as &str);
        let Some(pin) = self.chip.pins.iter().filter(free).find(|p| fits(p)) else {
            let part = &self.chip.part;
            return Err(format!("the {part} has no free pin left for {what}; leave something out"));
        };
        let name = pin.name.to_string();
        self.used_pins.insert(name.clone());
        Ok(name)
    }

    /// A pin of the converter.
    pub fn analog_pin(&mut self, what: &str) -> Result<String, String> {
        self.pin(what, |p| p.adc.is_some())
    }

    /// A digital pin, without a converter's input as long as there is one.
    pub fn digital_pin(&mut self, what: &str, pull_up: bool) -> Result<String, String> {
        let fits = move |p: &ChipPin| p.digital && (p.pull_up || !pull_up);
        self.pin(what, move |p| fits(p) && p.adc.is_none()).or_else(|_| self.pin(what, fits))
    }

    /// A line of heading over a template's tables.
    pub fn heading(&mut self, text: &str) {
        self.body += &format!(
            "# --- {text} {}\n",
            "-".repeat(90_usize.saturating_sub(text.chars().count()))
        );
    }

    /// Writes a table. The meaning of a key is said where it stands for the first time.
    pub fn table(&mut self, name: &str, keys: &[Key<'_>]) {
        let text = self.keys(name, keys);
        self.body += &format!("[[{name}]]\n{text}\n");
    }

    fn keys(&mut self, table: &str, keys: &[Key<'_>]) -> String {
        let mut text = String::new();
        for (key, value, meaning) in keys {
            let new = self.explained.insert((table.to_string(), key.to_string()));
            let line = format!("{key} = {value}");
            match (new, value.contains('\n')) {
                (true, false) => text += &format!("{line:COMMENTS_AT$}  # {meaning}\n"),
                (true, true) => text += &format!("# {meaning}\n{line}\n"),
                (false, _) => text += &format!("{line}\n"),
            }
        }
        text
    }

    /// A resistor between two nets; returns its designator.
    pub fn resistor(&mut self, between: [&str; 2], ohms: Ohms, tolerance: Ratio) -> String {
        let id = self.designator('R');
        let value = rkm(ohms);
        let mut keys = vec![
            ("id", quoted(&id), "designator"),
            ("between", list(&between), "its two nets"),
            ("value", quoted(&value), "nominal resistance"),
            ("tolerance", quoted(&percent(tolerance)), "initial tolerance, either way"),
        ];
        let own = usual(tolerance);
        let all = *self.usual.get_or_insert(own);
        if self.in_use.tempco.is_none() && own.tempco != all.tempco {
            keys.extend(tempco(own.tempco, true).map(|t| ("tempco", t, "its own drift")));
        }
        if self.in_use.ageing.is_none() && own.ageing != all.ageing {
            keys.extend(ageing(own.ageing, true).map(|a| ("ageing", a, "its own change with age")));
        }
        self.table("resistor", &keys);
        let tolerance = Some(tolerance);
        self.parts.push(Part { id: id.clone(), kind: PartKind::Resistor, value, tolerance });
        id
    }

    /// A capacitor from a net to ground.
    pub fn capacitor(&mut self, net: &str, farads: Farads) {
        let id = self.designator('C');
        let value = format!("{farads:.9}");
        let keys = [
            ("id", quoted(&id), "designator"),
            ("between", list(&[net, GROUND]), "its two nets"),
            ("value", quoted(&value), "nominal capacitance; it sets the settling time"),
        ];
        self.table("capacitor", &keys);
        self.parts.push(Part { id, kind: PartKind::Capacitor, value, tolerance: None });
    }

    /// A header; each position is a name, two pins and the nets at them. It is delivered with the
    /// shunt on the first. Returns the designator.
    pub fn jumper(
        &mut self,
        label: &str,
        positions: &[(String, [usize; 2], [String; 2])],
        open: bool,
    ) -> String {
        let id = self.designator('J');
        let mut text = "[\n".to_string();
        for (name, pins, joins) in positions {
            text += &format!(
                "  {{ name = {}, pins = {pins:?}, joins = {} }},\n",
                quoted(name),
                list(&[&joins[0], &joins[1]])
            );
        }
        text += "]";
        let keys = [
            ("id", quoted(&id), "designator"),
            ("label", quoted(label), "what it sets, for prompts"),
            ("positions", text, "name on the card, header pins joined, nets at these pins"),
            ("open", open.to_string(), "true: no shunt is one of the places"),
        ];
        self.table("jumper", &keys);
        let pins = positions.iter().flat_map(|p| p.1).max().unwrap_or(0);
        let header = format!("{pins} pins");
        let part = |kind, value| Part { id: id.clone(), kind, value, tolerance: None };
        self.parts.extend([
            part(PartKind::Header, header),
            part(PartKind::Shunt, "2 contacts".to_string()),
        ]);
        if let Some((first, ..)) = positions.first() {
            self.delivery.push((id.clone(), first.clone()));
        }
        id
    }

    /// A contact that a pin closes; returns its designator.
    pub fn switch(
        &mut self,
        label: &str,
        between: [&str; 2],
        on: (Ohms, Ohms),
    ) -> Result<String, String> {
        let id = self.designator('K');
        let pin = self.digital_pin(&format!("the switch {id}"), false)?;
        let on = format!("{}..{}", rkm(on.0), rkm(on.1));
        let keys = [
            ("id", quoted(&id), "designator"),
            ("label", quoted(label), "what it is, for prompts"),
            ("between", list(&between), "its two nets"),
            ("pin", quoted(&pin), "the pin that closes it"),
            ("active", quoted("high"), "level that closes it"),
            ("on_resistance", quoted(&on), "smallest and largest when closed"),
        ];
        self.table("switch", &keys);
        let value = format!("{on} closed");
        self.parts.push(Part { id: id.clone(), kind: PartKind::Switch, value, tolerance: None });
        Ok(id)
    }

    /// The table of what the board goes through.
    fn goes_through(&mut self) -> String {
        let in_use = self.in_use;
        let usual = self.usual.unwrap_or_default();
        let (own_tempco, own_ageing) = (in_use.tempco.is_some(), in_use.ageing.is_some());
        let drift = match own_tempco {
            true => tempco(in_use.tempco, in_use.assumed.tempco),
            false => tempco(usual.tempco, true),
        };
        let ages = match own_ageing {
            true => ageing(in_use.ageing, in_use.assumed.ageing),
            false => ageing(usual.ageing, true),
        };
        let mut keys = Vec::new();
        let range = |(low, high): (Celsius, Celsius)| quoted(&format!("{}..{}", low.0, high.0));
        keys.extend(in_use.temperature.map(|t| ("temperature", range(t), "in use, °C")));
        keys.extend(in_use.bench.map(|t| ("bench_temperature", range(t), "on the bench, °C")));
        keys.extend(drift.map(|t| ("tempco", t, "temperature coefficient of the resistors")));
        keys.extend(ages.map(|a| ("ageing", a, "their change over their life, either way")));
        keys.extend(
            in_use.contact.map(|c| ("contact", quoted(&rkm(c)), "largest of a seated shunt")),
        );
        if keys.is_empty() {
            return String::new();
        }
        let mut text = "\n# What a good board goes through. What is marked `assumed` is usual for \
                        such parts; put\n# the figures of your data sheets there, without the \
                        word.\n[use]\n"
            .to_string();
        if own_tempco && own_ageing {
            text = "\n# What a good board goes through.\n[use]\n".to_string();
        }
        text + &self.keys("use", &keys)
    }

    /// The whole file.
    pub fn finish(mut self, plan: &Plan) -> Written {
        let mut text = "# Written by strapwise; edit it as you like. Every key is explained in \
                        protocols/README.md.\nformat = 1\n\n[board]\n"
            .to_string();
        text += &self.keys(
            "board",
            &[
                ("name", quoted(&plan.name), "also the folder of its records"),
                ("revision", quoted(&plan.revision), "as printed on the board"),
                ("about", quoted(&plan.about), "what the board is for"),
                ("chip", quoted(&self.chip.name.clone()), "the microcontroller"),
            ],
        );
        let aref = match plan.aref_at_supply {
            false => ("capacitor", "a capacitor to ground and nothing else"),
            true => ("supply", "joined to the supply"),
        };
        if !self.table.is_empty() {
            text += "\n# The chip, from its data sheet; protocols/README.md explains the keys.\n";
            text += &self.table;
        }
        text += "\n[supply]\n";
        text += &self.keys(
            "supply",
            &[
                ("net", quoted(SUPPLY), "net at the supply voltage, which the converter refers to"),
                ("ground", quoted(GROUND), "net at 0 V"),
                ("volts", quoted(&format!("{:.9}", plan.supply)), "nominal voltage"),
                (
                    "tolerance",
                    quoted(&percent(plan.supply_tolerance)),
                    "how far it may be off in use",
                ),
                ("source", quoted(&plan.source), "what feeds the unit on the bench"),
                ("aref", quoted(aref.0), aref.1),
            ],
        );
        text += "\n# How the shunts sit when a unit leaves: a position or \"open\" each.\n";
        text += "[delivery]\n";
        for (jumper, place) in &self.delivery {
            text += &format!("{jumper} = {}\n", quoted(place));
        }
        let clock = quoted(&format!("{:.9}", self.chip.clock.usual));
        text += "\n# How the product's firmware reads its pins.\n[firmware]\n";
        text += &self.keys(
            "firmware",
            &[
                ("conversions", "1".into(), "conversions averaged for one reading"),
                ("discard", "1".into(), "conversions thrown away after a change of channel"),
                ("adc_clock", clock, "clock of the converter"),
                ("gap", quoted(&percent(plan.gap)), "share of the distance left as no option"),
            ],
        );
        text += &self.goes_through();
        text += "\n";
        text += self.body.trim_end();
        text += "\n";
        text += &self.side_by_side();
        Written { text, parts: self.parts }
    }
}

impl Sheet {
    /// How to say that headers stand side by side, which no template knows, as a comment.
    fn side_by_side(&self) -> String {
        let [(a, _), (b, _), ..] = &self.delivery[..] else { return String::new() };
        let headers = list(&[a, b]);
        format!(
            "\n# Where headers stand side by side, solder may bridge their pins. Take off the marks and \
             name\n# yours: each pair is a pin of the first header and the pin of the second beside \
             it.\n# [[neighbours]]\n# headers = {headers}\n# pins = [[1, 1], [2, 2]]\n"
        )
    }
}

/// A TOML basic string.
pub(super) fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => out += &format!("\\u{:04X}", u32::from(c)),
            c => out.push(c),
        }
    }
    out + "\""
}

/// A TOML list of strings on one line.
pub(super) fn list(items: &[&str]) -> String {
    let items: Vec<String> = items.iter().map(|i| quoted(i)).collect();
    format!("[{}]", items.join(", "))
}

/// A temperature coefficient as a TOML string, marked where it is assumed.
fn tempco(range: Option<(Ratio, Ratio)>, assumed: bool) -> Option<String> {
    let (low, high) = range?;
    let text = match low.0 == -high.0 {
        true => ppm(high),
        false => format!("{}..{}", ppm(low), ppm(high)),
    };
    Some(marked(&text, assumed))
}

/// An ageing as a TOML string, marked where it is assumed.
fn ageing(share: Option<Ratio>, assumed: bool) -> Option<String> {
    Some(marked(&percent(share?), assumed))
}

fn marked(figure: &str, assumed: bool) -> String {
    quoted(&format!("{figure}{}", if assumed { " assumed" } else { "" }))
}

/// `100ppm/K`, exactly as far as a float goes.
fn ppm(share: Ratio) -> String {
    let text = format!("{:.6}", 1e6 * share.0);
    format!("{}ppm/K", text.trim_end_matches('0').trim_end_matches('.'))
}

/// A share as board files write it, exactly as far as a float goes: `1%`, `0.25%`.
pub(super) fn percent(share: Ratio) -> String {
    // Twelve digits hold every share that a person writes and hide the noise of the binary form.
    let text = format!("{:.10}", 100.0 * share.0);
    format!("{}%", text.trim_end_matches('0').trim_end_matches('.'))
}
