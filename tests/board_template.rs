//! Board files written from templates: they read back, have windows, and explain every key.

use proptest::prelude::*;
use std::collections::BTreeSet;
use strapwise::board::template::{
    Address, Ends, Form, Isolate, Ladder, Output, PartKind, Plan, Rail, Select, Template, Weighted,
};
use strapwise::board::{Aref, Board, InUse, Level, parse, usual};
use strapwise::report::bill;
use strapwise::units::{Allow, Celsius, Farads, Ohms, Ratio, Volts, read};
use strapwise::window::windows;

fn plan(templates: Vec<Template>) -> Plan {
    Plan {
        name: "board".into(),
        revision: "A".into(),
        about: "Set by jumpers".into(),
        chip: "atmega328p".into(),
        supply: Volts(5.0),
        supply_tolerance: Ratio(0.05),
        source: "bench supply".into(),
        aref_at_supply: false,
        gap: Ratio(0.25),
        in_use: InUse::default(),
        templates,
    }
}

fn ladder(name: &str) -> Ladder {
    Ladder {
        name: name.into(),
        ohms: [1.8e3, 2.7e3, 2.2e3, 1.5e3].map(Ohms).to_vec(),
        tolerance: Ratio(0.01),
        ends: Ends::Both,
        pull: None,
        input: None,
        capacitor: None,
        options: vec![],
    }
}

fn weighted(name: &str) -> Weighted {
    Weighted {
        name: name.into(),
        ohms: [30e3, 15e3, 7.5e3].map(Ohms).to_vec(),
        tolerance: Ratio(0.01),
        form: Form::ThreePin,
        input: None,
        capacitor: None,
    }
}

fn read_back(plan: &Plan) -> Board {
    let text = plan.write().unwrap().text;
    let board = parse("board.toml", &text).unwrap_or_else(|e| panic!("{e}\n{text}"));
    if let Err(problems) = windows(&board) {
        panic!("{problems:?}\n{text}");
    }
    board
}

/// One of each template.
fn everything() -> Plan {
    let on = (Ohms(1.0), Ohms(50.0));
    plan(vec![
        Template::Ladder(Ladder {
            input: Some(Ohms(1e3)),
            capacitor: Some(Farads(10e-9)),
            ..ladder("profile")
        }),
        Template::Weighted(weighted("mix")),
        Template::Address(Address {
            name: "bus".into(),
            bits: 2,
            to: Rail::Ground,
            pull: Some((Ohms(10e3), Ratio(0.05))),
        }),
        Template::Address(Address { name: "own".into(), bits: 2, to: Rail::Ground, pull: None }),
        Template::Select(Select {
            name: "vent".into(),
            on,
            wire: Ohms(10e3),
            rest: Ohms(47e3),
            tolerance: Ratio(0.01),
        }),
        Template::Isolate(Isolate {
            name: "lamps".into(),
            ohms: vec![Ohms(470.0); 2],
            tolerance: Ratio(0.05),
            on,
        }),
        Template::Output(Output {
            name: "pump".into(),
            off: Level::Low,
            dummy: "15 ohm, \"5 W\" resistor".into(),
            sag: (Volts(15e-3), Volts(120e-3)),
        }),
    ])
}

#[test]
fn one_of_each_template_makes_a_board_with_windows() {
    let board = read_back(&everything());
    assert_eq!((board.jumpers.len(), board.channels.len(), board.options.len()), (10, 7, 5));
    assert_eq!((board.loads.len(), board.questions.len(), board.switches.len()), (1, 2, 2));
    assert_eq!(board.loads[0].dummy, "15 ohm, \"5 W\" resistor");
}

#[test]
fn every_key_is_explained_where_it_stands_first() {
    let text = everything().write().unwrap().text;
    let lines: Vec<&str> = text.lines().collect();
    let mut table = String::new();
    let mut seen = BTreeSet::new();
    for (i, line) in lines.iter().enumerate() {
        if line.starts_with('[') {
            table = line.to_string();
        }
        let key = line.split_once(" = ").map(|(key, _)| key).filter(|k| !k.starts_with([' ', '#']));
        let Some(key) = key.filter(|_| !table.is_empty() && table != "[delivery]") else {
            continue;
        };
        if seen.insert((table.clone(), key.to_string())) {
            let explained = line.contains("  # ") || lines[i - 1].starts_with("# ");
            assert!(explained, "{table} {key} is not explained: {line}");
        }
    }
    assert!(seen.len() > 40, "{}", seen.len());
}

#[test]
fn drift_that_nobody_gave_is_the_usual_one_and_stays_marked_as_assumed() {
    let plan = everything();
    let board = read_back(&plan);
    assert!(board.in_use.assumed.tempco && board.in_use.assumed.ageing);
    let find = |ohms: f64| board.resistors.iter().find(|r| r.ohms.0 == ohms).unwrap();
    // The ladder at 1 % comes first; the pull-ups and lamps at 5 % drift more than it.
    assert_eq!(board.in_use.tempco, Some((Ratio(-100e-6), Ratio(100e-6))));
    assert_eq!(find(1.8e3).drift, Default::default());
    let lamp = find(470.0).drift;
    assert_eq!((lamp.tempco, lamp.ageing), (usual(Ratio(0.05)).tempco, Some(Ratio(0.01))));
    assert!(lamp.assumed.tempco && lamp.assumed.ageing);
    // `windows` lists both, each with its parts.
    let said = strapwise::window::spread::assumptions(&board).join("\n");
    assert!(said.contains("drift by up to 100 ppm/K either way (assumed)"), "{said}");
    assert!(said.contains("drift by up to 200 ppm/K either way (assumed)"), "{said}");
    assert!(said.contains("age by up to 1.0 % either way (assumed)"), "{said}");
}

#[test]
fn drift_that_is_given_stands_in_the_file_and_is_no_assumption() {
    let in_use = InUse {
        temperature: Some((Celsius(-25.0), Celsius(70.5))),
        tempco: Some((Ratio(-50e-6), Ratio(150e-6))),
        ageing: Some(Ratio(0.002)),
        ..InUse::default()
    };
    let board = read_back(&Plan { in_use, ..everything() });
    assert_eq!(board.in_use, in_use);
    assert!(board.resistors.iter().all(|r| r.drift == Default::default()));
}

#[test]
fn the_usual_drift_follows_the_tolerance() {
    for (percent, ppm, ageing) in [
        (0.1, 25.0, 0.1),
        (0.5, 50.0, 0.25),
        (1.0, 100.0, 0.5),
        (2.0, 100.0, 0.5),
        (5.0, 200.0, 1.0),
    ] {
        let found = usual(Ratio(percent / 100.0));
        let (low, high) = found.tempco.unwrap();
        assert_eq!((-low.0, high.0), (ppm / 1e6, ppm / 1e6), "{percent} %");
        assert_eq!(found.ageing, Some(Ratio(ageing / 100.0)), "{percent} %");
    }
}

#[test]
fn the_bill_has_every_part_of_the_board_once() {
    let plan = everything();
    let written = plan.write().unwrap();
    let board = read_back(&plan);
    let ids = |kind: PartKind| -> Vec<String> {
        written.parts.iter().filter(|p| p.kind == kind).map(|p| p.id.clone()).collect()
    };
    let resistors: Vec<String> = board.resistors.iter().map(|r| r.id.clone()).collect();
    assert_eq!(ids(PartKind::Resistor), resistors);
    let jumpers: Vec<String> = board.jumpers.iter().map(|j| j.id.clone()).collect();
    assert_eq!(ids(PartKind::Header), jumpers);
    let csv = bill::csv(&written.parts);
    let mut lines = csv.lines();
    assert_eq!(lines.next(), Some("designators,quantity,kind,value,tolerance"));
    let mut counted = 0;
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        let quantity: usize = cells[1].parse().unwrap();
        counted += quantity;
        if cells[2] != "shunt" {
            assert_eq!(cells[0].split(' ').count(), quantity, "{line}");
        }
        if cells[2] == "resistor" {
            let ohms = read::<Ohms>(cells[3], Allow::Positive).unwrap();
            let first = cells[0].split(' ').next().unwrap();
            let part = board.resistors.iter().find(|r| r.id == first).unwrap();
            assert_eq!(part.ohms, ohms);
            assert_eq!(Ratio::read(cells[4], Allow::Positive), Ok(part.tolerance));
        }
    }
    assert_eq!(counted, written.parts.len());
}

#[test]
fn a_position_of_a_ladder_has_the_option_and_the_tap_that_was_asked_for() {
    let options: Vec<String> = ["top", "high", "low", "none"].map(String::from).to_vec();
    let board = read_back(&plan(vec![Template::Ladder(Ladder {
        ohms: [2.2e3; 3].map(Ohms).to_vec(),
        ends: Ends::Supply,
        pull: Some((Rail::Ground, Ohms(9.1e3))),
        options: options.clone(),
        ..ladder("mode")
    })]));
    let classes = windows(&board).unwrap().channels.remove(0).classes;
    let means: Vec<&str> = classes.iter().map(|c| c.means.as_deref().unwrap()).collect();
    assert_eq!(means, options);
    let codes: Vec<f64> = classes.iter().map(|c| c.code).collect();
    assert!(codes.windows(2).all(|pair| pair[0] > pair[1]), "{codes:?}");
    assert!(codes[3] < 1.0, "no shunt is pulled to ground");
}

#[test]
fn templates_that_cannot_be_drawn_up_are_refused_with_what_to_change() {
    let of = |template| plan(vec![template]).write().unwrap_err();
    let mut short = ladder("x");
    short.ohms.truncate(1);
    short.ends = Ends::Supply;
    let hidden = Ladder { pull: Some((Rail::Ground, Ohms(1e4))), ..ladder("x") };
    let misnamed = Ladder { options: vec!["a".into()], ..ladder("x") };
    let many = Weighted { ohms: vec![Ohms(1e3); 9], ..weighted("x") };
    let address = |bits, to| Template::Address(Address { name: "x".into(), bits, to, pull: None });
    let cases = [
        (of(Template::Ladder(short)), "give it 2 to"),
        (of(Template::Ladder(hidden)), "both read alike"),
        (of(Template::Ladder(misnamed)), "name one for each"),
        (of(Template::Weighted(many)), "give it 1 to 8"),
        (of(address(9, Rail::Ground)), "give it 1 to 8"),
        (of(address(2, Rail::Supply)), "give it a pull-down"),
        (of(Template::Ladder(ladder("R7"))), "looks like a designator"),
        (of(Template::Ladder(ladder("a b"))), "take letters"),
        (of(Template::Ladder(ladder("vcc"))), "used twice"),
        (plan(vec![Template::Ladder(ladder("x")); 2]).write().unwrap_err(), "used twice"),
        (
            plan((0..9).map(|i| Template::Ladder(ladder(&format!("x{i}")))).collect())
                .write()
                .unwrap_err(),
            "no free pin",
        ),
    ];
    for (error, words) in cases {
        assert!(error.contains(words), "{error}");
    }
}

fn any_ladder() -> impl Strategy<Value = Template> {
    let shape = prop::sample::select(vec![
        (Ends::Both, None),
        (Ends::Supply, Some(Rail::Ground)),
        (Ends::Ground, Some(Rail::Supply)),
        (Ends::None, Some(Rail::Ground)),
        (Ends::None, None),
    ]);
    (shape, 2_usize..5, prop::option::of(100.0..2e3_f64), any::<bool>(), 0.0..0.02_f64).prop_map(
        |((ends, open), taps, input, filter, tolerance)| {
            Template::Ladder(Ladder {
                ohms: vec![Ohms(2.2e3); ends.resistors(taps)],
                tolerance: Ratio(tolerance),
                ends,
                pull: open.map(|rail| (rail, Ohms(15e3))),
                input: input.map(Ohms),
                capacitor: filter.then_some(Farads(4.7e-9)),
                ..ladder("step")
            })
        },
    )
}

fn any_digital() -> impl Strategy<Value = Template> {
    let pull = prop::option::of(1e3..22e3_f64);
    (1_usize..4, any::<bool>(), pull).prop_map(|(bits, to_supply, pull)| {
        let to = if to_supply && pull.is_some() { Rail::Supply } else { Rail::Ground };
        let pull = pull.map(|r| (Ohms(r), Ratio(0.05)));
        Template::Address(Address { name: "bus".into(), bits, to, pull })
    })
}

fn any_weighted() -> impl Strategy<Value = Template> {
    (any::<bool>(), prop::sample::select(vec![Rail::Supply, Rail::Ground]), 1.0..1.3_f64).prop_map(
        |(three_pin, to, scale)| {
            let form = match three_pin {
                true => Form::ThreePin,
                false => Form::TwoPin { to, pull: Ohms(5.1e3 * scale) },
            };
            let ohms = if three_pin { vec![30e3, 15e3, 7.5e3] } else { vec![9.1e3, 5.6e3] };
            let ohms = ohms.into_iter().map(|r: f64| Ohms((r * scale).round())).collect();
            Template::Weighted(Weighted { ohms, form, ..weighted("mix") })
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_combination_of_templates_reads_back_with_windows(
        ladder in prop::option::of(any_ladder()),
        weighted in prop::option::of(any_weighted()),
        digital in any_digital(),
        rest in prop::sample::subsequence(everything().templates.split_off(4), 0..=3),
        volts in prop::sample::select(vec![3.3, 5.0]),
        aref_at_supply in any::<bool>(),
    ) {
        let templates: Vec<Template> =
            ladder.into_iter().chain(weighted).chain([digital]).chain(rest).collect();
        let mut plan = plan(templates);
        plan.supply = Volts(volts);
        plan.aref_at_supply = aref_at_supply;
        let board = read_back(&plan);
        prop_assert_eq!(board.supply.volts, plan.supply);
        prop_assert_eq!(board.supply.aref == Aref::Supply, aref_at_supply);
        let written: Vec<Ohms> = plan.templates.iter().flat_map(values).collect();
        for ohms in written {
            prop_assert!(board.resistors.iter().any(|r| r.ohms == ohms), "{:?} is lost", ohms);
        }
    }

    #[test]
    fn words_with_any_characters_read_back_as_they_were(about in "[^\\p{Cc}]{1,60}") {
        prop_assume!(!about.trim().is_empty());
        let mut plan = plan(vec![Template::Ladder(ladder("x"))]);
        plan.about = about.clone();
        let text = plan.write().unwrap().text;
        let board = parse("board.toml", &text).map_err(|e| TestCaseError::fail(e.to_string()))?;
        prop_assert_eq!(board.about, about);
    }
}

/// The resistors that a template was given.
fn values(template: &Template) -> Vec<Ohms> {
    match template {
        Template::Ladder(l) => l.ohms.iter().copied().chain(l.pull.map(|p| p.1)).collect(),
        Template::Weighted(w) => w.ohms.clone(),
        Template::Address(a) => a.pull.iter().map(|p| p.0).collect(),
        Template::Select(s) => vec![s.wire, s.rest],
        Template::Isolate(i) => i.ohms.clone(),
        Template::Output(_) => vec![],
    }
}

#[test]
fn a_maker_who_takes_off_the_marks_has_said_that_two_headers_are_neighbours() {
    let text = everything().write().expect("a file").text;
    let marked = text.split_once("beside it.\n").expect("the comment").1;
    let bare: String =
        marked.lines().map(|l| l.trim_start_matches("# ").to_string() + "\n").collect();
    let board = parse("board.toml", &text.replace(marked, &bare)).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(board.neighbours[0].jumpers, [0, 1]);
    assert!(parse("board.toml", &text).expect("as written").neighbours.is_empty());
    // One header has no neighbour.
    let alone = plan(vec![Template::Ladder(ladder("profile"))]).write().expect("a file").text;
    assert!(!alone.contains("neighbours"));
}
