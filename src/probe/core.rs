//! The probe's own C core, run inside this program over pins that the caller supplies.
//!
//! The core (`bench-scripts/probe/core`) is the same source that runs on the chip, so the demo,
//! the tests and a real board speak the same language. Its bytes: `protocols/probe-link.md`.
//! This is the one file with `unsafe` code.
#![allow(unsafe_code)]

use std::ffi::c_void;
use std::mem::MaybeUninit;
use std::ptr::NonNull;

/// Bytes of EEPROM that the core expects behind [`Pins::eeprom_read`] on an ATmega328P.
pub const EEPROM_SIZE: usize = 1024;

/// Reset by power-on: bit of [`Pins::reset_cause`], as in the ATmega328P's MCUSR (PORF).
pub const RESET_POWER: u8 = 1;
/// Reset by the reset pin (EXTRF).
pub const RESET_EXTERNAL: u8 = 2;
/// Reset by the brown-out detector (BORF).
pub const RESET_BROWNOUT: u8 = 4;
/// Reset by the watchdog (WDRF).
pub const RESET_WATCHDOG: u8 = 8;

/// The chips that the core can run for, in the order of `probe_host_chip` of host/host.h.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Model {
    /// ATmega328P.
    Atmega328p,
    /// ATmega2560.
    Atmega2560,
    /// SAMD21.
    Samd21,
    /// RP2040.
    Rp2040,
}

impl Model {
    /// Every one of them.
    pub const ALL: [Model; 4] =
        [Model::Atmega328p, Model::Atmega2560, Model::Samd21, Model::Rp2040];

    /// The name of the chip in board files.
    pub fn chip(self) -> &'static str {
        match self {
            Model::Atmega328p => "atmega328p",
            Model::Atmega2560 => "atmega2560",
            Model::Samd21 => "samd21",
            Model::Rp2040 => "rp2040",
        }
    }

    /// The one for a chip by its name in board files; `None` where there is no probe for it.
    pub fn for_chip(name: &str) -> Option<Model> {
        Model::ALL.into_iter().find(|m| m.chip().eq_ignore_ascii_case(name))
    }
}

/// What the converter is connected to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// Input of the converter's multiplexer (not the pin's number).
    Pin(u8),
    /// The internal reference, 1.0 to 1.2 V.
    Bandgap,
    /// The internal 0 V.
    Ground,
}

impl Input {
    /// The input of a multiplexer's number: the two that are no pins are those of `HW_MUX_` in
    /// core/chip.h.
    fn of_mux(mux: u8) -> Self {
        match mux {
            0xFE => Self::Bandgap,
            0xFD => Self::Ground,
            pin => Self::Pin(pin),
        }
    }
}

/// What a code of full scale stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference {
    /// The supply of the converter.
    Supply,
    /// The internal reference, 1.0 to 1.2 V.
    Internal,
    /// The voltage that the board has at the AREF pin.
    External,
}

impl Reference {
    /// The reference of the REFS bits (ATmega328P data sheet, ADMUX).
    fn of_number(number: u8) -> Self {
        match number {
            0 => Self::External,
            1 => Self::Supply,
            _ => Self::Internal,
        }
    }
}

/// What a pin does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PinMode {
    /// High impedance.
    Input,
    /// Input with the chip's pull-up.
    PullUp,
    /// Driven to ground.
    Low,
    /// Driven to the supply.
    High,
}

impl PinMode {
    fn of_number(mode: u8) -> Self {
        match mode {
            1 => Self::PullUp,
            2 => Self::Low,
            3 => Self::High,
            _ => Self::Input,
        }
    }
}

/// The hardware under the probe's core. A panic in any of these ends the program, as it cannot
/// unwind through C.
pub trait Pins {
    /// The chip whose pins these are.
    fn model(&self) -> Model {
        Model::Atmega328p
    }
    /// Says what the conversions from now on are made against.
    fn set_reference(&mut self, reference: Reference);
    /// One conversion of `input`, a code within the chip's scale. A burst calls it once for each
    /// conversion, dropped ones included.
    fn convert(&mut self, input: Input, prescaler: u8) -> u16;
    /// Sets what the pin of that channel number does.
    fn set_mode(&mut self, pin: u8, mode: PinMode);
    /// Whether the pin reads high.
    fn read(&mut self, pin: u8) -> bool;
    /// Lets so many microseconds pass.
    fn wait_us(&mut self, us: u32);
    /// Milliseconds since the reset; may wrap.
    fn now_ms(&mut self) -> u32;
    /// The byte at an address below [`EEPROM_SIZE`].
    fn eeprom_read(&mut self, at: u16) -> u8;
    /// Writes the byte at an address below [`EEPROM_SIZE`].
    fn eeprom_write(&mut self, at: u16, byte: u8);
    /// What caused the last reset, `RESET_` bits; 0 when that is not known.
    fn reset_cause(&mut self) -> u8;
    /// Low, high and extended fuse byte and the lock bits; `None` where the chip has none.
    fn fuses(&mut self) -> Option<[u8; 4]>;
    /// The chip's own number, asked for only of chips that have one; 0 for none.
    fn number(&mut self) -> u32 {
        0
    }
}

/// The hardware functions as C calls them; kept in step with `struct probe_host_table`.
#[repr(C)]
struct Table {
    chip: *const Facts,
    send: extern "C" fn(*mut c_void, u8),
    reference: extern "C" fn(*mut c_void, u8),
    convert: extern "C" fn(*mut c_void, u8, u8) -> u16,
    pin_mode: extern "C" fn(*mut c_void, u8, u8),
    pin_read: extern "C" fn(*mut c_void, u8) -> bool,
    wait_us: extern "C" fn(*mut c_void, u32),
    now_ms: extern "C" fn(*mut c_void) -> u32,
    eeprom_read: extern "C" fn(*mut c_void, u16) -> u8,
    eeprom_write: extern "C" fn(*mut c_void, u16, u8),
    reset_cause: extern "C" fn(*mut c_void) -> u8,
    fuses: extern "C" fn(*mut c_void, *mut [u8; 4]) -> bool,
    number: extern "C" fn(*mut c_void) -> u32,
}

/// The facts of a chip in C's memory, never looked into from here.
#[repr(C)]
struct Facts {
    _private: [u8; 0],
}

/// A probe in C's memory, never looked into from here.
#[repr(C)]
struct Probe {
    _private: [u8; 0],
}

// SAFETY: the signatures are those of bench-scripts/probe/host/host.h, which build.rs compiles.
unsafe extern "C" {
    safe fn probe_host_size() -> usize;
    safe fn probe_host_chip(place: u8) -> *const Facts;
    fn probe_host_init(host: *mut Probe, table: *const Table, context: *mut c_void);
    fn probe_host_receive(host: *mut Probe, byte: u8);
    fn probe_host_fault(host: *mut Probe);
    fn probe_host_poll(host: *mut Probe);
}

/// What the callbacks reach: the pins, and the bytes that the core has sent.
struct Context<P> {
    pins: P,
    sent: Vec<u8>,
}

/// Hands the context of a running core to `with`.
fn context<P, R>(context: *mut c_void, with: impl FnOnce(&mut Context<P>) -> R) -> R {
    // SAFETY: `context` is the pointer that `Core::<P>::new` gave to the core together with the
    // callbacks of the same `P`. It is valid as long as the core, and callbacks only run inside
    // `Core` methods that hold `&mut self` and have no reference into the context themselves;
    // `with` never calls back into the core, so no second reference exists.
    with(unsafe { &mut *context.cast::<Context<P>>() })
}

extern "C" fn send<P: Pins>(c: *mut c_void, byte: u8) {
    context::<P, _>(c, |c| c.sent.push(byte));
}

extern "C" fn reference<P: Pins>(c: *mut c_void, number: u8) {
    context::<P, _>(c, |c| c.pins.set_reference(Reference::of_number(number)));
}

extern "C" fn convert<P: Pins>(c: *mut c_void, mux: u8, prescaler: u8) -> u16 {
    context::<P, _>(c, |c| c.pins.convert(Input::of_mux(mux), prescaler))
}

extern "C" fn pin_mode<P: Pins>(c: *mut c_void, pin: u8, mode: u8) {
    context::<P, _>(c, |c| c.pins.set_mode(pin, PinMode::of_number(mode)));
}

extern "C" fn pin_read<P: Pins>(c: *mut c_void, pin: u8) -> bool {
    context::<P, _>(c, |c| c.pins.read(pin))
}

extern "C" fn wait_us<P: Pins>(c: *mut c_void, us: u32) {
    context::<P, _>(c, |c| c.pins.wait_us(us));
}

extern "C" fn now_ms<P: Pins>(c: *mut c_void) -> u32 {
    context::<P, _>(c, |c| c.pins.now_ms())
}

extern "C" fn eeprom_read<P: Pins>(c: *mut c_void, at: u16) -> u8 {
    context::<P, _>(c, |c| c.pins.eeprom_read(at))
}

extern "C" fn eeprom_write<P: Pins>(c: *mut c_void, at: u16, byte: u8) {
    context::<P, _>(c, |c| c.pins.eeprom_write(at, byte));
}

extern "C" fn reset_cause<P: Pins>(c: *mut c_void) -> u8 {
    context::<P, _>(c, |c| c.pins.reset_cause())
}

extern "C" fn fuses<P: Pins>(c: *mut c_void, bytes: *mut [u8; 4]) -> bool {
    let found = context::<P, _>(c, |c| c.pins.fuses());
    if let Some(found) = found {
        // SAFETY: the core hands over an array of four bytes of its own, which it does not touch
        // while this runs (`hw_fuses` of core/probe_hw.h).
        unsafe { bytes.write(found) };
    }
    found.is_some()
}

extern "C" fn number<P: Pins>(c: *mut c_void) -> u32 {
    context::<P, _>(c, |c| c.pins.number())
}

/// A running probe over pins of type `P`. Several may run side by side, also in threads.
pub struct Core<P: Pins> {
    probe: NonNull<Probe>,
    context: NonNull<Context<P>>,
    /// Units of the allocation behind `probe`, needed to free it.
    words: usize,
}

// SAFETY: a core owns its state and its pins and shares nothing with other cores (the C code has
// no writable statics), so it may move to another thread when its pins may.
unsafe impl<P: Pins + Send> Send for Core<P> {}

impl<P: Pins> Core<P> {
    /// Starts the probe as after a reset: all pins are made inputs, and the boot is counted in the
    /// EEPROM when it holds an identity.
    pub fn new(pins: P) -> Self {
        // u64 units give the alignment of 8 that host.h promises to be enough.
        let words = probe_host_size().div_ceil(size_of::<u64>());
        let memory: Box<[MaybeUninit<u64>]> = Box::new_uninit_slice(words);
        let probe = NonNull::from(Box::leak(memory)).cast::<Probe>();
        let context = NonNull::from(Box::leak(Box::new(Context { pins, sent: Vec::new() })));
        let mut core = Self { probe, context, words };
        core.init();
        core
    }

    fn init(&mut self) {
        let table = Table {
            chip: probe_host_chip(self.pins().model() as u8),
            send: send::<P>,
            reference: reference::<P>,
            convert: convert::<P>,
            pin_mode: pin_mode::<P>,
            pin_read: pin_read::<P>,
            wait_us: wait_us::<P>,
            now_ms: now_ms::<P>,
            eeprom_read: eeprom_read::<P>,
            eeprom_write: eeprom_write::<P>,
            reset_cause: reset_cause::<P>,
            fuses: fuses::<P>,
            number: number::<P>,
        };
        // SAFETY: `probe` has the size and alignment that C asked for; the table is copied in the
        // call; the context lives as long as `self` and is of the callbacks' type.
        unsafe {
            probe_host_init(self.probe.as_ptr(), &table, self.context.as_ptr().cast());
        }
    }

    /// Takes bytes from the host. Each line runs at its LF; its reply is in [`Self::take_output`].
    pub fn receive(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            // SAFETY: `probe` was made by `init`, and `&mut self` keeps others away.
            unsafe { probe_host_receive(self.probe.as_ptr(), byte) };
        }
    }

    /// A byte came in that was damaged on the line: what is being received is void to its LF.
    pub fn damage(&mut self) {
        // SAFETY: as in `receive`.
        unsafe { probe_host_fault(self.probe.as_ptr()) };
    }

    /// Housekeeping, to be called now and then: switches outputs off after silence.
    pub fn poll(&mut self) {
        // SAFETY: as in `receive`.
        unsafe { probe_host_poll(self.probe.as_ptr()) };
    }

    /// The bytes that the probe has sent since the last call.
    pub fn take_output(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.context_mut().sent)
    }

    /// The pins under the probe.
    pub fn pins(&mut self) -> &mut P {
        &mut self.context_mut().pins
    }

    fn context_mut(&mut self) -> &mut Context<P> {
        // SAFETY: the context was leaked in `new` and is freed only in `drop`; C touches it only
        // inside the other `&mut self` methods, so the borrow of `self` makes this the only one.
        unsafe { self.context.as_mut() }
    }

    /// Resets the probe: bytes not yet taken are lost, pins become inputs, the boot is counted.
    /// What [`Pins::reset_cause`] and [`Pins::now_ms`] say then is for the pins to set before.
    pub fn reset(&mut self) {
        self.context_mut().sent.clear();
        self.init();
    }
}

impl<P: Pins> Drop for Core<P> {
    fn drop(&mut self) {
        let memory = NonNull::slice_from_raw_parts(self.probe.cast::<u64>(), self.words);
        // SAFETY: both pointers come from `Box::leak` in `new` and are freed once, here. The
        // memory is taken back as the slice of uninitialised units that it was allocated as.
        unsafe {
            drop(Box::from_raw(memory.as_ptr() as *mut [MaybeUninit<u64>]));
            drop(Box::from_raw(self.context.as_ptr()));
        }
    }
}
