//! A unit's line in the lot, from the rows of its attempts.

use strapwise::lot::{Counts, Table, UnitLine};
use strapwise::record::{Head, Record, Row, RowKind};

fn record(unit: &str, attempt: u64, rows: Vec<Row>) -> Record {
    let file = format!("{unit}-{attempt}.csv");
    let (board, lot) = ("vent".into(), "L1".into());
    Record { board, lot, file, unit: unit.into(), attempt, rows, problem: None }
}

fn row(kind: RowKind) -> Row {
    Row {
        row: kind,
        at: "2026-03-04T05:06:07Z".parse().unwrap(),
        head: Head { operator: "Ada".into(), revision: "B".into(), ..Head::default() },
        ..Row::default()
    }
}

/// A reading of channel PROFILE after a move of J1.
fn reading(step: u64, position: &str, verdict: &str, remaining: f64) -> Row {
    Row {
        step: Some(step),
        step_try: Some(1),
        jumper: "J1".into(),
        position: position.into(),
        channel: "PROFILE".into(),
        verdict: verdict.into(),
        margin_pct: Some(remaining * 2.0),
        remaining_margin_code: Some(remaining),
        ..row(RowKind::Check)
    }
}

fn closing(verdict: &str, reason: &str) -> Row {
    Row { verdict: verdict.into(), reason: reason.into(), ..row(RowKind::Unit) }
}

fn line(records: &[Record]) -> UnitLine {
    let table = Table::of(records);
    assert_eq!(table.lines.len(), 1);
    table.lines.into_iter().next().unwrap()
}

#[test]
fn the_line_tells_the_failing_checks_and_the_smallest_remaining_margin() {
    let with_load = Row { load: "VENT".into(), ..reading(2, "3", "fail", -4.5) };
    let question = Row {
        rule: "lamps_dark".into(),
        verdict: "fail".into(),
        step: Some(3),
        ..row(RowKind::Question)
    };
    let rows = vec![
        reading(1, "2", "pass", 40.0),
        reading(2, "3", "fail", 1.0),
        reading(2, "3", "fail", 1.0),
        with_load,
        question,
        closing("FAIL", "PROFILE reads 4 instead of 3"),
    ];
    let line = line(&[record("U1", 1, rows)]);
    assert_eq!(line.failing, "PROFILE J1=3; PROFILE J1=3 with VENT; lamps_dark in step 3");
    assert_eq!(line.worst_remaining_margin_code, Some(-4.5));
    assert_eq!(line.worst_margin_pct, Some(-9.0));
    assert_eq!(line.worst_where, "PROFILE J1=3 with VENT");
    assert_eq!((&*line.verdict, &*line.note), ("FAIL", "PROFILE reads 4 instead of 3"));
    assert_eq!((&*line.operator, &*line.revision, &*line.file), ("Ada", "B", "U1-1.csv"));
}

#[test]
fn readings_of_a_step_that_was_done_again_do_not_count() {
    let again = Row { step_try: Some(2), ..reading(1, "2", "pass", 30.0) };
    let rows = vec![reading(1, "2", "fail", -50.0), again, closing("PASS", "")];
    let line = line(&[record("U1", 1, rows)]);
    assert_eq!(line.failing, "");
    assert_eq!(line.worst_remaining_margin_code, Some(30.0));
}

#[test]
fn the_largest_sag_is_named_with_its_load() {
    let sag = |load: &str, mv: Option<f64>, pct: f64| Row {
        load: load.into(),
        sag_mv: mv,
        sag_pct: Some(pct),
        ..row(RowKind::Supply)
    };
    let of = |rows: Vec<Row>| {
        let line = line(&[record("U1", 1, rows)]);
        (line.sag_load, line.sag_mv, line.sag_pct)
    };
    let rows = vec![sag("VENT", Some(80.0), 1.6), sag("HEATER", Some(120.0), 2.4)];
    assert_eq!(of(rows), ("HEATER".to_string(), Some(120.0), Some(2.4)));
    let uncalibrated = vec![sag("VENT", None, 1.6), sag("HEATER", None, 0.4)];
    assert_eq!(of(uncalibrated), ("VENT".to_string(), None, Some(1.6)));
}

#[test]
fn what_was_not_measured_is_missing_and_not_zero() {
    let line =
        line(&[record("U1", 1, vec![row(RowKind::Event), closing("INCOMPLETE", "stopped")])]);
    assert_eq!((line.worst_remaining_margin_code, line.worst_margin_pct), (None, None));
    assert_eq!((line.sag_mv, line.sag_pct), (None, None));
}

#[test]
fn a_record_without_a_closing_row_is_incomplete_and_says_interrupted() {
    for rows in [vec![], vec![row(RowKind::Event)], vec![reading(1, "2", "pass", 40.0)]] {
        let line = line(&[record("U1", 1, rows)]);
        assert_eq!((&*line.verdict, &*line.note), ("INCOMPLETE", "interrupted"));
    }
}

#[test]
fn a_verdict_that_is_no_word_of_ours_does_not_pass() {
    for word in ["", "pass", "PASSED", "OK"] {
        let line = line(&[record("U1", 1, vec![closing(word, "")])]);
        assert_eq!(line.verdict, "INCOMPLETE");
        assert_eq!(line.note, format!("unknown verdict `{word}`"));
    }
}

#[test]
fn a_release_after_a_hold_is_the_last_word_of_its_record() {
    let release = Row { note: "released by Grace".into(), ..closing("PASS", "cosmetic") };
    let rows = vec![closing("HOLD", "J1=3 outside the bench band"), release];
    let line = line(&[record("U1", 1, rows)]);
    assert_eq!((&*line.verdict, &*line.note), ("PASS", "cosmetic"));
}

#[test]
fn the_last_attempt_stands_and_the_first_one_s_verdict_is_kept() {
    let records = [
        record("U1", 2, vec![closing("PASS", "reseated")]),
        record("U1", 1, vec![reading(1, "2", "fail", -1.0), closing("FAIL", "")]),
    ];
    let line = line(&records);
    assert_eq!((line.attempts, &*line.first_verdict, &*line.verdict), (2, "FAIL", "PASS"));
    assert_eq!((&*line.failing, &*line.file), ("", "U1-2.csv"));
}

#[test]
fn a_unit_whose_first_record_is_gone_has_no_first_verdict() {
    let line = line(&[record("U1", 2, vec![closing("PASS", "")])]);
    assert_eq!((line.attempts, &*line.first_verdict), (1, ""));
}

#[test]
fn a_lot_counts_its_units_and_the_first_passes() {
    let one = |unit, attempt, verdict| record(unit, attempt, vec![closing(verdict, "")]);
    let records = [
        one("1", 1, "PASS"),
        one("2", 1, "FAIL"),
        one("2", 2, "PASS"),
        one("3", 1, "HOLD"),
        one("10", 1, "FAIL"),
        record("11", 1, vec![]),
    ];
    let table = Table::of(&records);
    let expected = Counts { units: 5, pass: 2, hold: 1, incomplete: 1, fail: 1, first_pass: 1 };
    assert_eq!(table.counts(), expected);
    let units: Vec<&str> = table.lines.iter().map(|line| line.unit.as_str()).collect();
    assert_eq!(units, ["1", "2", "3", "10", "11"]);
}
