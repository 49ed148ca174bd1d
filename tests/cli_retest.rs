//! Testing a unit again, releasing one from HOLD, and delivering one otherwise, from the command
//! line.

mod cli_support;

use cli_support::{Bench, Ended, PROGRAM, board, kind, record, rows, small_board, strapwise};
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use strapwise::lot;
use strapwise::record::{Head, Row, RowKind};
use strapwise::store::Store;

fn lot_folder(results: &Path) -> PathBuf {
    results.join("blinker/L1")
}

/// An attempt at U1 that came to a verdict, as the bench leaves it.
fn attempt(results: &Path, verdict: &str, reason: &str, retest: Option<&str>) {
    let store = Store::open(results, "blinker", "L1").unwrap();
    let mut attempt = store.begin("U1").unwrap();
    let row = |kind, seq| Row {
        row: kind,
        seq,
        at: "2026-03-04T05:06:07Z".parse().unwrap(),
        head: Head {
            board: "blinker".into(),
            lot: "L1".into(),
            unit: "U1".into(),
            attempt: attempt.number(),
            operator: "Ada".into(),
            ..Head::default()
        },
        ..Row::default()
    };
    let again = retest.map(|why| Row {
        rule: "retest".into(),
        reason: why.into(),
        ..row(RowKind::Event, 1)
    });
    let closing = Row { verdict: verdict.into(), reason: reason.into(), ..row(RowKind::Unit, 2) };
    let rows: Vec<Row> = again.into_iter().chain([closing]).collect();
    attempt.append(&rows).unwrap();
    store.rebuild_lot(lot::table_csv).unwrap();
}

/// A small board, whose run takes a second where that of the demo's takes ten.
fn small(results: &Path) -> PathBuf {
    let file = results.join("small.toml");
    std::fs::write(&file, small_board()).unwrap();
    file
}

fn bench(results: &Path, more: &[&str]) -> Ended {
    bench_of(&small(results), results, more)
}

fn bench_of(path: &Path, results: &Path, more: &[&str]) -> Ended {
    let folder = results.to_str().unwrap().to_string();
    let fixed = ["bench", path.to_str().unwrap(), "--lot", "L1", "--results", &folder];
    strapwise(&[&fixed[..], more].concat())
}

fn lot_line(results: &Path) -> HashMap<String, String> {
    rows(&std::fs::read(lot_folder(results).join("lot.csv")).unwrap()).remove(0)
}

/// A whole good run on the virtual unit.
fn good_run(results: &Path, more: &[&str]) -> Ended {
    good_run_of(&small(results), results, more)
}

fn good_run_of(file: &Path, results: &Path, more: &[&str]) -> Ended {
    let mut command = Command::new(PROGRAM);
    command.arg("bench").arg(file);
    command.args(["--port", "virtual", "--still", "0.1", "--lot", "L1", "--unit", "U1"]);
    command.arg("--results").arg(results).args(more);
    let mut bench = Bench::spawn(&mut command);
    bench.enter_until(|_| false);
    bench.end()
}

const RELEASE: [&str; 6] =
    ["--release", "U1", "--reason", "measured again by hand", "--operator", "Grace"];

#[test]
fn a_unit_on_hold_leaves_by_a_named_persons_release_with_a_reason() {
    let results = tempfile::tempdir().unwrap();
    attempt(results.path(), "HOLD", "PROFILE at J1=3: outside", None);
    let ended = bench(results.path(), &RELEASE);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    assert!(ended.out.contains("U1 released by Grace: measured again by hand"), "{}", ended.out);
    assert!(ended.out.contains("PROFILE at J1=3: outside"), "why it was held: {}", ended.out);
    let kept = record(&lot_folder(results.path()).join("U1-1.csv"));
    let [hold, release] = kept.as_slice() else { panic!("{kept:?}") };
    assert_eq!(hold["verdict"], "HOLD", "what was there stays");
    assert_eq!((release["rule"].as_str(), release["operator"].as_str()), ("release", "Grace"));
    assert_eq!(release["seq"], "3");
    let line = lot_line(results.path());
    assert_eq!((line["verdict"].as_str(), line["first_verdict"].as_str()), ("PASS", "HOLD"));
    assert_eq!(line["note"], "released by Grace: measured again by hand");
    assert_eq!(line["operator"], "Ada", "who tested");
}

#[test]
fn a_release_without_a_name_or_a_reason_is_refused() {
    let results = tempfile::tempdir().unwrap();
    attempt(results.path(), "HOLD", "PROFILE at J1=3: outside", None);
    for (more, why) in [
        (&["--release", "U1", "--operator", "Grace"][..], "say why, with --reason"),
        (&["--release", "U1", "--reason", "fine"], "name yours with --operator"),
        (&["--release", "U1", "--reason", "  ", "--operator", "Grace"], "it is empty"),
        (&["--release", "U7", "--reason", "fine", "--operator", "Grace"], "no record of U7"),
    ] {
        let ended = bench(results.path(), more);
        assert_eq!(ended.code, Some(2), "{}", ended.err);
        assert!(ended.err.contains(why), "{}", ended.err);
    }
    assert_eq!(record(&lot_folder(results.path()).join("U1-1.csv")).len(), 1);
    assert_eq!(lot_line(results.path())["verdict"], "HOLD");
}

#[test]
fn only_a_unit_on_hold_can_be_released() {
    for verdict in ["FAIL", "INCOMPLETE", "PASS"] {
        let results = tempfile::tempdir().unwrap();
        attempt(results.path(), verdict, "", None);
        let ended = bench(results.path(), &RELEASE);
        assert_eq!(ended.code, Some(2), "{verdict}");
        assert!(ended.err.contains(&format!("is {verdict}")), "{}", ended.err);
        assert!(ended.err.contains("only a unit on HOLD can be released"), "{}", ended.err);
        assert_eq!(record(&lot_folder(results.path()).join("U1-1.csv")).len(), 1);
    }
    let results = tempfile::tempdir().unwrap();
    attempt(results.path(), "HOLD", "outside", None);
    assert_eq!(bench(results.path(), &RELEASE).code, Some(0));
    assert_eq!(bench(results.path(), &RELEASE).code, Some(2), "and only once");
}

#[test]
fn after_a_fail_the_next_attempt_says_why_and_a_pass_is_one() {
    let results = tempfile::tempdir().unwrap();
    attempt(results.path(), "FAIL", "PROFILE at J1=3: reads as none", None);
    let ended = bench(results.path(), &["--unit", "U1", "--port", "virtual"]);
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{}", ended.err);
    assert!(ended.err.contains("it failed at attempt 1 (PROFILE at J1=3"), "{}", ended.err);
    assert!(ended.err.contains("--reason reseated, --reason slip"), "{}", ended.err);
    assert!(!lot_folder(results.path()).join("U1-2.csv").exists(), "nothing was begun");

    let ended = good_run(results.path(), &["--reason", "reseated"]);
    assert_eq!(ended.code, Some(0), "{}", ended.out);
    let kept = record(&lot_folder(results.path()).join("U1-2.csv"));
    let why = kept.iter().find(|r| r["rule"] == "retest").expect("it is in the record");
    assert_eq!(why["reason"], "reseated");
    let line = lot_line(results.path());
    assert_eq!((line["verdict"].as_str(), line["first_verdict"].as_str()), ("PASS", "FAIL"));
    assert_eq!(line["note"], "retest: reseated");
}

#[test]
fn after_two_failed_attempts_without_a_repair_the_unit_is_on_hold() {
    let results = tempfile::tempdir().unwrap();
    attempt(results.path(), "FAIL", "PROFILE at J1=3", None);
    attempt(results.path(), "FAIL", "PROFILE at J1=3", Some("slip"));
    let ended = good_run(results.path(), &["--reason", "slip"]);
    assert_eq!(ended.code, Some(4), "{}", ended.out);
    assert!(ended.out.contains("2 attempts failed and nothing was repaired"), "{}", ended.out);
    assert_eq!(lot_line(results.path())["verdict"], "HOLD");
    // Another go does not end it, and a person's release does.
    let ended = bench(results.path(), &["--unit", "U1", "--port", "virtual"]);
    assert!(ended.err.contains("it is on HOLD since attempt 3"), "{}", ended.err);
    assert_eq!(bench(results.path(), &RELEASE).code, Some(0));
    assert_eq!(lot_line(results.path())["verdict"], "PASS");
}

#[test]
fn a_repaired_unit_may_pass() {
    let results = tempfile::tempdir().unwrap();
    attempt(results.path(), "FAIL", "PROFILE at J1=3", None);
    attempt(results.path(), "FAIL", "PROFILE at J1=3", Some("slip"));
    let ended = good_run(results.path(), &["--reason", "repaired: R3 replaced"]);
    assert_eq!(ended.code, Some(0), "{}", ended.out);
    assert_eq!(lot_line(results.path())["note"], "retest: repaired: R3 replaced");
}

#[test]
fn an_attempt_that_was_cut_short_does_not_hide_the_fail_before_it() {
    let results = tempfile::tempdir().unwrap();
    attempt(results.path(), "FAIL", "PROFILE at J1=3", None);
    attempt(results.path(), "INCOMPLETE", "stopped by the operator", Some("slip"));
    let ended = bench(results.path(), &["--unit", "U1", "--port", "virtual"]);
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("it failed at attempt 1"), "{}", ended.err);
}

#[test]
fn a_reason_for_a_unit_that_was_never_tested_is_a_slip() {
    let results = tempfile::tempdir().unwrap();
    let ended =
        bench(results.path(), &["--unit", "U9", "--port", "virtual", "--reason", "repaired"]);
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("has no earlier attempt in this lot"), "{}", ended.err);
}

#[test]
fn a_unit_delivered_otherwise_ends_in_its_own_setting() {
    let results = tempfile::tempdir().unwrap();
    let ended = good_run_of(&board(), results.path(), &["--deliver", "J1=2, J3=fitted"]);
    assert_eq!(ended.code, Some(0), "{}", ended.out);
    let told = ended.out.lines().find(|l| kind(l) == "deliver").expect("it is told");
    assert!(told.contains("J1=2") && told.contains("J3=fitted"), "{told}");
    let kept = record(&results.path().join("vent-controller/L1/U1-1.csv"));
    let said = kept.iter().find(|r| r["rule"] == "delivery setting").expect("it is kept");
    assert!(said["setting"].contains("J1=2") && said["note"].contains("board file: J1="));
    let last = kept.iter().rfind(|r| r["row"] == "check" && r["mode"] == "mean").unwrap();
    assert_eq!(last["setting"], said["setting"], "the last reading is of that setting");
}

#[test]
fn a_delivery_setting_that_is_none_is_refused_as_any_setting_is() {
    let results = tempfile::tempdir().unwrap();
    for (text, why) in [
        ("J9=1", "--deliver 'J9=1': no jumper J9; there are J1, J2"),
        ("J1", "--deliver 'J1': write jumper=place"),
        ("J1=77", "J1 has the places 1, 2, 3, 4, 5"),
        ("J1=2 J1=3", "J1 is named twice"),
        ("", "name a jumper"),
    ] {
        let more = ["--unit", "U1", "--port", "virtual", "--deliver", text];
        let ended = bench_of(&board(), results.path(), &more);
        assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{text}");
        assert!(ended.err.contains(why), "{}", ended.err);
    }
    assert!(!results.path().join("vent-controller").exists(), "nothing was begun");
}

/// The row of an attempt that judges the supply itself.
fn volts(results: &Path, attempt: u64) -> HashMap<String, String> {
    let rows = record(&lot_folder(results).join(format!("U1-{attempt}.csv")));
    rows.into_iter().find(|row| row["row"] == "volts").expect("the supply is judged")
}

#[test]
fn a_meter_s_reading_calibrates_the_unit_until_it_is_repaired() {
    let results = tempfile::tempdir().unwrap();
    // What the virtual unit's supply and its chip's reference really are shows in its record.
    good_run(results.path(), &[]);
    let first = volts(results.path(), 1);
    assert!(first["note"].ends_with("by the nominal reference"), "{}", first["note"]);
    let said = format!("{:.0}mV", 1.02 * first["supply_mv"].parse::<f64>().unwrap());
    good_run(results.path(), &["--supply-volts", &said]);
    let second = volts(results.path(), 2);
    assert_eq!((&second["answer"], second["verdict"].as_str()), (&said, "pass"));
    assert!(second["note"].contains("by meter; reference 112"), "1.1 V and 2 %: {second:?}");
    assert!(second["rule"].ends_with("typed in"), "{second:?}");
    good_run(results.path(), &[]);
    let third = volts(results.path(), 3);
    assert!(third["note"].contains("by the reference as calibrated on 20"), "{third:?}");
    assert!(third["note"].contains("; reference 112"), "{third:?}");
    let millivolts = |row: &HashMap<String, String>| row["supply_mv"].parse::<f64>().unwrap();
    assert!((millivolts(&third) / millivolts(&second) - 1.0).abs() < 0.002, "{third:?}");
    let folder = results.path().to_str().unwrap();
    let of_unit = ["--unit", "U1", "--lot", "L1", "--results", folder];
    let look = read(&small(results.path()), &of_unit);
    assert!(look.out.contains("VCC, calibrated 20"), "{}", look.out);
    good_run(results.path(), &["--reason", "repaired: U1 replaced"]);
    let look = read(&small(results.path()), &of_unit);
    assert!(look.out.contains("VCC, give or take 9 %"), "{}", look.out);
    let fourth = volts(results.path(), 4);
    assert!(fourth["note"].ends_with("by the nominal reference"), "{}", fourth["note"]);
}

#[test]
fn a_look_at_a_unit_that_has_no_record_says_so() {
    let results = tempfile::tempdir().unwrap();
    let folder = results.path().to_str().unwrap();
    attempt(results.path(), "PASS", "", None);
    for (unit, lot, why) in [("U7", "L1", "no record of it in lot L1"), ("U1", "L7", "L7: ")] {
        let look =
            read(&small(results.path()), &["--unit", unit, "--lot", lot, "--results", folder]);
        assert!(look.code != Some(0) && look.out.is_empty(), "{unit} {lot}: {}", look.out);
        assert!(look.err.contains(why), "{}", look.err);
    }
}

/// A look at the virtual unit.
fn read(path: &Path, more: &[&str]) -> Ended {
    strapwise(&[&["read", path.to_str().unwrap(), "--port", "virtual"], more].concat())
}

#[test]
fn a_supply_that_is_no_voltage_is_refused_before_anything_is_opened() {
    let results = tempfile::tempdir().unwrap();
    for (said, why) in [("5A", "--supply-volts: "), ("", "nothing was typed"), ("skip", "leave it")]
    {
        let ended = bench(results.path(), &["--unit", "U1", "--supply-volts", said]);
        assert_eq!(ended.code, Some(2), "{}", ended.err);
        assert!(ended.err.contains(why), "{}", ended.err);
    }
    assert!(!lot_folder(results.path()).join("U1-1.csv").exists());
}
