//! The world as the hardware under the probe's core: the same physics, with time that passes.

use super::{ResetCause, World};
use crate::probe::core::{Input, Model, PinMode, Pins, Reference};

/// Clocks of the converter for one conversion, and for the first after it is switched on
/// (8271H section 24.4).
const CLOCKS: u64 = 13;
const FIRST_CLOCKS: u64 = 25;

/// One byte of EEPROM is erased and written in 3.3 ms (8271H table 8-2).
const EEPROM_BYTE_NS: u64 = 3_300_000;

/// A digital read with its loop: 32 cycles of 16 MHz.
const READ_NS: u64 = 2_000;

/// Fuses of a board with a 16 MHz crystal, a boot loader of 512 bytes and the brown-out detector at
/// 2.7 V, locked against overwriting the boot loader (common practice, no source).
const FUSES: [u8; 4] = [0xFF, 0xDE, 0xFD, 0xCF];

impl Pins for World {
    fn model(&self) -> Model {
        self.model
    }

    fn set_reference(&mut self, reference: Reference) {
        self.refer_to(reference);
    }

    fn convert(&mut self, input: Input, prescaler: u8) -> u16 {
        let clocks = if self.converting() { CLOCKS } else { FIRST_CLOCKS };
        let code = self.sample(input, prescaler);
        self.advance_ns(clocks * u64::from(prescaler) * 1000 / 16);
        code
    }

    fn set_mode(&mut self, pin: u8, mode: PinMode) {
        self.set_pin(pin, mode);
    }

    fn read(&mut self, pin: u8) -> bool {
        self.advance_ns(READ_NS);
        self.level(pin)
    }

    fn wait_us(&mut self, us: u32) {
        self.advance_ns(u64::from(us) * 1000);
    }

    fn now_ms(&mut self) -> u32 {
        // The chip's counter wraps after 49 days, and so does this one.
        (self.uptime_ms() & u64::from(u32::MAX)) as u32
    }

    fn eeprom_read(&mut self, at: u16) -> u8 {
        self.eeprom().get(usize::from(at)).copied().unwrap_or(0xFF)
    }

    fn eeprom_write(&mut self, at: u16, byte: u8) {
        if let Some(cell) = self.eeprom().get_mut(usize::from(at)) {
            *cell = byte;
            self.advance_ns(EEPROM_BYTE_NS);
        }
    }

    fn fuses(&mut self) -> Option<[u8; 4]> {
        matches!(self.model, Model::Atmega328p | Model::Atmega2560).then_some(FUSES)
    }

    fn reset_cause(&mut self) -> u8 {
        match self.model {
            Model::Atmega328p | Model::Atmega2560 => self.cause() as u8,
            // The sketch does not know.
            Model::Samd21 | Model::Rp2040 => ResetCause::Unknown as u8,
        }
    }

    fn number(&mut self) -> u32 {
        self.number
    }
}
