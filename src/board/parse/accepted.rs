//! What the maker has accepted that no reading shows.

use super::super::{Accepted, KINDS, Load, Part};
use super::Reading;
use super::near::advice;
use super::table::{At, Fields, tables};

const KEYS: [&str; 3] = ["parts", "defects", "reason"];

impl<'a> Reading<'a, '_> {
    pub(super) fn accepted(&mut self, root: &Fields<'a>, loads: &[Load]) -> Vec<Accepted> {
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "accepted") {
            let called = "[[accepted]]".to_string();
            let part = Fields::new(&mut self.log, table.it, table.at, called, &KEYS);
            let parts = self.parts_accepted(&part, loads);
            let defects = self.defects_accepted(&part);
            let reason = part.text(&mut self.log, "reason", "\"each unit is looked at\"");
            if let (Some(parts), Some(defects), Some(reason)) = (parts, defects, reason) {
                found.push(Accepted { parts, defects, reason: reason.it.trim().to_string() });
            }
        }
        found
    }

    fn parts_accepted(&mut self, entry: &Fields<'a>, loads: &[Load]) -> Option<Vec<Part>> {
        let like = "[\"R30\", \"J6\"]";
        entry.need(&mut self.log, "parts", like)?;
        let named = entry.words(&mut self.log, "parts", like)?;
        self.some(entry, "parts", named.is_empty(), like)?;
        let found: Vec<Option<Part>> = named.iter().map(|n| self.part_named(n, loads)).collect();
        found.into_iter().collect()
    }

    fn part_named(&mut self, name: &At<&'a str>, loads: &[Load]) -> Option<Part> {
        let names = &self.names;
        let at = |known: &[String]| known.iter().position(|k| k == name.it);
        let jumpers: Vec<String> = names.jumpers.iter().map(|j| j.id.clone()).collect();
        let loads: Vec<String> = loads.iter().map(|l| l.id.clone()).collect();
        let found = at(&names.resistors)
            .map(Part::Resistor)
            .or_else(|| at(&jumpers).map(Part::Jumper))
            .or_else(|| at(&names.channels).map(Part::Channel))
            .or_else(|| at(&names.switches).map(Part::Switch))
            .or_else(|| at(&loads).map(Part::Load));
        if found.is_none() {
            let lists = [&names.resistors, &jumpers, &names.channels, &names.switches, &loads];
            let known = lists.into_iter().flatten().map(String::as_str);
            let do_next = advice(name.it, "part", known);
            let what = format!("[[accepted]] names `{}`, which is no part", name.it.escape_debug());
            self.log.add(name.at, what, do_next);
        }
        found
    }

    /// The kinds named; all of them where none is.
    fn defects_accepted(&mut self, entry: &Fields<'a>) -> Option<Vec<&'static str>> {
        if entry.get("defects").is_none() {
            return Some(KINDS.to_vec());
        }
        let like = "[\"resistor of another value\"]";
        let named = entry.words(&mut self.log, "defects", like)?;
        self.some(entry, "defects", named.is_empty(), like)?;
        let mut found = Vec::new();
        for name in &named {
            let known = KINDS.into_iter().find(|d| *d == name.it);
            if known.is_none() {
                let what = format!("`{}` is no kind of defect", name.it.escape_debug());
                self.log.add(name.at, what, advice(name.it, "kind", KINDS));
            }
            found.push(known);
        }
        found.into_iter().collect()
    }

    fn some(&mut self, entry: &Fields<'a>, key: &str, empty: bool, like: &str) -> Option<()> {
        if !empty {
            return Some(());
        }
        let at = entry.get(key).map_or(entry.at, |v| v.span().start);
        let what = format!("`{key}` of {} is empty", entry.name);
        self.log.add(at, what, format!("write it like `{key} = {like}`"));
        None
    }
}
