//! A circuit in one setting, compiled to straight-line arithmetic over many units at once.
//!
//! The order in which nodes are eliminated does not depend on the values, so it is settled once:
//! fewest neighbours first, the star-mesh transform for each (see `mesh`, where the arithmetic and
//! its digits are explained), the net that is read last. What is left is a list of sums, products
//! and reciprocals without a branch, done for [`LANES`] units side by side.

use super::network::{self, End, Home, Link, Origin, Piece};
use super::sources::Ties;
use super::spread::Spread;
use crate::board::{Board, NetId, Setting};
use std::collections::BTreeMap;

/// Units that are computed side by side.
pub const LANES: usize = 16;

/// One figure of [`LANES`] units.
pub type Lanes = [f64; LANES];

/// What a [`Program`] reads, in the order of [`Program::inputs`]. Conductances are in siemens.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Input {
    /// Conductance of a resistor of the board.
    Resistor(usize),
    /// Conductance of a seated shunt, the same in every pole.
    Contact {
        /// Its jumper.
        jumper: usize,
        /// Its position.
        position: usize,
    },
    /// Conductance of a closed switch.
    Switch(usize),
    /// Conductance of the pull-ups that are on.
    PullUp,
    /// Leakage of the pins over the supply voltage, in siemens.
    Leakage,
}

/// One step; registers are numbered, the inputs first.
#[derive(Clone, Copy, Debug)]
enum Step {
    /// `a + b`
    Sum(u32, u32),
    /// `a * b`
    Product(u32, u32),
    /// `a + b * c`
    Gain(u32, u32, u32),
    /// `1 / a`
    Inverse(u32),
    /// A constant.
    Constant(f64),
}

/// The ratio of a net's voltage to the supply in one setting, as a program.
#[derive(Clone, Debug)]
pub struct Program {
    inputs: Vec<Input>,
    steps: Vec<Step>,
    ratio: u32,
    /// The source resistance of the net; none where a rail holds it.
    source: Option<u32>,
}

/// Registers of a running program.
#[derive(Clone, Debug, Default)]
pub struct Registers(Vec<Lanes>);

impl Program {
    /// Compiles the ratio of a net in a setting with the switches in `closed` closed. Pull-ups are
    /// on where `spread` has them; nothing else of it is used.
    ///
    /// `None` when the net floats, when a switch with a drop is in its piece of the circuit, where
    /// the arithmetic depends on the values, and on boards with further sources.
    pub fn new(
        board: &Board,
        setting: &Setting,
        closed: &[usize],
        net: NetId,
        spread: &Spread,
    ) -> Option<Program> {
        if !board.sources.is_empty() {
            return None;
        }
        if net == board.supply.net || net == board.supply.ground {
            let ratio = if net == board.supply.net { 1.0 } else { 0.0 };
            let steps = vec![Step::Constant(ratio)];
            return Some(Program { inputs: vec![], steps, ratio: 0, source: None });
        }
        let mut links = network::links(board, setting, closed);
        links.extend(spread.pulled(board, net));
        let (pieces, homes) = network::pieces(board, &links, &Ties::new(board), |_| true);
        let Home::Node { piece, node } = homes[net.0] else { return None };
        let piece = &pieces[piece];
        let driven =
            piece.branches.iter().any(|b| b.ends.iter().any(|e| !matches!(e, End::Node(_))));
        let drops = |b: &network::Branch| match links[b.link].origin {
            Origin::Switch(i) => board.switches[i].drop.1.0 > 0.0,
            _ => false,
        };
        if !driven || piece.branches.iter().any(drops) {
            return None;
        }
        let pins = piece.nets.iter().map(|n| board.channels.iter().filter(|c| c.net == *n).count());
        let inputs = inputs_of(piece, &links);
        Some(Compiler::new(piece, &links, &inputs).compile(node, pins.collect(), inputs))
    }

    /// What [`Program::run`] reads, in its order.
    pub fn inputs(&self) -> &[Input] {
        &self.inputs
    }

    /// The ratio for [`LANES`] units. `input` gives the values of an input by its place in
    /// [`Program::inputs`]; `registers` is room to work in, whatever is in it.
    pub fn run<'a>(&self, input: impl Fn(usize) -> &'a Lanes, registers: &mut Registers) -> Lanes {
        self.fill(input, registers);
        registers.0[self.ratio as usize]
    }

    /// The source resistance of the net in ohms, as [`Program::run`] gives the ratio.
    pub fn source<'a>(
        &self,
        input: impl Fn(usize) -> &'a Lanes,
        registers: &mut Registers,
    ) -> Lanes {
        self.fill(input, registers);
        self.source.map_or([0.0; LANES], |at| registers.0[at as usize])
    }

    fn fill<'a>(&self, input: impl Fn(usize) -> &'a Lanes, registers: &mut Registers) {
        let room = &mut registers.0;
        room.clear();
        room.extend((0..self.inputs.len()).map(|i| *input(i)));
        for step in &self.steps {
            let mut out = [0.0; LANES];
            match *step {
                Step::Sum(a, b) => {
                    let (a, b) = (&room[a as usize], &room[b as usize]);
                    for (lane, out) in out.iter_mut().enumerate() {
                        *out = a[lane] + b[lane];
                    }
                }
                Step::Product(a, b) => {
                    let (a, b) = (&room[a as usize], &room[b as usize]);
                    for (lane, out) in out.iter_mut().enumerate() {
                        *out = a[lane] * b[lane];
                    }
                }
                Step::Gain(a, b, c) => {
                    let (a, b, c) = (&room[a as usize], &room[b as usize], &room[c as usize]);
                    for (lane, out) in out.iter_mut().enumerate() {
                        *out = a[lane] + b[lane] * c[lane];
                    }
                }
                Step::Inverse(a) => {
                    let a = &room[a as usize];
                    for (lane, out) in out.iter_mut().enumerate() {
                        *out = 1.0 / a[lane];
                    }
                }
                Step::Constant(value) => out = [value; LANES],
            }
            room.push(out);
        }
    }
}

fn inputs_of(piece: &Piece, links: &[Link]) -> Vec<Input> {
    let of = |origin: Origin| match origin {
        Origin::Resistor(i) => Some(Input::Resistor(i)),
        Origin::Contact { jumper, position } => Some(Input::Contact { jumper, position }),
        Origin::Switch(i) => Some(Input::Switch(i)),
        Origin::PullUp => Some(Input::PullUp),
        Origin::Bridge(_) => None,
    };
    let mut inputs: Vec<Input> =
        piece.branches.iter().filter_map(|b| of(links[b.link].origin)).collect();
    inputs.push(Input::Leakage);
    inputs.sort();
    inputs.dedup();
    inputs
}

/// A node on its way to elimination: registers of what joins it.
#[derive(Clone, Default)]
struct Star {
    supply: Option<u32>,
    ground: Option<u32>,
    /// Current per volt of supply that flows in.
    inject: Option<u32>,
    to: BTreeMap<usize, u32>,
}

struct Compiler {
    inputs: u32,
    steps: Vec<Step>,
    stars: Vec<Star>,
}

impl Compiler {
    fn new(piece: &Piece, links: &[Link], inputs: &[Input]) -> Compiler {
        let stars = vec![Star::default(); piece.nets.len()];
        let mut made = Compiler { inputs: inputs.len() as u32, steps: Vec::new(), stars };
        for branch in &piece.branches {
            let wanted = match links[branch.link].origin {
                Origin::Resistor(i) => Input::Resistor(i),
                Origin::Contact { jumper, position } => Input::Contact { jumper, position },
                Origin::Switch(i) => Input::Switch(i),
                Origin::PullUp => Input::PullUp,
                Origin::Bridge(_) => continue,
            };
            let Ok(register) = inputs.binary_search(&wanted) else { continue };
            made.join(branch.ends, register as u32);
        }
        made
    }

    fn step(&mut self, step: Step) -> u32 {
        self.steps.push(step);
        self.inputs + self.steps.len() as u32 - 1
    }

    fn add(&mut self, old: Option<u32>, more: u32) -> Option<u32> {
        Some(match old {
            None => more,
            Some(old) => self.step(Step::Sum(old, more)),
        })
    }

    fn join(&mut self, ends: [End; 2], register: u32) {
        match ends {
            [End::Node(a), End::Node(b)] if a != b => {
                let sum = self.add(self.stars[a].to.get(&b).copied(), register);
                for (from, to) in [(a, b), (b, a)] {
                    self.stars[from].to.extend(sum.map(|s| (to, s)));
                }
            }
            [End::Node(i), End::Supply] | [End::Supply, End::Node(i)] => {
                self.stars[i].supply = self.add(self.stars[i].supply, register);
            }
            [End::Node(i), End::Ground] | [End::Ground, End::Node(i)] => {
                self.stars[i].ground = self.add(self.stars[i].ground, register);
            }
            _ => {}
        }
    }

    fn compile(mut self, node: usize, pins: Vec<usize>, inputs: Vec<Input>) -> Program {
        let leakage = inputs.binary_search(&Input::Leakage).unwrap_or(0) as u32;
        for (star, count) in pins.into_iter().enumerate() {
            for _ in 0..count {
                self.stars[star].inject = self.add(self.stars[star].inject, leakage);
            }
        }
        let mut left: Vec<usize> = (0..self.stars.len()).filter(|&n| n != node).collect();
        while let Some(at) = (0..left.len()).min_by_key(|&i| self.stars[left[i]].to.len()) {
            let next = left.swap_remove(at);
            self.eliminate(next);
        }
        let Star { supply, ground, inject, .. } = self.stars[node].clone();
        let zero = self.step(Step::Constant(0.0));
        let up = supply.unwrap_or(zero);
        let all = self.add(ground, up).unwrap_or(zero);
        let current = self.add(inject, up).unwrap_or(zero);
        let inverse = self.step(Step::Inverse(all));
        let ratio = self.step(Step::Product(current, inverse));
        Program { inputs, steps: self.steps, ratio, source: Some(inverse) }
    }

    /// Star to mesh: what flows in at the node is shared out among its neighbours.
    fn eliminate(&mut self, node: usize) {
        let star = std::mem::take(&mut self.stars[node]);
        for neighbour in star.to.keys() {
            self.stars[*neighbour].to.remove(&node);
        }
        let rails = [star.supply, star.ground];
        if star.to.is_empty() {
            return;
        }
        if let (1, [None, None]) = (star.to.len(), rails) {
            // At the end of a branch: whatever flows in flows on.
            for &neighbour in star.to.keys() {
                if let Some(inject) = star.inject {
                    self.stars[neighbour].inject = self.add(self.stars[neighbour].inject, inject);
                }
            }
            return;
        }
        let mut sum = None;
        for &register in star.to.values().chain(rails.iter().flatten()) {
            sum = self.add(sum, register);
        }
        let Some(sum) = sum else { return };
        let inverse = self.step(Step::Inverse(sum));
        let neighbours: Vec<(usize, u32)> = star.to.into_iter().collect();
        for (place, &(a, register)) in neighbours.iter().enumerate() {
            let share = self.step(Step::Product(register, inverse));
            let (supply, ground, inject) =
                (self.stars[a].supply, self.stars[a].ground, self.stars[a].inject);
            self.stars[a].supply = self.gain(supply, share, star.supply);
            self.stars[a].ground = self.gain(ground, share, star.ground);
            self.stars[a].inject = self.gain(inject, share, star.inject);
            for &(b, other) in &neighbours[place + 1..] {
                let old = self.stars[a].to.get(&b).copied();
                let joined = self.gain(old, share, Some(other));
                for (from, to) in [(a, b), (b, a)] {
                    self.stars[from].to.extend(joined.map(|j| (to, j)));
                }
            }
        }
    }

    /// `old + share * other`, where either may be missing.
    fn gain(&mut self, old: Option<u32>, share: u32, other: Option<u32>) -> Option<u32> {
        match (old, other) {
            (old, None) => old,
            (None, Some(other)) => Some(self.step(Step::Product(share, other))),
            (Some(old), Some(other)) => Some(self.step(Step::Gain(old, share, other))),
        }
    }
}
