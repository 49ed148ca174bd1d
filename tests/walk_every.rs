//! The sequence through every combination: a Gray code, one shunt a move.

mod circuit_support;

use circuit_support::Maker;
use std::collections::BTreeSet;
use strapwise::board::{self, Board, Kind, Setting};
use strapwise::walk::{self, Walk};
use strapwise::window;

fn every(board: &Board) -> Walk {
    let windows = window::windows(board).unwrap_or_else(|p| panic!("{p:?}"));
    walk::plan_every(board, &windows, &board.delivery).expect("a sequence")
}

/// Address bits, each on a pin of its own, read as one set of options.
fn address(bits: usize, fitted: bool) -> Board {
    let pins = ["PD2", "PD3", "PD4", "PD5", "PD6", "PD7", "PB0", "PB1"];
    let mut maker = Maker::new();
    let names: Vec<String> = (0..bits).map(|i| format!("A{i}")).collect();
    for (i, name) in names.iter().enumerate() {
        maker = maker.resistor(&format!("R{i}"), "VCC", name, 10e3, 0.01);
        maker = maker.jumper(&format!("J{i}"), &[("fitted", name, "GND")], true);
        maker = maker.channel(name, name, pins[i], Kind::Digital);
    }
    let rows: Vec<(String, String)> = (0..1_usize << bits)
        .map(|address| {
            let place = |bit: usize| if address >> bit & 1 == 1 { "fitted" } else { "open" };
            let places: Vec<String> = (0..bits).map(|b| format!("J{b}={}", place(b))).collect();
            (places.join(" "), address.to_string())
        })
        .collect();
    let rows: Vec<(&str, &str)> = rows.iter().map(|(a, b)| (a.as_str(), b.as_str())).collect();
    let channels: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut board = maker.options("address", &channels, &rows).0;
    if !fitted {
        board.delivery = Setting::all_open(&board);
    }
    board
}

/// Each step differs from the one before in the jumper that it says it moved, and in no other.
fn one_shunt_a_move(walk: &Walk) {
    for pair in walk.steps.windows(2) {
        let Some(made) = pair[1].made else { continue };
        assert_eq!(pair[0].setting.0[made.jumper], made.from);
        assert_eq!(pair[0].setting.with(made.jumper, made.to), pair[1].setting);
        assert_ne!(made.from, made.to);
    }
}

fn settings(walk: &Walk) -> BTreeSet<Setting> {
    walk.steps.iter().map(|s| s.setting.clone()).collect()
}

// 2^n - 1 moves reach all settings of n shunts, one more returns to the start (reflected Gray code;
// computed, row Y1 of the project's check values).
#[test]
fn n_shunts_take_two_to_the_n_less_one_moves_and_one_more_to_return() {
    for bits in 1..=6 {
        let board = address(bits, false);
        let walk = every(&board);
        one_shunt_a_move(&walk);
        assert_eq!(settings(&walk).len(), 1 << bits);
        assert_eq!((walk.moves(), walk.least), (1 << bits, 1 << bits), "{bits} bits, and back");
        assert_eq!(walk.steps.last().map(|s| &s.setting), Some(&board.delivery));
    }
}

// The moves of the four shunts are 8, 4, 2, 1 in some order, and the one that closes the circle.
#[test]
fn the_load_on_four_shunts_is_that_of_the_reflected_code() {
    let walk = every(&address(4, false));
    let mut load = [0; 4];
    walk.steps.iter().filter_map(|s| s.made).for_each(|made| load[made.jumper] += 1);
    load.sort_unstable();
    assert_eq!(load, [2, 2, 4, 8]);
}

#[test]
fn the_way_ends_at_the_delivery_setting_in_few_moves_more_than_the_least() {
    for bits in 2..=6 {
        let board = address(bits, true);
        let walk = every(&board);
        one_shunt_a_move(&walk);
        assert_eq!(settings(&walk).len(), 1 << bits);
        assert_eq!(walk.steps.last().map(|s| &s.setting), Some(&board.delivery));
        assert_eq!(walk.least, (1 << bits) - 1);
        assert!(walk.moves() <= walk.least + bits, "{bits}: {} moves", walk.moves());
    }
}

#[test]
fn the_demo_s_address_is_read_in_all_eight_combinations() {
    let text = include_str!("../protocols/vent-controller.toml");
    let board = board::parse("vent-controller.toml", text).expect("the demo's board");
    let walk = every(&board);
    one_shunt_a_move(&walk);
    let address: Vec<usize> = ["J2", "J3", "J4"].iter().map(|j| board.jumper(j).unwrap()).collect();
    let combinations: BTreeSet<Vec<_>> =
        walk.steps.iter().map(|s| address.iter().map(|&j| s.setting.0[j]).collect()).collect();
    assert_eq!(combinations.len(), 8);
    let windows = window::windows(&board).expect("windows");
    let short = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    assert!(walk.coverage.seen.len() >= short.coverage.seen.len(), "it sees no less");
    assert!(walk.moves() > short.moves());
}
