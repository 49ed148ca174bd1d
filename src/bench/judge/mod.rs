//! Where a code becomes a verdict.
//!
//! Two measurands, two budgets, never mixed. The *option* is what this unit's converter gives in
//! product use: the probe uses the same converter, so the converter's errors are in the reading and
//! only the noise of the mean is in its uncertainty. The *parts* are judged by the bench band, which
//! holds the converter's errors itself. An error stands in the band or in the uncertainty, never in
//! both.

mod analog;
mod at_rest;
mod digital;
mod driven;
mod uncertainty;

pub use analog::Margin;
pub use at_rest::at_rest;
pub(super) use at_rest::at_rest_against;
pub use digital::level;
pub use driven::{driven, open_level, walked};
pub use uncertainty::{coverage, coverage_of, expanded_uncertainty, standard_uncertainty};

use super::{Burst, Check, meter};
use crate::board::{Board, Kind, Setting};
use crate::window::{self, Expected, Windows};
use analog::Analog;
use digital::digital;

/// How many uncertainties from a limit a reading must be, or it is taken twice more.
pub const NEAR: f64 = 3.0;

/// What the probe read of one channel in one setting.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Readings {
    /// Averaged burst, pull-up off.
    pub mean: Option<Burst>,
    /// Burst as the product takes it.
    pub product: Option<Burst>,
    /// Averaged burst with the pull-up on.
    pub pulled: Option<Burst>,
    /// First and last codes under charge sharing.
    pub charge: Option<(f64, f64)>,
    /// Digital reads as the product configures the pin: reads, of them high.
    pub level: Option<(u32, u32)>,
    /// Digital reads with the pull-up on.
    pub level_pulled: Option<(u32, u32)>,
    /// Digital reads after a discharge.
    pub level_discharged: Option<(u32, u32)>,
}

/// Judges what was read of one channel in one setting, as the product reads it.
pub fn channel(
    board: &Board,
    windows: &Windows,
    setting: &Setting,
    channel: usize,
    on: &[String],
    readings: &Readings,
) -> Vec<Check> {
    let expected = window::expect(board, setting, channel);
    against(board, windows, setting, channel, on, readings, &expected)
}

/// The same where it is known what a good unit shows there.
pub(super) fn against(
    board: &Board,
    windows: &Windows,
    setting: &Setting,
    channel: usize,
    on: &[String],
    readings: &Readings,
    expected: &Expected,
) -> Vec<Check> {
    match board.channels[channel].kind {
        Kind::Analog => {
            let judge = Analog { board, windows, setting, channel, on, readings, expected };
            judge.checks()
        }
        Kind::Digital => {
            vec![digital(board, windows, setting, channel, on, readings, expected)]
        }
        // The probe does not see it.
        Kind::Meter { .. } => vec![meter::judge(board, windows, setting, channel, None)],
    }
}

/// The burst, if it holds a reading: one of nothing has no mean, and compares with no limit.
fn reading_in(burst: Option<Burst>) -> Option<Burst> {
    burst.filter(|b| b.n > 0 && b.mean.is_finite() && b.sd.is_finite())
}
