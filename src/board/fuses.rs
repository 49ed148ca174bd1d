//! The fuses that a unit's chip must have.

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
}
