//! `[use]`, arrays, and what resistors say of temperature and time.

use super::{DEMO, problems};
use strapwise::board::{self, Board};
use strapwise::units::{Celsius, Ohms, Ratio};

/// The demo file with `[use]`, and with keys added to R1 and R2.
fn with(tables: &str, r1: &str, r2: &str) -> String {
    let first = "value = \"1k8\"\n";
    let second = "value = \"2k7\"\n";
    assert!(DEMO.matches(first).count() == 1 && DEMO.matches(second).count() == 1);
    let text = DEMO.replace(first, &format!("{first}{r1}"));
    text.replace(second, &format!("{second}{r2}")) + "\n" + tables
}

fn read(text: &str) -> Board {
    board::parse("vent.toml", text).unwrap_or_else(|problems| panic!("{problems}"))
}

const USE: &str = "[use]\ntemperature = \"-25..70\"\nbench_temperature = \"18°C..28 °C\"\n\
                   tempco = \"50ppm/K\"\nageing = \"0.2%\"\ncontact = \"R05\"\n";
const ARRAY: &str = "[[array]]\nid = \"RN1\"\nratio = \"0.1%\"\ntracking = \"5ppm/K\"\n";
const IN: &str = "array = \"RN1\"\n";

#[test]
fn temperatures_ageing_and_arrays_are_read() {
    let own = "tempco = \"-20ppm/K..+80ppm/K\"\nageing = \"1%\"\n";
    let board = read(&with(&format!("{USE}{ARRAY}"), &format!("{own}{IN}"), &format!("{own}{IN}")));
    assert_eq!(board.in_use.temperature, Some((Celsius(-25.0), Celsius(70.0))));
    assert_eq!(board.in_use.bench, Some((Celsius(18.0), Celsius(28.0))));
    assert_eq!(board.in_use.tempco, Some((Ratio(-50e-6), Ratio(50e-6))));
    assert_eq!((board.in_use.ageing, board.in_use.contact), (Some(Ratio(0.002)), Some(Ohms(0.05))));
    let drift = board.resistors[0].drift;
    assert_eq!(drift.tempco, Some((Ratio(-20e-6), Ratio(80e-6))));
    assert_eq!((drift.ageing, drift.array), (Some(Ratio(0.01)), Some(0)));
    assert_eq!(board.resistors[2].drift, Default::default());
    assert_eq!(board.arrays[0].id, "RN1");
    assert_eq!(
        (board.arrays[0].ratio, board.arrays[0].tracking),
        (Ratio(0.001), Some(Ratio(5e-6)))
    );
}

#[test]
fn what_is_left_out_stays_unknown() {
    let board = read(DEMO);
    assert_eq!(board.in_use, Default::default());
    assert!(board.arrays.is_empty());
}

/// The mistake is told by the text before and after it, and what to do.
fn told(text: &str, what: &str, do_next: &str) {
    let found = problems(text).to_string();
    assert!(found.contains(what) && found.contains(do_next), "{found}");
}

#[test]
fn mistakes_in_temperatures_and_arrays_are_told_with_their_place() {
    let range = "write the lowest and the highest in degrees Celsius, like `-10..60`";
    let both = |keys: &str| with(ARRAY, &format!("{IN}{keys}"), IN);
    let usage = |line: &str| with(&format!("[use]\n{line}\n"), "", "");
    let tempco = "write it like `100ppm/K`, or as a range like `-50ppm/K..150ppm/K`";
    for (text, what, do_next) in [
        (usage("temperature = \"60\""), "temperature` of [use]: `60` is not a range", range),
        (usage("temperature = \"60..-10\""), "`60..-10` has its higher end first", range),
        (usage("temperature = \"warm..hot\""), "`warm..hot` is not a range of temp", range),
        (usage("temperature = \"-400..60\""), "`-400..60` is no range of temp", range),
        (usage("tempco = \"100\""), "`100` is no temperature coefficient", tempco),
        (usage("tempco = \"5%/K\""), "`5%/K` is more than 1 % per kelvin", tempco),
        (usage("tempco = \"9ppm..1ppm\""), "`9ppm..1ppm` has its higher end first", tempco),
        (usage("temprature = \"-10..60\""), "no key `temprature`", "did you mean `temperature`?"),
        (usage("ageing = \"-1%\""), "`ageing` of [use]: `-1%` must not be negative", "`1%`"),
        (usage("contact = \"1V\""), "`contact` of [use]: `1V` is a voltage", "like `2k2`"),
        (with(ARRAY, IN, ""), "RN1 has fewer than two resistors", "`array = \"RN1\"`"),
        (with(ARRAY, IN, "array = \"RN2\"\n"), "R2 names the array `RN2`", "`RN1`?"),
        (both("ageing = \"1%\"\n"), "R1 and R2 of RN1 differ", "all resistors of an array"),
        (with("[[array]]\nid = \"R1\"\nratio = \"1%\"\n", "", ""), "already the id of a", "own"),
        (with("[[array]]\nid = \"RN1\"\n", IN, IN), "RN1 has no `ratio`", "add `ratio = \"0.1%\"`"),
    ] {
        told(&text, what, do_next);
    }
    let text = usage("temperature = \"60\"");
    let found = problems(&text);
    let line = text.lines().position(|l| l.starts_with("temperature")).expect("the line") + 1;
    assert_eq!((found.list[0].line, found.list[0].column), (line, 15));
}

#[test]
fn a_figure_may_be_called_assumed() {
    let text = with(
        "[use]\ntempco = \"50ppm/K assumed\"\nageing = \"0.2%\"\n",
        "ageing = \"1 % assumed\"\n",
        "tempco = \"25ppm/K\"\n",
    );
    let board = read(&text);
    assert_eq!(board.in_use.tempco, Some((Ratio(-50e-6), Ratio(50e-6))));
    assert_eq!((board.in_use.assumed.tempco, board.in_use.assumed.ageing), (true, false));
    assert_eq!(board.resistors[0].drift.ageing, Some(Ratio(0.01)));
    assert!(board.resistors[0].drift.assumed.ageing);
    let said = strapwise::window::spread::assumptions(&board).join("\n");
    let most = format!("R1, R3 and {} more resistors", board.resistors.len() - 3);
    assert!(said.contains(&format!("{most}: drift by up to 50 ppm/K")), "{said}");
    assert!(said.contains("R1: age by up to 1.0 % either way (assumed)"), "{said}");
    assert!(!said.contains("25 ppm"), "what is given is no assumption: {said}");
    let found = problems(&text.replace("50ppm/K assumed", "50ppm/K guessed")).to_string();
    assert!(found.contains("is no temperature coefficient"), "{found}");
}
