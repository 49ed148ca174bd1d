//! The procedure as the operator meets it, answered from the solved circuit without a probe.

mod bench_support;

use bench_support::{Stand, board_of, vent_controller, worst};
use std::time::Duration;
use strapwise::bench::{
    Answer, Ask, Cut, Event, Key, MovedBy, Presence, Procedure, Prompt, UnitVerdict, Verdict,
};
use strapwise::board::Place;
use strapwise::units::Ohms;
use strapwise::walk::Step;

const SECOND: Duration = Duration::from_secs(1);

#[test]
fn a_nominal_unit_passes_and_leaves_everything_off() {
    let mut stand = Stand::new();
    let summary = stand.expect_verdict(UnitVerdict::Pass);
    stand.expect_all_off();
    assert!(summary.cut.is_none() && summary.reasons.is_empty());
    assert_eq!(summary.checks, stand.checks().len() + stand.supplies().len() + 3);
    assert!(stand.checks().iter().all(|c| c.verdict == Verdict::Pass));
    assert_eq!(stand.asks.last(), Some(&Ask::AllOff));
}

#[test]
fn a_move_that_shows_is_believed_without_a_key() {
    let mut stand = Stand::new();
    stand.expect_verdict(UnitVerdict::Pass);
    for place in ["1", "2", "3", "4", "5"] {
        assert_eq!(stand.believed("J1", place), [MovedBy::Changed], "J1={place}");
    }
    // No pin sees the lamp return: only the operator can say.
    assert_eq!(stand.believed("J6", "fitted"), [MovedBy::SaidSo]);
}

#[test]
fn a_forgotten_move_waits_and_is_asked_about_later() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "2").wait(5 * SECOND);
    assert!(stand.believed("J1", "2").is_empty());
    assert!(matches!(stand.prompt(), Some(Prompt::Move { .. })), "asked too soon");
    let (jumper, asked) = stand.place("J1", "2");
    let reads_as = Some(stand.place("J1", "1").1);
    assert_eq!(stand.next_prompt(), Some(Prompt::Doubt { jumper, asked, reads_as }));
    stand.press(Key::No).wait(SECOND).lift("J1").wait(SECOND).fit("J1", "2");
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(stand.believed("J1", "2"), [MovedBy::Changed]);
}

#[test]
fn a_shunt_on_the_wrong_position_is_asked_about_and_no_brings_another_try() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "4").lift("J1").wait(SECOND).fit("J1", "5");
    let (jumper, asked) = stand.place("J1", "4");
    let reads_as = Some(stand.place("J1", "5").1);
    assert_eq!(stand.next_prompt(), Some(Prompt::Doubt { jumper, asked, reads_as }));
    assert!(stand.believed("J1", "4").is_empty());
    stand.press(Key::No).wait(SECOND).fit("J1", "4");
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(stand.believed("J1", "4"), [MovedBy::Changed]);
}

#[test]
fn a_shunt_that_sat_there_before_it_was_asked_for_is_no_evidence_of_a_move() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "1").fit("J1", "1");
    while stand.believed("J1", "1").is_empty() {
        stand.step();
    }
    // Already on the next position while the first is still being measured.
    stand.fit("J1", "2");
    let (jumper, asked) = stand.place("J1", "2");
    assert!(stand.obey_until(|p| matches!(p, Prompt::Move { to, .. } if *to == asked)));
    stand.wait(4 * SECOND);
    assert!(stand.believed("J1", "2").is_empty(), "believed without having seen it move");
    let doubt = Prompt::Doubt { jumper, asked, reads_as: Some(asked) };
    assert_eq!(stand.next_prompt(), Some(doubt));
    stand.press(Key::Yes);
    stand.expect_verdict(UnitVerdict::Fail);
    assert_eq!(stand.believed("J1", "2"), [MovedBy::SaidSo]);
}

/// The shunt of J2 is put on while J1 is asked for; the channel of J2 is asked about.
fn fitted_beside() -> Stand {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "1").wait(SECOND).fit("J2", "fitted");
    let (jumper, asked) = stand.place("J1", "1");
    let channel = stand.channel("ADDR0");
    assert_eq!(stand.next_prompt(), Some(Prompt::Strayed { jumper, asked, channel }));
    stand
}

#[test]
fn a_shunt_that_was_moved_beside_the_one_asked_for_is_put_back_and_the_move_asked_for_again() {
    let mut stand = fitted_beside();
    stand.lift("J2").press(Key::No);
    let (jumper, to) = stand.place("J1", "1");
    let again = stand.next_prompt();
    assert!(matches!(again, Some(Prompt::Move { jumper: j, to: t, .. }) if (j, t) == (jumper, to)));
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(stand.believed("J1", "1"), [MovedBy::Changed]);
}

#[test]
fn another_channel_that_changes_though_only_one_shunt_was_touched_is_no_pass() {
    let mut stand = fitted_beside();
    stand.fit("J1", "1").wait(SECOND).press(Key::Yes);
    while stand.believed("J1", "1").is_empty() {
        stand.step();
    }
    stand.lift("J2");
    let summary = stand.expect_verdict(UnitVerdict::Incomplete);
    assert_eq!(summary.reasons, ["J1=1: ADDR0 changed with it, and only J1 was moved"]);
    assert_eq!(stand.believed("J1", "1"), [MovedBy::SaidSo]);
}

#[test]
fn a_shunt_that_was_to_be_put_back_and_is_not_is_asked_about_again() {
    let mut stand = fitted_beside();
    stand.press(Key::No).fit("J1", "1");
    assert!(matches!(stand.next_prompt(), Some(Prompt::Move { .. })));
    assert!(matches!(stand.next_prompt(), Some(Prompt::Strayed { .. })));
    stand.press(Key::Yes);
    while stand.believed("J1", "1").is_empty() {
        stand.step();
    }
    stand.lift("J2");
    stand.expect_verdict(UnitVerdict::Incomplete);
}

#[test]
fn a_move_is_not_believed_while_another_channel_is_changed() {
    let mut stand = fitted_beside();
    stand.fit("J1", "1").wait(30 * SECOND);
    assert!(stand.believed("J1", "1").is_empty());
    stand.lift("J2");
    stand.expect_verdict(UnitVerdict::Pass);
}

#[test]
fn a_shunt_that_is_said_to_be_right_is_judged_by_its_reading_all_the_same() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "4").lift("J1").wait(SECOND).fit("J1", "5");
    assert!(matches!(stand.next_prompt(), Some(Prompt::Doubt { .. })));
    stand.press(Key::Yes);
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert!(summary.reasons[0].contains("cacti (J1=5)"), "{:?}", summary.reasons);
    assert_eq!(worst(&stand.checks_at("PROFILE", "J1", "4")), Verdict::Fail);
}

#[test]
fn said_so_never_passes_a_reading_that_has_not_changed() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "2");
    assert!(matches!(stand.next_prompt(), Some(Prompt::Doubt { .. })));
    // The shunt is still where it was.
    stand.press(Key::Yes).wait(SECOND);
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert_eq!(stand.believed("J1", "2"), [MovedBy::SaidSo]);
    assert!(summary.reasons[0].contains("seedlings (J1=1)"), "{:?}", summary.reasons);
}

#[test]
fn a_contact_that_wiggles_is_called_unstable_and_never_believed() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "3").lift("J1");
    let mut at = 0;
    while !matches!(stand.prompt(), Some(Prompt::Unstable { .. })) {
        at += 1;
        assert!(at < 400, "never called unstable");
        stand.fit("J1", if at % 2 == 0 { "3" } else { "open" }).wait(Duration::from_millis(120));
    }
    assert!(stand.believed("J1", "3").is_empty());
    stand.fit("J1", "3");
    stand.expect_verdict(UnitVerdict::Pass);
}

#[test]
fn a_word_given_while_the_contact_wiggles_is_recorded_as_a_word() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "3").lift("J1");
    let mut at = 0;
    while !matches!(stand.prompt(), Some(Prompt::Unstable { .. })) {
        at += 1;
        assert!(at < 400, "never called unstable");
        stand.fit("J1", if at % 2 == 0 { "3" } else { "open" }).wait(Duration::from_millis(120));
    }
    stand.fit("J1", "3").press(Key::Yes).wait(SECOND);
    assert_eq!(stand.believed("J1", "3"), [MovedBy::SaidSo]);
}

#[test]
fn an_end_tap_passes_only_with_proof_that_the_pin_is_driven() {
    for (place, stuck) in [("1", 1023.0), ("5", 0.0)] {
        // The probe's proofs go missing: the reading itself is that of a good end tap.
        let mut stand = Stand::new().answered_by(move |ask, answer| match ask {
            Ask::Charge { .. } | Ask::Burst { pull_up: true, .. } => {
                Answer::Refused("-240 Hardware error".into())
            }
            _ => answer,
        });
        stand.prompted_move("J1", place).fit("J1", place);
        stand.obey_until(|p| matches!(p, Prompt::Move { to, .. } if *to == Place::At(2)));
        let checks = stand.checks_at("PROFILE", "J1", place);
        if place == "1" {
            assert!((checks[0].burst.expect("a reading").mean - stuck).abs() < 1.5);
            assert_eq!(worst(&checks), Verdict::NotTested);
        }
        let summary = stand.finish();
        assert_eq!(worst(&stand.checks_at("PROFILE", "J1", place)), Verdict::NotTested);
        assert_eq!(summary.verdict, UnitVerdict::Incomplete, "{:?}", summary.reasons);
    }
}

#[test]
fn an_open_pin_that_holds_its_charge_is_not_taken_for_the_top_tap() {
    // The contact of position 1 never closes; each pull-up leaves the pin at the supply.
    let mut stand = Stand::new().built_with(|board, parts| {
        let j1 = board.jumper("J1").expect("J1");
        parts.contacts[j1][0] = Ohms(f64::INFINITY);
    });
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    let checks = stand.checks_at("PROFILE", "J1", "1");
    assert!(checks.iter().all(|c| !c.driven.proved() && c.verdict == Verdict::Fail), "{checks:?}");
    assert!(summary.reasons[0].contains("nothing drives the pin"), "{:?}", summary.reasons);
}

/// Two positions with the same meaning at the same tap: a reading cannot tell them apart.
const TWINS: &str = r#"
format = 1
[board]
name = "twins"
revision = "A"
about = "Two positions that read alike"
chip = "atmega328p"
[supply]
net = "VCC"
ground = "GND"
volts = "5V"
tolerance = "5%"
source = "bench supply"
aref = "capacitor"
[delivery]
J1 = "b"
[firmware]
conversions = 4
discard = 1
adc_clock = "125kHz"
gap = "25%"
[[resistor]]
id = "R1"
between = ["VCC", "TAP"]
value = "1k"
tolerance = "1%"
[[resistor]]
id = "R2"
between = ["TAP", "GND"]
value = "1k"
tolerance = "1%"
[[resistor]]
id = "R3"
between = ["PICK", "GND"]
value = "100k"
tolerance = "1%"
[[jumper]]
id = "J1"
label = "feed"
positions = [
  { name = "a", pins = [1, 2], joins = ["TAP", "PICK"] },
  { name = "b", pins = [3, 4], joins = ["TAP", "PICK"] },
]
open = true
[[channel]]
id = "PICK"
label = "picked"
net = "PICK"
pin = "PC0"
kind = "analog"
[[options]]
id = "feed"
label = "feed"
channels = ["PICK"]
when = [
  { J1 = "a", means = "fed" },
  { J1 = "b", means = "fed" },
  { J1 = "open", means = "not fed" },
]
"#;

#[test]
fn where_two_positions_read_alike_the_way_through_open_is_the_evidence() {
    let mut stand = Stand::with(board_of(TWINS));
    stand.prompted_move("J1", "b");
    assert!(matches!(stand.prompt(), Some(Prompt::Move { key_needed: false, .. })));
    stand.wait(30 * SECOND);
    assert!(stand.believed("J1", "b").is_empty(), "believed a move that nobody made");
    stand.lift("J1").wait(SECOND).fit("J1", "b");
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(stand.believed("J1", "b"), [MovedBy::ThroughOpen]);
}

#[test]
fn a_reset_in_the_middle_of_a_step_voids_it_and_the_step_is_done_again() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "3").lift("J1").wait(SECOND).fit("J1", "3");
    while stand.believed("J1", "3").is_empty() {
        assert!(stand.step());
    }
    for _ in 0..3 {
        stand.step();
    }
    let judged = stand.checks().len();
    stand.reset_probe();
    stand.expect_verdict(UnitVerdict::Pass);
    let voided = stand.events.iter().position(|e| matches!(e, Event::Voided { .. }));
    let rebooted = stand.events.iter().position(|e| matches!(e, Event::Rebooted(_)));
    assert!(rebooted.expect("a reset that is said") < voided.expect("a step that is void"));
    let before = &stand.events[..voided.expect("void")];
    let checks = before.iter().filter(|e| matches!(e, Event::Check { .. })).count();
    assert_eq!(checks, judged, "a reading of the void step was judged");
    let attempts: Vec<u32> = stand
        .events
        .iter()
        .filter_map(|e| match e {
            Event::Check { at, .. } if at.moved == Some(stand.place("J1", "3")) => Some(at.attempt),
            _ => None,
        })
        .collect();
    assert!(!attempts.is_empty() && attempts.iter().all(|&a| a == 2), "{attempts:?}");
    // What may be driven has been named to the new boot as well.
    assert_eq!(stand.asks.iter().filter(|a| **a == Ask::Prepare).count(), 2);
}

#[test]
fn a_probe_that_is_lost_ends_the_run_incomplete() {
    let mut stand = Stand::new();
    stand.prompted_move("J2", "fitted").lose_probe();
    let summary = stand.summary();
    assert_eq!(summary.verdict, UnitVerdict::Incomplete);
    assert!(matches!(summary.cut, Some(Cut::Probe(_))));
}

#[test]
fn a_stop_switches_everything_off_before_the_run_ends() {
    let mut stand = Stand::new();
    stand.asked("lamps-dark").wait(SECOND);
    assert!(!stand.closed.is_empty(), "the lamps are being driven");
    stand.stop();
    stand.expect_all_off();
    let summary = stand.summary();
    assert_eq!((summary.verdict, summary.cut), (UnitVerdict::Incomplete, Some(Cut::Stopped)));
    assert_eq!(stand.asks.last(), Some(&Ask::AllOff));
}

#[test]
fn a_stop_waits_for_the_answer_under_way_and_then_switches_everything_off() {
    let mut stand = Stand::new();
    stand.prompted_move("J5", "dry");
    while !matches!(stand.under_way(), Some(Ask::Switch { on: true, .. })) {
        assert!(stand.step());
    }
    stand.stop();
    stand.expect_all_off();
    assert_eq!(stand.summary().cut, Some(Cut::Stopped));
}

#[test]
fn a_failure_that_was_seen_stays_a_failure_when_the_operator_stops() {
    let mut stand = Stand::new().built_with(|board, parts| {
        let k1 = board.switches.iter().position(|s| s.id == "K1").expect("K1");
        parts.switches[k1].stuck = Some(true);
    });
    stand.shunts = stand.shunts.with(stand.jumper("J2"), Place::At(0));
    stand.prompted_move("J1", "1").stop();
    // The shunt of J2 was taken off when all were asked to be: nothing has failed yet.
    assert_eq!(stand.summary().verdict, UnitVerdict::Incomplete);
    let mut stand = Stand::new();
    stand.prompted_move("J1", "2");
    assert!(matches!(stand.next_prompt(), Some(Prompt::Doubt { .. })));
    stand.press(Key::Yes).wait(2 * SECOND).stop();
    assert_eq!(stand.summary().verdict, UnitVerdict::Fail);
}

#[test]
fn a_probe_for_another_chip_is_refused_with_the_way_to_flash_the_right_one() {
    let mut stand = Stand::new().answered_by(|_, answer| match answer {
        Answer::Who(mut info) => {
            info.model = "PROBE-ATMEGA4809".into();
            Answer::Who(info)
        }
        other => other,
    });
    let summary = stand.expect_verdict(UnitVerdict::Incomplete);
    let Some(Cut::Probe(why)) = summary.cut else { panic!("not refused") };
    assert!(why.contains("PROBE-ATMEGA4809") && why.contains("bench-scripts/probe/flash"), "{why}");
    assert_eq!(stand.asks, [Ask::Who], "a stranger was asked for more than its name");
}

#[test]
fn a_load_that_draws_nothing_fails() {
    let mut stand = Stand::new();
    let vent = stand.load("VENT");
    stand.sags[vent] = 0.0;
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert!(summary.reasons[0].contains("draws nothing"), "{:?}", summary.reasons);
}

#[test]
fn what_was_read_under_a_load_that_had_gone_off_is_not_tested() {
    let mut stand = Stand::new();
    let vent = stand.load("VENT");
    stand.gone_off = vec![vent];
    let summary = stand.expect_verdict(UnitVerdict::Incomplete);
    let said = |r: &String| r.starts_with("VENT") && r.contains("gone off by itself");
    assert!(summary.reasons.iter().any(said), "{:?}", summary.reasons);
}

#[test]
fn a_load_that_draws_too_much_fails() {
    let mut stand = Stand::new();
    let mat = stand.load("MAT");
    // Allowed are 30 to 220 mV.
    stand.sags[mat] = 0.25;
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert!(summary.reasons[0].starts_with("MAT: sag"), "{:?}", summary.reasons);
}

#[test]
fn a_load_that_draws_too_much_is_not_switched_on_with_others() {
    let mut stand = Stand::new();
    let mat = stand.load("MAT");
    stand.sags[mat] = 0.25;
    stand.expect_verdict(UnitVerdict::Fail);
    let tries = stand.asks.iter().filter(|a| **a == Ask::Load { load: mat, on: true }).count();
    assert_eq!(tries, 1);
    let together = stand.supplies()[2];
    assert_eq!((together.loads.len(), together.verdict), (2, Verdict::NotTested));
}

#[test]
fn after_each_load_alone_all_are_on_at_once() {
    let mut stand = Stand::new();
    stand.expect_verdict(UnitVerdict::Pass);
    let tried: Vec<Vec<usize>> = stand.supplies().iter().map(|s| s.loads.clone()).collect();
    assert_eq!(tried, [vec![0], vec![1], vec![0, 1]]);
    let both = ["VENT".to_string(), "MAT".to_string()];
    let read = |channel: &str| {
        let channel = stand.channel(channel);
        stand.checks().iter().any(|c| c.channel == channel && c.on.ends_with(&both))
    };
    assert!(read("PROFILE") && read("ADDR0") && read("LOOP"), "every channel is read then");
}

#[test]
fn a_supply_that_bears_one_load_and_not_all_fails() {
    let mut stand = Stand::new();
    // Each alone is fine: 15 to 120 mV and 30 to 220 mV. Together the supply gives way.
    stand.sags_together = 0.2;
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert!(summary.reasons[0].starts_with("VENT and MAT: sag"), "{:?}", summary.reasons);
    assert_eq!(summary.sag.expect("a sag").loads, [0, 1]);
    stand.expect_all_off();
}

#[test]
fn a_board_file_keeps_its_loads_apart() {
    let text = include_str!("../protocols/vent-controller.toml");
    let text = text.replace("[supply]\n", "[supply]\nall_loads = false\n");
    let mut stand = Stand::with(board_of(&text));
    stand.sags_together = 0.2;
    stand.expect_verdict(UnitVerdict::Pass);
    assert!(stand.supplies().iter().all(|s| s.loads.len() == 1));
}

#[test]
fn a_dip_beyond_the_limit_fails_though_the_mean_is_good() {
    for (dip, verdict) in [(0.0, UnitVerdict::Pass), (0.3, UnitVerdict::Fail)] {
        let mut stand = Stand::new();
        stand.dips = dip;
        let summary = stand.expect_verdict(verdict);
        let said = |r: &String| r.starts_with("VENT: a dip of ") && r.ends_with("now and then");
        assert_eq!(summary.reasons.iter().any(said), dip > 0.0, "{:?}", summary.reasons);
    }
}

#[test]
fn a_dip_as_a_load_goes_on_fails_beyond_what_its_dummy_may_draw_at_first() {
    // The demo's loads sag by 120 and 220 mV at most.
    let demo = include_str!("../protocols/vent-controller.toml");
    let patient = &demo.replace("sag = \"", "dip = \"500mV\"\nsag = \"");
    for (text, inrush, verdict) in [
        (demo, 0.0, UnitVerdict::Pass),
        (demo, 0.4, UnitVerdict::Fail),
        (patient, 0.4, UnitVerdict::Pass),
        (patient, 1.5, UnitVerdict::Fail),
    ] {
        let mut stand = Stand::with(board_of(text));
        stand.inrush = inrush;
        let summary = stand.expect_verdict(verdict);
        let said = |r: &String| r.starts_with("VENT: a dip of ") && r.contains("as it goes on");
        assert_eq!(summary.reasons.iter().any(said), verdict == UnitVerdict::Fail, "{summary:?}");
        let steps = stand.supplies().iter().filter(|s| s.step.is_some()).count();
        assert_eq!(steps, 3, "each load, and both");
    }
}

#[test]
fn parts_on_a_bus_are_asked_once_as_the_unit_leaves_and_silence_fails_nothing() {
    let demo = include_str!("../protocols/vent-controller.toml");
    let bus = "[[bus]]\nid = \"I2C\"\nsda = \"PC4\"\nscl = \"PC5\"\n";
    let part = |id: &str, address: &str| {
        format!("[[bus_part]]\nid = \"{id}\"\nbus = \"I2C\"\naddress = {address}\n")
    };
    let text = format!("{demo}\n{bus}{}{}", part("U3", "0x68"), part("U4", "0x50"));
    let mut stand = Stand::with(board_of(&text));
    stand.silent = vec![1];
    stand.expect_verdict(UnitVerdict::Pass);
    let told = stand.events.iter().filter_map(|event| match event {
        Event::Presence { part, found, at } => Some((*part, *found, at.setting.clone())),
        _ => None,
    });
    let delivery = stand.board.delivery.clone();
    let wanted = [(0, Presence::Answers), (1, Presence::Silent)];
    let wanted = wanted.map(|(part, found)| (part, Some(found), delivery.clone()));
    assert_eq!(told.collect::<Vec<_>>(), wanted);
    // The loads are tried after it.
    let place = |wanted: fn(&Ask) -> bool| stand.asks.iter().position(wanted).expect("asked");
    let presence = place(|ask| matches!(ask, Ask::Presence { .. }));
    assert!(presence < place(|ask| matches!(ask, Ask::Step { .. })));
}

#[test]
fn a_load_that_resets_the_probe_fails_and_is_not_tried_again() {
    let mut stand = Stand::new();
    let vent = stand.load("VENT");
    stand.resetting = vec![vent];
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    assert!(summary.reasons[0].contains("was reset when it was switched on"), "{summary:?}");
    let switches = |ask: &&Ask| match ask {
        Ask::Load { load, on: true } => *load == vent,
        Ask::Step { loads, .. } => loads.contains(&vent),
        _ => false,
    };
    assert_eq!(stand.asks.iter().filter(switches).count(), 1);
    let [_, other, together] = stand.supplies()[..] else { panic!("{:?}", stand.supplies()) };
    assert_eq!(other.verdict, Verdict::Pass, "the other load is still tried");
    assert!(together.reason.contains("VENT is too much alone"), "{}", together.reason);
    stand.expect_all_off();
}

#[test]
fn every_load_that_resets_the_probe_is_named_for_it() {
    let mut stand = Stand::new();
    stand.resetting = vec![0, 1];
    let summary = stand.expect_verdict(UnitVerdict::Fail);
    for load in ["VENT", "MAT"] {
        let said = |r: &String| r.starts_with(load) && r.contains("was reset");
        assert!(summary.reasons.iter().any(said), "{load}: {:?}", summary.reasons);
    }
}

#[test]
fn a_wrong_answer_to_a_question_fails() {
    for (question, answer) in [("lamps-dark", Key::No), ("lamps-lit", Key::No)] {
        let mut stand = Stand::new();
        stand.asked(question).wait(SECOND).press(answer);
        let summary = stand.expect_verdict(UnitVerdict::Fail);
        assert!(summary.reasons[0].starts_with(question), "{:?}", summary.reasons);
        stand.expect_all_off();
    }
}

#[test]
fn the_lamps_are_off_again_once_the_question_is_answered() {
    let mut stand = Stand::new();
    stand.asked("lamps-dark").wait(SECOND);
    assert!(!stand.closed.is_empty());
    stand.press(Key::Yes).wait(SECOND / 2);
    stand.expect_all_off();
}

#[test]
fn keys_pressed_while_something_is_measured_confirm_nothing() {
    let mut stand = Stand::new();
    stand.asked("lamps-dark").wait(SECOND).press(Key::Yes);
    // Impatient: Enter again and again until the first move is asked for.
    while !matches!(stand.prompt(), Some(Prompt::Move { .. })) {
        stand.press(Key::Yes);
        assert!(stand.step());
    }
    stand.wait(2 * SECOND);
    assert!(stand.believed("J1", "1").is_empty(), "a key pressed early was taken for the move");
}

#[test]
fn a_key_pressed_just_as_a_move_is_believed_does_not_confirm_the_next_one() {
    let believed_after = {
        let mut stand = Stand::new();
        stand.prompted_move("J1", "1").fit("J1", "1");
        let mut steps = 0;
        while stand.believed("J1", "1").is_empty() {
            assert!(stand.step());
            steps += 1;
        }
        steps
    };
    let mut stand = Stand::new();
    stand.prompted_move("J1", "1").fit("J1", "1");
    for _ in 1..believed_after {
        stand.step();
    }
    assert!(stand.under_way().is_some());
    stand.press(Key::Yes).step();
    assert_eq!(stand.believed("J1", "1"), [MovedBy::Changed]);
    let second = Place::At(1);
    assert!(stand.obey_until(|p| matches!(p, Prompt::Move { to, .. } if *to == second)));
    stand.wait(2 * SECOND);
    assert!(stand.believed("J1", "2").is_empty(), "a stale key was taken for the next move");
}

#[test]
fn enter_on_a_move_that_the_readings_can_tell_confirms_nothing() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "1").wait(SECOND).press(Key::Yes).wait(SECOND);
    assert!(stand.believed("J1", "1").is_empty(), "the reading can tell, so the key may not");
    stand.fit("J1", "1");
    stand.expect_verdict(UnitVerdict::Pass);
}

#[test]
fn an_answer_about_lamps_that_a_reset_has_put_out_does_not_count() {
    let mut stand = Stand::new();
    stand.asked("lamps-dark").wait(SECOND);
    // The probe is reset, the lamp driver with it, and the operator answers before it is noticed.
    while stand.under_way().is_some() {
        stand.step();
    }
    stand.reset_probe().press(Key::Yes);
    stand.wait(SECOND);
    let answered = stand.events.iter().any(|e| matches!(e, Event::Answered { .. }));
    assert!(!answered, "an answer was counted though the probe had let go of the lamps");
    stand.expect_verdict(UnitVerdict::Pass);
}

#[test]
fn an_answer_about_lamps_that_went_off_by_themselves_does_not_count() {
    let mut stand = Stand::new();
    stand.asked("lamps-lit");
    let q1 = stand.board.switches.iter().position(|s| s.id == "Q1").expect("the lamp driver");
    stand.switches_gone_off.push(q1);
    stand.press(Key::Yes).wait(SECOND);
    assert!(stand.events.iter().any(|e| matches!(e, Event::Voided { .. })));
    assert!(!stand.events.iter().any(|e| matches!(e, Event::Answered { question: 1, .. })));
    stand.switches_gone_off.clear();
    stand.expect_verdict(UnitVerdict::Pass);
}

#[test]
fn a_probe_that_does_not_stay_up_ends_the_run_after_three_tries() {
    let mut stand = Stand::new();
    stand.prompted_move("J1", "1").fit("J1", "1");
    while !stand.bench.over() {
        stand.reset_probe();
        if !stand.step() {
            stand.wait(SECOND);
        }
    }
    let summary = stand.summary();
    assert_eq!(summary.verdict, UnitVerdict::Incomplete);
    assert!(matches!(summary.cut, Some(Cut::Probe(_))), "{:?}", summary.cut);
    assert!(summary.reasons[0].contains("3 times"), "{:?}", summary.reasons);
    assert!(stand.closed.is_empty(), "something was left on");
}

#[test]
fn a_question_about_two_headers_is_asked_when_both_have_their_shunts_there() {
    let text = std::fs::read_to_string("protocols/vent-controller.toml").expect("the board file");
    let text = text
        .replace("when = { J6 = \"open\" }", "when = { J6 = \"open\", J5 = \"wet\" }")
        .replace("when = { J6 = \"fitted\" }", "when = { J6 = \"fitted\", J4 = \"fitted\" }");
    let mut stand = Stand::with(board_of(&text));
    stand.expect_verdict(UnitVerdict::Pass);
    let answered = stand.events.iter().filter(|e| matches!(e, Event::Answered { .. })).count();
    assert_eq!(answered, 2);
}

#[test]
fn a_question_that_was_never_asked_leaves_the_unit_incomplete() {
    let mut stand = Stand::led_through(vent_controller(), |walk| {
        let last = walk.steps.pop().expect("the delivery setting");
        walk.steps.truncate(1);
        let setting = walk.steps[0].setting.clone();
        walk.steps.push(Step { setting, ..last });
    });
    let summary = stand.expect_verdict(UnitVerdict::Incomplete);
    assert!(summary.reasons.iter().any(|r| r.contains("lamps-lit")), "{:?}", summary.reasons);
    assert!(stand.bench.over());
}

#[test]
fn a_reset_that_no_count_shows_is_found_by_the_probe_s_clock() {
    // A probe without an identity counts no boots. The unit was plugged in just now; the operator
    // takes a minute over the cautions, and the dummy loads reset the probe on the way.
    let mut stand = Stand::new();
    stand.now = Duration::from_millis(100);
    stand.counts_boots = false;
    assert!(stand.obey_until(|p| matches!(p, Prompt::Clear { .. })));
    stand.wait(30 * SECOND).reset_probe().wait(30 * SECOND).press(Key::Yes);
    stand.expect_verdict(UnitVerdict::Pass);
    assert!(stand.events.iter().any(|e| matches!(e, Event::Rebooted(_))), "nobody noticed");
}
