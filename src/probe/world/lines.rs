//! The lines of the I2C buses between the chip and the parts on them.

use super::*;

/// An I2C bus with its pins, by number.
#[derive(Debug)]
pub(super) struct Bus {
    sda: u8,
    scl: u8,
    /// Whether the board holds it high.
    pulled_up: bool,
    parts: Responder,
}

impl Bus {
    /// The buses of a board, nobody on them yet.
    pub fn of(board: &Board) -> Vec<Bus> {
        let mut buses: Vec<Bus> = Vec::new();
        for part in &board.bus_parts {
            let (sda, scl, pulled_up) = (part.sda.number, part.scl.number, !part.pull_ups);
            if !buses.iter().any(|bus| bus.sda == sda) {
                buses.push(Bus { sda, scl, pulled_up, parts: Responder::new(&[]) });
            }
        }
        buses
    }
}

impl World {
    /// Tells the parts on the buses what the chip makes of their lines, and who of them has its
    /// supply.
    pub(super) fn tell_buses(&mut self) {
        let mut buses = std::mem::take(&mut self.buses);
        for bus in &mut buses {
            let there = self.board.clone();
            let there = there.bus_parts.iter().enumerate().filter(|(i, part)| {
                part.sda.number == bus.sda
                    && !self.defects.silent_parts.contains(i)
                    && self.feeds(part.supply)
            });
            bus.parts.answer_to(there.map(|(_, part)| part.address).collect());
            let high = |pin: u8| match self.pin_index(pin).map(|i| self.pins[i].mode) {
                Some(PinMode::Low) | None => false,
                Some(PinMode::Input) => bus.pulled_up,
                Some(PinMode::PullUp | PinMode::High) => true,
            };
            let (sda, scl) = (high(bus.sda), high(bus.scl));
            bus.parts.lines(sda, scl);
        }
        self.buses = buses;
    }

    /// Whether a net has what a part works at: most of the supply.
    fn feeds(&mut self, net: NetId) -> bool {
        let (rail, vcc) = (self.board.supply.net, self.vcc);
        match self.solved().circuit.node(net) {
            _ if net == rail => true,
            Node::Driven { volts, .. } => volts.0 > 0.8 * vcc,
            Node::Floating => false,
        }
    }

    /// The level of a pin that is a line of a bus.
    pub(super) fn bus_level(&self, number: u8) -> Option<bool> {
        let bus = self.buses.iter().find(|bus| bus.sda == number || bus.scl == number)?;
        let mode = self.pin_index(number).map(|i| self.pins[i].mode);
        let high = match mode {
            Some(PinMode::Input) => bus.pulled_up,
            mode => mode != Some(PinMode::Low),
        };
        Some(high && !(bus.sda == number && bus.parts.pulls()))
    }
}
