//! Solves the jumper circuits of a board in any setting: what voltage every net has, from what
//! source resistance, and between which extremes a good board can put it.
//!
//! Nodal analysis after Kirchhoff, see [`Circuit`]; extremes over tolerances in [`extremes`]; what
//! influences what in [`groups`].

mod corners;
mod extremes;
mod groups;
mod influence;
mod mesh;
mod network;
mod program;
mod response;
mod sources;
mod spread;

pub use extremes::{Extremes, extremes, search};
pub use groups::{Group, group_of, groups};
pub use influence::{Cause, Model, Varying, contributions, of_sources};
pub use program::{Input, LANES, Lanes, Program, Registers};
pub use response::{Change, Response, Slopes, SwitchSlope};
pub use spread::{Common, Pulled, Spread};

use crate::board::{Board, NetId, Setting};
use crate::units::{Amperes, Ohms, Volts};
use network::{Home, Link, Origin, Piece, Solution, Union, Value};
use sources::Ties;
use std::collections::HashMap;
use std::sync::OnceLock;

/// Contact resistance of a well seated shunt: some 20 mΩ (common practice, no source).
pub const SEATED: Ohms = Ohms(0.02);

/// Rails joined through less than this are shorted.
pub const SHORT_BELOW: Ohms = Ohms(1.0);

/// The values that the parts of one unit really have.
#[derive(Clone, Debug)]
pub struct Parts {
    /// Voltage between the supply net and ground.
    pub supply: Volts,
    /// Per resistor of the board; `INFINITY` is an open one, 0 a shorted one.
    pub resistors: Vec<Ohms>,
    /// Per jumper and position: contact resistance of a seated shunt, the same in every pole;
    /// `INFINITY` when it does not close.
    pub contacts: Vec<Vec<Ohms>>,
    /// Per switch of the board.
    pub switches: Vec<Contact>,
    /// Branches that are not in the design: a solder bridge, a leak.
    pub bridges: Vec<([NetId; 2], Ohms)>,
}

/// What a switch of one unit really does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contact {
    /// Resistance when closed.
    pub on: Ohms,
    /// Drop when closed, against the current.
    pub drop: Volts,
    /// `Some(true)` when it never opens, `Some(false)` when it never closes.
    pub stuck: Option<bool>,
}

impl Parts {
    /// The parts of the nominal unit: nominal supply and resistors, contacts of [`SEATED`],
    /// switches at the geometric mean of their resistance and the mean of their drop.
    pub fn nominal(board: &Board) -> Parts {
        Parts {
            supply: board.supply.volts,
            resistors: board.resistors.iter().map(|r| r.ohms).collect(),
            contacts: board.jumpers.iter().map(|j| vec![SEATED; j.positions.len()]).collect(),
            switches: board
                .switches
                .iter()
                .map(|s| Contact {
                    on: Ohms((s.on.0.0 * s.on.1.0).sqrt()),
                    drop: Volts((s.drop.0.0 + s.drop.1.0) / 2.0),
                    stuck: None,
                })
                .collect(),
            bridges: Vec::new(),
        }
    }

    /// The links that conduct in a setting, each with its value.
    fn network(&self, board: &Board, setting: &Setting, closed: &[usize]) -> Network {
        let conducting: Vec<usize> = (0..board.switches.len())
            .filter(|&i| {
                let stuck = self.switches.get(i).and_then(|c| c.stuck);
                stuck.unwrap_or_else(|| closed.contains(&i))
            })
            .collect();
        let mut links = network::links(board, setting, &conducting);
        links.extend(
            self.bridges
                .iter()
                .enumerate()
                .map(|(i, &(between, _))| Link { between, origin: Origin::Bridge(i) }),
        );
        let values = links.iter().map(|l| self.value(l.origin)).collect();
        Network { links, values }
    }

    fn value(&self, origin: Origin) -> Value {
        let ohms = match origin {
            Origin::Resistor(i) => self.resistors.get(i).copied(),
            Origin::Contact { jumper, position } => {
                self.contacts.get(jumper).and_then(|c| c.get(position)).copied()
            }
            Origin::Switch(i) => self.switches.get(i).map(|c| c.on),
            Origin::Bridge(i) => self.bridges.get(i).map(|b| b.1),
            Origin::PullUp => None,
        };
        let drop = match origin {
            Origin::Switch(i) => self.switches.get(i).map_or(0.0, |c| c.drop.0),
            _ => 0.0,
        };
        Value { ohms: ohms.map_or(f64::INFINITY, |o| o.0), drop }
    }
}

struct Network {
    links: Vec<Link>,
    values: Vec<Value>,
}

/// A net as a two-terminal source against ground (Thévenin).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Node {
    /// Joined to a rail.
    Driven {
        /// Voltage against ground with nothing connected.
        volts: Volts,
        /// Resistance between the net and the rails; 0 at a rail.
        source: Ohms,
    },
    /// Joined to no rail: it has whatever voltage it was left with.
    Floating,
}

/// The circuit of one unit in one setting.
///
/// Nets that reach no rail are floating; that is found by following the parts, not by looking at
/// numbers. The pieces of the circuit that the rails keep apart are solved when first asked for.
/// A circuit that shorts its supply is solved as if the supply did not mind; ask [`short`] first.
#[derive(Clone, Debug)]
pub struct Circuit {
    board_rails: [NetId; 2],
    supply: f64,
    links: Vec<Link>,
    values: Vec<Value>,
    homes: Vec<Home>,
    ties: Ties,
    /// Amperes that current sources take from the supply net.
    taken: f64,
    pieces: Vec<Piece>,
    solutions: Vec<OnceLock<Solution>>,
}

impl Circuit {
    /// Sets up the circuit of a unit with these parts in a setting, with the switches in `closed`
    /// commanded to close.
    pub fn solve(board: &Board, parts: &Parts, setting: &Setting, closed: &[usize]) -> Circuit {
        let Network { links, values } = parts.network(board, setting, closed);
        let ties = Ties::new(board);
        let (pieces, homes) = network::pieces(board, &links, &ties, |i| values[i].ohms.is_finite());
        let taken = sources::injected(board, &ties).filter(|(net, _)| *net == board.supply.net);
        Circuit {
            taken: -taken.map(|(_, amperes)| amperes).sum::<f64>(),
            board_rails: [board.supply.net, board.supply.ground],
            supply: parts.supply.0,
            links,
            values,
            homes,
            ties,
            solutions: pieces.iter().map(|_| OnceLock::new()).collect(),
            pieces,
        }
    }

    fn solution(&self, piece: usize) -> &Solution {
        self.solutions[piece].get_or_init(|| {
            let nothing = vec![0.0; self.pieces[piece].nets.len()];
            self.pieces[piece].solve(&self.values, self.supply, &nothing)
        })
    }

    /// Voltage and source resistance of a net.
    pub fn node(&self, net: NetId) -> Node {
        let Some(volts) = self.volts(net).map(Volts) else { return Node::Floating };
        let source = match self.homes[net.0] {
            Home::Supply | Home::Ground => 0.0,
            Home::Node { piece, node } => self.solution(piece).mesh.column(node)[node],
        };
        Node::Driven { volts, source: Ohms(source) }
    }

    /// Voltage of net `a` against net `b`. `None` when one of them floats and the other is not in
    /// the same floating piece (where no current flows, so that all nets are alike).
    pub fn volts_across(&self, a: NetId, b: NetId) -> Option<Volts> {
        match (self.volts(a), self.volts(b)) {
            (Some(va), Some(vb)) => Some(Volts(va - vb)),
            (None, None) => {
                let held = self.ties.above[a.0] - self.ties.above[b.0];
                self.same_floating_piece(a, b).then_some(Volts(held))
            }
            _ => None,
        }
    }

    fn same_floating_piece(&self, a: NetId, b: NetId) -> bool {
        let piece = |net: NetId| match self.homes[net.0] {
            Home::Node { piece, .. } => Some(piece),
            Home::Supply | Home::Ground => None,
        };
        // A switch whose drop is not reached keeps nets apart that are in one piece.
        let has_drop = |p: usize| {
            self.pieces[p].branches.iter().any(|branch| self.values[branch.link].drop > 0.0)
        };
        a == b || piece(a).is_some_and(|p| piece(b) == Some(p) && !has_drop(p))
    }

    fn volts(&self, net: NetId) -> Option<f64> {
        let lead = match self.homes[net.0] {
            Home::Supply => self.supply,
            Home::Ground => 0.0,
            Home::Node { piece, node } => {
                let solution = self.solution(piece);
                solution.driven[node].then_some(solution.volts[node])?
            }
        };
        Some(lead + self.ties.above[net.0])
    }

    /// Current through a resistor from its first net to its second; 0 when it floats or is open.
    pub fn resistor_current(&self, resistor: usize) -> Amperes {
        let found = self.links.iter().position(|l| l.origin == Origin::Resistor(resistor));
        Amperes(found.map_or(0.0, |link| self.link_current(link)))
    }

    fn link_current(&self, link: usize) -> f64 {
        let value = self.values[link];
        if !value.ohms.is_finite() {
            return 0.0;
        }
        for (p, piece) in self.pieces.iter().enumerate() {
            if let Some(k) = piece.branches.iter().position(|b| b.link == link) {
                return self.solution(p).current(piece, k, value);
            }
        }
        self.rail_current(link)
    }

    /// Current of a link that joins a rail to a rail.
    fn rail_current(&self, link: usize) -> f64 {
        let value = self.values[link];
        let [a, b] = self.links[link].between.map(|net| self.volts(net).unwrap_or(0.0));
        let over = ((a - b).abs() - value.drop).max(0.0);
        (a - b).signum() * over * value.siemens()
    }

    /// Current that the circuit draws from the supply net.
    pub fn supply_current(&self) -> Amperes {
        let mut total = self.taken;
        for (p, piece) in self.pieces.iter().enumerate() {
            let solution = self.solution(p);
            for (k, branch) in piece.branches.iter().enumerate() {
                let current = solution.current(piece, k, self.values[branch.link]);
                match branch.ends {
                    [network::End::Supply, _] => total += current,
                    [_, network::End::Supply] => total -= current,
                    _ => {}
                }
            }
        }
        for (i, link) in self.links.iter().enumerate() {
            match link.between.map(|net| self.homes[net.0]) {
                _ if !self.values[i].ohms.is_finite() => {}
                [Home::Supply, Home::Ground] => total += self.rail_current(i),
                [Home::Ground, Home::Supply] => total -= self.rail_current(i),
                _ => {}
            }
        }
        Amperes(total)
    }

    /// Whether contacts and closed switches alone join what is held at different voltages: the
    /// rails, and nets that sources hold against them.
    fn joins_rails(&self) -> bool {
        let mut union = Union::new(self.homes.len());
        for (link, value) in self.links.iter().zip(&self.values) {
            let bare = matches!(link.origin, Origin::Contact { .. } | Origin::Switch(_));
            if bare && value.ohms.is_finite() {
                union.join(link.between[0].0, link.between[1].0);
            }
        }
        let [supply, ground] = self.board_rails;
        union.root(supply.0) == union.root(ground.0) || self.joins_held(&mut union)
    }

    fn joins_held(&self, union: &mut Union) -> bool {
        let mut held: HashMap<usize, f64> = HashMap::new();
        (0..self.homes.len()).filter(|&net| self.ties.lead[net] != NetId(net)).any(|net| {
            [net, self.ties.lead[net].0].into_iter().any(|net| {
                let fixed = !matches!(self.homes[net], Home::Node { .. });
                let volts = self.volts(NetId(net)).filter(|_| fixed);
                volts.is_some_and(|v| *held.entry(union.root(net)).or_insert(v) != v)
            })
        })
    }

    /// The largest current through a contact or a closed switch.
    fn contact_current(&self) -> f64 {
        let bare =
            |&i: &usize| matches!(self.links[i].origin, Origin::Contact { .. } | Origin::Switch(_));
        let current = |i: usize| self.link_current(i).abs();
        (0..self.links.len()).filter(bare).map(current).fold(0.0, f64::max)
    }
}

/// The current that would flow where a setting shorts the supply or another source; `None` where
/// it does not.
///
/// A short is less than [`SHORT_BELOW`] between the rails, or a way from one held voltage to
/// another through nothing but contacts and closed switches, whatever the resistance of the
/// switches. Such a setting must not be set and its voltages mean nothing.
pub fn short(board: &Board, parts: &Parts, setting: &Setting, closed: &[usize]) -> Option<Amperes> {
    let circuit = Circuit::solve(board, parts, setting, closed);
    let mut current = circuit.supply_current().0;
    if !board.sources.is_empty() {
        current = current.max(circuit.contact_current());
    }
    let too_much = current > parts.supply.0 / SHORT_BELOW.0;
    (too_much || circuit.joins_rails()).then_some(Amperes(current))
}

/// Voltage of a node when the chip's pull-up of `pull` ohms to `supply` is switched on.
///
/// `(v0 + x * supply) / (1 + x)` with `x = source / pull` (the two sources in parallel, Millman);
/// a floating node goes to the supply.
pub fn pulled_up(node: Node, supply: Volts, pull: Ohms) -> Volts {
    match node {
        Node::Floating => supply,
        Node::Driven { volts, source } => {
            let x = source.0 / pull.0;
            Volts((volts.0 + x * supply.0) / (1.0 + x))
        }
    }
}
