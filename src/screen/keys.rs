//! The operator's keys, read in a thread of their own so that a waiting read holds nothing up.
//!
//! On a terminal single keys count: Enter, Space, Backspace; a foot switch that types one of them
//! serves as well. From a pipe each line is a key: empty for Enter, `n` for Space, `b` for
//! Backspace. Other letters and digits, alone on their line in a pipe, are told as such; only the
//! live view has a use for them.

use crate::bench::Key;
use std::io::{self, BufRead, IsTerminal, Read, stdin};

/// What the keyboard sends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Typed {
    /// A key that means something.
    Key(Key),
    /// Another letter or a digit, in lower case.
    Letter(char),
    /// Standard input has ended: nobody can answer any more.
    End,
}

/// Columns of the terminal on standard output, as far as prose makes use of them.
pub fn columns() -> usize {
    width().clamp(40, 100)
}

/// Columns of the terminal on standard output; 80 where it does not tell.
pub fn width() -> usize {
    #[cfg(unix)]
    let columns = rustix::termios::tcgetwinsize(rustix::stdio::stdout()).map_or(0, |s| s.ws_col);
    #[cfg(not(unix))]
    let columns = 0u16;
    match columns {
        0 => 80,
        some => usize::from(some),
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
        read_lines(stdin().lock(), &send)
    }
    send(Typed::End);
}

fn read_keys(send: &impl Fn(Typed) -> bool) {
    for byte in stdin().lock().bytes() {
        let typed = match byte {
            Ok(b'\r' | b'\n') => Typed::Key(Key::Yes),
            Ok(b' ') => Typed::Key(Key::No),
            Ok(0x08 | 0x7f) => Typed::Key(Key::Again),
            Ok(c) if c.is_ascii_alphanumeric() => letter(c),
            Ok(_) => continue,
            Err(_) => return,
        };
        if !send(typed) {
            return;
        }
    }
}

fn read_lines(mut input: impl BufRead, send: &impl Fn(Typed) -> bool) {
    while let Ok(Some(line)) = line(&mut input) {
        let typed = match line.strip_suffix(b"\r").unwrap_or(&line) {
            b"" | b"y" | b"yes" => Typed::Key(Key::Yes),
            b"n" | b"no" | b" " => Typed::Key(Key::No),
            b"b" | b"back" => Typed::Key(Key::Again),
            &[c] if c.is_ascii_alphanumeric() => letter(c),
            _ => continue,
        };
        if !send(typed) {
            return;
        }
    }
}

fn letter(byte: u8) -> Typed {
    Typed::Letter(char::from(byte.to_ascii_lowercase()))
}

/// Bytes kept of a line; no key has as many, and a line may never end.
const KEPT: usize = 16;

/// The first bytes of the next line without its line feed; `None` at the end of input.
fn line(input: &mut impl BufRead) -> io::Result<Option<Vec<u8>>> {
    let mut line = Vec::with_capacity(KEPT);
    let mut begun = false;
    loop {
        let bytes = match input.fill_buf() {
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            read => read?,
        };
        if bytes.is_empty() {
            return Ok(begun.then_some(line));
        }
        begun = true;
        let end = bytes.iter().position(|&b| b == b'\n');
        let part = &bytes[..end.unwrap_or(bytes.len())];
        line.extend(part.iter().take(KEPT - line.len()));
        let used = part.len() + usize::from(end.is_some());
        input.consume(used);
        if end.is_some() {
            return Ok(Some(line));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::RefCell;

    fn keys(input: impl Read) -> Vec<Typed> {
        let got = RefCell::new(Vec::new());
        read_lines(io::BufReader::new(input), &|typed| {
            got.borrow_mut().push(typed);
            true
        });
        got.into_inner()
    }

    #[test]
    fn each_line_is_a_key_and_other_words_are_none() {
        let typed = keys(&b"\r\ny\nn\n \nb\nyes please\n\xff\nno"[..]);
        let wanted = [Key::Yes, Key::Yes, Key::No, Key::No, Key::Again, Key::No];
        assert_eq!(typed, wanted.map(Typed::Key));
    }

    #[test]
    fn a_letter_alone_on_its_line_is_told_as_such() {
        let typed = keys(&b"h\nQ\n1\nhq\n?\n"[..]);
        assert_eq!(typed, ['h', 'q', '1'].map(Typed::Letter));
    }

    #[test]
    fn a_line_without_end_is_no_key_and_takes_no_memory() {
        let endless = io::repeat(b'y').take(3 << 20);
        let mut input = io::BufReader::new(endless.chain(&b"\n\n"[..]));
        let first = line(&mut input).expect("it can be read").expect("a line");
        assert_eq!((first.len(), first.capacity()), (KEPT, KEPT));
        assert_eq!(line(&mut input).expect("it can be read"), Some(Vec::new()));
        assert_eq!(line(&mut input).expect("it can be read"), None);
        assert_eq!(keys(io::repeat(b'y').take(1 << 20)), []);
    }
}
