//! Conversions: the sample-and-hold, and what full scale is.

use super::*;

/// Time constant of the internal reference behind the multiplexer, in seconds: settled to half a
/// code in a millisecond (350 µs to 2 ms in the field, pitfalls 23).
const REFERENCE_SETTLES: f64 = 150e-6;

/// Resistance of the AREF pin itself, in ohms (8271H table 28-16, from memory).
const AREF_OHMS: f64 = 32e3;

impl World {
    /// One conversion that begins now: the sample-and-hold is joined to the input for 1.5 clocks
    /// of the converter (8271H section 24.4). Takes no time of its own.
    pub fn sample(&mut self, input: Input, prescaler: u8) -> u16 {
        if !self.powered {
            return 0;
        }
        let before = self.selected.filter(|(selected, _)| *selected == input);
        self.selected = Some((input, self.now_ns));
        self.held = match input {
            Input::Ground => 0.0,
            Input::Bandgap => {
                let since = before.map_or(self.now_ns, |(_, at)| at);
                let seconds = (self.now_ns - since) as f64 * 1e-9;
                let left = (-seconds / REFERENCE_SETTLES).exp();
                self.bandgap + (self.held - self.bandgap) * left
            }
            Input::Pin(mux) => match self.mux_index(mux) {
                Some(index) => {
                    let ns = self.aperture_ns(prescaler);
                    let (held, hold) = (self.held, self.board.chip.sampling.hold.0);
                    self.pins[index].charge.sample(self.now_ns, held, hold, ns)
                }
                None => self.held,
            },
        };
        let reference = self.reference_volts();
        self.converter.code(self.held / reference, self.now_ns as f64 * 1e-9)
    }

    /// For how long the sample-and-hold is joined to the pin, in nanoseconds.
    fn aperture_ns(&self, prescaler: u8) -> u64 {
        match self.model {
            // 1.5 clocks of 16 MHz divided by the prescaler.
            Model::Atmega328p | Model::Atmega2560 => u64::from(prescaler) * 1500 / 16,
            // The sketch paces conversions by the prescaler and leaves the converter's clock.
            Model::Samd21 | Model::Rp2040 => {
                let chip = &self.board.chip;
                (chip.sampling.clocks / chip.clock.usual.0 * 1e9) as u64
            }
        }
    }

    /// Says what the conversions from now on are made against.
    pub fn refer_to(&mut self, reference: Reference) {
        self.reference = reference;
    }

    /// The voltage of full scale at a conversion that begins now. A voltage wired to AREF wins
    /// over the internal reference; a pin left free keeps what the last reference had put there.
    fn reference_volts(&mut self) -> f64 {
        self.aref_shorted |= match self.board.supply.aref {
            Aref::Capacitor => false,
            Aref::Supply => self.reference == Reference::Internal,
            Aref::External(..) => self.reference != Reference::External,
        };
        let pull = match (self.board.supply.aref, self.reference) {
            (Aref::Supply, _) | (_, Reference::Supply) => Pull::rail(self.vcc),
            (Aref::External(_, volts, _), _) => Pull::rail(volts.0),
            (Aref::Capacitor, Reference::Internal) => Pull { volts: self.bandgap, ohms: AREF_OHMS },
            (Aref::Capacitor, Reference::External) => Pull { ohms: 1e12, ..Pull::OPEN },
        };
        self.aref.volts(self.now_ns);
        self.aref.pull = pull;
        self.aref.volts(self.now_ns).max(f64::MIN_POSITIVE)
    }

    /// Whether any conversion so far has joined the supply or the internal reference to a voltage
    /// that the board has at AREF, as a good probe never does.
    pub fn aref_shorted(&self) -> bool {
        self.aref_shorted
    }

    /// Whether the converter has been used since the chip started.
    pub(super) fn converting(&self) -> bool {
        self.selected.is_some()
    }
}
