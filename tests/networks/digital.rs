//! Address bits by the chip's own input levels.

use super::{channel, file, jumper, options, problem, resistor, windows};
use strapwise::board::Level;
use strapwise::window::Limits;

fn levels(text: &str) -> Vec<(String, Limits)> {
    let (_, w) = windows(text);
    w.channels[0].classes.iter().map(|c| (c.name.clone(), c.limits.clone())).collect()
}

fn bit(parts: &[String], position: (&str, &str, &str), more: &str) -> String {
    let mut all = parts.to_vec();
    let rows = r#"when = [{ J1 = "fitted", means = "1" }, { J1 = "open", means = "0" }]"#;
    all.extend([
        jumper("J1", &[position], true),
        channel("BIT", "BIT", "PD2", "digital", more),
        options(&["BIT"], rows),
    ]);
    file("J1 = \"open\"", &all)
}

#[test]
fn a_shunt_to_ground_reads_low_against_a_pull_up_inside_or_outside() {
    let low_when_fitted = [
        ("J1=fitted".to_string(), Limits::Level(Level::Low)),
        ("J1=open".to_string(), Limits::Level(Level::High)),
    ];
    let outside = bit(&[resistor("R1", ["VCC", "BIT"], "10k")], ("fitted", "BIT", "GND"), "");
    assert_eq!(levels(&outside), low_when_fitted);
    let inside = bit(&[], ("fitted", "BIT", "GND"), "pull_up = true");
    assert_eq!(levels(&inside), low_when_fitted);
}

#[test]
fn a_shunt_to_the_supply_reads_high_against_a_pull_down() {
    let text = bit(&[resistor("R1", ["BIT", "GND"], "10k")], ("fitted", "BIT", "VCC"), "");
    let fitted = levels(&text).into_iter().find(|(n, _)| n == "J1=fitted").unwrap();
    assert_eq!(fitted.1, Limits::Level(Level::High));
}

#[test]
fn a_shunt_through_4k7_against_the_internal_pull_up_is_low_for_certain() {
    // By hand: 5 V · 4.7 / (4.7 + 20 to 50) = 0.951 to 0.430 V, below VIL of 1.5 V (ATmega328P:
    // pull-up 8271H p. 301, input levels 7810C p. 305).
    let text =
        bit(&[resistor("R1", ["BIT", "LEG"], "4k7")], ("fitted", "LEG", "GND"), "pull_up = true");
    let (_, w) = windows(&text);
    let class = w.channels[0].classes.iter().find(|c| c.name == "J1=fitted").unwrap();
    assert_eq!(class.limits, Limits::Level(Level::Low));
    let volts = |code: f64| code * 5.0 / 1024.0;
    assert!(volts(class.design.low) < 0.4297 && volts(class.design.high) > 0.9514);
    assert!(volts(class.design.high) < 1.0, "{}", volts(class.design.high));
}

#[test]
fn a_pin_that_may_be_between_the_levels_is_told_with_its_voltages() {
    // By hand: 5 V · 22 / (22 + 20 to 50) = 2.62 to 1.53 V, between VIL 1.5 V and VIH 3.0 V.
    let text =
        bit(&[resistor("R1", ["BIT", "LEG"], "22k")], ("fitted", "LEG", "GND"), "pull_up = true");
    let told = problem(&text);
    assert!(told.contains("in J1=fitted the pin is at 1."), "{told}");
    assert!(told.contains("neither low (up to 1.50 V) nor high (from 3.00 V)"), "{told}");
}

#[test]
fn three_address_bits_are_listed_in_one_line_with_either_polarity() {
    let mut parts = Vec::new();
    for i in 0..3 {
        let net = format!("A{i}");
        parts.push(resistor(&format!("R{i}"), ["VCC", &net], "10k"));
        parts.push(jumper(&format!("J{i}"), &[("fitted", &net, "GND")], true));
        parts.push(channel(&net, &net, ["PD2", "PD3", "PD4"][i], "digital", ""));
    }
    let delivery = "J0 = \"open\"\nJ1 = \"open\"\nJ2 = \"fitted\"";
    for (inverted, delivered) in [("false", "4"), ("true", "3")] {
        let mut parts = parts.clone();
        let all = format!("all = [\"J0\", \"J1\", \"J2\"]\ninverted = {inverted}");
        parts.push(options(&["A0", "A1", "A2"], &all));
        let (board, _) = windows(&file(delivery, &parts));
        assert_eq!(board.options[0].meaning(&board.delivery), Some(delivered));
    }
}
