//! One look at a unit as it lies there: where each shunt is and what the firmware would read.

use super::judge;
use super::shape::{Shape, seen_shapes, shapes};
use super::sweep::{BURST, Got, Keep, Sweep};
use super::visit::{Errand, Next, Visit, went_on};
use super::{Answer, Ask, Burst, Check, Cut, Design, ProbeInfo, UnitVerdict, Verdict};
use crate::board::{Board, Kind, Place, Setting};
use crate::circuit::{self, Group};
use crate::window::{self, Windows};
use std::sync::Arc;
use std::time::Duration;

/// Where a jumper's shunt is, by the readings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Located {
    /// Here, and nowhere else that the readings allow.
    At(Place),
    /// In one of these places; the readings cannot tell which.
    OneOf(Vec<Place>),
    /// Nowhere that the circuit knows: a defect, or a shunt half on.
    Nowhere,
}

/// What one look came to.
#[derive(Clone, Debug, PartialEq)]
pub struct Look {
    /// For each jumper.
    pub jumpers: Vec<Located>,
    /// For each option set, the option that the firmware would take; none for no option.
    pub options: Vec<Option<String>>,
    /// Readings judged against the setting found; jumpers that no reading shows count as expected,
    /// or as delivered.
    pub checks: Vec<Check>,
    /// The setting that the readings were judged against.
    pub setting: Setting,
    /// The internal reference read against the supply, where the probe can.
    pub supply: Option<Burst>,
}

/// Settings of one group beyond which they are not searched through.
const MOST: usize = 65_536;

/// Concludes from what was read. `expected` fills in what no reading shows.
pub fn conclude(board: &Board, windows: &Windows, got: &Got, expected: &Setting) -> Look {
    let mut setting = expected.clone();
    let mut jumpers = vec![Located::OneOf(Vec::new()); board.jumpers.len()];
    for group in circuit::groups(board) {
        for (jumper, located) in locate(board, windows, got, &group, expected) {
            if let Located::At(place) = located {
                setting = setting.with(jumper, place);
            }
            jumpers[jumper] = located;
        }
    }
    let seen = seen_shapes(board, windows, got);
    let class = |channel: usize| match seen[channel] {
        Shape::Class(class) => Some(class),
        _ => None,
    };
    let option = |set: usize| {
        let channels = &board.options[set].channels;
        let classes: Vec<_> = channels.iter().map(|&c| (c, class(c))).collect();
        window::option_read(board, windows, set, &classes)
    };
    let options = (0..board.options.len()).map(option).collect();
    let judged = |(&channel, readings): (&usize, &judge::Readings)| {
        let closes = &board.channels[channel].closes;
        let on: Vec<String> = closes.iter().map(|&s| board.switches[s].id.clone()).collect();
        judge::channel(board, windows, &setting, channel, &on, readings)
    };
    let checks = got.channels.iter().flat_map(judged).collect();
    Look { jumpers, options, checks, setting, supply: got.supply }
}

/// The places of a group's jumpers that the readings of its channels allow.
fn locate(
    board: &Board,
    windows: &Windows,
    got: &Got,
    group: &Group,
    rest: &Setting,
) -> Vec<(usize, Located)> {
    let in_group = |&c: &usize| group.nets.contains(&board.channels[c].net);
    let channels: Vec<usize> = (0..board.channels.len()).filter(in_group).collect();
    let seen: Vec<Shape> = {
        let all = seen_shapes(board, windows, got);
        channels.iter().map(|&c| all[c]).collect()
    };
    let every: Vec<Vec<Place>> = group.jumpers.iter().map(|&j| places(board, j)).collect();
    let count = every.iter().map(Vec::len).try_fold(1usize, |n, m| n.checked_mul(m));
    let unknown = || group.jumpers.iter().map(|&j| (j, Located::OneOf(places(board, j)))).collect();
    if channels.is_empty() || count.is_none_or(|n| n > MOST) {
        return unknown();
    }
    let mut allowed: Vec<Vec<Place>> = vec![Vec::new(); group.jumpers.len()];
    for number in 0..count.unwrap_or(0) {
        let picked = pick(&every, number);
        let mut setting = rest.clone();
        for (&jumper, &place) in group.jumpers.iter().zip(&picked) {
            setting = setting.with(jumper, place);
        }
        let expect = |s: &Setting, c| Arc::new(window::expect(board, s, c));
        let want = shapes(board, windows, &expect, &setting, &channels);
        if channels.iter().zip(&seen).all(|(&c, &s)| want[c] == s) {
            for (allowed, place) in allowed.iter_mut().zip(picked) {
                if !allowed.contains(&place) {
                    allowed.push(place);
                }
            }
        }
    }
    let located = |mut places: Vec<Place>| match places.len() {
        0 => Located::Nowhere,
        1 => Located::At(places.remove(0)),
        _ => Located::OneOf(places),
    };
    group.jumpers.iter().copied().zip(allowed.into_iter().map(located)).collect()
}

/// Every place of a jumper, `open` among them whether the maker uses it or not.
fn places(board: &Board, jumper: usize) -> Vec<Place> {
    let mut places = board.jumpers[jumper].places();
    if !places.contains(&Place::Open) {
        places.push(Place::Open);
    }
    places
}

/// The places that a number stands for, in the mixed radix of their counts.
fn pick(every: &[Vec<Place>], mut number: usize) -> Vec<Place> {
    let mut digit = |places: &Vec<Place>| {
        let place = places[number % places.len()];
        number /= places.len();
        place
    };
    every.iter().map(&mut digit).collect()
}

/// The procedure of one look: greet, read every channel once, switch everything off.
pub type Reader = Visit<Reading>;

/// What a reader does between its greeting and its end.
#[derive(Debug)]
pub struct Reading {
    board: Arc<Board>,
    windows: Arc<Windows>,
    expected: Setting,
    sweep: Sweep,
    who: ProbeInfo,
    look: Option<Look>,
}

impl Visit<Reading> {
    /// A reader; `expected` fills in what no reading shows.
    pub fn new(board: Arc<Board>, windows: Arc<Windows>, expected: Setting) -> Reader {
        let mut sweep = Sweep::new().ask(Ask::Prepare, Keep::No);
        let design = Design::new(board.clone(), windows.clone());
        for channel in 0..board.channels.len() {
            sweep = sweep.measure(&design, channel);
        }
        if board.chip.reads_supply {
            sweep = sweep.ask(Ask::Supply { n: BURST }, Keep::Supply);
        }
        sweep = sweep.ask(Ask::AllOff, Keep::No).ask(Ask::Boot, Keep::Boot);
        let (who, look) = (ProbeInfo::default(), None);
        let reading = Reading { board: board.clone(), windows, expected, sweep, who, look };
        Visit::to(board, reading)
    }

    /// What the look came to, once it is over.
    pub fn look(&self) -> Option<&Look> {
        self.errand().look.as_ref()
    }

    /// Who answered; nobody before the probe has.
    pub fn who(&self) -> &ProbeInfo {
        &self.errand().who
    }
}

impl Reading {
    fn next(&mut self) -> Next {
        if let Some(ask) = self.sweep.next() {
            return Next::Ask(ask);
        }
        let boot = self.sweep.got().boot.as_ref();
        if !boot.is_some_and(|boot| went_on(&self.who.boot, boot)) {
            let why = "the probe was reset while it was read: what it read is void; look again";
            return Next::Done(Some(Cut::Probe(why.into())));
        }
        let look = conclude(&self.board, &self.windows, self.sweep.got(), &self.expected);
        self.look = Some(look);
        Next::Done(None)
    }
}

impl Errand for Reading {
    fn greeted(&mut self, _: Duration, who: ProbeInfo) -> Next {
        self.who = who;
        self.next()
    }

    fn answered(&mut self, _: Duration, answer: Answer) -> Next {
        self.sweep.answer(answer);
        self.next()
    }

    fn verdict(&self, cut: Option<&Cut>) -> (UnitVerdict, usize) {
        let checks = self.look.as_ref().map_or(&[][..], |l| &l.checks);
        let mut worst = checks.iter().map(|c| c.verdict).max().unwrap_or(Verdict::NotTested);
        if cut.is_some() {
            worst = worst.max(Verdict::NotTested);
        }
        (UnitVerdict::of(worst), checks.len())
    }
}

/// The smallest margin of a look in codes, and its check.
pub fn tightest(look: &Look) -> Option<&Check> {
    let has = |c: &&Check| {
        let option = c.kind == Kind::Analog && c.option_expected.is_some();
        option && c.margin_code.is_some_and(f64::is_finite)
    };
    let margin = |c: &&Check| c.margin_code.unwrap_or(f64::INFINITY);
    look.checks.iter().filter(has).min_by(|a, b| margin(a).total_cmp(&margin(b)))
}
