//! What can be measured of a unit, and what that shows: with a meter, by the probe.

use super::evidence::{Meter, RAILS_TELL};
use super::look::Look;
use super::shown;
use crate::board::{Board, Channel, Kind, Level, NetId, Resistor, Setting};
use crate::circuit::{self, Change, Node, Parts, Response, Slopes};
use crate::faults::{Built, Fault, Joint};
use crate::units::{Ohms, Volts};
use crate::window::{self, adc};
use std::rc::Rc;

/// How far a hand-held meter is off: a share of the reading and so much more, as one standard
/// deviation (common practice, no source: half of an accuracy of 0.5 % and some digits).
pub(super) struct Accuracy {
    pub share: f64,
    more: f64,
}

impl Accuracy {
    pub fn of(&self, value: f64) -> f64 {
        self.share * value.abs() + self.more
    }
}

pub(super) const VOLTS_SD: Accuracy = Accuracy { share: 0.003, more: 0.002 };
pub(super) const OHMS_SD: Accuracy = Accuracy { share: 0.005, more: LEAST_OHMS };
/// Deviation of a code that the bench reads in a setting not tried yet.
const CODE_SD: f64 = 1.0;

/// What two leads and two tips have of their own, in ohms (common practice, no source).
pub(super) const LEAST_OHMS: f64 = 0.3;

/// Logarithm of how likely any value is by a slip of the hands: the wrong net, range or key, one time
/// in a hundred (common practice, no source; the figure is ours), and then some value out of seven
/// decades.
const SLIPPED: f64 = -7.4;

/// The usual input resistance of a hand-held meter: 10 MΩ (common practice, no source).
pub(super) const METER_SIEMENS: f64 = 1e-7;

/// What a meter shows as open.
pub const OPEN_FROM: f64 = 20e6;

/// Something that can be measured.
#[derive(Clone, Debug, PartialEq)]
pub enum Measurement {
    /// Volts of a net against ground, with power, in a setting.
    Volts {
        /// The net.
        net: NetId,
        /// Where the shunts are.
        setting: Setting,
    },
    /// Ohms between two nets, without power.
    Ohms {
        /// The nets.
        between: [NetId; 2],
        /// Where the shunts are.
        setting: Setting,
        /// Whether the supply net is joined to ground with a lead meanwhile, so that what the chip
        /// does does not matter.
        joined: bool,
    },
    /// A channel in a setting that was not tried, by the probe.
    Reading {
        /// Channel index.
        channel: usize,
        /// Where the shunts are.
        setting: Setting,
    },
    /// A look at something, or a shunt put in another's place: yes or no.
    Look(Look),
}

/// Where the shunts are in truth, and the switches closed.
pub(super) type Wiring = (Setting, Vec<usize>);

/// What a measurement shows on a unit, and its standard deviation.
pub(super) fn expected(board: &Board, built: &Built, measurement: &Measurement) -> (f64, f64) {
    let solve = |seat: Setting, closed: &[usize]| {
        Rc::new(Response::new(board, &built.parts, &seat, closed))
    };
    expected_by(board, built, measurement, solve)
}

/// The same with its own way to solve a circuit: where the shunts are in truth, which switches are
/// closed.
pub(super) fn expected_by(
    board: &Board,
    built: &Built,
    measurement: &Measurement,
    solve: impl Fn(Setting, &[usize]) -> Rc<Response>,
) -> (f64, f64) {
    match measurement {
        Measurement::Volts { net, setting } => {
            let seat = built.seat(board, setting);
            let response = solve(seat, &[]);
            let between = [*net, board.supply.ground];
            let meter = Change { between, siemens: METER_SIEMENS, resistor: None };
            let slopes = response.slopes(*net, &[meter]);
            let volts = match slopes.node {
                Node::Driven { volts, .. } => volts.0,
                Node::Floating => 0.0,
            };
            let spread = spread(board, &slopes);
            // Of the supply too, which it is a share of.
            let supply = VOLTS_SD.of(board.supply.volts.0) / board.supply.volts.0;
            (volts, VOLTS_SD.of(volts).hypot(volts * supply).hypot(spread))
        }
        Measurement::Ohms { between, setting, joined } => {
            let (low, high) = ohms_range(board, built, *between, setting);
            if !*joined && beyond_rails(low, high) {
                // Anything from one to the other, by the logarithm.
                let top = high.min(OPEN_FROM);
                let middle = ((low + LEAST_OHMS) * top).sqrt();
                return (middle, middle * (top / (low + LEAST_OHMS)).ln() / 12f64.sqrt());
            }
            (low, OHMS_SD.of(low).hypot(low * tolerance(board, between)))
        }
        Measurement::Reading { channel, setting } => {
            let c = &board.channels[*channel];
            let seat = built.seat(board, setting);
            let slopes = solve(seat, &c.closes).slopes(c.net, &[]);
            let at_pin = built.at_pin(*channel, slopes.node);
            if c.kind == Kind::Digital {
                return level(board, c, built.no_pull_up.contains(channel), at_pin);
            }
            match (built.joints[*channel], at_pin) {
                (_, Node::Floating) => (-1.0e3, 1.0),
                (Joint::Sound, Node::Driven { volts, .. }) => {
                    let spread = spread(board, &slopes);
                    let sd = CODE_SD.hypot(adc::code_at(Volts(spread), board));
                    (shown_code(board, volts), sd)
                }
                (_, Node::Driven { volts, .. }) => (shown_code(board, volts), CODE_SD),
            }
        }
        // It depends on what the defect looks like, see `Look::yes`.
        Measurement::Look(_) => (0.0, 0.0),
    }
}

/// The code of a voltage at a pin, as far as the converter goes.
fn shown_code(board: &Board, volts: Volts) -> f64 {
    adc::code_at(volts, board).clamp(0.0, f64::from(board.chip.full_scale))
}

/// What a measurement shows on a unit with a meter that is off by so many of its standard
/// deviations: for simulations.
pub fn measured(board: &Board, built: &Built, measurement: &Measurement, deviations: f64) -> f64 {
    let (value, _) = expected(board, built, measurement);
    match measurement {
        Measurement::Volts { .. } => value + deviations * VOLTS_SD.of(value),
        Measurement::Ohms { .. } if value >= OPEN_FROM => f64::INFINITY,
        Measurement::Ohms { .. } => (value + deviations * OHMS_SD.of(value)).max(0.0),
        Measurement::Reading { .. } => value + deviations * CODE_SD,
        Measurement::Look(_) => value,
    }
}

/// Ohms between two nets of a unit without power, with the rails joined and apart.
fn ohms_range(board: &Board, built: &Built, between: [NetId; 2], setting: &Setting) -> (f64, f64) {
    let seat = built.seat(board, setting);
    let parts = built.bare(board, &seat).parts;
    window::ohms_between(board, &parts, &seat, between)
}

/// Whether ohms depend on what lies between the rails: the chip and all the rest, which is not
/// known.
fn beyond_rails(low: f64, high: f64) -> bool {
    high > low * RAILS_TELL && high > low + LEAST_OHMS
}

/// What a digital channel shows, as if low were the lowest code and high the highest.
fn level(board: &Board, c: &Channel, no_pull_up: bool, node: Node) -> (f64, f64) {
    let supply = board.supply.volts;
    let (low, high) = board.chip.pull_up;
    let volts = match node {
        node if c.pull_up && !no_pull_up => {
            circuit::pulled_up(node, supply, Ohms((low.0 * high.0).sqrt()))
        }
        Node::Driven { volts, .. } => volts,
        Node::Floating => return (-1.0e3, 1.0),
    };
    match shown::level(board, volts) {
        Some(Level::High) => (f64::from(board.chip.full_scale), CODE_SD),
        Some(Level::Low) => (0.0, CODE_SD),
        None => (volts.0 / supply.0 * board.chip.scale, board.chip.scale / 4.0),
    }
}

/// Standard deviation of the widest tolerance among the resistors that tips reach without crossing a
/// rail, whatever the shunts; of all without tips.
fn tolerance(board: &Board, tips: &[NetId]) -> f64 {
    let rails = [board.supply.net, board.supply.ground];
    let joins = board.jumpers.iter().flat_map(|j| &j.positions).flat_map(|p| &p.joins);
    let joins = joins.chain(board.switches.iter().map(|s| &s.between));
    let joins: Vec<[NetId; 2]> =
        joins.copied().chain(board.resistors.iter().map(|r| r.between)).collect();
    let mut reached: Vec<NetId> = tips.iter().copied().filter(|net| !rails.contains(net)).collect();
    let mut at = 0;
    while let Some(&net) = reached.get(at) {
        for &[a, b] in &joins {
            let other = if a == net { b } else { a };
            let new = (a == net || b == net) && !rails.contains(&other);
            if new && !reached.contains(&other) {
                reached.push(other);
            }
        }
        at += 1;
    }
    let all = reached.is_empty();
    let inside = |r: &&Resistor| all || r.between.iter().any(|net| reached.contains(net));
    let widest = board.resistors.iter().filter(inside).map(|r| r.tolerance.0).fold(0.0, f64::max);
    widest / 3f64.sqrt()
}

/// Standard deviation in volts of what a net shows, by the tolerances of good parts.
fn spread(board: &Board, slopes: &Slopes) -> f64 {
    let resistors = slopes.by_resistor.iter();
    let each = resistors.map(|&(r, volts, _)| volts * board.resistors[r].tolerance.0 / 3f64.sqrt());
    each.map(|x| x * x).sum::<f64>().sqrt().hypot(by_switches(board, slopes))
}

/// The same by what the closed switches may be alone.
pub(super) fn by_switches(board: &Board, slopes: &Slopes) -> f64 {
    let each = slopes.by_switch.iter().flat_map(|s| {
        let switch = &board.switches[s.switch];
        [s.by_resistance.0 * switch.on_sd(), s.by_drop * switch.drop_sd()]
    });
    each.map(|x| x * x).sum::<f64>().sqrt()
}

/// The ends between which ohms lie of a unit where what lies between its rails decides, and the
/// relative deviation of either; none where the value is definite.
pub(super) fn between_ends(
    board: &Board,
    built: &Built,
    measurement: &Measurement,
) -> Option<((f64, f64), f64)> {
    let Measurement::Ohms { between, setting, joined: false } = measurement else { return None };
    let (low, high) = ohms_range(board, built, *between, setting);
    let spread = OHMS_SD.share + tolerance(board, between);
    beyond_rails(low, high).then_some(((low, high), spread))
}

/// The ends between which ohms lie of a unit with some defects, where what lies between its rails
/// decides; none where the value is definite, and of everything else.
pub fn ohms_ends(board: &Board, faults: &[Fault], measurement: &Measurement) -> Option<(f64, f64)> {
    let mut built = Built::good(board, Parts::nominal(board));
    faults.iter().for_each(|&f| built.plant(board, f));
    between_ends(board, &built, measurement).map(|(ends, _)| ends)
}

/// What a meter's ohms say of a unit.
pub(super) enum Says {
    /// So likely it is, whatever the value of the defect is: as a logarithm.
    Flat(f64),
    /// By so much the logarithm of the ohms is off, and the deviation that they have on their own.
    Off(f64, f64),
}

/// What a meter's ohms say of a unit; volts are weighed with the readings.
pub(super) fn ohms_say(board: &Board, built: &Built, meter: &Meter) -> Says {
    let Meter::Ohms { ohms, .. } = meter else { return Says::Flat(0.0) };
    let measurement = meter.measurement();
    let open = |ohms: f64| ohms >= OPEN_FROM;
    if let Some(((low, high), spread)) = between_ends(board, built, &measurement) {
        let (top, spread) = (high.min(OPEN_FROM), 3.0 * spread);
        let inside = ohms.0 > low * (1.0 - spread) - 1.0 && ohms.0 < top * (1.0 + spread) + 1.0;
        return Says::Flat(match (open(ohms.0), inside) {
            (true, _) if open(high) => 0.0,
            (false, true) => -((top + 1.0) / (low + 1.0)).ln().hypot(2.0 * spread).ln(),
            _ => SLIPPED,
        });
    }
    let (value, sd) = expected(board, built, &measurement);
    match (open(value), open(ohms.0)) {
        (true, true) => Says::Flat(0.0),
        (true, false) | (false, true) => Says::Flat(SLIPPED),
        (false, false) => Says::Off(off(ohms.0, value), sd / (value + LEAST_OHMS)),
    }
}

/// By how much ohms are off, in the logarithm near the value, in ohms where that is but a lead's: half
/// an ohm more of a good contact is a difference of many times, and of nothing.
pub(super) fn off(ohms: f64, value: f64) -> f64 {
    let by = ((ohms + LEAST_OHMS) / (value + LEAST_OHMS)).ln();
    let plain = (ohms - value) / (value + LEAST_OHMS);
    if value < LEAST_OHMS { plain } else { by }
}

/// How likely an offset is that has a deviation, as a logarithm: beyond some deviations it is a slip
/// of the hands as likely as anything.
pub(super) fn likely(off: f64, sd: f64) -> f64 {
    (-(off / sd).powi(2) / 2.0 - sd.ln()).max(SLIPPED)
}

/// Logarithm of how likely a meter's ohms are of a unit. `moved` is the unit with the value of its
/// defect another by a standard deviation.
pub(super) fn ohms_ln(board: &Board, built: &Built, moved: Option<&Built>, meter: &Meter) -> f64 {
    match (ohms_say(board, built, meter), moved.map(|moved| ohms_say(board, moved, meter))) {
        (Says::Flat(ln), _) => ln,
        (Says::Off(off, sd), Some(Says::Off(other, _))) => likely(off, sd.hypot(other - off)),
        (Says::Off(off, sd), _) => likely(off, sd),
    }
}

/// The value of a defect after a meter's ohms, as the logarithm of a factor with its deviation, and
/// how likely they were.
///
/// Ohms go with that value by the slope that they have there; each moves it by the gain of a linear
/// filter (Kalman 1960, from memory).
pub(super) fn fit_ohms(
    board: &Board,
    by: impl Fn(f64) -> Built,
    meter: &[Meter],
    own: (f64, f64),
) -> (f64, (f64, f64)) {
    let ((mut own, mut sd), mut ln) = (own, 0.0);
    for m in meter {
        let (here, there) = (by(own), by(own + sd));
        match (ohms_say(board, &here, m), ohms_say(board, &there, m)) {
            (Says::Flat(flat), _) => ln += flat,
            (Says::Off(off, alone), Says::Off(other, _)) => {
                // The offset falls by so much from one deviation more of the value.
                let slope = off - other;
                let sum = alone.hypot(slope);
                let likely = likely(off, sum);
                ln += likely;
                // A slip says nothing of the value.
                if likely > SLIPPED {
                    own += sd * slope * off / (sum * sum);
                    sd *= alone / sum;
                }
            }
            (Says::Off(off, alone), Says::Flat(_)) => ln += likely(off, alone),
        }
    }
    (ln, (own, sd))
}

impl Meter {
    /// Whether this is the outcome of a measurement.
    pub(super) fn is(&self, measurement: &Measurement) -> bool {
        match (self, measurement) {
            (
                Meter::Volts { net, setting, .. },
                Measurement::Volts { net: other, setting: there },
            ) => net == other && setting == there,
            (
                Meter::Ohms { between, setting, joined, .. },
                Measurement::Ohms { between: b, setting: s, joined: j },
            ) => between == b && setting == s && joined == j,
            _ => false,
        }
    }

    /// The outcome of a measurement with a meter; none for one by the probe.
    pub fn of(measurement: &Measurement, value: f64) -> Option<Meter> {
        match measurement.clone() {
            Measurement::Volts { net, setting } => {
                Some(Meter::Volts { net, setting, volts: Volts(value) })
            }
            Measurement::Ohms { between, setting, joined } => {
                Some(Meter::Ohms { between, setting, joined, ohms: Ohms(value) })
            }
            Measurement::Reading { .. } | Measurement::Look(_) => None,
        }
    }
}
