//! What one assembled unit really is: its values drawn within tolerance, and its converter.

use crate::board::Board;
use crate::circuit::{Contact, Parts};
use crate::units::{Ohms, Volts};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

/// Values of the parts of one unit, each within its tolerance.
///
/// Resistors scatter round their nominal value with a third of the tolerance as deviation, cut at
/// the tolerance: a maker sorts out what lies beyond. The supply of a bench lies within a third of
/// what the board allows; a seated contact has 10 to 30 mΩ (common practice, no source).
pub(super) fn draw_parts(board: &Board, rng: &mut ChaCha8Rng) -> Parts {
    let mut parts = Parts::nominal(board);
    let tolerance = board.supply.tolerance.0;
    parts.supply = Volts(board.supply.volts.0 * (1.0 + tolerance / 3.0 * span(rng)));
    for (value, resistor) in parts.resistors.iter_mut().zip(&board.resistors) {
        let tolerance = resistor.tolerance.0;
        let off = (gauss(rng) * tolerance / 3.0).clamp(-tolerance, tolerance);
        *value = Ohms(resistor.ohms.0 * (1.0 + off));
    }
    for contact in parts.contacts.iter_mut().flatten() {
        *contact = Ohms(0.01 + 0.02 * rng.random::<f64>());
    }
    for (contact, switch) in parts.switches.iter_mut().zip(&board.switches) {
        *contact = Contact {
            on: Ohms(between_log(rng, switch.on.0.0, switch.on.1.0)),
            drop: Volts(between(rng, switch.drop.0.0, switch.drop.1.0)),
            stuck: None,
        };
    }
    parts
}

/// Uniform between -1 and 1.
pub(super) fn span(rng: &mut ChaCha8Rng) -> f64 {
    2.0 * rng.random::<f64>() - 1.0
}

/// Uniform between two values.
pub(super) fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

/// Uniform in the logarithm, for values that span decades; plain where the lower one is 0.
fn between_log(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    if low > 0.0 { low * (high / low).powf(rng.random::<f64>()) } else { between(rng, low, high) }
}

/// Normal deviate (Box and Muller, Annals of Mathematical Statistics 29, 1958, p. 610).
fn gauss(rng: &mut ChaCha8Rng) -> f64 {
    let radius = (-2.0 * (1.0 - rng.random::<f64>()).ln()).sqrt();
    radius * (TAU * rng.random::<f64>()).cos()
}

/// The converter of one unit: its errors, its noise and the hum that it picks up, all in codes.
#[derive(Clone, Debug)]
pub struct Converter {
    /// Offset.
    pub offset: f64,
    /// Gain error at full scale.
    pub gain: f64,
    /// Largest deviation from the straight line.
    pub inl: f64,
    /// Standard deviation of the noise of one conversion.
    pub noise: f64,
    /// Peak of the mains hum.
    pub hum: f64,
    /// Mains frequency in hertz.
    pub mains: f64,
    phase: f64,
    scale: f64,
    full_scale: u16,
    rng: ChaCha8Rng,
    spare: Option<f64>,
}

impl Converter {
    /// A converter well inside the typical figures of its data sheet.
    pub(super) fn draw(board: &Board, mut rng: ChaCha8Rng) -> Converter {
        let chip = &board.chip;
        Converter {
            offset: 0.4 * chip.offset.lsb * span(&mut rng),
            gain: 0.4 * chip.gain.lsb * span(&mut rng),
            inl: 0.6 * chip.inl.lsb * span(&mut rng),
            noise: between(&mut rng, 0.4, 0.8),
            hum: 0.3,
            mains: 50.0,
            phase: TAU * rng.random::<f64>(),
            scale: chip.scale,
            full_scale: chip.full_scale,
            rng,
            spare: None,
        }
    }

    /// The code of a voltage, given as its ratio to the reference, at a time in seconds.
    pub(super) fn code(&mut self, ratio: f64, seconds: f64) -> u16 {
        let bow = self.inl * (TAU * ratio).sin();
        let hum = self.hum * (TAU * self.mains * seconds + self.phase).sin();
        let ideal = ratio * self.scale;
        let code = ideal + self.gain * ratio + self.offset + bow + hum + self.noise * self.gauss();
        // The clamp keeps the value within what fits.
        code.floor().clamp(0.0, f64::from(self.full_scale)) as u16
    }

    /// One of a pair of normal deviates; the other is kept for the next call.
    fn gauss(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * (1.0 - self.rng.random::<f64>()).ln()).sqrt();
        let (sin, cos) = (TAU * self.rng.random::<f64>()).sin_cos();
        self.spare = Some(radius * sin);
        radius * cos
    }
}
