//! One question at a time over a line that loses, repeats and garbles bytes.
//!
//! No port and no clock: the caller brings bytes and the time (a [`Duration`] since any start that
//! does not change), writes what it is handed, and calls [`Exchange::tick`] at
//! [`Exchange::wake_at`]. A reply counts only when its tag is the one of the outstanding request
//! and its CRC fits the request as it was sent, so a reply that is late, repeated, damaged, or
//! that answers a damaged request, is never taken for the answer.
//!
//! Every request of the probe may be asked again without harm, so a lost answer is asked for again.

use super::message::wire::{self, TAG_MAX};
use super::message::{Reply, ReplyError, Request};
use super::port::BAUD;
use std::collections::VecDeque;
use std::time::Duration;

/// How often a request is sent before the probe counts as lost.
pub const TRIES: u32 = 3;

/// How often each of several rates is tried before that, as long as none has brought an answer.
const TRIES_AT_EACH: u32 = 2;

/// Silence kept after opening the port, so that the boot loader is not spoken to: opening resets
/// many boards, and a boot loader listens for one to two seconds.
pub const QUIET: Duration = Duration::from_secs(2);

/// The probe's error number for a value outside its limits (SCPI-1999, Data out of range).
const OUT_OF_RANGE: i16 = -222;

/// Pieces of thrown-away bytes kept for the log, and the bytes kept of each.
const LOG_PIECES: usize = 16;
const LOG_BYTES: usize = 64;

/// How a request ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The probe answered.
    Reply(Reply),
    /// The probe answered with an error, or was not asked because it would.
    Refused {
        /// SCPI error number.
        code: i16,
        /// What it means, in words.
        text: String,
    },
    /// The probe answered with a valid CRC, but not to what was asked: its firmware speaks another
    /// version of the link.
    Unreadable(ReplyError),
    /// No valid answer in all tries, at all rates that the line may have.
    Lost {
        /// How often the request was sent.
        tries: u32,
    },
}

/// The host's end of the line.
#[derive(Debug)]
pub struct Exchange {
    nonce: u32,
    count: u32,
    quiet: Duration,
    /// Rates of the line, one at least; the first is tried first.
    rates: Vec<u32>,
    /// Which of them the line has to have now.
    rate: usize,
    /// Whether that is the probe's: it has answered.
    met: bool,
    /// No byte is sent before this time.
    quiet_until: Option<Duration>,
    pending: Option<Pending>,
    outcome: Option<Outcome>,
    /// When a request was refused before it was sent: nothing arrives that would wake anybody.
    refused_at: Option<Duration>,
    inbox: Inbox,
}

/// The outstanding request.
#[derive(Debug)]
struct Pending {
    request: Request,
    tag: String,
    line: Vec<u8>,
    tries: u32,
    /// When the next thing is due: the first sending, a repetition, or giving up.
    due: Duration,
}

/// How a line that is being opened is begun on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Opening {
    /// Silence after opening it; zero where no boot loader can be.
    pub quiet: Duration,
    /// The rates that the probe may have, in baud; the line is opened at the first.
    pub rates: Vec<u32>,
}

impl Opening {
    /// A line to a unit without hardware: it needs no patience.
    pub fn at_once() -> Opening {
        Opening { quiet: Duration::ZERO, rates: vec![BAUD] }
    }

    /// The host's end of the line, opened at time 0.
    pub fn exchange(&self, nonce: u32) -> Exchange {
        let mut exchange = Exchange::with_quiet(nonce, self.quiet).at_rates(&self.rates);
        exchange.opened(Duration::ZERO);
        exchange
    }
}

impl Exchange {
    /// A line that was just opened. `nonce` must differ between openings, so that bytes of an
    /// earlier one are known for what they are.
    pub fn new(nonce: u32) -> Exchange {
        Exchange::with_quiet(nonce, QUIET)
    }

    /// The same with another quiet time after opening; zero where no boot loader can be.
    pub fn with_quiet(nonce: u32, quiet: Duration) -> Exchange {
        Exchange {
            nonce,
            count: 0,
            quiet,
            rates: vec![BAUD],
            rate: 0,
            met: false,
            quiet_until: None,
            pending: None,
            outcome: None,
            refused_at: None,
            inbox: Inbox::default(),
        }
    }

    /// The same on a line whose rate is not known: as long as nothing has answered the rates are
    /// tried by turns, the first of them first. Without any the rate stays [`BAUD`].
    pub fn at_rates(mut self, rates: &[u32]) -> Exchange {
        if !rates.is_empty() {
            self.rates = rates.to_vec();
        }
        self
    }

    /// The rate in baud that the line has to have before anything is written.
    pub fn rate(&self) -> u32 {
        self.rates[self.rate]
    }

    /// The rates that the probe may have, as far as that is known.
    pub fn rates(&self) -> &[u32] {
        if self.met { &self.rates[self.rate..=self.rate] } else { &self.rates }
    }

    /// The port was opened at `now`: nothing is sent, and all that arrives is thrown away, until
    /// the quiet time has passed.
    pub fn opened(&mut self, now: Duration) {
        self.quiet_until = Some(now + self.quiet);
        if let Some(pending) = &mut self.pending {
            pending.tries = 0;
            pending.due = now + self.quiet;
        }
    }

    /// When the quiet time ends; `None` when the line may be used.
    pub fn quiet_until(&self) -> Option<Duration> {
        self.quiet_until
    }

    /// Asks, and returns the bytes to write: none while the line has to be quiet, then
    /// [`Exchange::tick`] hands them over. A request that is still outstanding is given up without
    /// an outcome, and its reply will be ignored.
    ///
    /// A request that the probe would refuse whatever its state ([`Request::problem`]) is not
    /// sent: [`Exchange::take`] has its outcome at once.
    pub fn request(&mut self, now: Duration, request: Request) -> Vec<u8> {
        self.count = self.count.wrapping_add(1);
        let tag = format!("{:x}.{:x}", self.nonce, self.count);
        debug_assert!(tag.len() <= TAG_MAX);
        let line = request.encode(&tag);
        self.outcome = None;
        self.refused_at = None;
        if let Some(text) = request.problem() {
            self.pending = None;
            self.outcome = Some(Outcome::Refused { code: OUT_OF_RANGE, text });
            self.refused_at = Some(now);
            return Vec::new();
        }
        self.pending = Some(Pending { request, tag, line, tries: 0, due: now });
        self.tick(now).unwrap_or_default()
    }

    /// Whether a request waits for its answer.
    pub fn busy(&self) -> bool {
        self.pending.is_some()
    }

    /// Takes bytes that have arrived, in whatever portions.
    pub fn bytes(&mut self, now: Duration, bytes: &[u8]) {
        if self.quiet_until.is_some_and(|until| now < until) {
            self.inbox.thrown.note(bytes);
            return;
        }
        let limit = self.pending.as_ref().map_or(LINE_MIN, |p| p.request.largest_reply());
        for &byte in bytes {
            if let Some(line) = self.inbox.push(byte, limit.max(LINE_MIN)) {
                self.line(&line);
            }
        }
    }

    /// Judges one whole line.
    fn line(&mut self, line: &[u8]) {
        let Some(pending) = self.pending.as_ref().filter(|p| p.tries > 0) else {
            self.inbox.thrown.note(line);
            return;
        };
        match pending.request.open(&pending.line, line) {
            Ok(answer) if answer.frame.tag == pending.tag => {
                self.met = true;
                let code = answer.frame.error;
                self.outcome = Some(if code != 0 {
                    Outcome::Refused { code, text: wire::error_text(code).to_string() }
                } else {
                    match answer.reply(&pending.request) {
                        Ok(reply) => Outcome::Reply(reply),
                        Err(problem) => Outcome::Unreadable(problem),
                    }
                });
                self.pending = None;
            }
            _ => self.inbox.thrown.note(line),
        }
    }

    /// When [`Exchange::tick`] has something to do, if no byte arrives before.
    pub fn wake_at(&self) -> Option<Duration> {
        let due = |p: &Pending| p.due.max(self.quiet_until.unwrap_or_default());
        self.refused_at.or(self.pending.as_ref().map(due))
    }

    /// Does what is due, and returns bytes to write at [`Exchange::rate`]: the first sending after
    /// the quiet time, or a repetition, with a line feed in front that ends whatever the probe
    /// holds half of.
    ///
    /// The last try, or the last round through the rates, waits for the quiet time once more, so
    /// that a probe that was reset by the line itself is out of its boot loader.
    pub fn tick(&mut self, now: Duration) -> Option<Vec<u8>> {
        let fresh = self.quiet_until.is_some_and(|until| now >= until);
        if fresh {
            self.quiet_until = None;
            self.inbox.drop_partial();
        }
        let (round, rounds) = if self.met || self.rates.len() == 1 {
            (1, TRIES)
        } else {
            (u32::try_from(self.rates.len()).unwrap_or(u32::MAX), TRIES_AT_EACH)
        };
        let most = rounds.saturating_mul(round);
        let pending = self.pending.as_mut()?;
        if self.quiet_until.is_some() || now < pending.due {
            return None;
        }
        if pending.tries >= most {
            self.outcome = Some(Outcome::Lost { tries: pending.tries });
            self.pending = None;
            return None;
        }
        if round > 1 {
            let place = (pending.tries % round) as usize;
            if place != self.rate {
                // What came at the rate before is no beginning of an answer.
                self.inbox.drop_partial();
            }
            self.rate = place;
        }
        pending.tries += 1;
        let pause = if pending.tries == most - round { self.quiet } else { Duration::ZERO };
        pending.due = now + pending.request.timeout_at(self.rates[self.rate]) + pause;
        let mut out = Vec::with_capacity(pending.line.len() + 1);
        if fresh || pending.tries > 1 {
            out.push(b'\n');
        }
        out.extend_from_slice(&pending.line);
        Some(out)
    }

    /// How the request ended, once.
    pub fn take(&mut self) -> Option<Outcome> {
        self.refused_at = None;
        self.outcome.take()
    }

    /// What has come that answered nothing, if anything has: the beginning of its last piece,
    /// printable.
    pub fn babble(&self) -> Option<String> {
        const SHOWN: usize = 24;
        let inbox = &self.inbox;
        let last = match inbox.line.as_slice() {
            [] => inbox.thrown.pieces.back().map_or(&[][..], Vec::as_slice),
            partial => partial,
        };
        let shown = &last[..last.len().min(SHOWN)];
        let any = inbox.thrown.bytes > 0 || !inbox.line.is_empty();
        any.then(|| shown.escape_ascii().to_string())
    }

    /// What was thrown away so far.
    pub fn thrown(&self) -> &Thrown {
        &self.inbox.thrown
    }

    /// The pieces thrown away since the last call, printable, for the log.
    pub fn take_log(&mut self) -> Vec<String> {
        let pieces = self.inbox.thrown.pieces.drain(..);
        pieces.map(|piece| piece.escape_ascii().to_string()).collect()
    }
}

/// Shortest limit of a line: anything the probe says untagged still ends in one piece of the log.
const LINE_MIN: usize = 96;

/// Bytes that belonged to no answer.
#[derive(Clone, Debug, Default)]
pub struct Thrown {
    /// How many bytes.
    pub bytes: u64,
    pieces: VecDeque<Vec<u8>>,
}

impl Thrown {
    fn note(&mut self, bytes: &[u8]) {
        self.bytes += bytes.len() as u64;
        if bytes.iter().all(u8::is_ascii_whitespace) {
            return;
        }
        if self.pieces.len() == LOG_PIECES {
            self.pieces.pop_front();
        }
        self.pieces.push_back(bytes.iter().take(LOG_BYTES).copied().collect());
    }
}

/// Splits what arrives into lines, holding no more than one line of bounded length.
#[derive(Debug, Default)]
struct Inbox {
    line: Vec<u8>,
    /// In a line that was too long: the rest goes, up to its line feed.
    skipping: bool,
    thrown: Thrown,
}

impl Inbox {
    /// Takes a byte; a line feed completes the line.
    fn push(&mut self, byte: u8, limit: usize) -> Option<Vec<u8>> {
        if self.skipping {
            self.thrown.bytes += 1;
            self.skipping = byte != b'\n';
            return None;
        }
        self.line.push(byte);
        if byte == b'\n' {
            return Some(std::mem::take(&mut self.line));
        }
        if self.line.len() >= limit {
            self.drop_partial();
            self.skipping = true;
        }
        None
    }

    /// Throws away what is held of a line.
    fn drop_partial(&mut self) {
        let line = std::mem::take(&mut self.line);
        self.skipping = false;
        if !line.is_empty() {
            self.thrown.note(&line);
        }
    }
}
