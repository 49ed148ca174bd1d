//! What the maker has accepted that no reading shows.

use super::super::{Accepted, BESIDES, KINDS, Load, OptionSet, Part};
use super::Reading;
use super::near::advice;
use super::table::{At, Fields, tables};

const KEYS: [&str; 3] = ["parts", "defects", "reason"];

/// Kinds of defect, and what is none of the circuit.
type Kinds = (Vec<&'static str>, Vec<&'static str>);

impl<'a> Reading<'a, '_> {
    pub(super) fn accepted(
        &mut self,
        root: &Fields<'a>,
        loads: &[Load],
        options: &[OptionSet],
    ) -> Vec<Accepted> {
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "accepted") {
            let called = "[[accepted]]".to_string();
            let part = Fields::new(&mut self.log, table.it, table.at, called, &KEYS);
            let kinds = self.defects_accepted(&part);
            // What is no defect of the circuit needs no part that has it.
            let alone = kinds.as_ref().is_some_and(|(defects, _)| defects.is_empty());
            let parts = match alone && part.get("parts").is_none() {
                true => Some(Vec::new()),
                false => self.parts_accepted(&part, loads, options),
            };
            let reason = part.text(&mut self.log, "reason", "\"each unit is looked at\"");
            if let (Some(parts), Some((defects, besides)), Some(reason)) = (parts, kinds, reason) {
                let reason = reason.it.trim().to_string();
                found.push(Accepted { parts, defects, besides, reason });
            }
        }
        found
    }

    fn parts_accepted(
        &mut self,
        entry: &Fields<'a>,
        loads: &[Load],
        options: &[OptionSet],
    ) -> Option<Vec<Part>> {
        let like = "[\"R30\", \"J6\"]";
        entry.need(&mut self.log, "parts", like)?;
        let named = entry.words(&mut self.log, "parts", like)?;
        self.some(entry, "parts", named.is_empty(), like)?;
        let found: Vec<Option<Part>> =
            named.iter().map(|n| self.part_named(n, loads, options)).collect();
        found.into_iter().collect()
    }

    fn part_named(
        &mut self,
        name: &At<&'a str>,
        loads: &[Load],
        options: &[OptionSet],
    ) -> Option<Part> {
        let names = &self.names;
        let at = |known: &[String]| known.iter().position(|k| k == name.it);
        let jumpers: Vec<String> = names.jumpers.iter().map(|j| j.id.clone()).collect();
        let loads: Vec<String> = loads.iter().map(|l| l.id.clone()).collect();
        let sets: Vec<String> = options.iter().map(|s| s.id.clone()).collect();
        let found = at(&names.resistors)
            .map(Part::Resistor)
            .or_else(|| at(&jumpers).map(Part::Jumper))
            .or_else(|| at(&names.channels).map(Part::Channel))
            .or_else(|| at(&names.switches).map(Part::Switch))
            .or_else(|| at(&loads).map(Part::Load))
            .or_else(|| at(&sets).map(Part::Options));
        if found.is_none() {
            let lists =
                [&names.resistors, &jumpers, &names.channels, &names.switches, &loads, &sets];
            let known = lists.into_iter().flatten().map(String::as_str);
            let do_next = advice(name.it, "part", known);
            let what = format!("[[accepted]] names `{}`, which is no part", name.it.escape_debug());
            self.log.add(name.at, what, do_next);
        }
        found
    }

    /// The kinds of defect named, all of them where none is, and what is no defect of the circuit.
    fn defects_accepted(&mut self, entry: &Fields<'a>) -> Option<Kinds> {
        if entry.get("defects").is_none() {
            return Some((KINDS.to_vec(), Vec::new()));
        }
        let like = "[\"resistor of another value\"]";
        let named = entry.words(&mut self.log, "defects", like)?;
        self.some(entry, "defects", named.is_empty(), like)?;
        let (mut found, mut all) = (Kinds::default(), true);
        for name in &named {
            let of = |kinds: &[&'static str]| kinds.iter().copied().find(|d| *d == name.it);
            match (of(&KINDS), of(&BESIDES)) {
                (Some(kind), _) => found.0.push(kind),
                (None, Some(kind)) => found.1.push(kind),
                (None, None) => {
                    let what = format!("`{}` is no kind of defect", name.it.escape_debug());
                    let known = KINDS.into_iter().chain(BESIDES);
                    self.log.add(name.at, what, advice(name.it, "kind", known));
                    all = false;
                }
            }
        }
        all.then_some(found)
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
