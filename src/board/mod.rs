//! The board: what one board file says, checked and with every name resolved.
//!
//! Plain data. Parsing and its complaints are in `parse`; nothing here computes a voltage.

mod bus;
pub mod chip;
mod commands;
mod decoding;
mod drift;
mod fuses;
pub mod ids;
mod neighbours;
mod odds;
mod parse;
mod problem;
pub mod template;

pub use bus::BusPart;
pub use commands::{CommandLine, Commands, Task};
pub use decoding::{CodeWindow, Compare, Decoding, Pattern};
pub use drift::{Array, Assumed, Drift, InUse, usual};
pub use fuses::{FUSE_NAMES, FuseBit, Fuses, brown_out, clock, fuse_bits};
pub use neighbours::Neighbours;
pub use odds::{BESIDES, GAP, IN_RESET, KINDS, Odds, WEIGHTS};
pub use parse::{parse, parse_beside, parse_bytes, parse_chip};
pub use problem::{Problem, Problems};

use crate::units::{Amperes, Farads, Hertz, Ohms, Ratio, Volts};
use chip::{Chip, ChipPin, Internal};
use std::sync::Arc;

/// Index of a net in [`Board::nets`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct NetId(pub usize);

/// One design, as its board file describes it.
#[derive(Clone, Debug)]
pub struct Board {
    /// Name, also the folder under `results/`.
    pub name: String,
    /// Revision of the design.
    pub revision: String,
    /// One sentence on what the board is for.
    pub about: String,
    /// SHA-256 of the board file's bytes, lower-case hex; the bytes of the netlist and of the bill
    /// of materials follow those of the board file where it names them.
    pub sha256: String,
    /// The microcontroller.
    pub chip: Arc<Chip>,
    /// Its clock: 16 MHz, or 8 MHz as from its internal oscillator.
    pub clock: Hertz,
    /// Names of the nets; ids index into it.
    pub nets: Vec<String>,
    /// The supply that the converter refers to.
    pub supply: Supply,
    /// Temperatures, and how parts change with them and with time.
    pub in_use: InUse,
    /// Resistors of the jumper circuits.
    pub resistors: Vec<Resistor>,
    /// Resistor arrays.
    pub arrays: Vec<Array>,
    /// Capacitors at the nets that channels read.
    pub capacitors: Vec<Capacitor>,
    /// Voltages and currents fed in besides the supply.
    pub sources: Vec<Source>,
    /// Contacts closed by pins of the microcontroller.
    pub switches: Vec<Switch>,
    /// Headers with their shunts, in the order of the file.
    pub jumpers: Vec<Jumper>,
    /// Pins of different headers that lie side by side.
    pub neighbours: Vec<Neighbours>,
    /// Pins that the probe reads.
    pub channels: Vec<Channel>,
    /// What the product's firmware is meant to understand.
    pub options: Vec<OptionSet>,
    /// Outputs that draw current, with their dummy loads.
    pub loads: Vec<Load>,
    /// Parts that are asked on their I2C bus whether they are there.
    pub bus_parts: Vec<BusPart>,
    /// How the product reads its pins.
    pub firmware: Firmware,
    /// What an operator's hands take.
    pub pace: Pace,
    /// What the product's firmware makes of what it reads, to be checked; a channel or a set of
    /// options has one entry at most.
    pub thresholds: Vec<Decoding>,
    /// One place for every jumper: how the unit leaves.
    pub delivery: Setting,
    /// What only a person can see.
    pub questions: Vec<Question>,
    /// What the maker has accepted that no reading shows.
    pub accepted: Vec<Accepted>,
    /// What the chip's fuses must be, where the board file says it.
    pub fuses: Option<Fuses>,
    /// The maker's own commands.
    pub commands: Commands,
    /// How likely each kind of defect is in the maker's shop.
    pub odds: Odds,
}

/// The supply of the microcontroller and of the ladders.
#[derive(Clone, Debug)]
pub struct Supply {
    /// Net at the supply voltage.
    pub net: NetId,
    /// Net at 0 V.
    pub ground: NetId,
    /// Nominal voltage.
    pub volts: Volts,
    /// Tolerance of the voltage.
    pub tolerance: Ratio,
    /// What feeds the unit on the bench, in the maker's words; goes into the record.
    pub source: String,
    /// How AREF is wired; says which references the probe may select.
    pub aref: Aref,
    /// Where the supply is measured to ground with a meter before the power is on: the least
    /// resistance that the chip and all that is not in the file leave between the two.
    pub before_power: Option<Ohms>,
    /// Whether it bears all loads at once.
    pub all_loads: bool,
    /// Whether a person measures it with a meter, which calibrates the chip's internal reference.
    pub calibrate: bool,
    /// Whether a person measures it with a meter, without and with each load, where the probe cannot.
    pub by_meter: bool,
}

/// How the AREF pin is wired.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Aref {
    /// Only a capacitor to ground: the supply and the internal reference may both be selected.
    Capacitor,
    /// Joined to the supply: selecting the internal reference would join the two inside the chip.
    Supply,
    /// Fed by a voltage of its own: smallest, nominal, largest.
    External(Volts, Volts, Volts),
}

/// What the product's converter refers to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reference {
    /// The supply: a ratio, which does not see the supply's tolerance.
    Supply,
    /// The chip's own reference.
    Internal(Internal),
    /// The voltage at AREF: smallest, nominal, largest.
    External(Volts, Volts, Volts),
}

impl Reference {
    /// The word of the board file.
    pub fn word(self) -> &'static str {
        match self {
            Reference::Supply => "supply",
            Reference::Internal(_) => "internal",
            Reference::External(..) => "external",
        }
    }
}

/// A resistor.
#[derive(Clone, Debug)]
pub struct Resistor {
    /// Designator, for example `R3`.
    pub id: String,
    /// Its two nets.
    pub between: [NetId; 2],
    /// Nominal value.
    pub ohms: Ohms,
    /// Initial tolerance.
    pub tolerance: Ratio,
    /// What temperature and time make of it, and what it shares with others.
    pub drift: Drift,
}

/// A capacitor; it matters for settling only.
#[derive(Clone, Debug)]
pub struct Capacitor {
    /// Designator.
    pub id: String,
    /// Its two nets.
    pub between: [NetId; 2],
    /// Nominal value.
    pub farads: Farads,
}

/// A further voltage, or a current, that something outside the jumper circuits feeds in.
#[derive(Clone, Debug)]
pub struct Source {
    /// Designator.
    pub id: String,
    /// Its two nets, in the order that [`Feed`] counts them.
    pub between: [NetId; 2],
    /// What it feeds.
    pub feed: Feed,
    /// How far its value may be off.
    pub tolerance: Ratio,
}

/// What a source feeds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Feed {
    /// The voltage of its first net against its second.
    Volts(Volts),
    /// The current that flows through it from its first net to its second, as SPICE counts it.
    Amperes(Amperes),
}

/// A contact closed by a pin of the microcontroller.
#[derive(Clone, Debug)]
pub struct Switch {
    /// Designator.
    pub id: String,
    /// What it is, for prompts.
    pub label: String,
    /// Its two nets.
    pub between: [NetId; 2],
    /// The pin that closes it.
    pub pin: ChipPin,
    /// Level that closes it.
    pub active: Level,
    /// Smallest and largest resistance when closed.
    pub on: (Ohms, Ohms),
    /// Smallest and largest drop when closed, against the current.
    pub drop: (Volts, Volts),
}

impl Switch {
    /// Standard deviation of the logarithm of its resistance, which is anything between its ends,
    /// alike in each decade (uniform law, JCGM 100:2008, 4.3.7).
    pub fn on_sd(&self) -> f64 {
        let (low, high) = (self.on.0.0, self.on.1.0);
        if low > 0.0 { (high / low).ln() / 12f64.sqrt() } else { 1.0 }
    }

    /// Standard deviation of its drop in volts, by a uniform law.
    pub fn drop_sd(&self) -> f64 {
        (self.drop.1.0 - self.drop.0.0) / 12f64.sqrt()
    }
}

/// A logic level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// Near ground.
    Low,
    /// Near the supply.
    High,
}

impl Level {
    /// The other level.
    pub fn other(self) -> Level {
        match self {
            Level::Low => Level::High,
            Level::High => Level::Low,
        }
    }
}

/// A header with its shunt.
#[derive(Clone, Debug)]
pub struct Jumper {
    /// Designator, for example `J1`.
    pub id: String,
    /// What it sets, for prompts.
    pub label: String,
    /// The named positions.
    pub positions: Vec<Position>,
    /// Whether having no shunt is one of the places the maker uses.
    pub open: bool,
    /// Whether a shunt that joins nothing is kept on one pin of the header.
    pub parked: bool,
    /// Whether its shunt is moved with the power off.
    pub power: bool,
}

/// A place on a header where a shunt joins pins.
#[derive(Clone, Debug)]
pub struct Position {
    /// Name on the jumper card.
    pub name: String,
    /// Header pins joined, a pair for each pole.
    pub pins: Vec<[u16; 2]>,
    /// Nets joined, a pair for each pole, in the same order as `pins`.
    pub joins: Vec<[NetId; 2]>,
}

/// Where a shunt is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Place {
    /// On the position with this index.
    At(usize),
    /// No shunt.
    Open,
}

/// What having no shunt is called.
const OPEN: &str = "open";

/// What it is called where the shunt is kept on one pin.
const PARKED: &str = "parked";

impl Jumper {
    /// Every place the maker uses: positions in order, then `open` where allowed.
    pub fn places(&self) -> Vec<Place> {
        let mut places: Vec<Place> = (0..self.positions.len()).map(Place::At).collect();
        if self.open {
            places.push(Place::Open);
        }
        places
    }

    /// The name of a place of this jumper.
    pub fn place_name(&self, place: Place) -> &str {
        match place {
            Place::At(i) => &self.positions[i].name,
            Place::Open if self.parked => PARKED,
            Place::Open => OPEN,
        }
    }

    /// The place with this name, if the jumper has it (`open` always resolves, and `parked` where
    /// the shunt is parked).
    pub fn place(&self, name: &str) -> Option<Place> {
        if name == OPEN || (self.parked && name == PARKED) {
            return Some(Place::Open);
        }
        self.positions.iter().position(|p| p.name == name).map(Place::At)
    }
}

/// One place for every jumper, in the order of [`Board::jumpers`].
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Setting(pub Vec<Place>);

impl Setting {
    /// No shunt anywhere.
    pub fn all_open(board: &Board) -> Setting {
        Setting(vec![Place::Open; board.jumpers.len()])
    }

    /// The same with one jumper elsewhere.
    pub fn with(&self, jumper: usize, place: Place) -> Setting {
        let mut places = self.0.clone();
        places[jumper] = place;
        Setting(places)
    }

    /// The places named; jumpers that are not named are open.
    pub fn from_pairs(board: &Board, places: &[(usize, Place)]) -> Setting {
        places.iter().fold(Setting::all_open(board), |s, &(jumper, place)| s.with(jumper, place))
    }

    /// As people write it: `J1=3 J2=open`.
    pub fn text(&self, board: &Board) -> String {
        let pairs: Vec<String> = board
            .jumpers
            .iter()
            .zip(&self.0)
            .map(|(j, &p)| format!("{}={}", j.id, j.place_name(p)))
            .collect();
        pairs.join(" ")
    }
}

/// A pin of the microcontroller that the probe reads, or a pair of nets for a meter.
#[derive(Clone, Debug)]
pub struct Channel {
    /// Name, for example `PROFILE`.
    pub id: String,
    /// What it carries, for screens.
    pub label: String,
    /// Net at the pin.
    pub net: NetId,
    /// The pin.
    pub pin: ChipPin,
    /// Converter or digital input.
    pub kind: Kind,
    /// Whether the product switches the pin's pull-up on.
    pub pull_up: bool,
    /// Switches that are closed while the product reads the channel.
    pub closes: Vec<usize>,
    /// Whether the probe may drive a digital pin low for some microseconds and let go, to see what
    /// brings it back up.
    pub discharge: bool,
}

/// How a channel is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// By the converter.
    Analog,
    /// As a logic level.
    Digital,
    /// As the resistance from its net to another by a person with a meter, the power off. No pin
    /// reads it: its pin is [`ChipPin::meter`].
    Meter {
        /// The net at the other tip.
        against: NetId,
        /// The meter that it is read with.
        meter: Meter,
    },
}

/// How far a person's meter may be off, as its data sheet says it: percent of the reading plus a
/// number of digits in the last place shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meter {
    /// Share of the reading.
    pub accuracy: Ratio,
    /// Digits in the last place.
    pub digits: u16,
    /// What its display counts to, which says what the last place is worth.
    pub counts: u16,
}

impl Meter {
    /// The last place of the range that shows a resistance, in ohms: a power of ten, and no less
    /// than the 0.1 Ω of the lowest range of hand-held meters (common practice, no source).
    pub fn last_place(&self, ohms: Ohms) -> Ohms {
        let mut place = 0.1;
        while ohms.0.is_finite() && place * f64::from(self.counts) < ohms.0 {
            place *= 10.0;
        }
        Ohms(place)
    }

    /// How far a reading of this resistance may be off.
    pub fn error(&self, ohms: Ohms) -> Ohms {
        if !ohms.0.is_finite() {
            return Ohms(0.0);
        }
        Ohms(ohms.0 * self.accuracy.0 + f64::from(self.digits) * self.last_place(ohms).0)
    }
}

/// One thing that the firmware decides from its channels.
#[derive(Clone, Debug)]
pub struct OptionSet {
    /// Name, for example `profile`.
    pub id: String,
    /// For screens.
    pub label: String,
    /// Channels it is read from.
    pub channels: Vec<usize>,
    /// Jumpers that make it, each with its place, and the option meant.
    pub when: Vec<Meaning>,
}

/// A setting of some jumpers and the option it stands for.
#[derive(Clone, Debug)]
pub struct Meaning {
    /// Jumper index and place; jumpers not named do not matter.
    pub places: Vec<(usize, Place)>,
    /// The option.
    pub means: String,
}

impl Meaning {
    /// Whether a setting agrees with every place named.
    pub fn holds(&self, setting: &Setting) -> bool {
        self.places.iter().all(|&(j, p)| setting.0[j] == p)
    }
}

impl OptionSet {
    /// The option that a setting stands for, or none.
    pub fn meaning(&self, setting: &Setting) -> Option<&str> {
        self.when.iter().find(|m| m.holds(setting)).map(|m| m.means.as_str())
    }
}

/// An output that draws current.
#[derive(Clone, Debug)]
pub struct Load {
    /// Name, for example `VENT`.
    pub id: String,
    /// What it drives.
    pub label: String,
    /// The pin that switches it.
    pub pin: ChipPin,
    /// The net at the pin, where the file says what holds it.
    pub net: Option<NetId>,
    /// Level at which it is off.
    pub off: Level,
    /// The dummy load to fit on the bench, in words.
    pub dummy: String,
    /// Smallest and largest sag of the supply that a good unit shows with the dummy load.
    pub sag: (Volts, Volts),
    /// How far the supply of a good unit may dip for a moment as it goes on, where that is more than
    /// the largest sag.
    pub dip: Option<Volts>,
}

/// How the product's firmware takes a reading.
#[derive(Clone, Debug)]
pub struct Firmware {
    /// Conversions averaged for one reading.
    pub conversions: u16,
    /// Conversions thrown away after a change of channel.
    pub discard: u16,
    /// Clock of the converter.
    pub adc_clock: Hertz,
    /// What the converter refers to.
    pub reference: Reference,
    /// Share of the distance between two bands left between their windows as no option.
    pub gap: Ratio,
}

/// What an operator's hands take, in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace {
    /// To move a shunt.
    pub shunt: f64,
    /// More, where it is on another header than the one before.
    pub other_header: f64,
    /// To cut the power, wait and give it back.
    pub power_cycle: f64,
    /// To look and answer a question.
    pub question: f64,
    /// To measure and type a value.
    pub meter: f64,
}

impl Default for Pace {
    /// Estimates of our own, until a maker has held a watch to them.
    fn default() -> Pace {
        Pace { shunt: 4.0, other_header: 1.0, power_cycle: 12.0, question: 4.0, meter: 10.0 }
    }
}

/// Defects that the maker has accepted where no reading shows them, and why.
#[derive(Clone, Debug)]
pub struct Accepted {
    /// The parts that may have them.
    pub parts: Vec<Part>,
    /// The kinds of defect, each of [`KINDS`].
    pub defects: Vec<&'static str>,
    /// What is no defect of the circuit, each of [`BESIDES`].
    pub besides: Vec<&'static str>,
    /// Why.
    pub reason: String,
}

impl Accepted {
    /// Whether it accepts something that is no defect of the circuit, of any of these parts: an entry
    /// that names no part of their kinds means all of them.
    pub fn takes(&self, what: &str, of: &[Part]) -> bool {
        let alike =
            |a: &Part| of.iter().any(|b| std::mem::discriminant(a) == std::mem::discriminant(b));
        let mut named = self.parts.iter().filter(|p| alike(p)).peekable();
        self.besides.contains(&what)
            && (named.peek().is_none() || named.any(|part| of.contains(part)))
    }
}

/// Something of the board that has a name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// A resistor, by index.
    Resistor(usize),
    /// A jumper, by index.
    Jumper(usize),
    /// A channel with its pin, by index.
    Channel(usize),
    /// A switch, by index.
    Switch(usize),
    /// A load, by index.
    Load(usize),
    /// A set of options, by index.
    Options(usize),
}

/// Something that only a person can see, asked in a given setting.
#[derive(Clone, Debug)]
pub struct Question {
    /// Name, for the record.
    pub id: String,
    /// The question, answered by yes or no.
    pub ask: String,
    /// The answer of a good unit.
    pub expect: bool,
    /// Places that must hold when it is asked.
    pub when: Vec<(usize, Place)>,
    /// Switches closed while it is asked.
    pub closes: Vec<usize>,
    /// For rehearsal on the virtual board: the answer is yes when each of these resistors carries
    /// current.
    pub lit: Vec<usize>,
    /// For rehearsal on the virtual board: the answer is yes when none of these carries current.
    pub dark: Vec<usize>,
}

impl Board {
    /// Loads by name, with something between.
    pub fn load_names(&self, loads: &[usize], between: &str) -> String {
        let names: Vec<&str> = loads.iter().map(|&load| self.loads[load].id.as_str()).collect();
        names.join(between)
    }

    /// The jumper with this designator.
    pub fn jumper(&self, id: &str) -> Option<usize> {
        self.jumpers.iter().position(|j| j.id == id)
    }

    /// The channel with this name.
    pub fn channel(&self, id: &str) -> Option<usize> {
        self.channels.iter().position(|c| c.id == id)
    }

    /// Smallest and largest supply voltage.
    pub fn supply_range(&self) -> (Volts, Volts) {
        let (volts, tolerance) = (self.supply.volts.0, self.supply.tolerance.0);
        (Volts(volts * (1.0 - tolerance)), Volts(volts * (1.0 + tolerance)))
    }

    /// The nominal voltage that the product's converter refers to.
    pub fn reference(&self) -> Volts {
        match self.firmware.reference {
            Reference::Supply => self.supply.volts,
            Reference::Internal(internal) => internal.typical,
            Reference::External(_, nominal, _) => nominal,
        }
    }

    /// Why a probe cannot read the supply of this board, or `None` where one can.
    pub fn no_supply_reading(&self) -> Option<String> {
        let part = &self.chip.part;
        match self.supply.aref {
            _ if self.chip.reads_supply => None,
            Aref::External(..) if self.chip.shared_aref => Some(
                "the probe cannot read the supply, which would be joined to the voltage at AREF"
                    .into(),
            ),
            _ => Some(format!("the probe cannot read the supply of the {part}")),
        }
    }

    /// The name of a net.
    pub fn net_name(&self, net: NetId) -> &str {
        &self.nets[net.0]
    }

    /// Capacitance from a net to the rails, by the capacitors of the file.
    pub fn capacitance(&self, net: NetId) -> Farads {
        let at_net = |c: &&Capacitor| c.between.contains(&net);
        Farads(self.capacitors.iter().filter(at_net).map(|c| c.farads.0).sum())
    }
}
