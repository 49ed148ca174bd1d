//! What the board file says of temperature, time and parts that belong together.
//!
//! A figure that is not given is `None` here; what stands in for it is an assumption of the
//! windows, which lists it as one.

use crate::units::{Celsius, Ohms, Ratio};

/// Which figures the board file itself calls assumed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Assumed {
    /// The temperature coefficient.
    pub tempco: bool,
    /// The ageing.
    pub ageing: bool,
}

/// The conditions that the board is used and tested in.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct InUse {
    /// Lowest and highest temperature in use.
    pub temperature: Option<(Celsius, Celsius)>,
    /// Lowest and highest temperature on the bench.
    pub bench: Option<(Celsius, Celsius)>,
    /// Temperature coefficient of resistors that have none of their own, per kelvin.
    pub tempco: Option<(Ratio, Ratio)>,
    /// Ageing of resistors that have none of their own.
    pub ageing: Option<Ratio>,
    /// Largest resistance of a seated contact.
    pub contact: Option<Ohms>,
    /// Which of these are no more than assumed.
    pub assumed: Assumed,
}

/// How a resistor leaves the value it was made with.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Drift {
    /// Smallest and largest relative change per kelvin; two opposite numbers when only the size
    /// is known.
    pub tempco: Option<(Ratio, Ratio)>,
    /// Relative change over its life, either way.
    pub ageing: Option<Ratio>,
    /// The array it belongs to: index in [`super::Board::arrays`].
    pub array: Option<usize>,
    /// Which of these are no more than assumed.
    pub assumed: Assumed,
}

/// Tempco in ppm/K and ageing in percent that are usual up to a tolerance in percent: thin film,
/// then thick film. From memory of data sheets of chip resistors (common practice, no source);
/// the last row holds for every wider tolerance.
const USUAL: [(f64, f64, f64); 4] =
    [(0.1, 25.0, 0.1), (0.5, 50.0, 0.25), (2.0, 100.0, 0.5), (f64::INFINITY, 200.0, 1.0)];

/// What is usual for resistors of a tolerance, marked as assumed: a stand-in until the data sheet
/// of the reel is read.
pub fn usual(tolerance: Ratio) -> Drift {
    let percent = 100.0 * tolerance.0;
    // A hair wider, for shares that a binary fraction puts just above the round figure.
    let row = USUAL.iter().find(|row| percent <= row.0 * (1.0 + 1e-9)).unwrap_or(&USUAL[3]);
    let tempco = Ratio(row.1 / 1e6);
    Drift {
        tempco: Some((Ratio(-tempco.0), tempco)),
        ageing: Some(Ratio(row.2 / 100.0)),
        array: None,
        assumed: Assumed { tempco: true, ageing: true },
    }
}

/// Resistors on one substrate: they may all be off together, but little from each other.
#[derive(Clone, Debug, PartialEq)]
pub struct Array {
    /// Designator, for example `RN1`.
    pub id: String,
    /// Largest relative difference between two of its resistors, each over its nominal value, as
    /// made. The resistors' own tolerance is what they may all be off together.
    pub ratio: Ratio,
    /// Largest difference between the temperature coefficients of two of its resistors, per
    /// kelvin.
    pub tracking: Option<Ratio>,
}
