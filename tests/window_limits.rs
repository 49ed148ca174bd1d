//! Windows, margins and what keeps a board from having them.

mod circuit_support;

use circuit_support::{Maker, net, profile_ladder, setting};
use strapwise::board::{Kind, Level};
use strapwise::circuit::Node;
use strapwise::window::{Band, Limits, WindowProblem, assumptions, expect, option_read, windows};

#[test]
fn every_position_of_the_ladder_has_its_own_window() {
    let board = profile_ladder();
    let windows = windows(&board).unwrap();
    let classes = &windows.channels[0].classes;
    let names: Vec<&str> = classes.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["J1=1", "J1=2", "J1=3", "J1=4", "J1=5"]);
    assert_eq!(classes[2].means.as_deref(), Some("tomatoes"));
    for class in classes {
        println!(
            "{} {:?} {:?} {:.1} {:.1}%",
            class.name, class.design, class.limits, class.margin_code, class.margin_pct
        );
    }
}
