//! The frame round question and answer: tag, error number and CRC.
//!
//! A tagged line is answered by `<data,><err>,"<tag>",#H<crc>`. The CRC (CRC-16/IBM-3740) covers
//! the request line as received, without its terminator, followed by the answer up to and
//! including the comma before `#H`: a request damaged on its way shows in the answer too.

use super::ReplyError;
use crc::{CRC_16_IBM_3740, Crc};

const CHECK: Crc<u16> = Crc::<u16>::new(&CRC_16_IBM_3740);

/// Longest tag that the probe takes, in characters.
pub const TAG_MAX: usize = 20;

/// Bytes that the frame adds to the data of a reply, at most: `,-32768,"<tag>",#HFFFF` CR LF.
pub const FRAME_MAX: usize = TAG_MAX + 20;

/// The answer to one request, its CRC checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// The data in front of the error number, empty for a command without reply.
    pub data: Vec<Field>,
    /// 0, or the SCPI error number of the line.
    pub error: i16,
    /// The tag that the request carried.
    pub tag: String,
}

/// One comma-separated field.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Field {
    /// A number or a word.
    Plain(String),
    /// A quoted string, its quotes taken off.
    Text(String),
}

/// A string with quotes as IEEE 488.2 writes it; inner quotes doubled, other bytes than printable
/// ASCII as `?`.
pub fn quoted(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\"\""),
            ' '..='~' => out.push(c),
            _ => out.push('?'),
        }
    }
    out.push('"');
    out
}

/// Bytes as upper-case hexadecimal digits.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02X}")).collect()
}

/// Bytes from hexadecimal digits of either case; `None` on an odd number or a foreign character.
pub fn unhex(text: &str) -> Option<Vec<u8>> {
    let digit = |b: u8| char::from(b).to_digit(16).and_then(|d| u8::try_from(d).ok());
    let pairs = text.as_bytes().chunks(2);
    pairs.map(|p| Some(digit(*p.first()?)? * 16 + digit(*p.get(1)?)?)).collect()
}

/// The CRC over a request line and the answer up to the comma before `#H`.
pub fn check_word(request: &[u8], answer: &[u8]) -> u16 {
    let mut digest = CHECK.digest();
    digest.update(without_terminator(request));
    digest.update(answer);
    digest.finalize()
}

/// A CRC that covers something already, over more bytes.
pub fn go_on(check: u16, bytes: &[u8]) -> u16 {
    // The catalogued CRC is not reflected and nothing is added at its end: its value is its state.
    let mut digest = CHECK.digest_with_initial(check);
    digest.update(bytes);
    digest.finalize()
}

/// The line without LF or CR LF.
pub fn without_terminator(line: &[u8]) -> &[u8] {
    let line = line.strip_suffix(b"\n").unwrap_or(line);
    line.strip_suffix(b"\r").unwrap_or(line)
}

/// Writes the answer to a request line, as the probe does.
pub fn seal(request: &[u8], data: &str, error: i16, tag: &str) -> Vec<u8> {
    let comma = if data.is_empty() { "" } else { "," };
    let answer = format!("{data}{comma}{error},{},", quoted(tag));
    let check = check_word(request, answer.as_bytes());
    format!("{answer}#H{check:04X}\n").into_bytes()
}

/// Reads the answer to a request line and checks its CRC.
///
/// # Errors
/// [`ReplyError::NotAFrame`] when the line does not end in a tag and a CRC,
/// [`ReplyError::Check`] when the CRC is another than computed.
pub fn open(request: &[u8], line: &[u8]) -> Result<Frame, ReplyError> {
    let line = without_terminator(line);
    let (answer, given) = split_check(line).ok_or(ReplyError::NotAFrame)?;
    let computed = check_word(request, answer);
    if computed != given {
        return Err(ReplyError::Check { given, computed });
    }
    let body = answer.strip_suffix(b",").ok_or(ReplyError::NotAFrame)?;
    let mut data = fields(body).ok_or(ReplyError::NotAFrame)?;
    let (Some(Field::Text(tag)), Some(Field::Plain(error))) = (data.pop(), data.pop()) else {
        return Err(ReplyError::NotAFrame);
    };
    let error = error.parse().map_err(|_| ReplyError::NotAFrame)?;
    Ok(Frame { data, error, tag })
}

/// The answer up to its last comma, and the CRC behind it.
fn split_check(line: &[u8]) -> Option<(&[u8], u16)> {
    let (answer, tail) = line.split_at_checked(line.len().checked_sub(6)?)?;
    let digits = std::str::from_utf8(tail.strip_prefix(b"#H")?).ok()?;
    let plain = digits.bytes().all(|b| b.is_ascii_hexdigit());
    let given = u16::from_str_radix(digits, 16).ok()?;
    plain.then_some((answer, given))
}

/// Splits at commas outside quotes; `None` when a quote does not close or bytes are not ASCII.
fn fields(body: &[u8]) -> Option<Vec<Field>> {
    let body = std::str::from_utf8(body).ok().filter(|t| t.is_ascii())?;
    let mut out = Vec::new();
    let mut rest = Some(body);
    while let Some(text) = rest {
        let (field, after) = match text.strip_prefix('"') {
            Some(inner) => text_field(inner)?,
            None => {
                let end = text.find(',').unwrap_or(text.len());
                let (plain, after) = text.split_at(end);
                if plain.contains('"') {
                    return None;
                }
                (Field::Plain(plain.trim().to_string()), after)
            }
        };
        out.push(field);
        rest = if after.is_empty() { None } else { Some(after.strip_prefix(',')?) };
    }
    Some(out)
}

/// A string behind its opening quote, and what follows its closing one.
fn text_field(inner: &str) -> Option<(Field, &str)> {
    let mut text = String::new();
    let mut rest = inner;
    loop {
        let (before, after) = rest.split_once('"')?;
        text.push_str(before);
        match after.strip_prefix('"') {
            Some(more) => {
                text.push('"');
                rest = more;
            }
            None => return Some((Field::Text(text), after)),
        }
    }
}

/// What an SCPI error number means, in words for the operator (SCPI-1999 volume 2, chapter 21;
/// numbers as in check-values P5).
pub fn error_text(code: i16) -> &'static str {
    match code {
        0 => "no error",
        -113 => "the probe does not know this command: its firmware is older than the program",
        -109 => "a parameter is missing",
        -108 => "a parameter too many",
        -199..=-100 => "the probe could not read the command",
        -221 => "this pin was not named as one that may be driven",
        -222 => "a value is out of range, or the pin is the probe's own",
        -240 => "a conversion was lost, or the EEPROM did not keep what was written",
        -241 => "the pin has no converter input, pull-up or level, whichever is needed",
        -299..=-200 => "the probe could not carry out the command",
        -330 => "the self-test of the probe failed",
        -350 => "the error queue of the probe is full",
        -363 => "the command was too long for the probe's line buffer",
        -365 => "the link was silent for too long, so the outputs went off",
        -399..=-300 => "the probe reports a fault of its own",
        -499..=-400 => "the probe was asked in a way that it cannot answer",
        _ => "an error number that this program does not know",
    }
}
