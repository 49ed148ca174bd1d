//! What the bench adds: loads, and questions that only a person can answer.

use super::super::chip::ChipPin;
use super::super::{Load, NetId, Pace, Question};
use super::Reading;
use super::names::Names;
use super::parts::LEVELS;
use super::table::{Fields, tables};
use crate::units::{Allow, Volts, range};

impl<'a> Reading<'a, '_> {
    pub(super) fn loads(&mut self, root: &Fields<'a>) -> Vec<Load> {
        let keys = ["id", "label", "pin", "net", "off", "dummy", "sag", "dip"];
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "load") {
            let (part, id) = self.part(table, "load", "\"VENT\"", &keys);
            let label = part.text_or_empty(&mut self.log, "label", "\"vent motor\"");
            let pin = self.driven_pin(&part);
            let net = self.load_net(&part);
            let off = part.choice(&mut self.log, "off", LEVELS);
            let dummy = part.text(&mut self.log, "dummy", "\"15 ohm, 5 W resistor\"");
            // Above zero: a load that draws nothing is a fault, not a good unit.
            let sag = part.measured(&mut self.log, "sag", "\"15mV..120mV\"", |text| {
                range(text, Allow::Positive)
            });
            let dip = self.dip(&part, sag);
            if let (Some(id), Some(label), Some(pin), Some(off), Some(dummy), Some(sag)) =
                (id, label, pin, off, dummy, sag)
                && let (Some(net), Some(dip)) = (net, dip)
            {
                let dummy = dummy.it.to_string();
                found.push(Load { id, label, pin, net, off, dummy, sag, dip });
            }
        }
        found
    }

    /// The dip as it goes on, which may be left out; `None` when it is wrong.
    fn dip(&mut self, part: &Fields<'a>, sag: Option<(Volts, Volts)>) -> Option<Option<Volts>> {
        let Some(value) = part.get("dip") else { return Some(None) };
        let at = value.span().start;
        let dip: Volts = part.quantity(&mut self.log, "dip", "\"300mV\"", Allow::Positive)?;
        if sag.is_some_and(|(_, most)| dip < most) {
            let what = format!("`dip` of {} is less than its largest sag", part.name);
            let do_next = "it is how far the supply may dip as it goes on; leave it out where that \
                           is no more than the sag";
            self.log.add(at, what, do_next);
            return None;
        }
        Some(Some(dip))
    }

    /// The net at a load's pin, which may be left out; `None` when it is wrong.
    fn load_net(&mut self, part: &Fields<'a>) -> Option<Option<NetId>> {
        if part.get("net").is_none() {
            return Some(None);
        }
        let name = part.text(&mut self.log, "net", "\"GATE\"")?;
        self.names.known_net(&mut self.log, name, &part.name).map(Some)
    }

    /// A pin that switches something.
    pub(super) fn driven_pin(&mut self, part: &Fields<'a>) -> Option<ChipPin> {
        let pin = self.names.pin(&mut self.log, part, self.chip.as_deref())?;
        if !pin.it.digital {
            let what = format!("{} cannot be driven, so it switches nothing", pin.it.name);
            self.log.add(pin.at, what, format!("give {} a pin that can be an output", part.name));
            return None;
        }
        Some(pin.it)
    }

    /// What the operator's hands take; every key may be left out.
    pub(super) fn pace(&mut self, root: &Fields<'a>) -> Option<Pace> {
        let mut made = Pace::default();
        if root.get("pace").is_none() {
            return Some(made);
        }
        let keys = [
            ("move", &mut made.shunt),
            ("other_header", &mut made.other_header),
            ("power_cycle", &mut made.power_cycle),
            ("question", &mut made.question),
            ("meter", &mut made.meter),
        ];
        let part = self.single(root, "pace", &keys.each_ref().map(|(key, _)| *key))?;
        for (key, seconds) in keys {
            if part.get(key).is_some() {
                *seconds = part.number(&mut self.log, key, &seconds.to_string(), 0.0..=3600.0)?;
            }
        }
        Some(made)
    }

    pub(super) fn questions(&mut self, root: &Fields<'a>) -> Vec<Question> {
        let keys = ["id", "ask", "expect", "when", "closes", "lit", "dark"];
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "question") {
            let (part, id) = self.part(table, "question", "\"lamps-lit\"", &keys);
            let ask = part.text(&mut self.log, "ask", "\"Are both lamps lit?\"");
            let expect = part.choice(&mut self.log, "expect", &[("yes", true), ("no", false)]);
            let when = match part.get("when") {
                Some(value) => self.places_under(value, &part.name),
                None => Some(Vec::new()),
            };
            let closes = self.closes(&part);
            let lit = self.resistors_named(&part, "lit");
            let dark = self.resistors_named(&part, "dark");
            if let (Some(id), Some(ask), Some(expect), Some(when), Some(closes)) =
                (id, ask, expect, when, closes)
                && let (Some(lit), Some(dark)) = (lit, dark)
            {
                self.check_lamps(&part, &lit, &dark);
                let ask = ask.it.to_string();
                found.push(Question { id, ask, expect, when, closes, lit, dark });
            }
        }
        found
    }

    fn resistors_named(&mut self, part: &Fields<'a>, key: &str) -> Option<Vec<usize>> {
        let names = part.words(&mut self.log, key, "[\"R30\"]")?;
        Names::indices(&mut self.log, &names, &self.names.resistors, "resistor", &part.name)
    }

    fn check_lamps(&mut self, part: &Fields<'_>, lit: &[usize], dark: &[usize]) {
        if let Some(&both) = lit.iter().find(|r| dark.contains(r)) {
            let at = part.get("dark").map_or(part.at, |v| v.span().start);
            let resistor = &self.names.resistors[both];
            let what = format!("{} has {resistor} both lit and dark", part.name);
            self.log.add(at, what, "take it out of one of the two lists");
        }
    }
}
