//! Reading values: RKM codes (IEC 60062), SI prefixes, ranges, percent and parts per million.

use super::{Quantity, Ratio};
use std::fmt;

/// Text longer than this is no value.
const LONGEST: usize = 40;

/// Which values make sense where the text stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Allow {
    /// Above zero.
    Positive,
    /// Zero or above.
    NonNegative,
    /// Any finite value.
    Any,
}

/// A text that is not the value it should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misread {
    /// What is wrong: `` `5V` is a voltage, not a resistance ``.
    pub what: String,
    /// What to write instead: `` write it like `2k2`, `4.7 kΩ` or `470 ohm` ``.
    pub do_next: String,
}

impl fmt::Display for Misread {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.what, self.do_next)
    }
}

impl std::error::Error for Misread {}

/// Reads one value, for example `read::<Ohms>("4K7", Allow::Positive)`.
///
/// RKM codes take the place of the decimal point (IEC 60062: `R47`, `4K7`, `1M0`, `L` for milli;
/// `k` and `r` also in lower case). SI form: digits, an optional point, an optional prefix
/// `p n u µ m k M G`, an optional unit. No exponents, because `4E7` means 4.7 Ω to some and
/// 40 MΩ to others; no decimal comma; a bare `m` in ohms and hertz needs its unit, because it is
/// meant as mega too often.
///
/// # Errors
/// Says what is wrong with the text and how such a value is written.
pub fn read<Q: Quantity>(text: &str, allow: Allow) -> Result<Q, Misread> {
    let number = parse::<Q>(text)?;
    allowed(text, number.value, allow, Q::EXAMPLES)?;
    Ok(Q::from_si(number.value))
}

/// Reads two ends joined by `..`, for example `15mV..120mV`; the first is not above the second.
///
/// # Errors
/// As [`read`]; also when an end is missing, when the ends are the wrong way round, or when only
/// the second one carries its unit, so that the first might be read a thousand times too large.
pub fn range<Q: Quantity>(text: &str, allow: Allow) -> Result<(Q, Q), Misread> {
    let example = "write the smaller and the larger value with `..` between, \
                   each with its unit, for example `15mV..120mV` or `1R..50R`";
    let Some((low, high)) = text.split_once("..") else {
        return Err(Misread {
            what: format!("{} is not a range", quoted(text)),
            do_next: example.into(),
        });
    };
    let (low_number, high_number) = (parse::<Q>(low)?, parse::<Q>(high)?);
    allowed(low, low_number.value, allow, Q::EXAMPLES)?;
    allowed(high, high_number.value, allow, Q::EXAMPLES)?;
    if !low_number.marked && high_number.marked && low_number.value != 0.0 {
        return Err(Misread {
            what: format!("only the second end of {} carries a unit", quoted(text)),
            do_next: example.into(),
        });
    }
    if low_number.value > high_number.value {
        return Err(Misread {
            what: format!("the first end of {} is the larger one", quoted(text)),
            do_next: "write the smaller value first".into(),
        });
    }
    Ok((Q::from_si(low_number.value), Q::from_si(high_number.value)))
}

/// Reads a range, or one value, which then stands for itself less and plus the share `spread`.
///
/// # Errors
/// As [`range`] and [`read`].
pub fn range_or_single<Q: Quantity>(
    text: &str,
    allow: Allow,
    spread: Ratio,
) -> Result<(Q, Q), Misread> {
    if text.contains("..") {
        return range(text, allow);
    }
    let value = read::<Q>(text, allow)?.si();
    let (a, b) = (value * (1.0 - spread.0), value * (1.0 + spread.0));
    Ok((Q::from_si(a.min(b)), Q::from_si(a.max(b))))
}

impl Ratio {
    /// Reads `1%`, `±5 %` or `250ppm`.
    ///
    /// # Errors
    /// A number without `%` or `ppm` is refused: `0.01` and `1` are both written for 1 %.
    pub fn read(text: &str, allow: Allow) -> Result<Ratio, Misread> {
        const EXAMPLES: &str = "`1%`, `0.5 %` or `250ppm`";
        let wrong = |why: &str| Misread {
            what: format!("{} {why}", quoted(text)),
            do_next: format!("write it like {EXAMPLES}"),
        };
        let body = text.trim();
        let body = body.strip_prefix('±').unwrap_or(body).trim_start();
        let (digits, power) = if let Some(digits) = body.strip_suffix('%') {
            (digits, -2)
        } else if let Some(digits) = body.strip_suffix("ppm") {
            (digits, -6)
        } else {
            return Err(wrong("carries neither % nor ppm"));
        };
        let (negative, digits) = sign(digits.trim_end());
        let value = decimal(digits, power).ok_or_else(|| wrong("is not a percentage"))?;
        let value = if negative { -value } else { value };
        allowed(text, value, allow, EXAMPLES)?;
        Ok(Ratio(value))
    }
}

/// A value, and whether the text gave a prefix, an RKM letter or a unit with it.
struct Number {
    value: f64,
    marked: bool,
}

fn parse<Q: Quantity>(text: &str) -> Result<Number, Misread> {
    let wrong = |why: String| Misread {
        what: format!("{} {why}", quoted(text)),
        do_next: format!("write it like {}", Q::EXAMPLES),
    };
    if text.chars().count() > LONGEST {
        return Err(wrong(format!("is too long for {}", Q::NAME)));
    }
    if text.contains(',') {
        return Err(wrong("has a comma: the decimal sign is a point".into()));
    }
    let (negative, body) = sign(text.trim());
    let split = body.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(body.len());
    let (whole, suffix) = body.split_at(split);
    let suffix = suffix.trim_start();
    let marked = !suffix.is_empty();
    let value = if body.is_empty() {
        None
    } else if let Some((power, rest)) = scale::<Q>(suffix) {
        let fraction = rest.len() - rest.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        let (fraction, unit) = rest.split_at(fraction);
        let unit = unit.trim_start();
        let unnamed = !fraction.is_empty() || unit.is_empty();
        if Q::MEGA_IS_USUAL && suffix.starts_with('m') && unnamed {
            let what = format!("{} has an `m` that may mean milli or mega", quoted(text));
            let do_next = format!("write `m{}` for milli or `M` for mega", Q::SYMBOL);
            return Err(Misread { what, do_next });
        }
        match fraction.is_empty() {
            true if rest.is_empty() || is_unit::<Q>(unit) => decimal(whole, power),
            // The letter stands for the decimal point, so there is none in the digits.
            false if !whole.contains('.') && (unit.is_empty() || is_unit::<Q>(unit)) => {
                decimal(&format!("{whole}.{fraction}"), power)
            }
            _ => None,
        }
    } else {
        None
    };
    let Some(value) = value else {
        return Err(wrong(match other_measure::<Q>(suffix) {
            Some(other) => format!("is {other}, not {}", Q::NAME),
            None => format!("is not {}", Q::NAME),
        }));
    };
    Ok(Number { value: if negative { -value } else { value }, marked })
}

/// Power of ten of the prefix or RKM letter that a suffix starts with, and what follows it.
fn scale<Q: Quantity>(suffix: &str) -> Option<(i32, &str)> {
    if suffix.is_empty() || is_unit::<Q>(suffix) {
        return Some((0, ""));
    }
    let letter = suffix.chars().next()?;
    let rest = &suffix[letter.len_utf8()..];
    let power = match letter {
        'p' => -12,
        'n' => -9,
        'u' | 'µ' | 'μ' => -6,
        'm' => -3,
        'k' | 'K' => 3,
        'M' => 6,
        'G' => 9,
        // IEC 60062: R stands for the ohm's decimal point, L for milli.
        'R' | 'r' if Q::SYMBOL == "Ω" => 0,
        'L' if Q::SYMBOL == "Ω" => -3,
        'V' if Q::SYMBOL == "V" => 0,
        'A' if Q::SYMBOL == "A" => 0,
        'F' if Q::SYMBOL == "F" => 0,
        _ => return None,
    };
    Some((power, rest))
}

fn is_unit<Q: Quantity>(text: &str) -> bool {
    unit_of(text) == Some(Q::SYMBOL)
}

/// The symbol of the unit that a text names.
fn unit_of(text: &str) -> Option<&'static str> {
    match text {
        "V" => Some("V"),
        // Greek capital omega, and the ohm sign of old character sets.
        "Ω" | "\u{2126}" => Some("Ω"),
        "F" => Some("F"),
        "A" => Some("A"),
        _ if text.eq_ignore_ascii_case("ohm") || text.eq_ignore_ascii_case("ohms") => Some("Ω"),
        _ if text.eq_ignore_ascii_case("hz") => Some("Hz"),
        _ => None,
    }
}

/// What a value with this suffix measures, if it is not what was asked for.
fn other_measure<Q: Quantity>(suffix: &str) -> Option<&'static str> {
    let after_prefix = suffix
        .strip_prefix(['p', 'n', 'u', 'µ', 'μ', 'm', 'k', 'K', 'M', 'G'])
        .map(str::trim_start)
        .and_then(unit_of);
    let symbol = unit_of(suffix).or(after_prefix).filter(|&s| s != Q::SYMBOL)?;
    match symbol {
        "V" => Some("a voltage"),
        "Ω" => Some("a resistance"),
        "F" => Some("a capacitance"),
        "A" => Some("a current"),
        _ => Some("a frequency"),
    }
}

/// Takes a leading sign off: whether it was a minus, and the rest.
pub(super) fn sign(text: &str) -> (bool, &str) {
    match text.strip_prefix(['-', '−']) {
        Some(rest) => (true, rest.trim_start()),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    }
}

/// Digits with at most one point, times a power of ten, rounded once.
pub(super) fn decimal(digits: &str, power: i32) -> Option<f64> {
    let proper = digits.bytes().any(|b| b.is_ascii_digit())
        && digits.bytes().all(|b| b.is_ascii_digit() || b == b'.')
        && digits.bytes().filter(|&b| b == b'.').count() <= 1
        && digits.len() <= LONGEST;
    if !proper {
        return None;
    }
    format!("{digits}e{power}").parse().ok().filter(|v: &f64| v.is_finite())
}

fn allowed(text: &str, value: f64, allow: Allow, examples: &str) -> Result<(), Misread> {
    let (fits, need) = match allow {
        Allow::Positive => (value > 0.0, "must be above zero"),
        Allow::NonNegative => (value >= 0.0, "must not be negative"),
        Allow::Any => (true, ""),
    };
    if fits {
        return Ok(());
    }
    Err(Misread {
        what: format!("{} {need}", quoted(text)),
        do_next: format!("write it like {examples}"),
    })
}

/// The text in backticks, shortened and without control characters, for messages.
pub(super) fn quoted(text: &str) -> String {
    let clean: String =
        text.chars().take(LONGEST).map(|c| if c.is_control() { '·' } else { c }).collect();
    let dots = if text.chars().count() > LONGEST { "…" } else { "" };
    format!("`{clean}{dots}`")
}
