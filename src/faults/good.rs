//! A good unit as far as defects are held against it, each part of it worked out once.

use super::sight::code;
use super::solved::Solved;
use crate::board::{Board, Channel, Kind, Place, Resistor, Setting};
use crate::circuit::{self, Group, Node, Response, pulled_up};
use crate::units::Volts;
use crate::window::{self, Expected, Windows};
use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;

/// The good units of a board.
#[derive(Debug)]
pub(super) struct GoodUnit<'a> {
    pub board: &'a Board,
    windows: &'a Windows,
    pub groups: Vec<Group>,
    pub solved: Solved,
    /// By channel and the places of its group's jumpers.
    views: RefCell<HashMap<(usize, Vec<Place>), View>>,
    /// Whether the corners of a faulty circuit lie beyond a good one.
    pub corners: RefCell<HashMap<Faulty, bool>>,
}

/// A faulty circuit at a channel: the defect in words, the channel, the places of the jumpers that
/// both depend on, and whether with its switches open.
type Faulty = (String, usize, Vec<Place>, bool);

/// What one channel of a good unit shows.
#[derive(Clone, Debug)]
pub(super) struct View {
    pub channel: usize,
    /// Index of the channel's group; none where a rail is its net.
    pub group: Option<usize>,
    /// With its switches closed.
    pub reads: Rc<Good>,
    /// With its switches open, where that is read too.
    pub rests: Option<Rc<Good>>,
}

/// A good unit at one channel with these switches closed.
#[derive(Debug)]
pub(super) struct Good {
    pub closed: Vec<usize>,
    pub expected: Expected,
    /// Codes by which the resistors' tolerances move it at most.
    pub widths: Widths,
    /// More codes than tolerances can move a net of its group by, whatever is wrong there. Turning
    /// one resistor from open to short moves a net by the supply at most, so the logarithm of its
    /// value has a quarter of the supply as its steepest slope.
    pub most: f64,
    /// The highest code of the converter.
    pub top: f64,
    /// The circuit of its group; none where a rail is its net.
    pub base: Option<Rc<Response>>,
}

/// Codes by which tolerances move a channel at most, along straight lines.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Widths {
    /// Pull-up off.
    pub off: f64,
    /// Pull-up on, at its strongest and at its weakest.
    pub on: [f64; 2],
}

impl Widths {
    /// The same in all of them.
    pub fn all(codes: f64) -> Widths {
        Widths { off: codes, on: [codes; 2] }
    }
}

impl<'a> GoodUnit<'a> {
    pub fn new(board: &'a Board, windows: &'a Windows) -> GoodUnit<'a> {
        let groups = circuit::groups(board);
        GoodUnit {
            board,
            windows,
            groups,
            solved: Solved::new(),
            views: RefCell::default(),
            corners: RefCell::default(),
        }
    }

    /// What a channel shows in a setting; the same in all settings that its group takes alike.
    pub fn view(&self, setting: &Setting, channel: usize) -> Option<View> {
        self.windows.channels[channel].class_of_setting(setting)?;
        let c = &self.board.channels[channel];
        // The sequence reads a meter's channel by no pin.
        if matches!(c.kind, Kind::Meter { .. }) {
            return None;
        }
        let group = self.groups.iter().position(|g| g.nets.contains(&c.net));
        let jumpers = group.map_or(&[][..], |g| &self.groups[g].jumpers);
        let key = (channel, jumpers.iter().map(|&j| setting.0[j]).collect());
        if let Some(known) = self.views.borrow().get(&key) {
            return Some(known.clone());
        }
        let within = |r: &&Resistor| {
            let nets = group.map_or(&[][..], |g| &self.groups[g].nets);
            r.between.iter().any(|net| nets.contains(net))
        };
        let loose: f64 = self.board.resistors.iter().filter(within).map(|r| r.tolerance.0).sum();
        // Further sources may drive a net beyond the rails.
        let most = match self.board.sources.is_empty() {
            true => code(self.board, self.board.supply.volts) * loose / 4.0,
            false => f64::INFINITY,
        };
        let good = |closed: &[usize], rests: bool| {
            // Only at rest the design band is looked at.
            let expect = if rests { window::expect_closed } else { window::expect_on_bench };
            let expected = expect(self.board, setting, channel, closed);
            let base = group
                .map(|g| self.solved.of_group(self.board, (g, &self.groups[g]), setting, closed));
            let widths = base.as_ref().map_or(Widths::default(), |base| self.widths(base, c, &[]));
            let top = f64::from(self.board.chip.full_scale);
            Rc::new(Good { closed: closed.to_vec(), expected, widths, most, top, base })
        };
        let rests = !c.closes.is_empty() && c.kind == Kind::Analog;
        let view = View {
            channel,
            group,
            reads: good(&c.closes, false),
            rests: rests.then(|| good(&[], true)),
        };
        self.views.borrow_mut().insert(key, view.clone());
        Some(view)
    }

    /// Codes by which tolerances move a channel at most with these changes, along straight lines.
    ///
    /// A pull-up `Rp` makes `(v + x) / (1 + x)` of a share `v` of the supply, with `x = Rs / Rp`:
    /// its slope in `v` is `1 / (1 + x)`, in `x` what is left to the supply times that.
    pub fn widths(&self, base: &Response, c: &Channel, changes: &[circuit::Change]) -> Widths {
        let slopes = base.slopes(c.net, changes);
        let supply = self.board.supply.volts;
        let sum = |volts: &dyn Fn(f64, f64) -> f64| {
            let moves = |&(r, volts_by, ohms_by): &(usize, f64, f64)| {
                (volts(volts_by, ohms_by) * self.board.resistors[r].tolerance.0).abs()
            };
            code(self.board, Volts(slopes.by_resistor.iter().map(moves).sum()))
        };
        let (strong, weak) = self.board.chip.pull_up;
        let on = [strong, weak].map(|pull| match slopes.node {
            Node::Driven { source, .. } => {
                let left = supply.0 - pulled_up(slopes.node, supply, pull).0;
                sum(&|volts, ohms| (volts + left * ohms / pull.0) / (1.0 + source.0 / pull.0))
            }
            Node::Floating => 0.0,
        });
        Widths { off: sum(&|volts, _| volts), on }
    }
}
