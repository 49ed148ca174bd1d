//! Volts, ohms, codes and tolerances: plain types, read and printed the way the trade writes them.
//!
//! Nothing here knows of boards or probes. Values are read in RKM form (IEC 60062: `2k2`, `4R7`,
//! `100n`) and in SI form with an optional unit (`2.2k`, `4.7 Ω`, `80mV`), and printed in SI form.

mod print;
mod read;
mod series;
mod temperature;

pub use print::rkm;
pub use read::{Allow, Misread, range, range_or_single, read};
pub use series::Series;
pub use temperature::tempco;

/// A measure that can be read from text and printed: what [`read`] needs to know of a type.
pub trait Quantity: Copy {
    /// What it is called in messages, with its article: `a resistance`.
    const NAME: &'static str;
    /// Symbol printed after the prefix, for example `Ω`.
    const SYMBOL: &'static str;
    /// Two or three ways to write it, for messages.
    const EXAMPLES: &'static str;
    /// Whether a bare `m` could be meant as mega, so that milli needs its unit.
    const MEGA_IS_USUAL: bool;

    /// From the plain SI value.
    fn from_si(value: f64) -> Self;

    /// The plain SI value.
    fn si(self) -> f64;
}

macro_rules! quantity {
    ($(#[$meta:meta])* $name:ident) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Default)]
        pub struct $name(pub f64);
    };
    (
        $(#[$meta:meta])*
        $name:ident, $called:literal, $symbol:literal, $examples:literal, $mega:literal
    ) => {
        quantity!($(#[$meta])* $name);

        impl Quantity for $name {
            const NAME: &'static str = $called;
            const SYMBOL: &'static str = $symbol;
            const EXAMPLES: &'static str = $examples;
            const MEGA_IS_USUAL: bool = $mega;

            fn from_si(value: f64) -> Self {
                $name(value)
            }

            fn si(self) -> f64 {
                self.0
            }
        }
    };
}

quantity!(
    /// Electric potential in volts.
    Volts,
    "a voltage",
    "V",
    "`5V`, `3V3` or `80mV`",
    false
);
quantity!(
    /// Resistance in ohms; `f64::INFINITY` is an open circuit.
    Ohms,
    "a resistance",
    "Ω",
    "`2k2`, `4.7 kΩ` or `470 ohm`",
    true
);
quantity!(
    /// Capacitance in farads.
    Farads,
    "a capacitance",
    "F",
    "`100n`, `4n7` or `10 uF`",
    false
);
quantity!(
    /// Electric current in amperes.
    Amperes,
    "a current",
    "A",
    "`1uA`, `20mA` or `1.5 A`",
    false
);
quantity!(
    /// Frequency in hertz.
    Hertz,
    "a frequency",
    "Hz",
    "`125kHz`, `16 MHz` or `50Hz`",
    true
);
quantity!(
    /// A plain ratio: a tolerance of 1 % is `Ratio(0.01)`.
    Ratio
);
quantity!(
    /// A position on the converter's scale, in raw counts; means of counts have a fraction.
    Code
);
quantity!(
    /// A temperature in degrees Celsius.
    Celsius
);
