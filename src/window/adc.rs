//! The converter's transfer function, without its errors.

use crate::board::Board;
use crate::board::chip::Chip;
use crate::units::{Farads, Ohms, Volts};

/// Code of an ideal conversion: `floor(Vin * scale / Vref)`, through the chip's correction where it
/// has one, held within 0 and full scale.
///
/// ATmega328P: `Vin * 1024 / Vref`, 0x3FF for the reference less one LSB (data sheet, "ADC
/// Conversion Result"). A voltage that is no number gives 0.
pub fn code_of(volts: Volts, vref: Volts, chip: &Chip) -> u16 {
    let counts = chip.reads(volts.0 * chip.scale / vref.0).floor();
    counts.clamp(0.0, f64::from(chip.full_scale)) as u16
}

/// Lowest voltage that gives this code, or for a mean of codes the voltage less half a count.
pub fn volts_of(code: f64, vref: Volts, chip: &Chip) -> Volts {
    Volts(chip.means(code) * vref.0 / chip.scale)
}

/// Nominal code of a voltage on a board, not floored and not held within the scale.
pub fn code_at(volts: Volts, board: &Board) -> f64 {
    board.chip.reads(volts.0 * board.chip.scale / board.reference().0)
}

/// Voltage of one count, by the reference alone.
pub fn lsb(vref: Volts, chip: &Chip) -> Volts {
    Volts(vref.0 / chip.scale)
}

/// Supply voltage from the code of the internal reference measured against the supply:
/// `reference * scale / code`. `None` for a code of 0.
pub fn supply_of(code: f64, reference: Volts, chip: &Chip) -> Option<Volts> {
    (code > 0.0).then(|| Volts(reference.0 * chip.scale / code))
}

/// Seconds until a step of full scale has settled to half a count: `R * C * ln(2^(bits + 1))`.
/// `source` is all the resistance that the capacitor charges through.
pub fn settle_s(source: Ohms, hold: Farads, chip: &Chip) -> f64 {
    let counts = f64::from(chip.full_scale) + 1.0;
    source.0 * hold.0 * (2.0 * counts).ln()
}
