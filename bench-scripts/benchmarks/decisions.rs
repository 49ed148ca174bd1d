//! Bands and decisions of drawn boards against every corner of what varies.
//!
//! Boards as in `generated.rs`, some with wider tolerances; for each channel some settings; for each
//! setting the bands, and defects, those of the list and soft ones of drawn size. Left out are
//! defects that leave the pin floating, which the driven proof shows and no band, those that short
//! the supply, so that nothing is read at all, and circuits with more corners than are gone
//! through.

use crate::brute::{Found, Over, Shares, codes, shares, unsettled};
use crate::generated;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use strapwise::board::{Board, Kind, Place, Setting, parse};
use strapwise::circuit::{self, Group, Node, Parts};
use strapwise::faults::{self, Built, Fault, Views};
use strapwise::units::Ohms;
use strapwise::window::{self, Band, Expected, Windows};

/// Settings of each channel.
const SETTINGS: usize = 4;
/// Defects of the list in each setting, and soft ones.
const DEFECTS: (usize, usize) = (12, 8);
/// Codes that a reading must lie beyond what good units give to be called seen.
const ROOM: f64 = 1.0;
/// Codes that both ways to the corners may differ by.
pub const CLOSE: f64 = 0.05;

/// Differences of one kind of band, in codes.
#[derive(Clone, Copy, Debug, Default)]
pub struct Differences {
    /// How many were compared.
    pub bands: usize,
    /// The largest at either end.
    pub worst: f64,
}

/// Decisions on one kind of reading.
#[derive(Clone, Copy, Debug, Default)]
pub struct Decisions {
    /// Held against the corners.
    pub all: usize,
    /// Of them called seen.
    pub seen: usize,
    /// Called seen although some corner of the faulty unit reads as a good one may.
    pub false_seen: usize,
    /// Called seen with less room than is promised.
    pub short: usize,
    /// Called unseen although every corner lies beyond, with the room.
    pub missed: usize,
    /// Called unseen where only the pull-up's reading shows it, by less than is asked of that.
    pub held_back: usize,
}

/// All that was counted.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Boards that had something to compare.
    pub boards: usize,
    /// Bench, pulled and design bands.
    pub bands: [Differences; 3],
    /// Analog and digital readings.
    pub decisions: [Decisions; 2],
    /// A line for every wrong decision and for every band that differs.
    pub told: Vec<String>,
}

/// The drawn board of a number, tolerances and all.
fn drawn(number: u64, rng: &mut ChaCha8Rng) -> String {
    let text = match number % 4 {
        0 => generated::ordinary(number),
        1 => generated::hard(number),
        _ => generated::single(number),
    };
    let tolerance = ["1%", "1%", "2%", "5%"][rng.random_range(0..4)];
    text.replace("tolerance = \"1%\"", &format!("tolerance = \"{tolerance}\""))
}

/// Goes on until so many decisions were held against the corners, 2 to the power of `most` at most
/// for each.
pub fn tally(seed: u64, decisions: usize, most: usize) -> Tally {
    let mut tally = Tally::default();
    for number in 0.. {
        let made = tally.decisions.iter().map(|d| d.all).sum::<usize>();
        if made >= decisions {
            break;
        }
        let number = seed * 10_000 + number;
        let mut rng = ChaCha8Rng::seed_from_u64(number);
        let text = drawn(number, &mut rng);
        let board = parse("drawn", &text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        let Ok(windows) = window::windows(&board) else { continue };
        tally.boards += 1;
        let mut judge = Judge { board: &board, windows: &windows, number, most, tally: &mut tally };
        let groups = circuit::groups(&board);
        for (channel, c) in board.channels.iter().enumerate() {
            let Some(group) = groups.iter().find(|g| g.nets.contains(&c.net)) else { continue };
            for _ in 0..SETTINGS {
                let setting = anywhere(&board, group, &mut rng);
                judge.look(group, &setting, channel, &mut rng);
            }
        }
    }
    tally
}

/// The shunts of a group anywhere, the others as delivered.
fn anywhere(board: &Board, group: &Group, rng: &mut ChaCha8Rng) -> Setting {
    group.jumpers.iter().fold(board.delivery.clone(), |setting, &j| {
        match rng.random_range(0..=board.jumpers[j].positions.len()) {
            p if p < board.jumpers[j].positions.len() => setting.with(j, Place::At(p)),
            _ => setting.with(j, Place::Open),
        }
    })
}

/// Defects that stay within a group: some of the list, and soft ones.
fn defects(board: &Board, group: &Group, channel: usize, rng: &mut ChaCha8Rng) -> Vec<Fault> {
    let rails = [board.supply.net, board.supply.ground];
    let mut listed = faults::modelled(board);
    listed.retain(|f| {
        let reach = f.reach(board);
        reach.touches(board, group)
            && reach.nets.iter().all(|n| rails.contains(n) || group.nets.contains(n))
            && reach.jumpers.iter().all(|j| group.jumpers.contains(j))
    });
    let mut found = Vec::new();
    for _ in 0..DEFECTS.0.min(listed.len()) {
        found.push(listed.swap_remove(rng.random_range(0..listed.len())));
    }
    let inside = |&r: &usize| board.resistors[r].between.iter().any(|n| group.nets.contains(n));
    let resistors: Vec<usize> = (0..board.resistors.len()).filter(inside).collect();
    let mut between = |low: f64, high: f64| rng.random_range(low.ln()..high.ln()).exp();
    for _ in 0..DEFECTS.1 {
        let pick = between(1.0, 1e6) as usize;
        let ohms = Ohms(between(3.0, 1e5));
        found.push(match pick % 3 {
            0 if !resistors.is_empty() => Fault::ResistorOff {
                resistor: resistors[pick % resistors.len()],
                ratio: between(0.7, 1.4),
            },
            1 if !group.jumpers.is_empty() => {
                let jumper = group.jumpers[pick % group.jumpers.len()];
                let position = pick % board.jumpers[jumper].positions.len();
                Fault::ContactResistive { jumper, position, ohms }
            }
            _ => {
                let to = [strapwise::board::Level::Low, strapwise::board::Level::High][pick % 2];
                Fault::PinLeaks { channel, to, ohms: Ohms(100.0 * ohms.0) }
            }
        });
    }
    found
}

struct Judge<'a> {
    board: &'a Board,
    windows: &'a Windows,
    number: u64,
    most: usize,
    tally: &'a mut Tally,
}

impl Judge<'_> {
    fn found(
        &self,
        setting: &Setting,
        channel: usize,
        over: Over,
        fault: Option<Fault>,
    ) -> Option<Shares> {
        match shares(self.board, setting, channel, over, fault, self.most)? {
            Found::Shares(shares) => Some(shares),
            Found::Floats | Found::TooMany => None,
        }
    }

    /// Bands and defects of one channel in one setting.
    fn look(&mut self, group: &Group, setting: &Setting, channel: usize, rng: &mut ChaCha8Rng) {
        let board = self.board;
        if circuit::short(board, &Parts::nominal(board), setting, &[]).is_some() {
            return;
        }
        let Some(good) = self.found(setting, channel, Over::Bench, None) else { return };
        let expected = window::expect(board, setting, channel);
        self.bands(setting, channel, good, &expected);
        if self.windows.channels[channel].class_of_setting(setting).is_none() {
            return;
        }
        let faults = defects(board, group, channel, rng);
        let look = (setting.clone(), vec![channel]);
        let seen = Views::new(board, self.windows, [look]).each_seen_in(&faults);
        for (fault, seen) in faults.into_iter().zip(seen) {
            if Built::with(board, fault).shorts(board, setting, &[]) {
                continue;
            }
            if let Some(bad) = self.found(setting, channel, Over::Bench, Some(fault)) {
                let told = format!(
                    "board {} {} at {}: {}",
                    self.number,
                    board.channels[channel].id,
                    setting.text(board),
                    fault.text(board)
                );
                match board.channels[channel].kind {
                    Kind::Digital => self.level(channel, &expected, bad, !seen.is_empty(), told),
                    _ => self.decide(channel, [good, bad], !seen.is_empty(), told),
                }
            }
        }
    }

    fn bands(&mut self, setting: &Setting, channel: usize, good: Shares, expected: &Expected) {
        let board = self.board;
        debug_assert!(matches!(expected.node, Node::Driven { .. }));
        let design = self.found(setting, channel, Over::Use, None);
        let design =
            design.map(|d| unsettled(board, setting, channel, codes(board, channel, d.off)));
        let compared = [
            (Some(expected.bench), Some(codes(board, channel, good.off))),
            (expected.pulled, Some(codes(board, channel, good.on))),
            (Some(expected.design), design),
        ];
        for (which, (computed, gone_through)) in compared.into_iter().enumerate() {
            let (Some(a), Some(b)) = (computed, gone_through) else { continue };
            let apart = (a.low - b.low).abs().max((a.high - b.high).abs());
            let differences = &mut self.tally.bands[which];
            differences.bands += 1;
            differences.worst = differences.worst.max(apart);
            if apart > CLOSE {
                let name = ["bench", "pulled", "design"][which];
                self.tally.told.push(format!(
                    "board {} {} at {}: {name} band {a:?}, by corners {b:?}",
                    self.number,
                    board.channels[channel].id,
                    setting.text(board)
                ));
            }
        }
    }

    fn decide(&mut self, channel: usize, [good, bad]: [Shares; 2], seen: bool, told: String) {
        let of = |shares: Band| codes(self.board, channel, shares);
        let apart = |a: Band, b: Band| (a.low - b.high).max(b.low - a.high);
        let off = apart(of(bad.off), of(good.off));
        let on = match self.board.channels[channel].pin.pull_up {
            true => apart(of(bad.on), of(good.on)),
            false => f64::NEG_INFINITY,
        };
        let told = format!("{told}: off by {off:.2}, pulled by {on:.2}");
        let decisions = &mut self.tally.decisions[0];
        decisions.all += 1;
        decisions.seen += usize::from(seen);
        match seen {
            true if off <= 0.0 && on <= 0.0 => {
                decisions.false_seen += 1;
                self.tally.told.push(format!("falsely seen: {told}"));
            }
            true if off < ROOM - CLOSE && on <= 0.0 => {
                decisions.short += 1;
                self.tally.told.push(format!("little room: {told}"));
            }
            false if off > ROOM + CLOSE => {
                decisions.missed += 1;
                self.tally.told.push(format!("missed: {told}"));
            }
            false if on > 0.0 => decisions.held_back += 1,
            _ => {}
        }
    }

    /// A level shows a defect when it is the other one for certain, with the pull-up as the product
    /// has it.
    fn level(&mut self, channel: usize, good: &Expected, bad: Shares, seen: bool, told: String) {
        let (chip, Some(right)) = (&self.board.chip, good.level) else { return };
        let pulled = self.board.channels[channel].pull_up;
        let band = if pulled { bad.on } else { bad.off };
        let other = match right {
            strapwise::board::Level::High => band.high <= chip.vil.0,
            strapwise::board::Level::Low => band.low >= chip.vih.0,
        };
        let decisions = &mut self.tally.decisions[1];
        decisions.all += 1;
        decisions.seen += usize::from(seen);
        if seen != other {
            let (count, word) = match seen {
                true => (&mut decisions.false_seen, "falsely seen"),
                false => (&mut decisions.missed, "missed"),
            };
            *count += 1;
            self.tally.told.push(format!("{word}: {told}: {band:?}"));
        }
    }
}
