//! The probe for other chips: what the core holds of each against the profile that board files are
//! read by, codes of twelve bits to the last one, and the sketch's own hardware files over a
//! stand-in of the Arduino core.
//!
//! The stand-in (`bench-scripts/probe/sketch/stand-in`) is ours: it proves that the hardware files
//! compile and ask for the right things, and nothing of the silicon.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::OnceLock;
use strapwise::board::chip::{Chip, chip};
use strapwise::probe::core::{Core, Input, Model, PinMode, Pins, Reference};
use strapwise::probe::message::{Reply, Request};

/// Pins of any chip that tell what was asked of them.
struct Told {
    model: Model,
    codes: Vec<u16>,
    turn: usize,
    converted: Vec<Input>,
    read: Vec<u8>,
}

impl Pins for Told {
    fn model(&self) -> Model {
        self.model
    }

    fn set_reference(&mut self, _: Reference) {}

    fn convert(&mut self, input: Input, _: u8) -> u16 {
        self.converted.push(input);
        self.turn += 1;
        self.codes[(self.turn - 1) % self.codes.len()]
    }

    fn set_mode(&mut self, _: u8, _: PinMode) {}

    fn read(&mut self, pin: u8) -> bool {
        self.read.push(pin);
        true
    }

    fn wait_us(&mut self, _: u32) {}

    fn now_ms(&mut self) -> u32 {
        0
    }

    fn eeprom_read(&mut self, _: u16) -> u8 {
        0xFF
    }

    fn eeprom_write(&mut self, _: u16, _: u8) {
        panic!("nothing is written unasked");
    }

    fn reset_cause(&mut self) -> u8 {
        0
    }

    fn fuses(&mut self) -> Option<[u8; 4]> {
        None
    }

    fn number(&mut self) -> u32 {
        0xDECADE
    }
}

fn probe(model: Model, codes: Vec<u16>) -> Core<Told> {
    Core::new(Told { model, codes, turn: 0, converted: Vec::new(), read: Vec::new() })
}

fn ask(core: &mut Core<Told>, line: &str) -> String {
    core.receive(line.as_bytes());
    core.receive(b"\n");
    let said = String::from_utf8(core.take_output()).expect("replies are text");
    said.trim_end().to_string()
}

/// Asks and gives the error number that it left behind.
fn error_of(core: &mut Core<Told>, line: &str) -> i32 {
    ask(core, line);
    let error = ask(core, "SYST:ERR?");
    error.split(',').next().expect("a number").parse().expect("a number")
}

fn profile(model: Model) -> Arc<Chip> {
    chip(model.chip()).expect("a profile for every probe")
}

#[test]
fn core_and_profile_agree_on_every_pin() {
    for model in Model::ALL {
        let (chip, mut core) = (profile(model), probe(model, vec![1]));
        let name = format!("Strapwise,PROBE-{},", chip.part.to_uppercase());
        assert!(ask(&mut core, "*IDN?").starts_with(&name), "{name}");
        for number in 0..=80_u8 {
            let pin = chip.pins.iter().find(|p| p.number == number && !p.reserved);
            let what = format!("{} channel {number}, {pin:?}", chip.part);
            core.pins().converted.clear();
            core.pins().read.clear();
            let burst = error_of(&mut core, &format!("MEAS:BURS? 1,OFF,0,0,128,(@{number})"));
            let level = error_of(&mut core, &format!("MEAS:LEV? 1,OFF,0,(@{number})"));
            let Some(pin) = pin else {
                assert_eq!((burst, level), (-222, -222), "{what}");
                continue;
            };
            assert_eq!(burst, if pin.adc.is_some() { 0 } else { -241 }, "{what}");
            assert_eq!(level, if pin.digital { 0 } else { -241 }, "{what}");
            let converted: Vec<Input> = pin.adc.map(Input::Pin).into_iter().collect();
            assert_eq!(core.pins().converted, converted, "{what}");
            let pulled = error_of(&mut core, &format!("MEAS:LEV? 1,ON,0,(@{number})"));
            assert_eq!(pulled, if pin.pull_up { 0 } else { -241 }, "{what}");
        }
    }
}

#[test]
fn what_a_chip_has_not_is_refused_by_name() {
    for model in Model::ALL {
        let (chip, mut core) = (profile(model), probe(model, vec![225]));
        let analog = chip.pins.iter().find(|p| p.adc.is_some()).expect("a converter").number;
        let refused = |yes: bool| if yes { 0 } else { -241 };
        let supply = error_of(&mut core, "MEAS:SUPP? 10");
        assert_eq!(supply, refused(chip.reads_supply), "{}", chip.part);
        let charge = error_of(&mut core, &format!("MEAS:CHAR? 4,(@{analog})"));
        assert_eq!(charge, refused(chip.ground_input), "{}", chip.part);
        let test = ask(&mut core, "*TST?");
        assert_eq!(test == "4", !chip.reads_supply, "nothing tested is not passed: {test}");
        let keeps = matches!(model, Model::Atmega328p | Model::Atmega2560);
        assert_eq!(error_of(&mut core, "MEM:SLOT? 1"), refused(keeps), "{}", chip.part);
        let identity = if keeps { "#H0" } else { "#H00DECADE" };
        assert_eq!(ask(&mut core, "SYST:IDEN?"), format!("{identity},\"\""), "{}", chip.part);
        if !keeps {
            assert_eq!(error_of(&mut core, "SYST:IDEN 7,\"V1\""), -241);
            assert_eq!(error_of(&mut core, "SYST:REF SUPP"), 0);
            assert_eq!(error_of(&mut core, "SYST:REF SUPP,INT"), -241);
        }
    }
}

#[test]
fn sums_of_twelve_bits_are_exact_over_the_longest_burst() {
    let codes = vec![4095, 4095, 0, 4095, 4094];
    for (model, pin) in [(Model::Samd21, 2), (Model::Rp2040, 26)] {
        let mut core = probe(model, codes.clone());
        let said = ask(&mut core, &format!("MEAS:BURS? 65535,OFF,0,0,128,(@{pin})"));
        let all: Vec<u64> = (0..65_535).map(|i| u64::from(codes[i % 5])).collect();
        let sum: u64 = all.iter().sum();
        let square: u64 = all.iter().map(|c| c * c).sum();
        let lag: u64 = (0..65_535).map(|i| all[i] * all[(i + 1) % 65_535]).sum();
        assert_eq!(said, format!("65535,{sum},{square},0,4095,{lag},0,4095"));
    }
}

#[test]
fn raw_samples_of_twelve_bits_come_back_one_by_one() {
    let codes: Vec<u16> = (0..97_u32).map(|i| ((i * 1021 + 4095 - i) % 4096) as u16).collect();
    for n in [1_u16, 2, 3, 31, 32, 33, 97] {
        let mut core = probe(Model::Rp2040, codes.clone());
        let (pull_up, prescaler, bits) = (false, 128, 12);
        let (settle_us, discard) = (0, 0);
        let request = Request::Raw { channel: 26, n, pull_up, settle_us, discard, prescaler, bits };
        let line = request.encode("t");
        core.receive(&line);
        let sent = core.take_output();
        assert!(sent.len() <= request.largest_reply(), "{n}");
        let answer = request.open(&line, &sent).expect("a whole answer");
        let Ok(Reply::Raw(raw)) = answer.reply(&request) else { panic!("raw samples") };
        assert_eq!(raw.codes().as_deref(), codes.get(..usize::from(n)), "{n}");
    }
}

// ---- the sketch over the stand-in --------------------------------------------------------------

/// Where the build script has put the programs.
fn built() -> &'static PathBuf {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join("sketch-stand-in");
        let build = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench-scripts/probe/build");
        let done = Command::new(build)
            .args(["--sketch", "--stand-in", "--out"])
            .arg(&out)
            .output()
            .expect("the build script runs");
        let wrong = String::from_utf8_lossy(&done.stderr);
        assert!(done.status.success(), "{wrong}");
        out
    })
}

/// What the sketch of a chip answers to these lines.
fn sketch(chip: &str, lines: &[&str]) -> Vec<String> {
    let mut child = Command::new(built().join(format!("strapwise_probe-{chip}")))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut hands = child.stdin.take().expect("its input");
    hands.write_all(format!("{}\n", lines.join("\n")).as_bytes()).expect("it listens");
    drop(hands);
    let done = child.wait_with_output().expect("it ends");
    assert!(done.status.success(), "{lines:?}: {}", done.status);
    String::from_utf8(done.stdout).expect("text").lines().map(str::to_string).collect()
}

#[test]
fn the_sketch_of_either_chip_says_who_it_is_and_measures() {
    // By hand: 240 of the 961 codes are 1001, the others 1000.
    let burst = "961,961240,961480240,1000,1001,961480000,1000,1001";
    for (chip, driven, open, top, number) in
        [("samd21", 2, 40, 4, "AE8E8135"), ("rp2040", 26, 27, 28, "0392F78C")]
    {
        let lines = [
            "*IDN?".to_string(),
            format!("MEAS:BURS? 961,OFF,0,0,128,(@{driven})"),
            format!("MEAS:BURS? 4,ON,100,0,128,(@{driven})"),
            format!("MEAS:BURS? 1,OFF,0,0,128,(@{open})"),
            format!("MEAS:BURS? 1,ON,0,0,128,(@{open})"),
            format!("MEAS:BURS? 1,OFF,0,0,128,(@{open})"),
            format!("MEAS:BURS? 2,OFF,0,0,128,(@{top})"),
            "SYST:ERR?".to_string(),
        ];
        let lines: Vec<&str> = lines.iter().map(String::as_str).collect();
        let said = sketch(chip, &lines);
        let name = format!("Strapwise,PROBE-{},{number},1.0", chip.to_uppercase());
        assert_eq!(said[..2], [name, burst.to_string()], "{chip}");
        assert!(said[2].starts_with("4,4001,"), "{chip}: a driven pin: {}", said[2]);
        // The open one follows its pull-up, which is off again afterwards.
        let open: Vec<u32> = said[3..6]
            .iter()
            .map(|l| l.split(',').nth(1).expect("a sum").parse().expect("a sum"))
            .collect();
        assert!(open[0] < 2 && open[1] >= 4000 && open[2] < 2, "{chip}: {open:?}");
        assert!(said[6].starts_with("2,8190,"), "{chip}: {}", said[6]);
        assert_eq!(said[7], "0,\"No error\"", "{chip}");
    }
}

#[test]
fn the_sketch_paces_a_burst_as_the_converter_of_the_atmega328p() {
    // The stand-in's clock goes on by 1 us each time it is asked: only waiting makes it pass.
    for (chip, pin) in [("samd21", 2), ("rp2040", 26)] {
        let burst = format!("SYST:BOOT?;:MEAS:BURS? 961,OFF,0,0,128,(@{pin});:SYST:BOOT?");
        let said = sketch(chip, &[&burst]).concat();
        let uptimes: Vec<u32> = said
            .split(';')
            .filter(|part| part.starts_with("0,"))
            .map(|part| part.rsplit(',').next().expect("ms").parse().expect("ms"))
            .collect();
        let [before, after] = uptimes[..] else { panic!("{chip}: {said}") };
        // 961 times 104 us.
        assert!((99..=101).contains(&(after - before)), "{chip}: {before} to {after} ms");
    }
}

#[test]
fn the_sketch_keeps_to_pins_that_its_board_brings_out() {
    // The stand-in's variant has PA10, PA08 and PB10, and not PA11; PA08 is an input of the chip's
    // converter that analogRead cannot be asked for; the stand-in aborts when asked wrongly.
    let said = sketch(
        "samd21",
        &[
            "MEAS:LEV? 1,ON,0,(@10)",
            "MEAS:LEV? 1,OFF,0,(@11)",
            "SYST:ERR?",
            "MEAS:BURS? 1,OFF,0,0,128,(@8)",
            "SYST:ERR?",
            "MEAS:LEV? 1,OFF,0,(@24)",
            "SYST:ERR?",
            "SYST:BOOT?",
        ],
    );
    let refused = "-222,\"Data out of range\"";
    assert_eq!(said[..4], ["1,1", refused, "-241,\"Hardware missing\"", refused]);
    assert!(said[4].starts_with("0,EXTERNAL,"), "from RCAUSE: {}", said[4]);
}

#[test]
fn a_load_of_the_sketch_is_driven_off_then_on_and_off_again() {
    for (chip, pin) in [("samd21", 8), ("rp2040", 8)] {
        let level = format!("MEAS:LEV? 1,OFF,0,(@{pin})");
        let lines = [
            &level,
            &format!("OUTP:ALL HIGH,(@{pin})"),
            &level,
            &format!("OUTP ON,(@{pin});:OUTP:HOLD 100"),
            &level,
            "ABOR",
            &level,
            "SYST:ERR?",
        ];
        let said = sketch(chip, &lines);
        assert_eq!(said, ["1,0", "1,1", "1,0", "1,1", "0,\"No error\""], "{chip}");
    }
}
