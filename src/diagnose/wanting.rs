//! What is still to be read of a unit that shows nothing wrong, before it can be called good.

use super::Diagnosis;
use super::evidence::Evidence;
use super::measure::Measurement;
use super::next::{Leading, SHORTED, Suggestion};
use crate::board::{Board, Kind, Place, Setting};
use crate::circuit::{self, Group, Parts};

/// How likely it may be that a setting shorts the supply of a unit that shows nothing: `bench` puts
/// every unit there (advice of our own).
const MAY_SHORT: f64 = 0.1;

/// The next setting in which a place of a jumper is read that was not, from where the shunts are: the
/// one that takes the fewest moves, those with the power off, and
/// those that a defect would make a short, last. Other jumpers of the same group go
/// back to the delivery setting, since one that is off may hide what a place does; the rest stay
/// where they are. None where nothing is left, or what is left is not wanted or might short the
/// supply.
///
/// Each move reads a place that was not read, and one of two jumpers in a group takes one more to go
/// back, so that no order needs fewer moves where each jumper has channels of its own.
pub fn still_to_read(
    board: &Board,
    evidence: &Evidence,
    diagnosis: &Diagnosis,
    from: &Setting,
    wanted: impl Fn(&Setting) -> bool,
) -> Option<Suggestion> {
    let (groups, parts) = (circuit::groups(board), Parts::nominal(board));
    let leading = Leading::of(board, diagnosis);
    let shorts = |setting: &Setting| circuit::short(board, &parts, setting, &[]).is_some();
    let mut settings: Vec<(bool, usize, Setting)> = Vec::new();
    for (jumper, place) in evidence.places_unread(board) {
        let Some(group) = groups.iter().find(|g| g.jumpers.contains(&jumper)) else { continue };
        let setting = with(board, group, from, jumper, place);
        if wanted(&setting) && !shorts(&setting) {
            let odds = leading.shorts(board, &setting);
            if odds < MAY_SHORT {
                settings.push((odds >= SHORTED, jumper, setting));
            }
        }
    }
    let moved = |setting: &Setting| -> Vec<usize> {
        (0..board.jumpers.len()).filter(|&j| setting.0[j] != from.0[j]).collect()
    };
    // The header that the hand is at comes first.
    let at = |jumper: usize| from.0[jumper] == board.delivery.0[jumper];
    let (_, jumper, setting) =
        settings.into_iter().min_by_key(|(may_short, jumper, setting)| {
            let moved = moved(setting);
            let off = moved.iter().any(|&j| board.jumpers[j].power);
            (*may_short, off, moved.len(), at(*jumper), *jumper)
        })?;
    let nets = groups.into_iter().find(|g| g.jumpers.contains(&jumper)).map(|g| g.nets)?;
    let by_probe = |c: &usize| {
        let channel = &board.channels[*c];
        nets.contains(&channel.net) && !matches!(channel.kind, Kind::Meter { .. })
    };
    let each = (0..board.channels.len()).filter(by_probe).filter_map(|channel| {
        let reading = Measurement::Reading { channel, setting: setting.clone() };
        leading.suggestion(board, evidence, reading, f64::NEG_INFINITY)
    });
    each.max_by(|a, b| a.settles.total_cmp(&b.settles))
}

/// A jumper in a place, the others of its group as delivered.
fn with(board: &Board, group: &Group, from: &Setting, jumper: usize, place: Place) -> Setting {
    let back = group.jumpers.iter();
    back.fold(from.clone(), |s, &j| s.with(j, board.delivery.0[j])).with(jumper, place)
}
