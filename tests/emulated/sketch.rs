//! The sketch over the real Arduino core, on emulated chips: what the image proves of itself, the
//! sketch proves too, and the ATmega2560 has its own pins, inputs and EEPROM.

#[path = "../probe_link/stand_in.rs"]
#[allow(dead_code, reason = "shared with the tests of the core on the host")]
mod stand_in;

#[path = "link.rs"]
mod link;

use emulated_board::{
    Conversion, Emulator, Image, Input, Part, PinMode, Reference, ResetCause, World,
};
use link::{OnChip, START, ask, tell};
use stand_in::Fixed;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::time::Duration;

/// Where the sketch lies and its images, built once, and what the build said.
fn built() -> &'static (PathBuf, String) {
    static BUILT: OnceLock<(PathBuf, String)> = OnceLock::new();
    BUILT.get_or_init(|| {
        let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join("sketch");
        let build = Path::new(env!("CARGO_MANIFEST_DIR")).join("../probe/build");
        let done = Command::new(build)
            .args(["--sketch", "--avr", "--out"])
            .arg(&out)
            .output()
            .expect("the build script runs");
        let said = String::from_utf8_lossy(&done.stdout).into_owned();
        let wrong = String::from_utf8_lossy(&done.stderr);
        assert!(done.status.success(), "{said}{wrong}");
        (out, said)
    })
}

fn board<W: World>(part: Part, world: W) -> Emulator<W> {
    let chip = if part == Part::Atmega328p { "atmega328p" } else { "atmega2560" };
    let image = built().0.join(format!("strapwise_probe-{chip}.hex"));
    let mut board = Emulator::of(part, &Image::read(&image).unwrap(), world).unwrap();
    board.run_for(START).unwrap();
    board
}

/// Each input gives its number times 50 and 100 more; which ones were converted, against what and
/// when.
#[derive(Default)]
struct Inputs {
    now: Duration,
    at: Vec<Duration>,
    made: Vec<(Input, Reference)>,
    modes: Vec<(u8, PinMode)>,
}

impl World for Inputs {
    fn advance(&mut self, now: Duration) {
        self.now = now;
    }

    fn set_mode(&mut self, pin: u8, mode: PinMode) {
        self.modes.push((pin, mode));
    }

    fn convert(&mut self, conversion: Conversion) -> u16 {
        self.made.push((conversion.input, conversion.reference));
        self.at.push(self.now);
        match conversion.input {
            Input::Pin(mux) => 100 + 50 * u16::from(mux),
            Input::Bandgap => 225,
            Input::Ground => 0,
            other => panic!("the probe has no business with {other:?}"),
        }
    }

    fn read(&mut self, pin: u8) -> bool {
        pin.is_multiple_of(2)
    }
}

/// Bytes of flash and of variables, as the build script printed them.
fn sizes(chip: &str) -> (u32, u32) {
    let line = built().1.lines().find(|l| l.starts_with(&format!("strapwise_probe-{chip}:")));
    let words: Vec<&str> = line.expect("a line for the chip").split_whitespace().collect();
    (words[2].parse().expect("flash"), words[7].parse().expect("RAM"))
}

#[test]
fn the_sketch_fits_beside_the_boot_loader_of_either_chip() {
    // 512 bytes of boot loader on the one, 8 KB on the other (boards.txt of the core).
    for (chip, flash, ram) in [("atmega328p", 32_256, 2_048), ("atmega2560", 253_952, 8_192)] {
        let (text, variables) = sizes(chip);
        assert!(text > 10_000 && text < flash, "{chip}: {text}");
        assert!(variables > 500 && variables + 512 < ram, "{chip}: {variables}");
    }
}

#[test]
fn every_example_of_the_link_document_holds_on_the_sketch() {
    link::every_example_holds(&|| board(Part::Atmega328p, OnChip(Fixed::new())));
}

#[test]
fn the_sketch_answers_byte_for_byte_as_the_core_on_the_host() {
    link::answers_as_the_core_on_the_host(&mut board(Part::Atmega328p, OnChip(Fixed::new())));
}

#[test]
fn the_stack_of_the_sketch_leaves_ram_untouched() {
    let mut board = board(Part::Atmega328p, OnChip(Fixed::new()));
    tell(&mut board, "SYST:IDEN #HFFFFFFFF,\"a unit\"");
    for line in ["MEAS:BURS? 961,ON,50,1,128,(@14)", "MEAS:RAW? 200,OFF,0,0,128,(@15)", "*TST?"] {
        ask(&mut board, line);
    }
    let ram = board.ram_use();
    println!("sketch on the ATmega328P: {ram:?}");
    assert!(ram.untouched > 256, "{ram:?}");
}

#[test]
fn a_burst_of_the_sketch_keeps_the_pace_of_the_converter_and_loses_no_conversion() {
    let mut board = board(Part::Atmega328p, Inputs::default());
    let reply = ask(&mut board, "MEAS:BURS? 961,OFF,0,1,128,(@15)");
    assert!(reply.starts_with("961,144150,"), "961 times 150: {reply}");
    let at = board.world().at.clone();
    // One for the converter that goes on, one dropped, one that was under way at the end.
    assert!((961..=964).contains(&at.len()), "{}", at.len());
    // The core's clock interrupts now and then, the pace is the converter's all the same: 1,691
    // cycles in the emulator (1,664 on silicon).
    let cycles: Vec<u128> =
        at.windows(2).skip(2).map(|t| (t[1] - t[0]).as_nanos() * 16 / 1000).collect();
    assert!(cycles.iter().all(|c| (1_660..1_700).contains(c)), "{cycles:?}");
    assert_eq!(board.counts().overruns, 0);
}

// ---- ATmega2560 --------------------------------------------------------------------------------

fn mega() -> Emulator<Inputs> {
    board(Part::Atmega2560, Inputs::default())
}

#[test]
fn the_atmega2560_says_who_it_is_and_reads_its_sixteen_inputs() {
    let mut board = mega();
    assert_eq!(ask(&mut board, "*IDN?"), "Strapwise,PROBE-ATMEGA2560,0,1.0");
    for input in 0..16_u8 {
        // PF0 to PF7 and PK0 to PK7.
        let channel = if input < 8 { 40 + input } else { 48 + input };
        board.world().made.clear();
        let reply = ask(&mut board, &format!("MEAS:BURS? 20,OFF,0,1,128,(@{channel})"));
        let sum = 20 * (100 + 50 * u32::from(input));
        assert!(reply.starts_with(&format!("20,{sum},")), "channel {channel}: {reply}");
        let made = &board.world().made;
        let wanted = (Input::Pin(input), Reference::Avcc);
        assert!(made.len() > 20 && made.iter().skip(1).all(|m| *m == wanted), "{made:?}");
    }
    let supply = ask(&mut board, "MEAS:SUPP? 100");
    assert!(supply.starts_with("100,22500,"), "the internal reference: {supply}");
    assert_eq!(ask(&mut board, "*TST?"), "0");
    assert!(ask(&mut board, "MEAS:CHAR? 10,(@56)").starts_with("10,2000,2000"));
}

#[test]
fn the_pins_of_the_atmega2560_are_its_own_and_those_of_the_link_are_not_to_be_had() {
    let mut board = mega();
    for (channel, error) in [(32, -222), (33, -222), (54, -222), (64, -222), (34, 0), (63, 0)] {
        tell(&mut board, "*CLS");
        let reply = board.request(
            format!("MEAS:LEV? 3,OFF,0,(@{channel}),\"t\"\n").as_bytes(),
            Duration::from_secs(1),
        );
        let reply = String::from_utf8(reply.unwrap()).unwrap();
        let said = if error == 0 { "0,\"t\"," } else { "-222,\"t\"," };
        assert!(reply.contains(said), "channel {channel}: {reply}");
    }
    // Port B of the emulator's world has the numbers 8 to 13, port C 14 to 19, port D 0 to 7.
    for (channel, ones) in [(8, 4), (9, 0), (16, 4), (17, 0), (24, 4), (25, 0)] {
        let reply = ask(&mut board, &format!("MEAS:LEV? 4,OFF,0,(@{channel})"));
        assert_eq!(reply, format!("4,{ones}"), "channel {channel}");
    }
    board.world().modes.clear();
    tell(&mut board, "OUTP:ALL HIGH,(@16);:OUTP ON,(@16)");
    let pulled = (14, PinMode::PullUp); // on its way from input to high
    assert_eq!(board.world().modes, [pulled, (14, PinMode::High), (14, PinMode::Low)]);
}

#[test]
fn the_atmega2560_keeps_its_identity_at_the_end_of_its_own_eeprom_and_counts_boots() {
    let mut board = mega();
    tell(&mut board, "SYST:IDEN #HC0FFEE01,\"VC-007\"");
    board.reset(ResetCause::BrownOut);
    board.run_for(Duration::from_millis(400)).unwrap();
    assert!(ask(&mut board, "SYST:BOOT?").starts_with("1,BROWNOUT,"));
    assert_eq!(ask(&mut board, "SYST:IDEN?"), "#HC0FFEE01,\"VC-007\"");
    assert!(ask(&mut board, "MEM:SLOT? 1").starts_with("\"53577031"), "SWp1");
}
