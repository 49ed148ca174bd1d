//! What a run has come to so far.

use super::judge::Margin;
use super::sag;
use super::{
    Check, Cut, LargestSag, Mode, StepAt, Summary, SupplyCheck, UnitVerdict, Verdict, Worst,
};
use crate::board::Board;
use std::time::Duration;

/// The worst of everything judged.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    worst: Option<Verdict>,
    reasons: Vec<(Verdict, String)>,
    failing: Vec<(Verdict, String)>,
    tightest: Option<Worst>,
    sag: Option<LargestSag>,
    checks: usize,
    held: Option<String>,
}

impl Tally {
    /// Counts a reading.
    pub fn check(&mut self, board: &Board, at: &StepAt, check: &Check) {
        let channel = &board.channels[check.channel].id;
        let label = match check.position.as_str() {
            "" => channel.clone(),
            position => format!("{channel} {position}"),
        };
        self.count(check.verdict, &label, || match check.mode {
            Mode::Meter => format!("{label}: {}", check.reason),
            _ => format!("{channel} {}: {}", context(board, at), check.reason),
        });
        // The tightest is about options: an input at rest has no neighbour to be taken for.
        if check.option_expected.is_none() {
            return;
        }
        let margin = check.margin_code.zip(check.margin_pct).zip(check.remaining_code);
        let Some(((code, percent), remaining)) = margin else { return };
        let margin = Margin { code, percent, remaining };
        let tighter = self.tightest.as_ref().is_none_or(|w| margin.remaining < w.remaining_code);
        if tighter && margin.remaining.is_finite() {
            self.tightest = Some(Worst {
                channel: check.channel,
                position: check.position.clone(),
                setting: at.setting.clone(),
                margin_code: margin.code,
                margin_pct: margin.percent,
                remaining_code: margin.remaining,
                verdict: check.verdict,
            });
        }
    }

    /// Counts a load, or all at once.
    pub fn supply(&mut self, board: &Board, check: &SupplyCheck) {
        let loads = board.load_names(&check.loads, " and ");
        self.count(check.verdict, &loads, || format!("{loads}: {}", check.reason));
        if let Some(figures) = sag::figures(board, check)
            && self.sag.as_ref().is_none_or(|largest| figures.ratio > largest.ratio)
        {
            let (ratio, volts) = (figures.ratio, figures.sag);
            self.sag = Some(LargestSag { loads: check.loads.clone(), ratio, volts });
        }
    }

    /// Counts anything else: its label in few letters, and why it is no pass.
    pub fn count(&mut self, verdict: Verdict, label: &str, reason: impl Fn() -> String) {
        self.checks += 1;
        self.worst = self.worst.max(Some(verdict));
        if verdict != Verdict::Pass {
            let reason = reason();
            if !self.reasons.iter().any(|(_, r)| *r == reason) {
                self.reasons.push((verdict, reason));
            }
            if !self.failing.iter().any(|(_, l)| l == label) {
                self.failing.push((verdict, label.to_string()));
            }
        }
    }

    /// Holds the unit whatever is read of it.
    pub fn hold(&mut self, reason: String) {
        self.held = Some(reason);
    }

    /// Whether everything so far passed.
    pub fn passes(&self) -> bool {
        self.worst == Some(Verdict::Pass) && self.held.is_none()
    }

    /// Closes the run. Nothing judged is nothing tested.
    pub fn close(mut self, cut: Option<Cut>, took: Duration) -> Summary {
        let mut worst = self.worst.unwrap_or(Verdict::NotTested);
        if let Some(held) = self.held.take() {
            worst = worst.max(Verdict::Marginal);
            self.reasons.push((Verdict::Marginal, held));
        }
        if let Some(cut) = &cut {
            worst = worst.max(Verdict::NotTested);
            let why = match cut {
                Cut::Probe(why) | Cut::Command(why) => why.clone(),
                Cut::Stopped => "stopped by the operator".to_string(),
                Cut::NoKeys => {
                    "standard input ended or the output was closed: nobody could answer".to_string()
                }
            };
            self.reasons.push((Verdict::NotTested, why));
        }
        self.reasons.sort_by_key(|(verdict, _)| std::cmp::Reverse(*verdict));
        self.failing.sort_by_key(|(verdict, _)| std::cmp::Reverse(*verdict));
        Summary {
            verdict: UnitVerdict::of(worst),
            reasons: self.reasons.into_iter().map(|(_, reason)| reason).collect(),
            failing: self.failing.into_iter().map(|(_, label)| label).collect(),
            worst: self.tightest,
            sag: self.sag,
            checks: self.checks,
            unseen: 0,
            cut,
            took,
        }
    }
}

/// Where in the sequence, in a few words.
fn context(board: &Board, at: &StepAt) -> String {
    match at.moved {
        Some((jumper, place)) => {
            let j = &board.jumpers[jumper];
            format!("at {}={}", j.id, j.place_name(place))
        }
        None if at.step == 0 => "without shunts".to_string(),
        None => "in the delivery setting".to_string(),
    }
}
