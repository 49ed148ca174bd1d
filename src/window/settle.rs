//! What is left of the last input when the converter takes its sample.
//!
//! A source charges the sample-and-hold through its own resistance and the chip's while the two are
//! joined, and the sample-and-hold brings along what it held: the pin is a source behind `Rs` with
//! `Cp` at it, joined to `Ch` through `Rc` for some clocks of every conversion. Both nodes decay by
//! a pair of linear equations, which are solved as they are (Kirchhoff); nothing is simulated.

use super::spread::contact_max;
use crate::board::chip::Chip;
use crate::board::{Board, Channel, Firmware, Kind, Setting};
use crate::circuit::{Circuit, Contact, Node, Parts};
use crate::units::{Farads, Hertz, Ohms};

/// Codes that a sample may be off before it is worth a change: half a count.
pub const ENOUGH: f64 = 0.5;

/// How well a channel settles in one setting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settling {
    /// Largest source resistance of a good unit.
    pub source: Ohms,
    /// Capacitance at the pin, without the pin's own.
    pub capacitor: Farads,
    /// Share that is left of a step of the input.
    pub left: f64,
}

impl Settling {
    /// Codes that are left of a step over the whole scale.
    pub fn codes(&self, chip: &Chip) -> f64 {
        self.left * chip.scale
    }
}

/// A state or a step of both nodes: row and column 0 are the sample-and-hold, 1 the pin.
type Step = [[f64; 2]; 2];

fn product(a: Step, b: Step) -> Step {
    let at = |i: usize, j: usize| a[i][0] * b[0][j] + a[i][1] * b[1][j];
    [[at(0, 0), at(0, 1)], [at(1, 0), at(1, 1)]]
}

fn power(step: Step, times: u32) -> Step {
    let (mut result, mut square, mut left) = ([[1.0, 0.0], [0.0, 1.0]], step, times);
    while left > 0 {
        if left & 1 == 1 {
            result = product(square, result);
        }
        square = product(square, square);
        left >>= 1;
    }
    result
}

/// Both nodes joined for `seconds`: `exp(M t)` with `M = [[-a, a], [b, -b - c]]`.
fn joined(chip: &Chip, source: f64, farads: f64, seconds: f64) -> Step {
    let sampling = &chip.sampling;
    let ohms = sampling.ohms.0.max(1.0);
    let (a, b, c) =
        (1.0 / (ohms * sampling.hold.0), 1.0 / (ohms * farads), 1.0 / (source * farads));
    let half = (a + b + c) / 2.0;
    // The slow one by its product with the fast one: their difference would lose its digits.
    let fast = -(half + (half * half - a * c).max(0.0).sqrt());
    let slow = a * c / fast;
    let (f, s) = ((fast * seconds).exp(), (slow * seconds).exp());
    // exp(M t) = (s (M - fast) - f (M - slow)) / (slow - fast), after Sylvester.
    let at = |m: f64, one: f64| (s * (m - fast * one) - f * (m - slow * one)) / (slow - fast);
    [[at(-a, 1.0), at(a, 0.0)], [at(b, 0.0), at(-b - c, 1.0)]]
}

/// What a pin ends up with that keeps the share `kept` of it and gets `brought` each time. At most
/// the step itself, also where a capacitor is too large for the digits.
fn gathered(brought: f64, kept: f64) -> f64 {
    let lost = 1.0 - kept;
    if lost > 0.0 { (brought / lost).min(1.0) } else { 1.0 }
}

/// Share of a step of the input that is left in the first conversion that counts.
///
/// The step is the one from the channel read before. Where the sample-and-hold keeps its voltage
/// from one conversion to the next, those thrown away settle it and the pin has the time of as many
/// conversions of another channel to recover; where nothing says so, every conversion is taken to
/// bring the step anew. A capacitor too large to recover in time adds up what it is left with.
pub fn left(chip: &Chip, firmware: &Firmware, source: Ohms, capacitor: Farads) -> f64 {
    let (source, farads) = (source.0.max(1e-3), capacitor.0 + chip.sampling.pin.0);
    let clock = firmware.adc_clock.0;
    let (sample, conversion) = (chip.sampling.clocks / clock, chip.sampling.conversion / clock);
    let recovered = |seconds: f64| (-seconds / (source * farads)).exp();
    let joined = joined(chip, source, farads, sample);
    let apart = [[1.0, 0.0], [0.0, recovered((conversion - sample).max(0.0))]];
    let whole = product(apart, joined);
    if !chip.sampling.keeps {
        // The pin after many conversions: p = w10 + w11 p.
        let pin = gathered(whole[1][0], whole[1][1]);
        return joined[0][0] + joined[0][1] * pin;
    }
    let discard = u32::from(firmware.discard);
    let reading = discard + u32::from(firmware.conversions);
    let visit = power(whole, reading);
    let meanwhile = recovered(f64::from(reading) * conversion);
    let pin = gathered(meanwhile * visit[1][0], meanwhile * visit[1][1]);
    let first = product(joined, power(whole, discard));
    first[0][0] + first[0][1] * pin
}

/// How well an analog channel settles in a setting, from the largest source resistance that its
/// resistors' tolerance leaves; `None` for digital channels and floating nets.
pub fn settling(board: &Board, setting: &Setting, channel: &Channel) -> Option<Settling> {
    if channel.kind == Kind::Digital {
        return None;
    }
    // The resistance between a net and the rails grows with every part of it (Rayleigh).
    let mut parts = Parts::nominal(board);
    for (ohms, r) in parts.resistors.iter_mut().zip(&board.resistors) {
        ohms.0 *= 1.0 + r.tolerance.0;
    }
    parts.contacts.iter_mut().flatten().for_each(|ohms| *ohms = contact_max(board));
    for (contact, s) in parts.switches.iter_mut().zip(&board.switches) {
        *contact = Contact { on: s.on.1, ..*contact };
    }
    let node = Circuit::solve(board, &parts, setting, &channel.closes).node(channel.net);
    let Node::Driven { source, .. } = node else { return None };
    let capacitor = board.capacitance(channel.net);
    let left = left(&board.chip, &board.firmware, source, capacitor);
    Some(Settling { source, capacitor, left })
}

/// What would settle a channel to half a count, each by itself, as far as it would.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Remedies {
    /// Largest source resistance with the capacitor that there is.
    pub source: Option<Ohms>,
    /// Fastest clock of the converter.
    pub clock: Option<Hertz>,
    /// Smallest capacitor at the pin, of 1, 2.2 and 4.7 in each decade.
    pub capacitor: Option<Farads>,
    /// Conversions to throw away.
    pub discard: Option<u16>,
}

/// Looks for what would settle a channel.
pub fn remedies(chip: &Chip, firmware: &Firmware, now: &Settling) -> Remedies {
    let good = |left: f64| left * chip.scale <= ENOUGH;
    let with_source = |ohms: f64| good(left(chip, firmware, Ohms(ohms), now.capacitor));
    let with_clock = |hertz: f64| {
        let slower = Firmware { adc_clock: Hertz(hertz), ..firmware.clone() };
        good(left(chip, &slower, now.source, now.capacitor))
    };
    let with_capacitor = |farads: f64| good(left(chip, firmware, now.source, Farads(farads)));
    let with_discard = |discard: u16| {
        let more = Firmware { discard, ..firmware.clone() };
        good(left(chip, &more, now.source, now.capacitor))
    };
    let values = (-10..=-6).flat_map(|e| [1.0, 2.2, 4.7].map(|m| m * 10f64.powi(e)));
    Remedies {
        source: largest(1.0, now.source.0, with_source).map(Ohms),
        clock: largest(chip.clock.least.0, firmware.adc_clock.0, with_clock).map(Hertz),
        capacitor: values.filter(|c| *c > now.capacitor.0).find(|&c| with_capacitor(c)).map(Farads),
        discard: (firmware.discard.saturating_add(1)..=8).find(|&n| with_discard(n)),
    }
}

/// The largest value between two for which something holds that holds at the lower of them, to two
/// digits, rounded down.
fn largest(low: f64, high: f64, holds: impl Fn(f64) -> bool) -> Option<f64> {
    if !holds(low) {
        return None;
    }
    let (mut below, mut above) = (low, high);
    for _ in 0..40 {
        let middle = (below * above).sqrt();
        if holds(middle) { below = middle } else { above = middle }
    }
    let step = 10f64.powi(below.log10().floor() as i32 - 1);
    Some((below / step).floor() * step)
}
