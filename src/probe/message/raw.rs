//! Raw samples: a burst whose codes are sent as well, in numbered frames with a CRC each.
//!
//! The frames are definite-length blocks in front of the sums. Their bytes are left out of the
//! CRC of the line, so that a damaged frame costs its own samples and nothing else: the sums, which
//! are over all conversions, still stand, and which samples are missing is known by number.

use super::wire::{self, Frame};
use super::{Burst, ReplyError};
use std::ops::Range;

/// Codes in a frame; the last one of a burst may hold fewer (`RAW_CODES` of the probe's
/// `core/raw.h`).
pub const FRAME_CODES: usize = 32;

/// The widest codes, in bits.
const MOST_BITS: u8 = 12;

/// Bytes of a full frame of the widest codes on the line: `#272`, number, codes, CRC, and the comma
/// behind it.
pub const FRAME_BYTES: usize = 4 + 4 + characters(FRAME_CODES, MOST_BITS) + 4 + 1;

/// Characters of so many codes of so many bits, six bits in a character.
const fn characters(codes: usize, bits: u8) -> usize {
    (bits as usize * codes).div_ceil(6)
}

/// Bytes of a block beside its codes: number and CRC, four hexadecimal digits each.
const BESIDE: usize = 8;

/// Consecutive codes of a burst.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Samples {
    /// Number of the first of them in the burst, from 0.
    pub first: u32,
    /// The codes.
    pub codes: Vec<u16>,
}

/// A burst with what has arrived of its codes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Raw {
    /// The sums of all conversions, also of those whose codes are missing.
    pub burst: Burst,
    /// What has arrived, in its order.
    pub frames: Vec<Samples>,
}

impl Raw {
    /// The numbers of the conversions whose codes are missing: their frame was damaged on the line,
    /// or the line was too slow and the probe left it out.
    pub fn lost(&self) -> Vec<Range<u32>> {
        let mut lost = Vec::new();
        let mut due = 0;
        let end = Samples { first: self.burst.n, codes: Vec::new() };
        for frame in self.frames.iter().chain([&end]) {
            if frame.first > due {
                lost.push(due..frame.first);
            }
            due = frame.end();
        }
        lost
    }

    /// All codes in their order, `None` when some are missing.
    pub fn codes(&self) -> Option<Vec<u16>> {
        let whole = self.lost().is_empty();
        whole.then(|| self.frames.iter().flat_map(|f| &f.codes).copied().collect())
    }

    /// Whether frames and sums can come from one burst.
    pub(super) fn consistent(&self) -> bool {
        let mut due = 0;
        let ordered = self.frames.iter().all(|frame| {
            let follows = frame.first >= due;
            due = frame.end();
            follows
        });
        let full = |f: &Samples| f.codes.len() == FRAME_CODES || f.end() == self.burst.n;
        ordered
            && due <= self.burst.n
            && self.frames.iter().all(full)
            && self.codes().is_none_or(|codes| self.sums_are_of(&codes))
    }

    /// Whether the probe's sums are, to the last digit, those of these codes.
    fn sums_are_of(&self, codes: &[u16]) -> bool {
        let wide = || codes.iter().map(|&c| u64::from(c));
        let next = wide().skip(1).chain(wide().take(1));
        let burst = &self.burst;
        burst.sum == wide().sum::<u64>()
            && burst.sumsq == wide().map(|c| c * c).sum::<u64>()
            && burst.lag1 == wide().zip(next).map(|(a, b)| a * b).sum::<u64>()
            && codes.iter().min() == Some(&burst.min)
            && codes.iter().max() == Some(&burst.max)
    }
}

impl Samples {
    /// Number of the conversion behind the last of them.
    fn end(&self) -> u32 {
        self.first.saturating_add(u32::try_from(self.codes.len()).unwrap_or(u32::MAX))
    }
}

/// The first frame of a load's step, whose codes come before the load is on, and the others counted
/// from it.
pub(super) fn split_lead(samples: &[Samples]) -> (Vec<u16>, Vec<Samples>) {
    let lead = samples.iter().find(|s| s.first == 0).map_or(Vec::new(), |s| s.codes.clone());
    let rest = samples.iter().filter_map(|s| {
        let first = s.first.checked_sub(FRAME_CODES as u32)?;
        Some(Samples { first, codes: s.codes.clone() })
    });
    (lead, rest.collect())
}

/// Reads a line that begins with frames: those that are whole, and the frame of the rest.
///
/// # Errors
/// As [`wire::open`]; a damaged block is no error, it is left out.
pub(super) fn open(
    request: &[u8],
    line: &[u8],
    bits: u8,
) -> Result<(Vec<Samples>, Frame), ReplyError> {
    let starts: Vec<usize> =
        line.windows(2).enumerate().filter(|(_, w)| w == b"#2").map(|(at, _)| at).collect();
    let (Some(&first), Some(&last)) = (starts.first(), starts.last()) else {
        return Ok((Vec::new(), wire::open(request, line)?));
    };
    let end = last + block_length(&line[last..]).ok_or(ReplyError::NotAFrame)?;
    let rest = [line.get(..first), line.get(end..)];
    let [Some(before), Some(after)] = rest else { return Err(ReplyError::NotAFrame) };
    let frame = wire::open(request, &[before, after].concat())?;
    let ends = starts.iter().skip(1).copied().chain([end]);
    let check = wire::check_word(request, b"");
    let frames =
        starts.iter().zip(ends).filter_map(|(&at, next)| read(line.get(at..next)?, check, bits));
    Ok((frames.collect(), frame))
}

/// Length of the block that begins here, header included.
fn block_length(bytes: &[u8]) -> Option<usize> {
    let digits = std::str::from_utf8(bytes.get(2..4)?).ok()?;
    Some(4 + digits.parse::<u8>().map(usize::from).ok()?)
}

/// The samples of one block, `None` when it is damaged. A comma may stand behind it.
fn read(bytes: &[u8], request: u16, bits: u8) -> Option<Samples> {
    let length = block_length(bytes)?;
    let (block, behind) = bytes.split_at_checked(length)?;
    let content = block.get(4..)?;
    let (covered, given) = content.split_at_checked(content.len().checked_sub(4)?)?;
    let (number, codes) = covered.split_at_checked(BESIDE - 4)?;
    let sound = matches!(behind, b"" | b",")
        && hex(given)? == wire::go_on(request, covered)
        && codes.len() <= characters(FRAME_CODES, bits);
    let codes = unpack(codes, bits).filter(|codes| sound && !codes.is_empty())?;
    Some(Samples { first: u32::from(hex(number)?) * FRAME_CODES as u32, codes })
}

/// Codes of up to 12 bits from characters of six, `0` to `o`; what is left at the end fills up.
fn unpack(characters: &[u8], width: u8) -> Option<Vec<u16>> {
    let width = width.clamp(6, MOST_BITS);
    let (mut codes, mut held, mut bits) = (Vec::new(), 0_u32, 0);
    for &byte in characters {
        let six = byte.checked_sub(b'0').filter(|six| *six < 64)?;
        held = (held << 6 | u32::from(six)) & 0x3_FFFF;
        bits += 6;
        if bits >= width {
            bits -= width;
            // Twelve bits always fit.
            codes.push((held >> bits & ((1 << width) - 1)) as u16);
        }
    }
    Some(codes)
}

fn hex(digits: &[u8]) -> Option<u16> {
    let text = std::str::from_utf8(digits).ok()?;
    let plain = text.bytes().all(|b| b.is_ascii_hexdigit());
    u16::from_str_radix(text, 16).ok().filter(|_| plain)
}
