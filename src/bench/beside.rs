//! The channels that a move has no part in.
//!
//! A shunt that moves changes its own readings and no others. Where another channel changes with it,
//! another shunt was moved as well, or one sits across two headers, or the headers are wired to each
//! other's channels: of two that are taken for each other, and both fitted by a slip, nothing else
//! ever shows it.

use super::Design;
use super::shape::Shape;
use crate::board::Kind;
use std::collections::BTreeMap;

/// Looks after a channel in which a channel is astray: a hand that brushes past is none.
const TWICE: u8 = 2;

/// Watches what should stay as it is; by itself it watches nothing.
#[derive(Clone, Debug, Default)]
pub struct Beside {
    channels: Vec<usize>,
    /// What each channel of the board looked like before.
    base: Vec<Shape>,
    /// Which is looked at next; all of them where the move itself has no reading.
    turn: Option<usize>,
    /// How often in a row each was found changed.
    away: BTreeMap<usize, u8>,
}

impl Beside {
    /// Beside the move of a jumper, by what every channel was last seen to look like. `all` looks at
    /// every channel each time.
    pub fn new(board: &Design, jumper: usize, last: &[Shape], all: bool) -> Beside {
        let own = board.sees(jumper);
        // Channels that no jumper has a part in may be anything; a switch is not closed for this.
        let of_a_jumper = |&c: &usize| {
            let channel = &board.channels[c];
            let asked = !matches!(channel.kind, Kind::Meter { .. }) && channel.closes.is_empty();
            asked && !own.contains(&c) && board.is_moved(c)
        };
        Beside {
            channels: (0..board.channels.len()).filter(of_a_jumper).collect(),
            base: last.to_vec(),
            turn: (!all).then_some(0),
            away: BTreeMap::new(),
        }
    }

    /// The channels to be looked at now.
    pub fn next(&self) -> Vec<usize> {
        let Some(turn) = self.turn else { return self.channels.clone() };
        let mut now: Vec<usize> = self.away.keys().copied().collect();
        let next = self.channels.get(turn).filter(|c| !now.contains(c));
        now.extend(next);
        now
    }

    /// Takes what they look like; the channel that has just gone astray, if any.
    pub fn look(&mut self, seen: &[Shape]) -> Option<usize> {
        let mut strayed = None;
        for channel in self.next() {
            let (base, now) = (self.base[channel], seen[channel]);
            if base == Shape::Unknown {
                self.base[channel] = now;
            } else if now == base {
                self.away.remove(&channel);
            } else if now != Shape::Unknown {
                let times = self.away.entry(channel).or_default();
                *times = times.saturating_add(1);
                if *times == TWICE {
                    strayed = Some(channel);
                }
            }
        }
        if let Some(turn) = &mut self.turn {
            *turn = (*turn + 1) % self.channels.len().max(1);
        }
        strayed
    }

    /// One of them that is astray, if any.
    pub fn astray(&self) -> Option<usize> {
        self.away.iter().find(|&(_, &times)| times >= TWICE).map(|(&channel, _)| channel)
    }
}
