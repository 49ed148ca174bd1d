//! What codes and volts are shares of.
//!
//! Every node of a board is a share of its supply. A code is a share of the converter's reference:
//! where that is the supply, the supply's own value is in none of them. It is in a code against
//! another reference, and in what a meter shows, which may be taken at another desk and on another
//! supply. Where a meter has read the supply as well, its value is known there; elsewhere it is
//! anything within its tolerance.

use super::evidence::Evidence;
use super::measure::VOLTS_SD;
use crate::board::{Board, Reference};
use crate::units::Volts;

/// A supply as far as it is known: by the nominal one, and the standard deviation of that ratio.
#[derive(Clone, Copy, Debug)]
struct Supply {
    ratio: f64,
    sd: f64,
}

impl Supply {
    fn of(board: &Board, known: Option<Volts>) -> Supply {
        match known {
            // What another source feeds in does not follow the supply.
            Some(volts) if volts.0 > 0.0 && board.sources.is_empty() => {
                Supply { ratio: volts.0 / board.supply.volts.0, sd: VOLTS_SD.of(volts.0) / volts.0 }
            }
            // A uniform law over the tolerance (JCGM 100:2008, 4.3.7).
            _ => Supply { ratio: 1.0, sd: board.supply.tolerance.0 / 3f64.sqrt() },
        }
    }
}

/// What the points of a unit are shares of.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    nominal: f64,
    /// The reference in volts, and the standard deviation of its ratio to that; none where it is the
    /// supply.
    reference: Option<(f64, f64)>,
    probed: Supply,
    metered: Supply,
}

impl Scale {
    pub fn of(board: &Board, evidence: &Evidence) -> Scale {
        let within = |low: Volts, high: Volts| {
            let nominal = board.reference().0;
            (nominal, (high.0 - low.0) / 2.0 / nominal / 3f64.sqrt())
        };
        let reference = match board.firmware.reference {
            Reference::Supply => None,
            Reference::Internal(internal) => Some(within(internal.low, internal.high)),
            Reference::External(low, _, high) => Some(within(low, high)),
        };
        Scale {
            nominal: board.supply.volts.0,
            reference,
            probed: Supply::of(board, evidence.fed_by),
            metered: Supply::of(board, evidence.metered_supply(board)),
        }
    }

    /// The share that a volt of the nominal unit makes, in what the probe read.
    pub fn per_volt(&self) -> f64 {
        match self.reference {
            None => 1.0 / self.nominal,
            Some((volts, _)) => self.probed.ratio / volts,
        }
    }

    /// The same in what a meter showed.
    pub fn per_volt_metered(&self) -> f64 {
        1.0 / self.nominal
    }

    /// What a meter showed as a share of its supply.
    pub fn metered(&self, volts: f64) -> f64 {
        volts / (self.nominal * self.metered.ratio)
    }

    /// Standard deviation of the ratio between the reference and what it should be.
    pub fn reference_sd(&self) -> f64 {
        self.reference.map_or(0.0, |(_, sd)| sd)
    }

    /// Standard deviation of the supply's ratio while the probe read; none where its value is in no
    /// code.
    pub fn supply_sd(&self) -> Option<f64> {
        self.reference.map(|_| self.probed.sd)
    }

    /// The same while a meter was held.
    pub fn metered_sd(&self) -> f64 {
        self.metered.sd
    }
}
