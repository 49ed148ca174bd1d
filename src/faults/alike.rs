//! How far a defect moves any reading at all, in whatever setting: the proof that no sequence shows
//! it, or how much of it shows in some units only.

use super::{Built, Fault, Reach};
use crate::board::{Board, Channel, Kind, Place, Setting};
use crate::circuit::{self, Circuit, Node, Parts, pulled_up};
use crate::units::Ohms;
use crate::window::{adc, level_of};
use std::collections::HashMap;

/// Settings that are tried for one defect at most.
const MOST_SETTINGS: usize = 4096;

/// Codes within which readings count as alike: the uncertainty of a burst's mean whose noise is
/// below a code is 0.58 (k = 2, 1/sqrt(12) of a code), the same again for the one it is held
/// against.
pub const ALIKE: f64 = 1.0;

/// What holding a defect against a good unit in every setting came to, both nominal.
#[derive(Clone, Debug, PartialEq)]
pub enum Likeness {
    /// The reading that the defect moves the most: by at most [`ALIKE`] nothing ever shows it.
    Most(Moved),
    /// There are too many settings to try them all, or nothing here reads it.
    Untried,
}

/// A reading that a defect moves.
#[derive(Clone, Debug, PartialEq)]
pub struct Moved {
    /// By so many codes; of a digital input as if it were an analog one.
    pub codes: f64,
    /// Channel index; none where no channel is touched.
    pub channel: Option<usize>,
    /// The setting.
    pub setting: Setting,
    /// Whether with the pull-up on.
    pub pulled: bool,
}

/// Holds each defect against a good unit in every setting of the jumpers that it bears on, with the
/// pull-up off and on.
pub fn likeness(board: &Board, faults: &[Fault]) -> Vec<Likeness> {
    let mut good = Good { board, solved: HashMap::new() };
    faults.iter().map(|&fault| good.against(fault)).collect()
}

struct Good<'a> {
    board: &'a Board,
    solved: HashMap<(Setting, Vec<usize>), Circuit>,
}

impl Good<'_> {
    fn against(&mut self, fault: Fault) -> Likeness {
        if matches!(fault, Fault::LoadDead { .. } | Fault::LoadShorted { .. }) {
            return Likeness::Untried;
        }
        let board = self.board;
        let reach = fault.reach(board);
        let Some(settings) = settings(board, &reach) else { return Likeness::Untried };
        let built = Built::with(board, fault);
        let channels: Vec<usize> = touched(board, &reach);
        let setting = board.delivery.clone();
        let mut most = Moved { codes: 0.0, channel: None, setting, pulled: false };
        for setting in settings {
            for &channel in &channels {
                let c = &board.channels[channel];
                let rests = !c.closes.is_empty() && c.kind == Kind::Analog;
                for closed in [&c.closes[..], &[]].iter().take(1 + usize::from(rests)) {
                    let [good, bad] = self.nodes(&built, fault, &setting, closed, channel);
                    for pulled in [false, true] {
                        let Some(codes) = moved(board, c, fault, [good, bad], pulled) else {
                            continue;
                        };
                        if codes > most.codes {
                            let (channel, setting) = (Some(channel), setting.clone());
                            most = Moved { codes, channel, setting, pulled };
                        }
                    }
                }
            }
        }
        Likeness::Most(most)
    }

    fn nodes(
        &mut self,
        built: &Built,
        fault: Fault,
        setting: &Setting,
        closed: &[usize],
        channel: usize,
    ) -> [Node; 2] {
        let board = self.board;
        let anew = || Circuit::solve(board, &Parts::nominal(board), setting, closed);
        let good = self.solved.entry((setting.clone(), closed.to_vec())).or_insert_with(anew);
        let good = good.node(board.channels[channel].net);
        [good, built.node(board, setting, &fault.closed(closed), channel)]
    }
}

/// The channels that a defect can bear on and that a pin reads.
fn touched(board: &Board, reach: &Reach) -> Vec<usize> {
    let groups = circuit::groups(board);
    let of = |&c: &usize| {
        let channel = &board.channels[c];
        let near = groups.iter().any(|g| g.nets.contains(&channel.net) && reach.touches(board, g));
        let own = reach.channel.is_none_or(|only| only == c);
        !matches!(channel.kind, Kind::Meter { .. }) && own && (near || reach.channel == Some(c))
    };
    (0..board.channels.len()).filter(of).collect()
}

/// Every setting of the jumpers of the groups that a defect bears on, the others as delivered; none
/// where there are too many.
fn settings(board: &Board, reach: &Reach) -> Option<Vec<Setting>> {
    let groups = circuit::groups(board);
    let touched = groups.iter().filter(|g| reach.touches(board, g));
    let mut jumpers: Vec<usize> = touched.flat_map(|g| g.jumpers.iter().copied()).collect();
    jumpers.extend(&reach.jumpers);
    jumpers.sort_unstable();
    jumpers.dedup();
    let places: Vec<Vec<Place>> = jumpers.iter().map(|&j| board.jumpers[j].places()).collect();
    let count = places.iter().try_fold(1_usize, |n, p| n.checked_mul(p.len()))?;
    if count > MOST_SETTINGS {
        return None;
    }
    let mut found = vec![board.delivery.clone()];
    for (&jumper, places) in jumpers.iter().zip(&places) {
        let with = |s: &Setting| places.iter().map(|&p| s.with(jumper, p)).collect::<Vec<_>>();
        found = found.iter().flat_map(with).collect();
    }
    let shorts = |s: &Setting| Built::good(board, Parts::nominal(board)).shorts(board, s, &[]);
    found.retain(|s| !shorts(s));
    Some(found)
}

/// Codes by which a defect moves one reading; none where that reading is not taken, or says nothing
/// of a net that floats.
fn moved(
    board: &Board,
    c: &Channel,
    fault: Fault,
    [good, bad]: [Node; 2],
    pulled: bool,
) -> Option<f64> {
    let product_pulls = c.pull_up && c.kind == Kind::Digital;
    if (pulled && !c.pin.pull_up) || (product_pulls && !pulled) {
        return None;
    }
    let pull = Ohms((board.chip.pull_up.0.0 * board.chip.pull_up.1.0).sqrt());
    let missing = fault == Fault::PullUpMissing { channel: board.channel(&c.id)? };
    let code = |node: Node, pulls: bool| match node {
        _ if pulls => Some(adc::code_at(pulled_up(node, board.supply.volts, pull), board)),
        Node::Driven { volts, .. } => Some(adc::code_at(volts, board)),
        Node::Floating => None,
    };
    let (a, b) = (code(good, pulled)?, code(bad, pulled && !missing));
    match (c.kind, b) {
        // Nothing holds it: the driven proof tells.
        (_, None) => Some(f64::from(board.chip.full_scale)),
        (Kind::Digital, Some(b)) => {
            let levels = [a, b].map(|code| level_of(code, &board.chip));
            Some(if levels[0] == levels[1] { 0.0 } else { (a - b).abs() })
        }
        (_, Some(b)) => Some((a - b).abs()),
    }
}
