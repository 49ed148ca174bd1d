//! The fixed pins that `protocols/probe-link.md` describes, and a way to ask a probe over them.

use strapwise::probe::core::{Core, EEPROM_SIZE, Input, PinMode, Pins, RESET_POWER, Reference};
use strapwise::probe::world::Responder;

/// The stand-in of the link document.
pub struct Fixed {
    pub modes: [PinMode; 22],
    pub touched: [u32; 22],
    pub clock_us: u64,
    pub eeprom: Vec<u8>,
    pub writes: usize,
    /// Writes that still reach the EEPROM, as if power went after them.
    pub writes_left: usize,
    pub cause: u8,
    /// Codes that channel 14 gives instead of 512, in their order and again.
    pub script: Vec<u16>,
    /// Conversions made of channels 14 and 15.
    turns: [usize; 2],
    charge: u16,
    /// The last conversion of 0 V has taken the sampling capacitor's charge.
    emptied: bool,
    pub reference: Reference,
    /// The input of the last conversion, and its code against the supply.
    last: (Input, u16),
    /// Conversions of channel 19 and of the bandgap since channel 9 went high.
    loaded: usize,
    /// Whether channel 5, which is open, was high last.
    kept_high: bool,
    /// The part on the bus of channels 12 and 13.
    pub part: Responder,
}

impl Fixed {
    pub fn new() -> Self {
        Self {
            modes: [PinMode::Input; 22],
            touched: [0; 22],
            clock_us: 1_234_000,
            eeprom: vec![0xFF; EEPROM_SIZE],
            writes: 0,
            writes_left: usize::MAX,
            cause: RESET_POWER,
            script: vec![512],
            turns: [0; 2],
            charge: 800,
            emptied: false,
            reference: Reference::Supply,
            last: (Input::Ground, 0),
            loaded: 0,
            kept_high: true,
            part: Responder::new(&[80]),
        }
    }

    fn turn(&mut self, mux: usize) -> usize {
        self.turns[mux] += 1;
        self.turns[mux] - 1
    }

    /// A code that a load at channel 9 changes: it dips, and comes back some way.
    fn on_load(&mut self, off: u16, on: [u16; 3]) -> u16 {
        if self.modes[9] != PinMode::High {
            return off;
        }
        self.loaded += 1;
        on[(self.loaded - 1).min(2)]
    }

    /// The code against the supply.
    fn code(&mut self, input: Input) -> u16 {
        match input {
            Input::Bandgap => self.on_load(225, [231, 228, 227]),
            Input::Ground => {
                self.emptied = true;
                0
            }
            Input::Pin(0) if self.modes[14] == PinMode::PullUp => 661,
            Input::Pin(0) => {
                let turn = self.turn(0);
                self.script[turn % self.script.len()]
            }
            Input::Pin(1) => [700, 701, 702, 701][self.turn(1) % 4],
            Input::Pin(2) if self.modes[16] == PinMode::PullUp => 1023,
            Input::Pin(2) => {
                if self.emptied {
                    self.charge -= self.charge / 10;
                }
                self.emptied = false;
                self.charge
            }
            Input::Pin(4) if self.last.0 != input => (200 + self.last.1) / 2,
            Input::Pin(4) => 200,
            Input::Pin(5) => self.on_load(400, [380, 390, 396]),
            Input::Pin(_) => 0,
        }
    }
}

impl Pins for Fixed {
    fn set_reference(&mut self, reference: Reference) {
        self.reference = reference;
    }

    fn convert(&mut self, input: Input, _prescaler: u8) -> u16 {
        self.clock_us += 104;
        let code = self.code(input);
        self.last = (input, code);
        if self.reference == Reference::Internal { (code * 4).min(1023) } else { code }
    }

    fn set_mode(&mut self, pin: u8, mode: PinMode) {
        if pin == 5 && mode != PinMode::Input {
            self.kept_high = mode != PinMode::Low;
        }
        if pin == 9 {
            self.loaded = 0;
        }
        self.modes[usize::from(pin)] = mode;
        if pin == 12 || pin == 13 {
            let high = |pin: usize| self.modes[pin] != PinMode::Low;
            let (sda, scl) = (high(12), high(13));
            self.part.lines(sda, scl);
        }
        self.touched[usize::from(pin)] += 1;
    }

    fn read(&mut self, pin: u8) -> bool {
        match self.modes[usize::from(pin)] {
            PinMode::Input if pin == 12 => !self.part.pulls(),
            PinMode::Input => pin == 4 || pin == 13 || (pin == 5 && self.kept_high),
            PinMode::Low => false,
            PinMode::High => true,
            PinMode::PullUp => pin != 2,
        }
    }

    fn wait_us(&mut self, us: u32) {
        self.clock_us += u64::from(us);
    }

    fn now_ms(&mut self) -> u32 {
        (self.clock_us / 1000) as u32
    }

    fn eeprom_read(&mut self, at: u16) -> u8 {
        self.eeprom[usize::from(at)]
    }

    fn eeprom_write(&mut self, at: u16, byte: u8) {
        self.writes += 1;
        if self.writes_left > 0 {
            self.writes_left -= 1;
            self.eeprom[usize::from(at)] = byte;
        }
    }

    fn fuses(&mut self) -> Option<[u8; 4]> {
        Some([0xFF, 0xDE, 0xFD, 0xCF])
    }

    fn reset_cause(&mut self) -> u8 {
        self.cause
    }
}

/// A fresh probe over the stand-in.
pub fn probe() -> Core<Fixed> {
    Core::new(Fixed::new())
}

/// Sends a line and gives the reply without its LF; "" when there is none.
pub fn ask(core: &mut Core<Fixed>, line: &str) -> String {
    core.receive(line.as_bytes());
    core.receive(b"\n");
    let reply = String::from_utf8(core.take_output()).expect("replies are 7-bit text");
    match reply.strip_suffix('\n') {
        Some(reply) => {
            assert!(!reply.contains('\n'), "one line, one reply: {reply}");
            reply.to_owned()
        }
        None => {
            assert_eq!(reply, "", "a reply ends in LF");
            reply
        }
    }
}

/// Resets the probe, its clock starting as at first.
pub fn reset(core: &mut Core<Fixed>, cause: u8) {
    core.pins().cause = cause;
    core.pins().clock_us = 1_234_000;
    core.reset();
}

/// The error that is next in the queue, as its number.
pub fn next_error(core: &mut Core<Fixed>) -> i32 {
    let reply = ask(core, "SYST:ERR?");
    reply.split(',').next().and_then(|n| n.parse().ok()).expect("number,text")
}
