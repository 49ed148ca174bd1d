//! Runs the program as a person or a script would: arguments in, lines out, an exit code.

#![allow(dead_code, reason = "each test file uses its own part of this")]

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Output, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

pub const PROGRAM: &str = env!("CARGO_BIN_EXE_strapwise");

/// The demo's board file.
pub fn board() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/vent-controller.toml")
}

/// A small board whose run takes a second: the example of `protocols/README.md`, with a question.
pub fn small_board() -> String {
    let page = include_str!("../../protocols/README.md");
    let example = page.split("```toml\n").nth(1).and_then(|t| t.split("```").next()).unwrap();
    format!(
        "{example}\n[[question]]\nid = \"lamp\"\nask = \"Is the lamp dark?\"\nexpect = \"yes\"\n\
         when = {{ J1 = \"slow\" }}\n"
    )
}

/// How a command ended.
#[derive(Debug)]
pub struct Ended {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl From<Output> for Ended {
    fn from(output: Output) -> Ended {
        Ended {
            code: output.status.code(),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

/// Runs the program to its end with nothing on standard input.
pub fn strapwise(arguments: &[&str]) -> Ended {
    Command::new(PROGRAM).args(arguments).stdin(Stdio::null()).output().unwrap().into()
}

/// Runs the program to its end with this on standard input.
pub fn typed(arguments: &[&str], keys: &str) -> Ended {
    let mut child = Command::new(PROGRAM)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // The program may have ended before it has read everything.
    let _ = child.stdin.take().unwrap().write_all(keys.as_bytes());
    child.wait_with_output().unwrap().into()
}

/// A table with a header line: each row by column name.
pub fn rows(bytes: &[u8]) -> Vec<HashMap<String, String>> {
    csv::Reader::from_reader(bytes).deserialize().map(|row| row.unwrap()).collect()
}

/// The rows of a record on disk.
pub fn record(path: &Path) -> Vec<HashMap<String, String>> {
    rows(&std::fs::read(path).unwrap())
}

/// File names in a folder, sorted, without the hidden ones.
pub fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name());
    let mut names: Vec<String> = entries.map(|n| n.into_string().unwrap()).collect();
    names.retain(|n| !n.starts_with('.'));
    names.sort();
    names
}

/// A whole run takes seven seconds; one that says nothing for this long hangs.
const PATIENCE: Duration = Duration::from_secs(60);

/// A bench run whose lines are read and answered as they come.
pub struct Bench {
    child: Child,
    keys: Option<ChildStdin>,
    lines: Receiver<String>,
    pub said: Vec<String>,
}

impl Bench {
    /// Starts `bench --port virtual` on the demo's board, lot `L1`.
    pub fn start(results: &Path, unit: &str) -> Bench {
        let mut command = Command::new(PROGRAM);
        command.arg("bench").arg(board());
        command.args(["--port", "virtual", "--still", "0.1", "--lot", "L1", "--unit", unit]);
        command.arg("--results").arg(results);
        Bench::spawn(&mut command)
    }

    /// Starts a command that behaves like `bench`.
    pub fn spawn(command: &mut Command) -> Bench {
        Bench::spawn_with(command, Stdio::piped())
    }

    /// The same with keys that come from elsewhere, a terminal for example.
    pub fn spawn_with(command: &mut Command, keys: Stdio) -> Bench {
        command.stdin(keys).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let keys = child.stdin.take();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (send, lines) = channel();
        std::thread::spawn(move || {
            out.lines().map_while(Result::ok).try_for_each(|line| send.send(line))
        });
        Bench { child, keys, lines, said: Vec::new() }
    }

    /// The next line; nothing when the program has closed its output.
    pub fn line(&mut self) -> Option<String> {
        use std::sync::mpsc::RecvTimeoutError;
        match self.lines.recv_timeout(PATIENCE) {
            Ok(line) => {
                self.said.push(line.clone());
                Some(line)
            }
            Err(RecvTimeoutError::Disconnected) => None,
            Err(RecvTimeoutError::Timeout) => {
                let _ = self.child.kill();
                panic!("no line for {PATIENCE:?}; so far: {:#?}", self.said);
            }
        }
    }

    /// Types a line: empty for Enter, `n` for Space, `b` for Backspace.
    pub fn press(&mut self, key: &str) {
        // A program that has ended takes no more keys.
        let _ = writeln!(self.keys.as_mut().unwrap(), "{key}");
    }

    /// Reads on, pressing Enter at whatever is asked, until a line is `wanted` (it is not
    /// answered) or the output ends.
    pub fn enter_until(&mut self, wanted: impl Fn(&str) -> bool) -> Option<String> {
        while let Some(line) = self.line() {
            if wanted(&line) {
                return Some(line);
            }
            if asks(&line) {
                self.press("");
            }
        }
        None
    }

    /// Nobody types any more.
    pub fn close_input(&mut self) {
        self.keys = None;
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Ends it as a loss of power would.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
    }

    /// Reads what is left and waits for the end.
    pub fn end(mut self) -> Ended {
        while self.line().is_some() {}
        let output = self.child.wait_with_output().unwrap();
        let mut ended = Ended::from(output);
        ended.out = self.said.join("\n");
        ended
    }
}

/// The kind of a line: `do`, `ask`, `check`, …
pub fn kind(line: &str) -> &str {
    line.get(8..16).map_or("", str::trim)
}

/// Whether a line waits for a key.
pub fn asks(line: &str) -> bool {
    matches!(kind(line), "do" | "ask") || line.contains("Press Enter when that is so")
}

/// Whether a line tells that a shunt was seen to move to a place.
pub fn moved_to(place: &str) -> impl Fn(&str) -> bool {
    let wanted = format!("{place} (");
    move |line| kind(line) == "moved" && line.contains(&wanted)
}
