//! A shunt that is moved with the power off.
//!
//! Nothing can be watched meanwhile. That the power was really cut shows by the probe's silence and
//! by its boot count, one higher afterwards, or on a chip that counts none by its clock alone;
//! where the shunt sits shows, as ever, by the readings.

use super::*;
use std::cmp::Ordering;

/// Pause between two calls for a probe that is without power.
const CALL: Duration = Duration::from_millis(500);

impl Bench {
    /// Asks for a move with the power off, and calls for the probe until it comes back.
    pub(super) fn cycle_power(&mut self, now: Duration, made: Move) {
        let (jumper, from, to) = (made.jumper, made.from, made.to);
        self.prompt(Prompt::MoveUnpowered { jumper, from, to });
        self.state = State::Cycling { silent: false, next: now + CALL };
    }

    /// What came of a call.
    pub(super) fn called(&mut self, now: Duration, answer: Answer, silent: bool) {
        let next = now + CALL;
        let Answer::Who(info) = answer else {
            // A chip that is just booting may answer anything, or nothing.
            let silent = silent || answer == Answer::Silent;
            self.state = State::Cycling { silent, next };
            return;
        };
        let before = self.boot.clone().unwrap_or_default();
        let since = Duration::from_millis(u64::from(info.boot.uptime_ms));
        let counted = info.boot.count.cmp(&before.count);
        let restarted = since + CLOCKS_APART < now.saturating_sub(self.boot_seen);
        let booted = counted == Ordering::Greater || restarted;
        if !booted {
            self.state = State::Cycling { silent, next };
            return;
        }
        self.take_boot(now, Some(info.boot.clone()));
        if let Some(why) = self.not_the_same(&info) {
            return self.end(Some(Cut::Probe(why)), false);
        }
        self.tell(Event::Rebooted(info.boot.clone()));
        // A chip that keeps nothing counts nothing.
        let counts = before.count != 0 || info.boot.count != 0;
        let once = info.boot.count == before.count + u32::from(counts);
        match silent || info.boot.cause == "POWER" {
            true if once => self.prepare(now, After::Powered),
            true => self.void(now, "the probe booted more than once on its way back"),
            false => {
                let why = format!("the probe was reset ({}), not cut off", self.reset_cause());
                self.void(now, &why);
            }
        }
    }

    fn not_the_same(&self, info: &ProbeInfo) -> Option<String> {
        probe_problem(&self.board, &Answer::Who(info.clone())).or_else(|| {
            (info.identity != self.identity).then(|| {
                "another unit came back than the one that was cut off: test each by itself".into()
            })
        })
    }

    /// Power is back and the probe prepared: the readings say where the shunt is.
    pub(super) fn powered(&mut self, now: Duration) {
        let step = self.walk.steps[self.step].clone();
        let Some(made) = step.made else { return self.begin_step(now) };
        let watch = Box::new(self.watch(&step.setting, made).after_power_cycle());
        self.state = State::Moving { watch, sweep: None, next: now };
    }
}
