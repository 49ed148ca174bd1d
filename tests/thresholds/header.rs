//! The written header, compiled and asked for every code and every level there is.

use crate::boards::{address, external, head, ladder, parse, quarters, resistor};
use std::fmt::Write;
use std::path::Path;
use std::process::{Command, Output};
use strapwise::board::{Board, Kind, Level};
use strapwise::report::{c_header, c_names};
use strapwise::window::{Windows, option_read, windows};

const STRICT: [&str; 5] = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic"];

/// Two analog channels, one of them a weighted network of two shunts, and a digital one, that make
/// one option together; some jumpers do not matter to some rows.
fn mixed() -> String {
    let delivery = "J1 = \"up\"\nJ2 = \"open\"\nJ3 = \"open\"\nJ4 = \"open\"";
    let mut text = head("mixed", delivery);
    text += &resistor("R1", "VCC", "TOP", "1k", "1%");
    text += &resistor("R2", "TOP", "GND", "2k2", "1%");
    text += &resistor("R3", "SUM", "GND", "4k7", "1%");
    text += &resistor("R4", "SUM", "LEG4", "10k", "1%");
    text += &resistor("R5", "SUM", "LEG5", "20k", "1%");
    text += &resistor("R6", "VCC", "BIT", "10k", "5%");
    text += "[[jumper]]\nid = \"J1\"\npositions = [\n\
             { name = \"up\", pins = [1, 2], joins = [\"TOP\", \"PICK\"] },\n\
             { name = \"down\", pins = [3, 4], joins = [\"GND\", \"PICK\"] }]\n";
    for (id, from, to) in [("J2", "LEG4", "VCC"), ("J3", "LEG5", "VCC"), ("J4", "BIT", "GND")] {
        let _ = writeln!(
            text,
            "[[jumper]]\nid = \"{id}\"\nopen = true\npositions = [{{ name = \"on\", \
             pins = [1, 2], joins = [\"{from}\", \"{to}\"] }}]"
        );
    }
    for (id, net, pin, kind) in [
        ("LEVEL", "PICK", "PC0", "analog"),
        ("WEIGHT", "SUM", "PC1", "analog"),
        ("BIT", "BIT", "PD2", "digital"),
    ] {
        let _ = writeln!(
            text,
            "[[channel]]\nid = \"{id}.ch\"\nnet = \"{net}\"\npin = \"{pin}\"\nkind = \"{kind}\""
        );
    }
    text + "[[options]]\nid = \"mode\"\nchannels = [\"BIT.ch\", \"LEVEL.ch\", \"WEIGHT.ch\"]\n\
            when = [\n\
            { J1 = \"down\", J4 = \"on\", means = \"off\" },\n\
            { J1 = \"down\", J4 = \"open\", J2 = \"on\", means = \"slow\" },\n\
            { J1 = \"up\", J2 = \"open\", J3 = \"on\", means = \"fast\" },\n\
            { J1 = \"up\", J2 = \"on\", J3 = \"on\", J4 = \"on\", means = \"fast\" },\n]\n"
}

/// Names that C keeps for itself, that become alike in C, or that would end a comment.
fn awkward() -> String {
    let options = ["a b", "a-b", "A_B", "größe", "鉢", "*/ #error x", "??/", "while"];
    ladder(&options, "0.5%")
        .replace("name = \"ladder\"", "name = \"int\"")
        .replace("\"which\"", "\"return\"\nlabel = \"a /* b */ \\\\\"")
        .replace("\"PICK\"", "\"double\"")
        .replace("revision = \"A\"", "revision = \"??/ \\\\\"\nabout = \"ends in a question???/\"")
}

/// A tap of a ladder with a pull-down, and no position for a header without shunt: what it reads
/// is no option's unless a tap is near 0 V.
fn pulled_down() -> String {
    ladder(&["a", "b", "c", "d", "e"], "1%")
        .replace("{ name = \"0\", pins = [1, 2], joins = [\"GND\", \"PICK\"] },\n", "")
        .replace("{ J1 = \"0\", means = \"a\" },\n", "")
        + "[firmware]\ngap = \"60%\"\n"
        + &resistor("RP", "PICK", "GND", "100k", "5%")
}

/// Ten bits of which some rows leave some open, and many levels are no option.
fn ten_bits() -> String {
    let text = address(10, external, false);
    let parts = text.split("when = [").next().unwrap();
    parts.to_string()
        + "when = [\n\
           { J0 = \"fitted\", J9 = \"open\", means = \"first\" },\n\
           { J0 = \"open\", J1 = \"fitted\", J9 = \"open\", means = \"second\" },\n\
           { J2 = \"open\", J3 = \"open\", J4 = \"open\", J5 = \"open\", J6 = \"fitted\", \
           J7 = \"fitted\", J8 = \"fitted\", J9 = \"fitted\", means = \"first\" },\n]\n"
}

fn boards() -> Vec<Board> {
    let demo = include_str!("../../protocols/vent-controller.toml");
    let texts = [
        demo.to_string(),
        quarters(),
        awkward(),
        mixed(),
        pulled_down(),
        address(3, external, false).replace("\"address-board\"", "\"4bits\""),
        ten_bits(),
    ];
    texts.iter().map(|t| parse(t)).collect()
}

fn run(command: &mut Command) -> Output {
    let output = command.output().unwrap_or_else(|e| panic!("{command:?}: {e}"));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}\n{said}");
    output
}

/// The channels of a set with the values that a test gives them: all codes of a channel that is
/// alone, some of each among several.
struct Asked {
    analog: Vec<Vec<u16>>,
    levels: u32,
}

fn asked(board: &Board, windows: &Windows, set: usize) -> Asked {
    let channels = &board.options[set].channels;
    let analog: Vec<usize> =
        channels.iter().copied().filter(|&c| board.channels[c].kind == Kind::Analog).collect();
    let digital = channels.len() - analog.len();
    let full = board.chip.full_scale;
    let codes = |&c: &usize| -> Vec<u16> {
        if channels.len() == 1 {
            return (0..=full).collect();
        }
        // Every limit, and the codes beside it.
        let limits = windows.channels[c].classes.iter().flat_map(|class| match class.limits {
            strapwise::window::Limits::Codes { low, high } => [low, high],
            _ => [0, 0],
        });
        let mut near: Vec<u16> =
            limits.flat_map(|l| [l.saturating_sub(1), l, (l + 1).min(full)]).collect();
        near.sort_unstable();
        near.dedup();
        near
    };
    Asked { analog: analog.iter().map(codes).collect(), levels: 1 << digital }
}

/// Every combination of the values asked for, codes first, then the levels.
fn combinations(asked: &Asked) -> Vec<(Vec<u16>, u32)> {
    let mut all: Vec<Vec<u16>> = vec![Vec::new()];
    for codes in &asked.analog {
        all = all
            .iter()
            .flat_map(|a| codes.iter().map(move |&c| a.iter().copied().chain([c]).collect()))
            .collect();
    }
    all.iter().flat_map(|codes| (0..asked.levels).map(move |l| (codes.clone(), l))).collect()
}

/// What the windows make of codes and levels.
fn by_windows(
    board: &Board,
    windows: &Windows,
    set: usize,
    codes: &[u16],
    levels: u32,
) -> Option<String> {
    let (mut codes, mut bit) = (codes.iter(), 0);
    let classes: Vec<(usize, Option<usize>)> = board.options[set]
        .channels
        .iter()
        .map(|&c| match board.channels[c].kind {
            Kind::Analog => {
                let code = *codes.next().expect("a code for each analog channel");
                (c, windows.channels[c].class_of_code(f64::from(code)))
            }
            Kind::Digital => {
                let level = if levels >> bit & 1 == 1 { Level::High } else { Level::Low };
                bit += 1;
                (c, windows.channels[c].class_of_level(level))
            }
            Kind::Meter { .. } => panic!("the firmware has no meter"),
        })
        .collect();
    option_read(board, windows, set, &classes)
}

/// A program that decodes everything asked for, a line each, after the numbers of the options.
fn program(names: &c_names::CNames, all: &[Asked]) -> String {
    let mut codes = String::new();
    let mut main = String::new();
    for (set, (names, asked)) in names.sets.iter().zip(all).enumerate() {
        let _ = writeln!(main, "    puts(\"set {set}\");");
        for (_, enumerator) in &names.options {
            let _ = writeln!(main, "    printf(\"%d\\n\", (int){enumerator});");
        }
        let mut arguments: Vec<String> = Vec::new();
        for (i, list) in asked.analog.iter().enumerate() {
            let text: Vec<String> = list.iter().map(u16::to_string).collect();
            let (n, text) = (list.len(), text.join(", "));
            let _ = writeln!(codes, "static const uint16_t s{set}c{i}[] = {{ {text} }};");
            let at = format!("i{set}_{i}");
            let _ = writeln!(main, "    for (int {at} = 0; {at} < {n}; {at}++)");
            arguments.push(format!("s{set}c{i}[{at}]"));
        }
        let levels = asked.levels;
        let _ = writeln!(main, "    for (uint32_t l{set} = 0; l{set} < {levels}u; l{set}++)");
        match names.digital.len() {
            0 => {}
            1..=8 => arguments.push(format!("(uint8_t)l{set}")),
            _ => arguments.push(format!("(uint16_t)l{set}")),
        }
        let (function, arguments) = (&names.function, arguments.join(", "));
        let _ = writeln!(main, "    printf(\"%d\\n\", (int){function}({arguments}));");
    }
    format!(
        "#include \"options.h\"\n#include \"options.h\"\n#include <stdio.h>\n\n{codes}\n\
         int main(void)\n{{\n{main}    return 0;\n}}\n"
    )
}

/// Compiles what is in a folder for the host and runs it.
fn compiled_and_run(folder: &Path) -> Vec<String> {
    let compiler = std::env::var("CC").unwrap_or_else(|_| "cc".into());
    let program = folder.join("program");
    let source = folder.join("main.c");
    run(Command::new(compiler).args(STRICT).arg(&source).arg("-o").arg(&program));
    let output = run(&mut Command::new(program));
    String::from_utf8(output.stdout).unwrap().lines().map(str::to_string).collect()
}

fn compiled_for_avr(folder: &Path) {
    let mut avr = Command::new("avr-gcc");
    avr.arg("-mmcu=atmega328p").args(STRICT).arg("-Os").arg("-c");
    avr.arg(folder.join("main.c")).arg("-o").arg(folder.join("main.o"));
    run(&mut avr);
}

#[test]
fn the_header_compiles_without_warnings_and_decodes_every_code_as_the_windows_do() {
    let avr = Command::new("avr-gcc").arg("--version").output().is_ok();
    let mut opens = 0;
    for board in boards() {
        let windows = windows(&board).unwrap();
        let names = c_names::names(&board, &windows);
        let header = c_header::text(&board, &windows).unwrap();
        let all: Vec<Asked> =
            (0..board.options.len()).map(|set| asked(&board, &windows, set)).collect();
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("options.h"), &header).unwrap();
        std::fs::write(folder.path().join("main.c"), program(&names, &all)).unwrap();
        if avr {
            compiled_for_avr(folder.path());
        }
        let mut lines = compiled_and_run(folder.path()).into_iter();
        for (set, (of_set, asked)) in names.sets.iter().zip(&all).enumerate() {
            assert_eq!(lines.next(), Some(format!("set {set}")));
            let numbers: Vec<String> = of_set.options.iter().flat_map(|_| lines.next()).collect();
            for (codes, levels) in combinations(asked) {
                let number = lines.next().expect("a line for each");
                let at = numbers.iter().position(|n| *n == number);
                let decoded = at.map(|i| of_set.options[i].0.clone());
                let expected = by_windows(&board, &windows, set, &codes, levels);
                assert_eq!(decoded, expected, "{}: {codes:?} {levels:b}", board.name);
                // Neither an option nor none: a header without shunt.
                opens += usize::from(at.is_none() && header.contains(&format!("_OPEN = {number}")));
            }
        }
        assert_eq!(lines.next(), None);
    }
    assert!(opens > 0, "no board of these has a header without shunt that is no option");
}

#[test]
fn the_comment_names_board_revision_and_the_file_it_was_made_from() {
    let board = parse(&quarters());
    let text = c_header::text(&board, &windows(&board).unwrap()).unwrap();
    assert!(text.starts_with("/* Options of ladder revision A,"), "{text}");
    assert_eq!(board.sha256.len(), 64);
    assert!(text.contains(&board.sha256) && text.contains("ATmega328P"), "{text}");
    assert!(text.contains("#ifndef LADDER_OPTIONS_H\n#define LADDER_OPTIONS_H\n"), "{text}");
}

#[test]
fn names_that_become_alike_are_told_apart_and_stay_within_what_c_tells_apart() {
    let long = awkward().replace("name = \"int\"", &format!("name = \"{}\"", "uint".repeat(16)));
    for text in [awkward(), long] {
        let board = parse(&text);
        let windows = windows(&board).unwrap();
        let names = c_names::names(&board, &windows);
        let set = &names.sets[0];
        let mut all: Vec<&String> = set.options.iter().map(|(_, name)| name).collect();
        all.extend(set.analog[0].windows.iter().flat_map(|(low, high)| [low, high]));
        all.extend([&set.none, &set.open, &set.function, &set.analog[0].open.0, &names.guard]);
        let distinct: std::collections::BTreeSet<_> = all.iter().collect();
        assert_eq!(distinct.len(), all.len(), "{all:?}");
        for name in all {
            assert!(name.starts_with("BOARD_") || name.starts_with("board_"), "{name}");
            // C99 5.2.4.1: 63 significant characters in a macro or an internal name.
            assert!(name.len() <= 63, "{name}");
        }
    }
}

#[test]
fn a_set_of_more_bits_than_an_integer_has_is_refused() {
    let mut board = parse(&address(3, external, false));
    // Channels named again and again: what counts is their number.
    board.options[0].channels = (0..33).map(|i| i % 3).collect();
    let windows = windows(&board).unwrap();
    let told = c_header::text(&board, &windows).expect_err("33 bits");
    assert!(told.contains("33 digital channels, a C header can have 32"), "{told}");
}

#[test]
fn a_set_that_a_person_reads_with_a_meter_is_no_business_of_the_firmware() {
    let text = quarters()
        + &resistor("RM", "M1", "M2", "100R", "1%")
        + "[[jumper]]\nid = \"J7\"\nopen = true\npositions = [{ name = \"on\", pins = [1, 2], \
           joins = [\"M1\", \"M2\"] }]\n[[channel]]\nid = \"OHMS\"\nkind = \"meter\"\n\
           between = [\"M1\", \"M2\"]\n[[options]]\nid = \"shunt\"\nchannels = [\"OHMS\"]\n\
           when = [{ J7 = \"on\", means = \"0 ohm\" }, { J7 = \"open\", means = \"100 ohm\" }]\n";
    let board = parse(&text.replace("J1 = \"1\"\n", "J1 = \"1\"\nJ7 = \"open\"\n"));
    let windows = windows(&board).unwrap();
    let header = c_header::text(&board, &windows).unwrap();
    assert!(header.contains("/* shunt is read with a meter"), "{header}");
    assert!(header.contains("ladder_which_read") && !header.contains("shunt_read"), "{header}");
    // It is not asked what the firmware makes of it either.
    let codes = [100.0, 156.0, 356.0, 412.0, 612.0, 668.0, 868.0, 924.0].to_vec();
    let compare = strapwise::board::Compare::Below;
    let said =
        strapwise::board::Decoding::Thresholds { channel: 0, codes, compare, options: vec![] };
    let check = strapwise::window::check(&board, &[said]).unwrap();
    assert_eq!((check.positions.len(), check.findings.len()), (5, 0), "{check:?}");
}
