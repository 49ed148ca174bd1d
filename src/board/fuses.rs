//! The fuses that a unit's chip must have.

use crate::units::Volts;
use std::fmt::Write as _;

/// Names of the four bytes, in the order in which the probe gives them.
pub const FUSE_NAMES: [&str; 4] = ["low", "high", "extended", "lock"];

/// Expected bytes, in the order of [`FUSE_NAMES`]; a 0 bit is programmed (ATmega328P data sheet, "Fuse
/// Bits"). A byte that the board file does not state is not looked at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Fuses(pub [Option<u8>; 4]);

impl Fuses {
    /// The bytes by name: `low FF high DE`.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for (name, byte) in FUSE_NAMES.iter().zip(self.0) {
            if let Some(byte) = byte {
                let space = if text.is_empty() { "" } else { " " };
                // Writing to a String cannot fail.
                let _ = write!(text, "{space}{name} {byte:02X}");
            }
        }
        text
    }

    /// What differs in bits that the chip has (`bits`): `high D6 instead of DE`. Bits that it has
    /// not read as 1, and programmers show them either way.
    pub fn differs(&self, found: [u8; 4], bits: [u8; 4]) -> Vec<String> {
        let bytes = FUSE_NAMES.iter().zip(self.0).zip(found.into_iter().zip(bits));
        bytes
            .filter_map(|((name, expected), (found, bits))| {
                let expected = expected?;
                let differs = (expected ^ found) & bits != 0;
                differs.then(|| format!("{name} {found:02X} instead of {expected:02X}"))
            })
            .collect()
    }

    /// The four bytes of a text as [`Fuses::text`] writes it; none where one is missing.
    pub fn read(text: &str) -> Option<[u8; 4]> {
        let words: Vec<&str> = text.split_whitespace().collect();
        let byte = |name: &str| {
            let pair = words.chunks(2).find(|pair| pair.first() == Some(&name))?;
            u8::from_str_radix(pair.get(1)?, 16).ok()
        };
        let [low, high, extended, lock] = FUSE_NAMES.map(byte);
        Some([low?, high?, extended?, lock?])
    }
}

/// Where the brown-out detector acts by the extended fuse byte, typically; 0 V where it is off,
/// none for a code that is reserved. BODLEVEL, bits 2 to 0, of the ATmega328P and the ATmega2560: data
/// sheets, "System and Reset Characteristics" (from memory).
pub fn brown_out(extended: u8) -> Option<Volts> {
    match extended & 0x07 {
        0b111 => Some(Volts(0.0)),
        0b110 => Some(Volts(1.8)),
        0b101 => Some(Volts(2.7)),
        0b100 => Some(Volts(4.3)),
        _ => None,
    }
}

/// What clocks the chip by the low fuse byte, in words. CKSEL, bits 3 to 0, and CKDIV8, bit 7, of
/// the ATmega328P and the ATmega2560: data sheets, "Clock Sources" (from memory).
pub fn clock(low: u8) -> String {
    let source = match low & 0x0F {
        0b0000 => "an external clock",
        0b0001 => "a reserved code",
        0b0010 => "the internal 8 MHz",
        0b0011 => "the internal 128 kHz",
        0b0100 | 0b0101 => "a crystal of 32 kHz",
        0b0110 | 0b0111 => "a crystal at full swing",
        _ => "a crystal",
    };
    let by_8 = if low & 0x80 == 0 { ", divided by 8" } else { "" };
    format!("{source}{by_8}")
}

/// A bit of the fuses that does one thing by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FuseBit {
    /// Index of its byte, as in [`FUSE_NAMES`].
    pub byte: usize,
    /// Its place in the byte.
    pub mask: u8,
    /// Its name in the data sheet.
    pub name: &'static str,
    /// What the chip does when it is programmed, which is 0.
    pub does: &'static str,
}

const fn bit(byte: usize, mask: u8, name: &'static str, does: &'static str) -> FuseBit {
    FuseBit { byte, mask, name, does }
}

/// Such bits of the ATmega328P and the ATmega2560 alike: data sheets, "Fuse Bits" (from memory).
const BOTH: [FuseBit; 4] = [
    bit(0, 0x40, "CKOUT", "drives the clock out of a pin"),
    bit(1, 0x10, "WDTON", "has its watchdog always on"),
    bit(1, 0x01, "BOOTRST", "starts at the boot loader"),
    bit(1, 0x20, "SPIEN", "can be programmed by SPI"),
];

/// Those of the ATmega328P alone.
const SMALL: [FuseBit; 2] = [
    bit(1, 0x80, "RSTDISBL", "has no reset pin"),
    bit(1, 0x40, "DWEN", "keeps its clocks running and its reset pin for a debugger"),
];

/// Those of the ATmega2560 alone.
const LARGE: [FuseBit; 2] = [
    bit(1, 0x80, "OCDEN", "keeps its clocks running for a debugger"),
    bit(1, 0x40, "JTAGEN", "keeps PF4 to PF7 for JTAG, so that they are read wrongly"),
];

/// The bits of a chip that do one thing each; none of a chip whose fuses mean something else.
pub fn fuse_bits(chip: &str) -> Vec<FuseBit> {
    let own: &[FuseBit] = match chip {
        "atmega328p" => &SMALL,
        "atmega2560" => &LARGE,
        _ => return Vec::new(),
    };
    BOTH.iter().chain(own).copied().collect()
}
