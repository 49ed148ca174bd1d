//! The person at the unit: what is said to them, and what they answer, a line at a time.

use super::Failure;
use crate::report::wrap;
use crate::screen::keys::columns;
use crate::session::live::{Desk, Keys, Said as Heard};
use std::io::{IsTerminal, stdin};

/// What was answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Said {
    /// Enter alone.
    Enter,
    /// Something else.
    Word(String),
    /// This one is to be left out.
    Leave,
    /// The answer before was wrong.
    Back,
    /// Enough, or nobody is there any more.
    End,
    /// A request to stop.
    Stop,
}

/// Says and hears.
pub struct Talk {
    desk: Desk,
    /// Whether a table goes to standard output, so that everything else is said beside it.
    beside: bool,
    person: bool,
    /// Columns of the terminal, 80 where there is none.
    pub width: usize,
}

impl Talk {
    /// With `beside` what is said goes to standard error.
    pub fn new(beside: bool) -> Result<Talk, Failure> {
        let person = stdin().is_terminal();
        let desk = Desk::new(Some(Keys { person, needed: true }))?;
        Ok(Talk { desk, beside, person, width: columns() })
    }

    /// Says something, in lines as wide as the terminal.
    pub fn say(&self, text: &str) -> Result<(), Failure> {
        let text = wrap::page(text, self.width);
        match self.beside {
            true => {
                use std::io::Write;
                // A person who cannot see it ends the input, or stops it.
                let _ = write!(std::io::stderr(), "{text}");
                Ok(())
            }
            false => super::print(&text),
        }
    }

    /// Says what is asked, and waits for the answer.
    pub fn ask(&mut self, asked: &str) -> Result<Said, Failure> {
        // In a pipe each line stands for itself. What is typed stands behind the last one.
        let width = self.width - 1;
        let asked: Vec<String> =
            asked.lines().map(|line| wrap::lines(line, width).join("\n")).collect();
        let end = if self.person { " " } else { "\n" };
        self.desk.forget_typed();
        self.say(&format!("{}{end}", asked.join("\n")))?;
        let said = match self.desk.wait(|| false) {
            Heard::Line(line) => line,
            Heard::End | Heard::Seen => return Ok(Said::End),
            Heard::Stop => return Ok(Said::Stop),
        };
        Ok(match said.to_lowercase().as_str() {
            "" => Said::Enter,
            "s" | "skip" => Said::Leave,
            "b" | "back" => Said::Back,
            "q" | "quit" => Said::End,
            _ => Said::Word(said),
        })
    }
}

impl Talk {
    /// Asks for something to be done, and waits until it is: by Enter or a yes, or one of some words.
    /// Anything else is no word that hands are off and power is out; it is asked for once more.
    pub fn done(&mut self, asked: &str, words: &[&str]) -> Result<Said, Failure> {
        let mut said = self.ask(asked)?;
        while let Said::Word(word) = &said {
            if words.iter().any(|known| word.eq_ignore_ascii_case(known)) {
                break;
            }
            if yes_or_no(word) == Ok(true) {
                return Ok(Said::Enter);
            }
            let asked = format!("`{word}` is no answer here: press Enter once it is done (q: end)");
            said = self.ask(&asked)?;
        }
        Ok(said)
    }
}

/// Yes or no.
pub fn yes_or_no(text: &str) -> Result<bool, String> {
    match text.trim().to_lowercase().as_str() {
        "yes" | "y" => Ok(true),
        "no" | "n" => Ok(false),
        other => Err(format!("`{other}` is neither yes nor no")),
    }
}
