//! What to measure next: the one reading that is expected to settle most.

use super::evidence::{Evidence, Meter, RAILS_TELL};
use super::look::{self, Look};
use super::rank::moved;
use super::{Cause, Diagnosis};
use crate::board::{Board, Channel, Kind, Level, NetId, Place, Resistor, Setting};
use crate::circuit::{self, Change, Node, Parts, Response};
use crate::faults::{Built, Joint};
use crate::units::{Ohms, Volts};
use crate::window::{self, adc};
use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;

/// How far a hand-held meter is off: a share of the reading and so much more, as one standard
/// deviation (common practice, no source: half of an accuracy of 0.5 % and some digits).
pub(super) struct Accuracy {
    share: f64,
    more: f64,
}

impl Accuracy {
    pub fn of(&self, value: f64) -> f64 {
        self.share * value.abs() + self.more
    }
}

pub(super) const VOLTS_SD: Accuracy = Accuracy { share: 0.003, more: 0.002 };
const OHMS_SD: Accuracy = Accuracy { share: 0.005, more: 0.3 };
/// Deviation of a code that the bench reads in a setting not tried yet.
const CODE_SD: f64 = 1.0;

/// The usual input resistance of a hand-held meter: 10 MΩ (common practice, no source).
pub(super) const METER_SIEMENS: f64 = 1e-7;

/// What a meter shows as open.
pub const OPEN_FROM: f64 = 20e6;

/// Causes that are told apart, and how likely one must be to count.
const MOST_CAUSES: usize = 24;
const LEAST_LIKELY: f64 = 1e-3;

/// Once a class holds so much nothing more is asked for.
const SETTLED: f64 = 0.95;

/// A measurement that settles less than this, in nats, is not worth a hand's move.
const WORTH: f64 = 0.02;

/// How likely it may be that a setting shorts the supply, for a unit to be powered in it.
pub(super) const SHORTED: f64 = 0.02;

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

/// A measurement proposed.
#[derive(Clone, Debug, PartialEq)]
pub struct Suggestion {
    /// What to measure.
    pub measurement: Measurement,
    /// What it settles on average, as a share of what is open.
    pub settles: f64,
    /// What it should show under each cause: index of class and of cause in it, value and standard
    /// deviation, in volts, ohms or codes; infinite ohms for open. Of a look, the probability of a
    /// yes.
    pub expected: Vec<(usize, usize, f64, f64)>,
    /// What the supply has to show first, so that volts are exact shares of it: none where it was
    /// measured, or its tolerance says as much.
    pub supply_first: Option<Measurement>,
}

/// The measurements that settle most, best first; none once one class is nearly certain or nothing
/// measurable tells the causes apart.
pub fn suggest(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis) -> Vec<Suggestion> {
    let leading = Leading::of(board, diagnosis);
    let settled = leading.causes.first().is_none_or(|(_, _, cause)| cause.probability > SETTLED);
    if settled {
        return Vec::new();
    }
    let mut measurements = candidates(board, evidence);
    let by_cause = leading.causes.iter().flat_map(|(_, _, cause)| &cause.faults);
    let by_cause = by_cause.flat_map(|fault| Look::of(board, fault));
    for look in by_cause.chain(Look::at_lamps(board)) {
        let (asked, measurement) =
            (|&(l, yes): &(Look, bool)| l.tells(&look, yes), Measurement::Look(look));
        if !measurements.contains(&measurement) && !evidence.looks.iter().any(asked) {
            measurements.push(measurement);
        }
    }
    measurements.retain(|m| powered(m).is_none_or(|at| leading.shorts(board, at) < SHORTED));
    let mut found: Vec<Suggestion> = Vec::new();
    for measurement in measurements {
        found.extend(leading.suggestion(board, evidence, measurement, WORTH));
    }
    found.sort_by(|a, b| effort(b).total_cmp(&effort(a)));
    found
}

/// The causes that are told apart, and a unit with each.
pub(super) struct Leading<'a> {
    /// With the index of the class and of the cause in it.
    causes: Vec<(usize, usize, &'a Cause)>,
    units: Vec<Unit>,
    weights: Vec<f64>,
    /// What is open, in nats.
    entropy: f64,
}

impl<'a> Leading<'a> {
    pub fn of(board: &Board, diagnosis: &'a Diagnosis) -> Leading<'a> {
        let mut causes: Vec<(usize, usize, &Cause)> = Vec::new();
        for (c, class) in diagnosis.classes.iter().enumerate() {
            causes.extend(class.causes.iter().enumerate().map(|(i, cause)| (c, i, cause)));
        }
        causes.retain(|(_, _, cause)| cause.probability > LEAST_LIKELY);
        causes.sort_by(|a, b| b.2.probability.total_cmp(&a.2.probability));
        causes.truncate(MOST_CAUSES);
        let units: Vec<Unit> = causes.iter().map(|(_, _, c)| Unit::of(board, c)).collect();
        let weights: Vec<f64> = causes.iter().map(|(_, _, cause)| cause.probability).collect();
        let sum: f64 = weights.iter().sum();
        let entropy = weights.iter().map(|w| w / sum).map(|p| -p * p.ln()).sum();
        Leading { causes, units, weights, entropy }
    }

    /// How likely it is that a setting shorts the supply.
    pub fn shorts(&self, board: &Board, setting: &Setting) -> f64 {
        let total: f64 = self.weights.iter().sum();
        let each = self.units.iter().zip(&self.weights);
        let shorts = each.filter(|(unit, _)| unit.shorts(board, setting)).map(|(_, w)| w);
        shorts.sum::<f64>() / total
    }

    /// A measurement with what it should show, if it settles more than `least` nats.
    pub fn suggestion(
        &self,
        board: &Board,
        evidence: &Evidence,
        measurement: Measurement,
        least: f64,
    ) -> Option<Suggestion> {
        let expected: Vec<(f64, f64)> = match measurement {
            Measurement::Look(look) => {
                self.causes.iter().map(|(_, _, c)| (look.yes(board, &c.faults), 0.0)).collect()
            }
            _ => self.units.iter().map(|unit| unit.expected(board, &measurement)).collect(),
        };
        let settles = information(&self.weights, &expected, &measurement);
        if settles <= least {
            return None;
        }
        let each = self.causes.iter().zip(&expected);
        let expected = each.map(|(&(c, i, _), &(value, sd))| (c, i, value, sd)).collect();
        let settles = (settles / self.entropy.max(1e-9)).min(1.0);
        let supply_first = supply_first(board, evidence, &measurement);
        Some(Suggestion { measurement, settles, expected, supply_first })
    }
}

/// What has to be measured before a voltage is worth something.
fn supply_first(
    board: &Board,
    evidence: &Evidence,
    measurement: &Measurement,
) -> Option<Measurement> {
    let Measurement::Volts { setting, .. } = measurement else { return None };
    let loose = board.supply.tolerance.0 / 3f64.sqrt() > VOLTS_SD.share;
    let unknown = evidence.metered_supply(board).is_none();
    let net = board.supply.net;
    (loose && unknown).then(|| Measurement::Volts { net, setting: setting.clone() })
}

/// What a measurement settles, less a little for the work: a setting to be made takes longer than a
/// tip to be held.
fn effort(suggestion: &Suggestion) -> f64 {
    let work = match suggestion.measurement {
        // The unit is in the hand already, and nothing is to be connected.
        Measurement::Volts { .. } => 0.0,
        Measurement::Look(look) => look.work(),
        Measurement::Reading { .. } => 0.02,
        Measurement::Ohms { joined, .. } => 0.03 + if joined { 0.03 } else { 0.0 },
    };
    suggestion.settles - work
}

/// Where the shunts are in truth, and the switches closed.
type Wiring = (Setting, Vec<usize>);

/// The setting in which a measurement is made with power.
fn powered(measurement: &Measurement) -> Option<&Setting> {
    match measurement {
        Measurement::Volts { setting, .. } | Measurement::Reading { setting, .. } => Some(setting),
        Measurement::Ohms { .. } | Measurement::Look(_) => None,
    }
}

/// A unit as one cause has it; it is measured in many places of few settings, each solved once.
struct Unit {
    built: Built,
    solved: RefCell<HashMap<Wiring, Rc<Response>>>,
    /// Whether it shorts its supply, by setting.
    shorted: RefCell<Vec<(Setting, bool)>>,
    /// The same with the value of its defect another by a standard deviation.
    moved: Option<Box<Unit>>,
}

impl Unit {
    fn of(board: &Board, cause: &Cause) -> Unit {
        let mut built = Built::good(board, Parts::nominal(board));
        cause.faults.iter().for_each(|&f| built.plant(board, f));
        let mut unit = Unit::new(built);
        unit.moved = moved(board, &cause.faults, cause.loose).map(|m| Box::new(Unit::new(m)));
        unit
    }

    fn new(built: Built) -> Unit {
        let (solved, shorted) = (RefCell::default(), RefCell::default());
        Unit { built, solved, shorted, moved: None }
    }

    fn shorts(&self, board: &Board, setting: &Setting) -> bool {
        let mut shorted = self.shorted.borrow_mut();
        if let Some((_, shorts)) = shorted.iter().find(|(known, _)| known == setting) {
            return *shorts;
        }
        let shorts = self.built.shorts(board, setting, &[]);
        shorted.push((setting.clone(), shorts));
        shorts
    }

    /// What a measurement shows, and its standard deviation, for which the value of the defect is
    /// as far known as it is.
    fn expected(&self, board: &Board, measurement: &Measurement) -> (f64, f64) {
        let (value, sd) = self.shows(board, measurement);
        let other = self.moved.as_ref().map_or(value, |m| m.shows(board, measurement).0);
        // What is open for another value is no matter of some ohms more.
        let loose = if other.is_finite() && value.is_finite() { other - value } else { 0.0 };
        (value, sd.hypot(loose))
    }

    fn shows(&self, board: &Board, measurement: &Measurement) -> (f64, f64) {
        let solve = |seat: Setting, closed: &[usize]| {
            let mut solved = self.solved.borrow_mut();
            let anew = |(seat, closed): &Wiring| {
                Rc::new(Response::new(board, &self.built.parts, seat, closed))
            };
            solved.entry((seat, closed.to_vec())).or_insert_with_key(anew).clone()
        };
        expected_by(board, &self.built, measurement, solve)
    }
}

/// Everything that can be measured and was not yet.
fn candidates(board: &Board, evidence: &Evidence) -> Vec<Measurement> {
    let mut found = Vec::new();
    for group in circuit::groups(board) {
        // Only the jumpers of its own group matter to a net; the others stay as delivered.
        let mut settings: Vec<Setting> = vec![board.delivery.clone()];
        for reading in &evidence.readings {
            let own = group.jumpers.iter().map(|&j| (j, reading.setting.0[j]));
            let setting = own.fold(board.delivery.clone(), |s, (j, place)| s.with(j, place));
            if !settings.contains(&setting) {
                settings.push(setting);
            }
        }
        for setting in &settings {
            let volts = |&net: &NetId| Measurement::Volts { net, setting: setting.clone() };
            found.extend(group.nets.iter().map(volts));
        }
    }
    let bare = Setting::all_open(board);
    let mut pairs: Vec<([NetId; 2], Setting)> = Vec::new();
    let mut add = |between: [NetId; 2], setting: Setting| {
        if between[0] != between[1] && !pairs.contains(&(between, setting.clone())) {
            pairs.push((between, setting));
        }
    };
    board.resistors.iter().for_each(|r| add(r.between, bare.clone()));
    // Where no channel reads codes, one value through shunt and resistors tells most of them apart.
    let delivery = &board.delivery;
    for group in circuit::groups(board).iter().filter(|g| !reads_codes(board, g)) {
        for &net in &group.nets {
            add([net, board.supply.ground], delivery.clone());
            add([net, board.supply.net], delivery.clone());
        }
    }
    for (jumper, j) in board.jumpers.iter().enumerate() {
        for (position, p) in j.positions.iter().enumerate() {
            for &between in &p.joins {
                add(between, bare.clone());
                add(between, bare.with(jumper, Place::At(position)));
            }
        }
    }
    for (between, setting) in pairs {
        for joined in [false, true] {
            found.push(Measurement::Ohms { between, setting: setting.clone(), joined });
        }
    }
    found.extend(untried(board, evidence));
    let known = |m: &Measurement| evidence.meter.iter().any(|known| known.is(m));
    found.retain(|m| !known(m));
    found
}

/// Whether a channel of a group reads codes.
fn reads_codes(board: &Board, group: &circuit::Group) -> bool {
    let analog = board.channels.iter().filter(|c| c.kind == Kind::Analog);
    analog.map(|c| c.net).any(|net| group.nets.contains(&net))
}

/// Settings one move from the delivery setting in which a channel was not read.
fn untried(board: &Board, evidence: &Evidence) -> Vec<Measurement> {
    let mut found = Vec::new();
    for (jumper, j) in board.jumpers.iter().enumerate() {
        for place in j.places() {
            let setting = board.delivery.with(jumper, place);
            let short = window_shorts(board, &setting);
            for (channel, c) in board.channels.iter().enumerate() {
                let read =
                    evidence.readings.iter().any(|r| r.channel == channel && r.setting == setting);
                if !read && !short && !matches!(c.kind, Kind::Meter { .. }) {
                    found.push(Measurement::Reading { channel, setting: setting.clone() });
                }
            }
        }
    }
    found
}

fn window_shorts(board: &Board, setting: &Setting) -> bool {
    crate::circuit::short(board, &Parts::nominal(board), setting, &[]).is_some()
}

/// What a measurement shows on a unit, and its standard deviation.
pub(super) fn expected(board: &Board, built: &Built, measurement: &Measurement) -> (f64, f64) {
    let solve = |seat: Setting, closed: &[usize]| {
        Rc::new(Response::new(board, &built.parts, &seat, closed))
    };
    expected_by(board, built, measurement, solve)
}

/// The same with its own way to solve a circuit: where the shunts are in truth, which switches are
/// closed.
fn expected_by(
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
            let spread = spread(board, slopes.by_resistor.iter().map(|&(r, v, _)| (r, v)));
            // Of the supply too, which it is a share of.
            let supply = VOLTS_SD.of(board.supply.volts.0) / board.supply.volts.0;
            (volts, VOLTS_SD.of(volts).hypot(volts * supply).hypot(spread))
        }
        Measurement::Ohms { between, setting, joined } => {
            let (low, high) = ohms_range(board, built, *between, setting);
            if !*joined && beyond_rails(low, high) {
                // Anything from one to the other, by the logarithm.
                let top = high.min(OPEN_FROM);
                let middle = ((low + 0.3) * top).sqrt();
                return (middle, middle * (top / (low + 0.3)).ln() / 12f64.sqrt());
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
                    let spread = spread(board, slopes.by_resistor.iter().map(|&(r, v, _)| (r, v)));
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
    high > low * RAILS_TELL && high > low + 0.3
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
    let code = volts.0 / supply.0 * board.chip.scale;
    match window::level_of(code, &board.chip) {
        Some(Level::High) => (f64::from(board.chip.full_scale), CODE_SD),
        Some(Level::Low) => (0.0, CODE_SD),
        None => (code, board.chip.scale / 4.0),
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

fn spread(board: &Board, slopes: impl Iterator<Item = (usize, f64)>) -> f64 {
    let each = slopes.map(|(r, slope)| slope * board.resistors[r].tolerance.0 / 3f64.sqrt());
    each.map(|x| x * x).sum::<f64>().sqrt()
}

/// Information that a measurement is expected to give on the cause, in nats: the bound of Kolchinsky
/// and Tracey with Bhattacharyya distances (Entropy 19, 2017, 361; from memory).
fn information(weights: &[f64], expected: &[(f64, f64)], measurement: &Measurement) -> f64 {
    if let Measurement::Look(_) = measurement {
        let yes: Vec<f64> = expected.iter().map(|(yes, _)| *yes).collect();
        return look::information(weights, &yes);
    }
    let total: f64 = weights.iter().sum();
    let ohms = matches!(measurement, Measurement::Ohms { .. });
    // Ohms span decades: their logarithm is what is normal.
    let seen = |&(value, sd): &(f64, f64)| match ohms {
        true if value >= OPEN_FROM => (OPEN_FROM.ln(), 0.01),
        true => ((value + 0.3).ln(), sd / (value + 0.3)),
        false => (value, sd),
    };
    let seen: Vec<(f64, f64)> = expected.iter().map(seen).collect();
    let mut sum = 0.0;
    for (&p, &(m, s)) in weights.iter().zip(&seen) {
        let overlap: f64 = weights
            .iter()
            .zip(&seen)
            .map(|(&q, &(n, t))| {
                let both = s * s + t * t;
                let distance = (m - n).powi(2) / (4.0 * both) + (both / (2.0 * s * t)).ln() / 2.0;
                q / total * (-distance).exp()
            })
            .sum();
        sum -= p / total * overlap.ln();
    }
    sum
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
    let spread = 0.005 + tolerance(board, between);
    beyond_rails(low, high).then_some(((low, high), spread))
}

/// Logarithm of how likely a meter's ohms are of a unit; volts are weighed with the readings.
/// `moved` is the unit with the value of its defect another by a standard deviation.
pub(super) fn ohms_ln(board: &Board, built: &Built, moved: Option<&Built>, meter: &Meter) -> f64 {
    let Meter::Ohms { between, setting, joined, ohms } = meter else { return 0.0 };
    let measurement =
        Measurement::Ohms { between: *between, setting: setting.clone(), joined: *joined };
    let open = |ohms: f64| ohms >= OPEN_FROM;
    let (low, high) = ohms_range(board, built, *between, setting);
    if !joined && beyond_rails(low, high) {
        let (top, spread) = (high.min(OPEN_FROM), 3.0 * tolerance(board, &[]) + 0.02);
        let inside = ohms.0 > low * (1.0 - spread) - 1.0 && ohms.0 < top * (1.0 + spread) + 1.0;
        return match (open(ohms.0), inside) {
            (true, _) if open(high) => 0.0,
            (false, true) => -((top + 1.0) / (low + 1.0)).ln().hypot(2.0 * spread).ln(),
            _ => super::cell::AGAINST,
        };
    }
    let (value, sd) = expected(board, built, &measurement);
    match (open(value), open(ohms.0)) {
        (true, true) => 0.0,
        (true, false) | (false, true) => super::cell::AGAINST,
        (false, false) => {
            let m = (value + 0.3).ln();
            let other = moved.map_or(value, |moved| expected(board, moved, &measurement).0);
            let loose = if open(other) { 0.0 } else { (other + 0.3).ln() - m };
            let s = (sd / (value + 0.3)).hypot(loose);
            let z = ((ohms.0 + 0.3).ln() - m) / s;
            // Beyond some deviations it is a slip of the hands as likely as anything.
            (-z * z / 2.0 - s.ln()).max(super::cell::AGAINST)
        }
    }
}

impl Meter {
    /// Whether this is the outcome of a measurement.
    fn is(&self, measurement: &Measurement) -> bool {
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
