//! The operator's keys, read in a thread of their own so that a waiting read holds nothing up.
//!
//! On a terminal single keys count: Enter, Space, Backspace; a foot switch that types one of them
//! serves as well. From a pipe each line is a key: empty for Enter, `n` for Space, `b` for
//! Backspace. Where a value is asked for, the keys are its letters and a line is the value; a live
//! view has a use for letters and digits of their own.

use crate::bench::Key;
use std::io::{self, BufRead, IsTerminal, Read, stdin};

/// What the keyboard sends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Typed {
    /// One of the three keys of a terminal.
    Key(Key),
    /// Another key of a terminal: a letter, a digit, a sign.
    Letter(char),
    /// A line from a pipe, its first bytes.
    Line(String),
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
    let mut sequence = Sequence::None;
    let mut beyond = Beyond::default();
    for byte in stdin().lock().bytes() {
        let Ok(byte) = byte else { return };
        sequence = sequence.after(byte);
        let typed = match byte {
            _ if sequence != Sequence::None => continue,
            b'\r' | b'\n' => Typed::Key(Key::Yes),
            b' ' => Typed::Key(Key::No),
            0x08 | 0x7f => Typed::Key(Key::Again),
            b'!'..=b'~' => Typed::Letter(char::from(byte)),
            _ => match beyond.after(byte) {
                Some(letter) => Typed::Letter(letter),
                None => continue,
            },
        };
        if !send(typed) {
            return;
        }
    }
}

/// The bytes so far of a letter beyond ASCII, in notes and in Ω (UTF-8, RFC 3629 section 3).
#[derive(Debug, Default)]
struct Beyond(Vec<u8>);

impl Beyond {
    /// The letter that ends with this byte. Control characters are none.
    fn after(&mut self, byte: u8) -> Option<char> {
        let begins = byte & 0xc0 != 0x80;
        if begins || self.0.len() >= 4 {
            self.0.clear();
        }
        self.0.push(byte);
        let letter = str::from_utf8(&self.0).ok()?.chars().next();
        self.0.clear();
        letter.filter(|c| !c.is_control())
    }
}

/// How far a sequence of bytes has come that one key sends, an arrow for example: none of them is a
/// letter (ECMA-48, 5.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sequence {
    None,
    Escape,
    Control,
    /// Its last byte, taken with the rest.
    Last,
}

impl Sequence {
    fn after(self, byte: u8) -> Sequence {
        match (self, byte) {
            (_, 0x1b) => Sequence::Escape,
            (Sequence::Escape, b'[') => Sequence::Control,
            (Sequence::Escape, b'O') => Sequence::Control,
            (Sequence::Control, 0x40..=0x7e) => Sequence::Last,
            (Sequence::Control, _) => Sequence::Control,
            (Sequence::None | Sequence::Escape | Sequence::Last, _) => Sequence::None,
        }
    }
}

/// The key that a line from a pipe stands for.
pub fn key_of(line: &str) -> Option<Key> {
    match line {
        "" | "y" | "yes" => Some(Key::Yes),
        "n" | "no" | " " => Some(Key::No),
        "b" | "back" => Some(Key::Again),
        _ => None,
    }
}

/// The letter or digit that stands alone on a line from a pipe.
pub fn letter_of(line: &str) -> Option<char> {
    let mut letters = line.chars();
    letters.next().filter(|c| c.is_ascii_alphanumeric() && letters.next().is_none())
}

fn read_lines(mut input: impl BufRead, send: &impl Fn(Typed) -> bool) {
    while let Ok(Some(line)) = line(&mut input) {
        let line = line.strip_suffix(b"\r").unwrap_or(&line);
        if !send(Typed::Line(String::from_utf8_lossy(line).into_owned())) {
            return;
        }
    }
}

/// Bytes kept of a line; no key, no value and few notes have as many, and a line may never end.
const KEPT: usize = 256;

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

    fn keys(input: impl Read) -> Vec<Key> {
        let got = RefCell::new(Vec::new());
        read_lines(io::BufReader::new(input), &|typed| {
            let Typed::Line(line) = typed else { panic!("a pipe sends lines") };
            got.borrow_mut().extend(key_of(&line));
            true
        });
        got.into_inner()
    }

    #[test]
    fn the_bytes_of_an_arrow_are_no_letters() {
        let letters = |bytes: &[u8]| -> String {
            let mut sequence = Sequence::None;
            let taken = bytes.iter().filter(|&&byte| {
                sequence = sequence.after(byte);
                sequence == Sequence::None
            });
            taken.map(|&b| char::from(b)).collect()
        };
        assert_eq!(letters(b"4\x1b[D\x1b[1;5C7\x1bOAk"), "47k");
    }

    #[test]
    fn letters_beyond_ascii_come_whole_and_broken_ones_do_no_harm() {
        let letters = |bytes: &[u8]| -> String {
            let mut beyond = Beyond::default();
            bytes.iter().filter_map(|&byte| beyond.after(byte)).collect()
        };
        assert_eq!(letters("käΩ€🌱".as_bytes()), "käΩ€🌱");
        // A lead byte without its letter, a lone byte of a letter's end, U+0085 (a control).
        assert_eq!(letters(b"\xc3a\xa4b\xc2\x85\xc3\xa4"), "abä");
        assert_eq!(letters(&[0xff; 1000]), "");
        assert_eq!(letters(&[0x80; 1000]), "");
    }

    #[test]
    fn each_line_is_a_key_and_other_words_are_none() {
        let typed = keys(&b"\r\ny\nn\n \nb\nyes please\n\xff\nno"[..]);
        let wanted = [Key::Yes, Key::Yes, Key::No, Key::No, Key::Again, Key::No];
        assert_eq!(typed, wanted);
    }

    #[test]
    fn a_letter_alone_on_its_line_is_told_as_such() {
        let letters = ["h", "Q", "1", "hq", "?", "", "\u{e9}"].map(letter_of);
        assert_eq!(letters, [Some('h'), Some('Q'), Some('1'), None, None, None, None]);
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
