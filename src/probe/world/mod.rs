//! The physics of one assembled unit: parts as they came out of the reel, shunts where hands put
//! them, charge on open pins, a converter with its errors and noise, a supply that sags.
//!
//! The world stands in for the board under the probe's own code, for rehearsal and for tests. Its
//! time is a number that its user advances; everything random comes from the seed.

mod bus;
mod chip;
mod conversion;
mod lines;
mod pin;
mod unit;
mod wiring;

pub use bus::Responder;
pub use unit::Converter;

use super::core::{Input, Model, PinMode, Reference};
use crate::board::{Aref, Board, Level, NetId, Place, Setting};
use crate::circuit::{Circuit, Node, Parts};
use crate::faults::{Built, Fault, Joint};
use crate::units::{Amperes, Ohms, Volts};
use lines::Bus;
use pin::{Charge, Pull};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::HashMap;
use std::sync::Arc;
use wiring::{Solved, Wiring};

/// What hangs at an AREF pin that the board leaves free: a capacitor (common practice, no source).
const AREF_FARADS: f64 = 100e-9;

/// Why the chip started; the bits of its reset-cause register (8271H section 11.9.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ResetCause {
    /// Power-on.
    Power = 1,
    /// The reset pin.
    External = 2,
    /// Brown-out.
    BrownOut = 4,
    /// Watchdog.
    Watchdog = 8,
    /// Cleared by a boot loader.
    Unknown = 0,
}

/// Defects of one unit beside the values of its [`Parts`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Defects {
    /// Loads (by index) that draw nothing.
    pub dead_loads: Vec<usize>,
    /// Parts on a bus (by index) that do not answer.
    pub silent_parts: Vec<usize>,
    /// Pins (by number) whose solder joint is open.
    pub open_pins: Vec<u8>,
    /// Loads (by index) that lift the ground of the jumper circuits by so many volts while on.
    pub ground_shift: Vec<(usize, Volts)>,
}

/// One assembled unit on the bench.
#[derive(Debug)]
pub struct World {
    /// The chip that the probe runs on; one that there is no probe for is an ATmega328P to it.
    model: Model,
    board: Arc<Board>,
    built: Built,
    defects: Defects,
    converter: Converter,
    /// True voltage of the internal reference.
    bandgap: f64,
    /// Sag of the supply per load in volts.
    sags: Vec<f64>,
    /// Per chip pin, in the order of the chip profile.
    pins: Vec<Pin>,
    /// What is on each I2C bus.
    buses: Vec<Bus>,
    setting: Setting,
    /// Voltage between the supply pins of the chip now.
    vcc: f64,
    /// Voltage on the sample-and-hold, from which input, and when.
    held: f64,
    selected: Option<(Input, u64)>,
    /// What conversions are made against, and the charge of the capacitor at AREF.
    reference: Reference,
    aref: Charge,
    /// A conversion has joined another reference to a voltage at AREF.
    aref_shorted: bool,
    now_ns: u64,
    booted_ns: u64,
    powered: bool,
    cause: ResetCause,
    eeprom: Vec<u8>,
    /// The chip's own number, where it has one.
    number: u32,
    solved: HashMap<Wiring, Solved>,
}

/// One pin of the chip.
#[derive(Debug)]
struct Pin {
    channel: Option<usize>,
    pull_up: f64,
    mode: PinMode,
    charge: Charge,
    /// Last digital level, which the input keeps between its thresholds.
    level: bool,
}

impl World {
    /// A good unit with parts drawn within tolerance, without any shunt, powered.
    pub fn new(board: Arc<Board>, seed: u64) -> World {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let parts = unit::draw_parts(&board, &mut rng);
        let converter = Converter::draw(&board, ChaCha8Rng::seed_from_u64(!seed));
        let bandgap = unit::between(&mut rng, 1.08, 1.12);
        let sags = board.loads.iter().map(|l| {
            let mid = (l.sag.0.0 + l.sag.1.0) / 2.0;
            mid * (1.0 + 0.1 * unit::span(&mut rng))
        });
        let sags = sags.collect();
        // Pins of one chip agree within a few percent, chips among each other do not.
        let pull_up = {
            // 30 to 36 kΩ of 20 to 50, and as much on other chips.
            let (Ohms(strong), Ohms(weak)) = board.chip.pull_up;
            let range = weak - strong;
            unit::between(&mut rng, strong + range / 3.0, strong + range * 8.0 / 15.0)
        };
        let pins = board.chip.pins.iter().map(|p| {
            let channel = board.channels.iter().position(|c| c.pin.number == p.number);
            Pin {
                channel,
                pull_up: pull_up * (1.0 + 0.03 * unit::span(&mut rng)),
                mode: PinMode::Input,
                charge: Charge::new(pin::STRAY + capacitance(&board, channel)),
                level: false,
            }
        });
        let model = Model::for_chip(&board.chip.name).unwrap_or(Model::Atmega328p);
        let mut world = World {
            model,
            pins: pins.collect(),
            buses: Bus::of(&board),
            setting: Setting::all_open(&board),
            built: Built::good(&board, parts),
            board,
            defects: Defects::default(),
            converter,
            bandgap,
            sags,
            vcc: 0.0,
            held: 0.0,
            selected: None,
            reference: Reference::Supply,
            aref: Charge::new(AREF_FARADS),
            aref_shorted: false,
            now_ns: 0,
            booted_ns: 0,
            powered: true,
            cause: ResetCause::Power,
            eeprom: vec![0xFF; eeprom_bytes(model)],
            // Never 0, which stands for none.
            number: rng.random_range(1..=u32::MAX),
            solved: HashMap::new(),
        };
        world.rewire();
        world
    }

    /// The design of this unit.
    pub fn board(&self) -> &Arc<Board> {
        &self.board
    }

    /// The values that its parts really have.
    pub fn parts(&self) -> &Parts {
        &self.built.parts
    }

    /// How it was really built.
    pub fn built(&self) -> &Built {
        &self.built
    }

    /// Puts a modelled defect into it.
    pub fn plant(&mut self, fault: Fault) {
        self.settle();
        self.built.plant(&self.board, fault);
        self.solved.clear();
        self.rewire();
    }

    /// Changes parts: a planted defect, a repair.
    pub fn change_parts(&mut self, change: impl FnOnce(&mut Parts)) {
        self.settle();
        change(&mut self.built.parts);
        self.solved.clear();
        self.rewire();
    }

    /// Changes the defects that are not values of parts.
    pub fn change_defects(&mut self, change: impl FnOnce(&mut Defects)) {
        self.settle();
        change(&mut self.defects);
        self.solved.clear();
        self.rewire();
    }

    /// The converter, to make it noisier or to put errors into it.
    pub fn converter_mut(&mut self) -> &mut Converter {
        &mut self.converter
    }

    /// True voltage of the internal reference.
    pub fn bandgap(&self) -> Volts {
        Volts(self.bandgap)
    }

    /// Where the shunts are.
    pub fn setting(&self) -> &Setting {
        &self.setting
    }

    /// Puts the shunt of a jumper somewhere, as a hand does.
    pub fn place(&mut self, jumper: usize, place: Place) {
        self.settle();
        self.setting = self.setting.with(jumper, place);
        self.rewire();
    }

    /// Puts every shunt where a setting has it.
    pub fn place_all(&mut self, setting: &Setting) {
        self.settle();
        self.setting = setting.clone();
        self.rewire();
    }

    /// Restarts the chip: all pins are inputs again, and its clock starts anew. The program on it
    /// has to be started by whoever runs it.
    pub fn reset(&mut self, cause: ResetCause) {
        self.settle();
        for pin in &mut self.pins {
            pin.mode = PinMode::Input;
        }
        self.cause = cause;
        self.booted_ns = self.now_ns;
        self.selected = None;
        self.reference = Reference::Supply;
        self.rewire();
        self.tell_buses();
    }

    /// Takes the power away or gives it back; back on, the chip has had a power-on reset.
    pub fn power(&mut self, on: bool) {
        if on && !self.powered {
            self.reset(ResetCause::Power);
        }
        self.powered = on;
    }

    /// Whether the unit has power.
    pub fn powered(&self) -> bool {
        self.powered
    }

    /// Time since the start of the world in microseconds.
    pub fn now_us(&self) -> u64 {
        self.now_ns / 1000
    }

    /// Time since the start of the world in nanoseconds.
    pub fn now_ns(&self) -> u64 {
        self.now_ns
    }

    /// Sets the time, for a harness that owns it; never backwards.
    pub fn set_now(&mut self, us: u64) {
        self.now_ns = self.now_ns.max(us.saturating_mul(1000));
    }

    /// Lets time pass.
    pub fn advance_ns(&mut self, ns: u64) {
        self.now_ns = self.now_ns.saturating_add(ns);
    }

    /// Milliseconds since the chip started.
    pub fn uptime_ms(&self) -> u64 {
        (self.now_ns - self.booted_ns) / 1_000_000
    }

    /// Why the chip started.
    pub fn cause(&self) -> ResetCause {
        self.cause
    }

    /// The EEPROM of the chip, erased (0xFF) on a new unit.
    pub fn eeprom(&mut self) -> &mut [u8] {
        &mut self.eeprom
    }

    /// Sets a pin of the chip; a number that the chip does not have is ignored.
    pub fn set_pin(&mut self, number: u8, mode: PinMode) {
        let Some(index) = self.pin_index(number) else { return };
        if self.pins[index].mode == mode {
            return;
        }
        self.settle();
        self.pins[index].mode = mode;
        self.rewire();
        self.tell_buses();
    }

    /// Reads a pin as a digital one: between the thresholds the input keeps its level.
    pub fn level(&mut self, number: u8) -> bool {
        let chip = &self.board.chip;
        let Some(index) = self.pin_index(number) else { return false };
        if !self.powered || !chip.pins[index].digital {
            return false;
        }
        if let Some(level) = self.bus_level(number) {
            return level;
        }
        let pin = &mut self.pins[index];
        let ratio = pin.charge.volts(self.now_ns) / self.vcc;
        pin.level = (pin.level && ratio > chip.vil.0) || ratio >= chip.vih.0;
        pin.level
    }

    /// Current through a resistor now, for what only a person sees: a lamp is lit or dark.
    pub fn lamp_current(&mut self, resistor: usize) -> Amperes {
        if !self.powered {
            return Amperes(0.0);
        }
        self.solved().circuit.resistor_current(resistor)
    }

    fn pin_index(&self, number: u8) -> Option<usize> {
        self.board.chip.pins.iter().position(|p| p.number == number)
    }

    fn mux_index(&self, mux: u8) -> Option<usize> {
        self.board.chip.pins.iter().position(|p| p.adc == Some(mux))
    }

    /// Whether a pin is driven to a level.
    fn drives(&self, number: u8, level: Level) -> bool {
        let mode = self.pin_index(number).map(|i| self.pins[i].mode);
        mode == Some(if level == Level::High { PinMode::High } else { PinMode::Low })
    }

    /// Brings the charge of every pin up to now, before something changes.
    fn settle(&mut self) {
        for pin in &mut self.pins {
            pin.charge.volts(self.now_ns);
        }
    }
}

/// Bytes of EEPROM: CHIP_EEPROM of the probe's core/chips.
fn eeprom_bytes(model: Model) -> usize {
    match model {
        Model::Atmega328p => 1024,
        Model::Atmega2560 => 4096,
        Model::Samd21 | Model::Rp2040 => 0,
    }
}

/// Capacitors that the board has right at the net of a channel.
fn capacitance(board: &Board, channel: Option<usize>) -> f64 {
    let Some(net) = channel.and_then(|c| board.channels.get(c)).map(|c| c.net) else { return 0.0 };
    let rails = [board.supply.net, board.supply.ground];
    let at = |c: &&crate::board::Capacitor| {
        let [a, b] = c.between;
        (a == net && rails.contains(&b)) || (b == net && rails.contains(&a))
    };
    board.capacitors.iter().filter(at).map(|c| c.farads.0).sum()
}
