//! Whole units on the full stack: good ones pass, bad ones never do.

mod bench_support;

use bench_support::full::{Run, run};
use bench_support::vent_controller;
use std::sync::Arc;
use strapwise::bench::{Event, UnitVerdict, Verdict};
use strapwise::board::Board;
use strapwise::faults::{self, Fault};
use strapwise::probe::world::World;
use strapwise::walk;
use strapwise::window::{self, Windows};

fn design() -> (Arc<Board>, Arc<Windows>) {
    let board = vent_controller();
    let windows = Arc::new(window::windows(&board).expect("windows"));
    (board, windows)
}

/// The defects that the sequence claims to see.
fn claimed(board: &Board) -> Vec<Fault> {
    let settings: Vec<_> =
        walk::plan(board, &board.delivery).steps.into_iter().map(|s| s.setting).collect();
    let seen = |f: &Fault| faults::sighting(board, *f, &settings).is_some();
    faults::modelled(board).into_iter().filter(seen).collect()
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
        world.change_parts(|parts| fault.plant(parts));
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
