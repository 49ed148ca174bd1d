//! The project's proof on real input: the program, through its serial port, leads a unit whose
//! compiled firmware runs in the emulator, and the record is judged value by value.
//!
//! What this proves: registers, interrupts, the UART, the language and the procedure of the image
//! that is flashed. What it does not: the converter of silicon, brown-outs, DTR.

#[allow(dead_code, reason = "it leads units through `diagnose` too")]
mod stand;

use stand::{Emulated, Ended, bench, strapwise};

fn number(text: &str) -> f64 {
    text.parse().unwrap_or_else(|_| panic!("`{text}` is no number"))
}

fn plain(board: &mut Emulated) -> Ended {
    bench(board, &mut |_, _| false)
}

/// What the demo board's circuit gives, by hand: ladder 1k8, 2k7, 2k2, 1k5 from supply to ground
/// (8k2 in all); loopback 10 kΩ against 47 kΩ to either rail and 25 Ω or less of switch.
const LADDER: [(&str, &str, f64); 5] = [
    ("1", "seedlings", 1023.0),
    ("2", "herbs", 1024.0 * 6.4 / 8.2),
    ("3", "tomatoes", 1024.0 * 3.7 / 8.2),
    ("4", "orchids", 1024.0 * 1.5 / 8.2),
    ("5", "cacti", 0.0),
];

#[test]
fn a_good_unit_passes_with_every_option_read_right() {
    let mut asked = false;
    let run = bench(&mut Emulated::new(&[]), &mut |line, board| {
        let word = line.split_whitespace().nth(1).unwrap_or_default();
        // A key may end a move that no reading tells.
        asked = if word == "do" { !line.contains("press Enter") } else { asked && word != "ask" };
        if let (true, "moved", Some(since)) = (asked, word, board.seated()) {
            let stood = since.elapsed().as_secs_f64();
            assert!(stood >= 0.2, "{line} after {stood} s, and it has to stand for 0.2 s");
        }
        false
    });
    assert_eq!(run.exit, 0, "{}", run.lines.join("\n"));
    assert_eq!(run.unit()["verdict"], "PASS");
    for (position, option, code) in LADDER {
        let r = run.reading("PROFILE", "J1", position);
        assert_eq!((r["option_expected"].as_str(), r["option_read"].as_str()), (option, option));
        let mean = number(&r["mean_code"]);
        assert!((mean - code).abs() < 12.0, "J1={position}: {mean} for {code}");
        assert_eq!(r["n"], "961", "the burst spans whole mains periods");
        assert_eq!(r["moved_by"], "changed");
        assert!(number(&r["margin_code"]) > 40.0);
        assert!(number(&r["remaining_margin_code"]) <= number(&r["margin_code"]));
        assert!(number(&r["band_low_code"]) <= mean && mean <= number(&r["band_high_code"]));
    }
    // End taps read 0 and full scale; they count only with the proof that the pin is driven.
    assert_eq!(run.reading("PROFILE", "J1", "1")["driven_proof"], "charge sharing");
    assert_eq!(run.reading("PROFILE", "J1", "5")["driven_proof"], "pull-up");
    for (position, option) in [("wet", "supply out"), ("dry", "ground out")] {
        assert_eq!(run.reading("LOOP", "J5", position)["option_read"], option);
    }
    assert_eq!(run.reading("ADDR0", "J2", "fitted")["mean_code"], "0.000");
    assert_eq!(run.reading("ADDR1", "J3", "open")["mean_code"], "1.000");
    for row in run.kind("question") {
        assert_eq!((row["answer"].as_str(), row["verdict"].as_str()), ("yes", "pass"));
    }
}

#[test]
fn the_sag_of_each_load_is_measured() {
    let run = plain(&mut Emulated::new(&[]));
    let supply = run.kind("supply");
    let loads: Vec<&str> = supply.iter().map(|r| r["load"].as_str()).collect();
    assert_eq!(loads, ["VENT", "MAT"]);
    // The unit's supply gives in the middle of what the board file expects of each dummy load.
    for (row, (low, high)) in supply.iter().zip([(40.0, 90.0), (90.0, 160.0)]) {
        let sag = number(&row["sag_mv"]);
        assert!((low..high).contains(&sag), "{}: {sag} mV", row["load"]);
        assert!(number(&row["supply_loaded_mv"]) < number(&row["supply_mv"]));
        assert_eq!(row["verdict"], "pass");
        let note = &row["note"];
        let dip = note.split("as it goes on a dip of ").nth(1).and_then(|n| n.split(' ').next());
        let dip = number(dip.unwrap_or_else(|| panic!("{note}")));
        // A code of the reference is 22 mV; the supply of the emulated unit sags at once.
        assert!((sag - 45.0..sag + 25.0).contains(&dip), "{sag} mV, then {note}");
    }
    let under = |loads: &str| {
        let on = |load: &str| load.strip_prefix("K1 ").unwrap_or(load) == loads;
        run.kind("check").iter().filter(|r| on(&r["load"])).count()
    };
    let under = ["VENT", "MAT", "VENT MAT"].map(under);
    assert_eq!(under, [6, 6, 6], "each channel, under each load and under both");
    let [both] = run.kind("loads")[..] else { panic!("both at once, once") };
    assert_eq!((both["load"].as_str(), both["verdict"].as_str()), ("VENT MAT", "pass"));
}

/// Runs a unit with a defect and returns the closing row's reason; `diagnose` must name the cause
/// from the record.
fn caught(defect: &str, verdict: &str, cause: &str) -> String {
    let run = plain(&mut Emulated::new(&[defect]));
    assert_eq!(run.unit()["verdict"], verdict, "{defect}\n{}", run.lines.join("\n"));
    assert_eq!(run.exit, if verdict == "FAIL" { 1 } else { 4 });
    let diagnosed = run.diagnosed();
    assert!(diagnosed.contains(cause), "{defect}: {diagnosed}");
    run.unit()["reason"].clone()
}

#[test]
fn an_open_ladder_resistor_is_caught() {
    let reason = caught("plant open R2", "FAIL", "R2 is open");
    assert!(reason.contains("PROFILE at J1=3"), "{reason}");
}

#[test]
fn a_resistor_of_the_next_decade_is_caught() {
    let reason = caught("plant value R3 22000", "FAIL", "R3 is about 10 times its value");
    assert!(reason.contains("PROFILE at J1=3"), "{reason}");
}

#[test]
fn a_contact_that_does_not_close_is_caught() {
    let reason = caught("plant contact J1 4", "FAIL", "J1 does not make contact on 4");
    assert!(reason.contains("PROFILE at J1=4: nothing drives the pin"), "{reason}");
}

#[test]
fn a_switch_that_never_closes_is_caught() {
    let reason = caught("plant never-closes K1", "FAIL", "K1 never closes");
    assert!(reason.contains("LOOP at J5=dry"), "{reason}");
}

#[test]
fn a_switch_that_never_opens_is_caught() {
    let reason = caught("plant never-opens K1", "FAIL", "K1 never opens");
    assert!(reason.contains("does it switch off?"), "{reason}");
}

#[test]
fn a_load_that_draws_nothing_is_caught() {
    let reason = caught("dead MAT", "FAIL", "MAT draws nothing");
    assert!(reason.contains("MAT") && reason.contains("draws nothing"), "{reason}");
}

#[test]
fn a_lamp_driver_that_never_closes_is_seen_by_the_operator() {
    let reason = caught("plant never-closes Q1", "FAIL", "Q1 never closes");
    assert!(reason.contains("lamps-lit"), "{reason}");
}

#[test]
fn a_shunt_on_the_wrong_position_is_asked_about_and_put_right() {
    let mut misplaced = false;
    let run = bench(&mut Emulated::new(&[]), &mut |line, board| {
        let asked = line.contains("J1: move the shunt to position 4");
        if asked && !misplaced {
            misplaced = true;
            board.command("J1=open");
            board.command("J1=5");
            return true;
        }
        if line.contains("J1 reads as 5: is the shunt on 4") {
            board.command("J1=open");
            board.command("J1=4");
            return true;
        }
        false
    });
    assert_eq!(run.unit()["verdict"], "PASS", "{}", run.lines.join("\n"));
    assert!(run.rows.iter().any(|r| r["rule"] == "doubt"), "the doubt is part of the evidence");
}

#[test]
fn a_reset_in_a_step_voids_it_and_the_step_is_done_again() {
    let mut reset = false;
    let run = bench(&mut Emulated::new(&[]), &mut |line, board| {
        if line.contains("J3: fit the shunt") && !reset {
            reset = true;
            assert_eq!(board.command("reset"), "ok");
        }
        false
    });
    assert_eq!(run.unit()["verdict"], "PASS", "{}", run.lines.join("\n"));
    let void: Vec<_> = run.rows.iter().filter(|r| r["rule"] == "step void").collect();
    assert_eq!(void.len(), 1);
    assert_eq!(void[0]["reset_cause"], "external");
    assert_eq!(run.reading("ADDR1", "J3", "fitted")["step_try"], "2");
}

#[test]
fn an_unplugged_probe_ends_the_run_and_keeps_what_was_read() {
    let mut board = Emulated::new(&[]);
    let run = bench(&mut board, &mut |line, board| {
        if line.contains("J1: move the shunt to position 4") {
            assert_eq!(board.command("unplug"), "ok");
            return true;
        }
        false
    });
    assert_eq!(run.exit, 3);
    assert_eq!(run.unit()["verdict"], "INCOMPLETE");
    assert_eq!(run.reading("PROFILE", "J1", "2")["verdict"], "pass");
}

#[test]
fn the_live_view_shows_where_the_shunts_are_and_loses_no_conversion() {
    let board = Emulated::new(&["J1=4", "J2=fitted", "J5=dry", "J6=fitted"]);
    let asked = ["--count", "3", "--every", "0.1", "--histogram", "PROFILE"];
    let (exit, said) = strapwise(&board, "watch", &asked);
    assert_eq!(exit, 0, "{said}");
    for place in ["J1=4 orchids", "J2=fitted", "J3=open", "J5=dry ground out"] {
        assert!(said.contains(&format!(": {place}; circuit")), "{place} in\n{said}");
    }
    // Every code of three bursts came through the line of the chip.
    let title = said.lines().find(|l| l.starts_with("PROFILE: ")).expect("a histogram");
    let wanted = format!("PROFILE: {} conversions, mean ", 3 * 961);
    let mean = title.strip_prefix(&wanted).and_then(|rest| rest.split(',').next());
    let mean = number(mean.unwrap_or_else(|| panic!("{title}")));
    // A mean of whole codes lies half a code under the ratio; offset and gain of this unit.
    assert!((mean - LADDER[3].2).abs() < 3.0, "{title}");
}

#[test]
fn a_board_with_the_internal_reference_is_read_against_it_and_its_supply_apart() {
    let board = "protocols/examples/internal-reference.toml";
    for (position, option) in [("warm", "22 degrees"), ("mild", "18 degrees"), ("off", "frost")] {
        let mut unit = Emulated::of(board, &[]);
        assert_eq!(unit.command(&format!("J1={position}")), "ok");
        let expect = format!("J1={position}");
        let (exit, said) = strapwise(&unit, "read", &["--expect", &expect, "--format", "csv"]);
        assert_eq!(exit, 0, "{said}");
        let line = |what: &str| said.lines().find(|l| l.starts_with(what)).unwrap_or_default();
        assert!(line("option").contains(option), "{said}");
        // The unit's supply is 5 V within 2 %, by a reference that is known to 9 %.
        let volts = line("supply").split(',').find_map(|c| c.strip_suffix(" V")).expect("volts");
        assert!((number(volts) - 5.0).abs() < 0.55, "{said}");
    }
}

#[test]
fn a_load_is_seen_going_on_conversion_by_conversion() {
    let mut unit = Emulated::new(&[]);
    let shown = |unit: &Emulated| {
        let asked = ["--samples", "supply", "--load", "VENT", "--format", "csv"];
        let (exit, said) = strapwise(unit, "read", &asked);
        assert_eq!(exit, 0, "{said}");
        let codes: Vec<f64> =
            said.lines().skip(1).map(|l| number(l.rsplit(',').next().unwrap())).collect();
        assert_eq!(codes.len(), 961, "none is missing");
        codes.iter().sum::<f64>() / 961.0
    };
    // 15 to 120 mV of 5 V at code 225 of the internal reference: a middling load is some 3 codes.
    let loaded = shown(&unit);
    assert_eq!(unit.command("dead VENT"), "ok");
    let idle = shown(&unit);
    assert!((1.0..6.0).contains(&(loaded - idle)), "{loaded} on load, {idle} with a dead one");
}

#[test]
fn parts_on_a_bus_are_asked_at_the_pins_of_the_chip_and_silence_fails_nothing() {
    let demo = include_str!("../../protocols/vent-controller.toml");
    let bus = "[[bus]]\nid = \"I2C\"\nsda = \"PC4\"\nscl = \"PC5\"\n";
    let part = |id: &str, address: &str| {
        format!("[[bus_part]]\nid = \"{id}\"\nbus = \"I2C\"\naddress = {address}\n")
    };
    let folder = tempfile::tempdir().expect("a folder for the board file");
    let file = folder.path().join("board.toml");
    let text = format!("{demo}\n{bus}{}{}", part("U3", "0x68"), part("U4", "0x50"));
    std::fs::write(&file, text).expect("the board file");
    let mut unit = Emulated::of(file.to_str().expect("a path"), &["silent U4"]);
    let run = plain(&mut unit);
    assert_eq!(run.unit()["verdict"], "PASS", "{}", run.lines.join("\n"));
    let told: Vec<&str> =
        run.rows.iter().filter(|r| r["rule"] == "part on a bus").map(|r| &*r["note"]).collect();
    let wanted =
        ["U3 at 0x68: answers, so it has its supply", "U4 at 0x50: silent, which proves nothing"];
    assert_eq!(told, wanted);
    assert!(run.lines.iter().any(|line| line.contains(wanted[0])), "{}", run.lines.join("\n"));
}

#[test]
fn a_unit_at_8_mhz_is_tested_over_the_slower_line() {
    let out = tempfile::tempdir().expect("a folder for the image");
    let build = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../probe/build");
    let mut command = std::process::Command::new(build);
    command.args(["--baud", "38400", "--clock", "8000000", "--out"]).arg(out.path());
    let built = command.output().expect("the build script runs");
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    let image = out.path().join("strapwise-probe-atmega328p.hex");
    let demo = include_str!("../../protocols/vent-controller.toml");
    let chip = "chip = \"atmega328p\"";
    let file = out.path().join("board.toml");
    let text = demo.replace(chip, &format!("{chip}\nclock = \"8MHz\""));
    std::fs::write(&file, text).expect("the board file");
    let file = file.to_str().expect("a path");
    let mut unit = Emulated::at(8_000_000, &image, file, &[]);
    // A pseudo-terminal has no rate that an answer could be told by.
    unit.arguments = vec!["--baud", "38400"];
    let run = plain(&mut unit);
    assert_eq!(run.unit()["verdict"], "PASS", "{}", run.lines.join("\n"));
    for (position, _, code) in LADDER {
        let mean = number(&run.reading("PROFILE", "J1", position)["mean_code"]);
        assert!((mean - code).abs() < 12.0, "J1={position}: {mean} for {code}");
    }
    let [vent, mat] = run.kind("supply")[..] else { panic!("two loads") };
    assert!([vent, mat].iter().all(|row| row["note"].contains("as it goes on a dip of")));
}
