//! Boards of other chips, led through by the whole program over the probe's own core: pins by the
//! names of their data sheets, codes of twelve bits, 3.3 V, and what such a chip cannot do.
//!
//! They prove the host's side and the shared core; the sketch's hardware files are not in it
//! (`probe_sketch.rs`).

mod bench_support;

use bench_support::full::{Run, run, run_with};
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::{
    Answer, Bench, Boot, Config, Cut, Event, Input, Output, ProbeInfo, Procedure, UnitId,
    UnitVerdict, Verdict,
};
use strapwise::board::{Board, parse};
use strapwise::faults::Fault;
use strapwise::probe::world::{Defects, ResetCause, World};
use strapwise::record::RowKind;
use strapwise::report::coverage;
use strapwise::walk;
use strapwise::window::{self, Windows};

const RP2040: &str = include_str!("../protocols/examples/vent-rp2040.toml");

/// The text of the board with another chip.
fn text(chip: &str) -> String {
    let pins = match chip {
        "rp2040" => ["GPIO26", "GPIO2", "GPIO8"],
        "samd21" => ["PA02", "PA10", "PA08"],
        "atmega2560" => ["PK0", "PA0", "PB4"],
        other => panic!("no pins for {other}"),
    };
    let mut text = RP2040.replace("chip = \"rp2040\"", &format!("chip = \"{chip}\""));
    for (from, to) in ["GPIO26", "GPIO2", "GPIO8"].into_iter().zip(pins) {
        text = text.replace(&format!("\"{from}\""), &format!("\"{to}\""));
    }
    match chip {
        "atmega2560" => text.replace("volts = \"3.3V\"", "volts = \"5V\""),
        _ => text,
    }
}

fn board_of(text: &str) -> Arc<Board> {
    Arc::new(parse("board.toml", text).unwrap_or_else(|p| panic!("{p}")))
}

fn windows(board: &Board) -> Arc<Windows> {
    Arc::new(window::windows(board).expect("windows"))
}

fn run_on(board: &Arc<Board>, change: impl FnOnce(&mut World)) -> Run {
    let mut world = World::new(board.clone(), 5);
    change(&mut world);
    run(board, &windows(board), world)
}

fn good(chip: &str) -> Run {
    run_on(&board_of(&text(chip)), |_| {})
}

/// A board without its load, which nothing then keeps from a pass.
fn without_load(chip: &str) -> Arc<Board> {
    let text = text(chip);
    board_of(text.split("# --- load").next().expect("the rest"))
}

fn checks(run: &Run) -> Vec<(String, Verdict)> {
    let of = |e: &Event| match e {
        Event::Check { check, .. } => Some((check.reason.clone(), check.verdict)),
        _ => None,
    };
    run.events.iter().filter_map(of).collect()
}

#[test]
fn every_position_of_a_good_unit_passes_on_a_chip_with_twelve_bits() {
    for chip in ["rp2040", "samd21"] {
        let run = run_on(&without_load(chip), |_| {});
        assert_eq!(run.summary.verdict, UnitVerdict::Pass, "{chip}: {:?}", run.summary.reasons);
        let codes = run.rows.iter().filter_map(|r| r.mean_code);
        assert!(codes.fold(0.0, f64::max) > 2_500.0, "{chip}: codes of twelve bits");
        let open = run.rows.iter().filter(|r| r.driven_proof.contains("pull-up")).count();
        assert!(open > 3, "{chip}: what is driven was shown by the pull-up");
    }
}

#[test]
fn a_supply_that_the_probe_cannot_read_is_named_and_not_passed() {
    for (chip, part) in [("rp2040", "RP2040"), ("samd21", "SAMD21")] {
        let run = good(chip);
        assert_eq!(run.summary.verdict, UnitVerdict::Incomplete, "{chip}");
        let reason = format!(
            "the probe cannot read the supply of the {part}, not measured: `by_meter = true` in \
             [supply] has a meter do it"
        );
        assert_eq!(run.summary.reasons, [format!("VENT: {reason}")], "{chip}");
        let supply = run.events.iter().find_map(|e| match e {
            Event::Supply { check, .. } => Some(check.clone()),
            _ => None,
        });
        let supply = supply.expect("the load was switched on");
        assert_eq!((supply.verdict, supply.reason), (Verdict::NotTested, reason), "{chip}");
        assert_eq!((supply.idle, supply.loaded), (None, None), "{chip}: a missing figure is none");
        // What can be read under the load was.
        let under = run.rows.iter().filter(|r| r.load == "VENT" && r.mean_code.is_some());
        assert!(under.count() >= 2, "{chip}");
        assert!(checks(&run).iter().all(|(_, v)| *v == Verdict::Pass), "{chip}");
    }
}

#[test]
fn a_supply_that_the_probe_cannot_read_is_measured_by_a_person_with_and_without_the_load() {
    let text = text("rp2040").replace("[supply]\n", "[supply]\nby_meter = true\n");
    let board = board_of(&text);
    for (dead, verdict) in [(false, UnitVerdict::Pass), (true, UnitVerdict::Fail)] {
        let run = run_on(&board, |world| {
            if dead {
                world.plant(Fault::LoadDead { load: 0 });
            }
        });
        assert_eq!(run.summary.verdict, verdict, "{:?}", run.summary.reasons);
        let row = run.rows.iter().find(|r| r.row == RowKind::Supply).expect("the load");
        assert!(row.answer.ends_with('V') && row.note.starts_with("by meter"), "{row:?}");
        assert!(row.rule.ends_with("typed in") && row.pin.is_empty() && row.mean_code.is_none());
        let (idle, loaded) = (row.supply_mv.expect("idle"), row.supply_loaded_mv.expect("loaded"));
        assert!((row.sag_mv.expect("a sag") - (idle - loaded)).abs() < 1e-6);
        assert_eq!(row.reason.contains("draws nothing"), dead, "{}", row.reason);
        // The channels were read meanwhile, the load on.
        assert!(run.rows.iter().any(|r| r.load == "VENT" && r.mean_code.is_some()));
    }
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let said = coverage::text(&board, &windows, &walk);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("what a person reads on a meter, to its last digit"), "{said}");
}

#[test]
fn the_atmega2560_reads_its_supply_as_the_atmega328p_does() {
    let run = good("atmega2560");
    assert_eq!(run.summary.verdict, UnitVerdict::Pass, "{:?}", run.summary.reasons);
    assert!(run.rows.iter().any(|r| r.supply_loaded_mv.is_some_and(|mv| mv > 4_500.0)));
    assert!(run.events.contains(&Event::PutBack), "its EEPROM is as it was");
}

#[test]
fn an_open_contact_never_passes_where_only_the_pull_up_can_show_it() {
    for chip in ["rp2040", "samd21"] {
        let board = without_load(chip);
        let pin = board.channels[0].pin.number;
        let run = run_on(&board, |world| {
            world.change_defects(|d| *d = Defects { open_pins: vec![pin], ..Defects::default() });
        });
        assert_ne!(run.summary.verdict, UnitVerdict::Pass, "{chip}");
    }
}

#[test]
fn a_chip_that_keeps_nothing_goes_by_its_own_number_and_counts_no_boots() {
    let run = good("rp2040");
    let info = run.events.iter().find_map(|e| match e {
        Event::Probe(info) => Some(info.clone()),
        _ => None,
    });
    let info = info.expect("the probe said who it is");
    assert_eq!(info.model, "PROBE-RP2040");
    assert!(info.identity.len() == 8 && info.identity != "00000000", "{info:?}");
    assert_eq!((info.boot.count, info.boot.cause.as_str()), (0, "UNKNOWN"));
    let kept = |e: &Event| matches!(e, Event::Kept(_) | Event::PutBack);
    assert!(!run.events.iter().any(kept), "nothing was written on the chip");
}

/// The crop profile is moved with the power off.
fn by_power() -> Arc<Board> {
    let text = text("rp2040");
    let rest = text.split("# --- load").next().expect("the rest");
    board_of(&rest.replacen(
        "label = \"crop profile\"\n",
        "label = \"crop profile\"\npower = true\n",
        1,
    ))
}

#[test]
fn a_power_cycle_shows_by_the_clock_where_no_boots_are_counted() {
    let run = run_on(&by_power(), |_| {});
    assert_eq!(run.summary.verdict, UnitVerdict::Pass, "{:?}", run.summary.reasons);
    assert!(run.rows.iter().any(|r| r.moved_by == "power cycle"));
}

#[test]
fn a_reset_in_a_step_is_seen_where_no_boots_are_counted_and_voids_the_step() {
    let board = without_load("rp2040");
    let mut resets = 1;
    let run =
        run_with(&board, &windows(&board), World::new(board.clone(), 5), &mut |event, unit| {
            if matches!(event, Event::Moved(_)) && resets > 0 {
                resets -= 1;
                unit.reset(ResetCause::External);
            }
            false
        });
    assert!(run.events.iter().any(|e| matches!(e, Event::Voided { .. })));
    assert_eq!(run.summary.verdict, UnitVerdict::Pass, "{:?}", run.summary.reasons);
}

#[test]
fn a_probe_for_another_chip_is_refused_with_the_way_to_build_the_right_one() {
    let board = board_of(&text("rp2040"));
    let windows = windows(&board);
    let walk = Arc::new(walk::plan(&board, &windows, &board.delivery).expect("a sequence"));
    let unit = UnitId { serial: "V1".into(), identity: 7, former: None, ..UnitId::default() };
    let mut bench = Bench::new(board, windows, walk, unit, Config::default());
    bench.handle(Duration::ZERO, Input::Start);
    let info = ProbeInfo {
        model: "PROBE-ATMEGA328P".into(),
        version: "1.0".into(),
        identity: String::new(),
        unit: String::new(),
        boot: Boot::default(),
    };
    let outputs = bench.handle(Duration::from_secs(1), Input::Answer(Answer::Who(info)));
    let cut = outputs.iter().find_map(|o| match o {
        Output::Event(Event::Finished(summary)) => summary.cut.clone(),
        _ => None,
    });
    let Some(Cut::Probe(why)) = cut else { panic!("not refused: {outputs:?}") };
    assert!(
        why.contains("not the probe for the RP2040") && why.contains("build --sketch"),
        "{why}"
    );
}
