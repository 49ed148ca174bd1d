//! What a unit was led through with `diagnose --port` is kept as it goes: nothing that was read or
//! measured is lost, and its file says what the talk said.

#![cfg(target_os = "linux")]

mod cli_support;
#[path = "cli_support/person.rs"]
mod person;
#[path = "cli_support/served.rs"]
mod served;

use cli_support::{PROGRAM, board, rows};
use person::{Person, asks_for, conclusion, demo, diagnosed, silent_contact};
use std::collections::HashMap;
use std::process::Command;
use strapwise::board::Place;
use strapwise::faults::Fault;
use strapwise::store;

#[test]
fn the_file_of_a_talk_says_what_the_talk_ended_with() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[silent_contact(&board_of)]);
    person.until(asks_for("how many volts?"));
    person.bench.press("4.5V");
    person.until(asks_for("how many volts?"));
    // That was another net.
    person.bench.press("b");
    person.until(asks_for("how many volts?"));
    person.bench.press("5.01V");
    while let Some(text) = person.asked() {
        match text.contains("how many volts?") {
            true if text.contains("volts of OUT") => person.bench.press("2.50V"),
            true => person.bench.press("5.00V"),
            false => person.answer(&text),
        }
    }
    let file = person.kept(1);
    let bytes = std::fs::read(&file).unwrap();
    let folder = &person.folder;
    assert_eq!(std::fs::read_dir(file.parent().unwrap()).unwrap().count(), 1, "{folder:?}");
    let ended = person.bench.end();
    assert!(ended.out.contains("kept in results/vent-controller/diagnosis1.csv"), "{}", ended.out);
    let again = diagnosed(&file);
    assert_eq!((again.code, again.err.as_str()), (ended.code, ""));
    assert_eq!(conclusion(&again.out), conclusion(&ended.out));
    assert!(again.out.starts_with("vent-controller B, diagnosis of 20"), "{}", again.out);
    assert!(again.out.contains("for: volts of OUT"), "{}", again.out);
    let rows = rows(&bytes);
    let of = |rule: &str| -> Vec<(&str, &str)> {
        let rows = rows.iter().filter(|row| row["rule"] == rule);
        rows.map(|row| (row["note"].as_str(), row["answer"].as_str())).collect()
    };
    assert_eq!(of("measured")[..2], [("VCC", "4.5V"), ("VCC", "5.01V")]);
    let wrong = rows.iter().find(|row| row["answer"] == "4.5V").unwrap();
    assert_eq!(of("taken back"), [(wrong["seq"].as_str(), "")]);
    for row in &rows {
        assert_eq!((row["attempt"].as_str(), row["verdict"].as_str()), ("0", ""), "{row:?}");
        assert!(row["row"] == "check" || row["row"] == "event", "{row:?}");
    }
}

#[test]
fn a_talk_that_was_killed_is_gone_on_with_from_its_file() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[silent_contact(&board_of)]);
    person.until(asks_for("how many volts?"));
    person.bench.press("5.01V");
    person.until(asks_for("how many volts?"));
    person.bench.kill();
    let first = person.kept(1);
    let before = std::fs::read(&first).unwrap();
    assert!(before.ends_with(b"\r\n"), "a row is whole once the next thing is asked");
    assert_eq!(diagnosed(&first).code, Some(5), "one class holds 95 %, no cause yet");
    // It goes on where it was, in a file that has everything.
    let arguments = [first.to_str().unwrap()];
    person.bench = Person::led(&board(), &person.unit, &person.folder, &arguments);
    let mut asked = String::new();
    while let Some(text) = person.asked() {
        assert!(!text.contains("volts of VCC against GND, power on (a share"), "{text}");
        match text.contains("OUT to GND: how many volts?") {
            true => person.bench.press("2.50V"),
            false => person.answer(&text),
        }
        asked += &text;
    }
    let second = person.kept(2);
    let ended = person.bench.end();
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{asked}");
    assert_eq!(std::fs::read(&first).unwrap(), before, "the former file is left as it was");
    assert!(std::fs::read(&second).unwrap().starts_with(&before));
    assert_eq!(conclusion(&diagnosed(&second).out), conclusion(&ended.out));
    let seq: Vec<String> =
        rows(&std::fs::read(&second).unwrap()).iter().map(|row| row["seq"].clone()).collect();
    let counted: Vec<String> = (1..=seq.len()).map(|n| n.to_string()).collect();
    assert_eq!(seq, counted);
}

#[test]
fn what_was_tried_is_kept_too() {
    let board_of = demo();
    let jumper = board_of.jumper("J2").unwrap();
    let fault = Fault::ContactOpen { jumper, position: 0 };
    let mut person = Person::at(&board(), &board_of, 3, &[fault]);
    let trial = person.until(asks_for("put another shunt on J2 in place of the unit's own"));
    person.do_it(&trial);
    person.bench.press("");
    person.until(asks_for("end)"));
    person.bench.press("q");
    let file = person.kept(1);
    let rows = rows(&std::fs::read(&file).unwrap());
    let ended = person.bench.end();
    let looked = rows.iter().find(|row| row["rule"] == "looked").unwrap();
    assert_eq!([&looked["note"], &looked["answer"]], ["other-shunt:J2:fitted", "no"]);
    // The codes are kept as well, and are none of the unit with its own shunt.
    let tried: Vec<&HashMap<String, String>> =
        rows.iter().filter(|row| row["rule"] == "tried").collect();
    let profile = tried.iter().find(|row| row["channel"] == "ADDR0").unwrap();
    assert_eq!([&profile["row"], &profile["note"]], ["check", "other-shunt:J2:fitted"]);
    assert!(profile["setting"].contains("J2=fitted") && !profile["mean_code"].is_empty());
    assert!(tried.iter().all(|row| row["verdict"].is_empty()));
    let again = diagnosed(&file);
    assert!(again.out.contains("against a, c: put another shunt on J2"), "{}", again.out);
    assert_eq!(conclusion(&again.out), conclusion(&ended.out));
}

#[test]
fn a_yes_to_where_a_shunt_is_can_be_taken_back_with_all_that_was_read() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[]);
    let asked = person.until(asks_for("read PROFILE with J1=2"));
    // One place too far, and said to be where it should be.
    person.unit.with(|unit| unit.place(0, Place::At(0)));
    person.bench.press("");
    let doubt = person.asked().unwrap();
    assert!(doubt.contains("J1 reads as 1: is its shunt on 2?"), "{doubt}");
    assert!(doubt.ends_with("(s: leave it out, b: back, q: end) "), "{doubt}");
    person.bench.press("yes");
    let next = person.asked().unwrap();
    assert!(!next.contains("a good unit"), "{next}");
    person.bench.press("b");
    let back = person.asked().unwrap();
    assert!(back.contains("taken back: what was read with J1=2 J2="), "{back}");
    assert!(back.contains("a good unit, or a defect"), "{back}");
    assert!(back.contains("J1 reads as 1: is its shunt on 2?"), "{back}");
    person.do_it(&asked);
    person.bench.press("");
    let next = person.asked().unwrap();
    assert!(!next.contains("reads as") && !next.contains("so far 9"), "as it stood: {next}");
    // At a move it takes back what was read last as well.
    assert!(next.contains("press Enter"), "{next}");
    person.bench.press("b");
    let back = person.asked().unwrap();
    assert!(back.contains("taken back: what was read with J1=2 J2="), "{back}");
    person.bench.press("q");
    let file = person.kept(1);
    while person.asked().is_some() {}
    let ended = person.bench.end();
    assert_eq!(conclusion(&diagnosed(&file).out), conclusion(&ended.out));
    let rows = rows(&std::fs::read(&file).unwrap());
    let of_it =
        |row: &&HashMap<String, String>| row["row"] == "check" && row["setting"].contains("J1=2");
    let read: Vec<&str> = rows.iter().filter(of_it).map(|row| row["seq"].as_str()).collect();
    let back = rows.iter().filter(|row| row["rule"] == "taken back");
    let back: Vec<&str> = back.map(|row| row["note"].as_str()).collect();
    // It was read three times, and the last one counts.
    assert_eq!(back, read[..2 * read.len() / 3]);
    assert!(back.len() > 2);
}

#[test]
fn what_was_read_first_can_be_taken_back_too() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[silent_contact(&board_of)]);
    let first = person.asked().unwrap();
    person.answer(&first);
    person.until(|text| !text.contains("is its shunt"));
    person.bench.press("b");
    let back = person.asked().unwrap();
    assert!(back.contains("taken back: what was read with J1=3"), "{back}");
    person.bench.press("b");
    let none = person.asked().unwrap();
    assert!(none.contains("there is no answer to take back"), "{none}");
    person.bench.press("q");
    person.end();
}

#[test]
fn a_unit_that_went_silent_is_so_in_the_file_too() {
    let mut person = Person::at_one_that_goes_silent();
    person.until(asks_for("end)"));
    person.bench.press("q");
    let file = person.kept(1);
    let rows = rows(&std::fs::read(&file).unwrap());
    let ended = person.bench.end();
    let silent = rows.iter().find(|row| row["rule"] == "silent").unwrap();
    assert!(silent["setting"].starts_with("J1=3 J2=fitted"), "{silent:?}");
    let asked = &silent["note"];
    assert!(asked.starts_with("J1=") && asked != &silent["setting"], "where it was moved: {asked}");
    let again = diagnosed(&file);
    assert!(again.out.contains("R12 is shorted"), "{}", again.out);
    assert_eq!(conclusion(&again.out), conclusion(&ended.out));
}

#[test]
fn a_diagnosis_beside_the_records_of_a_lot_is_no_unit_of_it() {
    let results = tempfile::tempdir().unwrap();
    let root = results.path().to_string_lossy();
    let made = cli_support::strapwise(&["demo", "--seed", "6", "--results", &root]);
    assert_eq!(made.code, Some(0), "{}", made.err);
    let lot = results.path().join("vent-controller/demo-6");
    let read = || store::read_lot(results.path(), "vent-controller", "demo-6").unwrap();
    let before = read();
    let record = lot.join("V002-1.csv");
    let file = board();
    let arguments = ["diagnose", file.to_str().unwrap(), record.to_str().unwrap()];
    let live = [&arguments[..], &["--port", "virtual", "--meter", "VCC=5.01V"]].concat();
    let (board_of, record_of) = (demo(), record.to_str().unwrap());
    let fault = silent_contact(&board_of);
    let more = [record_of, "--meter", "VCC=5.01V"];
    let mut person = Person::with(&file, &board_of, 3, &[fault], &more);
    person.until(asks_for("OUT to LOOP: how many ohms"));
    person.bench.press("10k");
    let ended = person.end();
    let kept = lot.join("V002-1.diagnosis1.csv");
    assert!(ended.out.contains("V002-1.diagnosis1.csv"), "{}", ended.out);
    assert_eq!(read(), before, "the lot is what it was");
    // All that is known of the unit is in the one file.
    let again = diagnosed(&kept);
    assert_eq!(conclusion(&again.out), conclusion(&ended.out));
    assert!(again.out.contains("unit V002, attempt 1: FAIL; diagnosis of 20"), "{}", again.out);
    // By the name of a record it is refused, and so is a file that is there.
    for (name, why) in
        [("V900-1.csv", "the name of the record"), ("V002-1.diagnosis1.csv", "is there")]
    {
        let path = lot.join(name);
        let refused =
            cli_support::typed(&[&live[..], &["--keep", path.to_str().unwrap()]].concat(), "");
        assert_eq!(refused.code, Some(2), "{}", refused.out);
        assert!(refused.err.contains(why), "{}", refused.err);
    }
    // Renamed to one it passes for no unit either.
    std::fs::copy(&kept, lot.join("V900-1.csv")).unwrap();
    let renamed = read().into_iter().find(|record| record.unit == "V900").unwrap();
    assert!(renamed.rows.is_empty() && renamed.problem.is_some(), "{renamed:?}");
    // A cause that was found is written down by the record of the test.
    let found =
        [&arguments[..2], &[kept.to_str().unwrap(), "--found", "resistor open: R20"]].concat();
    let kept_cause = cli_support::strapwise(&found);
    assert_eq!(kept_cause.code, Some(0), "{}", kept_cause.err);
}

#[test]
fn where_it_cannot_be_kept_nothing_is_asked_on() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("results"), "a file in the way").unwrap();
    let mut command = Command::new(PROGRAM);
    command.current_dir(&folder).arg("diagnose").arg(board()).args(["--port", "virtual"]);
    let mut bench = cli_support::Bench::spawn(&mut command);
    bench.press("");
    let ended = bench.end();
    assert_eq!(ended.code, Some(3), "{}", ended.out);
    assert!(ended.err.contains("results"), "{}", ended.err);
    assert!(!ended.out.contains("so far"), "{}", ended.out);
}

#[test]
fn who_leaves_ohms_out_is_asked_for_everything_else_before_other_ohms() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[]);
    // Of a good unit moves are asked for until it is known to be good: one of them is left out.
    person.until(asks_for("read PROFILE with"));
    person.bench.press("s");
    let (mut ohms, mut others, mut told) = (0, 0, String::new());
    while ohms < 2 {
        let text = person.asked().unwrap_or_else(|| panic!("other ohms: {told}"));
        told += &text;
        // Ohms are asked for with the power off. All that comes after the first is left out too:
        // what was answered could show the unit to be good, and the talk would end there.
        if text.contains("how many ohms") {
            ohms += 1;
            let rest = told.contains("nothing else is left, so ohms after all");
            assert!(rest == (ohms > 1), "ohms {ohms}: {told}");
            person.bench.press("");
        } else if ohms > 0 && !text.contains("switch the power") {
            others += 1;
            person.bench.press("s");
        } else {
            person.answer(&text);
        }
    }
    assert!(others > 3, "{told}");
    assert!(told.contains("left out; ohms come last from here on"), "{told}");
    assert_eq!(told.matches("nothing else is left, so ohms after all").count(), 1, "{told}");
    person.bench.press("q");
    person.end();
}

#[test]
fn an_end_is_lifted_with_the_power_off_and_put_back_before_it_has_power_again() {
    let board_of = demo();
    let resistor = board_of.resistors.iter().position(|r| r.id == "R20").unwrap();
    let mut person = Person::at(&board(), &board_of, 3, &[Fault::ResistorOpen { resistor }]);
    let mut before = String::new();
    let lifted = loop {
        let text = person.asked().expect("an end to lift");
        if text.contains("lift one end of R20") && text.contains("yes or no") {
            break text;
        }
        before += &text;
        person.answer(&text);
    };
    assert!(lifted.contains("R20"), "{lifted}");
    let (off, on) = (before.rfind("unplug the unit"), before.rfind("plug the unit in"));
    assert!(off > on, "it has no power while that is done: {before}");
    person.bench.press("yes");
    let mut after = String::new();
    while let Some(text) = person.asked() {
        after += &text;
        person.answer(&text);
    }
    if let Some(power) = after.find("plug the unit in") {
        let back = after.find("solder the end of R20 back");
        assert!(back.is_some_and(|back| back < power), "{after}");
    }
    let file = person.kept(1);
    let ended = person.bench.end();
    let last = conclusion(&ended.out);
    assert!(last.contains(" %: R20 is open"), "{last}");
    assert!(last.contains("for: lift one end of R20"), "{last}");
    assert_eq!(conclusion(&diagnosed(&file).out), last);
}
