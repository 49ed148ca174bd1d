//! The boards that the benchmarks compute with, as board files.

use std::fmt::Write;

/// Opening tables of a board file; `delivery` is the body of `[delivery]`.
fn opening(name: &str, delivery: &str) -> String {
    format!(
        "format = 1\n\n[board]\nname = \"{name}\"\nrevision = \"A\"\nchip = \"atmega328p\"\n\n\
         [supply]\nnet = \"VCC\"\nground = \"GND\"\nvolts = \"5V\"\ntolerance = \"5%\"\n\
         source = \"bench supply\"\naref = \"capacitor\"\n\n[delivery]\n{delivery}\n"
    )
}

fn resistor(text: &mut String, id: &str, between: [&str; 2], ohms: f64, tolerance: &str) {
    let [a, b] = between;
    let _ = write!(
        text,
        "[[resistor]]\nid = \"{id}\"\nbetween = [\"{a}\", \"{b}\"]\nvalue = \"{ohms} ohm\"\n\
         tolerance = \"{tolerance}\"\n\n"
    );
}

fn position(name: &str, pin: usize, joins: [&str; 2]) -> String {
    let [a, b] = joins;
    format!("{{ name = \"{name}\", pins = [{pin}, {}], joins = [\"{a}\", \"{b}\"] }}", pin + 1)
}

fn jumper(text: &mut String, id: &str, positions: &[String], open: bool) {
    let list = positions.join(", ");
    let _ = write!(text, "[[jumper]]\nid = \"{id}\"\npositions = [{list}]\nopen = {open}\n\n");
}

fn channel(text: &mut String, id: &str, net: &str, pin: &str) {
    let _ = write!(
        text,
        "[[channel]]\nid = \"{id}\"\nnet = \"{net}\"\npin = \"{pin}\"\nkind = \"analog\"\n\n"
    );
}

/// 12 jumpers in 6 groups, 60 resistors: six ladders of eight resistors, a tap of each picked by
/// one jumper, a load put on the pin by another, each read by a pin of its own.
#[allow(dead_code)]
pub fn twelve_jumpers() -> String {
    let delivery: String = (1..=6).map(|g| format!("JA{g} = \"3\"\nJB{g} = \"open\"\n")).collect();
    let mut text = opening("twelve-jumpers", &delivery);
    for g in 1..=6 {
        let tap = |i: usize| match i {
            0 => "VCC".to_string(),
            8 => "GND".to_string(),
            i => format!("T{g}-{i}"),
        };
        let (pick, pin, load) = (format!("PICK{g}"), format!("PIN{g}"), format!("LOAD{g}"));
        for i in 0..8 {
            let ohms = [1000.0, 1500.0, 2200.0, 1800.0, 1200.0, 2700.0, 3300.0, 1000.0][i];
            let (a, b) = (tap(i), tap(i + 1));
            resistor(&mut text, &format!("R{g}{i}"), [&a, &b], ohms, "1%");
        }
        resistor(&mut text, &format!("R{g}8"), [&pick, &pin], 1000.0, "5%");
        resistor(&mut text, &format!("R{g}9"), [&pin, &load], 10e3, "1%");
        let taps: Vec<String> =
            (1..=5).map(|i| position(&i.to_string(), 2 * i - 1, [&tap(i + 1), &pick])).collect();
        jumper(&mut text, &format!("JA{g}"), &taps, true);
        let loads = [position("up", 1, ["VCC", &load]), position("down", 3, ["GND", &load])];
        jumper(&mut text, &format!("JB{g}"), &loads, true);
        channel(&mut text, &format!("A{g}"), &pin, &format!("PC{}", g - 1));
    }
    text
}

/// The same with the headers that pick taps in one row and those of the loads in another, each pin
/// beside the same pin of the next header.
#[allow(dead_code)]
pub fn twelve_jumpers_in_rows() -> String {
    let mut text = twelve_jumpers();
    for (row, pins) in [("JA", 10), ("JB", 4)] {
        let pairs: Vec<String> = (1..=pins).map(|pin| format!("[{pin}, {pin}]")).collect();
        for g in 1..6 {
            let _ = write!(
                text,
                "[[neighbours]]\nheaders = [\"{row}{g}\", \"{row}{}\"]\npins = [{}]\n\n",
                g + 1,
                pairs.join(", ")
            );
        }
    }
    text
}

/// One group of 30 resistors with 7 jumpers: a ladder of 13 rungs with cross links, whose taps a
/// jumper picks and six jumpers load, read at two nodes.
#[allow(dead_code)]
pub fn coupled() -> String {
    let delivery: String = (1..=7).map(|j| format!("J{j} = \"1\"\n")).collect();
    let mut text = opening("coupled", &delivery);
    let name = |n: usize| match n {
        0 => "VCC".to_string(),
        1 => "GND".to_string(),
        n => format!("N{n}"),
    };
    for (i, (a, b, ohms)) in twelve_nodes().into_iter().enumerate() {
        resistor(&mut text, &format!("R{i}"), [&name(a), &name(b)], ohms, "1%");
    }
    for j in 1..=6 {
        let [a, b] = [2 * j, 2 * j + 1].map(name);
        let places = [position("1", 1, [&a, &b]), position("2", 3, [&a, "GND"])];
        jumper(&mut text, &format!("J{j}"), &places, true);
    }
    let picks = [3, 6, 9, 12].map(|n| position(&n.to_string(), 2 * n, [&name(n), "PICK"]));
    jumper(&mut text, "J7", &picks, true);
    channel(&mut text, "A", "N7", "PC0");
    channel(&mut text, "B", "PICK", "PC1");
    text.replace("J7 = \"1\"", "J7 = \"3\"")
}

/// The five-position ladder of the demo, by itself.
#[allow(dead_code)]
pub fn ladder() -> String {
    let mut text = opening("ladder", "J1 = \"3\"\n");
    let taps = ["VCC", "TAP2", "TAP3", "TAP4", "GND"];
    for (i, ohms) in [1800.0, 2700.0, 2200.0, 1500.0].into_iter().enumerate() {
        resistor(&mut text, &format!("R{}", i + 1), [taps[i], taps[i + 1]], ohms, "1%");
    }
    resistor(&mut text, "R5", ["PICK", "PROFILE"], 1000.0, "5%");
    let positions: Vec<String> = taps
        .iter()
        .enumerate()
        .map(|(i, tap)| position(&(i + 1).to_string(), 2 * i + 1, [tap, "PICK"]))
        .collect();
    jumper(&mut text, "J1", &positions, false);
    channel(&mut text, "PROFILE", "PROFILE", "PC0");
    let _ = writeln!(text, "[[options]]\nid = \"profile\"\nchannels = [\"PROFILE\"]\nwhen = [");
    for i in 1..=5 {
        let _ = writeln!(text, "  {{ J1 = \"{i}\", means = \"option-{i}\" }},");
    }
    text + "]\n"
}

/// Ends and ohms of a network of 12 inner nodes: a ladder of 13 rungs with cross links, 30
/// resistors in all. Node 0 is the supply, 1 ground, 2 to 13 the inner nodes; read at node 7.
#[allow(dead_code)]
pub fn twelve_nodes() -> Vec<(usize, usize, f64)> {
    let mut parts = vec![(0, 2, 1000.0)];
    for n in 2..13 {
        parts.push((n, n + 1, 1000.0 + 220.0 * n as f64));
    }
    parts.push((13, 1, 1500.0));
    for n in 2..=13 {
        parts.push((n, (n + 1) % 2, 10e3 + 470.0 * n as f64));
    }
    for n in [2, 4, 6, 8, 10] {
        parts.push((n, n + 3, 4700.0 + 100.0 * n as f64));
    }
    parts
}

/// The network of [`twelve_nodes`] as a board, with a jumper beside it that stands for its option.
#[allow(dead_code)]
pub fn network() -> String {
    let mut text = opening("network", "J1 = \"on\"\n");
    let name = |n: usize| match n {
        0 => "VCC".to_string(),
        1 => "GND".to_string(),
        n => format!("N{n}"),
    };
    for (i, (a, b, ohms)) in twelve_nodes().into_iter().enumerate() {
        resistor(&mut text, &format!("R{i}"), [&name(a), &name(b)], ohms, "1%");
    }
    jumper(&mut text, "J1", &[position("on", 1, ["BESIDE", "GND"])], false);
    channel(&mut text, "A", "N7", "PC0");
    text + "[[options]]\nid = \"o\"\nchannels = [\"A\"]\nwhen = [{ J1 = \"on\", means = \"o\" }]\n"
}
