//! The chip's fuses against those that the board file states: before anything is moved, since a
//! wrong clock or a brown-out detector that is off spoils all that follows.

use super::*;

impl Bench {
    /// Looks at the fuses where the board file states any, then goes on to the cautions.
    pub(super) fn look_at_fuses(&mut self, now: Duration) {
        if self.board.fuses.is_none() {
            return self.prepare(now, After::Cautions);
        }
        if self.board.chip.fuse_bits.is_none() {
            let why = format!("the {} has no fuses that its probe can read", self.board.chip.part);
            return self.fuses_judged(now, None, Verdict::NotTested, why);
        }
        self.state = State::Fuses;
        self.ask(Ask::Fuses);
    }

    /// They have been read, or not.
    pub(super) fn fuses_read(&mut self, now: Duration, answer: Answer) {
        let found = match answer {
            Answer::Fuses(found) => found,
            Answer::Refused(why) => {
                return self.fuses_judged(now, None, Verdict::NotTested, why);
            }
            _ => {
                let why = "the probe did not say what they are".to_string();
                return self.fuses_judged(now, None, Verdict::NotTested, why);
            }
        };
        let bits = self.board.chip.fuse_bits.unwrap_or([0xFF; 4]);
        let differs = self.board.fuses.unwrap_or_default().differs(found, bits);
        let verdict = if differs.is_empty() { Verdict::Pass } else { Verdict::Fail };
        self.fuses_judged(now, Some(found), verdict, differs.join(", "));
    }

    fn fuses_judged(
        &mut self,
        now: Duration,
        found: Option<[u8; 4]>,
        verdict: Verdict,
        reason: String,
    ) {
        self.tally.count(verdict, "fuses", || format!("fuses: {reason}"));
        self.tell(Event::Fuses { found, verdict, reason });
        self.prepare(now, After::Cautions);
    }
}
