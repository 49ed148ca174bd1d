//! What the runs came to, in one table.

use super::strata::{Claim, Stratum, Unit};
use statrs::distribution::{Beta, ContinuousCDF};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use strapwise::bench::UnitVerdict;
use strapwise::board::Board;

/// Counts of one line.
#[derive(Clone, Copy, Debug, Default)]
pub struct Count {
    pub runs: u64,
    pub pass: u64,
    pub hold: u64,
    pub fail: u64,
    pub incomplete: u64,
}

/// One line of the table.
pub type Line = (Stratum, Claim, &'static str);

/// All that was counted.
#[derive(Default)]
pub struct Tally {
    pub lines: BTreeMap<Line, Count>,
    /// Runs that broke what must hold, in words, with what reproduces them.
    pub broken: Vec<String>,
    /// Passes that were bought with a wrong answer.
    pub lied: u64,
    pub asks: u64,
    /// Runs whose program was killed, and those of them that went on from what had been measured.
    pub killed: [u64; 2],
}

/// How many broken runs are told.
const TOLD: usize = 200;

impl Tally {
    /// Counts a unit.
    pub fn add(&mut self, board: &Board, unit: &Unit) {
        let count = self.lines.entry((unit.stratum, unit.claim, unit.class)).or_default();
        self.asks += unit.outcome.asks as u64;
        if let Some(resumed) = unit.outcome.resumed {
            self.killed[0] += 1;
            self.killed[1] += u64::from(resumed);
        }
        count.runs += 1;
        let summary = unit.outcome.summary.as_ref();
        match summary.map(|s| s.verdict) {
            Some(UnitVerdict::Pass) => count.pass += 1,
            Some(UnitVerdict::Hold) => count.hold += 1,
            Some(UnitVerdict::Fail) => count.fail += 1,
            Some(UnitVerdict::Incomplete) | None => count.incomplete += 1,
        }
        let what = match (summary, unit.claim) {
            (None, _) => "did not end".to_string(),
            (Some(s), Claim::Seen) if s.verdict == UnitVerdict::Pass => match unit.outcome.lied {
                true => "passed on an answer that was not true".to_string(),
                false => "passed".to_string(),
            },
            (Some(s), Claim::Asked) if s.verdict == UnitVerdict::Pass => {
                self.lied += u64::from(unit.outcome.lied);
                match unit.outcome.lied {
                    true => return,
                    false => "passed, all answers true".to_string(),
                }
            }
            (Some(s), Claim::Good) if s.verdict != UnitVerdict::Pass => {
                format!("{}: {}", s.verdict.word(), s.reasons.join("; "))
            }
            _ if !unit.outcome.missing.is_empty() => {
                format!("not in the record: {}", unit.outcome.missing.join("; "))
            }
            _ => return,
        };
        let faults: Vec<String> = unit.faults.iter().map(|f| f.text(board)).collect();
        let (stratum, seed) = (unit.stratum.word(), unit.seed);
        let told = format!("--one {stratum} {seed}: {} {what}", faults.join(" and "));
        self.broken.push(told);
    }

    /// Puts two counts together.
    pub fn join(&mut self, other: Tally) {
        for (line, count) in other.lines {
            let mine = self.lines.entry(line).or_default();
            mine.runs += count.runs;
            mine.pass += count.pass;
            mine.hold += count.hold;
            mine.fail += count.fail;
            mine.incomplete += count.incomplete;
        }
        self.broken.extend(other.broken);
        self.lied += other.lied;
        self.asks += other.asks;
        self.killed[0] += other.killed[0];
        self.killed[1] += other.killed[1];
    }

    /// The table, and the runs that broke what must hold.
    pub fn text(&self) -> String {
        let mut text = format!(
            "{:<6}{:<37}{:>7}{:>7}{:>6}{:>7}{:>6} {:>8}\n",
            "", "", "runs", "pass", "hold", "fail", "inc.", "95 %"
        );
        let mut before = None;
        for ((stratum, claim, class), c) in &self.lines {
            if before != Some((*stratum, *claim)) {
                before = Some((*stratum, *claim));
                let _ = writeln!(text, "{}: {}", stratum.word(), heading(*claim));
            }
            let limit = 100.0 * upper(c.pass, c.runs);
            let _ = writeln!(
                text,
                "  {class:<41}{:>7}{:>7}{:>6}{:>7}{:>6} {limit:>7.3}%",
                c.runs, c.pass, c.hold, c.fail, c.incomplete
            );
        }
        let _ = writeln!(text, "95 %: upper limit of the share that passes (Clopper and Pearson)");
        let good = self.lines.iter().filter(|((_, claim, _), _)| *claim == Claim::Good);
        for (_, c) in good {
            let other = c.runs - c.pass;
            let limit = 1e4 * upper(other, c.runs);
            let _ = writeln!(
                text,
                "good units with a good operator: {other} of {} not passed, under {limit:.2} in 10,000",
                c.runs
            );
        }
        let [killed, resumed] = self.killed;
        let _ = writeln!(
            text,
            "in {killed} runs the program was killed and started again; {resumed} went on from what \
             had been measured"
        );
        for broken in self.broken.iter().take(TOLD) {
            let _ = writeln!(text, "{broken}");
        }
        text
    }

    /// Runs in all.
    pub fn runs(&self) -> u64 {
        self.lines.values().map(|c| c.runs).sum()
    }
}

fn heading(claim: Claim) -> &'static str {
    match claim {
        Claim::Good => "no defect, parts to the ends of their tolerance",
        Claim::Seen => "seen by a reading, as the coverage says",
        Claim::Asked => "seen by an answer only",
        Claim::Unseen => "not sure to be seen, as the coverage says",
    }
}

/// Upper 95 % limit of a share, one-sided (Clopper and Pearson, Biometrika 26, 1934, p. 404; with
/// none of n it is 1 - 0.05^(1/n), about 3/n).
pub fn upper(k: u64, n: u64) -> f64 {
    if k >= n {
        return 1.0;
    }
    let (k, n) = (k as f64, n as f64);
    let beta = Beta::new(k + 1.0, n - k).expect("both shapes are positive");
    // The library's own inverse is not trusted to end.
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if beta.cdf(middle) < 0.95 { low = middle } else { high = middle }
    }
    high
}
