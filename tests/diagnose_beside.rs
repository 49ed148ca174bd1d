//! Causes that are not in the parts: fuses, resets, the product's firmware, by rows of records that
//! the bench wrote.

mod bench_support;

use bench_support::full;
use std::sync::Arc;
use strapwise::bench::{Event, StepAt};
use strapwise::board::{self, Board, brown_out, clock};
use strapwise::diagnose::{Beside, Evidence, Options, beside, diagnose, suggest};

use strapwise::probe::world::{ResetCause, World};
use strapwise::record::{Row, RowKind};
use strapwise::report::diagnosis;
use strapwise::units::Volts;
use strapwise::window;

const DEMO: &str = include_str!("../protocols/vent-controller.toml");

/// What the virtual unit has: a crystal, a boot loader, brown-out at 2.7 V.
const RIGHT: &str = "low = \"FF\"\nhigh = \"DE\"\nextended = \"FD\"\nlock = \"CF\"\n";

fn board_with(more: &str, fuses: &str) -> Arc<Board> {
    let text = match fuses {
        "" => DEMO.to_string(),
        fuses => DEMO.replacen("[delivery]", &format!("[fuses]\n{fuses}\n[delivery]"), 1),
    };
    let text = format!("{text}\n{more}");
    Arc::new(board::parse("board.toml", &text).unwrap_or_else(|p| panic!("{p}")))
}

fn rows(board: &Arc<Board>) -> Vec<Row> {
    let windows = Arc::new(window::windows(board).expect("windows"));
    full::run(board, &windows, World::new(board.clone(), 5)).rows
}

/// The same with the chip reset once, the first time that a step is under way.
fn rows_with_reset(board: &Arc<Board>, cause: ResetCause) -> Vec<Row> {
    let windows = Arc::new(window::windows(board).expect("windows"));
    let mut done = false;
    let mut mishap = |event: &Event, unit: &mut strapwise::probe::virtual_board::VirtualBoard| {
        if !done && matches!(event, Event::Moved(StepAt { step: 2, .. })) {
            done = true;
            unit.reset(cause);
        }
        false
    };
    full::run_with(board, &windows, World::new(board.clone(), 5), &mut mishap).rows
}

/// What is told of a record, its line ends as blanks.
fn told(board: &Board, rows: &[Row]) -> String {
    let evidence = Evidence::of(board, rows);
    let found = diagnose(board, &evidence, &Options::default());
    let next = suggest(board, &evidence, &found);
    let text = diagnosis::text(board, &evidence, &found, &next, 80);
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_good_record_speaks_of_nothing_beside_the_parts() {
    let board = board_with("", RIGHT);
    let rows = rows(&board);
    assert!(beside(&board, &Evidence::of(&board, &rows), &[]).is_empty());
    assert!(!told(&board, &rows).contains("Beside the parts"));
}

#[test]
fn fuses_that_differ_are_told_with_what_they_do_and_what_speaks_against_them() {
    let fuses = "low = \"E2\"\nhigh = \"DF\"\nextended = \"FC\"\n";
    let board = board_with("", fuses);
    let said = told(&board, &rows(&board));
    assert!(said.contains("Beside the parts (no odds are known of these)"), "{said}");
    for words in [
        "the chip's fuses are not the board file's: low FF instead of E2, high DE instead of DF, \
         extended FD instead of FC",
        "BOOTRST is programmed: the chip starts at the boot loader",
        "it runs by a crystal instead of the internal 8 MHz",
        "against: the probe answered at its line rate",
        "its brown-out detector is at 2.7 V instead of at 4.3 V",
        "against: the record has no reset",
    ] {
        assert!(said.contains(words), "{words} in {said}");
    }
}

#[test]
fn a_reset_by_the_detector_speaks_for_a_fuse_that_has_it_act_too_early() {
    // The board file wants none, the chip has 2.7 V.
    let board = board_with("", "extended = \"FF\"\n");
    let said = told(&board, &rows_with_reset(&board, ResetCause::BrownOut));
    assert!(said.contains("its brown-out detector is at 2.7 V instead of off"), "{said}");
    let point =
        "for: the chip was reset once in a step, by the brown-out detector, so the supply of";
    assert!(said.contains(point), "{said}");
    let said = told(&board, &rows_with_reset(&board, ResetCause::Watchdog));
    assert!(said.contains("but not by the brown-out detector (cause: watchdog)"), "{said}");
}

#[test]
fn a_reset_with_the_right_fuses_points_to_the_supply_and_without_any_says_so() {
    let right = board_with("", RIGHT);
    let said = told(&right, &rows_with_reset(&right, ResetCause::BrownOut));
    let supply = "what feeds it (bench supply, 5.0 V, limit 1.5 A) may be too weak";
    assert!(said.contains(supply) && said.contains("fell to some 2.7 V"), "{said}");
    let unstated = board_with("", "");
    let said = told(&unstated, &rows_with_reset(&unstated, ResetCause::BrownOut));
    assert!(said.contains("the board file states no [fuses], so none were read"), "{said}");
}

#[test]
fn a_load_that_resets_the_chip_is_named() {
    let board = board_with("", RIGHT);
    let mut rows = rows(&board);
    // As the bench writes it where no sag could be read.
    let load = rows.iter_mut().find(|r| r.row == RowKind::Supply && r.load == "MAT").unwrap();
    load.verdict = "fail".into();
    load.reason = "the probe was reset when it was switched on (BROWNOUT)".into();
    load.sag_mv = None;
    load.head.reset_cause = "brownout".into();
    let evidence = Evidence::of(&board, &rows);
    let found = beside(&board, &evidence, &[]);
    let [Beside::Reset { resets, level }] = &found[..] else { panic!("{found:?}") };
    let mat = board.loads.iter().position(|l| l.id == "MAT").unwrap();
    assert_eq!((resets.len(), resets[0].loads.as_slice()), (1, &[mat][..]));
    assert_eq!(*level, Some(Volts(2.7)));
    let said = told(&board, &rows);
    assert!(said.contains("the chip was reset as MAT was switched on"), "{said}");
    assert!(said.contains("MAT draws far too much") || said.contains("MAT"), "{said}");
}

/// A record whose product says that it reads orchids.
fn misreporting(board: &Arc<Board>) -> Vec<Row> {
    let mut rows = rows(board);
    let mut report = rows.iter().find(|r| r.row == RowKind::Event).unwrap().clone();
    report.row = RowKind::Report;
    report.option_expected = "tomatoes; 1; supply out".into();
    report.answer = "orchids; 1; supply out".into();
    report.verdict = "fail".into();
    let end = rows.len() - 1;
    rows.insert(end, report);
    rows
}

#[test]
fn a_product_that_says_another_option_than_the_readings_has_wrong_thresholds() {
    let board = board_with("", "");
    let said = told(&board, &misreporting(&board));
    for words in [
        "the product's firmware says 'orchids; 1; supply out' instead of tomatoes; 1; supply out",
        "for: PROFILE reads 46",
        "in the delivery setting, which is right for tomatoes",
        "`check-thresholds` holds the firmware's numbers against the circuit",
    ] {
        assert!(said.contains(words), "{words} in {said}");
    }
    assert!(!said.contains("against: readings of the unit are wrong too"), "{said}");
}

#[test]
fn thresholds_of_the_board_file_that_misread_a_good_reading_are_named() {
    // Halfway by hand, but for the one between tomatoes (462) and herbs (799), which is at 400.
    let wrong = "[[thresholds]]\nchannel = \"PROFILE\"\ncodes = [93, 324, 400, 911]\n";
    let board = board_with(wrong, "");
    let said = told(&board, &misreporting(&board));
    let point = "which is right for tomatoes; these thresholds may take it for herbs";
    assert!(said.contains("for: PROFILE J1=3 reads 46") && said.contains(point), "{said}");
    let alone = told(&board, &rows(&board));
    assert!(alone.contains("the product's firmware would misread this unit"), "{alone}");
    let right = "[[thresholds]]\nchannel = \"PROFILE\"\ncodes = [93, 324, 630, 911]\n";
    let board = board_with(right, "");
    assert!(!told(&board, &rows(&board)).contains("Beside the parts"));
}

#[test]
fn a_probe_that_never_answered_leaves_more_than_one_cause() {
    let board = board_with("", RIGHT);
    let mut unit = rows(&board).pop().unwrap();
    unit.verdict = "INCOMPLETE".into();
    unit.reason = "the probe does not answer".into();
    unit.head.probe = String::new();
    let evidence = Evidence::of(&board, &[unit]);
    assert!(evidence.is_empty());
    let said = diagnosis::beside_text(&board, &evidence);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("the rows cannot tell these apart: no probe on the chip"), "{said}");
    assert!(said.contains("the board file has low FF high DE extended FD lock CF"), "{said}");
}

#[test]
fn bytes_mean_what_the_data_sheet_says() {
    // ATmega328P data sheet, "Fuse Bits" and "Clock Sources" (from memory): new chips come with
    // low 62, internal 8 MHz divided by 8.
    assert_eq!(clock(0x62), "the internal 8 MHz, divided by 8");
    assert_eq!(clock(0xFF), "a crystal");
    assert_eq!(clock(0xE0), "an external clock");
    let levels = [0xFF, 0xFE, 0xFD, 0xFC, 0xF8].map(brown_out);
    let wanted = [Some(0.0), Some(1.8), Some(2.7), Some(4.3), None];
    assert_eq!(levels.map(|l| l.map(|v| v.0)), wanted);
    let text = "low 62 high D9 extended FF lock FF";
    assert_eq!(board::Fuses::read(text), Some([0x62, 0xD9, 0xFF, 0xFF]));
    for torn in ["", "low 62 high", "low 62 high D9 extended FF lock GG"] {
        assert_eq!(board::Fuses::read(torn), None, "{torn}");
    }
}
