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
        ("sd_code", "1e308", "is no deviation of such a burst"),
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
    let line = ">1: over 99.9 %: one of 2, not separable: R20 is open; K1 never closes<";
    assert!(svg.contains(line) && svg.contains(">768<"), "{svg}");
    let svg = draw("V001");
    assert!(svg.contains("Every code is as a good unit gives it"), "{svg}");
    assert!(!svg.contains(">1023<") && !svg.contains("No reading tells"), "{svg}");
}
