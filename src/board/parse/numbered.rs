//! Short forms for sets of options: every setting of some jumpers, numbered by its bits, and places
//! that hold in every entry.

use super::super::{Meaning, Place};
use super::Reading;
use super::names::KnownJumper;
use super::reads::MOST_SETTINGS;
use super::table::{Fields, texts};

impl<'a> Reading<'a, '_> {
    /// The places under `base`, which hold in every entry that does not say otherwise.
    pub(super) fn base(&mut self, part: &Fields<'a>) -> Option<Vec<(usize, Place)>> {
        match part.get("base") {
            Some(value) => self.places_under(value, &part.name),
            None => Some(Vec::new()),
        }
    }

    /// The options of `all`: one for every setting of its jumpers, called by their number or by
    /// the names in `means`. The first jumper is the least significant bit.
    pub(super) fn numbered(&mut self, part: &Fields<'a>) -> Option<Vec<Meaning>> {
        const LIKE: &str = "[\"J1\", \"J2\"]";
        let base = self.base(part)?;
        let value = part.need(&mut self.log, "all", LIKE)?;
        let names = part.words(&mut self.log, "all", LIKE)?;
        let most = MOST_SETTINGS.ilog2() as usize;
        if names.is_empty() || names.len() > most {
            let what = format!("`all` of {} is no list of 1 to {most} jumpers", part.name);
            self.log.add(value.span().start, what, format!("write `all = {LIKE}`"));
            return None;
        }
        let inverted = part.flag(&mut self.log, "inverted");
        let mut bits: Vec<(usize, [Place; 2])> = Vec::with_capacity(names.len());
        for name in names {
            let jumper = self.names.jumper(&mut self.log, name, &part.name, &[])?;
            if bits.iter().any(|(j, _)| *j == jumper) {
                let what = format!("{} names `{}` twice", part.name, name.it);
                self.log.add(name.at, what, "take the second one out");
                return None;
            }
            let Some(mut places) = bit(&self.names.jumpers[jumper]) else {
                let what = format!("{} has not two places, so it is no bit", name.it);
                let do_next =
                    "list its settings in `when`, or correct `positions` and `open` of it";
                self.log.add(name.at, what, do_next);
                return None;
            };
            if inverted {
                places.reverse();
            }
            bits.push((jumper, places));
        }
        let called = self.called(part, 1 << bits.len())?;
        let meaning = |(number, means): (usize, String)| {
            let place = |(n, (jumper, places)): (usize, &(usize, [Place; 2]))| {
                (*jumper, places[number >> n & 1])
            };
            let mut places: Vec<(usize, Place)> = bits.iter().enumerate().map(place).collect();
            places.sort_unstable();
            Meaning { places: over(&base, places), means }
        };
        Some(called.into_iter().enumerate().map(meaning).collect())
    }

    /// What the settings are called, in the order of their numbers.
    fn called(&mut self, part: &Fields<'a>, count: usize) -> Option<Vec<String>> {
        let Some(value) = part.get("means") else {
            return Some((0..count).map(|n| n.to_string()).collect());
        };
        let names = texts(value).filter(|names| names.len() == count);
        let good = names.filter(|names| {
            names.iter().all(|n| !n.it.trim().is_empty() && !n.it.chars().any(char::is_control))
        });
        if good.is_none() {
            let what = format!("`means` of {} is no list of {count} names", part.name);
            let do_next = "give one for every setting, from number 0 on, or leave `means` out";
            self.log.add(value.span().start, what, do_next);
        }
        good.map(|names| names.iter().map(|n| n.it.to_string()).collect())
    }
}

/// The places that a jumper has as bit 0 and bit 1: open and fitted, or its two positions in order.
fn bit(jumper: &KnownJumper) -> Option<[Place; 2]> {
    match (jumper.positions.len(), jumper.open) {
        (1, true) => Some([Place::Open, Place::At(0)]),
        (2, false) => Some([Place::At(0), Place::At(1)]),
        _ => None,
    }
}

/// Places laid over those of `base`, ordered by jumper.
pub(super) fn over(base: &[(usize, Place)], places: Vec<(usize, Place)>) -> Vec<(usize, Place)> {
    let below = base.iter().filter(|(j, _)| places.iter().all(|(named, _)| named != j));
    let mut all: Vec<(usize, Place)> = below.copied().collect();
    all.extend(places);
    all.sort_unstable();
    all
}
