//! In which readings a defect shows.

use super::built::stuck;
use super::good::{Good, GoodUnit, View, Widths};
use super::pulled::pulled_shows;
use super::{Built, Fault, Joint, Reach, Sighting, Witness, answer, modelled};
use crate::board::{Board, Channel, Kind, Level, Place, Question, Setting};
use crate::circuit::{self, Node, Response, pulled_up};
use crate::units::{Ohms, Volts};
use crate::window::{self, Band, Expected, Windows, adc};
use std::borrow::Cow;
use std::rc::Rc;

/// Codes that a defect must lie beyond the band of good units to be sure to show: room for the
/// uncertainty of a burst's mean, whose floor is 0.58 (k = 2 of a perfect quantiser).
pub(super) const APART: f64 = 1.0;

/// Share of the bands' widths, and codes, within which the straight-line band of a defect is not
/// trusted and its corners are searched (the straight line misses by a tenth at most).
const NEAR: (f64, f64) = (0.15, 1.0);

/// What a good unit shows in a list of settings, so that many defects can be held against it.
#[derive(Debug)]
pub struct Views<'a> {
    board: &'a Board,
    unit: Rc<GoodUnit<'a>>,
    settings: Vec<Setting>,
    /// By setting: what each channel shows that is judged there.
    good: Vec<Vec<View>>,
}

/// A defect with what it can bear on, looked up once for all settings.
struct Scope {
    fault: Fault,
    reach: Reach,
    /// By group: whether it bears on what the group holds.
    touched: Vec<bool>,
    /// Whether it reaches into more than one group, so that a channel depends on more than the
    /// jumpers of its own.
    far: bool,
}

/// How sure it is that a reading shows a defect.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Shows {
    No,
    /// Only the corners of the faulty circuit can tell.
    Near,
    Yes,
}

impl From<bool> for Shows {
    fn from(shows: bool) -> Shows {
        if shows { Shows::Yes } else { Shows::No }
    }
}

impl<'a> Views<'a> {
    /// Views of a sequence: each setting with the channels that are read in it. A setting that
    /// stands for no option of a channel is not judged there, so it shows nothing.
    pub fn new(
        board: &'a Board,
        windows: &'a Windows,
        looks: impl IntoIterator<Item = (Setting, Vec<usize>)>,
    ) -> Views<'a> {
        Views::of_unit(Rc::new(GoodUnit::new(board, windows)), looks)
    }

    /// Views of another sequence of the same board; what has been worked out for either serves both.
    pub fn of(&self, looks: impl IntoIterator<Item = (Setting, Vec<usize>)>) -> Views<'a> {
        Views::of_unit(self.unit.clone(), looks)
    }

    fn of_unit(
        unit: Rc<GoodUnit<'a>>,
        looks: impl IntoIterator<Item = (Setting, Vec<usize>)>,
    ) -> Views<'a> {
        let (mut settings, mut good) = (Vec::new(), Vec::new());
        for (setting, channels) in looks {
            good.push(channels.iter().filter_map(|&c| unit.view(&setting, c)).collect());
            settings.push(setting);
        }
        Views { board: unit.board, unit, settings, good }
    }

    fn scope(&self, fault: Fault) -> Scope {
        let reach = fault.reach(self.board);
        let touched: Vec<bool> =
            self.unit.groups.iter().map(|g| reach.touches(self.board, g)).collect();
        let far = touched.iter().filter(|t| **t).count() > 1;
        Scope { fault, reach, touched, far }
    }

    /// The circuit of all that a defect bears on.
    fn solved(&self, scope: &Scope, setting: &Setting, closed: &[usize]) -> Option<Rc<Response>> {
        let touched = self.unit.groups.iter().enumerate().filter(|(g, _)| scope.touched[*g]);
        self.unit.solved.of_groups(self.board, touched, setting, closed)
    }

    /// The settings in which a defect is sure to show, by index.
    ///
    /// Those in which only a search of the corners could tell are searched when there are no
    /// others.
    pub fn seen_in(&self, fault: Fault) -> Vec<usize> {
        self.each_seen_in(&[fault]).into_iter().flatten().collect()
    }

    /// The same for several defects. Setting by setting, so that a solved circuit is looked at for
    /// all of them while it is at hand.
    pub fn each_seen_in(&self, faults: &[Fault]) -> Vec<Vec<usize>> {
        let scopes: Vec<Scope> = faults.iter().map(|&fault| self.scope(fault)).collect();
        let mut sure: Vec<Vec<usize>> = vec![Vec::new(); faults.len()];
        for step in 0..self.settings.len() {
            for (scope, sure) in scopes.iter().zip(&mut sure) {
                if self.shows(scope, step, false).is_some() {
                    sure.push(step);
                }
            }
        }
        for (scope, sure) in scopes.iter().zip(&mut sure).filter(|(_, sure)| sure.is_empty()) {
            let searched = |&s: &usize| self.shows(scope, s, true).is_some();
            *sure = (0..self.settings.len()).filter(searched).collect();
        }
        sure
    }

    /// Where a defect shows first, or none.
    ///
    /// Worst case on both sides: the readings with the defect, its good parts spread over their
    /// tolerances, must not touch what a good unit can give. A node that a defect leaves floating
    /// counts only where the driven proof shows it.
    pub fn sighting(&self, fault: Fault) -> Option<Sighting> {
        let scope = self.scope(fault);
        let first = |corners: bool| {
            (0..self.settings.len()).find_map(|step| {
                let by = self.shows(&scope, step, corners)?;
                Some(Sighting { step, by })
            })
        };
        if let Fault::LoadDead { load } | Fault::LoadShorted { load } = fault {
            return self.load_shows(fault, load);
        }
        first(false).or_else(|| first(true))
    }

    /// The same of several defects.
    pub fn sightings(&self, faults: &[Fault]) -> Vec<(Fault, Option<Sighting>)> {
        faults.iter().map(|&fault| (fault, self.sighting(fault))).collect()
    }

    /// Whether a defect is sure to show somewhere by the straight-line bands alone, without a search
    /// of corners: quick, and never too much.
    pub(super) fn surely_shows(&self, fault: Fault) -> bool {
        let scope = self.scope(fault);
        (0..self.settings.len()).any(|step| self.shows(&scope, step, false).is_some())
    }

    /// Loads are tried after the last step.
    fn load_shows(&self, fault: Fault, load: usize) -> Option<Sighting> {
        let (least, _) = self.board.loads[load].sag;
        let measured = self.board.chip.reads_supply || self.board.supply.by_meter;
        let shows = measured && (least.0 > 0.0 || matches!(fault, Fault::LoadShorted { .. }));
        let step = self.settings.len().checked_sub(1)?;
        shows.then_some(Sighting { step, by: Witness::Load(load) })
    }

    /// What shows a defect in a setting, if anything is sure to.
    fn shows(&self, scope: &Scope, step: usize, corners: bool) -> Option<Witness> {
        let setting = &self.settings[step];
        let by_channel = self.good[step].iter().find(|v| {
            v.group.is_some_and(|group| scope.touched[group])
                && scope.reach.channel.is_none_or(|c| c == v.channel)
                && self.channel_shows(scope, setting, v, corners)
        });
        by_channel
            .map(|v| Witness::Channel(v.channel))
            .or_else(|| self.question_shows(scope, setting).map(Witness::Question))
    }

    fn channel_shows(&self, scope: &Scope, setting: &Setting, view: &View, corners: bool) -> bool {
        let held = |good: &Good, rests: bool| {
            let shows = self.good_differs(scope, setting, view.channel, good, rests);
            let near = || self.corners_known(scope, setting, view.channel, good, rests);
            shows == Shows::Yes || (corners && shows == Shows::Near && near())
        };
        held(&view.reads, false) || view.rests.as_ref().is_some_and(|good| held(good, true))
    }

    fn good_differs(
        &self,
        scope: &Scope,
        setting: &Setting,
        channel: usize,
        good: &Good,
        rests: bool,
    ) -> Shows {
        let (c, fault) = (&self.board.channels[channel], scope.fault);
        let (seat, closed) = (fault.seat(self.board, setting), fault.closed(&good.closed));
        let changes = fault.changes(self.board, setting);
        let moved = match (&seat, &closed) {
            (Cow::Borrowed(_), Cow::Borrowed(_)) => false,
            _ => *seat != *setting || *closed != *good.closed,
        };
        let same = !scope.far && !moved;
        let base = match same {
            true => good.base.clone(),
            false => self.solved(scope, &seat, &closed),
        };
        let Some(base) = base else { return Shows::No };
        let net = match base.bends() && !changes.is_empty() {
            // A switch with a drop is not linear: this one is solved for itself.
            true => Built::with(self.board, fault).node(self.board, setting, &good.closed, channel),
            false => base.changed(c.net, &changes),
        };
        let node = match fault.pin(channel) {
            None | Some(Joint::Sound) => net,
            Some(Joint::Open) => Node::Floating,
            Some(Joint::Stuck(level)) => stuck(self.board.supply.volts, level),
        };
        let pull_up = c.pull_up && fault != Fault::PullUpMissing { channel };
        // The tolerances count only where the nominal unit shows the defect.
        let widths = || match fault.pin(channel) {
            Some(Joint::Stuck(_)) => Widths::default(),
            _ => self.unit.widths(&base, c, &changes),
        };
        match c.kind {
            Kind::Meter { .. } => Shows::No,
            Kind::Digital => {
                level_shows(self.board, c, pull_up, node, &good.expected, widths().off).into()
            }
            Kind::Analog => {
                let most = if scope.far { f64::INFINITY } else { good.most };
                match rests {
                    true => self.rest_shows(node, good, most, || widths().off),
                    false => self.code_shows(c, node, good, most, &widths),
                }
            }
        }
    }

    fn code_shows(
        &self,
        c: &Channel,
        node: Node,
        good: &Good,
        most: f64,
        widths: &dyn Fn() -> Widths,
    ) -> Shows {
        let Node::Driven { .. } = good.expected.node else { return Shows::No };
        let volts = match node {
            Node::Floating => return c.pin.pull_up.into(),
            Node::Driven { volts, .. } => volts,
        };
        let code = code(self.board, volts);
        let off = match good.expected.bench.contains(code) {
            true => Shows::No,
            false => surely_apart(code, good, good.expected.bench, most, || widths().off),
        };
        match off {
            Shows::Yes => Shows::Yes,
            _ => off.max(pulled_shows(self.board, node, good, most, widths)),
        }
    }

    /// At rest the limits are those of the design, and no proof is asked for.
    fn rest_shows(&self, node: Node, good: &Good, most: f64, width: impl FnOnce() -> f64) -> Shows {
        let Node::Driven { volts, .. } = node else { return Shows::No };
        let code = code(self.board, volts);
        match good.expected.design.contains(code) {
            true => Shows::No,
            false => surely_apart(code, good, good.expected.design, most, width),
        }
    }

    /// As [`Views::corners_differ`], each asked once: they take long, and the sequence passes settings
    /// again that were gone through for a group.
    fn corners_known(
        &self,
        scope: &Scope,
        setting: &Setting,
        channel: usize,
        good: &Good,
        rests: bool,
    ) -> bool {
        let touched = self.unit.groups.iter().zip(&scope.touched).filter(|(_, touched)| **touched);
        let places = touched.flat_map(|(group, _)| group.jumpers.iter().map(|&j| setting.0[j]));
        // A defect has resistances, which are no key by themselves.
        let key = (format!("{:?}", scope.fault), channel, places.collect(), rests);
        if let Some(&known) = self.unit.corners.borrow().get(&key) {
            return known;
        }
        let differ = self.corners_differ(scope.fault, setting, channel, good, rests);
        self.unit.corners.borrow_mut().insert(key, differ);
        differ
    }

    /// The same by the extremes of the faulty circuit, found as those of a good one are.
    fn corners_differ(
        &self,
        fault: Fault,
        setting: &Setting,
        channel: usize,
        good: &Good,
        rests: bool,
    ) -> bool {
        let seat = fault.seat(self.board, setting);
        let closed = fault.closed(&good.closed);
        let faulty = with_changes(self.board, &fault.changes(self.board, setting));
        let bad = window::expect_on_bench(&faulty, &seat, channel, &closed);
        let Node::Driven { .. } = bad.node else { return false };
        let limits = if rests { good.expected.design } else { good.expected.bench };
        let pulled = || match (bad.pulled, good.expected.pulled) {
            (Some(bad), Some(good)) => beyond(bad, good) >= APART,
            _ => false,
        };
        beyond(bad.bench, limits) >= APART || (!rests && pulled())
    }

    /// A question sees what it asks about: lamps that should be lit or dark and are not.
    fn question_shows(&self, scope: &Scope, setting: &Setting) -> Option<usize> {
        let asks = |q: &Question| {
            let holds = q.when.iter().all(|&(j, p): &(usize, Place)| setting.0[j] == p);
            let lamps: Vec<usize> = q.lit.iter().chain(&q.dark).copied().collect();
            let nets = lamps.iter().flat_map(|&r| self.board.resistors[r].between);
            let touched = nets.into_iter().any(|net| {
                let mine = self.unit.groups.iter().position(|g| g.nets.contains(&net));
                mine.is_some_and(|g| scope.touched[g])
            });
            let shows = || {
                let built = Built::with(self.board, scope.fault);
                answer(self.board, &built, setting, q) != q.expect
            };
            holds && touched && shows()
        };
        self.board.questions.iter().position(asks)
    }
}

/// Every modelled defect with the place where it shows first in a sequence, if it does; see
/// [`Views::new`].
pub fn sightings(
    board: &Board,
    windows: &Windows,
    looks: impl IntoIterator<Item = (Setting, Vec<usize>)>,
) -> Vec<(Fault, Option<Sighting>)> {
    let views = Views::new(board, windows, looks);
    views.sightings(&modelled(board))
}

pub(super) fn code(board: &Board, volts: Volts) -> f64 {
    adc::code_at(volts, board)
}

/// As [`apart`], with the width worked out only where it decides: not where even the most leaves a
/// defect sure to show, nor where none at all would not.
fn surely_apart(
    code: f64,
    good: &Good,
    band: Band,
    most: f64,
    width: impl FnOnce() -> f64,
) -> Shows {
    if apart(code, good, band, most) == Shows::Yes {
        return Shows::Yes;
    }
    match apart(code, good, band, 0.0) {
        Shows::No => Shows::No,
        _ => apart(code, good, band, width()),
    }
}

/// Whether a faulty code, spread as a good one is but for what its own resistors do, lies outside
/// a band.
fn apart(code: f64, good: &Good, band: Band, width: f64) -> Shows {
    let spread = |good_one: f64| (good_one - good.widths.off).max(0.0) + width;
    let under = spread((good.expected.code - good.expected.bench.low).abs());
    let over = spread((good.expected.bench.high - good.expected.code).abs());
    // A band ends where the scale does; a faulty reading elsewhere on it does not.
    let Band { low, high } = good.expected.bench;
    let (under, over) = match (low <= 0.0, high >= good.top) {
        (true, _) => (under.max(over), over),
        (_, true) => (under, over.max(under)),
        _ => (under, over),
    };
    let bad = Band { low: code - under, high: code + over };
    clear(beyond(bad, band), under + over)
}

/// How sure a distance between bands is, with the width of the one that was drawn by straight lines.
pub(super) fn clear(gap: f64, width: f64) -> Shows {
    let unsure = NEAR.0 * width + NEAR.1;
    match gap - APART {
        g if g > unsure => Shows::Yes,
        g if g > -unsure => Shows::Near,
        _ => Shows::No,
    }
}

/// How far a band lies beyond another; negative where they overlap.
pub(super) fn beyond(bad: Band, good: Band) -> f64 {
    (bad.low - good.high).max(good.low - bad.high)
}

/// The board with the changes of a defect made, so that its extremes can be searched.
fn with_changes(board: &Board, changes: &[circuit::Change]) -> Board {
    let mut faulty = board.clone();
    for change in changes {
        match change.resistor {
            Some(r) => {
                let resistor = &mut faulty.resistors[r];
                let siemens = 1.0 / resistor.ohms.0 + change.siemens;
                if siemens > 0.0 && siemens.is_finite() {
                    resistor.ohms = Ohms(1.0 / siemens);
                } else {
                    // Joined to one net only, it is not there.
                    resistor.between = [resistor.between[0]; 2];
                }
            }
            None => {
                if let Some(any) = board.resistors.first() {
                    let mut bridge = any.clone();
                    bridge.between = change.between;
                    bridge.ohms = Ohms(1.0 / change.siemens);
                    bridge.tolerance.0 = 0.0;
                    faulty.resistors.push(bridge);
                }
            }
        }
    }
    faulty
}

fn level_shows(
    board: &Board,
    c: &Channel,
    pull_up: bool,
    node: Node,
    good: &Expected,
    width: f64,
) -> bool {
    let Some(right) = good.level else { return false };
    match (surely_reads(board, pull_up, node, width), right) {
        (Some(level), right) => level != right,
        // Nothing holds the pin: the level means nothing, but one of the proofs may show it.
        (None, Level::Low) if node == Node::Floating => {
            c.pin.pull_up && !good.gives_way(&board.chip)
        }
        (None, Level::High) if node == Node::Floating => c.discharge,
        (None, _) => false,
    }
}

/// The level that the product reads whatever its pull-up and its parts are; none where that is not
/// sure.
fn surely_reads(board: &Board, pull_up: bool, node: Node, width: f64) -> Option<Level> {
    let supply = board.supply.volts;
    let level = |volts: Volts, off: f64| {
        window::level_of(volts.0 / supply.0 * board.chip.scale + off, &board.chip)
    };
    let both = |volts: Volts| level(volts, width).filter(|&l| level(volts, -width) == Some(l));
    match node {
        _ if pull_up => {
            let (low, high) = board.chip.pull_up;
            let with = |pull: Ohms| both(pulled_up(node, supply, pull));
            with(low).filter(|&l| with(high) == Some(l))
        }
        Node::Driven { volts, .. } => both(volts),
        Node::Floating => None,
    }
}
