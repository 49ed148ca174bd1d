//! `diagnose RECORD --port`: nothing is taken of a unit before it is known, as far as it can be, to be
//! the one that the record is of.

#![cfg(target_os = "linux")]

mod cli_support;
#[path = "cli_support/person.rs"]
mod person;
#[path = "cli_support/served.rs"]
mod served;

use cli_support::{board, rows};
use person::{Person, asks_for, demo, parsed, rp2040, silent_contact};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use strapwise::board::{Board, Place};
use strapwise::faults::Fault;

/// A unit that was led as far as its delivery setting, and the file of that.
fn led_once(file: &Path, board: &Arc<Board>, faults: &[Fault]) -> (Person, PathBuf) {
    let mut person = Person::at(file, board, 3, faults);
    let first = person.until(asks_for("press Enter when that is done"));
    person.answer(&first);
    person.until(|text| !text.contains("is its shunt"));
    person.bench.press("q");
    let record = person.kept(1);
    while person.asked().is_some() {}
    (person, record)
}

/// Goes on from a record with another unit, or the same one, on the port.
fn go_on(person: &mut Person, file: &Path, record: &Path) -> String {
    person.unit.with(|unit| unit.power(false));
    let arguments = [record.to_str().unwrap()];
    person.bench = Person::led(file, &person.unit, &person.folder, &arguments);
    person.asked().unwrap_or_else(|| panic!("{}", person.text))
}

fn swap(person: &Person, seed: u64, faults: &[Fault]) {
    let (board, faults) = (person.board.clone(), faults.to_vec());
    person.unit.with(move |unit| *unit = person::unit(&board, seed, &faults));
}

#[test]
fn a_unit_that_reads_as_in_the_record_is_taken_for_its_unit_and_no_proof_is_claimed() {
    let board_of = demo();
    let (mut person, record) = led_once(&board(), &board_of, &[silent_contact(&board_of)]);
    let first = go_on(&mut person, &board(), &record);
    assert!(first.contains("First a setting that the record has"), "{first}");
    assert!(first.contains("1. set J1=3 J2=fitted"), "{first}");
    person.answer(&first);
    let next = person.asked().unwrap();
    assert!(next.contains("it reads as in the record. That is no proof"), "{next}");
    assert!(next.contains("its chip keeps no number, and another unit may read alike"), "{next}");
    assert!(next.contains("volts of VCC"), "{next}");
    person.bench.press("q");
    person.end();
}

#[test]
fn another_unit_in_place_of_the_records_is_asked_about_and_nothing_of_it_is_kept() {
    let board_of = demo();
    let (mut person, record) = led_once(&board(), &board_of, &[silent_contact(&board_of)]);
    let before = std::fs::read(&record).unwrap();
    swap(&person, 9, &[]);
    let first = go_on(&mut person, &board(), &record);
    person.answer(&first);
    let doubt = person.asked().unwrap();
    let said = "LOOP reads otherwise than in the record, and its chip keeps no number of its own: \
                is it the same unit";
    assert!(doubt.contains(said), "{doubt}");
    person.bench.press("no");
    let again = person.asked().unwrap();
    assert!(again.contains("unplug it, and take the unit of the record"), "{again}");
    assert!(again.contains("set J1=3 J2=fitted"), "its shunts may be anywhere: {again}");
    swap(&person, 3, &[silent_contact(&board_of)]);
    person.answer(&again);
    let next = person.asked().unwrap();
    assert!(next.contains("it reads as in the record"), "{next}");
    person.bench.press("5.01V");
    person.asked().unwrap();
    let kept = std::fs::read(person.kept(2)).unwrap();
    assert!(kept.starts_with(&before));
    let new: Vec<String> =
        rows(&kept).iter().skip(rows(&before).len()).map(|row| row["rule"].clone()).collect();
    assert_eq!(new, ["measured"]);
    person.bench.press("q");
    let ended = person.end();
    assert!(ended.out.contains("K1 never closes"), "{}", ended.out);
}

#[test]
fn a_unit_said_to_be_the_same_is_known_by_what_it_reads_now() {
    let board_of = demo();
    let (mut person, record) = led_once(&board(), &board_of, &[silent_contact(&board_of)]);
    // Its joint was good for once.
    swap(&person, 3, &[]);
    let first = go_on(&mut person, &board(), &record);
    person.answer(&first);
    person.until(asks_for("is it the same unit"));
    person.bench.press("yes");
    let next = person.asked().unwrap();
    assert!(next.contains("a good unit, or a defect that these readings do not show"), "{next}");
    person.bench.press("q");
    person.end();
}

#[test]
fn a_shunt_that_is_put_right_at_the_question_is_read_again_and_never_as_it_was() {
    let board_of = demo();
    for answer in ["", "yes"] {
        let (mut person, record) = led_once(&board(), &board_of, &[silent_contact(&board_of)]);
        let rows_of = |path: &Path| rows(&std::fs::read(path).unwrap());
        let before = rows_of(&record).len();
        let first = go_on(&mut person, &board(), &record);
        person.do_it(&first);
        let (j1, there) = (board_of.jumper("J1").unwrap(), person.setting.0[0]);
        person.unit.with(move |unit| unit.place(j1, Place::At(1)));
        person.bench.press("");
        let doubt = person.until(asks_for("is it the same unit"));
        assert!(doubt.contains("PROFILE reads otherwise than in the record"), "{doubt}");
        assert!(doubt.contains("press Enter to have it read again"), "{doubt}");
        person.unit.with(move |unit| unit.place(j1, there));
        person.bench.press(answer);
        let next = person.asked().unwrap();
        assert!(next.contains("one of these 3, not separable by these readings"), "{next}");
        // What stood there with the shunt elsewhere is no reading of this setting.
        let kept = person.kept(2);
        person.bench.press("5.01V");
        person.until(asks_for("how many volts?"));
        let added = rows_of(&kept).split_off(before);
        assert!(added.iter().all(|row| row["channel"] != "PROFILE"), "{answer}: {added:?}");
        person.bench.press("q");
        person.end();
    }
}

#[test]
fn who_cannot_have_it_compared_is_told_that_nothing_shows_whose_it_is() {
    let board_of = demo();
    let (mut person, record) = led_once(&board(), &board_of, &[silent_contact(&board_of)]);
    go_on(&mut person, &board(), &record);
    person.bench.press("b");
    let again = person.asked().unwrap();
    assert!(again.contains("there is no answer to take back"), "{again}");
    person.bench.press("s");
    let next = person.asked().unwrap();
    assert!(next.contains("nothing shows that this is the unit of the record"), "{next}");
    person.bench.press("q");
    person.end();
}

#[test]
fn a_chip_with_another_number_than_the_records_is_refused() {
    let (file, board_of) = (rp2040(), parsed(&rp2040()));
    let jumper = board_of.jumper("J1").unwrap();
    let fault = Fault::ContactOpen { jumper, position: 0 };
    let (mut person, record) = led_once(&file, &board_of, &[fault]);
    let number = rows(&std::fs::read(&record).unwrap())[0]["identity"].clone();
    assert!(!number.is_empty());
    swap(&person, 4, &[fault]);
    let first = go_on(&mut person, &file, &record);
    person.answer(&first);
    let wrong = person.asked().unwrap();
    let said = format!("that of the record has {number} plug the right unit in, with its shunts");
    assert!(wrong.contains("another unit is there than the record's"), "{wrong}");
    assert!(wrong.contains(&said), "{wrong}");
    swap(&person, 3, &[fault]);
    let setting = person.setting.clone();
    person.unit.with(move |unit| {
        unit.place_all(&setting);
        unit.power(true);
    });
    person.bench.press("");
    let next = person.asked().unwrap();
    let same = "its chip has the number of the record: it is the same unit";
    assert!(next.contains(same), "{next}");
    person.bench.press("q");
    person.end();
}

#[test]
fn a_unit_that_was_left_without_power_gets_none_when_it_is_gone_on_with() {
    let mut person = Person::at_one_that_goes_silent();
    person.asked().unwrap();
    person.bench.press("q");
    let record = person.kept(1);
    while person.asked().is_some() {}
    let first = go_on(&mut person, &board(), &record);
    assert!(first.contains("look at its label for the unit of the record"), "{first}");
    let mut after = first.clone();
    person.answer(&first);
    while let Some(text) = person.asked() {
        person.answer(&text);
        after += &text;
    }
    assert!(!after.contains("plug the unit in"), "{after}");
    assert!(person.setting.0.contains(&Place::Open));
}
