//! `diagnose --port` on real input: the program leads a unit whose compiled firmware runs in the
//! emulator, with a defect in its circuit, and hands and eyes that do what is asked.

#[allow(dead_code, reason = "it leads units through `bench` too")]
mod stand;

use stand::{Emulated, led};

/// The first class of causes, on one line.
fn first(said: &str) -> String {
    let last = said.rsplit("vent-controller B").next().unwrap_or_default();
    let class = last.split("\n1. ").nth(1).unwrap_or_else(|| panic!("no cause: {said}"));
    let class = class.split("\n2. ").next().unwrap_or(class);
    class.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_wrong_ladder_resistor_is_found_though_its_shunt_seems_misplaced() {
    let mut unit = Emulated::new(&["plant value R3 22000"]);
    let (exit, said, again) = led(&mut unit, &mut |_, _| "s");
    assert_eq!(exit, 0, "{said}");
    assert!(first(&said).contains("R3 is about 10 times its value"), "{said}");
    assert!(said.contains("J1 reads as 2: is its shunt on 3?"), "{said}");
    assert_eq!(first(&again).split(" * read").next(), first(&said).split(" * read").next());
}

#[test]
fn an_open_ladder_resistor_is_found_by_moves_alone() {
    let mut unit = Emulated::new(&["plant open R2"]);
    let (exit, said, again) = led(&mut unit, &mut |_, _| "s");
    assert_eq!(exit, 0, "{said}");
    assert!(said.contains("move J1 to"), "{said}");
    assert!(first(&said).contains("R2 is open"), "{said}");
    assert!(first(&again).contains("R2 is open"), "{again}");
}

#[test]
fn a_lamp_that_stays_dark_is_found_by_looking() {
    let mut unit = Emulated::new(&["plant open R30"]);
    let mut looked = Vec::new();
    let (exit, said, again) = led(&mut unit, &mut |asked, unit| {
        if asked.contains("will be closed for 6 seconds") {
            return "";
        }
        let lamps = &unit.seen;
        let lit = match asked.rsplit("while Q1 is closed: ").next() {
            Some(rest) if rest.starts_with("Are both lamps lit?") => lamps.len() == 2,
            Some(rest) if rest.starts_with("is the lamp at R30 lit?") => lamps.contains(&"R30"),
            Some(rest) if rest.starts_with("is the lamp at R31 lit?") => lamps.contains(&"R31"),
            _ => return "s",
        };
        looked.push(lit);
        if lit { "yes" } else { "no" }
    });
    assert!(looked.len() >= 2, "{said}");
    // Its readings and the lamps leave some more that do the same.
    assert_eq!(exit, 5, "{said}");
    assert!(first(&said).contains("R30 is open"), "{said}");
    assert!(first(&again).contains("R30 is open"), "{again}");
}
