//! What a look, another shunt or a blade tells of causes that are alike at every net.

mod bench_support;
mod diagnose_support;

use bench_support::metered::BOARD;
use bench_support::{board_of, vent_controller};
use diagnose_support::{evidence, unit};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::sync::Arc;
use strapwise::board::{Board, Level, NetId, Place, Setting};
use strapwise::circuit::Parts;
use strapwise::diagnose::{
    Between, Diagnosis, Evidence, Look, Measurement, Meter, Options, Proof, Read, Reading,
    Suggestion, diagnose, measured, metered, set_apart, spared, suggest,
};
use strapwise::faults::{Built, Fault, modelled};
use strapwise::record::{Row, RowKind};
use strapwise::report::diagnosis_look::{flag, named};
use strapwise::report::{diagnosis, diagnosis_next};
use strapwise::units::Ohms;
use strapwise::{walk, window};

/// What the whole sequence reads of a unit with a defect.
fn seen(fault: Fault) -> (Arc<Board>, Evidence) {
    let board = vent_controller();
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    let built = unit(&board, &[fault], &mut rng);
    let evidence = evidence(&board, &walk, &built, &mut rng);
    (board, evidence)
}

fn weigh(board: &Board, evidence: &Evidence) -> (Diagnosis, Vec<Suggestion>) {
    let found = diagnose(board, evidence, &Options::default());
    let next = suggest(board, evidence, &found);
    (found, next)
}

fn leader(found: &Diagnosis) -> (Fault, f64) {
    let first = &found.classes[0].causes[0];
    (first.faults[0], first.probability)
}

/// A second shunt whose circuit is that of a bridge between the same pins, and the bridge.
fn twins(board: &Board) -> (Fault, Fault) {
    let all = modelled(board);
    let same = |second: &Fault| {
        let Fault::SecondShunt { jumper, position } = *second else { return None };
        let pins = board.jumpers[jumper].positions[position].pins[0];
        let bridge = all.iter().find(|f| {
            matches!(f, Fault::PinsBridged { jumper: j, pins: p, .. } if (*j, *p) == (jumper, pins))
        });
        bridge.map(|bridge| (*second, *bridge))
    };
    all.iter().rev().find_map(same).expect("a second shunt that a bridge resembles")
}

#[test]
fn a_look_tells_a_second_shunt_from_a_bridge_which_no_reading_does() {
    let (second, bridge) = twins(&vent_controller());
    for (truth, there) in [(second, true), (bridge, false)] {
        let (board, mut evidence) = seen(truth);
        let (found, next) = weigh(&board, &evidence);
        assert!(found.classes[0].causes.len() > 1 && leader(&found).1 < 0.95, "{found:?}");
        let Fault::SecondShunt { jumper, .. } = second else { unreachable!() };
        let look = Look::SecondShunt { jumper };
        let asked = next.iter().any(|s| s.measurement == Measurement::Look(look));
        assert!(asked, "{:?}", next.iter().map(|s| &s.measurement).collect::<Vec<_>>());
        evidence.looks.push((look, there));
        let (found, next) = weigh(&board, &evidence);
        assert!(leader(&found).0 == truth && leader(&found).1 > 0.9, "{:?}", leader(&found));
        // What was looked for is not asked for again.
        assert!(next.iter().all(|s| s.measurement != Measurement::Look(look)));
    }
}

#[test]
fn with_every_shunt_off_a_second_one_is_gone_and_a_bridge_is_not() {
    let board = vent_controller();
    let (second, bridge) = twins(&board);
    let Fault::PinsBridged { between, .. } = bridge else { unreachable!() };
    let setting = strapwise::board::Setting::all_open(&board);
    let across = Measurement::Ohms { between, setting, joined: true };
    let shown = |faults: &[Fault]| {
        let mut built = Built::good(&board, strapwise::circuit::Parts::nominal(&board));
        faults.iter().for_each(|&f| built.plant(&board, f));
        measured(&board, &built, &across, 0.0)
    };
    assert_eq!(shown(&[second]), shown(&[]));
    assert!(shown(&[bridge]) < 1.0 && shown(&[]) > 10.0, "{} {}", shown(&[bridge]), shown(&[]));
    // Beside the shunt, the bridge of its unit stays.
    assert!(shown(&[second, bridge]) < 1.0);
}

#[test]
fn an_eye_that_sees_nothing_leaves_the_defect_possible() {
    let (_, bridge) = twins(&vent_controller());
    let Fault::PinsBridged { jumper, pins, .. } = bridge else { unreachable!() };
    let (board, mut evidence) = seen(bridge);
    let share = |evidence: &Evidence| {
        let found = weigh(&board, evidence).0;
        let causes = found.classes.iter().flat_map(|c| &c.causes);
        causes.filter(|c| c.faults == [bridge]).map(|c| c.probability).sum::<f64>()
    };
    let before = share(&evidence);
    evidence.looks.push((Look::Bridge(Between::Header { jumper, pins }), false));
    let after = share(&evidence);
    assert!(after < before && after > 0.02, "{before} {after}");
}

/// Pins of two headers that are bridged, and where that is looked for.
fn bridged_headers() -> (Fault, Between) {
    let mut all = modelled(&vent_controller()).into_iter();
    let at_headers = all.find_map(|fault| match fault {
        Fault::HeadersBridged { jumpers, pins, .. } => {
            Some((fault, Between::Headers { jumpers, pins }))
        }
        _ => None,
    });
    at_headers.expect("two headers that are neighbours")
}

#[test]
fn who_saw_nothing_of_one_cause_is_sent_to_the_other_before_it_counts_as_settled() {
    // The pins of two channels bridged on the chip, or at the headers: one circuit, two places.
    let (truth, headers) = bridged_headers();
    let (board, mut evidence) = seen(truth);
    evidence.looks.push((Look::Bridge(headers), false));
    let (found, next) = weigh(&board, &evidence);
    let (Fault::ChannelsBridged { channels, .. }, held) = leader(&found) else {
        panic!("{:?}", leader(&found))
    };
    assert!(held > 0.95, "{held}");
    let look = Look::Bridge(Between::Chip { channels });
    // Nearly sure as it is, an iron goes there at once; a look would do as well.
    let iron = Look::Desoldered(Between::Chip { channels });
    assert_eq!(next.first().map(|s| &s.measurement), Some(&Measurement::Look(iron)));
    assert!(next.iter().any(|s| s.measurement == Measurement::Look(look)), "{next:?}");
    // Seen there it is settled; not seen there either it stays open.
    let told = |yes: bool| {
        let mut evidence = evidence.clone();
        evidence.looks.push((look, yes));
        let (found, next) = weigh(&board, &evidence);
        (leader(&found).1, next.len())
    };
    let (held, left) = told(true);
    assert!(held > 0.99 && left == 0, "{held} {left}");
    assert!(told(false).0 < 0.95);
}

#[test]
fn where_nothing_was_seen_at_either_place_an_iron_tells_them_apart() {
    let (truth, headers) = bridged_headers();
    let (board, mut evidence) = seen(truth);
    let (found, next) = weigh(&board, &evidence);
    let (Fault::ChannelsBridged { channels, .. }, _) = leader(&found) else {
        panic!("{:?}", leader(&found))
    };
    // Nobody puts an iron where nobody looked and another place is as likely as one in five.
    let iron = |s: &Suggestion| matches!(s.measurement, Measurement::Look(Look::Desoldered(_)));
    assert!(!next.iter().any(iron), "{next:?}");
    let chip = Between::Chip { channels };
    evidence.looks.extend([(Look::Bridge(headers), false), (Look::Bridge(chip), false)]);
    let told = |outcomes: &[(Between, bool)]| {
        let mut evidence = evidence.clone();
        evidence.looks.extend(outcomes.iter().map(|&(at, yes)| (Look::Desoldered(at), yes)));
        let (found, next) = weigh(&board, &evidence);
        let text = diagnosis::text(&board, &evidence, &found, &next, 80);
        (leader(&found), next.first().map(|s| s.measurement.clone()), text)
    };
    // It goes first where the solder is likelier; in vain there, to the other place.
    let (_, next, text) = told(&[]);
    assert_eq!(next, Some(Measurement::Look(Look::Desoldered(chip))));
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let asked = "of the chip with iron and braid, power off: does the unit then read as it should?";
    assert!(words.contains(asked), "{text}");
    let (_, next, _) = told(&[(chip, false)]);
    assert_eq!(next, Some(Measurement::Look(Look::Desoldered(headers))));
    let ((cause, held), next, text) = told(&[(chip, false), (headers, true)]);
    assert!(cause == truth && held > 0.98 && next.is_none(), "{cause:?} {held} {next:?}");
    assert!(text.contains("The unit was mended by this: draw the solder off"), "{text}");
}

#[test]
fn a_good_unit_is_sent_to_no_blade_and_no_iron() {
    let board = vent_controller();
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let mut rng = ChaCha8Rng::seed_from_u64(22);
    let built = unit(&board, &[], &mut rng);
    let evidence = evidence(&board, &walk, &built, &mut rng);
    let (found, next) = weigh(&board, &evidence);
    assert!(found.classes[0].causes.iter().any(|c| c.faults.is_empty()), "{found:?}");
    let by_hand = |s: &Suggestion| match s.measurement {
        Measurement::Look(look) => look.changes_the_unit(),
        _ => false,
    };
    let next = spared(next);
    assert!(!next.is_empty() && !next.iter().any(by_hand), "{next:?}");
}

#[test]
fn a_joint_soldered_anew_tells_a_pin_that_is_not_soldered_from_a_resistor_that_is_open() {
    let board = vent_controller();
    let open = modelled(&board).into_iter().find_map(|fault| match fault {
        Fault::PinOpen { channel } if board.channels[channel].id == "PROFILE" => Some(channel),
        _ => None,
    });
    let channel = open.expect("the pin of PROFILE");
    let (board, mut evidence) = seen(Fault::PinOpen { channel });
    let look = Look::Resoldered { channel };
    evidence.looks.push((Look::PinJoint { channel }, false));
    let (before, next) = weigh(&board, &evidence);
    assert!(leader(&before).1 < 0.95, "{:?}", leader(&before));
    assert!(next.iter().any(|s| s.measurement == Measurement::Look(look)), "{next:?}");
    evidence.looks.push((look, true));
    let (found, _) = weigh(&board, &evidence);
    assert!(leader(&found).0 == (Fault::PinOpen { channel }) && leader(&found).1 > 0.9);
}

#[test]
fn a_bridge_is_one_cause_whether_it_is_clean_or_poor() {
    let board = vent_controller();
    let bridge = modelled(&board).into_iter().find_map(|f| match f {
        Fault::ChannelsBridged { channels, .. } => Some(channels),
        _ => None,
    });
    let channels = bridge.expect("channels side by side");
    let ohms = strapwise::units::Ohms(1.0);
    let (board, evidence) = seen(Fault::ChannelsBridged { channels, ohms });
    let found = weigh(&board, &evidence).0;
    let same =
        |f: &Fault| matches!(f, Fault::ChannelsBridged { channels: c, .. } if *c == channels);
    let causes = found.classes.iter().flat_map(|c| &c.causes);
    assert_eq!(causes.filter(|c| c.faults.iter().all(same)).count(), 1, "{:?}", found.classes[0]);
}

#[test]
fn a_lamp_that_stays_dark_is_looked_at_by_itself() {
    let board = vent_controller();
    let of = |id: &str| board.resistors.iter().position(|r| r.id == id).expect("the resistor");
    let question = board.questions.iter().position(|q| q.id == "lamps-lit").expect("a question");
    let dark = Fault::ResistorOpen { resistor: of("R30") };
    let (board, mut evidence) = seen(dark);
    let (found, next) = weigh(&board, &evidence);
    assert!(leader(&found).1 < 0.6, "two lamps, either of which may be dark: {found:?}");
    let lamp = |id: &str| Look::Lamp { question, resistor: of(id) };
    let asks = |s: &Suggestion| {
        s.measurement == Measurement::Look(lamp("R30"))
            || s.measurement == Measurement::Look(lamp("R31"))
    };
    assert!(next.iter().any(asks));
    evidence.looks.extend([(lamp("R30"), false), (lamp("R31"), true)]);
    let found = weigh(&board, &evidence).0;
    // A short across the other one darkens it too, so that it is not certain.
    let (first, probability) = leader(&found);
    assert!(first == dark && probability > 0.5, "{:?}", found.classes[0]);
    let other = Fault::ResistorOpen { resistor: of("R31") };
    let causes = found.classes.iter().flat_map(|c| &c.causes);
    let left: f64 = causes.filter(|c| c.faults == [other]).map(|c| c.probability).sum();
    assert!(left < 0.01, "{left}");
}

#[test]
fn every_look_has_a_name_that_the_command_line_reads_and_words_for_the_operator() {
    let board = vent_controller();
    let looks = Look::all(&board);
    assert!(looks.len() > 40, "{}", looks.len());
    for look in looks {
        let name = flag(&board, look);
        let read = named(&board, &name).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(read.same(&look), "{name}: {read:?}");
        assert!(name.is_ascii() && !name.contains(' '), "{name}");
        let told = diagnosis_next::measurement(&board, &Measurement::Look(look));
        assert!(told.ends_with('?'), "{told}");
    }
    assert!(named(&board, "printed:R3:220R").is_ok());
    // Ends may be typed in either order.
    for (turned, name) in [
        ("bridge:J1:3-1", "bridge:J1:1-3"),
        ("scraped:J1:3-1", "scraped:J1:1-3"),
        ("bridge:J3:1:J2:1", "bridge:J2:1:J3:1"),
        ("mistaken:J3:J2", "mistaken:J2:J3"),
    ] {
        assert_eq!(named(&board, turned), named(&board, name), "{turned}");
        assert!(named(&board, name).is_ok(), "{name}");
    }
    assert!(named(&board, "bridge:J1:9-1").is_err());
    assert!(named(&board, "second-shunt:J9").unwrap_err().starts_with("this board has second-"));
    assert!(named(&board, "smell:J1").unwrap_err().contains("second-shunt"));
}

#[test]
fn what_was_looked_for_stands_among_what_speaks_for_a_cause() {
    let (second, _) = twins(&vent_controller());
    let (board, mut evidence) = seen(second);
    let Fault::SecondShunt { jumper, .. } = second else { unreachable!() };
    evidence.looks.push((Look::SecondShunt { jumper }, true));
    let (found, next) = weigh(&board, &evidence);
    let text = diagnosis::text(&board, &evidence, &found, &next, 80);
    let told = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let line = format!("for: look at {}: is there a shunt on it", board.jumpers[jumper].id);
    assert!(told.contains(&line), "{text}");
}

/// A row of a value that a person read of a channel before the power was on.
fn typed(setting: &str, answer: &str, ohm: Option<f64>) -> Row {
    Row {
        row: RowKind::Check,
        mode: "meter".into(),
        channel: "OHMS".into(),
        setting: setting.into(),
        answer: answer.into(),
        ohm,
        ..Row::default()
    }
}

#[test]
fn values_typed_in_the_test_speak_for_the_part_that_is_wrong() {
    let board = board_of(BOARD);
    let r3 = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
    let good = [
        typed("J1=fitted J2=fitted", "1k", Some(1e3)),
        typed("J1=fitted J2=open", "3k2", Some(3.2e3)),
    ];
    let evidence = Evidence::of(&board, &good);
    assert_eq!((evidence.meter.len(), evidence.left_out.len()), (2, 0), "{evidence:?}");
    assert!(weigh(&board, &evidence).0.classes[0].causes[0].faults.is_empty());
    let bad = [
        typed("J1=fitted J2=fitted", "10k", Some(10e3)),
        typed("J1=fitted J2=open", "12k2", Some(12.2e3)),
    ];
    let found = weigh(&board, &Evidence::of(&board, &bad)).0;
    let (fault, probability) = leader(&found);
    let ohms = strapwise::units::Ohms(10e3);
    assert!(Look::Printed { resistor: r3, ohms }.same(&match fault {
        Fault::ResistorValue { resistor, ohms } => Look::Printed { resistor, ohms },
        other => panic!("{other:?}"),
    }));
    assert!(probability > 0.8, "{probability}");
    // Over the meter's range: a part is open.
    let over = [typed("J1=fitted J2=fitted", "OL", None)];
    let found = weigh(&board, &Evidence::of(&board, &over)).0;
    assert_eq!(leader(&found).0, Fault::ResistorOpen { resistor: r3 });
}

#[test]
fn a_question_for_any_other_value_answers_for_each_of_them() {
    let board = vent_controller();
    let r40 = board.resistors.iter().position(|r| r.id == "R40").expect("R40");
    let (_, mut evidence) = seen(Fault::ResistorValue { resistor: r40, ohms: Ohms(47e3) });
    let odds = |evidence: &Evidence| {
        let found = diagnose(&board, evidence, &Options::default());
        let causes = found.classes.iter().flat_map(|c| &c.causes);
        let of = |f: &Fault| matches!(f, Fault::ResistorValue { resistor, .. } if *resistor == r40);
        causes.filter(|c| c.faults.iter().any(of)).map(|c| c.probability).sum::<f64>()
    };
    let before = odds(&evidence);
    evidence.looks.push((Look::OtherValue { resistor: r40 }, false));
    let denied = odds(&evidence);
    assert!(denied < before, "{before} {denied}");
    // Who has read the value is not asked for others of it.
    let (_, next) = weigh(&board, &evidence);
    let asked = |s: &Suggestion| matches!(s.measurement, Measurement::Look(Look::Printed { resistor, .. }) if resistor == r40);
    assert!(!next.is_empty() && !next.iter().any(asked), "{next:?}");
}

#[test]
fn a_unit_is_not_powered_where_a_likely_cause_shorts_its_supply() {
    let board = vent_controller();
    let r12 = board.resistors.iter().position(|r| r.id == "R12").expect("R12");
    // Fitted, J3 joins a shorted pull-up to ground.
    let (_, mut evidence) = seen(Fault::ResistorShorted { resistor: r12 });
    evidence.silent_after = evidence.readings.last().map(|r| r.setting.clone());
    let (found, next) = weigh(&board, &evidence);
    let (j3, nothing) = (board.jumper("J3").expect("J3"), Place::Open);
    assert!(!next.is_empty(), "something is left to measure: {:?}", found.classes);
    for suggestion in next {
        let (Measurement::Volts { setting, .. } | Measurement::Reading { setting, .. }) =
            suggestion.measurement
        else {
            continue;
        };
        assert_eq!(setting.0[j3], nothing, "J3 stays off");
    }
}

#[test]
fn ohms_between_the_steps_of_a_family_do_not_exclude_it() {
    let board = vent_controller();
    let r40 = board.resistors.iter().position(|r| r.id == "R40").expect("R40");
    let channel = board.channel("HUMID").expect("HUMID");
    let net = board.channels[channel].net;
    for leak in [61e3, 78e3, 91e3, 110e3] {
        let fault = Fault::PinLeaks { channel, to: Level::Low, ohms: Ohms(leak) };
        let (_, mut evidence) = seen(fault);
        let ohms = Ohms(1.0 / (1.0 / leak + 1.0 / board.resistors[r40].ohms.0));
        let setting = Setting::all_open(&board);
        let between = [net, board.supply.ground];
        evidence.meter.push(Meter::Ohms { between, setting, joined: true, ohms });
        let found = diagnose(&board, &evidence, &Options::default());
        let leaks = |f: &Fault| matches!(f, Fault::PinLeaks { channel: c, .. } if *c == channel);
        let causes = found.classes.iter().flat_map(|c| &c.causes);
        let odds: f64 = causes.filter(|c| leaks(&c.faults[0])).map(|c| c.probability).sum();
        // Before the meter nothing speaks against the leak but odds of some to one.
        assert!(odds > 1e-3, "{leak}: {odds}");
    }
}

#[test]
fn ohms_through_what_is_between_the_rails_are_expected_anywhere_between() {
    let board = vent_controller();
    let built = Built::good(&board, Parts::nominal(&board));
    let loop_net = board.channels[board.channel("LOOP").expect("LOOP")].net;
    let shown = |joined: bool| {
        let (setting, between) = (Setting::all_open(&board), [loop_net, board.supply.ground]);
        measured(&board, &built, &Measurement::Ohms { between, setting, joined }, 0.0)
    };
    // 47 kΩ to either rail: half of it with the rails joined; with nothing between them but the
    // ladder of 8.2 kΩ, 25.4 kΩ.
    assert!((shown(true) / 23.5e3 - 1.0).abs() < 1e-3, "{}", shown(true));
    assert!((23.6e3..25.3e3).contains(&shown(false)), "{}", shown(false));
}

#[test]
fn a_pin_between_the_levels_may_look_open_once_it_was_discharged() {
    let board = vent_controller();
    let jumper = board.jumper("J3").expect("J3");
    let poor = Fault::ContactResistive { jumper, position: 0, ohms: Ohms(8.8e3) };
    let (_, mut evidence) = seen(poor);
    let channel = board.channel("ADDR1").expect("ADDR1");
    let fitted = |r: &&mut Reading| r.channel == channel && r.setting.0[jumper] != Place::Open;
    for reading in evidence.readings.iter_mut().filter(fitted) {
        (reading.read, reading.proof) = (Read::Level { ones: 1.0 }, Proof::Open);
    }
    let (found, next) = weigh(&board, &evidence);
    let same = |f: &Fault| matches!(f, Fault::ContactResistive { jumper: j, .. } if *j == jumper);
    let causes = found.classes.iter().flat_map(|c| &c.causes);
    let poor: f64 = causes.filter(|c| same(&c.faults[0])).map(|c| c.probability).sum();
    assert!(poor > 0.3 && found.explained, "{:?}", found.classes);
    // A pull-up that is bridged, with a supply that feeds the short, has the pin there as well: the
    // supply is not put on it again to find out.
    let resistor = board.resistors.iter().position(|r| r.id == "R12").expect("R12");
    assert!(leader(&found).1 < 0.95, "{:?}", found.classes);
    let powered = |s: &Suggestion| match &s.measurement {
        Measurement::Volts { setting, .. } | Measurement::Reading { setting, .. } => {
            Built::with(&board, Fault::ResistorShorted { resistor }).shorts(&board, setting, &[])
        }
        _ => false,
    };
    assert!(!next.is_empty() && !next.iter().any(powered), "{next:?}");
}

#[test]
fn a_short_over_one_of_two_lamps_leaves_both_dark_and_no_lamp_is_asked_for() {
    let board = vent_controller();
    let id = |id: &str| board.resistors.iter().position(|r| r.id == id).expect("a lamp");
    let lamps = [id("R30"), id("R31")];
    let shorted = lamps.map(|resistor| Fault::ResistorShorted { resistor });
    let question = board.questions.iter().position(|q| q.lit.contains(&lamps[0])).expect("lit");
    for resistor in lamps {
        let look = Look::Lamp { question, resistor };
        let yes = shorted.map(|fault| look.yes(&board, &[fault]));
        assert!(yes[0] < 0.5 && yes[0] == yes[1], "{yes:?}");
    }
    let open = Fault::ResistorOpen { resistor: lamps[0] };
    let look = |resistor: usize| Look::Lamp { question, resistor }.yes(&board, &[open]);
    assert!(
        look(lamps[0]) < 0.5 && look(lamps[1]) > 0.5,
        "the other lamp glows beside an open one"
    );
}

#[test]
fn ohms_that_one_cause_gives_to_the_digit_are_not_set_aside_for_one_that_does_not() {
    // ADDR0 reads low with its shunt off. The pin stuck in the chip leaves the rails bare without
    // power; a bridge of J2 joins them through R11, so that the ladder's R2 shows less.
    let board = vent_controller();
    let stuck = modelled(&board).into_iter().find(|fault| match *fault {
        Fault::PinStuck { channel, level } => {
            board.channels[channel].id == "PROFILE" && level == Level::Low
        }
        _ => false,
    });
    let stuck = stuck.expect("a pin stuck low");
    let (board, mut evidence) = seen(stuck);
    let net = |name: &str| NetId(board.nets.iter().position(|n| n == name).expect(name));
    let meter = |ohms: f64| Meter::Ohms {
        between: ["TAP2", "TAP3"].map(net),
        setting: Setting::all_open(&board),
        joined: false,
        ohms: Ohms(ohms),
    };
    evidence.meter.push(meter(1.0));
    let top = metered(&board, &evidence, &[stuck])[0].predicted.1;
    evidence.meter = vec![meter(top)];
    let (found, _) = weigh(&board, &evidence);
    assert!(leader(&found).0 == stuck && leader(&found).1 > 0.9, "{:?}", leader(&found));
    assert_eq!(set_apart(&board, &evidence, &Options::default(), &found), None);
}

#[test]
fn a_value_that_alone_decides_is_measured_again_and_counts_once_it_was() {
    // A good unit, and the 10 kOhm of its R12 typed as 1k.
    let board = vent_controller();
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let mut rng = ChaCha8Rng::seed_from_u64(22);
    let built = unit(&board, &[], &mut rng);
    let mut evidence = evidence(&board, &walk, &built, &mut rng);
    let r12 = board.resistors.iter().position(|r| r.id == "R12").expect("R12");
    let value = |ohms: f64| Meter::Ohms {
        between: board.resistors[r12].between,
        setting: Setting::all_open(&board),
        joined: false,
        ohms: Ohms(ohms),
    };
    let apart = |evidence: &Evidence| {
        let (found, _) = weigh(&board, evidence);
        (leader(&found), set_apart(&board, evidence, &Options::default(), &found))
    };
    evidence.measured(&board, value(1e3));
    let ((fault, held), again) = apart(&evidence);
    assert!(matches!(fault, Fault::ResistorValue { resistor, .. } if resistor == r12), "{fault:?}");
    let again = again.unwrap_or_else(|| panic!("{held}"));
    assert!(again.alone && again.meter == [0], "{again:?}");
    // The right value takes its place; the same one is confirmed.
    let mut right = evidence.clone();
    assert_eq!(right.measured(&board, value(9.98e3)), Some(value(1e3)));
    assert_eq!(right.meter, [value(9.98e3)]);
    let (found, _) = weigh(&board, &right);
    assert!(found.classes[0].causes[0].faults.is_empty(), "{:?}", leader(&found));
    evidence.measured(&board, value(1.001e3));
    let ((fault, held), again) = apart(&evidence);
    assert!(matches!(fault, Fault::ResistorValue { resistor, .. } if resistor == r12), "{held}");
    assert_eq!(again, None);
}
