//! An attempt that was cut short, as far as another may go on from it.
//!
//! Its steps count only where the unit shows now what it showed then: the same chip, and every
//! channel at the pattern of the last step that is taken over. What a person measured before the
//! power was on counts where one of those values is measured again and is the same; that it is the
//! same unit is the operator's word, since good units are too much alike for a meter.

use super::judge::{Margin, Readings};
use super::sweep::Got;
use super::{Check, Design, Driven, Mode, Rule, StepAt, TypedIn, Verdict};
use crate::board::{Kind, Setting};
use crate::units::Ohms;
use crate::walk::Walk;
use crate::window::{self, spread::contact_max};
use std::collections::BTreeMap;

/// An earlier attempt at the same unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Earlier {
    /// Its number.
    pub attempt: u64,
    /// The chip's number in it, in hex; empty when it had none.
    pub identity: String,
    /// Whether that was taken off the chip again when it ended.
    pub put_back: bool,
    /// The values that were measured before the power was on, up to the first one that was not.
    pub values: Vec<Value>,
    /// What was done in its steps, from the first; of a step that was begun several times, the last
    /// try.
    pub steps: Vec<Done>,
}

/// A value that a person measured and typed.
#[derive(Clone, Debug, PartialEq)]
pub struct Value {
    /// Channel index.
    pub channel: usize,
    /// The setting, as the record has it.
    pub setting: String,
    /// What was typed.
    pub typed: TypedIn,
}

/// What was done in a step.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Done {
    /// The setting, as the record has it.
    pub setting: String,
    /// What was read.
    pub reads: Vec<Former>,
    /// The questions answered, by index, each with its answer.
    pub answers: Vec<(usize, bool)>,
    /// Whether the move was taken on a word that stood against a reading.
    pub doubted: bool,
}

/// A reading of an earlier attempt.
#[derive(Clone, Debug, PartialEq)]
pub struct Former {
    /// Channel index.
    pub channel: usize,
    /// How it was taken.
    pub mode: Mode,
    /// Switches closed while it was taken, by name.
    pub on: Vec<String>,
    /// Mean in codes, or the share of ones; none where nothing was read.
    pub mean: Option<f64>,
    /// Deviation of the conversions, in codes.
    pub sd: f64,
    /// The option that it should have stood for.
    pub option_expected: Option<String>,
    /// Its margin.
    pub margin: Option<Margin>,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, when it is not a pass.
    pub reason: String,
}

impl Former {
    /// The check that it was, as far as the count of a run goes by it.
    pub(super) fn check(&self, board: &Design, at: &StepAt) -> Check {
        let class = board.windows().channels[self.channel].class_of_setting(&at.setting);
        let classes = &board.windows().channels[self.channel].classes;
        Check {
            channel: self.channel,
            mode: self.mode,
            kind: board.channels[self.channel].kind,
            pull_up: false,
            on: self.on.clone(),
            burst: None,
            rule: Rule::Simple,
            typed: None,
            pull_up_shift: None,
            driven: Driven::NotShown,
            u_code: None,
            k: None,
            expected_code: None,
            bench_band: None,
            limits: None,
            limit_source: String::new(),
            position: class.map_or(String::new(), |c| classes[c].name.clone()),
            option_expected: self.option_expected.clone(),
            option_read: None,
            margin_code: self.margin.map(|m| m.code),
            margin_pct: self.margin.map(|m| m.percent),
            remaining_code: self.margin.map(|m| m.remaining),
            verdict: self.verdict,
            reason: self.reason.clone(),
        }
    }
}

/// Codes within which a reading is still the same, or three of its deviations.
const SAME: f64 = 3.0;

/// Share of ones within which a digital pin is.
const SAME_LEVEL: f64 = 0.1;

/// What every channel showed last, step by step.
#[derive(Clone, Debug, Default)]
pub(super) struct Patterns(Vec<BTreeMap<usize, (f64, f64)>>);

impl Earlier {
    /// How many of its steps are whole, from the first: the setting is that of the sequence, every
    /// channel was read that is judged there, every question that falls there was answered. The last
    /// step of the sequence is never taken over: it is the proof of how the unit leaves.
    pub(super) fn whole(&self, board: &Design, walk: &Walk) -> usize {
        let most = walk.steps.len().saturating_sub(1);
        let mut asked = vec![false; board.questions.len()];
        let whole = |(done, step): &(&Done, &crate::walk::Step)| {
            let read = |c: &usize| {
                let judged = board.windows().channels[*c].class_of_setting(&step.setting).is_some();
                let mut taken = done.reads.iter().filter(|r| r.channel == *c).peekable();
                !judged
                    || (taken.peek().is_some() && taken.all(|r| r.verdict != Verdict::NotTested))
            };
            for &(question, _) in &done.answers {
                asked[question] = true;
            }
            let due =
                board.questions.iter().zip(&asked).all(|(q, asked)| {
                    *asked || !q.when.iter().all(|&(j, p)| step.setting.0[j] == p)
                });
            let same = done.setting == step.setting.text(board);
            same && !done.doubted && due && step.reads.iter().all(read)
        };
        self.steps.iter().zip(&walk.steps).take(most).take_while(whole).count()
    }

    /// How many of its values are those that this sequence asks for, from the first.
    pub(super) fn values(&self, board: &Design, walk: &Walk) -> usize {
        let asked = walk.metered.iter().flat_map(|stop| {
            let setting = stop.setting.text(board);
            stop.channels.iter().map(move |&channel| (channel, setting.clone()))
        });
        let same = |(value, asked): &(&Value, (usize, String))| {
            (value.channel, &value.setting) == (asked.0, &asked.1)
        };
        self.values.iter().zip(asked).take_while(same).count()
    }

    /// Which of the first `known` values tells units apart best, by index: the one whose spread among
    /// good units is largest by what two readings of it may differ. One that is over range says
    /// nothing.
    pub(super) fn telling(&self, board: &Design, walk: &Walk, known: usize) -> Option<usize> {
        let stops = walk.metered.iter().flat_map(|s| s.channels.iter().map(|_| &s.setting));
        let each = self.values.iter().zip(stops).take(known).enumerate();
        let finite = each.filter(|(_, (value, _))| value.typed.ohms.0.is_finite());
        let tells = |(at, (value, setting)): (usize, (&Value, &Setting))| {
            let good = window::expect(board, setting, value.channel).bench;
            (at, (good.high - good.low) / value.room(board, value.typed.ohms))
        };
        let best = finite.map(tells).reduce(|best, new| if new.1 >= best.1 { new } else { best });
        best.map(|(at, _)| at)
    }

    /// The patterns after each of its whole steps.
    pub(super) fn patterns(&self, board: &Design, walk: &Walk) -> Patterns {
        let mut now: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
        let mut all = Vec::new();
        let whole = self.whole(board, walk);
        for (done, step) in self.steps.iter().zip(&walk.steps).take(whole) {
            if let Some(made) = step.made {
                now.retain(|c, _| !board.sees(made.jumper).contains(c));
            }
            for read in &done.reads {
                let closed = read.on.len() == board.channels[read.channel].closes.len();
                let digital = board.channels[read.channel].kind == Kind::Digital;
                if let (true, Some(mean)) =
                    (closed && (digital || read.mode == Mode::Mean), read.mean)
                {
                    now.insert(read.channel, (mean, read.sd));
                }
            }
            all.push(now.clone());
        }
        Patterns(all)
    }
}

impl Value {
    /// Whether the unit that gave this value gives the other one too.
    pub(super) fn agrees(&self, board: &Design, now: Ohms) -> bool {
        (self.typed.ohms.0 - now.0).abs() <= self.room(board, now)
    }

    /// By how many ohms two readings of one unit may differ: what the meter may be off, twice, and a
    /// contact that was made anew.
    fn room(&self, board: &Design, now: Ohms) -> f64 {
        let Kind::Meter { meter, .. } = board.channels[self.channel].kind else { return 0.0 };
        meter.error(self.typed.ohms).0 + meter.error(now).0 + contact_max(board).0
    }
}

impl Patterns {
    /// The channels that any of them knows.
    pub(super) fn channels(&self) -> Vec<usize> {
        let mut channels: Vec<usize> = self.0.iter().flat_map(|p| p.keys().copied()).collect();
        channels.sort_unstable();
        channels.dedup();
        channels
    }

    /// Steps that may be taken over, counted from the first: up to the last one whose pattern the
    /// unit shows now. None where it shows none of them.
    pub(super) fn shown(&self, got: &Got) -> usize {
        let same = |(channel, &(mean, sd)): (&usize, &(f64, f64))| {
            got.channels.get(channel).and_then(value).is_some_and(|(now, noise, level)| {
                let room = if level { SAME_LEVEL } else { SAME.max(3.0 * sd.max(noise)) };
                (now - mean).abs() <= room
            })
        };
        let shown =
            |pattern: &BTreeMap<usize, (f64, f64)>| !pattern.is_empty() && pattern.iter().all(same);
        self.0.iter().rposition(shown).map_or(0, |step| step + 1)
    }
}

/// What was read, its deviation, and whether it is a share of ones.
fn value(readings: &Readings) -> Option<(f64, f64, bool)> {
    match (readings.mean, readings.level) {
        (Some(burst), _) => Some((burst.mean, burst.sd, false)),
        (None, Some((n, ones))) => Some((f64::from(ones) / f64::from(n.max(1)), 0.0, true)),
        (None, None) => None,
    }
}
