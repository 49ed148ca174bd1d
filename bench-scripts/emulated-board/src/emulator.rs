//! A chip with a program, a world at its pins and a serial line, in process and repeatable.

use std::collections::VecDeque;
use std::fmt;
use std::time::Duration;

use crate::chip::{Calls, Chip, Ended, Received};
use crate::image::Image;
use crate::world::{Conversion, Input, PinMode, Reference, World};

/// Usual clock of the emulated chip in hertz.
pub const HERTZ: u64 = 16_000_000;
/// Number of pins by which a [`World`] is called.
pub const PINS: usize = 22;

/// What SRAM holds at power-on: neither zero, so that a program that relies on zero shows, nor a
/// likely stack content, so that the stack's depth can be read off.
const PAINT: u8 = 0xc5;
/// Cycles run between two looks at what was sent: 0.1 ms.
const SLICE: u64 = HERTZ / 10_000;
/// Time of a byte at the probe's 250,000 baud, for a line whose receiver is still off.
const BYTE_WHEN_DEAF: u64 = 640;

/// Why the chip starts again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ResetCause {
    /// Power was off: SRAM is lost.
    PowerOn,
    /// The reset pin.
    External,
    /// The supply dipped.
    BrownOut,
    /// The watchdog.
    Watchdog,
    /// A boot loader has cleared the register before the program could read it.
    Unknown,
}

impl ResetCause {
    /// The bit in MCUSR (data sheet, "MCU Status Register").
    fn mcusr(self) -> u8 {
        match self {
            ResetCause::PowerOn => 1,
            ResetCause::External => 2,
            ResetCause::BrownOut => 4,
            ResetCause::Watchdog => 8,
            ResetCause::Unknown => 0,
        }
    }
}

/// Why an emulated chip cannot go on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    /// The emulator library does not know the part.
    UnknownPart,
    /// A piece of the image lies outside the chip's memory.
    DoesNotFit {
        /// Its byte address.
        at: u32,
        /// Its size in bytes.
        size: usize,
    },
    /// The program went to sleep with interrupts off.
    Stopped {
        /// When, in cycles.
        cycle: u64,
    },
    /// The program did what no chip does, or what the emulator does not know.
    Crashed {
        /// When, in cycles.
        cycle: u64,
        /// What the emulator said.
        complaint: String,
    },
    /// No line end came from the program in time.
    NoReply {
        /// Emulated time waited.
        after: Duration,
        /// What had come.
        got: Vec<u8>,
    },
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fault::UnknownPart => {
                write!(f, "the emulator library does not know the part; install simavr 1.6")
            }
            Fault::DoesNotFit { at, size } => {
                write!(
                    f,
                    "image: {size} bytes at {at:#x} do not fit; build it for the emulated part"
                )
            }
            Fault::Stopped { cycle } => {
                write!(f, "cycle {cycle}: the program sleeps with interrupts off; reset the board")
            }
            Fault::Crashed { cycle, complaint } => {
                write!(f, "cycle {cycle}: the program crashed ({complaint}); reset the board")
            }
            Fault::NoReply { after, got } => write!(
                f,
                "no line end within {after:?} of emulated time, only {:?}",
                String::from_utf8_lossy(got)
            ),
        }
    }
}

impl std::error::Error for Fault {}

/// How the program uses the 2 KB of SRAM, measured from what was overwritten since power-on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RamUse {
    /// Bytes from the start that hold variables.
    pub variables: usize,
    /// Bytes at the end that the stack has ever used.
    pub stack: usize,
    /// Bytes between that were never written.
    pub untouched: usize,
}

/// What has gone over the pins and the line, for checking a program's own figures.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Conversions started.
    pub conversions: u64,
    /// Bytes the program sent.
    pub sent: u64,
    /// Bytes lost because the program did not read in time.
    pub overruns: u64,
    /// Bytes lost because the receiver was off.
    pub unheard: u64,
}

/// The world, and what the chip told of itself.
struct Bench<W> {
    world: W,
    modes: [PinMode; PINS],
    sent: Vec<u8>,
    counts: Counts,
    last_event: u64,
    hertz: u64,
}

impl<W> Bench<W> {
    fn time_of(&self, cycle: u64) -> Duration {
        let nanos = u128::from(cycle) * 1_000_000_000 / u128::from(self.hertz);
        Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX))
    }
}

/// First pin number and number of pins of a port; bits 6 and 7 of B and C are the crystal, the
/// reset pin, and nothing.
fn pins_of(port: u8) -> (u8, u8) {
    match port {
        0 => (8, 6),
        1 => (14, 6),
        _ => (0, 8),
    }
}

impl<W: World> Calls for Bench<W> {
    fn convert(&mut self, cycle: u64, admux: u8, adcsra: u8, first: bool) -> u16 {
        self.counts.conversions += 1;
        self.last_event = cycle;
        let now = self.time_of(cycle);
        self.world.advance(now);
        self.world.convert(Conversion {
            input: Input::from_mux(admux),
            reference: match admux >> 6 {
                0 => Reference::Aref,
                1 => Reference::Avcc,
                2 => Reference::Reserved,
                _ => Reference::Internal,
            },
            prescaler: 1 << (adcsra & 7).max(1),
            first,
        })
    }

    fn modes(&mut self, cycle: u64, port: u8, ddr: u8, data: u8, no_pull_ups: bool) {
        let (base, count) = pins_of(port);
        for bit in 0..count {
            let mode = match (ddr >> bit & 1 == 1, data >> bit & 1 == 1) {
                (true, true) => PinMode::High,
                (true, false) => PinMode::Low,
                (false, true) if !no_pull_ups => PinMode::PullUp,
                (false, _) => PinMode::Input,
            };
            let pin = base + bit;
            if std::mem::replace(&mut self.modes[usize::from(pin)], mode) != mode {
                self.last_event = cycle;
                let now = self.time_of(cycle);
                self.world.advance(now);
                self.world.set_mode(pin, mode);
            }
        }
    }

    fn read(&mut self, cycle: u64, port: u8) -> u8 {
        let now = self.time_of(cycle);
        self.world.advance(now);
        let (base, count) = pins_of(port);
        (0..count).fold(0, |levels, bit| {
            let pin = base + bit;
            let high = match self.modes[usize::from(pin)] {
                PinMode::Low => false,
                PinMode::High => true,
                PinMode::Input | PinMode::PullUp => self.world.read(pin),
            };
            levels | u8::from(high) << bit
        })
    }

    fn sent(&mut self, cycle: u64, byte: u8) {
        self.last_event = cycle;
        self.counts.sent += 1;
        self.sent.push(byte);
    }
}

/// The part on the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// ATmega328P.
    Atmega328p,
    /// ATmega2560, of which the world sees ports B, C and D, by the numbers that they have on the
    /// ATmega328P, and all inputs of the converter.
    Atmega2560,
}

impl Part {
    fn name(self) -> &'static str {
        match self {
            Part::Atmega328p => "atmega328p",
            Part::Atmega2560 => "atmega2560",
        }
    }

    /// First address of the SRAM.
    fn ram(self) -> u16 {
        match self {
            Part::Atmega328p => 0x100,
            Part::Atmega2560 => 0x200,
        }
    }
}

/// A chip with a program, a world at its pins and a serial line.
///
/// Everything is a function of the image, the world and the calls made: no clock, no thread.
pub struct Emulator<W: World> {
    part: Part,
    chip: Chip<Bench<W>>,
    line: VecDeque<u8>,
    next_byte: u64,
}

impl<W: World> Emulator<W> {
    /// An ATmega328P with this image, just powered on; `world` is at its pins.
    pub fn new(image: &Image, world: W) -> Result<Self, Fault> {
        Self::of(Part::Atmega328p, image, world)
    }

    /// The same with another part.
    pub fn of(part: Part, image: &Image, world: W) -> Result<Self, Fault> {
        Self::at(HERTZ, part, image, world)
    }

    /// The same at another clock, in hertz.
    pub fn at(hertz: u64, part: Part, image: &Image, world: W) -> Result<Self, Fault> {
        let bench = Bench {
            world,
            modes: [PinMode::Input; PINS],
            sent: Vec::new(),
            counts: Counts::default(),
            last_event: 0,
            hertz: hertz.max(1),
        };
        let clock = u32::try_from(hertz).unwrap_or(u32::MAX);
        let mut chip = Chip::new(part.name(), clock, 5_000, bench).ok_or(Fault::UnknownPart)?;
        for (at, bytes) in &image.flash {
            if !chip.load_flash(*at, bytes) {
                return Err(Fault::DoesNotFit { at: *at, size: bytes.len() });
            }
        }
        for (at, bytes) in &image.eeprom {
            if !chip.write_eeprom(*at, bytes) {
                return Err(Fault::DoesNotFit { at: *at, size: bytes.len() });
            }
        }
        let mut emulator = Emulator { part, chip, line: VecDeque::new(), next_byte: 0 };
        emulator.reset(ResetCause::PowerOn);
        Ok(emulator)
    }

    /// Starts the program again. EEPROM stays, SRAM except at power-on too; bytes on the line
    /// are lost.
    pub fn reset(&mut self, cause: ResetCause) {
        if cause == ResetCause::PowerOn {
            for address in self.part.ram()..=self.chip.ram_end() {
                self.chip.poke(address, PAINT);
            }
        }
        self.line.clear();
        self.chip.reset(cause.mcusr());
    }

    /// Puts bytes on the line to the chip; they arrive one after another at the rate that the
    /// program has set, while the emulator runs.
    pub fn send(&mut self, bytes: &[u8]) {
        if self.line.is_empty() {
            self.next_byte = self.next_byte.max(self.chip.cycle());
        }
        self.line.extend(bytes);
    }

    /// Takes what the program has sent since the last call.
    pub fn take_sent(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.chip.calls_mut().sent)
    }

    /// Runs until this many cycles since the chip was made; the last instruction may end later.
    pub fn run_until(&mut self, cycle: u64) -> Result<(), Fault> {
        while self.chip.cycle() < cycle {
            self.feed();
            let stop = if self.line.is_empty() { cycle } else { cycle.min(self.next_byte) };
            match self.chip.run(stop) {
                Ended::Running => {}
                Ended::Stopped => return Err(Fault::Stopped { cycle: self.chip.cycle() }),
                Ended::Crashed => {
                    let (cycle, complaint) = (self.chip.cycle(), self.chip.complaint());
                    return Err(Fault::Crashed { cycle, complaint });
                }
            }
        }
        let now = self.now();
        self.world().advance(now);
        Ok(())
    }

    /// Runs for this much emulated time.
    pub fn run_for(&mut self, time: Duration) -> Result<(), Fault> {
        self.run_until(self.chip.cycle().saturating_add(self.cycles_of(time)))
    }

    /// Sends `bytes`, runs until a line end comes and returns everything up to and including it.
    /// What comes later stays for the next call.
    pub fn request(&mut self, bytes: &[u8], within: Duration) -> Result<Vec<u8>, Fault> {
        self.send(bytes);
        let deadline = self.chip.cycle().saturating_add(self.cycles_of(within));
        loop {
            let sent = &mut self.chip.calls_mut().sent;
            if let Some(end) = sent.iter().position(|&b| b == b'\n') {
                return Ok(sent.drain(..=end).collect());
            }
            if self.chip.cycle() >= deadline {
                return Err(Fault::NoReply { after: within, got: self.take_sent() });
            }
            self.run_until(deadline.min(self.chip.cycle() + SLICE))?;
        }
    }

    /// Gives the receiver the next byte when its time has come.
    fn feed(&mut self) {
        let now = self.chip.cycle();
        if now < self.next_byte {
            return;
        }
        let Some(byte) = self.line.pop_front() else { return };
        let received = self.chip.receive(byte);
        let byte_cycles = match received {
            Received::Deaf => BYTE_WHEN_DEAF,
            Received::Taken | Received::Overrun => self.chip.byte_cycles(),
        };
        self.next_byte = now + byte_cycles;
        let bench = self.chip.calls_mut();
        bench.last_event = now;
        match received {
            Received::Taken => {}
            Received::Deaf => bench.counts.unheard += 1,
            Received::Overrun => bench.counts.overruns += 1,
        }
    }

    /// The world at the pins.
    pub fn world(&mut self) -> &mut W {
        &mut self.chip.calls_mut().world
    }

    /// How the program has set a pin; None for a number that no pin has.
    pub fn mode(&self, pin: u8) -> Option<PinMode> {
        self.chip.calls().modes.get(usize::from(pin)).copied()
    }

    /// Cycles since the chip was made.
    pub fn cycle(&self) -> u64 {
        self.chip.cycle()
    }

    /// Emulated time since the chip was made.
    pub fn now(&self) -> Duration {
        self.chip.calls().time_of(self.chip.cycle())
    }

    /// Emulated time since the last byte, conversion or change of a pin's mode.
    pub fn quiet_for(&self) -> Duration {
        self.chip.calls().time_of(self.chip.cycle().saturating_sub(self.chip.calls().last_event))
    }

    /// Whether bytes still wait on the line to the chip.
    pub fn line_busy(&self) -> bool {
        !self.line.is_empty()
    }

    /// What has gone over pins and line so far.
    pub fn counts(&self) -> Counts {
        self.chip.calls().counts
    }

    /// The whole EEPROM.
    pub fn eeprom(&mut self) -> Vec<u8> {
        let mut bytes = vec![0; 1024];
        self.chip.read_eeprom(0, &mut bytes);
        bytes
    }

    /// Writes into the EEPROM, as a programmer does.
    pub fn write_eeprom(&mut self, at: u16, bytes: &[u8]) -> Result<(), Fault> {
        if self.chip.write_eeprom(u32::from(at), bytes) {
            Ok(())
        } else {
            Err(Fault::DoesNotFit { at: u32::from(at), size: bytes.len() })
        }
    }

    /// What the program has used of the SRAM since power-on: the longest stretch that still
    /// holds its power-on contents parts the variables from the stack.
    pub fn ram_use(&self) -> RamUse {
        let ram: Vec<u8> =
            (self.part.ram()..=self.chip.ram_end()).map(|a| self.chip.peek(a)).collect();
        let (mut best, mut start) = (0..0, None);
        for (i, byte) in ram.iter().copied().chain([!PAINT]).enumerate() {
            match (byte == PAINT, start) {
                (true, None) => start = Some(i),
                (false, Some(from)) => {
                    if i - from > best.len() {
                        best = from..i;
                    }
                    start = None;
                }
                _ => {}
            }
        }
        RamUse { variables: best.start, stack: ram.len() - best.end, untouched: best.len() }
    }

    /// Cycles of the chip's clock in this much emulated time.
    pub fn cycles_of(&self, time: Duration) -> u64 {
        let hertz = u128::from(self.chip.calls().hertz);
        u64::try_from(time.as_nanos() * hertz / 1_000_000_000).unwrap_or(u64::MAX)
    }
}
