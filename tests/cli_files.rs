//! Board files and names that cannot be used: what the program says, and that it stops there.

mod cli_support;

use cli_support::{Ended, board, strapwise};
use std::path::{Path, PathBuf};

/// The demo's board file with some text replaced, in a folder of its own.
fn spoiled(changes: &[(&str, &str)]) -> (tempfile::TempDir, PathBuf) {
    let mut text = std::fs::read_to_string(board()).unwrap();
    for (from, to) in changes {
        assert!(text.contains(from), "{from} is not in the board file");
        text = text.replacen(from, to, 1);
    }
    file(text.as_bytes())
}

fn file(bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("spoiled.toml");
    std::fs::write(&path, bytes).unwrap();
    (folder, path)
}

fn windows(path: &Path) -> Ended {
    strapwise(&["windows", path.to_str().unwrap()])
}

/// Refused as input: exit code 2, nothing printed as a result, the file named on standard error.
fn refused(ended: &Ended, path: &Path) {
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{}", ended.err);
    assert!(ended.err.starts_with("strapwise: "), "{}", ended.err);
    assert!(ended.err.contains(path.to_str().unwrap()), "{}", ended.err);
    assert!(!ended.err.contains("panicked"), "{}", ended.err);
}

#[test]
fn a_missing_board_file_is_named_with_the_advice_to_give_a_path() {
    let path = Path::new("/nowhere/board.toml");
    let ended = windows(path);
    refused(&ended, path);
    assert!(ended.err.contains("give the path of a board file"), "{}", ended.err);
}

#[test]
fn a_board_file_named_without_its_ending_is_guessed_but_not_opened() {
    let (_folder, path) = file(b"format = 1\n");
    let without = path.with_extension("");
    let ended = windows(&without);
    refused(&ended, &without);
    assert!(ended.err.contains("did you mean") && ended.err.contains("spoiled.toml?"));
}

#[cfg(unix)]
#[test]
fn a_device_without_end_is_no_board_file() {
    let ended = windows(Path::new("/dev/zero"));
    refused(&ended, Path::new("/dev/zero"));
    assert!(ended.err.contains("give the path of a board file"), "{}", ended.err);
}

#[test]
fn a_file_in_utf_16_is_called_so() {
    let (_folder, path) = file(b"\xff\xfef\0o\0r\0");
    let ended = windows(&path);
    refused(&ended, &path);
    assert!(ended.err.contains("UTF-16") && ended.err.contains("save it as UTF-8"));
}

#[test]
fn every_command_that_takes_a_board_file_refuses_a_missing_one() {
    let bench = ["bench", "/nowhere/b.toml", "--unit", "U1", "--port", "virtual"];
    let read = ["read", "/nowhere/b.toml", "--port", "virtual"];
    refused(&strapwise(&bench), Path::new("/nowhere/b.toml"));
    refused(&strapwise(&read), Path::new("/nowhere/b.toml"));
}

#[test]
fn a_folder_is_no_board_file() {
    let folder = tempfile::tempdir().unwrap();
    let ended = windows(folder.path());
    refused(&ended, folder.path());
    assert!(
        ended.err.contains("this is a folder; give the path of a board file in it"),
        "{}",
        ended.err
    );
    std::fs::write(folder.path().join("mine.toml"), "").unwrap();
    assert!(windows(folder.path()).err.contains("/mine.toml"));
}

#[test]
fn a_file_that_is_not_utf8_is_named_with_the_place_of_the_first_bad_byte() {
    let (_folder, path) = file(b"format = 1\nname = \"\xff\xfe\"\n");
    let ended = windows(&path);
    refused(&ended, &path);
    assert!(ended.err.contains("UTF-8"), "{}", ended.err);
}

#[test]
fn a_file_of_two_megabytes_is_refused_unread() {
    let (_folder, path) = file(&vec![b'#'; 2 << 20]);
    let ended = windows(&path);
    refused(&ended, &path);
    assert!(ended.err.contains("2097152 bytes"), "{}", ended.err);
    assert!(ended.err.len() < 500, "the file is not printed back");
}

#[test]
fn an_empty_file_says_what_to_add_first() {
    let (_folder, path) = file(b"");
    let ended = windows(&path);
    refused(&ended, &path);
    assert!(ended.err.contains(":1:1: ") && ended.err.contains("format = 1"), "{}", ended.err);
}

#[test]
fn broken_toml_is_shown_with_line_and_column_and_how_to_write_it() {
    let (_folder, path) = file(b"format = 1\n[board\nname = \"x\"\n");
    let ended = windows(&path);
    refused(&ended, &path);
    assert!(ended.err.contains("spoiled.toml:2:7: "), "{}", ended.err);
    let told: Vec<&str> = ended.err.lines().skip(1).collect();
    assert_eq!(told[..2], ["    2 | [board", "      |       ^"], "{}", ended.err);
    assert!(told[2].contains("`[board]`"), "{}", ended.err);
}

#[test]
fn several_mistakes_are_told_at_once_each_with_its_place_and_advice() {
    let (_folder, path) = spoiled(&[
        ("J1 = \"3\"", "J1 = \"33\""),
        ("value = \"1k8\"", "value = \"1q8\""),
        ("kind = \"digital\"", "kind = \"digitel\""),
    ]);
    let ended = windows(&path);
    refused(&ended, &path);
    let text = std::fs::read_to_string(&path).unwrap();
    for bad in ["\"33\"", "\"1q8\"", "\"digitel\""] {
        let (line, words) = text.lines().enumerate().find(|(_, l)| l.contains(bad)).unwrap();
        let place = format!("spoiled.toml:{}:{}: ", line + 1, words.find(bad).unwrap() + 1);
        let told = ended.err.lines().position(|l| l.contains(&place));
        let told = told.unwrap_or_else(|| panic!("no {place} in {}", ended.err));
        let advice = ended.err.lines().nth(told + 1).unwrap();
        assert!(advice.starts_with("    "), "no advice under {place}: {advice}");
    }
}

/// Starts a bench run with this unit id on a port that is not there, so that a good id gets no
/// further than the port.
fn with_unit(id: &str) -> (Ended, Vec<String>) {
    let results = tempfile::tempdir().unwrap();
    let board = board();
    let unit = format!("--unit={id}");
    let folder = results.path().to_str().unwrap();
    let port = ["--port", "/dev/no-such-port", "--results", folder];
    let ended = strapwise(&[&["bench", board.to_str().unwrap(), &unit], &port[..]].concat());
    (ended, cli_support::names(results.path()))
}

#[test]
fn unit_names_that_cannot_be_file_names_are_refused_with_the_reason() {
    let long = "x".repeat(65);
    let reasons = [
        ("a/b", "`/`"),
        ("a\\b", "`\\`"),
        ("a b", "a space"),
        (long.as_str(), "longer than 64 characters"),
        ("..", "start with a letter or a digit"),
        ("", "empty"),
        ("Ü1", "`Ü`"),
    ];
    for (id, reason) in reasons {
        let (ended, made) = with_unit(id);
        assert_eq!(ended.code, Some(2), "{id}: {}", ended.err);
        assert!(ended.err.contains(&format!("unit '{id}'")), "{}", ended.err);
        assert!(ended.err.contains(reason), "{id}: {}", ended.err);
        assert_eq!(made, Vec::<String>::new(), "nothing is made for {id}");
    }
}

#[test]
fn a_unit_name_of_64_characters_is_taken() {
    let (ended, _) = with_unit(&"x".repeat(64));
    assert_eq!(ended.code, Some(3), "only the port is missing: {}", ended.err);
}

#[test]
fn a_lot_name_that_cannot_be_a_folder_is_refused() {
    let path = board();
    let start = ["bench", path.to_str().unwrap(), "--unit", "U1", "--port", "virtual"];
    let ended = strapwise(&[&start[..], &["--lot", "../elsewhere"]].concat());
    assert_eq!(ended.code, Some(2), "{}", ended.err);
    assert!(ended.err.contains("lot '../elsewhere'"), "{}", ended.err);
}

#[test]
fn a_unit_name_that_a_spreadsheet_would_change_gets_a_warning_and_is_taken() {
    let (ended, _) = with_unit("007");
    assert_eq!(ended.code, Some(3), "only the port is missing: {}", ended.err);
    assert!(ended.err.contains("unit '007': a spreadsheet shows `007` as 7"), "{}", ended.err);
    let (ended, _) = with_unit("U007");
    assert!(!ended.err.contains("spreadsheet"), "{}", ended.err);
}

#[test]
fn a_port_that_is_not_there_is_told_with_what_there_is() {
    let path = board();
    let read = ["read", path.to_str().unwrap(), "--port", "/dev/no-such-port"];
    for ended in [strapwise(&read), with_unit("U1").0] {
        assert_eq!((ended.code, ended.out.as_str()), (Some(3), ""));
        assert!(ended.err.contains("/dev/no-such-port: no such port; there"), "{}", ended.err);
    }
}

#[test]
fn seconds_that_make_no_sense_are_refused() {
    let path = board();
    let start = ["bench", path.to_str().unwrap(), "--unit", "U1", "--port", "virtual"];
    for wrong in ["0", "-1", "NaN", "inf", "1e9"] {
        let still = format!("--still={wrong}");
        let ended = strapwise(&[&start[..], &[&still]].concat());
        assert_eq!(ended.code, Some(2), "{wrong}");
        assert!(ended.err.contains("--still"), "{}", ended.err);
    }
}

#[test]
fn the_help_of_each_command_starts_with_what_it_does() {
    let imperatives = [
        (&["--help"][..], "Prove "),
        (&["demo", "--help"], "Run "),
        (&["windows", "--help"], "Print "),
        (&["bench", "--help"], "Lead "),
        (&["read", "--help"], "Read "),
    ];
    for (arguments, verb) in imperatives {
        let ended = strapwise(arguments);
        assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
        assert!(ended.out.starts_with(verb), "{arguments:?}: {}", ended.out);
        assert!(ended.out.contains("Usage: strapwise"), "{}", ended.out);
    }
}

/// A board with the ATmega4809: its windows can be had, but nothing can be read from it.
#[test]
fn a_board_whose_chip_has_no_probe_is_refused_where_it_would_be_read() {
    let text = include_str!("../protocols/README.md");
    let example = text.split("```toml\n").nth(1).and_then(|t| t.split("```").next()).unwrap();
    let changed = example.replace("atmega328p", "atmega4809").replace("PC0", "PD0");
    let (_folder, path) = file(changed.as_bytes());
    assert_eq!(windows(&path).code, Some(0), "{}", windows(&path).err);
    let name = path.to_str().unwrap();
    let bench = strapwise(&["bench", name, "--unit", "U1", "--port", "virtual"]);
    let read = strapwise(&["read", name, "--port", "virtual"]);
    for ended in [bench, read] {
        refused(&ended, &path);
        assert!(ended.err.contains("there is no probe for the ATmega4809 yet"), "{}", ended.err);
    }
}

#[test]
fn a_board_whose_taps_lie_above_the_reference_is_refused() {
    let change = ("adc_clock = \"125kHz\"", "reference = \"internal\"");
    let (_folder, path) = spoiled(&[change]);
    let read = strapwise(&["read", path.to_str().unwrap(), "--port", "virtual"]);
    // Against 1.1 V the upper taps of the demo board all read full scale.
    assert_eq!((read.code, read.out.as_str()), (Some(2), ""), "{}", read.err);
    assert!(read.err.contains("vent-controller cannot tell its positions apart"), "{}", read.err);
    assert!(read.err.contains("(codes 1023 to 1023)"), "{}", read.err);
}

#[cfg(unix)]
#[test]
fn a_link_leads_to_its_file_and_a_device_is_left_alone() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = (folder.path().join("card.svg"), folder.path().join("link.svg"));
    std::fs::write(&file, "<svg/>").unwrap();
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o640)).unwrap();
    std::os::unix::fs::symlink(&file, &link).unwrap();
    let board = board();
    let card = |svg: &Path| {
        let (board, svg) = (board.to_str().unwrap(), svg.to_str().unwrap());
        strapwise(&["card", board, "--svg", svg, "--replace"])
    };
    let ended = card(&link);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    assert!(link.is_symlink(), "the link is still one");
    assert!(std::fs::read_to_string(&file).unwrap().contains("<svg"));
    assert_eq!(file.metadata().unwrap().permissions().mode() & 0o777, 0o640);
    let pipe = folder.path().join("pipe.svg");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let ended = card(&pipe);
    assert_eq!(ended.code, Some(2), "{}", ended.err);
    assert!(ended.err.contains("give the name of a file"), "{}", ended.err);
    assert!(!pipe.metadata().unwrap().is_file(), "it is still a pipe");
}

#[test]
fn a_header_is_written_over_and_a_file_of_another_hand_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("options.h");
    let board = board();
    let write = || {
        let (board, out) = (board.to_str().unwrap(), file.to_str().unwrap());
        strapwise(&["c-header", board, "--out", out, "--replace"])
    };
    assert_eq!(write().code, Some(0));
    assert_eq!(write().code, Some(0), "its own");
    std::fs::write(&file, "int x;\n").unwrap();
    let ended = write();
    assert_eq!(ended.code, Some(2), "{}", ended.err);
    assert!(ended.err.contains("no header that c-header has written"), "{}", ended.err);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "int x;\n");
}

#[test]
fn a_supply_that_the_board_cannot_have_is_refused_before_anything_is_asked() {
    let results = tempfile::tempdir().unwrap();
    let (board, folder) = (board(), results.path().to_str().unwrap().to_string());
    let bench = ["bench", board.to_str().unwrap(), "--unit", "U1", "--port", "virtual"];
    let more = ["--results", &folder, "--supply-volts", "50V"];
    let ended = strapwise(&[&bench[..], &more].concat());
    assert_eq!(ended.code, Some(2), "{}", ended.err);
    assert!(ended.err.contains("far from the 5 V of the board file"), "{}", ended.err);
}
