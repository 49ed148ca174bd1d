//! `ports` from the command line, and the inquiry that it makes.

mod cli_support;
#[cfg(target_os = "linux")]
#[path = "cli_support/served.rs"]
mod served;

use cli_support::{rows, strapwise};
use std::sync::Arc;
use std::time::Duration;
use strapwise::probe::inquiry::{Heard, Inquiry};
use strapwise::probe::virtual_board::VirtualBoard;
use strapwise::probe::world::World;

const QUIET: Duration = Duration::from_secs(2);
const LIMIT: Duration = Duration::from_secs(6);

/// What was written: when, at which rate, and the bytes.
type Written = Vec<(Duration, u32, Vec<u8>)>;

/// Leads an inquiry to its end; `line` says what comes by a time when bytes are written at a rate.
/// Who was heard, when, and each time that something was written.
fn inquire(mut line: impl FnMut(Duration, u32, &[u8]) -> Vec<u8>) -> (Heard, Duration, Written) {
    let mut now = Duration::ZERO;
    let mut written = Vec::new();
    let (mut inquiry, mut bytes) = Inquiry::new(7, QUIET, LIMIT);
    loop {
        if !bytes.is_empty() {
            written.push((now, inquiry.rate(), bytes.clone()));
        }
        let come = line(now, inquiry.rate(), &bytes);
        bytes = if come.is_empty() { Vec::new() } else { inquiry.bytes(now, &come) };
        if let Some(heard) = inquiry.heard() {
            return (heard.clone(), now, written);
        }
        if bytes.is_empty() {
            now = inquiry.wake_at().clamp(now, now + Duration::from_millis(5));
            bytes = inquiry.tick(now);
        }
    }
}

fn probe(boot_loader: Duration, rate: u32) -> impl FnMut(Duration, u32, &[u8]) -> Vec<u8> {
    let text = include_str!("../protocols/vent-controller.toml");
    let board = Arc::new(strapwise::board::parse("demo", text).unwrap());
    let mut unit = VirtualBoard::with_boot_loader(World::new(board, 1), boot_loader).at_rate(rate);
    move |now, line, bytes| {
        unit.set_line(line);
        unit.advance_to(now);
        unit.write(bytes);
        unit.read()
    }
}

#[test]
fn a_probe_is_asked_only_after_the_boot_loaders_time_and_says_who_it_is() {
    let (heard, at, written) = inquire(probe(Duration::from_millis(1900), 250_000));
    let Heard::Probe { model, identity: 0, rate, .. } = heard else { panic!("{heard:?}") };
    assert_eq!((model.as_str(), rate), ("PROBE-ATMEGA328P", 250_000));
    assert!(written[0].0 >= QUIET, "{written:?}");
    assert!(at < Duration::from_secs(3), "{at:?}");
}

#[test]
fn a_probe_of_a_chip_on_its_internal_oscillator_is_found_at_its_slower_rate() {
    let (heard, at, written) = inquire(probe(Duration::from_millis(1900), 38_400));
    let Heard::Probe { rate: 38_400, .. } = heard else { panic!("{heard:?}") };
    let rates: Vec<u32> = written.iter().map(|w| w.1).collect();
    assert_eq!(rates, [250_000, 38_400, 38_400], "who it is, twice, then its identity");
    assert!(at < Duration::from_secs(3), "{at:?}");
}

#[test]
fn a_probe_whose_boot_loader_takes_longer_is_found_in_the_second_round() {
    for asked in [250_000, 38_400] {
        let (heard, at, _) = inquire(probe(Duration::from_millis(3500), asked));
        let Heard::Probe { rate, .. } = heard else { panic!("{heard:?}") };
        assert_eq!(rate, asked);
        assert!(at < LIMIT, "{at:?}");
    }
}

#[test]
fn a_stranger_that_is_silent_hears_two_short_lines_at_each_rate_and_no_other() {
    let (heard, at, written) = inquire(|_, _, _| Vec::new());
    assert_eq!(heard, Heard::Silent);
    assert!(at <= LIMIT, "{at:?}");
    let rates: Vec<u32> = written.iter().map(|w| w.1).collect();
    assert_eq!(rates, [250_000, 38_400, 250_000, 38_400]);
    assert!(written[0].0 >= QUIET, "{written:?}");
    for (_, _, bytes) in &written {
        let text = String::from_utf8(bytes.clone()).unwrap();
        assert!(text.trim_start().starts_with("*IDN?") && text.len() < 32, "{text:?}");
    }
}

#[test]
fn a_stranger_that_talks_is_quoted_and_heard_out_no_longer_than_the_limit() {
    let mut said = Duration::ZERO;
    let (heard, at, _) = inquire(|now, _, _| {
        let due = now >= said + Duration::from_millis(200);
        said = if due { now } else { said };
        if due { b"humidity 61 %\r\n".to_vec() } else { Vec::new() }
    });
    let Heard::Other(text) = heard else { panic!("{heard:?}") };
    assert!(text.starts_with("humidity 61"), "{text}");
    assert!(at <= LIMIT, "{at:?}");
}

#[test]
fn a_port_that_is_not_there_is_told_as_absent() {
    let asked = ["ports", "--no-ask", "--ask", "/dev/ttyNONE7", "--format", "csv"];
    let ended = strapwise(&asked);
    assert_eq!((ended.code, ended.err.as_str()), (Some(3), ""), "{}", ended.out);
    let rows = rows(ended.out.as_bytes());
    let row = rows.iter().find(|r| r["port"] == "/dev/ttyNONE7").unwrap();
    assert_eq!(row["state"], "absent");
    assert!(row["note"].contains("no such port"), "{}", row["note"]);
}

#[test]
fn a_limit_that_leaves_no_time_to_answer_is_refused() {
    let ended = strapwise(&["ports", "--no-ask", "--limit", "1"]);
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""));
    assert!(ended.err.contains("longer than --quiet"), "{}", ended.err);
}

#[cfg(target_os = "linux")]
mod linux {
    use super::*;
    use served::{Served, demo_unit, slow_unit};

    fn ports(name: &str, more: &[&str]) -> cli_support::Ended {
        let fixed = ["ports", "--no-ask", "--ask", name, "--quiet", "0.1", "--limit", "5"];
        strapwise(&[&fixed[..], more].concat())
    }

    #[test]
    fn a_probe_on_a_port_is_named_with_the_way_to_its_first_reading() {
        let unit = Served::start(demo_unit);
        let ended = ports(&unit.name, &[]);
        assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
        let name = &unit.name;
        let said = format!("{name}: PROBE-ATMEGA328P 1.0 at 250000 baud");
        assert!(ended.out.contains(&said), "{}", ended.out);
        assert!(ended.out.contains(&format!("read BOARD --port {name}")), "{}", ended.out);
        assert!(ended.out.lines().all(|l| l.chars().count() <= 80), "{}", ended.out);
        let json = ports(&unit.name, &["--format", "json"]).out;
        let ports: Vec<serde_json::Value> = serde_json::from_str(&json).unwrap();
        let port = ports.iter().find(|p| p["port"] == name.as_str()).unwrap();
        assert_eq!(port["state"], "probe", "asked twice, it answers twice: {json}");
    }

    #[test]
    fn a_probe_at_the_slower_rate_is_named_with_it_and_then_read_without_a_word_of_it() {
        let unit = Served::start(slow_unit);
        let ended = ports(&unit.name, &["--format", "csv"]);
        assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
        let rows = rows(ended.out.as_bytes());
        let row = rows.iter().find(|r| r["port"] == unit.name).unwrap();
        assert_eq!((row["state"].as_str(), row["baud"].as_str()), ("probe", "38400"));
        let board = concat!(env!("CARGO_MANIFEST_DIR"), "/protocols/vent-controller.toml");
        let read = ["read", board, "--port", &unit.name, "--quiet", "0.1", "--expect", "delivery"];
        let ended = strapwise(&read);
        assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
        // Held to the other rate it is not heard, and both what was tried and what helps is said.
        let held = strapwise(&[&read[..], &["--baud", "250000"]].concat());
        assert_eq!((held.code, held.out.as_str()), (Some(3), ""));
        assert!(held.err.contains("3 tries at 250000 baud"), "{}", held.err);
        let resetting = strapwise(&[&read[..], &["--baud", "1200"]].concat());
        assert_eq!(resetting.code, Some(2), "{}", resetting.err);
    }

    #[test]
    fn a_port_that_another_program_has_is_told_as_busy_with_its_holder() {
        use serialport::{SerialPort as _, TTYPort};
        let (_far, near) = TTYPort::pair().unwrap();
        let name = near.name().unwrap();
        drop(near);
        let builder = serialport::new(&name, 250_000);
        let _held = TTYPort::open(&builder).unwrap();
        let ended = ports(&name, &["--format", "csv"]);
        assert_eq!(ended.code, Some(3));
        let rows = rows(ended.out.as_bytes());
        let row = rows.iter().find(|r| r["port"] == name).unwrap();
        assert_eq!(row["state"], "busy");
        let me = format!("(process {})", std::process::id());
        assert!(row["note"].contains(&me), "{}", row["note"]);
    }
}
