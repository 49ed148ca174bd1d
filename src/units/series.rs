//! Preferred values of resistors: the E series of IEC 60063:2015.

use super::Ohms;

/// The coarse series, first values of a decade (IEC 60063:2015, table 1).
const E24: [u16; 24] = [
    10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
];

/// A series of preferred values; the number says how many there are in a decade.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Series {
    /// Three values.
    E3,
    /// Six values.
    E6,
    /// Twelve values.
    E12,
    /// Twenty-four values.
    E24,
    /// Forty-eight values.
    E48,
    /// Ninety-six values.
    E96,
    /// A hundred and ninety-two values.
    E192,
}

impl Series {
    /// Every series, the coarsest first.
    pub const ALL: [Series; 7] =
        [Series::E3, Series::E6, Series::E12, Series::E24, Series::E48, Series::E96, Series::E192];

    /// Its name in the standard.
    pub fn name(self) -> &'static str {
        match self {
            Series::E3 => "E3",
            Series::E6 => "E6",
            Series::E12 => "E12",
            Series::E24 => "E24",
            Series::E48 => "E48",
            Series::E96 => "E96",
            Series::E192 => "E192",
        }
    }

    /// The series of this name, in either case.
    pub fn named(name: &str) -> Option<Series> {
        Series::ALL.into_iter().find(|s| s.name().eq_ignore_ascii_case(name.trim()))
    }

    fn in_a_decade(self) -> usize {
        match self {
            Series::E3 => 3,
            Series::E6 => 6,
            Series::E12 => 12,
            Series::E24 => 24,
            Series::E48 => 48,
            Series::E96 => 96,
            Series::E192 => 192,
        }
    }

    /// The values of one decade: two digits up to E24, three from E48 on.
    ///
    /// `10^(i/n)`, rounded, holds for E48 and E96; in E192 one value is not what it gives, 920
    /// for 919. E24 has eight such values and is a table; E3, E6 and E12 are every eighth, fourth
    /// and second of it (IEC 60063:2015, by way of the PyPI package `eseries` 1.2.1).
    pub fn decade(self) -> Vec<u16> {
        let n = self.in_a_decade();
        if n <= E24.len() {
            return E24.iter().copied().step_by(E24.len() / n).collect();
        }
        let rule = |i: usize| (100.0 * 10f64.powf(i as f64 / n as f64)).round() as u16;
        (0..n).map(rule).map(|v| if v == 919 { 920 } else { v }).collect()
    }

    /// All values from `low` to `high`, both included, smallest first. Empty when there are none
    /// or an end is no positive number.
    pub fn between(self, low: Ohms, high: Ohms) -> Vec<Ohms> {
        if !(low.0 > 0.0 && high.0.is_finite() && low.0 <= high.0) {
            return Vec::new();
        }
        let digits = if self.in_a_decade() <= E24.len() { 1 } else { 2 };
        let decades = low.0.log10().floor() as i32..=high.0.log10().floor() as i32;
        decades
            .flat_map(|d| self.decade().into_iter().map(move |v| exact(v, d - digits)))
            .filter(|v| low.0 <= *v && *v <= high.0)
            .map(Ohms)
            .collect()
    }

    /// The value with the smallest difference to a positive resistance, the smaller of two.
    pub fn nearest(self, ohms: Ohms) -> Option<Ohms> {
        let around = self.between(Ohms(ohms.0 / 10.0), Ohms(ohms.0 * 10.0));
        around.into_iter().min_by(|a, b| (a.0 - ohms.0).abs().total_cmp(&(b.0 - ohms.0).abs()))
    }
}

/// `value * 10^power`, as close as a float gets: the text of a value reads back as the same.
fn exact(value: u16, power: i32) -> f64 {
    format!("{value}e{power}").parse().unwrap_or(f64::NAN)
}
