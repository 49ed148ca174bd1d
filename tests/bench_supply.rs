//! The supply itself, in the operator's words: judged by the chip's reference, by a meter, and by the
//! reference as a meter calibrated it.

mod bench_support;

use bench_support::{Stand, board_of};
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::supply::{self, By, Calibration, Known, Metered, VoltsCheck};
use strapwise::bench::{Ask, Burst, Event, Procedure, Prompt, UnitVerdict, Verdict, sag};
use strapwise::board::Board;
use strapwise::units::Volts;

const BOARD: &str = include_str!("../protocols/vent-controller.toml");

/// The vent controller, whose maker wants its reference calibrated.
fn calibrating() -> Arc<Board> {
    board_of(&BOARD.replace("[supply]\n", "[supply]\ncalibrate = true\n"))
}

fn metered(text: &str) -> Known {
    let metered = supply::read(text).expect("a voltage");
    Known { metered, ..Known::default() }
}

/// A unit with this supply and this reference of its chip, of which this is known.
fn unit(supply: f64, reference: f64, known: Known) -> Stand {
    let mut stand = Stand::new().built_with(|_, parts| parts.supply = Volts(supply));
    stand.reference = reference;
    stand.supplied(known)
}

fn volts(stand: &Stand) -> VoltsCheck {
    let all = stand.events.iter().filter_map(|event| match event {
        Event::Volts(check) => Some(check.clone()),
        _ => None,
    });
    let [check] = &all.collect::<Vec<_>>()[..] else { panic!("judged once") };
    check.clone()
}

/// What the supply was judged, and the unit.
#[track_caller]
fn run(mut stand: Stand) -> (Verdict, UnitVerdict, Stand) {
    let unit = stand.finish().verdict;
    (volts(&stand).verdict, unit, stand)
}

#[test]
fn without_a_meter_only_a_supply_fails_that_no_good_reference_explains() {
    // Allowed are 5 V ± 5 %; the reference is 1.0 to 1.2 V (ATmega328P data sheet).
    for (supply, reference) in [(5.0, 1.1), (5.0, 1.01), (5.0, 1.19), (5.6, 1.1)] {
        let (verdict, unit, _) = run(unit(supply, reference, Known::default()));
        assert_eq!((verdict, unit), (Verdict::Pass, UnitVerdict::Pass), "{supply} {reference}");
    }
    for supply in [3.3, 4.0, 6.5] {
        let (verdict, unit, stand) = run(unit(supply, 1.1, Known::default()));
        assert_eq!((verdict, unit), (Verdict::Fail, UnitVerdict::Fail), "{supply}");
        let reason = volts(&stand).reason;
        assert!(reason.contains("outside 4.75 V to 5.25 V"), "{reason}");
    }
}

#[test]
fn the_range_of_the_data_sheet_is_that_of_its_reference() {
    // Code 225: 4.55 to 5.46 V for a reference of 1.0 to 1.2 V (check values A7 and A8). A supply
    // limited to less than that range, on either side, is neither proved good nor bad.
    let judged = |text: &str| {
        let board = board_of(&BOARD.replace("volts = \"5V\"\ntolerance = \"5%\"", text));
        let burst = Some(Burst { n: 961, mean: 225.0, q99: 226, ..Burst::default() });
        supply::judge(&board, burst, By::DataSheet).verdict
    };
    assert_eq!(judged("volts = \"4.4V\"\ntolerance = \"5%\""), Verdict::Pass, "to 4.62 V");
    assert_eq!(judged("volts = \"4.2V\"\ntolerance = \"5%\""), Verdict::Fail, "to 4.41 V");
}

#[test]
fn a_supply_beyond_its_tolerance_fails_by_meter_whatever_the_reference() {
    for (shown, verdict) in [
        ("5.02V", Verdict::Pass),
        ("4.75", Verdict::Pass),
        ("4.74V", Verdict::Fail),
        ("5.25 V", Verdict::Pass),
        ("5260mV", Verdict::Fail),
    ] {
        let known = metered(shown);
        let supply = known.metered.as_ref().unwrap().volts.0;
        let (judged, _, _) = run(unit(supply, 1.06, known));
        assert_eq!(judged, verdict, "{shown}");
    }
}

#[test]
fn a_meter_tells_the_chip_s_reference_and_every_millivolt_follows_it() {
    // By the nominal reference this supply of 5.0 V would read 1.1 / 1.05 * 5.0 = 5.24 V.
    let (_, unit, stand) = run(unit(5.0, 1.05, metered("5.0V")));
    assert_eq!(unit, UnitVerdict::Pass);
    let reference = volts(&stand).reference(&stand.board).expect("calibrated");
    assert!((reference.0 - 1.05).abs() < 1e-9, "{reference}");
    for check in stand.supplies() {
        let figures = sag::figures(&stand.board, check).expect("figures");
        assert!((figures.idle.0 - 5.0).abs() < 1e-9, "{}", figures.idle);
        let drawn: f64 = check.loads.iter().map(|&load| stand.sags[load]).sum();
        assert!((figures.sag.0 - drawn).abs() < 1e-9, "{} of {drawn}", figures.sag);
    }
}

/// A reference that a meter calibrated in an attempt that came to its end.
fn calibrated(volts: f64) -> Calibration {
    Calibration {
        reference: Volts(volts),
        on: "2026-03-04".into(),
        identity: "0BADCAFE".into(),
        put_back: true,
    }
}

#[test]
fn a_calibration_of_an_earlier_attempt_finds_a_supply_that_the_data_sheet_would_let_pass() {
    let known = || Known { calibration: Some(calibrated(1.05)), ..Known::default() };
    let (verdict, _, _) = run(unit(4.6, 1.05, Known::default()));
    assert_eq!(verdict, Verdict::Pass, "4.6 V, but 4.8 V by the nominal reference");
    let (verdict, unit_verdict, stand) = run(unit(4.6, 1.05, known()));
    assert_eq!((verdict, unit_verdict), (Verdict::Fail, UnitVerdict::Fail));
    let reason = volts(&stand).reason;
    assert!(reason.contains("4.6 V") && reason.contains("2026-03-04"), "{reason}");
    assert_eq!(run(unit(5.0, 1.05, known())).0, Verdict::Pass);
}

#[test]
fn a_meter_and_a_chip_that_contradict_each_other_prove_nothing() {
    // 5.0 V read as 6.0 V would make the reference 1.32 V.
    let (verdict, unit, stand) = run(unit(5.0, 1.1, metered("6.0V")));
    assert_eq!((verdict, unit), (Verdict::NotTested, UnitVerdict::Incomplete));
    let check = volts(&stand);
    assert!(check.reason.contains("1.32 V"), "{}", check.reason);
    assert_eq!(check.reference(&stand.board), None);
}

#[test]
fn a_board_file_has_the_supply_measured_before_the_first_move() {
    let mut stand = Stand::with(calibrating());
    let asked = |p: &Prompt| matches!(p, Prompt::SupplyVolts { refused: None, .. });
    assert!(stand.obey_until(asked), "never asked");
    assert!(stand.bench.wants_text() && stand.checks().is_empty());
    assert!(!stand.asks.iter().any(|ask| matches!(ask, Ask::Supply { .. })), "not yet");
    stand.type_in("5.00V");
    stand.expect_verdict(UnitVerdict::Pass);
    let typed = Metered { text: "5.00V".into(), volts: Volts(5.0) };
    assert_eq!(volts(&stand).by, By::Meter(typed));
}

#[test]
fn a_chip_with_another_number_has_its_supply_measured_anew() {
    // What is left of an attempt that was cut short: its number is still on the chip.
    let left = |identity: &str| Calibration {
        identity: identity.into(),
        put_back: false,
        ..calibrated(1.1)
    };
    let asked = |calibration: Calibration| {
        let known = Known { metered: None, calibration: Some(calibration) };
        let mut stand = Stand::with(calibrating()).supplied(known);
        let asked = stand.obey_until(|p| matches!(p, Prompt::SupplyVolts { .. }));
        let said = |e: &Event| matches!(e, Event::Note(why) if why.contains("of another chip"));
        assert_eq!(stand.events.iter().any(said), asked);
        asked
    };
    assert!(asked(left("DB1EF989")));
    assert!(!asked(left("0BADCAFE")));
    // One that comes without a number is another where it must have been left on it.
    assert!(left("0BADCAFE").is_of_another(""));
    assert!(!Calibration { put_back: true, ..left("0BADCAFE") }.is_of_another(""));
}

#[test]
fn nothing_is_asked_where_the_reference_is_known() {
    let calibration = Some(calibrated(1.1));
    for known in [metered("5V"), Known { metered: None, calibration }] {
        let mut stand = Stand::with(calibrating()).supplied(known);
        stand.expect_verdict(UnitVerdict::Pass);
        let asked =
            |e: &Event| matches!(e, Event::Prompt { prompt: Prompt::SupplyVolts { .. }, .. });
        assert!(!stand.events.iter().any(asked));
    }
}

#[test]
fn a_value_that_is_none_is_refused_and_one_that_is_wrong_is_asked_for_once_more() {
    let mut stand = Stand::with(calibrating());
    assert!(stand.obey_until(|p| matches!(p, Prompt::SupplyVolts { .. })));
    let refused = |stand: &mut Stand, typed: &str| {
        stand.type_in(typed);
        match stand.next_prompt() {
            Some(Prompt::SupplyVolts { refused: Some(why), .. }) => why,
            other => panic!("{typed}: {other:?}"),
        }
    };
    assert!(refused(&mut stand, "").contains("nothing was typed"));
    assert!(refused(&mut stand, "5A").contains("skip leaves it out"));
    assert!(refused(&mut stand, "OL").contains("skip leaves it out"));
    // A slip: 50.0 for 5.00.
    assert!(refused(&mut stand, "50.0V").contains("cannot be"));
    stand.type_in("5.00V");
    stand.expect_verdict(UnitVerdict::Pass);
}

#[test]
fn a_wrong_supply_typed_twice_fails() {
    let mut stand = Stand::with(calibrating());
    stand.parts.supply = Volts(5.4);
    let verdict = stand.finish().verdict;
    assert_eq!(verdict, UnitVerdict::Fail);
    assert_eq!(volts(&stand).verdict, Verdict::Fail);
    let asked = stand
        .events
        .iter()
        .filter(|e| matches!(e, Event::Prompt { prompt: Prompt::SupplyVolts { .. }, .. }));
    assert_eq!(asked.count(), 2);
}

#[test]
fn a_supply_that_was_to_be_measured_and_was_not_is_not_tested() {
    let mut stand = Stand::with(calibrating());
    assert!(stand.obey_until(|p| matches!(p, Prompt::SupplyVolts { .. })));
    stand.type_in("skip");
    let summary = stand.expect_verdict(UnitVerdict::Incomplete);
    assert!(summary.reasons[0].contains("measure VCC to GND"), "{:?}", summary.reasons);
}

#[test]
fn a_reset_between_the_meter_s_reading_and_the_chip_s_has_it_read_again() {
    let mut stand = Stand::with(calibrating());
    assert!(stand.obey_until(|p| matches!(p, Prompt::SupplyVolts { .. })));
    stand.reset_probe().type_in("5.00V");
    stand.expect_verdict(UnitVerdict::Pass);
    let voided = stand.events.iter().filter(|e| matches!(e, Event::Voided { .. })).count();
    assert_eq!(voided, 1);
    assert_eq!(volts(&stand).verdict, Verdict::Pass);
}

#[test]
fn voltages_are_read_as_people_write_them() {
    let volts = |text: &str| supply::read(text).ok().flatten().map(|m| m.volts.0);
    for (text, value) in [("5.02V", 5.02), (" 5.02 v ", 5.02), ("5.02", 5.02), ("5020mV", 5.02)] {
        assert_eq!(volts(text), Some(value), "{text}");
    }
    assert_eq!(supply::read("SKIP"), Ok(None));
    for text in ["", "5,02", "-5V", "0", "5A", "OL", "five"] {
        let why = supply::read(text).expect_err(text);
        let next = if text.is_empty() { "type what the meter shows" } else { "write it like `5V`" };
        assert!(why.contains(next), "{text}: {why}");
    }
}

/// The demo on a chip whose probe cannot read its supply.
fn by_meter() -> Arc<Board> {
    let demo = include_str!("../protocols/vent-controller.toml");
    let external = "aref = \"external\"\naref_volts = \"4.9V\"\naref_tolerance = \"0.1%\"";
    let text = demo.replace("aref = \"capacitor\"", &format!("{external}\nby_meter = true"));
    board_of(&text)
}

#[test]
fn a_load_stays_on_while_a_person_measures_and_is_off_again_after_it() {
    let mut stand = Stand::with(by_meter());
    let on = |p: &Prompt| matches!(p, Prompt::SupplyVolts { loads, .. } if !loads.is_empty());
    assert!(stand.obey_until(on), "never asked");
    let load = stand.loads_on.clone();
    assert_eq!(load.len(), 1);
    let before = stand.asks.len();
    stand.wait(Duration::from_secs(20));
    assert_eq!(stand.loads_on, load, "still on");
    assert!(stand.asks.len() - before >= 20, "the probe is not left to silence");
    // A typing error is asked again, and so is what no good unit shows.
    for (typed, said) in [("five", "skip"), ("5.00V", "draws nothing")] {
        stand.type_in(typed);
        stand.wait(Duration::from_secs(2));
        let Some(Prompt::SupplyVolts { refused: Some(why), .. }) = stand.prompt() else {
            panic!("{typed}: {:?}", stand.prompt())
        };
        assert!(why.contains(said), "{typed}: {why}");
    }
    stand.type_in("5.00V");
    stand.wait(Duration::from_secs(2));
    assert!(stand.loads_on != load, "off, and the next one is on");
    let first = stand.supplies()[0].clone();
    assert_eq!(first.verdict, Verdict::Fail);
    stand.finish();
    stand.expect_all_off();
}

#[test]
fn a_probe_that_is_reset_while_a_person_measures_fails_the_load() {
    let mut stand = Stand::with(by_meter());
    let on = |p: &Prompt| matches!(p, Prompt::SupplyVolts { loads, .. } if !loads.is_empty());
    assert!(stand.obey_until(on), "never asked");
    stand.reset_probe();
    stand.wait(Duration::from_secs(3));
    let first = stand.supplies()[0].clone();
    assert_eq!(first.verdict, Verdict::Fail);
    assert!(first.reason.contains("was reset when it was switched on"), "{}", first.reason);
}

#[test]
fn a_sag_that_nobody_measured_is_not_tested() {
    let mut stand = Stand::with(by_meter());
    let asked = |p: &Prompt| matches!(p, Prompt::SupplyVolts { .. });
    assert!(stand.obey_until(asked), "never asked");
    stand.type_in("skip");
    let summary = stand.finish();
    assert_eq!(summary.verdict, UnitVerdict::Incomplete, "{:?}", summary.reasons);
    assert!(stand.supplies().iter().all(|s| s.verdict == Verdict::NotTested));
}
