//! One analog channel: its option by its window, its parts by the bench band.

use super::{Readings, coverage_of, driven, expanded_uncertainty, reading_in};
use crate::bench::{Burst, Check, Driven, Mode, Rule, Verdict};
use crate::board::chip::Chip;
use crate::board::{Board, Kind, Reference, Setting};
use crate::circuit::Node;
use crate::window::{Band, Expected, Limits, Windows};

/// Deviations of a single reading of the firmware that the margin leaves room for.
const SPREAD: f64 = 3.0;

/// How far one reading of the firmware may lie from the mean, in codes.
fn spread(board: &Board, burst: &Burst) -> f64 {
    SPREAD * burst.sd / f64::from(board.firmware.conversions.max(1)).sqrt()
}

/// Everything that judging one analog channel needs.
pub(super) struct Analog<'a> {
    pub(super) board: &'a Board,
    pub(super) windows: &'a Windows,
    pub(super) setting: &'a Setting,
    pub(super) channel: usize,
    pub(super) on: &'a [String],
    pub(super) readings: &'a Readings,
    pub(super) expected: &'a Expected,
}

impl Analog<'_> {
    pub(super) fn checks(&self) -> Vec<Check> {
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
                .then(|| self.expected.code.min(f64::from(self.board.chip.full_scale))),
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

    /// The share of the supply that the loads which are on may take, where it is not the supply that
    /// the reading is against: there a node falls with it, beyond what the bench band holds.
    fn sag(&self) -> f64 {
        if self.board.firmware.reference == Reference::Supply {
            return 0.0;
        }
        let on = self.board.loads.iter().filter(|load| self.on.contains(&load.id));
        on.map(|load| load.sag.1.0).sum::<f64>() / self.board.supply.volts.0
    }

    /// Whether the parts are those of a good unit: the node, and its source resistance by the
    /// pull-up.
    fn odd_parts(&self, burst: &Burst) -> Option<String> {
        let u = expanded_uncertainty(burst);
        let sagged = |band: Band| Band { low: band.low * (1.0 - self.sag()), ..band };
        let bench = sagged(self.expected.bench);
        if burst.mean < bench.low - u || burst.mean > bench.high + u {
            return Some(format!(
                "{:.1} is outside {:.1} to {:.1}, where good parts lie",
                burst.mean, bench.low, bench.high
            ));
        }
        let (pulled, band) = (self.readings.pulled?, sagged(self.expected.pulled?));
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
        // A node beyond the end of the scale reads the last code.
        let nominal = expected.code.clamp(0.0, full);
        let mut margin =
            Margin { code: f64::INFINITY, percent: f64::INFINITY, remaining: f64::INFINITY };
        let sides = [
            (window.low > 0.0, ends.low - window.low, nominal - window.low, {
                (expected.bench.low - expected.design.low).max(0.0)
            }),
            (window.high < full, window.high - ends.high, window.high - nominal, {
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
