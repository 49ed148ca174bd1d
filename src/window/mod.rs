//! From circuits to limits: what a good unit shows ([`expect`]), and which codes or levels the
//! firmware takes as which option ([`windows`]).
//!
//! No limit is typed: every one follows from the circuit, the converter and the input levels.

pub mod adc;
mod between;
mod classes;
mod converter;
pub mod design;
mod draw;
mod expect;
pub mod gum;
mod limits;
pub mod monte_carlo;
pub mod notes;
mod ohms;
mod positions;
mod problem;
mod reading;
pub mod rss;
pub mod settle;
mod shorts;
pub mod spread;
mod thresholds;

pub use converter::{converter_error, whole_scale};
pub use expect::{Band, Expected, assumptions, expect, expect_closed, expect_on_bench, level_of};
pub use ohms::{measured, measured_band, ohms_between, rails_band};
pub use positions::{Position, PositionBand, bands, positions, widened};
pub use problem::WindowProblem;
pub use spread::{AGEING, CONTACT_MAX, TEMPCO, bench_spread, design_spread};
pub use thresholds::{Check, Finding, FindingKind, Grade, Mismatch, PositionCheck, check};

use crate::board::{Board, Channel, Kind, Level, NetId, Place, Setting};
use crate::circuit::{self, Circuit, Node, Parts};
use crate::units::{Amperes, Ohms, Volts};
use std::collections::BTreeSet;

/// Settings of one group that are gone through for one channel.
pub const MOST_SETTINGS: usize = 65_536;

/// What the firmware takes as one reading of a channel.
#[derive(Clone, Debug, PartialEq)]
pub enum Limits {
    /// Lowest and highest code, both belonging to the window.
    Codes {
        /// Lowest code.
        low: u16,
        /// Highest code.
        high: u16,
    },
    /// A logic level.
    Level(Level),
    /// Lowest and highest resistance, both belonging to the window; the highest is infinite where
    /// an open circuit does.
    Ohms {
        /// Lowest resistance.
        low: Ohms,
        /// Highest resistance.
        high: Ohms,
    },
}

/// One thing that a channel can read: a position, or several that it need not tell apart.
#[derive(Clone, Debug, PartialEq)]
pub struct Class {
    /// Places of the jumpers that make it; empty for a channel that no option is read from.
    pub places: Vec<(usize, Place)>,
    /// Further places that read alike and need not be told apart on this channel.
    pub also: Vec<Vec<(usize, Place)>>,
    /// Index of an option set and of a row in it that this class agrees with.
    pub rows: Vec<(usize, usize)>,
    /// The places as people write them: `J1=3`.
    pub name: String,
    /// The option, where this channel alone decides it.
    pub means: Option<String>,
    /// Nominal voltage with the other jumpers as delivered; `None` when the net floats.
    pub volts: Option<Volts>,
    /// Nominal code with the other jumpers as delivered. On a channel that a meter reads this and
    /// every other code of the class is in ohms.
    pub code: f64,
    /// Design band over all settings of the group that belong to the class.
    pub design: Band,
    /// Bench band over the same settings.
    pub bench: Band,
    /// What the firmware takes as this class.
    pub limits: Limits,
    /// Smallest distance in codes from an edge of the design band to the threshold beyond it.
    pub margin_code: f64,
    /// The same in percent of the distance from the nominal code to that threshold: 100 is the
    /// nominal unit, 0 the limit.
    pub margin_pct: f64,
    /// Where the limit comes from: `design band` or `input levels`.
    pub by: &'static str,
}

impl Class {
    /// Codes and percent that the worst good unit keeps; none where no option is read from the
    /// channel, since its window is no more than its band.
    pub fn margin(&self) -> Option<(f64, f64)> {
        (!self.rows.is_empty()).then_some((self.margin_code, self.margin_pct))
    }

    /// The lowest and the highest whole code that a good unit gives on a converter that ends at
    /// `full`.
    pub fn codes(&self, full: u16) -> (u16, u16) {
        let code = |c: f64| c.clamp(0.0, f64::from(full)) as u16;
        let (low, high) = (code(self.design.low.ceil()), code(self.design.high.floor()));
        // A band between two codes holds none; the nominal one stands for it.
        if low <= high { (low, high) } else { (code(self.code), code(self.code)) }
    }
}

/// The windows of one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelWindows {
    /// Index of the channel.
    pub channel: usize,
    /// Index of the first option set that is read from it.
    pub set: Option<usize>,
    /// In the order of the rows of the option set.
    pub classes: Vec<Class>,
}

impl ChannelWindows {
    /// The class whose window holds a code, a mean of codes to the nearest whole one; `None`
    /// between the windows.
    pub fn class_of_code(&self, code: f64) -> Option<usize> {
        let code = code.round();
        self.classes.iter().position(|c| match c.limits {
            Limits::Codes { low, high } => f64::from(low) <= code && code <= f64::from(high),
            Limits::Level(_) | Limits::Ohms { .. } => false,
        })
    }

    /// The class that reads as a level. On a digital channel whose level does not matter every
    /// level belongs to its one class.
    pub fn class_of_level(&self, level: Level) -> Option<usize> {
        self.classes.iter().position(|c| match c.limits {
            Limits::Level(l) => l == level,
            Limits::Codes { .. } | Limits::Ohms { .. } => self.set.is_none(),
        })
    }

    /// The class whose window holds a resistance that a meter showed; `None` between the windows.
    pub fn class_of_ohms(&self, ohms: Ohms) -> Option<usize> {
        self.classes.iter().position(|c| match c.limits {
            Limits::Ohms { low, high } => low <= ohms && ohms <= high,
            Limits::Level(_) | Limits::Codes { .. } => false,
        })
    }

    /// The class that a setting belongs to, by its places; `None` when it stands for no option.
    /// Of several the one that names most places: the others leave some of them open.
    pub fn class_of_setting(&self, setting: &Setting) -> Option<usize> {
        let holds = |places: &&[(usize, Place)]| {
            places.iter().all(|&(jumper, place)| setting.0.get(jumper) == Some(&place))
        };
        let named = |class: &Class| {
            let all = std::iter::once(&class.places).chain(&class.also).map(Vec::as_slice);
            all.filter(holds).map(<[(usize, Place)]>::len).max()
        };
        let found = self.classes.iter().enumerate().filter_map(|(i, c)| Some((i, named(c)?)));
        // The first of those that name as many.
        found.rev().max_by_key(|&(_, places)| places).map(|(i, _)| i)
    }
}

/// The windows of every channel of a board.
#[derive(Clone, Debug, PartialEq)]
pub struct Windows {
    /// By channel index.
    pub channels: Vec<ChannelWindows>,
}

/// Computes the windows of a board.
///
/// Between two neighbouring design bands the share `firmware.gap` of their distance is left in
/// the middle as no option; the ends of the scale count as neighbours of the outermost bands, and
/// a window whose band reaches an end extends to it. Errors: everything that keeps positions from
/// being told apart, all of it at once.
pub fn windows(board: &Board) -> Result<Windows, Vec<WindowProblem>> {
    let mut problems = shorts::too_large(board);
    if !problems.is_empty() {
        return Err(problems);
    }
    problems.extend(shorts::shorts(board));
    let mut channels = Vec::new();
    for channel in 0..board.channels.len() {
        match of_channel(board, channel) {
            Ok(found) => channels.push(found),
            Err(found) => problems.extend(found),
        }
    }
    shorts::once(&mut problems);
    if problems.is_empty() {
        problems.extend(alike(board, &channels));
        problems.extend(discharges(board));
    }
    if problems.is_empty() { Ok(Windows { channels }) } else { Err(problems) }
}

/// The most that a pin may take while it is driven low: the current that its output levels are
/// specified at, 20 mA (ATmega328P, 8271H section 29.2), which is 250 Ω to 5 V.
const DISCHARGE_MOST: Amperes = Amperes(0.02);

/// Pins that may be discharged, and that some setting puts at a voltage with too little between.
fn discharges(board: &Board) -> Vec<WindowProblem> {
    let parts = Parts::nominal(board);
    let problem = |(index, c): (usize, &Channel)| {
        let settings = settings_around(board, c.net);
        let strong = settings.into_iter().find_map(|setting| {
            match Circuit::solve(board, &parts, &setting, &c.closes).node(c.net) {
                Node::Driven { volts, source } if volts.0 > DISCHARGE_MOST.0 * source.0 => {
                    Some((setting, source))
                }
                _ => None,
            }
        });
        let (setting, source) = strong?;
        let channel = board.channels[index].id.clone();
        Some(WindowProblem::Discharge { channel, setting: setting.text(board), source })
    };
    board.channels.iter().enumerate().filter(|(_, c)| c.discharge).filter_map(problem).collect()
}

/// Every setting of the jumpers that influence a net, with and without each shunt, the others as
/// delivered; no more of them than are gone through for windows.
fn settings_around(board: &Board, net: NetId) -> Vec<Setting> {
    let jumpers = circuit::group_of(board, net).map_or(Vec::new(), |g| g.jumpers);
    let mut settings = vec![board.delivery.clone()];
    for jumper in jumpers {
        let positions = (0..board.jumpers[jumper].positions.len()).map(Place::At);
        let places: Vec<Place> = positions.chain([Place::Open]).collect();
        let with = |s: &Setting| places.iter().map(|&p| s.with(jumper, p)).collect::<Vec<_>>();
        settings = settings.iter().flat_map(with).take(MOST_SETTINGS).collect();
    }
    settings
}

/// The classes, if none of their limits lies at a step of the converter.
fn clear_of_steps(
    board: &Board,
    channel: usize,
    classes: Vec<Class>,
) -> Result<Vec<Class>, Vec<WindowProblem>> {
    let problems: Vec<WindowProblem> = classes
        .iter()
        .filter_map(|class| {
            Some(WindowProblem::BadCode {
                channel: board.channels[channel].id.clone(),
                class: class.name.clone(),
                code: limits::near_bad_code(board, class)?,
                chip: board.chip.part.to_string(),
            })
        })
        .collect();
    if problems.is_empty() { Ok(classes) } else { Err(problems) }
}

/// The windows of one channel.
fn of_channel(board: &Board, channel: usize) -> Result<ChannelWindows, Vec<WindowProblem>> {
    let drafts = classes::drafts(board, channel)?;
    let drafts = match board.channels[channel].kind {
        Kind::Analog | Kind::Meter { .. } => classes::merge_codes(board, channel, drafts)?,
        Kind::Digital => classes::merge_levels(board, channel, drafts)?,
    };
    Ok(ChannelWindows {
        channel,
        set: board.options.iter().position(|s| s.channels.contains(&channel)),
        classes: clear_of_steps(board, channel, limits::classes(board, channel, &drafts))?,
    })
}

/// Options of one set that no channel of the set tells apart.
fn alike(board: &Board, channels: &[ChannelWindows]) -> Vec<WindowProblem> {
    let mut problems = Vec::new();
    for (s, set) in board.options.iter().enumerate() {
        for (b, second) in set.when.iter().enumerate() {
            for (a, first) in set.when[..b].iter().enumerate() {
                let together = |&c: &usize| {
                    let rows = |class: &Class| {
                        class.rows.contains(&(s, a)) && class.rows.contains(&(s, b))
                    };
                    channels[c].classes.iter().any(rows)
                };
                if first.means != second.means && set.channels.iter().all(together) {
                    problems.push(classes::alike(board, s, [&first.means, &second.means]));
                }
            }
        }
    }
    problems
}

/// The option of a set that the classes read on its channels stand for.
///
/// `None` when a channel of the set reads as no class or is missing from `classes`, or when the
/// classes agree on no one option.
pub fn option_read(
    board: &Board,
    windows: &Windows,
    set: usize,
    classes: &[(usize, Option<usize>)],
) -> Option<String> {
    let options = board.options.get(set)?;
    let mut left: BTreeSet<usize> = (0..options.when.len()).collect();
    for channel in &options.channels {
        let read = classes.iter().find(|(c, _)| c == channel)?.1?;
        let class = windows.channels.get(*channel)?.classes.get(read)?;
        left.retain(|&row| class.rows.contains(&(set, row)));
    }
    let mut options = left.iter().map(|&row| &options.when[row].means);
    let first = options.next()?;
    options.all(|other| other == first).then(|| first.clone())
}
