//! Parts on an I2C bus that the probe can ask whether they are there.

use super::NetId;
use super::chip::ChipPin;

/// A part that answers to an address when it has its supply.
#[derive(Clone, Debug)]
pub struct BusPart {
    /// Designator, for example `U3`.
    pub id: String,
    /// What it is, for screens.
    pub label: String,
    /// 7-bit address, 8 to 119.
    pub address: u8,
    /// Pin at the data line.
    pub sda: ChipPin,
    /// Pin at the clock line.
    pub scl: ChipPin,
    /// Whether the chip's own pull-ups may hold the bus high; else the board has some.
    pub pull_ups: bool,
    /// The net that it has its supply from.
    pub supply: NetId,
}
