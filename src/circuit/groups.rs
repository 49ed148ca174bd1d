//! Which jumpers can influence which nets.

use super::network::Union;
use super::sources::Ties;
use crate::board::{Board, NetId};
use std::collections::HashMap;

/// Jumpers and nets that influence each other, and nothing outside.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Group {
    /// Indices of the jumpers, ascending.
    pub jumpers: Vec<usize>,
    /// The nets, ascending; no rail is among them.
    pub nets: Vec<NetId>,
}

/// The groups of a board, in the order of their first net.
///
/// With the two rails taken out, nets are joined over resistors, switches and all positions of
/// all jumpers; a jumper glues together all that any of its positions touches. A reading depends
/// only on the places of the jumpers in its group, because ideal rails carry nothing across. A
/// jumper that touches rails only makes a group without nets, at the end.
pub fn groups(board: &Board) -> Vec<Group> {
    let nets = board.nets.len();
    // A net that a source holds against a rail is as good as a rail.
    let ties = Ties::new(board);
    let rail = |net: NetId| ties.fixed(board, net, 0.0).is_some();
    let mut union = Union::new(nets + board.jumpers.len());
    let parts = board.resistors.iter().map(|r| r.between);
    let tied = (0..nets).map(|n| [NetId(n), ties.lead[n]]);
    for [a, b] in parts.chain(board.switches.iter().map(|s| s.between)).chain(tied) {
        if !rail(a) && !rail(b) {
            union.join(a.0, b.0);
        }
    }
    for (j, jumper) in board.jumpers.iter().enumerate() {
        for &net in jumper.positions.iter().flat_map(|p| p.joins.iter().flatten()) {
            if !rail(net) {
                union.join(net.0, nets + j);
            }
        }
    }
    let mut found: Vec<Group> = Vec::new();
    let mut at_root: HashMap<usize, usize> = HashMap::new();
    for i in (0..nets + board.jumpers.len()).filter(|&i| i >= nets || !rail(NetId(i))) {
        let at = *at_root.entry(union.root(i)).or_insert(found.len());
        if at == found.len() {
            found.push(Group { jumpers: Vec::new(), nets: Vec::new() });
        }
        let group = &mut found[at];
        if i < nets {
            group.nets.push(NetId(i));
        } else {
            group.jumpers.push(i - nets);
        }
    }
    found
}

/// The group that a net belongs to; `None` for a rail.
pub fn group_of(board: &Board, net: NetId) -> Option<Group> {
    groups(board).into_iter().find(|g| g.nets.contains(&net))
}
