//! Units known good by other means name the net, or the order, that the board file has wrong.

mod diagnose_support;

use diagnose_support::{evidence, unit};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use strapwise::board::{Board, NetId, parse};
use strapwise::circuit::{Circuit, Parts, SHORT_BELOW};
use strapwise::diagnose::{
    Correction, Entry, Evidence, Gap, Options, apart, corrections, diagnose,
};
use strapwise::faults::Fault;
use strapwise::report::diagnosis_trust::Trusted;
use strapwise::units::Ohms;
use strapwise::walk::{self, Walk};
use strapwise::window;

/// The board as it is built, and the sequence that its units went through.
fn built() -> (Board, Walk) {
    let board = parse("demo", include_str!("../protocols/vent-controller.toml")).expect("a board");
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    (board, walk)
}

fn units(board: &Board, walk: &Walk, seed: u64) -> Vec<Evidence> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut one = || {
        let built = unit(board, &[], &mut rng);
        evidence(board, walk, &built, &mut rng)
    };
    (0..3).map(|_| one()).collect()
}

fn net(board: &Board, name: &str) -> NetId {
    NetId(board.nets.iter().position(|n| n == name).expect("a net"))
}

/// What units of the board as built say of a file with this slip of the pen.
fn of_slip(slip: impl Fn(&mut Board)) -> (Board, Vec<Correction>) {
    let (board, walk) = built();
    let mut file = board.clone();
    slip(&mut file);
    let found = corrections(&file, &units(&board, &walk, 5));
    (file, found)
}

fn told(file: &Board, found: &[Correction]) -> String {
    text(file, &["A", "B", "C"], found, &[], &[])
}

fn text(
    file: &Board,
    units: &[&str],
    found: &[Correction],
    apart: &[usize],
    gaps: &[Gap],
) -> String {
    let units: Vec<String> = units.iter().map(ToString::to_string).collect();
    let gaps = match gaps {
        [] => vec![Gap::default(); units.len()],
        gaps => gaps.to_vec(),
    };
    let filed = vec![Vec::new(); units.len()];
    Trusted { units: &units, found, apart, gaps: &gaps, filed: &filed }.text(file)
}

fn first_of(found: &[Correction]) -> &Entry {
    let first = found.first().expect("the file is contradicted");
    assert!(first.least > 0.0 && first.explained == 3, "{found:?}");
    &first.entry
}

#[test]
fn a_resistor_that_the_file_has_at_another_net_is_named_with_its_nets() {
    let (board, _) = built();
    let r3 = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
    let (file, found) = of_slip(|f| f.resistors[r3].between[1] = net(f, "GND"));
    let between = [net(&board, "TAP3"), net(&board, "TAP4")];
    assert_eq!(*first_of(&found), Entry::ResistorNets { resistor: r3, between });
    let text = told(&file, &found);
    let line = "R3: between = [\"TAP3\", \"TAP4\"] in place of [\"TAP3\", \"GND\"]";
    assert!(text.replace("\n  ", " ").contains(line), "{text}");
    assert!(text.replace("\n  ", " ").contains("explains this circuit)"), "{text}");
}

#[test]
fn two_slips_in_two_circuits_are_both_named_and_nothing_else() {
    let (board, _) = built();
    let of = |id: &str| board.resistors.iter().position(|r| r.id == id).expect("a resistor");
    let (r3, r21) = (of("R3"), of("R21"));
    let (file, found) = of_slip(|f| {
        f.resistors[r3].between[1] = net(f, "GND");
        f.resistors[r21].ohms = Ohms(22e3);
    });
    let of_r3 = |e: &Entry| matches!(e, Entry::ResistorNets { resistor, .. } if *resistor == r3);
    assert!(found.iter().any(|c| of_r3(&c.entry) && c.explained == 3), "{found:?}");
    let of_r21 = |e: &Entry| match e {
        Entry::Defect(Fault::ResistorValue { resistor, ohms }) => {
            (*resistor, *ohms) == (r21, Ohms(47e3))
        }
        _ => false,
    };
    assert!(found.iter().any(|c| of_r21(&c.entry) && c.explained == 3), "{found:?}");
    let text = told(&file, &found);
    let sound = ["R11", "R12", "R13", "R40", "J2", "J3", "J4"];
    assert!(!sound.iter().any(|id| text.contains(id)), "{text}");
}

#[test]
fn two_positions_exchanged_in_the_file_are_named() {
    let j1 = 0;
    let (file, found) = of_slip(|f| {
        let joins = f.jumpers[j1].positions[1].joins.clone();
        f.jumpers[j1].positions[1].joins = f.jumpers[j1].positions[2].joins.clone();
        f.jumpers[j1].positions[2].joins = joins;
    });
    assert_eq!(*first_of(&found), Entry::Order { jumper: j1, order: vec![0, 2, 1, 3, 4] });
    let text = told(&file, &found);
    assert!(text.contains("J1: the joins of 2 and 3 exchanged"), "{text}");
}

#[test]
fn positions_that_the_file_has_all_one_too_far_are_named() {
    let j1 = 0;
    let (_, found) = of_slip(|f| {
        let mut joins: Vec<_> = f.jumpers[j1].positions.iter().map(|p| p.joins.clone()).collect();
        joins.rotate_right(1);
        f.jumpers[j1].positions.iter_mut().zip(joins).for_each(|(p, joins)| p.joins = joins);
    });
    assert_eq!(*first_of(&found), Entry::Order { jumper: j1, order: vec![1, 2, 3, 4, 0] });
}

#[test]
fn a_position_that_the_file_has_at_another_net_is_named() {
    let (board, _) = built();
    let (file, found) = of_slip(|f| f.jumpers[0].positions[3].joins[0][0] = net(f, "GND"));
    let joins = [net(&board, "TAP4"), net(&board, "PICK")];
    let entry = Entry::PositionNets { jumper: 0, position: 3, pole: 0, joins };
    assert_eq!(*first_of(&found), entry);
    let text = told(&file, &found).replace("\n  ", " ");
    assert!(text.contains("J1, position 4: joins = [\"TAP4\", \"PICK\"]"), "{text}");
}

#[test]
fn two_channels_exchanged_in_the_file_are_named_among_what_explains_the_units() {
    let (board, _) = built();
    let [a, b] = ["ADDR1", "ADDR2"].map(|id| board.channel(id).expect("a channel"));
    let (_, found) = of_slip(|f| {
        let net = f.channels[a].net;
        f.channels[a].net = f.channels[b].net;
        f.channels[b].net = net;
    });
    // Two headers taken for each other is the same to every reading.
    let entry = Entry::ChannelsExchanged { channels: [a, b] };
    let named = found.iter().find(|c| c.entry == entry);
    assert_eq!(named.map(|c| c.explained), Some(3), "{found:?}");
}

#[test]
fn units_of_a_file_without_a_slip_agree_with_it() {
    let (file, found) = of_slip(|_| {});
    assert_eq!(found, []);
    assert_eq!(told(&file, &found), "3 trusted units agree with the board file.\n");
}

#[test]
fn a_unit_that_contradicts_the_file_alone_is_named_and_the_file_left_as_it_is() {
    let (board, walk) = built();
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let r3 = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
    let mut trusted = units(&board, &walk, 5);
    let odd = unit(&board, &[Fault::ResistorOpen { resistor: r3 }], &mut rng);
    trusted[1] = evidence(&board, &walk, &odd, &mut rng);
    let found = corrections(&board, &trusted);
    assert_eq!(found, []);
    let apart = apart(&board, &trusted, &found);
    assert_eq!(apart, [1]);
    let text = text(&board, &["A", "B", "C"], &found, &apart, &[]).replace("\n  ", " ");
    assert!(text.starts_with("B contradicts the board file where the others agree"), "{text}");
    // Where they are as many as the others, nobody says that the others are right.
    let said = self::text(&board, &["A", "B", "C"], &found, &[0, 1], &[]);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    let words = "2 of 3 units contradict the board file, and no single entry explains it: A and B.";
    assert!(said.starts_with(words), "{said}");
}

/// So many units with R3 of the file, and so many with another value.
fn mixed(board: &Board, walk: &Walk, as_filed: usize, other: usize) -> Vec<Evidence> {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let resistor = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
    let wrong = [Fault::ResistorValue { resistor, ohms: Ohms(2700.0) }];
    let faults =
        std::iter::repeat_n(&[][..], as_filed).chain(std::iter::repeat_n(&wrong[..], other));
    faults.map(|f| evidence(board, walk, &unit(board, f, &mut rng), &mut rng)).collect()
}

#[test]
fn where_units_disagree_most_of_them_have_the_word_and_the_others_are_named_beside() {
    let (board, walk) = built();
    let r3 = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
    let names = ["A", "B", "C", "D", "E", "F"];
    for (as_filed, other) in [(1, 5), (2, 4), (1, 1)] {
        let units = mixed(&board, &walk, as_filed, other);
        let found = corrections(&board, &units);
        let first = found.first().expect("the file is contradicted");
        let value = Entry::Defect(Fault::ResistorValue { resistor: r3, ohms: Ohms(2700.0) });
        assert_eq!((&first.entry, first.explained), (&value, other), "{found:?}");
        assert_eq!(first.against, (0..as_filed).collect::<Vec<_>>());
        // An entry of any value does not bring both kinds together.
        assert!(found.iter().all(|c| c.explained <= other && c.against == first.against));
        let apart = apart(&board, &units, &found);
        assert_eq!(apart, Vec::<usize>::new());
        let names = &names[..as_filed + other];
        let said = text(&board, names, &found, &apart, &[]);
        let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
        let disagree = match other {
            1 => "One of 2 trusted units disagrees with the board file".to_string(),
            _ => format!("{other} of {} trusted units disagree with the board file", names.len()),
        };
        for words in [
            &disagree,
            "- R3: value = \"2.7 kΩ\" in place of ",
            &format!(
                "explains this circuit in {other} of {}) against: {}",
                names.len(),
                names[..as_filed].join(" and ")
            ),
            "or the file is right, and the others all have the same part wrong",
        ] {
            assert!(said.contains(words), "{words} in {said}");
        }
    }
    // The file has most of them.
    let units = mixed(&board, &walk, 5, 1);
    let found = corrections(&board, &units);
    assert_eq!(found, []);
    assert_eq!(apart(&board, &units, &found), [5]);
}

#[test]
fn what_was_not_read_of_a_unit_is_said_and_bears_no_witness() {
    let (board, walk) = built();
    let profile = board.channel("PROFILE").expect("a channel");
    let mut units = units(&board, &walk, 5);
    units[0].readings.retain(|r| r.channel != profile);
    let gaps: Vec<Gap> = units.iter().map(|unit| Gap::of(&board, unit)).collect();
    assert_eq!((gaps[0].channels.as_slice(), &gaps[1]), (&[profile][..], &Gap::default()));
    assert!(Gap::common(&gaps).is_none());
    let said = text(&board, &["A", "B", "C"], &[], &[], &gaps);
    assert_eq!(said, "3 trusted units agree with the board file.\n- not read in A: PROFILE\n");
    // Only the two that were read there are asked about the ladder.
    let r3 = board.resistors.iter().position(|r| r.id == "R3").expect("R3");
    let mut file = board.clone();
    file.resistors[r3].ohms = Ohms(3300.0);
    let found = corrections(&file, &units);
    assert_eq!((found[0].explained, found[0].asked), (2, 2), "{found:?}");
    let said = text(&file, &["A", "B", "C"], &found, &[], &gaps);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("this circuit in 2 of the 2 that were read there)"), "{said}");
    // Nobody read it at all, and one was cut short before most places.
    units.iter_mut().for_each(|unit| unit.readings.retain(|r| r.channel != profile));
    units[2].readings.retain(|r| r.step == 1);
    let gaps: Vec<Gap> = units.iter().map(|unit| Gap::of(&board, unit)).collect();
    assert_eq!(Gap::common(&gaps).channels, [profile]);
    assert!(!gaps[2].places.is_empty());
    let said = text(&board, &["A", "B", "C"], &[], &[], &gaps);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.starts_with("3 trusted units agree with the board file as far as"), "{said}");
    assert!(said.contains("Not read in any of these records: PROFILE."), "{said}");
    assert!(said.contains("- not read in C: PROFILE, J2="), "{said}");
}

/// One net of one entry is another than on the board.
fn slip(file: &mut Board, rng: &mut ChaCha8Rng) -> String {
    let net = NetId(rng.random_range(0..file.nets.len()));
    let end = usize::from(rng.random::<bool>());
    match rng.random_range(0..3) {
        0 => {
            let r = rng.random_range(0..file.resistors.len());
            file.resistors[r].between[end] = net;
            format!("{} at {}", file.resistors[r].id, file.nets[net.0])
        }
        1 => {
            let j = rng.random_range(0..file.jumpers.len());
            let position = rng.random_range(0..file.jumpers[j].positions.len());
            file.jumpers[j].positions[position].joins[0][end] = net;
            format!("{}, position {position}, at {}", file.jumpers[j].id, file.nets[net.0])
        }
        _ => {
            let channel = rng.random_range(0..file.channels.len());
            file.channels[channel].net = net;
            format!("{} at {}", file.channels[channel].id, file.nets[net.0])
        }
    }
}

fn stands(file: &Board, walk: &Walk) -> bool {
    let parts = Parts::nominal(file);
    let short = |setting| {
        let solved = Circuit::solve(file, &parts, setting, &[]);
        solved.supply_current().0 > file.supply.volts.0 / SHORT_BELOW.0
    };
    let apart = |nets: &[NetId; 2]| nets[0] != nets[1];
    file.resistors.iter().all(|r| apart(&r.between))
        && file.jumpers.iter().flat_map(|j| &j.positions).all(|p| apart(&p.joins[0]))
        && !walk.steps.iter().any(|step| short(&step.setting))
}

#[test]
fn whatever_net_the_file_has_wrong_an_entry_is_named_that_explains_the_units() {
    let (board, walk) = built();
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let (mut seen, mut alike) = (0, 0);
    while seen < 40 {
        let mut file = board.clone();
        let slip = slip(&mut file, &mut rng);
        if !stands(&file, &walk) {
            continue;
        }
        let units = units(&board, &walk, rng.random());
        let found = corrections(&file, &units);
        // A file that explains its units as well as the right one, or about so, has no slip that they
        // could show: an open digital pin may happen to read as it should.
        let agrees = |seen: &Evidence| {
            let found = diagnose(&file, seen, &Options::default());
            let causes = found.classes.iter().flat_map(|c| &c.causes);
            causes.filter(|c| c.faults.is_empty()).map(|c| c.probability).sum::<f64>() > 0.02
        };
        if found.is_empty() {
            assert!(units.iter().all(agrees), "nothing is named for {slip}");
            alike += 1;
        } else {
            let best = found.iter().find(|c| c.explained == 3);
            assert!(best.is_some(), "{slip}: {found:?}");
            seen += 1;
        }
    }
    assert!(alike < 40, "{alike} slips did not show");
}
