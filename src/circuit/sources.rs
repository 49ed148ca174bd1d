//! Voltages and currents fed in besides the supply.
//!
//! A voltage source makes its two nets one node with an offset between them, which costs no digits
//! where a large conductance in its place would. A current source adds to what is injected.

use crate::board::{Board, Feed, NetId};

/// Nets that voltage sources hold against each other.
#[derive(Clone, Debug)]
pub(crate) struct Ties {
    /// The net that stands for each net: a rail where one is among them, else the first.
    pub lead: Vec<NetId>,
    /// Volts of each net above its lead.
    pub above: Vec<f64>,
}

impl Ties {
    /// Follows the voltage sources of a board. A loop of them is refused with the board file; here
    /// the source that closes one counts for nothing.
    pub fn new(board: &Board) -> Ties {
        let nets = board.nets.len();
        let mut ties = Ties { lead: (0..nets).map(NetId).collect(), above: vec![0.0; nets] };
        let mut beside: Vec<Vec<(usize, f64)>> = Vec::new();
        for source in &board.sources {
            if let Feed::Volts(volts) = source.feed {
                beside.resize(nets, Vec::new());
                let [a, b] = source.between.map(|n| n.0);
                beside[b].push((a, volts.0));
                beside[a].push((b, -volts.0));
            }
        }
        if beside.is_empty() {
            return ties;
        }
        let mut reached = vec![false; nets];
        let rails = [board.supply.net.0, board.supply.ground.0];
        // Both rails lead, also where somebody put a source between them.
        rails.iter().for_each(|&rail| reached[rail] = true);
        for lead in rails.into_iter().chain(0..nets) {
            if reached[lead] && !rails.contains(&lead) {
                continue;
            }
            reached[lead] = true;
            let mut open = vec![lead];
            while let Some(net) = open.pop() {
                for &(other, volts) in &beside[net] {
                    if !reached[other] {
                        reached[other] = true;
                        ties.lead[other] = NetId(lead);
                        ties.above[other] = ties.above[net] + volts;
                        open.push(other);
                    }
                }
            }
        }
        ties
    }

    /// The potential of a net that a rail leads, for a supply of `volts`; `None` for others.
    pub fn fixed(&self, board: &Board, net: NetId, volts: f64) -> Option<f64> {
        let lead = self.lead[net.0];
        let rail = if lead == board.supply.net {
            volts
        } else if lead == board.supply.ground {
            0.0
        } else {
            return None;
        };
        Some(rail + self.above[net.0])
    }
}

/// Amperes of the current sources into a net, or into all nets that it leads.
pub(crate) fn injected<'b>(
    board: &'b Board,
    ties: &'b Ties,
) -> impl Iterator<Item = (NetId, f64)> + 'b {
    board.sources.iter().flat_map(|source| {
        let amperes = match source.feed {
            Feed::Amperes(amperes) => amperes.0,
            Feed::Volts(_) => 0.0,
        };
        let [from, to] = source.between.map(|net| ties.lead[net.0]);
        [(from, -amperes), (to, amperes)]
    })
}

/// The board with its uncertain sources at their ends, every combination once; node voltages are
/// linear in each source, so that extremes lie there.
pub(crate) fn corners(board: &Board) -> Vec<Board> {
    let uncertain: Vec<usize> =
        (0..board.sources.len()).filter(|&i| board.sources[i].tolerance.0 > 0.0).collect();
    let corner = |choice: usize| {
        let sign = |bit: usize| if choice >> bit & 1 == 1 { 1.0 } else { -1.0 };
        let ends = uncertain.iter().enumerate();
        ends.fold(board.clone(), |corner, (bit, &i)| with_source_at(&corner, i, sign(bit)))
    };
    (0..1 << uncertain.len().min(MOST_UNCERTAIN)).map(corner).collect()
}

/// The board with one source off by its tolerance in the direction of `sign`.
pub(crate) fn with_source_at(board: &Board, source: usize, sign: f64) -> Board {
    let mut board = board.clone();
    if let Some(source) = board.sources.get_mut(source) {
        let factor = 1.0 + sign * source.tolerance.0;
        match &mut source.feed {
            Feed::Volts(volts) => volts.0 *= factor,
            Feed::Amperes(amperes) => amperes.0 *= factor,
        }
    }
    board
}

/// Sources tried at both ends; the board file allows as many.
const MOST_UNCERTAIN: usize = 6;
