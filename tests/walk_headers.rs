//! Bridges between the pins of two headers: which are listed, and the sequence that shows them.

#[path = "../bench-scripts/benchmarks/boards.rs"]
mod boards;
mod circuit_support;

use circuit_support::Maker;
use strapwise::board::{Board, Kind, Neighbours, Place, Setting};
use strapwise::circuit::{Node, Parts};
use strapwise::faults::{ALIKE, Built, By, Fault, Likeness, Views, likeness, modelled};
use strapwise::walk::{self, Walk};
use strapwise::window::{self, adc};

fn sequence(board: &Board) -> Walk {
    let windows = window::windows(board).unwrap_or_else(|p| panic!("{p:?}"));
    walk::plan(board, &windows, &board.delivery).expect("a sequence")
}

/// Pins of two headers side by side, by the numbers of the headers.
fn beside(board: &mut Board, jumpers: [usize; 2], pins: [u16; 2]) {
    let net = |i: usize| board.jumpers[jumpers[i]].pin_nets()[&pins[i]];
    let nets = [net(0), net(1)];
    board.neighbours.push(Neighbours { jumpers, pins, nets });
}

fn bridges(board: &Board) -> Vec<Fault> {
    let between = |f: &Fault| matches!(f, Fault::HeadersBridged { .. });
    modelled(board).into_iter().filter(between).collect()
}

fn is_seen(walk: &Walk, fault: Fault) -> bool {
    walk.coverage.seen.iter().any(|(f, _)| *f == fault)
}

/// J1 picks the supply, a half of it or nothing for an analog pin with a pull-down; J2 holds a line
/// that rests high at either rail.
fn picked_and_held() -> Board {
    let maker = Maker::new()
        .resistor("R1", "A2", "VCC", 10e3, 0.05)
        .resistor("R2", "PICK", "GND", 10e3, 0.05)
        .resistor("R3", "LINE", "VCC", 1e6, 0.05)
        .jumper("J1", &[("full", "VCC", "PICK"), ("half", "A2", "PICK")], true)
        .jumper("J2", &[("up", "VCC", "LINE"), ("down", "GND", "LINE")], true)
        .channel("LEVEL", "PICK", "PC0", Kind::Analog)
        .channel("LINE", "LINE", "PD2", Kind::Digital)
        .options("level", &["LEVEL"], &[("J1=full", "2"), ("J1=half", "1"), ("J1=open", "0")])
        .options("line", &["LINE"], &[("J2=up", "1"), ("J2=down", "0"), ("J2=open", "1")]);
    let mut board = maker.0;
    board.delivery = Setting(vec![Place::At(0), Place::Open]);
    board
}

/// The number of a header pin at a net.
fn pin(board: &Board, jumper: usize, net: &str) -> u16 {
    let nets = board.jumpers[jumper].pin_nets();
    *nets.iter().find(|(_, n)| board.net_name(**n) == net).expect("a pin at the net").0
}

#[test]
fn a_bridge_that_shows_in_no_order_of_the_headers_is_seen_by_alternating() {
    // It shows only while J1 is on `half` and J2 holds the line: J1 first finds J2 open, J2 first
    // has gone back to open.
    let mut board = picked_and_held();
    let plain = sequence(&board);
    let pins = [pin(&board, 0, "A2"), pin(&board, 1, "LINE")];
    beside(&mut board, [0, 1], pins);
    let [bridge] = bridges(&board)[..] else { panic!("one bridge") };
    let text = format!("J1 pin {} and J2 pin {} are bridged", pins[0], pins[1]);
    assert_eq!((bridge.class(), bridge.text(&board)), ("headers bridged", text));
    let walk = sequence(&board);
    assert!(is_seen(&walk, bridge));
    assert_eq!(walk.moves(), plain.moves(), "no move more");
    assert_eq!(walk.moves(), walk.least);
    // Away from J1 and back to it; one after the other has one change.
    assert_eq!((plain.header_changes(), walk.header_changes()), (1, 2));
    let shows = |s: &walk::Step| s.setting.0[0] == Place::At(1) && s.setting.0[1] != Place::Open;
    assert!(walk.steps.iter().any(shows));
    // It is J1's channel that shows it, whichever shunt is moved meanwhile.
    let (_, sighting) = walk.coverage.seen.iter().find(|(f, _)| *f == bridge).expect("seen");
    assert!(walk.steps[sighting.step].reads.contains(&0), "{sighting:?}");
    assert!(shows(&walk.steps[sighting.step]));
}

#[test]
fn nothing_changes_where_the_pins_beside_each_other_are_seen_one_after_the_other() {
    let mut board = picked_and_held();
    let plain = sequence(&board);
    let pins = [pin(&board, 0, "PICK"), pin(&board, 1, "LINE")];
    beside(&mut board, [0, 1], pins);
    let walk = sequence(&board);
    assert!(bridges(&board).iter().all(|&b| is_seen(&walk, b)));
    assert_eq!(walk.steps, plain.steps);
}

#[test]
fn pins_at_one_net_have_no_bridge_and_one_that_no_setting_shows_is_for_the_meter() {
    let mut board = picked_and_held();
    let rails = [pin(&board, 0, "VCC"), pin(&board, 1, "VCC")];
    beside(&mut board, [0, 1], rails);
    assert!(bridges(&board).is_empty());
    // A tap at the supply through 10 Ω, and the supply.
    let maker = Maker::new()
        .resistor("R1", "TOP", "VCC", 10.0, 0.05)
        .resistor("R2", "PICK", "GND", 10e3, 0.05)
        .resistor("R3", "LINE", "GND", 10e3, 0.05)
        .jumper("J1", &[("on", "TOP", "PICK")], true)
        .jumper("J2", &[("on", "VCC", "LINE")], true)
        .channel("LEVEL", "PICK", "PC0", Kind::Analog)
        .channel("LINE", "LINE", "PD2", Kind::Digital)
        .options("level", &["LEVEL"], &[("J1=on", "1"), ("J1=open", "0")])
        .options("line", &["LINE"], &[("J2=on", "1"), ("J2=open", "0")]);
    let mut board = maker.0;
    board.delivery = Setting(vec![Place::At(0), Place::At(0)]);
    let pins = [pin(&board, 0, "TOP"), pin(&board, 1, "VCC")];
    beside(&mut board, [0, 1], pins);
    let [bridge] = bridges(&board)[..] else { panic!("one bridge") };
    let walk = sequence(&board);
    let (_, by) = walk.coverage.unseen.iter().find(|(f, _)| *f == bridge).expect("unseen");
    assert!(matches!(by, By::Apart { .. }));
    assert_eq!(by.text(&board), "meter, power off, shunts off: TOP to VCC, over 1 ohm");
}

#[test]
fn a_combination_that_a_bridge_needs_is_gone_to_with_a_bound_that_knows_it() {
    // J1 and J2 hang on one pin, and A reaches it only through both; J3 holds the line beside it.
    let maker = Maker::new()
        .resistor("R1", "A", "VCC", 10e3, 0.05)
        .resistor("R2", "PICK", "GND", 10e3, 0.05)
        .resistor("R3", "LINE", "VCC", 1e6, 0.05)
        .jumper("J1", &[("on", "A", "MID")], true)
        .jumper("J2", &[("on", "MID", "PICK")], true)
        .jumper("J3", &[("up", "VCC", "LINE"), ("down", "GND", "LINE")], true)
        .channel("LEVEL", "PICK", "PC0", Kind::Analog)
        .channel("LINE", "LINE", "PD2", Kind::Digital)
        .options(
            "level",
            &["LEVEL"],
            &[
                ("J1=on J2=on", "1"),
                ("J1=open J2=on", "0"),
                ("J1=on J2=open", "0"),
                ("J1=open J2=open", "0"),
            ],
        )
        .options("line", &["LINE"], &[("J3=up", "1"), ("J3=down", "0"), ("J3=open", "1")]);
    let mut board = maker.0;
    board.delivery = Setting(vec![Place::Open, Place::Open, Place::Open]);
    let pins = [pin(&board, 0, "A"), pin(&board, 2, "LINE")];
    beside(&mut board, [0, 2], pins);
    let walk = sequence(&board);
    let [bridge] = bridges(&board)[..] else { panic!("one bridge") };
    assert!(is_seen(&walk, bridge));
    assert_eq!((walk.moves(), walk.least), (7, 7));
}

/// Codes by which a bridge moves an analog reading the most, over every setting, worked out from
/// whole circuits.
fn moved_most(board: &Board, fault: Fault) -> f64 {
    let mut settings = vec![Setting::all_open(board)];
    for (jumper, j) in board.jumpers.iter().enumerate() {
        let places = j.places();
        settings =
            settings.iter().flat_map(|s| places.iter().map(|&p| s.with(jumper, p))).collect();
    }
    let good = Built::good(board, Parts::nominal(board));
    let bad = Built::with(board, fault);
    let mut most: f64 = 0.0;
    for setting in &settings {
        for channel in 0..board.channels.len() {
            let at = |unit: &Built| match unit.node(board, setting, &[], channel) {
                Node::Driven { volts, .. } => adc::code_at(volts, board),
                Node::Floating => f64::NAN,
            };
            most = most.max((at(&good) - at(&bad)).abs());
        }
    }
    most
}

/// A board with three headers of two ladders and a line, each with any place to leave in.
fn three_headers(number: u32) -> Board {
    let ohms = |i: u32| 1e3 * f64::from(1 + (number / 3_u32.pow(i)) % 3 * 4);
    let mut maker = Maker::new();
    for (j, name) in ["A", "B"].into_iter().enumerate() {
        let net = |n: &str| format!("{name}{n}");
        let j = j as u32;
        maker = maker
            .resistor(&format!("R{name}1"), "VCC", &net("T"), ohms(2 * j), 0.01)
            .resistor(&format!("R{name}2"), &net("T"), "GND", ohms(2 * j + 1), 0.01)
            .resistor(&format!("R{name}3"), &net("F"), "GND", 4700.0, 0.01)
            .resistor(&format!("R{name}4"), &net("P"), "VCC", 22e3, 0.01);
        let (t, f, p) = (net("T"), net("F"), net("P"));
        maker = maker.jumper(&format!("J{name}"), &[("t", &t, &p), ("f", &f, &p)], true).channel(
            &net(""),
            &p,
            ["PC0", "PC1"][j as usize],
            Kind::Analog,
        );
        let when = [(format!("J{name}=t"), "1"), (format!("J{name}=f"), "2")];
        let mut rows: Vec<(&str, &str)> = when.iter().map(|(w, m)| (w.as_str(), *m)).collect();
        let open = format!("J{name}=open");
        rows.push((&open, "0"));
        maker = maker.options(&format!("o{name}"), &[&net("")], &rows);
    }
    let maker = maker
        .resistor("RL", "VCC", "LINE", 10e3, 0.05)
        .jumper("JL", &[("on", "LINE", "GND")], true)
        .channel("LINE", "LINE", "PD2", Kind::Digital)
        .options("line", &["LINE"], &[("JL=on", "1"), ("JL=open", "0")]);
    let mut board = maker.0;
    let place = |n: u32, of: u32| match n % of {
        0 => Place::Open,
        n => Place::At(n as usize - 1),
    };
    board.delivery = Setting(vec![place(number, 3), place(number / 3, 3), place(number / 9, 2)]);
    for (jumpers, nets) in [
        ([0, 1], ["AT", "BT"]),
        ([0, 1], ["AF", "BF"]),
        ([0, 1], ["AP", "BF"]),
        ([1, 2], ["BT", "LINE"]),
        ([1, 2], ["BF", "LINE"]),
    ] {
        let pins = [pin(&board, jumpers[0], nets[0]), pin(&board, jumpers[1], nets[1])];
        beside(&mut board, jumpers, pins);
    }
    board
}

#[test]
fn every_bridge_that_some_pair_of_settings_shows_is_seen_and_the_rest_move_no_reading() {
    let (mut seen, mut unseen) = (0, 0);
    for number in (0..162).step_by(4) {
        let board = three_headers(number);
        // Some draws have two options that cannot be told apart.
        let Ok(windows) = window::windows(&board) else { continue };
        let walk = sequence(&board);
        assert!(walk.steps.windows(2).all(|pair| {
            let differ = pair[0].setting.0.iter().zip(&pair[1].setting.0).filter(|(a, b)| a != b);
            differ.count() == usize::from(pair[1].made.is_some())
        }));
        // All settings of all headers, each with every channel.
        let mut settings = vec![Setting::all_open(&board)];
        for (jumper, j) in board.jumpers.iter().enumerate() {
            let places = j.places();
            settings =
                settings.iter().flat_map(|s| places.iter().map(|&p| s.with(jumper, p))).collect();
        }
        let all: Vec<usize> = (0..board.channels.len()).collect();
        let views = Views::new(&board, &windows, settings.into_iter().map(|s| (s, all.clone())));
        for bridge in bridges(&board) {
            let told = format!("{number}: {}", bridge.text(&board));
            assert_eq!(is_seen(&walk, bridge), views.sighting(bridge).is_some(), "{told}");
            let Likeness::Most(moved) = &likeness(&board, &[bridge])[0] else { panic!("{told}") };
            let most = moved_most(&board, bridge);
            match is_seen(&walk, bridge) {
                true => {
                    seen += 1;
                    assert!(moved.codes > ALIKE, "{told}: {moved:?}");
                }
                false => {
                    unseen += 1;
                    // What is said of the most that any reading is moved by holds.
                    assert!(most <= moved.codes + 0.5, "{told}: {most} codes, {moved:?}");
                }
            }
        }
    }
    assert!(seen > 60 && unseen > 2, "{seen} seen, {unseen} unseen");
}

#[test]
fn on_a_board_of_twelve_headers_in_two_rows_no_pair_of_settings_shows_a_bridge_called_unseen() {
    let text = boards::twelve_jumpers_in_rows();
    let board = strapwise::board::parse("rows", &text).unwrap_or_else(|p| panic!("{p}"));
    let windows = window::windows(&board).unwrap_or_else(|p| panic!("{p:?}"));
    let walk = sequence(&board);
    assert_eq!(walk.moves(), walk.least, "and no move more than without them");
    let groups = strapwise::circuit::groups(&board);
    let all: Vec<usize> = (0..board.channels.len()).collect();
    let (mut seen, mut unseen) = (0, 0);
    for bridge in bridges(&board) {
        if is_seen(&walk, bridge) {
            seen += 1;
            continue;
        }
        unseen += 1;
        let reach = bridge.reach(&board);
        let mine = groups.iter().filter(|g| reach.touches(&board, g));
        let mut settings = vec![board.delivery.clone()];
        for &j in mine.flat_map(|g| &g.jumpers) {
            let places = board.jumpers[j].places();
            settings = settings.iter().flat_map(|s| places.iter().map(|&p| s.with(j, p))).collect();
        }
        assert!(settings.len() >= 18 * 18, "every setting of two groups");
        let views = Views::new(&board, &windows, settings.into_iter().map(|s| (s, all.clone())));
        assert_eq!(views.sighting(bridge), None, "{}", bridge.text(&board));
    }
    // Two rows of five pairs of headers, 10 and 4 pairs of pins each, less those at one rail.
    assert_eq!((seen, unseen), (60, 0));
}
