//! Ladders and weighted networks into one ADC pin.

use super::{assert_volts, channel, file, jumper, options, problem, read, resistor, windows};
use strapwise::board::Place;
use strapwise::window::{self, Limits};

/// 1k 2k2 3k3 4k7 10k from VCC to GND.
fn ladder() -> Vec<String> {
    let nets = ["VCC", "T1", "T2", "T3", "T4", "GND"];
    let values = ["1k", "2k2", "3k3", "4k7", "10k"];
    let part = |i: usize| resistor(&format!("R{}", i + 1), [nets[i], nets[i + 1]], values[i]);
    (0..5).map(part).collect()
}

fn taps() -> String {
    let taps = [("1", "T1", "PICK"), ("2", "T2", "PICK"), ("3", "T3", "PICK"), ("4", "T4", "PICK")];
    jumper("J1", &taps, false)
}

const ROWS: &str = r#"when = [{ J1 = "1", means = "a" }, { J1 = "2", means = "b" },
    { J1 = "3", means = "c" }, { J1 = "4", means = "d" }]"#;

#[test]
fn a_tap_picked_straight_into_the_pin_reads_the_ladders_voltages() {
    // Taps of the five-resistor ladder: by hand, 5 V · (resistance below) / 21.2 kΩ.
    let mut parts = ladder();
    parts.extend([taps(), channel("PIN", "PICK", "PC0", "analog", ""), options(&["PIN"], ROWS)]);
    let (_, w) = windows(&file("J1 = \"1\"", &parts));
    let expected = [("J1=1", 4.764151), ("J1=2", 4.245283), ("J1=3", 3.466981), ("J1=4", 2.358491)];
    assert_volts(&w.channels[0], &expected, 2e-6);
    let codes: Vec<f64> = w.channels[0].classes.iter().map(|c| c.code.floor()).collect();
    assert_eq!(codes, [975.0, 869.0, 710.0, 483.0]);
}

#[test]
fn a_series_resistor_a_pull_down_and_a_capacitor_at_the_pin_are_taken_in() {
    // By hand: behind 1 kΩ a pull-down of 100 kΩ divides Vth through Rth + 1 kΩ; Rth of the taps
    // 952.83, 2716.98, 4507.08, 5283.02 Ω.
    let mut parts = ladder();
    parts.extend([
        taps(),
        resistor("R6", ["PICK", "PIN"], "1k"),
        resistor("R7", ["PIN", "GND"], "100k"),
        "[[capacitor]]\nid = \"C1\"\nbetween = [\"PIN\", \"GND\"]\nvalue = \"100n\"\n".into(),
        channel("PIN", "PIN", "PC0", "analog", ""),
        options(&["PIN"], ROWS),
    ]);
    let (board, w) = windows(&file("J1 = \"1\"", &parts));
    let divided = |vth: f64, rth: f64| vth * 100e3 / (101e3 + rth);
    let expected = [
        ("J1=1", divided(4.764151, 952.83)),
        ("J1=2", divided(4.245283, 2716.98)),
        ("J1=3", divided(3.466981, 4507.08)),
        ("J1=4", divided(2.358491, 5283.02)),
    ];
    assert_volts(&w.channels[0], &expected, 5e-6);
    assert_eq!(board.capacitance(board.channels[0].net).0, 100e-9);
}

#[test]
fn several_shunts_at_once_on_one_ladder_are_gone_through() {
    // By hand: the pin at 10k to GND; J1 shorts 2k2, J2 shorts 4k7, so 5 V · 10 / (21.2, 19.0,
    // 16.5, 14.3).
    let mut parts = ladder();
    parts.extend([
        jumper("J1", &[("fitted", "T1", "T2")], true),
        jumper("J2", &[("fitted", "T3", "T4")], true),
        channel("PIN", "T4", "PC0", "analog", ""),
        options(&["PIN"], "all = [\"J1\", \"J2\"]\nmeans = [\"a\", \"b\", \"c\", \"d\"]"),
    ]);
    let (_, w) = windows(&file("J1 = \"open\"\nJ2 = \"open\"", &parts));
    let expected = [
        ("J1=open J2=open", 2.358491),
        ("J1=fitted J2=open", 2.631579),
        ("J1=open J2=fitted", 3.030303),
        ("J1=fitted J2=fitted", 3.496503),
    ];
    assert_volts(&w.channels[0], &expected, 2e-5);
    let means: Vec<_> = w.channels[0].classes.iter().map(|c| c.means.as_deref()).collect();
    assert_eq!(means, [Some("a"), Some("b"), Some("c"), Some("d")]);
}

/// 10k 20k 39k 82k to 5 V by shunts, 4k7 to ground.
fn weighted() -> String {
    let mut parts = Vec::new();
    for (i, value) in ["10k", "20k", "39k", "82k"].iter().enumerate() {
        let net = format!("B{i}");
        parts.push(resistor(&format!("R{i}"), [&net, "SUM"], value));
        parts.push(jumper(&format!("J{i}"), &[("fitted", "VCC", &net)], true));
    }
    parts.push(resistor("R9", ["SUM", "GND"], "4k7"));
    parts.push(channel("SUM", "SUM", "PC0", "analog", ""));
    parts.push(options(&["SUM"], "all = [\"J0\", \"J1\", \"J2\", \"J3\"]"));
    file("J0 = \"open\"\nJ1 = \"open\"\nJ2 = \"open\"\nJ3 = \"open\"", &parts)
}

#[test]
fn all_sixteen_settings_of_a_weighted_network_are_numbered_by_their_bits() {
    // Exact fractions, mask 0 to 15 with bit 0 the 10k (computed apart; mask 5 also by ngspice).
    let volts = [
        0.0, 1.59864, 0.95142, 2.06745, 0.53776, 1.85636, 1.31136, 2.26104, 0.27105, 1.72629,
        1.13098, 2.16283, 0.75490, 1.96571, 1.46100, 2.34442,
    ];
    let board = read(&weighted());
    let set = &board.options[0];
    assert_eq!(set.when.len(), 16);
    for (mask, row) in set.when.iter().enumerate() {
        assert_eq!(row.means, mask.to_string());
        let fitted: usize =
            row.places.iter().filter(|(_, p)| *p == Place::At(0)).map(|(j, _)| 1 << j).sum();
        assert_eq!(fitted, mask);
        let setting = strapwise::board::Setting::from_pairs(&board, &row.places);
        let found = window::expect(&board, &setting, 0).code * 5.0 / 1024.0;
        assert!((found - volts[mask]).abs() < 2e-5, "mask {mask}: {found}");
    }
}

#[test]
fn a_weighted_network_whose_settings_overlap_is_told_with_the_two_and_the_parts() {
    // Neighbours are 83 mV or 17 codes apart at the least: too close for parts of 1 %.
    let told = problem(&weighted());
    assert!(told.contains("overlap by") && told.contains("matter most"), "{told}");
}

#[test]
fn a_selected_resistance_is_read_through_a_known_resistor() {
    // By hand: 4.7 kΩ to VCC, in series to GND 2k2 and 4k7, each shorted by its shunt; the pin
    // between: 5 V · R / (R + 4.7 kΩ).
    let parts = [
        resistor("R1", ["VCC", "PIN"], "4k7"),
        resistor("R2", ["PIN", "A"], "2k2"),
        resistor("R3", ["A", "GND"], "4k7"),
        jumper("J1", &[("fitted", "PIN", "A")], true),
        jumper("J2", &[("fitted", "A", "GND")], true),
        channel("PIN", "PIN", "PC0", "analog", ""),
        options(&["PIN"], "all = [\"J1\", \"J2\"]\ninverted = true"),
    ];
    let delivery = "J1 = \"open\"\nJ2 = \"open\"";
    let (_, w) = windows(&file(delivery, &parts));
    for (number, class) in w.channels[0].classes.iter().enumerate() {
        assert_eq!(class.means, Some(number.to_string()));
        let picked = [2.2e3, 4.7e3].iter().enumerate().map(|(bit, ohms)| {
            if number >> bit & 1 == 1 { *ohms } else { ohms * 0.02 / (ohms + 0.02) }
        });
        let ohms: f64 = picked.sum();
        let volts = class.volts.unwrap().0;
        assert!((volts - 5.0 * ohms / (ohms + 4.7e3)).abs() < 1e-9, "{}: {volts}", class.name);
    }
}

#[test]
fn a_three_pin_select_with_neither_side_fitted_is_a_position_where_a_part_holds_the_pin() {
    let select = jumper("J1", &[("up", "VCC", "PIN"), ("down", "GND", "PIN")], true);
    let rows = r#"when = [{ J1 = "up", means = "auto" }, { J1 = "down", means = "off" },
        { J1 = "open", means = "manual" }]"#;
    let pin = channel("PIN", "PIN", "PC0", "analog", "");
    let (a, b) = (resistor("R1", ["VCC", "PIN"], "10k"), resistor("R2", ["PIN", "GND"], "10k"));
    let held = file("J1 = \"up\"", &[a, b, select.clone(), pin.clone(), options(&["PIN"], rows)]);
    let (_, w) = windows(&held);
    assert_volts(&w.channels[0], &[("J1=up", 5.0), ("J1=down", 0.0), ("J1=open", 2.5)], 2e-5);
    let loose = file("J1 = \"up\"", &[select, pin, options(&["PIN"], rows)]);
    let told = problem(&loose);
    assert!(told.contains("in J1=open the net PIN is joined to nothing"), "{told}");
}

#[test]
fn an_isolating_jumper_takes_the_supply_off_a_ladder() {
    // By hand: 5 V · 4.7 / (4.7 + 2.2) with it, 0 V without.
    let parts = [
        jumper("J9", &[("fitted", "VCC", "TOP")], true),
        resistor("R1", ["TOP", "PIN"], "2k2"),
        resistor("R2", ["PIN", "GND"], "4k7"),
        channel("PIN", "PIN", "PC0", "analog", ""),
        options(
            &["PIN"],
            r#"when = [{ J9 = "fitted", means = "fed" }, { J9 = "open", means = "isolated" }]"#,
        ),
    ];
    let (_, w) = windows(&file("J9 = \"fitted\"", &parts));
    assert_volts(&w.channels[0], &[("J9=fitted", 3.405797), ("J9=open", 0.0)], 2e-5);
}

#[test]
fn an_output_is_read_through_its_driven_switch() {
    // By hand: a switch of 10 Ω with a drop of 0.2 V under 1 kΩ: 0.2 V + 4.8 V · 10 / 1010.
    let switch = "[[switch]]\nid = \"K1\"\nbetween = [\"OUT\", \"LOW\"]\npin = \"PD5\"\n\
                  active = \"high\"\non_resistance = \"10R..10R\"\ndrop = \"0.2V..0.2V\"\n";
    let parts = [
        switch.to_string(),
        jumper("J1", &[("fitted", "LOW", "GND")], true),
        resistor("R1", ["VCC", "OUT"], "1k"),
        channel("OUT", "OUT", "PC0", "analog", "closes = [\"K1\"]"),
        options(
            &["OUT"],
            r#"when = [{ J1 = "fitted", means = "on" }, { J1 = "open", means = "cut" }]"#,
        ),
    ];
    let (_, w) = windows(&file("J1 = \"fitted\"", &parts));
    assert_volts(
        &w.channels[0],
        &[("J1=fitted", 0.2 + 4.8 * 10.0 / 1010.0), ("J1=open", 5.0)],
        1e-4,
    );
}

#[test]
fn the_examples_for_makers_have_windows() {
    let (_, w) = windows(include_str!("../../protocols/examples/weighted.toml"));
    let margins: Vec<f64> = w.channels[0].classes.iter().map(|c| c.margin_code).collect();
    assert!(margins.len() == 8 && margins.iter().all(|&m| m > 1.0), "{margins:?}");
    let text = include_str!("../../protocols/examples/netlist.toml");
    let mut beside = |name: &str| match name {
        "netlist.cir" => Ok(include_bytes!("../../protocols/examples/netlist.cir").to_vec()),
        "netlist.csv" => Ok(include_bytes!("../../protocols/examples/netlist.csv").to_vec()),
        _ => Err("not found".to_string()),
    };
    let read = strapwise::board::parse_beside("netlist.toml", text.as_bytes(), &mut beside);
    let board = read.unwrap_or_else(|e| panic!("{e}"));
    let w = window::windows(&board).unwrap();
    // The bead of 0.5 Ω is in the ladder: by hand 5 V · 20.2 / 21.2005.
    let first = w.channels[0].classes[0].volts.unwrap().0;
    assert!((first - 5.0 * 20.2 / 21.2005).abs() < 1e-6, "{first}");
    assert!(matches!(w.channels[0].classes[0].limits, Limits::Codes { .. }));
}
