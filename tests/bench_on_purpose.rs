//! A unit that is known to be good checks the bench: faults made on purpose are called, and readings
//! are held against those of earlier runs.

mod bench_support;

use bench_support::Stand;
use strapwise::bench::{Event, Key, Prompt, UnitVerdict};
use strapwise::board::Place;
use strapwise::lot::reference::{Reference, against};
use strapwise::record::{Head, Record, Row, RowKind};

/// What the bench made of each deed: jumper, place, whether it was wrong, whether it was called.
fn called(stand: &Stand) -> Vec<(usize, Place, bool, bool)> {
    let of = |e: &Event| match e {
        Event::OnPurpose { jumper, place, wrong, read, .. } => {
            Some((*jumper, *place, *wrong, *read == Some(*place)))
        }
        _ => None,
    };
    stand.events.iter().filter_map(of).collect()
}

#[test]
fn a_shunt_left_off_and_one_a_place_along_are_called_by_name() {
    let mut stand = Stand::new().on_purpose();
    stand.expect_verdict(UnitVerdict::Pass);
    let third = Place::At(2);
    assert_eq!(
        called(&stand),
        [
            (0, Place::Open, true, true),
            (0, third, false, true),
            (0, Place::At(3), true, true),
            (0, third, false, true)
        ]
    );
}

#[test]
fn a_fault_that_was_not_made_is_not_called_and_the_bench_is_not_trusted() {
    let mut stand = Stand::new().on_purpose();
    assert!(stand.obey_until(|p| matches!(p, Prompt::OnPurpose { .. })));
    // Enter without taking the shunt off: as if the bench could not see it.
    stand.press(Key::Yes);
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert_eq!(summary.reasons, ["J1 was put on open on purpose, and passed"]);
}

#[test]
fn a_shunt_that_is_not_put_right_again_is_no_pass() {
    let mut stand = Stand::new().on_purpose();
    let right = |p: &Prompt| matches!(p, Prompt::OnPurpose { wrong: false, .. });
    assert!(stand.obey_until(right));
    stand.press(Key::Yes);
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert!(summary.reasons[0].contains("J1 was put on 3, and reads as open"), "{summary:?}");
}

#[test]
fn a_reset_while_a_deed_is_looked_at_has_it_read_again() {
    let mut stand = Stand::new().on_purpose();
    assert!(stand.obey_until(|p| matches!(p, Prompt::OnPurpose { .. })));
    let j1 = stand.jumper("J1");
    stand.shunts = stand.shunts.with(j1, Place::Open);
    stand.press(Key::Yes).reset_probe();
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(called(&stand).len(), 4);
}

/// A run whose one averaged reading and one level read so.
fn run(attempt: u64, code: f64, level: f64, verdict: &str) -> Record {
    let head = Head { board_sha256: "5e".into(), attempt, ..Head::default() };
    let base = Row { head, step: Some(3), setting: "J1=2".into(), ..Row::default() };
    let check = |channel: &str, mode: &str, mean: f64, u: Option<f64>| Row {
        row: RowKind::Check,
        channel: channel.into(),
        mode: mode.into(),
        mean_code: Some(mean),
        u_code: u,
        ..base.clone()
    };
    let rows = vec![
        check("PROFILE", "mean", code, Some(0.6)),
        check("PROFILE", "as_product", code + 3.0, Some(2.0)),
        check("ADDR0", "as_product", level, None),
        Row { row: RowKind::Unit, verdict: verdict.into(), ..base },
    ];
    Record {
        board: "b".into(),
        lot: "l".into(),
        file: format!("REF-{attempt}.csv"),
        unit: "REF".into(),
        attempt,
        rows,
        problem: None,
    }
}

fn held(earlier: &[Record], now: &Record) -> Reference {
    against(&earlier.iter().collect::<Vec<_>>(), now)
}

#[test]
fn a_reading_within_three_uncertainties_of_the_mean_of_earlier_runs_is_as_it_was() {
    let earlier = [run(1, 461.0, 1.0, "PASS"), run(2, 462.0, 1.0, "PASS")];
    let found = held(&earlier, &run(3, 463.2, 1.0, "PASS"));
    assert_eq!((found.runs, found.compared, found.reason()), (2, 2, None));
    let found = held(&earlier, &run(3, 463.4, 1.0, "PASS"));
    let reason = found.reason().expect("1.9 codes off, 1.8 allowed");
    assert_eq!(reason, "PROFILE at J1=2 (step 3): 463.4, was 461.5 give or take 1.8");
    let found = held(&earlier, &run(3, 461.5, 0.0, "PASS"));
    assert!(found.reason().expect("another level").contains("ADDR0 at J1=2"));
}

#[test]
fn runs_that_did_not_pass_or_were_refused_are_no_reference() {
    let mut refused = run(2, 480.0, 1.0, "PASS");
    refused.rows.push(Row {
        row: RowKind::Event,
        rule: "bench check".into(),
        verdict: "fail".into(),
        ..Row::default()
    });
    let mut other = run(1, 480.0, 1.0, "PASS");
    other.rows.iter_mut().for_each(|r| r.head.board_sha256 = "other board file".into());
    let earlier = [other, run(1, 470.0, 1.0, "FAIL"), refused];
    assert_eq!(held(&earlier, &run(3, 461.0, 1.0, "PASS")).runs, 0);
}

#[test]
fn a_reading_that_is_not_there_any_more_is_missed() {
    let mut short = run(2, 461.0, 1.0, "PASS");
    short.rows.remove(2);
    let found = held(&[run(1, 461.0, 1.0, "PASS")], &short);
    assert_eq!(found.reason().as_deref(), Some("ADDR0 at J1=2 (step 3) was not read now"));
}
