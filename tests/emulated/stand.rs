//! A bench without hardware: the real program, the real firmware image in the emulator, and hands
//! that do what the program's lines ask.

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Lines, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::time::Instant;

/// The board that is led through the bench.
pub const BOARD: &str = "protocols/vent-controller.toml";

/// The repository.
fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().expect("the repository")
}

/// The program under test: `bench-scripts/test` names it, else the usual debug build.
fn program() -> PathBuf {
    let usual = || root().join("target/debug/strapwise");
    let program = std::env::var_os("STRAPWISE_PROGRAM").map_or_else(usual, PathBuf::from);
    assert!(program.exists(), "{} is missing: run `cargo build` first", program.display());
    program
}

/// The emulated board: firmware on an emulated chip, a unit at its pins, a port.
pub struct Emulated {
    child: Child,
    hands: ChildStdin,
    says: Lines<BufReader<ChildStdout>>,
    pub port: String,
    file: PathBuf,
    /// What `bench` is told besides.
    pub arguments: Vec<&'static str>,
    /// Lamps that were seen lit last, by the resistors that their current flows through.
    pub seen: Vec<&'static str>,
    seated: Option<Instant>,
}

impl Emulated {
    /// A unit of the demo board with these commands given before power comes on.
    pub fn new(prepared: &[&str]) -> Emulated {
        Emulated::of(BOARD, prepared)
    }

    /// The same of another board, by its file.
    pub fn of(file: &str, prepared: &[&str]) -> Emulated {
        let image = root().join("bench-scripts/probe/image/strapwise-probe-atmega328p.hex");
        Emulated::at(16_000_000, &image, file, prepared)
    }

    /// The same at another clock, with an image of its own.
    pub fn at(clock: u32, image: &Path, file: &str, prepared: &[&str]) -> Emulated {
        let root = root();
        let file = root.join(file);
        let mut child = Command::new(env!("CARGO_BIN_EXE_emulated-board"))
            .arg("--board")
            .arg(&file)
            .arg("--firmware")
            .arg(image)
            .args(["--clock", &clock.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the emulated board starts");
        let hands = child.stdin.take().expect("its commands");
        let mut says = BufReader::new(child.stdout.take().expect("its answers")).lines();
        let first = says.next().expect("a line").expect("text");
        let port = first.strip_prefix("port ").expect("the port's name").to_string();
        let (arguments, seen, seated) = (Vec::new(), Vec::new(), None);
        let mut board = Emulated { child, hands, says, port, file, arguments, seen, seated };
        for command in prepared {
            assert_eq!(board.command(command), "ok", "{command}");
        }
        board
    }

    /// Gives a command and returns the answer.
    pub fn command(&mut self, line: &str) -> String {
        writeln!(self.hands, "{line}").expect("the emulated board listens");
        let answer = self.says.next().expect("an answer").expect("text");
        if line.contains('=') {
            self.seated = Some(Instant::now());
        }
        answer
    }

    /// Whether the lamp at a resistor is lit.
    fn lit(&mut self, resistor: &str) -> bool {
        self.command(&format!("glows {resistor}")) == "ok"
    }

    /// When a shunt was put somewhere, or taken off, last.
    pub fn seated(&self) -> Option<Instant> {
        self.seated
    }
}

impl Drop for Emulated {
    fn drop(&mut self) {
        let _ = writeln!(self.hands, "quit");
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A run that has ended.
pub struct Ended {
    pub exit: i32,
    pub lines: Vec<String>,
    pub rows: Vec<HashMap<String, String>>,
    results: tempfile::TempDir,
}

impl Ended {
    /// The rows of a kind.
    pub fn kind(&self, kind: &str) -> Vec<&HashMap<String, String>> {
        self.rows.iter().filter(|r| r["row"] == kind).collect()
    }

    /// The averaged, unloaded reading of a channel in the step that moved a jumper to a place.
    pub fn reading(&self, channel: &str, jumper: &str, position: &str) -> &HashMap<String, String> {
        let wanted = |r: &&HashMap<String, String>| {
            r["row"] == "check"
                && r["channel"] == channel
                && r["jumper"] == jumper
                && r["position"] == position
                && (r["mode"] == "mean"
                    || r["window_high_code"] == "1"
                    || r["pin"].starts_with("PD"))
                && !r["option_expected"].is_empty()
        };
        self.rows
            .iter()
            .find(wanted)
            .unwrap_or_else(|| panic!("no {channel} at {jumper}={position}"))
    }

    /// What the real `diagnose` says of the record: its first class of causes.
    pub fn diagnosed(&self) -> String {
        let ended = Command::new(program())
            .arg("diagnose")
            .arg(root().join(BOARD))
            .arg(self.results.path().join("vent-controller/emulated/E001-1.csv"))
            .stdin(Stdio::null())
            .output()
            .expect("the program runs");
        let said = String::from_utf8(ended.stdout).expect("text");
        let first = said.split("\n1. ").nth(1).unwrap_or_else(|| panic!("no cause: {said}"));
        let first = first.split("\n2. ").next().unwrap_or(first);
        // Lines are broken where they are long.
        first.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    /// The closing row.
    pub fn unit(&self) -> &HashMap<String, String> {
        self.rows.iter().rev().find(|r| r["row"] == "unit").expect("a closing row")
    }
}

/// Something done before the program's line is answered; returns whether that is all for the line.
pub type Before<'a> = dyn FnMut(&str, &mut Emulated) -> bool + 'a;

/// Leads one unit through the real `bench` and returns its record.
pub fn bench(board: &mut Emulated, before: &mut Before<'_>) -> Ended {
    bench_as(board, "0.2", before)
}

/// The same, with so many seconds that a reading must stand.
pub fn bench_as(board: &mut Emulated, still: &str, before: &mut Before<'_>) -> Ended {
    let results = tempfile::tempdir().expect("a folder for records");
    let mut child = Command::new(program())
        .arg("bench")
        .arg(&board.file)
        .args(["--unit", "E001", "--lot", "emulated", "--operator", "hands", "--still", still])
        .args(&board.arguments)
        .args(["--quiet", "0.1", "--port", &board.port, "--results"])
        .arg(results.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit())
        .spawn()
        .expect("the program starts");
    let mut keys = child.stdin.take().expect("its keys");
    let mut lines = Vec::new();
    for line in BufReader::new(child.stdout.take().expect("its lines")).lines() {
        let line = line.expect("text");
        if !before(&line, board) {
            answer(&line, board, &mut keys);
        }
        lines.push(line);
    }
    let exit = child.wait().expect("it ends").code().unwrap_or(-1);
    let record = results.path().join("vent-controller/emulated/E001-1.csv");
    let mut reader = csv::Reader::from_path(&record).expect("the record is there");
    let rows = reader.deserialize().map(|row| row.expect("a whole row")).collect();
    Ended { exit, lines, rows, results }
}

/// What the real program says about a unit with these arguments, and how it ends.
pub fn strapwise(board: &Emulated, command: &str, arguments: &[&str]) -> (i32, String) {
    let ended = Command::new(program())
        .arg(command)
        .arg(&board.file)
        .args(["--quiet", "0.1", "--port", &board.port])
        .args(arguments)
        .stdin(Stdio::null())
        .stderr(Stdio::inherit())
        .output()
        .expect("the program runs");
    let said = String::from_utf8(ended.stdout).expect("text");
    (ended.status.code().unwrap_or(-1), said)
}

/// Does what a line asks, and presses the key that an attentive operator would press.
fn answer(line: &str, board: &mut Emulated, keys: &mut ChildStdin) {
    let mut enter = |yes: bool| {
        // The program may have ended meanwhile; its exit code tells.
        let _ = keys.write_all(if yes { b"\n" } else { b"n\n" });
    };
    if line.contains("Press Enter when that is so") || line.contains("Take every shunt off") {
        return enter(true);
    }
    let kind = line.split_whitespace().nth(1).unwrap_or_default();
    if kind == "ask" {
        if line.contains("lamps") {
            let lit = ["R30", "R31"].iter().all(|r| board.command(&format!("glows {r}")) == "ok");
            let dark = ["R30", "R31"].iter().all(|r| board.command(&format!("glows {r}")) != "ok");
            return enter(if line.contains("dark") { dark } else { lit });
        }
        return enter(true);
    }
    if kind != "do" {
        return;
    }
    let (_, asked) = line.split_once("] ").expect("a step");
    let (jumper, rest) = asked.split_once(": ").expect("a jumper");
    let place = match rest.split_once("position ") {
        Some((_, place)) => place.split(',').next().expect("a position"),
        // A header with one position is not asked for by its name.
        None if rest.starts_with("fit the shunt") => "fitted",
        None => "open",
    };
    assert_eq!(board.command("hand"), "ok");
    assert_eq!(board.command(&format!("{jumper}=open")), "ok");
    assert_eq!(board.command(&format!("{jumper}={place}")), "ok");
    if line.contains("press Enter when it is there") {
        enter(true);
    }
}

/// Leads a unit through `diagnose --port`, with hands that do what is asked; what has to be measured
/// or looked at is left to `by_hand`, which is told what is asked and answers. Returns the exit code,
/// what was said, and what `diagnose` says of the file that was kept.
pub fn led(
    board: &mut Emulated,
    by_hand: &mut dyn FnMut(&str, &mut Emulated) -> &'static str,
) -> (i32, String, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let kept = folder.path().join("kept.csv");
    let mut child = Command::new(program())
        .arg("diagnose")
        .arg(&board.file)
        .args(["--quiet", "0.1", "--port", &board.port, "--keep"])
        .arg(&kept)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit())
        .spawn()
        .expect("the program starts");
    let mut keys = child.stdin.take().expect("its keys");
    let (mut said, mut asked) = (String::new(), String::new());
    for line in BufReader::new(child.stdout.take().expect("its lines")).lines() {
        let line = line.expect("text");
        said += &format!("{line}\n");
        asked += &format!("{} ", line.trim());
        if !(line.ends_with("end)") || line.ends_with("yes or no")) {
            continue;
        }
        let by_person = asked.contains("will be closed") || !asked.contains("press Enter");
        let key = match by_person {
            true => by_hand(&asked, board),
            // The shunt is where it was asked for.
            false if asked.contains("is its shunt") => "yes",
            // What needs the power off is left out.
            false if asked.contains("unplug the unit") => "s",
            false => {
                hands(&asked, board);
                ""
            }
        };
        // The program may have ended meanwhile; its exit code tells.
        let _ = writeln!(keys, "{key}");
        if asked.contains("will be closed") {
            let began = Instant::now();
            let mut lamps: Vec<&'static str> = Vec::new();
            while lamps.is_empty() && began.elapsed().as_secs() < 5 {
                lamps = ["R30", "R31"].into_iter().filter(|r| board.lit(r)).collect();
            }
            board.seen = lamps;
        }
        asked.clear();
    }
    let exit = child.wait().expect("it ends").code().unwrap_or(-1);
    let again = Command::new(program()).arg("diagnose").arg(&board.file).arg(&kept).output();
    let again = String::from_utf8(again.expect("the program runs").stdout).expect("text");
    (exit, said, again)
}

/// Moves the shunts that a text asks for.
fn hands(text: &str, board: &mut Emulated) {
    let words: Vec<&str> = text.split_whitespace().map(|w| w.trim_matches([',', '.'])).collect();
    let word = |i: usize| words.get(i).copied().unwrap_or_default();
    let mut moves: Vec<(String, String)> = Vec::new();
    for i in 0..words.len() {
        match [word(i), word(i + 1), word(i + 2), word(i + 3), word(i + 4), word(i + 5)] {
            ["move", id, "to", place, ..] => moves.push((id.into(), place.into())),
            ["put", "the", "shunt", "of", id, "on"] => {
                // A header with one position is named by its pins alone.
                let place = if word(i + 6) == "pins" { "fitted" } else { word(i + 6) };
                moves.push((id.into(), place.into()));
            }
            ["take", "the", "shunt", "off", id, _] => moves.push((id.into(), "open".into())),
            ["set", ..] => {
                let pairs = words[i + 1..].iter().map_while(|w| w.split_once('='));
                moves.extend(pairs.map(|(id, place)| (id.to_string(), place.to_string())));
            }
            _ => {}
        }
    }
    for (jumper, place) in moves {
        assert_eq!(board.command(&format!("{jumper}={place}")), "ok", "{text}");
    }
}
