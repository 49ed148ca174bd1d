//! What must be known of a whole board before its channels are looked at: that it can be solved,
//! and that nobody sets a short by going through the places of its jumpers.

use super::WindowProblem;
use crate::board::{Board, Setting};
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

/// Settings that short the supply though nobody can do without them: the delivery setting, and a
/// place that does so by itself, whatever the other jumpers. Other settings that short are never
/// passed by the sequence.
pub(super) fn shorts(board: &Board) -> Vec<WindowProblem> {
    let parts = Parts::nominal(board);
    let open = Setting::all_open(board);
    let places =
        |jumper: usize| board.jumpers[jumper].places().into_iter().map(move |p| (jumper, p));
    let alone = (0..board.jumpers.len()).flat_map(places).map(|(j, p)| open.with(j, p));
    let settings: BTreeSet<Setting> = alone.chain([board.delivery.clone()]).collect();
    let short = |setting: Setting| {
        let current = circuit::short(board, &parts, &setting, &[])?;
        Some(WindowProblem::ShortSetting { setting: setting.text(board), current })
    };
    settings.into_iter().filter_map(short).collect()
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
