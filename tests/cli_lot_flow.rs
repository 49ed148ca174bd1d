//! `bench` without a unit: a lot on virtual units, led through from the command line.

mod cli_support;
#[cfg(target_os = "linux")]
#[path = "cli_support/served.rs"]
mod served;

use cli_support::{Bench, Ended, PROGRAM, asks, board, names, record, small_board, strapwise};
use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn start(results: &Path, more: &[&str]) -> Bench {
    start_at("virtual", results, more)
}

fn start_at(port: &str, results: &Path, more: &[&str]) -> Bench {
    let file = results.join("board.toml");
    fs::write(&file, small_board()).unwrap();
    let mut command = Command::new(PROGRAM);
    command.arg("bench").arg(file);
    command.args(["--port", port, "--still", "0.1", "--quiet", "0.1", "--lot", "L1"]);
    command.arg("--results").arg(results).args(more);
    Bench::spawn(&mut command)
}

fn folder(results: &Path) -> PathBuf {
    results.join("blinker/L1")
}

fn wants_serial(line: &str) -> bool {
    line.contains("(q ends the lot)")
}

/// Answers everything with Enter until the next unit's serial number is asked for.
fn to_the_next(bench: &mut Bench) -> String {
    bench.enter_until(wants_serial).expect("the next unit is asked for")
}

/// One whole good unit by its serial number, up to the question for the next.
fn good(bench: &mut Bench, serial: &str) -> String {
    bench.press(serial);
    to_the_next(bench)
}

/// A unit that fails: what its lamp does is answered wrong.
fn lamp_wrong(bench: &mut Bench, serial: &str) -> String {
    bench.press(serial);
    bench.enter_until(|l| l.contains("Is the lamp dark?")).expect("the lamp is asked about");
    bench.press("n");
    to_the_next(bench)
}

fn rows_of(results: &Path, file: &str) -> Vec<HashMap<String, String>> {
    record(&folder(results).join(file))
}

fn ended(mut bench: Bench) -> Ended {
    bench.close_input();
    bench.end()
}

#[test]
fn a_lot_is_led_through_unit_by_unit_with_serials_typed() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = start(results.path(), &[]);
    to_the_next(&mut bench);
    good(&mut bench, "A-7");
    good(&mut bench, "B9");
    bench.press("q");
    let ended = bench.end();
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    assert!(ended.out.contains("A-7 PASS") && ended.out.contains("B9 PASS"), "{}", ended.out);
    assert!(ended.out.contains("2 units: 2 PASS, 0 HOLD, 0 INCOMPLETE, 0 FAIL"), "{}", ended.out);
    assert_eq!(names(&folder(results.path())), ["A-7-1.csv", "B9-1.csv", "lot.csv"]);
    let code = |file: &str| {
        let rows = rows_of(results.path(), file);
        let read = rows.iter().filter(|r| r["channel"] == "RATE" && r["mode"] == "mean");
        read.map(|r| r["mean_code"].clone()).collect::<Vec<_>>()
    };
    assert_ne!(code("A-7-1.csv"), code("B9-1.csv"), "the next virtual unit is another one");
}

#[test]
fn serials_count_up_and_go_on_behind_what_the_lot_has() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = start(results.path(), &["--next", "V009"]);
    let asked = to_the_next(&mut bench);
    assert!(asked.contains("This unit is V009: Enter"), "{asked}");
    let asked = good(&mut bench, "");
    assert!(asked.contains("This unit is V010"), "{asked}");
    bench.press("q");
    bench.end();
    let mut again = start(results.path(), &["--next", "V009"]);
    let asked = to_the_next(&mut again);
    assert!(asked.contains("This unit is V010"), "{asked}");
    let end = ended(again);
    assert_eq!(end.code, Some(5), "nothing was tested");
    assert!(end.out.contains("1 unit: 1 PASS"), "{}", end.out);
}

#[test]
fn a_serial_that_the_lot_has_is_recognised_and_tested_again_only_with_a_reason() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = start(results.path(), &[]);
    to_the_next(&mut bench);
    lamp_wrong(&mut bench, "U1");
    bench.press("U1");
    let told = bench.enter_until(|l| l.contains("is in this lot already")).unwrap();
    assert!(told.contains("it failed at attempt 1 (lamp"), "{told}");
    bench.press("");
    to_the_next(&mut bench);
    bench.press("U1");
    bench.enter_until(|l| l.contains("is in this lot already")).unwrap();
    bench.press("reseated");
    to_the_next(&mut bench);
    bench.press("q");
    let ended = bench.end();
    assert_eq!(ended.code, Some(1), "one of the runs failed: {}", ended.out);
    assert_eq!(names(&folder(results.path())), ["U1-1.csv", "U1-2.csv", "lot.csv"]);
    let again = rows_of(results.path(), "U1-2.csv");
    assert!(again.iter().any(|r| r["rule"] == "retest" && r["reason"] == "reseated"));
    assert!(ended.out.contains("1 unit: 1 PASS"), "{}", ended.out);
    assert!(ended.out.contains("0 passed at the first attempt"), "{}", ended.out);
}

#[test]
fn a_first_unit_that_fails_makes_the_board_file_the_first_suspect() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = start(results.path(), &[]);
    to_the_next(&mut bench);
    lamp_wrong(&mut bench, "U1");
    let told = bench.said.join("\n");
    assert!(told.contains("U1 is the first unit of this lot and fails"), "{told}");
    bench.press("q");
    bench.end();
}

#[test]
fn three_units_that_fail_alike_make_the_board_file_or_the_reel_suspect() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = start(results.path(), &[]);
    to_the_next(&mut bench);
    good(&mut bench, "U0");
    for unit in ["U1", "U2"] {
        lamp_wrong(&mut bench, unit);
    }
    assert!(!bench.said.join("\n").contains("suspect"), "two are no sign yet");
    lamp_wrong(&mut bench, "U3");
    let told = bench.said.join("\n");
    assert!(told.contains("U1, U2, U3 fail alike (lamp"), "{told}");
    assert!(told.contains("the board file or the reel is the first suspect"), "{told}");
    bench.press("q");
    bench.end();
}

#[test]
fn the_end_of_input_ends_the_lot_with_its_table_also_in_the_middle_of_a_unit() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = start(results.path(), &[]);
    to_the_next(&mut bench);
    bench.press("U1");
    bench.enter_until(|l| l.contains("J1: fit the shunt")).unwrap();
    let end = ended(bench);
    assert_eq!((end.code, end.err.as_str()), (Some(5), ""), "{}", end.out);
    assert!(end.out.contains("1 unit: 0 PASS, 0 HOLD, 1 INCOMPLETE, 0 FAIL"), "{}", end.out);
    let none = ended(start(results.path(), &["--lot", "L2"]));
    assert_eq!(none.code, Some(2), "a lot is named once: {}", none.err);
}

#[cfg(target_os = "linux")]
#[test]
fn a_request_to_stop_between_two_units_ends_the_lot_with_its_table() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = start(results.path(), &[]);
    to_the_next(&mut bench);
    let sent = Command::new("kill").arg("-INT").arg(bench.id().to_string()).status().unwrap();
    assert!(sent.success());
    let ended = bench.end();
    assert_eq!(ended.code, Some(130), "{}{}", ended.out, ended.err);
    assert!(ended.out.contains("0 units"), "{}", ended.out);
}

// --- order lists ----------------------------------------------------------------------------------

fn orders(results: &Path, text: &str) -> String {
    let path = results.join("orders.csv");
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_string()
}

#[test]
fn each_unit_leaves_with_the_setting_of_its_order_and_others_are_refused() {
    let results = tempfile::tempdir().unwrap();
    let list = orders(
        results.path(),
        "Unit,setting,note\r\nU1,J1=open,\"north house, bay 4\"\r\nU2,,\r\n",
    );
    let mut bench = start(results.path(), &["--orders", &list]);
    to_the_next(&mut bench);
    bench.press("U9");
    let refused = bench.enter_until(|l| l.contains("U9")).unwrap();
    assert!(
        refused.contains("unit 'U9' is not in ") && refused.contains("add a line"),
        "{refused}"
    );
    to_the_next(&mut bench);
    bench.press("U1");
    bench.enter_until(asks).unwrap();
    let told = bench.said.join("\n");
    assert!(told.contains("north house, bay 4"), "{told}");
    assert!(told.contains("this unit leaves with J1=open"), "{told}");
    ended(bench);
    let rows = rows_of(results.path(), "U1-1.csv");
    assert!(rows.iter().any(|r| r["rule"] == "note" && r["note"] == "north house, bay 4"));
    let setting = rows.iter().find(|r| r["rule"] == "delivery setting").unwrap();
    assert!(setting["setting"].starts_with("J1=open"), "{}", setting["setting"]);
}

#[test]
fn lines_of_an_order_list_that_cannot_be_used_are_told_by_number() {
    let results = tempfile::tempdir().unwrap();
    let long = format!("unit,setting,note\nU1,J1=1,{}\n", "x".repeat(201));
    let cases = [
        ("unit,setting\nU1,J1=1\nU2,J1=9\n", ", line 3 'J1=9': J1 has the places"),
        ("unit,setting\nU1,J9=1\n", ", line 2 'J9=1': no jumper J9"),
        // As a spreadsheet writes it where the comma is the decimal mark.
        ("unit;setting;note\nU1;J1=1;bay 4, north\nU2;J9=1;\n", ", line 3 'J9=1': no jumper J9"),
        ("unit,setting\nU1,J1\n", ", line 2 'J1': write jumper=place"),
        ("unit,setting\nU1,J1=1\nu1,J1=2\n", ", line 3: unit 'u1' stands in line 2 already"),
        ("unit,setting\nU 1,J1=1\n", ", line 2: unit 'U 1': "),
        ("unit,setting\n,J1=1\n", ", line 2: a setting without a unit"),
        ("serial,setting\nU1,J1=1\n", "names no column `unit`"),
        ("unit\nU1\n", "names no column `setting`"),
        ("unit,setting\n", "it lists no unit"),
        ("", "names no column `unit`"),
        (long.as_str(), ", line 2: write the note in one line"),
        (
            "unit,setting,note\nU1,,bay 4\nU2,,\"north\nU3,,\n",
            ", line 3: a quote is opened and not",
        ),
        ("unit;setting;note\nU1;J1=1;\"bay 4", ", line 2: a quote is opened and not closed"),
        ("\u{feff}\"unit,setting\nU1,J1=1\n", ", line 1: a quote is opened and not closed"),
    ];
    for (text, told) in cases {
        let list = orders(results.path(), text);
        let path = board();
        let folder = results.path().to_str().unwrap();
        let fixed = ["bench", path.to_str().unwrap(), "--port", "virtual", "--results", folder];
        let ended = strapwise(&[&fixed[..], &["--lot", "L1", "--orders", &list]].concat());
        assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{text}: {}", ended.err);
        assert!(ended.err.contains(told), "{text}: {}", ended.err);
    }
    assert!(!folder(results.path()).exists(), "nothing is begun");
}

#[test]
fn what_a_lot_cannot_be_begun_with_is_told_at_once() {
    let results = tempfile::tempdir().unwrap();
    let path = board();
    let fixed = ["bench", path.to_str().unwrap(), "--results", results.path().to_str().unwrap()];
    let ended = strapwise(&fixed);
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("no --port"), "{}", ended.err);
    let ended = strapwise(&[&fixed[..], &["--port", "virtual", "--next", "VX"]].concat());
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("end it with digits, like V001"), "{}", ended.err);
    let ended = strapwise(&[&fixed[..], &["--port", "virtual", "--reason", "slip"]].concat());
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("--reason: of which unit?"), "{}", ended.err);
    let ended = strapwise(&[&fixed[..], &["--port", "virtual", "--next", "V/1"]].concat());
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("unit 'V/1'"), "{}", ended.err);
}

#[cfg(target_os = "linux")]
mod plugged {
    use super::*;
    use crate::served::Served;
    use std::os::unix::fs::{PermissionsExt, symlink};
    use std::sync::Arc;
    use strapwise::faults::Fault;
    use strapwise::probe::virtual_board::VirtualBoard;
    use strapwise::probe::world::World;

    /// A unit of the small board, with a defect if any, that keeps its shunt in one place.
    fn unit(seed: u64, fault: Option<Fault>) -> Served {
        Served::start(move || {
            let board = Arc::new(strapwise::board::parse("small", &small_board()).unwrap());
            let mut world = World::new(board, seed);
            fault.into_iter().for_each(|fault| world.plant(fault));
            VirtualBoard::new(world)
        })
    }

    /// Leads a unit on a port through its moves, by hand.
    fn lead(bench: &mut Bench, unit: &Served) {
        while let Some(line) = bench.line() {
            if line.contains("Unplug ") || line.contains(" units: ") || line.contains(" unit: ") {
                return;
            }
            let slow = line.contains("fit the shunt");
            if slow || line.contains("take the shunt off") {
                let place = if slow { Place::At(0) } else { Place::Open };
                unit.with(move |board| board.place(0, place));
            } else if asks(&line) {
                bench.press("");
            }
        }
    }

    use strapwise::board::Place;

    #[test]
    fn units_are_waited_for_and_told_to_be_unplugged() {
        let results = tempfile::tempdir().unwrap();
        let port = results.path().join("port");
        let mut bench = start_at(port.to_str().unwrap(), results.path(), &["--next", "V1"]);
        for (seed, serial) in [(1, "V1"), (2, "V2")] {
            bench.enter_until(|l| l.contains("Plug the next unit in")).unwrap();
            let unit = unit(seed, None);
            symlink(&unit.name, &port).unwrap();
            let asked = to_the_next(&mut bench);
            assert!(asked.contains(&format!("This unit is {serial}")), "{asked}");
            bench.press("");
            lead(&mut bench, &unit);
            // The label of the next unit is scanned while this one is plugged in still.
            bench.press("V9");
            bench.enter_until(|l| l.contains("`V9` is no answer here: press Enter alone")).unwrap();
            fs::remove_file(&port).unwrap();
        }
        bench.enter_until(|l| l.contains("Plug the next unit in")).unwrap();
        bench.press("q");
        let ended = bench.end();
        assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
        assert!(ended.out.contains("2 units: 2 PASS"), "{}", ended.out);
    }

    #[test]
    fn three_units_with_the_same_wrong_part_are_explained_by_it() {
        let results = tempfile::tempdir().unwrap();
        let port = results.path().join("port");
        let mut bench = start_at(port.to_str().unwrap(), results.path(), &["--next", "V1"]);
        for seed in 1..=3 {
            bench.enter_until(|l| l.contains("Plug the next unit in")).unwrap();
            let unit = unit(seed, Some(Fault::ResistorOpen { resistor: 1 }));
            symlink(&unit.name, &port).unwrap();
            to_the_next(&mut bench);
            bench.press("");
            lead(&mut bench, &unit);
            fs::remove_file(&port).unwrap();
        }
        let told = bench.said.join("\n");
        assert!(told.contains("V1 is the first unit of this lot and fails"), "{told}");
        assert!(told.contains("V1, V2, V3 fail alike (RATE J1=slow"), "{told}");
        let cause = bench.said.iter().rfind(|l| l.starts_with("One cause would explain")).unwrap();
        assert!(cause.contains("R2 is open"), "{cause}");
        ended(bench);
    }

    /// The probe is put on by a stand-in that points the port to a unit with one on it.
    #[test]
    fn a_unit_without_the_probe_gets_it_when_somebody_says_so() {
        let results = tempfile::tempdir().unwrap();
        let port = results.path().join("port");
        let (silent, flashed) = (Served::start(dead), unit(1, None));
        symlink(&silent.name, &port).unwrap();
        let flash = results.path().join("flash");
        fs::write(&flash, "#!/bin/sh\ncase $1 in save) echo old > \"$2\" ;; probe) ln -sfn \"$2\" \"$3\" ;; esac\n").unwrap();
        fs::set_permissions(&flash, fs::Permissions::from_mode(0o755)).unwrap();
        let commands = format!(
            "[commands]\nsave = [\"./flash\", \"save\", \"{{file}}\"]\n\
             flash_probe = [\"./flash\", \"probe\", \"{}\", \"{{port}}\"]\n",
            flashed.name
        );
        let file = results.path().join("with.toml");
        fs::write(&file, format!("{}\n{commands}", small_board())).unwrap();
        let mut command = Command::new(PROGRAM);
        command.arg("bench").arg(file).arg("--port").arg(&port);
        command.args(["--still", "0.1", "--quiet", "0.1", "--lot", "L1", "--unit", "U1"]);
        command.arg("--results").arg(results.path());
        let mut bench = Bench::spawn(&mut command);
        let asked = bench.enter_until(|l| l.contains("leave the unit as it is")).unwrap();
        assert!(asks(&asked), "{asked}");
        assert!(bench.said.join("\n").contains("first saves the program"), "{:#?}", bench.said);
        bench.press("");
        lead(&mut bench, &flashed);
        let ended = bench.end();
        assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
        let saved = fs::read_to_string(folder(results.path()).join("U1-1.saved")).unwrap();
        assert_eq!(saved, "old\n");
    }

    /// A unit that answers nothing.
    fn dead() -> VirtualBoard {
        let board = Arc::new(strapwise::board::parse("small", &small_board()).unwrap());
        let mut unit = VirtualBoard::new(World::new(board, 1));
        unit.power(false);
        unit
    }
}
