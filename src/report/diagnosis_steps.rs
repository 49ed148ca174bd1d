//! What hands do before a measurement: power, shunts and leads, in an order that is safe.

use super::words::{on, pins};
use crate::board::{Board, Place, Setting};
use crate::circuit::{self, Parts};
use crate::diagnose::InHand;

/// How a unit has to lie there.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// Where its shunts are.
    pub setting: Setting,
    /// Whether it has power.
    pub powered: bool,
    /// Whether a lead joins supply and ground.
    pub joined: bool,
}

/// What is to be done, in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Steps {
    /// One sentence each, without a full stop.
    pub list: Vec<String>,
    /// Whether the unit is without power meanwhile.
    pub cut: bool,
}

/// What brings a unit from where it is to where it is wanted; `act` is done before it has power
/// again, or last.
pub fn steps(
    board: &Board,
    hand: &InHand,
    joined: bool,
    wanted: &Wanted,
    act: Option<&str>,
) -> Steps {
    let (supply, ground) = (board.net_name(board.supply.net), board.net_name(board.supply.ground));
    let Some(from) = &hand.setting else { return first(board, wanted, act) };
    let moves = order(board, from, &wanted.setting);
    let by_power = moved(from, &wanted.setting).any(|j| board.jumpers[j].power);
    let live = hand.powered && wanted.powered;
    let cut = hand.powered && (!wanted.powered || by_power || moves.is_none());
    let mut list = Vec::new();
    if cut {
        list.push(match live {
            true => "switch the power off and unplug the unit".to_string(),
            false => unplug(supply, ground),
        });
    }
    if joined && !wanted.joined {
        list.push(format!("take the lead from {supply} to {ground} off"));
    }
    list.extend(put(board, from, &wanted.setting, moves));
    list.extend(act.map(str::to_string));
    if wanted.joined && !joined {
        list.push(format!("join {supply} to {ground} by a lead"));
    }
    let off = cut || !hand.powered;
    if wanted.powered && off {
        list.push("plug the unit in again and switch the power on".into());
    }
    Steps { list, cut: off }
}

fn unplug(supply: &str, ground: &str) -> String {
    format!(
        "switch the power off and unplug the unit from every supply, USB too, until a meter shows \
         less than 0.1 V from {supply} to {ground}"
    )
}

/// Nothing is known of the unit yet.
fn first(board: &Board, wanted: &Wanted, act: Option<&str>) -> Steps {
    let (supply, ground) = (board.net_name(board.supply.net), board.net_name(board.supply.ground));
    let bare = wanted.setting == Setting::all_open(board);
    let shunts = match bare {
        true => "take every shunt off".to_string(),
        false => format!("set {}", wanted.setting.text(board)),
    };
    let act = act.map(str::to_string);
    let mut list = Vec::new();
    if wanted.powered {
        list.push(format!("{shunts} with the power off"));
        list.extend(act);
        list.push("plug the unit in and switch the power on".into());
    } else {
        list.extend([unplug(supply, ground), shunts]);
        list.extend(act);
        if wanted.joined {
            list.push(format!("join {supply} to {ground} by a lead"));
        }
    }
    Steps { list, cut: true }
}

fn moved(from: &Setting, to: &Setting) -> impl Iterator<Item = usize> {
    let count = from.0.len();
    let (from, to) = (from.0.clone(), to.0.clone());
    (0..count).filter(move |&j| from[j] != to[j])
}

/// The moves in an order in which no setting on the way shorts the supply; none where there is no
/// such order.
fn order(board: &Board, from: &Setting, to: &Setting) -> Option<Vec<usize>> {
    let parts = Parts::nominal(board);
    let (mut at, mut left) = (from.clone(), moved(from, to).collect::<Vec<usize>>());
    let mut found = Vec::new();
    while !left.is_empty() {
        let safe = |&j: &usize| circuit::short(board, &parts, &at.with(j, to.0[j]), &[]).is_none();
        let next = left.iter().position(safe)?;
        let jumper = left.remove(next);
        at = at.with(jumper, to.0[jumper]);
        found.push(jumper);
    }
    Some(found)
}

fn put(board: &Board, from: &Setting, to: &Setting, moves: Option<Vec<usize>>) -> Option<String> {
    let moves = moves.unwrap_or_else(|| moved(from, to).collect());
    let bare = *to == Setting::all_open(board) && moves.len() > 1;
    let one = |&j: &usize| {
        let jumper = &board.jumpers[j];
        let (old, new) = (from.0[j], to.0[j]);
        match (old, new) {
            (_, Place::Open) => format!("take the shunt off {}", jumper.id),
            (Place::Open, _) => format!("put the shunt of {} {}", jumper.id, on(jumper, new)),
            _ => {
                let (name, pins) = (jumper.place_name(new), pins(jumper, new));
                format!("move {} to {name} ({pins})", jumper.id)
            }
        }
    };
    match &moves[..] {
        [] => None,
        several if bare => {
            let ids: Vec<&str> = several.iter().map(|&j| board.jumpers[j].id.as_str()).collect();
            Some(format!("take every shunt off ({})", ids.join(", ")))
        }
        several => {
            // What is taken off first shorts nothing that was not shorted.
            let (off, on): (Vec<usize>, Vec<usize>) =
                several.iter().partition(|&&j| to.0[j] == Place::Open);
            let ids: Vec<&str> = off.iter().map(|&j| board.jumpers[j].id.as_str()).collect();
            let off = match &ids[..] {
                [] | [_] => off.iter().map(one).collect::<Vec<String>>(),
                many => vec![format!("take the shunts off {}", many.join(", "))],
            };
            Some(off.into_iter().chain(on.iter().map(one)).collect::<Vec<String>>().join(", "))
        }
    }
}
