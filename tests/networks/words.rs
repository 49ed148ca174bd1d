//! How `windows` shows these boards.

use super::windows;
use strapwise::report::windows::text;

#[test]
fn every_kind_is_shown_within_80_columns() {
    for board in [
        include_str!("../../protocols/examples/weighted.toml"),
        include_str!("../../protocols/examples/decade.toml"),
        include_str!("../../protocols/vent-controller.toml"),
    ] {
        let (board, windows) = windows(board);
        let text = text(&board, &windows);
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{}: {line}", board.name);
        }
    }
}

#[test]
fn a_resistance_is_shown_in_ohms_with_the_nets_to_measure() {
    let (board, windows) = windows(include_str!("../../protocols/examples/decade.toml"));
    let text = text(&board, &windows);
    assert!(text.contains("OHMS by meter from A to B, power off"), "{text}");
    assert!(text.lines().any(|l| l.contains("J9=open") && l.contains("100.539")), "{text}");
    assert!(text.contains("where not named: J1=fitted J2=fitted"), "{text}");
}
