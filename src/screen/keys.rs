//! The operator's keys, read in a thread of their own so that a waiting read holds nothing up.
//!
//! On a terminal single keys count: Enter, Space, Backspace; a foot switch that types one of them
//! serves as well. From a pipe each line is a key: empty for Enter, `n` for Space, `b` for
//! Backspace.

use crate::bench::Key;
use std::io::{BufRead, IsTerminal, Read, stdin};

/// What the keyboard sends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Typed {
    /// A key that means something.
    Key(Key),
    /// Standard input has ended: nobody can answer any more.
    End,
}

/// Columns of the terminal on standard output, as far as prose makes use of them.
pub fn columns() -> usize {
    #[cfg(unix)]
    let columns = rustix::termios::tcgetwinsize(rustix::stdio::stdout()).map_or(0, |s| s.ws_col);
    #[cfg(not(unix))]
    let columns = 0u16;
    match columns {
        0 => 80,
        some => usize::from(some).clamp(40, 100),
    }
}

/// Puts the terminal into single-key mode while it lives, where there is one.
#[derive(Debug)]
pub struct SingleKeys {
    #[cfg(unix)]
    before: Option<rustix::termios::Termios>,
}

#[cfg(unix)]
impl SingleKeys {
    /// Single keys without echo; Ctrl-C stays what it is.
    pub fn begin() -> SingleKeys {
        use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};
        let input = rustix::stdio::stdin();
        let Ok(before) = tcgetattr(input) else { return SingleKeys { before: None } };
        let mut single = before.clone();
        single.local_modes.remove(LocalModes::ICANON | LocalModes::ECHO);
        let set = tcsetattr(input, OptionalActions::Now, &single);
        SingleKeys { before: set.is_ok().then_some(before) }
    }

    /// Throws away what was typed and not yet read: nothing typed early confirms a later step.
    pub fn forget_typed(&self) {
        if self.before.is_some() {
            let queue = rustix::termios::QueueSelector::IFlush;
            // Nothing to be done if it cannot: the keys are then read as they come.
            let _ = rustix::termios::tcflush(rustix::stdio::stdin(), queue);
        }
    }
}

#[cfg(unix)]
impl Drop for SingleKeys {
    fn drop(&mut self) {
        use rustix::termios::{OptionalActions, tcsetattr};
        if let Some(before) = &self.before {
            // The program is ending; a terminal that has gone needs nothing.
            let _ = tcsetattr(rustix::stdio::stdin(), OptionalActions::Now, before);
        }
    }
}

#[cfg(not(unix))]
impl SingleKeys {
    /// Line mode: this system's single keys are not supported yet.
    pub fn begin() -> SingleKeys {
        SingleKeys {}
    }

    /// Nothing is held back in line mode.
    pub fn forget_typed(&self) {}
}

/// Reads keys until the end of input or until `send` says that nobody listens.
pub fn read(send: impl Fn(Typed) -> bool) {
    let single = cfg!(unix) && stdin().is_terminal();
    if single {
        read_keys(&send)
    } else {
        read_lines(&send)
    }
    send(Typed::End);
}

fn read_keys(send: &impl Fn(Typed) -> bool) {
    for byte in stdin().lock().bytes() {
        let key = match byte {
            Ok(b'\r' | b'\n') => Key::Yes,
            Ok(b' ') => Key::No,
            Ok(0x08 | 0x7f) => Key::Again,
            Ok(_) => continue,
            Err(_) => return,
        };
        if !send(Typed::Key(key)) {
            return;
        }
    }
}

fn read_lines(send: &impl Fn(Typed) -> bool) {
    for line in stdin().lock().lines() {
        let Ok(line) = line else { return };
        let key = match line.trim_end_matches('\r') {
            "" | "y" | "yes" => Key::Yes,
            "n" | "no" | " " => Key::No,
            "b" | "back" => Key::Again,
            _ => continue,
        };
        if !send(Typed::Key(key)) {
            return;
        }
    }
}
