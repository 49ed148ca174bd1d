//! When a move is believed.
//!
//! A shunt that has been moved shows itself: the readings leave the old pattern and come to rest at
//! the new one. Where old and new look alike, leaving for the open pattern and coming back shows it;
//! where no reading can tell, a key is asked for, and the record says so.

use super::judge::{self, Readings};
use super::sweep::Got;
use super::{Design, Live, MovedBy};
use crate::board::{Board, Kind, Place, Setting};
use crate::circuit::Node;
use crate::walk::Move;
use crate::window::{Expected, Windows};
use std::sync::Arc;
use std::time::Duration;

/// What one channel looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// The class with this index of the channel's windows.
    Class(usize),
    /// Nothing drives it.
    Open,
    /// Driven, between windows.
    Between,
    /// Nothing is known of it.
    Unknown,
}

/// What a channel of a good unit shows in a setting, wherever that is known from.
pub(super) type Expect<'a> = &'a dyn Fn(&Setting, usize) -> Arc<Expected>;

/// What a setting should look like: a shape for each channel, `Unknown` for those not asked about.
pub(super) fn shapes(
    board: &Board,
    windows: &Windows,
    expect: Expect<'_>,
    setting: &Setting,
    channels: &[usize],
) -> Vec<Shape> {
    let shape = |c: usize| match channels.contains(&c) {
        true => expected_shape(board, windows, expect, setting, c),
        false => Shape::Unknown,
    };
    (0..board.channels.len()).map(shape).collect()
}

fn expected_shape(
    board: &Board,
    windows: &Windows,
    expect: Expect<'_>,
    setting: &Setting,
    channel: usize,
) -> Shape {
    let classes = &windows.channels[channel];
    if matches!(board.channels[channel].kind, Kind::Meter { .. }) {
        return Shape::Unknown;
    }
    if let Some(class) = classes.class_of_setting(setting) {
        return Shape::Class(class);
    }
    let expected = expect(setting, channel);
    match (board.channels[channel].kind, expected.node) {
        (_, Node::Floating) => Shape::Open,
        (Kind::Meter { .. }, _) => Shape::Unknown,
        (Kind::Analog, _) => {
            classes.class_of_code(expected.code).map_or(Shape::Between, Shape::Class)
        }
        (Kind::Digital, _) => match expected.level.and_then(|l| classes.class_of_level(l)) {
            Some(class) => Shape::Class(class),
            None => Shape::Between,
        },
    }
}

/// What the readings look like, a shape for each channel.
pub(super) fn seen_shapes(board: &Board, windows: &Windows, got: &Got) -> Vec<Shape> {
    let shape = |channel: usize| match got.channels.get(&channel) {
        Some(readings) => seen_shape(board, windows, channel, readings),
        None => Shape::Unknown,
    };
    (0..board.channels.len()).map(shape).collect()
}

fn seen_shape(board: &Board, windows: &Windows, channel: usize, readings: &Readings) -> Shape {
    let classes = &windows.channels[channel];
    match board.channels[channel].kind {
        Kind::Meter { .. } => Shape::Unknown,
        Kind::Analog => {
            if looks_open(board, readings) {
                return Shape::Open;
            }
            match readings.mean {
                Some(b) => classes.class_of_code(b.mean).map_or(Shape::Between, Shape::Class),
                None => Shape::Unknown,
            }
        }
        Kind::Digital => match readings.level {
            Some(reads) => judge::level(reads)
                .and_then(|l| classes.class_of_level(l))
                .map_or(Shape::Between, Shape::Class),
            None => Shape::Unknown,
        },
    }
}

/// Whether nothing seems to drive an analog pin.
///
/// With its pull-up on an open pin is at the rail. Near the supply a driven pin is there too, and
/// an open one may still hold the charge of the last pull-up: there charge sharing decides.
fn looks_open(board: &Board, readings: &Readings) -> bool {
    let at_rail = |code: f64| code >= judge::open_level(board);
    let pulled = readings.pulled.is_some_and(|p| at_rail(p.mean));
    match (readings.charge, readings.mean) {
        _ if !pulled => false,
        (Some((first, last)), _) if judge::walked(&board.chip, first, last) => true,
        (_, Some(mean)) => !at_rail(mean.mean),
        (_, None) => true,
    }
}

/// The live picture of what was read.
pub fn live(board: &Board, windows: &Windows, got: &Got) -> Vec<Live> {
    let picture = |(&channel, readings): (&usize, &Readings)| {
        let code = match (readings.mean, readings.level) {
            (Some(b), _) => b.mean,
            (None, Some((n, ones))) => f64::from(ones) / f64::from(n.max(1)),
            _ => return None,
        };
        let open = seen_shape(board, windows, channel, readings) == Shape::Open;
        Some(Live { channel, code, open })
    };
    got.channels.iter().filter_map(picture).collect()
}

/// The codes by which stillness is judged: of an open pin only the one with the pull-up on, since
/// without it the pin mimics its neighbour.
fn pattern(got: &Got, shapes: &[Shape]) -> Vec<(f64, f64)> {
    let mut codes = Vec::new();
    for (&channel, r) in &got.channels {
        if let (Some(b), true) = (r.mean, shapes[channel] != Shape::Open) {
            codes.push((b.mean, b.sd));
        } else {
            codes.push((-1.0, 0.0));
        }
        if let Some(b) = r.pulled {
            codes.push((b.mean, b.sd));
        }
        if let Some((n, ones)) = r.level {
            codes.push((1000.0 * f64::from(ones) / f64::from(n.max(1)), 0.0));
        }
    }
    codes
}

/// Whether two patterns agree within max(3 deviations, 3 codes) on every reading.
fn agree(a: &[(f64, f64)], b: &[(f64, f64)]) -> bool {
    let near =
        |(x, y): (&(f64, f64), &(f64, f64))| (x.0 - y.0).abs() <= (3.0 * x.1.max(y.1)).max(3.0);
    a.len() == b.len() && a.iter().zip(b).all(near)
}

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
    /// Whether something else than what is wanted has been seen since the watch began. What has
    /// stood there all along shows no move.
    away: bool,
    /// Whether the power was cut for the move.
    cycled: bool,
    doubted: bool,
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
    /// A watch on the jumper of a move that leads to the setting `to`, by the readings of
    /// `channels`, those that the jumper has a part in.
    pub fn new(
        board: &Design,
        windows: &Windows,
        to: &Setting,
        made: Move,
        channels: &[usize],
        still: Duration,
    ) -> Watch {
        let jumper = made.jumper;
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
            away: false,
            cycled: false,
            doubted: false,
        }
    }

    /// The same after the power was cut for the move: it was made out of sight, so that a reading
    /// which agrees is all there is to wait for.
    pub fn after_power_cycle(self) -> Watch {
        Watch { cycled: true, ..self }
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
    pub fn look(&mut self, now: Duration, board: &Board, windows: &Windows, got: &Got) -> Sight {
        let seen = seen_shapes(board, windows, got);
        let codes = pattern(got, &seen);
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

    fn reads_as(&self, seen: &[Shape]) -> Option<Place> {
        let like = |(_, shapes): &&(Place, Vec<Shape>)| shapes == seen;
        let wanted = self.places.iter().filter(|(place, _)| *place == self.asked);
        wanted.chain(&self.places).find(like).map(|&(place, _)| place)
    }

    /// Whether a word is wanted: no reading can tell, the reading was doubted, or it does not rest.
    pub fn takes_a_word(&self) -> bool {
        self.telling == Telling::Key || self.doubted || self.broken >= RESTLESS
    }

    /// The operator says that it is not: the watch goes on and may doubt again, with the patience
    /// that it had in the beginning.
    pub fn go_on(&mut self) {
        self.doubted = false;
        self.anchor = None;
        self.start = None;
    }
}
