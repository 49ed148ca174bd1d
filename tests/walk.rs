//! The order of settings that the operator is led through.

mod circuit_support;

use circuit_support::Maker;
use std::collections::BTreeSet;
use strapwise::board::{self, Board, Kind, Place, Question, Setting};
use strapwise::walk::{self, Walk};
use strapwise::window;

fn sequence(board: &Board) -> Walk {
    let windows = window::windows(board).unwrap_or_else(|p| panic!("{p:?}"));
    walk::plan(board, &windows, &board.delivery).expect("a sequence")
}

/// Three shunts that each put a resistor of about twice the one before to the supply, and a
/// pull-down; all eight settings are options.
fn weighted() -> Board {
    let values = [10e3, 20e3, 39e3];
    let mut maker = Maker::new().gap(0.25).resistor("R0", "PIN", "GND", 4.7e3, 0.001);
    for (i, ohms) in values.into_iter().enumerate() {
        let (id, net) = (format!("J{}", i + 1), format!("N{i}"));
        maker = maker.resistor(&format!("R{}", i + 1), &net, "PIN", ohms, 0.001);
        maker = maker.jumper(&id, &[("on", "VCC", &net)], true);
    }
    let rows: Vec<(String, String)> = (0..8)
        .map(|mask: u32| {
            let place = |bit: u32| if mask >> bit & 1 == 1 { "on" } else { "open" };
            let places: Vec<String> = (0..3).map(|b| format!("J{}={}", b + 1, place(b))).collect();
            (places.join(" "), mask.to_string())
        })
        .collect();
    let rows: Vec<(&str, &str)> = rows.iter().map(|(a, b)| (a.as_str(), b.as_str())).collect();
    maker.channel("CODE", "PIN", "PC0", Kind::Analog).options("code", &["CODE"], &rows).0
}

#[test]
fn every_setting_of_shunts_that_share_a_pin_is_read() {
    let board = weighted();
    let walk = sequence(&board);
    let settings: BTreeSet<_> = walk.steps.iter().map(|s| s.setting.clone()).collect();
    assert_eq!(settings.len(), 8);
    // 2^3 - 1 moves reach all settings (Gray code), and end with all three on.
    assert_eq!(board.delivery, Setting(vec![Place::At(0); 3]));
    assert_eq!(walk.moves(), 7);
}

#[test]
fn the_demo_s_board_takes_as_many_moves_as_it_has_places() {
    let text = include_str!("../protocols/vent-controller.toml");
    let board = board::parse("vent-controller.toml", text).expect("the demo's board");
    let walk = sequence(&board);
    assert_eq!((walk.moves(), walk.least), (13, 13));
    let j1: Vec<Place> =
        walk.steps.iter().filter_map(|s| s.made).filter(|m| m.jumper == 0).map(|m| m.to).collect();
    assert_eq!(j1, [0, 1, 3, 4, 2].map(Place::At), "in the order of the header, delivery last");
    assert_eq!(walk.steps.last().map(|s| &s.setting), Some(&board.delivery));
}

#[test]
fn a_setting_that_shorts_the_supply_is_never_passed() {
    // Two headers feed one net: one from the supply, one from ground.
    let board = Maker::new()
        .resistor("R1", "PIN", "VCC", 10e3, 0.01)
        .resistor("R2", "PIN", "GND", 10e3, 0.01)
        .resistor("R3", "PIN", "FEED", 10e3, 0.01)
        .jumper("J1", &[("up", "FEED", "VCC")], true)
        .jumper("J2", &[("down", "FEED", "GND")], true)
        .channel("LEVEL", "PIN", "PC0", Kind::Analog)
        .options(
            "feed",
            &["LEVEL"],
            &[("J1=up J2=open", "up"), ("J1=open J2=down", "down"), ("J1=open J2=open", "none")],
        );
    let mut board = board.0;
    board.delivery = Setting(vec![Place::At(0), Place::Open]);
    let walk = sequence(&board);
    let both = Setting(vec![Place::At(0), Place::At(0)]);
    assert!(walk.steps.iter().all(|s| s.setting != both));
    assert!(walk.steps.iter().any(|s| s.setting.0 == [Place::Open, Place::At(0)]));
    assert_eq!(walk.moves(), 3, "down on, down off, up on");
}

#[test]
fn a_part_that_only_shows_behind_a_closed_isolator_is_gone_to() {
    // J2 cuts the pull-down out of the ladder: its resistor shows only while J2 is on, and J1 must
    // be on a tap meanwhile.
    let board = Maker::new()
        .resistor("R1", "VCC", "TAP", 10e3, 0.01)
        .resistor("R2", "TAP", "FOOT", 10e3, 0.01)
        .resistor("R3", "PICK", "GND", 100e3, 0.01)
        .jumper("J1", &[("tap", "TAP", "PICK")], true)
        .jumper("J2", &[("on", "FOOT", "GND")], true)
        .channel("LEVEL", "PICK", "PC0", Kind::Analog)
        .options(
            "level",
            &["LEVEL"],
            &[
                ("J1=tap J2=on", "half"),
                ("J1=tap J2=open", "high"),
                ("J1=open J2=on", "none"),
                ("J1=open J2=open", "none"),
            ],
        );
    let mut board = board.0;
    board.delivery = Setting(vec![Place::Open, Place::Open]);
    let walk = sequence(&board);
    let unseen: Vec<String> = walk.coverage.unseen.iter().map(|(f, _)| f.text(&board)).collect();
    let plain = |f: &&String| f.starts_with("R2") && !f.contains("% off");
    assert!(!unseen.iter().any(|f| plain(&f)), "{unseen:?}");
    assert_eq!((walk.moves(), walk.least), (4, 4));
}

#[test]
fn a_setting_in_which_a_question_would_short_the_supply_is_never_passed() {
    let maker = Maker::new()
        .resistor("R1", "PIN", "VCC", 10e3, 0.01)
        .resistor("R2", "PIN", "GND", 10e3, 0.01)
        .jumper("J1", &[("up", "FEED", "VCC")], true)
        .switch("K1", ["FEED", "GND"], "PD5", [1.0, 2.0], [0.0, 0.0])
        .channel("LEVEL", "PIN", "PC0", Kind::Analog);
    let mut board = maker.0;
    board.delivery = Setting(vec![Place::Open]);
    let up = Setting(vec![Place::At(0)]);
    assert!(sequence(&board).steps.iter().any(|s| s.setting == up), "else it is tried");
    board.questions.push(Question {
        id: "lit".into(),
        ask: "Is it lit?".into(),
        expect: true,
        when: vec![(0, Place::At(0))],
        closes: vec![0],
        lit: vec![],
        dark: vec![],
    });
    assert!(sequence(&board).steps.iter().all(|s| s.setting != up));
}

#[test]
fn the_expected_time_counts_the_supply_where_it_is_measured() {
    let board = weighted();
    let walk = sequence(&board);
    let mut measured = board.clone();
    measured.supply.before_power = Some(strapwise::units::Ohms(100.0));
    measured.pace.meter = 15.0;
    assert_eq!(walk.seconds(&measured) - walk.seconds(&board), 15.0);
    measured.supply.calibrate = true;
    assert_eq!(walk.seconds(&measured) - walk.seconds(&board), 30.0);
}

#[test]
fn the_expected_time_counts_the_supply_typed_in_with_each_load_and_the_parts_on_a_bus() {
    let text = include_str!("../protocols/vent-controller.toml");
    let board = board::parse("vent.toml", text).unwrap_or_else(|p| panic!("{p}"));
    let walk = sequence(&board);
    assert_eq!(board.loads.len(), 2);
    let by_meter = |board: &Board| {
        let mut measured = board.clone();
        measured.supply.by_meter = true;
        walk.seconds(&measured) - walk.seconds(board)
    };
    // Without load, with VENT, with MAT, with both.
    assert_eq!(by_meter(&board), 40.0);
    let mut weak = board.clone();
    weak.supply.all_loads = false;
    assert_eq!(by_meter(&weak), 30.0);
    // Calibrated or not, the supply without load is measured once.
    let mut calibrated = board.clone();
    calibrated.supply.calibrate = true;
    assert_eq!(walk.seconds(&calibrated) - walk.seconds(&board), 10.0);
    assert_eq!(by_meter(&calibrated), 30.0);
    let bus = "[[bus]]\nid = \"I2C\"\nsda = \"PC4\"\nscl = \"PC5\"\n\
               [[bus_part]]\nid = \"U3\"\nbus = \"I2C\"\naddress = 0x48\n\
               [[bus_part]]\nid = \"U4\"\nbus = \"I2C\"\naddress = 0x50\n";
    let bus =
        board::parse("vent.toml", &format!("{text}\n{bus}")).unwrap_or_else(|p| panic!("{p}"));
    let more = walk.seconds(&bus) - walk.seconds(&board);
    assert!((more - 0.04).abs() < 1e-9, "{more}");
}
