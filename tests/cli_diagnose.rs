//! `diagnose` as its owner runs it, on records that the demo wrote and on broken ones.

mod cli_support;

use cli_support::{board, strapwise};
use std::path::{Path, PathBuf};

/// The demo's lot of seed 6: V002 has a silent vent contact, V004 a wrong R4.
fn lot(results: &Path) -> PathBuf {
    let results_text = results.to_string_lossy();
    let ended = strapwise(&["demo", "--seed", "6", "--results", &results_text]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    results.join("vent-controller").join("demo-6")
}

fn diagnose(record: &Path, more: &[&str]) -> cli_support::Ended {
    let (board, record) = (board(), record.to_string_lossy().into_owned());
    let board = board.to_string_lossy();
    strapwise(&[&["diagnose", &board, &record], more].concat())
}

#[test]
fn the_part_is_named_with_what_speaks_for_it() {
    let results = tempfile::tempdir().unwrap();
    let ended = diagnose(&lot(results.path()).join("V004-1.csv"), &[]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    assert!(ended.out.starts_with("vent-controller B, unit V004, attempt 1: FAIL\n"));
    let cause = "1. over 99.9 %: R4 is about 31 times its value: 47 kΩ fitted for 1.5 kΩ\n";
    assert!(ended.out.contains(cause), "{}", ended.out);
    assert!(ended.out.contains("for: PROFILE J1=4 reads 8"), "{}", ended.out);
    assert!(ended.out.lines().all(|l| l.chars().count() <= 80), "{}", ended.out);
}

#[test]
fn what_a_meter_shows_narrows_it_down_and_the_exit_code_says_whether_it_is_settled() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V002-1.csv");
    let first = diagnose(&record, &[]);
    assert!(
        first.out.contains("Measure next: volts of OUT against GND, power on"),
        "{}",
        first.out
    );
    assert!(first.out.contains("--meter 'OUT=VALUE'"), "{}", first.out);
    let second = diagnose(&record, &["--meter", "OUT=2.49V"]);
    assert_eq!(second.code, Some(0));
    assert!(second.out.contains("K1 never closes"), "{}", second.out);
    assert!(!second.out.contains("Measure next"), "{}", second.out);
}

#[test]
fn what_was_found_in_other_units_of_the_lot_changes_the_odds_and_its_own_does_not() {
    let results = tempfile::tempdir().unwrap();
    let lot = lot(results.path());
    let record = lot.join("V002-1.csv");
    let first = diagnose(&record, &[]);
    assert!(first.out.contains("odds beforehand: this program's"), "{}", first.out);
    assert!(!first.out.contains("confirmed in other units"), "{}", first.out);
    // R20 open and a contact that never closes look alike; the first is likelier at first.
    let probability = |out: &str| {
        let rows = cli_support::rows(out.as_bytes());
        let of = rows.iter().find(|r| r["kind"] == "switch never closes").expect("the switch");
        of["probability"].parse::<f64>().unwrap()
    };
    let before = probability(&diagnose(&record, &["--format", "csv"]).out);
    let own = diagnose(&record, &["--found", "switch never closes: K1 has a cold joint"]);
    assert_eq!((own.code, own.err.as_str()), (Some(0), ""));
    assert_eq!(probability(&diagnose(&record, &["--format", "csv"]).out), before);
    for unit in ["V001", "V003", "V005"] {
        let other = lot.join(format!("{unit}-1.csv"));
        assert_eq!(diagnose(&other, &["--found", "switch never closes"]).code, Some(0));
    }
    assert!(probability(&diagnose(&record, &["--format", "csv"]).out) > before + 0.05);
    let said = diagnose(&record, &[]).out.replace('\n', " ");
    assert!(said.contains("confirmed in other units") && said.contains("never closes 3"), "{said}");
    // The same defect of the same unit in its next attempt is no other one.
    let file = lot.join("causes.csv");
    let text = std::fs::read_to_string(&file).unwrap();
    let row = text.lines().find(|line| line.contains("V003")).expect("what was found in V003");
    let again: Vec<&str> = row.split(',').collect();
    let attempt = text.lines().next().unwrap().split(',').position(|c| c == "attempt").unwrap();
    let again = [&again[..attempt], &["2"], &again[attempt + 1..]].concat().join(",");
    std::fs::write(&file, format!("{text}{again}\r\n")).unwrap();
    let said = diagnose(&record, &[]).out.replace('\n', " ");
    assert!(said.contains("never closes 3"), "{said}");
    let twice = diagnose(&record, &["--found", "switch never closes: K1 has a cold joint"]);
    assert!(twice.code == Some(2) && twice.err.contains("confirmed already"), "{}", twice.err);
    let kind = diagnose(&record, &["--found", "bad luck"]);
    assert!(kind.code == Some(2) && kind.err.contains("the kinds are"), "{}", kind.err);
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.trim_end()).unwrap();
    let torn = diagnose(&record, &[]);
    assert_ne!(torn.code, Some(2), "{}", torn.err);
    let said = torn.out.split_whitespace().collect::<Vec<&str>>().join(" ");
    assert!(said.contains("causes.csv ends in half a line, which is left out"), "{said}");
}

#[test]
fn programs_get_a_row_for_each_cause() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V002-1.csv");
    let ended = diagnose(&record, &["--format", "csv"]);
    let rows = cli_support::rows(ended.out.as_bytes());
    assert!(rows.len() > 1 && rows[0]["class"] == "1" && rows[0]["explained"] == "yes");
    // What settles more is there with what it should show, as it stands in the text.
    let next = rows.iter().find(|row| row["kind"] == "next").expect("what to measure next");
    assert!(next["cause"].starts_with("volts of OUT against GND"), "{next:?}");
    let add = "--meter 'VCC=VALUE' --meter 'OUT=VALUE'";
    assert_eq!(next["add"], add);
    let shows = |cause: &str| {
        let row = rows.iter().find(|row| row["cause"] == cause);
        row.map(|row| row["next_shows"].clone()).unwrap_or_else(|| panic!("no row: {cause}"))
    };
    let text = flowing(&diagnose(&record, &[]).out);
    for cause in ["R20 is open", "K1 never closes"] {
        assert!(text.contains(&format!("{} if {cause}", shows(cause))), "{cause}: {text}");
    }
    let json = diagnose(&record, &["--format", "json"]).out;
    assert!(json.contains(&format!("\"add\": \"{add}\"")), "{json}");
}

#[test]
fn of_a_good_unit_nothing_is_demanded() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V001-1.csv");
    let nothing = "By these readings nothing has to be lifted or measured.";
    let choice = format!("{nothing} What would tell most of the rest, if wanted: ohms from ");
    let ended = diagnose(&record, &[]);
    let said = flowing(&ended.out);
    assert!(said.contains(&choice) && !said.contains("Measure next"), "{said}");
    assert!(said.contains(" if nothing is wrong with the unit; if "), "{said}");
    assert_eq!(ended.code, Some(0));
    let rows = cli_support::rows(diagnose(&record, &["--format", "csv"]).out.as_bytes());
    assert!(rows.iter().any(|row| row["kind"] == "note" && row["cause"] == nothing));
    // A value that goes with nothing is to be measured again.
    let odd = flowing(&diagnose(&record, &["--meter", "TAP2:TAP3=999k"]).out);
    assert!(odd.contains("Measure again: ") && !odd.contains(nothing), "{odd}");
    // Who has not read all of it cannot call it good.
    let text = std::fs::read_to_string(&record).unwrap();
    let start: String = text.split_inclusive('\n').take(50).collect();
    let cut = results.path().join("cut.csv");
    std::fs::write(&cut, start).unwrap();
    let part = diagnose(&cut, &[]);
    let said = flowing(&part.out);
    assert!(part.code == Some(5) && !said.contains(nothing), "{said}");
    // A defect is told what to measure for, as ever.
    let silent = diagnose(&record.with_file_name("V002-1.csv"), &[]).out;
    assert!(silent.contains("Measure next: ") && !flowing(&silent).contains(nothing), "{silent}");
}

#[test]
fn the_readings_are_drawn_beside_the_causes() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V004-1.csv");
    let picture = results.path().join("causes.svg");
    let ended = diagnose(&record, &["--svg", &picture.to_string_lossy()]);
    assert!(ended.err.contains("causes.svg: picture written"), "{}", ended.err);
    let svg = std::fs::read_to_string(&picture).unwrap();
    assert!(svg.contains("PROFILE J1=4") && svg.contains("unit V004: causes"));
    let again = diagnose(&record, &["--svg", &picture.to_string_lossy()]);
    assert_ne!(again.code, Some(0), "a file that is there is not written over");
}

#[test]
fn units_known_good_agree_with_the_file_or_name_the_entry_that_they_contradict() {
    let results = tempfile::tempdir().unwrap();
    let lot = lot(results.path());
    let good = ["V001-1.csv", "V003-1.csv"].map(|f| lot.join(f).to_string_lossy().into_owned());
    let text = std::fs::read_to_string(board()).unwrap();
    let trust = |board: &Path| {
        strapwise(&["diagnose", &board.to_string_lossy(), "--trust", &good[0], &good[1]])
    };
    let ended = trust(&board());
    assert_eq!(ended.code, Some(0), "{}", ended.out);
    assert!(ended.out.contains("agree with the board file"), "{}", ended.out);
    // A slip of the pen in the file: 2k7 where the units have 2k2.
    let wrong = results.path().join("wrong.toml");
    let at = text.find("id = \"R3\"").unwrap();
    let slip = text[at..].replacen("2k2", "2k7", 1);
    std::fs::write(&wrong, format!("{}{slip}", &text[..at])).unwrap();
    let ended = trust(&wrong);
    assert_eq!(ended.code, Some(1), "{}", ended.out);
    assert!(ended.out.contains("R3: value = some 2.2 kΩ in place of 2.7 kΩ"), "{}", ended.out);
    // The same for programs.
    let form = |board: &Path, form: &str| {
        let board = board.to_string_lossy();
        let command = ["diagnose", &board, "--trust", &good[0], &good[1], "--format", form];
        let ended = strapwise(&command);
        (ended.code, ended.out)
    };
    let (code, out) = form(&wrong, "csv");
    let first = &cli_support::rows(out.as_bytes())[0];
    assert_eq!((code, first["kind"].as_str()), (Some(1), "correction"), "{out}");
    assert_eq!(first["what"], "R3: value = some 2.2 kΩ in place of 2.7 kΩ");
    assert_eq!((first["explained"].as_str(), first["units"].as_str()), ("2", "2"), "{out}");
    assert!(first["odds_log10"].parse::<f64>().unwrap() > 1.0, "{out}");
    let (code, out) = form(&board(), "json");
    assert!(code == Some(0) && out.contains("\"kind\": \"agree\""), "{out}");
}

#[test]
fn of_a_unit_that_nobody_looks_at_nothing_is_concluded() {
    let board = board();
    let arguments = ["diagnose", &board.to_string_lossy(), "--port", "virtual"];
    let nobody = cli_support::typed(&arguments, "");
    assert_eq!(nobody.code, Some(5), "{}", nobody.out);
    assert!(nobody.out.contains("nothing was read, so nothing is concluded"), "{}", nobody.out);
}

#[test]
fn a_record_of_another_board_is_refused() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V004-1.csv");
    let text = std::fs::read_to_string(&record).unwrap().replace("vent-controller", "door-opener");
    std::fs::write(&record, text).unwrap();
    let ended = diagnose(&record, &[]);
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("a record of the board door-opener"), "{}", ended.err);
}

#[test]
fn a_record_of_another_revision_is_used_and_said_to_be_one() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V004-1.csv");
    let text = std::fs::read_to_string(&record).unwrap();
    let text = text.replace("vent-controller,B,", "vent-controller,A,");
    std::fs::write(&record, text).unwrap();
    let ended = diagnose(&record, &[]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    let note = "the record is of revision A, the board file of B";
    assert!(ended.out.contains(note), "{}", ended.out);
}

#[test]
fn a_truncated_record_tells_what_it_still_can() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V004-1.csv");
    let bytes = std::fs::read(&record).unwrap();
    // In the middle of a line, after the ladder has been read.
    let third = bytes.len() * 2 / 3 + 7;
    std::fs::write(&record, &bytes[..third]).unwrap();
    let ended = diagnose(&record, &[]);
    assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.err);
    assert!(ended.out.contains("cut short") && ended.out.contains("half a line"), "{}", ended.out);
    assert!(ended.out.contains("R4 is about 31 times its value"), "{}", ended.out);
}

#[test]
fn a_record_with_nothing_read_is_said_to_have_nothing() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V004-1.csv");
    let text = std::fs::read_to_string(&record).unwrap();
    let few: Vec<&str> = text.split_inclusive("\r\n").take(3).collect();
    std::fs::write(&record, few.concat()).unwrap();
    let ended = diagnose(&record, &[]);
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("no reading in it to conclude from"), "{}", ended.err);
}

#[test]
fn bad_meter_readings_and_weights_are_refused_with_how_to_write_them() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V002-1.csv");
    for (given, said) in [
        ("OUT", "there is no ="),
        ("NOWHERE=1V", "the board has no net NOWHERE"),
        ("OUT=2k7", "more than 60 V"),
        ("OUT+joined=1V", "volts are measured with the power on"),
        ("OUT@J9=1=1V", "J9"),
    ] {
        let ended = diagnose(&record, &["--meter", given]);
        assert_eq!(ended.code, Some(2), "{given}: {}", ended.out);
        assert!(ended.err.contains(said), "{given}: {}", ended.err);
    }
    for (given, said) in [
        ("resistor open", "KIND=WEIGHT"),
        ("solder=2", "the kinds are chip pin open"),
        ("resistor open=-1", "0.001 to 1000"),
    ] {
        let ended = diagnose(&record, &["--weight", given]);
        assert_eq!(ended.code, Some(2), "{given}");
        assert!(ended.err.contains(said), "{given}: {}", ended.err);
    }
}

#[test]
fn a_look_is_typed_in_as_a_meter_s_reading_is_and_a_wrong_one_is_refused() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V002-1.csv");
    let first = diagnose(&record, &[]);
    let lifted = diagnose(&record, &["--look", "lifted:R20=no"]);
    assert!(lifted.err.is_empty() && lifted.out != first.out, "{}", lifted.out);
    for (look, why) in [
        ("second-shunt:J1", "there is no ="),
        ("second-shunt:J1=perhaps", "neither yes nor no"),
        ("second-shunt:J77=no", "this board has second-shunt:"),
        ("smell:J1=yes", "nothing is looked for by the name smell"),
    ] {
        let ended = diagnose(&record, &["--look", look]);
        assert_eq!(ended.code, Some(2), "{look}: {}", ended.out);
        assert!(ended.err.contains(why), "{look}: {}", ended.err);
    }
    let both = diagnose(&record, &["--look", "lifted:R20=no", "--look", "lifted:R20=yes"]);
    assert_eq!(both.code, Some(2));
    assert!(both.err.contains("yes and no at once"), "{}", both.err);
}

/// A text with its line ends as blanks.
fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_value_of_a_meter_that_goes_with_nothing_is_said_to_and_settles_nothing() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V004-1.csv");
    let ended = diagnose(&record, &["--meter", "TAP2:TAP3=999k"]);
    assert_eq!(ended.code, Some(5), "{}", ended.out);
    let said = flowing(&ended.out);
    assert!(said.contains("Measure again: TAP2:TAP3=999 kΩ does not go with"), "{said}");
    let rest = "Without it the rest says, over 99.9 %: R4 is about 31 times its value";
    assert!(said.contains(rest), "{said}");
    assert!(said.contains("against: ohms from TAP2 to TAP3, power off"), "{said}");
    let both = diagnose(&record, &["--meter", "OUT=2.4V", "--meter", "OUT=0V"]);
    assert_eq!(both.code, Some(2), "{}", both.out);
    assert!(both.err.contains("is given as 2.4 V and as 0 V; measure again"), "{}", both.err);
    let turned = diagnose(&record, &["--meter", "TAP2:TAP3=2k7", "--meter", "TAP3:TAP2=2k7"]);
    assert_eq!(turned.code, Some(0), "{}", turned.out);
    let one = diagnose(&record, &["--meter", "TAP2:TAP2=2k7"]);
    assert!(one.code == Some(2) && one.err.contains("TAP2 is given as both ends"), "{}", one.err);
}

#[test]
fn what_the_rest_says_is_a_class_with_all_that_reads_alike() {
    let results = tempfile::tempdir().unwrap();
    let lot = lot(results.path());
    // V001 is good, V002 has a silent vent contact.
    let good = "%: a good unit, or a defect that these readings do not show (";
    let silent =
        "%: one of these 2, not separable by these readings: R20 is open; or K1 never closes.";
    for (unit, rest) in [("V001", good), ("V002", silent)] {
        for form in ["text", "csv", "json"] {
            let more = ["--meter", "TAP2:TAP3=999k", "--format", form];
            let ended = diagnose(&lot.join(format!("{unit}-1.csv")), &more);
            let said = flowing(&ended.out);
            let said = said.split_once("Without it the rest says, ").map(|(_, said)| said);
            let said = said.unwrap_or_else(|| panic!("{unit} {form}: {}", ended.out));
            let line = said.split_once(' ').filter(|_| !said.starts_with("over"));
            let line = line.map_or(said.trim_start_matches("over 99.9 "), |(_, rest)| rest);
            assert!(line.starts_with(rest), "{unit} {form}: {said}");
        }
    }
}

#[test]
fn what_a_record_lacks_is_named_and_the_rest_is_concluded_from() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V004-1.csv");
    let text = std::fs::read_to_string(&record).unwrap();
    // The file's channel has another name than the record's: R4 shows in nothing that is left.
    std::fs::write(&record, text.replace(",PROFILE,", ",LADDER,")).unwrap();
    let ended = diagnose(&record, &[]);
    assert_eq!(ended.code, Some(5), "{}", ended.err);
    let said = flowing(&ended.out);
    let note = "note: PROFILE was never read, so what shows there alone stays open";
    assert!(said.contains(note), "{said}");
    assert!(said.contains("not used: rows ") && said.contains(" more: the board has no channel"));
    assert_eq!(said.matches("has no channel LADDER").count(), 1, "{said}");
    assert!(!said.contains("R4 is about 31 times"), "{said}");
}

#[test]
fn what_was_found_is_a_part_of_the_board() {
    let results = tempfile::tempdir().unwrap();
    let lot = lot(results.path());
    let record = lot.join("V002-1.csv");
    for (found, said) in [
        ("resistor open: R99, cracked", "has no R99; it has R1, R2, R3"),
        ("resistor open: r8 cracked", "has no r8; it has R1, R2, R3"),
        ("switch never closes: K2", "has no K2; it has K1"),
        ("shunt without contact: between R3 and J9", "has no J9; it has J1, J2, J3, J4, J5, J6"),
    ] {
        let ended = diagnose(&record, &["--found", found]);
        assert_eq!(ended.code, Some(2), "{found}: {}", ended.out);
        assert!(ended.err.contains(said), "{found}: {}", ended.err);
    }
    assert!(!lot.join("causes.csv").exists(), "nothing is kept of what was refused");
    // A kind of part that the board file has none of may well be on the board.
    for (unit, found) in
        [("V001", "resistor open: R20, 10k, see U3"), ("V003", "load draws nothing: D5")]
    {
        let record = lot.join(format!("{unit}-1.csv"));
        let ended = diagnose(&record, &["--found", found]);
        assert_eq!(ended.code, Some(0), "{found}: {}", ended.err);
    }
}

#[test]
fn options_that_would_do_nothing_are_refused() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V002-1.csv");
    let found = ["--found", "resistor open: R20"];
    let picture = results.path().join("causes.svg");
    let svg = ["--svg", &*picture.to_string_lossy()];
    for more in [&svg[..], &["--port", "virtual"], &["--format", "csv"]] {
        for first in [&found[..], &["--trust"]] {
            // What trusted units say has a table.
            if first == ["--trust"] && more[0] == "--format" {
                continue;
            }
            let ended = diagnose(&record, &[first, more].concat());
            assert_eq!(ended.code, Some(2), "{first:?} {more:?}: {}", ended.out);
            assert!(ended.err.contains("cannot be used with"), "{}", ended.err);
        }
    }
    assert!(!picture.exists());
}

#[test]
fn the_picture_says_what_the_text_says() {
    let results = tempfile::tempdir().unwrap();
    let record = lot(results.path()).join("V004-1.csv");
    let draw = |name: &str, more: &[&str]| {
        let picture = results.path().join(name);
        let path = picture.to_string_lossy().into_owned();
        let ended = diagnose(&record, &[&["--svg", &path], more].concat());
        (ended.code, std::fs::read_to_string(&picture).unwrap())
    };
    let (_, svg) = draw("sure.svg", &[]);
    assert!(svg.contains("over 99.9 %: R4") && !svg.contains("100.0 %"), "{svg}");
    assert!(!svg.contains("No modelled cause"), "{svg}");
    // A ladder read at codes that no single resistor and no pair of them gives.
    let text = std::fs::read_to_string(&record).unwrap();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let header = reader.headers().unwrap().clone();
    let column = |name: &str| header.iter().position(|h| h == name).unwrap();
    let mut out = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(vec![]);
    out.write_record(&header).unwrap();
    for (i, row) in reader.records().map(Result::unwrap).enumerate() {
        let channel = &row[column("channel")];
        let odd = ["PROFILE", "LOOP", "HUMID"].contains(&channel);
        let mean = column("mean_code");
        let strange = format!("{}.000", 100 + (i * 397) % 800);
        // The ends of the burst would give it away.
        let ends = [column("min_code"), column("max_code")];
        let other = |(c, cell): (usize, &str)| match odd && !cell.is_empty() {
            true if c == mean => strange.clone(),
            true if ends.contains(&c) => String::new(),
            _ => cell.to_string(),
        };
        out.write_record(row.iter().enumerate().map(other)).unwrap();
    }
    std::fs::write(&record, out.into_inner().unwrap()).unwrap();
    let (code, svg) = draw("odd.svg", &[]);
    assert_eq!(code, Some(1));
    assert!(svg.contains("No modelled cause explains these readings"), "{svg}");
    assert!(svg.contains(" of what is modelled: "), "{svg}");
}
