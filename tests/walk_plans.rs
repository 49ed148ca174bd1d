//! Sequences of generated boards: as short as going through everything finds them, and through all
//! that there is to see, with as few changes of header as any of them.

#[path = "../bench-scripts/benchmarks/exhaustive.rs"]
mod exhaustive;
#[path = "../bench-scripts/benchmarks/generated.rs"]
mod generated;

use exhaustive::{Aims, Shortest};
use strapwise::board::{Board, Place, Setting, parse};
use strapwise::circuit;
use strapwise::walk::{Leg, Walk, plan_from};
use strapwise::window::windows;

/// States that the exhaustive search goes through at most, for one group.
const MOST_STATES: usize = 100_000;

/// The places of a leg's jumpers from step to step.
fn way(walk: &Walk, leg: &Leg) -> Vec<Vec<Place>> {
    let places = |s: &Setting| -> Vec<Place> { leg.jumpers.iter().map(|&j| s.0[j]).collect() };
    let mut way: Vec<Vec<Place>> = walk.steps.iter().map(|s| places(&s.setting)).collect();
    way.dedup();
    way
}

/// How many groups of a board could be gone through; every one of them is held against it.
fn compared(board: &Board, start: &Setting) -> usize {
    let windows = windows(board).expect("windows");
    let walk = plan_from(board, &windows, start, &board.delivery).expect("a sequence");
    let groups = circuit::groups(board);
    let mut compared = 0;
    for leg in &walk.legs {
        let group = groups.iter().find(|g| g.jumpers == leg.jumpers).expect("the group");
        let aims = Aims::new(board, &windows, group, start).expect("settings");
        assert!(aims.met_by(&way(&walk, leg)), "{}: {leg:?} misses something", board.name);
        assert!(aims.bound() <= leg.least && leg.least <= leg.moves, "{}: {leg:?}", board.name);
        if let Shortest::Moves(best) = aims.shortest(MOST_STATES) {
            assert_eq!((leg.moves, leg.least), (best, best), "{}: {leg:?}", board.name);
            // No board drawn has a jumper that takes a power cycle.
            if let Some(fewest) = aims.fewest_headers(best, MOST_STATES) {
                assert_eq!(leg.headers, fewest, "{}: {leg:?}", board.name);
            }
            compared += 1;
        }
    }
    compared
}

fn board(text: &str) -> Board {
    parse("generated", text).unwrap_or_else(|problems| panic!("{problems}\n{text}"))
}

#[test]
fn no_way_through_one_circuit_is_shorter_than_the_planned_one() {
    let mut groups = 0;
    for seed in 0..24 {
        let board = board(&generated::single(seed));
        groups += compared(&board, &Setting::all_open(&board));
    }
    // An address of two bits is two groups; a search of few may be given up.
    assert!(groups >= 22, "{groups}");
}

#[test]
fn no_way_through_a_generated_board_is_shorter_than_the_planned_one() {
    let mut groups = 0;
    for seed in 1..=4 {
        let board = board(&generated::ordinary(seed));
        groups += compared(&board, &Setting::all_open(&board));
    }
    assert!(groups >= 8, "{groups}");
    let hard = board(&generated::hard(3));
    assert!(compared(&hard, &Setting::all_open(&hard)) >= 1);
    // From the delivery setting and back to it: the whole round.
    assert!(compared(&hard, &hard.delivery.clone()) >= 1);
}
