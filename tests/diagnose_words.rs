//! What is said of the causes of one class where they differ, of loads, and of ohms that nobody can
//! foretell.

use strapwise::board::{Board, Level, NetId, Place, Setting, parse};
use strapwise::diagnose::{
    Cause, Class, Diagnosis, Evidence, Measurement, Proof, Read, Reading, Suggestion,
};
use strapwise::faults::Fault;
use strapwise::report::{diagnosis, diagnosis_talk};
use strapwise::units::Volts;

fn demo() -> Board {
    parse("demo", include_str!("../protocols/vent-controller.toml")).unwrap()
}

fn cause(faults: &[Fault], probability: f64) -> Cause {
    Cause { faults: faults.to_vec(), probability, ..Cause::good() }
}

/// One class of some causes.
fn found(causes: Vec<Cause>) -> Diagnosis {
    let probability = causes.iter().map(|c| c.probability).sum();
    let classes = vec![Class { causes, probability }];
    Diagnosis { classes, explained: true, fit: 1.0, pairs: false }
}

fn text(board: &Board, evidence: &Evidence, found: &Diagnosis) -> String {
    diagnosis::text(board, evidence, found, &[], 200)
}

/// ADDR1 with its header open and fitted, high in both.
fn always_high(board: &Board) -> Evidence {
    let channel = board.channel("ADDR1").unwrap();
    let j3 = board.jumpers.iter().position(|j| j.id == "J3").unwrap();
    let read = |place: Place| Reading {
        step: 1,
        setting: board.delivery.with(j3, place),
        closed: vec![],
        channel,
        read: Read::Level { ones: 1.0 },
        proof: Proof::NotShown,
    };
    let readings = vec![read(Place::Open), read(Place::At(0))];
    Evidence { readings, ..Evidence::default() }
}

#[test]
fn what_speaks_against_one_of_a_class_is_said_to_be_of_that_one() {
    let board = demo();
    let evidence = always_high(&board);
    let channel = board.channel("ADDR1").unwrap();
    let open = cause(&[Fault::PinOpen { channel }], 0.6);
    let stuck = cause(&[Fault::PinStuck { channel, level: Level::High }], 0.4);
    let said = text(&board, &evidence, &found(vec![open.clone(), stuck.clone()]));
    assert!(
        said.contains("\n   a) PD3 (ADDR1) is not soldered\n   b) PD3 (ADDR1) is stuck"),
        "{said}"
    );
    assert!(said.contains("against a: ADDR1 J3=fitted reads high, with this cause open"), "{said}");
    assert!(said.contains("for b: ADDR1 J3=fitted reads high, with this cause high"), "{said}");
    assert!(!said.contains("against: ") && !said.contains("against b"), "{said}");
    // What all of them give needs no letters.
    let twin = cause(&stuck.faults, 0.1);
    let said = text(&board, &evidence, &found(vec![stuck, twin]));
    assert!(said.contains("\n   - PD3 (ADDR1) is stuck") && said.contains("for: ADDR1"), "{said}");
    assert!(!said.contains("a) ") && !said.contains("for a"), "{said}");
    // Nor does one alone.
    let said = text(&board, &evidence, &found(vec![open]));
    assert!(said.contains("against: ADDR1 J3=fitted reads high"), "{said}");
}

#[test]
fn a_load_is_told_with_its_sag_and_what_it_should_be() {
    let board = demo();
    let load = board.loads.iter().position(|l| l.id == "MAT").unwrap();
    let said = |fault: Fault, sag: f64| {
        let evidence = Evidence { loads: vec![(load, Volts(sag))], ..Evidence::default() };
        text(&board, &evidence, &found(vec![cause(&[fault], 1.0)]))
    };
    let (dead, shorted) = (Fault::LoadDead { load }, Fault::LoadShorted { load });
    let good = "with a good unit 30 mV to 220 mV";
    let line = format!("for: with MAT on the supply sags by 2 mV, with this cause none, {good}");
    assert!(said(dead, 0.002).contains(&line), "{}", said(dead, 0.002));
    let line = "against: with MAT on the supply sags by 370 mV, with this cause none, ";
    assert!(said(dead, 0.37).contains(line), "{}", said(dead, 0.37));
    let line = "against: with MAT on the supply rises by 370 mV, with this cause none, ";
    assert!(said(dead, -0.37).contains(line), "{}", said(dead, -0.37));
    let line = "for: with MAT on the supply sags by 370 mV, with this cause over 220 mV, ";
    assert!(said(shorted, 0.37).contains(line), "{}", said(shorted, 0.37));
    let line = "against: with MAT on the supply sags by 100 mV, with this cause over 220 mV, ";
    assert!(said(shorted, 0.1).contains(line), "{}", said(shorted, 0.1));
    // The chip was reset as it went on.
    let line = "for: with MAT on the supply does not hold, ";
    assert!(said(shorted, 5.0).contains(line), "{}", said(shorted, 5.0));
}

#[test]
fn ohms_that_nobody_can_foretell_are_proposed_with_their_range() {
    let board = demo();
    let net = |name: &str| NetId(board.nets.iter().position(|n| n == name).unwrap());
    let r3 = board.resistors.iter().position(|r| r.id == "R3").unwrap();
    let between = [net("TAP3"), net("TAP4")];
    let setting = Setting::all_open(&board);
    let suggestion = |joined: bool, expected| Suggestion {
        measurement: Measurement::Ohms { between, setting: setting.clone(), joined },
        settles: 1.0,
        expected,
        mends: 0.0,
        supply_first: None,
    };
    let open = cause(&[Fault::ResistorOpen { resistor: r3 }], 0.6);
    let found = found(vec![open, cause(&[], 0.4)]);
    let said = |joined: bool| {
        let expected = vec![(0, 0, 24e3, 2e4), (0, 1, 2.2e3, 20.0)];
        diagnosis_talk::asked(&board, &found, &suggestion(joined, expected), false, 80)
    };
    // Without R3 the way leads over the rails: R1, R2 and R4, 6.0 kOhm, where they are joined; and
    // R1, R4 and what the board file has between the rails where they are not.
    let apart = said(false);
    let line = apart.lines().find(|line| line.contains("if R3 is open")).expect(&apart);
    assert!(line.trim().starts_with("6 kΩ to "), "{apart}");
    assert!(said(true).contains("   24 kΩ if R3 is open"), "{}", said(true));
    // The good unit names its class, so that it leads its outcomes.
    let good = apart.find("if nothing is wrong with the unit").expect(&apart);
    assert!(good < apart.find("if R3 is open").expect(&apart), "{apart}");
}

#[test]
fn a_resistor_that_is_a_little_off_never_has_its_own_value() {
    let board = demo();
    let resistor = board.resistors.iter().position(|r| r.id == "R12").unwrap();
    let told = |ratio: f64, sd: f64| {
        let off = cause(&[Fault::ResistorOff { resistor, ratio }], 1.0);
        diagnosis::sentence(&board, &Cause { loose: Some(sd), ..off })
    };
    let some = |ohms: &str, percent: &str| {
        format!("R12 has some {ohms} instead of 10 kΩ (give or take {percent})")
    };
    assert_eq!(told(0.7612, 0.15), some("7.6 kΩ", "16 %"));
    assert_eq!(told(0.9912, 0.004), some("9.9 kΩ", "under 1 %"));
    assert_eq!(told(1.012, 0.004), some("10.1 kΩ", "under 1 %"));
    assert_eq!(told(1.0023, 0.004), some("10.02 kΩ", "under 1 %"));
    let same = "R12 is off its 10 kΩ by under 0.1 % (give or take under 1 %)";
    assert_eq!(told(1.0002, 0.004), same);
}

#[test]
fn who_finds_a_value_of_another_circuit_is_told_where_it_belongs() {
    let board = demo();
    let r = |id: &str| board.resistors.iter().position(|r| r.id == id).unwrap();
    let (r1, r2, r21) = (r("R1"), r("R2"), r("R21"));
    let of = |resistor: usize, of: usize| Fault::ResistorValue {
        resistor,
        ohms: board.resistors[of].ohms,
    };
    let said =
        |faults: &[Fault]| text(&board, &Evidence::default(), &found(vec![cause(faults, 0.99)]));
    let one = said(&[of(r1, r21)]);
    assert!(one.contains("47 kΩ belongs at R21, R22: look whether 1.8 kΩ is there"), "{one}");
    // Of the same circuit that would show, and is a cause of its own.
    assert!(!said(&[of(r1, r2)]).contains("belongs"));
    // Where both show, it is one mistake of one hand.
    let both = said(&[of(r21, r1), of(r1, r21)]);
    assert!(both.contains(": R21 and R1 are swapped"), "{both}");
    assert!(said(&[of(r21, r1), of(r1, r2)]).contains(", and R1 is"));
}
