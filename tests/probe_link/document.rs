//! Every example of `protocols/probe-link.md`.

use crate::stand_in::{Fixed, ask, probe, reset};
use strapwise::probe::core::{
    Core, PinMode, RESET_BROWNOUT, RESET_EXTERNAL, RESET_POWER, RESET_WATCHDOG,
};

fn mode_called(name: &str) -> PinMode {
    match name {
        "input" => PinMode::Input,
        "pullup" => PinMode::PullUp,
        "low" => PinMode::Low,
        "high" => PinMode::High,
        other => panic!("unknown pin state {other}"),
    }
}

/// Does what a `! ` line says.
fn happen(core: &mut Core<Fixed>, words: &[&str], at: usize) {
    match words {
        ["wait", ms] => {
            core.pins().clock_us += 1000 * ms.parse::<u64>().expect("milliseconds");
            core.poll();
        }
        ["reset", "power"] => reset(core, RESET_POWER),
        ["reset", "external"] => reset(core, RESET_EXTERNAL),
        ["reset", "brownout"] => reset(core, RESET_BROWNOUT),
        ["reset", "watchdog"] => reset(core, RESET_WATCHDOG),
        ["reset", "unknown"] => reset(core, 0),
        ["pin", number, state] => {
            let number: usize = number.parse().expect("pin number");
            assert_eq!(core.pins().modes[number], mode_called(state), "line {at}, pin {number}");
        }
        ["bytes", hex @ ..] => {
            for byte in hex {
                core.receive(&[u8::from_str_radix(byte, 16).expect("hex")]);
            }
        }
        other => panic!("line {at}: unknown event {other:?}"),
    }
}

/// Runs one block, given with the number of its first line; says how many requests it held.
fn run_block(first: usize, block: &[&str]) -> usize {
    let mut core = probe();
    let mut requests = 0;
    for (i, line) in block.iter().enumerate() {
        let at = first + i;
        if let Some(request) = line.strip_prefix("> ") {
            let want = block.get(i + 1).and_then(|l| l.strip_prefix("< ")).unwrap_or("");
            assert_eq!(ask(&mut core, request), want, "probe-link.md line {at}: {request}");
            requests += 1;
        } else if let Some(event) = line.strip_prefix("! ") {
            happen(&mut core, &event.split(' ').collect::<Vec<_>>(), at);
        } else {
            assert!(line.starts_with("< ") || line.starts_with("# "), "line {at}: {line}");
        }
    }
    requests
}

#[test]
fn every_example_of_the_link_document_gives_its_reply_byte_for_byte() {
    let text = include_str!("../../protocols/probe-link.md");
    let lines: Vec<&str> = text.lines().collect();
    let mut requests = 0;
    let mut at = 0;
    while let Some(start) = lines[at..].iter().position(|l| *l == "```probe") {
        let first = at + start + 1;
        let end = first + lines[first..].iter().position(|l| *l == "```").expect("block ends");
        requests += run_block(first + 1, &lines[first..end]);
        at = end;
    }
    assert!(requests >= 85, "the document's examples were found: {requests}");
}
