//! What a channel looks like: which class its reading falls into, or that nothing drives it.

use super::Live;
use super::judge::{self, Readings};
use super::sweep::Got;
use crate::board::{Board, Kind, Setting};
use crate::circuit::Node;
use crate::window::{Expected, Windows};
use std::sync::Arc;

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
pub(super) fn pattern(got: &Got, shapes: &[Shape], channels: &[usize]) -> Vec<(f64, f64)> {
    let mut codes = Vec::new();
    for (&channel, r) in got.channels.iter().filter(|(c, _)| channels.contains(c)) {
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
pub(super) fn agree(a: &[(f64, f64)], b: &[(f64, f64)]) -> bool {
    let near =
        |(x, y): (&(f64, f64), &(f64, f64))| (x.0 - y.0).abs() <= (3.0 * x.1.max(y.1)).max(3.0);
    a.len() == b.len() && a.iter().zip(b).all(near)
}
