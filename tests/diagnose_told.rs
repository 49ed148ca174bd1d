//! What is said of a unit must be so: digital pins, what reaches over from another header, twins.

mod bench_support;

use bench_support::{board_of, full, vent_controller};
use std::sync::Arc;
use strapwise::board::Board;
use strapwise::diagnose::{Diagnosis, Evidence, Options, diagnose};
use strapwise::faults::Fault;
use strapwise::probe::world::World;
use strapwise::record::Row;
use strapwise::report::diagnosis;
use strapwise::window;

/// The rows of a whole run of a unit with some defects.
fn rows(board: &Arc<Board>, faults: &[Fault]) -> Vec<Row> {
    let windows = Arc::new(window::windows(board).expect("windows"));
    let mut world = World::new(board.clone(), 7);
    faults.iter().for_each(|&f| world.plant(f));
    full::run(board, &windows, world).rows
}

fn told(board: &Board, rows: &[Row]) -> (Evidence, Diagnosis, String) {
    let evidence = Evidence::of(board, rows);
    let found = diagnose(board, &evidence, &Options::default());
    let text = diagnosis::text(board, &evidence, &found, &[], 80);
    (evidence, found, text)
}

/// Two address jumpers to pins that the product pulls up itself.
fn pulled_up() -> Arc<Board> {
    let jumper = |id: &str, net: &str| {
        format!(
            "[[jumper]]\nid = \"{id}\"\nopen = true\npositions = [{{ name = \"fitted\", \
             pins = [1, 2], joins = [\"{net}\", \"GND\"] }}]\n[[channel]]\nid = \"{net}\"\n\
             net = \"{net}\"\npin = \"{}\"\nkind = \"digital\"\npull_up = true\n",
            if id == "J1" { "PC0" } else { "PC1" }
        )
    };
    board_of(&format!(
        "format = 1\n[board]\nname = \"bench-address\"\nrevision = \"A\"\nabout = \"two bits\"\n\
         chip = \"atmega328p\"\n[supply]\nnet = \"VCC\"\nground = \"GND\"\nvolts = \"5V\"\n\
         tolerance = \"5%\"\nsource = \"bench supply\"\naref = \"capacitor\"\n[delivery]\n\
         J1 = \"open\"\nJ2 = \"open\"\n{}{}[[options]]\nid = \"bus\"\nchannels = [\"B0\", \"B1\"]\n\
         all = [\"J1\", \"J2\"]\n",
        jumper("J1", "B0"),
        jumper("J2", "B1")
    ))
}

#[test]
fn a_good_unit_whose_product_pulls_its_pins_up_is_a_good_unit() {
    let board = pulled_up();
    let (_, found, text) = told(&board, &rows(&board, &[]));
    let first = &found.classes[0];
    assert!(first.causes.iter().any(|c| c.faults.is_empty()), "{text}");
    assert!(first.probability > 0.99, "{text}");
    assert!(!text.contains("against"), "{text}");
}

#[test]
fn a_pin_whose_pull_up_is_missing_is_told_by_what_it_does_not_hold() {
    let board = pulled_up();
    let missing = Fault::PullUpMissing { channel: 0 };
    let rows = rows(&board, &[missing]);
    let (_, found, text) = told(&board, &rows);
    assert!(found.classes[0].causes.iter().any(|c| c.faults == [missing]), "{text}");
}

#[test]
fn a_reading_that_goes_with_another_header_is_what_shows_a_bridge_and_is_used() {
    let board = vent_controller();
    let address = |text: &str| text.contains("J2=fitted") && text.contains("J3=open");
    // ADDR1 follows J2: low in every step in which J2 is fitted, as with its pin on that of ADDR0.
    let mut rows = rows(&board, &[]);
    for row in rows.iter_mut().filter(|r| r.channel == "ADDR1" && address(&r.setting)) {
        row.mean_code = Some(0.0);
        (row.min_code, row.max_code) = (None, None);
    }
    let (evidence, found, text) = told(&board, &rows);
    assert_eq!(evidence.left_out, [] as [String; 0]);
    let bridge =
        |f: &Fault| matches!(f, Fault::ChannelsBridged { .. } | Fault::HeadersBridged { .. });
    let first = &found.classes[0];
    assert!(first.causes[0].faults.iter().all(bridge), "{text}");
    let own = |f: &Fault| matches!(f, Fault::PinStuck { .. } | Fault::PinsBridged { .. });
    assert!(!first.causes.iter().any(|c| c.faults.iter().any(own)), "{text}");
}

#[test]
fn the_probability_of_twins_stands_over_all_of_them() {
    let board = vent_controller();
    let (_, found, text) = told(&board, &rows(&board, &[Fault::SwitchStaysOpen { switch: 0 }]));
    let first = &found.classes[0];
    assert!(first.causes.len() > 1 && first.causes[0].probability < 0.95, "{text}");
    assert!(text.contains("one of these, not separable by these readings\n   - "), "{text}");
}

#[test]
fn no_reading_speaks_for_and_against_one_cause() {
    let board = vent_controller();
    // Nothing of the list has PROFILE at 883 in every place.
    let mut rows = rows(&board, &[]);
    for row in rows.iter_mut().filter(|r| r.channel == "PROFILE" && r.mean_code.is_some()) {
        row.mean_code = Some(883.0);
        (row.min_code, row.max_code) = (None, None);
        row.pullup_shift_code = None;
    }
    let (.., text) = told(&board, &rows);
    for part in text.split("\n1. ").flat_map(|t| t.split("\n2. ")) {
        let said: Vec<&str> = part.lines().filter_map(|l| l.strip_prefix("   for: ")).collect();
        let against = part.lines().filter_map(|l| l.strip_prefix("   against: "));
        for line in against {
            assert!(!said.contains(&line), "{text}");
        }
    }
}

#[test]
fn a_diagnosis_fits_the_width_that_it_is_given() {
    let board = vent_controller();
    let (evidence, found, told) =
        told(&board, &rows(&board, &[Fault::ResistorOpen { resistor: 1 }]));
    let at = |width| diagnosis::text(&board, &evidence, &found, &[], width);
    let words = |text: &str| text.split_whitespace().map(String::from).collect::<Vec<_>>();
    let strips = |text: &str| text.lines().filter(|l| l.contains('|')).count();
    assert!(strips(&told) > 1, "{told}");
    for width in [40, 60, 80, 100] {
        let text = at(width);
        let long: Vec<&str> = text.lines().filter(|l| l.chars().count() > width).collect();
        assert!(long.is_empty(), "{width}: {long:#?}");
        assert_eq!(strips(&text), strips(&told), "{width}: {text}");
    }
    // What there is room for is used.
    assert!(at(100).lines().count() < at(60).lines().count(), "{}", at(100));
    let prose = |text: &str| {
        words(&text.lines().filter(|l| !l.contains('|')).collect::<Vec<_>>().join("\n"))
    };
    assert_eq!(prose(&at(40)), prose(&told), "no word is lost");
}

#[test]
fn a_converter_that_is_off_by_more_than_its_data_sheet_allows_is_no_good_unit() {
    let board = vent_controller();
    // Every code 12 too high: one offset explains them all, and none of the list does.
    let mut rows = rows(&board, &[]);
    for row in rows.iter_mut().filter(|r| r.channel == "PROFILE" || r.channel == "LOOP") {
        row.mean_code = row.mean_code.map(|code| (code + 12.0).min(1023.0));
        (row.min_code, row.max_code) = (None, None);
    }
    let (_, found, text) = told(&board, &rows);
    assert!(!found.explained, "{text}");
    assert!(text.starts_with("No modelled cause explains"), "{text}");
}

#[test]
fn a_shunt_that_was_never_moved_is_named_before_parts_are_lifted() {
    let board = vent_controller();
    // PROFILE reads as on position 2 in every place, and each move there was taken on a word.
    let mut rows = rows(&board, &[]);
    for row in rows.iter_mut().filter(|r| r.jumper == "J1" && r.position != "2") {
        row.moved_by = "said so".into();
    }
    for row in rows.iter_mut().filter(|r| r.channel == "PROFILE" && r.mean_code.is_some()) {
        row.mean_code = Some(798.5);
        (row.min_code, row.max_code) = (None, None);
        row.pullup_shift_code = None;
    }
    let (.., text) = told(&board, &rows);
    assert!(text.contains("the shunt of J1 stayed where it was (J1=2)"), "{text}");
    let (.., good) = told(&board, &self::rows(&board, &[]));
    assert!(!good.contains("stayed where it was"), "{good}");
}
