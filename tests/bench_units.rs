//! Whole units on the full stack: good ones pass, bad ones never do.

mod bench_support;

use bench_support::full::{Run, run, run_with};
use bench_support::vent_controller;
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::{Cut, Event, Prompt, UnitVerdict, Verdict};
use strapwise::board::{Board, Place};
use strapwise::faults::Fault;
use strapwise::probe::world::{ResetCause, World};
use strapwise::record::{Row, RowKind};
use strapwise::units::Volts;
use strapwise::walk;
use strapwise::window::{self, Windows};

fn design() -> (Arc<Board>, Arc<Windows>) {
    let board = vent_controller();
    let windows = Arc::new(window::windows(&board).expect("windows"));
    (board, windows)
}

/// The defects that the sequence claims to see.
fn claimed(board: &Board) -> Vec<Fault> {
    let windows = window::windows(board).expect("windows");
    let walk = walk::plan(board, &windows, &board.delivery).expect("a sequence");
    walk.coverage.seen.into_iter().map(|(fault, _)| fault).collect()
}

/// A verdict that a good unit would not have earned, in words.
fn not_a_pass(run: &Run) -> bool {
    run.summary.verdict != UnitVerdict::Pass && !run.summary.reasons.is_empty()
}

#[test]
fn a_good_unit_passes_whatever_its_parts_are_within_tolerance() {
    let (board, windows) = design();
    for seed in 1..=20 {
        let run = run(&board, &windows, World::new(board.clone(), seed));
        let reasons = &run.summary.reasons;
        assert_eq!(run.summary.verdict, UnitVerdict::Pass, "seed {seed}: {reasons:?}");
        assert!(run.summary.cut.is_none() && reasons.is_empty());
    }
}

#[test]
fn a_unit_with_a_defect_that_the_sequence_can_see_never_passes() {
    let (board, windows) = design();
    let faults = claimed(&board);
    assert!(faults.len() > 40, "only {} defects are claimed", faults.len());
    for (i, fault) in faults.into_iter().enumerate() {
        let mut world = World::new(board.clone(), 1000 + i as u64);
        world.plant(fault);
        let run = run(&board, &windows, world);
        assert!(not_a_pass(&run), "{} passed", fault.text(&board));
    }
}

#[test]
fn a_pin_that_is_not_soldered_never_passes() {
    let (board, windows) = design();
    for c in board.channels.iter().filter(|c| c.pin.adc.is_some()) {
        for seed in [3, 4] {
            let mut world = World::new(board.clone(), seed);
            world.change_defects(|d| d.open_pins.push(c.pin.number));
            let run = run(&board, &windows, world);
            assert!(not_a_pass(&run), "{} with an open pin passed", c.id);
            let passed_open = run.events.iter().any(|e| match e {
                Event::Check { check, .. } => {
                    check.channel == board.channel(&c.id).unwrap()
                        && check.verdict == Verdict::Pass
                        && check.on.len() == c.closes.len()
                        && check.burst.is_some()
                }
                _ => false,
            });
            assert!(!passed_open, "a reading of {} passed with its pin open", c.id);
        }
    }
}

/// A unit whose probe is reset as soon as the shunt of J1 is seen at position 3.
fn reset_at_tap_three(board: &Arc<Board>, windows: &Arc<Windows>) -> Run {
    let third = Some((board.jumper("J1").expect("J1"), Place::At(2)));
    let mut done = false;
    run_with(board, windows, World::new(board.clone(), 5), &mut |event, unit| {
        if matches!(event, Event::Moved(at) if at.moved == third) && !done {
            done = true;
            unit.reset(ResetCause::BrownOut);
        }
        false
    })
}

#[test]
fn a_brown_out_in_the_middle_of_a_step_is_said_and_the_step_is_done_again() {
    let (board, windows) = design();
    let run = reset_at_tap_three(&board, &windows);
    assert_eq!(run.summary.verdict, UnitVerdict::Pass, "{:?}", run.summary.reasons);
    let said = |e: &&Event| matches!(e, Event::Rebooted(boot) if boot.cause == "BROWNOUT");
    assert_eq!(run.events.iter().filter(said).count(), 1);
    let voided = run.events.iter().filter(|e| matches!(e, Event::Voided { .. })).count();
    assert_eq!(voided, 1);
}

#[test]
fn no_row_mixes_two_boots_of_the_probe() {
    let (board, windows) = design();
    let run = reset_at_tap_three(&board, &windows);
    let reset = run.rows.iter().position(|r| r.rule == "probe reset").expect("a row for the reset");
    let (before, after) = run.rows.split_at(reset);
    assert!(before.iter().all(|r| r.head.reset_cause != "brownout"));
    assert!(after.iter().all(|r| r.head.reset_cause == "brownout"));
    // The readings of the step all stand behind the reset.
    let of_step = |r: &&Row| r.row == RowKind::Check && r.jumper == "J1" && r.position == "3";
    assert_eq!(before.iter().filter(of_step).count(), 0);
    assert!(after.iter().filter(of_step).count() > 0);
}

#[test]
fn a_probe_that_goes_silent_ends_the_run_incomplete_and_lets_go_of_its_outputs() {
    let (board, windows) = design();
    let lamp = board.resistors.iter().position(|r| r.id == "R30").expect("R30");
    let lit = board.questions.iter().position(|q| q.id == "lamps-lit").expect("the question");
    let mut glowed = 0.0;
    let world = World::new(board.clone(), 6);
    let mut run = run_with(&board, &windows, world, &mut |event, unit| {
        let asked = matches!(
            event,
            Event::Prompt { prompt: Prompt::Question { question }, .. } if *question == lit
        );
        if asked {
            glowed = unit.world().lamp_current(lamp).0.abs();
        }
        asked
    });
    assert!(glowed > 1e-3, "the lamps were lit when the line was cut: {glowed} A");
    assert_eq!(run.summary.verdict, UnitVerdict::Incomplete);
    assert!(matches!(run.summary.cut, Some(Cut::Probe(_))), "{:?}", run.summary);
    // The probe takes three seconds of silence for the end.
    run.unit.advance_to(run.now + Duration::from_secs(4));
    assert_eq!(run.unit.world().lamp_current(lamp).0, 0.0);
}

#[test]
fn a_load_that_draws_nothing_fails_on_the_virtual_unit_too() {
    let (board, windows) = design();
    for load in 0..board.loads.len() {
        let mut world = World::new(board.clone(), 7);
        world.change_defects(|d| d.dead_loads.push(load));
        let run = run(&board, &windows, world);
        assert_eq!(run.summary.verdict, UnitVerdict::Fail);
        assert!(run.summary.reasons[0].starts_with(&board.loads[load].id));
    }
}

#[test]
fn a_ground_that_lifts_under_load_never_passes() {
    let (board, windows) = design();
    for load in 0..board.loads.len() {
        let mut world = World::new(board.clone(), 8);
        world.change_defects(|d| d.ground_shift.push((load, Volts(0.4))));
        assert!(not_a_pass(&run(&board, &windows, world)), "a shift of 0.4 V passed");
    }
}

#[test]
fn the_same_seed_gives_the_same_rows() {
    let (board, windows) = design();
    let rows = || run(&board, &windows, World::new(board.clone(), 9)).rows;
    assert_eq!(format!("{:?}", rows()), format!("{:?}", rows()));
}

/// Two headers side by side whose bridge shows in no order of one after the other.
const ROW: &str = r#"format = 1
[board]
name = "row"
revision = "A"
chip = "atmega328p"
[supply]
net = "VCC"
ground = "GND"
volts = "5V"
tolerance = "5%"
source = "bench supply, 5.0 V"
aref = "capacitor"
[delivery]
J1 = "full"
J2 = "open"
[[resistor]]
id = "R1"
between = ["A2", "VCC"]
value = "10k"
tolerance = "5%"
[[resistor]]
id = "R2"
between = ["PICK", "GND"]
value = "10k"
tolerance = "5%"
[[resistor]]
id = "R3"
between = ["LINE", "VCC"]
value = "1M"
tolerance = "5%"
[[jumper]]
id = "J1"
positions = [
  { name = "full", pins = [1, 2], joins = ["VCC", "PICK"] },
  { name = "half", pins = [3, 2], joins = ["A2", "PICK"] },
]
open = true
[[jumper]]
id = "J2"
positions = [
  { name = "up", pins = [1, 2], joins = ["VCC", "LINE"] },
  { name = "down", pins = [3, 2], joins = ["GND", "LINE"] },
]
open = true
[[neighbours]]
headers = ["J1", "J2"]
pins = [[3, 2]]
[[channel]]
id = "LEVEL"
net = "PICK"
pin = "PC0"
kind = "analog"
[[channel]]
id = "LINE"
net = "LINE"
pin = "PD2"
kind = "digital"
[[options]]
id = "level"
channels = ["LEVEL"]
when = [
  { J1 = "full", means = "2" },
  { J1 = "half", means = "1" },
  { J1 = "open", means = "0" },
]
[[options]]
id = "line"
channels = ["LINE"]
when = [
  { J2 = "up", means = "1" },
  { J2 = "down", means = "0" },
  { J2 = "open", means = "1" },
]
"#;

#[test]
fn a_sequence_that_changes_to_and_fro_passes_good_units_and_none_with_the_bridge() {
    let board = bench_support::board_of(ROW);
    let windows = Arc::new(window::windows(&board).expect("windows"));
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    assert_eq!(walk.header_changes(), 2, "J1, J2, and back to J1");
    let bridge = claimed(&board).into_iter().find(|f| f.class() == "headers bridged");
    let bridge = bridge.expect("it is claimed");
    for seed in 1..=10 {
        let good = run(&board, &windows, World::new(board.clone(), seed));
        assert_eq!(good.summary.verdict, UnitVerdict::Pass, "{:?}", good.summary.reasons);
        let mut world = World::new(board.clone(), seed);
        world.plant(bridge);
        let bad = run(&board, &windows, world);
        assert!(not_a_pass(&bad), "seed {seed}: passed with {}", bridge.text(&board));
    }
}
