//! Temperatures and what a kelvin does: ranges as board files write them.

use super::read::{Misread, decimal, quoted, sign};
use super::{Allow, Celsius, Ratio};

/// Nothing is colder, in degrees Celsius.
const COLDEST: f64 = -273.15;
/// Nothing on a board is hotter, in degrees Celsius: solder melts long before (common practice,
/// no source).
const HOTTEST: f64 = 1000.0;
/// A part that changes by more than 1 % per kelvin is no resistor with a temperature coefficient.
const STEEPEST: f64 = 0.01;

impl Celsius {
    /// Reads a range of temperatures: `-10..60`, each end with `°C` or without.
    ///
    /// # Errors
    /// Says what is wrong with the text and how a range of temperatures is written.
    pub fn range(text: &str) -> Result<(Celsius, Celsius), Misread> {
        let wrong = |why: &str| Misread {
            what: format!("{} {why}", quoted(text)),
            do_next: "write the lowest and the highest in degrees Celsius, like `-10..60`".into(),
        };
        let (low, high) = text.split_once("..").ok_or_else(|| wrong("is not a range"))?;
        let one = |text: &str| {
            let text = text.trim().trim_end_matches("°C").trim_end();
            let (negative, digits) = sign(text);
            let value = decimal(digits, 0).map(|v| if negative { -v } else { v });
            value.ok_or_else(|| wrong("is not a range of temperatures"))
        };
        let (low, high) = (one(low)?, one(high)?);
        if low > high {
            return Err(wrong("has its higher end first"));
        }
        if low < COLDEST || high > HOTTEST {
            return Err(wrong("is no range of temperatures that a board can have"));
        }
        Ok((Celsius(low), Celsius(high)))
    }
}

/// Reads a temperature coefficient in parts per million for each kelvin: `100ppm/K` is anything
/// from -100 to 100, `-50ppm/K..150ppm/K` is a range of its own. `/K` and `/°C` may be left out.
///
/// # Errors
/// Says what is wrong with the text and how a coefficient is written.
pub fn tempco(text: &str) -> Result<(Ratio, Ratio), Misread> {
    let wrong = |why: &str| Misread {
        what: format!("{} {why}", quoted(text)),
        do_next: "write it like `100ppm/K`, or as a range like `-50ppm/K..150ppm/K`".into(),
    };
    let one = |text: &str, allow: Allow| {
        let text = text.trim();
        let body = ["/K", "/°C"].iter().find_map(|per| text.strip_suffix(per)).unwrap_or(text);
        Ratio::read(body, allow).map_err(|_| wrong("is no temperature coefficient"))
    };
    let (low, high) = match text.split_once("..") {
        Some((low, high)) => (one(low, Allow::Any)?, one(high, Allow::Any)?),
        None => {
            let size = one(text, Allow::NonNegative)?;
            (Ratio(-size.0), size)
        }
    };
    if low.0 > high.0 {
        return Err(wrong("has its higher end first"));
    }
    if low.0 < -STEEPEST || high.0 > STEEPEST {
        return Err(wrong("is more than 1 % per kelvin"));
    }
    Ok((low, high))
}
