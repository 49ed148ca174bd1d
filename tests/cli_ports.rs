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

/// Leads an inquiry to its end; `answer` is what comes on the line by a time. Who was heard, when,
/// and each time that something was written.
fn inquire(
    mut line: impl FnMut(Duration, &[u8]) -> Vec<u8>,
) -> (Heard, Duration, Vec<(Duration, Vec<u8>)>) {
    let mut now = Duration::ZERO;
    let mut written = Vec::new();
    let (mut inquiry, mut bytes) = Inquiry::new(7, QUIET, LIMIT);
    loop {
        if !bytes.is_empty() {
            written.push((now, bytes.clone()));
        }
        let come = line(now, &bytes);
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

fn probe(boot_loader: Duration) -> impl FnMut(Duration, &[u8]) -> Vec<u8> {
    let text = include_str!("../protocols/vent-controller.toml");
    let board = Arc::new(strapwise::board::parse("demo", text).unwrap());
    let mut unit = VirtualBoard::with_boot_loader(World::new(board, 1), boot_loader);
    move |now, bytes| {
        unit.advance_to(now);
        unit.write(bytes);
        unit.read()
    }
}

#[test]
fn a_probe_is_asked_only_after_the_boot_loaders_time_and_says_who_it_is() {
    let (heard, at, written) = inquire(probe(Duration::from_millis(1900)));
    let Heard::Probe { model, identity: 0, .. } = heard else { panic!("{heard:?}") };
    assert_eq!(model, "PROBE-ATMEGA328P");
    assert!(written[0].0 >= QUIET, "{written:?}");
    assert!(at < Duration::from_secs(3), "{at:?}");
}

#[test]
fn a_stranger_that_is_silent_hears_three_short_lines_at_most() {
    let (heard, at, written) = inquire(|_, _| Vec::new());
    assert_eq!(heard, Heard::Silent);
    assert!(at <= LIMIT, "{at:?}");
    assert!(written.len() <= 3 && written[0].0 >= QUIET, "{written:?}");
    for (_, bytes) in &written {
        let text = String::from_utf8(bytes.clone()).unwrap();
        assert!(text.trim_start().starts_with("*IDN?") && text.len() < 32, "{text:?}");
    }
}

#[test]
fn a_stranger_that_talks_is_quoted_and_heard_out_no_longer_than_the_limit() {
    let mut said = Duration::ZERO;
    let (heard, at, _) = inquire(|now, _| {
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
    use served::{Served, demo_unit};

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
        assert!(ended.out.contains(&format!("{name}: PROBE-ATMEGA328P 1.0")), "{}", ended.out);
        assert!(ended.out.contains(&format!("read BOARD --port {name}")), "{}", ended.out);
        assert!(ended.out.lines().all(|l| l.chars().count() <= 80), "{}", ended.out);
        let json = ports(&unit.name, &["--format", "json"]).out;
        let ports: Vec<serde_json::Value> = serde_json::from_str(&json).unwrap();
        let port = ports.iter().find(|p| p["port"] == name.as_str()).unwrap();
        assert_eq!(port["state"], "probe", "asked twice, it answers twice: {json}");
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
