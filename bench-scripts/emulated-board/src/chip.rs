//! The one file with `unsafe`: a sound face for the C shim over the emulator library.
//!
//! The shim (`shim/chip.c`) calls back into Rust while it runs. What it calls lives in a box that
//! only raw pointers reach while C code runs, so no two references to it ever exist at once. A
//! panic in a callback is caught at the border, kept, and goes on when the run has returned.
#![allow(unsafe_code)]

use std::any::Any;
use std::ffi::{CStr, CString, c_char, c_int, c_void};
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::ptr::NonNull;

/// What the chip asks and tells while it runs; times are cycles since the chip was made.
pub(crate) trait Calls {
    /// A conversion starts with these registers; `first` after the converter was switched on.
    fn convert(&mut self, cycle: u64, admux: u8, adcsra: u8, first: bool) -> u16;
    /// The registers of a port (0 = B, 1 = C, 2 = D) were written or reset.
    fn modes(&mut self, cycle: u64, port: u8, ddr: u8, data: u8, no_pull_ups: bool);
    /// The levels at the pins of a port.
    fn read(&mut self, cycle: u64, port: u8) -> u8;
    /// The program gave the serial line a byte.
    fn sent(&mut self, cycle: u64, byte: u8);
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ended {
    /// At the time asked for.
    Running,
    /// The program went to sleep with interrupts off, for ever.
    Stopped,
    /// The program did what the emulator cannot go on from.
    Crashed,
}

/// What became of a byte on the serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Received {
    /// The receiver has it.
    Taken,
    /// The receiver is off.
    Deaf,
    /// Lost: three bytes already wait for the program.
    Overrun,
}

#[repr(C)]
struct RawChip {
    _opaque: [u8; 0],
}

#[repr(C)]
struct RawCalls {
    context: *mut c_void,
    convert: unsafe extern "C" fn(*mut c_void, u64, u8, u8, u8) -> u16,
    modes: unsafe extern "C" fn(*mut c_void, u64, u8, u8, u8, u8),
    read: unsafe extern "C" fn(*mut c_void, u64, u8) -> u8,
    sent: unsafe extern "C" fn(*mut c_void, u64, u8),
}

unsafe extern "C" {
    fn chip_new(part: *const c_char, hertz: u32, mv: u32, calls: *const RawCalls) -> *mut RawChip;
    fn chip_free(chip: *mut RawChip);
    fn chip_load_flash(chip: *mut RawChip, bytes: *const u8, size: u32, at: u32) -> c_int;
    fn chip_write_eeprom(chip: *mut RawChip, bytes: *const u8, size: u32, at: u32) -> c_int;
    fn chip_read_eeprom(chip: *mut RawChip, bytes: *mut u8, size: u32, at: u32) -> c_int;
    fn chip_reset(chip: *mut RawChip, mcusr: u8);
    fn chip_run(chip: *mut RawChip, until: u64) -> c_int;
    fn chip_cycle(chip: *const RawChip) -> u64;
    fn chip_receive(chip: *mut RawChip, byte: u8) -> c_int;
    fn chip_byte_cycles(chip: *const RawChip) -> u32;
    fn chip_peek(chip: *const RawChip, address: u16) -> u8;
    fn chip_poke(chip: *mut RawChip, address: u16, byte: u8);
    fn chip_ram_end(chip: *const RawChip) -> u16;
    fn chip_complaint(chip: *const RawChip) -> *const c_char;
}

/// What the callbacks reach: their receiver, and a panic on its way out.
struct Inner<C> {
    calls: C,
    panic: Option<Box<dyn Any + Send>>,
}

/// Runs `f` on the receiver behind `context` unless a panic is already on its way.
///
/// # Safety
/// `context` comes from `Chip::new::<C>`, and no other reference to its box exists.
unsafe fn guarded<C, R: Default>(context: *mut c_void, f: impl FnOnce(&mut C) -> R) -> R {
    // SAFETY: by the contract above the pointer is a live, unaliased `Inner<C>`.
    let inner = unsafe { &mut *context.cast::<Inner<C>>() };
    if inner.panic.is_some() {
        return R::default();
    }
    match catch_unwind(AssertUnwindSafe(|| f(&mut inner.calls))) {
        Ok(result) => result,
        Err(panic) => {
            inner.panic = Some(panic);
            R::default()
        }
    }
}

unsafe extern "C" fn convert<C: Calls>(
    context: *mut c_void,
    cycle: u64,
    admux: u8,
    adcsra: u8,
    first: u8,
) -> u16 {
    // SAFETY: called by the shim with the context given to `chip_new`, only inside `Chip` methods
    // that take `&mut self` and hold no reference to the box.
    unsafe { guarded(context, |c: &mut C| c.convert(cycle, admux, adcsra, first != 0)) }
}

unsafe extern "C" fn modes<C: Calls>(
    context: *mut c_void,
    cycle: u64,
    port: u8,
    ddr: u8,
    data: u8,
    no_pull_ups: u8,
) {
    // SAFETY: as in `convert`.
    unsafe { guarded(context, |c: &mut C| c.modes(cycle, port, ddr, data, no_pull_ups != 0)) }
}

unsafe extern "C" fn read<C: Calls>(context: *mut c_void, cycle: u64, port: u8) -> u8 {
    // SAFETY: as in `convert`.
    unsafe { guarded(context, |c: &mut C| c.read(cycle, port)) }
}

unsafe extern "C" fn sent<C: Calls>(context: *mut c_void, cycle: u64, byte: u8) {
    // SAFETY: as in `convert`.
    unsafe { guarded(context, |c: &mut C| c.sent(cycle, byte)) }
}

/// One emulated chip and the receiver of its calls.
pub(crate) struct Chip<C: Calls> {
    raw: NonNull<RawChip>,
    inner: NonNull<Inner<C>>,
}

// SAFETY: the chip owns everything behind its pointers; the library keeps all state in the chip,
// except a logger that is set to the same function each time. `C` goes along, so it must be Send.
unsafe impl<C: Calls + Send> Send for Chip<C> {}

impl<C: Calls> Chip<C> {
    /// A chip by its name in the emulator library; None when the library does not know it.
    pub(crate) fn new(part: &str, hertz: u32, millivolts: u32, calls: C) -> Option<Self> {
        let part = CString::new(part).ok()?;
        let inner = NonNull::from(Box::leak(Box::new(Inner { calls, panic: None })));
        let raw_calls = RawCalls {
            context: inner.as_ptr().cast(),
            convert: convert::<C>,
            modes: modes::<C>,
            read: read::<C>,
            sent: sent::<C>,
        };
        // SAFETY: the name ends in NUL, and the shim copies the calls before it returns.
        let raw = unsafe { chip_new(part.as_ptr(), hertz, millivolts, &raw_calls) };
        let Some(raw) = NonNull::new(raw) else {
            // SAFETY: made by `Box::leak` above, and the shim kept no copy.
            drop(unsafe { Box::from_raw(inner.as_ptr()) });
            return None;
        };
        Some(Chip { raw, inner })
    }

    /// The receiver of the calls.
    pub(crate) fn calls(&self) -> &C {
        // SAFETY: the box lives as long as `self`; C code runs only under `&mut self`.
        unsafe { &self.inner.as_ref().calls }
    }

    /// The receiver of the calls, to be changed.
    pub(crate) fn calls_mut(&mut self) -> &mut C {
        // SAFETY: as in `calls`, and `&mut self` makes it the only reference.
        unsafe { &mut self.inner.as_mut().calls }
    }

    /// Lets a panic of a callback go on.
    fn go_on_panicking(&mut self) {
        // SAFETY: as in `calls_mut`; C code has returned.
        if let Some(panic) = unsafe { self.inner.as_mut() }.panic.take() {
            resume_unwind(panic);
        }
    }

    /// Puts bytes into the program memory; false when they do not fit.
    pub(crate) fn load_flash(&mut self, at: u32, bytes: &[u8]) -> bool {
        let Ok(size) = u32::try_from(bytes.len()) else { return false };
        // SAFETY: the slice is valid for `size` bytes; the shim checks the range.
        unsafe { chip_load_flash(self.raw.as_ptr(), bytes.as_ptr(), size, at) == 0 }
    }

    /// Puts bytes into the EEPROM; false when they do not fit.
    pub(crate) fn write_eeprom(&mut self, at: u32, bytes: &[u8]) -> bool {
        let Ok(size) = u32::try_from(bytes.len()) else { return false };
        // SAFETY: the slice is valid for `size` bytes, which the library only reads.
        unsafe { chip_write_eeprom(self.raw.as_ptr(), bytes.as_ptr(), size, at) == 0 }
    }

    /// Fills `bytes` from the EEPROM; false when the range is outside.
    pub(crate) fn read_eeprom(&mut self, at: u32, bytes: &mut [u8]) -> bool {
        let Ok(size) = u32::try_from(bytes.len()) else { return false };
        // SAFETY: the slice is valid for `size` bytes to write; the shim checks the range.
        unsafe { chip_read_eeprom(self.raw.as_ptr(), bytes.as_mut_ptr(), size, at) == 0 }
    }

    /// Resets with these bits in the reset-cause register; memory keeps its contents.
    pub(crate) fn reset(&mut self, mcusr: u8) {
        // SAFETY: the chip is live; callbacks reach only the box, to which we hold no reference.
        unsafe { chip_reset(self.raw.as_ptr(), mcusr) };
        self.go_on_panicking();
    }

    /// Runs up to a cycle; the last instruction may end a few cycles later.
    pub(crate) fn run(&mut self, until: u64) -> Ended {
        // SAFETY: as in `reset`.
        let ended = unsafe { chip_run(self.raw.as_ptr(), until) };
        self.go_on_panicking();
        match ended {
            0 => Ended::Running,
            1 => Ended::Stopped,
            _ => Ended::Crashed,
        }
    }

    /// Cycles since the chip was made.
    pub(crate) fn cycle(&self) -> u64 {
        // SAFETY: the chip is live; the shim only reads.
        unsafe { chip_cycle(self.raw.as_ptr()) }
    }

    /// Gives the receiver a byte.
    pub(crate) fn receive(&mut self, byte: u8) -> Received {
        // SAFETY: as in `reset`.
        let received = unsafe { chip_receive(self.raw.as_ptr(), byte) };
        self.go_on_panicking();
        match received {
            1 => Received::Taken,
            0 => Received::Deaf,
            _ => Received::Overrun,
        }
    }

    /// Cycles that a byte takes at the rate the program has set.
    pub(crate) fn byte_cycles(&self) -> u64 {
        // SAFETY: as in `cycle`.
        u64::from(unsafe { chip_byte_cycles(self.raw.as_ptr()) })
    }

    /// A byte of the data memory, without side effects; 0 outside.
    pub(crate) fn peek(&self, address: u16) -> u8 {
        // SAFETY: as in `cycle`; the shim checks the address.
        unsafe { chip_peek(self.raw.as_ptr(), address) }
    }

    /// Sets a byte of the data memory, without side effects; nothing outside.
    pub(crate) fn poke(&mut self, address: u16, byte: u8) {
        // SAFETY: as in `reset`; the shim checks the address.
        unsafe { chip_poke(self.raw.as_ptr(), address, byte) }
    }

    /// The last address of the data memory.
    pub(crate) fn ram_end(&self) -> u16 {
        // SAFETY: as in `cycle`.
        unsafe { chip_ram_end(self.raw.as_ptr()) }
    }

    /// The emulator's last complaint, empty when it had none.
    pub(crate) fn complaint(&self) -> String {
        // SAFETY: the shim returns a NUL-terminated buffer inside the live chip, copied here.
        let text = unsafe { CStr::from_ptr(chip_complaint(self.raw.as_ptr())) };
        text.to_string_lossy().trim().to_owned()
    }
}

impl<C: Calls> Drop for Chip<C> {
    fn drop(&mut self) {
        // SAFETY: both pointers are owned and freed once; the chip goes first, so that nothing
        // can call into the box afterwards.
        unsafe {
            chip_free(self.raw.as_ptr());
            drop(Box::from_raw(self.inner.as_ptr()));
        }
    }
}
