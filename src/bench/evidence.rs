//! When a move is believed.
//!
//! A shunt that has been moved shows itself: the readings leave the old pattern and come to rest at
//! the new one. Where old and new look alike, leaving for the open pattern and coming back shows it;
//! where no reading can tell, a key is asked for, and the record says so.

use super::beside::Beside;
use super::shape::{Shape, agree, pattern, seen_shapes, shapes};
use super::sweep::Got;
use super::{Design, MovedBy};
use crate::board::{Place, Setting};
use crate::walk::Move;
use crate::window::Windows;
use std::time::Duration;

/// What can show that a move was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Telling {
    /// Old and new look different.
    Pattern,
    /// They look alike, but having no shunt looks different from both.
    Open,
    /// No reading can tell.
    Key,
}

/// What a look at the readings came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Sight {
    /// Nothing to be said yet.
    Wait,
    /// The move is believed.
    Believed(MovedBy),
    /// Steady, and not what was asked for; reads as this place, if any.
    Doubt(Option<Place>),
    /// It does not come to rest.
    Unstable,
    /// This channel has changed too, which the jumper has no part in.
    Strayed(usize),
}

/// Watches one move.
#[derive(Clone, Debug)]
pub struct Watch {
    jumper: usize,
    asked: Place,
    want: Vec<Shape>,
    before: Vec<Shape>,
    no_shunt: Vec<Shape>,
    places: Vec<(Place, Vec<Shape>)>,
    telling: Telling,
    still: Duration,
    start: Option<Vec<(f64, f64)>>,
    anchor: Option<(Duration, Vec<(f64, f64)>)>,
    broken: u32,
    left: bool,
    /// Whether something else than what is wanted has been seen, in the step before or since. What
    /// has stood there all along shows no move.
    away: bool,
    /// Whether it was so in the step before.
    shown: bool,
    /// Whether the power was cut for the move.
    cycled: bool,
    doubted: bool,
    beside: Beside,
    /// The channel beside it that has changed with it, once that was told.
    strayed: Option<usize>,
}

/// Times that a pattern may break before the contact is called unstable.
const RESTLESS: u32 = 60;

/// How much longer than `still` an unexpected reading must stand before it is doubted aloud: the
/// hand may be passing.
const PATIENCE: u32 = 4;

/// The same for a header that reads as no position, as it does without a shunt: the hand is on its
/// way.
const ON_ITS_WAY: u32 = 12;

/// The same for a reading that has not changed at all.
const UNCHANGED: u32 = 16;

impl Watch {
    /// A watch on the jumper of a move that leads to the setting `to`, by the readings of the
    /// channels that it has a part in; `last` is what every channel looked like in the step before.
    pub fn new(
        board: &Design,
        windows: &Windows,
        to: &Setting,
        made: Move,
        last: &[Shape],
        still: Duration,
    ) -> Watch {
        let jumper = made.jumper;
        let channels = board.sees(jumper);
        let expect = |setting: &Setting, channel| board.expect(setting, channel);
        let shapes = |setting: &Setting| shapes(board, windows, &expect, setting, channels);
        let want = shapes(to);
        let before = shapes(&to.with(jumper, made.from));
        let no_shunt = shapes(&to.with(jumper, Place::Open));
        let telling = if want != before {
            Telling::Pattern
        } else if no_shunt != want {
            Telling::Open
        } else {
            Telling::Key
        };
        let mut every = board.jumpers[jumper].places();
        if !every.contains(&Place::Open) {
            every.push(Place::Open);
        }
        let places = every.into_iter().map(|p| (p, shapes(&to.with(jumper, p)))).collect();
        let known = channels.iter().all(|&c| last[c] != Shape::Unknown);
        let away = known && channels.iter().any(|&c| last[c] != want[c]);
        let beside = Beside::new(board, jumper, last, telling == Telling::Key);
        Watch {
            jumper,
            asked: made.to,
            want,
            before,
            no_shunt,
            places,
            telling,
            still,
            start: None,
            anchor: None,
            broken: 0,
            left: false,
            away,
            shown: away,
            cycled: false,
            doubted: false,
            beside,
            strayed: None,
        }
    }

    /// The same after the power was cut for the move: it was made out of sight, so that a reading
    /// which agrees is all there is to wait for.
    pub fn after_power_cycle(self) -> Watch {
        Watch { cycled: true, beside: Beside::default(), ..self }
    }

    /// The same for a step that is done again: the hand will do so too, and is waited for.
    pub fn once_more(self) -> Watch {
        Watch { away: false, ..self }
    }

    /// The channels to be looked at now.
    pub fn glances(&self, board: &Design) -> Vec<usize> {
        let own = board.sees(self.jumper).iter().copied();
        own.chain(self.beside.next()).collect()
    }

    /// The jumper watched.
    pub fn jumper(&self) -> usize {
        self.jumper
    }

    /// What can show the move.
    pub fn telling(&self) -> Telling {
        self.telling
    }

    /// Takes what a glance read at `now`.
    pub fn look(&mut self, now: Duration, board: &Design, windows: &Windows, got: &Got) -> Sight {
        let mut seen = seen_shapes(board, windows, got);
        if let Some(channel) = self.beside.look(&seen)
            && self.strayed.is_none()
        {
            self.strayed = Some(channel);
            self.anchor = None;
            return Sight::Strayed(channel);
        }
        let own = board.sees(self.jumper);
        for (channel, shape) in seen.iter_mut().enumerate() {
            if !own.contains(&channel) {
                *shape = Shape::Unknown;
            }
        }
        let codes = pattern(got, &seen, own);
        self.left |= self.telling == Telling::Open && seen == self.no_shunt;
        self.away |= seen != self.want;
        let start = self.start.get_or_insert_with(|| codes.clone());
        let unchanged = agree(start, &codes);
        let since = match &self.anchor {
            Some((since, anchor)) if agree(anchor, &codes) => *since,
            _ => {
                self.broken += u32::from(self.anchor.is_some());
                self.anchor = Some((now, codes));
                if self.broken > 0 && self.broken.is_multiple_of(RESTLESS) {
                    return Sight::Unstable;
                }
                return Sight::Wait;
            }
        };
        let rested = now.saturating_sub(since);
        if rested < self.still {
            return Sight::Wait;
        }
        if seen == self.want
            && let Some(channel) = self.beside.astray()
        {
            // It was to be put back, and has had its time.
            if self.strayed.is_none() && rested >= self.still * UNCHANGED {
                self.strayed = Some(channel);
                return Sight::Strayed(channel);
            }
            return Sight::Wait;
        }
        if seen == self.want {
            match self.telling {
                _ if self.cycled => return Sight::Believed(MovedBy::PowerCycle),
                Telling::Pattern if self.away => return Sight::Believed(MovedBy::Changed),
                Telling::Open if self.left => return Sight::Believed(MovedBy::ThroughOpen),
                Telling::Open | Telling::Key => return Sight::Wait,
                // It stood there before it was asked for: moved too early, or it reads alike.
                Telling::Pattern => {}
            }
        }
        // Where nothing has changed, the operator has most likely not moved anything yet. A bad unit
        // may look like nothing known all along: it must not be doubted while the hand is passing.
        let reads_as = self.reads_as(&seen);
        let patience = match reads_as {
            _ if unchanged || seen == self.before => UNCHANGED,
            Some(Place::At(_)) if seen != self.no_shunt => PATIENCE,
            _ => ON_ITS_WAY,
        };
        if self.doubted || rested < self.still * patience {
            return Sight::Wait;
        }
        self.doubted = true;
        Sight::Doubt(reads_as)
    }

    /// The place that shapes read as: the one asked for where it is among several.
    pub(super) fn reads_as(&self, seen: &[Shape]) -> Option<Place> {
        let like = |(_, shapes): &&(Place, Vec<Shape>)| shapes == seen;
        let wanted = self.places.iter().filter(|(place, _)| *place == self.asked);
        wanted.chain(&self.places).find(like).map(|&(place, _)| place)
    }

    /// Whether the readings could have shown the move and agreed with it before it was asked for: a
    /// word then stands against what was seen, which is that nothing changed.
    pub fn unshown(&self) -> bool {
        self.telling == Telling::Pattern && !self.away && !self.shown && !self.cycled
    }

    /// The channel that has changed with the move and should not have: told so, or changed still.
    pub fn strayed(&self) -> Option<usize> {
        self.strayed.or_else(|| self.beside.astray())
    }

    /// Whether a word is wanted: no reading can tell, the reading was doubted, it does not rest, or
    /// another channel has changed with it.
    pub fn takes_a_word(&self) -> bool {
        let doubted = self.doubted || self.strayed.is_some();
        self.telling == Telling::Key || doubted || self.broken >= RESTLESS
    }

    /// The operator says that it is not: the watch goes on and may doubt again, with the patience
    /// that it had in the beginning.
    pub fn go_on(&mut self) {
        self.doubted = false;
        self.strayed = None;
        self.anchor = None;
        self.start = None;
    }
}
