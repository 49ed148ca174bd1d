//! What the probe takes at most: a request beyond it is refused here, before it is sent.
//!
//! The figures are those of `protocols/probe-link.md`; `tests/probe_link/host.rs` holds them
//! against the probe's own core.

use super::{Pull, Request, SLOT_SIZE, unit_name_problem};
use std::fmt::Display;
use std::ops::RangeInclusive;

/// Longest settling time of a measurement, in microseconds.
pub const SETTLE_MAX_US: u32 = 1_000_000;
/// Most conversions that can be thrown away before a burst.
pub const DISCARD_MAX: u16 = 100;
/// Most digital reads.
pub const LEVELS_MAX: u16 = 1_000;
/// Most conversions on either side of a load's step.
pub const STEP_MAX: u16 = 1_000;
/// Fewest and most pairs of charge sharing.
pub const PAIRS: RangeInclusive<u16> = 4..=2_000;
/// Shortest and longest silence after which outputs go off, in milliseconds.
pub const HOLD_MS: RangeInclusive<u32> = 100..=60_000;
/// 7-bit addresses on an I2C bus; those before and behind are reserved (UM10204 table 4, from
/// memory).
pub const ADDRESSES: RangeInclusive<u8> = 8..=119;
/// Clock dividers of the converter.
pub const PRESCALERS: [u8; 4] = [16, 32, 64, 128];

/// Says what is wrong with a value outside its range.
fn outside<T: PartialOrd + Display>(
    what: &str,
    value: T,
    range: RangeInclusive<T>,
) -> Option<String> {
    let (low, high) = (range.start(), range.end());
    let outside = format!("{what} is {value}, the probe takes {low} to {high}");
    (!range.contains(&value)).then_some(outside)
}

/// What is wrong with the figures of a burst; all numbers of conversions from 1 on fit.
fn burst(n: u16, discard: u16, prescaler: u8) -> Option<String> {
    let prescalers = || {
        let known = PRESCALERS.contains(&prescaler);
        (!known).then(|| format!("the prescaler is {prescaler}, the probe has {PRESCALERS:?}"))
    };
    outside("the number of conversions", n, 1..=u16::MAX)
        .or_else(|| outside("the number of conversions thrown away", discard, 0..=DISCARD_MAX))
        .or_else(prescalers)
}

/// The settling times of all the reads after a discharge count together.
fn level(n: u16, pull: Pull, settle_us: u32) -> Option<String> {
    let most = match pull {
        Pull::Discharged => SETTLE_MAX_US / u32::from(n.max(1)),
        Pull::Off | Pull::Up => SETTLE_MAX_US,
    };
    outside("the number of reads", n, 1..=LEVELS_MAX)
        .or_else(|| outside("the settling time in microseconds", settle_us, 0..=most))
}

fn named<T>(what: &str, list: &[T]) -> Option<String> {
    list.is_empty().then(|| format!("no {what} is named, the probe wants one at least"))
}

impl Request {
    /// Why the probe would refuse this request whatever its state, or `None` when it would not.
    pub fn problem(&self) -> Option<String> {
        match self {
            Request::Burst { n, settle_us, discard, prescaler, .. }
            | Request::Raw { n, settle_us, discard, prescaler, .. } => {
                burst(*n, *discard, *prescaler).or_else(|| {
                    outside("the settling time in microseconds", *settle_us, 0..=SETTLE_MAX_US)
                })
            }
            Request::Product { n, discard, prescaler, .. } => burst(*n, *discard, *prescaler),
            Request::Supply { n } => burst(*n, 0, PRESCALERS[3]),
            Request::Level { n, pull, settle_us, .. } => level(*n, *pull, *settle_us),
            Request::Step { before, after, .. } => {
                let range = 1..=STEP_MAX;
                outside("the number of conversions without load", *before, range.clone())
                    .or_else(|| outside("the number of conversions on load", *after, range))
            }
            Request::Presence { address, .. } => outside("the address", *address, ADDRESSES),
            Request::Charge { pairs, .. } => outside("the number of pairs", *pairs, PAIRS),
            Request::Hold { ms } => outside("the silence in milliseconds", *ms, HOLD_MS),
            Request::WriteIdentity { identity, unit } => {
                outside("the identity", *identity, 1..=u32::MAX).or_else(|| unit_name_problem(unit))
            }
            Request::Slot { slot } => outside("the slot", *slot, 1..=2),
            Request::WriteSlot { slot, bytes } => outside("the slot", *slot, 1..=2).or_else(|| {
                outside("the number of bytes of a slot", bytes.len(), SLOT_SIZE..=SLOT_SIZE)
            }),
            Request::Allow { pins, .. } | Request::AllowDischarge { pins } => named("pin", pins),
            Request::AllowReferences { references } => named("reference", references),
            Request::Against { references, request } => {
                named("reference", references).or_else(|| request.problem())
            }
            _ => None,
        }
    }
}
