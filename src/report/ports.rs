//! The serial ports, who is on them, and what to do next.

use super::table::{Cell, Form, Table};
use super::wrap;

/// What became of a port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// A probe answered.
    Probe,
    /// Something sends, but not as a probe does.
    Other,
    /// Nothing answered.
    Silent,
    /// Another program has the port.
    Busy,
    /// This user may not open it.
    Forbidden,
    /// There is no such port.
    Absent,
    /// It did not open for another reason, or went away.
    Failed,
    /// It was left in peace.
    NotAsked,
}

impl State {
    /// The word for tables.
    pub fn word(self) -> &'static str {
        match self {
            State::Probe => "probe",
            State::Other => "other",
            State::Silent => "silent",
            State::Busy => "busy",
            State::Forbidden => "forbidden",
            State::Absent => "absent",
            State::Failed => "failed",
            State::NotAsked => "not asked",
        }
    }
}

/// One port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// Name to open it by.
    pub port: String,
    /// Where the USB device is plugged in: bus and sockets.
    pub location: Option<String>,
    /// USB vendor and product number.
    pub usb: Option<(u16, u16)>,
    /// Serial number of the USB device.
    pub serial: Option<String>,
    /// Part number of the USB-serial chip.
    pub chip: Option<&'static str>,
    /// Product text of the USB device.
    pub product: Option<String>,
    /// What became of it.
    pub state: State,
    /// The probe's model.
    pub model: String,
    /// The probe's firmware.
    pub firmware: String,
    /// Rate of the probe's line, in baud.
    pub baud: Option<u32>,
    /// Identity kept on the chip, hex; empty when none is written.
    pub identity: String,
    /// The unit that it was written for.
    pub unit: String,
    /// Why, where no probe answered, and what to do.
    pub note: String,
}

/// Columns of a terminal that sentences stay within.
const WIDTH: usize = 78;

/// The ports in the form asked for; for people with what to do next.
pub fn print(lines: &[Line], form: Form) -> String {
    match form {
        Form::Text => for_people(lines),
        form => whole(lines).print(form),
    }
}

fn usb_id(line: &Line) -> Cell {
    line.usb.map_or(Cell::Missing, |(v, p)| Cell::Text(format!("{v:04x}:{p:04x}")))
}

fn whole(lines: &[Line]) -> Table {
    let mut table = Table::new(&[
        "port",
        "location",
        "usb_id",
        "usb_serial",
        "chip",
        "product",
        "state",
        "model",
        "firmware",
        "baud",
        "identity",
        "unit",
        "note",
    ]);
    let text = |text: &Option<String>| Cell::text(text.clone().unwrap_or_default());
    table.rows.extend(lines.iter().map(|line| {
        vec![
            Cell::text(&line.port),
            text(&line.location),
            usb_id(line),
            text(&line.serial),
            Cell::text(line.chip.unwrap_or_default()),
            text(&line.product),
            line.state.word().into(),
            Cell::text(&line.model),
            Cell::text(&line.firmware),
            line.baud.map_or(Cell::Missing, |baud| Cell::Text(baud.to_string())),
            Cell::text(&line.identity),
            Cell::text(&line.unit),
            Cell::text(&line.note),
        ]
    }));
    table
}

fn for_people(lines: &[Line]) -> String {
    let (quiet, shown): (Vec<&Line>, Vec<&Line>) =
        lines.iter().partition(|l| l.state == State::NotAsked && l.usb.is_none());
    let mut text = String::new();
    if !shown.is_empty() {
        let columns = ["port", "location", "usb_id", "usb_serial", "chip", "answers"];
        let mut table = Table::new(&columns);
        table.rows.extend(shown.iter().map(|line| {
            vec![
                Cell::text(&line.port),
                Cell::text(line.location.clone().unwrap_or_default()),
                usb_id(line),
                Cell::text(shortened(line.serial.as_deref().unwrap_or_default())),
                Cell::text(line.chip.unwrap_or_default()),
                line.state.word().into(),
            ]
        }));
        text += &table.print(Form::Text);
        text += "\n";
    }
    let mut paragraph =
        |words: &str| text += &format!("{}\n", wrap::lines(words, WIDTH).join("\n"));
    for line in shown {
        paragraph(&said(line));
    }
    if !quiet.is_empty() {
        let names: Vec<&str> = quiet.iter().map(|l| l.port.as_str()).collect();
        paragraph(&format!("not on USB, not asked: {}", names.join(", ")));
    }
    let steps = guide(lines);
    if !text.is_empty() && !steps.is_empty() {
        text += "\n";
    }
    for step in steps {
        text += &format!("{}\n", wrap::lines(&step, WIDTH).join("\n"));
    }
    text
}

/// Serial numbers may be long; whole they stand in CSV and JSON.
fn shortened(serial: &str) -> String {
    const SHOWN: usize = 16;
    match serial.chars().count() {
        n if n > SHOWN => serial.chars().take(SHOWN - 1).chain(['…']).collect(),
        _ => serial.to_string(),
    }
}

/// A port in a sentence.
fn said(line: &Line) -> String {
    if line.state != State::Probe {
        return line.note.clone();
    }
    let identity = match (line.unit.as_str(), line.identity.as_str()) {
        ("", "") => "no identity yet".to_string(),
        ("", id) => format!("identity {id}"),
        (unit, id) => format!("unit {unit}, identity {id}"),
    };
    let baud = line.baud.map_or(String::new(), |baud| format!(" at {baud} baud"));
    format!("{}: {} {}{baud}, {identity}", line.port, line.model, line.firmware)
}

/// The way from where one stands to the first reading, as far as it is left.
pub fn guide(lines: &[Line]) -> Vec<String> {
    let probes: Vec<&Line> = lines.iter().filter(|l| l.state == State::Probe).collect();
    if !probes.is_empty() {
        // Nobody chooses for the operator between two boards.
        let port = if probes.len() == 1 { probes[0].port.as_str() } else { "PORT" };
        return vec![
            format!(
                "Next: strapwise read BOARD --port {port}, or strapwise watch BOARD --port {port}"
            ),
            "BOARD is your board file; protocols/vent-controller.toml is an example.".into(),
        ];
    }
    let answered = |l: &&Line| matches!(l.state, State::Silent | State::Other);
    let there = |l: &&Line| l.usb.is_some() || !matches!(l.state, State::NotAsked | State::Absent);
    let Some(port) = lines.iter().find(answered).or(lines.iter().find(there)) else {
        return numbered([&plug_in()[..], &[permission()], &prove("PORT")].concat());
    };
    if port.state == State::NotAsked {
        let ask =
            format!("Ask the port that your board is on: strapwise ports --ask {}", port.port);
        return numbered([&[ask][..], &prove(&port.port)].concat());
    }
    let mut steps = Vec::new();
    if matches!(port.state, State::Busy | State::Forbidden | State::Failed) {
        steps.push("Do what is said above, then run `strapwise ports` again.".to_string());
    }
    steps.extend(prove(&port.port));
    numbered(steps)
}

fn numbered(steps: Vec<String>) -> Vec<String> {
    let numbered = steps.into_iter().enumerate();
    numbered.map(|(i, step)| format!("{}. {step}", i + 1)).collect()
}

/// From a board in the hand to a port in the list.
fn plug_in() -> [String; 3] {
    [
        "Plug the board into this computer, then run `strapwise ports` again.".into(),
        "Not listed then? Try another cable: some only charge and carry no data. Try another \
         socket, without a hub."
            .into(),
        system_step().into(),
    ]
}

fn permission() -> String {
    if cfg!(target_os = "linux") {
        "Listed, but you may not open it? Install the udev rule: sudo cp \
         bench-scripts/udev/70-strapwise-probe.rules /etc/udev/rules.d/ && sudo udevadm control \
         --reload; plug the board in again."
            .into()
    } else {
        "Listed, but it does not open? Close every other program that talks to the board.".into()
    }
}

/// From a port in the list to the first reading.
fn prove(port: &str) -> [String; 2] {
    [
        format!(
            "Put the probe on the board, an ATmega328P at 16 MHz: bench-scripts/probe/flash \
             --port {port} (it asks first; --save FILE keeps the program that is there)."
        ),
        format!(
            "First reading: strapwise read BOARD --port {port}; BOARD is your board file, \
             protocols/vent-controller.toml an example. Without a board: --port virtual."
        ),
    ]
}

/// Where to look when a board that is plugged in is not listed.
fn system_step() -> &'static str {
    if cfg!(target_os = "linux") {
        "Still not? `lsusb` should show its USB chip, `sudo dmesg | tail` what became of it; the \
         braille service takes CH340 ports away: `sudo apt remove brltty` where nobody needs it."
    } else {
        "Still not? The system may lack the driver of the board's USB chip (CH340, CP2102 and \
         FT232R are the common ones): its maker offers one under the part number."
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(state: State, usb: Option<(u16, u16)>) -> Line {
        let name = "/dev/ttyUSB0";
        Line {
            port: name.into(),
            location: usb.map(|_| "1-1.4".into()),
            usb,
            serial: None,
            chip: usb.map(|_| "CH340"),
            product: None,
            state,
            model: String::new(),
            firmware: String::new(),
            baud: None,
            identity: String::new(),
            unit: String::new(),
            note: format!("{name}: why"),
        }
    }

    const CHIP: Option<(u16, u16)> = Some((0x1A86, 0x7523));

    #[test]
    fn with_nothing_plugged_in_the_way_begins_at_the_cable_and_ends_at_a_reading() {
        for lines in [vec![], vec![line(State::NotAsked, None)], vec![line(State::Absent, None)]] {
            let steps = guide(&lines);
            let place = |words: &str| {
                let found = steps.iter().position(|s| s.contains(words));
                found.unwrap_or_else(|| panic!("{words} in {steps:#?}"))
            };
            let way = ["Plug the board in", "only charge", "probe/flash", "strapwise read"];
            let places = way.map(place);
            assert!(places.is_sorted() && steps[0].starts_with("1. "), "{steps:#?}");
        }
    }

    #[test]
    fn a_port_where_nothing_answers_leads_to_flashing_that_port() {
        for state in [State::Silent, State::Other] {
            let steps = guide(&[line(State::NotAsked, None), line(state, CHIP)]);
            assert!(steps[0].contains("flash --port /dev/ttyUSB0"), "{steps:#?}");
            assert!(!steps.concat().contains("cable"), "{steps:#?}");
        }
    }

    #[test]
    fn a_port_that_was_left_in_peace_leads_to_asking_it() {
        let steps = guide(&[line(State::NotAsked, CHIP)]);
        assert!(steps[0].contains("strapwise ports --ask /dev/ttyUSB0"), "{steps:#?}");
    }

    #[test]
    fn a_probe_that_answers_leads_to_its_first_reading() {
        let probe = Line {
            model: "PROBE-ATMEGA328P".into(),
            firmware: "1.0".into(),
            baud: Some(38_400),
            unit: "V001".into(),
            identity: "00C0FFEE".into(),
            serial: Some("0123456789ABCDEF0123".into()),
            ..line(State::Probe, CHIP)
        };
        let lines = [probe, line(State::NotAsked, None)];
        let text = print(&lines, Form::Text);
        for words in [
            "1-1.4",
            "1a86:7523",
            "CH340",
            "PROBE-ATMEGA328P 1.0 at 38400 baud, unit V001, identity 00C0FFEE",
            "strapwise read BOARD --port /dev/ttyUSB0",
        ] {
            assert!(text.contains(words), "{words} in\n{text}");
        }
        assert!(!text.contains("flash"), "{text}");
        assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
        let csv = print(&lines, Form::Csv);
        assert!(csv.contains("0123456789ABCDEF0123"), "whole for programs: {csv}");
    }

    #[test]
    fn of_two_probes_none_is_chosen() {
        let steps = guide(&[line(State::Probe, CHIP), line(State::Probe, CHIP)]);
        assert!(steps[0].contains("--port PORT"), "{steps:#?}");
    }

    #[test]
    fn each_port_that_was_no_probe_says_why() {
        for state in [State::Busy, State::Forbidden, State::Failed, State::Silent, State::Other] {
            let text = print(&[line(state, CHIP)], Form::Text);
            assert!(text.contains("/dev/ttyUSB0: why") && text.contains(state.word()), "{text}");
            let first = text.lines().find(|l| l.starts_with("1. ")).expect("a way on");
            let opened = matches!(state, State::Silent | State::Other);
            assert_eq!(first.contains("Put the probe on"), opened, "{first}");
        }
    }
}
