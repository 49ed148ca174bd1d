//! What a meter showed beside what causes give, and values that go with none.

mod bench_support;

use bench_support::metered::BOARD;
use strapwise::board::{Board, NetId, Place, Setting, parse};
use strapwise::circuit::{Node, Parts};
use strapwise::diagnose::{
    Evidence, Meter, Options, Proof, Read, Reading, diagnose, metered, set_apart,
};
use strapwise::faults::{Built, Fault};
use strapwise::report::diagnosis_meter;
use strapwise::units::{Ohms, Volts};

fn demo() -> Board {
    parse("demo", include_str!("../protocols/vent-controller.toml")).unwrap()
}

fn net(board: &Board, name: &str) -> NetId {
    NetId(board.nets.iter().position(|n| n == name).unwrap())
}

fn resistor(board: &Board, id: &str) -> usize {
    board.resistors.iter().position(|r| r.id == id).unwrap()
}

fn volts(board: &Board, name: &str, volts: f64) -> Meter {
    Meter::Volts { net: net(board, name), setting: board.delivery.clone(), volts: Volts(volts) }
}

fn ohms(board: &Board, between: [&str; 2], ohms: f64) -> Meter {
    Meter::Ohms {
        between: between.map(|name| net(board, name)),
        setting: Setting::all_open(board),
        joined: false,
        ohms: Ohms(ohms),
    }
}

#[test]
fn a_value_speaks_for_the_cause_that_gives_it() {
    let board = demo();
    // TAP2 to TAP3 without R2 leads over the rails, between which there are 99.5 kOhm at most: R1,
    // R4 and what the board file has of the chip.
    let open = Fault::ResistorOpen { resistor: resistor(&board, "R2") };
    let meter = vec![ohms(&board, ["TAP2", "TAP3"], 99.5e3)];
    let evidence = Evidence { meter, ..Evidence::default() };
    let right = metered(&board, &evidence, &[open])[0];
    assert!(right.misses_good > 5.0 && right.tells(), "{right:?}");
    let good = metered(&board, &evidence, &[])[0];
    assert!(good.far() && !good.tells(), "{good:?}");
}

#[test]
fn volts_are_shares_of_the_supply_that_a_meter_showed() {
    let board = demo();
    // TAP3 at 3.7 of 8.2 kOhm, by hand: 2.256 V of 5 V, 2.076 V of 4.6 V.
    let of = |supply: Option<f64>, shown: f64| {
        let mut meter = vec![volts(&board, "TAP3", shown)];
        meter.extend(supply.map(|v| volts(&board, "VCC", v)));
        let evidence = Evidence { meter, ..Evidence::default() };
        metered(&board, &evidence, &[])[0]
    };
    assert!((of(Some(4.6), 2.076).predicted.0 - 2.076).abs() < 2e-3, "{:?}", of(Some(4.6), 2.076));
    assert!(!of(Some(4.6), 2.076).far());
    assert!(of(Some(4.6), 2.256).far(), "{:?}", of(Some(4.6), 2.256));
    // A supply that nobody measured may be 5 % off.
    assert!(!of(None, 2.256 * 1.04).far(), "{:?}", of(None, 2.256 * 1.04));
    let own = Evidence { meter: vec![volts(&board, "VCC", 4.6)], ..Evidence::default() };
    assert!(metered(&board, &own, &[]).is_empty(), "the supply is no share of itself");
}

#[test]
fn the_same_thing_measured_twice_contradicts_itself_beyond_what_a_meter_is_off_by() {
    let board = demo();
    let a = ohms(&board, ["TAP2", "TAP3"], 2700.0);
    let turned = ohms(&board, ["TAP3", "TAP2"], 2705.0);
    assert!(a.same(&turned) && !a.contradicts(&board, &turned));
    assert!(a.contradicts(&board, &ohms(&board, ["TAP3", "TAP2"], 3300.0)));
    assert!(a.contradicts(&board, &ohms(&board, ["TAP2", "TAP3"], f64::INFINITY)));
    assert!(!a.contradicts(&board, &ohms(&board, ["TAP2", "TAP4"], 3300.0)), "another thing");
    let v = volts(&board, "OUT", 2.5);
    assert!(!v.contradicts(&board, &volts(&board, "OUT", 2.51)));
    assert!(v.contradicts(&board, &volts(&board, "OUT", 0.0)));
}

/// The ladder's tap read as it should be, or elsewhere.
fn profile(board: &Board, code: f64) -> Reading {
    let read = Read::Code { mean: code, sd: 0.5, n: 961.0, pulled: None };
    let channel = board.channel("PROFILE").unwrap();
    let setting = board.delivery.clone();
    Reading { step: 1, setting, closed: Vec::new(), channel, read, proof: Proof::Driven }
}

#[test]
fn a_value_that_the_leading_cause_does_not_give_is_to_be_measured_again() {
    let board = demo();
    // R4 as 47 kOhm (by hand): TAP3 at 49.2 of 53.7 kOhm.
    let readings = vec![profile(&board, 1024.0 * 49.2 / 53.7)];
    let meter = vec![ohms(&board, ["TAP2", "TAP3"], 999e3)];
    let evidence = Evidence { readings, meter, ..Evidence::default() };
    let found = diagnose(&board, &evidence, &Options::default());
    let apart = set_apart(&board, &evidence, &Options::default(), &found).expect("it is set apart");
    assert_eq!((apart.meter.as_slice(), apart.evidence.meter.len()), (&[0][..], 0));
    assert!(apart.diagnosis.explained);
    let text = diagnosis_meter::apart(&board, &evidence, &found, &apart);
    let said = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.starts_with("Measure again: TAP2:TAP3=999 kΩ does not go with"), "{said}");
    assert!(said.contains("Without it the rest says"), "{said}");
    let agrees = Evidence { meter: vec![ohms(&board, ["TAP2", "TAP3"], 2690.0)], ..evidence };
    let found = diagnose(&board, &agrees, &Options::default());
    assert_eq!(set_apart(&board, &agrees, &Options::default(), &found), None);
}

#[test]
fn what_reads_otherwise_when_a_unit_comes_back_is_named() {
    let board = demo();
    let mut evidence = Evidence { readings: vec![profile(&board, 462.0)], ..Evidence::default() };
    assert!(evidence.differing(&[profile(&board, 464.0)]).is_empty(), "a shunt seated anew");
    let channel = board.channel("PROFILE").unwrap();
    assert_eq!(evidence.differing(&[profile(&board, 187.0)]), [channel]);
    let mut open = profile(&board, 462.0);
    open.proof = Proof::Open;
    assert_eq!(evidence.differing(&[open]), [channel]);
    evidence.renew(vec![profile(&board, 187.0)]);
    assert_eq!(evidence.readings, [profile(&board, 187.0)], "the later one counts");
}

#[test]
fn ohms_that_hang_on_what_lies_between_the_rails_are_two_ends() {
    let board = demo();
    // Without R3, TAP3 to TAP4 leads over the rails: R1, R2 and R4, 6.0 kOhm, where they are joined.
    let open = Fault::ResistorOpen { resistor: resistor(&board, "R3") };
    let of = |shown: f64| {
        let meter = vec![ohms(&board, ["TAP3", "TAP4"], shown)];
        metered(&board, &Evidence { meter, ..Evidence::default() }, &[open])[0]
    };
    let (low, high) = of(30e3).predicted;
    assert!((low / 6e3 - 1.0).abs() < 0.01 && high > 50e3, "{low} to {high}");
    for anywhere in [low, 9e3, 30e3, high] {
        assert_eq!(of(anywhere).misses, 0.0, "{anywhere}");
    }
    assert!(of(2.2e3).far(), "a good R3 across it is no open one");
    let good = of(2.2e3);
    assert!(good.misses_good < 5.0, "{good:?}");
}

#[test]
fn a_value_that_proves_the_leading_part_good_is_to_be_measured_again() {
    let board = demo();
    let r3 = resistor(&board, "R3");
    let open = Fault::ResistorOpen { resistor: r3 };
    let mut built = Built::good(&board, Parts::nominal(&board));
    built.plant(&board, open);
    let read = |position: usize| {
        let setting = board.delivery.with(0, Place::At(position));
        let channel = board.channel("PROFILE").unwrap();
        let Node::Driven { volts, .. } = built.node(&board, &setting, &[], channel) else {
            panic!("it is driven")
        };
        let mean = volts.0 / 5.0 * 1024.0 - 0.5;
        let read = Read::Code { mean: mean.max(0.0), sd: 0.5, n: 960.0, pulled: None };
        Reading { step: 1, setting, closed: vec![], channel, read, proof: Proof::Driven }
    };
    let readings: Vec<Reading> = (0..5).map(read).collect();
    let with = |shown: f64| {
        let meter = vec![ohms(&board, ["TAP3", "TAP4"], shown)];
        let evidence = Evidence { readings: readings.clone(), meter, ..Evidence::default() };
        let found = diagnose(&board, &evidence, &Options::default());
        assert_eq!(found.classes[0].causes[0].faults, [open]);
        set_apart(&board, &evidence, &Options::default(), &found).is_some()
    };
    assert!(with(2.2e3), "2.2 kOhm is R3 as it should be");
    assert!(!with(50e3), "it goes with the open part");
}

/// A value between two nets of the board that is read by meter, with its second shunt on or off.
fn shown(board: &Board, between: [&str; 2], place: Place, value: f64) -> Meter {
    let jumper = board.jumper("J2").expect("J2");
    Meter::Ohms {
        between: between.map(|name| net(board, name)),
        setting: Setting::all_open(board).with(jumper, place),
        joined: false,
        ohms: Ohms(value),
    }
}

#[test]
fn the_ohms_of_a_poor_contact_are_those_that_the_meter_shows() {
    let board = parse("meter", BOARD).unwrap();
    let (on, off) = (Place::At(0), Place::Open);
    for ohms in [3.1, 5.1, 7.0, 22.0, 50.0, 57.0, 130.0, 700.0] {
        // By hand: A to B is 1 kOhm through the shunt, 3.2 kOhm without it.
        let through = 1e3 + 1.0 / (1.0 / ohms + 1.0 / 2.2e3);
        let beside = through - 1e3;
        let meter = vec![
            shown(&board, ["A", "B"], off, 3.2e3),
            shown(&board, ["A", "B"], on, through),
            shown(&board, ["MID", "B"], on, beside),
        ];
        let evidence = Evidence { meter, ..Evidence::default() };
        let found = diagnose(&board, &evidence, &Options::default());
        let first = &found.classes[0].causes[0];
        let Some(Fault::ContactResistive { jumper, ohms: fitted, .. }) = first.faults.first()
        else {
            panic!("{ohms}: {first:?}")
        };
        assert_eq!(*jumper, board.jumper("J2").unwrap());
        assert!((fitted.0 - ohms).abs() < 0.02 * ohms + 0.3, "{ohms}: {fitted:?}");
        assert_eq!(set_apart(&board, &evidence, &Options::default(), &found), None, "{ohms}");
    }
}

#[test]
fn two_defects_that_only_a_meter_reads_are_found_and_none_of_its_values_is_called_wrong() {
    let board = parse("meter", BOARD).unwrap();
    let (on, off) = (Place::At(0), Place::Open);
    // R3 shorted, and the shunt of J2 does not make contact: 2.2 kOhm wherever it sits.
    let meter = vec![
        shown(&board, ["A", "B"], off, 2.2e3),
        shown(&board, ["A", "B"], on, 2.21e3),
        shown(&board, ["MID", "B"], on, 2.2e3),
        shown(&board, ["A", "MID"], off, 0.1),
    ];
    // As in a test, which asks twice for what is wrong.
    let evidence = Evidence { confirmed: meter.clone(), meter, ..Evidence::default() };
    let found = diagnose(&board, &evidence, &Options::default());
    let jumper = board.jumper("J2").unwrap();
    let planted = [
        Fault::ResistorShorted { resistor: resistor(&board, "R3") },
        Fault::ContactOpen { jumper, position: 0 },
    ];
    let mut causes = found.classes[0].causes.iter();
    let named = causes.any(|c| planted.iter().all(|fault| c.faults.contains(fault)));
    assert!(named && found.pairs, "{:?}", found.classes[0]);
    assert_eq!(set_apart(&board, &evidence, &Options::default(), &found), None);
    // One value that does not go with the rest is asked for again, and is no second defect.
    let mut slipped = evidence.clone();
    slipped.meter.truncate(1);
    slipped.meter[0] = shown(&board, ["A", "B"], off, 3.2e3);
    slipped.meter.push(shown(&board, ["MID", "B"], off, 2.2e3));
    slipped.meter.push(shown(&board, ["A", "MID"], off, 1e3));
    slipped.meter.push(shown(&board, ["A", "B"], on, 4.4e4));
    let found = diagnose(&board, &slipped, &Options::default());
    assert!(!found.pairs, "{:?}", found.classes[0]);
    let apart = set_apart(&board, &slipped, &Options::default(), &found).expect("a slip");
    assert_eq!(apart.meter, [3]);
}
