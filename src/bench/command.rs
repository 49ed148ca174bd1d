//! A command of the maker's that was run, and what came of it.

use crate::board::Task;
use std::time::Duration;

/// A file that a command took or left.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Digested {
    /// Where it is.
    pub path: String,
    /// SHA-256 of its bytes, lower-case hex; none when it could not be read.
    pub sha256: Option<String>,
}

/// A command that has been run, or could not be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ran {
    /// What it was for.
    pub task: Task,
    /// The program and its arguments as they were given to it.
    pub words: Vec<String>,
    /// The file that it took or left.
    pub file: Option<Digested>,
    /// Its exit code; none when it was not begun, or ended otherwise.
    pub exit: Option<i32>,
    /// What it printed to its standard output, as far as it is kept.
    pub output: String,
    /// Why it does not count as done; none when it does.
    pub problem: Option<String>,
    /// How long it took.
    pub took: Duration,
}

impl Ran {
    /// A command that there is nobody to run.
    pub fn nobody(task: Task) -> Ran {
        Ran {
            task,
            words: Vec::new(),
            file: None,
            exit: None,
            output: String::new(),
            problem: Some("commands are not run here".into()),
            took: Duration::ZERO,
        }
    }
}

/// Lines that a report lacks of those expected. Blanks at the ends of lines do not count.
pub fn lacking<'a>(output: &str, expected: &'a [String]) -> Vec<&'a str> {
    let has = |line: &str| output.lines().any(|said| said.trim() == line.trim());
    expected.iter().map(String::as_str).filter(|line| !has(line)).collect()
}
