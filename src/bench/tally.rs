//! What a run has come to so far.

use super::judge::Margin;
use super::sag;
use super::{Check, Cut, StepAt, Summary, SupplyCheck, UnitVerdict, Verdict, Worst};
use crate::board::Board;
use std::time::Duration;

/// The worst of everything judged.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    worst: Option<Verdict>,
    reasons: Vec<(Verdict, String)>,
    tightest: Option<Worst>,
    sag: Option<(usize, f64)>,
    checks: usize,
}

impl Tally {
    /// Counts a reading.
    pub fn check(&mut self, board: &Board, at: &StepAt, check: &Check) {
        let channel = &board.channels[check.channel].id;
        self.count(check.verdict, || format!("{channel} {}: {}", context(board, at), check.reason));
        let margin = check.margin_code.zip(check.margin_pct).zip(check.remaining_code);
        let Some(((code, percent), remaining)) = margin else { return };
        let margin = Margin { code, percent, remaining };
        let tighter = self.tightest.as_ref().is_none_or(|w| margin.remaining < w.remaining_code);
        if tighter && margin.remaining.is_finite() {
            self.tightest = Some(Worst {
                channel: check.channel,
                setting: at.setting.clone(),
                margin_code: margin.code,
                margin_pct: margin.percent,
                remaining_code: margin.remaining,
            });
        }
    }

    /// Counts a load.
    pub fn supply(&mut self, board: &Board, check: &SupplyCheck) {
        let load = &board.loads[check.load].id;
        self.count(check.verdict, || format!("{load}: {}", check.reason));
        if let Some(figures) = sag::figures(board, check)
            && self.sag.is_none_or(|(_, ratio)| figures.ratio > ratio)
        {
            self.sag = Some((check.load, figures.ratio));
        }
    }

    /// Counts anything else.
    pub fn count(&mut self, verdict: Verdict, reason: impl Fn() -> String) {
        self.checks += 1;
        self.worst = self.worst.max(Some(verdict));
        if verdict != Verdict::Pass {
            let reason = reason();
            if !self.reasons.iter().any(|(_, r)| *r == reason) {
                self.reasons.push((verdict, reason));
            }
        }
    }

    /// Closes the run. Nothing judged is nothing tested.
    pub fn close(mut self, cut: Option<Cut>, took: Duration) -> Summary {
        let mut worst = self.worst.unwrap_or(Verdict::NotTested);
        if let Some(cut) = &cut {
            worst = worst.max(Verdict::NotTested);
            let why = match cut {
                Cut::Probe(why) => why.clone(),
                Cut::Stopped => "stopped by the operator".to_string(),
            };
            self.reasons.push((Verdict::NotTested, why));
        }
        self.reasons.sort_by_key(|(verdict, _)| std::cmp::Reverse(*verdict));
        Summary {
            verdict: UnitVerdict::of(worst),
            reasons: self.reasons.into_iter().map(|(_, reason)| reason).collect(),
            worst: self.tightest,
            sag: self.sag,
            checks: self.checks,
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
