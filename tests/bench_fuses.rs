//! The chip's fuses against the board file's `[fuses]`.

mod bench_support;

use bench_support::{Stand, full};
use std::sync::Arc;
use strapwise::bench::{Answer, Ask, Event, UnitVerdict, Verdict};
use strapwise::board::{self, Board};
use strapwise::probe::world::World;
use strapwise::record::{Row, RowKind};
use strapwise::window;

const DEMO: &str = include_str!("../protocols/vent-controller.toml");
const RP2040: &str = include_str!("../protocols/examples/vent-rp2040.toml");

/// What the virtual unit and the stand both have: a crystal, a boot loader of 512 bytes, brown-out
/// at 2.7 V.
const RIGHT: &str = "low = \"FF\"\nhigh = \"0xDE\"\nextended = \"FD\"\nlock = \"CF\"\n";

fn text(board: &str, fuses: &str) -> String {
    board.replacen("[delivery]", &format!("[fuses]\n{fuses}\n[delivery]"), 1)
}

fn board_of(board: &str, fuses: &str) -> Arc<Board> {
    Arc::new(board::parse("board.toml", &text(board, fuses)).unwrap_or_else(|p| panic!("{p}")))
}

/// The verdict on the fuses, and why.
fn judged(events: &[Event]) -> Option<(Option<[u8; 4]>, Verdict, String)> {
    events.iter().find_map(|e| match e {
        Event::Fuses { found, verdict, reason } => Some((*found, *verdict, reason.clone())),
        _ => None,
    })
}

fn rows(board: &Arc<Board>) -> (UnitVerdict, Vec<Row>) {
    let windows = Arc::new(window::windows(board).expect("windows"));
    let run = full::run(board, &windows, World::new(board.clone(), 5));
    (run.summary.verdict, run.rows)
}

fn row_of(rows: &[Row]) -> &Row {
    let found: Vec<&Row> = rows.iter().filter(|r| r.row == RowKind::Fuses).collect();
    assert_eq!(found.len(), 1, "one row tells of the fuses");
    found[0]
}

#[test]
fn a_unit_with_the_right_fuses_passes_and_its_record_has_them() {
    let (verdict, rows) = rows(&board_of(DEMO, RIGHT));
    assert_eq!(verdict, UnitVerdict::Pass);
    let row = row_of(&rows);
    let all = "low FF high DE extended FD lock CF";
    assert_eq!((&*row.option_expected, &*row.option_read, &*row.verdict), (all, all, "pass"));
}

#[test]
fn a_board_file_that_states_no_fuses_asks_for_none() {
    let mut stand = Stand::new();
    stand.expect_verdict(UnitVerdict::Pass);
    assert!(!stand.asks.contains(&Ask::Fuses) && judged(&stand.events).is_none());
}

#[test]
fn a_wrong_fuse_fails_before_a_shunt_is_moved_and_is_named() {
    let board = board_of(DEMO, "high = \"D6\"\nlow = \"FF\"\n");
    let mut stand = Stand::with(board.clone());
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert_eq!(summary.reasons, ["fuses: high DE instead of D6"]);
    assert_eq!(summary.failing, ["fuses"]);
    let at = |e: &dyn Fn(&Event) -> bool| stand.events.iter().position(e);
    let fuses = at(&|e| matches!(e, Event::Fuses { .. }));
    assert!(fuses < at(&|e| matches!(e, Event::Moved(_))), "before anything was moved");
    let (_, rows) = rows(&board);
    let row = row_of(&rows);
    assert_eq!(row.option_expected, "low FF high D6");
    assert_eq!((&*row.verdict, &*row.reason), ("fail", "high DE instead of D6"));
}

#[test]
fn bits_that_the_chip_has_not_do_not_count() {
    // A programmer may show FD as 05, and CF as 0F.
    let board = board_of(DEMO, "extended = \"05\"\nlock = \"0F\"\n");
    Stand::with(board).expect_verdict(UnitVerdict::Pass);
    let board = board_of(DEMO, "extended = \"04\"\n");
    let summary = Stand::with(board).expect_verdict(UnitVerdict::Fail);
    assert_eq!(summary.reasons, ["fuses: extended FD instead of 04"]);
}

#[test]
fn fuses_that_the_probe_cannot_read_are_not_tested() {
    let refused = |ask: &Ask, answer| match ask {
        Ask::Fuses => Answer::Refused("-241 Hardware missing".into()),
        _ => answer,
    };
    let mut stand = Stand::with(board_of(DEMO, RIGHT)).answered_by(refused);
    let summary = stand.expect_verdict(UnitVerdict::Incomplete);
    assert_eq!(summary.reasons, ["fuses: -241 Hardware missing"]);
    let (found, verdict, _) = judged(&stand.events).expect("judged");
    assert_eq!((found, verdict), (None, Verdict::NotTested));
}

#[test]
fn a_chip_without_fuses_is_not_asked_for_them_and_not_passed() {
    let (verdict, rows) = rows(&board_of(RP2040, "low = \"FF\"\n"));
    assert_eq!(verdict, UnitVerdict::Incomplete);
    let row = row_of(&rows);
    assert_eq!((&*row.option_read, &*row.verdict), ("", "not tested"));
    assert_eq!(row.reason, "the RP2040 has no fuses that its probe can read");
}

#[test]
fn a_slip_in_the_fuses_is_told_with_what_to_write() {
    for (fuses, told, do_next) in [
        (
            "low = \"F\"\n",
            "`low` of [fuses]: `F` is no byte of two hexadecimal digits",
            "like `\"FD\"`",
        ),
        ("low = \"0xFFF\"\n", "is no byte of two hexadecimal digits", "like `\"FD\"`"),
        ("low = \"+F\"\n", "is no byte of two hexadecimal digits", "like `\"FD\"`"),
        ("low = 255\n", "`low` of [fuses] is a number without quotes", "low = \"FF\""),
        ("", "[fuses] states no byte", "add `low`, `high`, `extended` or `lock`"),
        ("hihg = \"DE\"\n", "`hihg`", "high"),
    ] {
        let problems = board::parse("board.toml", &text(DEMO, fuses)).expect_err(fuses).to_string();
        assert!(problems.contains(told) && problems.contains(do_next), "{fuses}: {problems}");
    }
}
