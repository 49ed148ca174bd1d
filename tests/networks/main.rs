//! Kinds of jumper circuits, each as a board file that goes through `windows`.
//!
//! Values marked "by hand" follow from Ohm's and Kirchhoff's laws in the comment beside them.

mod bad_input;
mod digital;
mod generated;
mod ladders;
mod meter;
mod words;

use strapwise::board::{self, Board};
use strapwise::window::{self, ChannelWindows, WindowProblem, Windows};

/// A part of a board file in one line: resistor, jumper or channel.
pub fn resistor(id: &str, between: [&str; 2], value: &str) -> String {
    let [a, b] = between;
    format!(
        "[[resistor]]\nid = \"{id}\"\nbetween = [\"{a}\", \"{b}\"]\nvalue = \"{value}\"\n\
         tolerance = \"1%\"\n"
    )
}

/// A header; each position is a name and the two nets.
pub fn jumper(id: &str, positions: &[(&str, &str, &str)], open: bool) -> String {
    let position = |(i, (name, a, b)): (usize, &(&str, &str, &str))| {
        let pins = [2 * i + 1, 2 * i + 2];
        format!("{{ name = \"{name}\", pins = {pins:?}, joins = [\"{a}\", \"{b}\"] }}")
    };
    let positions: Vec<String> = positions.iter().enumerate().map(position).collect();
    format!("[[jumper]]\nid = \"{id}\"\npositions = [{}]\nopen = {open}\n", positions.join(", "))
}

/// A channel at a pin; `more` holds further keys.
pub fn channel(id: &str, net: &str, pin: &str, kind: &str, more: &str) -> String {
    format!(
        "[[channel]]\nid = \"{id}\"\nnet = \"{net}\"\npin = \"{pin}\"\nkind = \"{kind}\"\n{more}\n"
    )
}

/// A set of options; `rows` as in a board file.
pub fn options(channels: &[&str], rows: &str) -> String {
    format!("[[options]]\nid = \"set\"\nchannels = {channels:?}\n{rows}\n")
}

/// A whole board file at 5 V; `delivery` like `J1 = "1"`, a line each.
pub fn file(delivery: &str, parts: &[String]) -> String {
    format!(
        r#"format = 1
[board]
name = "kind"
revision = "A"
chip = "atmega328p"
[supply]
net = "VCC"
ground = "GND"
volts = "5V"
tolerance = "5%"
source = "bench supply"
aref = "capacitor"
[delivery]
{delivery}
{}"#,
        parts.concat()
    )
}

/// Reads a file that has to be right.
pub fn read(text: &str) -> Board {
    board::parse("kind.toml", text).unwrap_or_else(|e| panic!("{e}\n{text}"))
}

/// Board and windows of a file; what is wrong with it fails the test.
pub fn windows(text: &str) -> (Board, Windows) {
    let board = read(text);
    let windows = window::windows(&board).unwrap_or_else(|e| panic!("{}", page(&e)));
    (board, windows)
}

/// What keeps a file from having windows, on one page.
pub fn problem(text: &str) -> String {
    page(&window::windows(&read(text)).expect_err("no windows"))
}

fn page(problems: &[WindowProblem]) -> String {
    problems.iter().map(|p| format!("{p}\n")).collect()
}

/// The nominal volts of the classes of a channel, by name.
pub fn volts(w: &ChannelWindows) -> Vec<(&str, f64)> {
    w.classes.iter().map(|c| (c.name.as_str(), c.volts.map_or(f64::NAN, |v| v.0))).collect()
}

/// Compares voltages; the contacts of 20 mΩ that a unit has move them by less than `within`.
pub fn assert_volts(w: &ChannelWindows, expected: &[(&str, f64)], within: f64) {
    let found = volts(w);
    assert_eq!(found.len(), expected.len(), "{found:?}");
    for ((name, volts), (want, wanted)) in found.iter().zip(expected) {
        assert_eq!(name, want);
        assert!((volts - wanted).abs() < within, "{name}: {volts}, expected {wanted}");
    }
}
