//! One direction of a bad line: bytes lost, changed and doubled, messages lost, repeated and late.
//!
//! Seeded, and told the time, so that a run over it can be repeated to the byte.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::time::Duration;

/// How bad the line is, as probabilities.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Faults {
    /// That a byte is lost.
    pub drop: f64,
    /// That a byte is replaced by another.
    pub corrupt: f64,
    /// That a byte arrives twice.
    pub double: f64,
    /// That a whole message is lost.
    pub lose: f64,
    /// That a whole message arrives twice.
    pub repeat: f64,
    /// That a message is late, and by how much at most.
    pub late: (f64, Duration),
}

/// One direction of a line; put one each way.
#[derive(Debug)]
pub struct Faulty {
    faults: Faults,
    rng: ChaCha8Rng,
    /// What is under way: when it arrives, in order of arrival.
    under_way: Vec<(Duration, Vec<u8>)>,
}

impl Faulty {
    /// A line with these faults, drawn from this seed.
    pub fn new(faults: Faults, seed: u64) -> Faulty {
        Faulty { faults, rng: ChaCha8Rng::seed_from_u64(seed), under_way: Vec::new() }
    }

    /// Sends a message at `now`.
    pub fn send(&mut self, now: Duration, message: &[u8]) {
        if message.is_empty() || self.rng.random_bool(self.faults.lose) {
            return;
        }
        let copies = 1 + usize::from(self.rng.random_bool(self.faults.repeat));
        for _ in 0..copies {
            let (chance, at_most) = self.faults.late;
            let late = self.rng.random_bool(chance);
            let delay = if late { at_most.mul_f64(self.rng.random()) } else { Duration::ZERO };
            let bytes = self.garble(message);
            self.under_way.push((now + delay, bytes));
        }
        self.under_way.sort_by_key(|(at, _)| *at);
    }

    /// What has arrived by `now`.
    pub fn arrived(&mut self, now: Duration) -> Vec<u8> {
        let count = self.under_way.iter().take_while(|(at, _)| *at <= now).count();
        self.under_way.drain(..count).flat_map(|(_, bytes)| bytes).collect()
    }

    /// When the next bytes arrive.
    pub fn next(&self) -> Option<Duration> {
        self.under_way.first().map(|(at, _)| *at)
    }

    fn garble(&mut self, message: &[u8]) -> Vec<u8> {
        let mut out = Vec::with_capacity(message.len());
        let Faults { drop, corrupt, double, .. } = self.faults;
        for &byte in message {
            let dice: f64 = self.rng.random();
            if dice < drop {
                continue;
            }
            let bad = dice < drop + corrupt;
            out.push(if bad { byte ^ self.rng.random_range(1..=255u8) } else { byte });
            if !bad && dice < drop + corrupt + double {
                out.push(byte);
            }
        }
        out
    }
}
