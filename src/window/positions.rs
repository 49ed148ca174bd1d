//! The positions of a board one by one: every way of making a class, as a whole setting; whose
//! bands are wider than a search to the end would have them; what each gives where they cannot be
//! told apart.

use super::classes::{self, Draft};
use super::{Band, Windows, spread};
use crate::board::{Board, Setting};
use crate::circuit::{self, Spread};
use crate::units::Volts;

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

/// What a channel gives in a position, whether or not another position can give it too.
#[derive(Clone, Debug, PartialEq)]
pub struct PositionBand {
    /// Index of the channel.
    pub channel: usize,
    /// Its places as people write them: `J1=3`.
    pub name: String,
    /// The option, where this channel alone decides it.
    pub means: Option<String>,
    /// Nominal voltage with the other jumpers as delivered; `None` when the net floats.
    pub volts: Option<Volts>,
    /// Nominal code; ohms on a channel that a meter reads.
    pub code: f64,
    /// Design band in the unit of the code.
    pub design: Band,
    /// Names of the positions that stand for another option and whose bands this one meets.
    pub meets: Vec<String>,
}

/// The bands of a board whose positions cannot all be told apart, channel by channel. A channel
/// whose settings are too many, or short the supply, has none.
pub fn bands(board: &Board) -> Vec<PositionBand> {
    let of = |channel| {
        let drafts = classes::drafts(board, channel).unwrap_or_default();
        let band = |draft: &Draft| {
            let meets = |other: &&Draft| {
                draft.means(board).zip(other.means(board)).is_some_and(|(a, b)| a != b)
                    && other.design.low <= draft.design.high
                    && draft.design.low <= other.design.high
            };
            PositionBand {
                channel,
                name: draft.name(board),
                means: draft.means(board),
                volts: draft.volts,
                code: draft.code,
                design: draft.design,
                meets: drafts.iter().filter(meets).map(|d| d.name(board)).collect(),
            }
        };
        drafts.iter().map(band).collect::<Vec<_>>()
    };
    (0..board.channels.len()).flat_map(of).collect()
}
