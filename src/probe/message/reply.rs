//! Replies: read from the fields of a frame, and written the way the probe writes them.

use super::raw::{self, Raw, Samples};
use super::wire::{self, Field, Frame};
use super::{Burst, Request};
use std::fmt;
use std::time::Duration;

/// What the probe answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reply {
    /// Who it is.
    Identified {
        /// Maker of the firmware.
        maker: String,
        /// Model: the probe and its chip.
        model: String,
        /// Identity in hexadecimal, `0` when none is written.
        serial: String,
        /// Version of the firmware.
        firmware: String,
    },
    /// Version of SCPI.
    Version(String),
    /// Result of the self-test; 0 is good.
    SelfTest(i32),
    /// The last boot.
    Boot {
        /// Number of boots, counted in EEPROM where an identity is written.
        count: u32,
        /// Why it booted.
        cause: Cause,
        /// Time since.
        uptime: Duration,
    },
    /// Fuses and lock bits as the chip reads them: a bit that is 0 is programmed.
    Fuses {
        /// Low fuse byte.
        low: u8,
        /// High fuse byte.
        high: u8,
        /// Extended fuse byte.
        extended: u8,
        /// Lock bits.
        lock: u8,
    },
    /// Identity in EEPROM; 0 and an empty name when none is written.
    Identity {
        /// Random number.
        identity: u32,
        /// Serial of the unit.
        unit: String,
    },
    /// Raw bytes of an EEPROM slot.
    Slot(Vec<u8>),
    /// A burst of a pin or of the supply.
    Burst(Burst),
    /// A burst of a pin with its codes.
    Raw(Raw),
    /// A burst without load, and one with its codes in which it goes on.
    Step {
        /// Without load.
        before: Burst,
        /// The codes up to the load, the last one under way as it goes on; empty when they did not
        /// come.
        lead: Vec<u16>,
        /// On load, counted from the conversion behind those.
        after: Raw,
    },
    /// What a part on an I2C bus did when its address was sent.
    Presence(Presence),
    /// Digital reads.
    Level {
        /// Number of reads.
        n: u32,
        /// How many were high.
        ones: u32,
    },
    /// Charge sharing.
    Charge {
        /// Pairs taken.
        pairs: u32,
        /// Sum of the first four codes of the pin.
        first: u32,
        /// Sum of the last four codes of the pin.
        last: u32,
    },
    /// Whether an output is on.
    Output(bool),
    /// An entry of the error queue, 0 when it is empty.
    Error {
        /// SCPI error number.
        code: i16,
        /// The probe's words for it.
        text: String,
    },
    /// A command without reply was carried out.
    Done,
}

/// What came of an address on an I2C bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Presence {
    /// Nobody answered.
    Silent,
    /// A part pulled the data low: it has its supply.
    Answers,
    /// Data or clock are low all the time: nothing was asked.
    HeldLow,
}

/// Why the probe booted last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// The power came up.
    Power,
    /// The supply dipped below the brown-out level.
    BrownOut,
    /// The reset pin: a button, or DTR when a port is opened.
    External,
    /// The watchdog.
    Watchdog,
    /// A boot loader has cleared the register; never to be taken for 'no brown-out'.
    Unknown,
}

impl Cause {
    const WORDS: [(Cause, &'static str); 5] = [
        (Cause::Power, "POWER"),
        (Cause::BrownOut, "BROWNOUT"),
        (Cause::External, "EXTERNAL"),
        (Cause::Watchdog, "WATCHDOG"),
        (Cause::Unknown, "UNKNOWN"),
    ];

    /// The word on the line.
    pub fn word(self) -> &'static str {
        Cause::WORDS.iter().find(|(c, _)| *c == self).map_or("UNKNOWN", |(_, w)| w)
    }
}

/// Why a line is no answer to the request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ReplyError {
    /// It does not end in a tag and a CRC.
    NotAFrame,
    /// Request or answer were damaged.
    Check {
        /// CRC on the line.
        given: u16,
        /// CRC computed.
        computed: u16,
    },
    /// It has another number of fields than the request calls for.
    Fields {
        /// Fields called for.
        expected: usize,
        /// Fields found.
        found: usize,
    },
    /// A field does not hold what belongs there.
    Field {
        /// What belongs there.
        what: &'static str,
        /// What is there.
        found: String,
    },
    /// The figures contradict each other or the request.
    Contradiction,
}

impl fmt::Display for ReplyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ReplyError::NotAFrame => write!(f, "the line does not end in a tag and a CRC"),
            ReplyError::Check { given, computed } => {
                write!(f, "CRC on the line {given:04X}, computed {computed:04X}")
            }
            ReplyError::Fields { expected, found } => write!(
                f,
                "{found} fields where {expected} belong: flash the probe that came with this \
                 program"
            ),
            ReplyError::Field { what, found } => write!(
                f,
                "{found:?} where {what} belongs: flash the probe that came with this program"
            ),
            ReplyError::Contradiction => write!(
                f,
                "the figures contradict each other or the request: flash the probe that came \
                 with this program"
            ),
        }
    }
}

impl std::error::Error for ReplyError {}

impl Request {
    /// Reads the line that answers this request as it was sent.
    ///
    /// # Errors
    /// As [`wire::open`]: the line is no whole answer to this request.
    pub fn open(&self, sent: &[u8], line: &[u8]) -> Result<Answer, ReplyError> {
        match self {
            Request::Raw { bits, .. } | Request::Step { bits, .. } => {
                let (samples, frame) = raw::open(sent, line, *bits)?;
                Ok(Answer { frame, samples })
            }
            Request::Against { request, .. } => request.open(sent, line),
            _ => Ok(Answer { frame: wire::open(sent, line)?, samples: Vec::new() }),
        }
    }

    /// Reads the data fields that answer this request; of raw samples the sums alone.
    ///
    /// # Errors
    /// [`ReplyError`] naming the field that does not hold what belongs there.
    pub fn reply(&self, data: &[Field]) -> Result<Reply, ReplyError> {
        let r = Fields(data);
        match self {
            Request::Identify => {
                r.count(4)?;
                Ok(Reply::Identified {
                    maker: r.word(0, "the maker")?,
                    model: r.word(1, "the model")?,
                    serial: r.word(2, "the identity")?,
                    firmware: r.word(3, "the firmware version")?,
                })
            }
            Request::Version => {
                r.count(1)?;
                Ok(Reply::Version(r.word(0, "the SCPI version")?))
            }
            Request::SelfTest => {
                r.count(1)?;
                Ok(Reply::SelfTest(r.number(0, "the self-test result")?))
            }
            Request::Boot => {
                r.count(3)?;
                let uptime = Duration::from_millis(r.number::<u32>(2, "the uptime")?.into());
                Ok(Reply::Boot {
                    count: r.number(0, "the boot count")?,
                    cause: r.cause(1)?,
                    uptime,
                })
            }
            Request::Fuses => {
                r.count(4)?;
                let byte = |i| {
                    let value = r.hex(i, "a fuse byte")?;
                    u8::try_from(value).map_err(|_| ReplyError::Field {
                        what: "a fuse byte",
                        found: format!("#H{value:X}"),
                    })
                };
                let (low, high, extended, lock) = (byte(0)?, byte(1)?, byte(2)?, byte(3)?);
                Ok(Reply::Fuses { low, high, extended, lock })
            }
            Request::Identity => {
                r.count(2)?;
                let unit = r.text(1, "the unit")?;
                Ok(Reply::Identity { identity: r.hex(0, "the identity")?, unit })
            }
            Request::Slot { .. } => {
                r.count(1)?;
                let text = r.text(0, "the bytes of the slot")?;
                let bytes = wire::unhex(&text)
                    .ok_or(ReplyError::Field { what: "hexadecimal bytes", found: text })?;
                Ok(Reply::Slot(bytes))
            }
            Request::Burst { n, .. } | Request::Product { n, .. } | Request::Supply { n } => {
                r.burst((*n).into())
            }
            Request::Raw { n, .. } => {
                // A comma parts the sums from the frames in front of them.
                let sums = data.strip_prefix(&[Field::Plain(String::new())]).unwrap_or(data);
                let burst = Fields(sums).figures((*n).into())?;
                Ok(Reply::Raw(Raw { burst, frames: Vec::new() }))
            }
            Request::Step { before, after, .. } => {
                let (first, second) = data
                    .split_at_checked(BURST_FIELDS)
                    .ok_or(ReplyError::Fields { expected: 2 * BURST_FIELDS, found: data.len() })?;
                // Commas stand on both sides of the frames, also where they have been taken out.
                let second = second.strip_prefix(&[Field::Plain(String::new())]).unwrap_or(second);
                let burst = Fields(second).figures((*after).into())?;
                let before = Fields(first).figures((*before).into())?;
                let after = Raw { burst, frames: Vec::new() };
                Ok(Reply::Step { before, lead: Vec::new(), after })
            }
            Request::Presence { .. } => {
                r.count(1)?;
                match r.plain(0, "0, 1 or 2")? {
                    "0" => Ok(Reply::Presence(Presence::Silent)),
                    "1" => Ok(Reply::Presence(Presence::Answers)),
                    "2" => Ok(Reply::Presence(Presence::HeldLow)),
                    found => Err(ReplyError::Field { what: "0, 1 or 2", found: found.to_string() }),
                }
            }
            Request::Against { request, .. } => request.reply(data),
            Request::Level { n, .. } => r.level((*n).into()),
            Request::Charge { pairs, .. } => r.charge((*pairs).into()),
            Request::OutputState { .. } => {
                r.count(1)?;
                Ok(Reply::Output(r.number::<u8>(0, "0 or 1")? != 0))
            }
            Request::NextError => {
                r.count(2)?;
                let text = r.text(1, "the error text")?;
                Ok(Reply::Error { code: r.number(0, "the error number")?, text })
            }
            Request::WriteIdentity { .. }
            | Request::WriteSlot { .. }
            | Request::Allow { .. }
            | Request::AllowDischarge { .. }
            | Request::AllowReferences { .. }
            | Request::Output { .. }
            | Request::Hold { .. }
            | Request::Abort
            | Request::Reset => {
                r.count(0)?;
                Ok(Reply::Done)
            }
        }
    }
}

/// A line that answers a request, its CRC checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// Fields, error number and tag.
    pub frame: Frame,
    /// Raw samples whose own CRC is right.
    samples: Vec<Samples>,
}

impl Answer {
    /// What it says to the request that it answers.
    ///
    /// # Errors
    /// As [`Request::reply`]; [`ReplyError::Contradiction`] when samples and sums differ.
    pub fn reply(&self, request: &Request) -> Result<Reply, ReplyError> {
        match request.reply(&self.frame.data)? {
            Reply::Raw(raw) => {
                let raw = Raw { frames: self.samples.clone(), ..raw };
                let sound = raw.consistent();
                sound.then_some(Reply::Raw(raw)).ok_or(ReplyError::Contradiction)
            }
            Reply::Step { before, after, .. } => {
                let (lead, frames) = raw::split_lead(&self.samples);
                let after = Raw { frames, ..after };
                let step = Reply::Step { before, lead, after: after.clone() };
                after.consistent().then_some(step).ok_or(ReplyError::Contradiction)
            }
            reply => Ok(reply),
        }
    }
}

/// Fields of a burst's figures.
const BURST_FIELDS: usize = 8;

/// Typed access to the fields of a reply.
struct Fields<'a>(&'a [Field]);

impl Fields<'_> {
    fn count(&self, expected: usize) -> Result<(), ReplyError> {
        let found = self.0.len();
        if found == expected { Ok(()) } else { Err(ReplyError::Fields { expected, found }) }
    }

    fn plain(&self, i: usize, what: &'static str) -> Result<&str, ReplyError> {
        match self.0.get(i) {
            Some(Field::Plain(word)) => Ok(word),
            other => Err(ReplyError::Field { what, found: format!("{other:?}") }),
        }
    }

    fn text(&self, i: usize, what: &'static str) -> Result<String, ReplyError> {
        match self.0.get(i) {
            Some(Field::Text(text)) => Ok(text.clone()),
            other => Err(ReplyError::Field { what, found: format!("{other:?}") }),
        }
    }

    fn word(&self, i: usize, what: &'static str) -> Result<String, ReplyError> {
        self.plain(i, what).map(str::to_string)
    }

    fn number<T: std::str::FromStr>(&self, i: usize, what: &'static str) -> Result<T, ReplyError> {
        let word = self.plain(i, what)?;
        word.parse().map_err(|_| ReplyError::Field { what, found: word.to_string() })
    }

    fn hex(&self, i: usize, what: &'static str) -> Result<u32, ReplyError> {
        let word = self.plain(i, what)?;
        let digits = word.strip_prefix("#H").filter(|d| d.bytes().all(|b| b.is_ascii_hexdigit()));
        digits
            .and_then(|d| u32::from_str_radix(d, 16).ok())
            .ok_or_else(|| ReplyError::Field { what, found: word.to_string() })
    }

    fn cause(&self, i: usize) -> Result<Cause, ReplyError> {
        let what = "the reset cause";
        let word = self.plain(i, what)?;
        let known = Cause::WORDS.iter().find(|(_, w)| *w == word);
        known.map(|(c, _)| *c).ok_or_else(|| ReplyError::Field { what, found: word.to_string() })
    }

    fn burst(&self, n: u32) -> Result<Reply, ReplyError> {
        self.figures(n).map(Reply::Burst)
    }

    fn figures(&self, n: u32) -> Result<Burst, ReplyError> {
        self.count(BURST_FIELDS)?;
        let burst = Burst {
            n: self.number(0, "the number of conversions")?,
            sum: self.number(1, "the sum")?,
            sumsq: self.number(2, "the sum of squares")?,
            min: self.number(3, "the smallest code")?,
            max: self.number(4, "the largest code")?,
            lag1: self.number(5, "the lag-1 sum")?,
            q01: self.number(6, "the 1 % quantile")?,
            q99: self.number(7, "the 99 % quantile")?,
        };
        if burst.n == n && burst.consistent() { Ok(burst) } else { Err(ReplyError::Contradiction) }
    }

    fn level(&self, asked: u32) -> Result<Reply, ReplyError> {
        self.count(2)?;
        let n = self.number(0, "the number of reads")?;
        let ones = self.number(1, "the number of ones")?;
        if n == asked && ones <= n {
            Ok(Reply::Level { n, ones })
        } else {
            Err(ReplyError::Contradiction)
        }
    }

    fn charge(&self, asked: u32) -> Result<Reply, ReplyError> {
        self.count(3)?;
        let pairs = self.number(0, "the number of pairs")?;
        let first = self.number(1, "the first codes")?;
        let last = self.number(2, "the last codes")?;
        if pairs == asked {
            Ok(Reply::Charge { pairs, first, last })
        } else {
            Err(ReplyError::Contradiction)
        }
    }
}

impl Reply {
    /// The data of the reply as the probe writes it; empty for [`Reply::Done`], the sums alone for
    /// [`Reply::Raw`] and [`Reply::Step`].
    pub fn text(&self) -> String {
        match self {
            Reply::Identified { maker, model, serial, firmware } => {
                format!("{maker},{model},{serial},{firmware}")
            }
            Reply::Version(version) => version.clone(),
            Reply::SelfTest(result) => result.to_string(),
            Reply::Boot { count, cause, uptime } => {
                format!("{count},{},{}", cause.word(), uptime.as_millis())
            }
            Reply::Fuses { low, high, extended, lock } => {
                format!("#H{low:02X},#H{high:02X},#H{extended:02X},#H{lock:02X}")
            }
            Reply::Identity { identity, unit } => {
                format!("#H{identity:X},{}", wire::quoted(unit))
            }
            Reply::Slot(bytes) => wire::quoted(&wire::hex(bytes)),
            Reply::Burst(b) | Reply::Raw(Raw { burst: b, .. }) => figures(b),
            Reply::Step { before, after, .. } => {
                format!("{},{}", figures(before), figures(&after.burst))
            }
            Reply::Level { n, ones } => format!("{n},{ones}"),
            Reply::Charge { pairs, first, last } => format!("{pairs},{first},{last}"),
            Reply::Output(on) => u8::from(*on).to_string(),
            Reply::Presence(presence) => (*presence as u8).to_string(),
            Reply::Error { code, text } => format!("{code},{}", wire::quoted(text)),
            Reply::Done => String::new(),
        }
    }
}

/// A burst as the probe writes it.
fn figures(b: &Burst) -> String {
    format!("{},{},{},{},{},{},{},{}", b.n, b.sum, b.sumsq, b.min, b.max, b.lag1, b.q01, b.q99)
}
