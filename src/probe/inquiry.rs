//! Asks whatever is on a port who it is, and disturbs a stranger no more than that takes: nothing
//! is said in the boot loader's time, then `*IDN?` twice at most at each rate that a probe may
//! have.

use super::exchange::{Exchange, Outcome};
use super::message::{Reply, Request};
use super::port::RATES;
use std::time::Duration;

/// Who is on a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Heard {
    /// A probe.
    Probe {
        /// Model, for example `PROBE-ATMEGA328P`.
        model: String,
        /// Version of the firmware.
        firmware: String,
        /// Identity on the chip, 0 when none is written.
        identity: u32,
        /// The unit that it was written for.
        unit: String,
        /// The rate of its line, in baud.
        rate: u32,
    },
    /// Something sends, but not as the probe does: the beginning of what it said.
    Other(String),
    /// Nothing came.
    Silent,
}

/// One inquiry, told the time.
#[derive(Debug)]
pub struct Inquiry {
    exchange: Exchange,
    until: Duration,
    /// What the probe said of itself, while its identity is asked for.
    known: Option<(String, String)>,
    heard: Option<Heard>,
}

impl Inquiry {
    /// An inquiry on a port that was opened at 0: silent for `quiet`, over at `limit`. Returns the
    /// bytes to write at once, if any.
    pub fn new(nonce: u32, quiet: Duration, limit: Duration) -> (Inquiry, Vec<u8>) {
        let mut exchange = Exchange::with_quiet(nonce, quiet).at_rates(&RATES);
        exchange.opened(Duration::ZERO);
        let bytes = exchange.request(Duration::ZERO, Request::Identify);
        (Inquiry { exchange, until: limit, known: None, heard: None }, bytes)
    }

    /// The rate in baud that the line has to have before anything is written.
    pub fn rate(&self) -> u32 {
        self.exchange.rate()
    }

    /// Bytes came; returns bytes to write.
    pub fn bytes(&mut self, now: Duration, bytes: &[u8]) -> Vec<u8> {
        self.exchange.bytes(now, bytes);
        self.settle(now)
    }

    /// It is the time that `wake_at` named; returns bytes to write.
    pub fn tick(&mut self, now: Duration) -> Vec<u8> {
        let mut bytes = self.exchange.tick(now).unwrap_or_default();
        bytes.extend(self.settle(now));
        if now >= self.until && self.heard.is_none() {
            self.heard = Some(self.without_answer());
        }
        bytes
    }

    /// When it wants to be told the time.
    pub fn wake_at(&self) -> Duration {
        self.exchange.wake_at().map_or(self.until, |at| at.min(self.until))
    }

    /// Who is there, once that is known.
    pub fn heard(&self) -> Option<&Heard> {
        self.heard.as_ref()
    }

    fn settle(&mut self, now: Duration) -> Vec<u8> {
        match self.exchange.take() {
            None => Vec::new(),
            Some(Outcome::Reply(Reply::Identified { model, firmware, .. })) => {
                self.known = Some((model, firmware));
                self.exchange.request(now, Request::Identity)
            }
            Some(Outcome::Reply(Reply::Identity { identity, unit })) => {
                self.heard = Some(self.probe(identity, unit));
                Vec::new()
            }
            Some(_) => {
                self.heard = Some(self.without_answer());
                Vec::new()
            }
        }
    }

    fn probe(&mut self, identity: u32, unit: String) -> Heard {
        let (model, firmware) = self.known.take().unwrap_or_default();
        Heard::Probe { model, firmware, identity, unit, rate: self.exchange.rate() }
    }

    /// What can be said when no answer came, or none that fits.
    fn without_answer(&mut self) -> Heard {
        match self.exchange.babble() {
            // It had said its name already.
            _ if self.known.is_some() => self.probe(0, String::new()),
            Some(said) => Heard::Other(said),
            None => Heard::Silent,
        }
    }
}
