//! The classes of a channel before they have limits: which settings belong together, and what
//! band each of them spans.

use super::converter;
use super::expect::nominal_volts;
use super::ohms;
use super::{
    Band, Expected, MOST_SETTINGS, WindowProblem, design_spread, expect, level_of, whole_scale,
};
use crate::board::{Board, Kind, OptionSet, Place, Setting};
use crate::circuit::{self, Group, Node, Parts};
use crate::units::{Ohms, Volts};
use std::collections::BTreeMap;

type Places = Vec<(usize, Place)>;

/// A class without limits.
#[derive(Clone, Debug)]
pub(super) struct Draft {
    pub places: Places,
    pub also: Vec<Places>,
    pub rows: Vec<(usize, usize)>,
    pub volts: Option<Volts>,
    pub code: f64,
    pub design: Band,
    pub bench: Band,
    /// The setting that the nominal figures are of.
    pub setting: Setting,
}

impl Draft {
    /// The places as people write them.
    pub fn name(&self, board: &Board) -> String {
        let one = |places: &Places| {
            let pairs: Vec<String> = places
                .iter()
                .map(|&(j, p)| {
                    format!("{}={}", board.jumpers[j].id, board.jumpers[j].place_name(p))
                })
                .collect();
            if pairs.is_empty() { "any".to_string() } else { pairs.join(" ") }
        };
        let all: Vec<String> = std::iter::once(&self.places).chain(&self.also).map(one).collect();
        all.join(" or ")
    }

    /// The option, where this channel alone decides it.
    pub fn means(&self, board: &Board) -> Option<String> {
        let &(set, row) = self.rows.iter().find(|(s, _)| board.options[*s].channels.len() == 1)?;
        Some(board.options[set].when[row].means.clone())
    }
}

/// Places that rows of an option set ask for, with the indices of those rows.
type Subsetting = (Places, Vec<usize>);

/// Distinct places that the rows of a set ask of the jumpers of a group, in row order.
fn subsettings(set: &OptionSet, group: &Group) -> Vec<Subsetting> {
    let mut found: Vec<Subsetting> = Vec::new();
    for (row, meaning) in set.when.iter().enumerate() {
        let mut places: Places =
            meaning.places.iter().copied().filter(|(j, _)| group.jumpers.contains(j)).collect();
        places.sort();
        match found.iter_mut().find(|(p, _)| *p == places) {
            Some((_, rows)) => rows.push(row),
            None => found.push((places, vec![row])),
        }
    }
    found
}

/// How many settings the jumpers of a group have beside the places fixed, if that can be counted.
fn count_of(board: &Board, group: &Group, fixed: &Places) -> Option<usize> {
    let free = group.jumpers.iter().filter(|&j| fixed.iter().all(|(f, _)| f != j));
    free.map(|&j| board.jumpers[j].places().len()).try_fold(1_usize, usize::checked_mul)
}

/// Every setting of the jumpers of a group with some places fixed, the others as delivered.
fn settings_with(board: &Board, group: &Group, fixed: &Places) -> Vec<Setting> {
    let start = fixed.iter().fold(board.delivery.clone(), |s, &(j, place)| s.with(j, place));
    let mut settings = vec![start];
    for &jumper in group.jumpers.iter().filter(|&j| fixed.iter().all(|(f, _)| f != j)) {
        let places = board.jumpers[jumper].places();
        settings = settings
            .iter()
            .flat_map(|s| places.iter().map(move |&place| s.with(jumper, place)))
            .collect();
    }
    settings
}

/// The settings of a group that a channel is looked at in: all there are, or where those are too
/// many, all that agree with a row of its one option set.
fn settings_of(
    board: &Board,
    channel: usize,
    group: &Group,
    sets: &[(usize, Vec<Subsetting>)],
) -> Result<Vec<Setting>, Vec<WindowProblem>> {
    let all = count_of(board, group, &Places::new());
    let few = |n: Option<usize>| n.is_some_and(|n| n <= MOST_SETTINGS);
    if few(all) {
        return checked_work(board, channel, group, settings_with(board, group, &Places::new()));
    }
    let rows: Vec<&Places> = match sets {
        [(_, rows)] => rows.iter().map(|(places, _)| places).collect(),
        _ => Vec::new(),
    };
    let counts = rows.iter().map(|places| count_of(board, group, places));
    let count = counts.reduce(|a, b| a?.checked_add(b?)).flatten();
    if !few(count) {
        return Err(vec![WindowProblem::TooMany {
            channel: board.channels[channel].id.clone(),
            jumpers: group.jumpers.iter().map(|&j| board.jumpers[j].id.clone()).collect(),
            settings: all,
            most: MOST_SETTINGS,
        }]);
    }
    let settings = rows.iter().flat_map(|places| settings_with(board, group, places)).collect();
    checked_work(board, channel, group, settings)
}

/// Refuses what would keep a person waiting: solving a group takes the cube of its nets.
fn checked_work(
    board: &Board,
    channel: usize,
    group: &Group,
    settings: Vec<Setting>,
) -> Result<Vec<Setting>, Vec<WindowProblem>> {
    let nets = group.nets.len();
    if settings.len() as f64 * (nets as f64).powi(3) <= MOST_WORK {
        return Ok(settings);
    }
    Err(vec![WindowProblem::TooLarge {
        channel: Some(board.channels[channel].id.clone()),
        nets,
        settings: settings.len(),
    }])
}

/// Most settings times the cube of the nets: some seconds.
const MOST_WORK: f64 = 1e9;

/// The sub-settings of each option set that a setting agrees with: several, where a row leaves a
/// jumper open that another one names. A lone [`NO_SUBSETTING`] sorts behind all.
type Key = Vec<Vec<usize>>;
const NO_SUBSETTING: usize = usize::MAX;

/// The classes of a channel with their bands, in row order.
pub(super) fn drafts(board: &Board, channel: usize) -> Result<Vec<Draft>, Vec<WindowProblem>> {
    let net = board.channels[channel].net;
    let group = match board.channels[channel].kind {
        Kind::Meter { against, .. } => ohms::group(board, [net, against]),
        Kind::Analog | Kind::Digital => {
            circuit::group_of(board, net).unwrap_or(Group { jumpers: Vec::new(), nets: vec![net] })
        }
    };
    let sets: Vec<(usize, Vec<Subsetting>)> = board
        .options
        .iter()
        .enumerate()
        .filter(|(_, s)| s.channels.contains(&channel))
        .map(|(i, s)| (i, subsettings(s, &group)))
        .collect();
    let mut members: BTreeMap<Key, Vec<Setting>> = BTreeMap::new();
    for setting in settings_of(board, channel, &group, &sets)? {
        let holds = |places: &Places| places.iter().all(|&(j, p)| setting.0.get(j) == Some(&p));
        let held = |subs: &[Subsetting]| -> Vec<usize> {
            let held: Vec<usize> = (0..subs.len()).filter(|&i| holds(&subs[i].0)).collect();
            if held.is_empty() { vec![NO_SUBSETTING] } else { held }
        };
        let key: Key = sets.iter().map(|(_, subs)| held(subs)).collect();
        if sets.is_empty() || key.iter().any(|k| *k != [NO_SUBSETTING]) {
            members.entry(key).or_default().push(setting);
        }
    }
    let mut drafts = Vec::new();
    let mut problems = Vec::new();
    for (key, settings) in members {
        let mut places = Places::new();
        let mut rows = Vec::new();
        for ((set, subs), held) in sets.iter().zip(&key) {
            for (at, of) in held.iter().filter_map(|&sub| subs.get(sub)) {
                places.extend(at);
                rows.extend(of.iter().map(|&row| (*set, row)));
            }
        }
        places.sort();
        places.dedup();
        match draft(board, channel, places, rows, &settings) {
            Ok(draft) => drafts.push(draft),
            Err(problem) => problems.push(*problem),
        }
    }
    if problems.is_empty() { Ok(drafts) } else { Err(problems) }
}

/// One class: the union of the bands over its settings, nominal figures as delivered.
fn draft(
    board: &Board,
    channel: usize,
    places: Places,
    rows: Vec<(usize, usize)>,
    settings: &[Setting],
) -> Result<Draft, Box<WindowProblem>> {
    let parts = Parts::nominal(board);
    let closes = &board.channels[channel].closes;
    let delivered = places.iter().fold(board.delivery.clone(), |s, &(j, p)| s.with(j, p));
    let mut draft: Option<Draft> = None;
    let mut shorted = None;
    let powered = !matches!(board.channels[channel].kind, Kind::Meter { .. });
    for setting in settings {
        if powered && let Some(current) = circuit::short(board, &parts, setting, closes) {
            shorted.get_or_insert((setting, current));
            continue;
        }
        let expected = expect(board, setting, channel);
        if floats(board, channel, &expected) && !rows.is_empty() {
            let unnamed = Draft::new(board, channel, places, rows, setting, &expected);
            return Err(Box::new(WindowProblem::Floating {
                channel: board.channels[channel].id.clone(),
                net: board.net_name(board.channels[channel].net).to_string(),
                class: unnamed.name(board),
                setting: setting.text(board),
            }));
        }
        let new = Draft::new(board, channel, places.clone(), rows.clone(), setting, &expected);
        draft = Some(match draft {
            None => new,
            Some(old) => {
                let design = old.design.union(new.design);
                let bench = old.bench.union(new.bench);
                let nominal = if *setting == delivered { new } else { old };
                Draft { design, bench, ..nominal }
            }
        });
    }
    draft.ok_or_else(|| {
        let (setting, current) = match shorted {
            Some((setting, current)) => (setting.text(board), current),
            None => (delivered.text(board), crate::units::Amperes(0.0)),
        };
        Box::new(WindowProblem::Short {
            channel: board.channels[channel].id.clone(),
            setting,
            current,
            path: Ohms(board.supply.volts.0 / current.0),
        })
    })
}

fn floats(board: &Board, channel: usize, expected: &Expected) -> bool {
    // To a meter an open circuit is a reading like another.
    let meter = matches!(board.channels[channel].kind, Kind::Meter { .. });
    expected.node == Node::Floating && !board.channels[channel].pull_up && !meter
}

impl Draft {
    fn new(
        board: &Board,
        channel: usize,
        places: Places,
        rows: Vec<(usize, usize)>,
        setting: &Setting,
        expected: &Expected,
    ) -> Draft {
        let volts = nominal_volts(board, &board.channels[channel], expected.node);
        let meter = matches!(board.channels[channel].kind, Kind::Meter { .. });
        Draft {
            places,
            also: Vec::new(),
            rows,
            volts: (!meter && !floats(board, channel, expected)).then_some(volts),
            code: expected.code,
            design: expected.design,
            bench: expected.bench,
            setting: setting.clone(),
        }
    }

    fn absorb(&mut self, other: Draft) {
        self.also.push(other.places);
        self.also.extend(other.also);
        self.rows.extend(other.rows);
        self.design = self.design.union(other.design);
        self.bench = self.bench.union(other.bench);
    }
}

/// Whether two classes of a channel may read alike: no option set rests on this channel alone to
/// tell them apart.
fn may_merge(board: &Board, a: &Draft, b: &Draft) -> bool {
    let option = |draft: &Draft, set: usize| {
        let row = draft.rows.iter().find(|(s, _)| *s == set)?;
        Some(board.options[set].when[row.1].means.clone())
    };
    (0..board.options.len())
        .filter(|&s| board.options[s].channels.len() == 1)
        .all(|s| option(a, s) == option(b, s))
}

/// Unites classes that share codes where that does no harm, and names those where it does.
pub(super) fn merge_codes(
    board: &Board,
    channel: usize,
    mut drafts: Vec<Draft>,
) -> Result<Vec<Draft>, Vec<WindowProblem>> {
    let next = |drafts: &[Draft]| {
        let pairs = (0..drafts.len()).flat_map(|b| (0..b).map(move |a| (a, b)));
        pairs.into_iter().find(|&(a, b)| {
            drafts[a].design.overlaps(drafts[b].design) && may_merge(board, &drafts[a], &drafts[b])
        })
    };
    while let Some((a, b)) = next(&drafts) {
        let other = drafts.remove(b);
        drafts[a].absorb(other);
    }
    let mut problems = Vec::new();
    let mut order: Vec<&Draft> = drafts.iter().collect();
    order.sort_by(|a, b| a.code.total_cmp(&b.code));
    for (i, above) in order.iter().enumerate() {
        for below in order[..i].iter().filter(|d| d.design.overlaps(above.design)) {
            if converter::both_beyond(&board.chip, below.design, above.design) {
                problems.push(WindowProblem::Unstated {
                    channel: board.channels[channel].id.clone(),
                    classes: [below.name(board), above.name(board)],
                    chip: board.chip.part.to_string(),
                    range: board.chip.usable,
                });
                continue;
            }
            if let Kind::Meter { against, .. } = board.channels[channel].kind {
                problems.push(ohms::overlap(board, channel, against, below, above));
                continue;
            }
            problems.push(WindowProblem::Overlap {
                channel: board.channels[channel].id.clone(),
                below: (below.name(board), below.design),
                above: (above.name(board), above.design),
                parts: suspects(board, channel, &[*below, *above]),
            });
        }
    }
    if problems.is_empty() { Ok(drafts) } else { Err(problems) }
}

/// The same for a digital channel: classes of one level are one class.
pub(super) fn merge_levels(
    board: &Board,
    channel: usize,
    drafts: Vec<Draft>,
) -> Result<Vec<Draft>, Vec<WindowProblem>> {
    let supply = board.supply.volts.0;
    let mut merged: Vec<Draft> = Vec::new();
    let mut problems = Vec::new();
    for draft in drafts {
        let level = level_of_band(board, draft.design);
        if level.is_none() && !draft.rows.is_empty() {
            let volts = |code: f64| Volts(code * supply / board.chip.scale);
            problems.push(WindowProblem::BetweenLevels {
                channel: board.channels[channel].id.clone(),
                class: draft.name(board),
                volts: (volts(draft.design.low), volts(draft.design.high)),
                levels: (Volts(board.chip.vil.0 * supply), Volts(board.chip.vih.0 * supply)),
                parts: suspects(board, channel, &[&draft]),
            });
            continue;
        }
        let same = merged.iter_mut().find(|d| level_of_band(board, d.design) == level);
        match same {
            Some(first) if may_merge(board, first, &draft) => first.absorb(draft),
            Some(first) => problems.extend(differing(board, first, &draft)),
            None => merged.push(draft),
        }
    }
    if problems.is_empty() { Ok(merged) } else { Err(problems) }
}

/// The level of a whole band; `None` when part of it is between the levels or it spans both.
pub(super) fn level_of_band(board: &Board, band: Band) -> Option<crate::board::Level> {
    let low = level_of(band.low, &board.chip)?;
    (level_of(band.high, &board.chip)? == low).then_some(low)
}

fn differing(board: &Board, a: &Draft, b: &Draft) -> Option<WindowProblem> {
    let single =
        |d: &Draft| d.rows.iter().copied().find(|(s, _)| board.options[*s].channels.len() == 1);
    let ((set, first), (_, second)) = (single(a)?, single(b)?);
    let when = &board.options[set].when;
    Some(alike(board, set, [&when[first].means, &when[second].means]))
}

/// Two options of a set that nothing tells apart.
pub(super) fn alike(board: &Board, set: usize, options: [&str; 2]) -> WindowProblem {
    let set = &board.options[set];
    WindowProblem::Alike {
        set: set.id.clone(),
        options: options.map(str::to_string),
        channels: set.channels.iter().map(|&c| board.channels[c].id.clone()).collect(),
    }
}

/// The two resistors whose spread moves these classes most; those that hardly do are left out.
fn suspects(board: &Board, channel: usize, drafts: &[&Draft]) -> Vec<String> {
    let channel = &board.channels[channel];
    let spread = design_spread(board, channel.pull_up);
    let mut moved = vec![0.0; board.resistors.len()];
    for draft in drafts {
        let found =
            circuit::contributions(board, &draft.setting, &channel.closes, channel.net, &spread);
        for (resistor, ratio) in found {
            moved[resistor] += ratio * board.chip.scale;
        }
    }
    let mut order: Vec<usize> = (0..moved.len()).filter(|&i| moved[i] > 0.05).collect();
    order.sort_by(|&a, &b| moved[b].total_cmp(&moved[a]));
    order.into_iter().take(2).map(|i| board.resistors[i].id.clone()).collect()
}

/// The scale of a board's chip.
pub(super) fn scale(board: &Board) -> Band {
    whole_scale(&board.chip)
}
