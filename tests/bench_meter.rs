//! What a person reads on a meter and types, before the power is on.

mod bench_support;

use bench_support::full::run;
use bench_support::metered::BOARD;
use bench_support::{Stand, board_of};
use proptest::prelude::*;
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::meter::Said;
use strapwise::bench::{
    Ask, Check, Event, Key, MovedBy, Procedure, Prompt, Shunts, UnitVerdict, Verdict,
};
use strapwise::board::Place;
use strapwise::probe::world::World;
use strapwise::record::RowKind;
use strapwise::units::Ohms;
use strapwise::walk::{self, meter};
use strapwise::window::{self, Limits};

/// The same without a pin: nothing is left to a probe.
fn without_pins() -> String {
    let pins = BOARD.find("[[channel]]\nid = \"PIN\"").expect("the channel of a pin");
    let ohms = BOARD.find("[[channel]]\nid = \"OHMS\"").expect("the channel of a meter");
    let text = format!("{}{}", &BOARD[..pins], &BOARD[ohms..]);
    let mode = text.find("[[options]]\nid = \"mode\"").expect("options of the pin");
    let gain = text.find("[[options]]\nid = \"gain\"").expect("options of the meter");
    format!("{}{}", &text[..mode], &text[gain..])
}

fn resistor(stand: &Stand, id: &str) -> usize {
    stand.board.resistors.iter().position(|r| r.id == id).expect("a resistor of the board")
}

fn of_ohms(stand: &Stand) -> Vec<Check> {
    let ohms = stand.channel("OHMS");
    stand.checks().into_iter().filter(|c| c.channel == ohms).cloned().collect()
}

/// Follows every prompt; at each value the operator types these lines, the last one from then on.
fn typing(stand: &mut Stand, lines: &[&str]) -> UnitVerdict {
    let mut lines = lines.iter().peekable();
    while let Some(Prompt::Meter { .. }) = stand.asked_to_measure() {
        let line = lines.next().expect("no more lines to type");
        if lines.peek().is_none() {
            // Whatever is asked from here on is measured as a careful person does.
            stand.type_in(line);
            break;
        }
        stand.type_in(line);
    }
    stand.finish().verdict
}

#[test]
fn a_good_unit_is_measured_first_then_powered_and_passes() {
    let board = board_of(BOARD);
    let windows = Arc::new(window::windows(&board).expect("windows"));
    let run = run(&board, &windows, World::new(board.clone(), 1));
    assert_eq!(run.summary.verdict, UnitVerdict::Pass, "{:?}", run.summary.reasons);
    let checks: Vec<_> = run.rows.iter().filter(|r| r.row == RowKind::Check).collect();
    let first_pin = checks.iter().position(|r| r.channel == "PIN").expect("the pin is read");
    assert!(checks[..first_pin].iter().all(|r| r.channel == "OHMS"));
    assert!(checks[first_pin..].iter().all(|r| r.channel == "PIN"), "and only then the pin");
    assert_eq!(first_pin, 2, "both options of the gain");
    for row in &checks[..first_pin] {
        assert_eq!((row.mode.as_str(), row.pin.as_str()), ("meter", "meter"));
        assert_eq!((row.verdict.as_str(), row.moved_by.as_str()), ("pass", "said so"));
        assert!(row.rule.ends_with("typed in"), "evidence of lower rank: {}", row.rule);
        let figures = [row.ohm, row.expected_ohm, row.band_low_ohm, row.band_high_ohm];
        let [Some(ohm), Some(expected), Some(low), Some(high)] = figures else { panic!("{row:?}") };
        assert!(low < ohm && ohm < high && low < expected && expected < high, "{row:?}");
        assert!(row.window_low_ohm < row.band_low_ohm, "{row:?}");
        assert!(row.mean_code.is_none() && row.window_low_code.is_none() && row.step.is_none());
        assert!(!row.answer.is_empty(), "what was typed is kept as it was typed");
    }
    let rules: Vec<&str> = run.rows.iter().map(|r| r.rule.as_str()).collect();
    let at = |rule: &str| rules.iter().position(|r| *r == rule).expect(rule);
    assert!(at("by meter") < at("probe found"), "nobody asks the probe before");
}

#[test]
fn the_jumper_that_only_a_meter_sees_is_left_as_delivered_and_not_moved_again() {
    let mut stand = Stand::with(board_of(BOARD));
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(stand.shunts, stand.board.delivery);
    let metered = stand.jumper("J2");
    let again = |e: &&Event| matches!(e, Event::Prompt { prompt: Prompt::Move { jumper, .. }, .. } if *jumper == metered);
    assert_eq!(stand.events.iter().filter(again).count(), 0);
    let word = |e: &Event| matches!(e, Event::Prompt { prompt: Prompt::Clear { .. }, .. });
    assert!(!stand.events.iter().any(word), "the shunts are known when the power comes on");
}

#[test]
fn nothing_expected_is_shown_before_the_value_is_typed() {
    let mut stand = Stand::with(board_of(BOARD));
    let prompt = stand.asked_to_measure().expect("a value is asked for");
    let words = strapwise::report::words::prompt(&stand.board, &prompt).join(" ");
    assert!(words.contains("Measure A to B, the power off"), "{words}");
    for figure in ["1 k", "3.2", "2.2", "1000", "3200"] {
        assert!(!words.contains(figure), "{words}");
    }
    assert!(stand.asks.is_empty(), "the probe has no power: {:?}", stand.asks);
}

/// Two shunts in a row, read by a meter alone: fitted they have hundredths of an ohm.
const SHUNTS: &str = r#"
format = 1
[board]
name = "two-shunts"
revision = "A"
about = "Two shunts that bridge two resistors"
chip = "atmega328p"
[supply]
net = "VCC"
ground = "GND"
volts = "5V"
tolerance = "5%"
source = "none"
aref = "capacitor"
[delivery]
J1 = "fitted"
J2 = "fitted"
[[resistor]]
id = "R1"
between = ["A", "N1"]
value = "1k"
tolerance = "1%"
[[resistor]]
id = "R2"
between = ["N1", "B"]
value = "2k"
tolerance = "1%"
[[jumper]]
id = "J1"
positions = [{ name = "fitted", pins = [1, 2], joins = ["A", "N1"] }]
open = true
[[jumper]]
id = "J2"
positions = [{ name = "fitted", pins = [1, 2], joins = ["N1", "B"] }]
open = true
[[channel]]
id = "OHMS"
between = ["A", "B"]
kind = "meter"
[[options]]
id = "r"
channels = ["OHMS"]
all = ["J1", "J2"]
"#;

#[test]
fn shunts_that_a_meter_shows_as_no_ohms_are_good_ones() {
    let board = board_of(SHUNTS);
    let windows = window::windows(&board).expect("windows");
    let fitted = windows.channels[0].classes.iter().find(|c| c.name == "J1=fitted J2=fitted");
    let fitted = fitted.expect("both shunts");
    let Limits::Ohms { low, high } = fitted.limits else { panic!("ohms") };
    assert!(low == Ohms(0.0) && high > Ohms(100.0), "{low:?} to {high:?}");
    assert!(fitted.margin_code > 100.0, "there is no limit below it: {fitted:?}");
    for text in ["0", "0.0", "0R1"] {
        let said = strapwise::bench::meter::read(text);
        let Ok(Said::Value(typed)) = said else { panic!("{text}: {said:?}") };
        let check =
            strapwise::bench::meter::judge(&board, &windows, &board.delivery, 0, Some(typed));
        assert_eq!(check.verdict, Verdict::Pass, "{text}: {}", check.reason);
    }
    // A resistor of its own still has a limit below it: shorted it is no option.
    let apart = windows.channels[0].classes.iter().find(|c| c.name == "J1=open J2=fitted");
    let Limits::Ohms { low, .. } = apart.expect("R1 alone").limits else { panic!("ohms") };
    assert!(low > Ohms(300.0), "{low:?}");
}

#[test]
fn a_wrong_resistor_is_asked_for_once_more_and_fails() {
    let mut stand = Stand::with(board_of(BOARD)).built_with(|board, parts| {
        let r3 = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
        parts.resistors[r3] = Ohms(10e3);
    });
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    let reasons = summary.reasons.join("\n");
    assert!(reasons.contains("OHMS") && reasons.contains("10 kΩ is outside"), "{reasons}");
    let refused = |e: &&Event| {
        matches!(e, Event::Prompt { prompt: Prompt::Meter { refused: Some(_), .. }, .. })
    };
    let bad = of_ohms(&stand).iter().filter(|c| c.verdict != Verdict::Pass).count();
    assert_eq!((bad, stand.events.iter().filter(refused).count()), (2, 2), "once for each value");
}

#[test]
fn a_letter_left_out_is_put_right_at_the_second_asking() {
    let mut stand = Stand::with(board_of(BOARD));
    let short = |stand: &Stand, at: &str| {
        let r = &stand.board.resistors;
        let sum = r[resistor(stand, "R3")].ohms.0 + r[resistor(stand, "R4")].ohms.0;
        if at == "open" { sum } else { r[resistor(stand, "R3")].ohms.0 }
    };
    let prompt = stand.asked_to_measure().expect("a value is asked for");
    let Prompt::Meter { shunts: Shunts::All(setting), .. } = prompt else { panic!("{prompt:?}") };
    let open = setting.0[stand.jumper("J2")] == Place::Open;
    let kilohms = short(&stand, if open { "open" } else { "fitted" }) / 1000.0;
    stand.type_in(&format!("{kilohms}")).type_in(&format!("{kilohms}k"));
    assert_eq!(stand.finish().verdict, UnitVerdict::Pass);
    let first = &of_ohms(&stand)[0];
    let typed = first.typed.as_ref().expect("typed");
    assert_eq!((typed.ohms.0, first.verdict), (kilohms * 1000.0, Verdict::Pass));
    assert_eq!(typed.text, format!("{kilohms}k"));
}

#[test]
fn a_second_value_that_is_another_wrong_one_is_no_answer() {
    let mut stand = Stand::with(board_of(BOARD));
    stand.asked_to_measure().expect("a value is asked for");
    stand.type_in("10k").type_in("10R").type_in("OL");
    assert!(of_ohms(&stand).is_empty(), "three slips of the fingers are no reading");
    stand.type_in("OL");
    assert_eq!(of_ohms(&stand).len(), 1);
}

#[test]
fn a_part_out_of_tolerance_that_still_reads_right_is_held() {
    let mut stand = Stand::with(board_of(BOARD)).built_with(|board, parts| {
        let r3 = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
        parts.resistors[r3] = Ohms(1.06e3);
    });
    let summary = stand.expect_verdict(UnitVerdict::Hold);
    assert!(summary.reasons.join(" ").contains("where good parts lie"), "{:?}", summary.reasons);
}

#[test]
fn garbage_is_refused_with_what_to_write_and_asked_again() {
    let mut stand = Stand::with(board_of(BOARD));
    for garbage in ["abc", "", "4,7k", "-5", "5V", "n"] {
        stand.asked_to_measure().expect("still asked");
        stand.type_in(garbage);
        match stand.prompt() {
            Some(Prompt::Meter { refused: Some(why), of: (1, _), .. }) => {
                assert!(why.contains("skip"), "{garbage}: {why}");
            }
            other => panic!("{garbage}: {other:?}"),
        }
    }
    assert!(of_ohms(&stand).is_empty(), "nothing was judged");
    assert_eq!(stand.finish().verdict, UnitVerdict::Pass, "and it goes on with a good value");
}

#[test]
fn garbage_without_end_is_not_tested() {
    let mut stand = Stand::with(board_of(BOARD));
    stand.asked_to_measure().expect("asked");
    for _ in 0..100 {
        stand.type_in("abc");
    }
    assert_eq!(stand.finish().verdict, UnitVerdict::Incomplete);
    let checks = of_ohms(&stand);
    assert!(checks.iter().all(|c| c.verdict == Verdict::NotTested && c.typed.is_none()));
}

#[test]
fn a_value_left_out_is_not_tested_and_says_what_to_measure() {
    let mut stand = Stand::with(board_of(BOARD));
    assert_eq!(typing(&mut stand, &["skip"]), UnitVerdict::Incomplete);
    let reasons = stand.summary().reasons.join("\n");
    assert!(reasons.contains("measure A to B with a meter, the power off"), "{reasons}");
}

#[test]
fn over_range_where_a_resistance_belongs_fails() {
    let mut stand = Stand::with(board_of(BOARD));
    assert_eq!(typing(&mut stand, &["OL", "open"]), UnitVerdict::Fail);
}

#[test]
fn nobody_at_the_keys_ends_incomplete_without_asking_the_probe() {
    let mut stand = Stand::with(board_of(BOARD));
    stand.asked_to_measure().expect("asked");
    stand.nobody();
    assert_eq!(stand.summary().verdict, UnitVerdict::Incomplete);
    assert!(stand.asks.is_empty());
}

#[test]
fn a_board_read_by_meter_alone_needs_no_probe() {
    let mut stand = Stand::with(board_of(&without_pins()));
    stand.expect_verdict(UnitVerdict::Pass);
    assert!(stand.asks.is_empty(), "nobody is asked: {:?}", stand.asks);
    assert_eq!(stand.shunts, stand.board.delivery, "it leaves as delivered");
    assert!(stand.events.iter().any(|e| matches!(e, Event::Covers { .. })));
    let last = of_ohms(&stand).pop().expect("a value");
    let expected = window::expect(&stand.board, &stand.board.delivery, stand.channel("OHMS"));
    assert_eq!(last.expected_code, Some(expected.code), "the last is how the unit leaves");
}

#[test]
fn a_reset_before_the_power_is_on_changes_nothing_and_afterwards_voids_the_step() {
    let mut stand = Stand::with(board_of(BOARD));
    stand.prompted_move("J1", "fitted");
    assert!(of_ohms(&stand).iter().all(|c| c.verdict == Verdict::Pass));
    stand.reset_probe().wait(Duration::from_secs(3));
    let void = |e: &&Event| matches!(e, Event::Voided { .. });
    assert_eq!(stand.events.iter().filter(void).count(), 1);
    assert_eq!(stand.finish().verdict, UnitVerdict::Pass);
    let said = |e: &&Event| matches!(e, Event::Moved(at) if at.moved_by == Some(MovedBy::SaidSo));
    assert_eq!(stand.events.iter().filter(said).count(), 1, "the shunts before the power");
    assert!(stand.asks.contains(&Ask::Who));
}

#[test]
fn a_meter_shows_the_defects_that_the_coverage_says_it_does() {
    let board = board_of(&without_pins());
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    assert!(walk.coverage.seen.len() >= 7, "{:?}", walk.coverage);
    let windows = Arc::new(windows);
    for &(fault, _) in &walk.coverage.seen {
        let mut world = World::new(board.clone(), 1);
        world.plant(fault);
        let verdict = run(&board, &windows, world).summary.verdict;
        let bad = matches!(verdict, UnitVerdict::Fail | UnitVerdict::Hold);
        assert!(bad, "{}: {verdict:?}", fault.text(&board));
    }
}

#[test]
fn digits_of_the_meter_widen_the_band_by_its_last_place() {
    let text = BOARD.replace("kind = \"meter\"", "kind = \"meter\"\ndigits = 5\ncounts = 4000");
    let (plain, with) = (board_of(BOARD), board_of(&text));
    let band = |board: &strapwise::board::Board| {
        window::expect(board, &board.delivery, board.channel("OHMS").expect("OHMS")).bench
    };
    let wider = (band(&with).high - band(&plain).high, band(&plain).low - band(&with).low);
    // About 1 kΩ: shown to 1 Ω by a meter that counts to 4000; five of them.
    assert!((wider.0 - 5.0).abs() < 1e-9 && (wider.1 - 5.0).abs() < 1e-9, "{wider:?}");
}

#[test]
fn the_decade_of_28_shunts_is_measured_in_few_moves() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/protocols/examples/decade.toml");
    let board = board_of(&std::fs::read_to_string(path).expect("the example"));
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let options = windows.channels[0].classes.len();
    for class in 0..options {
        let stands =
            |s: &meter::Stop| windows.channels[0].class_of_setting(&s.setting) == Some(class);
        assert!(walk.metered.iter().any(stands), "option {class} is measured");
    }
    for (j, jumper) in board.jumpers.iter().enumerate() {
        for place in jumper.places() {
            let at = walk.metered.iter().any(|s| s.setting.0[j] == place);
            assert!(at, "{} is never at {}", jumper.id, jumper.place_name(place));
        }
    }
    let moves: usize = walk.metered.iter().map(|s| s.moves.len()).sum();
    // One shunt off and one on from each value to the next, and what several at once cost.
    assert!(moves <= 2 * walk.metered.len() + 6, "{moves} for {}", walk.metered.len());
    assert_eq!(walk.metered.last().map(|s| &s.setting), Some(&board.delivery));
    assert!(matches!(windows.channels[0].classes[0].limits, Limits::Ohms { .. }));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..Default::default() })]

    #[test]
    fn whatever_is_typed_the_run_ends_and_nonsense_passes_nothing(
        lines in prop::collection::vec("\\PC{0,12}|[0-9.kMRrK ]{0,6}|OL|skip", 0..60),
    ) {
        let mut stand = Stand::with(board_of(&without_pins()));
        stand.start().press(Key::Yes);
        for line in &lines {
            stand.type_in(line);
        }
        if !stand.bench.over() {
            stand.nobody();
        }
        let summary = stand.summary();
        let good = |c: &Check| c.verdict == Verdict::Pass;
        let all_good = of_ohms(&stand).len() == 2 && of_ohms(&stand).iter().all(good);
        prop_assert_eq!(summary.verdict == UnitVerdict::Pass, all_good);
    }
}
