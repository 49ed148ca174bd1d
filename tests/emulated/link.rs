//! The link to a program on an emulated chip: the examples of its document, and the same answers as
//! the core in this program. For the image and for the sketch.

use crate::stand_in::{self, Fixed};
use emulated_board::{Conversion, Emulator, Input, PinMode, ResetCause, World as ChipWorld};
use std::time::Duration;
use strapwise::probe::core::{self as host, Core, Pins};

/// Longest a request may take: a burst of 65,535 lasts 6.8 s.
pub const WITHIN: Duration = Duration::from_secs(8);
/// From reset until the receiver is on.
pub const START: Duration = Duration::from_millis(5);

/// Sends a line that has a reply and returns it without its LF.
pub fn ask<W: ChipWorld>(board: &mut Emulator<W>, line: &str) -> String {
    let reply = board.request(format!("{line}\n").as_bytes(), WITHIN);
    let reply = reply.unwrap_or_else(|fault| panic!("{line}: {fault}"));
    String::from_utf8(reply).unwrap().trim_end_matches('\n').to_owned()
}

/// Sends a line that has none and lets it be done: an identity takes up to 0.6 s.
pub fn tell<W: ChipWorld>(board: &mut Emulator<W>, line: &str) {
    board.send(format!("{line}\n").as_bytes());
    let slow = ["IDEN", "SLOT"].iter().any(|word| line.contains(word));
    board.run_for(Duration::from_millis(if slow { 700 } else { 30 })).unwrap();
    assert_eq!(String::from_utf8_lossy(&board.take_sent()), "", "{line} has no reply");
}

/// The stand-in of the link document as the world of an emulated chip.
pub struct OnChip(pub Fixed);

impl ChipWorld for OnChip {
    fn advance(&mut self, _: Duration) {}

    fn set_mode(&mut self, pin: u8, mode: PinMode) {
        let mode = match mode {
            PinMode::Input => host::PinMode::Input,
            PinMode::PullUp => host::PinMode::PullUp,
            PinMode::Low => host::PinMode::Low,
            PinMode::High => host::PinMode::High,
        };
        self.0.set_mode(pin, mode);
    }

    fn convert(&mut self, conversion: Conversion) -> u16 {
        let input = match conversion.input {
            Input::Pin(mux) => host::Input::Pin(mux),
            Input::Bandgap => host::Input::Bandgap,
            Input::Ground => host::Input::Ground,
            other => panic!("the probe has no business with {other:?}"),
        };
        self.0.reference = match conversion.reference {
            emulated_board::Reference::Avcc => host::Reference::Supply,
            emulated_board::Reference::Internal => host::Reference::Internal,
            emulated_board::Reference::Aref => host::Reference::External,
            other => panic!("the probe has no business with {other:?}"),
        };
        self.0.convert(input, conversion.prescaler)
    }

    fn read(&mut self, pin: u8) -> bool {
        self.0.read(pin)
    }
}

// ---- the link document -------------------------------------------------------------------------

/// Replies with the time since reset blanked: the stand-in's clock is not the chip's.
fn timeless(reply: &str) -> String {
    let causes = ["POWER", "EXTERNAL", "BROWNOUT", "WATCHDOG", "UNKNOWN"];
    let parts = reply.split(';').map(|part| match part.rsplit_once(',') {
        Some((head, _)) if causes.iter().any(|cause| head.ends_with(cause)) => format!("{head},_"),
        _ => part.to_owned(),
    });
    parts.collect::<Vec<_>>().join(";")
}

fn happen(board: &mut Emulator<OnChip>, words: &[&str], at: usize) {
    let restart = |board: &mut Emulator<OnChip>, cause| {
        board.reset(cause);
        board.run_for(Duration::from_millis(400)).unwrap(); // the boot count is written
    };
    match words {
        ["wait", ms] => board.run_for(Duration::from_millis(ms.parse().unwrap())).unwrap(),
        ["reset", "power"] => restart(board, ResetCause::PowerOn),
        ["reset", "external"] => restart(board, ResetCause::External),
        ["reset", "brownout"] => restart(board, ResetCause::BrownOut),
        ["reset", "watchdog"] => restart(board, ResetCause::Watchdog),
        ["reset", "unknown"] => restart(board, ResetCause::Unknown),
        ["pin", number, state] => {
            let mode = board.mode(number.parse().unwrap()).unwrap();
            assert_eq!(format!("{mode:?}").to_lowercase(), *state, "line {at}, pin {number}");
        }
        ["bytes", hex @ ..] => {
            let bytes = hex.iter().map(|byte| u8::from_str_radix(byte, 16).unwrap());
            board.send(&bytes.collect::<Vec<_>>());
            board.run_for(Duration::from_millis(30)).unwrap();
        }
        other => panic!("line {at}: unknown event {other:?}"),
    }
}

fn run_block(fresh: &dyn Fn() -> Emulator<OnChip>, first: usize, block: &[&str]) -> usize {
    let mut board = fresh();
    let mut requests = 0;
    for (i, line) in block.iter().enumerate() {
        let at = first + i;
        if let Some(request) = line.strip_prefix("> ") {
            match block.get(i + 1).and_then(|next| next.strip_prefix("< ")) {
                Some(want) => {
                    let reply = timeless(&ask(&mut board, request));
                    assert_eq!(reply, timeless(want), "probe-link.md line {at}: {request}");
                }
                None => tell(&mut board, request),
            }
            requests += 1;
        } else if let Some(event) = line.strip_prefix("! ") {
            happen(&mut board, &event.split(' ').collect::<Vec<_>>(), at);
        }
    }
    requests
}

/// Every example of the document, each block on a chip that has just started.
pub fn every_example_holds(fresh: &dyn Fn() -> Emulator<OnChip>) {
    let text = include_str!("../../protocols/probe-link.md");
    let lines: Vec<&str> = text.lines().collect();
    let (mut requests, mut at) = (0, 0);
    while let Some(start) = lines[at..].iter().position(|line| *line == "```probe") {
        let first = at + start + 1;
        let end = first + lines[first..].iter().position(|line| *line == "```").unwrap();
        requests += run_block(fresh, first + 1, &lines[first..end]);
        at = end;
    }
    assert!(requests >= 85, "the document's examples were found: {requests}");
}

// ---- the core on the host ----------------------------------------------------------------------

/// Lines that say the same on a chip and over the core in this program.
pub fn answers_as_the_core_on_the_host(chip: &mut Emulator<OnChip>) {
    let mut host = Core::new(Fixed::new());
    let mut lines = vec![
        "SYST:IDEN #H1234,\"U1\",\"t0\"".to_owned(),
        "OUTP:ALL LOW,(@9,10);ALL HIGH,(@5),\"t1\"".to_owned(),
    ];
    // Every channel under every prescaler, pull-up off and on; refused ones are refused alike.
    for channel in 0..23 {
        for (prescaler, pull_up) in [(16, "OFF"), (32, "ON"), (64, "OFF"), (128, "ON")] {
            let n = 4 * (channel + 1);
            let tail = format!("(@{channel}),\"c{channel}\"");
            lines.push(format!("MEAS:BURS? {n},{pull_up},50,4,{prescaler},{tail}"));
            lines.push(format!("MEAS:LEV? 3,{pull_up},50,{tail}"));
            lines.push(format!("OUTP {pull_up},{tail}"));
            lines.push("*STB?;*ESR?;SYST:ERR?".to_owned());
        }
    }
    for line in lines {
        let want = stand_in::ask(&mut host, &line);
        assert_eq!(ask(chip, &line), want, "{line}");
    }
}
