//! The smallest scale error of a whole ladder that a sequence is sure to show.
//!
//! Resistors that are all off by one factor divide as they should. Their source resistance is off by
//! the factor, and the reading with the pin's pull-up on goes with it; but the pull-up is known only
//! within the chip's own range, so a scale error inside that range shows in no reading.

use super::sight::{APART, beyond};
use crate::board::chip::Internal;
use crate::board::{Board, Kind, Place, Reference, Setting};
use crate::circuit::{self, Parts};
use crate::units::{Ohms, Volts};
use crate::window::{self, Expected, Windows};
use std::collections::BTreeMap;

/// The largest factor that is tried.
const MOST: f64 = 1000.0;

/// Halvings of its logarithm: to a fifth of a percent of what is found.
const HALVINGS: usize = 12;

/// What scale error one channel is sure to show.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// Channel index.
    pub channel: usize,
    /// From this factor on it shows that all of its resistors are too large; none where it never
    /// does.
    pub too_large: Option<f64>,
    /// The same of too small ones, by a factor.
    pub too_small: Option<f64>,
    /// The setting of the sequence in which the source resistance is largest.
    pub setting: Setting,
    /// That resistance: what a meter shows there from the channel's net to ground, the power off
    /// and the supply joined to ground.
    pub ohms: Ohms,
}

/// The scale errors of every analog channel with resistors, in a sequence: its settings, each with
/// the channels that are read in it.
pub fn scale(
    board: &Board,
    windows: &Windows,
    looks: impl IntoIterator<Item = (Setting, Vec<usize>)>,
) -> Vec<Scale> {
    let looks: Vec<(Setting, Vec<usize>)> = looks.into_iter().collect();
    let analog = board.channels.iter().enumerate().filter(|(_, c)| c.kind == Kind::Analog);
    analog.filter_map(|(channel, _)| of_channel(board, windows, &looks, channel)).collect()
}

fn of_channel(
    board: &Board,
    windows: &Windows,
    looks: &[(Setting, Vec<usize>)],
    channel: usize,
) -> Option<Scale> {
    let c = &board.channels[channel];
    let group = circuit::group_of(board, c.net)?;
    let inside = |&r: &usize| board.resistors[r].between.iter().any(|n| group.nets.contains(n));
    let resistors: Vec<usize> = (0..board.resistors.len()).filter(inside).collect();
    // Jumpers of other groups change nothing here.
    let judged = |s: &Setting| windows.channels[channel].class_of_setting(s).is_some();
    let read = looks.iter().filter(|(s, reads)| reads.contains(&channel) && judged(s));
    let mine = |s: &Setting| -> Vec<Place> { group.jumpers.iter().map(|&j| s.0[j]).collect() };
    let settings: BTreeMap<Vec<Place>, &Setting> = read.map(|(s, _)| (mine(s), s)).collect();
    let shown = |board: &Board, s: &Setting| window::expect_on_bench(board, s, channel, &c.closes);
    let good: Vec<(&Setting, Expected)> =
        settings.into_values().map(|s| (s, shown(board, s))).collect();
    let shows = |factor: f64| {
        let mut off = board.clone();
        resistors.iter().for_each(|&r| off.resistors[r].ohms.0 *= factor);
        good.iter().any(|(setting, good)| {
            let bad = shown(&off, setting);
            let pulled = bad.pulled.zip(good.pulled).map(|(bad, good)| beyond(bad, good));
            pulled.is_some_and(|by| by >= APART) || beyond(bad.bench, good.bench) >= APART
        })
    };
    let source = |s: &Setting| {
        let tips = [c.net, board.supply.ground];
        window::ohms_between(board, &Parts::nominal(board), s, tips).0
    };
    let sources = good.iter().map(|(s, _)| ((*s).clone(), source(s)));
    let (setting, ohms) =
        sources.filter(|(_, ohms)| ohms.is_finite()).max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (too_large, too_small) = (least(&shows), least(&|factor: f64| shows(1.0 / factor)));
    (!resistors.is_empty()).then_some(Scale {
        channel,
        too_large,
        too_small,
        setting,
        ohms: Ohms(ohms),
    })
}

/// From which share on, more and less, the readings of a sequence are sure to show that the reference
/// of the product's converter is off; none where they never do. The supply as a reference is not
/// seen by what it feeds.
pub fn reference_off(
    board: &Board,
    windows: &Windows,
    looks: impl IntoIterator<Item = (Setting, Vec<usize>)>,
) -> (Option<f64>, Option<f64>) {
    let groups = circuit::groups(board);
    // A reading depends on the jumpers of its group alone: each is taken once.
    let mut once: BTreeMap<(usize, Vec<Place>), Setting> = BTreeMap::new();
    for (setting, reads) in looks {
        for channel in reads {
            let c = &board.channels[channel];
            if c.kind == Kind::Analog
                && windows.channels[channel].class_of_setting(&setting).is_some()
            {
                let group = groups.iter().find(|g| g.nets.contains(&c.net));
                let jumpers = group.map_or(&[][..], |g| &g.jumpers);
                let places = jumpers.iter().map(|&j| setting.0[j]).collect();
                once.entry((channel, places)).or_insert_with(|| setting.clone());
            }
        }
    }
    let shown = |board: &Board, channel: usize, setting: &Setting| {
        window::expect_on_bench(board, setting, channel, &board.channels[channel].closes)
    };
    let good: Vec<(usize, &Setting, Expected)> =
        once.iter().map(|((c, _), s)| (*c, s, shown(board, *c, s))).collect();
    let shows = |factor: f64| {
        let mut off = board.clone();
        off.firmware.reference = times(board.firmware.reference, factor);
        let apart = |(channel, setting, good): &(usize, &Setting, Expected)| {
            beyond(shown(&off, *channel, setting).bench, good.bench) >= APART
        };
        good.iter().any(apart)
    };
    let more = least(&shows).map(|factor| factor - 1.0);
    (more, least(&|factor: f64| shows(1.0 / factor)).map(|factor| 1.0 - 1.0 / factor))
}

fn times(reference: Reference, factor: f64) -> Reference {
    let times = |volts: Volts| Volts(volts.0 * factor);
    match reference {
        Reference::Supply => reference,
        Reference::Internal(of) => Reference::Internal(Internal {
            low: times(of.low),
            typical: times(of.typical),
            high: times(of.high),
            ..of
        }),
        Reference::External(low, nominal, high) => {
            Reference::External(times(low), times(nominal), times(high))
        }
    }
}

/// The smallest factor that shows; none where the largest does not.
fn least(shows: &dyn Fn(f64) -> bool) -> Option<f64> {
    if !shows(MOST) {
        return None;
    }
    let (mut low, mut high) = (0.0, MOST.ln());
    for _ in 0..HALVINGS {
        let middle = (low + high) / 2.0;
        if shows(middle.exp()) { high = middle } else { low = middle }
    }
    Some(high.exp())
}
