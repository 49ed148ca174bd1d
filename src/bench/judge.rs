//! Where a code becomes a verdict.
//!
//! Two measurands, two budgets, never mixed. The *option* is what this unit's converter gives in
//! product use: the probe uses the same converter, so the converter's errors are in the reading and
//! only the noise of the mean is in its uncertainty. The *parts* are judged by the bench band, which
//! holds the converter's errors itself. An error stands in the band or in the uncertainty, never in
//! both.

use super::{Burst, Check, Driven, Mode, Rule, Verdict, meter};
use crate::board::chip::Chip;
use crate::board::{Board, Channel, Kind, Level, Reference, Setting};
use crate::circuit::Node;
use crate::window::{self, Band, Expected, Limits, Windows};
use statrs::distribution::{ContinuousCDF, Normal};

/// Deviations of a single reading of the firmware that the margin leaves room for.
const SPREAD: f64 = 3.0;

/// A pin that falls by more than this share of full scale while it shares charge is open.
const WALKED: f64 = 0.02;

/// How many uncertainties from a limit a reading must be, or it is taken twice more.
pub const NEAR: f64 = 3.0;

/// What the probe read of one channel in one setting.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Readings {
    /// Averaged burst, pull-up off.
    pub mean: Option<Burst>,
    /// Burst as the product takes it.
    pub product: Option<Burst>,
    /// Averaged burst with the pull-up on.
    pub pulled: Option<Burst>,
    /// First and last codes under charge sharing.
    pub charge: Option<(f64, f64)>,
    /// Digital reads as the product configures the pin: reads, of them high.
    pub level: Option<(u32, u32)>,
    /// Digital reads with the pull-up on.
    pub level_pulled: Option<(u32, u32)>,
    /// Digital reads after a discharge.
    pub level_discharged: Option<(u32, u32)>,
}

/// Level of confidence of every expanded uncertainty: that of two deviations of a normal law.
const CONFIDENCE: f64 = 0.9545;

/// Independent conversions in a burst.
///
/// Noise on a bench is hum, so the count is reduced by the lag-1 autocorrelation r:
/// n_eff = n (1 - r) / (1 + r) (the AR(1) rule, common practice, no source).
fn independent(burst: &Burst) -> f64 {
    let r = burst.lag1.clamp(0.0, 0.999);
    (f64::from(burst.n) * (1.0 - r) / (1.0 + r)).max(1.0)
}

/// Standard uncertainty of the mean of a burst, in codes. The floor is that of a perfect
/// quantiser, 1/sqrt(12) code.
pub fn standard_uncertainty(burst: &Burst) -> f64 {
    (burst.sd / independent(burst).sqrt()).hypot(1.0 / 12f64.sqrt())
}

/// Coverage factor for so many degrees of freedom at 95.45 %: Student's t, which is 2 for a normal
/// law (JCGM 100:2008, G.3 and Table G.2).
///
/// By the first three terms of the expansion of t in the normal deviate z (Abramowitz and Stegun
/// 26.7.5, from memory), good to 0.01 from five degrees on; fewer count as five, since the
/// library's inverse does not end for some arguments.
pub fn coverage(degrees: f64) -> f64 {
    let z = Normal::standard().inverse_cdf(0.5 + CONFIDENCE / 2.0);
    let n = degrees.max(5.0);
    let (z3, z5) = (z.powi(3), z.powi(5));
    z + (z3 + z) / (4.0 * n) + (5.0 * z5 + 16.0 * z3 + 3.0 * z) / (96.0 * n * n)
}

/// Coverage factor of the mean of a burst: only its scatter has few degrees of freedom, the
/// quantiser's share has many, so they combine by Welch and Satterthwaite (JCGM 100:2008, G.4.1).
pub fn coverage_of(burst: &Burst) -> f64 {
    let n = independent(burst);
    let scatter = burst.sd / n.sqrt();
    if scatter == 0.0 {
        return coverage(1e6);
    }
    let ratio = standard_uncertainty(burst) / scatter;
    coverage(ratio.powi(4) * (n - 1.0).max(1.0))
}

/// Expanded uncertainty of the mean of a burst, in codes.
pub fn expanded_uncertainty(burst: &Burst) -> f64 {
    coverage_of(burst) * standard_uncertainty(burst)
}

/// How far one reading of the firmware may lie from the mean, in codes.
fn spread(board: &Board, burst: &Burst) -> f64 {
    SPREAD * burst.sd / f64::from(board.firmware.conversions.max(1)).sqrt()
}

/// Whether something drives an analog pin.
///
/// A driven pin moves under its pull-up by what the circuit predicts, an open one goes to the rail.
/// At a node near the supply the two look alike; there charge sharing decides: a driven pin stays,
/// an open one walks towards 0.
pub fn driven(board: &Board, expected: &Expected, readings: &Readings) -> Driven {
    let chip = &board.chip;
    let full = f64::from(chip.full_scale);
    if let (Some(band), Some(pulled)) = (expected.pulled, &readings.pulled) {
        let open_from = open_level(board);
        // Something that holds the pin at the supply looks the same, and is no open contact.
        let at_supply = readings.mean.is_some_and(|b| b.mean >= open_from);
        if band.high < open_from && pulled.mean < open_from {
            return Driven::ByPullUp;
        }
        if band.high < open_from && !at_supply {
            return Driven::Open;
        }
    }
    match readings.charge {
        Some((first, last)) if first < WALKED * full * 2.0 && last < WALKED * full * 2.0 => {
            Driven::NotShown
        }
        Some((first, last)) if walked(chip, first, last) => Driven::Open,
        // Above a voltage at AREF an open pin shows nothing of the charge that it loses.
        Some((_, last)) if fixed_at_aref(board) && last > full - 1.0 => Driven::NotShown,
        Some(_) => Driven::ByCharge,
        None => Driven::NotShown,
    }
}

/// Whether nothing can be read against the supply, because AREF has a voltage of its own.
fn fixed_at_aref(board: &Board) -> bool {
    matches!(board.firmware.reference, Reference::External(..))
}

/// Whether a pin that shares its charge has walked towards 0: nothing holds it.
pub fn walked(chip: &Chip, first: f64, last: f64) -> bool {
    first - last > WALKED * f64::from(chip.full_scale)
}

/// Lowest code of an open pin with its pull-up on: the leakage of the pin through the weakest
/// pull-up takes at most 50 kΩ x 1 µA = 50 mV (A18 of the ATmega328P figures), of the board's
/// supply; twice that.
pub fn open_level(board: &Board) -> f64 {
    let chip = &board.chip;
    let lost = chip.leakage.0 * chip.pull_up.1.0 / board.supply.volts.0 * chip.scale;
    f64::from(chip.full_scale) - 2.0 * lost
}

/// Judges what was read of one channel in one setting, as the product reads it.
pub fn channel(
    board: &Board,
    windows: &Windows,
    setting: &Setting,
    channel: usize,
    on: &[String],
    readings: &Readings,
) -> Vec<Check> {
    let expected = window::expect(board, setting, channel);
    against(board, windows, setting, channel, on, readings, &expected)
}

/// The same where it is known what a good unit shows there.
pub(super) fn against(
    board: &Board,
    windows: &Windows,
    setting: &Setting,
    channel: usize,
    on: &[String],
    readings: &Readings,
    expected: &Expected,
) -> Vec<Check> {
    match board.channels[channel].kind {
        Kind::Analog => {
            let judge = Analog { board, windows, setting, channel, on, readings, expected };
            judge.checks()
        }
        Kind::Digital => {
            vec![digital(board, windows, setting, channel, on, readings, expected)]
        }
        // The probe does not see it.
        Kind::Meter { .. } => vec![meter::judge(board, windows, setting, channel, None)],
    }
}

/// Everything that judging one analog channel needs.
struct Analog<'a> {
    board: &'a Board,
    windows: &'a Windows,
    setting: &'a Setting,
    channel: usize,
    on: &'a [String],
    readings: &'a Readings,
    expected: &'a Expected,
}

impl Analog<'_> {
    fn checks(&self) -> Vec<Check> {
        let driven = driven(self.board, self.expected, self.readings);
        let mut checks = vec![self.judge(Mode::Mean, self.readings.mean, driven)];
        if let Some(product) = self.readings.product {
            checks.push(self.judge(Mode::AsProduct, Some(product), driven));
        }
        checks
    }

    fn blank(&self, mode: Mode, burst: Option<Burst>, driven: Driven) -> Check {
        let windows = &self.windows.channels[self.channel];
        let class = windows.class_of_setting(self.setting).map(|c| &windows.classes[c]);
        let shift = match (self.readings.mean, self.readings.pulled) {
            (Some(off), Some(on)) => Some(on.mean - off.mean),
            _ => None,
        };
        Check {
            channel: self.channel,
            mode,
            kind: Kind::Analog,
            pull_up: false,
            on: self.on.to_vec(),
            burst,
            rule: match mode {
                _ if self.no_option() => Rule::GuardedRejection,
                Mode::Mean => Rule::Guarded,
                Mode::AsProduct | Mode::Meter => Rule::Simple,
            },
            typed: None,
            pull_up_shift: shift,
            driven,
            u_code: burst.as_ref().map(expanded_uncertainty),
            k: burst.as_ref().map(coverage_of),
            expected_code: matches!(self.expected.node, Node::Driven { .. })
                .then_some(self.expected.code),
            bench_band: Some(self.expected.bench),
            limits: class.map(|c| c.limits.clone()),
            limit_source: class.map_or(String::new(), |c| c.by.to_string()),
            position: class.map_or(String::new(), |c| c.name.clone()),
            option_expected: class.and_then(|c| c.means.clone()),
            option_read: None,
            margin_code: None,
            margin_pct: None,
            remaining_code: None,
            verdict: Verdict::NotTested,
            reason: String::new(),
        }
    }

    fn judge(&self, mode: Mode, burst: Option<Burst>, driven: Driven) -> Check {
        let mut check = self.blank(mode, burst, driven);
        let Some(burst) = reading_in(burst) else {
            check.burst = None;
            check.u_code = None;
            check.k = None;
            check.reason = "no reading".into();
            return check;
        };
        let windows = &self.windows.channels[self.channel];
        check.option_read =
            windows.class_of_code(burst.mean).and_then(|c| windows.classes[c].means.clone());
        let Some(Limits::Codes { low, high }) = check.limits else {
            check.reason = "this setting stands for no option".into();
            return check;
        };
        let window = Band { low: f64::from(low), high: f64::from(high) };
        if self.no_option() {
            (check.verdict, check.reason) = self.verdict(mode, &burst, driven, window, None);
            return check;
        }
        let (u, wide) = match mode {
            Mode::Mean => (expanded_uncertainty(&burst), spread(self.board, &burst)),
            // The burst is the reading itself: its own ends must lie in the window.
            Mode::AsProduct | Mode::Meter => (0.0, 0.0),
        };
        let ends = self.ends(mode, &burst);
        let margin = Margin::of(self.expected, window, ends, u + wide, &self.board.chip);
        check.margin_code = Some(margin.code);
        check.margin_pct = Some(margin.percent);
        check.remaining_code = Some(margin.remaining);
        (check.verdict, check.reason) =
            self.verdict(mode, &burst, driven, window, Some(margin.code));
        check
    }

    /// Whether no option is read from the channel. Its window is no more than what good units give:
    /// there is no threshold to keep away from, and good units lie up to its very ends.
    fn no_option(&self) -> bool {
        let windows = &self.windows.channels[self.channel];
        let class = windows.class_of_setting(self.setting);
        class.is_some_and(|c| windows.classes[c].rows.is_empty())
    }

    /// The lowest and the highest code that count as the reading.
    fn ends(&self, mode: Mode, burst: &Burst) -> Band {
        match mode {
            Mode::Mean => Band { low: burst.mean, high: burst.mean },
            Mode::AsProduct | Mode::Meter => {
                Band { low: f64::from(burst.min), high: f64::from(burst.max) }
            }
        }
    }

    /// The rule itself, worst first; without a margin where no option is read.
    fn verdict(
        &self,
        mode: Mode,
        burst: &Burst,
        driven: Driven,
        window: Band,
        margin: Option<f64>,
    ) -> (Verdict, String) {
        let full = f64::from(self.board.chip.full_scale);
        if driven == Driven::Open {
            return (Verdict::Fail, "nothing drives the pin: an open contact or part".into());
        }
        if let Some(reason) = self.misread(burst, window, margin) {
            return (Verdict::Fail, reason);
        }
        let at_end = burst.mean < 1.0 || burst.mean > full - 1.0;
        if at_end && !driven.proved() {
            return (
                Verdict::NotTested,
                "end of scale without proof that the pin is driven".into(),
            );
        }
        let could_show = self.board.channels[self.channel].pin.pull_up;
        if driven == Driven::NotShown && (could_show || self.readings.charge.is_none()) {
            return (Verdict::NotTested, "no proof that the pin is driven".into());
        }
        if mode == Mode::Mean
            && let Some(reason) = self.odd_parts(burst)
        {
            return (Verdict::Marginal, reason);
        }
        (Verdict::Pass, String::new())
    }

    /// Why the firmware reads, or might read, another option; of a channel without options, why it
    /// is none of a good unit.
    fn misread(&self, burst: &Burst, window: Band, margin: Option<f64>) -> Option<String> {
        let mean = burst.mean;
        let Some(margin) = margin else {
            let u = expanded_uncertainty(burst);
            let Band { low, high } = window;
            return (mean < low - u || mean > high + u)
                .then(|| format!("{mean:.1} is outside {low} to {high}, where good units lie"));
        };
        // As the option is read: a mean to the nearest whole code.
        if mean.round() < window.low || mean.round() > window.high {
            return Some(format!("{mean:.1} reads as {}", self.reads_as(mean)));
        }
        (margin < 0.0).then(|| format!("{:.1} codes too near the limit", -margin))
    }

    fn reads_as(&self, code: f64) -> String {
        let windows = &self.windows.channels[self.channel];
        match windows.class_of_code(code) {
            Some(c) => {
                let class = &windows.classes[c];
                match &class.means {
                    Some(option) => format!("{option} ({})", class.name),
                    None => class.name.clone(),
                }
            }
            None => "no option".into(),
        }
    }

    /// Whether the parts are those of a good unit: the node, and its source resistance by the
    /// pull-up.
    fn odd_parts(&self, burst: &Burst) -> Option<String> {
        let u = expanded_uncertainty(burst);
        let bench = self.expected.bench;
        if burst.mean < bench.low - u || burst.mean > bench.high + u {
            return Some(format!(
                "{:.1} is outside {:.1} to {:.1}, where good parts lie",
                burst.mean, bench.low, bench.high
            ));
        }
        let (pulled, band) = (self.readings.pulled?, self.expected.pulled?);
        let u = expanded_uncertainty(&pulled);
        (pulled.mean < band.low - u || pulled.mean > band.high + u).then(|| {
            format!(
                "with the pull-up on {:.1} is outside {:.1} to {:.1}: source resistance",
                pulled.mean, band.low, band.high
            )
        })
    }
}

/// Distances from a reading to the thresholds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Margin {
    /// To the nearest threshold, less uncertainty and spread, in codes.
    pub code: f64,
    /// The same as a share of the nominal unit's distance on that side, in percent.
    pub percent: f64,
    /// What drift in use leaves of it, in codes.
    pub remaining: f64,
}

impl Margin {
    /// `ends` is the reading's extent, `guard` what is taken off.
    ///
    /// A window that reaches the end of the scale has no threshold on that side. Drift in use is
    /// what the design band holds beyond the bench band: temperature, ageing, sag.
    pub fn of(expected: &Expected, window: Band, ends: Band, guard: f64, chip: &Chip) -> Margin {
        let full = f64::from(chip.full_scale);
        let mut margin =
            Margin { code: f64::INFINITY, percent: f64::INFINITY, remaining: f64::INFINITY };
        let sides = [
            (window.low > 0.0, ends.low - window.low, expected.code - window.low, {
                (expected.bench.low - expected.design.low).max(0.0)
            }),
            (window.high < full, window.high - ends.high, window.high - expected.code, {
                (expected.design.high - expected.bench.high).max(0.0)
            }),
        ];
        for (has_threshold, distance, nominal, drift) in sides {
            if has_threshold {
                let left = distance - guard;
                margin.code = margin.code.min(left);
                margin.percent = margin.percent.min(100.0 * left / nominal.max(1e-9));
                margin.remaining = margin.remaining.min(left - drift);
            }
        }
        margin
    }
}

/// The burst, if it holds a reading: one of nothing has no mean, and compares with no limit.
fn reading_in(burst: Option<Burst>) -> Option<Burst> {
    burst.filter(|b| b.n > 0 && b.mean.is_finite() && b.sd.is_finite())
}

/// Judges a channel read while its switches rest: the node must be where the open switch leaves it.
pub fn at_rest(board: &Board, setting: &Setting, channel: usize, burst: Option<Burst>) -> Check {
    at_rest_against(board, channel, burst, &window::expect_closed(board, setting, channel, &[]))
}

/// The same where it is known what a good unit shows there.
pub(super) fn at_rest_against(
    board: &Board,
    channel: usize,
    burst: Option<Burst>,
    expected: &Expected,
) -> Check {
    let closes: Vec<&str> =
        board.channels[channel].closes.iter().map(|&s| board.switches[s].id.as_str()).collect();
    let limits = Band { low: expected.design.low.floor(), high: expected.design.high.ceil() };
    let burst = reading_in(burst);
    let (verdict, reason) = match burst {
        None => (Verdict::NotTested, "no reading".to_string()),
        Some(b) => {
            let u = expanded_uncertainty(&b);
            if b.mean < limits.low - u || b.mean > limits.high + u {
                let what =
                    format!("{:.1} with {} off: does it switch off?", b.mean, closes.join(" "));
                (Verdict::Fail, what)
            } else {
                (Verdict::Pass, String::new())
            }
        }
    };
    Check {
        channel,
        mode: Mode::Mean,
        kind: Kind::Analog,
        pull_up: false,
        on: Vec::new(),
        burst,
        rule: Rule::GuardedRejection,
        typed: None,
        pull_up_shift: None,
        driven: Driven::NotShown,
        u_code: burst.as_ref().map(expanded_uncertainty),
        k: burst.as_ref().map(coverage_of),
        expected_code: Some(expected.code),
        bench_band: Some(expected.bench),
        limits: Some(Limits::Codes {
            low: limits.low.clamp(0.0, 65535.0) as u16,
            high: limits.high.clamp(0.0, 65535.0) as u16,
        }),
        limit_source: "design band, switch open".into(),
        position: String::new(),
        option_expected: None,
        option_read: None,
        margin_code: None,
        margin_pct: None,
        remaining_code: None,
        verdict,
        reason,
    }
}

/// The level that digital reads show: none when they disagree among themselves.
pub fn level(reads: (u32, u32)) -> Option<Level> {
    match reads {
        (n, ones) if n > 0 && ones == n => Some(Level::High),
        (n, 0) if n > 0 => Some(Level::Low),
        _ => None,
    }
}

fn digital(
    board: &Board,
    windows: &Windows,
    setting: &Setting,
    channel: usize,
    on: &[String],
    readings: &Readings,
    expected: &Expected,
) -> Check {
    let windows = &windows.channels[channel];
    let class = windows.class_of_setting(setting).map(|c| &windows.classes[c]);
    let read = readings.level.and_then(level);
    let means = |l: Level| windows.class_of_level(l).map(|c| windows.classes[c].name.clone());
    let driven = digital_driven(board, &board.channels[channel], readings, expected);
    // Where the board file asks for a discharge, its answer is needed.
    let no_proof = board.channels[channel].discharge && driven == Driven::NotShown;
    let (verdict, reason) = match (readings.level, read, class.map(|c| &c.limits)) {
        (None, _, _) => (Verdict::NotTested, "no reading".to_string()),
        (_, None, _) => (Verdict::Fail, "reads differ: between the levels".to_string()),
        (_, Some(_), Some(_)) if driven == Driven::Open => {
            (Verdict::Fail, "nothing drives the pin: an open contact or part".to_string())
        }
        (_, Some(Level::High), Some(Limits::Level(Level::High))) if no_proof => {
            (Verdict::NotTested, "no proof that the pin is driven".to_string())
        }
        (_, Some(l), Some(Limits::Level(want))) if l == *want => (Verdict::Pass, String::new()),
        (_, Some(l), Some(Limits::Level(want))) => {
            let name = class.map_or("", |c| c.name.as_str());
            (Verdict::Fail, format!("reads {}; {name} reads {}", word(l), word(*want)))
        }
        (_, Some(l), Some(_)) => (Verdict::Fail, format!("reads {}", word(l))),
        (_, Some(_), None) => (Verdict::NotTested, "this setting stands for no option".to_string()),
    };
    Check {
        channel,
        mode: Mode::AsProduct,
        kind: Kind::Digital,
        pull_up: board.channels[channel].pull_up,
        on: on.to_vec(),
        burst: readings.level.map(as_burst),
        rule: Rule::Simple,
        typed: None,
        pull_up_shift: None,
        driven,
        u_code: None,
        k: None,
        expected_code: match expected.level {
            Some(Level::High) => Some(1.0),
            Some(Level::Low) => Some(0.0),
            None => None,
        },
        bench_band: None,
        limits: class.map(|c| c.limits.clone()),
        limit_source: class.map_or(String::new(), |c| c.by.to_string()),
        position: class.map_or(String::new(), |c| c.name.clone()),
        option_expected: class.map(|c| c.name.clone()),
        option_read: read.and_then(means),
        margin_code: None,
        margin_pct: None,
        remaining_code: None,
        verdict,
        reason,
    }
}

/// Whether something drives a digital pin: a low one stays low against its pull-up, a high one
/// comes back after a discharge.
fn digital_driven(board: &Board, c: &Channel, readings: &Readings, expected: &Expected) -> Driven {
    let read = readings.level.and_then(level);
    let pulled = readings.level_pulled.and_then(level);
    let discharged = readings.level_discharged.map(level);
    match (read, pulled, discharged) {
        (_, Some(Level::Low), _) => Driven::ByPullUp,
        // The product's own pull-up drives the pin.
        (_, Some(Level::High), _) if c.pull_up && expected.level == Some(Level::High) => {
            Driven::ByPullUp
        }
        // A pull-down weaker than the pin's pull-up gives way to it on a good unit as well.
        (Some(Level::Low), Some(Level::High), _) if !expected.gives_way(&board.chip) => {
            Driven::Open
        }
        (Some(Level::High), _, Some(Some(Level::High))) => Driven::ByDischarge,
        (Some(Level::High), _, Some(_)) => Driven::Open,
        _ => Driven::NotShown,
    }
}

fn word(level: Level) -> &'static str {
    match level {
        Level::Low => "low",
        Level::High => "high",
    }
}

/// Digital reads as the summary of a burst of zeros and ones.
fn as_burst((n, ones): (u32, u32)) -> Burst {
    let share = f64::from(ones) / f64::from(n.max(1));
    let variance = share * (1.0 - share) * f64::from(n) / f64::from(n.saturating_sub(1).max(1));
    Burst {
        n,
        mean: share,
        sd: variance.sqrt(),
        lag1: 0.0,
        min: u16::from(ones == n && n > 0),
        max: u16::from(ones > 0),
        q01: u16::from(ones == n && n > 0),
        q99: u16::from(ones > 0),
    }
}

#[cfg(test)]
mod tests {
    use super::coverage;

    #[test]
    fn coverage_factors_are_those_of_the_guide() {
        // JCGM 100:2008, Table G.2, column 95.45 %: 2.28 for 10 degrees of freedom, 2.05 for 50,
        // 2.00 for infinitely many (the first seen recomputed, the others from memory).
        for (degrees, factor) in [(10.0, 2.28), (50.0, 2.05), (1e6, 2.00)] {
            assert!((coverage(degrees) - factor).abs() < 0.005, "{degrees}: {}", coverage(degrees));
        }
    }
}
