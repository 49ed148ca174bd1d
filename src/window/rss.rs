//! The root sum of squares beside the worst case: how far a channel's code is from nominal on
//! most boards, after the GUM, with the slopes from the solver.

use super::Band;
use super::gum::{self, Inputs, rectangular};
use super::spread::{self, Makeup};
use crate::board::chip::{Figure, Provenance};
use crate::board::{Board, Kind, Setting};
use crate::circuit::{Cause, Model};

/// Level of confidence of the band.
pub const CONFIDENCE: f64 = 0.95;

/// How wrong an assumed limit may be: a quarter of itself, so that it has eight degrees of
/// freedom (GUM G.4.2). Assumed, no source.
const DOUBT: f64 = 0.25;

/// Degrees of freedom of a limit.
fn degrees(assumed: bool) -> f64 {
    gum::degrees(if assumed { DOUBT } else { 0.0 })
}

/// The code of a channel in a setting by the root sum of squares.
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

/// What the converter adds, in counts: half-widths at a share of full scale, whether assumed.
/// Offset, gain, INL and DNL, in this order.
pub(super) fn converter(board: &Board, share: f64) -> [(f64, bool); 4] {
    let chip = &board.chip;
    let one = |figure: Figure| (figure.worst(), figure.from != Provenance::Max);
    let share = share.clamp(0.0, 1.0);
    let (gain, assumed) = one(chip.gain);
    [one(chip.offset), (gain * share, assumed), one(chip.inl), one(chip.dnl)]
}

/// The root sum of squares of a channel in a setting with its switches closed; `None` when the
/// net floats.
///
/// Every limit counts as rectangular: tolerance, drift over the temperature and ageing of each
/// resistor by itself, what an array or the temperature shares as a correlation, contacts,
/// switches, pull-up, leakage, supply, converter and truncation.
pub fn rss(board: &Board, setting: &Setting, channel: usize) -> Option<Rss> {
    let channel = board.channels.get(channel)?;
    let mut spread = spread::design_spread(board, channel.pull_up);
    spread.also_pulled = spread::also_pulled(board, channel);
    let rail = [board.supply.net, board.supply.ground].iter().position(|&n| n == channel.net);
    let model = match rail {
        Some(_) => None,
        None => Some(Model::new(board, setting, &channel.closes, channel.net, &spread)?),
    };
    let mut inputs = model.as_ref().map_or_else(Inputs::default, |m| circuit_inputs(board, m));
    let count = inputs.values.len();
    if channel.kind == Kind::Analog {
        let ratio = |m: &Model| m.at(&inputs.values).0;
        let share = model.as_ref().map_or(if rail == Some(0) { 1.0 } else { 0.0 }, ratio);
        for (half, assumed) in converter(board, share) {
            inputs.push(0.0, rectangular(half), degrees(assumed));
        }
        // Truncation takes anything from no count to a whole one.
        inputs.push(-0.5, rectangular(0.5), f64::INFINITY);
    }
    let scale = board.chip.scale;
    let combined = inputs.combine(|values| {
        let (ratio, mut slopes) = match &model {
            Some(model) => model.at(&values[..count]),
            None => (if rail == Some(0) { 1.0 } else { 0.0 }, Vec::new()),
        };
        slopes.iter_mut().for_each(|s| *s *= scale);
        slopes.resize(values.len(), 1.0);
        (ratio * scale + values[count..].iter().sum::<f64>(), slopes)
    });
    let expanded = combined.expanded(CONFIDENCE);
    let full = f64::from(board.chip.full_scale);
    let code = |c: f64| if channel.kind == Kind::Analog { c.clamp(0.0, full) } else { c };
    let (low, high) = (code(combined.value - expanded), code(combined.value + expanded));
    let (code, u) = (code(combined.value), combined.standard());
    Some(Rss { code, u, degrees: combined.degrees, band: Band { low, high } })
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
                let (u, degrees) = resistor_u(&made[i], kelvin);
                let mean = 1.0 + made[i].drift * (kelvin.0 + kelvin.1) / 2.0;
                let ohms = made[i].ohms;
                let at = inputs.push(ohms * mean, ohms * u, degrees);
                resistors.push((at, i));
                continue;
            }
            Cause::Contact { .. } => degrees(board.in_use.contact.is_none()),
            _ => f64::INFINITY,
        };
        inputs.push(middle, rectangular(half), at);
    }
    for (place, &(a, i)) in resistors.iter().enumerate() {
        for &(b, j) in &resistors[place + 1..] {
            let shared = shared(&made[i], &made[j], kelvin) * made[i].ohms * made[j].ohms;
            if shared != 0.0 {
                inputs.correlation.push((a, b, shared / (inputs.u[a] * inputs.u[b])));
            }
        }
    }
    inputs
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
