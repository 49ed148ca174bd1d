//! What the board file says of temperature, time and parts that belong together.
//!
//! A figure that is not given is `None` here; what stands in for it is an assumption of the
//! windows, which lists it as one.

use crate::units::{Celsius, Ohms, Ratio};

/// The conditions that the board is used and tested in.
#[derive(Clone, Debug, Default, PartialEq)]
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
