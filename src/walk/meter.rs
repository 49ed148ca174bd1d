//! The settings in which a person measures with a meter, the power off.
//!
//! They come before the power: a board without power has no reading that could show a move, so the
//! shunts are put where a stop has them all at once, on the operator's word. Jumpers that only a
//! meter sees are left as delivered by the last stop and not moved again.

use super::Move;
use crate::board::{Board, Kind, Setting};
use crate::circuit::{Group, Parts};
use crate::faults::{Built, Coverage, Sighting, Witness};
use crate::window::{self, Band, Windows};

/// One setting, and what is measured in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stop {
    /// The setting.
    pub setting: Setting,
    /// The moves that lead to it from the stop before; none at the first, whose whole setting is
    /// asked for.
    pub moves: Vec<Move>,
    /// The channels measured.
    pub channels: Vec<usize>,
}

/// Channels of a board that are read by meter.
pub fn channels(board: &Board) -> Vec<usize> {
    let metered = |&c: &usize| matches!(board.channels[c].kind, Kind::Meter { .. });
    (0..board.channels.len()).filter(metered).collect()
}

/// Channels of a board that a pin reads.
pub fn others(board: &Board) -> Vec<usize> {
    let metered = channels(board);
    (0..board.channels.len()).filter(|c| !metered.contains(c)).collect()
}

/// Whether anything of a board is read or asked with the power on.
pub fn needs_power(board: &Board) -> bool {
    let metered = channels(board).len();
    metered < board.channels.len() || !board.loads.is_empty() || !board.questions.is_empty()
}

/// Whether the jumpers of a group change nothing but what a meter shows.
pub(super) fn alone(board: &Board, group: &Group) -> bool {
    if !needs_power(board) {
        return true;
    }
    let at = |c: &usize| match board.channels[*c].kind {
        Kind::Meter { against, .. } => {
            group.nets.contains(&board.channels[*c].net) || group.nets.contains(&against)
        }
        Kind::Analog | Kind::Digital => group.nets.contains(&board.channels[*c].net),
    };
    let touching: Vec<usize> = (0..board.channels.len()).filter(at).collect();
    let metered = channels(board);
    let asked = board.questions.iter().flat_map(|q| &q.when);
    !touching.is_empty()
        && touching.iter().all(|c| metered.contains(c))
        && !asked.into_iter().any(|(j, _)| group.jumpers.contains(j))
        && !group.jumpers.iter().any(|&j| board.jumpers[j].power)
}

/// The stops in order. `base` is where the shunts are wanted afterwards: those of the jumpers
/// `alone` as delivered, the others off.
///
/// There is one for every option that a meter tells apart, and one for every place of the jumpers
/// `alone` that those leave out, where it changes a reading the most. The last is `base`, where
/// there are such jumpers: how they leave.
pub(super) fn plan(board: &Board, windows: &Windows, base: &Setting, alone: &[usize]) -> Vec<Stop> {
    let metered = channels(board);
    let mut targets: Vec<Setting> = Vec::new();
    for &channel in &metered {
        let of = &windows.channels[channel];
        for (i, class) in of.classes.iter().enumerate() {
            let ways = std::iter::once(&class.places).chain(&class.also);
            let setting = |places: &Vec<_>| {
                places.iter().fold(base.clone(), |s, &(jumper, place)| s.with(jumper, place))
            };
            let stands = |s: &Setting| of.class_of_setting(s) == Some(i);
            if let Some(target) = ways.map(setting).find(stands)
                && !targets.contains(&target)
            {
                targets.push(target);
            }
        }
    }
    let extra = places_left_out(board, &targets, alone);
    targets.extend(extra);
    targets.retain(|t| alone.is_empty() || t != base);
    let mut way = in_order(targets, base);
    if !alone.is_empty() && !metered.is_empty() {
        way.push(base.clone());
    }
    stops(windows, &metered, way)
}

/// Settings for the places of the jumpers `alone` that none of the targets has.
fn places_left_out(board: &Board, targets: &[Setting], alone: &[usize]) -> Vec<Setting> {
    let parts = Parts::nominal(board);
    let ohms = |s: &Setting, c: usize| window::measured(board, &parts, s, c).0.max(0.1);
    // By what factor a place changes what a meter shows.
    let change = |from: &Setting, to: &Setting| {
        let factor = |&c: &usize| match (ohms(from, c), ohms(to, c)) {
            (a, b) if a == b => 0.0,
            (a, b) => (a / b).ln().abs(),
        };
        channels(board).iter().map(factor).fold(0.0, f64::max)
    };
    let mut found: Vec<Setting> = Vec::new();
    for &jumper in alone {
        for place in board.jumpers[jumper].places() {
            if targets.iter().chain(&found).any(|t| t.0[jumper] == place) {
                continue;
            }
            let moved = targets.iter().map(|t| (t, t.with(jumper, place)));
            let best = moved
                .map(|(from, to)| (change(from, &to), to))
                .filter(|&(change, _)| change > 0.0)
                .reduce(|best, next| if next.0 > best.0 { next } else { best });
            found.extend(best.map(|(_, to)| to));
        }
    }
    found
}

/// Shunts that differ between two settings.
fn apart(a: &Setting, b: &Setting) -> usize {
    a.0.iter().zip(&b.0).filter(|(x, y)| x != y).count()
}

/// The targets so that few shunts are moved on the way to `end`; where it begins is free.
///
/// Nearest neighbours from the end backwards, then pieces turned round as long as that saves a
/// move (2-opt; Croes 1958, from memory).
fn in_order(mut left: Vec<Setting>, end: &Setting) -> Vec<Setting> {
    let mut way = vec![end.clone()];
    while !left.is_empty() {
        let last = &way[way.len() - 1];
        let near = (0..left.len()).min_by_key(|&i| apart(last, &left[i])).unwrap_or(0);
        way.push(left.remove(near));
    }
    let mut better = true;
    while better {
        better = false;
        for i in 1..way.len() {
            for j in i + 1..way.len() {
                let after = |at: &Setting| way.get(j + 1).map_or(0, |next| apart(at, next));
                let now = apart(&way[i - 1], &way[i]) + after(&way[j]);
                let turned = apart(&way[i - 1], &way[j]) + after(&way[i]);
                if turned < now {
                    way[i..=j].reverse();
                    better = true;
                }
            }
        }
    }
    way.remove(0);
    way.reverse();
    way
}

/// The moves and the channels of each stop: an option is measured once, and the last setting whole.
fn stops(windows: &Windows, metered: &[usize], way: Vec<Setting>) -> Vec<Stop> {
    let mut measured: Vec<(usize, usize)> = Vec::new();
    let mut found: Vec<Stop> = Vec::new();
    let count = way.len();
    for (i, setting) in way.into_iter().enumerate() {
        let class = |&c: &usize| (c, windows.channels[c].class_of_setting(&setting));
        let classes: Vec<_> = metered.iter().map(class).collect();
        let none_stands = classes.iter().all(|(_, class)| class.is_none());
        let wanted = |&(c, class): &(usize, Option<usize>)| match class {
            _ if i + 1 == count => true,
            Some(class) => !measured.contains(&(c, class)),
            None => none_stands,
        };
        let channels: Vec<usize> = classes.iter().copied().filter(wanted).map(|(c, _)| c).collect();
        measured.extend(classes.iter().filter_map(|&(c, class)| Some((c, class?))));
        if channels.is_empty() {
            continue;
        }
        let moves = found.last().map_or(Vec::new(), |before| moves(&before.setting, &setting));
        found.push(Stop { setting, moves, channels });
    }
    found
}

/// The moves from one setting to another.
pub fn moves(from: &Setting, to: &Setting) -> Vec<Move> {
    let pairs = from.0.iter().zip(&to.0).enumerate();
    let made = |(jumper, (&from, &to)): (usize, (_, _))| Move { jumper, from, to };
    pairs.filter(|(_, (from, to))| from != to).map(made).collect()
}

/// Takes the defects that a meter shows out of the unseen ones; each with the first stop, by index,
/// and the channel.
///
/// Worst case on both sides: what the meter shows of a unit with the defect, its good parts spread
/// over their tolerances, must not touch what a good unit can give.
pub(super) fn shown(board: &Board, stops: &[Stop], coverage: Coverage) -> Coverage {
    let at = |(step, stop): (usize, &Stop)| -> Vec<(Sighting, Setting, Band)> {
        let view = |&channel: &usize| {
            let sighting = Sighting { step, by: Witness::Channel(channel) };
            let good = window::expect(board, &stop.setting, channel).bench;
            (sighting, stop.setting.clone(), good)
        };
        stop.channels.iter().map(view).collect()
    };
    let views: Vec<(Sighting, Setting, Band)> = stops.iter().enumerate().flat_map(at).collect();
    let mut now = Coverage { seen: coverage.seen, unseen: Vec::new() };
    for (fault, by) in coverage.unseen {
        let plant = |parts: Parts| {
            let mut built = Built::good(board, parts);
            built.plant(board, fault);
            built.parts
        };
        let built = Built::with(board, fault);
        let shows = |(sighting, setting, good): &&(Sighting, Setting, Band)| {
            let Witness::Channel(channel) = sighting.by else { return false };
            let seat = built.seat(board, setting);
            // One solution tells most of those that it does not show.
            let nominal = window::measured(board, &built.parts, &seat, channel).0;
            (nominal < good.low || nominal > good.high)
                && !window::measured_band(board, &seat, channel, &plant).overlaps(*good)
        };
        match views.iter().find(shows) {
            Some(&(sighting, ..)) => now.seen.push((fault, sighting)),
            None => now.unseen.push((fault, by)),
        }
    }
    now
}
