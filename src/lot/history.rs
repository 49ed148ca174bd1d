//! What a unit has been through before another attempt.

use super::line::{failed, verdict};
use crate::record::{Record, release, resume};

/// Attempts that may fail before a unit that was not repaired is held.
const MOST_FAILED: usize = 2;

/// A unit before another attempt.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct History {
    /// Attempts that have a record.
    pub attempts: usize,
    /// The last attempt that came to a verdict other than INCOMPLETE: its number, the verdict, and
    /// why.
    pub last: Option<(u64, String, String)>,
    /// Attempts that failed since the last repair.
    failed: usize,
}

impl History {
    /// Of one unit's records, ordered by attempt.
    pub fn of(attempts: &[&Record]) -> History {
        let mut history = History { attempts: attempts.len(), ..History::default() };
        let mut counted = false;
        for record in attempts {
            // An attempt that goes on from the one before is the same one.
            if counted && resume::resumed(&record.rows) {
                history.failed -= 1;
            }
            if release::retest(&record.rows).is_some_and(release::is_repair) {
                history.failed = 0;
            }
            let (mut word, why) = verdict(record);
            // A run that was killed after a check had failed is no better than one that ended.
            if failed(record) {
                word = "FAIL".into();
            }
            counted = word == "FAIL";
            history.failed += usize::from(counted);
            if word != "INCOMPLETE" {
                history.last = Some((record.attempt, word, why));
            }
        }
        history
    }

    /// Why another attempt needs a reason; none where it needs none.
    pub fn needs_reason(&self) -> Option<String> {
        let (attempt, verdict, why) = self.last.as_ref()?;
        let why = if why.is_empty() { String::new() } else { format!(" ({why})") };
        match verdict.as_str() {
            "FAIL" => Some(format!("it failed at attempt {attempt}{why}")),
            "HOLD" => Some(format!("it is on HOLD since attempt {attempt}{why}")),
            _ => None,
        }
    }

    /// Why a good attempt, for this reason, is no better than HOLD: only a repair or a person's
    /// release ends it.
    pub fn held(&self, reason: &str) -> Option<String> {
        if release::is_repair(reason) {
            return None;
        }
        let on_hold = self.last.as_ref().is_some_and(|(_, verdict, _)| verdict == "HOLD");
        if self.failed >= MOST_FAILED {
            return Some(format!("{} attempts failed and nothing was repaired", self.failed));
        }
        on_hold.then(|| "it was on HOLD, was not released, and nothing was repaired".into())
    }
}
