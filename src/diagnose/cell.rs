//! The readings of jumpers and channels that influence each other, and how well a hypothesis
//! explains them.
//!
//! A code is `scale v - 1/2 + offset + gain v + noise`; the values of good parts, the converter's
//! offset and gain and the pin's own pull-up are nuisances with a normal law, so that the readings
//! of a hypothesis are jointly normal along straight lines. The pull-up that all pins share is not:
//! everything is given for one value of it.

use super::cause::Hypothesis;
use super::evidence::{Evidence, Meter, Proof, Read};
use super::scale::Scale;
use super::system::System;
use crate::board::{Board, Kind, Level, NetId, Place, Setting};
use crate::circuit::{self, Change, Group, Node, Parts, Response, SHORT_BELOW, Slopes};
use crate::faults::{Built, Fault, Joint};
use crate::units::Volts;
use std::borrow::Cow;
use std::collections::HashMap;
use std::f64::consts::TAU;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

/// Logarithm of the probability that a proof, an answer or a level is what a hypothesis excludes:
/// something nobody thought of. A second defect that explains it must be likelier.
pub(super) const AGAINST: f64 = -14.0;

/// Logarithm of the probability that a unit still answers in a setting that shorts its supply: a
/// bridge of some ohms, a supply that feeds it; one in ten (advice of our own), so that a short is
/// looked for before another cause counts as settled. One that is shorted in most settings could not
/// have been tested.
pub(super) const SURVIVES: f64 = -2.3;

/// Logarithm of the probability that an open digital pin still reads what it read before.
pub(super) const KEEPS: f64 = -0.1;

/// Variance of a mean code beside its scatter: what a quantiser leaves (codes squared).
const QUANTISED: f64 = 0.04;

/// A voltage read, in codes of the product's converter.
#[derive(Clone, Debug)]
pub(super) struct Point {
    /// Index into the settings with switches, see [`Cell::wirings`].
    pub wiring: usize,
    pub net: NetId,
    /// Channel index; none for a meter.
    pub channel: Option<usize>,
    pub code: f64,
    pub variance: f64,
    pub pulled: Option<f64>,
    proof: Proof,
    /// Whether a digital pin reads it: then `code` is its share of ones.
    pub digital: bool,
    /// Conductance to ground of a meter.
    pub load: f64,
}

impl Point {
    /// How many codes it has.
    pub fn codes(&self) -> usize {
        1 + usize::from(self.pulled.is_some())
    }
}

/// What a hypothesis predicts for one point.
#[derive(Clone, Debug)]
pub(super) struct Prediction {
    pub slopes: Slopes,
    /// Whether the defects short the supply here, so that nothing could have been read.
    shorts: bool,
    holds: Holds,
}

/// What the chip's own pull-up does to a digital pin as the product reads it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Holds {
    /// The product has it off.
    Off,
    /// It holds a pin that nothing else drives.
    On,
    /// A defect took it away: nothing then proves by it that a low pin is driven.
    Missing,
}

impl Prediction {
    /// The node, and what the chip's pull-up does to it.
    fn seen(&self) -> (Node, Holds) {
        (self.slopes.node, self.holds)
    }

    /// Whether nothing holds the pin as the product reads it.
    fn open(&self) -> bool {
        self.slopes.node == Node::Floating && self.holds != Holds::On
    }
}

/// How well a hypothesis fits the readings of a cell.
#[derive(Clone, Debug, Default)]
pub(super) struct Fit {
    /// Natural logarithm of the likelihood.
    pub ln: f64,
    /// Squared distance of the codes from their prediction, and how many there are.
    pub chi: f64,
    pub codes: usize,
    /// The most that a nuisance is stretched beyond its law, in standard deviations, and how many there
    /// are; none where it was not asked for.
    pub stretched: Option<(f64, usize)>,
    /// What the levels of digital pins have in the likelihood; 0 where each is as it must be.
    pub levels: f64,
    /// What the hypothesis cannot explain at all.
    pub against: usize,
    /// Estimate of the logarithm of the factor on the hypothesis's own value, and its deviation.
    pub own: Option<(f64, f64)>,
}

/// A wiring: the setting meant and the switches commanded to close.
type Wiring = (Setting, Vec<usize>);

/// Readings that belong together.
#[derive(Debug)]
pub(super) struct Cell<'a> {
    pub board: &'a Board,
    nets: Vec<NetId>,
    wirings: Vec<Wiring>,
    points: Vec<Point>,
    /// Resistors that matter, with the standard deviation of the logarithm of their value.
    pub resistors: Vec<(usize, f64)>,
    /// Switches that matter, with the standard deviations of the logarithm of their resistance and
    /// of their drop in volts.
    pub switches: Vec<(usize, f64, f64)>,
    pub channels: Vec<usize>,
    /// What codes and volts are shares of.
    pub scale: Scale,
    /// Whether a meter's volts are among the points.
    pub metered: bool,
    /// Jumpers that bear on nothing here: where they are does not make another wiring.
    elsewhere: Vec<usize>,
    /// The good unit as it is wired, and as some defects make it be wired.
    wired: OnceLock<Vec<Arc<Response>>>,
    solved: Mutex<HashMap<Wiring, Arc<Response>>>,
}

impl<'a> Cell<'a> {
    /// The readings at these nets.
    pub fn new(board: &'a Board, evidence: &Evidence, nets: &[NetId]) -> Cell<'a> {
        let mut cell = Cell {
            board,
            nets: nets.to_vec(),
            wirings: Vec::new(),
            points: Vec::new(),
            resistors: resistors_at(board, nets),
            switches: switches_at(board, nets),
            channels: Vec::new(),
            scale: Scale::of(board, evidence),
            metered: false,
            elsewhere: elsewhere(board, evidence, nets),
            wired: OnceLock::new(),
            solved: Mutex::default(),
        };
        for reading in &evidence.readings {
            let c = &board.channels[reading.channel];
            if !nets.contains(&c.net) {
                continue;
            }
            let wiring = cell.wiring(&reading.setting, &reading.closed);
            let (code, variance, pulled) = match reading.read {
                Read::Code { mean, sd, n, pulled } => {
                    let inl = 0.9 * board.chip.inl.lsb;
                    (mean, (sd * sd / n).max(0.25 / n) + QUANTISED + inl * inl, pulled)
                }
                Read::Level { ones } => (ones, 0.0, None),
            };
            if !cell.channels.contains(&reading.channel) {
                cell.channels.push(reading.channel);
            }
            cell.points.push(Point {
                wiring,
                net: c.net,
                channel: Some(reading.channel),
                code,
                variance,
                pulled,
                proof: reading.proof,
                digital: c.kind == Kind::Digital,
                load: 0.0,
            });
        }
        for meter in &evidence.meter {
            if let Meter::Volts { net, setting, volts } = meter
                && nets.contains(net)
            {
                cell.add_meter(*net, setting, *volts);
            }
        }
        cell
    }

    fn add_meter(&mut self, net: NetId, setting: &Setting, volts: Volts) {
        let wiring = self.wiring(setting, &[]);
        let code = |volts: f64| self.board.chip.scale * self.scale.metered(volts);
        let (code, sd) = (code(volts.0), code(super::measure::VOLTS_SD.of(volts.0)));
        self.metered = true;
        self.points.push(Point {
            wiring,
            net,
            channel: None,
            code,
            variance: sd * sd,
            pulled: None,
            proof: Proof::NotShown,
            digital: false,
            load: super::measure::METER_SIEMENS,
        });
    }

    fn wiring(&mut self, setting: &Setting, closed: &[usize]) -> usize {
        let mut setting = setting.clone();
        for &jumper in &self.elsewhere {
            setting.0[jumper] = Place::Open;
        }
        let wiring = (setting, closed.to_vec());
        let known = self.wirings.iter().position(|w| *w == wiring);
        known.unwrap_or_else(|| {
            self.wirings.push(wiring);
            self.wirings.len() - 1
        })
    }

    /// The share that a volt of the nominal unit makes at a point.
    pub fn per_volt(&self, point: &Point) -> f64 {
        match point.channel {
            Some(_) => self.scale.per_volt(),
            None => self.scale.per_volt_metered(),
        }
    }

    /// Whether nothing was read here.
    pub fn is_empty(&self) -> bool {
        self.points.is_empty()
    }

    /// Logarithm of the likelihood of a perfect fit, which none exceeds.
    pub fn perfect(&self) -> f64 {
        let of =
            |p: &Point| -(TAU * p.variance).ln() / 2.0 * if p.pulled.is_some() { 2.0 } else { 1.0 };
        self.points.iter().filter(|p| !p.digital).map(of).sum()
    }

    fn solved(&self, wiring: Wiring) -> Arc<Response> {
        let board = self.board;
        let mut solved = self.solved.lock().unwrap_or_else(PoisonError::into_inner);
        let anew = |(setting, closed): &Wiring| {
            Arc::new(Response::new(board, &Parts::nominal(board), setting, closed))
        };
        solved.entry(wiring).or_insert_with_key(anew).clone()
    }

    /// What some defects together make of every point.
    pub fn predict(&self, faults: &[Fault]) -> Vec<Prediction> {
        let each = (0..self.wirings.len()).map(|w| self.circuit(faults, w));
        let circuits: Vec<(Arc<Response>, Vec<Change>)> = each.collect();
        let shorts: Vec<bool> = (0..self.wirings.len()).map(|w| self.shorts(faults, w)).collect();
        let of = |point: &Point| {
            let (response, changes) = &circuits[point.wiring];
            let slopes = self.at(faults, response, changes, point);
            let holds = self.holds(point, faults);
            Prediction { slopes, shorts: shorts[point.wiring], holds }
        };
        self.points.iter().map(of).collect()
    }

    /// How many wirings there are.
    pub fn wirings(&self) -> usize {
        self.wirings.len()
    }

    /// The points.
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// The points that the converter read, each with its prediction.
    pub fn analog<'p>(
        &'p self,
        predictions: &'p [Prediction],
    ) -> impl Iterator<Item = (&'p Point, &'p Prediction)> {
        self.points.iter().zip(predictions).filter(|(point, _)| !point.digital)
    }

    /// What every point's node is with some defects, and what the shorts among them cost: without
    /// slopes, for a first look.
    pub fn nodes(&self, faults: &[Fault]) -> (Vec<Node>, f64) {
        let each = (0..self.wirings.len()).map(|w| self.circuit(faults, w));
        let circuits: Vec<(Arc<Response>, Vec<Change>)> = each.collect();
        let shorts: Vec<bool> = (0..self.wirings.len()).map(|w| self.shorts(faults, w)).collect();
        let node = |point: &Point| {
            if shorts[point.wiring] {
                return Node::Floating;
            }
            let (response, changes) = &circuits[point.wiring];
            let pinned = point.channel.is_some_and(|c| faults.iter().any(|f| f.pin(c).is_some()));
            match pinned || point.load > 0.0 {
                true => self.at(faults, response, changes, point).node,
                false => response
                    .glance(point.net, changes)
                    .unwrap_or_else(|| response.changed(point.net, changes)),
            }
        };
        let cost = if shorts.contains(&true) { SURVIVES } else { 0.0 };
        (self.points.iter().map(node).collect(), cost)
    }

    /// Whether the driven proof contradicts a node.
    pub fn contradicts(&self, point: &Point, node: Node) -> bool {
        self.proof(point, node).1
    }

    /// Whether these defects short the supply in a wiring; only what joins nets can.
    pub fn shorts(&self, faults: &[Fault], wiring: usize) -> bool {
        let (meant, commanded) = &self.wirings[wiring];
        faults.iter().any(joins) && {
            let mut built = Built::good(self.board, Parts::nominal(self.board));
            faults.iter().for_each(|&f| built.plant(self.board, f));
            built.shorts(self.board, meant, commanded)
        }
    }

    /// The good unit, wired as some defects make it be in a wiring, and what they change there; where
    /// that bends a unit with the changes made.
    pub fn circuit(&self, faults: &[Fault], wiring: usize) -> (Arc<Response>, Vec<Change>) {
        let (meant, commanded) = &self.wirings[wiring];
        let (mut seat, mut closed) = (Cow::Borrowed(meant), Cow::Borrowed(&commanded[..]));
        let mut changes = Vec::new();
        for fault in faults {
            changes.extend(fault.changes(self.board, meant));
            if let Cow::Owned(other) = fault.seat(self.board, &seat) {
                seat = Cow::Owned(other);
            }
            if let Cow::Owned(other) = fault.closed(&closed) {
                closed = Cow::Owned(other);
            }
        }
        let response = match (&seat, &closed) {
            (Cow::Borrowed(_), Cow::Borrowed(_)) => self.wired(wiring),
            _ => self.solved((seat.clone().into_owned(), closed.clone().into_owned())),
        };
        if !response.bends_at(&changes) {
            return (response, changes);
        }
        let made = Response::made(self.board, &seat, &closed, &changes, &self.nets);
        (Arc::new(made), Vec::new())
    }

    /// The good unit in a wiring; looked up very often.
    fn wired(&self, wiring: usize) -> Arc<Response> {
        let all = || self.wirings.iter().map(|w| self.solved(w.clone())).collect();
        self.wired.get_or_init(all)[wiring].clone()
    }

    fn at(
        &self,
        faults: &[Fault],
        response: &Response,
        changes: &[Change],
        point: &Point,
    ) -> Slopes {
        let joint = |c: usize| faults.iter().find_map(|f| f.pin(c));
        let held = Slopes::held;
        match point.channel.and_then(joint) {
            Some(Joint::Open) => held(Node::Floating),
            Some(Joint::Stuck(level)) => {
                let volts = if level == Level::High { self.board.supply.volts } else { Volts(0.0) };
                held(Node::Driven { volts, source: crate::units::Ohms(0.0) })
            }
            _ if point.load > 0.0 => {
                let ground = self.board.supply.ground;
                let between = [point.net, ground];
                let meter = Change { between, siemens: point.load, resistor: None };
                let changes: Vec<Change> = changes.iter().copied().chain([meter]).collect();
                response.slopes(point.net, &changes)
            }
            _ => response.slopes(point.net, changes),
        }
    }

    /// How well a hypothesis explains the readings with the chip's pull-up at `pull` ohms.
    pub fn fit(&self, hypothesis: &Hypothesis, predictions: &[Prediction], pull: f64) -> Fit {
        let (system, mut fit) = self.system(hypothesis, predictions, pull);
        system.close(&mut fit);
        fit
    }

    /// The same, and how far the nuisances are stretched for it.
    pub fn fit_in_full(
        &self,
        hypothesis: &Hypothesis,
        predictions: &[Prediction],
        pull: f64,
    ) -> Fit {
        let (system, mut fit) = self.system(hypothesis, predictions, pull);
        system.close_in_full(&mut fit);
        fit
    }

    /// The equations of the codes, and what all the rest comes to.
    fn system(
        &self,
        hypothesis: &Hypothesis,
        predictions: &[Prediction],
        pull: f64,
    ) -> (System<'_>, Fit) {
        let mut system = System::new(self, hypothesis);
        let mut fit = Fit::default();
        let (mut shorted, mut held) = (Vec::new(), HashMap::new());
        for (point, prediction) in self.points.iter().zip(predictions) {
            if prediction.shorts {
                // Most supplies give in, and nothing is read at all; from one that does not,
                // anything may be read, see below. One that did not once does not again.
                if shorted.is_empty() {
                    fit.ln += SURVIVES;
                }
                if !shorted.contains(&point.wiring) {
                    shorted.push(point.wiring);
                }
                let codes = if point.pulled.is_some() { 2.0 } else { 1.0 };
                fit.ln -=
                    if point.digital { 2f64.ln() } else { codes * self.board.chip.scale.ln() };
                continue;
            }
            if point.digital {
                let (mut ln, against) = self.level(point, prediction.seen(), pull);
                if prediction.open() && !against {
                    // An open pin keeps what it has, so that its readings are not worth much more
                    // than one.
                    let kept = held.insert(point.channel, point.code);
                    ln = kept.map_or(ln, |code| if code == point.code { KEEPS } else { ln });
                }
                fit.ln += ln;
                fit.levels += ln;
                fit.against += usize::from(against);
                continue;
            }
            let (ln, against) = self.proof(point, prediction.slopes.node);
            fit.ln += ln;
            fit.against += usize::from(against);
            system.point(point, &prediction.slopes, pull, &mut fit);
        }
        fit.against += usize::from(2 * shorted.len() > self.wirings.len());
        (system, fit)
    }

    /// What the chip's pull-up does to a point of a unit with some defects.
    pub fn holds(&self, point: &Point, faults: &[Fault]) -> Holds {
        match point.channel.filter(|_| point.digital) {
            Some(channel) if faults.contains(&Fault::PullUpMissing { channel }) => Holds::Missing,
            Some(channel) if self.board.channels[channel].pull_up => Holds::On,
            _ => Holds::Off,
        }
    }

    /// What the driven proof says of an analog point.
    pub fn proof(&self, point: &Point, node: Node) -> (f64, bool) {
        let open = node == Node::Floating;
        let against = match point.proof {
            Proof::Driven => open,
            Proof::Open => !open,
            Proof::NotShown => false,
        };
        if against { (AGAINST, true) } else { (0.0, false) }
    }

    /// A level of a node, and what the chip's pull-up does to it: certain outside the input levels, a
    /// ramp between them.
    pub fn level(&self, point: &Point, (node, holds): (Node, Holds), pull: f64) -> (f64, bool) {
        let board = self.board;
        let supply = board.supply.volts;
        let ratio = match node {
            _ if holds == Holds::On => {
                let volts = crate::circuit::pulled_up(node, supply, crate::units::Ohms(pull));
                Some(volts.0 / supply.0)
            }
            Node::Driven { volts, .. } => Some(volts.0 / supply.0),
            Node::Floating => None,
        };
        let high = match ratio {
            None => 0.5,
            Some(ratio) => {
                let (vil, vih) = (board.chip.vil.0, board.chip.vih.0);
                ((ratio - vil) / (vih - vil)).clamp(0.0, 1.0)
            }
        };
        const SURE: f64 = 1e-6;
        // Between the levels a pin keeps what it has, so that it looks open once it was discharged.
        let undecided = (SURE..1.0 - SURE).contains(&high);
        let high = high.clamp(SURE, 1.0 - SURE);
        let (ln, mut against) = match point.code {
            ones if ones >= 1.0 => (high.ln(), high <= SURE),
            ones if ones <= 0.0 => ((1.0 - high).ln(), high >= 1.0 - SURE),
            _ => ((4.0 * high * (1.0 - high)).ln() - 2.0, !(0.01..0.99).contains(&high)),
        };
        let contradicted = match point.proof {
            Proof::Driven => node == Node::Floating && holds == Holds::Off,
            Proof::Open => node != Node::Floating && !undecided,
            Proof::NotShown => false,
        };
        against |= contradicted;
        (ln + if contradicted { AGAINST } else { 0.0 }, against)
    }

    /// Distance of two hypotheses, in standard deviations of what tells them apart; `pull` ohms.
    pub fn distance(
        &self,
        leader: (&Hypothesis, &[Prediction]),
        other: &[Prediction],
        pull: f64,
    ) -> f64 {
        let mut system = System::new(self, leader.0);
        let mut apart = 0.0;
        let mut open: Vec<Option<usize>> = Vec::new();
        for (i, point) in self.points.iter().enumerate() {
            // What a shorted supply leaves says nothing but that it is shorted.
            match (leader.1[i].shorts, other[i].shorts) {
                (true, true) => continue,
                (true, false) | (false, true) => {
                    apart += 12.0;
                    continue;
                }
                (false, false) => {}
            }
            let (a, b) = (&leader.1[i].slopes, &other[i].slopes);
            let level = |p: &Prediction| self.level(point, p.seen(), pull).0.exp();
            let missing =
                |i: usize| [&leader.1[i], &other[i]].iter().any(|p| p.holds == Holds::Missing);
            let levels = || 8.0 * (level(&leader.1[i]) - level(&other[i])).abs().min(1.0);
            match (a.node, b.node) {
                // What a pull-up holds is not open.
                _ if point.digital && !leader.1[i].open() && !other[i].open() => apart += levels(),
                (Node::Floating, Node::Floating) => {}
                // Nothing shows that it is open but that its level may be another.
                (Node::Floating, _) | (_, Node::Floating)
                    if point.digital && (point.proof == Proof::NotShown || missing(i)) =>
                {
                    if !open.contains(&point.channel) {
                        open.push(point.channel);
                        apart += 2.0;
                    }
                }
                (Node::Floating, _) | (_, Node::Floating) => apart += 12.0,
                _ if point.digital => apart += levels(),
                _ => {
                    let mut seen = point.clone();
                    let per_volt = self.per_volt(point);
                    let top = self.board.supply.volts.0 * per_volt;
                    let full = f64::from(self.board.chip.full_scale);
                    let code = |s: &Slopes, pulled: bool| match s.node {
                        Node::Driven { volts, source } => {
                            let x = if pulled { source.0 / pull } else { 0.0 };
                            let ratio = (volts.0 * per_volt + top * x) / (1.0 + x);
                            (self.board.chip.scale * ratio - 0.5).clamp(0.0, full)
                        }
                        Node::Floating => 0.0,
                    };
                    seen.code = code(b, false);
                    seen.pulled = point.pulled.map(|_| code(b, true));
                    system.point(&seen, a, pull, &mut Fit::default());
                }
            }
        }
        let mut fit = Fit::default();
        system.close(&mut fit);
        (fit.chi + apart).max(0.0).sqrt()
    }
}

/// Jumpers of other groups in which something was read: those of a group that was not read may
/// still be taken for one of this.
fn elsewhere(board: &Board, evidence: &Evidence, nets: &[NetId]) -> Vec<usize> {
    let read = |group: &Group| {
        let mut channels = evidence.readings.iter().map(|r| board.channels[r.channel].net);
        channels.any(|net| group.nets.contains(&net))
    };
    let other = |group: &Group| !group.nets.iter().any(|n| nets.contains(n)) && read(group);
    circuit::groups(board).into_iter().filter(other).flat_map(|group| group.jumpers).collect()
}

/// Whether a defect joins nets, so that it may short the supply.
pub(super) fn joins(fault: &Fault) -> bool {
    match *fault {
        Fault::SecondShunt { .. } | Fault::ResistorShorted { .. } => true,
        Fault::PinsBridged { ohms, .. }
        | Fault::HeadersBridged { ohms, .. }
        | Fault::ChannelsBridged { ohms, .. }
        | Fault::PinLeaks { ohms, .. } => ohms.0 < SHORT_BELOW.0,
        _ => false,
    }
}

/// Resistors at some nets, with the standard deviation of the logarithm of their value: that of a
/// uniform law over the tolerance (JCGM 100:2008, 4.3.7), and a little for the temperature.
fn resistors_at(board: &Board, nets: &[NetId]) -> Vec<(usize, f64)> {
    let inside = |r: &crate::board::Resistor| r.between.iter().any(|n| nets.contains(n));
    let each = board.resistors.iter().enumerate().filter(|(_, r)| inside(r));
    each.map(|(i, r)| (i, (r.tolerance.0 / 3f64.sqrt()).hypot(0.001))).collect()
}

/// Switches at some nets, with the standard deviations of the logarithm of their resistance and of
/// their drop: uniform laws over what the board file allows. The logarithm, since it spans decades.
fn switches_at(board: &Board, nets: &[NetId]) -> Vec<(usize, f64, f64)> {
    let inside = |s: &crate::board::Switch| s.between.iter().any(|n| nets.contains(n));
    let each = board.switches.iter().enumerate().filter(|(_, s)| inside(s));
    each.map(|(i, s)| (i, s.on_sd(), s.drop_sd())).collect()
}
