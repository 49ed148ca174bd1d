//! The virtual board: the probe's own C core on the physics of one unit, as a device that takes
//! and gives bytes on a clock of its own.
//!
//! The device works through what it has heard at once, and its clock runs ahead by the time that
//! the work takes on the chip; what it says is held back until the outside has reached that time.

use super::core::Core;
use super::port::BAUD;
use super::world::{ResetCause, World};
use crate::board::{Place, Setting};
use std::collections::VecDeque;
use std::time::Duration;

/// Bits of a byte on the line, start and stop bit included.
const BYTE_BITS: u64 = 10;

/// How often the core looks after its housekeeping while nothing is said, in nanoseconds.
const POLL_NS: u64 = 50_000_000;

/// The most polls for one step of the outside clock, however far it jumps.
const POLLS: u64 = 2_000;

/// A unit on the bench with the probe in it.
pub struct VirtualBoard {
    core: Core<World>,
    /// Rate of the probe's end of the line, and of the host's.
    rate: u32,
    line: u32,
    /// The time outside.
    outside: Duration,
    /// What was said, and when it is through the line.
    said: VecDeque<(Duration, Vec<u8>)>,
    /// How long a boot loader stands in front of the probe after a reset, hearing nothing.
    boot_loader: Duration,
    /// Until when it stands there.
    deaf_until: Duration,
}

impl VirtualBoard {
    /// Powers up a unit.
    pub fn new(world: World) -> VirtualBoard {
        VirtualBoard {
            core: Core::new(world),
            rate: BAUD,
            line: BAUD,
            outside: Duration::ZERO,
            said: VecDeque::new(),
            boot_loader: Duration::ZERO,
            deaf_until: Duration::ZERO,
        }
    }

    /// The same with a boot loader that swallows what it hears for some time after each reset.
    pub fn with_boot_loader(world: World, time: Duration) -> VirtualBoard {
        let mut board = VirtualBoard::new(world);
        board.boot_loader = time;
        board.deaf_until = time;
        board
    }

    /// The same with a probe that was built for another line rate, in baud.
    pub fn at_rate(mut self, rate: u32) -> VirtualBoard {
        self.rate = rate.max(1);
        self
    }

    /// The host's end of the line has this rate now. At another one than the probe's both hear
    /// nothing but damage.
    pub fn set_line(&mut self, rate: u32) {
        self.line = rate;
    }

    fn byte_ns(&self) -> u64 {
        BYTE_BITS * 1_000_000_000 / u64::from(self.rate)
    }

    /// The unit itself, for hands and for planted defects. After [`World::reset`] or
    /// [`World::power`] the probe has not restarted: use [`VirtualBoard::reset`] and
    /// [`VirtualBoard::power`].
    pub fn world(&mut self) -> &mut World {
        self.core.pins()
    }

    /// Puts the shunt of a jumper somewhere.
    pub fn place(&mut self, jumper: usize, place: Place) {
        self.world().place(jumper, place);
    }

    /// Puts every shunt where a setting has it.
    pub fn place_all(&mut self, setting: &Setting) {
        self.world().place_all(setting);
    }

    /// The time of the device, at or ahead of the time outside.
    pub fn elapsed(&mut self) -> Duration {
        Duration::from_nanos(self.world().now_ns())
    }

    /// When the next bytes can be read, if any are under way.
    pub fn ready_at(&self) -> Option<Duration> {
        self.said.front().map(|(at, _)| *at)
    }

    /// Sends bytes to the device at the time outside.
    pub fn write(&mut self, bytes: &[u8]) {
        let deaf = self.elapsed() < self.deaf_until;
        if deaf || !self.world().powered() {
            return;
        }
        // Byte by byte, as the line brings them: an answer starts after the byte that asks for it.
        for &byte in bytes {
            let took = self.byte_ns();
            self.world().advance_ns(took);
            match self.line == self.rate {
                true => self.core.receive(&[byte]),
                false => self.core.damage(),
            }
            self.collect();
        }
        self.core.poll();
        self.collect();
    }

    /// Takes the bytes that are through the line by the time outside.
    pub fn read(&mut self) -> Vec<u8> {
        let mut out = Vec::new();
        while let Some((_, bytes)) = self.said.pop_front_if(|(at, _)| *at <= self.outside) {
            out.extend(bytes);
        }
        out
    }

    /// Moves the time outside on; the device follows where it is behind.
    pub fn advance_to(&mut self, now: Duration) {
        self.outside = self.outside.max(now);
        let target = u64::try_from(now.as_nanos()).unwrap_or(u64::MAX);
        let step = POLL_NS.max(target.saturating_sub(self.world().now_ns()) / POLLS);
        loop {
            let left = target.saturating_sub(self.world().now_ns());
            if left == 0 {
                return;
            }
            self.world().advance_ns(left.min(step));
            if self.world().powered() {
                self.core.poll();
                self.collect();
            }
        }
    }

    /// Restarts the chip: what it was about to say is lost.
    pub fn reset(&mut self, cause: ResetCause) {
        self.world().reset(cause);
        self.restart();
    }

    /// Takes the power away or gives it back.
    pub fn power(&mut self, on: bool) {
        let was = self.world().powered();
        self.world().power(on);
        if on && !was {
            self.restart();
        }
        if !on {
            self.said.clear();
        }
    }

    fn restart(&mut self) {
        self.said.clear();
        self.core.reset();
        self.deaf_until = self.elapsed() + self.boot_loader;
        self.collect();
    }

    /// Takes what the core has said, and lets the line take its time.
    fn collect(&mut self) {
        let mut bytes = self.core.take_output();
        if !bytes.is_empty() {
            let took = self.byte_ns().saturating_mul(bytes.len() as u64);
            self.world().advance_ns(took);
            if self.line != self.rate {
                // Whatever it is taken for, it is not what was said.
                bytes.iter_mut().for_each(|byte| *byte |= 0x80);
            }
            let through = self.elapsed();
            self.said.push_back((through, bytes));
        }
    }
}
