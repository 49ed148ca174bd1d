//! Every modelled defect of a board, and what the readings would be with it.
//!
//! One list serves the sequence, the coverage, the demo and diagnosis.

mod alike;
mod built;
mod coverage;
mod effect;
mod good;
mod head;
mod least;
mod list;
mod pulled;
mod scale;
mod sight;
mod solved;
mod words;

pub use alike::{ALIKE, Likeness, Moved, likeness};
pub use built::{Built, Joint, answer};
pub use coverage::{By, Coverage, coverage, coverage_of};
pub use effect::Reach;
pub use head::{never_seen, smallest_shown};
pub use least::{Least, least};
pub use list::{LEAK, RESISTIVE, modelled};
pub use scale::{Scale, reference_off, scale};
pub use sight::{Views, sightings};
pub use words::told_together;

use crate::board::{Level, NetId};
use crate::units::Ohms;

/// One defect of a unit, or one slip that every reading of it shows alike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// A resistor is missing, cracked or not soldered.
    ResistorOpen {
        /// Resistor index.
        resistor: usize,
    },
    /// A resistor is bridged by solder.
    ResistorShorted {
        /// Resistor index.
        resistor: usize,
    },
    /// A resistor of another value is fitted.
    ResistorValue {
        /// Resistor index.
        resistor: usize,
        /// The value fitted.
        ohms: Ohms,
    },
    /// A resistor has drifted, or was never within its tolerance.
    ResistorOff {
        /// Resistor index.
        resistor: usize,
        /// Its value by the nominal one.
        ratio: f64,
    },
    /// Two resistors sit in each other's places.
    ResistorsSwapped {
        /// Resistor indices.
        resistors: [usize; 2],
    },
    /// A seated shunt does not make contact.
    ContactOpen {
        /// Jumper index.
        jumper: usize,
        /// Position index.
        position: usize,
    },
    /// A seated shunt makes poor contact.
    ContactResistive {
        /// Jumper index.
        jumper: usize,
        /// Position index.
        position: usize,
        /// Resistance of each of its contacts.
        ohms: Ohms,
    },
    /// Neighbouring pins of a header are bridged.
    PinsBridged {
        /// Jumper index.
        jumper: usize,
        /// Numbers of the header pins.
        pins: [u16; 2],
        /// Their nets.
        between: [NetId; 2],
        /// Resistance of the bridge.
        ohms: Ohms,
    },
    /// Pins of two headers that lie side by side are bridged.
    HeadersBridged {
        /// Jumper indices.
        jumpers: [usize; 2],
        /// The number of the pin on each header.
        pins: [u16; 2],
        /// Their nets.
        between: [NetId; 2],
        /// Resistance of the bridge.
        ohms: Ohms,
    },
    /// A second shunt sits on a header.
    SecondShunt {
        /// Jumper index.
        jumper: usize,
        /// The position where it sits.
        position: usize,
    },
    /// The positions of a header are counted from its other end.
    CountedFromWrongEnd {
        /// Jumper index.
        jumper: usize,
    },
    /// Two headers are taken for each other.
    HeadersMistaken {
        /// Jumper indices.
        jumpers: [usize; 2],
    },
    /// The chip's pin is not soldered.
    PinOpen {
        /// Channel index.
        channel: usize,
    },
    /// The chip's pin reads one end of the scale whatever its net does.
    PinStuck {
        /// Channel index.
        channel: usize,
        /// The end.
        level: Level,
    },
    /// Something leaks from the pin's net to a rail.
    PinLeaks {
        /// Channel index.
        channel: usize,
        /// The rail: low is ground.
        to: Level,
        /// Resistance of the leak.
        ohms: Ohms,
    },
    /// The pins of two channels, side by side on the chip, are bridged.
    ChannelsBridged {
        /// Channel indices.
        channels: [usize; 2],
        /// Resistance of the bridge.
        ohms: Ohms,
    },
    /// The pull-up that the product switches on does not pull.
    PullUpMissing {
        /// Channel index.
        channel: usize,
    },
    /// A switch stays open whatever its pin does.
    SwitchStaysOpen {
        /// Switch index.
        switch: usize,
    },
    /// A switch stays closed whatever its pin does.
    SwitchStaysClosed {
        /// Switch index.
        switch: usize,
    },
    /// A load draws nothing when it is switched on.
    LoadDead {
        /// Load index.
        load: usize,
    },
    /// A load draws far too much when it is switched on.
    LoadShorted {
        /// Load index.
        load: usize,
    },
}

/// Where a defect shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sighting {
    /// Index of the setting in the list that was searched.
    pub step: usize,
    /// What shows it there.
    pub by: Witness,
}

/// What shows a defect.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Witness {
    /// The reading of this channel.
    Channel(usize),
    /// The answer to this question.
    Question(usize),
    /// The supply with this load on.
    Load(usize),
}
