//! `check-thresholds` and `c-header` as a maker or a script runs them.

use crate::boards::{address, external, ladder, load, quarters, resistor};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

struct Ended {
    code: Option<i32>,
    out: String,
    err: String,
}

fn strapwise(folder: &Path, arguments: &[&str]) -> Ended {
    let output = Command::new(env!("CARGO_BIN_EXE_strapwise"))
        .current_dir(folder)
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    Ended {
        code: output.status.code(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// A folder with files of these names and texts.
fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in files {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    folder
}

/// A ladder, and a load that is held off.
fn good() -> String {
    let held = load("net = \"GATE\"", &resistor("RG", "GATE", "GND", "10k", "5%"));
    quarters() + &held
}

#[test]
fn a_header_that_c_header_wrote_checks_out_with_full_marks() {
    for text in [good(), ladder(&["x y", "x-y", "*/"], "1%"), address(3, external, false)] {
        let folder = folder(&[("board.toml", &text)]);
        let wrote = strapwise(folder.path(), &["c-header", "board.toml", "--out", "options.h"]);
        assert_eq!((wrote.code, wrote.out.as_str()), (Some(0), ""), "{}", wrote.err);
        let printed = strapwise(folder.path(), &["c-header", "board.toml"]);
        let written = std::fs::read_to_string(folder.path().join("options.h")).unwrap();
        assert_eq!(printed.out, written);
        let check = ["check-thresholds", "board.toml", "--header", "options.h"];
        let ended = strapwise(folder.path(), &check);
        assert_eq!(ended.code, Some(0), "{}{}", ended.out, ended.err);
        assert!(ended.out.ends_with("read right on every good unit, nothing to put right\n"));
    }
}

#[test]
fn a_number_changed_by_hand_in_such_a_header_is_found() {
    let folder = folder(&[("board.toml", &good())]);
    let header = strapwise(folder.path(), &["c-header", "board.toml"]).out;
    let line = header.lines().find(|l| l.contains("_B_HIGH ")).unwrap();
    let name = line.split(' ').nth(1).unwrap();
    let changed = header.replace(line, &format!("#define {name} 250u"));
    std::fs::write(folder.path().join("options.h"), changed).unwrap();
    let check = ["check-thresholds", "board.toml", "--header", "options.h", "--format", "csv"];
    let ended = strapwise(folder.path(), &check);
    assert_eq!(ended.code, Some(1), "{}{}", ended.out, ended.err);
    assert!(ended.out.contains("reads as none"), "{}", ended.out);
}

#[test]
fn the_exit_code_says_misread_not_tested_wanting_or_well() {
    let folder = folder(&[("board.toml", &good())]);
    let codes = |list: &str| format!("PICK={list}");
    for (arguments, code) in [
        (vec!["--thresholds".to_string(), codes("256,384,640,896")], 1),
        (vec!["--thresholds".to_string(), codes("128,384,640,896")], 4),
        (vec!["--thresholds".to_string(), codes("100,156,356,412,612,668,868,924")], 0),
        (vec![], 5),
        (vec!["--thresholds".to_string(), codes("128")], 2),
    ] {
        let mut all = vec!["check-thresholds", "board.toml"];
        all.extend(arguments.iter().map(String::as_str));
        let ended = strapwise(folder.path(), &all);
        assert_eq!(ended.code, Some(code), "{arguments:?}\n{}{}", ended.out, ended.err);
    }
}

#[test]
fn names_of_the_products_own_header_stand_for_its_numbers() {
    let header = "#ifndef H\n#define H\n#include <stdint.h>\n#define FULL 1024L\n\
                  #define T_AB (FULL / 8)\nenum { T_BC = 384 };\n\
                  static const uint16_t upper[2] = { 640, 7 * 128 };\n\
                  #define B_LOW 156\n#define B_HIGH 356\n#endif\n";
    let folder = folder(&[("board.toml", &good()), ("product.h", header)]);
    let rows = |arguments: &[&str]| -> Vec<(String, String)> {
        let base = ["check-thresholds", "board.toml", "--header", "product.h", "--format", "json"];
        let ended = strapwise(folder.path(), &[&base[..], arguments].concat());
        assert!(matches!(ended.code, Some(0 | 1 | 4)), "{}", ended.err);
        let rows: serde_json::Value = serde_json::from_str(&ended.out).unwrap();
        let text = |row: &serde_json::Value, key: &str| row[key].as_str().unwrap_or("").to_string();
        let all = rows.as_array().unwrap().iter().filter(|r| r["what"] == "position");
        all.map(|r| (text(r, "option"), text(r, "takes"))).collect()
    };
    let taken = rows(&["--thresholds", "PICK=T_AB,T_BC,upper"]);
    let expected = ["0..127", "128..383", "384..639", "640..895", "896..1023"];
    assert_eq!(taken.iter().map(|(_, t)| t.as_str()).collect::<Vec<_>>(), expected);
    let up_to = rows(&["--thresholds", "PICK=T_AB,T_BC,upper", "--compare", "<="]);
    assert_eq!(up_to[1].1, "129..384");
    let windows = rows(&["--window", "PICK:b=B_LOW..B_HIGH", "--window", "PICK:J1=0=0..100"]);
    assert_eq!(
        windows[..2],
        [("a", "0..100"), ("b", "156..356")].map(|(o, t)| (o.into(), t.into()))
    );
    let ordered = ["--thresholds", "PICK=200,300", "--order", "PICK=b,none,c"];
    assert_eq!(
        rows(&ordered)[1..3],
        [("b", "0..199"), ("c", "300..1023")].map(|(o, t)| (o.into(), t.into()))
    );
}

#[test]
fn bits_and_their_polarity_are_taken_from_the_command_line() {
    let folder = folder(&[("board.toml", &address(3, external, false))]);
    let run = |arguments: &[&str]| {
        let all = [&["check-thresholds", "board.toml"], arguments].concat();
        strapwise(folder.path(), &all)
    };
    assert_eq!(run(&["--bits", "address", "--low", "address=1"]).code, Some(0));
    let wrong = run(&["--bits", "address=BIT0,BIT1,BIT2"]);
    assert_eq!(wrong.code, Some(1));
    assert!(wrong.out.contains("the wrong way round on BIT0, BIT1, BIT2"), "{}", wrong.out);
    let turned = run(&["--bits", "address=BIT2,BIT1,BIT0", "--low", "address=1"]);
    assert_eq!(turned.code, Some(1));
}

#[test]
fn what_stands_on_the_command_line_goes_before_the_board_file() {
    let file = good() + "[[thresholds]]\nchannel = \"PICK\"\ncodes = [256, 384, 640, 896]\n";
    let folder = folder(&[("board.toml", &file)]);
    assert_eq!(strapwise(folder.path(), &["check-thresholds", "board.toml"]).code, Some(1));
    let over = ["check-thresholds", "board.toml", "--thresholds", "PICK=128,384,640,896"];
    assert_eq!(strapwise(folder.path(), &over).code, Some(4));
}

#[test]
fn slips_on_the_command_line_and_in_the_header_are_refused_with_advice() {
    let header = "#define T1 128\n#define F(x) x\n\n#define BIG (1024 * 48)\n#define N -1\n";
    let folder = folder(&[("board.toml", &good()), ("p.h", header), ("open.h", "/* open\n")]);
    for (arguments, told) in [
        (&["--thresholds", "PICX=1"][..], "no analog channel PICX; there are PICK"),
        (&["--thresholds", "PICK"], "write NAME=VALUE, for example PROFILE=128,384"),
        (&["--thresholds", "PICK=T1"], "`T1` is no code; give --header"),
        (&["--thresholds", "PICK=1", "--compare", "="], "write '<', '<=', '>' or '>='"),
        (&["--thresholds", "PICK=1", "--thresholds", "PICK=2"], "was given before"),
        (&["--order", "PICK=a,b"], "give --thresholds or --bits for PICK too"),
        (&["--low", "which=1"], "give --bits which too"),
        (&["--bits", "which"], "no set of options which that is read from levels"),
        (&["--window", "PICK=1..2"], "write CHANNEL:OPTION=LOW..HIGH"),
        (&["--window", "PICK:a=9..2"], "it ends before it begins"),
        (&["--window", "PICK:z=1..2"], "PICK has no option or position `z`"),
        (&["--header", "p.h", "--thresholds", "PICK=F"], "p.h:2: `F` is a macro with arguments"),
        (&["--header", "p.h", "--thresholds", "PICK=BIG"], "p.h:4: `BIG` has 49152"),
        (&["--header", "p.h", "--thresholds", "PICK=N"], "-1 is no code of a converter"),
        (&["--header", "p.h", "--thresholds", "PICK=T2"], "did you mean `T1`?"),
        (&["--header", "open.h"], "open.h:1: the comment does not end"),
        (&["--header", "none.h"], "give the path of a C header"),
    ] {
        let all = [&["check-thresholds", "board.toml"], arguments].concat();
        let ended = strapwise(folder.path(), &all);
        assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{arguments:?}");
        assert!(ended.err.contains(told), "{arguments:?}\n{}", ended.err);
    }
}

#[test]
fn a_header_that_cannot_be_written_is_told_with_its_path() {
    let folder = folder(&[("board.toml", &good())]);
    let out = PathBuf::from("no").join("such").join("options.h");
    let ended =
        strapwise(folder.path(), &["c-header", "board.toml", "--out", out.to_str().unwrap()]);
    assert_eq!(ended.code, Some(2));
    assert!(ended.err.contains("options.h") && ended.err.contains("there is no folder"));
}

#[test]
fn a_file_that_is_there_already_is_not_written_over_unless_asked() {
    const OLD: &str = "/* Written by strapwise c-header from an older board file. */\n";
    let folder = folder(&[("board.toml", &good()), ("options.h", OLD)]);
    let header = || std::fs::read_to_string(folder.path().join("options.h")).unwrap();
    let write = ["c-header", "board.toml", "--out", "options.h"];
    let ended = strapwise(folder.path(), &write);
    assert_eq!((ended.code, header().as_str()), (Some(2), OLD), "{}", ended.err);
    let replaced = strapwise(folder.path(), &[&write[..], &["--replace"]].concat());
    assert_eq!(replaced.code, Some(0), "{}", replaced.err);
    assert!(header().contains("#ifndef"), "{}", header());
}

#[test]
fn every_line_for_people_fits_a_terminal_and_tables_are_whole() {
    let folder = folder(&[("board.toml", &(good() + &load_without_net()))]);
    let check = ["check-thresholds", "board.toml", "--thresholds", "PICK=256,384,640,1024"];
    let text = strapwise(folder.path(), &check).out;
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    let csv = strapwise(folder.path(), &[&check[..], &["--format", "csv"]].concat()).out;
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let columns = reader.headers().unwrap().clone();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let at = |name: &str| columns.iter().position(|c| c == name).unwrap();
    assert_eq!(rows.iter().filter(|r| &r[at("what")] == "position").count(), 5);
    for row in &rows {
        assert!(["pass", "marginal", "fail"].contains(&&row[at("verdict")]), "{row:?}");
        // A finding says what to change; a position has none of its own.
        assert_eq!(&row[at("what")] == "position", row[at("change")].is_empty(), "{row:?}");
    }
    let kinds: Vec<&str> = rows.iter().map(|r| r.get(0).unwrap()).collect();
    for kind in ["threshold", "gap", "scale", "load"] {
        assert!(kinds.contains(&kind), "{kind}: {kinds:?}");
    }
    // One code of a 10-bit converter at 5 V is 4.8828 mV (ATmega328P, "ADC Conversion Result").
    let row = rows.iter().find(|r| &r[at("option")] == "b").unwrap();
    let (codes, mv): (f64, f64) =
        (row[at("margin")].parse().unwrap(), row[at("margin_mv")].parse().unwrap());
    assert!((mv - codes * 4.8828).abs() < 1.0, "{codes} codes, {mv} mV");
}

fn load_without_net() -> String {
    load("", "").replace("FAN", "PUMP").replace("PB4", "PB5")
}
