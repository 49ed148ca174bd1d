//! Going on from an attempt that was cut short on a board that is measured with a meter first.

mod bench_support;

use bench_support::metered::BOARD;
use bench_support::{Stand, board_of};
use jiff::Timestamp;
use strapwise::bench::resume::Earlier;
use strapwise::bench::{Event, Key, Mode, Prompt, Shunts, UnitVerdict};
use strapwise::record::fold::Folder;
use strapwise::record::{Head, Row, RowKind, resume};
use strapwise::units::Ohms;

/// The board of the meter's tests with a third resistor to measure.
fn text() -> String {
    let third = r#"
[[resistor]]
id = "R5"
between = ["C", "D"]
value = "4k7"
tolerance = "1%"
[[channel]]
id = "THIRD"
between = ["C", "D"]
kind = "meter"
"#;
    format!("{BOARD}{third}")
}

fn stand() -> Stand {
    Stand::with(board_of(&text()))
}

fn rows(stand: &Stand, former: Vec<Row>) -> Vec<Row> {
    let head = Head { unit: "M1".into(), attempt: 1, ..Head::default() };
    let mut folder =
        Folder::new(stand.board.clone(), head, Timestamp::UNIX_EPOCH).going_on_from(former);
    stand.events.iter().flat_map(|event| folder.fold(stand.now, event)).collect()
}

fn earlier(stand: &Stand, rows: &[Row]) -> Earlier {
    resume::earlier(&stand.board, 1, rows)
}

fn values(rows: &[Row]) -> Vec<(String, String, String)> {
    let by_meter = rows.iter().filter(|r| r.row == RowKind::Check && r.mode == Mode::Meter.word());
    by_meter.map(|r| (r.channel.clone(), r.setting.clone(), r.answer.clone())).collect()
}

/// An attempt that is stopped when so many values have been typed.
fn cut_after(count: usize) -> (Stand, Vec<Row>) {
    let mut cut = stand();
    let wanted = |p: &Prompt| matches!(p, Prompt::Meter { of: (n, _), .. } if *n == count + 1);
    assert!(cut.obey_until(wanted), "fewer values are asked for");
    cut.stop();
    let rows = rows(&cut, Vec::new());
    assert_eq!(values(&rows).len(), count);
    (cut, rows)
}

/// What the run said of going on: values, steps, why.
fn resumed(stand: &Stand) -> Vec<(usize, usize, String)> {
    let said = |e: &Event| match e {
        Event::Resumed { values, steps, why, .. } => Some((*values, *steps, why.clone())),
        _ => None,
    };
    stand.events.iter().filter_map(said).collect()
}

/// How many values were asked for, those refused not counted.
fn asked(stand: &Stand) -> usize {
    let fresh =
        |e: &&Event| matches!(e, Event::Prompt { prompt: Prompt::Meter { refused: None, .. }, .. });
    stand.events.iter().filter(fresh).count()
}

#[test]
fn one_value_is_measured_once_more_and_all_of_them_count() {
    let (cut, old) = cut_after(2);
    let mut again = stand().resuming(earlier(&cut, &old));
    let first = again.asked_to_measure().expect("a value is asked for");
    let Prompt::Meter { shunts: Shunts::All(_), known_from: Some(1), of: (at, all), .. } = first
    else {
        panic!("{first:?}")
    };
    let words = strapwise::report::words::prompt(&again.board, &first).join(" ");
    assert!(words.contains("Only if this is the unit of attempt 1"), "{words}");
    again.type_in(&values(&old)[at - 1].2);
    let whole = stand().expect_verdict(UnitVerdict::Pass);
    let summary = again.expect_verdict(UnitVerdict::Pass);
    assert_eq!(asked(&again), all - 1, "the first is not asked for again");
    let [(2, 0, why)] = &resumed(&again)[..] else { panic!("{:?}", resumed(&again)) };
    assert!(why.contains("in attempt 1 and is"), "{why}");
    assert_eq!(summary.checks, whole.checks, "nothing is missing");
}

#[test]
fn the_record_holds_every_value_once_with_where_it_comes_from() {
    let (cut, old) = cut_after(2);
    let mut again = stand().resuming(earlier(&cut, &old));
    again.expect_verdict(UnitVerdict::Pass);
    let new = rows(&again, old.clone());
    let mut whole = stand();
    whole.expect_verdict(UnitVerdict::Pass);
    assert_eq!(values(&new), values(&rows(&whole, Vec::new())));
    let known: Vec<&Row> = new.iter().filter(|r| r.note.starts_with("attempt 1, row ")).collect();
    assert_eq!(known.len(), 2);
    assert!(known.iter().all(|r| r.t_ms.is_none() && r.mode == "meter"));
    assert!(resume::resumed(&new));
    // Cut again right away, a third attempt knows as much.
    assert_eq!(earlier(&again, &new).values[..2], earlier(&cut, &old).values[..]);
}

#[test]
fn another_unit_is_measured_from_the_start() {
    let (cut, old) = cut_after(2);
    let known = earlier(&cut, &old);
    let mut other = stand().resuming(known);
    let asked = other.asked_to_measure();
    let Some(Prompt::Meter { channel, .. }) = asked else { panic!("{asked:?}") };
    other.type_in("12k").type_in("12k");
    let [(0, 0, why)] = &resumed(&other)[..] else { panic!("{:?}", resumed(&other)) };
    let id = &other.board.channels[channel].id;
    assert!(why.starts_with(id.as_str()) && why.ends_with("and is 12 kΩ now"), "{why}");
    let next = other.asked_to_measure().expect("the first value");
    assert!(matches!(next, Prompt::Meter { known_from: None, of: (1, _), .. }), "{next:?}");
    other.type_in(&values(&old)[0].2);
    other.expect_verdict(UnitVerdict::Pass);
    assert!(!resume::resumed(&rows(&other, old)));
}

#[test]
fn over_range_proves_nothing() {
    let board = board_of(&text());
    let mut cut = Stand::with(board.clone());
    for _ in 0..2 {
        cut.asked_to_measure().expect("a value is asked for");
        cut.type_in("OL").type_in("OL");
    }
    cut.stop();
    let old = rows(&cut, Vec::new());
    assert_eq!(values(&old).len(), 2);
    let mut again = Stand::with(board).resuming(earlier(&cut, &old));
    let first = again.asked_to_measure();
    assert!(matches!(first, Some(Prompt::Meter { known_from: None, of: (1, _), .. })), "{first:?}");
}

#[test]
fn a_slip_of_the_hand_at_the_known_value_is_asked_for_once_more() {
    let (cut, old) = cut_after(2);
    let mut again = stand().resuming(earlier(&cut, &old));
    again.asked_to_measure().expect("a value is asked for");
    again.type_in("abc").type_in("1");
    let refused = again.prompt().cloned();
    let Some(Prompt::Meter { refused: Some(why), .. }) = refused else { panic!("{refused:?}") };
    assert!(why.contains("is not what it was in attempt 1"), "{why}");
    again.expect_verdict(UnitVerdict::Pass);
    assert_eq!(resumed(&again).len(), 1);
    assert_eq!(resumed(&again)[0].0, 2);
}

#[test]
fn a_value_that_cannot_be_measured_again_is_no_proof() {
    let (cut, old) = cut_after(1);
    let mut again = stand().resuming(earlier(&cut, &old));
    again.asked_to_measure().expect("a value is asked for");
    again.type_in("skip");
    assert_eq!(resumed(&again)[0].0, 0);
    again.expect_verdict(UnitVerdict::Pass);
}

#[test]
fn a_bad_value_taken_over_still_counts() {
    let built = |stand: Stand| {
        stand.built_with(|board, parts| {
            let r3 = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
            parts.resistors[r3] = Ohms(10e3);
        })
    };
    let mut cut = built(stand());
    let third = |p: &Prompt| matches!(p, Prompt::Meter { of: (3, _), refused: None, .. });
    assert!(cut.obey_until(third));
    cut.stop();
    let old = rows(&cut, Vec::new());
    let channels: Vec<String> = values(&old).into_iter().map(|(channel, ..)| channel).collect();
    assert_eq!(channels, ["OHMS", "THIRD"]);
    // The resistor that was wrong has been changed meanwhile, but what was measured of it counts.
    let mut again = stand().resuming(earlier(&cut, &old));
    let reasons = again.expect_verdict(UnitVerdict::Hold).reasons.join("; ");
    assert!(reasons.contains("OHMS"), "{reasons}");
}

#[test]
fn with_all_values_known_the_run_goes_on_at_the_step_that_the_readings_show() {
    let mut cut = stand();
    cut.prompted_move("J1", "fitted").lose_probe();
    let old = rows(&cut, Vec::new());
    let known = earlier(&cut, &old);
    let all = known.values.len();
    assert!(!known.steps.is_empty());
    let mut again = stand().resuming(known);
    again.slots = cut.slots.clone();
    again.identity = cut.identity.clone();
    let summary = again.expect_verdict(UnitVerdict::Pass);
    let said = resumed(&again);
    assert_eq!((said[0].0, said[1].1), (all, 1), "{said:?}");
    assert_eq!(asked(&again), 1, "one value alone");
    assert_eq!(summary.checks, stand().expect_verdict(UnitVerdict::Pass).checks);
}

#[test]
fn started_anew_after_the_values_the_shunts_are_asked_for_whole() {
    let mut cut = stand();
    cut.prompted_move("J1", "fitted").lose_probe();
    let old = rows(&cut, Vec::new());
    let mut again = stand().resuming(earlier(&cut, &old));
    again.slots = cut.slots.clone();
    again.identity = cut.identity.clone();
    assert!(again.obey_until(|p| matches!(p, Prompt::AsItWas { .. })));
    again.press(Key::No);
    let Some(Prompt::Clear { to }) = again.prompt().cloned() else {
        panic!("{:?}", again.prompt())
    };
    let words = strapwise::report::words::prompt(&again.board, &Prompt::Clear { to });
    assert!(words.len() > 1 && words.concat().contains("J2"), "J2 stays as it leaves: {words:?}");
    again.expect_verdict(UnitVerdict::Pass);
}
