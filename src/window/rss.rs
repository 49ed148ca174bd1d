//! The root sum of squares beside the worst case: how far a channel's code is from nominal on
//! most boards, after the GUM, with the slopes from the solver.

use super::Band;
use super::between::{Between, Part};
use super::gum::{self, Combined, Inputs, rectangular};
use super::reading::{Input, Reading};
use super::spread::{self, Makeup};
use crate::board::{Board, Kind, Setting};
use crate::circuit::{self, Cause, Model};
use crate::units::Ohms;

/// Level of confidence of the band.
pub const CONFIDENCE: f64 = 0.95;

/// How wrong an assumed limit may be: a quarter of itself, so that it has eight degrees of
/// freedom (GUM G.4.2). Assumed, no source.
const DOUBT: f64 = 0.25;

/// Degrees of freedom of a limit.
fn degrees(assumed: bool) -> f64 {
    gum::degrees(if assumed { DOUBT } else { 0.0 })
}

/// The code of a channel in a setting by the root sum of squares; ohms at a channel that a meter
/// reads.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rss {
    /// Code expected on the average, half a count under nominal for the truncation of the
    /// converter.
    pub code: f64,
    /// Combined standard uncertainty in codes, first and second order.
    pub u: f64,
    /// Effective degrees of freedom: few when the band rests on assumptions.
    pub degrees: f64,
    /// The code with its expanded uncertainty at [`CONFIDENCE`].
    pub band: Band,
}

/// The root sum of squares of a channel in a setting with its switches closed; `None` when the
/// net floats.
///
/// Every limit counts as rectangular: tolerance, drift over the temperature and ageing of each
/// resistor by itself, what an array or the temperature shares as a correlation, contacts,
/// switches, pull-up, leakage, supply, further sources, reference, converter, truncation, and what
/// is left of the channel read before. Beyond its usable range the converter is taken as within.
///
/// What a meter reads is in ohms: resistors and contacts that the resistance goes through, and the
/// meter's own accuracy. `None` where nothing joins its tips, and where the resistance depends on
/// what joins the rails besides the parts of the file.
pub fn rss(board: &Board, setting: &Setting, index: usize) -> Option<Rss> {
    let channel = board.channels.get(index)?;
    if let Kind::Meter { .. } = channel.kind {
        return metered(board, setting, index);
    }
    let mut spread = spread::design_spread(board, channel.pull_up);
    spread.also_pulled = spread::also_pulled(board, channel);
    let model = Model::new(board, setting, &channel.closes, channel.net, &spread)?;
    let mut inputs = circuit_inputs(board, &model);
    let sources = circuit::of_sources(board, setting, &channel.closes, channel.net, &spread);
    for _ in &sources {
        inputs.push(0.0, rectangular(1.0), f64::INFINITY);
    }
    let pin = Pin { model, sources };
    let Some(reading) = Reading::new(board, setting, channel) else {
        let scale = board.chip.scale;
        let combined = inputs.combine(|values| {
            let (ratio, slopes) = pin.at(values);
            (ratio * scale, slopes.into_iter().map(|s| s * scale).collect())
        });
        return Some(of(&combined, |code| code));
    };
    let (ratio, _) = pin.at(&inputs.values);
    let circuit = inputs.values.len();
    converter_inputs(&mut inputs, &reading, ratio * board.chip.scale);
    let combined = inputs.combine(|values| read(&pin, &reading, circuit, values));
    let full = f64::from(board.chip.full_scale);
    Some(of(&combined, |code| code.clamp(0.0, full)))
}

/// The same for a channel that a meter reads.
fn metered(board: &Board, setting: &Setting, channel: usize) -> Option<Rss> {
    let most = spread::contact_max(board);
    let between = Between::new(board, setting, channel, Ohms(most.0 / 2.0))?;
    let kelvin = spread::kelvin_in_use(board);
    let made: Vec<Makeup> = board.resistors.iter().map(|r| Makeup::of(board, r)).collect();
    let mut inputs = Inputs::default();
    let mut resistors = Vec::new();
    for part in between.parts() {
        match part {
            Part::Resistor(i) => resistors.push((resistor_input(&mut inputs, &made[i], kelvin), i)),
            Part::Contact => {
                let doubt = degrees(board.in_use.contact.is_none());
                inputs.push(most.0 / 2.0, rectangular(most.0 / 2.0), doubt);
            }
        }
    }
    correlate(&mut inputs, &resistors, &made, kelvin);
    let parts = inputs.values.len();
    let off = between.meter.error(Ohms(between.nominal)).0;
    inputs.push(0.0, rectangular(off), f64::INFINITY);
    let combined = inputs.combine(|values| {
        let (ohms, mut slopes) = between.at(&values[..parts]);
        slopes.push(1.0);
        (ohms + values[parts], slopes)
    });
    Some(of(&combined, |ohms| ohms.max(0.0)))
}

fn of(combined: &Combined, within: impl Fn(f64) -> f64) -> Rss {
    let expanded = combined.expanded(CONFIDENCE);
    let (low, high) = (within(combined.value - expanded), within(combined.value + expanded));
    let (code, u) = (within(combined.value), combined.standard());
    Rss { code, u, degrees: combined.degrees, band: Band { low, high } }
}

/// The ratio at a pin as a function of what the circuit's parts and sources are.
struct Pin {
    model: Model,
    /// What the upper end of each uncertain source adds to the ratio.
    sources: Vec<(usize, f64)>,
}

impl Pin {
    fn supply(&self, values: &[f64]) -> (usize, f64) {
        let at = self.model.varying().iter().position(|v| v.cause == Cause::Supply).unwrap_or(0);
        (at, values.get(at).copied().unwrap_or(1.0))
    }

    fn at(&self, values: &[f64]) -> (f64, Vec<f64>) {
        let count = self.model.varying().len();
        let (ratio, mut slopes) = self.model.at(&values[..count]);
        let moved = values[count..].iter().zip(&self.sources).map(|(x, (_, by))| x * by);
        slopes.extend(self.sources.iter().map(|(_, by)| by));
        (ratio + moved.sum::<f64>(), slopes)
    }
}

/// What the converter contributes: reference, channel before, then errors that simply add up.
fn converter_inputs(inputs: &mut Inputs, reading: &Reading, code: f64) {
    let mut within = |low: f64, high: f64, assumed: bool| {
        inputs.push((low + high) / 2.0, rectangular((high - low) / 2.0), degrees(assumed));
    };
    let (low, high, assumed) = reading.reference.unwrap_or((1.0, 1.0, false));
    within(low, high, assumed);
    within(0.0, 1.0, false);
    let (offset, gain) = (reading.offset, reading.gain);
    within(-offset.counts, offset.counts, offset.assumed);
    let at = gain.counts * reading.gain_at(code);
    within(-at, at, gain.assumed);
    for half in &reading.each {
        within(-half.counts, half.counts, half.assumed);
    }
    // Truncation takes anything from no count to a whole one.
    within(-1.0, 0.0, false);
}

/// The code and its slopes, `circuit` values first.
fn read(pin: &Pin, reading: &Reading, circuit: usize, values: &[f64]) -> (f64, Vec<f64>) {
    let (ratio, mut slopes) = pin.at(&values[..circuit]);
    let (at, supply) = pin.supply(values);
    let input = Input { ratio, supply, reference: values[circuit], before: values[circuit + 1] };
    let (code, [by_ratio, by_supply, by_reference, by_before]) = reading.slopes(&input);
    slopes.iter_mut().for_each(|s| *s *= by_ratio);
    slopes[at] += by_supply;
    slopes.extend([by_reference, by_before]);
    slopes.resize(values.len(), 1.0);
    (code + values[circuit + 2..].iter().sum::<f64>(), slopes)
}

/// What the circuit's parts contribute, in the order of the model.
fn circuit_inputs(board: &Board, model: &Model) -> Inputs {
    let kelvin = spread::kelvin_in_use(board);
    let made: Vec<Makeup> = board.resistors.iter().map(|r| Makeup::of(board, r)).collect();
    let mut inputs = Inputs::default();
    let mut resistors = Vec::new();
    for varying in model.varying() {
        let (middle, half) =
            ((varying.low + varying.high) / 2.0, (varying.high - varying.low) / 2.0);
        let at = match varying.cause {
            Cause::Resistor(i) => {
                resistors.push((resistor_input(&mut inputs, &made[i], kelvin), i));
                continue;
            }
            Cause::Contact { .. } => degrees(board.in_use.contact.is_none()),
            _ => f64::INFINITY,
        };
        inputs.push(middle, rectangular(half), at);
    }
    correlate(&mut inputs, &resistors, &made, kelvin);
    inputs
}

/// Adds a resistor in ohms; returns its place.
fn resistor_input(inputs: &mut Inputs, made: &Makeup, kelvin: (f64, f64)) -> usize {
    let (u, degrees) = resistor_u(made, kelvin);
    let mean = 1.0 + made.drift * (kelvin.0 + kelvin.1) / 2.0;
    inputs.push(made.ohms * mean, made.ohms * u, degrees)
}

/// What resistors share, each given by its place among the inputs and its number.
fn correlate(
    inputs: &mut Inputs,
    resistors: &[(usize, usize)],
    made: &[Makeup],
    kelvin: (f64, f64),
) {
    for (place, &(a, i)) in resistors.iter().enumerate() {
        for &(b, j) in &resistors[place + 1..] {
            let shared = shared(&made[i], &made[j], kelvin) * made[i].ohms * made[j].ohms;
            if shared != 0.0 {
                inputs.correlation.push((a, b, shared / (inputs.u[a] * inputs.u[b])));
            }
        }
    }
}

/// Relative standard uncertainty of a resistor with its degrees of freedom.
fn resistor_u(made: &Makeup, kelvin: (f64, f64)) -> (f64, f64) {
    let farthest = spread::farthest(kelvin);
    let parts = [
        (made.tolerance.own, false),
        (made.tolerance.common, false),
        (made.loose.own * farthest, made.assumed.0),
        (made.loose.common * farthest, made.assumed.0),
        (made.drift * (kelvin.1 - kelvin.0) / 2.0, false),
        (made.ageing, made.assumed.1),
    ];
    let mut inputs = Inputs::default();
    for (half, assumed) in parts {
        inputs.push(0.0, rectangular(half.abs()), degrees(assumed));
    }
    let combined = inputs.combine(|values| (values.iter().sum(), vec![1.0; values.len()]));
    (combined.first, combined.degrees)
}

/// Relative covariance of two resistors: what their array and the temperature do to both.
fn shared(a: &Makeup, b: &Makeup, kelvin: (f64, f64)) -> f64 {
    let heat = rectangular((kelvin.1 - kelvin.0) / 2.0);
    let mut covariance = a.drift * b.drift * heat * heat;
    if a.array.is_some() && a.array == b.array {
        let farthest = spread::farthest(kelvin);
        let square = |x: f64, y: f64| rectangular(x) * rectangular(y);
        covariance += square(a.tolerance.common, b.tolerance.common);
        covariance += square(a.loose.common * farthest, b.loose.common * farthest);
    }
    covariance
}
