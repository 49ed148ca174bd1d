//! A probe that was reset: how that shows, and what was read since is void.

use super::*;

impl Bench {
    /// Whether the probe has been reset since the last look; the new boot is taken over.
    ///
    /// A boot that is not counted shows by its clock alone: it must have gone on as ours has.
    pub(super) fn rebooted(&mut self, now: Duration, got: &Got) -> bool {
        let Some(boot) = got.boot.clone() else { return true };
        let passed = now.saturating_sub(self.boot_seen);
        let reset = self.boot.as_ref().is_some_and(|old| {
            let expected = Duration::from_millis(u64::from(old.uptime_ms)) + passed.mul_f64(0.95);
            let uptime = Duration::from_millis(u64::from(boot.uptime_ms));
            old.count != boot.count || uptime + CLOCKS_APART < expected
        });
        self.take_boot(now, Some(boot.clone()));
        if reset {
            self.tell(Event::Rebooted(boot));
        }
        reset
    }

    pub(super) fn take_boot(&mut self, now: Duration, boot: Option<Boot>) {
        self.boot = boot;
        self.boot_seen = now;
    }

    /// The probe was reset: what was read in this step is void, and it is done again.
    pub(super) fn void_by_reset(&mut self, now: Duration) {
        let why = format!("the probe was reset ({})", self.reset_cause());
        self.void(now, &why);
    }

    /// What was read in this step is void, and it is done again; not for ever.
    pub(super) fn void(&mut self, now: Duration, why: &str) {
        let at = self.at();
        if self.attempt >= MOST_ATTEMPTS {
            let why = format!("{why}, {MOST_ATTEMPTS} times in one step: {STEADY_FIRST}");
            self.tell(Event::Voided { at, why: why.clone() });
            return self.end(Some(Cut::Probe(why)), false);
        }
        self.tell(Event::Voided { at, why: format!("{why}; the step is done again") });
        self.attempt += 1;
        self.prepare(now, After::Step);
    }

    pub(super) fn reset_cause(&self) -> &str {
        self.boot.as_ref().map_or("UNKNOWN", |b| b.cause.as_str())
    }
}
