//! Bad input that only the circuit shows, or that asks for too much.

use super::{channel, file, jumper, options, problem, read, resistor};
use std::time::{Duration, Instant};
use strapwise::board::{Place, Setting};
use strapwise::{walk, window};

#[test]
fn a_short_across_the_supply_is_told_with_its_setting_and_current() {
    // By hand: 5 V through one contact of 20 mΩ.
    let parts = [
        resistor("R1", ["VCC", "PIN"], "10k"),
        jumper("J1", &[("a", "PIN", "GND"), ("b", "VCC", "GND")], true),
        channel("PIN", "PIN", "PC0", "analog", ""),
    ];
    let told = problem(&file("J1 = \"a\"", &parts));
    assert!(told.contains("the setting J1=b shorts the supply: 250 A would flow"), "{told}");
}

#[test]
fn a_short_that_needs_two_shunts_is_told_when_it_is_delivered_and_else_never_passed() {
    let parts = [
        resistor("R1", ["VCC", "PIN"], "10k"),
        jumper("J1", &[("fitted", "VCC", "MID")], true),
        jumper("J2", &[("fitted", "MID", "GND")], true),
        channel("PIN", "PIN", "PC0", "analog", ""),
    ];
    let told = problem(&file("J1 = \"fitted\"\nJ2 = \"fitted\"", &parts));
    assert!(told.contains("J1=fitted J2=fitted") && told.contains("125.0 A"), "{told}");
    let board = read(&file("J1 = \"fitted\"\nJ2 = \"open\"", &parts));
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let both = Setting(vec![Place::At(0), Place::At(0)]);
    assert!(walk.steps.iter().all(|s| s.setting != both));
    assert!(walk.steps.iter().any(|s| s.setting.0[1] == Place::At(0)), "J2 is tried alone");
}

#[test]
fn a_short_of_another_source_is_told_too() {
    let source = "[[source]]\nid = \"V2\"\nbetween = [\"AUX\", \"GND\"]\nvolts = \"12V\"\n\
                  tolerance = \"5%\"\n";
    let parts = [
        source.to_string(),
        resistor("R1", ["AUX", "PIN"], "100k"),
        resistor("R2", ["PIN", "GND"], "10k"),
        jumper("J1", &[("fitted", "AUX", "GND")], true),
        channel("PIN", "PIN", "PC0", "analog", ""),
    ];
    let told = problem(&file("J1 = \"open\"", &parts));
    assert!(told.contains("J1=fitted shorts the supply: 600 A"), "{told}");
}

#[test]
fn a_further_source_is_in_the_band_with_its_tolerance() {
    // By hand: 12 V ± 5 % through 100 kΩ over 10 kΩ, both ± 1 %, against a supply of 5 V: 1.0909 V.
    let source = "[[source]]\nid = \"V2\"\nbetween = [\"AUX\", \"GND\"]\nvolts = \"12V\"\n\
                  tolerance = \"5%\"\n";
    let parts = [
        source.to_string(),
        resistor("R1", ["AUX", "PIN"], "100k"),
        resistor("R2", ["PIN", "GND"], "10k"),
        channel("PIN", "PIN", "PC0", "digital", ""),
    ];
    let board = read(&file("", &parts));
    let expected = window::expect(&board, &board.delivery, 0);
    let volts = |code: f64| code * 5.0 / 1024.0;
    assert!((volts(expected.code) - 12.0 / 11.0).abs() < 1e-9);
    // The code is a ratio, so the extremes have the other end of the supply's ± 5 %; 1 µA of
    // leakage through 9.1 kΩ adds 9 mV.
    let end = |v: f64, r1: f64, r2: f64, supply: f64, leak: f64| {
        let (g1, g2) = (1.0 / r1, 1.0 / r2);
        (v * g1 + leak) / (g1 + g2) / supply * 1024.0
    };
    let low = end(11.4, 101e3, 9.9e3, 5.25, -1e-6);
    let high = end(12.6, 99e3, 10.1e3, 4.75, 1e-6);
    // The bench band may allow for temperature besides, so it is compared from inside.
    assert!(expected.bench.low <= low + 1e-6 && expected.bench.low > low - 3.0, "{expected:?}");
    assert!(expected.bench.high >= high - 1e-6 && expected.bench.high < high + 3.0, "{expected:?}");
}

#[test]
fn all_takes_headers_of_two_places_only_and_not_beside_when() {
    let parts = |rows: &str| {
        [
            resistor("R1", ["VCC", "PIN"], "10k"),
            resistor("R2", ["PIN", "LEG"], "10k"),
            jumper("J1", &[("fitted", "LEG", "GND")], true),
            jumper("J2", &[("a", "PIN", "GND"), ("b", "LEG", "GND")], true),
            channel("PIN", "PIN", "PC0", "analog", ""),
            options(&["PIN"], rows),
        ]
    };
    for (rows, why) in [
        ("all = [\"J2\"]", "J2 has not two places, so it is no bit"),
        ("all = [\"J1\", \"J1\"]", "names `J1` twice"),
        ("all = []", "no list of 1 to 10 jumpers"),
        ("all = [\"J9\"]", "names the jumper `J9`"),
        ("all = [\"J1\"]\nmeans = [\"one\"]", "no list of 2 names"),
        ("all = [\"J1\"]\nwhen = []", "has both `when` and `all`"),
        ("all = [\"J1\"]\nbase = { J7 = \"open\" }", "names the jumper `J7`"),
    ] {
        let text = file("J1 = \"open\"\nJ2 = \"open\"", &parts(rows));
        let told = strapwise::board::parse("kind.toml", &text).map(|_| ()).expect_err(rows);
        assert!(told.to_string().contains(why), "{rows}: {told}");
    }
}

#[test]
fn a_network_too_large_to_solve_is_told_before_anybody_waits() {
    let mut parts = vec![resistor("R0", ["VCC", "N0"], "1k")];
    for n in 0..3000 {
        parts.push(resistor(&format!("RA{n}"), [&format!("N{n}"), &format!("N{}", n + 1)], "1k"));
    }
    parts.push(resistor("RZ", ["N3000", "GND"], "1k"));
    parts.push(channel("PIN", "N7", "PC0", "analog", ""));
    let began = Instant::now();
    let told = problem(&file("", &parts));
    assert!(told.contains("channel PIN: 3001 nets influence each other"), "{told}");
    // Far above what it takes, so that a busy machine passes.
    assert!(began.elapsed() < Duration::from_secs(10));
}
