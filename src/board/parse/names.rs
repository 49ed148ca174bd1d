//! Every name of the file: ids of parts, nets, pins in use. Names count as known even when the
//! rest of their part is wrong, so that one mistake is not reported again wherever it is named.

use super::super::chip::{Chip, ChipPin, Probe};
use super::super::ids::check_id;
use super::super::{Feed, NetId, Place, Source};
use super::log::Log;
use super::near::{advice, nearest};
use super::table::{At, Fields, texts};
use std::borrow::Cow;
use std::collections::HashMap;

/// A jumper as far as other parts of the file name it.
pub(super) struct KnownJumper {
    pub(super) id: String,
    pub(super) positions: Vec<String>,
    pub(super) open: bool,
    pub(super) parked: bool,
}

/// What the names of a board file stand for.
#[derive(Default)]
pub(super) struct Names {
    /// Kind of thing by its id.
    ids: HashMap<String, &'static str>,
    /// Nets in the order of first use.
    pub(super) nets: Vec<String>,
    net_ids: HashMap<String, NetId>,
    /// Nets that a part joins, unlike the supply's, which are known before any part.
    pub(super) joined: Vec<bool>,
    /// Who uses a pin.
    pins: HashMap<String, String>,
    pub(super) arrays: Vec<String>,
    pub(super) resistors: Vec<String>,
    pub(super) switches: Vec<String>,
    pub(super) jumpers: Vec<KnownJumper>,
    pub(super) channels: Vec<String>,
    /// Whether nets count as in SPICE, where case does not.
    spice: bool,
    /// Kind of element of the netlist by its name in lower case.
    elements: HashMap<String, &'static str>,
    /// Nets held against others by voltages, each with the one that it is held against.
    fixed: HashMap<NetId, NetId>,
    /// Sources with a tolerance.
    uncertain: usize,
}

/// Sources with a tolerance: every one doubles the corners of a band.
const MOST_UNCERTAIN: usize = 6;

impl Names {
    /// Takes up the `id` of a part; complains when it is malformed or taken, and then returns it
    /// all the same. `None` when it is missing.
    pub(super) fn claim(
        &mut self,
        log: &mut Log<'_>,
        part: &Fields<'_>,
        kind: &'static str,
        like: &str,
    ) -> Option<String> {
        let id = part.text(log, "id", like)?;
        self.claim_id(log, id, kind, &format!("id = {like}"))
    }

    /// The same for an id that stands anywhere.
    pub(super) fn claim_id(
        &mut self,
        log: &mut Log<'_>,
        id: At<&str>,
        kind: &'static str,
        like: &str,
    ) -> Option<String> {
        let lower = id.it.to_ascii_lowercase();
        if let Err(why) = check_id(id.it) {
            let what = format!("the id `{}` {why}", shown(id.it));
            log.add(id.at, what, format!("write it like `{like}`"));
        } else if let Some(taken) = self.ids.get(id.it).or_else(|| self.elements.get(&lower)) {
            let what = format!("`{}` is already the id of a {taken}", id.it);
            log.add(id.at, what, format!("give this {kind} an id of its own"));
        } else {
            self.ids.insert(id.it.to_string(), kind);
        }
        // The name is known all the same: naming it elsewhere is no second mistake.
        Some(id.it.to_string())
    }

    /// The same for an element of the netlist, whose name no other may have in either case.
    pub(super) fn claim_element(
        &mut self,
        log: &mut Log<'_>,
        id: At<&str>,
        kind: &'static str,
    ) -> Option<String> {
        let claimed = self.claim_id(log, id, kind, "R1")?;
        self.elements.insert(id.it.to_ascii_lowercase(), kind);
        Some(claimed)
    }

    /// From here on nets count as in SPICE: alike in either case, and `0` and `gnd` are ground.
    pub(super) fn as_in_spice(&mut self, ground: Option<NetId>) {
        self.spice = true;
        self.net_ids = self.net_ids.drain().map(|(k, id)| (k.to_ascii_lowercase(), id)).collect();
        if let Some(ground) = ground {
            self.net_ids.insert("0".into(), ground);
            self.net_ids.entry("gnd".into()).or_insert(ground);
        }
    }

    /// The form in which the name of a net is kept.
    fn key<'k>(&self, name: &'k str) -> Cow<'k, str> {
        match self.spice {
            true => Cow::Owned(name.to_ascii_lowercase()),
            false => Cow::Borrowed(name),
        }
    }

    /// The net of this name, new or known.
    pub(super) fn net(&mut self, name: &str) -> NetId {
        let key = self.key(name);
        if let Some(&known) = self.net_ids.get(&*key) {
            return known;
        }
        let id = NetId(self.nets.len());
        self.net_ids.insert(key.into_owned(), id);
        self.nets.push(name.to_string());
        self.joined.push(false);
        id
    }

    /// Notes a voltage between two nets; `false` when other voltages fix it already.
    pub(super) fn feed(&mut self, between: [NetId; 2]) -> bool {
        let mut root = |mut net: NetId| {
            while let Some(&next) = self.fixed.get(&net) {
                // Halved on the way, so that long chains stay short.
                let beyond = self.fixed.get(&next).copied().unwrap_or(next);
                self.fixed.insert(net, beyond);
                net = beyond;
            }
            net
        };
        let [a, b] = between.map(&mut root);
        if a != b {
            self.fixed.insert(a, b);
        }
        a != b
    }

    /// Takes up a source, unless it contradicts others or there are too many to try at both ends.
    pub(super) fn fed(&mut self, log: &mut Log<'_>, at: usize, source: Source) -> Option<Source> {
        let id = &source.id;
        if matches!(source.feed, Feed::Volts(_)) && !self.feed(source.between) {
            let what = format!("{id} closes a loop of voltage sources");
            log.add(at, what, "put the resistance that is there into the loop, or take one out");
            return None;
        }
        self.uncertain += usize::from(source.tolerance.0 > 0.0);
        if self.uncertain > MOST_UNCERTAIN {
            let what = format!("{id} is one source with a tolerance too many");
            let do_next = format!("{MOST_UNCERTAIN} are the most; give the jumper circuits only");
            log.add(at, what, do_next);
            return None;
        }
        Some(source)
    }

    /// The net of a part, which comes into being here; complains about names that cannot be nets.
    pub(super) fn joined_net(&mut self, log: &mut Log<'_>, name: At<&str>) -> Option<NetId> {
        check_net(log, name)?;
        let net = self.net(name.it);
        self.joined[net.0] = true;
        Some(net)
    }

    /// A net that must already be there.
    pub(super) fn known_net(&self, log: &mut Log<'_>, name: At<&str>, user: &str) -> Option<NetId> {
        let net = self.net_ids.get(&*self.key(name.it)).copied();
        if net.is_none() {
            let known = self.nets.iter().map(String::as_str);
            let what = format!("{user} names the net `{}`, which no part joins", shown(name.it));
            let do_next = lazily(log, || advice(name.it, "net", known));
            log.add(name.at, what, do_next);
        }
        net
    }

    /// The net that a supply net was most likely meant to be, if parts never join it itself.
    pub(super) fn mistaken_rail(&self, net: NetId) -> Option<&str> {
        if self.joined[net.0] {
            return None;
        }
        let others = self.nets.iter().zip(&self.joined).filter(|(_, joined)| **joined);
        nearest(&self.nets[net.0], others.map(|(name, _)| name.as_str()))
    }

    /// The pair of different nets under `key` of a part.
    pub(super) fn pair(
        &mut self,
        log: &mut Log<'_>,
        part: &Fields<'_>,
        key: &str,
    ) -> Option<[NetId; 2]> {
        const LIKE: &str = "[\"VCC\", \"TAP2\"]";
        let value = part.need(log, key, LIKE)?;
        let Some(nets) = texts(value).filter(|n| n.len() == 2) else {
            let what = format!("`{key}` of {} is not a pair of nets", part.name);
            log.add(value.span().start, what, format!("write `{key} = {LIKE}`"));
            return None;
        };
        self.different(log, &nets, value.span().start, &part.name, key)
    }

    /// Two nets, which must not be one and the same.
    pub(super) fn different(
        &mut self,
        log: &mut Log<'_>,
        nets: &[At<&str>],
        at: usize,
        user: &str,
        key: &str,
    ) -> Option<[NetId; 2]> {
        let (first, second) = (nets.first()?, nets.get(1)?);
        let pair = (self.joined_net(log, *first), self.joined_net(log, *second));
        let (Some(a), Some(b)) = pair else { return None };
        if a == b {
            let what = format!("{user} joins {} to itself", first.it);
            log.add(at, what, format!("put the two different nets in `{key}`"));
            return None;
        }
        Some([a, b])
    }

    /// Takes up a pin of the chip for one user.
    pub(super) fn pin(
        &mut self,
        log: &mut Log<'_>,
        part: &Fields<'_>,
        chip: Option<&Chip>,
    ) -> Option<At<ChipPin>> {
        self.pin_at(log, part, "pin", chip)
    }

    /// The same under another key than `pin`.
    pub(super) fn pin_at(
        &mut self,
        log: &mut Log<'_>,
        part: &Fields<'_>,
        key: &str,
        chip: Option<&Chip>,
    ) -> Option<At<ChipPin>> {
        let name = part.text(log, key, "\"PD2\"")?;
        let chip = chip?;
        let Some(pin) = chip.pin(name.it) else {
            let free = chip.pins.iter().filter(|p| !p.reserved).map(|p| &*p.name);
            let what = format!("the {} has no pin `{}`", chip.part, shown(name.it));
            let do_next = match nearest(name.it, free) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "write the pin as the data sheet does, like `PC0`".into(),
            };
            log.add(name.at, what, do_next);
            return None;
        };
        if pin.reserved {
            let what = format!("{} cannot use {}", part.name, pin.name);
            let user = match chip.probe {
                Probe::Image => "the probe's serial line needs",
                _ if pin.number > ChipPin::LAST => "the probe has no channel for",
                Probe::Sketch => "the probe's link, or the chip itself, needs",
                Probe::None => "the chip itself needs",
            };
            let do_next = format!("{user} {}; use another pin", pin.name);
            log.add(name.at, what, do_next);
            return None;
        }
        if let Some(user) = self.pins.get(&*pin.name) {
            let what = format!("{} is already the pin of {user}", pin.name);
            log.add(name.at, what, format!("give {} a pin of its own", part.name));
            return None;
        }
        self.pins.insert(pin.name.to_string(), part.name.clone());
        Some(At { it: pin.clone(), at: name.at })
    }

    /// Indices of the named parts of one kind; `None` when one of them is unknown or named twice.
    pub(super) fn indices(
        log: &mut Log<'_>,
        names: &[At<&str>],
        known: &[String],
        kind: &str,
        user: &str,
    ) -> Option<Vec<usize>> {
        let mut found = Vec::with_capacity(names.len());
        let mut good = true;
        for name in names {
            match known.iter().position(|k| k == name.it) {
                Some(index) if found.contains(&index) => {
                    good = false;
                    let what = format!("{user} names `{}` twice", name.it);
                    log.add(name.at, what, "take the second one out");
                }
                Some(index) => found.push(index),
                None => {
                    good = false;
                    let what = format!("{user} names the {kind} `{}`", shown(name.it));
                    let known = known.iter().map(String::as_str);
                    let do_next = lazily(log, || advice(name.it, kind, known));
                    log.add(name.at, format!("{what}, which is not in the file"), do_next);
                }
            }
        }
        good.then_some(found)
    }

    /// The jumper of this name; `beside` are other keys that may have been meant.
    pub(super) fn jumper(
        &self,
        log: &mut Log<'_>,
        name: At<&str>,
        user: &str,
        beside: &[&str],
    ) -> Option<usize> {
        let index = self.jumpers.iter().position(|j| j.id == name.it);
        if index.is_none() {
            let known = self.jumpers.iter().map(|j| j.id.as_str());
            let what = format!("{user} names the jumper `{}`", shown(name.it));
            let do_next = lazily(log, || match nearest(name.it, beside.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => advice(name.it, "jumper", known),
            });
            log.add(name.at, format!("{what}, which is not in the file"), do_next);
        }
        index
    }

    /// The place of this name of a jumper.
    pub(super) fn place(
        &self,
        log: &mut Log<'_>,
        jumper: usize,
        name: At<&str>,
        user: &str,
    ) -> Option<Place> {
        let jumper = &self.jumpers[jumper];
        if (name.it == "open" && jumper.open) || (name.it == "parked" && jumper.parked) {
            return Some(Place::Open);
        }
        if let Some(index) = jumper.positions.iter().position(|p| p == name.it) {
            return Some(Place::At(index));
        }
        let what = format!("{user}: {} has no place `{}`", jumper.id, shown(name.it));
        let do_next = if name.it == "open" {
            format!("add `open = true` to {} if it may be left without a shunt", jumper.id)
        } else if name.it == "parked" {
            format!("add `parked = true` to {} if its shunt may be kept on one pin", jumper.id)
        } else {
            let open = jumper.open.then_some(if jumper.parked { "parked" } else { "open" });
            let known = jumper.positions.iter().map(String::as_str).chain(open);
            lazily(log, || advice(name.it, "place", known))
        };
        log.add(name.at, what, do_next);
        None
    }
}

/// Advice costs a walk over all names; it is left out once problems are only counted.
fn lazily(log: &Log<'_>, advice: impl FnOnce() -> String) -> String {
    if log.full() { String::new() } else { advice() }
}

/// A name from the file as messages show it: one line, not too long.
fn shown(name: &str) -> String {
    let short: String = name.chars().take(40).flat_map(char::escape_debug).collect();
    if name.chars().count() > 40 { format!("{short}…") } else { short }
}

/// Complains about a text that cannot name a net.
pub(super) fn check_net(log: &mut Log<'_>, name: At<&str>) -> Option<()> {
    let fault = if name.it.is_empty() {
        "is empty"
    } else if name.it.chars().count() > super::super::ids::LONGEST {
        "is too long"
    } else if name.it.chars().any(|c| c.is_whitespace() || c.is_control()) {
        "has a space in it"
    } else {
        return Some(());
    };
    let what = format!("the net name `{}` {fault}", shown(name.it));
    log.add(name.at, what, "write the net as the schematic names it, like `TAP2`");
    None
}
