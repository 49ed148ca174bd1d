//! The charge at one pin: what drives it, how fast it follows, and what a conversion takes from it.

/// Capacitance of a pin with its trace and header, in farads: with the 14 pF of the
/// sample-and-hold an open pin loses half its voltage in each pair of charge sharing (design,
/// section 6).
pub(super) const STRAY: f64 = 15e-12;

/// An open pin leaks this much, so that it keeps its charge for milliseconds to seconds
/// (pitfalls 46), in ohms to ground.
const LEAK: f64 = 1e9;

/// What pulls at a pin: a voltage behind a resistance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pull {
    pub volts: f64,
    pub ohms: f64,
}

impl Pull {
    /// Nothing but leakage.
    pub const OPEN: Pull = Pull { volts: 0.0, ohms: LEAK };

    /// A rail, or a pin that drives.
    pub fn rail(volts: f64) -> Pull {
        Pull { volts, ohms: 0.0 }
    }

    /// The same with a resistor to `rail` added.
    pub fn with(self, rail: f64, ohms: f64) -> Pull {
        let share = self.ohms / (self.ohms + ohms);
        Pull { volts: self.volts + (rail - self.volts) * share, ohms: ohms * share }
    }
}

/// A pin with its capacitance.
#[derive(Clone, Debug)]
pub(super) struct Charge {
    /// Voltage of the pin at `at`.
    volts: f64,
    /// Time to which it is known, in nanoseconds.
    at: u64,
    /// Capacitance at the pin in farads.
    farads: f64,
    /// What pulls at it.
    pub pull: Pull,
}

impl Charge {
    pub fn new(farads: f64) -> Charge {
        Charge { volts: 0.0, at: 0, farads, pull: Pull::OPEN }
    }

    /// Voltage at a time, in nanoseconds.
    pub fn volts(&mut self, now: u64) -> f64 {
        let seconds = now.saturating_sub(self.at) as f64 * 1e-9;
        self.at = self.at.max(now);
        self.volts = approach(self.volts, self.pull, seconds, self.farads);
        self.volts
    }

    /// Joins the sample-and-hold, which holds `held` volts, to the pin at `now` for `ns`
    /// nanoseconds, and returns what it holds afterwards.
    pub fn sample(&mut self, now: u64, held: f64, hold: f64, ns: u64) -> f64 {
        let before = self.volts(now);
        let both = self.farads + hold;
        let shared = (before * self.farads + held * hold) / both;
        self.volts = approach(shared, self.pull, ns as f64 * 1e-9, both);
        self.at = self.at.max(now + ns);
        self.volts
    }
}

/// Exponential approach of a capacitor to what pulls at it.
fn approach(volts: f64, pull: Pull, seconds: f64, farads: f64) -> f64 {
    let constants = seconds / (pull.ohms * farads);
    // Past forty time constants nothing is left of the difference; a rail gives infinity, and a
    // rail in no time not-a-number.
    if constants >= 40.0 || pull.ohms == 0.0 {
        return pull.volts;
    }
    pull.volts + (volts - pull.volts) * (-constants).exp()
}
