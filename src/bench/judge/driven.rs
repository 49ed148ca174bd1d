//! Whether something drives a pin: an open one mimics its neighbour.

use super::{Readings, level};
use crate::bench::Driven;
use crate::board::chip::Chip;
use crate::board::{Board, Channel, Level, Reference};
use crate::window::Expected;

/// A pin that falls by more than this share of full scale while it shares charge is open.
const WALKED: f64 = 0.02;

/// Whether something drives an analog pin.
///
/// A driven pin moves under its pull-up by what the circuit predicts, an open one goes to the rail.
/// At a node near the supply the two look alike; there charge sharing decides: a driven pin stays,
/// an open one walks towards 0.
pub fn driven(board: &Board, expected: &Expected, readings: &Readings) -> Driven {
    let chip = &board.chip;
    let full = f64::from(chip.full_scale);
    if let (Some(band), Some(pulled)) = (expected.pulled, &readings.pulled) {
        let open_from = open_level(board);
        // Something that holds the pin at the supply looks the same, and is no open contact.
        let at_supply = readings.mean.is_some_and(|b| b.mean >= open_from);
        if band.high < open_from && pulled.mean < open_from {
            return Driven::ByPullUp;
        }
        if band.high < open_from && !at_supply {
            return Driven::Open;
        }
    }
    match readings.charge {
        Some((first, last)) if first < WALKED * full * 2.0 && last < WALKED * full * 2.0 => {
            Driven::NotShown
        }
        Some((first, last)) if walked(chip, first, last) => Driven::Open,
        // Above a voltage at AREF an open pin shows nothing of the charge that it loses.
        Some((_, last)) if hides_a_walk(board) && last > full - 1.0 => Driven::NotShown,
        Some(_) => Driven::ByCharge,
        None => Driven::NotShown,
    }
}

/// Whether an open pin at the highest supply may walk and still lie above the voltage at AREF, so
/// that it reads full scale before and after. Nothing can be read against the supply there.
pub fn hides_a_walk(board: &Board) -> bool {
    let Reference::External(lowest, ..) = board.firmware.reference else { return false };
    let full = f64::from(board.chip.full_scale);
    let highest = board.supply_range().1.0 / lowest.0 * board.chip.scale;
    highest - WALKED * full > full - 1.0
}

/// Whether a pin that shares its charge has walked towards 0: nothing holds it.
pub fn walked(chip: &Chip, first: f64, last: f64) -> bool {
    first - last > WALKED * f64::from(chip.full_scale)
}

/// Lowest code of an open pin with its pull-up on: the leakage of the pin through the weakest
/// pull-up takes at most 50 kΩ x 1 µA = 50 mV (A18 of the ATmega328P figures), of the board's
/// supply; twice that.
pub fn open_level(board: &Board) -> f64 {
    let chip = &board.chip;
    let lost = chip.leakage.0 * chip.pull_up.1.0 / board.supply.volts.0 * chip.scale;
    f64::from(chip.full_scale) - 2.0 * lost
}

/// Whether something drives a digital pin: a low one stays low against its pull-up, a high one
/// comes back after a discharge.
pub(super) fn digital_driven(
    board: &Board,
    c: &Channel,
    readings: &Readings,
    expected: &Expected,
) -> Driven {
    let read = readings.level.and_then(level);
    let pulled = readings.level_pulled.and_then(level);
    let discharged = readings.level_discharged.map(level);
    match (read, pulled, discharged) {
        (_, Some(Level::Low), _) => Driven::ByPullUp,
        // The product's own pull-up drives the pin.
        (_, Some(Level::High), _) if c.pull_up && expected.level == Some(Level::High) => {
            Driven::ByPullUp
        }
        // A pull-down weaker than the pin's pull-up gives way to it on a good unit as well.
        (Some(Level::Low), Some(Level::High), _) if !expected.gives_way(&board.chip) => {
            Driven::Open
        }
        (Some(Level::High), _, Some(Some(Level::High))) => Driven::ByDischarge,
        (Some(Level::High), _, Some(_)) => Driven::Open,
        _ => Driven::NotShown,
    }
}
