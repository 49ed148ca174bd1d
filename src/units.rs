//! Volts, ohms, codes and tolerances: plain types, read and printed the way the trade writes them.
//!
//! Nothing here knows of boards or probes. Values are read in RKM form (IEC 60062: `2k2`, `4R7`,
//! `100n`) and in SI form with an optional unit (`2.2k`, `4.7 Ω`, `80mV`), and printed in SI form.

use std::fmt;

macro_rules! quantity {
    ($(#[$meta:meta])* $name:ident) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Default)]
        pub struct $name(pub f64);
    };
}

quantity!(
    /// Electric potential in volts.
    Volts
);
quantity!(
    /// Resistance in ohms; `f64::INFINITY` is an open circuit.
    Ohms
);
quantity!(
    /// Capacitance in farads.
    Farads
);
quantity!(
    /// Electric current in amperes.
    Amperes
);
quantity!(
    /// Frequency in hertz.
    Hertz
);
quantity!(
    /// A plain ratio: a tolerance of 1 % is `Ratio(0.01)`.
    Ratio
);
quantity!(
    /// A position on the converter's scale, in raw counts; means of counts have a fraction.
    Code
);
