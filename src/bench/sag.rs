//! The supply under load, through the internal reference.
//!
//! The converter reads the reference against the supply, so the code rises as the supply falls. As
//! a change it is sharp: sag = 1 - idle code / loaded code, whatever the reference's true voltage.
//! As volts it carries the reference's tolerance (±9 % on the ATmega328P) until a meter reading
//! calibrates the unit.

use super::{SupplyCheck, Verdict};
use crate::board::Board;
use crate::board::chip::Chip;
use crate::units::Volts;
use crate::window::adc;

/// What the bursts say in volts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sag {
    /// Supply without load, by the nominal reference.
    pub idle: Volts,
    /// Supply on load, likewise.
    pub loaded: Volts,
    /// Sag as a share of the supply.
    pub ratio: f64,
    /// Sag in volts, of the nominal supply.
    pub sag: Volts,
    /// Lowest on load: the 99 % quantile of the code, since the code rises as the supply falls,
    /// against the same quantile without load, taken off the idle voltage.
    pub lowest: Volts,
}

/// The supply that a mean code of the reference stands for: Vref * scale / code (A8 of the
/// ATmega328P figures: code 225 is 5.006 V). `None` for a chip without an internal reference.
pub fn supply_volts(chip: &Chip, code: f64) -> Option<Volts> {
    adc::supply_of(code, chip.internal.first()?.typical, chip)
}

/// The sag that two bursts show; none while one is missing or impossible.
pub fn figures(board: &Board, check: &SupplyCheck) -> Option<Sag> {
    let (idle, loaded) = (check.idle?, check.loaded?);
    if idle.mean <= 0.0 || loaded.mean <= 0.0 || idle.q99 == 0 || loaded.q99 == 0 {
        return None;
    }
    let ratio = 1.0 - idle.mean / loaded.mean;
    let dip = 1.0 - f64::from(idle.q99) / f64::from(loaded.q99);
    let idle_volts = supply_volts(&board.chip, idle.mean)?;
    Some(Sag {
        idle: idle_volts,
        loaded: supply_volts(&board.chip, loaded.mean)?,
        ratio,
        sag: Volts(ratio * board.supply.volts.0),
        lowest: Volts(idle_volts.0 * (1.0 - dip.max(ratio))),
    })
}

/// Judges a load by the sag that its dummy load must cause.
pub fn judge(board: &Board, mut check: SupplyCheck) -> SupplyCheck {
    let load = &board.loads[check.load];
    let Some(sag) = figures(board, &check) else {
        check.verdict = Verdict::NotTested;
        if check.reason.is_empty() {
            check.reason = "no reading of the supply".into();
        }
        return check;
    };
    let (least, most) = load.sag;
    (check.verdict, check.reason) = if sag.sag.0 < least.0 {
        (Verdict::Fail, format!("sag {} is under {least}: it draws nothing", sag.sag))
    } else if sag.sag.0 > most.0 {
        (Verdict::Fail, format!("sag {} is over {most}", sag.sag))
    } else {
        (Verdict::Pass, String::new())
    };
    check
}
