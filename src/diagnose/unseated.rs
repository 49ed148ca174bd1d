//! Readings that a later one of the same channel takes back: the shunt had not been seated yet, or a
//! contact is loose.
//!
//! Two readings with the same shunts at a channel's own headers may also differ because something
//! reaches over from another header. Where a defect of the list gives both, or another header goes
//! with the difference again and again, both are kept: they are what shows it.

use super::evidence::{Read, Reading};
use super::shown::{level, mean_code};
use crate::board::{Board, Level, Place};
use crate::circuit::{self, Group, Node, Parts};
use crate::faults::{self, Built, Fault};
use crate::units::Ohms;
use std::ops::RangeInclusive;

/// Poor bridges that are tried beside clean ones: four a decade from 10 Ω to 100 kΩ.
const POOR: usize = 17;

/// How far a code may be from what a bridge of about that value gives, as a share of the scale.
const NEAR: f64 = 0.02;

/// What a bridge of about that value makes of a difference in codes, as a share of it.
const LIKE: RangeInclusive<f64> = 0.7..=1.4;

/// Steps in which each of two values must have been read to be more than a shunt that had not been
/// seated.
const AGAIN: usize = 2;

/// The readings that a later one takes back, by index, each with that one and with what its own
/// headers were set to.
pub(super) fn unseated(board: &Board, readings: &[Reading]) -> Vec<(usize, usize, String)> {
    let groups = circuit::groups(board);
    let jumpers = |r: &Reading| {
        let net = board.channels[r.channel].net;
        groups.iter().find(|g| g.nets.contains(&net)).map_or(&[][..], |g| &g.jumpers)
    };
    let own = |r: &Reading| -> (usize, Vec<usize>, Vec<Place>) {
        let places = jumpers(r).iter().map(|&j| r.setting.0[j]).collect();
        (r.channel, r.closed.clone(), places)
    };
    let keys: Vec<_> = readings.iter().map(own).collect();
    let alike = |i: usize| -> Vec<&Reading> {
        (0..keys.len()).filter(|&k| keys[k] == keys[i]).map(|k| &readings[k]).collect()
    };
    let mut across: Option<Vec<Fault>> = None;
    let mut found = Vec::new();
    for (i, reading) in readings.iter().enumerate() {
        let Some(last) = (i + 1..keys.len()).rev().find(|&k| keys[k] == keys[i]) else { continue };
        let pair = [reading, &readings[last]];
        if !pair[0].differs(pair[1]) {
            continue;
        }
        let across = across.get_or_insert_with(|| reaching_over(board, &groups));
        let given = |fault: &Fault| gives(board, *fault, pair);
        if across.iter().any(given) || goes_with_another(board, jumpers(reading), &alike(i)) {
            continue;
        }
        let place = |&j: &usize| {
            format!("{}={}", board.jumpers[j].id, board.jumpers[j].place_name(reading.setting.0[j]))
        };
        found.push((i, last, jumpers(reading).iter().map(place).collect::<Vec<_>>().join(" ")));
    }
    found
}

/// Defects that let one circuit bear on another.
fn reaching_over(board: &Board, groups: &[Group]) -> Vec<Fault> {
    let poor = |fault: &Fault| -> Vec<Fault> {
        let with = |ohms: f64| match *fault {
            Fault::ChannelsBridged { channels, .. } => {
                Some(Fault::ChannelsBridged { channels, ohms: Ohms(ohms) })
            }
            Fault::HeadersBridged { jumpers, pins, between, .. } => {
                Some(Fault::HeadersBridged { jumpers, pins, between, ohms: Ohms(ohms) })
            }
            _ => None,
        };
        (0..POOR).map(|i| 10f64.powf(1.0 + 0.25 * i as f64)).filter_map(with).collect()
    };
    let over = |fault: &Fault| {
        let reach = fault.reach(board);
        groups.iter().filter(|g| reach.touches(board, g)).count() > 1
    };
    let listed: Vec<Fault> = faults::modelled(board).into_iter().filter(over).collect();
    let poor: Vec<Fault> = listed.iter().flat_map(poor).collect();
    [listed, poor].concat()
}

/// Whether a defect gives two readings of one channel, and about the difference between them.
fn gives(board: &Board, fault: Fault, readings: [&Reading; 2]) -> bool {
    let mut built = Built::good(board, Parts::nominal(board));
    built.plant(board, fault);
    let node = |r: &Reading| built.node(board, &r.setting, &r.closed, r.channel);
    let codes = readings.map(|r| match (r.read, node(r)) {
        (Read::Code { mean, .. }, Node::Driven { volts, .. }) => {
            Some((mean, mean_code(board, volts)))
        }
        _ => None,
    });
    if let [Some((a, like_a)), Some((b, like_b))] = codes {
        let near =
            [(a, like_a), (b, like_b)].iter().all(|(x, y)| (x - y).abs() < NEAR * board.chip.scale);
        return near && LIKE.contains(&((like_a - like_b) / (a - b)));
    }
    let as_read = |r: &&Reading| match (r.read, node(r)) {
        (Read::Level { ones }, Node::Floating) => ones > 0.5 || !board.channels[r.channel].pull_up,
        (Read::Level { ones }, Node::Driven { volts, .. }) => {
            // Between the levels it may be either.
            level(board, volts).is_none_or(|level| (level == Level::High) == (ones > 0.5))
        }
        (Read::Code { .. }, _) => false,
    };
    readings.iter().all(as_read)
}

/// Whether a header that the channel has no part in goes with the difference: each of its places has
/// one value only, and at least two of them were read in several steps.
fn goes_with_another(board: &Board, own: &[usize], alike: &[&Reading]) -> bool {
    let others = (0..board.jumpers.len()).filter(|j| !own.contains(j));
    others.into_iter().any(|jumper| {
        let mut places: Vec<(Place, &Reading, Vec<u64>)> = Vec::new();
        for reading in alike {
            let place = reading.setting.0[jumper];
            match places.iter_mut().find(|(p, ..)| *p == place) {
                Some((_, first, _)) if first.differs(reading) => return false,
                Some((.., steps)) if steps.contains(&reading.step) => {}
                Some((.., steps)) => steps.push(reading.step),
                None => places.push((place, reading, vec![reading.step])),
            }
        }
        let often: Vec<&Reading> =
            places.iter().filter(|(.., steps)| steps.len() >= AGAIN).map(|(_, r, _)| *r).collect();
        often.iter().any(|a| often.iter().any(|b| a.differs(b)))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::{Setting, parse};
    use crate::diagnose::Proof;

    #[test]
    fn an_open_input_that_reads_otherwise_later_is_still_open() {
        let text = include_str!("../../protocols/vent-controller.toml");
        let board = parse("demo", text).unwrap();
        let read = |mean: f64, step: u64, proof: Proof| Reading {
            step,
            setting: Setting::all_open(&board),
            closed: Vec::new(),
            channel: board.channel("PROFILE").unwrap(),
            read: Read::Code { mean, sd: 0.5, n: 961.0, pulled: None },
            proof,
        };
        let taken_back = |proofs: [Proof; 2]| {
            let pair = [read(433.0, 3, proofs[0]), read(445.0, 7, proofs[1])];
            unseated(&board, &pair).iter().map(|(i, last, _)| (*i, *last)).collect::<Vec<_>>()
        };
        assert_eq!(taken_back([Proof::Open, Proof::Open]), []);
        assert_eq!(taken_back([Proof::Driven, Proof::Driven]), [(0, 1)]);
        assert_eq!(taken_back([Proof::Open, Proof::Driven]), [(0, 1)]);
    }
}
