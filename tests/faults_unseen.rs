//! What no reading shows: what is said of it holds in every setting, and a maker's word stands where
//! it was given and nowhere else.

use strapwise::board::{self, Board, KINDS, Kind, Setting};
use strapwise::circuit::{Node, Parts, pulled_up};
use strapwise::faults::{ALIKE, Built, By, Fault, Likeness, likeness, modelled};
use strapwise::units::Ohms;
use strapwise::walk::{self, Walk};
use strapwise::window;
use strapwise::window::adc;

const DEMO: &str = include_str!("../protocols/vent-controller.toml");

fn demo_with(entry: &str) -> (Board, Walk) {
    let board = board::parse("vent.toml", &format!("{DEMO}\n{entry}")).expect("a board file");
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    (board, walk)
}

fn by_of(walk: &Walk, wanted: impl Fn(&Fault) -> bool) -> Vec<By> {
    walk.coverage.unseen.iter().filter(|(f, _)| wanted(f)).map(|(_, by)| *by).collect()
}

/// Every combination of places, whatever belongs together.
fn every_setting(board: &Board) -> Vec<Setting> {
    let mut all = vec![Setting::all_open(board)];
    for (jumper, j) in board.jumpers.iter().enumerate() {
        let places = j.places();
        all = all.iter().flat_map(|s| places.iter().map(move |&p| s.with(jumper, p))).collect();
    }
    all
}

/// Codes by which the two nodes differ at a pin, the pull-up off and on.
fn apart(board: &Board, channel: usize, good: Node, bad: Node) -> f64 {
    let code = |volts| adc::code_at(volts, board);
    let pull = Ohms(30e3);
    let pulled = |n: Node| code(pulled_up(n, board.supply.volts, pull));
    let on = match board.channels[channel].pin.pull_up {
        true => (pulled(good) - pulled(bad)).abs(),
        false => 0.0,
    };
    match (good, bad) {
        (Node::Driven { volts: a, .. }, Node::Driven { volts: b, .. }) => {
            on.max((code(a) - code(b)).abs())
        }
        _ => on,
    }
}

#[test]
fn a_defect_that_is_said_to_move_no_reading_moves_no_analog_one_in_any_setting_at_all() {
    let (board, walk) = demo_with("");
    let unseen: Vec<Fault> = walk.coverage.unseen.iter().map(|(f, _)| *f).collect();
    let mut alike = 0;
    let settings = every_setting(&board);
    assert_eq!(settings.len(), 5 * 2 * 2 * 2 * 3 * 2);
    for (fault, likeness) in unseen.iter().zip(likeness(&board, &unseen)) {
        let Likeness::Most(moved) = likeness else { panic!("{} untried", fault.text(&board)) };
        if moved.codes > ALIKE {
            continue;
        }
        alike += 1;
        let (good, bad) =
            (Built::good(&board, Parts::nominal(&board)), Built::with(&board, *fault));
        for setting in &settings {
            for (c, channel) in board.channels.iter().enumerate() {
                if channel.kind != Kind::Analog {
                    continue;
                }
                let at = |unit: &Built| unit.node(&board, setting, &channel.closes, c);
                let codes = apart(&board, c, at(&good), at(&bad));
                let told = format!("{} at {}", fault.text(&board), setting.text(&board));
                assert!(codes <= 1.2 * ALIKE, "{told}: {codes} codes");
            }
        }
    }
    assert!(alike > 10, "only {alike} are alike");
}

#[test]
fn the_reading_that_a_defect_moves_the_most_is_moved_by_what_is_said() {
    let (board, _) = demo_with("");
    let ten_percent = Fault::ResistorOff { resistor: 0, ratio: 1.1 };
    let [Likeness::Most(moved)] = &likeness(&board, &[ten_percent])[..] else { panic!() };
    // R1 of 1.8 kohm over R2, R3 and R4, 2.7 + 2.2 + 1.5 kohm, at the tap below it.
    let (above, below): (f64, f64) = (1.8, 6.4);
    let ratio = |r1: f64| below / (r1 + below);
    let codes = 1024.0 * (ratio(above) - ratio(1.1 * above));
    assert!((moved.codes - codes).abs() < 0.5, "{} codes, by hand {codes}", moved.codes);
    assert_eq!(moved.channel, board.channel("PROFILE"));
}

#[test]
fn every_kind_of_defect_has_the_name_that_a_board_file_may_give_it() {
    let (board, _) = demo_with("");
    for fault in modelled(&board) {
        assert!(KINDS.contains(&fault.class()), "{}", fault.class());
    }
}

#[test]
fn what_a_maker_accepts_is_named_with_the_reason_and_nothing_else_is() {
    let (board, walk) = demo_with(
        "[[accepted]]\nparts = [\"R30\", \"R31\", \"R1\"]\n\
         defects = [\"resistor of another value\"]\nreason = \"the lamps are only lamps\"\n",
    );
    let lamp = |f: &Fault| matches!(f, Fault::ResistorValue { resistor, .. } if board.resistors[*resistor].id == "R30");
    let found = by_of(&walk, lamp);
    assert!(!found.is_empty() && found.iter().all(|by| *by == By::Accepted(0)));
    assert_eq!(found[0].text(&board), "accepted: the lamps are only lamps");
    let other = by_of(&walk, |f| matches!(f, Fault::ContactResistive { .. }));
    assert!(other.iter().all(|by| !matches!(by, By::Accepted(_))));
    // What a reading shows is still looked for: a wrong R1 is not let through.
    let (_, before) = demo_with("");
    assert_eq!(walk.coverage.seen, before.coverage.seen);
}

#[test]
fn an_entry_of_two_parts_covers_the_bridge_between_them_only_when_both_are_named() {
    let (_, walk) = demo_with("[[accepted]]\nparts = [\"ADDR0\"]\nreason = \"looked at\"\n");
    let leaks = by_of(&walk, |f| matches!(f, Fault::PinLeaks { channel: 1, .. }));
    assert!(!leaks.is_empty() && leaks.iter().all(|by| *by == By::Accepted(0)));
    let others = by_of(&walk, |f| matches!(f, Fault::PinLeaks { channel: 2, .. }));
    assert!(!others.is_empty() && others.iter().all(|by| matches!(by, By::Leak { .. })));
}

#[test]
fn an_entry_with_a_slip_is_told_with_its_place() {
    let told = |entry: &str| {
        let problems = board::parse("vent.toml", &format!("{DEMO}\n{entry}")).expect_err("a slip");
        problems.to_string()
    };
    let unknown = told("[[accepted]]\nparts = [\"R33\"]\nreason = \"x\"\n");
    assert!(unknown.contains("[[accepted]] names `R33`, which is no part"), "{unknown}");
    let kind =
        told("[[accepted]]\nparts = [\"R30\"]\ndefects = [\"resistors open\"]\nreason = \"x\"\n");
    assert!(kind.contains("`resistors open` is no kind of defect"), "{kind}");
    assert!(kind.contains("resistor open"), "{kind}");
    let why = told("[[accepted]]\nparts = [\"R30\"]\nreason = \" \"\n");
    assert!(why.contains("`reason` of [[accepted]] is empty"), "{why}");
    let none = told("[[accepted]]\nparts = []\nreason = \"x\"\n");
    assert!(none.contains("is empty"), "{none}");
    let parts =
        told("[[accepted]]\ndefects = [\"resistor open\", \"supply wrong\"]\nreason = \"x\"\n");
    assert!(parts.contains("parts"), "{parts}");
    let missing = told("[[accepted]]\nparts = [\"R30\"]\n");
    assert!(missing.contains("reason"), "{missing}");
}

#[test]
fn what_a_meter_shows_of_a_good_unit_is_said_with_both_ends() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/protocols/vent-controller.toml");
    let text = std::fs::read_to_string(path).expect("the board file");
    let board = strapwise::board::parse("demo", &text).expect("a board");
    let windows = strapwise::window::windows(&board).expect("windows");
    let walk = strapwise::walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let said = walk.coverage.unseen_in_words(&board);
    let of = |nets: &str| said.iter().find(|(by, _)| by.contains(nets)).expect("said").0.clone();
    // 10 kΩ of 5 % with nothing beside it.
    assert_eq!(
        of("VCC to ADDR0, "),
        "meter, power off, shunts off: VCC to ADDR0, 9.5 kΩ to 10.5 kΩ"
    );
    // By hand: 1.8 kΩ beside 6.4 kΩ, the rails joined, all of 1 %: 1.4049 kΩ.
    let r1 = of("VCC to TAP2, ");
    assert!(r1.contains("supply joined to ground") && r1.ends_with("1.391 kΩ to 1.419 kΩ"), "{r1}");
    // Two lamps' resistors of 470 Ω and 5 % side by side: 235 Ω.
    assert!(of("LAMPS to RETURN, ").ends_with("223.2 Ω to 246.7 Ω"), "{}", of("LAMPS to RETURN, "));
}

#[test]
fn a_pull_up_inside_the_chip_is_not_looked_for_by_eye() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/protocols/vent-controller.toml");
    let text = std::fs::read_to_string(path).expect("the board file");
    // Beside a resistor of the board the chip's own pull-up makes no difference to a level.
    let text = text.replacen(
        "discharge = true            # shows that the pull-up is there",
        "pull_up = true",
        1,
    );
    let board = strapwise::board::parse("demo", &text).expect("a board");
    let windows = strapwise::window::windows(&board).expect("windows");
    let walk = strapwise::walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let said = walk.coverage.unseen_in_words(&board);
    let (by, _) = said.iter().find(|(_, what)| what.contains("no pull-up")).expect("unseen");
    let wanted = "meter, the product running, shunts off: ADDR0 to GND, at the volts of VCC";
    assert_eq!(by, wanted);
}
