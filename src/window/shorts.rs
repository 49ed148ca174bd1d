//! What must be known of a whole board before its channels are looked at: that it can be solved,
//! and that nobody sets a short by going through the places of its jumpers.

use super::WindowProblem;
use crate::board::{Board, Place, Setting};
use crate::circuit::{self, Parts};
use std::collections::BTreeSet;

/// Nets of one group at most: their matrix is dense.
const MOST_NETS: usize = 1000;

/// Groups of nets too large for the solver.
pub(super) fn too_large(board: &Board) -> Vec<WindowProblem> {
    let large = circuit::groups(board).into_iter().filter(|g| g.nets.len() > MOST_NETS);
    large
        .map(|group| WindowProblem::TooLarge {
            channel: board
                .channels
                .iter()
                .find(|c| group.nets.contains(&c.net))
                .map(|c| c.id.clone()),
            nets: group.nets.len(),
            settings: group
                .jumpers
                .iter()
                .map(|&j| board.jumpers[j].places().len())
                .fold(1, usize::saturating_mul),
        })
        .collect()
}

/// Settings that short the supply, of those that somebody leaves a unit in: as delivered, and every
/// place of a jumper with the others as delivered, or with those after it not set yet.
pub(super) fn shorts(board: &Board) -> Vec<WindowProblem> {
    let parts = Parts::nominal(board);
    let mut seen: BTreeSet<Setting> = BTreeSet::new();
    let mut found = Vec::new();
    let mut look = |setting: Setting| {
        if !seen.insert(setting.clone()) {
            return;
        }
        if let Some(current) = circuit::short(board, &parts, &setting, &[]) {
            found.push(WindowProblem::ShortSetting { setting: setting.text(board), current });
        }
    };
    look(board.delivery.clone());
    let mut before = Setting::all_open(board);
    for (jumper, header) in board.jumpers.iter().enumerate() {
        for place in header.places() {
            look(board.delivery.with(jumper, place));
            look(before.with(jumper, place));
        }
        let delivered = board.delivery.0.get(jumper).copied().unwrap_or(Place::Open);
        before = before.with(jumper, delivered);
    }
    found
}

/// A short that a channel tells of, with its position, is not told a second time.
pub(super) fn once(problems: &mut Vec<WindowProblem>) {
    let told: BTreeSet<String> = problems
        .iter()
        .filter_map(|problem| match problem {
            WindowProblem::Short { setting, .. } => Some(setting.clone()),
            _ => None,
        })
        .collect();
    problems.retain(|problem| match problem {
        WindowProblem::ShortSetting { setting, .. } => !told.contains(setting),
        _ => true,
    });
}
