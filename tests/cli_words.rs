//! Words typed where something has to be done first are no Enter, in a pipe and on a terminal; what
//! a lot says on a terminal is broken between words.

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
    use rustix::termios::{Winsize, tcsetwinsize};
    use std::fs::{File, OpenOptions};
    use std::io::{Read as _, Write as _};

    /// A terminal: its near end for a program, its far end for hands and eyes.
    fn terminal() -> (File, File) {
        let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&far).unwrap();
        unlockpt(&far).unwrap();
        let name = ptsname(&far, Vec::new()).unwrap().into_string().unwrap();
        let near = OpenOptions::new().read(true).write(true).open(name).unwrap();
        (near, File::from(far))
    }

    /// The program with a terminal for its keys; what it says is read from a pipe.
    fn at_a_terminal(folder: &Path) -> (Bench, File) {
        let (near, keys) = terminal();
        (Bench::spawn_with(&mut command(folder), near.into()), keys)
    }

    /// What a program has written to a terminal, once that contains something.
    fn seen(eyes: &mut File, wanted: &str) -> String {
        let mut seen = Vec::new();
        let mut bytes = [0; 1024];
        loop {
            let text = String::from_utf8_lossy(&seen).replace('\r', "");
            if text.contains(wanted) {
                return text;
            }
            match eyes.read(&mut bytes) {
                Ok(n) if n > 0 => seen.extend(&bytes[..n]),
                ended => panic!("never said `{wanted}`: {ended:?}, {text}"),
            }
        }
    }

    #[test]
    fn what_a_lot_says_is_broken_between_words_where_the_terminal_ends() {
        let folder = tempfile::tempdir().unwrap();
        // An attempt that was cut short at once.
        let mut bench = Bench::spawn(&mut command(folder.path()));
        bench.close_input();
        assert_eq!(bench.end().code, Some(5));
        let (near, mut far) = terminal();
        let size = Winsize { ws_row: 40, ws_col: 60, ws_xpixel: 0, ws_ypixel: 0 };
        tcsetwinsize(&far, size).unwrap();
        let mut lot = Command::new(PROGRAM);
        lot.arg("bench").arg(folder.path().join("small.toml")).args(["--port", "virtual"]);
        lot.args(["--lot", "L1", "--results"]).arg(folder.path());
        lot.stdin(near.try_clone().unwrap()).stdout(near.try_clone().unwrap()).stderr(near);
        let mut child = lot.spawn().unwrap();
        drop(lot);
        seen(&mut far, "q ends the lot)\n");
        far.write_all(b"U1\r").unwrap();
        let asked = seen(&mut far, "takes another unit\n");
        assert!(asked.contains("U1 is in this lot already"), "{asked}");
        let long: Vec<&str> = asked.lines().filter(|l| l.chars().count() > 60).collect();
        assert!(long.is_empty() && asked.lines().count() > 3, "{asked}");
        far.write_all(b"q\r").unwrap();
        let table = seen(&mut far, "attempt\n");
        assert!(table.lines().all(|l| l.chars().count() <= 60), "{table}");
        assert_eq!(child.wait().unwrap().code(), Some(5));
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
