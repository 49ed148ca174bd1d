//! The resistance between the tips of a meter as a function of the parts that it goes through, for
//! the root sum of squares.

use super::ohms::Tips;
use crate::board::{Board, Drift, Kind, Meter, Place, Resistor, Setting};
use crate::circuit::{Node, Parts, Response};
use crate::units::{Ohms, Ratio};

/// A part that the resistance goes through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    /// A resistor of the board.
    Resistor(usize),
    /// One pole of a seated shunt.
    Contact,
}

/// What a meter measures in a setting.
pub(super) struct Between {
    /// The board as the meter meets it, each pole of a seated shunt a resistor behind those of the
    /// board.
    tips: Tips,
    /// Without a shunt, since they are resistors.
    open: Setting,
    /// The parts that matter, each with its place among the resistors.
    parts: Vec<(Part, usize)>,
    /// Ohms of a nominal board.
    pub nominal: f64,
    pub meter: Meter,
}

impl Between {
    /// Of a channel that a meter reads; `None` at every other, where nothing joins the tips, and
    /// where what is besides the parts of the file matters. A contact has `contact` at nominal.
    pub fn new(board: &Board, setting: &Setting, channel: usize, contact: Ohms) -> Option<Between> {
        let of = board.channels.get(channel)?;
        let Kind::Meter { against, meter } = of.kind else { return None };
        let mut tips = Tips::new(board, [of.net, against]);
        let nominal = tips.settled(setting)?;
        for (jumper, &place) in board.jumpers.iter().zip(&setting.0) {
            let Place::At(position) = place else { continue };
            for &between in jumper.positions.get(position).iter().flat_map(|p| &p.joins) {
                let (tolerance, drift) = (Ratio(0.0), Drift::default());
                let id = jumper.id.clone();
                tips.board.resistors.push(Resistor {
                    id,
                    between,
                    ohms: contact,
                    tolerance,
                    drift,
                });
            }
        }
        let open = Setting::all_open(board);
        let mut made = Between { tips, open, parts: Vec::new(), nominal, meter };
        let all = Parts::nominal(&made.tips.board);
        let slopes =
            Response::new(&made.tips.board, &all, &made.open, &[]).slopes(made.tips.tip, &[]);
        let part = |i: usize| match i < board.resistors.len() {
            true => Part::Resistor(i),
            false => Part::Contact,
        };
        made.parts = slopes.by_resistor.iter().map(|&(i, ..)| (part(i), i)).collect();
        Some(made)
    }

    /// The parts that matter, in the order of the values of [`Between::at`].
    pub fn parts(&self) -> impl Iterator<Item = Part> + '_ {
        self.parts.iter().map(|&(part, _)| part)
    }

    /// Ohms with the parts at these values, and by how many each ohm of a part moves them.
    pub fn at(&self, values: &[f64]) -> (f64, Vec<f64>) {
        let mut all = Parts::nominal(&self.tips.board);
        for (&(_, i), &value) in self.parts.iter().zip(values) {
            all.resistors[i] = Ohms(value);
        }
        let response = Response::new(&self.tips.board, &all, &self.open, &[]);
        let found = response.slopes(self.tips.tip, &[]);
        let slope = |(&(_, i), value): (&(Part, usize), &f64)| {
            let by = found.by_resistor.iter().find(|(r, ..)| *r == i);
            by.map_or(0.0, |&(_, _, ohms)| ohms / value)
        };
        let ohms = match found.node {
            Node::Driven { source, .. } => source.0,
            Node::Floating => self.nominal,
        };
        (ohms, self.parts.iter().zip(values).map(slope).collect())
    }
}
