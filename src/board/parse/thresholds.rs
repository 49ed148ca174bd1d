//! What the product's firmware makes of what it reads, as its maker states it.

use super::super::{Channel, CodeWindow, Compare, Decoding, Kind, OptionSet};
use super::Reading;
use super::names::Names;
use super::near::advice;
use super::table::{At, Fields, Value, elements, tables};

/// Thresholds or windows of one channel.
const MOST: usize = 1024;
/// Codes beyond this are no codes of any converter.
const LARGEST: f64 = 1e6;

const CODES: &str = "[128, 384, 640, 896]";
const WINDOW: &str = "{ option = \"herbs\", low = 669, high = 889 }";
const OPERATORS: &[(&str, Compare)] =
    &[("<", Compare::Below), ("<=", Compare::UpTo), (">=", Compare::Below), (">", Compare::UpTo)];

impl<'a> Reading<'a, '_> {
    pub(super) fn thresholds(
        &mut self,
        root: &Fields<'a>,
        channels: &[Channel],
        sets: &[OptionSet],
    ) -> Vec<Decoding> {
        let keys = ["channel", "codes", "compare", "options", "windows", "set", "bits", "low"];
        let mut found: Vec<Decoding> = Vec::new();
        for table in tables(&mut self.log, root, "thresholds") {
            let of = ["channel", "set"].iter().find_map(|k| table.it.get(*k)?.get_ref().as_str());
            let called = match of {
                Some(of) if super::super::ids::check_id(of).is_ok() => {
                    format!("the entry of {of} in `thresholds`")
                }
                _ => "an entry of `thresholds`".to_string(),
            };
            let part = Fields::new(&mut self.log, table.it, table.at, called, &keys);
            let Some(decoding) = self.decoding(&part, channels, sets) else { continue };
            if found.iter().any(|other| same_subject(other, &decoding)) {
                let what = format!("{} stands here a second time", part.name);
                self.log.add(part.at, what, "take one of the two out");
                continue;
            }
            found.push(decoding);
        }
        found
    }

    fn decoding(
        &mut self,
        part: &Fields<'a>,
        channels: &[Channel],
        sets: &[OptionSet],
    ) -> Option<Decoding> {
        if part.get("set").is_some() {
            self.only(part, &["set", "bits", "low", "options"]);
            return self.bits(part, channels, sets);
        }
        let name = part.text(&mut self.log, "channel", "\"PROFILE\"")?;
        let Some(channel) = channels.iter().position(|c| c.id == name.it) else {
            // A channel that is itself wrong was told about already.
            if !self.names.channels.iter().any(|c| c == name.it) {
                let known = self.names.channels.iter().map(String::as_str);
                let what = format!("{} names a channel that is not in the file", part.name);
                let do_next = advice(name.it, "channel", known);
                self.log.add(name.at, what, do_next);
            }
            return None;
        };
        if channels[channel].kind != Kind::Analog {
            let what = format!("{} has no codes: no converter reads it", name.it);
            let do_next = "name the set of options of a digital channel: `set = \"address\"`";
            self.log.add(name.at, what, do_next);
            return None;
        }
        if part.get("windows").is_some() {
            self.only(part, &["channel", "windows"]);
            let windows = self.code_windows(part)?;
            return Some(Decoding::Windows { channel, windows });
        }
        self.only(part, &["channel", "codes", "compare", "options"]);
        let codes = self.codes(part)?;
        let compare = match part.get("compare") {
            Some(_) => part.choice(&mut self.log, "compare", OPERATORS)?,
            None => Compare::default(),
        };
        let options = self.option_names(part)?;
        Some(Decoding::Thresholds { channel, codes, compare, options })
    }

    /// Keys that say nothing beside the others are slips.
    fn only(&mut self, part: &Fields<'a>, these: &[&str]) {
        for key in ["codes", "compare", "options", "windows", "bits", "low", "channel"] {
            if let (Some(value), false) = (part.get(key), these.contains(&key)) {
                let what = format!("{} has `{key}` beside `{}`", part.name, these.join("`, `"));
                self.log.add(value.span().start, what, "take one of them out");
            }
        }
    }

    fn codes(&mut self, part: &Fields<'a>) -> Option<Vec<f64>> {
        let value = part.need(&mut self.log, "codes", CODES)?;
        let list = value.get_ref().as_array();
        let codes: Option<Vec<f64>> = list.and_then(|l| l.iter().map(number).collect());
        let codes = codes.filter(|c| (1..=MOST).contains(&c.len()));
        if codes.is_none() {
            let what = format!("`codes` of {} is no list of 1 to {MOST} codes", part.name);
            self.log.add(value.span().start, what, format!("write `codes = {CODES}`"));
        }
        codes
    }

    fn code_windows(&mut self, part: &Fields<'a>) -> Option<Vec<CodeWindow>> {
        let mut found = Vec::new();
        let length =
            part.get("windows").and_then(|v| v.get_ref().as_array()).map_or(0, |l| l.len());
        if length == 0 || length > MOST {
            let what = format!("`windows` of {} is no list of 1 to {MOST}", part.name);
            self.log.add(part.at, what, format!("write `windows = [{WINDOW}]`"));
            return None;
        }
        for element in elements(&mut self.log, part, "windows", WINDOW) {
            let called = format!("a window of {}", part.name);
            let keys = ["option", "low", "high"];
            let fields = Fields::new(&mut self.log, element.it, element.at, called, &keys);
            let option = fields.text(&mut self.log, "option", "\"herbs\"");
            let low = self.code(&fields, "low", "669");
            let high = self.code(&fields, "high", "889");
            let (Some(option), Some(low), Some(high)) = (option, low, high) else { continue };
            if low.it > high.it {
                let what = format!("{} ends before it begins", fields.name);
                self.log.add(high.at, what, "write the lower code in `low`");
                continue;
            }
            found.push(CodeWindow { option: option.it.into(), low: low.it, high: high.it });
        }
        (found.len() == length).then_some(found)
    }

    fn code(&mut self, fields: &Fields<'a>, key: &str, like: &str) -> Option<At<f64>> {
        let value = fields.need(&mut self.log, key, like)?;
        let it = number(value);
        if it.is_none() {
            fields.wrong(&mut self.log, key, value, like);
        }
        it.map(|it| At { it, at: value.span().start })
    }

    /// The list of options; empty when left out.
    fn option_names(&mut self, part: &Fields<'a>) -> Option<Vec<String>> {
        let words = part.words(&mut self.log, "options", "[\"off\", \"on\"]")?;
        Some(words.iter().map(|w| w.it.to_string()).collect())
    }

    fn bits(
        &mut self,
        part: &Fields<'a>,
        channels: &[Channel],
        sets: &[OptionSet],
    ) -> Option<Decoding> {
        let name = part.text(&mut self.log, "set", "\"address\"")?;
        let Some(set) = sets.iter().position(|s| s.id == name.it) else {
            let what = format!("{} names a set of options that is not in the file", part.name);
            let known = sets.iter().map(|s| s.id.as_str());
            self.log.add(name.at, what, advice(name.it, "set of options", known));
            return None;
        };
        let options = self.option_names(part)?;
        let low_is_one = part.count(&mut self.log, "low", 0, 0..=1)? == 1;
        let words = part.words(&mut self.log, "bits", "[\"ADDR0\", \"ADDR1\"]")?;
        let of_set = &sets[set].channels;
        let named = if words.is_empty() {
            of_set.clone()
        } else {
            let known = &self.names.channels;
            Names::indices(&mut self.log, &words, known, "channel", &part.name)?
        };
        let mut sorted = (named.clone(), of_set.clone());
        sorted.0.sort_unstable();
        sorted.1.sort_unstable();
        let digital = |&c: &usize| channels.get(c).is_some_and(|c| c.kind == Kind::Digital);
        if sorted.0 != sorted.1 || !named.iter().all(digital) {
            let what = format!("{} does not name the digital channels of {}", part.name, name.it);
            let do_next = "`bits` lists every channel of the set once, the one of least weight \
                           first; an analog channel has an entry of its own with `channel`";
            self.log.add(part.get("bits").map_or(part.at, |v| v.span().start), what, do_next);
            return None;
        }
        Some(Decoding::Bits { set, channels: named, low_is_one, options })
    }
}

/// Whether two entries speak of the same channel or set.
fn same_subject(a: &Decoding, b: &Decoding) -> bool {
    a.channel().is_some() && a.channel() == b.channel() || a.set().is_some() && a.set() == b.set()
}

/// A number of the file that can be a code.
fn number(value: Value<'_>) -> Option<f64> {
    let value = value.get_ref();
    let number = match (value.as_integer(), value.as_float()) {
        (Some(i), _) => i64::from_str_radix(i.as_str(), i.radix()).ok()? as f64,
        (_, Some(f)) => f.as_str().parse().ok()?,
        _ => return None,
    };
    (0.0..=LARGEST).contains(&number).then_some(number)
}
