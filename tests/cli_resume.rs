//! Going on from a run that was cut short, from the command line.

mod cli_support;

use cli_support::{Bench, PROGRAM, board, kind, record, strapwise};
use std::path::Path;
use std::process::Command;

fn lot(results: &Path) -> std::path::PathBuf {
    results.join("vent-controller/L1")
}

fn again(results: &Path, more: &[&str]) -> Bench {
    let mut command = Command::new(PROGRAM);
    command.arg("bench").arg(board());
    command.args(["--port", "virtual", "--still", "0.1", "--lot", "L1", "--results"]);
    command.arg(results).args(more);
    Bench::spawn(&mut command)
}

/// A run that ends when J3 is to be fitted.
fn cut_short(results: &Path) {
    let mut bench = Bench::start(results, "U1");
    bench.enter_until(|l| l.contains("J3: fit the shunt")).expect("J3 is asked for");
    bench.close_input();
    assert_eq!(bench.end().code, Some(5));
}

fn refused(results: &Path, more: &[&str], why: &str) {
    let (path, folder) = (board(), results.to_str().unwrap().to_string());
    let fixed = ["bench", path.to_str().unwrap(), "--lot", "L1", "--results", &folder];
    let ended = strapwise(&[&fixed[..], &["--port", "virtual", "--resume"], more].concat());
    assert_eq!(ended.code, Some(2), "{}", ended.err);
    assert!(ended.err.contains(why), "{}", ended.err);
}

#[test]
fn a_run_that_was_cut_short_goes_on_and_its_record_is_whole() {
    let results = tempfile::tempdir().unwrap();
    cut_short(results.path());
    let mut bench = again(results.path(), &["--unit", "U1", "--resume"]);
    bench.enter_until(|_| false);
    let ended = bench.end();
    assert_eq!(ended.code, Some(0), "{}", ended.out);
    let moves = ended.out.lines().filter(|l| kind(l) == "moved").count();
    assert_eq!(moves, 7, "the moves that were left: {}", ended.out);
    let rows = record(&lot(results.path()).join("U1-2.csv"));
    let asked = rows.iter().filter(|r| r["rule"] == "move believed").count();
    assert_eq!(asked, 14, "all moves, and the start");
    assert!(rows.iter().all(|r| r["attempt"] == "2"));
    assert_eq!(rows.last().unwrap()["verdict"], "PASS");
    let line = &record(&lot(results.path()).join("lot.csv"))[0];
    assert_eq!((&*line["verdict"], &*line["attempts"]), ("PASS", "2"));
    refused(results.path(), &["--unit", "U1"], "was not cut short, it ended with PASS");
}

#[test]
fn an_attempt_that_ended_before_anything_was_measured_takes_nothing_away() {
    let results = tempfile::tempdir().unwrap();
    cut_short(results.path());
    // The second attempt has nobody at the keys.
    let mut bench = again(results.path(), &["--unit", "U1", "--resume"]);
    bench.close_input();
    assert_eq!(bench.end().code, Some(5));
    let mut bench = again(results.path(), &["--unit", "U1", "--resume"]);
    bench.enter_until(|l| l.contains("steps of attempt 1 count")).expect("goes on from the first");
    bench.enter_until(|_| false);
    assert_eq!(bench.end().code, Some(0));
    let rows = record(&lot(results.path()).join("U1-3.csv"));
    assert!(rows.iter().any(|r| r["note"].starts_with("attempt 1, row")), "taken over");
}

#[test]
fn in_a_lot_a_unit_that_was_cut_short_is_gone_on_with_by_a_word() {
    let results = tempfile::tempdir().unwrap();
    cut_short(results.path());
    let mut bench = again(results.path(), &[]);
    bench.enter_until(|l| l.contains("Serial number")).unwrap();
    bench.press("U1");
    let asked = bench.enter_until(|l| l.contains("in this lot already")).unwrap();
    assert!(asked.contains("resume goes on where attempt 1 was cut short"), "{asked}");
    bench.press("resume");
    bench.enter_until(|l| l.contains("steps of attempt 1 count")).expect("goes on");
    bench.enter_until(|l| l.contains("U1 PASS")).expect("a verdict");
    bench.enter_until(|l| l.contains("Serial number")).unwrap();
    bench.press("q");
    assert_eq!(bench.end().code, Some(0));
}

#[test]
fn what_cannot_be_gone_on_from_is_refused_with_what_to_do() {
    let results = tempfile::tempdir().unwrap();
    refused(results.path(), &["--unit", "U1"], "has no earlier attempt in");
    refused(results.path(), &[], "--unit");
    cut_short(results.path());
    refused(results.path(), &["--unit", "U2"], "has no earlier attempt in");
    refused(results.path(), &["--unit", "U1", "--reason", "slip"], "cannot be used with");
    // The same record with the digest of another board file.
    let path = lot(results.path()).join("U1-1.csv");
    let text = std::fs::read_to_string(&path).unwrap();
    let digest = record(&path)[0]["board_sha256"].clone();
    std::fs::write(&path, text.replace(&digest, &"0".repeat(64))).unwrap();
    refused(results.path(), &["--unit", "U1"], "the board file has changed since attempt 1");
}

#[test]
fn values_by_meter_that_were_typed_before_the_cut_are_not_typed_again() {
    let results = tempfile::tempdir().unwrap();
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/examples/decade.toml");
    let start = |more: &[&str]| {
        let mut command = Command::new(PROGRAM);
        command.arg("bench").arg(&file).args(["--port", "virtual", "--unit", "D1", "--lot", "L1"]);
        command.arg("--results").arg(results.path()).args(more);
        Bench::spawn(&mut command)
    };
    let asks = |l: &str| l.contains("type what the meter shows");
    let mut bench = start(&[]);
    while !bench.enter_until(asks).expect("a value is asked for").contains("[4/26]") {
        bench.press("");
    }
    bench.close_input();
    assert_eq!(bench.end().code, Some(5));
    let mut bench = start(&["--resume"]);
    while bench.enter_until(asks).is_some() {
        bench.press("");
    }
    let ended = bench.end();
    assert!(ended.out.contains("3 values of attempt 1 count"), "{}", ended.out);
    assert_eq!(ended.code, Some(0), "{}", ended.out);
    let asked = ended.out.lines().filter(|l| asks(l)).count();
    assert_eq!(asked, 1 + 23, "one once more, and what was left: {}", ended.out);
    let rows = record(&results.path().join("decade/L1/D1-2.csv"));
    assert_eq!(rows.iter().filter(|r| r["row"] == "check").count(), 26, "every value, once");
}
