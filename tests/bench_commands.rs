//! Before and after the test: supply to ground by meter, the maker's commands, the product's own
//! report. The procedure alone, in the operator's words; `cli_commands.rs` runs real programs.

mod bench_support;

use bench_support::{Stand, board_of, vent_controller};
use std::sync::Arc;
use strapwise::bench::{Event, Key, Procedure, Prompt, UnitVerdict, Verdict};
use strapwise::board::{Board, Task};

const DEMO: &str = include_str!("../protocols/vent-controller.toml");

const FLASH: &str = r#"
flash_probe = ["flash", "{port}", "{file}"]
probe_file = "probe.hex"
"#;
const PRODUCT: &str = r#"
flash_product = ["flash", "{port}", "{file}"]
product_file = "product.hex"
"#;
const SAVE: &str = r#"save = ["read", "{file}"]
restore = ["flash", "{file}"]
"#;
const REPORT: &str = "report = [\"ask\", \"{port}\"]\n";

fn with(commands: &[&str]) -> Stand {
    Stand::with(board_of(&format!("{DEMO}\n[commands]\n{}", commands.concat())))
}

/// A whole good test, up to the first command or the end.
fn tested(stand: &mut Stand) {
    stand.obey_until(|p| matches!(p, Prompt::Report { .. } | Prompt::FlashProbe { .. }));
}

fn verdicts(stand: &Stand) -> Vec<UnitVerdict> {
    let told = |e: &Event| match e {
        Event::Finished(summary) => Some(summary.verdict),
        _ => None,
    };
    stand.events.iter().filter_map(told).collect()
}

/// Nobody answers when the bench asks who is there.
fn without_probe(commands: &[&str]) -> Stand {
    let mut stand = with(commands);
    stand.start().lose_probe();
    assert!(matches!(stand.next_prompt(), Some(Prompt::FlashProbe { .. })));
    stand
}

#[test]
fn the_product_is_flashed_after_everything_passed_and_no_pass_is_told_before() {
    let mut stand = with(&[PRODUCT]);
    tested(&mut stand);
    assert_eq!(stand.runs, [Task::FlashProduct]);
    assert_eq!(verdicts(&stand), [], "the verdict waits for the product");
    stand.ran(Task::FlashProduct, "", None);
    let Some(Prompt::Report { expected }) = stand.prompt().cloned() else { panic!("not asked") };
    assert!(expected.iter().any(|line| line.starts_with("profile=")), "{expected:?}");
    assert_eq!(verdicts(&stand), []);
    stand.press(Key::Yes);
    assert_eq!(verdicts(&stand), [UnitVerdict::Pass]);
    assert!(stand.bench.over());
}

#[test]
fn a_unit_that_does_not_pass_gets_no_product() {
    let mut stand = with(&[PRODUCT]);
    stand.sags[0] = 0.0;
    tested(&mut stand);
    assert_eq!((stand.runs.as_slice(), verdicts(&stand)), (&[][..], vec![UnitVerdict::Fail]));
}

#[test]
fn a_product_that_cannot_be_flashed_leaves_the_unit_incomplete() {
    let mut stand = with(&[PRODUCT, REPORT]);
    tested(&mut stand);
    stand.ran(Task::FlashProduct, "", Some("flash ended with exit code 1"));
    let summary = stand.summary();
    assert_eq!(summary.verdict, UnitVerdict::Incomplete);
    assert_eq!(summary.reasons, ["the product was not flashed: flash ended with exit code 1"]);
    assert_eq!(stand.runs, [Task::FlashProduct], "it is not asked what it reads");
}

#[test]
fn the_products_own_report_is_compared_with_the_setting_that_the_unit_leaves_with() {
    let expected = vent_controller().report_lines(&vent_controller().delivery);
    let good = format!("  {}\r\nready\n", expected.join(" \n"));
    let other = good.replace(&expected[0], &format!("{}x", expected[0]));
    let cases = [
        (good.as_str(), None, UnitVerdict::Pass),
        (other.as_str(), None, UnitVerdict::Fail),
        ("", None, UnitVerdict::Fail),
        (good.as_str(), Some("ask was killed"), UnitVerdict::Incomplete),
    ];
    for (output, problem, verdict) in cases {
        let mut stand = with(&[PRODUCT, REPORT]);
        tested(&mut stand);
        stand.ran(Task::FlashProduct, "", None).ran(Task::Report, output, problem);
        assert_eq!(verdicts(&stand), [verdict], "{output:?} {problem:?}");
    }
}

#[test]
fn an_operator_who_says_no_to_what_the_product_reports_fails_the_unit() {
    let mut stand = with(&[PRODUCT]);
    tested(&mut stand);
    stand.ran(Task::FlashProduct, "", None).press(Key::Again).press(Key::No);
    assert_eq!(verdicts(&stand), [UnitVerdict::Fail]);
    let mut stand = with(&[PRODUCT]);
    tested(&mut stand);
    stand.ran(Task::FlashProduct, "", None).nobody();
    assert_eq!(verdicts(&stand), [UnitVerdict::Incomplete], "nobody said anything");
}

#[test]
fn what_the_product_must_report_can_be_written_out() {
    let lines = "report_lines = [\"mode {profile} ok\", \"ready\"]\n";
    let board = with(&[PRODUCT, lines]).board;
    let means = board.options[0].meaning(&board.delivery).unwrap();
    assert_eq!(board.options[0].id, "profile");
    assert_eq!(board.report_lines(&board.delivery), [format!("mode {means} ok"), "ready".into()]);
}

#[test]
fn a_probe_is_put_on_only_when_somebody_says_so_after_saving_what_was_there() {
    let mut stand = without_probe(&[FLASH, SAVE]);
    assert_eq!(stand.runs, [], "nothing before a key");
    stand.press(Key::Again);
    assert_eq!(stand.runs, [], "Backspace is no yes");
    stand.press(Key::Yes);
    assert_eq!(stand.runs, [Task::Save]);
    stand.ran(Task::Save, "", None);
    assert_eq!(stand.runs, [Task::Save, Task::FlashProbe]);
    stand.ran(Task::FlashProbe, "", None);
    tested(&mut stand);
    assert_eq!(stand.runs.last(), Some(&Task::Restore), "no product: what was there comes back");
    stand.ran(Task::Restore, "", None);
    assert_eq!(verdicts(&stand), [UnitVerdict::Pass]);
}

#[test]
fn a_probe_that_answers_is_not_flashed_again() {
    let mut stand = with(&[FLASH, SAVE]);
    tested(&mut stand);
    assert_eq!((stand.runs.as_slice(), verdicts(&stand)), (&[][..], vec![UnitVerdict::Pass]));
}

#[test]
fn nothing_is_flashed_over_what_could_not_be_saved_nor_against_a_no() {
    let mut stand = without_probe(&[FLASH, SAVE]);
    stand.press(Key::Yes).ran(Task::Save, "", Some("read cannot be run"));
    assert_eq!(stand.runs, [Task::Save]);
    assert_eq!(verdicts(&stand), [UnitVerdict::Incomplete]);
    let mut stand = without_probe(&[FLASH]);
    stand.press(Key::No);
    assert_eq!((stand.runs.as_slice(), verdicts(&stand)), (&[][..], vec![UnitVerdict::Incomplete]));
}

#[test]
fn a_probe_that_does_not_answer_after_flashing_ends_the_run_with_the_former_program_back() {
    let mut stand = without_probe(&[FLASH, SAVE]);
    stand.press(Key::Yes).ran(Task::Save, "", None).ran(Task::FlashProbe, "", None).lose_probe();
    assert_eq!(stand.runs, [Task::Save, Task::FlashProbe, Task::Restore]);
    stand.ran(Task::Restore, "", None);
    assert_eq!(verdicts(&stand), [UnitVerdict::Incomplete]);
}

#[test]
fn a_request_to_stop_waits_for_the_command_and_puts_the_program_back() {
    let mut stand = without_probe(&[FLASH, SAVE]);
    stand.press(Key::Yes).ran(Task::Save, "", None).stop();
    assert!(!stand.bench.over(), "half a program is worse than another one");
    stand.ran(Task::FlashProbe, "", None);
    assert_eq!(stand.runs.last(), Some(&Task::Restore));
    stand.ran(Task::Restore, "", None);
    assert_eq!(verdicts(&stand), [UnitVerdict::Incomplete]);
    assert_eq!(stand.asks.len(), 1, "only who is there was asked");
}

#[test]
fn a_probe_that_goes_away_while_the_product_is_flashed_is_not_missed() {
    let mut stand = with(&[PRODUCT]);
    tested(&mut stand);
    stand.lose_probe().ran(Task::FlashProduct, "", None).lose_probe().press(Key::Yes);
    assert_eq!(verdicts(&stand), [UnitVerdict::Pass]);
}

#[test]
fn the_command_of_a_verdict_comes_after_the_verdict_and_changes_nothing() {
    const ON: &str = "on_pass = [\"label\"]\non_fail = [\"red\", \"{unit}\"]\n";
    for (sag, task, verdict) in
        [(None, Task::OnPass, UnitVerdict::Pass), (Some(0.0), Task::OnFail, UnitVerdict::Fail)]
    {
        let mut stand = with(&[ON]);
        if let Some(sag) = sag {
            stand.sags[0] = sag;
        }
        tested(&mut stand);
        assert_eq!((stand.runs.as_slice(), verdicts(&stand)), (&[task][..], vec![verdict]));
        assert!(!stand.bench.over());
        stand.ran(task, "", Some("no paper"));
        assert_eq!(verdicts(&stand), [verdict]);
        assert!(stand.bench.over());
    }
}

// --- supply to ground -----------------------------------------------------------------------------

fn measured_first(beside: &str) -> Arc<Board> {
    let rails = format!("before_power = true\n{beside}\naref = \"capacitor\"");
    board_of(&DEMO.replacen("aref = \"capacitor\"", &rails, 1))
}

/// A stand that waits for the value.
fn at_the_rails(beside: &str) -> Stand {
    let mut stand = Stand::with(measured_first(beside));
    assert!(stand.obey_until(|p| matches!(p, Prompt::Rails { .. })), "it is asked for first");
    assert!(stand.asks.is_empty(), "nothing before the meter");
    stand
}

fn rails(stand: &Stand) -> Vec<(Verdict, [f64; 2])> {
    let told = |e: &Event| match e {
        Event::Rails { verdict, band, .. } => Some((*verdict, [band.low, band.high])),
        _ => None,
    };
    stand.events.iter().filter_map(told).collect()
}

#[test]
fn the_range_of_supply_to_ground_comes_from_the_parts_of_the_file() {
    let mut stand = Stand::with(measured_first("beside = \"1k\""));
    stand.expect_verdict(UnitVerdict::Pass);
    let (verdict, [low, high]) = rails(&stand)[0];
    // Without shunts two chains lie between the rails of the demo: 1k8 + 2k7 + 2k2 + 1k5 and twice
    // 47k, 1 % each and 0.1 % for 10 K on the bench; the meter 1 % and a digit of 10 Ω.
    let ladder: f64 = 1.0 / (1.0 / 8200.0 + 1.0 / 94_000.0);
    assert_eq!(verdict, Verdict::Pass);
    assert!((ladder * 1.01 * 1.01..ladder * 1.03).contains(&high), "{high}");
    let least = 1.0 / (1.0 / (ladder * 0.99) + 1e-3);
    assert!((least * 0.97..least).contains(&low), "{low} of {least}");
}

#[test]
fn a_short_between_the_rails_is_asked_for_again_and_gets_no_power() {
    let mut stand = at_the_rails("");
    stand.type_in("2R");
    assert!(matches!(stand.prompt(), Some(Prompt::Rails { refused: Some(_) })));
    stand.type_in("2R");
    assert_eq!(stand.summary().verdict, UnitVerdict::Fail);
    assert!(stand.asks.is_empty(), "the probe is never asked");
    assert!(
        !stand
            .events
            .iter()
            .any(|e| matches!(e, Event::Prompt { prompt: Prompt::PowerOn { .. }, .. }))
    );
}

#[test]
fn an_open_between_the_rails_fails_and_the_rest_is_tested() {
    let mut stand = at_the_rails("");
    stand.type_in("OL").type_in("OL");
    assert!(matches!(stand.prompt(), Some(Prompt::PowerOn { .. })));
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert!(summary.reasons[0].contains("outside"), "{:?}", summary.reasons);
    assert!(summary.checks > 10);
}

#[test]
fn a_value_left_out_is_not_tested_and_one_put_right_counts() {
    let mut stand = at_the_rails("");
    stand.type_in("skip");
    let summary = stand.expect_verdict(UnitVerdict::Incomplete);
    assert!(summary.reasons[0].starts_with("measure VCC to GND"), "{:?}", summary.reasons);
    let mut stand = at_the_rails("");
    stand.type_in("8k2k").type_in("8R2").type_in("7k5");
    stand.expect_verdict(UnitVerdict::Pass);
}
