//! The positions of a board one by one: every way of making a class, as a whole setting; and whose
//! bands are wider than a search to the end would have them.

use super::{Windows, spread};
use crate::board::{Board, Setting};
use crate::circuit::{self, Spread};

/// A position that stands for an option.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Position {
    /// Index of the channel.
    pub channel: usize,
    /// Index of the class among the windows of the channel.
    pub class: usize,
    /// Its places as people write them: `J1=3`.
    pub name: String,
    /// These places, the other jumpers as delivered.
    pub setting: Setting,
}

/// Every position that stands for an option, channel by channel.
pub fn positions(board: &Board, windows: &Windows) -> Vec<Position> {
    let mut found = Vec::new();
    for w in &windows.channels {
        for (class, of) in w.classes.iter().enumerate().filter(|(_, c)| !c.rows.is_empty()) {
            for places in std::iter::once(&of.places).chain(&of.also) {
                let pairs: Vec<String> = places
                    .iter()
                    .map(|&(j, p)| {
                        format!("{}={}", board.jumpers[j].id, board.jumpers[j].place_name(p))
                    })
                    .collect();
                let name = if pairs.is_empty() { "any".to_string() } else { pairs.join(" ") };
                let setting =
                    places.iter().fold(board.delivery.clone(), |s, &(j, place)| s.with(j, place));
                found.push(Position { channel: w.channel, class, name, setting });
            }
        }
    }
    found
}

/// The positions whose design band is wider by a tenth of a count or more than it might be, because
/// not every corner could be tried, and by how many counts.
pub fn widened(board: &Board, windows: &Windows) -> Vec<(Position, f64)> {
    let counts = |position: &Position| {
        let channel = board.channels.get(position.channel)?;
        let also_pulled = spread::also_pulled(board, channel);
        let spread = Spread { also_pulled, ..spread::design_spread(board, channel.pull_up) };
        let (setting, closes) = (&position.setting, &channel.closes);
        let found = circuit::search(board, setting, closes, channel.net, &spread)?;
        Some(found.widened * board.chip.scale).filter(|counts| *counts >= 0.1)
    };
    let all = positions(board, windows).into_iter();
    all.filter_map(|p| counts(&p).map(|c| (p, c))).collect()
}
