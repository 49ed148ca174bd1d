//! From a board and a setting to pieces of network that can be solved one by one.
//!
//! With the two rails taken out, what is left falls into pieces that do not influence each other;
//! each is solved only when somebody asks for one of its nets.

use super::mesh::Mesh;
use super::sources::{self, Ties};
use crate::board::{Board, NetId, Place, Setting};

/// Zero ohms count as this much: less than any solder joint, and far from the rounding of f64.
const LEAST_OHMS: f64 = 1e-6;
/// A switch with a drop needs some resistance to share a current by.
const LEAST_OHMS_WITH_DROP: f64 = 1e-3;
/// Conductance of a switch whose drop is not reached, so that every piece stays solvable.
const OFF_SIEMENS: f64 = 1e-15;
/// A drop counts as reached, a current as reversed, beyond this many volts.
const TINY_VOLTS: f64 = 1e-12;

/// What a link of the network stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Origin {
    Resistor(usize),
    Contact { jumper: usize, position: usize },
    Switch(usize),
    Bridge(usize),
    PullUp,
}

/// A two-terminal part between two nets.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Link {
    pub between: [NetId; 2],
    pub origin: Origin,
}

/// Resistance in ohms and, for a switch, the drop in volts against the current.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Value {
    pub ohms: f64,
    pub drop: f64,
}

impl Value {
    /// Conductance in siemens.
    pub fn siemens(self) -> f64 {
        let least = if self.drop > 0.0 { LEAST_OHMS_WITH_DROP } else { LEAST_OHMS };
        1.0 / self.ohms.max(least)
    }
}

/// Resistors, contacts of seated shunts and the switches named by `closed`, in that order.
pub(crate) fn links(board: &Board, setting: &Setting, closed: &[usize]) -> Vec<Link> {
    let resistors = board
        .resistors
        .iter()
        .enumerate()
        .map(|(i, r)| Link { between: r.between, origin: Origin::Resistor(i) });
    let contacts =
        board.jumpers.iter().zip(&setting.0).enumerate().flat_map(|(jumper, (j, &p))| {
            let seated = match p {
                Place::At(position) => j.positions.get(position).map(|at| (position, at)),
                Place::Open => None,
            };
            seated.into_iter().flat_map(move |(position, at)| {
                let origin = Origin::Contact { jumper, position };
                at.joins.iter().map(move |&between| Link { between, origin })
            })
        });
    let switches = board
        .switches
        .iter()
        .enumerate()
        .filter(|(i, _)| closed.contains(i))
        .map(|(i, s)| Link { between: s.between, origin: Origin::Switch(i) });
    resistors.chain(contacts).chain(switches).collect()
}

/// One end of a branch of a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum End {
    Supply,
    Ground,
    Node(usize),
}

/// Where a net is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Home {
    Supply,
    Ground,
    Node { piece: usize, node: usize },
}

/// A branch of a piece: its ends and its index among the links.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Branch {
    pub ends: [End; 2],
    pub link: usize,
    /// Volts that sources hold its first net above its first end, less those of its second.
    pub emf: f64,
}

/// Nets that are joined without passing through a rail, with all that hangs on them.
#[derive(Clone, Debug, Default)]
pub(crate) struct Piece {
    /// The net that each node is named by: of nets that sources tie together, the lead.
    pub nets: Vec<NetId>,
    pub branches: Vec<Branch>,
    /// Amperes that current sources feed into each node.
    pub fed: Vec<f64>,
}

/// Joins nets into sets: the usual forest with path halving.
pub(crate) struct Union(Vec<usize>);

impl Union {
    pub fn new(n: usize) -> Union {
        Union((0..n).collect())
    }

    pub fn root(&mut self, mut i: usize) -> usize {
        while self.0[i] != i {
            self.0[i] = self.0[self.0[i]];
            i = self.0[i];
        }
        i
    }

    pub fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.0[a.max(b)] = a.min(b);
    }
}

/// Cuts the network at the rails. `conducts` says which links count.
pub(crate) fn pieces(
    board: &Board,
    links: &[Link],
    ties: &Ties,
    conducts: impl Fn(usize) -> bool,
) -> (Vec<Piece>, Vec<Home>) {
    let lead = |net: NetId| ties.lead[net.0];
    let rail = |net: NetId| net == board.supply.net || net == board.supply.ground;
    let mut union = Union::new(board.nets.len());
    let counted = |&(i, _): &(usize, &Link)| conducts(i);
    for (_, link) in links.iter().enumerate().filter(counted) {
        let [a, b] = link.between.map(lead);
        if !rail(a) && !rail(b) {
            union.join(a.0, b.0);
        }
    }
    let mut pieces: Vec<Piece> = Vec::new();
    let mut piece_of_root = vec![usize::MAX; board.nets.len()];
    let mut homes = vec![Home::Ground; board.nets.len()];
    for net in (0..board.nets.len()).map(NetId).filter(|&net| lead(net) == net) {
        if rail(net) {
            homes[net.0] = if net == board.supply.net { Home::Supply } else { Home::Ground };
            continue;
        }
        let root = union.root(net.0);
        if piece_of_root[root] == usize::MAX {
            piece_of_root[root] = pieces.len();
            pieces.push(Piece::default());
        }
        let piece = piece_of_root[root];
        homes[net.0] = Home::Node { piece, node: pieces[piece].nets.len() };
        pieces[piece].nets.push(net);
        pieces[piece].fed.push(0.0);
    }
    for net in (0..board.nets.len()).map(NetId) {
        homes[net.0] = homes[lead(net).0];
    }
    for (net, amperes) in sources::injected(board, ties) {
        if let Home::Node { piece, node } = homes[net.0] {
            pieces[piece].fed[node] += amperes;
        }
    }
    for (i, link) in links.iter().enumerate().filter(counted) {
        let home = link.between.map(|net| homes[net.0]);
        let owner = home.iter().find_map(|h| match h {
            Home::Node { piece, .. } => Some(*piece),
            Home::Supply | Home::Ground => None,
        });
        if let Some(piece) = owner {
            let ends = home.map(|h| match h {
                Home::Supply => End::Supply,
                Home::Ground => End::Ground,
                Home::Node { node, .. } => End::Node(node),
            });
            let emf = ties.above[link.between[0].0] - ties.above[link.between[1].0];
            pieces[piece].branches.push(Branch { ends, link: i, emf });
        }
    }
    (pieces, homes)
}

/// Voltages of a piece with the reduced network behind them.
#[derive(Clone, Debug)]
pub(crate) struct Solution {
    pub supply: f64,
    pub volts: Vec<f64>,
    /// Whether the node reaches a rail.
    pub driven: Vec<bool>,
    pub mesh: Mesh,
    /// Per branch: 1 or -1 when a drop stands against the current, 0 when it is not reached.
    pub direction: Vec<i8>,
}

impl Solution {
    /// Potential at an end of a branch.
    pub fn at(&self, end: End) -> f64 {
        match end {
            End::Supply => self.supply,
            End::Ground => 0.0,
            End::Node(i) => self.volts[i],
        }
    }

    /// Current through branch `k` from its first end to its second, in amperes.
    pub fn current(&self, piece: &Piece, k: usize, value: Value) -> f64 {
        let branch = &piece.branches[k];
        let ends_driven = branch.ends.iter().all(|e| match e {
            End::Node(i) => self.driven[*i],
            End::Supply | End::Ground => true,
        });
        if !ends_driven || (value.drop > 0.0 && self.direction[k] == 0) {
            return 0.0;
        }
        self.over_resistance(piece, k, value) * value.siemens()
    }

    /// Volts over the resistance of branch `k`: those across it less the drop.
    pub fn over_resistance(&self, piece: &Piece, k: usize, value: Value) -> f64 {
        let Branch { ends: [a, b], emf, .. } = piece.branches[k];
        self.at(a) - self.at(b) + emf - f64::from(self.direction[k]) * value.drop
    }
}

fn join(mesh: &mut Mesh, ends: [End; 2], siemens: f64) {
    match ends {
        [End::Node(a), End::Node(b)] => mesh.join(a, b, siemens),
        [End::Node(i), End::Supply] | [End::Supply, End::Node(i)] => mesh.join_supply(i, siemens),
        [End::Node(i), End::Ground] | [End::Ground, End::Node(i)] => mesh.join_ground(i, siemens),
        _ => {}
    }
}

impl Piece {
    /// The network of a solution again, with `siemens` to ground at every node that reaches no
    /// rail.
    pub fn tied(&self, values: &[Value], solution: &Solution, siemens: f64) -> Mesh {
        let mut mesh = Mesh::new(self.nets.len());
        for (k, branch) in self.branches.iter().enumerate() {
            let value = values[branch.link];
            if value.drop > 0.0 && solution.direction[k] == 0 {
                continue;
            }
            join(&mut mesh, branch.ends, value.siemens());
        }
        for (node, _) in solution.driven.iter().enumerate().filter(|(_, driven)| !*driven) {
            mesh.join_ground(node, siemens);
        }
        mesh.eliminate();
        mesh
    }

    /// Solves for the node voltages. `values` by link index; `inject` in amperes into each node.
    ///
    /// A switch with a drop is a pair of diodes back to back, each with the drop and the
    /// resistance. Which of them conduct is a linear complementarity problem with a P-matrix; to
    /// flip the first one that contradicts itself ends at the one solution (Murty 1974, from
    /// memory).
    pub fn solve(&self, values: &[Value], supply: f64, inject: &[f64]) -> Solution {
        let drops: Vec<usize> = (0..self.branches.len())
            .filter(|&k| values[self.branches[k].link].drop > 0.0)
            .collect();
        let mut on = vec![[false; 2]; self.branches.len()];
        let mut solution = self.solve_with(values, supply, inject, &on);
        for _ in 0..1000 {
            let Some((k, side)) = self.contradiction(values, &solution, &on, &drops) else { break };
            on[k][side] = !on[k][side];
            solution = self.solve_with(values, supply, inject, &on);
        }
        solution
    }

    fn contradiction(
        &self,
        values: &[Value],
        solution: &Solution,
        on: &[[bool; 2]],
        drops: &[usize],
    ) -> Option<(usize, usize)> {
        drops.iter().flat_map(|&k| [(k, 0), (k, 1)]).find(|&(k, side)| {
            let Branch { ends: [a, b], emf, .. } = self.branches[k];
            let across = solution.at(a) - solution.at(b) + emf;
            let forward = if side == 0 { across } else { -across };
            let over = forward - values[self.branches[k].link].drop;
            if on[k][side] { over < -TINY_VOLTS } else { over > TINY_VOLTS }
        })
    }

    fn solve_with(
        &self,
        values: &[Value],
        supply: f64,
        inject: &[f64],
        on: &[[bool; 2]],
    ) -> Solution {
        let mut mesh = Mesh::new(self.nets.len());
        let mut inject: Vec<f64> = inject.iter().zip(&self.fed).map(|(a, b)| a + b).collect();
        let mut direction = vec![0; self.branches.len()];
        let mut union = Union::new(self.nets.len() + 1);
        let rails = self.nets.len();
        for (k, branch) in self.branches.iter().enumerate() {
            let value = values[branch.link];
            let mut against = 0.0;
            let (siemens, reached) = if value.drop > 0.0 {
                let count = on[k].iter().filter(|&&s| s).count();
                let amps = value.siemens() * value.drop;
                direction[k] = i8::from(on[k][0]) - i8::from(on[k][1]);
                against += f64::from(direction[k]) * amps;
                (value.siemens() * count as f64 + OFF_SIEMENS, count > 0)
            } else {
                (value.siemens(), true)
            };
            against -= branch.emf * siemens;
            for (end, amps) in branch.ends.iter().zip([against, -against]) {
                if let End::Node(i) = end {
                    inject[*i] += amps;
                }
            }
            join(&mut mesh, branch.ends, siemens);
            if reached {
                let [a, b] = branch.ends.map(|e| match e {
                    End::Node(i) => i,
                    End::Supply | End::Ground => rails,
                });
                union.join(a, b);
            }
        }
        mesh.eliminate();
        let volts = mesh.solve(supply, &inject);
        let rail_root = union.root(rails);
        let driven = (0..self.nets.len()).map(|i| union.root(i) == rail_root).collect();
        Solution { supply, volts, driven, mesh, direction }
    }
}
