//! A whole ladder off by one factor: from the factor that the coverage prints on it shows, and just
//! inside it no reading does, by every corner of what varies.

#[allow(dead_code)]
#[path = "../bench-scripts/benchmarks/brute.rs"]
mod brute;
#[allow(dead_code)]
#[path = "../bench-scripts/benchmarks/generated.rs"]
mod generated;

use brute::{Found, Over, Shares, codes, shares};
use strapwise::board::{Board, Setting, parse};
use strapwise::faults::scale;
use strapwise::units::Ohms;
use strapwise::walk;
use strapwise::window::{Band, windows};

fn off_by(board: &Board, factor: f64) -> Board {
    let mut off = board.clone();
    off.resistors.iter_mut().for_each(|r| r.ohms = Ohms(r.ohms.0 * factor));
    off
}

/// Codes by which a board's readings lie apart from a good one's in a setting, over all corners.
fn apart(good: &Board, bad: &Board, setting: &Setting, channel: usize) -> Option<f64> {
    let of = |board: &Board| match shares(board, setting, channel, Over::Bench, None, 12)? {
        Found::Shares(shares) => Some(shares),
        Found::Floats | Found::TooMany => None,
    };
    let (a, b): (Shares, Shares) = (of(good)?, of(bad)?);
    let beyond = |a: Band, b: Band| {
        let (a, b) = (codes(good, channel, a), codes(good, channel, b));
        (a.low - b.high).max(b.low - a.high)
    };
    Some(beyond(a.off, b.off).max(beyond(a.on, b.on)))
}

#[test]
fn a_ladder_off_by_the_printed_factor_shows_and_just_inside_it_no_reading_does() {
    let mut held = 0;
    // Ladders, alone and with a load at the pin, and weighted bits.
    for seed in [0, 1, 2, 8, 9, 16] {
        let board = parse("ladder", &generated::single(seed)).expect("a board file");
        let windows = windows(&board).expect("windows");
        let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
        for found in scale(&board, &windows, walk.looks()) {
            let judged =
                |s: &Setting| windows.channels[found.channel].class_of_setting(s).is_some();
            let read: Vec<Setting> = (walk.looks())
                .filter(|(s, reads)| reads.contains(&found.channel) && judged(s))
                .map(|(s, _)| s)
                .collect();
            let most = |factor: f64| {
                let off = off_by(&board, factor);
                let by = read.iter().filter_map(|s| apart(&board, &off, s, found.channel));
                by.fold(f64::NEG_INFINITY, f64::max)
            };
            let either = [(found.too_large, 1.0), (found.too_small, -1.0)];
            for (factor, way) in either.into_iter().filter_map(|(f, way)| Some((f?, way))) {
                let (at, inside) = (most(factor.powf(way)), most((0.98 * factor).powf(way)));
                assert!(at >= 0.95, "board {seed}: {factor} times shows by {at} codes");
                assert!(inside < 1.0, "board {seed}: {factor} times less 2 % shows: {inside}");
                held += 1;
            }
        }
    }
    assert!(held >= 6, "only {held} factors");
}

#[test]
fn the_scale_of_a_ladder_shows_only_beyond_the_range_of_the_pull_up() {
    // Common practice, no source: 20 to 50 kΩ is a factor of 2.5 which a common scale hides in.
    let board = parse("ladder", &generated::single(0)).expect("a board file");
    let windows = windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let (low, high) = board.chip.pull_up;
    for found in scale(&board, &windows, walk.looks()) {
        assert!(found.too_large.expect("some factor") > high.0 / low.0);
        // What a meter shows is a source resistance, so it goes with the scale.
        let twice = scale(&off_by(&board, 2.0), &windows, walk.looks());
        let ohms = twice.iter().find(|s| s.channel == found.channel).expect("the ladder").ohms;
        assert!((ohms.0 / found.ohms.0 - 2.0).abs() < 1e-3, "{ohms:?} and {:?}", found.ohms);
    }
}
