//! The forms of SPICE. Syntax: ngspice manual, chapters "Circuit Description" and "Circuit
//! Elements" (from memory); what ngspice itself makes of the same lines is in `against_ngspice`.

use super::{board_file, complaint, read, with_netlist};
use strapwise::board::Feed;
use strapwise::units::{Ohms, Ratio, Volts};

/// Two taps, as every test here has them.
const TAPS: &str = "two taps\nR1 VCC TAP1 10k\nR2 TAP1 TAP2 10k\nR3 TAP2 0 10k\n";

#[test]
fn a_netlist_gives_the_resistors_and_the_board_file_their_jumpers_and_channels() {
    let board = with_netlist(TAPS).unwrap();
    let ids: Vec<_> = board.resistors.iter().map(|r| r.id.as_str()).collect();
    assert_eq!(ids, ["R1", "R2", "R3"]);
    assert!(board.resistors.iter().all(|r| r.ohms == Ohms(10e3) && r.tolerance == Ratio(0.01)));
    assert_eq!(board.resistors[0].between[0], board.supply.net);
    assert_eq!(board.resistors[2].between[1], board.supply.ground, "node 0 is ground");
    // The jumper's nets are the netlist's.
    assert_eq!(board.jumpers[0].positions[0].joins[0][0], board.resistors[0].between[1]);
}

#[test]
fn node_and_part_names_count_alike_in_either_case_and_gnd_is_ground() {
    let lower = "title\nr1 vcc tap1 10k\nr2 tap1 tap2 10k\nr3 TAP2 gnd 10k\n.END\n";
    let (a, b) = (with_netlist(TAPS).unwrap(), with_netlist(lower).unwrap());
    let between =
        |b: &strapwise::board::Board| b.resistors.iter().map(|r| r.between).collect::<Vec<_>>();
    assert_eq!(between(&a), between(&b));
    let twice = format!("{TAPS}r2 TAP1 0 1k\n");
    assert!(complaint(with_netlist(&twice)).contains("`r2` is already the id of a resistor"));
}

#[test]
fn suffixes_are_those_of_spice_where_m_is_milli_and_meg_is_mega() {
    // Factors: ngspice manual, table of scale factors (from memory).
    for (text, ohms) in [
        ("10", 10.0),
        ("4.7k", 4700.0),
        ("1K", 1e3),
        ("100m", 0.1),
        ("100M", 0.1),
        ("1meg", 1e6),
        ("2.2MEG", 2.2e6),
        ("1MegOhm", 1e6),
        ("10kohm", 1e4),
        ("1e3", 1e3),
        ("1.5E+2k", 1.5e5),
        (".5", 0.5),
        ("1g", 1e9),
        ("1T", 1e12),
        ("1000000u", 1.0),
        ("R=22k", 22e3),
    ] {
        let board = with_netlist(&format!("{TAPS}R9 TAP1 0 {text}\n")).expect(text);
        let found = board.resistors[3].ohms.0;
        assert!((found / ohms - 1.0).abs() < 1e-12, "{text}: {found}");
    }
}

#[test]
fn what_spice_programs_read_in_two_ways_is_refused() {
    for (line, why) in [
        ("R9 TAP1 0 4k7", "has digits after its suffix"),
        ("I1 TAP1 0 1A", "amperes to others"),
        ("R9 TAP1 0 10V", "`10V` is no resistance"),
        ("C9 TAP1 0 10ohm", "`10ohm` is no capacitance"),
        ("R9 TAP1 0 ten", "`ten` is no number"),
        ("R9 TAP1 0 {value}", "`{value}` is no number"),
        ("R9 TAP1 0 10k 20k", "has `20k` after its value"),
        ("R9 TAP1 0 10k tc1=1m", "has `tc1=1m` after its value"),
        ("V9 TAP1 0 SIN(0 1 1k)", "`SIN(0` is no number"),
        ("V9 TAP1 0", "has no constant value"),
        ("R9 TAP1 0", "R9 has no value"),
        ("R9 TAP1", "R9 has not its two nodes"),
        ("R9 TAP1 TAP1 1k", "R9 joins TAP1 to itself"),
        ("1R TAP1 0 1k", "`1R` names no part"),
        (".include parts.lib", "the command `.include` may change the circuit"),
    ] {
        let told = complaint(with_netlist(&format!("{TAPS}{line}\n")));
        assert!(told.contains(why), "{line}: {told}");
        assert!(told.starts_with("boards/board.cir:5:"), "{line}: {told}");
    }
}

#[test]
fn a_resistor_of_zero_or_less_is_refused() {
    let zero = complaint(with_netlist(&format!("{TAPS}R9 TAP1 0 0\n")));
    assert!(zero.contains("R9 has a resistance of 0"), "{zero}");
    assert!(zero.contains("give its two nodes one name"), "{zero}");
    let negative = complaint(with_netlist(&format!("{TAPS}R9 TAP1 0 -10k\n")));
    assert!(negative.contains("resistance of -10k") && negative.contains("above zero"));
}

#[test]
fn comments_continuations_and_analysis_commands_leave_the_circuit_as_it_is() {
    let spread = "title\n* a comment\nR1 VCC\n+ TAP1 ; the first\n* between\n+ 10k\n\n\
                  R2 TAP1 TAP2 10k $ the second\nR3 TAP2 0 10k // the third\n\
                  .op\n.control\nrun\nplot v(tap1)\n.endc\n\
                  .subckt none a b\nQ1 a b c model\n.ends\n.end\nQ9 this is behind the end\n";
    let (a, b) = (with_netlist(TAPS).unwrap(), with_netlist(spread).unwrap());
    let parts = |b: &strapwise::board::Board| format!("{:?}", b.resistors);
    assert_eq!(parts(&a), parts(&b));
}

#[test]
fn a_netlist_without_title_would_lose_its_first_part_and_is_refused() {
    let told = complaint(with_netlist(TAPS.trim_start_matches("two taps\n")));
    assert!(told.contains("boards/board.cir:1:1: the first line of a netlist is its title"));
}

#[test]
fn a_continuation_of_nothing_is_refused() {
    let told = complaint(with_netlist("title\n+ 10k\n"));
    assert!(told.contains("boards/board.cir:2:1: this line continues nothing"), "{told}");
}

#[test]
fn another_element_is_refused_by_name_until_it_is_declared_open_or_given_its_resistance() {
    let netlist = format!("{TAPS}D1 TAP1 0 LED\nQ1 TAP2 TAP1 0 NPN\nXU1 VCC 0 TAP1 MCU\n");
    let told = complaint(with_netlist(&netlist));
    for name in ["D1", "Q1", "XU1"] {
        assert!(told.contains(&format!("{name} is none of R, C, V and I")), "{told}");
    }
    assert!(told.contains("declare it open or give its resistance"), "{told}");
    let section = "[netlist]\nfile = \"board.cir\"\ntolerance = \"1%\"\n\
                   instead = { D1 = \"100k\", Q1 = \"open\", xu1 = \"open\" }\n";
    let board = read(&board_file(section), &[("board.cir", &netlist)]).unwrap();
    assert_eq!(board.resistors.len(), 4);
    assert_eq!((board.resistors[3].id.as_str(), board.resistors[3].ohms), ("D1", Ohms(100e3)));
}

#[test]
fn no_resistance_stands_for_an_element_of_three_poles() {
    let section =
        "[netlist]\nfile = \"board.cir\"\ntolerance = \"1%\"\ninstead = { Q1 = \"1k\" }\n";
    let netlist = format!("{TAPS}Q1 TAP2 TAP1 0 NPN\n");
    let told = complaint(read(&board_file(section), &[("board.cir", &netlist)]));
    assert!(told.contains("Q1 has other poles than two"), "{told}");
}

#[test]
fn an_element_called_like_a_jumper_of_the_board_file_is_that_jumper() {
    let board = with_netlist(&format!("{TAPS}J1 TAP1 PICK TAP2 header\n")).unwrap();
    assert_eq!((board.jumpers.len(), board.resistors.len()), (1, 3));
}

#[test]
fn a_name_under_the_netlist_that_it_has_not_is_told() {
    for key in ["tolerances = { R77 = \"5%\" }", "instead = { D7 = \"open\" }"] {
        let section = format!("[netlist]\nfile = \"board.cir\"\ntolerance = \"1%\"\n{key}\n");
        let told = complaint(read(&board_file(&section), &[("board.cir", TAPS)]));
        assert!(told.contains("the netlist has no element"), "{told}");
    }
}

#[test]
fn the_source_between_the_rails_is_the_supply_and_has_to_agree_with_it() {
    let board = with_netlist(&format!("{TAPS}V1 VCC 0 DC 5\nV2 0 vcc -5 AC 1\n")).unwrap();
    assert!(board.sources.is_empty());
    let told = complaint(with_netlist(&format!("{TAPS}V1 VCC 0 3.3\n")));
    assert!(told.contains("V1 is the supply with 3.3 V"), "{told}");
    assert!(told.contains("[supply] of the board file says 5 V"), "{told}");
}

#[test]
fn further_sources_are_kept_with_their_sign() {
    let board = with_netlist(&format!("{TAPS}V2 TAP1 0 DC 2.5\nI1 0 TAP2 1m\n")).unwrap();
    let feeds: Vec<_> = board.sources.iter().map(|s| (s.id.as_str(), s.feed)).collect();
    assert_eq!(feeds[0], ("V2", Feed::Volts(Volts(2.5))));
    assert!(matches!(feeds[1], ("I1", Feed::Amperes(a)) if a.0 == 1e-3));
    let looped = format!("{TAPS}V2 TAP1 0 2.5\nV3 TAP1 VCC 1\n");
    let told = complaint(with_netlist(&looped));
    assert!(told.contains("V3 closes a loop of voltage sources"), "{told}");
}

#[test]
fn a_tolerance_comes_from_the_part_else_from_the_netlist_else_it_is_missing() {
    let section = "[netlist]\nfile = \"board.cir\"\ntolerance = \"1%\"\n\
                   tolerances = { R2 = \"5%\" }\n";
    let board = read(&board_file(section), &[("board.cir", TAPS)]).unwrap();
    let shares: Vec<f64> = board.resistors.iter().map(|r| r.tolerance.0).collect();
    assert_eq!(shares, [0.01, 0.05, 0.01]);
    let told =
        complaint(read(&board_file("[netlist]\nfile = \"board.cir\"\n"), &[("board.cir", TAPS)]));
    assert!(told.contains("boards/board.cir:2:1: nothing says the tolerance of R1"), "{told}");
}

/// A netlist section with rows of drift, and the array RN1.
fn drifting(rows: &str) -> String {
    format!(
        "[netlist]\nfile = \"board.cir\"\ntolerance = \"1%\"\n[netlist.drift]\n{rows}\n\
         [[array]]\nid = \"RN1\"\nratio = \"0.1%\"\n"
    )
}

#[test]
fn a_resistor_of_a_netlist_drifts_as_the_board_file_says_of_it() {
    let both = "array = \"RN1\", tempco = \"50ppm/K\"";
    let rows = format!("r1 = {{ {both} }}\nR3 = {{ {both} }}\nR2 = {{ ageing = \"0.1%\" }}\n");
    let board = read(&board_file(&drifting(&rows)), &[("board.cir", TAPS)]).unwrap();
    let drift: Vec<_> = board.resistors.iter().map(|r| r.drift).collect();
    assert_eq!((drift[0], drift[0].array), (drift[2], Some(0)));
    assert_eq!(drift[0].tempco, Some((Ratio(-50e-6), Ratio(50e-6))));
    assert_eq!((drift[1].tempco, drift[1].ageing), (None, Some(Ratio(0.001))));
}

#[test]
fn mistakes_in_the_drift_of_a_netlist_are_told() {
    let fed = format!("{TAPS}C1 TAP1 0 10n\n");
    for (rows, what) in [
        ("R9 = { tempco = \"50ppm/K\" }", "the netlist has no element `r9`"),
        ("R1 = { tempco = \"50\" }", "`tempco` of R1: `50` is no temperature coefficient"),
        ("R1 = { tcr = \"50ppm/K\" }", "R1 has no key `tcr`"),
        ("R1 = \"50ppm/K\"", "`R1` of [netlist.drift] is text"),
        ("R1 = { array = \"RN2\" }", "R1 names the array `RN2`"),
        ("C1 = { ageing = \"1%\" }", "C1 is a capacitor; `drift` is for resistors"),
        ("R1 = { array = \"RN1\" }", "RN1 has fewer than two resistors"),
    ] {
        let told = complaint(read(&board_file(&drifting(rows)), &[("board.cir", &fed)]));
        assert!(told.contains(what), "{told}");
    }
}

#[test]
fn a_netlist_that_is_not_there_or_no_text_is_told_at_its_name() {
    let section = "[netlist]\nfile = \"other.cir\"\n";
    let told = complaint(read(&board_file(section), &[("board.cir", TAPS)]));
    assert!(told.contains("boards/other.cir cannot be read: not found"), "{told}");
    let mut bytes = |_: &str| Ok(b"title\nR1 \xff\xfe".to_vec());
    let board = board_file(section);
    let told = strapwise::board::parse_beside("taps.toml", board.as_bytes(), &mut bytes);
    assert!(complaint(told).contains("other.cir:2:4: this is no UTF-8 text"));
    let alone = strapwise::board::parse("taps.toml", &board);
    assert!(complaint(alone).contains("other.cir cannot be read: there is no folder"));
}

#[test]
fn the_checksum_covers_the_files_that_the_board_file_names() {
    let a = with_netlist(TAPS).unwrap().sha256;
    let b = with_netlist(&TAPS.replace("R3 TAP2 0 10k", "R3 TAP2 0 11k")).unwrap().sha256;
    assert_ne!(a, b);
}

#[test]
fn a_hundred_thousand_lines_are_read_in_linear_time() {
    let mut netlist = String::from("a long one\n");
    for n in 0..50_000 {
        netlist += &format!("R{n}a VCC N{n} 10k\nR{n}b N{n} 0 4.7k\n");
    }
    netlist += "R1 VCC TAP1 10k\nR2 TAP1 TAP2 10k\nR3 TAP2 0 10k\n";
    let began = std::time::Instant::now();
    let board = with_netlist(&netlist).unwrap();
    let took = began.elapsed();
    assert_eq!(board.resistors.len(), 100_003);
    // Far above what it takes, so that a busy machine passes and a quadratic one does not.
    assert!(took.as_secs() < 5, "{took:?}");
}
