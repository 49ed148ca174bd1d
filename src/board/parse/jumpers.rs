//! Jumpers with their positions, the delivery setting, and clauses that name places.

use super::super::ids::check_id;
use super::super::{Jumper, NetId, Place, Position, Setting};
use super::Reading;
use super::log::Log;
use super::names::KnownJumper;
use super::table::{At, Fields, Value, elements, tables, texts, whole};
use toml::de::DeTable;

/// Positions that one header may have.
const MOST_POSITIONS: usize = 200;

const PINS: &str = "[1, 2]";
const JOINS: &str = "[\"TAP2\", \"PICK\"]";

impl<'a> Reading<'a, '_> {
    pub(super) fn jumpers(&mut self, root: &Fields<'a>) -> Vec<Jumper> {
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "jumper") {
            found.extend(self.jumper(table));
        }
        found
    }

    fn jumper(&mut self, table: At<&'a DeTable<'a>>) -> Option<Jumper> {
        let keys = ["id", "label", "positions", "open", "parked", "power"];
        let (part, id) = self.part(table, "jumper", "\"J1\"", &keys);
        if id.as_deref() == Some("means") {
            let do_next = "that word names the option of a setting; use a designator";
            self.log.add(part.at, "a jumper cannot be called `means`", do_next);
        }
        let label = part.text_or_empty(&mut self.log, "label", "\"crop profile\"");
        let parked = part.flag(&mut self.log, "parked");
        let open = part.flag(&mut self.log, "open") || parked;
        let power = part.flag(&mut self.log, "power");
        let name = id.clone().unwrap_or_default();
        let mut known = KnownJumper { id: name, positions: vec![], open, parked };
        let positions = self.positions(&part, &mut known);
        if id.is_some() {
            self.names.jumpers.push(known);
        }
        let (id, label, positions) = (id?, label?, positions?);
        self.check_pins(&part, &positions);
        let positions = positions.into_iter().map(|p| p.it).collect();
        Some(Jumper { id, label, positions, open, parked, power })
    }

    /// The positions of a jumper; `None` when one of them is wrong.
    fn positions(
        &mut self,
        part: &Fields<'a>,
        known: &mut KnownJumper,
    ) -> Option<Vec<At<Position>>> {
        let each = format!("{{ name = \"1\", pins = {PINS}, joins = {JOINS} }}");
        let like = format!("[{each}]");
        let value = part.need(&mut self.log, "positions", &like)?;
        let list = value.get_ref().as_array();
        if list.is_none_or(|l| l.is_empty() || l.len() > MOST_POSITIONS) {
            let what = format!("`positions` of {} is no list of 1 to {MOST_POSITIONS}", part.name);
            self.log.add(value.span().start, what, format!("write `positions = {like}`"));
            return None;
        }
        let mut found = Vec::new();
        let mut good = true;
        for element in elements(&mut self.log, part, "positions", &each) {
            match self.position(element, &part.name, known) {
                Some(it) => found.push(At { it, at: element.at }),
                None => good = false,
            }
        }
        (good && Some(found.len()) == list.map(|l| l.len())).then_some(found)
    }

    fn position(
        &mut self,
        element: At<&'a DeTable<'a>>,
        jumper: &str,
        known: &mut KnownJumper,
    ) -> Option<Position> {
        let called = match element.it.get("name").and_then(|n| n.get_ref().as_str()) {
            Some(name) if check_id(name).is_ok() => format!("position {name} of {jumper}"),
            _ => format!("a position of {jumper}"),
        };
        let keys = ["name", "pins", "joins"];
        let fields = Fields::new(&mut self.log, element.it, element.at, called, &keys);
        let name = self.position_name(&fields, jumper, known);
        let pins = self.pin_pairs(&fields);
        let joins = self.net_pairs(&fields);
        let (name, pins, joins) = (name?, pins?, joins?);
        if pins.len() != joins.len() {
            let (p, j) = (pins.len(), joins.len());
            let what = format!("{} has {p} of `pins` and {j} of `joins`", fields.name);
            self.log.add(element.at, what, "give every pole one pair in `pins` and in `joins`");
            return None;
        }
        Some(Position { name, pins, joins })
    }

    fn position_name(
        &mut self,
        fields: &Fields<'_>,
        jumper: &str,
        known: &mut KnownJumper,
    ) -> Option<String> {
        let name = fields.text(&mut self.log, "name", "\"1\"")?;
        if let Err(why) = check_id(name.it) {
            let what = format!("the position name `{}` {why}", name.it.escape_debug());
            self.log.add(name.at, what, "write the name on the jumper card, like `1` or `fitted`");
        } else if ["open", "parked"].iter().any(|w| name.it.eq_ignore_ascii_case(w)) {
            let what = format!("a position of {jumper} cannot be called `{}`", name.it);
            let do_next = "that word means no shunt, or a shunt on one pin; \
                           for these write `open = true` or `parked = true` beside `positions`";
            self.log.add(name.at, what, do_next);
        } else if known.positions.iter().any(|p| p == name.it) {
            let what = format!("{jumper} has two positions called `{}`", name.it);
            self.log.add(name.at, what, "give each position a name of its own");
            return None;
        }
        known.positions.push(name.it.to_string());
        Some(name.it.to_string())
    }

    fn pin_pairs(&mut self, fields: &Fields<'a>) -> Option<Vec<[u16; 2]>> {
        let value = fields.need(&mut self.log, "pins", PINS)?;
        let poles = split_poles(value, |v| v.get_ref().is_integer());
        let pair = |pole: &Value<'a>| {
            let list = pole.get_ref().as_array()?;
            let numbers: Option<Vec<u16>> =
                list.iter().map(|v| whole(v).filter(|n| (1..=999).contains(n))).collect();
            <[u16; 2]>::try_from(numbers?).ok().filter(|[a, b]| a != b)
        };
        let pairs: Option<Vec<[u16; 2]>> = poles.and_then(|p| p.iter().map(pair).collect());
        if pairs.is_none() {
            let what = format!("`pins` of {} is not a pair of header pins", fields.name);
            let do_next =
                format!("write `pins = {PINS}`, or `[[1, 2], [3, 4]]` for a shunt of two poles");
            self.log.add(value.span().start, what, do_next);
        }
        pairs
    }

    fn net_pairs(&mut self, fields: &Fields<'a>) -> Option<Vec<[NetId; 2]>> {
        let value = fields.need(&mut self.log, "joins", JOINS)?;
        let poles = split_poles(value, |v| v.get_ref().is_str()).and_then(|poles| {
            let named = poles.iter().map(|p| texts(p).filter(|n| n.len() == 2));
            named.collect::<Option<Vec<_>>>().map(|named| (poles, named))
        });
        let Some((poles, named)) = poles else {
            let what = format!("`joins` of {} is not a pair of nets", fields.name);
            let do_next = format!("write `joins = {JOINS}`, in the order of `pins`");
            self.log.add(value.span().start, what, do_next);
            return None;
        };
        let mut pairs = Vec::with_capacity(named.len());
        for (pole, nets) in poles.iter().zip(&named) {
            let at = pole.span().start;
            pairs.push(self.names.different(&mut self.log, nets, at, &fields.name, "joins"));
        }
        pairs.into_iter().collect()
    }

    /// Each header pin is on one net, and no two positions sit on the same pins.
    fn check_pins(&mut self, part: &Fields<'_>, positions: &[At<Position>]) {
        let mut nets: std::collections::HashMap<u16, NetId> = Default::default();
        let mut seats: std::collections::HashMap<Vec<[u16; 2]>, &str> = Default::default();
        for At { it: position, at } in positions {
            let poles = position.pins.iter().zip(&position.joins);
            for (pin, net) in poles.flat_map(|(p, n)| p.iter().zip(n)) {
                let first = *nets.entry(*pin).or_insert(*net);
                if first != *net {
                    let (a, b) = (&self.names.nets[first.0], &self.names.nets[net.0]);
                    let what = format!("pin {pin} of {} is on {a} and on {b}", part.name);
                    let do_next =
                        "a header pin is on one net; write `joins` in the order of `pins`";
                    self.log.add(*at, what, do_next);
                }
            }
            let mut seat = position.pins.clone();
            seat.iter_mut().for_each(|pair| pair.sort_unstable());
            seat.sort_unstable();
            if let Some(other) = seats.insert(seat, &position.name) {
                let what =
                    format!("positions {other} and {} of {} are one", position.name, part.name);
                self.log.add(*at, what, "they sit on the same pins; correct `pins` of one of them");
            }
        }
    }

    /// The delivery setting: one place for every jumper.
    pub(super) fn delivery(&mut self, root: &Fields<'a>) -> Option<Setting> {
        let value = self.section(root, "delivery")?;
        let named = self.places_under(value, "[delivery]")?;
        let missing: Vec<&str> = self
            .names
            .jumpers
            .iter()
            .enumerate()
            .filter(|(i, _)| named.iter().all(|(j, _)| j != i))
            .map(|(_, j)| j.id.as_str())
            .collect();
        if let Some(first) = missing.first() {
            let what = format!("[delivery] gives no place for {}", missing.join(", "));
            let do_next = format!("add `{first} = \"…\"`: how the shunt sits when a unit leaves");
            self.log.add(value.span().start, what, do_next);
            return None;
        }
        Some(Setting(named.into_iter().map(|(_, place)| place).collect()))
    }

    /// Places under a key that takes a table of them.
    pub(super) fn places_under(
        &mut self,
        value: Value<'a>,
        user: &str,
    ) -> Option<Vec<(usize, Place)>> {
        let Some(table) = value.get_ref().as_table() else {
            let what = format!("{user} has no table of jumpers and places here");
            self.log.add(value.span().start, what, "write `{ J1 = \"1\", J2 = \"open\" }`");
            return None;
        };
        self.places(table, user, &[])
    }

    /// Places by jumper, ordered by jumper; `beside` are keys of the table that are no jumpers.
    /// `None` when one of them is wrong.
    pub(super) fn places(
        &mut self,
        table: &'a DeTable<'a>,
        user: &str,
        beside: &[&str],
    ) -> Option<Vec<(usize, Place)>> {
        let mut found = Vec::with_capacity(table.len());
        let mut good = true;
        for (key, value) in table.iter() {
            let name = At { it: key.get_ref().as_ref(), at: key.span().start };
            if beside.contains(&name.it) {
                continue;
            }
            let jumper = self.names.jumper(&mut self.log, name, user, beside);
            let place = jumper.and_then(|j| {
                let text = place_text(&mut self.log, name.it, value, user)?;
                Some((j, self.names.place(&mut self.log, j, text, user)?))
            });
            good &= place.is_some();
            found.extend(place);
        }
        found.sort_unstable();
        good.then_some(found)
    }
}

fn place_text<'a>(
    log: &mut Log<'_>,
    jumper: &str,
    value: Value<'a>,
    user: &str,
) -> Option<At<&'a str>> {
    let text = value.get_ref().as_str();
    if text.is_none() {
        let what = format!("{user}: the place of {jumper} is not text");
        log.add(value.span().start, what, format!("put it in quotes: `{jumper} = \"1\"`"));
    }
    text.map(|it| At { it, at: value.span().start })
}

/// A single pair as one pole, or a list of pairs as several.
fn split_poles<'a>(value: Value<'a>, single: impl Fn(Value<'a>) -> bool) -> Option<Vec<Value<'a>>> {
    let list = value.get_ref().as_array()?;
    if list.iter().all(single) {
        return Some(vec![value]);
    }
    Some(list.iter().collect())
}
