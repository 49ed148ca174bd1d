//! The maker's commands, run for real: a stand-in program that writes down what it was given.

#![cfg(unix)]

mod cli_support;

use cli_support::{Bench, Ended, PROGRAM, asks, kind, record, small_board};
use std::collections::HashMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Writes a line for each argument it was given, then does what its first one says.
const STAND_IN: &str = r#"#!/bin/sh
for word in "$@"; do printf '[%s]' "$word" >> "$0.given"; done
printf '\n' >> "$0.given"
case "$1" in
    fail) echo "first line" >&2; echo "no programmer found" >&2; exit 3 ;;
    report) cat "$(dirname "$0")/report.txt" ;;
    long) yes x | head -c 300000 ;;
esac
"#;

/// SHA-256 of `abc`: FIPS 180-4, example of its appendix (from memory).
const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

struct Folder {
    folder: tempfile::TempDir,
}

impl Folder {
    fn new(commands: &str) -> Folder {
        let folder = tempfile::tempdir().unwrap();
        let stand_in = folder.path().join("stand-in");
        fs::write(&stand_in, STAND_IN).unwrap();
        fs::set_permissions(&stand_in, fs::Permissions::from_mode(0o755)).unwrap();
        fs::write(folder.path().join("product.hex"), "abc").unwrap();
        let board = format!("{}\n[commands]\n{commands}", small_board());
        fs::write(folder.path().join("board.toml"), board).unwrap();
        Folder { folder }
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    /// A whole good unit, everything answered with Enter.
    fn run(&self) -> Ended {
        let mut command = Command::new(PROGRAM);
        command.arg("bench").arg(self.path().join("board.toml"));
        command.args(["--port", "virtual", "--still", "0.1", "--lot", "L1", "--unit", "U1"]);
        command.arg("--results").arg(self.path());
        let mut bench = Bench::spawn(&mut command);
        bench.enter_until(|_| false);
        bench.end()
    }

    fn record(&self) -> PathBuf {
        self.path().join("blinker/L1/U1-1.csv")
    }

    fn rows(&self) -> Vec<HashMap<String, String>> {
        record(&self.record())
    }

    /// What the stand-in was given, call by call.
    fn given(&self) -> Vec<String> {
        let given = fs::read_to_string(self.path().join("stand-in.given")).unwrap_or_default();
        given.lines().map(str::to_string).collect()
    }
}

fn verdict(rows: &[HashMap<String, String>]) -> &str {
    &rows.iter().rfind(|r| r["row"] == "unit").unwrap()["verdict"]
}

#[test]
fn arguments_arrive_as_they_are_written_without_a_shell() {
    let folder = Folder::new(
        "on_pass = [\"./stand-in\", \"{unit} on {port}\", \"$HOME; *\", \"\", \"{file}\"]\n",
    );
    let ended = folder.run();
    assert_eq!(ended.code, Some(0), "{}\n{}", ended.out, ended.err);
    let file = folder.record();
    assert_eq!(folder.given(), [format!("[U1 on virtual][$HOME; *][][{}]", file.display())]);
    let rows = folder.rows();
    let at = |rule: &str| rows.iter().position(|r| r["rule"] == rule).unwrap();
    let unit = rows.iter().position(|r| r["row"] == "unit").unwrap();
    assert!(unit < at("command begun"), "the label is printed when the verdict is on disk");
    assert!(rows[at("command")]["note"].contains("exit 0"), "{:?}", rows[at("command")]);
    assert_eq!(verdict(&rows), "PASS");
}

#[test]
fn the_product_is_flashed_asked_what_it_reads_and_recorded_with_its_digest() {
    let folder = Folder::new(
        "flash_product = [\"./stand-in\", \"flash\", \"{file}\"]\nproduct_file = \"product.hex\"\n\
         report = [\"./stand-in\", \"report\", \"{port}\"]\n",
    );
    let board = strapwise::board::parse("small.toml", &small_board()).unwrap();
    let lines = board.report_lines(&board.delivery).join("\n");
    fs::write(folder.path().join("report.txt"), format!("boot\n{lines}\n")).unwrap();
    let ended = folder.run();
    assert_eq!(ended.code, Some(0), "{}\n{}", ended.out, ended.err);
    let file = folder.path().join("product.hex");
    let flash = format!("[flash][{}]", file.display());
    assert_eq!(folder.given(), [flash.as_str(), "[report][virtual]"]);
    let rows = folder.rows();
    let flashed = rows.iter().find(|r| r["rule"] == "command").unwrap();
    for part in ["flash_product", "stand-in", "exit 0", ABC, " s"] {
        assert!(flashed["note"].contains(part), "{part}: {}", flashed["note"]);
    }
    let report = rows.iter().find(|r| r["row"] == "report").unwrap();
    assert_eq!(report["verdict"], "pass");
    assert!(report["answer"].starts_with("boot / rate="), "{}", report["answer"]);
    let told = ended.out.lines().filter(|l| kind(l) == "command").count();
    assert_eq!(told, 4, "each command when it begins and when it ends: {}", ended.out);
}

#[test]
fn a_product_that_reports_another_option_fails_the_unit() {
    let folder =
        Folder::new("flash_product = [\"./stand-in\"]\nreport = [\"./stand-in\", \"report\"]\n");
    fs::write(folder.path().join("report.txt"), "rate=none of them\n").unwrap();
    let ended = folder.run();
    assert_eq!(ended.code, Some(1), "{}", ended.out);
    assert!(ended.out.contains("the product does not report rate="), "{}", ended.out);
}

#[test]
fn a_failed_flash_says_the_programs_last_line_and_leaves_the_unit_incomplete() {
    let folder = Folder::new(
        "flash_product = [\"./stand-in\", \"fail\"]\non_fail = [\"./stand-in\", \"on_fail\"]\n",
    );
    let ended = folder.run();
    assert_eq!(ended.code, Some(5), "{}\n{}", ended.out, ended.err);
    assert!(ended.out.contains("exit code 3: no programmer found"), "{}", ended.out);
    assert!(!ended.out.contains("U1 PASS"), "{}", ended.out);
    let rows = folder.rows();
    assert_eq!(verdict(&rows), "INCOMPLETE");
    let failed = rows.iter().find(|r| r["rule"] == "command").unwrap();
    assert!(failed["note"].contains("exit 3") && failed["reason"].contains("no programmer"));
    assert_eq!(folder.given(), ["[fail]"], "an incomplete unit has not failed");
}

#[test]
fn what_cannot_be_run_or_read_is_told_and_nothing_passes() {
    for (commands, why) in [
        ("flash_product = [\"./no-such-program\"]\n", "cannot be run"),
        (
            "flash_product = [\"./stand-in\", \"{file}\"]\nproduct_file = \"missing.hex\"\n",
            "missing.hex cannot be read",
        ),
    ] {
        let folder = Folder::new(commands);
        let ended = folder.run();
        assert_eq!(ended.code, Some(5), "{}\n{}", ended.out, ended.err);
        assert!(ended.out.contains(why), "{why}: {}", ended.out);
        assert_eq!(folder.given(), [""; 0]);
    }
}

#[test]
fn a_program_that_prints_much_is_not_held_up() {
    let folder = Folder::new("on_pass = [\"./stand-in\", \"long\"]\n");
    let ended = folder.run();
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    assert!(ended.out.contains("on_pass done"), "{}", ended.out);
}

#[test]
fn the_operator_is_asked_what_the_product_reports_where_no_command_says_it() {
    let folder = Folder::new("flash_product = [\"./stand-in\"]\n");
    let ended = folder.run();
    assert_eq!(ended.code, Some(0), "{}\n{}", ended.out, ended.err);
    let asked = ended.out.lines().find(|l| l.contains("Does it report rate=")).unwrap();
    assert!(asks(asked), "{asked}");
    let report = folder.rows().into_iter().find(|r| r["row"] == "report").unwrap();
    assert_eq!((report["answer"].as_str(), report["verdict"].as_str()), ("yes", "pass"));
}
