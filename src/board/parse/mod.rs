//! Reads a board file: TOML with places, then a walk over its tables that notes every mistake it
//! meets and goes on.
//!
//! The order of the walk makes names known before they are used: supply and parts bring the nets
//! into being, then channels, options, loads, questions and the delivery setting name them.

mod accepted;
mod bench;
mod beside;
mod bill;
mod bus;
mod chip;
mod commands;
mod drift;
mod fuses;
mod import;
mod jumpers;
mod log;
mod names;
mod near;
mod neighbours;
mod netlist;
mod numbered;
mod odds;
mod parts;
mod reads;
mod reference;
mod syntax;
mod table;
mod thresholds;

use super::chip::{self as profile, Chip};
use super::ids::check_file_id;
use super::problem::Problems;
use super::template::Described;
use super::{Board, Firmware, NetId, Reference, Supply};
use crate::units::{Allow, Hertz, Ohms, Ratio};
use bill::Bill;
use log::Log;
use names::{Names, check_net};
use sha2::{Digest, Sha256};
use std::sync::Arc;
use table::{At, Fields, Value, whole};
use toml::de::{DeTable, DeValue};

/// Largest board file in bytes.
const MOST_BYTES: usize = 1 << 20;

/// Most tables of the kinds in [`LISTS`], taken together.
const MOST_PARTS: usize = 10_000;

/// The format that this program reads.
const FORMAT: u16 = 1;

/// What chip and everything else that is not in the file leave between the rails of a unit without
/// power, where the file does not say: an assumption of our own, far above a short and below what
/// the clamping diodes of a chip let through at a meter's voltage.
const BESIDE: Ohms = Ohms(100.0);

/// Tables that a file has once.
const SINGLES: [&str; 13] = [
    "format", "board", "chip", "supply", "netlist", "bom", "delivery", "firmware", "use", "fuses",
    "pace", "commands", "odds",
];

/// Tables that a file has any number of.
const LISTS: [&str; 15] = [
    "array",
    "resistor",
    "capacitor",
    "source",
    "switch",
    "jumper",
    "neighbours",
    "channel",
    "options",
    "thresholds",
    "load",
    "bus",
    "bus_part",
    "question",
    "accepted",
];

/// Reads the text of a board file. `name` is what messages call the file; nothing is opened, so a
/// file that names a netlist or a bill of materials needs [`parse_beside`].
///
/// # Errors
/// Every mistake found, each with its line and column and what to do next.
pub fn parse(name: &str, text: &str) -> Result<Board, Problems> {
    parse_text(name, text, &mut |_| Err("there is no folder to look in".into()))
}

/// Reads the bytes of a board file, and those of the files that it names. `beside` is given the
/// path as the board file writes it, relative to the board file, and hands back the bytes or the
/// reason why there are none.
///
/// # Errors
/// As [`parse`]; problems of the other files carry their names and come last.
pub fn parse_beside(name: &str, bytes: &[u8], beside: &mut Beside<'_>) -> Result<Board, Problems> {
    parse_text(name, utf8(name, bytes)?, beside)
}

/// Reads the `[chip]` table of a file, whatever else is in it: a chip from its data sheet.
///
/// # Errors
/// Every mistake found in that table.
pub fn parse_chip(name: &str, bytes: &[u8]) -> Result<Described, Problems> {
    let text = utf8(name, bytes)?;
    let (chip, table) = described(name, text)?;
    // The same again from what will be written, so that nothing is lost on the way.
    match described(name, &table) {
        Ok((again, _)) if again == chip => Ok(Described { chip: Arc::new(chip), table }),
        _ => {
            let mut log = Log::new(name, text);
            let what = "`[chip]` is spread over several tables";
            log.add(0, what, "write each of its keys on a line under `[chip]`, lists in `[ ]`");
            Err(log.into_problems())
        }
    }
}

/// The chip of a file, and its table as text.
fn described(name: &str, text: &str) -> Result<(Chip, String), Problems> {
    let mut log = Log::new(name, text);
    let (root, errors) = DeTable::parse_recoverable(text);
    if text.len() > MOST_BYTES || !errors.is_empty() {
        syntax::tell(&mut log, text, &errors);
        log.add(0, "this is no file with a `[chip]` table", "name the right file");
        return Err(log.into_problems());
    }
    let root = root.get_ref();
    let (names, sha256) = (Names::default(), Sha256::new());
    let beside: &mut Beside<'_> = &mut |_| Err("there is no folder to look in".into());
    let mut reading = Reading { log, names, chip: None, bill: None, beside, sha256, file: name };
    let found = reading.generic(&Fields::named(root, 0, "the file"));
    let table = root.get("chip").and_then(|v| v.get_ref().as_table());
    match (found, table) {
        (Some(chip), Some(table)) if reading.log.clean() => {
            let mut keys: Vec<_> = table.iter().collect();
            keys.sort_by_key(|(key, _)| key.span().start);
            let line = |(key, value): (_, &toml::Spanned<DeValue<'_>>)| {
                let key: &toml::Spanned<std::borrow::Cow<'_, str>> = key;
                format!("{} = {}\n", key.get_ref(), text.get(value.span()).unwrap_or_default())
            };
            Ok((chip, format!("[chip]\n{}", keys.into_iter().map(line).collect::<String>())))
        }
        _ => Err(reading.log.into_problems()),
    }
}

/// Hands over the bytes of a file that a board file names.
type Beside<'b> = dyn FnMut(&str) -> Result<Vec<u8>, String> + 'b;

fn parse_text(name: &str, text: &str, beside: &mut Beside<'_>) -> Result<Board, Problems> {
    let mut log = Log::new(name, text);
    if text.len() > MOST_BYTES {
        let what =
            format!("the file has {} bytes; a board file has {MOST_BYTES} at most", text.len());
        log.add(0, what, "check that this is the board file");
        return Err(log.into_problems());
    }
    let (root, errors) = DeTable::parse_recoverable(text);
    if !errors.is_empty() {
        syntax::tell(&mut log, text, &errors);
        return Err(log.into_problems());
    }
    let sha256 = Sha256::new_with_prefix(text.as_bytes());
    let names = Names::default();
    let mut reading = Reading { log, names, chip: None, bill: None, beside, sha256, file: name };
    match reading.board(root.get_ref()) {
        Some(board) if reading.log.clean() => Ok(board),
        _ => Err(reading.log.into_problems()),
    }
}

/// Reads the bytes of a board file; as [`parse`], and says where bytes are no UTF-8 text.
///
/// # Errors
/// As [`parse`].
pub fn parse_bytes(name: &str, bytes: &[u8]) -> Result<Board, Problems> {
    parse(name, utf8(name, bytes)?)
}

fn utf8<'t>(name: &str, bytes: &'t [u8]) -> Result<&'t str, Problems> {
    std::str::from_utf8(bytes).map_err(|error| {
        // Everything before the first bad byte is text, so it can be counted in.
        let good = String::from_utf8_lossy(&bytes[..error.valid_up_to()]);
        let mut log = Log::new(name, &good);
        let (what, do_next) = match bytes {
            [0xff, 0xfe, ..] | [0xfe, 0xff, ..] => (
                "the file is text in UTF-16".to_string(),
                "save it as UTF-8: editors ask for the encoding in `Save as`",
            ),
            _ => {
                let byte = bytes.get(good.len()).copied().unwrap_or_default();
                (
                    format!("the byte 0x{byte:02X} here is no UTF-8 text"),
                    "save the file as UTF-8 in the editor; if it is no text, name the right file",
                )
            }
        };
        log.add(good.len(), what, do_next);
        log.into_problems()
    })
}

/// A walk over one file.
struct Reading<'a, 'b> {
    log: Log<'a>,
    names: Names,
    chip: Option<Arc<Chip>>,
    /// The bill of materials, where the file names one.
    bill: Option<Bill>,
    beside: &'b mut Beside<'b>,
    /// Of the bytes of all files read so far.
    sha256: Sha256,
    /// What the board file is called.
    file: &'a str,
}

impl<'a> Reading<'a, '_> {
    /// The whole board, as far as it can be read; `None` when something it needs is missing.
    fn board(&mut self, root: &'a DeTable<'a>) -> Option<Board> {
        let known: Vec<&str> = SINGLES.into_iter().chain(LISTS).collect();
        let root = Fields::new(&mut self.log, root, 0, "the board file", &known);
        self.format(&root)?;
        self.few_enough(&root)?;
        let heading = self.heading(&root);
        let supply = self.supply(&root);
        let mut firmware = self.firmware(&root);
        self.fit_chip(&root, supply.as_ref(), firmware.as_mut());
        self.bill(&root);
        let in_use = self.in_use(&root);
        let arrays = self.arrays(&root);
        let mut parts = self.netlist(&root, supply.as_ref());
        parts.resistors.extend(self.resistors(&root));
        parts.capacitors.extend(self.capacitors(&root));
        parts.sources.extend(self.sources(&root));
        let switches = self.switches(&root);
        let jumpers = self.jumpers(&root);
        let neighbours = self.neighbours(&root, &jumpers);
        let channels = self.channels(&root, &parts.capacitors);
        let options = self.options(&root);
        let thresholds = self.thresholds(&root, &channels, &options);
        let loads = self.loads(&root);
        let bus_parts = self.bus_parts(&root, supply.as_ref());
        let questions = self.questions(&root);
        let accepted = self.accepted(&root, &loads, &options);
        let pace = self.pace(&root);
        let delivery = self.delivery(&root);
        let fuses = self.fuses(&root);
        let commands = self.commands(&root, &options);
        let odds = self.odds(&root);
        self.check_bill();
        if let Some(supply) = &supply {
            self.check_rails(&root, supply);
        }
        if self.log.clean() {
            self.check_arrays(&root, &arrays, &parts.resistors);
        }
        if self.log.clean() && channels.is_empty() {
            let do_next = "add a `[[channel]]` for each pin that the probe reads";
            self.log.add(0, "the board has no channel, so nothing would be read", do_next);
        }
        let (heading, chip) = (heading?, self.chip.clone()?);
        Some(Board {
            name: heading.name,
            revision: heading.revision,
            about: heading.about,
            sha256: hex(&self.sha256.clone().finalize()),
            chip,
            clock: heading.clock,
            nets: std::mem::take(&mut self.names.nets),
            supply: supply?,
            in_use: in_use?,
            arrays,
            resistors: parts.resistors,
            capacitors: parts.capacitors,
            sources: parts.sources,
            switches,
            jumpers,
            neighbours,
            channels,
            options,
            loads,
            bus_parts,
            firmware: firmware?,
            pace: pace?,
            thresholds,
            delivery: delivery?,
            questions,
            accepted,
            fuses: fuses?,
            commands: commands?,
            odds: odds?,
        })
    }

    /// The fields of one part, called by its id where it has one, and the id taken up.
    fn part(
        &mut self,
        table: At<&'a DeTable<'a>>,
        kind: &'static str,
        like: &str,
        keys: &[&str],
    ) -> (Fields<'a>, Option<String>) {
        let id = table.it.get("id").and_then(|v| v.get_ref().as_str());
        let called = match id.filter(|id| super::ids::check_id(id).is_ok()) {
            Some(id) => id.to_string(),
            None => format!("this {kind}"),
        };
        let part = Fields::new(&mut self.log, table.it, table.at, called, keys);
        let id = self.names.claim(&mut self.log, &part, kind, like);
        (part, id)
    }

    /// A file of another format is not looked into: its mistakes would be none.
    fn format(&mut self, root: &Fields<'a>) -> Option<()> {
        let value = root.need(&mut self.log, "format", &FORMAT.to_string())?;
        if whole(value) == Some(FORMAT) {
            return Some(());
        }
        let what = "the format of this board file is not known";
        let do_next = format!("this program reads `format = {FORMAT}`; a newer one may read it");
        self.log.add(value.span().start, what, do_next);
        None
    }

    fn few_enough(&mut self, root: &Fields<'a>) -> Option<()> {
        let lists = LISTS.iter().filter_map(|key| root.get(key)?.get_ref().as_array());
        let count: usize = lists.map(|list| list.len()).sum();
        if count <= MOST_PARTS {
            return Some(());
        }
        let what = format!("the board has {count} parts; {MOST_PARTS} are the most");
        self.log.add(0, what, "describe the jumper circuits only, not the whole schematic");
        None
    }

    /// The value of a table that every file has.
    fn section(&mut self, root: &Fields<'a>, key: &str) -> Option<Value<'a>> {
        let value = root.get(key);
        if value.is_none() {
            let do_next = format!("add it with its keys; protocols/README.md explains `[{key}]`");
            self.log.add(root.at, format!("the board file has no `[{key}]` table"), do_next);
        }
        value
    }

    /// A table that a file has once.
    fn single(&mut self, root: &Fields<'a>, key: &str, keys: &[&str]) -> Option<Fields<'a>> {
        let value = root.get(key)?;
        let called = format!("[{key}]");
        let Some(table) = value.get_ref().as_table() else {
            let what = match value.get_ref() {
                DeValue::Array(_) => format!("the board file has more than one {called}"),
                _ => format!("`{key}` is no table"),
            };
            self.log.add(
                value.span().start,
                what,
                format!("write `{called}` once, on its own line"),
            );
            return None;
        };
        Some(Fields::new(&mut self.log, table, value.span().start, called, keys))
    }

    fn heading(&mut self, root: &Fields<'a>) -> Option<Heading> {
        self.section(root, "board")?;
        let part = self.single(root, "board", &["name", "revision", "about", "chip", "clock"])?;
        let name = part.text(&mut self.log, "name", "\"vent-controller\"").and_then(|name| {
            let Err(why) = check_file_id(name.it) else { return Some(name.it.to_string()) };
            let what = format!("the board's name `{}` {why}", name.it.escape_debug());
            let do_next = "the name is also the folder of its records; \
                           write it like `name = \"vent-controller\"`";
            self.log.add(name.at, what, do_next);
            None
        });
        let revision = part.text(&mut self.log, "revision", "\"A\"");
        let about = part.text_or_empty(&mut self.log, "about", "\"what the board is for\"");
        if let Some(chip) = part.text(&mut self.log, "chip", "\"atmega328p\"") {
            self.chip = self.chip_named(root, chip);
        }
        let clock = self.cpu_clock(&part);
        let revision = revision?.it.to_string();
        Some(Heading { name: name?, revision, about: about?, clock: clock? })
    }

    /// The clock of the chip, which the converter's is a part of.
    fn cpu_clock(&mut self, part: &Fields<'a>) -> Option<Hertz> {
        let Some(value) = part.get("clock") else { return Some(CLOCKS[0]) };
        let clock: Hertz = part.quantity(&mut self.log, "clock", "\"16MHz\"", Allow::Positive)?;
        if !CLOCKS.contains(&clock) {
            let what = format!("a clock of {clock}, which the probe is not built for");
            let do_next = "write `clock = \"16MHz\"` or `clock = \"8MHz\"`";
            self.log.add(value.span().start, what, do_next);
            return None;
        }
        Some(clock)
    }

    /// The chip of this name, or the one that the file describes.
    fn chip_named(&mut self, root: &Fields<'a>, name: At<&str>) -> Option<Arc<Chip>> {
        if name.it == "generic" {
            return self.generic(root).map(Arc::new);
        }
        let chip = profile::chip(name.it);
        if chip.is_none() {
            let known = profile::CHIPS.iter().map(|c| &*c.name).chain(["generic"]);
            let what = format!("the chip `{}` is not known", name.it);
            self.log.add(name.at, what, near::advice(name.it, "chip", known));
        } else if let Some(table) = root.get("chip") {
            let what = format!("`[chip]` describes a chip, but the board has the {}", name.it);
            let do_next = "write `chip = \"generic\"` in [board], or take `[chip]` out";
            self.log.add(table.span().start, what, do_next);
        }
        chip
    }

    fn supply(&mut self, root: &Fields<'a>) -> Option<Supply> {
        let keys = [
            "net",
            "ground",
            "volts",
            "tolerance",
            "source",
            "aref",
            "aref_volts",
            "aref_tolerance",
            "before_power",
            "beside",
            "all_loads",
            "calibrate",
            "by_meter",
        ];
        self.section(root, "supply")?;
        let part = self.single(root, "supply", &keys)?;
        let net = self.rail(&part, "net", "\"VCC\"");
        let ground = self.rail(&part, "ground", "\"GND\"");
        if let (Some(net), Some(ground)) = (&net, &ground)
            && net.it == ground.it
        {
            let what = format!("supply and ground are both {}", self.names.nets[net.it.0]);
            self.log.add(ground.at, what, "name the net at 0 V in `ground`");
        }
        let volts = part.quantity(&mut self.log, "volts", "\"5V\"", Allow::Positive);
        let tolerance = part.share(&mut self.log, "tolerance", "\"5%\"");
        let source = part.text(&mut self.log, "source", "\"bench supply, 5.0 V, limit 1 A\"");
        let aref = self.aref(&part);
        let before_power = self.before_power(&part);
        let all_loads = part.get("all_loads").is_none() || part.flag(&mut self.log, "all_loads");
        let calibrate = part.flag(&mut self.log, "calibrate");
        let by_meter = part.flag(&mut self.log, "by_meter");
        Some(Supply {
            net: net?.it,
            ground: ground?.it,
            volts: volts?,
            tolerance: tolerance?,
            source: source?.it.to_string(),
            aref: aref?,
            before_power: before_power?,
            all_loads,
            calibrate,
            by_meter,
        })
    }

    /// Whether a meter comes before the power, and what it may find beside the parts of the file;
    /// `None` when that is wrong.
    fn before_power(&mut self, part: &Fields<'a>) -> Option<Option<Ohms>> {
        let asked = part.flag(&mut self.log, "before_power");
        let Some(value) = part.get("beside") else { return Some(asked.then_some(BESIDE)) };
        let at = value.span().start;
        let beside = part.quantity(&mut self.log, "beside", "\"1k\"", Allow::Positive)?;
        if !asked {
            let what = "[supply] has `beside`, but nothing is measured before the power is on";
            self.log.add(at, what, "add `before_power = true`, or take `beside` out");
            return None;
        }
        Some(Some(beside))
    }

    fn rail(&mut self, part: &Fields<'a>, key: &str, like: &str) -> Option<At<NetId>> {
        let name = part.text(&mut self.log, key, like)?;
        check_net(&mut self.log, name)?;
        Some(At { it: self.names.net(name.it), at: name.at })
    }

    /// A rail that no part joins, beside a net of nearly the same name, is a slip.
    fn check_rails(&mut self, root: &Fields<'a>, supply: &Supply) {
        let table = root.get("supply").and_then(|v| v.get_ref().as_table());
        for (net, key) in [(supply.net, "net"), (supply.ground, "ground")] {
            let Some(near) = self.names.mistaken_rail(net) else { continue };
            let at = table.and_then(|t| t.get(key)).map_or(0, |v| v.span().start);
            let what = format!("no part joins the {key} of the supply, {}", self.names.nets[net.0]);
            let do_next = format!("did you mean `{near}`?");
            self.log.add(at, what, do_next);
        }
    }

    /// How the product reads; every key may be left out.
    fn firmware(&mut self, root: &Fields<'a>) -> Option<Firmware> {
        // Clock and reference are the chip's and the wiring's unless the file says otherwise.
        let mut made = Firmware {
            conversions: 1,
            discard: 1,
            adc_clock: Hertz(125e3),
            reference: Reference::Supply,
            gap: Ratio(0.25),
        };
        if root.get("firmware").is_none() {
            return Some(made);
        }
        let keys = [
            "conversions",
            "discard",
            "adc_clock",
            "reference",
            "reference_volts",
            "sample_clocks",
            "gap",
        ];
        let part = self.single(root, "firmware", &keys)?;
        made.conversions = part.count(&mut self.log, "conversions", 1, 1..=4096)?;
        made.discard = part.count(&mut self.log, "discard", 1, 0..=256)?;
        if part.get("adc_clock").is_some() {
            made.adc_clock =
                part.quantity(&mut self.log, "adc_clock", "\"125kHz\"", Allow::Positive)?;
        }
        if part.get("gap").is_some() {
            made.gap = part.share(&mut self.log, "gap", "\"25%\"")?;
        }
        Some(made)
    }
}

/// What the board is called.
struct Heading {
    name: String,
    revision: String,
    about: String,
    clock: Hertz,
}

/// Clocks that there is a probe for, the usual one first.
const CLOCKS: [Hertz; 2] = [Hertz(16e6), Hertz(8e6)];

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
