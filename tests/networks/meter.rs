//! Resistance-selection networks read by a meter.

use super::{file, jumper, problem, read, resistor, windows};
use strapwise::board::{Board, Place, Setting};
use strapwise::units::Ohms;
use strapwise::window::{self, Limits};

fn decade() -> Board {
    read(include_str!("../../protocols/examples/decade.toml"))
}

/// The setting whose open headers add up to so many ohms: 1-2-2-5 in every decade.
fn select(board: &Board, mut ohms: u32) -> Setting {
    let mut places = vec![Place::At(0); board.jumpers.len()];
    for decade in 0..7 {
        let mut digit = ohms % 10;
        ohms /= 10;
        for (slot, value) in [(3, 5), (2, 2), (1, 2), (0, 1)] {
            if digit >= value {
                digit -= value;
                places[4 * decade + slot] = Place::Open;
            }
        }
    }
    Setting(places)
}

#[test]
fn every_whole_ohm_up_to_ten_megohm_comes_out() {
    // By hand: the resistors in series that no shunt shorts, and 20 mΩ in parallel with each of
    // those that one does.
    let board = decade();
    let steps = (0..7).flat_map(|d| (1..10).map(move |n| n * 10_u32.pow(d)));
    for ohms in steps.chain([1234567, 7654321, 9999999, 4070509]) {
        let setting = select(&board, ohms);
        let sum: f64 = board
            .resistors
            .iter()
            .zip(&setting.0)
            .map(
                |(r, p)| {
                    if *p == Place::Open { r.ohms.0 } else { r.ohms.0 * 0.02 / (r.ohms.0 + 0.02) }
                },
            )
            .sum();
        let found = window::expect(&board, &setting, 0).code;
        assert!((found / sum - 1.0).abs() < 1e-9, "{ohms}: {found} {sum}");
        assert!((found - f64::from(ohms)).abs() < 0.57, "{ohms}: {found}");
    }
}

#[test]
fn the_band_of_a_resistance_holds_every_corner_of_its_parts_and_the_meter() {
    let board = decade();
    let setting = select(&board, 31);
    let expected = window::expect(&board, &setting, 0);
    let spread = window::bench_spread(&board, false).resistors;
    // Series resistance is largest with all parts at their largest: shorted ones have 0 to 0.1 Ω.
    let open = |pick: fn(&(Ohms, Ohms)) -> Ohms| -> f64 {
        let each = spread.iter().zip(&setting.0);
        each.filter(|(_, p)| **p == Place::Open).map(|(r, _)| pick(r).0).sum()
    };
    let (low, high) = (open(|r| r.0) * 0.995, (open(|r| r.1) + 25.0 * 0.1) * 1.005);
    assert!((expected.bench.low - low).abs() < 0.01, "{expected:?} {low}");
    assert!((expected.bench.high - high).abs() < 0.05, "{expected:?} {high}");
    assert!(expected.design.low < low && expected.design.high > expected.bench.high);
}

#[test]
fn windows_in_ohms_tell_the_positions_apart_and_an_open_circuit_from_all() {
    let board = decade();
    let w = &window::windows(&board).unwrap().channels[0];
    assert_eq!(w.classes.len(), 11);
    for class in &w.classes {
        let ohms = Ohms(class.code);
        assert_eq!(w.class_of_ohms(ohms).map(|c| &w.classes[c].name), Some(&class.name));
        let Limits::Ohms { low, high } = class.limits else { panic!("{:?}", class.limits) };
        assert!(low.0 <= class.design.low && class.design.high <= high.0, "{class:?}");
    }
    assert_eq!(w.class_of_ohms(Ohms(f64::INFINITY)), None);
    assert_eq!(w.class_of_ohms(Ohms(50.0)), None, "between 10 Ω and 100 Ω is no option");
}

fn meter(between: [&str; 2], rows: &str) -> String {
    let [a, b] = between;
    format!(
        "[[channel]]\nid = \"OHMS\"\nbetween = [\"{a}\", \"{b}\"]\nkind = \"meter\"\n\
         [[options]]\nid = \"set\"\nchannels = [\"OHMS\"]\n{rows}\n"
    )
}

const ROWS: &str =
    r#"when = [{ J1 = "fitted", means = "short" }, { J1 = "open", means = "long" }]"#;

#[test]
fn an_open_circuit_is_a_position_like_another() {
    let parts = [
        resistor("R1", ["A", "M"], "1k"),
        jumper("J1", &[("fitted", "M", "B")], true),
        meter(["A", "B"], ROWS),
    ];
    let (_, w) = windows(&file("J1 = \"open\"", &parts));
    let w = &w.channels[0];
    let open = w.class_of_ohms(Ohms(f64::INFINITY)).map(|c| w.classes[c].name.as_str());
    assert_eq!(open, Some("J1=open"));
    assert_eq!(w.class_of_ohms(Ohms(1e3)).map(|c| w.classes[c].name.as_str()), Some("J1=fitted"));
}

#[test]
fn what_else_hangs_between_the_rails_is_in_the_band() {
    // By hand: A to B is 1 kΩ straight, or 2 kΩ over the two rails if anything joins them, so the
    // band goes from 1 kΩ in parallel with 2 kΩ up to 1 kΩ.
    let parts = [
        resistor("R1", ["A", "B"], "1k"),
        resistor("R2", ["A", "VCC"], "1k"),
        resistor("R3", ["B", "GND"], "1k"),
        jumper("J1", &[("fitted", "A", "B")], true),
        meter(["A", "B"], ROWS),
    ];
    let board = read(&file("J1 = \"open\"", &parts));
    let band = window::expect(&board, &board.delivery, 0).bench;
    assert!(band.low < 667.0 && band.low > 640.0, "{band:?}");
    assert!(band.high > 1000.0 && band.high < 1030.0, "{band:?}");
    assert!(window::windows(&board).is_ok());
}

#[test]
fn resistances_that_overlap_are_told_with_the_part_that_matters() {
    let parts = [
        resistor("R1", ["A", "M"], "10k"),
        resistor("R2", ["M", "B"], "100R"),
        jumper("J1", &[("fitted", "M", "B")], true),
        meter(["A", "B"], ROWS),
    ];
    let told = problem(&file("J1 = \"open\"", &parts));
    assert!(told.contains("J1=fitted (9.") && told.contains("R1 and R2 matter most"), "{told}");
}

#[test]
fn keys_of_a_pin_and_of_a_meter_do_not_mix() {
    let parts = [resistor("R1", ["A", "B"], "1k")];
    for (more, why) in [
        (
            "between = [\"A\", \"B\"]\nkind = \"meter\"\npin = \"PC0\"",
            "for a channel that a pin reads",
        ),
        ("between = [\"A\", \"A\"]\nkind = \"meter\"", "is measured from A to itself"),
        ("between = [\"A\", \"C\"]\nkind = \"meter\"", "names the net `C`, which no part joins"),
        ("between = [\"A\"]\nkind = \"meter\"", "is not a pair of nets"),
        (
            "between = [\"A\", \"B\"]\nkind = \"meter\"\ncounts = 10",
            "`counts` of OHMS is no whole number from 1000 to 60000",
        ),
        ("net = \"A\"\npin = \"PC0\"\nkind = \"analog\"\ndigits = 2", "that a meter reads"),
        ("net = \"A\"\nkind = \"meter\"", "OHMS has no `between`"),
        ("net = \"A\"\npin = \"PC0\"\nkind = \"analog\"\naccuracy = \"1%\"", "that a meter reads"),
    ] {
        let text = format!("{}[[channel]]\nid = \"OHMS\"\n{more}\n", file("", &parts));
        let told = strapwise::board::parse("kind.toml", &text).map(|_| ()).expect_err(more);
        assert!(told.to_string().contains(why), "{more}: {told}");
    }
}
