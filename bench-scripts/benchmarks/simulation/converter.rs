//! What the converter of a unit makes of a voltage: its errors, noise, hum, what it carries over.

use super::world::{CONVERSION, World};
use statrs::function::erf::erf;
use std::f64::consts::{PI, SQRT_2, TAU};
use std::time::Duration;
use strapwise::bench::{Answer, Burst};

impl World<'_> {
    /// The code of a share of the reference, before noise and truncation.
    pub(super) fn code(&self, now: Duration, ratio: f64) -> f64 {
        let d = &self.drawn;
        let drift = d.drift * (now.as_secs_f64() / 300.0).sin();
        ratio * self.board.chip.scale
            + d.gain * ratio
            + d.offset
            + d.bow * (TAU * ratio).sin()
            + drift
    }

    pub(super) fn burst(&mut self, now: Duration, channel: usize, n: u16, pull_up: bool) -> Burst {
        let (ratio, source) = self.pin(channel, pull_up);
        self.sampled = ratio;
        let code = self.code(now, ratio);
        self.summary(now, code, source, n)
    }

    /// The summary of conversions of a code with noise and hum, truncated and kept in the scale.
    pub(super) fn summary(&mut self, now: Duration, code: f64, source: f64, n: u16) -> Burst {
        let d = &self.drawn;
        let full = f64::from(self.board.chip.full_scale);
        let hum = d.hum[0] + d.hum[1] * (source / 100e3).min(2.0);
        let span = f64::from(n) * CONVERSION;
        // What of the hum a whole number of periods does not take away.
        let turns = PI * d.mains * span;
        let phase = TAU * d.mains * now.as_secs_f64() + turns;
        let left = hum * (turns.sin() / turns) * phase.sin();
        let (noise, waves) = (d.noise * d.noise, hum * hum / 2.0);
        let sd = (noise + waves + 1.0 / 12.0).sqrt();
        let fraction = TAU * code;
        let dither = (-2.0 * PI * PI * (noise + waves / 2.0)).exp() * fraction.sin() / PI;
        let mean = code - 0.5
            + dither
            + left
            + self.gauss.draw(&mut self.rng) * d.noise / f64::from(n).sqrt();
        let (mean, sd) = clipped(mean, sd, full);
        let at = |k: f64| (mean + k * sd).round().clamp(0.0, full) as u16;
        let far = (2.0 * f64::from(n).ln()).sqrt();
        let (low, high) = (at(-far), at(far));
        Burst {
            n: u32::from(n),
            mean: mean.clamp(f64::from(low), f64::from(high)),
            // Codes that are all the same have none.
            sd: sd.min(f64::from(high - low)),
            lag1: waves / (noise + waves + 1.0 / 12.0),
            min: low,
            max: high,
            q01: at(-2.33),
            q99: at(2.33),
        }
    }

    /// Single conversions, as the product takes them.
    pub(super) fn product(&mut self, now: Duration, channel: usize, before: usize) -> Answer {
        let (earlier, _) = self.pin(before, false);
        self.sampled = earlier;
        let (ratio, source) = self.pin(channel, false);
        let code = self.code(now, ratio);
        let n = self.board.firmware.conversions.max(1);
        let full = f64::from(self.board.chip.full_scale);
        let hum = self.drawn.hum[0] + self.drawn.hum[1] * (source / 100e3).min(2.0);
        let turn = TAU * self.drawn.mains;
        let mut carried = self.drawn.carried * (earlier - ratio) * self.board.chip.scale;
        let codes = (0..n).map(|i| {
            let t = now.as_secs_f64() + f64::from(i) * CONVERSION;
            let noise = self.drawn.noise * self.gauss.draw(&mut self.rng);
            let taken = code + carried + hum * (turn * t).sin() + noise;
            carried /= 2.0;
            taken.floor().clamp(0.0, full)
        });
        let codes: Vec<f64> = codes.collect();
        self.sampled = ratio;
        let mean = codes.iter().sum::<f64>() / f64::from(n);
        let squares: f64 = codes.iter().map(|c| (c - mean) * (c - mean)).sum();
        let sd = (squares / f64::from(n.saturating_sub(1).max(1))).sqrt();
        let low = codes.iter().copied().fold(full, f64::min) as u16;
        let high = codes.iter().copied().fold(0.0, f64::max) as u16;
        let (min, max, q01, q99) = (low, high, low, high);
        Answer::Burst(Burst { n: u32::from(n), mean, sd, lag1: 0.0, min, max, q01, q99 })
    }
}

/// Mean and deviation of a normal law whose ends beyond the scale are put on its ends.
fn clipped(mean: f64, sd: f64, full: f64) -> (f64, f64) {
    if mean > 4.0 * sd && mean < full - 4.0 * sd {
        return (mean, sd);
    }
    let over = |edge: f64| {
        // Of what lies above an edge: its mean excess, with the density and the share above.
        let z = (mean - edge) / sd;
        let above = 0.5 * (1.0 + erf(z / SQRT_2));
        (mean - edge) * above + sd * (-z * z / 2.0).exp() / TAU.sqrt()
    };
    let clipped = over(0.0) - over(full);
    let z = (mean / sd).min((full - mean) / sd);
    let inside = 0.5 * (1.0 + erf(z / SQRT_2));
    (clipped.clamp(0.0, full), sd * inside)
}
