//! Board files of these tests.

use std::fmt::Write;
use std::sync::Arc;
use strapwise::board::Board;
use strapwise::board::chip::{Chip, Figure, Provenance};
use strapwise::units::Amperes;

pub fn parse(text: &str) -> Board {
    strapwise::board::parse("test.toml", text).unwrap_or_else(|e| panic!("{e}\n{text}"))
}

/// The tables that every board has; `delivery` is `J1 = "1"` and the like.
pub fn head(name: &str, delivery: &str) -> String {
    format!(
        "format = 1\n[board]\nname = \"{name}\"\nrevision = \"A\"\nchip = \"atmega328p\"\n\
         [supply]\nnet = \"VCC\"\nground = \"GND\"\nvolts = \"5V\"\ntolerance = \"5%\"\n\
         source = \"bench supply\"\naref = \"capacitor\"\n[delivery]\n{delivery}\n"
    )
}

pub fn resistor(id: &str, a: &str, b: &str, value: &str, tolerance: &str) -> String {
    format!(
        "[[resistor]]\nid = \"{id}\"\nbetween = [\"{a}\", \"{b}\"]\nvalue = \"{value}\"\n\
         tolerance = \"{tolerance}\"\n"
    )
}

/// A ladder of equal resistors from VCC to GND, every tap a position of J1, both ends too: position
/// `0` is at GND. The options are those given, from GND up.
pub fn ladder(options: &[&str], tolerance: &str) -> String {
    let last = options.len() - 1;
    let net = |i: usize| match i {
        0 => "GND".to_string(),
        i if i == last => "VCC".to_string(),
        i => format!("T{i}"),
    };
    let mut text = head("ladder", "J1 = \"1\"");
    for i in 0..last {
        text += &resistor(&format!("R{i}"), &net(i), &net(i + 1), "2k", tolerance);
    }
    text += "[[jumper]]\nid = \"J1\"\npositions = [\n";
    for i in 0..=last {
        let (a, b) = (2 * i + 1, 2 * i + 2);
        let net = net(i);
        let _ = writeln!(
            text,
            "{{ name = \"{i}\", pins = [{a}, {b}], joins = [\"{net}\", \"PICK\"] }},"
        );
    }
    text += "]\n[[channel]]\nid = \"PICK\"\nnet = \"PICK\"\npin = \"PC0\"\nkind = \"analog\"\n\
             [[options]]\nid = \"which\"\nchannels = [\"PICK\"]\nwhen = [\n";
    for (i, option) in options.iter().enumerate() {
        let _ = writeln!(text, "{{ J1 = \"{i}\", means = \"{option}\" }},");
    }
    text + "]\n"
}

/// Four equal resistors of 2 kΩ, five taps.
pub fn quarters() -> String {
    ladder(&["a", "b", "c", "d", "e"], "1%")
}

/// Address bits, a fitted shunt pulls its bit low and counts 1. `hold` writes what holds a bit.
pub fn address(bits: usize, hold: impl Fn(usize) -> String, pull_up: bool) -> String {
    let delivery: Vec<String> = (0..bits).map(|i| format!("J{i} = \"open\"")).collect();
    let mut text = head("address-board", &delivery.join("\n"));
    for i in 0..bits {
        text += &hold(i);
        let _ = writeln!(
            text,
            "[[jumper]]\nid = \"J{i}\"\nopen = true\npositions = [{{ name = \"fitted\", \
             pins = [1, 2], joins = [\"A{i}\", \"GND\"] }}]\n[[channel]]\nid = \"BIT{i}\"\n\
             net = \"A{i}\"\npin = \"{}\"\nkind = \"digital\"\npull_up = {pull_up}",
            ["PD2", "PD3", "PD4", "PD5", "PD6", "PD7", "PB0", "PB1", "PB2", "PB3"][i]
        );
    }
    let channels: Vec<String> = (0..bits).map(|i| format!("\"BIT{i}\"")).collect();
    let _ = writeln!(
        text,
        "[[options]]\nid = \"address\"\nchannels = [{}]\nwhen = [",
        channels.join(", ")
    );
    for number in 0..1 << bits {
        let place = |i: usize| if number >> i & 1 == 1 { "fitted" } else { "open" };
        let places: Vec<String> = (0..bits).map(|i| format!("J{i} = \"{}\"", place(i))).collect();
        let _ = writeln!(text, "{{ {}, means = \"{number}\" }},", places.join(", "));
    }
    text + "]\n"
}

/// Pull-ups of 10 kΩ.
pub fn external(i: usize) -> String {
    resistor(&format!("R{i}"), "VCC", &format!("A{i}"), "10k", "5%")
}

/// A load on PB4 with what is said of its net and of the resistor there.
pub fn load(net: &str, resistor: &str) -> String {
    format!(
        "{resistor}[[load]]\nid = \"FAN\"\npin = \"PB4\"\n{net}\noff = \"low\"\n\
         dummy = \"15 ohm\"\nsag = \"10mV..100mV\"\n"
    )
}

/// The chip of a board without errors and leakage, with another scale where one is given.
pub fn ideal(mut board: Board, scale: f64) -> Board {
    let none = Figure { lsb: 0.0, from: Provenance::Max };
    let chip = Chip {
        scale,
        offset: none,
        gain: none,
        inl: none,
        dnl: none,
        leakage: Amperes(0.0),
        ..Chip::clone(&board.chip)
    };
    board.chip = Arc::new(chip);
    board
}
