//! `design` and `new` as a maker runs them.

mod cli_support;

use cli_support::{names, rows, strapwise};
use proptest::prelude::*;
use std::path::Path;

fn path(folder: &Path, name: &str) -> String {
    folder.join(name).to_str().unwrap().to_string()
}

/// The smallest distance between the bands of a channel, by the table of `windows`.
fn distance(board: &str) -> f64 {
    let ended = strapwise(&["windows", board, "--format", "csv"]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    let figure = |row: &std::collections::HashMap<String, String>, column: &str| -> f64 {
        row[column].parse().unwrap()
    };
    let mut bands: Vec<(f64, f64)> = rows(ended.out.as_bytes())
        .iter()
        .filter(|row| !row["channel"].is_empty())
        .map(|row| (figure(row, "band_low"), figure(row, "band_high")))
        .collect();
    bands.sort_by(|a, b| a.0.total_cmp(&b.0));
    bands.windows(2).map(|pair| pair[1].0 - pair[0].1).fold(f64::INFINITY, f64::min)
}

#[test]
fn the_margin_that_design_promises_is_what_windows_finds_on_the_board_it_wrote() {
    let networks: [&[&str]; 4] = [
        &["--ladder", "8"],
        &["--ladder", "3", "--ends", "supply", "--open", "ground"],
        &["--weighted", "2", "--to", "ground"],
        &["--weighted", "4", "--form", "three-pin"],
    ];
    for network in networks {
        let folder = tempfile::tempdir().unwrap();
        let board = path(folder.path(), "chosen.toml");
        let flags = ["design", "--board", &board, "--format", "csv"];
        let ended = strapwise(&[&flags[..], network].concat());
        assert_eq!(ended.code, Some(0), "{}", ended.err);
        let table = rows(ended.out.as_bytes());
        assert_eq!(table.len(), 5, "the best and four runners-up: {}", ended.out);
        let margin: f64 = table[0]["margin_code"].parse().unwrap();
        let bound: f64 = table[0]["bound_code"].parse().unwrap();
        // Both tables round to a tenth of a code.
        assert!((distance(&board) - margin).abs() < 0.16, "{network:?}: {margin}");
        assert!(margin <= bound, "{network:?}: {margin} over {bound}");
        assert_eq!(table[0]["search"], "exact");
    }
}

#[test]
fn design_chooses_from_a_list_or_from_a_file_of_values_in_stock() {
    let folder = tempfile::tempdir().unwrap();
    let file = path(folder.path(), "drawer.csv");
    std::fs::write(&file, "bin,Value\r\nA1,1k\r\nA2,2k2\r\nA3,\r\nA4,4k7\r\n").unwrap();
    let run =
        |stock: &str| strapwise(&["design", "--ladder", "3", "--stock", stock, "--format", "json"]);
    let (list, read) = (run("4k7,2k2, 1k"), run(&file));
    assert_eq!((list.code, &list.out), (Some(0), &read.out), "{}{}", list.err, read.err);
    let best = "4k7 4k7";
    assert!(list.out.contains(best), "{}", list.out);

    std::fs::write(&file, "value\n1k\n2q2\n").unwrap();
    let ended = run(&file);
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("drawer.csv, line 3: `2q2`"), "{}", ended.err);
    std::fs::write(&file, "ohms\n1k\n").unwrap();
    assert!(run(&file).err.contains("names no column `value`"));
}

#[test]
fn settings_that_no_resistors_tell_apart_are_a_fail_with_the_bound_and_a_way_out() {
    let ended = strapwise(&["design", "--weighted", "4"]);
    assert_eq!(ended.code, Some(1), "{}", ended.err);
    assert!(ended.out.contains("no resistors of any value"), "{}", ended.out);
    assert!(ended.out.contains("--form three-pin"), "{}", ended.out);
}

#[test]
fn a_limit_that_leaves_no_choice_is_named() {
    let open = ["--ladder", "5", "--ends", "supply", "--open", "ground", "--pull"];
    let current = "that of the current, 1 mA (--current), leaves none";
    let source = "that of the source resistance, 10 kΩ (--source-limit), leaves none";
    let cases: [(&[&str], &str, &[&str]); 4] = [
        (&[&open[..], &["4k7", "--input", "1k"]].concat(), current, &["--current", "10mA"]),
        (&["--ladder", "4", "--stock", "1k"], current, &["--current", "2mA"]),
        (&["--weighted", "2", "--pull", "10k"], source, &["--source-limit", "12k"]),
        (&[&open[..], &["10k"]].concat(), source, &["--source-limit", "12k"]),
    ];
    for (flags, told, wider) in cases {
        let ended = strapwise(&[&["design"], flags].concat());
        assert_eq!(ended.code, Some(1), "{flags:?}: {}{}", ended.out, ended.err);
        let said = ended.out.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains(told), "{flags:?}: {said}");
        let ended = strapwise(&[&["design"], flags, wider].concat());
        assert_eq!(ended.code, Some(0), "{flags:?} with {wider:?}: {}", ended.out);
    }
}

#[test]
fn design_refuses_flags_that_cannot_be_used() {
    let cases: [(&[&str], &str); 5] = [
        (&["--ladder", "4", "--series", "E25"], "`E25` is no E series"),
        (&["--ladder", "4", "--tolerance", "0.01"], "neither % nor ppm"),
        (&["--ladder", "4", "--current", "0A"], "above zero"),
        (&["--ladder", "4", "--range", "1k"], "is not a range"),
        (&["--ladder", "4", "--stock", "/no/such.csv"], "--stock: "),
    ];
    for (flags, words) in cases {
        let ended = strapwise(&[&["design"], flags].concat());
        assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{flags:?}");
        assert!(ended.err.contains(words), "{}", ended.err);
    }
    assert_eq!(strapwise(&["design"]).code, Some(2), "neither --ladder nor --weighted");
}

#[test]
fn new_writes_a_board_and_its_bill_and_overwrites_neither() {
    let folder = tempfile::tempdir().unwrap();
    let (board, bill) = (path(folder.path(), "vent.toml"), path(folder.path(), "bill.csv"));
    let flags = ["new", &board, "--bom", &bill, "--ladder", "mode: positions=4; input=1k"];
    let ended = strapwise(&flags);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    assert!(ended.out.contains("next: strapwise windows"), "{}", ended.out);
    assert_eq!(strapwise(&["windows", &board]).code, Some(0));
    let parts = rows(&std::fs::read(&bill).unwrap());
    assert_eq!(parts[0]["kind"], "resistor");

    let before = std::fs::read(&board).unwrap();
    let again = strapwise(&flags);
    assert_eq!(again.code, Some(2));
    assert!(again.err.contains("nothing is overwritten"), "{}", again.err);
    assert_eq!(std::fs::read(&board).unwrap(), before);
    let other = path(folder.path(), "other.toml");
    let ended = strapwise(&["new", &other, "--bom", &bill, "--select", "vent"]);
    assert_eq!(ended.code, Some(2), "the bill is there already");
    assert_eq!(names(folder.path()), ["bill.csv", "vent.toml"]);
}

#[test]
fn new_takes_the_limits_that_design_takes_and_a_file_name_with_a_blank() {
    let folder = tempfile::tempdir().unwrap();
    let board = path(folder.path(), "my board.toml");
    let ladder = "mode: positions=3; ends=supply; open=ground; pull=10k; source-limit=12k";
    let ended = strapwise(&["new", &board, "--ladder", ladder]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    assert!(ended.out.contains("board file with one channel\n"), "{}", ended.out);
    assert!(std::fs::read_to_string(&board).unwrap().contains("name = \"my-board\""));
}

#[test]
fn windows_shows_the_bands_of_positions_that_overlap_beside_the_complaint() {
    let folder = tempfile::tempdir().unwrap();
    let board = path(folder.path(), "close.toml");
    assert_eq!(strapwise(&["new", &board, "--ladder", "mode: values=1k,1k,1k"]).code, Some(0));
    let text = std::fs::read_to_string(&board).unwrap();
    let first = text.find("value = \"1k\"").unwrap();
    let close = text[..first].to_string() + &text[first..].replacen("\"1k\"", "\"5R\"", 1);
    std::fs::write(&board, close).unwrap();
    let ended = strapwise(&["windows", &board]);
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("overlap by"), "{}", ended.err);
    let rows: Vec<&str> = ended.out.lines().filter(|l| l.trim_start().starts_with("J1=")).collect();
    assert_eq!(rows.len(), 4, "{}", ended.out);
    assert!(rows[0].ends_with("J1=2") && rows[1].ends_with("J1=1"), "{}", ended.out);
    assert!(rows[2].ends_with('-') && rows[3].ends_with('-'), "{}", ended.out);
    // A script that asked for a table gets none that looks whole.
    assert_eq!(strapwise(&["windows", &board, "--format", "csv"]).out, "");
}

#[test]
fn new_refuses_what_makes_no_board_and_writes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let board = path(folder.path(), "vent.toml");
    let cases: [(&[&str], &str); 13] = [
        (&[], "no template that a pin reads"),
        (&["--ladder", "mode: values=1k,1k; positions=5"], "`values` and `positions`"),
        (&["--weighted", "mix: values=1k,2k; pull=1k; series=E12"], "`values` and `series`"),
        (
            &["--weighted", "mix: shunts=2; pull=10k"],
            "no values keep within the limit source-limit=10k",
        ),
        (
            &["--ladder", "mode: positions=5; input=1k; open=ground; ends=supply; pull=4k7"],
            "no values keep within the limit current=1 mA",
        ),
        (&["--output", "pump: dummy=15 ohm; sag=1mV..2mV"], "no template that a pin reads"),
        (&["--ladder", "mode"], "neither `values` nor `positions`"),
        (&["--ladder", "mode: taps=4"], "the key `taps` is not known; known: positions"),
        (&["--ladder", "mode: positions=4; positions=5"], "stands there twice"),
        (&["--ladder", "mode: values=1k,1q"], "`1q` is not a resistance"),
        (&["--ladder", "mode: values=1k,1k; pull=10k"], "say where: open=ground"),
        (&["--ladder", "mode: values=10R,10k,10R; tolerance=1%"], "overlap"),
        (&["--address", "bus: bits=2", "--output", "pump: off=low"], "`dummy` is missing"),
    ];
    for (flags, words) in cases {
        let ended = strapwise(&[&["new", board.as_str()], flags].concat());
        assert_eq!(ended.code, Some(2), "{flags:?}: {}", ended.out);
        assert!(ended.err.contains(words), "{flags:?}: {}", ended.err);
        assert!(names(folder.path()).is_empty(), "{flags:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn whatever_flags_new_takes_windows_reads_the_file(
        ladder in prop::option::of((2_usize..6, prop::sample::select(vec![
            "ends=both", "ends=none", "ends=supply; open=ground", "ends=ground; open=supply",
        ]), any::<bool>())),
        bits in 1_usize..4,
        pull in prop::sample::select(vec!["pull=10k", "pull=internal", "to=supply; pull=4k7"]),
        select in any::<bool>(),
        isolate in any::<bool>(),
        three_pin in any::<bool>(),
        supply in prop::sample::select(vec!["3V3", "5V"]),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let board = path(folder.path(), "any.toml");
        let mut flags = vec!["new".to_string(), board.clone(), "--supply".into(), supply.into()];
        let mut add = |flag: &str, text: String| flags.extend([flag.to_string(), text]);
        add("--address", format!("bus: bits={bits}; {pull}"));
        if let Some((positions, ends, input)) = ladder {
            let input = if input { "; input=470R" } else { "" };
            add("--ladder", format!("mode: positions={positions}; {ends}{input}"));
        }
        if three_pin {
            add("--weighted", "mix: shunts=3; form=three-pin; series=E12".into());
        }
        if select {
            add("--select", "vent".into());
        }
        if isolate {
            add("--isolate", "lamps: lamps=470R,330R".into());
        }
        let flags: Vec<&str> = flags.iter().map(String::as_str).collect();
        let ended = strapwise(&flags);
        prop_assert_eq!(ended.code, Some(0), "{}", ended.err);
        let ended = strapwise(&["windows", &board]);
        prop_assert_eq!(ended.code, Some(0), "{}", ended.err);
    }
}

#[test]
fn design_and_new_take_a_chip_from_a_file_with_its_table() {
    let folder = tempfile::tempdir().unwrap();
    let (chip, board) = (path(folder.path(), "chip.toml"), path(folder.path(), "board.toml"));
    let table = "# from its data sheet\n[chip]\npart = \"XY1234\"\nsupply = \"2.7V..3.6V\"\n\
                 bits = 12\ntotal = \"12 LSB max\"\nusable = \"5%..95%\"\n\
                 correction = [\n  [0, 120],   # foot\n  [4095, 3900],\n]\n\
                 leakage = \"100nA max\"\nvil = \"30%\"\nvih = \"70%\"\n\
                 pins = [{ name = \"A0\", adc = 0, digital = true }]\n";
    std::fs::write(&chip, table).unwrap();
    let flags = ["--chip", &chip, "--supply", "3.3V"];
    let ladder = ["design", "--ladder", "4", "--ends", "none", "--board", &board];
    let ended = strapwise(&[&ladder[..], &flags].concat());
    assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.err);
    assert!(ended.out.contains("search: exact"), "{}", ended.out);
    let text = std::fs::read_to_string(&board).unwrap();
    assert!(text.contains("chip = \"generic\"") && text.contains("XY1234"), "{text}");
    assert_eq!(strapwise(&["windows", &board]).code, Some(0));

    let other = path(folder.path(), "other.toml");
    let new = ["new", &other, "--ladder", "mode: positions=3; ends=none"];
    let ended = strapwise(&[&new[..], &flags].concat());
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    assert_eq!(strapwise(&["windows", &other]).code, Some(0));

    std::fs::write(&chip, table.replace("12 LSB max", "12 LSB")).unwrap();
    let ended = strapwise(&[&ladder[..5], &flags].concat());
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("chip.toml:6:"), "{}", ended.err);
    let ended = strapwise(&["design", "--ladder", "4", "--chip", "generic"]);
    assert!(ended.err.contains("name a file with its `[chip]` table"), "{}", ended.err);
}
