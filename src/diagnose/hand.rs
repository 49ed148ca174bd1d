//! What is measured next by somebody with the unit on the bench: the work depends on where its
//! shunts are and on whether it has power.

use super::look::Look;
use super::measure::Measurement;
use super::next::Suggestion;
use crate::board::{Board, Setting};

/// The unit as it lies there.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct InHand {
    /// Where its shunts are; none before they were put anywhere.
    pub setting: Option<Setting>,
    /// Whether it has power.
    pub powered: bool,
    /// Whether it must not get power any more.
    pub dead: bool,
}

/// Work as a share of what is open, beside which a measurement that settles as much more is worth
/// it (advice of our own): the first shunt moved, each further one, all of them at most; power off
/// or on again; a lead between the rails.
const FIRST_MOVE: f64 = 0.02;
const MOVE: f64 = 0.01;
const MOVES: f64 = 0.08;
const POWER: f64 = 0.05;
const LEAD: f64 = 0.03;

/// The measurements that can be made of a unit, the one first that settles most for its work. Of
/// a unit that must not get power those are left that need none, and what an iron or a blade would
/// settle only where it is worth that.
pub fn in_hand(board: &Board, hand: &InHand, suggestions: Vec<Suggestion>) -> Vec<Suggestion> {
    let worth = |s: &Suggestion| s.settles - work(board, hand, s);
    let can = |s: &Suggestion| !hand.dead || !needs_power(&s.measurement);
    let mut found: Vec<Suggestion> = spared(suggestions).into_iter().filter(can).collect();
    found.sort_by(|a, b| worth(b).total_cmp(&worth(a)));
    found
}

/// The same without what an iron or a blade would settle next to nothing by: they change the unit,
/// whether it is on the bench or its record on the desk.
pub fn spared(mut suggestions: Vec<Suggestion>) -> Vec<Suggestion> {
    suggestions.retain(|s| match &s.measurement {
        Measurement::Look(look) if look.changes_the_unit() => s.settles > look.work(s.mends),
        _ => true,
    });
    suggestions
}

fn needs_power(measurement: &Measurement) -> bool {
    match measurement {
        Measurement::Volts { .. } | Measurement::Reading { .. } => true,
        Measurement::Ohms { .. } => false,
        Measurement::Look(look) => {
            let by_probe = look.is_tried() && !matches!(look, Look::Lifted { .. });
            by_probe || look.question().is_some()
        }
    }
}

fn work(board: &Board, hand: &InHand, suggestion: &Suggestion) -> f64 {
    let moves = |to: &Setting| {
        let from = hand.setting.as_ref();
        let moved = |&j: &usize| from.is_none_or(|from| from.0[j] != to.0[j]);
        match (0..board.jumpers.len()).filter(moved).count() {
            0 => 0.0,
            more => (FIRST_MOVE + MOVE * (more - 1) as f64).min(MOVES),
        }
    };
    let power = |wanted: bool| if wanted == hand.powered { 0.0 } else { POWER };
    match &suggestion.measurement {
        Measurement::Volts { setting, .. } | Measurement::Reading { setting, .. } => {
            moves(setting) + power(true)
        }
        Measurement::Ohms { setting, joined, .. } => {
            moves(setting) + power(false) + if *joined { LEAD } else { 0.0 }
        }
        Measurement::Look(look) => {
            look.work(suggestion.mends) + if look.question().is_some() { power(true) } else { 0.0 }
        }
    }
}
