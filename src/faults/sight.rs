//! In which readings a defect shows.

use super::{Fault, Sighting, modelled};
use crate::board::{Board, Channel, Kind, Level, Place, Question, Setting};
use crate::circuit::{Circuit, Node, Parts, pulled_up};
use crate::units::{Ohms, Volts};
use crate::window::{self, Band, Expected, Windows, adc};

/// What a good unit shows in a list of settings, so that many defects can be held against it.
#[derive(Clone, Debug)]
pub struct Views<'a> {
    board: &'a Board,
    settings: Vec<Setting>,
    /// By setting: what each channel shows that is judged there.
    good: Vec<Vec<View>>,
}

/// What one channel of a good unit shows.
#[derive(Clone, Debug)]
struct View {
    channel: usize,
    /// With its switches closed.
    reads: Expected,
    /// With its switches open, where that is read too.
    rests: Option<Expected>,
}

impl<'a> Views<'a> {
    /// Views of these channels in these settings. A setting that stands for no option of a channel
    /// is not judged there, so it shows nothing.
    pub fn new(
        board: &'a Board,
        windows: &Windows,
        settings: Vec<Setting>,
        channels: &[usize],
    ) -> Views<'a> {
        let view = |setting: &Setting, channel: usize| {
            windows.channels[channel].class_of_setting(setting)?;
            let c = &board.channels[channel];
            let rests = !c.closes.is_empty() && c.kind == Kind::Analog;
            Some(View {
                channel,
                reads: window::expect(board, setting, channel),
                rests: rests.then(|| window::expect_closed(board, setting, channel, &[])),
            })
        };
        let views = |s: &Setting| channels.iter().filter_map(|&c| view(s, c)).collect();
        let good = settings.iter().map(views).collect();
        Views { board, settings, good }
    }

    /// The settings in which a defect shows, by index.
    pub fn seen_in(&self, fault: Fault) -> Vec<usize> {
        let parts = self.faulty(fault);
        (0..self.settings.len()).filter(|&s| self.shows(&parts, s).is_some()).collect()
    }

    /// Where a defect shows first, or none.
    ///
    /// Worst case on both sides: the readings with the defect, spread as those of a good unit are,
    /// must not touch what a good unit can give. A node that a defect leaves floating counts only
    /// where the driven proof shows it.
    pub fn sighting(&self, fault: Fault) -> Option<Sighting> {
        let parts = self.faulty(fault);
        (0..self.settings.len()).find_map(|step| {
            let channel = self.shows(&parts, step)?;
            Some(Sighting { step, channel })
        })
    }

    fn faulty(&self, fault: Fault) -> Parts {
        let mut parts = Parts::nominal(self.board);
        fault.plant(&mut parts);
        parts
    }

    /// The channel that shows these parts in a setting; the inner none is a question.
    fn shows(&self, parts: &Parts, step: usize) -> Option<Option<usize>> {
        let setting = &self.settings[step];
        let by_channel = self.good[step].iter().find(|v| self.channel_shows(parts, setting, v));
        let question = |q: &Question| question_shows(self.board, parts, setting, q);
        by_channel
            .map(|v| Some(v.channel))
            .or_else(|| self.board.questions.iter().any(question).then_some(None))
    }

    fn channel_shows(&self, parts: &Parts, setting: &Setting, view: &View) -> bool {
        let c = &self.board.channels[view.channel];
        let node =
            |closed: &[usize]| Circuit::solve(self.board, parts, setting, closed).node(c.net);
        let reads = node(&c.closes);
        let shows = match c.kind {
            // The sequence reads it by no pin.
            Kind::Meter { .. } => false,
            Kind::Digital => level_shows(self.board, c, reads, &view.reads),
            Kind::Analog => code_shows(self.board, c, reads, &view.reads),
        };
        // At rest the limits are those of the design, and no proof is asked for.
        let rests = |good: &Expected| match node(&[]) {
            Node::Driven { volts, .. } => {
                let spread = Spread::of(good);
                spread.apart(code(self.board, volts), good.design)
            }
            Node::Floating => false,
        };
        shows || view.rests.as_ref().is_some_and(rests)
    }
}

/// Every modelled defect with the place where it shows first in these settings, if it does.
pub fn sightings(
    board: &Board,
    windows: &Windows,
    settings: &[Setting],
) -> Vec<(Fault, Option<Sighting>)> {
    let every: Vec<usize> = (0..board.channels.len()).collect();
    let views = Views::new(board, windows, settings.to_vec(), &every);
    modelled(board).into_iter().map(|fault| (fault, views.sighting(fault))).collect()
}

fn code(board: &Board, volts: Volts) -> f64 {
    adc::code_at(volts, board)
}

/// How far a good unit's code may lie under and over the nominal one on the bench.
struct Spread {
    under: f64,
    over: f64,
}

impl Spread {
    fn of(good: &Expected) -> Spread {
        Spread {
            under: (good.code - good.bench.low).abs(),
            over: (good.bench.high - good.code).abs(),
        }
    }

    /// Whether a code, spread like this, lies outside a band.
    fn apart(&self, code: f64, band: Band) -> bool {
        code - self.under > band.high || code + self.over < band.low
    }
}

fn code_shows(board: &Board, c: &Channel, node: Node, good: &Expected) -> bool {
    let Node::Driven { .. } = good.node else { return false };
    match node {
        Node::Floating => c.pin.pull_up,
        Node::Driven { volts, .. } => {
            Spread::of(good).apart(code(board, volts), good.bench)
                || pulled_shows(board, node, good)
        }
    }
}

/// Codes that a band with the pull-up on is kept apart by, beyond the pull-up's own range.
const PULLED_APART: f64 = 5.0;

fn pulled_shows(board: &Board, node: Node, good: &Expected) -> bool {
    let Some(band) = good.pulled else { return false };
    let pulled = |pull: Ohms| code(board, pulled_up(node, board.supply.volts, pull));
    let (a, b) = (pulled(board.chip.pull_up.0), pulled(board.chip.pull_up.1));
    let (low, high) = (a.min(b) - PULLED_APART, a.max(b) + PULLED_APART);
    low > band.high || high < band.low
}

fn level_shows(board: &Board, c: &Channel, node: Node, good: &Expected) -> bool {
    let Some(right) = good.level else { return false };
    match (surely_reads(board, c, node), right) {
        (Some(level), right) => level != right,
        // Nothing holds the pin: the level means nothing, but one of the proofs may show it.
        (None, Level::Low) if node == Node::Floating => {
            c.pin.pull_up && !good.gives_way(&board.chip)
        }
        (None, Level::High) if node == Node::Floating => c.discharge,
        (None, _) => false,
    }
}

/// The level that the product reads whatever its pull-up is; none where that is not sure.
fn surely_reads(board: &Board, c: &Channel, node: Node) -> Option<Level> {
    let supply = board.supply.volts;
    let level = |volts: Volts| window::level_of(volts.0 / supply.0 * board.chip.scale, &board.chip);
    match node {
        _ if c.pull_up => {
            let (low, high) = board.chip.pull_up;
            let with = |pull: Ohms| level(pulled_up(node, supply, pull));
            with(low).filter(|&l| with(high) == Some(l))
        }
        Node::Driven { volts, .. } => level(volts),
        Node::Floating => None,
    }
}

/// A question sees what it asks about: lamps that should be lit or dark and are not.
fn question_shows(board: &Board, parts: &Parts, setting: &Setting, q: &Question) -> bool {
    let holds = q.when.iter().all(|&(j, p): &(usize, Place)| setting.0[j] == p);
    let answers = !q.lit.is_empty() || !q.dark.is_empty();
    holds && answers && super::answer(board, parts, setting, q) != q.expect
}
