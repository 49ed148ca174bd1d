//! What a live view shows, as plain data.

use super::super::reading::Look;
use super::super::shape::Shape;
use super::super::{Boot, Burst, ProbeInfo};
use crate::window::Band;
use std::collections::BTreeMap;
use std::time::Duration;

/// One round through all channels.
#[derive(Clone, Debug, PartialEq)]
pub struct Round {
    /// Number of the round, from 1.
    pub number: u64,
    /// Where the shunts are, the options, and each reading with what the circuit predicts.
    pub look: Look,
    /// By channel: what it reads as.
    pub shapes: Vec<Shape>,
    /// By channel: shift of the code under the pull-up that a good unit shows in the setting found.
    pub shifts: Vec<Option<Band>>,
    /// The internal reference read against the supply.
    pub supply: Option<Burst>,
    /// Codes of one channel, where they were asked for.
    pub codes: Option<Codes>,
    /// What the probe refused.
    pub refused: Vec<String>,
}

/// How often each code was seen on a channel since its setting changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Codes {
    /// Channel index.
    pub channel: usize,
    /// Conversions by code.
    pub counts: BTreeMap<u16, u64>,
}

/// Something of the live view.
#[derive(Clone, Debug, PartialEq)]
pub enum Watched {
    /// The probe was found, or has come back.
    Probe {
        /// Who it is.
        info: ProbeInfo,
        /// Whether it had been away.
        back: bool,
    },
    /// A round was read.
    Round(Box<Round>),
    /// The probe does not answer.
    Away {
        /// Why, in words.
        why: String,
        /// How long it is waited for.
        wait: Duration,
    },
    /// The probe was reset, so that the round under way is void.
    Reset(Boot),
    /// Readings stopped or go on.
    Paused(bool),
    /// Rounds are written to the file from here on, or no longer.
    Recording(bool),
    /// The channel whose codes are shown, if any.
    Histogram(Option<usize>),
}

/// What may be chosen of a live view.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// From the beginning of a round to that of the next.
    pub every: Duration,
    /// Rounds after which it ends by itself.
    pub count: Option<u64>,
    /// How long a probe that went away is waited for.
    pub wait: Duration,
    /// Channel whose codes are shown from the beginning.
    pub histogram: Option<usize>,
    /// Whether rounds are written to the file from the beginning.
    pub record: bool,
}
