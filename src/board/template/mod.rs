//! Writes board files: templates of jumper circuits, drawn up as the commented text that a maker
//! edits next.
//!
//! The text is what the parser beside this module reads; nothing else knows its form.

mod digital;
mod network;
mod sheet;

pub use sheet::{Part, PartKind, Written};

use super::chip::Chip;
use super::{InUse, Level};
use crate::units::{Farads, Ohms, Ratio, Volts};
use std::sync::Arc;

/// A board to be written: what feeds it and the templates on it, in order.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Name of the design, also the folder of its records.
    pub name: String,
    /// Revision, as printed on the board.
    pub revision: String,
    /// One sentence on what the board is for.
    pub about: String,
    /// The chip.
    pub chip: Microcontroller,
    /// Nominal supply.
    pub supply: Volts,
    /// How far the supply may be off in use.
    pub supply_tolerance: Ratio,
    /// What feeds the unit on the bench, in words.
    pub source: String,
    /// Whether AREF is joined to the supply; else it has a capacitor to ground and nothing else.
    pub aref_at_supply: bool,
    /// Share of the distance between two bands that is left as no option.
    pub gap: Ratio,
    /// What the board goes through. Where it has no tempco or ageing, the file gets what is usual
    /// for each resistor's tolerance, marked as assumed.
    pub in_use: InUse,
    /// The jumper circuits.
    pub templates: Vec<Template>,
}

/// A chip, by its name in board files or as a file describes it.
#[derive(Clone, Debug, PartialEq)]
pub enum Microcontroller {
    /// One that this program knows.
    Named(String),
    /// One from its data sheet.
    Described(Described),
}

/// A chip from its data sheet: what a board file calls `generic`.
#[derive(Clone, Debug, PartialEq)]
pub struct Described {
    /// What it is.
    pub chip: Arc<Chip>,
    /// The `[chip]` table that says so, header and all.
    pub table: String,
}

impl From<&str> for Microcontroller {
    fn from(name: &str) -> Microcontroller {
        Microcontroller::Named(name.to_string())
    }
}

/// One jumper circuit with what reads it.
#[derive(Clone, Debug, PartialEq)]
pub enum Template {
    /// A header that picks a tap of a row of resistors.
    Ladder(Ladder),
    /// Shunts that switch resistors of different weight.
    Weighted(Weighted),
    /// Bits against pull-ups or pull-downs.
    Address(Address),
    /// A three-pin header that feeds an output with supply, ground or nothing.
    Select(Select),
    /// A jumper that isolates the common return of lamps.
    Isolate(Isolate),
    /// An output that draws current.
    Output(Output),
}

/// A supply rail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rail {
    /// The supply.
    Supply,
    /// Ground.
    Ground,
}

impl Rail {
    /// The other one.
    pub fn other(self) -> Rail {
        match self {
            Rail::Supply => Rail::Ground,
            Rail::Ground => Rail::Supply,
        }
    }
}

/// Which rails are themselves taps of a ladder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ends {
    /// Supply and ground.
    Both,
    /// The supply only.
    Supply,
    /// Ground only.
    Ground,
    /// Neither.
    None,
}

impl Ends {
    /// Whether this rail is a tap.
    pub fn has(self, rail: Rail) -> bool {
        match self {
            Ends::Both => true,
            Ends::Supply => rail == Rail::Supply,
            Ends::Ground => rail == Rail::Ground,
            Ends::None => false,
        }
    }

    /// Taps of a ladder of so many resistors.
    pub fn taps(self, resistors: usize) -> usize {
        let rails = usize::from(self.has(Rail::Supply)) + usize::from(self.has(Rail::Ground));
        (resistors + rails).saturating_sub(1)
    }

    /// Resistors of a ladder of so many taps.
    pub fn resistors(self, taps: usize) -> usize {
        let rails = usize::from(self.has(Rail::Supply)) + usize::from(self.has(Rail::Ground));
        (taps + 1).saturating_sub(rails)
    }
}

/// A ladder from supply to ground with one shunt that picks a tap.
#[derive(Clone, Debug, PartialEq)]
pub struct Ladder {
    /// What it sets.
    pub name: String,
    /// The resistors from supply to ground.
    pub ohms: Vec<Ohms>,
    /// Their initial tolerance.
    pub tolerance: Ratio,
    /// Which rails are taps.
    pub ends: Ends,
    /// A resistor from the picked net to a rail; with it, no shunt is an option too.
    pub pull: Option<(Rail, Ohms)>,
    /// A resistor between the picked net and the pin.
    pub input: Option<Ohms>,
    /// A capacitor from the pin to ground.
    pub capacitor: Option<Farads>,
    /// What the positions mean, from supply to ground, then no shunt. Empty: their names.
    pub options: Vec<String>,
}

/// How a weighted network is switched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Form {
    /// Each shunt joins its resistor to a rail or is left off; a resistor pulls to the other rail.
    TwoPin {
        /// The rail that the shunts join.
        to: Rail,
        /// The resistor to the other rail.
        pull: Ohms,
    },
    /// Each shunt joins its resistor to the supply or to ground and is never left off.
    ThreePin,
}

/// Resistors of different weight at one pin, all 2^n settings told apart.
#[derive(Clone, Debug, PartialEq)]
pub struct Weighted {
    /// What it sets.
    pub name: String,
    /// The resistors, bit 0 first.
    pub ohms: Vec<Ohms>,
    /// Their initial tolerance.
    pub tolerance: Ratio,
    /// How they are switched.
    pub form: Form,
    /// A resistor between the network and the pin.
    pub input: Option<Ohms>,
    /// A capacitor from the pin to ground.
    pub capacitor: Option<Farads>,
}

/// Bits of an address, a shunt and a digital pin each.
#[derive(Clone, Debug, PartialEq)]
pub struct Address {
    /// What it sets.
    pub name: String,
    /// How many bits.
    pub bits: usize,
    /// The rail that a fitted shunt joins.
    pub to: Rail,
    /// The resistor to the other rail with its tolerance; none: the chip's own pull-up.
    pub pull: Option<(Ohms, Ratio)>,
}

/// A three-pin header that feeds a switched output, looped back to a spare analog pin.
#[derive(Clone, Debug, PartialEq)]
pub struct Select {
    /// What it feeds.
    pub name: String,
    /// Smallest and largest resistance of the closed switch.
    pub on: (Ohms, Ohms),
    /// Resistor of the loopback wire.
    pub wire: Ohms,
    /// The two resistors that hold the spare pin at half the supply.
    pub rest: Ohms,
    /// Initial tolerance of the three.
    pub tolerance: Ratio,
}

/// A jumper in the common return of lamps that one driver feeds.
#[derive(Clone, Debug, PartialEq)]
pub struct Isolate {
    /// What it isolates.
    pub name: String,
    /// One resistor for each lamp.
    pub ohms: Vec<Ohms>,
    /// Their initial tolerance.
    pub tolerance: Ratio,
    /// Smallest and largest resistance of the closed driver.
    pub on: (Ohms, Ohms),
}

/// An output that draws current, tested with a dummy load.
#[derive(Clone, Debug, PartialEq)]
pub struct Output {
    /// What it drives.
    pub name: String,
    /// Level at which it is off.
    pub off: Level,
    /// The dummy load to fit on the bench, in words.
    pub dummy: String,
    /// Smallest and largest sag of the supply that a good unit shows.
    pub sag: (Volts, Volts),
}

impl Plan {
    /// Writes the board file and lists its parts.
    ///
    /// # Errors
    /// Where a template cannot be drawn up: names that clash, a chip that is not known or has too
    /// few pins, counts out of range. Values that cannot be told apart are no error here; ask
    /// the windows of the board.
    pub fn write(&self) -> Result<Written, String> {
        let mut sheet = sheet::Sheet::new(&self.chip, self.in_use)?;
        for template in &self.templates {
            match template {
                Template::Ladder(ladder) => network::ladder(&mut sheet, ladder)?,
                Template::Weighted(weighted) => network::weighted(&mut sheet, weighted)?,
                Template::Address(address) => digital::address(&mut sheet, address)?,
                Template::Select(select) => digital::select(&mut sheet, select)?,
                Template::Isolate(isolate) => digital::isolate(&mut sheet, isolate)?,
                Template::Output(output) => digital::output(&mut sheet, output)?,
            }
        }
        Ok(sheet.finish(self))
    }
}
