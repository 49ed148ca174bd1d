//! `diagnose --port`: a unit on a pseudo-terminal, and hands that do what is asked of them.

#![cfg(target_os = "linux")]

mod cli_support;
#[path = "cli_support/person.rs"]
mod person;
#[path = "cli_support/served.rs"]
mod served;

use cli_support::{Bench, PROGRAM, board};
use person::{
    Person, asks_for, conclusion, demo, diagnosed, parsed, rp2040, served_unit, silent_contact,
};
use std::process::Command;
use strapwise::board::Place;
use strapwise::faults::Fault;

#[test]
fn moves_and_a_meter_lead_to_the_one_cause() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[silent_contact(&board_of)]);
    let first = person.until(asks_for("how many volts?"));
    assert!(first.contains("First: volts of VCC against GND, power on (a share"), "{first}");
    // Which of them comes first is a matter of noise.
    let alike = "so far over 99.9 %: one of these 3, not separable by these readings: ";
    assert!(first.contains(alike) && first.contains("; or 1 more "), "{first}");
    person.bench.press("5.01V");
    let mut outputs = String::new();
    while let Some(text) = person.asked() {
        match text.contains("how many volts?") {
            true if text.contains("volts of FEED") => person.bench.press("5.00V"),
            true if text.contains("volts of OUT") => person.bench.press("2.50V"),
            _ => person.answer(&text),
        }
        outputs += &text;
    }
    let asked =
        "Measure next: volts of OUT against GND, power on, J5=wet, K1 open 0.00 V if R20 is open";
    assert!(outputs.contains(asked), "{outputs}");
    assert!(outputs.contains("K1 never closes OUT to GND: how many volts?"), "{outputs}");
    let ended = person.end();
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    let last = ended.out.rsplit("vent-controller B").next().unwrap();
    assert!(last.contains("1. 9") || last.contains("1. over"), "{last}");
    assert!(last.contains("K1 never closes"), "{last}");
    assert!(last.contains("for: volts of OUT"), "{last}");
    assert!(ended.out.lines().all(|l| l.chars().count() <= 80), "{}", ended.out);
}

#[test]
fn a_shunt_that_reads_as_in_another_place_is_asked_about() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[]);
    let asked = person.until(asks_for("read PROFILE with J1=2"));
    // One place too far.
    person.unit.with(|unit| unit.place(0, Place::At(0)));
    person.bench.press("");
    let doubt = person.asked().unwrap();
    assert!(doubt.contains("J1 reads as 1: is its shunt on 2?"), "{doubt}");
    person.do_it(&asked);
    person.bench.press("");
    let next = person.asked().unwrap();
    assert!(!next.contains("reads as"), "{next}");
    person.bench.press("q");
    let ended = person.end();
    assert!(
        ended.out.contains("a good unit, or a defect that these readings do not show"),
        "{}",
        ended.out
    );
}

#[test]
fn the_power_is_off_for_ohms_and_the_unit_is_known_again_by_what_it_reads() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[silent_contact(&board_of)]);
    let ohms = person.until(|text| text.contains("until a meter shows less than 0.1 V"));
    assert!(ohms.contains("switch the power off and unplug the unit from every supply"), "{ohms}");
    // Not unplugged yet: nobody measures ohms of a unit that has power.
    person.bench.press("");
    let still = person.asked().unwrap();
    assert!(still.contains("the unit still answers, so it has power"), "{still}");
    person.do_it(&ohms);
    person.bench.press("");
    let silent = person.asked().unwrap();
    assert!(silent.contains("it is silent, as it should be"), "{silent}");
    assert!(silent.contains("take every shunt off (J1, J2,"), "{silent}");
    person.answer(&silent);
    let ohms = person.until(asks_for("how many ohms, or `open`?"));
    assert!(!ohms.contains("unplug") && ohms.contains("OUT to LOOP: how many"), "{ohms}");
    // What was left out before may be had after all: for that the unit needs power again.
    person.bench.press("b");
    let again = person.until(asks_for("plug the unit in again"));
    // Another unit comes back: it reads otherwise, and that is asked about.
    let other = demo();
    let setting = person.setting.clone();
    person.unit.with(move |unit| {
        *unit = person::unit(&other, 9, &[]);
        unit.place_all(&setting);
    });
    person.do_it(&again);
    person.bench.press("");
    let doubt = person.asked().unwrap();
    assert!(doubt.contains("LOOP reads otherwise than before in this setting"), "{doubt}");
    person.bench.press("no");
    let asked = person.asked().unwrap();
    assert!(asked.contains("put that right"), "{asked}");
    let right = demo();
    let setting = person.setting.clone();
    person.unit.with(move |unit| {
        *unit = person::unit(&right, 3, &[silent_contact(&right)]);
        unit.place_all(&setting);
    });
    person.do_it(&asked);
    person.bench.press("");
    let back = person.asked().unwrap();
    assert!(back.contains("it is back, and reads as before"), "{back}");
    person.bench.press("q");
    let ended = person.end();
    assert_eq!((ended.code, ended.err.as_str()), (Some(5), ""), "{}", ended.out);
}

#[test]
fn a_chip_with_a_number_of_its_own_is_known_by_it() {
    let board_of = parsed(&rp2040());
    let mut person = Person::at(&rp2040(), &board_of, 3, &[]);
    // Who leaves a move out is asked for other things of a good unit too.
    person.until(asks_for("read PROFILE with"));
    person.bench.press("s");
    let ohms = person.until(|text| text.contains("until a meter shows less than 0.1 V"));
    person.do_it(&ohms);
    person.bench.press("");
    person.until(asks_for("how many ohms"));
    person.bench.press("s");
    let again = person
        .until(|text| text.contains("plug the unit in again") && !text.contains("another shunt"));
    person.do_it(&again);
    let (other, setting) = (board_of.clone(), person.setting.clone());
    person.unit.with(move |unit| {
        *unit = person::unit(&other, 4, &[]);
        unit.place_all(&setting);
        unit.power(true);
    });
    person.bench.press("");
    let wrong = person.asked().unwrap();
    assert!(wrong.contains("another unit is there than before"), "{wrong}");
    let (right, setting) = (board_of.clone(), person.setting.clone());
    person.unit.with(move |unit| {
        *unit = person::unit(&right, 3, &[]);
        unit.place_all(&setting);
        unit.power(true);
    });
    person.bench.press("");
    let back = person.asked().unwrap();
    assert!(back.contains("the same chip is back"), "{back}");
    person.bench.press("q");
    assert_eq!(person.end().err, "");
}

#[test]
fn a_unit_that_goes_silent_with_a_move_is_left_unplugged_and_measured_without_power() {
    let board_of = demo();
    let resistor = board_of.resistors.iter().position(|r| r.id == "R12").unwrap();
    // It reads high as it should until J3 joins its pin to ground, by a slip in place of J1.
    let shorted = Fault::ResistorShorted { resistor };
    let mut person = Person::at(&board(), &board_of, 3, &[shorted]);
    let moved = person.until(asks_for("read PROFILE with"));
    person.do_it(&moved);
    // The supply gives way.
    person.unit.with(|unit| unit.power(false));
    person.bench.press("");
    let lost = person.asked().unwrap();
    assert!(lost.contains("the probe does not answer"), "{lost}");
    assert!(lost.contains("unplug it at once and type `silent`"), "{lost}");
    person.bench.press("silent");
    let mut after = String::new();
    while let Some(text) = person.asked() {
        assert!(!text.contains("plug the unit in"), "it must not get power: {text}");
        assert!(!text.contains("how many volts"), "{text}");
        after += &text;
        match text.contains("ADDR1 to VCC: how many ohms") {
            true => person.bench.press("0.2R"),
            false => person.answer(&text),
        }
    }
    assert!(after.contains("Leave it unplugged"), "{after}");
    let ended = person.bench.end();
    let last = ended.out.rsplit("vent-controller B").next().unwrap();
    assert!(last.contains("R12 is shorted"), "{last}");
    assert!(last.contains("for: ohms from ADDR1 to VCC, power off"), "{last}");
}

#[test]
fn a_good_unit_is_read_in_every_place_once_and_nobody_is_asked_for_more() {
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new(PROGRAM);
    command.current_dir(&folder);
    command.arg("diagnose").arg(board()).args(["--port", "virtual"]);
    let mut bench = Bench::spawn(&mut command);
    let (mut text, mut moves, mut looks) = (String::new(), Vec::new(), 0);
    while let Some(line) = bench.line() {
        text += &line;
        text.push(' ');
        if line.ends_with("end)") {
            assert!(!text.contains("how many"), "{text}");
            let read = text.split("Next: read ").nth(1).and_then(|rest| rest.split(' ').nth(2));
            moves.extend(read.map(str::to_string));
            let lamps = ["lit", "dark"].map(|are| format!("both lamps {are}? yes or no"));
            let asked = lamps.iter().any(|lamps| text.contains(lamps));
            looks += usize::from(asked);
            bench.press(if asked { "yes" } else { "" });
            text.clear();
        }
    }
    let ended = bench.end();
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    assert!(ended.out.starts_with("each look closes K1 for a moment"), "{}", ended.out);
    assert!(ended.out.contains("\n1. set J1=3 J2=fitted"), "{}", ended.out);
    // From the delivery setting one move for each other place, one header after the other; those
    // that a shorted pull-up would make a short come last.
    let each = ["J1=1", "J1=2", "J1=4", "J1=5", "J2=open", "J5=open", "J5=dry", "J3=fitted"];
    assert_eq!(moves, [&each[..], &["J4=fitted"]].concat());
    // The two questions that a test asks as well.
    assert_eq!(looks, 2);
    let last = ended.out.rsplit("vent-controller B").next().unwrap();
    assert!(last.contains("%: a good unit, or a defect that these readings do not"), "{last}");
}

#[test]
fn another_shunt_is_judged_by_what_the_unit_reads_with_it() {
    let board_of = demo();
    let jumper = board_of.jumper("J2").unwrap();
    let fault = Fault::ContactOpen { jumper, position: 0 };
    for helps in [true, false] {
        let mut person = Person::at(&board(), &board_of, 3, &[fault]);
        let trial = person.until(asks_for("put another shunt on J2 in place of the unit's own"));
        assert!(trial.contains("Next: another shunt on J2 at fitted"), "{trial}");
        if helps {
            let (good, setting) = (board_of.clone(), person.setting.clone());
            person.unit.with(move |unit| {
                *unit = person::unit(&good, 3, &[]);
                unit.place_all(&setting);
                unit.power(true);
            });
        }
        person.do_it(&trial);
        person.bench.press("");
        let said =
            if helps { "it reads as it should: yes" } else { "does not read as it should: no" };
        let mut after = String::new();
        while let Some(text) = person.asked() {
            after += &text;
            person.answer(&text);
        }
        after += &person.text;
        assert!(after.contains(said), "{after}");
        assert!(!after.contains("is it the same unit"), "{after}");
        let ended = person.bench.end();
        let last = ended.out.rsplit("vent-controller B").next().unwrap();
        let last = last.split_whitespace().collect::<Vec<_>>().join(" ");
        let yes = last.contains("does the unit then read as it should? yes");
        assert_eq!(yes, helps, "{last}");
    }
}

#[test]
fn a_blade_is_drawn_with_the_power_off_and_judged_by_what_the_unit_reads_then() {
    let board_of = demo();
    let bridged =
        strapwise::faults::modelled(&board_of).into_iter().find_map(|fault| match fault {
            Fault::PinsBridged { jumper, pins, between, .. } => {
                let ours = board_of.jumpers[jumper].id == "J1" && pins == [3, 5];
                let ohms = strapwise::units::Ohms(2e3);
                ours.then_some(Fault::PinsBridged { jumper, pins, between, ohms })
            }
            _ => None,
        });
    let mut person = Person::at(&board(), &board_of, 3, &[bridged.expect("pins of J1")]);
    // Somebody looks before a blade goes there.
    let look = person.until(asks_for("is there solder between pins 3 and 5"));
    assert!(!look.contains("blade"), "{look}");
    person.bench.press("no");
    let last = mended_by(person, "draw a blade between pins 3 and 5 of J1");
    assert!(last.contains("J1 pins 3 and 5 are bridged"), "{last}");
}

#[test]
fn solder_that_was_seen_is_drawn_off_which_proves_it_and_mends_the_unit() {
    let board_of = demo();
    let at_headers = strapwise::faults::modelled(&board_of)
        .into_iter()
        .find(|fault| matches!(fault, Fault::HeadersBridged { .. }));
    let bridged = at_headers.expect("headers side by side");
    let mut person = Person::at(&board(), &board_of, 3, &[bridged]);
    // Seen at the headers it is all but sure, and drawing it off is the repair.
    let look = person.until(asks_for("is there solder between pin 1 of J2 and pin 1 of J3?"));
    assert!(!look.contains("iron"), "{look}");
    person.bench.press("yes");
    let last = mended_by(
        person,
        "draw the solder off between pin 1 of J2 and pin 1 of J3 with iron and braid",
    );
    assert!(last.contains("J2 pin 1 and J3 pin 1 are bridged"), "{last}");
}

/// Does with the unit, power off, what mends it, and brings it back; what is concluded then.
fn mended_by(mut person: Person, act: &'static str) -> String {
    let mut trial = person.until(asks_for(act));
    if trial.contains("switch the power off") {
        person.answer(&trial);
        trial = person.until(asks_for(act));
    }
    assert!(
        trial.contains(&format!("2. {act}")) || trial.contains(&format!("{act}, then press")),
        "{trial}"
    );
    assert!(!trial.contains("plug the unit in"), "no power while that is done: {trial}");
    person.do_it(&trial);
    let (good, setting) = (person.board.clone(), person.setting.clone());
    person.unit.with(move |unit| {
        *unit = person::unit(&good, 3, &[]);
        unit.place_all(&setting);
    });
    person.bench.press("");
    let back = person.until(asks_for("plug the unit in again"));
    person.do_it(&back);
    person.bench.press("");
    assert_eq!(person.asked(), None, "it reads otherwise from here on");
    let file = person.kept(1);
    let ended = person.bench.end();
    assert!(ended.out.contains("it reads as it should: yes"), "{}", ended.out);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    let last = conclusion(&ended.out);
    let words = last.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains(&format!("The unit was mended by this: {act}.")), "{last}");
    assert!(words.contains("It has to be tested anew, whole (`bench`)."), "{last}");
    assert_eq!(conclusion(&diagnosed(&file).out), last);
    last.to_string()
}

#[test]
fn when_nobody_is_there_any_more_what_is_concluded_is_said() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[silent_contact(&board_of)]);
    person.until(asks_for("how many volts?"));
    person.bench.close_input();
    let ended = person.bench.end();
    // One class holds more than 95 %, of two causes that read alike: it is still open.
    assert_eq!((ended.code, ended.err.as_str()), (Some(5), ""), "{}", ended.out);
    let last = ended.out.rsplit("vent-controller B").next().unwrap();
    assert!(last.contains("K1 never closes") && last.contains("R20 is open"), "{last}");
}

#[test]
fn a_table_is_alone_on_standard_output() {
    let board_of = demo();
    let unit = served_unit(&board_of, 3, &[silent_contact(&board_of)]);
    let delivery = board_of.delivery.clone();
    unit.with(move |unit| {
        unit.place_all(&delivery);
        unit.power(true);
    });
    let file = board();
    let folder = tempfile::tempdir().unwrap();
    let kept = folder.path().join("kept.csv");
    let arguments = ["diagnose", file.to_str().unwrap(), "--port", &unit.name, "--quiet", "0.1"];
    let more = ["--keep", kept.to_str().unwrap(), "--format", "csv"];
    let ended = cli_support::typed(&[&arguments[..], &more].concat(), "\nyes\n");
    assert!(kept.exists());
    assert_eq!(ended.code, Some(5), "{}", ended.err);
    assert!(ended.out.starts_with("class,"), "{}", ended.out);
    assert!(cli_support::rows(ended.out.as_bytes()).len() > 1);
    assert!(ended.err.contains("press Enter when that is done"), "{}", ended.err);
}

#[test]
fn the_last_answer_can_be_taken_back() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[silent_contact(&board_of)]);
    person.until(asks_for("how many volts?"));
    person.bench.press("500V");
    let wrong = person.asked().unwrap();
    assert!(wrong.contains("more than 60 V"), "{wrong}");
    // A supply that no board of the kind runs on: another net, or a finding of its own.
    person.bench.press("3.3V");
    let wrong = person.asked().unwrap();
    let why = "not taken: the board file has 5 V for VCC, give or take 5 %; find out first why it \
               is 3.3 V, then measure again";
    assert!(wrong.contains(why) && wrong.contains("VCC to GND: how many volts?"), "{wrong}");
    person.bench.press("5.01V");
    person.until(asks_for("how many volts?"));
    person.bench.press("b");
    let back = person.asked().unwrap();
    assert!(back.contains("taken back: volts of VCC"), "{back}");
    assert!(back.contains("First: volts of VCC"), "{back}");
    person.bench.press("q");
    assert_eq!(person.end().code, Some(5));
}

#[test]
fn a_run_that_is_stopped_at_a_question_ends_as_interrupted() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[]);
    let text = person.until(asks_for("read PROFILE"));
    assert!(text.contains("press Enter"), "{text}");
    let id = person.bench.id().to_string();
    assert!(Command::new("kill").args(["-INT", &id]).status().unwrap().success());
    assert_eq!(person.bench.end().code, Some(130));
}

#[test]
fn what_is_known_of_a_unit_by_its_record_is_gone_on_with() {
    let results = tempfile::tempdir().unwrap();
    let folder = results.path().to_string_lossy();
    let made = cli_support::strapwise(&["demo", "--seed", "6", "--results", &folder]);
    assert_eq!(made.code, Some(0), "{}", made.err);
    let record = results.path().join("vent-controller/demo-6/V002-1.csv");
    let record = record.to_str().unwrap();
    let board_of = demo();
    let mut person = Person::with(&board(), &board_of, 3, &[silent_contact(&board_of)], &[record]);
    person.until(asks_for("OUT to LOOP: how many ohms"));
    person.bench.press("10k");
    let ended = person.end();
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    assert!(ended.out.contains("unit V002, attempt 1: FAIL"), "{}", ended.out);
    assert!(ended.out.contains("%: K1 never closes"), "{}", ended.out);
    assert!(ended.out.contains("Measure next: ohms from OUT to LOOP, power off"), "{}", ended.out);
}

#[test]
fn a_word_is_no_enter_where_hands_are_to_be_off_or_power_out() {
    let board_of = demo();
    let mut person = Person::at(&board(), &board_of, 3, &[silent_contact(&board_of)]);
    let first = person.asked().unwrap();
    assert!(first.contains("press Enter when that is done"), "{first}");
    for word in ["?", "no", "xyz", "silent"] {
        person.bench.press(word);
        let again = person.asked().unwrap();
        assert!(again.contains("is no answer here: press Enter once it is done"), "{again}");
    }
    person.do_it(&first);
    person.bench.press("");
    let next = person.asked().unwrap();
    assert!(!next.contains("is no answer here"), "{next}");
    person.bench.press("q");
    person.end();
}
