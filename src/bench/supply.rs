//! The voltage of the supply itself: by the internal reference as the data sheet has it, by a
//! meter, or by the reference as a meter once calibrated it.
//!
//! The converter reads the reference against the supply: supply = reference * scale / code. Of the
//! chip alone the reference is known to some percent (1.0 to 1.2 V on the ATmega328P), so that only
//! a supply far off shows. A meter's reading taken at the same time says what the reference is.

use super::{Burst, Rule, Verdict};
use crate::board::Board;
use crate::units::{self, Allow, Volts};
use crate::window::{adc, converter_error};

/// What a person read on a meter at the supply, and typed.
#[derive(Clone, Debug, PartialEq)]
pub struct Metered {
    /// The text as typed.
    pub text: String,
    /// What it means.
    pub volts: Volts,
}

/// What a meter said of a chip's internal reference.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// The reference.
    pub reference: Volts,
    /// Day of the measurement.
    pub on: String,
    /// The number that the unit's chip had last; empty where it had none.
    pub identity: String,
    /// Whether that number was taken away again at the end.
    pub put_back: bool,
}

impl Calibration {
    /// Whether it cannot be of the chip that comes with this number, or with none.
    pub fn is_of_another(&self, came_with: &str) -> bool {
        match came_with.is_empty() {
            true => !self.put_back,
            false => !self.identity.is_empty() && self.identity != came_with,
        }
    }
}

/// What is known of a unit's supply before its run.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Known {
    /// What a meter shows now.
    pub metered: Option<Metered>,
    /// What an earlier attempt found of the chip's reference.
    pub calibration: Option<Calibration>,
}

/// What the voltage is taken from.
#[derive(Clone, Debug, PartialEq)]
pub enum By {
    /// The reference as the data sheet has it.
    DataSheet,
    /// The reference as a meter calibrated it.
    Calibration(Calibration),
    /// A meter, now.
    Meter(Metered),
    /// A meter that was asked for and could not be read.
    NoMeter,
}

/// The supply without load, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct VoltsCheck {
    /// The internal reference read against the supply; none on a chip whose probe cannot.
    pub burst: Option<Burst>,
    /// What the voltage is taken from.
    pub by: By,
    /// The supply; none when it was not measured.
    pub volts: Option<Volts>,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, when it is not a pass.
    pub reason: String,
}

impl VoltsCheck {
    /// The internal reference, where a meter has told it: what it is by the meter's reading and the
    /// burst of the same moment, or as it was calibrated before.
    pub fn reference(&self, board: &Board) -> Option<Volts> {
        match &self.by {
            By::Calibration(calibration) => Some(calibration.reference),
            By::Meter(metered) if self.verdict != Verdict::NotTested => {
                self.burst.map(|b| reference(board, metered.volts, b.mean))
            }
            By::Meter(_) | By::DataSheet | By::NoMeter => None,
        }
    }

    /// The decision rule: a typed or calibrated voltage is compared as it is.
    pub fn rule(&self) -> Rule {
        match self.by {
            By::DataSheet => Rule::GuardedRejection,
            By::Calibration(_) => Rule::Simple,
            By::Meter(_) | By::NoMeter => Rule::TypedIn,
        }
    }
}

/// The reference that a supply and the code read at the same time stand for.
pub fn reference(board: &Board, supply: Volts, code: f64) -> Volts {
    Volts(supply.0 * code / board.chip.scale)
}

/// The range that the board file allows the supply.
pub fn limits(board: &Board) -> (Volts, Volts) {
    let (volts, off) = (board.supply.volts.0, board.supply.tolerance.0);
    (Volts(volts * (1.0 - off)), Volts(volts * (1.0 + off)))
}

/// How far the reference of the data sheet may be off, as a share of its typical voltage.
pub fn share_off(board: &Board) -> f64 {
    let internal = board.chip.internal.first();
    internal.map_or(0.0, |i| (i.high.0 - i.low.0) / (2.0 * i.typical.0))
}

/// Reads what was typed of the supply: `5.02V`, `5.02`; none for `skip`.
///
/// # Errors
/// Says what is wrong with it and how a voltage is written.
pub fn read(text: &str) -> Result<Option<Metered>, String> {
    let text = text.trim();
    match text.to_lowercase().as_str() {
        "" => Err("nothing was typed: type what the meter shows".into()),
        "skip" => Ok(None),
        // A small v is nothing else.
        _ => match units::read::<Volts>(&text.replace('v', "V"), Allow::Positive) {
            Ok(volts) => Ok(Some(Metered { text: text.to_string(), volts })),
            Err(misread) => Err(misread.to_string()),
        },
    }
}

/// What is wrong with something typed, where it may also be left out.
pub(super) fn or_skip(why: &str) -> String {
    format!("{why}; skip leaves it out")
}

/// Judges the supply. It fails when it is off by more than the board file allows: a meter's or a
/// calibrated voltage as it is, that of the data sheet's reference only when no good reference, read
/// with the largest error of the converter, leaves it inside.
pub fn judge(board: &Board, burst: Option<Burst>, by: By) -> VoltsCheck {
    let code = burst.map(|b| b.mean).filter(|code| *code > 0.0);
    let volts = match &by {
        By::Meter(metered) => Some(metered.volts),
        By::Calibration(c) => code.and_then(|code| adc::supply_of(code, c.reference, &board.chip)),
        By::DataSheet => code.and_then(|code| super::sag::supply_volts(&board.chip, code)),
        By::NoMeter => None,
    };
    let (verdict, reason) = match volts {
        None => (Verdict::NotTested, not_measured(board, &by)),
        Some(volts) => verdict(board, code, &by, volts),
    };
    VoltsCheck { burst: burst.filter(|_| code.is_some()), by, volts, verdict, reason }
}

fn not_measured(board: &Board, by: &By) -> String {
    match by {
        By::NoMeter => {
            let [net, ground] =
                [board.supply.net, board.supply.ground].map(|net| board.net_name(net));
            format!("measure {net} to {ground} with a meter, the power on")
        }
        _ => "no reading of the supply".into(),
    }
}

fn verdict(board: &Board, code: Option<f64>, by: &By, volts: Volts) -> (Verdict, String) {
    if let (By::Meter(_), Some(code)) = (by, code)
        && let Some(why) = contradiction(board, volts, code)
    {
        return (Verdict::NotTested, why);
    }
    let (low, high) = limits(board);
    let (least, most) = match (by, code) {
        (By::DataSheet, Some(code)) => data_sheet_range(board, code),
        _ => (volts, volts),
    };
    if most.0 >= low.0 && least.0 <= high.0 {
        return (Verdict::Pass, String::new());
    }
    let what = match by {
        By::DataSheet => format!("between {least} and {most} by the chip's own reference"),
        By::Calibration(c) => format!("{volts} by the reference as calibrated on {}", c.on),
        By::Meter(_) | By::NoMeter => format!("{volts} by meter"),
    };
    (Verdict::Fail, format!("{what}, outside {low} to {high}: look at what feeds the unit"))
}

/// Why a meter's reading and the code of the same moment cannot both be right.
fn contradiction(board: &Board, volts: Volts, code: f64) -> Option<String> {
    let internal = board.chip.internal.first()?;
    let error = adc_error(board, code);
    let least = reference(board, volts, code - error);
    let most = reference(board, volts, code + error);
    let fits = most.0 >= internal.low.0 && least.0 <= internal.high.0;
    let is = reference(board, volts, code);
    (!fits).then(|| {
        format!(
            "{volts} by meter cannot be: the chip's reference would be {is}, and is {} to {}",
            internal.low, internal.high
        )
    })
}

/// The supplies that a code may stand for on a good chip.
fn data_sheet_range(board: &Board, code: f64) -> (Volts, Volts) {
    let Some(internal) = board.chip.internal.first() else { return (Volts(0.0), Volts(f64::MAX)) };
    let error = adc_error(board, code);
    let of = |reference: Volts, code: f64| adc::supply_of(code, reference, &board.chip);
    let least = of(internal.low, code + error).unwrap_or(Volts(0.0));
    let most = of(internal.high, code - error).unwrap_or(Volts(f64::MAX));
    (least, most)
}

/// Largest error of a code, the half count of truncation with it: the mean of many lies half a count
/// low.
fn adc_error(board: &Board, code: f64) -> f64 {
    converter_error(code, &board.chip) + 0.5
}
