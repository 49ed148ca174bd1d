//! What is read and what it means: channels and options.

use super::super::chip::ChipPin;
use super::super::{Capacitor, Channel, Kind, Meaning, Meter, NetId, OptionSet};
use super::Reading;
use super::names::Names;
use super::numbered::over;
use super::table::{At, Fields, elements, tables, texts};
use crate::units::Ratio;

/// Settings that one set of options may list; every two of them are compared.
pub(super) const MOST_SETTINGS: usize = 1024;

/// Most capacitance that a pin of some 25 Ω empties in the 10 µs of a discharge, in farads: eight
/// time constants.
const MOST_DISCHARGED: f64 = 47e-9;

/// Accuracy of a meter for which none is given: that of a hand-held one on its resistance ranges
/// (common practice, no source).
const METER: Ratio = Ratio(0.01);

/// What the display of a meter counts to for which nothing is given: three and a half digits
/// (common practice, no source).
const COUNTS: u16 = 2000;

impl<'a> Reading<'a, '_> {
    pub(super) fn channels(&mut self, root: &Fields<'a>, capacitors: &[Capacitor]) -> Vec<Channel> {
        let keys = [
            "id",
            "label",
            "kind",
            "net",
            "pin",
            "pull_up",
            "closes",
            "discharge",
            "between",
            "accuracy",
            "digits",
            "counts",
        ];
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "channel") {
            let (part, id) = self.part(table, "channel", "\"ADDR0\"", &keys);
            self.names.channels.extend(id.clone());
            let label = part.text_or_empty(&mut self.log, "label", "\"address bit 0\"");
            let kinds =
                [("analog", Some(Kind::Analog)), ("digital", Some(Kind::Digital)), ("meter", None)];
            let Some(kind) = part.choice(&mut self.log, "kind", &kinds) else { continue };
            let channel = match kind {
                Some(kind) => self.pin_channel(&part, (id, label), kind, capacitors),
                None => self.meter_channel(&part, id, label),
            };
            found.extend(channel);
        }
        found
    }

    /// A channel that a pin of the chip reads.
    fn pin_channel(
        &mut self,
        part: &Fields<'a>,
        (id, label): (Option<String>, Option<String>),
        kind: Kind,
        capacitors: &[Capacitor],
    ) -> Option<Channel> {
        self.not_for(part, &["between", "accuracy", "digits", "counts"], "a meter reads");
        let net = part
            .text(&mut self.log, "net", "\"ADDR0\"")
            .and_then(|name| self.names.known_net(&mut self.log, name, &part.name));
        let pin = self.names.pin(&mut self.log, part, self.chip.as_deref());
        let pull_up = part.flag(&mut self.log, "pull_up");
        let discharge = part.flag(&mut self.log, "discharge");
        let closes = self.closes(part);
        let (net, At { it: pin, at: pin_at }) = (net?, pin?);
        let (id, label, closes) = (id?, label?, closes?);
        let channel = Channel { id, label, net, pin, kind, pull_up, closes, discharge };
        self.check_channel(&channel, part, pin_at);
        let at_pin = capacitors.iter().filter(|c| c.between.contains(&net));
        self.check_discharge(&channel, part, at_pin.map(|c| c.farads.0).sum());
        Some(channel)
    }

    /// A channel that a person reads with a meter.
    fn meter_channel(
        &mut self,
        part: &Fields<'a>,
        id: Option<String>,
        label: Option<String>,
    ) -> Option<Channel> {
        const LIKE: &str = "[\"A\", \"B\"]";
        self.not_for(part, &["net", "pin", "pull_up", "closes", "discharge"], "a pin reads");
        let meter = self.meter(part);
        let value = part.need(&mut self.log, "between", LIKE)?;
        let Some(names) = texts(value).filter(|n| n.len() == 2) else {
            let what = format!("`between` of {} is not a pair of nets", part.name);
            self.log.add(value.span().start, what, format!("write `between = {LIKE}`"));
            return None;
        };
        let known = |n: &At<&str>| self.names.known_net(&mut self.log, *n, &part.name);
        let nets: Vec<Option<NetId>> = names.iter().map(known).collect();
        let [Some(net), Some(against)] = nets[..] else { return None };
        if net == against {
            let what = format!("{} is measured from {} to itself", part.name, names[0].it);
            self.log.add(value.span().start, what, "name the two different nets at the tips");
            return None;
        }
        let kind = Kind::Meter { against, meter: meter? };
        let pin = ChipPin::meter();
        let (id, label, closes) = (id?, label?, Vec::new());
        Some(Channel { id, label, net, pin, kind, pull_up: false, closes, discharge: false })
    }

    /// How far the meter may be off.
    fn meter(&mut self, part: &Fields<'a>) -> Option<Meter> {
        let accuracy = match part.get("accuracy") {
            Some(_) => part.share(&mut self.log, "accuracy", "\"1%\""),
            None => Some(METER),
        };
        let digits = part.count(&mut self.log, "digits", 0, 0..=1000);
        let counts = part.count(&mut self.log, "counts", COUNTS, 1000..=60_000);
        Some(Meter { accuracy: accuracy?, digits: digits?, counts: counts? })
    }

    /// Keys that mean nothing in a channel of this kind.
    fn not_for(&mut self, part: &Fields<'_>, keys: &[&str], whose: &str) {
        for key in keys {
            if let Some(value) = part.get(key) {
                let what =
                    format!("{} has `{key}`, which is for a channel that {whose}", part.name);
                self.log.add(value.span().start, what, "take it out, or correct `kind`");
            }
        }
    }

    /// Whether the pin can do what the channel asks of it.
    fn check_channel(&mut self, channel: &Channel, part: &Fields<'_>, pin_at: usize) {
        let (id, pin) = (&channel.id, &channel.pin);
        if channel.kind == Kind::Analog && pin.adc.is_none() {
            let what = format!("{id} is analog, but {} has no converter input", pin.name);
            let inputs = self.chip.iter().flat_map(|c| c.pins.iter()).filter(|p| p.adc.is_some());
            let names: Vec<&str> = inputs.map(|p| &*p.name).collect();
            self.log.add(pin_at, what, format!("use one of {}", names.join(", ")));
        }
        if channel.kind == Kind::Digital && !pin.digital {
            let what = format!("{id} is digital, but {} can only be converted", pin.name);
            self.log.add(pin_at, what, "write `kind = \"analog\"` or use another pin");
        }
        let flag_at = part.get("pull_up").map_or(part.at, |v| v.span().start);
        if channel.pull_up && !pin.pull_up {
            let what = format!("{} has no pull-up", pin.name);
            self.log.add(flag_at, what, "take `pull_up` out or use another pin");
        } else if channel.pull_up && channel.discharge {
            let what = format!("{id} has `pull_up = true` and `discharge = true`");
            self.log.add(
                flag_at,
                what,
                "take `discharge` out: the pin's own pull-up proves itself",
            );
        } else if channel.pull_up && channel.kind == Kind::Analog {
            let what = format!("{id} is analog and has `pull_up = true`");
            let do_next = "take `pull_up` out; a pull-up of some 20 to 50 kΩ gives no window";
            self.log.add(flag_at, what, do_next);
        }
    }

    /// Whether a discharge of the pin makes sense: it costs an analog pin nothing to be tested by
    /// charge sharing, and a big capacitor is not empty after some microseconds.
    fn check_discharge(&mut self, channel: &Channel, part: &Fields<'_>, farads: f64) {
        let id = &channel.id;
        let at = part.get("discharge").map_or(part.at, |v| v.span().start);
        if channel.discharge && channel.kind == Kind::Analog {
            let what = format!("{id} is analog and has `discharge = true`");
            self.log.add(at, what, "take `discharge` out: charge sharing tests an analog pin");
        } else if channel.discharge && farads > MOST_DISCHARGED {
            let what = format!("{id} has more than 47 nF at its pin, too much to discharge");
            self.log.add(at, what, "take `discharge` out; an open pull-up is then not seen");
        }
    }

    /// The switches that are closed meanwhile.
    pub(super) fn closes(&mut self, part: &Fields<'a>) -> Option<Vec<usize>> {
        let names = part.words(&mut self.log, "closes", "[\"K1\"]")?;
        Names::indices(&mut self.log, &names, &self.names.switches, "switch", &part.name)
    }

    pub(super) fn options(&mut self, root: &Fields<'a>) -> Vec<OptionSet> {
        let mut found = Vec::new();
        let mut readers: Vec<Option<String>> = vec![None; self.names.channels.len()];
        for table in tables(&mut self.log, root, "options") {
            let keys = ["id", "label", "channels", "base", "when", "all", "inverted", "means"];
            let (part, id) = self.part(table, "set of options", "\"address\"", &keys);
            let label = part.text_or_empty(&mut self.log, "label", "\"bus address\"");
            let channels = self.option_channels(&part, &mut readers);
            let when = match (part.get("all"), part.get("when")) {
                (Some(_), None) => self.numbered(&part),
                (Some(_), Some(when)) => {
                    let what = format!("{} has both `when` and `all`", part.name);
                    self.log.add(when.span().start, what, "take one of the two out");
                    None
                }
                (None, _) => self.meanings(&part),
            };
            if let (Some(id), Some(label), Some(channels), Some(when)) = (id, label, channels, when)
            {
                found.push(OptionSet { id, label, channels, when });
            }
        }
        found
    }

    /// The channels of a set; each channel makes one set of options at most.
    fn option_channels(
        &mut self,
        part: &Fields<'a>,
        readers: &mut [Option<String>],
    ) -> Option<Vec<usize>> {
        const LIKE: &str = "[\"ADDR0\"]";
        let value = part.need(&mut self.log, "channels", LIKE)?;
        let names = part.words(&mut self.log, "channels", LIKE)?;
        if names.is_empty() {
            let what = format!("{} is read from no channel", part.name);
            self.log.add(value.span().start, what, format!("write `channels = {LIKE}`"));
            return None;
        }
        let known = &self.names.channels;
        let channels = Names::indices(&mut self.log, &names, known, "channel", &part.name)?;
        let mut good = true;
        for (&channel, name) in channels.iter().zip(&names) {
            match &readers[channel] {
                Some(other) => {
                    good = false;
                    let what = format!("{} is already read for {other}", name.it);
                    let do_next = "put both into one set of options, or read another channel";
                    self.log.add(name.at, what, do_next);
                }
                None => readers[channel] = Some(part.name.clone()),
            }
        }
        good.then_some(channels)
    }

    fn meanings(&mut self, part: &Fields<'a>) -> Option<Vec<Meaning>> {
        const EACH: &str = "{ J1 = \"1\", means = \"seedlings\" }";
        let like = format!("[{EACH}]");
        let value = part.need(&mut self.log, "when", &like)?;
        let length = value.get_ref().as_array().map_or(0, |list| list.len());
        if length == 0 || length > MOST_SETTINGS {
            let what = format!("`when` of {} is no list of 1 to {MOST_SETTINGS}", part.name);
            self.log.add(value.span().start, what, format!("write `when = {like}`"));
            return None;
        }
        let base = self.base(part)?;
        let mut found: Vec<At<Meaning>> = Vec::with_capacity(length);
        for element in elements(&mut self.log, part, "when", EACH) {
            let called = format!("an entry of {}", part.name);
            let entry = Fields::named(element.it, element.at, called);
            let means = entry.text(&mut self.log, "means", "\"seedlings\"");
            let places = self.places(element.it, &part.name, &["means"]);
            if places.as_ref().is_some_and(Vec::is_empty) {
                let what = format!("{} names no jumper", entry.name);
                self.log.add(element.at, what, format!("write `{EACH}`"));
                continue;
            }
            if let (Some(means), Some(places)) = (means, places) {
                let it = Meaning { places: over(&base, places), means: means.it.to_string() };
                found.push(At { it, at: element.at });
            }
        }
        let good = found.len() == length;
        self.check_overlaps(&found, part);
        good.then(|| found.into_iter().map(|m| m.it).collect())
    }

    /// No setting may be listed twice or mean two things.
    fn check_overlaps(&mut self, meanings: &[At<Meaning>], part: &Fields<'_>) {
        for (i, later) in meanings.iter().enumerate() {
            for earlier in &meanings[..i] {
                let (a, b) = (&earlier.it, &later.it);
                let apart = |&(jumper, place): &(usize, super::super::Place)| {
                    b.places.iter().any(|&(j, p)| j == jumper && p != place)
                };
                if a.places == b.places {
                    let what = format!("{} lists one setting twice", part.name);
                    let do_next = format!("it means `{}` already; correct one of the two", a.means);
                    self.log.add(later.at, what, do_next);
                } else if a.means != b.means && !a.places.iter().any(apart) {
                    let what = format!(
                        "a setting of {} means both `{}` and `{}`",
                        part.name, a.means, b.means
                    );
                    let do_next = "name in both entries a jumper whose places tell them apart";
                    self.log.add(later.at, what, do_next);
                }
            }
        }
    }
}
