//! Going on from an attempt that was cut short: what counts of it, and what has to be shown first.

mod bench_support;

use bench_support::{Stand, vent_controller};
use jiff::Timestamp;
use std::time::Duration;
use strapwise::bench::resume::Earlier;
use strapwise::bench::{Event, Key, MovedBy, Prompt, UnitId, UnitVerdict};
use strapwise::board::{Place, Setting};
use strapwise::record::fold::Folder;
use strapwise::record::{Head, Row, RowKind, resume};

const SECOND: Duration = Duration::from_secs(1);

/// The rows of what has been told so far.
fn rows(stand: &Stand, former: Vec<Row>) -> Vec<Row> {
    let head = Head { unit: "V7".into(), attempt: 1, ..Head::default() };
    let began = Timestamp::UNIX_EPOCH;
    let mut folder = Folder::new(vent_controller(), head, began).going_on_from(former);
    stand.events.iter().flat_map(|event| folder.fold(stand.now, event)).collect()
}

fn unit() -> UnitId {
    UnitId { serial: "V7".into(), identity: 0x0BAD_CAFE, ..UnitId::default() }
}

/// An attempt that ended, the line cut, when a move was asked for.
fn cut_at(jumper: &str, place: &str) -> (Stand, Vec<Row>) {
    let mut stand = Stand::named(unit());
    // A bare chip, that gets its number now.
    stand.identity = Default::default();
    stand.prompted_move(jumper, place).lose_probe();
    let rows = rows(&stand, Vec::new());
    (stand, rows)
}

fn earlier(rows: &[Row]) -> Earlier {
    resume::earlier(&vent_controller(), 1, rows)
}

/// Another run on the unit as the cut one left it, asked to have its shunts as they were.
fn again(cut: &Stand, rows: &[Row]) -> (Stand, Setting) {
    let mut stand = Stand::named(unit()).resuming(earlier(rows));
    stand.identity = cut.identity.clone();
    stand.slots = cut.slots.clone();
    let asked = |p: &Prompt| matches!(p, Prompt::AsItWas { .. });
    assert!(stand.obey_until(asked), "never asked for the shunts as they were");
    let Some(Prompt::AsItWas { setting, .. }) = stand.prompt().cloned() else { unreachable!() };
    (stand, setting)
}

fn resumed(stand: &Stand) -> (usize, String) {
    let found = stand.events.iter().find_map(|e| match e {
        Event::Resumed { steps, why, .. } => Some((*steps, why.clone())),
        _ => None,
    });
    found.expect("said where it goes on from")
}

/// How often a place was asked for.
fn asked_for(stand: &Stand, jumper: &str, place: &str) -> usize {
    let (j, p) = stand.place(jumper, place);
    let asks = |e: &&Event| {
        matches!(e, Event::Prompt { prompt: Prompt::Move { jumper, to, .. }, .. }
            if (*jumper, *to) == (j, p))
    };
    stand.events.iter().filter(asks).count()
}

#[test]
fn a_run_that_was_cut_short_goes_on_where_it_was() {
    let (cut, old) = cut_at("J3", "fitted");
    let (mut stand, setting) = again(&cut, &old);
    assert_eq!(setting.0[stand.jumper("J2")], Place::At(0));
    assert_eq!(setting.0[stand.jumper("J3")], Place::Open);
    stand.shunts = setting;
    stand.press(Key::Yes);
    let summary = stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(resumed(&stand), (7, "the same unit by the number on its chip".into()));
    assert_eq!(asked_for(&stand, "J1", "1"), 0, "done already");
    assert_eq!(asked_for(&stand, "J3", "fitted"), 1);
    assert_eq!(stand.believed("J3", "fitted"), [MovedBy::Changed]);
    // Nothing is lost of what a whole run says.
    let whole = Stand::named(unit()).expect_verdict(UnitVerdict::Pass);
    assert_eq!(summary.checks, whole.checks);
    assert_eq!(summary.worst.map(|w| w.position), whole.worst.map(|w| w.position));
}

#[test]
fn the_record_of_the_run_that_goes_on_holds_the_whole_sequence() {
    let (cut, old) = cut_at("J3", "fitted");
    let (mut stand, setting) = again(&cut, &old);
    stand.shunts = setting;
    stand.press(Key::Yes);
    stand.expect_verdict(UnitVerdict::Pass);
    let new = rows(&stand, old.clone());
    let mut steps: Vec<u64> = new.iter().filter(|r| r.is_check()).filter_map(|r| r.step).collect();
    steps.dedup();
    assert_eq!(steps, (1..=15).collect::<Vec<u64>>());
    let first = new.iter().find(|r| r.channel == "PROFILE").expect("a row of J1");
    let from = old.iter().find(|r| r.channel == "PROFILE").expect("a row of J1");
    assert_eq!((first.mean_code, first.at), (from.mean_code, from.at));
    assert_eq!(first.note, format!("attempt 1, row {}", from.seq));
    assert_eq!(first.t_ms, None);
    assert!(new.iter().zip(1..).all(|(row, seq)| row.seq == seq));
    assert_eq!(new.iter().filter(|r| r.row == RowKind::Unit).count(), 1);
    assert!(resume::resumed(&new) && !resume::resumed(&old));
}

#[test]
fn a_run_goes_back_to_the_step_that_the_readings_show() {
    let (cut, old) = cut_at("J3", "fitted");
    let (mut stand, setting) = again(&cut, &old);
    // The shunt of J2 came off when the board was picked up: that is step 6.
    let j2 = stand.jumper("J2");
    stand.shunts = setting.with(j2, Place::Open);
    stand.press(Key::Yes);
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(resumed(&stand).0, 6);
    assert_eq!(asked_for(&stand, "J2", "fitted"), 1);
}

#[test]
fn a_unit_that_shows_none_of_it_is_tested_from_the_start() {
    let (cut, old) = cut_at("J3", "fitted");
    let (mut stand, setting) = again(&cut, &old);
    let j4 = stand.jumper("J4");
    stand.shunts = setting.with(j4, Place::At(0));
    stand.press(Key::Yes);
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(resumed(&stand), (0, "no channel pattern of it is shown now".into()));
    assert_eq!(asked_for(&stand, "J1", "1"), 1);
}

#[test]
fn an_operator_may_start_anew() {
    let (cut, old) = cut_at("J3", "fitted");
    let (mut stand, _) = again(&cut, &old);
    stand.press(Key::No);
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(resumed(&stand).0, 0);
}

#[test]
fn another_chip_is_tested_from_the_start() {
    let (cut, old) = cut_at("J3", "fitted");
    let mut stand = Stand::named(unit()).resuming(earlier(&old));
    stand.identity = ("12345678".into(), cut.identity.1.clone());
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(resumed(&stand), (0, "the chip is another than then".into()));
    // A bare one is another too: the number had been left on the chip.
    let mut bare = Stand::named(unit()).resuming(earlier(&old));
    bare.identity = Default::default();
    bare.expect_verdict(UnitVerdict::Pass);
    assert_eq!(resumed(&bare), (0, "the chip is another than then".into()));
}

#[test]
fn a_run_that_was_stopped_in_order_goes_on_by_the_serial_number() {
    let mut cut = Stand::named(unit());
    cut.identity = Default::default();
    cut.prompted_move("J3", "fitted").stop().wait(SECOND);
    let old = rows(&cut, Vec::new());
    let (mut stand, setting) = again(&cut, &old);
    stand.shunts = setting;
    stand.press(Key::Yes);
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(resumed(&stand), (7, "the same unit by its serial number alone".into()));
}

#[test]
fn what_had_failed_before_the_cut_has_failed() {
    let mut cut = Stand::named(unit()).built_with(|board, parts| {
        let r3 = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
        parts.resistors[r3].0 *= 10.0;
    });
    cut.prompted_move("J3", "fitted").lose_probe();
    let old = rows(&cut, Vec::new());
    assert!(old.iter().any(|r| r.verdict == "fail"));
    let mut stand = Stand::named(unit()).resuming(earlier(&old));
    stand.parts = cut.parts.clone();
    (stand.identity, stand.slots) = (cut.identity.clone(), cut.slots.clone());
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert_eq!(resumed(&stand).0, 7);
    let whole = {
        let mut whole = Stand::named(unit());
        whole.parts = cut.parts.clone();
        whole.expect_verdict(UnitVerdict::Fail)
    };
    assert_eq!(summary.reasons, whole.reasons);
    assert_eq!(summary.failing, whole.failing);
}

#[test]
fn a_step_that_was_taken_on_a_word_against_its_reading_is_done_again() {
    let mut cut = Stand::named(unit());
    cut.prompted_move("J2", "fitted").wait(SECOND).fit("J3", "fitted");
    assert!(matches!(cut.next_prompt(), Some(Prompt::Strayed { .. })));
    cut.fit("J2", "fitted").wait(SECOND).press(Key::Yes);
    while cut.believed("J2", "fitted").is_empty() {
        cut.step();
    }
    cut.lift("J3");
    cut.prompted_move("J3", "fitted").lose_probe();
    let old = rows(&cut, Vec::new());
    let (_, setting) = again(&cut, &old);
    assert_eq!(setting.0[cut.jumper("J2")], Place::Open, "before the move of J2");
}

#[test]
fn a_record_of_any_length_can_be_gone_on_from() {
    let (cut, old) = cut_at("J6", "fitted");
    for length in 0..=old.len() {
        let mut stand = Stand::named(unit()).resuming(earlier(&old[..length]));
        stand.identity = cut.identity.clone();
        stand.slots = cut.slots.clone();
        let summary = stand.expect_verdict(UnitVerdict::Pass);
        assert!(summary.checks >= 60, "{length} rows: {} checks", summary.checks);
    }
}
