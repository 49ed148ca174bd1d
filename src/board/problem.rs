//! What is wrong with a board file: where, what, and what to do next.

use std::fmt;

/// One mistake in a board file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file as the caller named it.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong.
    pub what: String,
    /// The line's text with its number and a mark under the place, where the words alone would not
    /// tell what is meant.
    pub shown: Option<[String; 2]>,
    /// What to do about it.
    pub do_next: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: {}", self.file, self.line, self.column, self.what)?;
        for line in self.shown.iter().flatten() {
            write!(f, "\n    {line}")?;
        }
        write!(f, "\n    {}", self.do_next)
    }
}

/// Every mistake found in one board file, in the order of the file; never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problems {
    /// The mistakes.
    pub list: Vec<Problem>,
    /// How many more there were than fit on a page.
    pub more: usize,
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.list.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{problem}")?;
        }
        if self.more > 0 {
            write!(f, "\nand {} more; put these right first", self.more)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}
