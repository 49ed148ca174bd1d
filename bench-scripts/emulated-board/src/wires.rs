//! A small world of its own: a source behind a resistance at each pin, for tests of the chip and
//! of firmware. Boards described by a file come from the product's own physics.

use std::time::Duration;

use crate::emulator::PINS;
use crate::serve::Hands;
use crate::world::{Conversion, Input, PinMode, Reference, World};

/// Capacitance of a pin, and of the converter's sample-and-hold, in farads: a few picofarads of
/// pin and trace, from memory; 14 pF from the data sheet's analog input circuitry.
const PIN_FARADS: f64 = 15e-12;
const HOLD_FARADS: f64 = 14e-12;

/// What is wired to a pin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wire {
    /// A voltage behind a resistance in ohms.
    Source {
        /// Open-circuit voltage in volts.
        volts: f64,
        /// Source resistance in ohms.
        ohms: f64,
    },
    /// Nothing: the pin keeps its charge.
    Open,
}

/// Something that happened at the pins, in order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// A pin was set.
    Mode(u8, PinMode),
    /// A conversion was made, with its code.
    Converted(Conversion, u16),
}

/// Sources at the pins of a chip on an exact supply. No noise, settled at once.
#[derive(Clone, Debug)]
pub struct Wires {
    /// Supply and reference in volts.
    pub supply: f64,
    /// The chip's pull-ups in ohms.
    pub pull_up: f64,
    /// The internal reference in volts.
    pub bandgap: f64,
    /// What is wired to each pin, by pin number.
    pub pins: [Wire; PINS],
    /// What happened, oldest first.
    pub events: Vec<(Duration, Event)>,
    now: Duration,
    modes: [PinMode; PINS],
    charge: [f64; PINS],
    hold: f64,
}

impl Wires {
    /// Nothing wired anywhere; 5 V, pull-ups of 35 kΩ, reference of 1.1 V.
    pub fn new() -> Self {
        Wires {
            supply: 5.0,
            pull_up: 35e3,
            bandgap: 1.1,
            pins: [Wire::Open; PINS],
            events: Vec::new(),
            now: Duration::ZERO,
            modes: [PinMode::Input; PINS],
            charge: [0.0; PINS],
            hold: 0.0,
        }
    }

    /// Wires a source to a pin.
    pub fn with(mut self, pin: u8, volts: f64, ohms: f64) -> Self {
        self.pins[usize::from(pin)] = Wire::Source { volts, ohms };
        self
    }

    /// The conversions made since the last call, with their codes.
    pub fn take_conversions(&mut self) -> Vec<(Conversion, u16)> {
        let events = std::mem::take(&mut self.events);
        let converted = events.into_iter().filter_map(|(_, e)| match e {
            Event::Converted(conversion, code) => Some((conversion, code)),
            Event::Mode(..) => None,
        });
        converted.collect()
    }

    /// Voltage that something holds at a pin; None when nothing does.
    fn held(&self, pin: usize) -> Option<f64> {
        match (self.modes[pin], self.pins[pin]) {
            (PinMode::Low, _) => Some(0.0),
            (PinMode::High, _) => Some(self.supply),
            (PinMode::Input, Wire::Source { volts, .. }) => Some(volts),
            (PinMode::PullUp, Wire::Source { volts, ohms }) => {
                Some((volts * self.pull_up + self.supply * ohms) / (self.pull_up + ohms))
            }
            (PinMode::PullUp, Wire::Open) => Some(self.supply),
            (PinMode::Input, Wire::Open) => None,
        }
    }

    fn volts(&mut self, pin: usize) -> f64 {
        if let Some(volts) = self.held(pin) {
            self.charge[pin] = volts;
        }
        self.charge[pin]
    }

    /// Connects the sample-and-hold to a pin; a floating one shares its charge.
    fn sample(&mut self, pin: usize) -> f64 {
        self.hold = match self.held(pin) {
            Some(volts) => volts,
            None => {
                let charge = self.charge[pin] * PIN_FARADS + self.hold * HOLD_FARADS;
                charge / (PIN_FARADS + HOLD_FARADS)
            }
        };
        self.charge[pin] = self.hold;
        self.hold
    }
}

impl Default for Wires {
    fn default() -> Self {
        Wires::new()
    }
}

impl World for Wires {
    fn advance(&mut self, now: Duration) {
        self.now = now;
    }

    fn set_mode(&mut self, pin: u8, mode: PinMode) {
        self.volts(usize::from(pin)); // a pin let go keeps the charge it had
        self.modes[usize::from(pin)] = mode;
        self.volts(usize::from(pin));
        self.events.push((self.now, Event::Mode(pin, mode)));
    }

    fn convert(&mut self, conversion: Conversion) -> u16 {
        let volts = match conversion.input {
            Input::Pin(input) => self.sample(usize::from(input) + 14),
            Input::Bandgap => self.bandgap,
            Input::Ground | Input::Temperature | Input::Reserved(_) => 0.0,
        };
        self.hold = volts;
        // AREF is wired to nothing, and keeps the supply's voltage.
        let full = match conversion.reference {
            Reference::Internal => self.bandgap,
            Reference::Avcc | Reference::Aref | Reference::Reserved => self.supply,
        };
        // Code = Vin * 1024 / Vref, floor (data sheet, "ADC Conversion Result").
        let code = (volts * 1024.0 / full).floor().clamp(0.0, 1023.0) as u16;
        self.events.push((self.now, Event::Converted(conversion, code)));
        code
    }

    fn read(&mut self, pin: u8) -> bool {
        self.volts(usize::from(pin)) > self.supply / 2.0
    }
}

impl Hands for Wires {
    /// `14=2.5,10000`: volts and ohms at a pin by its number; `14=open`.
    fn command(&mut self, line: &str) -> Result<(), String> {
        let wrong = || format!("'{line}'; write PIN=VOLTS,OHMS or PIN=open, PIN from 0 to 21");
        let (pin, what) = line.split_once('=').ok_or_else(wrong)?;
        let pin: usize = pin.trim().parse().map_err(|_| wrong())?;
        let wire = if what.trim() == "open" {
            Wire::Open
        } else {
            let (volts, ohms) = what.split_once(',').ok_or_else(wrong)?;
            let number = |text: &str| text.trim().parse::<f64>().map_err(|_| wrong());
            Wire::Source { volts: number(volts)?, ohms: number(ohms)? }
        };
        *self.pins.get_mut(pin).ok_or_else(wrong)? = wire;
        Ok(())
    }
}
