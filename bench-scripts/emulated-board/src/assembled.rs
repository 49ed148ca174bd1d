//! An assembled unit under the emulated chip: the same physics that the host's virtual board has.

use crate::serve::Hands;
use crate::world::{Conversion, Input, PinMode, Reference, World};
use std::sync::Arc;
use std::time::Duration;
use strapwise::board::{Board, Place};
use strapwise::faults::Fault;
use strapwise::probe::core as pins;
use strapwise::probe::world::World as Unit;
use strapwise::units::Ohms;

/// One unit of a board, with its parts, its shunts and its defects.
pub struct Assembled {
    board: Arc<Board>,
    unit: Unit,
}

impl Assembled {
    /// A good unit; its parts lie within their tolerances as the seed draws them.
    pub fn new(board: Arc<Board>, seed: u64) -> Assembled {
        let unit = Unit::new(board.clone(), seed);
        Assembled { board, unit }
    }

    /// The unit itself.
    pub fn unit(&mut self) -> &mut Unit {
        &mut self.unit
    }

    fn resistor(&self, id: &str) -> Result<usize, String> {
        let found = self.board.resistors.iter().position(|r| r.id == id);
        found.ok_or_else(|| format!("no resistor {id}"))
    }

    fn switch(&self, id: &str) -> Result<usize, String> {
        let found = self.board.switches.iter().position(|s| s.id == id);
        found.ok_or_else(|| format!("no switch {id}"))
    }

    fn place(&self, jumper: &str, place: &str) -> Result<(usize, Place), String> {
        let index = self.board.jumper(jumper).ok_or_else(|| format!("no jumper {jumper}"))?;
        let place = self.board.jumpers[index].place(place);
        Ok((index, place.ok_or_else(|| format!("{jumper} has no such place"))?))
    }

    /// `open R2`, `value R2 270`, `contact J1 4`, `never-closes K1`, `never-opens K1`.
    fn fault(&self, words: &[&str]) -> Result<Fault, String> {
        Ok(match words {
            ["open", r] => Fault::ResistorOpen { resistor: self.resistor(r)? },
            ["value", r, ohms] => {
                let ohms = ohms.parse().map_err(|_| format!("`{ohms}` is no number of ohms"))?;
                Fault::ResistorValue { resistor: self.resistor(r)?, ohms: Ohms(ohms) }
            }
            ["contact", j, p] => match self.place(j, p)? {
                (jumper, Place::At(position)) => Fault::ContactOpen { jumper, position },
                (_, Place::Open) => return Err("open has no contact".into()),
            },
            ["never-closes", s] => Fault::SwitchStaysOpen { switch: self.switch(s)? },
            ["never-opens", s] => Fault::SwitchStaysClosed { switch: self.switch(s)? },
            _ => return Err(format!("no such defect: {}", words.join(" "))),
        })
    }

    fn load(&self, id: &str) -> Result<usize, String> {
        let found = self.board.loads.iter().position(|l| l.id == id);
        found.ok_or_else(|| format!("no load {id}"))
    }
}

impl World for Assembled {
    fn advance(&mut self, now: Duration) {
        self.unit.set_now(u64::try_from(now.as_micros()).unwrap_or(u64::MAX));
    }

    fn set_mode(&mut self, pin: u8, mode: PinMode) {
        let mode = match mode {
            PinMode::Input => pins::PinMode::Input,
            PinMode::PullUp => pins::PinMode::PullUp,
            PinMode::Low => pins::PinMode::Low,
            PinMode::High => pins::PinMode::High,
        };
        self.unit.set_pin(pin, mode);
    }

    fn convert(&mut self, conversion: Conversion) -> u16 {
        let input = match conversion.input {
            Input::Pin(mux) => pins::Input::Pin(mux),
            Input::Bandgap => pins::Input::Bandgap,
            // Neither is used by the probe; both read as nothing.
            Input::Ground | Input::Temperature | Input::Reserved(_) => pins::Input::Ground,
        };
        self.unit.refer_to(match conversion.reference {
            Reference::Aref => pins::Reference::External,
            Reference::Internal => pins::Reference::Internal,
            // The data sheet reserves the fourth value, and the probe has no use for it.
            Reference::Avcc | Reference::Reserved => pins::Reference::Supply,
        });
        self.unit.sample(input, conversion.prescaler)
    }

    fn read(&mut self, pin: u8) -> bool {
        self.unit.level(pin)
    }
}

impl Hands for Assembled {
    /// `J1=3` and `J1=open` move a shunt; `plant …` puts in a defect, `dead LOAD` takes a load off,
    /// `silent U3` a part off its bus; `glows R30` asks whether a lamp is lit and answers by `ok` or `error: dark`.
    fn command(&mut self, line: &str) -> Result<(), String> {
        let words: Vec<&str> = line.split_whitespace().collect();
        match words.as_slice() {
            ["plant", fault @ ..] => {
                let fault = self.fault(fault)?;
                self.unit.plant(fault);
                Ok(())
            }
            ["dead", load] => {
                let load = self.load(load)?;
                self.unit.change_defects(|d| d.dead_loads.push(load));
                Ok(())
            }
            ["silent", part] => {
                let found = self.board.bus_parts.iter().position(|p| p.id == *part);
                let part = found.ok_or_else(|| format!("no part {part} on a bus"))?;
                self.unit.change_defects(|d| d.silent_parts.push(part));
                Ok(())
            }
            ["glows", resistor] => {
                let resistor = self.resistor(resistor)?;
                match self.unit.lamp_current(resistor).0.abs() > 0.5e-3 {
                    true => Ok(()),
                    false => Err("dark".into()),
                }
            }
            [shunt] => {
                let (jumper, place) = shunt
                    .split_once('=')
                    .ok_or_else(|| format!("`{line}` is no command; write J1=3 to move a shunt"))?;
                let (jumper, place) = self.place(jumper, place)?;
                self.unit.place(jumper, place);
                Ok(())
            }
            _ => Err(format!("`{line}` is no command")),
        }
    }
}
