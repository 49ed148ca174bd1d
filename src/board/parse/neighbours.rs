//! `[[neighbours]]`: which pins of a header lie beside which of another one.

use super::super::{Jumper, Neighbours};
use super::Reading;
use super::table::{At, Fields, Value, tables, whole};
use toml::de::DeTable;

const KEYS: [&str; 2] = ["headers", "pins"];
const HEADERS: &str = "[\"J2\", \"J3\"]";
const PINS: &str = "[[1, 1], [2, 2]]";

impl<'a> Reading<'a, '_> {
    pub(super) fn neighbours(&mut self, root: &Fields<'a>, jumpers: &[Jumper]) -> Vec<Neighbours> {
        let mut found: Vec<Neighbours> = Vec::new();
        for table in tables(&mut self.log, root, "neighbours") {
            self.two_headers(table, jumpers, &mut found);
        }
        found
    }

    /// The pins of one pair of headers; `None` where the entry cannot be read on.
    fn two_headers(
        &mut self,
        table: At<&'a DeTable<'a>>,
        jumpers: &[Jumper],
        found: &mut Vec<Neighbours>,
    ) -> Option<()> {
        let called = "[[neighbours]]".to_string();
        let entry = Fields::new(&mut self.log, table.it, table.at, called, &KEYS);
        let value = entry.need(&mut self.log, "headers", HEADERS)?;
        let named = entry.words(&mut self.log, "headers", HEADERS)?;
        let pairs = self.pin_pairs_beside(&entry);
        let [first, second] = named[..] else {
            let what = format!("`headers` of {} names {} headers", entry.name, named.len());
            let do_next = format!("name two, like `headers = {HEADERS}`, in an entry for each two");
            self.log.add(value.span().start, what, do_next);
            return None;
        };
        let known = [first, second].map(|n| self.names.jumper(&mut self.log, n, &entry.name, &[]));
        if first.it == second.it {
            let what = format!("`headers` of {} names {} twice", entry.name, first.it);
            let do_next = "name another header; neighbouring pins of one header are known by their \
                           numbers";
            self.log.add(second.at, what, do_next);
            return None;
        }
        let (Some(a), Some(b)) = (known[0], known[1]) else { return None };
        for At { it: pins, at } in pairs? {
            // In the order of the file, so that a pair of pins is written in one way.
            let (ids, pins) = match a < b {
                true => ([first.it, second.it], pins),
                false => ([second.it, first.it], [pins[1], pins[0]]),
            };
            let index = |id: &str| jumpers.iter().position(|j| j.id == id);
            // A jumper with a mistake of its own has been told.
            let (Some(low), Some(high)) = (index(ids[0]), index(ids[1])) else { return None };
            let one = [(low, pins[0]), (high, pins[1])];
            let nets = one.map(|(j, pin)| jumpers[j].pin_nets().get(&pin).copied());
            if let (Some(x), Some(y)) = (nets[0], nets[1]) {
                let new = Neighbours { jumpers: [low, high], pins, nets: [x, y] };
                self.new_pair(&entry, ids, found, At { it: new, at });
                continue;
            }
            for ((jumper, pin), _) in one.iter().zip(nets).filter(|(_, net)| net.is_none()) {
                self.no_such_pin(&jumpers[*jumper], *pin, at);
            }
        }
        Some(())
    }

    fn new_pair(
        &mut self,
        entry: &Fields<'_>,
        [a, b]: [&str; 2],
        found: &mut Vec<Neighbours>,
        new: At<Neighbours>,
    ) {
        if found.contains(&new.it) {
            let [p, q] = new.it.pins;
            let what = format!("{} names pin {p} of {a} and pin {q} of {b} again", entry.name);
            self.log.add(new.at, what, "name each two pins once");
        } else {
            found.push(new.it);
        }
    }

    fn no_such_pin(&mut self, jumper: &Jumper, pin: u16, at: usize) {
        let known: Vec<String> = jumper.pin_nets().keys().map(u16::to_string).collect();
        let what = format!("no position of {} has a pin {pin}", jumper.id);
        let do_next = format!("name pins that its positions join: {}", known.join(", "));
        self.log.add(at, what, do_next);
    }

    /// The list of pairs under `pins`, each with its place.
    fn pin_pairs_beside(&mut self, entry: &Fields<'a>) -> Option<Vec<At<[u16; 2]>>> {
        let value = entry.need(&mut self.log, "pins", PINS)?;
        let pair = |v: Value<'a>| {
            let list = v.get_ref().as_array()?;
            let numbers: Option<Vec<u16>> = list.iter().map(whole).collect();
            let it = <[u16; 2]>::try_from(numbers?).ok()?;
            Some(At { it, at: v.span().start })
        };
        let list = value.get_ref().as_array().filter(|list| !list.is_empty());
        let pairs: Option<Vec<_>> = list.and_then(|list| list.iter().map(pair).collect());
        if pairs.is_none() {
            let what = format!("`pins` of {} is no list of pairs of pins", entry.name);
            let do_next = format!(
                "write `pins = {PINS}`: pin 1 of the first header beside pin 1 of the second, and \
                 so on"
            );
            self.log.add(value.span().start, what, do_next);
        }
        pairs
    }
}
