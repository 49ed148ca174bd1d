//! Printing: four significant digits at most, an SI prefix, a space, the unit.
//!
//! A precision in the format string sets the number of significant digits: `{:.3}`.

use super::{Amperes, Code, Farads, Hertz, Ohms, Quantity, Ratio, Volts};
use std::fmt;

/// Prefixes from the smallest, three decades apart (SI brochure, table 7).
const PREFIXES: [(&str, i32); 8] =
    [("p", -12), ("n", -9), ("µ", -6), ("m", -3), ("", 0), ("k", 3), ("M", 6), ("G", 9)];

/// The significant digits of everything printed, unless the caller says otherwise.
const DIGITS: usize = 4;

/// A finite value rounded to so many significant digits, without trailing zeros.
fn rounded(value: f64, digits: usize) -> String {
    let shape = format!("{:.*e}", digits.max(1) - 1, value);
    let exponent: i32 = shape.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
    let decimals = (digits as i32 - 1 - exponent).max(0) as usize;
    // Rounded in the shape with an exponent first, so that digits before the point round as well.
    let value: f64 = shape.parse().unwrap_or(value);
    let text = format!("{value:.decimals$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_string(),
        false => text,
    }
}

/// A value with the prefix that leaves one to three digits before the point.
fn with_prefix(value: f64, symbol: &str, digits: usize) -> String {
    if value.is_nan() {
        return "no value".into();
    }
    if value.is_infinite() {
        let sign = if value < 0.0 { "-" } else { "" };
        return format!("{sign}∞ {symbol}");
    }
    if value == 0.0 {
        return format!("0 {symbol}");
    }
    // The exponent after rounding decides: 999.97 mV is 1 V.
    let shape = format!("{:.*e}", digits.max(1) - 1, value);
    let exponent: i32 = shape.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
    let step = exponent.div_euclid(3).clamp(-4, 3);
    let (prefix, power) = PREFIXES[(step + 4) as usize];
    format!("{} {prefix}{symbol}", rounded(value / 10f64.powi(power), digits))
}

fn show<Q: Quantity>(value: Q, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    pad(f, &with_prefix(value.si(), Q::SYMBOL, f.precision().unwrap_or(DIGITS)))
}

/// Honours width and alignment; the precision has been used up as significant digits.
fn pad(f: &mut fmt::Formatter<'_>, text: &str) -> fmt::Result {
    let missing = f.width().unwrap_or(0).saturating_sub(text.chars().count());
    let before = match f.align() {
        Some(fmt::Alignment::Right) => missing,
        Some(fmt::Alignment::Center) => missing / 2,
        Some(fmt::Alignment::Left) | None => 0,
    };
    write!(f, "{:before$}{text}{:after$}", "", "", after = missing - before)
}

macro_rules! display {
    ($($name:ident),*) => {
        $(impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                show(*self, f)
            }
        })*
    };
}

display!(Volts, Ohms, Farads, Amperes, Hertz);

/// Percent, or parts per million below 0.1 %: `1 %`, `250 ppm`.
impl fmt::Display for Ratio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = f.precision().unwrap_or(DIGITS);
        let size = self.0.abs();
        let text = if self.0.is_nan() {
            "no value".into()
        } else if size.is_infinite() {
            format!("{}∞ %", if self.0 < 0.0 { "-" } else { "" })
        } else if size == 0.0 {
            "0 %".into()
        } else if size < 0.999_95e-3 {
            format!("{} ppm", rounded(self.0 * 1e6, digits))
        } else {
            format!("{} %", rounded(self.0 * 100.0, digits))
        };
        pad(f, &text)
    }
}

/// Counts with one decimal at most: `512`, `869.3`. The precision sets the decimals.
impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_nan() {
            return pad(f, "no value");
        }
        let decimals = f.precision().unwrap_or(1);
        let text = format!("{:.decimals$}", self.0);
        let text = match f.precision() {
            None => text.strip_suffix(".0").unwrap_or(&text).to_string(),
            Some(_) => text,
        };
        pad(f, if text == "-0" { "0" } else { &text })
    }
}

/// A resistance as on a circuit diagram, exactly (IEC 60062): `4K7` in the small letter of the
/// prefix, `4k7`, `47k`, `2R2`, `R47`, `1M0`; what has no such form in whole digits is written out
/// in ohms, `0.0005 ohm`.
pub fn rkm(ohms: Ohms) -> String {
    let plain = format!("{}", ohms.0);
    if !(0.001..1e9).contains(&ohms.0) || plain.len() > 12 {
        return format!("{plain} ohm");
    }
    let (letter, places) = match ohms.0 {
        v if v >= 1e6 => ('M', 6),
        v if v >= 1e3 => ('k', 3),
        _ => ('R', 0),
    };
    let (whole, fraction) = plain.split_once('.').unwrap_or((&plain, ""));
    let split = whole.len().saturating_sub(places);
    let (head, tail) = whole.split_at(split);
    let tail = format!("{tail}{fraction}");
    let tail = tail.trim_end_matches('0');
    let head = if head == "0" { "" } else { head };
    match (head, tail, letter) {
        // A lone megohm is written with its nought, so that no digit can be lost beside the M.
        (head, "", 'M') if head.len() == 1 => format!("{head}M0"),
        (head, tail, letter) => format!("{head}{letter}{tail}"),
    }
}
