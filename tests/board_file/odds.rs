//! `[odds]`: how likely each kind of defect is.

use super::{DEMO, problems};
use strapwise::board::{self, KINDS};
use strapwise::faults::modelled;

fn with(table: &str) -> String {
    format!("{DEMO}\n{table}")
}

#[test]
fn odds_are_read_and_what_is_not_named_is_left_to_the_program() {
    let text = with("[odds]\n\"resistor open\" = 6\n\"chip pin open\" = 0.5\n");
    let board = board::parse("vent.toml", &text).unwrap_or_else(|p| panic!("{p}"));
    assert_eq!(board.odds.of("resistor open"), Some(6.0));
    assert_eq!(board.odds.of("chip pin open"), Some(0.5));
    assert_eq!(board.odds.of("header pins bridged"), None);
}

#[test]
fn a_kind_that_is_none_and_a_weight_that_is_none_are_told_with_their_place() {
    let lines = DEMO.lines().count();
    for (table, place, what, do_next) in [
        ("[odds]\n\"resistor opn\" = 2\n", (3, 1), "resistor opn", "resistor open"),
        ("[odds]\n\"resistor open\" = \"6\"\n", (3, 19), "is no number", "\"resistor open\" = 3"),
        ("[odds]\n\"resistor open\" = -1\n", (3, 19), "is no number", "\"resistor open\" = 3"),
        ("[odds]\n\"resistor open\" = nan\n", (3, 19), "is no number", "\"resistor open\" = 3"),
        ("[[odds]]\n\"resistor open\" = 1\n", (2, 1), "odds", "once"),
    ] {
        let found = problems(&with(table)).to_string();
        assert!(found.contains(what) && found.contains(do_next), "{found}");
        assert!(found.contains(&format!(":{}:{}:", lines + place.0, place.1)), "{found}");
    }
}

#[test]
fn the_kinds_of_the_board_file_are_those_of_the_list_of_defects() {
    let board = board::parse("vent.toml", DEMO).unwrap_or_else(|p| panic!("{p}"));
    let mut kinds: Vec<&str> = modelled(&board).iter().map(|f| f.class()).collect();
    kinds.sort_unstable();
    kinds.dedup();
    let mut known = KINDS.to_vec();
    known.sort_unstable();
    // The demo's digital pins have pull-up resistors: no pull-up of the chip can be missing.
    known.retain(|k| *k != "pull-up missing");
    assert_eq!(kinds, known);
}
