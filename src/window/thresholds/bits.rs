//! Options read from levels.

use super::zones::NONE;
use super::{Check, Finding, FindingKind, Grade, Mismatch, PositionCheck};
use crate::board::{Board, Decoding, Jumper, Kind, Level, Place};
use crate::window::{ChannelWindows, Limits};

/// Digital channels of one set that are gone through bit by bit.
const MOST_BITS: usize = 64;
/// Bits that do not matter to a row, tried both ways.
const MOST_FREE: u32 = 16;
/// Bits tried for having been read the other way round.
const MOST_FLIPPED: usize = 12;

/// Levels of the digital channels of a set, bit `i` for the `i`-th of them, high for 1.
#[derive(Clone, Copy, Debug)]
struct Wanted {
    mask: u64,
    bits: u64,
}

/// The rows of a set as the firmware reads their levels.
pub(super) fn check(
    board: &Board,
    set: usize,
    levels: &[ChannelWindows],
    said: Option<&Decoding>,
) -> Result<Check, Mismatch> {
    let id = &board.options[set].id;
    let Some(said) = said else {
        let change = format!(
            "add `[[thresholds]]` with `set = \"{id}\"` to the board file, or give --bits {id}"
        );
        return Ok(Check { positions: Vec::new(), findings: vec![super::untested(id, change)] });
    };
    if levels.len() > MOST_BITS {
        return Err(Mismatch {
            what: format!("{id} has {} digital channels; {MOST_BITS} are the most", levels.len()),
            do_next: "split it into several sets of options".into(),
        });
    }
    let firmware = Firmware::new(board, set, levels, said)?;
    let rows: Vec<Wanted> =
        (0..board.options[set].when.len()).map(|row| wanted(levels, set, row)).collect();
    let right = |row: usize, flipped: u64| firmware.right(row, rows[row], flipped);
    let positions: Vec<PositionCheck> = (0..rows.len())
        .map(|row| position(board, set, levels, row, firmware.reads(rows[row], 0), right(row, 0)))
        .collect();
    let mut findings = Vec::new();
    if positions.iter().any(|p| p.grade == Grade::Fail) {
        let all = |flipped: u64| (0..rows.len()).all(|row| right(row, flipped));
        findings.push(remedy(board, set, levels, &positions, all));
    }
    Ok(Check { positions, findings })
}

/// The levels that a row gives on every good unit; a bit that may be either is not in the mask.
fn wanted(levels: &[ChannelWindows], set: usize, row: usize) -> Wanted {
    let mut wanted = Wanted { mask: 0, bits: 0 };
    for (bit, windows) in levels.iter().enumerate() {
        let classes = windows.classes.iter().filter(|c| c.rows.contains(&(set, row)));
        let found: Vec<Level> = classes
            .filter_map(|c| match c.limits {
                Limits::Level(level) => Some(level),
                _ => None,
            })
            .collect();
        if let [level] = found[..] {
            wanted.mask |= 1 << bit;
            wanted.bits |= u64::from(level == Level::High) << bit;
        }
    }
    wanted
}

/// What the firmware makes of levels.
struct Firmware<'a> {
    board: &'a Board,
    set: usize,
    said: &'a Decoding,
    /// Index among the digital channels of the set of each bit of the number.
    order: Vec<usize>,
    count: usize,
}

impl<'a> Firmware<'a> {
    fn new(
        board: &'a Board,
        set: usize,
        levels: &[ChannelWindows],
        said: &'a Decoding,
    ) -> Result<Firmware<'a>, Mismatch> {
        let id = &board.options[set].id;
        let mut order = Vec::new();
        if let Decoding::Bits { channels, options, .. } = said {
            for channel in channels {
                let Some(at) = levels.iter().position(|w| w.channel == *channel) else {
                    return Err(Mismatch {
                        what: format!(
                            "{} is no digital channel of {id}",
                            board.channels[*channel].id
                        ),
                        do_next: "list the digital channels of the set".into(),
                    });
                };
                order.push(at);
            }
            let distinct: std::collections::BTreeSet<usize> = order.iter().copied().collect();
            if distinct.len() != order.len() || order.len() != levels.len() {
                return Err(Mismatch {
                    what: format!("the bits of {id} are not each of its digital channels once"),
                    do_next: "list every digital channel of the set, the one of least weight first"
                        .into(),
                });
            }
            let means = || board.options[set].when.iter().map(|m| m.means.as_str());
            if options.is_empty() && !means().all(|m| number(m).is_some()) {
                let known: Vec<&str> = means().collect();
                return Err(Mismatch {
                    what: format!("the options of {id} are no numbers: {}", known.join(", ")),
                    do_next:
                        "list them in the order of the numbers from 0 on, `none` for one that \
                              is not used"
                            .into(),
                });
            }
            if let Some(unknown) = options.iter().find(|o| *o != NONE && !means().any(|m| m == *o))
            {
                let known: Vec<&str> = means().collect();
                return Err(Mismatch {
                    what: format!("{id} has no option `{unknown}`"),
                    do_next: format!("use {}, or `none`", known.join(", ")),
                });
            }
        }
        Ok(Firmware { board, set, said, order, count: levels.len() })
    }

    /// What it may read at levels of which some do not matter, with some bits turned round.
    fn reads(&self, wanted: Wanted, flipped: u64) -> Vec<String> {
        let free: Vec<usize> = (0..self.count).filter(|&bit| wanted.mask >> bit & 1 == 0).collect();
        let tried = 1_u64 << (free.len() as u32).min(MOST_FREE);
        let mut found: Vec<String> = Vec::new();
        for choice in 0..tried {
            let chosen = |(i, &bit): (usize, &usize)| (choice >> i.min(63) & 1) << bit;
            let levels = free.iter().enumerate().map(chosen).fold(wanted.bits, |all, b| all | b);
            for option in self.read(levels ^ flipped) {
                if !found.contains(&option) {
                    found.push(option);
                }
            }
        }
        found
    }

    /// What it reads at levels; several when its patterns are not exclusive.
    fn read(&self, levels: u64) -> Vec<String> {
        let when = &self.board.options[self.set].when;
        match self.said {
            Decoding::Bits { low_is_one, options, .. } => {
                let bit = |(i, &at): (usize, &usize)| {
                    u64::from((levels >> at & 1 == 1) != *low_is_one) << i.min(63)
                };
                let value = self.order.iter().enumerate().map(bit).fold(0, |all, b| all | b);
                let listed = usize::try_from(value).ok().and_then(|v| options.get(v));
                let option = match options.is_empty() {
                    false => listed.cloned(),
                    true => {
                        when.iter().map(|m| &m.means).find(|m| number(m) == Some(value)).cloned()
                    }
                };
                vec![option.unwrap_or_else(|| NONE.to_string())]
            }
            Decoding::Patterns { rows, .. } => {
                let fits = when.iter().zip(rows).filter(|(_, p)| levels & p.mask == p.bits);
                let mut found: Vec<String> = fits.map(|(m, _)| m.means.clone()).collect();
                found.dedup();
                if found.is_empty() { vec![NONE.to_string()] } else { found }
            }
            Decoding::Thresholds { .. } | Decoding::Windows { .. } => vec![NONE.to_string()],
        }
    }

    /// Whether a row is read as its option, whatever the bits that do not matter. In a set with
    /// analog channels these may tell apart what the levels do not.
    fn right(&self, row: usize, wanted: Wanted, flipped: u64) -> bool {
        let options = &self.board.options[self.set];
        let means = &options.when[row].means;
        let mixed = options.channels.iter().any(|&c| self.board.channels[c].kind != Kind::Digital);
        let reads = self.reads(wanted, flipped);
        if mixed { reads.contains(means) } else { reads.iter().all(|r| r == means) }
    }
}

/// A number as options write it: `5` or `0x1f`.
fn number(option: &str) -> Option<u64> {
    match option.strip_prefix("0x").or_else(|| option.strip_prefix("0X")) {
        Some(hex) => u64::from_str_radix(hex, 16).ok(),
        None => option.parse().ok(),
    }
}

fn position(
    board: &Board,
    set: usize,
    levels: &[ChannelWindows],
    row: usize,
    reads: Vec<String>,
    right: bool,
) -> PositionCheck {
    let meaning = &board.options[set].when[row];
    // The place of the least margin decides.
    let tightest = levels
        .iter()
        .flat_map(|w| w.classes.iter().filter(|c| c.rows.contains(&(set, row))))
        .min_by(|a, b| a.margin_code.total_cmp(&b.margin_code));
    PositionCheck {
        channel: None,
        set,
        place: place(board, &meaning.places),
        option: meaning.means.clone(),
        band: None,
        codes: None,
        takes: None,
        reads,
        margin_code: tightest.filter(|_| right).map(|c| c.margin_code),
        margin_pct: tightest.filter(|_| right).map(|c| c.margin_pct),
        proposal: None,
        grade: if right { Grade::Pass } else { Grade::Fail },
    }
}

fn place(board: &Board, places: &[(usize, Place)]) -> String {
    let text = |&(j, p): &(usize, Place)| {
        let jumper: &Jumper = &board.jumpers[j];
        format!("{}={}", jumper.id, jumper.place_name(p))
    };
    places.iter().map(text).collect::<Vec<_>>().join(" ")
}

/// What would put the rows right: bits turned round, if that is all it is.
fn remedy(
    board: &Board,
    set: usize,
    levels: &[ChannelWindows],
    positions: &[PositionCheck],
    all_right: impl Fn(u64) -> bool,
) -> Finding {
    let id = &board.options[set].id;
    let n = levels.len();
    let every = if n >= 64 { u64::MAX } else { (1 << n) - 1 };
    let tried = if n <= MOST_FLIPPED { every } else { 0 };
    let flipped = std::iter::once(every).chain(1..=tried).find(|&f| all_right(f));
    let finding = |kind: FindingKind, what: String, change: String| Finding {
        kind,
        name: id.clone(),
        place: String::new(),
        grade: Grade::Fail,
        what,
        change,
    };
    if let Some(flipped) = flipped {
        let turned = levels.iter().enumerate().filter(|(i, _)| flipped >> i & 1 == 1);
        let names: Vec<&str> = turned.map(|(_, w)| board.channels[w.channel].id.as_str()).collect();
        let what = format!("low and high are taken the wrong way round on {}", names.join(", "));
        let change = format!("invert {} before making the option of it", names.join(", "));
        return finding(FindingKind::Polarity, what, change);
    }
    let wrong = positions.iter().find(|p| p.grade == Grade::Fail);
    let (place, option, reads) = wrong.map_or(("", "", String::new()), |p| {
        (p.place.as_str(), p.option.as_str(), p.reads.join(" or "))
    });
    let what = format!("{place} means {option}, but the firmware reads {reads}");
    let change = "put the bits in the order of their weights, the options in that of their numbers";
    finding(FindingKind::Threshold, what, change.into())
}

/// A digital pin that hangs on nothing in a setting that stands for an option.
pub(super) fn unheld(board: &Board, channel: usize, class: &str) -> Finding {
    let c = &board.channels[channel];
    let net = board.net_name(c.net);
    let joins_supply = board
        .jumpers
        .iter()
        .flat_map(|j| j.positions.iter().flat_map(|p| &p.joins))
        .any(|nets| nets.contains(&c.net) && nets.contains(&board.supply.net));
    let rail = |net| board.net_name(net);
    let change = if joins_supply {
        format!("add a resistor of some 10 kΩ from {net} to {}", rail(board.supply.ground))
    } else if c.pin.pull_up {
        format!(
            "add a resistor of some 10 kΩ from {net} to {}, or switch the pin's own pull-up on \
             in the firmware and write `pull_up = true` in the board file",
            rail(board.supply.net)
        )
    } else {
        format!(
            "add a resistor of some 10 kΩ from {net} to {}; {} has no pull-up of its own",
            rail(board.supply.net),
            c.pin.name
        )
    };
    Finding {
        kind: FindingKind::PullUp,
        name: c.id.clone(),
        place: class.to_string(),
        grade: Grade::Fail,
        what: format!(
            "no resistor and no pull-up holds {net}: it can be anywhere from 0 to {}",
            board.supply.volts
        ),
        change,
    }
}
