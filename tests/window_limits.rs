//! Windows, margins and what keeps a board from having them.

mod circuit_support;

use circuit_support::{Maker, net, profile_ladder, setting};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::sync::Arc;
use strapwise::board::chip::{ATMEGA328P, Chip, Figure, Provenance};
use strapwise::board::{Board, Kind, Level};
use strapwise::circuit::{Circuit, Node, Parts};
use strapwise::units::{Amperes, Ohms, Ratio};
use strapwise::window::{
    Band, Limits, WindowProblem, adc, assumptions, expect, option_read, windows,
};

/// The problems of a board, as the maker reads them.
fn complaints(board: &Board) -> Vec<String> {
    windows(board).expect_err("no problem found").iter().map(WindowProblem::to_string).collect()
}

/// A chip without errors, for figures that can be worked by hand.
fn ideal_chip() -> Arc<Chip> {
    let none = Figure { lsb: 0.0, from: Provenance::Max };
    Arc::new(Chip {
        name: "ideal".into(),
        part: "ideal".into(),
        offset: none,
        gain: none,
        inl: none,
        dnl: none,
        leakage: Amperes(0.0),
        ..ATMEGA328P.clone()
    })
}

fn quarters() -> Board {
    Maker::new()
        .gap(0.0)
        .resistor("R1", "VCC", "A", 2e3, 0.0)
        .resistor("R2", "A", "B", 2e3, 0.0)
        .resistor("R3", "B", "C", 2e3, 0.0)
        .resistor("R4", "C", "GND", 2e3, 0.0)
        .jumper(
            "J1",
            &[
                ("0", "GND", "PIN"),
                ("1", "C", "PIN"),
                ("2", "B", "PIN"),
                ("3", "A", "PIN"),
                ("4", "VCC", "PIN"),
            ],
            false,
        )
        .channel("PIN", "PIN", "PC0", Kind::Analog)
        .options(
            "which",
            &["PIN"],
            &[("J1=0", "a"), ("J1=1", "b"), ("J1=2", "c"), ("J1=3", "d"), ("J1=4", "e")],
        )
        .done()
}

/// Common practice, no source: taps of four equal resistors at about 255, 511 and 767 on a scale
/// of 0 to 1023, thresholds midway near 128, 384, 640 and 896.
#[test]
fn quarters_of_the_supply_have_their_thresholds_midway() {
    let mut board = quarters();
    board.chip = ideal_chip();
    let windows = windows(&board).unwrap();
    let classes = &windows.channels[0].classes;
    for (class, code) in classes.iter().zip([0.0, 255.0, 511.0, 767.0, 1023.0]) {
        assert!((class.code - code).abs() <= 1.5, "{}: {}", class.name, class.code);
    }
    // Drift and ageing keep their part of the band; they move the taps, not the middle.
    for (pair, threshold) in classes.windows(2).zip([128.0, 384.0, 640.0, 896.0]) {
        let [Limits::Codes { high, .. }, Limits::Codes { low, .. }] =
            [&pair[0].limits, &pair[1].limits]
        else {
            panic!("an analog channel has codes")
        };
        assert_eq!(*low, high + 1, "a gap of nothing leaves no code out");
        assert!((f64::from(*low) - threshold).abs() <= 3.0, "{low} is not near {threshold}");
    }
}

#[test]
fn every_position_of_the_ladder_has_its_own_window() {
    let board = profile_ladder();
    let windows = windows(&board).unwrap();
    let channel = &windows.channels[0];
    assert_eq!((channel.channel, channel.set), (0, Some(0)));
    let names: Vec<&str> = channel.classes.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["J1=1", "J1=2", "J1=3", "J1=4", "J1=5"]);
    assert_eq!(channel.classes[2].means.as_deref(), Some("tomatoes"));
    for (i, class) in channel.classes.iter().enumerate() {
        assert_eq!(channel.class_of_code(class.code.min(1023.0)), Some(i));
        assert!(class.design.low <= class.bench.low && class.bench.high <= class.design.high);
        assert!(class.margin_code > 50.0 && (50.0..=100.0).contains(&class.margin_pct));
        assert_eq!(class.by, "design band");
        let expected = 5.0 * [8.2, 6.4, 3.7, 1.5, 0.0][i] / 8.2;
        assert!((class.volts.unwrap().0 - expected).abs() < 1e-4);
    }
    assert_eq!(channel.class_of_setting(&setting(&board, "J1=4")), Some(3));
    assert_eq!(channel.class_of_setting(&setting(&board, "J1=open")), None);
}

#[test]
fn a_quarter_of_the_way_between_two_bands_is_no_option() {
    let windows = windows(&profile_ladder()).unwrap();
    let mut classes = windows.channels[0].classes.clone();
    classes.sort_by(|a, b| a.code.total_cmp(&b.code));
    for pair in classes.windows(2) {
        let [Limits::Codes { high, .. }, Limits::Codes { low, .. }] =
            [&pair[0].limits, &pair[1].limits]
        else {
            panic!("an analog channel has codes")
        };
        let distance = pair[1].design.low - pair[0].design.high;
        let gap = f64::from(*low) - f64::from(*high);
        assert!((gap - distance / 4.0).abs() <= 2.0, "gap {gap} of {distance}");
        let middle = f64::midpoint(pair[1].design.low, pair[0].design.high);
        assert!((f64::midpoint(f64::from(*low), f64::from(*high)) - middle).abs() <= 1.0);
        let between = f64::midpoint(f64::from(*low), f64::from(*high)).floor();
        assert_eq!(windows.channels[0].class_of_code(between), None);
    }
    assert!(matches!(classes[0].limits, Limits::Codes { low: 0, .. }));
    assert!(matches!(classes[4].limits, Limits::Codes { high: 1023, .. }));
}

/// Percent by hand: 90 codes of band edge to threshold out of 109 of nominal to threshold.
#[test]
fn a_margin_is_what_the_worst_good_unit_keeps_of_the_nominal_one() {
    let windows = windows(&profile_ladder()).unwrap();
    for class in &windows.channels[0].classes {
        let Limits::Codes { low, high } = class.limits else { panic!("codes") };
        let up = (f64::from(high) - class.design.high, f64::from(high) - class.code);
        let down = (class.design.low - f64::from(low), class.code - f64::from(low));
        let (edge, nominal) = match (low, high) {
            (0, _) => up,
            (_, 1023) => (down.0, down.1.min(1023.0 - f64::from(low))),
            _ if up.0 < down.0 => up,
            _ => down,
        };
        assert!((class.margin_code - edge).abs() < 1e-9, "{}", class.name);
        assert!((class.margin_pct - 100.0 * edge / nominal).abs() < 1e-9, "{}", class.name);
    }
}

/// A unit whose parts are anywhere within their tolerance, read by a converter within its errors.
#[test]
fn ten_thousand_good_units_read_inside_the_bench_band_and_the_window() {
    let board = profile_ladder();
    let windows = windows(&board).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    for _ in 0..10_000 {
        let mut parts = Parts::nominal(&board);
        for (ohms, r) in parts.resistors.iter_mut().zip(&board.resistors) {
            ohms.0 *= 1.0 + r.tolerance.0 * rng.random_range(-1.0..=1.0);
        }
        parts.contacts[0] = vec![Ohms(rng.random_range(0.0..0.1)); 5];
        let class = rng.random_range(0..5);
        let at = setting(&board, &format!("J1={}", class + 1));
        let node = Circuit::solve(&board, &parts, &at, &[]).node(net(&board, "PROFILE"));
        let Node::Driven { mut volts, source } = node else { panic!("driven") };
        volts.0 += rng.random_range(-1e-6..1e-6) * source.0;
        let chip = &board.chip;
        let error = rng.random_range(-1.0..1.0) * chip.offset.worst()
            + rng.random_range(-1.0..1.0) * chip.inl.worst();
        volts.0 += error * adc::lsb(board.supply.volts, chip).0;
        let code = f64::from(adc::code_of(volts, board.supply.volts, chip));
        let found = &windows.channels[0].classes[class];
        assert!(found.bench.contains(code), "{code} outside {:?}", found.bench);
        assert_eq!(windows.channels[0].class_of_code(code), Some(class));
    }
}

#[test]
fn positions_that_overlap_are_named_with_the_parts_that_matter() {
    let board = Maker::new()
        .resistor("R1", "VCC", "A", 4.7e3, 0.05)
        .resistor("R2", "A", "B", 100.0, 0.01)
        .resistor("R3", "B", "GND", 4.7e3, 0.10)
        .jumper("J1", &[("up", "A", "PIN"), ("down", "B", "PIN")], false)
        .channel("PIN", "PIN", "PC0", Kind::Analog)
        .options("which", &["PIN"], &[("J1=up", "far"), ("J1=down", "near")])
        .done();
    let found = complaints(&board);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].starts_with("channel PIN: J1=down (codes "), "{}", found[0]);
    assert!(found[0].contains("J1=up (codes "), "{}", found[0]);
    assert!(found[0].contains("R3 and R1 matter most"), "{}", found[0]);
}

#[test]
fn positions_that_overlap_and_mean_the_same_are_one_class() {
    let board = Maker::new()
        .resistor("R1", "VCC", "A", 4.7e3, 0.05)
        .resistor("R2", "A", "B", 100.0, 0.01)
        .resistor("R3", "B", "GND", 4.7e3, 0.10)
        .jumper("J1", &[("up", "A", "PIN"), ("down", "B", "PIN"), ("off", "GND", "PIN")], false)
        .channel("PIN", "PIN", "PC0", Kind::Analog)
        .options("which", &["PIN"], &[("J1=up", "on"), ("J1=down", "on"), ("J1=off", "off")])
        .done();
    let windows = windows(&board).unwrap();
    let channel = &windows.channels[0];
    let names: Vec<&str> = channel.classes.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["J1=up or J1=down", "J1=off"]);
    assert_eq!(channel.class_of_setting(&setting(&board, "J1=down")), Some(0));
    assert_eq!(option_read(&board, &windows, 0, &[(0, Some(0))]).as_deref(), Some("on"));
}

#[test]
fn an_analog_pin_that_hangs_on_nothing_stands_for_no_option() {
    let board = Maker::new()
        .resistor("R1", "VCC", "A", 4.7e3, 0.05)
        .jumper("J1", &[("on", "A", "PIN")], true)
        .channel("PIN", "PIN", "PC0", Kind::Analog)
        .options("which", &["PIN"], &[("J1=on", "on"), ("J1=open", "off")])
        .done();
    let found = complaints(&board);
    let expected = "channel PIN: in J1=open the net PIN is joined to nothing (J1=open), so its \
                    code means nothing; add a resistor from PIN to a rail, or name the places of \
                    the other jumpers in the option";
    assert_eq!(found, [expected]);
    let open = expect(&board, &setting(&board, "J1=open"), 0);
    assert_eq!((open.node, open.level), (Node::Floating, None));
    assert_eq!((open.code, open.design), (1024.0, Band { low: 0.0, high: 1023.0 }));
    let pulled = open.pulled.expect("PC0 has a pull-up");
    assert!(pulled.low > 1000.0 && pulled.high == 1023.0, "{pulled:?}");
}

#[test]
fn a_digital_pin_between_its_levels_is_named_with_what_to_change() {
    let board = Maker::new()
        .resistor("R1", "VCC", "BIT", 10e3, 0.05)
        .resistor("R2", "FAR", "BIT", 8.2e3, 0.05)
        .jumper("J1", &[("fitted", "FAR", "GND")], true)
        .channel("BIT", "BIT", "PD2", Kind::Digital)
        .options("which", &["BIT"], &[("J1=fitted", "on"), ("J1=open", "off")])
        .done();
    let found = complaints(&board);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].starts_with("channel BIT: in J1=fitted the pin is at 2.1"), "{}", found[0]);
    assert!(found[0].contains("neither low (up to 1.50 V) nor high (from 3.00 V)"));
    assert!(found[0].ends_with("change the value of R1 or R2"), "{}", found[0]);
}

#[test]
fn an_option_that_shorts_the_supply_is_named_with_its_current() {
    let board = Maker::new()
        .resistor("R1", "VCC", "PIN", 1e3, 0.05)
        .jumper("J1", &[("up", "VCC", "PIN")], true)
        .jumper("J2", &[("down", "GND", "PIN")], true)
        .channel("PIN", "PIN", "PC0", Kind::Analog)
        .options("which", &["PIN"], &[("J1=up J2=down", "both"), ("J1=open J2=down", "low")])
        .done();
    let found = complaints(&board);
    assert_eq!(found.len(), 1, "{found:?}");
    let start = "channel PIN: J1=up J2=down joins the supply to ground through 0.04 ohm (125.0 A)";
    assert!(found[0].starts_with(start), "{}", found[0]);
}

#[test]
fn a_pin_that_a_setting_puts_on_the_supply_may_not_be_discharged() {
    let mut board = Maker::new()
        .resistor("R1", "BIT", "GND", 10e3, 0.05)
        .jumper("J1", &[("fitted", "VCC", "BIT")], true)
        .channel("BIT", "BIT", "PD2", Kind::Digital)
        .options("bit", &["BIT"], &[("J1=fitted", "1"), ("J1=open", "0")])
        .0;
    windows(&board).expect("windows");
    board.channels[0].discharge = true;
    let told = complaints(&board).join("\n");
    assert!(told.contains("J1=fitted") && told.contains("take `discharge` out"), "{told}");
}

#[test]
fn more_settings_than_can_be_gone_through_are_refused_by_number() {
    let mut maker = Maker::new().resistor("R0", "SUM", "GND", 1e3, 0.01);
    for j in 0..17 {
        let far = format!("N{j}");
        maker = maker.resistor(&format!("R{}", j + 1), "SUM", &far, 10e3, 0.01).jumper(
            &format!("J{j}"),
            &[("on", &far, "VCC")],
            true,
        );
    }
    let board = maker.channel("SUM", "SUM", "PC0", Kind::Analog).done();
    let found = complaints(&board);
    assert!(found[0].contains("have 131072 settings, of which 65536"), "{}", found[0]);
}

/// Three bits against pull-ups, as on the demo board.
fn address() -> Board {
    let mut maker = Maker::new();
    for (bit, (id, pin)) in [("J2", "PD2"), ("J3", "PD3"), ("J4", "PD4")].into_iter().enumerate() {
        let net = format!("ADDR{bit}");
        maker = maker
            .resistor(&format!("R{}", 11 + bit), "VCC", &net, 10e3, 0.05)
            .jumper(id, &[("fitted", &net, "GND")], true)
            .channel(&net, &net, pin, Kind::Digital);
    }
    let rows: Vec<(String, String)> = (0..8)
        .map(|n: u32| {
            let place = |bit: u32| if n >> bit & 1 == 1 { "fitted" } else { "open" };
            (format!("J4={} J3={} J2={}", place(2), place(1), place(0)), n.to_string())
        })
        .collect();
    let rows: Vec<(&str, &str)> = rows.iter().map(|(p, m)| (p.as_str(), m.as_str())).collect();
    maker.options("address", &["ADDR0", "ADDR1", "ADDR2"], &rows).done()
}

/// Common practice, no source: a jumper to ground against a pull-up reads low when fitted.
#[test]
fn a_jumper_to_ground_against_a_pull_up_reads_low_when_fitted() {
    let board = address();
    let windows = windows(&board).unwrap();
    let classes = &windows.channels[0].classes;
    assert_eq!(classes.len(), 2);
    for class in classes {
        let fitted = class.name == "J2=fitted";
        let level = if fitted { Level::Low } else { Level::High };
        assert_eq!((&class.limits, class.by), (&Limits::Level(level), "input levels"));
        assert_eq!(class.means, None, "one bit alone decides nothing");
        assert!(class.margin_pct > 95.0, "{}", class.margin_pct);
    }
}

#[test]
fn the_address_is_read_from_three_levels_together() {
    let board = address();
    let windows = windows(&board).unwrap();
    for row in &board.options[0].when {
        let at = row.places.iter().fold(board.delivery.clone(), |s, &(j, p)| s.with(j, p));
        let classes: Vec<(usize, Option<usize>)> = (0..3)
            .map(|c| {
                let level = expect(&board, &at, c).level.expect("a level");
                let by_level = windows.channels[c].class_of_level(level);
                assert_eq!(by_level, windows.channels[c].class_of_setting(&at));
                (c, by_level)
            })
            .collect();
        assert_eq!(option_read(&board, &windows, 0, &classes).as_ref(), Some(&row.means));
        assert_eq!(option_read(&board, &windows, 0, &classes[..2]), None, "one bit missing");
        let lost = [classes[0], classes[1], (2, None)];
        assert_eq!(option_read(&board, &windows, 0, &lost), None, "one bit between its levels");
    }
}

#[test]
fn two_options_that_every_channel_reads_alike_are_named() {
    let mut board = address();
    // ADDR2 looks at the wrong net: bit 2 no longer reaches a pin.
    board.channels[2].net = board.channels[1].net;
    let found = complaints(&board);
    assert_eq!(found.len(), 4, "{found:?}");
    let first = "options address: \"0\" and \"4\" read alike on ADDR0, ADDR1, ADDR2; let another \
                 channel tell them apart, or make them one option";
    assert_eq!(found[0], first);
}

#[test]
fn the_band_of_a_class_covers_the_jumpers_that_its_option_does_not_name() {
    let board = Maker::new()
        .resistor("R1", "VCC", "PIN", 10e3, 0.01)
        .resistor("R2", "FAR", "PIN", 1e3, 0.01)
        .resistor("R3", "TRIM", "PIN", 100e3, 0.01)
        .jumper("J1", &[("on", "FAR", "GND")], true)
        .jumper("J2", &[("on", "TRIM", "GND")], true)
        .channel("PIN", "PIN", "PC0", Kind::Analog)
        .options("which", &["PIN"], &[("J1=on", "low"), ("J1=open", "high")])
        .done();
    let windows = windows(&board).unwrap();
    let high = &windows.channels[0].classes[1];
    for places in ["J1=open J2=on", "J1=open J2=open"] {
        let design = expect(&board, &setting(&board, places), 0).design;
        assert!(high.design.low <= design.low && design.high <= high.design.high, "{places}");
    }
    // Nominal with J2 as delivered, on: 100 k against 10 k.
    assert!((high.volts.unwrap().0 - 5.0 * 100.0 / 110.0).abs() < 1e-3);
}

#[test]
fn a_channel_without_options_has_one_class_as_wide_as_its_band() {
    let board = Maker::new()
        .resistor("R1", "PIN", "GND", 100e3, 0.01)
        .channel("HUMID", "PIN", "PC2", Kind::Analog)
        .done();
    let windows = windows(&board).unwrap();
    let channel = &windows.channels[0];
    assert_eq!((channel.set, channel.classes.len()), (None, 1));
    let class = &channel.classes[0];
    // 1 µA through 100 k is 20.5 codes; the converter's offset, INL and DNL are 5.5 at 0.
    let Limits::Codes { low: 0, high } = class.limits else { panic!("{:?}", class.limits) };
    assert!((26..=28).contains(&high), "{high}");
    assert_eq!(class.name, "any");
}

#[test]
fn the_pulled_band_is_the_node_against_the_weakest_and_the_strongest_pull_up() {
    let mut board = profile_ladder();
    board.chip = ideal_chip();
    board.resistors.iter_mut().for_each(|r| r.tolerance = Ratio(0.0));
    let at = expect(&board, &setting(&board, "J1=4"), 0);
    let Node::Driven { volts, source } = at.node else { panic!("driven") };
    let (low, high) = board.chip.pull_up;
    let code = |pull: Ohms| {
        let x = source.0 / pull.0;
        (volts.0 + 5.0 * x) / (1.0 + x) * 1024.0 / 5.0
    };
    let band = at.pulled.expect("PC0 has a pull-up");
    assert!((band.high - code(low)).abs() < 0.05, "{band:?}, not {}", code(low));
    assert!((band.low + 1.0 - code(high)).abs() < 0.05, "{band:?}, not {}", code(high));
}

#[test]
fn a_pin_without_pull_up_has_no_pulled_band() {
    let mut board = profile_ladder();
    board.channels[0].pin = board.chip.pin("ADC6").expect("a pin of the chip").clone();
    assert_eq!(expect(&board, &board.delivery, 0).pulled, None);
}

#[test]
fn what_is_assumed_is_said() {
    let lines = assumptions(&profile_ladder());
    let all = lines.join("\n");
    for part in
        ["-10 to 60 °C", "100 ppm/K", "age by up to 0.5 %", "0 to 0.1 ohm", "offset", "typical"]
    {
        assert!(all.contains(part), "{part} is missing in {all}");
    }
}

#[test]
fn a_row_that_leaves_a_jumper_open_is_read_whatever_that_jumper_does() {
    let board = Maker::new()
        .resistor("R1", "VCC", "A", 10e3, 0.05)
        .resistor("R2", "VCC", "B", 10e3, 0.05)
        .jumper("J1", &[("on", "A", "GND")], true)
        .jumper("J2", &[("on", "B", "GND")], true)
        .channel("A", "A", "PD2", Kind::Digital)
        .channel("B", "B", "PD3", Kind::Digital)
        .options(
            "which",
            &["A", "B"],
            &[("J1=open", "off"), ("J1=on J2=open", "slow"), ("J1=on J2=on", "fast")],
        )
        .done();
    let windows = windows(&board).unwrap();
    let read = |places: &str| {
        let at = setting(&board, places);
        let class = |c: usize| {
            let level = expect(&board, &at, c).level?;
            let found = windows.channels[c].class_of_level(level);
            assert_eq!(windows.channels[c].class_of_setting(&at), found, "{places}");
            found
        };
        option_read(&board, &windows, 0, &[(0, class(0)), (1, class(1))])
    };
    for (places, option) in [
        ("J1=open J2=open", "off"),
        ("J1=open J2=on", "off"),
        ("J1=on J2=open", "slow"),
        ("J1=on J2=on", "fast"),
    ] {
        assert_eq!(read(places).as_deref(), Some(option), "{places}");
    }
}
