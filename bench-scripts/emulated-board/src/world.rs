//! What the chip meets at its pins.

use std::time::Duration;

/// How the program has set a pin, from DDRx, PORTx and the pull-up disable bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum PinMode {
    /// An input that nothing inside the chip pulls.
    #[default]
    Input,
    /// An input with the chip's pull-up to the supply.
    PullUp,
    /// Driven to ground.
    Low,
    /// Driven to the supply.
    High,
}

/// Input of the converter's multiplexer (MUX3..0 of ADMUX).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// One of the inputs ADC0 to ADC7.
    Pin(u8),
    /// The internal reference.
    Bandgap,
    /// The internal 0 V.
    Ground,
    /// The temperature sensor.
    Temperature,
    /// A value that the data sheet reserves.
    Reserved(u8),
}

impl Input {
    /// The input that these multiplexer bits select (data sheet, "Input Channel Selections"); bit 4
    /// adds 8, for the further inputs of an ATmega2560.
    pub fn from_mux(mux: u8) -> Input {
        match mux & 0x1f {
            pin @ 16..=23 => Input::Pin(pin - 8),
            pin @ 0..=7 => Input::Pin(pin),
            8 => Input::Temperature,
            14 => Input::Bandgap,
            15 => Input::Ground,
            other => Input::Reserved(other),
        }
    }
}

/// What full scale is (REFS1..0 of ADMUX).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference {
    /// The voltage at the AREF pin, the internal ones off.
    Aref,
    /// The analog supply.
    Avcc,
    /// The internal reference.
    Internal,
    /// The value that the data sheet reserves.
    Reserved,
}

/// One conversion, at the moment its sample is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Conversion {
    /// What is converted.
    pub input: Input,
    /// Against what.
    pub reference: Reference,
    /// Clock of the converter: the chip's divided by this, 2 to 128.
    pub prescaler: u8,
    /// The first one since the converter was switched on, which takes 25 instead of 13 clocks.
    pub first: bool,
}

/// The world under the chip's pins. Pins are called by number: PD0 to PD7 are 0 to 7, PB0 to PB5
/// are 8 to 13, PC0 to PC5 are 14 to 19, the inputs ADC6 and ADC7 are 20 and 21.
///
/// Before each call `advance` tells the time, so that a world can let nodes settle, count
/// what was converted when, or let its supply dip.
pub trait World {
    /// Emulated time since the chip was made has come to `now`; never goes back, also not in a
    /// reset.
    fn advance(&mut self, now: Duration);
    /// The program, or a reset, has changed a pin.
    fn set_mode(&mut self, pin: u8, mode: PinMode);
    /// The code that a conversion starting now gives, 0 to 1023.
    fn convert(&mut self, conversion: Conversion) -> u16;
    /// The logic level at a pin that is an input; a driven pin is not asked for.
    fn read(&mut self, pin: u8) -> bool;
}
