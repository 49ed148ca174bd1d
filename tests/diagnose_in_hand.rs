//! A unit in hand: what is measured first, and what hands do before it.

use strapwise::board::{Board, NetId, Place, Setting, parse};
use strapwise::circuit::{self, Parts};
use strapwise::diagnose::{InHand, Look, Measurement, Suggestion, in_hand};
use strapwise::report::diagnosis_steps::{Wanted, steps};

fn demo() -> Board {
    parse("demo", include_str!("../protocols/vent-controller.toml")).unwrap()
}

/// The demo's board with the vent contact's feed moved with the power off.
fn power_jumper() -> Board {
    let text = include_str!("../protocols/vent-controller.toml");
    let text = text.replace("label = \"vent contact feed\"", "label = \"feed\"\npower = true");
    parse("demo", &text).unwrap()
}

fn at(setting: &Setting, powered: bool) -> InHand {
    InHand { setting: Some(setting.clone()), powered, dead: false }
}

fn suggestion(measurement: Measurement, settles: f64) -> Suggestion {
    Suggestion { measurement, settles, expected: Vec::new(), mends: 0.0, supply_first: None }
}

fn three(board: &Board) -> Vec<Suggestion> {
    let net = |name: &str| NetId(board.nets.iter().position(|n| n == name).unwrap());
    let (out, looped) = (net("OUT"), net("LOOP"));
    let bare = Setting::all_open(board);
    let volts = Measurement::Volts { net: out, setting: board.delivery.clone() };
    let ohms = Measurement::Ohms { between: [out, looped], setting: bare, joined: false };
    let j5 = board.jumper("J5").unwrap();
    let dry = board.delivery.with(j5, Place::At(1));
    let channel = board.channel("LOOP").unwrap();
    let reading = Measurement::Reading { channel, setting: dry };
    vec![suggestion(ohms, 0.5), suggestion(reading, 0.5), suggestion(volts, 0.5)]
}

fn order(board: &Board, hand: &InHand) -> Vec<&'static str> {
    let found = in_hand(board, hand, three(board));
    let word = |s: &Suggestion| match s.measurement {
        Measurement::Volts { .. } => "volts",
        Measurement::Ohms { .. } => "ohms",
        Measurement::Reading { .. } => "reading",
        Measurement::Look(_) => "look",
    };
    found.iter().map(word).collect()
}

#[test]
fn of_what_settles_as_much_the_one_with_the_least_work_comes_first() {
    let board = demo();
    let powered = at(&board.delivery, true);
    assert_eq!(order(&board, &powered), ["volts", "reading", "ohms"]);
    let bare = at(&Setting::all_open(&board), false);
    assert_eq!(order(&board, &bare)[0], "ohms", "it is unplugged and without shunts already");
    let j5 = board.jumper("J5").unwrap();
    let dry = at(&board.delivery.with(j5, Place::At(1)), true);
    assert_eq!(order(&board, &dry)[0], "reading", "its shunt sits there already");
}

#[test]
fn what_settles_much_more_is_worth_the_work() {
    let board = demo();
    let mut all = three(&board);
    all[0].settles = 0.9;
    let found = in_hand(&board, &at(&board.delivery, true), all);
    assert!(matches!(found[0].measurement, Measurement::Ohms { .. }), "{found:?}");
}

#[test]
fn a_unit_that_must_not_get_power_is_asked_for_nothing_that_needs_it() {
    let board = demo();
    let dead = InHand { setting: None, powered: false, dead: true };
    assert_eq!(order(&board, &dead), ["ohms"]);
    let looks = vec![
        suggestion(Measurement::Look(Look::Answer { question: 0 }), 0.5),
        suggestion(Measurement::Look(Look::SecondShunt { jumper: 0 }), 0.1),
    ];
    let left = in_hand(&board, &dead, looks);
    assert_eq!(left.len(), 1, "lamps need power, eyes do not: {left:?}");
}

#[test]
fn no_joint_is_lifted_for_next_to_nothing() {
    let board = demo();
    let powered = at(&board.delivery, true);
    for (settles, left) in [(0.05, 0), (0.6, 1)] {
        let lifted = Measurement::Look(Look::Lifted { resistor: 0 });
        assert_eq!(in_hand(&board, &powered, vec![suggestion(lifted, settles)]).len(), left);
    }
}

#[test]
fn for_ohms_the_unit_is_unplugged_first_and_the_lead_comes_last() {
    let board = demo();
    let bare = Setting::all_open(&board);
    let wanted = Wanted { setting: bare.clone(), powered: false, joined: true };
    let powered = at(&board.delivery, true);
    let made = steps(&board, &powered, false, &wanted, None);
    assert!(made.cut && made.list.len() == 3, "{:?}", made.list);
    assert!(made.list[0].contains("unplug the unit from every supply"), "{:?}", made.list);
    assert!(made.list[1].contains("take every shunt off (J1, J2, J5, J6)"), "{:?}", made.list);
    assert_eq!(made.list[2], "join VCC to GND by a lead");
}

#[test]
fn the_lead_is_off_before_the_unit_has_power_again() {
    let board = demo();
    let bare = at(&Setting::all_open(&board), false);
    let wanted = Wanted { setting: board.delivery.clone(), powered: true, joined: false };
    let made = steps(&board, &bare, true, &wanted, None);
    let lead = made.list.iter().position(|s| s == "take the lead from VCC to GND off");
    let plug = made.list.iter().position(|s| s.starts_with("plug the unit in again"));
    assert!(lead.is_some() && lead < plug, "{:?}", made.list);
    assert_eq!(plug, Some(made.list.len() - 1), "{:?}", made.list);
}

#[test]
fn a_shunt_of_the_supply_is_moved_with_the_power_off() {
    for (board, cut) in [(demo(), false), (power_jumper(), true)] {
        let j5 = board.jumper("J5").unwrap();
        let setting = board.delivery.with(j5, Place::At(1));
        let wanted = Wanted { setting, powered: true, joined: false };
        let made = steps(&board, &at(&board.delivery, true), false, &wanted, None);
        assert_eq!(made.cut, cut, "{:?}", made.list);
        assert_eq!(made.list.len(), if cut { 3 } else { 1 }, "{:?}", made.list);
        assert!(
            made.list.iter().any(|s| s == "move J5 to dry (between pins 2 and 3)"),
            "{:?}",
            made.list
        );
    }
}

#[test]
fn no_move_on_the_way_shorts_the_supply() {
    // One header feeds the other: A from the supply, B from ground, joined by the third.
    let board = parse(
        "rail.toml",
        r#"
format = 1
[board]
name = "rail"
revision = "A"
chip = "atmega328p"
[supply]
net = "VCC"
ground = "GND"
volts = "5V"
tolerance = "5%"
source = "bench supply, 5 V, limit 1 A"
aref = "capacitor"
[delivery]
JA = "on"
JB = "open"
[[resistor]]
id = "R1"
between = ["VCC", "RAIL"]
value = "10k"
tolerance = "1%"
[[jumper]]
id = "JA"
label = "to the supply"
positions = [{ name = "on", pins = [1, 2], joins = ["VCC", "RAIL"] }]
open = true
[[jumper]]
id = "JB"
label = "to ground"
positions = [{ name = "on", pins = [1, 2], joins = ["RAIL", "GND"] }]
open = true
[[channel]]
id = "RAIL"
label = "rail"
net = "RAIL"
pin = "PC0"
kind = "analog"
"#,
    )
    .unwrap_or_else(|p| panic!("{p}"));
    let (a, b) = (board.jumper("JA").unwrap(), board.jumper("JB").unwrap());
    let to = board.delivery.with(a, Place::Open).with(b, Place::At(0));
    let parts = Parts::nominal(&board);
    let both = board.delivery.with(b, Place::At(0));
    assert!(circuit::short(&board, &parts, &both, &[]).is_some(), "one order shorts it");
    for (from, to, first) in [
        (&board.delivery, &to, "take the shunt off JA, put the shunt of JB on pins 1 and 2"),
        (&to, &board.delivery, "take the shunt off JB, put the shunt of JA on pins 1 and 2"),
    ] {
        let wanted = Wanted { setting: to.clone(), powered: true, joined: false };
        let made = steps(&board, &at(from, true), false, &wanted, None);
        assert_eq!(made.list, [first]);
    }
}

#[test]
fn shunts_are_taken_off_before_others_are_moved() {
    let board = demo();
    let jumper = |id: &str| board.jumper(id).unwrap();
    let to = board.delivery.with(jumper("J1"), Place::At(1));
    let to = to.with(jumper("J2"), Place::Open).with(jumper("J6"), Place::Open);
    let wanted = Wanted { setting: to, powered: true, joined: false };
    let made = steps(&board, &at(&board.delivery, true), false, &wanted, None);
    assert_eq!(made.list, ["take the shunts off J2, J6, move J1 to 2 (between pins 3 and 4)"]);
}
