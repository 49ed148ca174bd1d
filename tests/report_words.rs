//! What the operator is told: moves, readings, the end of a run.

use std::time::Duration;
use strapwise::bench::judge::{self, Readings};
use strapwise::bench::{Prompt, Summary, UnitVerdict, Verdict, Worst};
use strapwise::board::{Board, Place, Setting, parse};
use strapwise::report::{header, words};
use strapwise::window;

fn board() -> Board {
    parse("demo", include_str!("../protocols/vent-controller.toml")).expect("it is a board")
}

fn moved(board: &Board, id: &str, from: Place, to: Place) -> String {
    words::move_text(&board.jumpers[board.jumper(id).expect("a jumper")], from, to)
}

#[test]
fn a_jumper_with_one_position_is_asked_for_by_its_pins() {
    let board = board();
    assert_eq!(moved(&board, "J2", Place::Open, Place::At(0)), "J2: fit the shunt on pins 1 and 2");
    assert_eq!(
        moved(&board, "J1", Place::Open, Place::At(2)),
        "J1: put a shunt on position 3, between pins 5 and 6"
    );
    assert_eq!(moved(&board, "J2", Place::At(0), Place::Open), "J2: take the shunt off");
}

#[test]
fn a_shunt_of_two_poles_is_asked_for_on_both() {
    let mut board = board();
    let j2 = board.jumper("J2").expect("J2");
    board.jumpers[j2].positions[0].pins = vec![[1, 2], [4, 5]];
    let text = moved(&board, "J2", Place::Open, Place::At(0));
    assert_eq!(text, "J2: fit the shunt on pins 1 and 2, and on pins 4 and 5");
}

#[test]
fn the_doubt_about_such_a_jumper_names_its_pins_too() {
    let board = board();
    let jumper = board.jumper("J2").expect("J2");
    let doubt = Prompt::Doubt { jumper, asked: Place::At(0), reads_as: None };
    let text = words::prompt(&board, &doubt).concat();
    assert!(text.contains("is the shunt on pins 1 and 2?"), "{text}");
}

#[test]
fn a_yes_to_another_channel_that_changed_says_that_the_shunt_is_there_too() {
    let board = board();
    let (jumper, channel) = (board.jumper("J3").expect("J3"), board.channel("ADDR0"));
    let channel = channel.expect("ADDR0");
    let asks = |asked| words::prompt(&board, &Prompt::Strayed { jumper, asked, channel }).concat();
    let text = asks(Place::At(0));
    assert!(text.contains("Is the shunt of J3 on pins 1 and 2, and was nothing else"), "{text}");
    let text = asks(Place::Open);
    assert!(text.contains("Is the shunt of J3 off, and was nothing else"), "{text}");
}

#[test]
fn its_header_is_drawn_without_a_name_for_the_position() {
    let board = board();
    let drawn = header::drawing(&board.jumpers[board.jumper("J2").expect("J2")], Place::At(0));
    assert_eq!(drawn, ["J2 address bit 0", "> [1==2]"]);
    let drawn = header::drawing(&board.jumpers[board.jumper("J1").expect("J1")], Place::At(0));
    assert_eq!(drawn[1..3], ["> 1  [1==2]", "  2   3  4 "]);
}

/// ADDR2 read as high although its shunt is fitted, with a load on.
fn wrong_level(on: &[&str]) -> (Board, strapwise::bench::Check) {
    let board = board();
    let windows = window::windows(&board).expect("windows");
    let jumper = board.jumper("J4").expect("J4");
    let setting = Setting::all_open(&board).with(jumper, Place::At(0));
    let channel = board.channel("ADDR2").expect("ADDR2");
    let on: Vec<String> = on.iter().map(|o| o.to_string()).collect();
    let readings =
        Readings { level: Some((32, 32)), level_pulled: Some((32, 32)), ..Readings::default() };
    let check = judge::channel(&board, &windows, &setting, channel, &on, &readings).remove(0);
    (board, check)
}

#[test]
fn a_wrong_level_is_told_with_the_level_that_the_place_reads() {
    let (_, check) = wrong_level(&[]);
    assert_eq!(check.verdict, Verdict::Fail);
    assert_eq!(check.reason, "reads high; J4=fitted reads low");
}

#[test]
fn what_is_on_while_a_channel_is_read_is_said_in_words() {
    let (board, check) = wrong_level(&["K1"]);
    let text = words::check(&board, &check);
    assert!(text.starts_with("ADDR2 with K1 on high, "), "{text}");
    let (board, check) = wrong_level(&["K1", "VENT"]);
    let text = words::check(&board, &check);
    assert!(text.starts_with("ADDR2 with K1 and VENT on high, "), "{text}");
}

/// The lines of a run's end whose tightest reading was judged so.
fn ending(unit: UnitVerdict, reading: Verdict) -> String {
    let board = board();
    let summary = Summary {
        verdict: unit,
        reasons: Vec::new(),
        failing: Vec::new(),
        worst: Some(Worst {
            channel: 0,
            position: "J1=3".into(),
            setting: Setting::all_open(&board),
            margin_code: 70.0,
            margin_pct: 95.0,
            remaining_code: 60.0,
            verdict: reading,
        }),
        sag: None,
        checks: 9,
        unseen: 0,
        cut: None,
        took: Duration::ZERO,
    };
    words::summary(&board, "V001", &summary).join("\n")
}

#[test]
fn the_margin_under_a_fail_is_not_taken_for_the_units() {
    let of_those = "smallest remaining margin of the readings that passed: 60.0 codes";
    assert!(ending(UnitVerdict::Fail, Verdict::Pass).contains(of_those));
    let whole = "smallest remaining margin 60.0 codes";
    assert!(ending(UnitVerdict::Fail, Verdict::Fail).contains(whole));
    assert!(ending(UnitVerdict::Pass, Verdict::Pass).contains(whole));
}
