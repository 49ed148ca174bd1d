//! What a board file may have wrong: values, nets, the order of positions, which header is which.

use crate::board::{Board, NetId};
use crate::circuit::{Group, Parts};
use crate::faults::{Built, Fault, Reach};

/// An entry of the board file as it might read instead.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    /// What of one unit would be a defect: a value, parts or headers taken for each other, positions
    /// counted from the wrong end.
    Defect(Fault),
    /// A resistor between other nets.
    ResistorNets {
        /// Resistor index.
        resistor: usize,
        /// What its `between` would be.
        between: [NetId; 2],
    },
    /// A position that joins other nets.
    PositionNets {
        /// Jumper index.
        jumper: usize,
        /// Position index.
        position: usize,
        /// Index of the pole.
        pole: usize,
        /// What this pole of its `joins` would be.
        joins: [NetId; 2],
    },
    /// The positions of a header in another order than its own or the reverse of it.
    Order {
        /// Jumper index.
        jumper: usize,
        /// By position, the position of the file whose nets it joins.
        order: Vec<usize>,
    },
    /// A channel at another net.
    ChannelNet {
        /// Channel index.
        channel: usize,
        /// What its `net` would be.
        net: NetId,
    },
    /// Two channels, each at the other's net.
    ChannelsExchanged {
        /// Channel indices.
        channels: [usize; 2],
    },
}

impl Entry {
    /// What of a unit's defects may be an entry of the file instead.
    pub(super) fn is_of_the_file(fault: &Fault) -> bool {
        matches!(
            fault,
            Fault::ResistorValue { .. }
                | Fault::ResistorOff { .. }
                | Fault::ResistorsSwapped { .. }
                | Fault::CountedFromWrongEnd { .. }
                | Fault::HeadersMistaken { .. }
        )
    }

    /// Every entry with one net, or one order, other than the file's that has to do with these nets.
    pub(super) fn of_nets(board: &Board, nets: &[NetId]) -> Vec<Entry> {
        let mut found = Vec::new();
        let concerned = |entry: &Entry| entry.nets(board).iter().any(|n| nets.contains(n));
        for (resistor, r) in board.resistors.iter().enumerate() {
            let between = with_another_net(board, r.between);
            found.extend(between.map(|between| Entry::ResistorNets { resistor, between }));
        }
        for (jumper, j) in board.jumpers.iter().enumerate() {
            for (position, p) in j.positions.iter().enumerate() {
                for (pole, &joins) in p.joins.iter().enumerate() {
                    let others = with_another_net(board, joins);
                    found.extend(others.map(|joins| Entry::PositionNets {
                        jumper,
                        position,
                        pole,
                        joins,
                    }));
                }
            }
            found.extend(orders(j.positions.len()).map(|order| Entry::Order { jumper, order }));
        }
        for (channel, c) in board.channels.iter().enumerate() {
            let rails = [board.supply.net, board.supply.ground];
            let each = (0..board.nets.len()).map(NetId);
            let others = each.filter(|n| *n != c.net && !rails.contains(n));
            found.extend(others.map(|net| Entry::ChannelNet { channel, net }));
            let later = channel + 1..board.channels.len();
            let other = later.filter(|&d| board.channels[d].net != c.net);
            found.extend(other.map(|d| Entry::ChannelsExchanged { channels: [channel, d] }));
        }
        found.retain(concerned);
        found
    }

    /// The board with this entry in place of the file's; a defect is left to those who plant it.
    pub(super) fn applied(&self, board: &Board) -> Board {
        let mut other = board.clone();
        match self {
            Entry::Defect(_) => {}
            Entry::ResistorNets { resistor, between } => {
                other.resistors[*resistor].between = *between;
            }
            Entry::PositionNets { jumper, position, pole, joins } => {
                other.jumpers[*jumper].positions[*position].joins[*pole] = *joins;
            }
            Entry::Order { jumper, order } => {
                let filed = &board.jumpers[*jumper].positions;
                for (position, &of) in other.jumpers[*jumper].positions.iter_mut().zip(order) {
                    position.joins.clone_from(&filed[of].joins);
                }
            }
            Entry::ChannelNet { channel, net } => other.channels[*channel].net = *net,
            Entry::ChannelsExchanged { channels: [a, b] } => {
                other.channels[*a].net = board.channels[*b].net;
                other.channels[*b].net = board.channels[*a].net;
            }
        }
        other
    }

    /// The nets that it takes from, or gives to, a part.
    fn nets(&self, board: &Board) -> Vec<NetId> {
        match self {
            Entry::Defect(_) => Vec::new(),
            Entry::ResistorNets { resistor, between } => {
                [board.resistors[*resistor].between, *between].concat()
            }
            Entry::PositionNets { jumper, position, pole, joins } => {
                [board.jumpers[*jumper].positions[*position].joins[*pole], *joins].concat()
            }
            Entry::Order { jumper, .. } => {
                let positions = &board.jumpers[*jumper].positions;
                positions.iter().flat_map(|p| p.joins.iter().flatten()).copied().collect()
            }
            Entry::ChannelNet { channel, net } => vec![board.channels[*channel].net, *net],
            Entry::ChannelsExchanged { channels } => {
                channels.iter().map(|&c| board.channels[c].net).collect()
            }
        }
    }

    /// Which of these groups, of `board` as filed or with this entry, have readings that it may
    /// change.
    pub(super) fn groups(&self, board: &Board, groups: &[Group]) -> Vec<usize> {
        let reach: Option<Reach> = match self {
            Entry::Defect(fault) => Some(fault.reach(board)),
            _ => None,
        };
        let nets = self.nets(board);
        let touched = |group: &Group| match &reach {
            Some(reach) => reach.touches(board, group),
            None => group.nets.iter().any(|n| nets.contains(n)),
        };
        (0..groups.len()).filter(|&g| touched(&groups[g])).collect()
    }

    /// Whether shunts alone would short the supply with this entry, in a setting that was read.
    pub(super) fn shorts(&self, other: &Board, read: &super::Evidence) -> bool {
        let may = matches!(self, Entry::PositionNets { .. } | Entry::Order { .. });
        let built = Built::good(other, Parts::nominal(other));
        may && read.readings.iter().any(|r| built.shorts(other, &r.setting, &r.closed))
    }
}

/// Two nets with either of them another, of all on the board.
fn with_another_net(board: &Board, [a, b]: [NetId; 2]) -> impl Iterator<Item = [NetId; 2]> {
    let others = (0..board.nets.len()).map(NetId).filter(move |&n| n != a && n != b);
    others.flat_map(move |n| [[n, b], [a, n]])
}

/// Orders of so many positions that a slip of the pen makes: two exchanged, or all of them moved by
/// one. The reverse is what counting from the wrong end is.
fn orders(count: usize) -> impl Iterator<Item = Vec<usize>> {
    let filed: Vec<usize> = (0..count).collect();
    let reverse: Vec<usize> = (0..count).rev().collect();
    let mut found = Vec::new();
    for a in 0..count {
        for b in a + 1..count {
            let mut order = filed.clone();
            order.swap(a, b);
            found.push(order);
        }
    }
    for by in [1, count.saturating_sub(1)] {
        let mut order = filed.clone();
        order.rotate_left(by.min(count));
        if !found.contains(&order) && order != filed {
            found.push(order);
        }
    }
    found.retain(|order| *order != reverse);
    found.into_iter()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_order_is_another_one_and_each_comes_once() {
        assert_eq!(orders(1).count(), 0);
        // The one exchange of two is their reverse.
        assert_eq!(orders(2).count(), 0);
        // Three exchanges, one of which is the reverse, and two shifts.
        assert_eq!(orders(3).count(), 4);
        assert_eq!(orders(5).count(), 12);
    }
}
