//! A chip that the board file itself describes: `chip = "generic"` and the `[chip]` table.

use super::super::chip::{
    Chip, ChipPin, Clock, Figure, InputLevel, InputLevels, Internal, Point, Probe, Provenance,
    Sampling,
};
use super::Reading;
use super::table::{Fields, elements, number, whole};
use crate::units::{Allow, Amperes, Farads, Hertz, Misread, Ohms, Quantity, Ratio, Volts};
use crate::units::{range, read};
use std::borrow::Cow;

/// Keys of `[chip]`.
const KEYS: [&str; 26] = [
    "part",
    "supply",
    "bits",
    "scale",
    "offset",
    "gain",
    "inl",
    "dnl",
    "total",
    "usable",
    "bad_codes",
    "correction",
    "internal",
    "internal_tolerance",
    "own_aref",
    "leakage",
    "pull_up",
    "vil",
    "vih",
    "sampling",
    "hold",
    "sample_clocks",
    "conversion_clocks",
    "adc_clock",
    "ground_input",
    "pins",
];

/// Most pins; the number of a pin is a byte.
const MOST_PINS: usize = 250;

/// Most points of a correction and most bad codes.
const MOST_POINTS: usize = 1000;

/// What is not stated, assumed without source: a sample-and-hold of usual size and speed.
const SAMPLING: Sampling = Sampling {
    ohms: Ohms(10e3),
    hold: Farads(10e-12),
    pin: Farads(10e-12),
    from: Provenance::Assumed,
    clocks: 1.5,
    conversion: 13.0,
    keeps: false,
};

/// Its clock, likewise.
const CLOCK: Clock =
    Clock { usual: Hertz(125e3), least: Hertz(50e3), most: Hertz(200e3), beyond: None };

const PIN: &str = "{ name = \"A0\", adc = 0, pull_up = true, digital = true }";

/// The four error figures and their sum.
struct Errors {
    offset: Figure,
    gain: Figure,
    inl: Figure,
    dnl: Figure,
    total: Option<Figure>,
}

impl<'a> Reading<'a, '_> {
    /// The chip of the `[chip]` table.
    pub(super) fn generic(&mut self, root: &Fields<'a>) -> Option<Chip> {
        self.section(root, "chip")?;
        let part = self.single(root, "chip", &KEYS)?;
        let name = part.text(&mut self.log, "part", "\"XY1234\"");
        let works = self.figured(&part, "supply", "\"2.7V..3.6V\"", |t| range(t, Allow::Positive));
        let scales = self.scales(&part);
        let errors = self.errors(&part);
        let usable = self.usable(&part);
        let internal = self.own_reference(&part);
        let leakage = self.stated::<Amperes>(&part, "leakage", "\"1uA max\"");
        let levels = (self.level(&part, "vil", "\"30%\""), self.level(&part, "vih", "\"60%\""));
        let pulls = self.pulls(&part);
        let sampling = self.sampling(&part);
        let clock = self.clocked(&part);
        let has_pulls = pulls.as_ref().is_some_and(Option::is_some);
        let pins = self.pins(&part, has_pulls || pulls.is_none());
        let ground_input = part.flag(&mut self.log, "ground_input");
        let own_aref = part.flag(&mut self.log, "own_aref");
        let (scale, full_scale) = scales?;
        let bad_codes = self.bad_codes(&part, full_scale);
        let correction = self.correction(&part, full_scale);
        let (Errors { offset, gain, inl, dnl, total }, (leakage, leakage_from)) =
            (errors?, leakage?);
        // A chip without pull-ups has no pin to use these on.
        let (pull_up, pull_up_from) =
            pulls?.unwrap_or(((Ohms(20e3), Ohms(50e3)), Provenance::Assumed));
        let mut chip = Chip {
            name: Cow::Borrowed("generic"),
            part: Cow::Owned(name?.it.to_string()),
            probe: Probe::None,
            reads_supply: false,
            fuse_bits: None,
            works: works?,
            scale,
            full_scale,
            offset,
            gain,
            inl,
            dnl,
            total,
            extra: None,
            usable: usable?,
            bad_codes: Cow::Owned(bad_codes?),
            correction: Cow::Owned(correction?),
            internal: Cow::Owned(internal?),
            shared_aref: !own_aref,
            aref_pin: None,
            leakage: Amperes(leakage_from.worst(leakage.0)),
            leakage_from,
            pull_up,
            pull_up_from,
            levels: Cow::Borrowed(&[]),
            levels_from: Provenance::Max,
            vil: Ratio(0.0),
            vih: Ratio(1.0),
            sampling: sampling?,
            clock: clock?,
            ground_input,
            pins: Cow::Owned(pins?),
        };
        let (vil, vih) = (levels.0?, levels.1?);
        chip.levels = Cow::Owned(vec![InputLevels { above: chip.works.0, vil, vih }]);
        chip.suit(chip.works, chip.clock.usual);
        if chip.vil.0 >= chip.vih.0 || chip.vih.0 > 1.0 {
            let at = part.get("vih").map_or(part.at, |v| v.span().start);
            let what = "`vih` is not above `vil` over the whole supply, or above the supply";
            self.log.add(at, what, "write the lowest high level, like `vih = \"60%\"`");
        }
        Some(chip)
    }

    /// A key read by a reader of its own.
    fn figured<T>(
        &mut self,
        part: &Fields<'a>,
        key: &str,
        like: &str,
        read: impl FnOnce(&str) -> Result<T, Misread>,
    ) -> Option<T> {
        part.measured(&mut self.log, key, like, read)
    }

    /// A quantity with its provenance: `"1uA max"`.
    fn stated<Q: Quantity>(
        &mut self,
        part: &Fields<'a>,
        key: &str,
        like: &str,
    ) -> Option<(Q, Provenance)> {
        self.figured(part, key, like, |text| {
            let (value, from) = provenance(text, like)?;
            Ok((read::<Q>(value, Allow::NonNegative)?, from))
        })
    }

    /// Scale and highest code.
    fn scales(&mut self, part: &Fields<'a>) -> Option<(f64, u16)> {
        part.need(&mut self.log, "bits", "12")?;
        let bits = part.count(&mut self.log, "bits", 12, 6..=16)?;
        let codes = 1_u32 << bits;
        let full = u16::try_from(codes - 1).unwrap_or(u16::MAX);
        let scale = match part.get("scale") {
            None => f64::from(codes),
            Some(_) => {
                let like = codes.to_string();
                let most = f64::from(codes);
                part.number(&mut self.log, "scale", &like, most / 2.0..=most)?
            }
        };
        Some((scale, full))
    }

    /// Either the four errors, or all of them together.
    fn errors(&mut self, part: &Fields<'a>) -> Option<Errors> {
        const LIKE: &str = "\"2 LSB typ\"";
        let none = Figure { lsb: 0.0, from: Provenance::Max };
        let mut of = |key: &str| -> Option<Figure> {
            part.measured(&mut self.log, key, LIKE, |text| {
                let (value, from) = provenance(text, LIKE)?;
                Ok(Figure { lsb: counts(value)?, from })
            })
        };
        if part.get("total").is_none() {
            let (offset, gain, inl, dnl) = (of("offset"), of("gain"), of("inl"), of("dnl"));
            return Some(Errors {
                offset: offset?,
                gain: gain?,
                inl: inl?,
                dnl: dnl?,
                total: None,
            });
        }
        let total = of("total");
        let mut stated = |key: &str| match part.get(key) {
            None => Some(none),
            Some(_) => of(key),
        };
        let (offset, gain) = (stated("offset"), stated("gain"));
        let (inl, dnl) = (stated("inl"), stated("dnl"));
        let total = Some(total?);
        Some(Errors { offset: offset?, gain: gain?, inl: inl?, dnl: dnl?, total })
    }

    /// The share of the range for which the errors are stated.
    fn usable(&mut self, part: &Fields<'a>) -> Option<(Ratio, Ratio)> {
        const LIKE: &str = "\"5%..95%\"";
        if part.get("usable").is_none() {
            return Some((Ratio(0.0), Ratio(1.0)));
        }
        self.figured(part, "usable", LIKE, |text| {
            let wrong = || Misread {
                what: format!("`{text}` is no part of the range from 0 to 100 %"),
                do_next: format!("write it like {LIKE}"),
            };
            let (low, high) = text.split_once("..").ok_or_else(wrong)?;
            let low = Ratio::read(low.trim(), Allow::NonNegative)?;
            let high = Ratio::read(high.trim(), Allow::Positive)?;
            if low.0 < high.0 && high.0 <= 1.0 { Ok((low, high)) } else { Err(wrong()) }
        })
    }

    /// The internal reference, if there is one.
    fn own_reference(&mut self, part: &Fields<'a>) -> Option<Vec<Internal>> {
        if part.get("internal").is_none() {
            if let Some(value) = part.get("internal_tolerance") {
                let do_next = "add `internal = \"1.1V\"`, or take it out";
                let what = "`internal_tolerance` stands without `internal`";
                self.log.add(value.span().start, what, do_next);
                return None;
            }
            return Some(Vec::new());
        }
        let volts: Option<Volts> =
            part.quantity(&mut self.log, "internal", "\"1.1V\"", Allow::Positive);
        let like = "\"9% max\"";
        let tolerance = self.figured(part, "internal_tolerance", like, |text| {
            let (value, from) = provenance(text, like)?;
            let share = from.worst(Ratio::read(value, Allow::NonNegative)?.0);
            if share < 1.0 {
                return Ok((share, from));
            }
            let what = format!("`{text}` leaves nothing of the reference");
            Err(Misread { what, do_next: format!("write it like {like}") })
        });
        let (typical, (share, from)) = (volts?, tolerance?);
        let (low, high) = (Volts(typical.0 * (1.0 - share)), Volts(typical.0 * (1.0 + share)));
        Some(vec![Internal { low, typical, high, from, total: None }])
    }

    /// An input level: a share of the supply, or a voltage.
    fn level(&mut self, part: &Fields<'a>, key: &str, like: &str) -> Option<InputLevel> {
        self.figured(part, key, like, |text| {
            if text.trim_end().ends_with('%') {
                return Ratio::read(text, Allow::NonNegative).map(InputLevel::Share);
            }
            read::<Volts>(text, Allow::NonNegative).map(InputLevel::At)
        })
    }

    /// Strongest and weakest pull-up; `Some(None)` for a chip without.
    #[allow(clippy::type_complexity, reason = "a range and its provenance, or none, or a mistake")]
    fn pulls(&mut self, part: &Fields<'a>) -> Option<Option<((Ohms, Ohms), Provenance)>> {
        const LIKE: &str = "\"20k..50k max\"";
        if part.get("pull_up").is_none() {
            return Some(None);
        }
        let found = self.figured(part, "pull_up", LIKE, |text| {
            let (value, from) = provenance(text, LIKE)?;
            Ok((range(value, Allow::Positive)?, from))
        });
        found.map(Some)
    }

    /// How a sample is taken.
    fn sampling(&mut self, part: &Fields<'a>) -> Option<Sampling> {
        let mut made = SAMPLING;
        let given = |key: &str| part.get(key).is_some();
        let mut sources = Vec::new();
        if given("sampling") {
            let (ohms, from) = self.stated::<Ohms>(part, "sampling", "\"10k max\"")?;
            made.ohms = Ohms(from.worst(ohms.0));
            sources.push(from);
        }
        if given("hold") {
            let (farads, from) = self.stated::<Farads>(part, "hold", "\"14pF typ\"")?;
            made.hold = Farads(from.worst(farads.0));
            sources.push(from);
        }
        // The least certain of the two stands for both.
        if sources.len() == 2 {
            let least = [Provenance::Assumed, Provenance::Typical, Provenance::Max];
            made.from = least.into_iter().find(|p| sources.contains(p)).unwrap_or(made.from);
        }
        if given("sample_clocks") {
            made.clocks = part.number(&mut self.log, "sample_clocks", "1.5", 0.5..=4096.0)?;
        }
        if given("conversion_clocks") {
            let key = "conversion_clocks";
            made.conversion = part.number(&mut self.log, key, "13", made.clocks..=65536.0)?;
        }
        made.conversion = made.conversion.max(made.clocks);
        Some(made)
    }

    fn clocked(&mut self, part: &Fields<'a>) -> Option<Clock> {
        if part.get("adc_clock").is_none() {
            return Some(CLOCK);
        }
        let found = self.figured(part, "adc_clock", "\"50kHz..200kHz\"", |text| {
            range::<Hertz>(text, Allow::Positive)
        });
        let (least, most) = found?;
        Some(Clock { usual: Hertz((least.0 * most.0).sqrt()), least, most, beyond: None })
    }

    /// Codes that limits keep clear of.
    fn bad_codes(&mut self, part: &Fields<'a>, full: u16) -> Option<Vec<u16>> {
        let Some(value) = part.get("bad_codes") else { return Some(Vec::new()) };
        let list = value.get_ref().as_array().filter(|list| list.len() <= MOST_POINTS);
        let codes: Option<Vec<u16>> =
            list.and_then(|list| list.iter().map(|v| whole(v).filter(|c| *c <= full)).collect());
        if codes.is_none() {
            let what = format!("`bad_codes` of {} is no list of codes up to {full}", part.name);
            self.log.add(value.span().start, what, "write it like `bad_codes = [512, 1536]`");
        }
        codes
    }

    /// The points of a converter that is not straight, checked to rise in both figures.
    fn correction(&mut self, part: &Fields<'a>, full: u16) -> Option<Vec<Point>> {
        const LIKE: &str = "write each point as [code read, code meant], like \
                            `correction = [[0, 120], [4095, 3150]]`";
        let Some(value) = part.get("correction") else { return Some(Vec::new()) };
        let list = value.get_ref().as_array();
        let Some(list) = list.filter(|list| (2..=MOST_POINTS).contains(&list.len())) else {
            let what = format!("`correction` of {} is no list of 2 to {MOST_POINTS}", part.name);
            self.log.add(value.span().start, what, LIKE);
            return None;
        };
        let mut points: Vec<Point> = Vec::with_capacity(list.len());
        for point in list.iter() {
            let pair = point.get_ref().as_array().filter(|pair| pair.len() == 2);
            let code =
                |i: usize| number(pair?.get(i)?).filter(|c| (0.0..=f64::from(full)).contains(c));
            let (Some(read), Some(meant)) = (code(0), code(1)) else {
                let what = format!("a point of `correction` is no pair of codes up to {full}");
                self.log.add(point.span().start, what, LIKE);
                return None;
            };
            if points.last().is_some_and(|last| read <= last.read || meant <= last.meant) {
                let what =
                    format!("the point [{read}, {meant}] does not rise above the one before");
                let do_next = "put the points in order; both codes of each must be higher than \
                               those of the one before";
                self.log.add(point.span().start, what, do_next);
                return None;
            }
            points.push(Point { read, meant });
        }
        Some(points)
    }

    fn pins(&mut self, part: &Fields<'a>, pulls: bool) -> Option<Vec<ChipPin>> {
        let value = part.need(&mut self.log, "pins", &format!("[{PIN}]"))?;
        let tables = elements(&mut self.log, part, "pins", PIN);
        if tables.is_empty() || tables.len() > MOST_PINS {
            let what = format!("`pins` of {} is no list of 1 to {MOST_PINS} pins", part.name);
            self.log.add(value.span().start, what, format!("write `pins = [{PIN}]`"));
            return None;
        }
        let mut pins: Vec<ChipPin> = Vec::with_capacity(tables.len());
        for (table, index) in tables.into_iter().zip(0_u8..) {
            let keys = ["name", "adc", "pull_up", "digital", "reserved"];
            let entry = Fields::new(&mut self.log, table.it, table.at, "a pin of the chip", &keys);
            let name = entry.text(&mut self.log, "name", "\"A0\"");
            let adc = match entry.get("adc") {
                None => Some(None),
                Some(_) => entry.count(&mut self.log, "adc", 0, 0..=255).map(Some),
            };
            let flag = |key: &str, log: &mut super::log::Log<'_>| entry.flag(log, key);
            let pin = ChipPin {
                name: Cow::Owned(name?.it.to_string()),
                number: index,
                adc: adc?.and_then(|n| u8::try_from(n).ok()),
                pull_up: flag("pull_up", &mut self.log),
                digital: flag("digital", &mut self.log),
                reserved: flag("reserved", &mut self.log),
            };
            let taken = |p: &ChipPin| {
                p.name.eq_ignore_ascii_case(&pin.name) || (p.adc.is_some() && p.adc == pin.adc)
            };
            if pins.iter().any(taken) {
                let what = format!("the name or the input of {} is that of another pin", pin.name);
                self.log.add(table.at, what, "give each pin its own `name` and `adc`");
                return None;
            }
            if pin.pull_up && !pulls {
                let what = format!("{} has a pull-up, but the chip states none", pin.name);
                self.log.add(table.at, what, "add `pull_up = \"20k..50k max\"` to [chip]");
                return None;
            }
            pins.push(pin);
        }
        Some(pins)
    }
}

/// A text without its last word, and what that says: `max`, `typ` or `assumed`.
fn provenance<'t>(text: &'t str, like: &str) -> Result<(&'t str, Provenance), Misread> {
    let all = [Provenance::Max, Provenance::Typical, Provenance::Assumed];
    text.trim()
        .rsplit_once(' ')
        .and_then(|(value, word)| {
            Some((value.trim_end(), all.into_iter().find(|p| p.word() == word)?))
        })
        .ok_or_else(|| Misread {
            what: format!("`{text}` does not say where the figure comes from"),
            do_next: format!("end it with `max`, `typ` or `assumed`, like {like}"),
        })
}

/// A size in counts: a number, with or without LSB.
fn counts(text: &str) -> Result<f64, Misread> {
    let number = text.strip_suffix("LSB").unwrap_or(text).trim_end();
    let digits = |c: char| c.is_ascii_digit() || c == '.';
    let size: Option<f64> = if number.chars().all(digits) { number.parse().ok() } else { None };
    size.filter(|s| *s <= 65536.0).ok_or_else(|| Misread {
        what: format!("`{text}` is no number of counts"),
        do_next: "write it like `2 LSB`".into(),
    })
}
