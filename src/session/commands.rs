//! Runs the maker's own commands: lists of arguments, no shell.

use crate::bench::command::{Digested, Ran};
use crate::board::{Board, CommandLine, Task};
use sha2::{Digest, Sha256};
use std::fs;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::{Duration, Instant};

/// Longest that a command may take; flashing at the slowest rates takes a minute or two.
const LONGEST: Duration = Duration::from_secs(300);

/// How often a command is looked at.
const LOOK: Duration = Duration::from_millis(10);

/// Bytes kept of what a command prints.
const KEPT: u64 = 16 << 10;

/// How long is waited for what a command printed, once it has ended: something that it left running
/// may hold its output open.
const LAST_WORDS: Duration = Duration::from_secs(1);

/// What fills the holes of the commands for one attempt at a unit.
#[derive(Clone, Debug)]
pub struct Runner {
    /// The board, with its commands.
    pub board: Arc<Board>,
    /// The folder of the board file.
    pub folder: PathBuf,
    /// The port.
    pub port: String,
    /// Serial number of the unit.
    pub unit: String,
    /// Where the program that was on the unit is kept.
    pub saved: PathBuf,
    /// The record.
    pub record: PathBuf,
}

impl Runner {
    /// Runs the command of a task and waits for its end.
    pub fn run(&self, task: Task) -> Ran {
        let Some(line) = self.board.commands.get(task) else { return Ran::nobody(task) };
        let began = Instant::now();
        let mut ran = Ran { words: self.words(line), problem: None, ..Ran::nobody(task) };
        let file = self.file(task);
        if matches!(task, Task::FlashProbe | Task::FlashProduct | Task::Restore) {
            // What is flashed is what was digested, as far as nobody changes it meanwhile.
            ran.file = file.as_deref().map(digested);
            if ran.file.as_ref().is_some_and(|file| file.sha256.is_none()) {
                let path = file.unwrap_or_default();
                ran.problem = Some(format!("{} cannot be read", path.display()));
                return ran;
            }
        }
        if task == Task::Save && self.saved.exists() {
            ran.problem = Some(format!("{} is there already", self.saved.display()));
            return ran;
        }
        self.carry_out(&mut ran);
        if task == Task::Save {
            ran.file = Some(digested(&self.saved));
            let left = ran.file.as_ref().is_some_and(|file| file.sha256.is_some());
            if !left && ran.problem.is_none() {
                ran.problem = Some("it left no file".into());
            }
        }
        ran.took = began.elapsed();
        ran
    }

    /// The file that `{file}` stands for.
    fn file(&self, task: Task) -> Option<PathBuf> {
        let beside = |name: &Option<String>| name.as_ref().map(|name| self.folder.join(name));
        match task {
            Task::Save | Task::Restore => Some(self.saved.clone()),
            Task::FlashProbe => beside(&self.board.commands.probe_file),
            Task::FlashProduct => beside(&self.board.commands.product_file),
            Task::Report => None,
            Task::OnPass | Task::OnFail | Task::OnHold => Some(self.record.clone()),
        }
    }

    /// Program and arguments with their holes filled, each hole once: what fills one is no hole.
    fn words(&self, line: &CommandLine) -> Vec<String> {
        let file = self.file(line.task).unwrap_or_default().display().to_string();
        let holes = [("{port}", &self.port), ("{unit}", &self.unit), ("{file}", &file)];
        let fill = |word: &String| {
            let (mut filled, mut rest) = (String::new(), word.as_str());
            let next = |rest: &str| {
                let found = |&(hole, by): &(&'static str, _)| Some((rest.find(hole)?, hole, by));
                holes.iter().filter_map(found).min_by_key(|&(at, ..)| at)
            };
            while let Some((at, hole, by)) = next(rest) {
                filled += &rest[..at];
                filled += by;
                rest = &rest[at + hole.len()..];
            }
            filled + rest
        };
        line.words.iter().map(fill).collect()
    }

    fn carry_out(&self, ran: &mut Ran) {
        let Some((program, arguments)) = ran.words.split_first() else { return };
        let mut command = Command::new(self.program(program));
        command.args(arguments).stdin(Stdio::null());
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        // Ctrl-C is for this program, which waits for the command: a chip half flashed is worse.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        let mut child = match command.spawn() {
            Ok(child) => child,
            Err(e) => {
                ran.problem = Some(format!("{program} cannot be run: {e}"));
                return;
            }
        };
        let output = child.stdout.take().map(collect);
        let errors = child.stderr.take().map(collect);
        let ended = wait(&mut child);
        let said = |from: Option<Receiver<String>>| {
            from.and_then(|from| from.recv_timeout(LAST_WORDS).ok()).unwrap_or_default()
        };
        (ran.output, ran.exit) = (said(output), ended.as_ref().ok().and_then(ExitStatus::code));
        let errors = said(errors);
        let last = telling(&errors).map_or(String::new(), |line| format!(": {line}"));
        ran.problem = match (ended, ran.exit) {
            (Err(why), _) => Some(format!("{program} {why}")),
            (Ok(_), Some(0)) => None,
            (Ok(_), Some(code)) => Some(format!("{program} ended with exit code {code}{last}")),
            (Ok(_), None) => Some(format!("{program} was killed{last}")),
        };
    }

    /// A program named with a folder is looked for from the board file's folder, another one where
    /// the system looks for programs.
    fn program(&self, program: &str) -> PathBuf {
        match Path::new(program).components().count() > 1 || program.starts_with('.') {
            true => self.folder.join(program),
            false => PathBuf::from(program),
        }
    }
}

/// Of what a command says the lines that call themselves errors, else the last one; not all of many.
fn telling(errors: &str) -> Option<String> {
    const LONGEST: usize = 300;
    let lines = errors.lines().map(str::trim).filter(|line| !line.is_empty());
    let (bad, last) = lines.fold((Vec::new(), None), |(mut bad, _), line| {
        bad.extend(line.to_lowercase().contains("error").then_some(line));
        (bad, Some(line))
    });
    let text = if bad.is_empty() { last?.to_string() } else { bad.join(" / ") };
    Some(text.chars().take(LONGEST).collect())
}

/// A file and the digest of its bytes.
fn digested(path: &Path) -> Digested {
    let hex = |bytes: &[u8]| bytes.iter().map(|b| format!("{b:02x}")).collect();
    let digest = |mut file: fs::File| -> io::Result<String> {
        let (mut hash, mut part) = (Sha256::new(), [0; 8192]);
        loop {
            match file.read(&mut part)? {
                0 => return Ok(hex(&hash.finalize())),
                n => hash.update(&part[..n]),
            }
        }
    };
    let sha256 = fs::File::open(path).and_then(digest).ok();
    Digested { path: path.display().to_string(), sha256 }
}

/// Reads what a command prints, in a thread of its own; all of it, so that it never waits.
fn collect(mut from: impl Read + Send + 'static) -> Receiver<String> {
    let (send, receive) = channel();
    thread::spawn(move || {
        let mut kept = Vec::new();
        let _ = from.by_ref().take(KEPT).read_to_end(&mut kept);
        let _ = io::copy(&mut from, &mut io::sink());
        let _ = send.send(String::from_utf8_lossy(&kept).into_owned());
    });
    receive
}

/// Waits for the end of a command; one that takes too long is ended.
fn wait(child: &mut Child) -> Result<ExitStatus, String> {
    let began = Instant::now();
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return Ok(status),
            Ok(None) if began.elapsed() < LONGEST => thread::sleep(LOOK),
            Ok(None) => {
                let _ = child.kill();
                let _ = child.wait();
                return Err(format!("did not end in {} s and was killed", LONGEST.as_secs()));
            }
            Err(e) => return Err(format!("cannot be waited for: {e}")),
        }
    }
}
