//! What `diagnose` does with rows that are not of the unit, with cells that no bench writes, and
//! with files and options that cannot be used.

mod cli_support;

use cli_support::{Ended, board, strapwise};
use std::path::{Path, PathBuf};

/// V004 of the demo's lot of seed 6 has a wrong R4.
fn record(results: &Path) -> PathBuf {
    let results_text = results.to_string_lossy();
    let ended = strapwise(&["demo", "--seed", "6", "--results", &results_text]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    results.join("vent-controller").join("demo-6").join("V004-1.csv")
}

fn diagnose(record: &Path, more: &[&str]) -> Ended {
    let (board, record) = (board(), record.to_string_lossy().into_owned());
    strapwise(&[&["diagnose", &board.to_string_lossy(), &record], more].concat())
}

/// Text on one line.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<&str>>().join(" ")
}

/// A record as cells, the header first.
fn cells(bytes: &[u8]) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(bytes);
    reader.records().map(|r| r.unwrap().iter().map(str::to_string).collect()).collect()
}

fn written(rows: &[Vec<String>]) -> Vec<u8> {
    let builder = &mut csv::WriterBuilder::new();
    let mut writer = builder.terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    rows.iter().for_each(|row| writer.write_record(row).unwrap());
    writer.into_inner().unwrap()
}

/// The numbers of a record's rows with a reading, and a file beside it with one cell replaced.
struct Mended {
    rows: Vec<Vec<String>>,
    file: PathBuf,
}

impl Mended {
    fn column(&self, name: &str) -> usize {
        self.rows[0].iter().position(|c| c == name).unwrap_or_else(|| panic!("no column {name}"))
    }

    fn read(&self) -> Vec<usize> {
        let (row, mode) = (self.column("row"), self.column("mode"));
        let is = |r: &Vec<String>| r[row] == "check" && r[mode] == "mean";
        (1..self.rows.len()).filter(|&i| is(&self.rows[i])).collect()
    }

    fn with(&self, at: &[usize], name: &str, value: &str) -> Ended {
        let mut rows = self.rows.clone();
        at.iter().for_each(|&i| rows[i][self.column(name)] = value.to_string());
        std::fs::write(&self.file, written(&rows)).unwrap();
        diagnose(&self.file, &[])
    }
}

fn mended(results: &Path) -> Mended {
    let rows = cells(&std::fs::read(record(results)).unwrap());
    Mended { rows, file: results.join("mended.csv") }
}

fn leading(out: &str) -> Option<String> {
    out.lines().find(|line| line.starts_with("1. ")).map(str::to_string)
}

#[test]
fn a_cell_that_no_bench_writes_is_named_and_concludes_nothing() {
    let results = tempfile::tempdir().unwrap();
    let m = mended(results.path());
    let seq = m.column("seq");
    let at = m.read()[2];
    let number = m.rows[at][seq].clone();
    for (column, value, why) in [
        ("unit", "G2", "it is of unit G2, the record of V004"),
        ("lot", "zz", "it is of lot zz"),
        ("attempt", "7", "it is of attempt 7, the record of 1"),
        ("chip", "SAMD21", "it is of chip SAMD21"),
        ("n", "0", "n is empty or 0"),
        ("mean_code", "99999", "mean_code 99999 is outside 0 to 1023"),
        ("mean_code", "-5", "mean_code -5 is outside 0 to 1023"),
        ("mean_code", "", "mean_code is empty"),
        ("sd_code", "1e308", "sd_code 1e308 is no deviation of such a burst"),
        ("sd_code", "600.5", "sd_code 600.5 is no deviation of such a burst, from min_code "),
        ("driven_proof", "magic", "`magic` is no word of the column driven_proof"),
        ("pull", "up", "`up` is no word of the column pull"),
        ("mode", "guess", "`guess` is no word of the column mode"),
        ("mode", "meter", "is not read in the mode meter"),
        ("channel", "FOO", "the board has no channel FOO"),
        ("pullup_shift_code", "-900", "pullup_shift_code -900 is none that a pull-up gives"),
    ] {
        let ended = m.with(&[at], column, value);
        let said = flat(&ended.out);
        let line = format!("not used: row {number}: ");
        assert!(said.contains(&line) && said.contains(why), "{column}={value}: {said}");
        assert!(leading(&ended.out).unwrap().contains("R4"), "{column}={value}: {said}");
    }
}

#[test]
fn any_cell_of_a_good_record_replaced_by_rubbish_is_named_or_changes_nothing() {
    let results = tempfile::tempdir().unwrap();
    let m = mended(results.path());
    let before = leading(&m.with(&[], "unit", "").out).expect("a cause");
    let mut rubbish = ["", "0", "-5", "99999", "1e308", "nan", "magic", "J1=99"].iter().cycle();
    let judged = m.read();
    let mut tried = 0;
    // Words that no cause is concluded from cost time alone.
    for (c, column) in m.rows[0].iter().enumerate() {
        let at = judged[(7 * c) % judged.len()];
        for _ in 0..3 {
            let value = rubbish.next().unwrap();
            let ended = m.with(&[at], column, value);
            let all = flat(&(ended.out.clone() + &ended.err));
            let named = all.contains("not used: row") || ended.code == Some(2);
            let same = leading(&ended.out).as_ref() == Some(&before);
            assert!(named || same, "row {at}, {column}={value}: {all}");
            tried += 1;
        }
    }
    assert!(tried > 150, "{tried}");
}

#[test]
fn a_record_of_two_units_is_refused() {
    let results = tempfile::tempdir().unwrap();
    let m = mended(results.path());
    let mut rows = m.rows.clone();
    for row in &m.rows[1..] {
        let mut other = row.clone();
        other[m.column("unit")] = "G2".into();
        rows.push(other);
    }
    std::fs::write(&m.file, written(&rows)).unwrap();
    let ended = diagnose(&m.file, &[]);
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""));
    assert!(ended.err.contains("it is of unit G2, the record of V004"), "{}", ended.err);
}

#[test]
fn where_nothing_is_left_it_says_what_was_wrong() {
    let results = tempfile::tempdir().unwrap();
    let m = mended(results.path());
    let kind = m.column("row");
    let mut rows = m.rows.clone();
    rows.retain(|row| row[kind] == "row" || row[kind] == "check" || row[kind] == "event");
    let m = Mended { rows, ..m };
    let checks: Vec<usize> = (1..m.rows.len()).filter(|&i| m.rows[i][kind] == "check").collect();
    let ended = m.with(&checks, "channel", "FOO");
    assert_eq!(ended.code, Some(2), "{}", ended.out);
    assert!(ended.err.contains("the board has no channel FOO"), "{}", ended.err);
    assert!(!ended.err.ends_with("\n\n"), "{}", ended.err);
}

#[cfg(unix)]
#[test]
fn a_list_of_causes_that_is_no_file_is_refused_at_once() {
    let results = tempfile::tempdir().unwrap();
    let record = record(results.path());
    let causes = record.with_file_name("causes.csv");
    std::os::unix::fs::symlink("/dev/zero", &causes).unwrap();
    for more in [&["--found", "resistor open: R4"][..], &[]] {
        let ended = diagnose(&record, more);
        assert!(ended.code == Some(2) && ended.err.contains("it is no file"), "{}", ended.err);
    }
}

#[test]
fn what_is_found_later_in_a_unit_replaces_what_was_found_before() {
    let results = tempfile::tempdir().unwrap();
    let record = record(results.path());
    let found = |what: &str| diagnose(&record, &["--found", what]);
    let right = found("resistor of another value: R4, 47 k");
    assert_eq!((right.code, right.err.as_str()), (Some(0), ""));
    let other = found("resistor open: R2");
    assert_eq!(other.code, Some(0));
    let said = flat(&other.err);
    assert!(said.contains("replaces `resistor of another value: R4, 47 k`"), "{said}");
    // The record says R4 nearly for certain.
    assert!(said.contains("the record says otherwise, over 99.9 %: R4 is about"), "{said}");
    let text = std::fs::read_to_string(record.with_file_name("causes.csv")).unwrap();
    assert!(text.contains("resistor open,R2") && text.lines().count() == 2, "{text}");
}

#[test]
fn programs_see_what_is_in_doubt_what_is_next_and_what_was_not_used() {
    let results = tempfile::tempdir().unwrap();
    let m = mended(results.path());
    let at = m.read()[2];
    let mut changed = m.rows.clone();
    let sha = m.column("board_sha256");
    changed[1..].iter_mut().for_each(|row| row[sha] = "0".repeat(64));
    let m = Mended { rows: changed, ..m };
    m.with(&[at], "channel", "FOO");
    let table = |more: &[&str]| {
        let ended = diagnose(&m.file, &[&["--format", "csv"], more].concat());
        cli_support::rows(ended.out.as_bytes())
    };
    let rows = table(&[]);
    let has = |kind: &str, words: &str| {
        rows.iter().any(|r| r["kind"] == kind && r["cause"].contains(words))
    };
    assert!(has("not used", "the board has no channel FOO"), "{rows:?}");
    assert!(has("note", "the board file has been changed"), "{rows:?}");
    assert_eq!(rows[0]["in_doubt"], "no");
    let rows = table(&["--meter", "TAP2:TAP3=1M6"]);
    let again = rows.iter().find(|r| r["kind"] == "measure again").expect("a row");
    assert!(again["cause"].starts_with("TAP2:TAP3=1.6 MΩ does not go with"), "{again:?}");
    assert_eq!(rows[0]["in_doubt"], "yes", "{rows:?}");
    // Of V002 causes are left that a meter parts.
    let open = results.path().join("vent-controller/demo-6/V002-1.csv");
    let ended = diagnose(&open, &["--format", "csv"]);
    let rows = cli_support::rows(ended.out.as_bytes());
    let next = rows.iter().find(|r| r["kind"] == "next").expect("a row");
    assert!(next["cause"].starts_with("volts of OUT against GND"), "{next:?}");
}

#[test]
fn what_cannot_be_used_says_what_to_do_next() {
    let results = tempfile::tempdir().unwrap();
    let record = record(results.path());
    let board = board();
    let board = board.to_string_lossy();
    let alone = strapwise(&["diagnose", &board]);
    assert!(alone.code == Some(2) && alone.err.contains("--port"), "{}", alone.err);
    assert!(alone.err.contains("the record of the unit"), "{}", alone.err);
    let nope = strapwise(&["diagnose", &board, "--port", "nope"]);
    assert!(nope.code == Some(2) && nope.out.is_empty(), "{}", nope.out);
    assert!(nope.err.contains("--port nope: there is no such port"), "{}", nope.err);
    let folder = results.path().to_string_lossy();
    let file = record.to_string_lossy();
    let wrong =
        [("/dev/null", "a device without a line"), (&*folder, "a folder"), (&*file, "a file")];
    for (port, what) in wrong.into_iter().filter(|_| cfg!(unix)) {
        // Said before anybody sets a shunt for it.
        let ended = strapwise(&["diagnose", &board, "--port", port]);
        assert!(ended.code == Some(2) && ended.out.is_empty(), "{}", ended.out);
        let said = format!("--port {port}: is {what}, which is no serial port; `strapwise ports`");
        assert!(ended.err.contains(&said), "{}", ended.err);
        let read = strapwise(&["read", &board, "--port", port]);
        assert!(read.code == Some(3) && read.err.contains("no serial port"), "{}", read.err);
    }
    let heavy = diagnose(&record, &["--weight", "resistor open=1e9"]);
    assert!(heavy.code == Some(2) && heavy.err.contains("0.001 to 1000"), "{}", heavy.err);
    for volts in ["VCC=0V", "VCC=12V"] {
        let ended = diagnose(&record, &["--meter", volts]);
        let said = flat(&ended.out);
        assert!(said.contains(&format!("not used: --meter {volts}: the board file has")), "{said}");
        assert!(leading(&ended.out).unwrap().contains("R4"), "{said}");
    }
    let text = std::fs::read_to_string(&record).unwrap();
    let wide: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let file = results.path().join("wide.csv");
    std::fs::write(&file, [&[0xff, 0xfe][..], &wide].concat()).unwrap();
    let ended = diagnose(&file, &[]);
    assert!(ended.code == Some(2) && ended.err.contains("save it as UTF-8"), "{}", ended.err);
}

#[test]
fn a_picture_names_all_causes_of_a_class_and_draws_no_scale_where_no_code_tells() {
    let results = tempfile::tempdir().unwrap();
    let draw = |unit: &str| {
        let record = results.path().join(format!("vent-controller/demo-6/{unit}-1.csv"));
        let picture = results.path().join(format!("{unit}.svg"));
        diagnose(&record, &["--svg", &picture.to_string_lossy()]);
        std::fs::read_to_string(&picture).unwrap()
    };
    record(results.path());
    // V002 has a silent vent contact, V001 is good.
    let svg = draw("V002");
    let line = ">1: over 99.9 %: one of these 2, not separable by these readings: R20 is open; or K1 \
                never closes<";
    assert!(svg.contains(line) && svg.contains(">768<"), "{svg}");
    let svg = draw("V001");
    assert!(svg.contains("Every code is as a good unit gives it"), "{svg}");
    assert!(!svg.contains(">1023<") && !svg.contains("No reading tells"), "{svg}");
}

impl Mended {
    /// Rows of a kind, by number.
    fn of(&self, column: &str, value: &str) -> Vec<usize> {
        let at = self.column(column);
        (1..self.rows.len()).filter(|&i| self.rows[i][at] == value).collect()
    }

    fn trusted(&self) -> Ended {
        let (board, file) = (board(), self.file.to_string_lossy().into_owned());
        strapwise(&["diagnose", &board.to_string_lossy(), "--trust", &file])
    }
}

/// The record of a good unit.
fn good(results: &Path) -> Mended {
    let rows = cells(&std::fs::read(record(results).with_file_name("V001-1.csv")).unwrap());
    Mended { rows, file: results.join("mended.csv") }
}

#[test]
fn a_record_of_another_chip_pin_or_supply_is_named_against_the_board_file() {
    let results = tempfile::tempdir().unwrap();
    let m = good(results.path());
    let all: Vec<usize> = (1..m.rows.len()).collect();
    let ended = m.with(&all, "chip", "ATmega2560");
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{}", ended.err);
    let said = flat(&ended.err);
    let chip =
        "it is of chip ATmega2560, the board file of ATmega328P; give the file of that board";
    assert!(said.contains(chip), "{said}");
    assert_eq!(m.trusted().code, Some(2));
    // A channel at another pin, as after a correction of the file.
    let ended = m.with(&m.of("channel", "PROFILE"), "pin", "PC5");
    let said = flat(&ended.out);
    let pin = "PROFILE was read at PC5, the board file has it at PC0: correct its pin there";
    assert!(said.contains("not used: rows ") && said.contains(pin), "{said}");
    assert!(said.contains("PROFILE was never read") && ended.code == Some(5), "{said}");
    let trusted = m.trusted();
    let said = flat(&trusted.out);
    assert!(trusted.code == Some(1) && said.contains(pin), "{said}");
    assert!(said.contains("Rows contradict the board file") && !said.contains("agrees with the b"));
    // A supply that no tolerance of the chip's own reference explains.
    let volts = m.of("row", "volts");
    let ended = m.with(&volts, "supply_mv", "3300.00");
    let said = flat(&ended.out);
    let supply =
        "the supply was at 3.3 V, the board file has 5 V, give or take 5 %: correct its volts";
    assert!(
        said.contains(&format!("not used: row {}: {supply}", m.rows[volts[0]][m.column("seq")]))
    );
    let trusted = m.trusted();
    let said = flat(&trusted.out);
    assert!(trusted.code == Some(1) && said.contains(supply), "{said}");
    let right = m.with(&[], "chip", "");
    assert_eq!((right.code, m.trusted().code), (Some(0), Some(0)), "{}", right.out);
}

#[test]
fn trust_without_a_record_is_an_error_and_what_was_not_read_is_said() {
    let board = board();
    let ended = strapwise(&["diagnose", &board.to_string_lossy(), "--trust"]);
    assert!(ended.code == Some(2) && ended.err.contains("there is none"), "{}", ended.err);
    let results = tempfile::tempdir().unwrap();
    let m = good(results.path());
    // Cut short behind its first step.
    let (step, second) = (m.column("step"), m.of("step", "2"));
    let kept: Vec<Vec<String>> = m.rows[..second[0]].to_vec();
    assert!(kept.iter().any(|row| row[step] == "1"));
    std::fs::write(&m.file, written(&kept)).unwrap();
    let ended = m.trusted();
    let said = flat(&ended.out);
    assert_eq!(ended.code, Some(5), "{said}");
    assert!(said.contains("(unit V001, cut short) agrees with the board file as far as"), "{said}");
    assert!(said.contains("cut short): PROFILE") || said.contains("J1=1"), "{said}");
}

#[test]
fn a_failed_unit_without_a_cause_in_its_parts_is_told_with_the_check_that_failed() {
    let results = tempfile::tempdir().unwrap();
    let m = good(results.path());
    let failing = |rows: &mut Vec<Vec<String>>, at: usize, cells: &[(&str, &str)]| {
        cells.iter().for_each(|(name, value)| rows[at][m.column(name)] = (*value).to_string());
        let unit = m.of("row", "unit")[0];
        rows[unit][m.column("verdict")] = "FAIL".into();
    };
    let told = |rows: &[Vec<String>]| {
        std::fs::write(&m.file, written(rows)).unwrap();
        let ended = diagnose(&m.file, &[]);
        (ended.code, flat(&ended.out))
    };
    // A contact that comes and goes: read wrong in a step, right later with the same shunts.
    let [channel, setting, mode, load] =
        ["channel", "setting", "mode", "load"].map(|c| m.column(c));
    let profile: Vec<usize> = m.of("channel", "PROFILE");
    let j1 = |i: usize| m.rows[i][setting].split(' ').next().unwrap().to_string();
    let mean = |i: &usize| m.rows[*i][mode] == "mean" && m.rows[*i][load].is_empty();
    let read: Vec<usize> = profile.into_iter().filter(mean).collect();
    let again = |&i: &usize| read.iter().any(|&k| k > i && j1(k) == j1(i));
    let at = *read.iter().find(|i| again(i)).expect("a place that is read twice");
    let mut rows = m.rows.clone();
    let wrong = [
        ("mean_code", "600.000"),
        ("min_code", "598"),
        ("max_code", "602"),
        ("pullup_shift_code", "20.000"),
        ("verdict", "fail"),
    ];
    failing(&mut rows, at, &wrong);
    let (code, said) = told(&rows);
    assert_eq!(code, Some(5), "{said}");
    assert!(said.contains("a contact of PROFILE comes and goes"), "{said}");
    assert!(said.contains(&format!("for: PROFILE {} read 600 in step", j1(at))), "{said}");
    assert!(said.contains("while you press on the shunt of J1, R5, R1"), "{said}");
    assert!(said.contains("and the pin PC0, one after the other"), "{said}");
    // A supply out of its tolerance.
    let volts = m.of("row", "volts")[0];
    let mut rows = m.rows.clone();
    failing(&mut rows, volts, &[("supply_mv", "4200.00"), ("verdict", "fail")]);
    let (code, said) = told(&rows);
    assert_eq!(code, Some(5), "{said}");
    let supply = "the supply that fed the unit was at 4.2 V, where the board file has 5 V, give or";
    assert!(said.contains(supply) && said.contains("measure VCC at the chip"), "{said}");
    // Anything else.
    let question = m.of("row", "question")[0];
    let id = m.rows[question][m.column("rule")].clone();
    let mut rows = m.rows.clone();
    failing(&mut rows, read[0], &[("verdict", "fail"), ("reason", "too noisy")]);
    let (code, said) = told(&rows);
    assert_eq!(code, Some(5), "{said}");
    assert!(said.contains("a check failed that no part explains: PROFILE"), "{said}");
    assert!(said.contains("too noisy") && !said.contains(&id), "{said}");
    assert!(m.rows[read[0]][channel] == "PROFILE" && told(&m.rows).0 == Some(0));
}

#[test]
fn what_was_found_goes_with_its_part_and_can_be_taken_back() {
    let results = tempfile::tempdir().unwrap();
    let record = record(results.path());
    let causes = record.with_file_name("causes.csv");
    let found = |what: &str| diagnose(&record, &["--found", what]);
    for (what, fit) in [
        ("resistor shorted: J3", "is none of J3's defects; it is one of R1, R2"),
        ("shunt without contact: R2 cracked", "R2 may have: resistor of another value"),
        ("chip pin open: K1", "it is one of PROFILE"),
        ("load draws nothing: VENT, R20", ""),
    ] {
        let ended = found(what);
        match fit {
            // One part that goes with it is enough: others say where.
            "" => assert_eq!(ended.code, Some(0), "{}", ended.err),
            fit => {
                let said = flat(&ended.err);
                assert!(ended.code == Some(2) && said.contains(fit), "{what}: {said}");
                assert!(!causes.exists());
            }
        }
    }
    let back = found("none");
    let said = flat(&back.out);
    assert!(
        back.code == Some(0) && said.contains("V004: `load draws nothing: VENT, R20` is taken")
    );
    assert_eq!(std::fs::read_to_string(&causes).unwrap().lines().count(), 1, "its header");
    let again = found("none");
    assert!(
        again.code == Some(2) && again.err.contains("nothing is kept there of V004, attempt 1")
    );
    // Somebody looked, and found nothing: kept, and no odds of it.
    let nothing = found("nothing: all joints of the ladder");
    assert!(
        nothing.code == Some(0) && nothing.out.contains("it changes no odds"),
        "{}",
        nothing.out
    );
    assert!(flat(&nothing.err).contains("the record says otherwise, over 99.9 %: R4"));
    let other = diagnose(&record.with_file_name("V002-1.csv"), &[]);
    assert!(!other.out.contains("confirmed in other units"), "{}", other.out);
    let good = record.with_file_name("V001-1.csv");
    let ended = diagnose(&good, &["--found", "nothing"]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
}

#[test]
fn a_jumper_twice_in_the_place_of_a_meter_is_refused() {
    let results = tempfile::tempdir().unwrap();
    let record = record(results.path());
    for meter in ["PICK@J1=2,J1=3=2V", "PICK@J1=2,J2=open,J1=2=2V"] {
        let ended = diagnose(&record, &["--meter", meter]);
        assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{}", ended.err);
        assert!(ended.err.contains("J1 is named twice; take one of the two out"), "{}", ended.err);
    }
}
