//! Resistors, capacitors and switches.

use super::super::{Capacitor, Level, Resistor, Switch};
use super::Reading;
use super::bill::complain;
use super::table::{Fields, tables};
use crate::units::{Allow, Farads, Ohms, Quantity, Ratio, Volts, range_or_single};
use std::fmt::Display;

/// Capacitances above are no part of a jumper circuit, but a slip of the unit.
const MOST_FARADS: Farads = Farads(0.1);

/// How far a switch may be from a single figure given for it.
const SPREAD: Ratio = Ratio(0.5);

/// On-resistance of a switch for which only a drop is given. Assumed, no source: the slope of a
/// saturated transistor is small against what it switches, and the solver needs it above zero.
const ASSUMED_ON: (Ohms, Ohms) = (Ohms(0.5), Ohms(1.5));

impl<'a> Reading<'a, '_> {
    pub(super) fn resistors(&mut self, root: &Fields<'a>) -> Vec<Resistor> {
        let keys = ["id", "between", "value", "tolerance", "tempco", "ageing", "array"];
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "resistor") {
            let (part, id) = self.part(table, "resistor", "\"R1\"", &keys);
            self.names.resistors.extend(id.clone());
            let between = self.names.pair(&mut self.log, &part, "between");
            let given = self.given(&part, id.as_deref(), "\"2k2\"", true);
            let (ohms, tolerance) = given.unwrap_or_default();
            let drift = self.drift(&part).and_then(|drift| {
                let billed = self.drift_billed(id.as_deref().unwrap_or_default(), drift);
                billed.map_err(|why| complain(&mut self.log, part.at, why)).ok()
            });
            if let (Some(id), Some(between), Some(ohms), Some(tolerance), Some(drift)) =
                (id, between, ohms, tolerance, drift)
            {
                found.push(Resistor { id, between, ohms, tolerance, drift });
            }
        }
        found
    }

    /// `value` and, where asked, `tolerance` of a part; with a bill of materials they may be left
    /// to it.
    fn given<Q: Quantity + Display>(
        &mut self,
        part: &Fields<'a>,
        id: Option<&str>,
        like: &str,
        tolerance: bool,
    ) -> Option<(Option<Q>, Option<Ratio>)> {
        let billed = self.bill.is_some();
        let has = |key: &str| !billed || part.get(key).is_some();
        let value = match has("value") {
            true => Some(part.quantity(&mut self.log, "value", like, Allow::Positive)?),
            false => None,
        };
        let share = match tolerance && has("tolerance") {
            true => Some(part.share(&mut self.log, "tolerance", "\"1%\"")?),
            false => None,
        };
        if !billed {
            return Some((value, share));
        }
        let found = self.figures(id?, value, share);
        let found = found.map_err(|why| complain(&mut self.log, part.at, why)).ok()?;
        if tolerance && found.1.is_none() {
            let what =
                format!("neither the bill nor the file gives the tolerance of {}", part.name);
            self.log.add(part.at, what, "add `tolerance = \"1%\"` to it");
        }
        Some(found)
    }

    pub(super) fn capacitors(&mut self, root: &Fields<'a>) -> Vec<Capacitor> {
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "capacitor") {
            let (part, id) = self.part(table, "capacitor", "\"C1\"", &["id", "between", "value"]);
            let between = self.names.pair(&mut self.log, &part, "between");
            let given = self.given(&part, id.as_deref(), "\"100n\"", false);
            let (farads, _) = given.unwrap_or_default();
            if let Some(Farads(much)) = farads.filter(|farads| *farads > MOST_FARADS) {
                let what = format!("{} has {much} F", part.name);
                self.log.add(
                    part.at,
                    what,
                    "write it like `value = \"100n\"`; up to 0.1 F are read",
                );
            }
            if let (Some(id), Some(between), Some(farads)) = (id, between, farads) {
                found.push(Capacitor { id, between, farads });
            }
        }
        found
    }

    pub(super) fn switches(&mut self, root: &Fields<'a>) -> Vec<Switch> {
        let keys = ["id", "label", "between", "pin", "active", "on_resistance", "drop"];
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "switch") {
            let (part, id) = self.part(table, "switch", "\"K1\"", &keys);
            self.names.switches.extend(id.clone());
            let label = part.text_or_empty(&mut self.log, "label", "\"lamp driver\"");
            let between = self.names.pair(&mut self.log, &part, "between");
            let pin = self.driven_pin(&part);
            let active = part.choice(&mut self.log, "active", LEVELS);
            let closed = self.closed_contact(&part);
            if let (Some(id), Some(label), Some(between), Some(pin), Some(active), Some(closed)) =
                (id, label, between, pin, active, closed)
            {
                let (on, drop) = closed;
                found.push(Switch { id, label, between, pin, active, on, drop });
            }
        }
        found
    }

    /// On-resistance and drop of a switch; at least one of them must be given.
    fn closed_contact(&mut self, part: &Fields<'_>) -> Option<((Ohms, Ohms), (Volts, Volts))> {
        let (has_on, has_drop) = (part.get("on_resistance").is_some(), part.get("drop").is_some());
        if !has_on && !has_drop {
            let what = format!("{} has neither `on_resistance` nor `drop`", part.name);
            let do_next = "add `on_resistance = \"1R..50R\"` or `drop = \"0.1V..0.3V\"` \
                           from the data sheet of the switch";
            self.log.add(part.at, what, do_next);
            return None;
        }
        let on = match has_on {
            true => part.measured(&mut self.log, "on_resistance", "\"1R..50R\"", |text| {
                range_or_single(text, Allow::Positive, SPREAD)
            }),
            false => Some(ASSUMED_ON),
        };
        let drop = match has_drop {
            true => part.measured(&mut self.log, "drop", "\"0.1V..0.3V\"", |text| {
                range_or_single(text, Allow::NonNegative, SPREAD)
            }),
            false => Some((Volts(0.0), Volts(0.0))),
        };
        Some((on?, drop?))
    }
}

/// The two words for a level.
pub(super) const LEVELS: &[(&str, Level)] = &[("low", Level::Low), ("high", Level::High)];
