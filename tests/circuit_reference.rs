//! The solver against published and independently computed values. R12 to R20 and A17 to A19 are
//! rows of the project's table of check values; sources stand beside each test.

mod circuit_support;

use circuit_support::{Maker, net, profile_ladder, setting};
use strapwise::board::{Board, Kind, Level, Setting};
use strapwise::circuit::{Circuit, Contact, Node, Parts, Spread, groups, pulled_up, short};
use strapwise::units::{Ohms, Volts};
use strapwise::window::{adc, bench_spread, expect};

fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found} is not {expected} ± {tolerance}");
}

fn driven(circuit: &Circuit, board: &Board, name: &str) -> (f64, f64) {
    match circuit.node(net(board, name)) {
        Node::Driven { volts, source } => (volts.0, source.0),
        Node::Floating => panic!("{name} floats"),
    }
}

/// The nominal circuit with ideal contacts and nothing closed.
fn nominal(board: &Board, setting: &Setting) -> Circuit {
    let mut parts = Parts::nominal(board);
    parts.contacts.iter_mut().flatten().for_each(|c| *c = Ohms(0.0));
    Circuit::solve(board, &parts, setting, &[])
}

fn source_of(ohms: &[f64]) -> f64 {
    let mut maker = Maker::new();
    for (i, &r) in ohms.iter().enumerate() {
        maker = maker.resistor(&format!("R{i}"), "N", "GND", r, 0.01);
    }
    let board = maker.done();
    driven(&nominal(&board, &board.delivery), &board, "N").1
}

/// R12: exact fractions.
#[test]
fn resistors_in_parallel_make_the_source_resistance_of_their_node() {
    near(source_of(&[10e3, 10e3]), 5000.0, 1e-4);
    near(source_of(&[4.7e3, 10e3]), 3197.2789, 1e-4);
    near(source_of(&[1e3, 2.2e3, 4.7e3]), 599.76798, 1e-4);
    near(source_of(&[20e3, 50e3]), 14285.714, 1e-3);
    near(source_of(&[470.0, 150.0]), 113.70968, 1e-4);
}

/// R13: Horowitz and Hill, The Art of Electronics, exercise 1.9 (numbering from memory).
#[test]
fn a_divider_of_two_equal_resistors_gives_half_and_a_third_when_loaded() {
    let divider = |load: Option<f64>| {
        let maker = Maker::new()
            .supply(30.0)
            .resistor("R1", "VCC", "N", 10e3, 0.01)
            .resistor("R2", "N", "GND", 10e3, 0.01);
        match load {
            Some(r) => maker.resistor("RL", "N", "GND", r, 0.01).done(),
            None => maker.done(),
        }
    };
    let (open, loaded) = (divider(None), divider(Some(10e3)));
    let (v, rs) = driven(&nominal(&open, &open.delivery), &open, "N");
    near(v, 15.0, 1e-9);
    near(rs, 5e3, 1e-6);
    let circuit = nominal(&loaded, &loaded.delivery);
    near(driven(&circuit, &loaded, "N").0, 10.0, 1e-9);
    let power = |r: usize, ohms: f64| circuit.resistor_current(r).0.powi(2) * ohms;
    near(power(0, 10e3), 40e-3, 1e-9);
    near(power(1, 10e3), 10e-3, 1e-9);
    near(power(2, 10e3), 10e-3, 1e-9);
}

/// R14: tutorial at jirvine.co.uk, Kirchhoff question 2; digits from ngspice.
#[test]
fn a_divider_of_220_and_470_ohm_sags_under_150_ohm() {
    let board = Maker::new()
        .supply(12.0)
        .resistor("R1", "VCC", "N", 220.0, 0.01)
        .resistor("R2", "N", "GND", 470.0, 0.01)
        .resistor("RL", "N", "FAR", 150.0, 0.01)
        .jumper("J1", &[("on", "FAR", "GND")], true)
        .done();
    let volts = |at: &str| driven(&nominal(&board, &setting(&board, at)), &board, "N").0;
    near(volts("J1=open"), 8.173913, 1e-6);
    near(volts("J1=on"), 4.088932, 1e-6);
}

/// R15: Nilsson and Riedel, Electric Circuits, 8th edition, problem 3.15; answer by ngspice.
#[test]
fn sixty_and_fifteen_kilohm_make_20_v_of_100_v_and_16_v_at_48_kilohm() {
    let board = Maker::new()
        .supply(100.0)
        .resistor("R1", "VCC", "N", 60e3, 0.01)
        .resistor("R2", "N", "GND", 15e3, 0.01)
        .done();
    let node = nominal(&board, &board.delivery).node(net(&board, "N"));
    let (volts, source) = driven(&nominal(&board, &board.delivery), &board, "N");
    near(volts, 20.0, 1e-9);
    near(volts * 48e3 / (48e3 + source), 16.0, 1e-9);
    near(pulled_up(node, Volts(0.0), Ohms(48e3)).0, 16.0, 1e-9);
}

/// R16: computed with exact fractions.
#[test]
fn an_unbalanced_bridge_has_its_open_voltage_and_current() {
    let board = Maker::new()
        .supply(10.0)
        .resistor("R1", "VCC", "A", 1e3, 0.01)
        .resistor("R2", "A", "GND", 2e3, 0.01)
        .resistor("R3", "VCC", "B", 3e3, 0.01)
        .resistor("R4", "B", "GND", 4e3, 0.01)
        .resistor("RL", "A", "FAR", 1e3, 0.01)
        .jumper("J1", &[("on", "FAR", "B")], true)
        .done();
    let open = nominal(&board, &setting(&board, "J1=open"));
    near(open.volts_across(net(&board, "A"), net(&board, "B")).unwrap().0, 0.952381, 1e-6);
    let sources = driven(&open, &board, "A").1 + driven(&open, &board, "B").1;
    near(sources, 2380.952, 1e-3);
    let on = nominal(&board, &setting(&board, "J1=on"));
    near(on.resistor_current(4).0, 0.281690e-3, 1e-9);
}

fn five_resistor_ladder() -> Maker {
    Maker::new()
        .resistor("R1", "VCC", "T1", 1e3, 0.01)
        .resistor("R2", "T1", "T2", 2.2e3, 0.01)
        .resistor("R3", "T2", "T3", 3.3e3, 0.01)
        .resistor("R4", "T3", "T4", 4.7e3, 0.01)
        .resistor("R5", "T4", "GND", 10e3, 0.01)
}

/// R17: exact fractions; codes by A1.
#[test]
fn a_ladder_of_five_resistors_has_its_taps_sources_and_codes() {
    let board = five_resistor_ladder().done();
    let circuit = nominal(&board, &board.delivery);
    let expected = [
        ("T1", 4.764151, 952.83, 975),
        ("T2", 4.245283, 2716.98, 869),
        ("T3", 3.466981, 4507.08, 710),
        ("T4", 2.358491, 5283.02, 483),
    ];
    for (tap, volts, source, code) in expected {
        let (v, rs) = driven(&circuit, &board, tap);
        near(v, volts, 1e-6);
        near(rs, source, 1e-2);
        assert_eq!(adc::code_of(Volts(v), Volts(5.0), &board.chip), code);
    }
}

/// R18: own run of ngspice 39.
#[test]
fn the_ladder_under_the_input_resistance_of_two_pins() {
    let board = five_resistor_ladder()
        .resistor("RP1", "T1", "P1", 10e3, 0.01)
        .resistor("RI1", "P1", "GND", 100e6, 0.01)
        .resistor("RP2", "T2", "P2", 10e3, 0.01)
        .resistor("RI2", "P2", "GND", 100e6, 0.01)
        .done();
    let circuit = nominal(&board, &board.delivery);
    let expected = [
        ("T1", 4.764070),
        ("T2", 4.245127),
        ("T3", 3.466854),
        ("T4", 2.358404),
        ("P1", 4.763593),
        ("P2", 4.244703),
    ];
    for (name, volts) in expected {
        near(driven(&circuit, &board, name).0, volts, 1e-5);
    }
    near(circuit.supply_current().0, 235.930e-6, 1e-9);
}

/// R19: all 32 corners, computed independently.
#[test]
fn the_worst_case_of_a_tap_is_that_of_its_32_corners() {
    let board = five_resistor_ladder().done();
    let mut spread = bench_spread(&board, false);
    spread.leakage.0 = 0.0;
    let tap = net(&board, "T2");
    let (low, high) =
        strapwise::circuit::extremes(&board, &board.delivery, &[], tap, &spread).unwrap();
    near(low, 0.8464754, 1e-6);
    near(high, 0.8516020, 1e-6);
}

/// R20: exact fractions; mask 5 also by ngspice.
#[test]
fn four_weighted_jumpers_make_sixteen_voltages() {
    let weights = [("J1", "N1", 10e3), ("J2", "N2", 20e3), ("J3", "N3", 39e3), ("J4", "N4", 82e3)];
    let mut maker = Maker::new().resistor("RD", "SUM", "GND", 4.7e3, 0.01);
    for (id, far, ohms) in weights {
        maker = maker.resistor(&format!("R{id}"), "SUM", far, ohms, 0.01).jumper(
            id,
            &[("on", far, "VCC")],
            true,
        );
    }
    let board = maker.channel("SUM", "SUM", "PC0", Kind::Analog).done();
    let expected = [
        (0.0, 0),
        (1.59864, 327),
        (0.95142, 194),
        (2.06745, 423),
        (0.53776, 110),
        (1.85636, 380),
        (1.31136, 268),
        (2.26104, 463),
        (0.27105, 55),
        (1.72629, 353),
        (1.13098, 231),
        (2.16283, 442),
        (0.75490, 154),
        (1.96571, 402),
        (1.46100, 299),
        (2.34442, 480),
    ];
    for (mask, (volts, code)) in expected.into_iter().enumerate() {
        let places: Vec<String> = (0..4)
            .map(|j| format!("J{}={}", j + 1, if mask >> j & 1 == 1 { "on" } else { "open" }))
            .collect();
        let circuit = nominal(&board, &setting(&board, &places.join(" ")));
        let (v, _) = driven(&circuit, &board, "SUM");
        near(v, volts, 5.5e-6);
        assert_eq!(adc::code_of(Volts(v), Volts(5.0), &board.chip), code, "mask {mask}");
    }
}

/// A18: 1 µA (Atmel-8271H p. 301) through 10 kΩ and through the weakest internal pull-up.
#[test]
fn leakage_pulls_an_open_pin_by_its_pull_up() {
    let board = Maker::new()
        .resistor("R1", "VCC", "N", 10e3, 0.0)
        .channel("N", "N", "PC0", Kind::Digital)
        .channel("LONE", "LONE", "PC1", Kind::Digital)
        .done();
    let mut spread = bench_spread(&board, false);
    spread.supply = (Volts(5.0), Volts(5.0));
    let low = |name: &str, spread: &Spread| {
        let net = net(&board, name);
        5.0 * strapwise::circuit::extremes(&board, &board.delivery, &[], net, spread).unwrap().0
    };
    near(low("N", &spread), 4.990, 1e-9);
    spread.pull_up = Some(board.chip.pull_up);
    near(low("LONE", &spread), 4.950, 1e-9);
}

/// A19: pull-up 20 to 50 kΩ (Atmel-8271H p. 301), VIL 1.5 V at 5 V (7810C p. 305).
#[test]
fn a_jumper_through_4k7_pulls_a_pin_with_its_pull_up_low() {
    let board = Maker::new()
        .resistor("R1", "PIN", "FAR", 4.7e3, 0.0)
        .jumper("J1", &[("fitted", "FAR", "GND")], true)
        .channel_with("PIN", "PIN", "PD2", Kind::Digital, true, &[])
        .done();
    let node = nominal(&board, &board.delivery).node(net(&board, "PIN"));
    near(pulled_up(node, Volts(5.0), Ohms(50e3)).0, 0.42962, 1e-5);
    near(pulled_up(node, Volts(5.0), Ohms(20e3)).0, 0.95142, 1e-5);
    assert_eq!(expect(&board, &board.delivery, 0).level, Some(Level::Low));
    assert_eq!(expect(&board, &setting(&board, "J1=open"), 0).level, Some(Level::High));
}

/// Common practice, no source.
#[test]
fn four_equal_resistors_share_the_supply_in_quarters() {
    let board = Maker::new()
        .resistor("R1", "VCC", "A", 2e3, 0.01)
        .resistor("R2", "A", "B", 2e3, 0.01)
        .resistor("R3", "B", "C", 2e3, 0.01)
        .resistor("R4", "C", "GND", 2e3, 0.01)
        .done();
    let circuit = nominal(&board, &board.delivery);
    near(circuit.supply_current().0, 625e-6, 1e-12);
    for (i, (name, volts)) in [("A", 3.75), ("B", 2.5), ("C", 1.25)].into_iter().enumerate() {
        near(driven(&circuit, &board, name).0, volts, 1e-9);
        near(circuit.resistor_current(i).0, 625e-6, 1e-12);
    }
}

/// Worked by hand: the optocoupler's drop and resistance in series with the load.
#[test]
fn a_switch_with_a_drop_works_against_the_current_and_not_below_it() {
    let board = Maker::new()
        .resistor("R1", "OUT", "GND", 1e3, 0.01)
        .resistor("R2", "VCC", "OUT2", 1e3, 0.01)
        .switch("K1", ["VCC", "OUT"], "PD5", [10.0, 10.0], [0.2, 0.2])
        .switch("K2", ["GND", "OUT2"], "PD6", [10.0, 10.0], [0.2, 0.2])
        .switch("K3", ["OUT", "OUT3"], "PD7", [10.0, 10.0], [0.2, 0.2])
        .resistor("R3", "OUT3", "GND", 1e3, 0.01)
        .done();
    let at = |parts: &Parts, closed: &[usize], name: &str| {
        Circuit::solve(&board, parts, &board.delivery, closed).node(net(&board, name))
    };
    let parts = Parts::nominal(&board);
    let volts = |node| match node {
        Node::Driven { volts, .. } => volts.0,
        Node::Floating => panic!("floats"),
    };
    near(volts(at(&parts, &[0], "OUT")), 4.8 * 1e3 / 1010.0, 1e-9);
    near(volts(at(&parts, &[1], "OUT2")), 5.0 - 4.8 * 1e3 / 1010.0, 1e-9);
    // Nothing feeds OUT: the drop of K3 is not reached and R3 alone holds OUT3.
    near(volts(at(&parts, &[2], "OUT3")), 0.0, 1e-9);
    let mut low = parts.clone();
    low.supply = Volts(0.1);
    near(volts(at(&low, &[0], "OUT")), 0.0, 1e-9);
    // K3 hangs behind the first drop and brings its own.
    let out = (4.8 / 10.0 + 0.2 / 1010.0) / (1.0 / 10.0 + 1.0 / 1e3 + 1.0 / 1010.0);
    near(volts(at(&parts, &[0, 2], "OUT")), out, 1e-9);
    near(volts(at(&parts, &[0, 2], "OUT3")), (out - 0.2) * 1e3 / 1010.0, 1e-9);
}

/// Worked by hand: alone, K1 feeds OUT; once K2 feeds it better, K1 carries nothing, or the other
/// way round.
#[test]
fn a_switch_that_another_one_overrides_stops_or_turns_round() {
    let at = |to_ground: f64| {
        let board = Maker::new()
            .resistor("R1", "VCC", "MID", 1e3, 0.01)
            .resistor("R2", "MID", "GND", to_ground, 0.01)
            .resistor("R3", "OUT", "GND", 1e3, 0.01)
            .switch("K1", ["MID", "OUT"], "PD5", [10.0, 10.0], [0.2, 0.2])
            .switch("K2", ["VCC", "OUT"], "PD6", [10.0, 10.0], [0.2, 0.2])
            .done();
        let circuit = Circuit::solve(&board, &Parts::nominal(&board), &board.delivery, &[0, 1]);
        (driven(&circuit, &board, "OUT").0, driven(&circuit, &board, "MID").0)
    };
    let (out, mid) = at(20e3);
    near(out, 4.8 * 1e3 / 1010.0, 1e-9);
    near(mid, 5.0 * 20.0 / 21.0, 1e-9);
    let (out, mid) = at(1e3);
    let expected = (4.8 / 10.0 + 2.7 / 510.0) / (1.0 / 10.0 + 1.0 / 1e3 + 1.0 / 510.0);
    near(out, expected, 1e-9);
    near(mid, 2.5 + (expected - 2.7) / 510.0 * 500.0, 1e-9);
}

#[test]
fn a_stuck_switch_does_not_do_as_told() {
    let board = Maker::new()
        .resistor("R1", "OUT", "GND", 1e3, 0.01)
        .switch("K1", ["VCC", "OUT"], "PD5", [10.0, 10.0], [0.0, 0.0])
        .done();
    let volts = |stuck, closed: &[usize]| {
        let mut parts = Parts::nominal(&board);
        parts.switches[0] = Contact { stuck, ..parts.switches[0] };
        driven(&Circuit::solve(&board, &parts, &board.delivery, closed), &board, "OUT").0
    };
    let closed = 5.0 * 1e3 / 1010.0;
    near(volts(None, &[]), 0.0, 1e-9);
    near(volts(None, &[0]), closed, 1e-9);
    near(volts(Some(true), &[]), closed, 1e-9);
    near(volts(Some(false), &[0]), 0.0, 1e-9);
}

#[test]
fn a_net_that_no_part_joins_to_a_rail_floats() {
    let board = profile_ladder();
    let mut parts = Parts::nominal(&board);
    let at = |parts: &Parts, places: &str, name: &str| {
        Circuit::solve(&board, parts, &setting(&board, places), &[]).node(net(&board, name))
    };
    assert_eq!(at(&parts, "J1=open", "PROFILE"), Node::Floating);
    assert_ne!(at(&parts, "J1=3", "PROFILE"), Node::Floating);
    parts.resistors[4] = Ohms(f64::INFINITY);
    assert_eq!(at(&parts, "J1=3", "PROFILE"), Node::Floating);
    assert_ne!(at(&parts, "J1=3", "PICK"), Node::Floating);
    let open = Circuit::solve(&board, &parts, &setting(&board, "J1=3"), &[]);
    assert_eq!(open.resistor_current(4).0, 0.0);
    assert_eq!(open.volts_across(net(&board, "PROFILE"), net(&board, "PICK")), None);
}

#[test]
fn a_shorted_resistor_makes_one_net_of_two_and_an_open_contact_leaves_the_pin_alone() {
    let board = profile_ladder();
    let mut parts = Parts::nominal(&board);
    parts.resistors[1] = Ohms(0.0);
    let circuit = Circuit::solve(&board, &parts, &board.delivery, &[]);
    let tap = 5.0 * 3.7 / 5.5;
    near(driven(&circuit, &board, "TAP2").0, tap, 1e-7);
    near(driven(&circuit, &board, "TAP3").0, tap, 1e-7);
    near(circuit.resistor_current(1).0, 5.0 / 5.5e3, 1e-8);
    parts.contacts[0][2] = Ohms(f64::INFINITY);
    let circuit = Circuit::solve(&board, &parts, &setting(&board, "J1=3"), &[]);
    assert_eq!(circuit.node(net(&board, "PROFILE")), Node::Floating);
}

#[test]
fn a_bridge_of_solder_joins_what_the_design_keeps_apart() {
    let board = profile_ladder();
    let mut parts = Parts::nominal(&board);
    parts.bridges.push(([net(&board, "TAP2"), net(&board, "TAP4")], Ohms(0.0)));
    let circuit = Circuit::solve(&board, &parts, &board.delivery, &[]);
    near(driven(&circuit, &board, "TAP2").0, 5.0 * 1.5 / 3.3, 1e-7);
}

#[test]
fn a_setting_that_joins_supply_and_ground_is_a_short_with_its_current() {
    let board = Maker::new()
        .jumper("J1", &[("up", "VCC", "X")], true)
        .jumper("J2", &[("down", "X", "GND")], true)
        .resistor("R1", "X", "GND", 10.0, 0.01)
        .switch("K1", ["X", "GND"], "PD5", [10.0, 20.0], [0.0, 0.0])
        .done();
    let parts = Parts::nominal(&board);
    let current = |places: &str, closed: &[usize]| {
        short(&board, &parts, &setting(&board, places), closed).map(|a| a.0)
    };
    near(current("J1=up J2=down", &[]).unwrap(), 5.0 / 0.04, 0.3);
    assert_eq!(current("J1=up J2=open", &[]), None);
    assert_eq!(current("J1=open J2=down", &[]), None);
    // Ten ohms of resistor are a load, ten ohms of closed switch alone are not.
    assert!(current("J1=up J2=open", &[0]).is_some());
    let mut bridged = parts.clone();
    bridged.bridges.push(([net(&board, "VCC"), net(&board, "GND")], Ohms(0.5)));
    let shorted = short(&board, &bridged, &setting(&board, "J1=open J2=open"), &[]);
    near(shorted.unwrap().0, 10.0, 1e-9);
}

#[test]
fn jumpers_and_nets_fall_into_groups_between_the_rails() {
    let board = Maker::new()
        .resistor("R1", "VCC", "A", 1e3, 0.01)
        .resistor("R2", "A", "B", 1e3, 0.01)
        .jumper("J1", &[("fitted", "B", "GND")], true)
        .resistor("R3", "VCC", "C", 1e3, 0.01)
        .jumper("J2", &[("left", "C", "GND"), ("right", "D", "E")], true)
        .jumper("J3", &[("fitted", "VCC", "GND")], true)
        .done();
    let found: Vec<(Vec<usize>, Vec<&str>)> = groups(&board)
        .into_iter()
        .map(|g| (g.jumpers, g.nets.iter().map(|&n| board.net_name(n)).collect()))
        .collect();
    let expected = [(vec![0], vec!["A", "B"]), (vec![1], vec!["C", "D", "E"]), (vec![2], vec![])];
    assert_eq!(found, expected);
}
