//! I2C buses, and the parts on them.

use super::super::chip::ChipPin;
use super::super::{BusPart, Supply};
use super::Reading;
use super::near::advice;
use super::table::{Fields, tables};

/// A bus as far as its parts name it.
struct Bus {
    id: String,
    at: usize,
    /// Data and clock; none when something is wrong with one of them.
    pins: Option<[ChipPin; 2]>,
    pull_ups: bool,
}

/// 7-bit addresses; those before and behind are reserved (UM10204 table 4, from memory).
const ADDRESSES: std::ops::RangeInclusive<u16> = 8..=119;

impl<'a> Reading<'a, '_> {
    /// The parts of all buses, in the order of the file.
    pub(super) fn bus_parts(&mut self, root: &Fields<'a>, supply: Option<&Supply>) -> Vec<BusPart> {
        let buses = self.buses(root);
        let keys = ["id", "label", "bus", "address", "supply"];
        let mut found: Vec<BusPart> = Vec::new();
        for table in tables(&mut self.log, root, "bus_part") {
            let (part, id) = self.part(table, "part on a bus", "\"U3\"", &keys);
            let label = part.text_or_empty(&mut self.log, "label", "\"clock\"");
            let bus = self.bus_named(&part, &buses);
            let address = self.address(&part);
            let net = match part.get("supply") {
                None => supply.map(|s| s.net),
                Some(_) => part
                    .text(&mut self.log, "supply", "\"VCC\"")
                    .and_then(|name| self.names.known_net(&mut self.log, name, &part.name)),
            };
            let (Some(id), Some(label), Some(bus), Some(address), Some(supply)) =
                (id, label, bus, address, net)
            else {
                continue;
            };
            let Some([sda, scl]) = bus.pins.clone() else { continue };
            let twin = found.iter().find(|p| p.address == address && p.sda.number == sda.number);
            if let Some(twin) = twin {
                let what = format!("{} has the address of {} on the same bus", id, twin.id);
                let do_next = "an answer would prove neither; correct one of the two";
                self.log.add(
                    part.get("address").map_or(part.at, |v| v.span().start),
                    what,
                    do_next,
                );
                continue;
            }
            found.push(BusPart { id, label, address, sda, scl, pull_ups: bus.pull_ups, supply });
        }
        let empty = |bus: &&Bus| {
            let sda = bus.pins.as_ref().map(|[sda, _]| sda.number);
            found.iter().all(|part| Some(part.sda.number) != sda)
        };
        // A part with a mistake is on its bus all the same.
        for bus in buses.iter().filter(|_| self.log.clean()).filter(empty).collect::<Vec<_>>() {
            let what = format!("no part is on the bus {}, so nothing is asked on it", bus.id);
            let do_next =
                format!("add a `[[bus_part]]` with `bus = \"{}\"`, or take it out", bus.id);
            self.log.add(bus.at, what, do_next);
        }
        found
    }

    fn buses(&mut self, root: &Fields<'a>) -> Vec<Bus> {
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "bus") {
            let (part, id) = self.part(table, "bus", "\"I2C\"", &["id", "sda", "scl", "pull_ups"]);
            let pins = ["sda", "scl"].map(|key| self.bus_pin(&part, key));
            let pull_ups = part.flag(&mut self.log, "pull_ups");
            let [sda, scl] = pins;
            let pins = sda.zip(scl).map(|(sda, scl)| [sda, scl]);
            let at = part.at;
            found.extend(id.map(|id| Bus { id, at, pins, pull_ups }));
        }
        found
    }

    /// A pin that is pulled low and let go, and that nothing else uses: what a shunt puts on a rail
    /// may not be pulled low.
    fn bus_pin(&mut self, part: &Fields<'a>, key: &str) -> Option<ChipPin> {
        let pin = self.names.pin_at(&mut self.log, part, key, self.chip.as_deref())?;
        if !pin.it.digital {
            let what = format!("{} cannot be pulled low, so it carries no bus", pin.it.name);
            let do_next = format!("name the pin at {} of {}", key.to_uppercase(), part.name);
            self.log.add(pin.at, what, do_next);
            return None;
        }
        Some(pin.it)
    }

    fn bus_named<'b>(&mut self, part: &Fields<'a>, buses: &'b [Bus]) -> Option<&'b Bus> {
        let name = part.text(&mut self.log, "bus", "\"I2C\"")?;
        let found = buses.iter().find(|bus| bus.id == name.it);
        if found.is_none() {
            let what = format!("{} names the bus `{}`", part.name, name.it.escape_debug());
            let do_next = advice(name.it, "bus", buses.iter().map(|b| b.id.as_str()));
            self.log.add(name.at, format!("{what}, which is not in the file"), do_next);
        }
        found
    }

    fn address(&mut self, part: &Fields<'a>) -> Option<u8> {
        let value = part.need(&mut self.log, "address", "0x68")?;
        let address = super::table::whole(value).filter(|n| ADDRESSES.contains(n));
        if address.is_none() {
            let what = format!("`address` of {} is no whole number from 0x08 to 0x77", part.name);
            let do_next = "write the 7-bit address, without the bit for reading: `address = 0x68`";
            self.log.add(value.span().start, what, do_next);
        }
        address.and_then(|a| u8::try_from(a).ok())
    }
}
