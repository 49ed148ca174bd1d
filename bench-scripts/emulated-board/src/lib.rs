//! The emulated board: the probe's real firmware image runs in an AVR emulator, a described world
//! is at its pins, and its serial line is a pseudo-terminal that any client opens like a port.
//!
//! It proves what the core on the host cannot: registers, interrupts, timing and the UART of the
//! image that is flashed. Tests run it in process, exact to the cycle and repeatable
//! ([`Emulator`]), or over the pseudo-terminal with real clients (the binary `emulated-board`).
//!
//! The emulator library is libsimavr 1.6. What it gets wrong is put right from outside, in
//! `shim/chip.c`: results are latched when a conversion starts and are exact codes of the world's
//! own; a pin reads what the world says, whatever its pull-up; a byte that the program does not
//! read in time is lost. Not modelled: framing errors, brown-out detection, pin-change interrupts
//! from the world, conversions started by timers.
//!
//! SPDX-License-Identifier: GPL-3.0-or-later

mod assembled;
mod chip;
mod emulator;
mod image;
mod pty;
mod serve;
mod wires;
mod world;

pub use assembled::Assembled;
pub use emulator::{Counts, Emulator, Fault, HERTZ, PINS, Part, RamUse, ResetCause};
pub use image::{Image, ImageError};
pub use pty::Pty;
pub use serve::{Hands, Pace, serve};
pub use wires::{Event, Wire, Wires};
pub use world::{Conversion, Input, PinMode, Reference, World};
