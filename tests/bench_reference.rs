//! Boards whose product does not read against the supply: the probe reads against the same
//! reference, the supply apart from it, and joins nothing to a voltage at AREF.

mod bench_support;

use bench_support::full::{Run, run, run_with};
use std::sync::Arc;
use strapwise::bench::{Event, UnitVerdict, no_probe};
use strapwise::board::{Board, parse};
use strapwise::diagnose::{Evidence, Options, diagnose};
use strapwise::faults::Fault;
use strapwise::probe::message::{Reference, Reply, Request};
use strapwise::probe::world::{ResetCause, World};
use strapwise::record::{Row, RowKind};
use strapwise::units::Ohms;
use strapwise::window::{self, Windows};

const INTERNAL: &str = include_str!("../protocols/examples/internal-reference.toml");

/// The board of the example; and the same with a voltage of its own at AREF, where nothing can be
/// said of a load.
fn texts() -> [String; 2] {
    let (board, _load) = INTERNAL.split_once("[[load]]").expect("a load");
    [INTERNAL.to_string(), at_aref(board)]
}

/// With a voltage of its own at AREF.
fn at_aref(board: &str) -> String {
    let external = board
        .replace(
            "aref = \"capacitor\"",
            "aref = \"external\"\naref_volts = \"1.25V\"\naref_tolerance = \"0.5%\"",
        )
        .replace("reference = \"internal\"", "reference = \"external\"");
    assert!(external.contains("aref_volts") && external.contains("\"external\"\n\n"));
    external
}

fn design(text: &str) -> (Arc<Board>, Arc<Windows>) {
    let board = Arc::new(parse("a board", text).unwrap_or_else(|e| panic!("{e}")));
    let windows = Arc::new(window::windows(&board).expect("windows"));
    (board, windows)
}

fn rows(run: &Run, kind: RowKind) -> Vec<&Row> {
    run.rows.iter().filter(|row| row.row == kind).collect()
}

#[test]
fn a_good_unit_passes_read_as_its_product_reads_it() {
    for text in texts() {
        let (board, windows) = design(&text);
        for seed in 1..=8 {
            let mut run = run(&board, &windows, World::new(board.clone(), seed));
            let word = board.firmware.reference.word();
            assert_eq!(
                run.summary.verdict,
                UnitVerdict::Pass,
                "{word} {seed}: {:?}",
                run.summary.reasons
            );
            assert!(!run.unit.world().aref_shorted(), "{word}: two voltages were joined");
            // 5 V over 12.02 kOhm: 2.02 kOhm and 0.82 kOhm above ground, against 1.1 V or 1.25 V,
            // by hand. The unit's own supply and reference lie within some percent.
            let of = |tap: f64| 5.0 * tap / 12.02 * 1024.0 / board.reference().0;
            for (position, code) in [("warm", of(2.02)), ("mild", of(0.82)), ("off", 0.0)] {
                let read: Vec<f64> = rows(&run, RowKind::Check)
                    .iter()
                    .filter(|r| {
                        r.mode == "mean" && r.load.is_empty() && !r.option_expected.is_empty()
                    })
                    .filter(|r| r.position == position)
                    .filter_map(|r| r.mean_code)
                    .collect();
                assert!(!read.is_empty(), "{word}: {position} was not read");
                let near = |mean: &&f64| (**mean - code).abs() <= 0.05 * code + 2.0;
                assert!(
                    read.iter().all(|mean| near(&mean)),
                    "{word} {position}: {read:?} for {code:.0}"
                );
            }
        }
    }
}

#[test]
fn the_supply_is_read_against_itself_where_the_wiring_allows_it_and_else_said_to_be_unread() {
    let (board, windows) = design(INTERNAL);
    let run = bench_support::full::run(&board, &windows, World::new(board.clone(), 5));
    let volts: Vec<f64> = rows(&run, RowKind::Supply).iter().filter_map(|r| r.supply_mv).collect();
    assert!(!volts.is_empty());
    // 9 % of the data sheet's reference, which nobody has calibrated.
    assert!(volts.iter().all(|mv| (mv - 5000.0).abs() < 500.0), "{volts:?}");
    let (board, windows) = design(&at_aref(INTERNAL));
    let mut run = bench_support::full::run(&board, &windows, World::new(board.clone(), 5));
    assert_eq!(run.summary.verdict, UnitVerdict::Incomplete);
    let [supply] = rows(&run, RowKind::Supply)[..] else { panic!("one load") };
    assert!(supply.reason.contains("joined to the voltage at AREF"), "{}", supply.reason);
    assert_eq!(supply.supply_mv, None);
    assert!(!run.unit.world().aref_shorted());
}

/// A tap at the supply against a voltage at AREF that may lie below it: what charge sharing shows
/// does not hang on the noise of the last code, and a loaded supply takes the reading with it.
#[test]
fn a_tap_at_the_supply_is_proved_driven_where_an_open_pin_could_not_hide() {
    use strapwise::bench::Driven;
    use strapwise::bench::judge::{Readings, driven};
    let narrow = at_aref(INTERNAL)
        .replace("aref_volts = \"1.25V\"", "aref_volts = \"5V\"")
        .replace("aref_tolerance = \"0.5%\"", "aref_tolerance = \"0.1%\"");
    for (tolerance, proved) in [("1%", true), ("5%", false)] {
        let text =
            narrow.replacen("tolerance = \"2%\"", &format!("tolerance = \"{tolerance}\""), 1);
        let (board, _) = design(&text);
        let full = f64::from(board.chip.full_scale);
        let setting = board.delivery.clone();
        let mut expected = strapwise::window::expect(&board, &setting, 0);
        expected.pulled = None;
        for last in [full - 0.9, full - 0.5, full] {
            let readings = Readings { charge: Some((full, last)), ..Readings::default() };
            let found = driven(&board, &expected, &readings);
            assert_eq!(found == Driven::ByCharge, proved, "{tolerance} at {last}: {found:?}");
        }
    }
}

#[test]
fn a_probe_that_is_reset_in_the_middle_never_joins_the_supply_to_a_voltage_at_aref() {
    let [_, external] = texts();
    let (board, windows) = design(&external);
    for nth in 1..6 {
        let mut seen = 0;
        let mut run =
            run_with(&board, &windows, World::new(board.clone(), 3), &mut |event, unit| {
                seen += usize::from(matches!(event, Event::Check { .. }));
                if seen == nth && matches!(event, Event::Check { .. }) {
                    seen += 100;
                    unit.reset(ResetCause::Watchdog);
                }
                false
            });
        assert!(!run.unit.world().aref_shorted(), "after check {nth}");
        assert!(seen > 100, "no reset happened");
    }
}

#[test]
fn an_open_contact_and_a_wrong_resistor_never_pass() {
    for text in texts() {
        let (board, windows) = design(&text);
        let resistor =
            |id: &str| board.resistors.iter().position(|r| r.id == id).expect("it is there");
        for fault in [
            Fault::ContactOpen { jumper: 0, position: 0 },
            Fault::ContactOpen { jumper: 0, position: 1 },
            Fault::ContactOpen { jumper: 0, position: 2 },
            Fault::ResistorOpen { resistor: resistor("R3") },
            Fault::ResistorValue { resistor: resistor("R2"), ohms: Ohms(12e3) },
        ] {
            for seed in 1..=3 {
                let mut world = World::new(board.clone(), seed);
                world.plant(fault);
                let run = run(&board, &windows, world);
                let word = board.firmware.reference.word();
                assert_ne!(
                    run.summary.verdict,
                    UnitVerdict::Pass,
                    "{word}: {}",
                    fault.text(&board)
                );
            }
        }
    }
}

#[test]
fn a_reference_that_the_probe_does_not_have_is_refused_with_the_reason() {
    // The ATmega2560 has one of 2.56 V, too (2549 section 26, from memory); its probe takes 1.1 V.
    let other = INTERNAL
        .replace("chip = \"atmega328p\"", "chip = \"atmega2560\"")
        .replace("pin = \"PC0\"", "pin = \"PF0\"")
        .replace(
            "reference = \"internal\"",
            "reference = \"internal\"\nreference_volts = \"2.56V\"",
        );
    let (board, _) = design(&other);
    let why = no_probe(&board).expect("refused");
    assert!(why.contains("2.56") && why.contains("windows"), "{why}");
    let (board, _) = design(INTERNAL);
    assert_eq!(no_probe(&board), None);
}

#[test]
fn the_answer_to_a_measurement_with_its_reference_is_read_as_that_of_the_measurement() {
    let references = vec![Reference::Supply, Reference::Internal];
    let request = Request::Against {
        references,
        request: Box::new(Request::Charge { channel: 14, pairs: 4 }),
    };
    assert_eq!(request.encode("t"), b"SYST:REF SUPP,INT;:MEAS:CHAR? 4,(@14),\"t\"\n");
    let charge = Reply::Charge { pairs: 4, first: 8, last: 4 };
    let sealed =
        strapwise::probe::message::wire::seal(&request.encode("t"), &charge.text(), 0, "t");
    let answer = request.open(&request.encode("t"), &sealed).expect("whole");
    assert_eq!(answer.reply(&request), Ok(charge));
    let none =
        Request::Against { references: Vec::new(), request: Box::new(Request::Supply { n: 1 }) };
    assert!(none.problem().is_some_and(|why| why.contains("reference")));
}

#[test]
fn the_part_to_lift_is_named_whatever_the_reference() {
    for text in texts() {
        let (board, windows) = design(&text);
        let resistor =
            |id: &str| board.resistors.iter().position(|r| r.id == id).expect("it is there");
        for fault in [
            Fault::ContactOpen { jumper: 0, position: 1 },
            Fault::ResistorOpen { resistor: resistor("R2") },
            Fault::ResistorValue { resistor: resistor("R3"), ohms: Ohms(82.0) },
            Fault::ResistorValue { resistor: resistor("R1"), ohms: Ohms(1e3) },
        ] {
            let mut world = World::new(board.clone(), 7);
            world.plant(fault);
            let run = run(&board, &windows, world);
            let evidence = Evidence::of(&board, &run.rows);
            let found = diagnose(&board, &evidence, &Options::default());
            let first = &found.classes[0];
            let word = board.firmware.reference.word();
            assert!(
                found.explained && first.causes.iter().any(|c| c.faults == [fault]),
                "{word}, {}: {first:?}",
                fault.text(&board)
            );
        }
        let run = run(&board, &windows, World::new(board.clone(), 7));
        let found = diagnose(&board, &Evidence::of(&board, &run.rows), &Options::default());
        assert!(found.classes[0].causes.iter().any(|c| c.faults.is_empty()), "nothing to lift");
    }
}

#[test]
fn with_a_voltage_at_aref_a_person_measures_what_the_load_draws_and_the_unit_may_pass() {
    let text = at_aref(INTERNAL).replace("[supply]\n", "[supply]\nby_meter = true\n");
    let (board, windows) = design(&text);
    let mut run = run(&board, &windows, World::new(board.clone(), 3));
    assert_eq!(run.summary.verdict, UnitVerdict::Pass, "{:?}", run.summary.reasons);
    assert!(!run.unit.world().aref_shorted(), "nothing but the voltage at AREF was selected");
    let [volts] = rows(&run, RowKind::Volts)[..] else { panic!("the supply once") };
    let loads = rows(&run, RowKind::Supply);
    assert!(volts.answer.ends_with('V') && !loads.is_empty());
    assert!(loads.iter().all(|row| row.answer.ends_with('V') && row.verdict == "pass"));
}
