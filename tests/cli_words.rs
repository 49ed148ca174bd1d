//! Words typed where something has to be done first are no Enter, in a pipe and on a terminal.

#[path = "cli_support/mod.rs"]
mod cli_support;

use cli_support::{Bench, PROGRAM, kind, record, small_board};
use std::path::Path;
use std::process::Command;

/// Starts `bench --port virtual` on the small board.
fn command(folder: &Path) -> Command {
    let file = folder.join("small.toml");
    std::fs::write(&file, small_board()).unwrap();
    let mut command = Command::new(PROGRAM);
    command.arg("bench").arg(file).args(["--port", "virtual", "--still", "0.1", "--lot", "L1"]);
    command.args(["--unit", "U1", "--results"]).arg(folder);
    command
}

/// Reads up to a line.
fn until(bench: &mut Bench, wanted: &str) -> String {
    while let Some(line) = bench.line() {
        if line.contains(wanted) {
            return line;
        }
    }
    panic!("never said `{wanted}`: {:#?}", bench.said);
}

/// The moves and readings told so far.
fn told(bench: &Bench) -> usize {
    bench.said.iter().filter(|l| matches!(kind(l), "moved" | "check")).count()
}

#[test]
fn a_word_in_a_pipe_is_no_enter_and_what_is_asked_is_asked_again() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = Bench::spawn(&mut command(folder.path()));
    until(&mut bench, "Press Enter when that is so");
    bench.press("not yet");
    let said = until(&mut bench, "no answer");
    assert_eq!(said, "`not yet` is no answer here: press Enter alone when it is done");
    until(&mut bench, "Press Enter when that is so");
    bench.press("j");
    until(&mut bench, "`j` is no answer here");
    until(&mut bench, "Press Enter when that is so");
    bench.press("");
    until(&mut bench, "Take every shunt off");
    bench.press("wait");
    until(&mut bench, "`wait` is no answer here: press Enter alone when it is done");
    until(&mut bench, "Take every shunt off");
    assert_eq!(told(&bench), 0, "{:#?}", bench.said);
    bench.press("");
    bench.enter_until(|l| kind(l) == "ask").unwrap();
    bench.press("perhaps");
    let said = until(&mut bench, "no answer");
    assert_eq!(said, "`perhaps` is no answer here: press Enter alone, or Space");
    until(&mut bench, "Is the lamp dark?");
    bench.press("");
    bench.enter_until(|_| false);
    let ended = bench.end();
    assert_eq!(ended.code, Some(0), "{}", ended.out);
    let board = strapwise::board::parse("small", &small_board()).unwrap().name;
    let file = folder.path().join(board).join("L1/U1-1.csv");
    // Asking again leaves nothing in the record.
    let rows = record(&file);
    assert!(rows.iter().all(|r| !r["note"].contains("perhaps")), "{rows:#?}");
}

#[cfg(unix)]
mod on_a_terminal {
    use super::*;
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    use std::fs::{File, OpenOptions};
    use std::io::Write as _;

    /// The program with a terminal for its keys; what it says is read from a pipe.
    fn at_a_terminal(folder: &Path) -> (Bench, File) {
        let keys = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&keys).unwrap();
        unlockpt(&keys).unwrap();
        let name = ptsname(&keys, Vec::new()).unwrap().into_string().unwrap();
        let near = OpenOptions::new().read(true).write(true).open(name).unwrap();
        (Bench::spawn_with(&mut command(folder), near.into()), File::from(keys))
    }

    #[test]
    fn a_word_with_blanks_in_and_behind_it_is_no_key() {
        let folder = tempfile::tempdir().unwrap();
        let (mut bench, mut keys) = at_a_terminal(folder.path());
        until(&mut bench, "Press Enter when that is so");
        // The blank behind the last word would be Space, and the Enter behind it would count.
        keys.write_all(b"not yet \r").unwrap();
        until(&mut bench, "`not yet` is no answer here: press Enter alone when it is done");
        until(&mut bench, "Press Enter when that is so");
        // A letter hit by accident is taken back.
        keys.write_all(b"j\x7f\r").unwrap();
        until(&mut bench, "Take every shunt off");
        keys.write_all("Moment, größer \r".as_bytes()).unwrap();
        until(&mut bench, "`Moment, größer` is no answer here");
        until(&mut bench, "Take every shunt off");
        assert_eq!(told(&bench), 0, "{:#?}", bench.said);
        keys.write_all(b"\r").unwrap();
        while let Some(line) = bench.line() {
            if kind(&line) == "ask" {
                break;
            }
            if cli_support::asks(&line) {
                keys.write_all(b"\r").unwrap();
            }
        }
        keys.write_all(b"no \r").unwrap();
        until(&mut bench, "`no` is no answer here: press Enter alone, or Space");
        until(&mut bench, "Is the lamp dark?");
        keys.write_all(b" ").unwrap();
        until(&mut bench, "U1 FAIL");
    }
}
