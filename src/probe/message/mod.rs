//! What the probe is asked and what it answers, as plain data.
//!
//! A [`Request`] becomes one line of an IEEE 488.2 program message with SCPI-1999 style headers; a
//! [`Reply`] is read back from the fields of the line that answers it. Framing, tag and CRC are in
//! [`wire`].

mod burst;
pub mod limits;
pub mod raw;
mod reply;
pub mod wire;

pub use super::core::Reference;
pub use burst::Burst;
pub use raw::Raw;
pub use reply::{Answer, Cause, Presence, Reply, ReplyError};

use super::port::{BAUD, BAUD_SLOW};
use std::fmt::Write as _;
use std::time::Duration;

/// Time added to every computed duration: line, driver and scheduling. Ten times the 16 ms for
/// which some USB bridges hold back short packets, twice over. The way back to the supply from
/// another reference takes its 52 ms from it, too.
const MARGIN: Duration = Duration::from_millis(300);

/// One byte of EEPROM takes 3.3 ms to erase and write (ATmega328P data sheet 8271H, table 8-2:
/// 26,368 cycles of the 8 MHz oscillator); rounded up.
const EEPROM_BYTE: Duration = Duration::from_millis(4);

/// Longest unit name that the identity slot of the probe has room for (`UNIT_MAX` of its
/// `core/identity.c`).
pub const UNIT_NAME_MAX: usize = 64;

/// Bytes of an identity slot in EEPROM (`SLOT_SIZE` of the probe's `core/identity.c`).
const SLOT_SIZE: usize = 80;

/// Longest line to the probe, in bytes (`PROBE_LINE_MAX` of its `core/probe.h`).
const LINE_LONGEST: usize = 224;

/// A reference that another took the place of settles for 50 ms before the next measurement
/// against it (`REFERENCE_SETTLE` of the probe's `core/measure.c`), with some conversions round it.
const REFERENCE_SETTLES: Duration = Duration::from_millis(52);

/// Shortest time from one conversion to the next: with a fast converter clock the processor, which
/// adds up each code, is what takes the time: 18 to 42 µs in the emulator, rounded up.
const CONVERSION_MIN: Duration = Duration::from_micros(60);

/// Conversions of a load's step before the load is on: a frame of codes.
const LEAD: u32 = raw::FRAME_CODES as u32;

/// What a digital pin has been through before it is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pull {
    /// Nothing: it is read as an input.
    Off,
    /// The chip's pull-up is on while it is read; it is off afterwards.
    Up,
    /// Before each read it is driven low for about 10 µs and let go: an open pin stays low, a
    /// driven one comes back. Only pins named by [`Request::AllowDischarge`].
    Discharged,
}

impl Pull {
    fn word(self) -> &'static str {
        match self {
            Pull::Off => "OFF",
            Pull::Up => "ON",
            Pull::Discharged => "DISC",
        }
    }
}

fn reference_word(reference: Reference) -> &'static str {
    match reference {
        Reference::Supply => "SUPP",
        Reference::Internal => "INT",
        Reference::External => "EXT",
    }
}

/// Something to ask of the probe. Pins are called by their number in the chip profile
/// (`ChipPin::number`), times are in microseconds or milliseconds as named.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Request {
    /// Who is there: maker, model, identity, firmware version.
    Identify,
    /// Version of SCPI that the probe keeps to.
    Version,
    /// Self-test of the probe; 0 is good.
    SelfTest,
    /// How often it has booted, why last, and how long ago.
    Boot,
    /// Fuses and lock bits of the chip.
    Fuses,
    /// The random number and unit name written to EEPROM earlier.
    Identity,
    /// Writes both identity slots.
    WriteIdentity {
        /// Random number, not 0.
        identity: u32,
        /// Serial of the unit; see [`unit_name_problem`].
        unit: String,
    },
    /// The raw bytes of an EEPROM slot, to be kept in the record.
    Slot {
        /// 1 or 2.
        slot: u8,
    },
    /// Puts the former bytes of an EEPROM slot back.
    WriteSlot {
        /// 1 or 2.
        slot: u8,
        /// What [`Reply::Slot`] had given.
        bytes: Vec<u8>,
    },
    /// A burst of conversions of one pin.
    Burst {
        /// Pin number.
        channel: u8,
        /// Conversions that count.
        n: u16,
        /// Whether the pin's pull-up is on during the burst; it is off afterwards.
        pull_up: bool,
        /// Wait between setting the pull-up and the first conversion, in microseconds.
        settle_us: u32,
        /// Conversions thrown away first.
        discard: u16,
        /// Converter clock divider: 16, 32, 64 or 128.
        prescaler: u8,
    },
    /// A burst whose codes are sent as well.
    Raw {
        /// Pin number.
        channel: u8,
        /// Conversions that count.
        n: u16,
        /// As of a burst.
        pull_up: bool,
        /// As of a burst.
        settle_us: u32,
        /// As of a burst.
        discard: u16,
        /// As of a burst; below 128 the line is too slow for all codes.
        prescaler: u8,
        /// Bits of a code on that chip.
        bits: u8,
    },
    /// Conversions taken as a product takes them that goes from channel to channel: one of the
    /// channel before, then at once those of this one, without any settling.
    Product {
        /// Pin number of the channel that the product converts before.
        previous: u8,
        /// Pin number.
        channel: u8,
        /// Conversions that count.
        n: u16,
        /// Conversions thrown away first.
        discard: u16,
        /// Converter clock divider: 16, 32, 64 or 128.
        prescaler: u8,
        /// What they are made against; one of those named by [`Request::AllowReferences`].
        reference: Reference,
    },
    /// Digital reads of one pin.
    Level {
        /// Pin number.
        channel: u8,
        /// Number of reads.
        n: u16,
        /// What it goes through first.
        pull: Pull,
        /// Wait between setting the pull-up and the first read, or between each discharge and its
        /// read, in microseconds.
        settle_us: u32,
    },
    /// Charge sharing: conversions of the internal 0 V input and of the pin by turns.
    Charge {
        /// Pin number.
        channel: u8,
        /// Number of pairs.
        pairs: u16,
    },
    /// A burst of the internal reference against the supply.
    Supply {
        /// Conversions that count.
        n: u16,
    },
    /// A burst with loads off, then one with its codes in which they go on together; off again
    /// after.
    Step {
        /// Pin number of an analog channel; the internal reference against the supply without one.
        channel: Option<u8>,
        /// Pin numbers of the loads, of those named by [`Request::Allow`].
        loads: Vec<u8>,
        /// Conversions without load.
        before: u16,
        /// Conversions on load.
        after: u16,
        /// Bits of a code on that chip.
        bits: u8,
    },
    /// Sends its address to a part on an I2C bus and looks whether it answers.
    Presence {
        /// 7-bit address.
        address: u8,
        /// Whether the chip's pull-ups hold the bus high meanwhile.
        pull_up: bool,
        /// Pin number of the data line, one of those named by [`Request::AllowDischarge`].
        sda: u8,
        /// Pin number of the clock line, likewise.
        scl: u8,
    },
    /// Names the pins that may be driven and drives them off.
    Allow {
        /// Pin numbers.
        pins: Vec<u8>,
        /// Whether their off level is high.
        off_high: bool,
    },
    /// Names more pins that may be pulled low for some microseconds at a time: discharged before a
    /// digital read, or as the lines of an I2C bus.
    AllowDischarge {
        /// Pin numbers.
        pins: Vec<u8>,
    },
    /// Names the references that the wiring of AREF allows, instead of those named before; after a
    /// reset that is the supply alone.
    AllowReferences {
        /// One at least.
        references: Vec<Reference>,
    },
    /// A measurement in one line with the references that the wiring of AREF allows: pins are
    /// measured against the last of them. So no reset between the two can leave the probe with
    /// another.
    Against {
        /// One at least.
        references: Vec<Reference>,
        /// The measurement.
        request: Box<Request>,
    },
    /// Drives an allowed pin on or off.
    Output {
        /// Pin number.
        pin: u8,
        /// On is the level opposite to the pin's off level.
        on: bool,
    },
    /// Whether a pin is on.
    OutputState {
        /// Pin number.
        pin: u8,
    },
    /// Silence on the line after which all outputs go off, in milliseconds.
    Hold {
        /// Milliseconds.
        ms: u32,
    },
    /// All outputs off, all pull-ups off, now.
    Abort,
    /// The power-on state, without a reboot.
    Reset,
    /// The oldest entry of the probe's error queue; each asking removes one.
    NextError,
}

/// Why a unit name cannot be written to the probe's identity slot, or `None` when it can.
pub fn unit_name_problem(unit: &str) -> Option<String> {
    if unit.len() > UNIT_NAME_MAX {
        return Some(format!(
            "unit name {unit:?} has {} characters; the identity slot holds {UNIT_NAME_MAX}: \
             shorten it",
            unit.len()
        ));
    }
    let odd = unit.chars().find(|c| !printable(*c))?;
    Some(format!("unit name {unit:?} holds {odd:?}; use printable ASCII characters only"))
}

fn printable(c: char) -> bool {
    (' '..='~').contains(&c)
}

fn words(references: &[Reference]) -> String {
    let words: Vec<&str> = references.iter().map(|r| reference_word(*r)).collect();
    words.join(",")
}

fn on_off(on: bool) -> &'static str {
    if on { "ON" } else { "OFF" }
}

impl Request {
    /// The line that asks, with its tag and the line feed that ends it.
    ///
    /// Characters that an IEEE 488.2 string cannot hold are written as `?`;
    /// [`unit_name_problem`] tells beforehand, as [`Request::problem`] does of all that the probe
    /// would refuse. The tag has 1 to [`wire::TAG_MAX`] characters.
    pub fn encode(&self, tag: &str) -> Vec<u8> {
        let (header, parameters) = self.program();
        let mut line = self.named_first();
        line.push_str(header);
        line.push(' ');
        if !parameters.is_empty() {
            line.push_str(&parameters);
            line.push(',');
        }
        line.push_str(&wire::quoted(tag));
        line.push('\n');
        line.into_bytes()
    }

    /// What stands in the line before the request itself.
    fn named_first(&self) -> String {
        match self {
            Request::Against { references, .. } => format!("SYST:REF {};:", words(references)),
            _ => String::new(),
        }
    }

    /// Header and parameters without the tag.
    fn program(&self) -> (&'static str, String) {
        match self {
            Request::Identify => ("*IDN?", String::new()),
            Request::Version => ("SYST:VERS?", String::new()),
            Request::SelfTest => ("*TST?", String::new()),
            Request::Boot => ("SYST:BOOT?", String::new()),
            Request::Fuses => ("SYST:FUS?", String::new()),
            Request::Identity => ("SYST:IDEN?", String::new()),
            Request::WriteIdentity { identity, unit } => {
                ("SYST:IDEN", format!("#H{identity:X},{}", wire::quoted(unit)))
            }
            Request::Slot { slot } => ("MEM:SLOT?", slot.to_string()),
            Request::WriteSlot { slot, bytes } => {
                ("MEM:SLOT", format!("{slot},{}", wire::quoted(&wire::hex(bytes))))
            }
            Request::Burst { channel, n, pull_up, settle_us, discard, prescaler }
            | Request::Raw { channel, n, pull_up, settle_us, discard, prescaler, .. } => {
                let pull = on_off(*pull_up);
                let text = format!("{n},{pull},{settle_us},{discard},{prescaler},(@{channel})");
                let raw = matches!(self, Request::Raw { .. });
                (if raw { "MEAS:RAW?" } else { "MEAS:BURS?" }, text)
            }
            Request::Product { previous, channel, n, discard, prescaler, reference } => {
                let reference = reference_word(*reference);
                let text =
                    format!("{n},{discard},{prescaler},{reference},(@{previous}),(@{channel})");
                ("MEAS:PROD?", text)
            }
            Request::Level { channel, n, pull, settle_us } => {
                let pull = pull.word();
                ("MEAS:LEV?", format!("{n},{pull},{settle_us},(@{channel})"))
            }
            Request::Charge { channel, pairs } => ("MEAS:CHAR?", format!("{pairs},(@{channel})")),
            Request::Supply { n } => ("MEAS:SUPP?", n.to_string()),
            Request::Step { channel: None, loads, before, after, .. } => {
                ("MEAS:SUPP:STEP?", format!("{before},{after},{}", channel_list(loads)))
            }
            Request::Step { channel: Some(channel), loads, before, after, .. } => {
                let loads = channel_list(loads);
                ("MEAS:STEP?", format!("{before},{after},(@{channel}),{loads}"))
            }
            Request::Presence { address, pull_up, sda, scl } => {
                let pull = on_off(*pull_up);
                ("MEAS:ACKN?", format!("{address},{pull},(@{sda}),(@{scl})"))
            }
            Request::Allow { pins, off_high } => {
                let level = if *off_high { "HIGH" } else { "LOW" };
                ("OUTP:ALL", format!("{level},{}", channel_list(pins)))
            }
            Request::AllowDischarge { pins } => ("OUTP:DISC", channel_list(pins)),
            Request::AllowReferences { references } => ("SYST:REF", words(references)),
            Request::Against { request, .. } => request.program(),
            Request::Output { pin, on } => ("OUTP", format!("{},(@{pin})", on_off(*on))),
            Request::OutputState { pin } => ("OUTP?", format!("(@{pin})")),
            Request::Hold { ms } => ("OUTP:HOLD", ms.to_string()),
            Request::Abort => ("ABOR", String::new()),
            Request::Reset => ("*RST", String::new()),
            Request::NextError => ("SYST:ERR?", String::new()),
        }
    }

    /// How long the probe may take to answer before the request counts as lost.
    ///
    /// The computed work of the request at 16 MHz (13 converter clocks a conversion, 25 for the
    /// first; 8271H section 24.4), plus a margin of 300 ms.
    pub fn timeout(&self) -> Duration {
        MARGIN + self.work()
    }

    /// The same on a line of another rate, in baud. On a slow one the chip may run on its internal
    /// oscillator of 8 MHz (8271H section 9.6), half as fast, and the line's own time counts.
    pub fn timeout_at(&self, rate: u32) -> Duration {
        if rate >= BAUD {
            return self.timeout();
        }
        let bits = u64::try_from(10 * (LINE_LONGEST + self.largest_reply())).unwrap_or(u64::MAX);
        let line =
            Duration::from_nanos(bits.saturating_mul(1_000_000_000) / u64::from(rate.max(1)));
        let pace = if rate <= BAUD_SLOW { 2 } else { 1 };
        MARGIN + self.work() * pace + line
    }

    /// The time that the probe itself spends on the request.
    fn work(&self) -> Duration {
        match self {
            Request::Burst { n, settle_us, discard, prescaler, .. } => {
                let conversions = u32::from(*n) + u32::from(*discard) + 1;
                let settle = Duration::from_micros((*settle_us).into());
                conversion(*prescaler) * conversions + settle
            }
            Request::Raw { n, settle_us, discard, prescaler, .. } => {
                let conversions = u32::from(*n) + u32::from(*discard) + 1;
                let settle = Duration::from_micros((*settle_us).into());
                conversion(*prescaler) * conversions + settle + raw_line_time(*n)
            }
            Request::Product { n, discard, prescaler, .. } => {
                let conversions = u32::from(*n) + u32::from(*discard) + 2;
                conversion(*prescaler) * conversions + REFERENCE_SETTLES
            }
            // The reads lie 100 µs apart or a little more, and discharges take 10 µs or more.
            Request::Level { n, pull, settle_us, .. } => {
                let settles = if *pull == Pull::Discharged { u64::from(*n) } else { 1 };
                Duration::from_micros(
                    u64::from(*n) * 150 + settles.saturating_mul(u64::from(*settle_us)),
                )
            }
            Request::Charge { pairs, .. } => conversion(128) * (2 * u32::from(*pairs) + 1),
            // The internal reference settles for some milliseconds first.
            Request::Supply { n } => {
                conversion(128) * (u32::from(*n) + 64) + Duration::from_millis(20)
            }
            // With the conversions that are dropped, and those round them.
            Request::Step { before, after, .. } => {
                let conversions = u32::from(*before) + u32::from(*after) + LEAD + 16;
                let line = raw_line_time(*after) + raw_line_time(raw::FRAME_CODES as u16);
                conversion(128) * conversions + Duration::from_millis(20) + line
            }
            // Each of 20 clocks takes up to 250 waits of 10 µs and a little more.
            Request::Presence { .. } => Duration::from_millis(20 * 5),
            Request::AllowReferences { .. } => REFERENCE_SETTLES,
            // One change at most for what is named, one for what is measured.
            Request::Against { request, .. } => 2 * REFERENCE_SETTLES + request.work(),
            Request::WriteIdentity { .. } => EEPROM_BYTE * 160,
            Request::WriteSlot { bytes, .. } => {
                EEPROM_BYTE * u32::try_from(bytes.len()).unwrap_or(1024).min(1024)
            }
            _ => Duration::ZERO,
        }
    }

    /// The longest line that can answer, in bytes, with tag, CRC and terminator.
    pub fn largest_reply(&self) -> usize {
        wire::FRAME_MAX
            + match self {
                Request::Identify => 80,
                Request::Identity => 16 + 2 * UNIT_NAME_MAX,
                Request::Slot { .. } => 2 + 2 * SLOT_SIZE,
                Request::Burst { .. } | Request::Product { .. } | Request::Supply { .. } => 80,
                Request::Raw { n, .. } => 80 + raw_frames(*n) * raw::FRAME_BYTES,
                Request::Step { after, .. } => 160 + (1 + raw_frames(*after)) * raw::FRAME_BYTES,
                Request::NextError => 96,
                Request::Against { request, .. } => return request.largest_reply(),
                _ => 40,
            }
    }
}

/// One conversion at 16 MHz divided by `prescaler`: 13 converter clocks, or what the processor
/// needs.
fn conversion(prescaler: u8) -> Duration {
    Duration::from_nanos(13 * u64::from(prescaler) * 1000 / 16).max(CONVERSION_MIN)
}

/// Frames that carry the codes of so many conversions.
fn raw_frames(n: u16) -> usize {
    usize::from(n).div_ceil(raw::FRAME_CODES)
}

/// Time that these frames take on the line at 250,000 baud, ten bits a byte. On a slower line the
/// probe leaves frames out instead.
fn raw_line_time(n: u16) -> Duration {
    let bytes = u64::try_from(raw_frames(n) * raw::FRAME_BYTES).unwrap_or(u64::MAX);
    Duration::from_micros(bytes.saturating_mul(40))
}

fn channel_list(pins: &[u8]) -> String {
    let mut text = String::from("(@");
    for (i, pin) in pins.iter().enumerate() {
        let comma = if i == 0 { "" } else { "," };
        // Writing to a String cannot fail.
        let _ = write!(text, "{comma}{pin}");
    }
    text.push(')');
    text
}
