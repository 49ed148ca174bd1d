//! Loads switched on one after another, then all at once: what the supply does, and every channel
//! with it.

use super::super::sag;
use super::*;

impl Bench {
    /// The loads that are switched on together at this turn: each alone, then all; none when there
    /// is no such turn.
    fn turn(&self, turn: usize) -> Option<Vec<usize>> {
        let count = self.board.loads.len();
        match turn {
            _ if turn < count => Some(vec![turn]),
            _ if turn == count && count > 1 && self.board.supply.all_loads => {
                Some((0..count).collect())
            }
            _ => None,
        }
    }

    /// Asks the parts on the board's buses whether they are there, everything off and the unit as it
    /// leaves; then the loads.
    pub(super) fn begin_presence(&mut self, now: Duration) {
        let parts = 0..self.board.bus_parts.len();
        if parts.is_empty() {
            return self.begin_load(now, 0);
        }
        let mut sweep = Sweep::new();
        for part in parts {
            sweep = sweep.ask(Ask::Presence { part }, Keep::Presence(part));
        }
        self.state = State::Presence { sweep: sweep.ask(Ask::Boot, Keep::Boot) };
        self.go_on(now);
    }

    /// What the parts did: it is told, and fails nothing. Of a probe that was reset it is nothing.
    pub(super) fn present(&mut self, now: Duration, got: &Got) {
        let reset = self.rebooted(now, got);
        let at = self.at();
        for part in 0..self.board.bus_parts.len() {
            let found = got.presence.get(&part).copied().filter(|_| !reset);
            self.tell(Event::Presence { at: at.clone(), part, found });
        }
        match reset {
            true => self.prepare(now, After::Load(0)),
            false => self.begin_load(now, 0),
        }
    }

    pub(super) fn begin_load(&mut self, now: Duration, turn: usize) {
        let Some(loads) = self.turn(turn) else {
            return match self.config.on_purpose {
                true => self.begin_deed(0),
                false => self.end(None, false),
            };
        };
        if let (Some(ill), true) = (self.too_much, loads.len() > 1) {
            return self.not_together(now, turn, loads, ill);
        }
        let sweep = self.supply(Sweep::new(), Keep::Supply).ask(Ask::Boot, Keep::Boot);
        self.state = State::Idling { turn, sweep };
        self.go_on(now);
    }

    /// A load that is too much alone is not switched on once more, nor more with it.
    fn not_together(&mut self, now: Duration, turn: usize, loads: Vec<usize>, ill: usize) {
        let reason = format!("not tried: {} is too much alone", self.board.loads[ill].id);
        let verdict = Verdict::NotTested;
        let (idle, step, loaded, reference) = (None, None, None, self.reference);
        let check = SupplyCheck { loads, reference, idle, step, loaded, verdict, reason };
        self.tally.supply(&self.board, &check);
        let at = self.at();
        self.tell(Event::Supply { at, check });
        self.begin_load(now, turn + 1);
    }

    /// The supply without load is known; one that is from another boot is read again.
    pub(super) fn idled(&mut self, now: Duration, turn: usize, got: &Got) {
        if self.rebooted(now, got) {
            return self.supply_again(now, After::Load(turn));
        }
        let idle = got.supply;
        let mut sweep = Sweep::new();
        if self.board.chip.reads_supply {
            let loads = self.turn(turn).unwrap_or_default();
            sweep = sweep.ask(Ask::Step { channel: None, loads, n: BURST }, Keep::Step);
            sweep = sweep.ask(Ask::Boot, Keep::Boot);
        }
        self.state = State::Switching { turn, sweep, idle };
        self.go_on(now);
    }

    /// The loads have been on for a moment. They go on for longer, but not once more where the chip
    /// was reset by it.
    pub(super) fn switched(
        &mut self,
        now: Duration,
        turn: usize,
        got: &Got,
        idle: Option<Burst>,
    ) {
        let read = self.board.chip.reads_supply;
        let reset = read && self.rebooted(now, got);
        if reset || !got.refused.is_empty() {
            return self.load_done(now, turn, got.clone(), [idle, None], None, reset);
        }
        let sweep = self.load_sweep(&self.turn(turn).unwrap_or_default());
        self.state = State::Loading { turn, sweep, idle, step: got.step };
        self.go_on(now);
    }

    fn load_sweep(&self, loads: &[usize]) -> Sweep {
        let mut sweep = Sweep::new();
        for &load in loads {
            sweep = sweep.ask(Ask::Load { load, on: true }, Keep::No);
        }
        // The first burst lets the current settle: motors start, filaments warm.
        sweep = self.supply(self.passing(sweep), Keep::Supply);
        for channel in self.channels() {
            sweep = match self.board.channels[channel].kind {
                Kind::Analog => sweep.again(&self.board, channel),
                Kind::Digital => sweep.glance(&self.board, channel),
                Kind::Meter { .. } => sweep,
            };
        }
        for &load in loads {
            sweep = sweep.ask(Ask::Load { load, on: false }, Keep::No);
        }
        sweep.ask(Ask::Boot, Keep::Boot)
    }

    /// Adds a reading of the supply, where the probe can take one.
    fn supply(&self, sweep: Sweep, keep: Keep) -> Sweep {
        match self.board.chip.reads_supply {
            true => sweep.ask(Ask::Supply { n: BURST }, keep),
            false => sweep,
        }
    }

    /// Adds a burst that counts for nothing but its time.
    fn passing(&self, sweep: Sweep) -> Sweep {
        let mut analog = self.channels().into_iter();
        let analog = analog.find(|&c| self.board.channels[c].kind == Kind::Analog);
        match analog {
            Some(channel) if !self.board.chip.reads_supply => {
                let (pull_up, discard, settle_us) = (false, 1, 0);
                sweep.ask(Ask::Burst { channel, n: BURST, pull_up, discard, settle_us }, Keep::No)
            }
            _ => self.supply(sweep, Keep::No),
        }
    }

    pub(super) fn loaded(
        &mut self,
        now: Duration,
        turn: usize,
        got: Got,
        idle: Option<Burst>,
        step: Option<SwitchedOn>,
    ) {
        let reset = self.rebooted(now, &got);
        let loaded = got.supply;
        self.load_done(now, turn, got, [idle, loaded], step, reset);
    }

    /// Judges what was read without and with the loads.
    fn load_done(
        &mut self,
        now: Duration,
        turn: usize,
        mut got: Got,
        [idle, mut loaded]: [Option<Burst>; 2],
        mut step: Option<SwitchedOn>,
        reset: bool,
    ) {
        let refused = got.refused.first().cloned();
        if refused.is_some() {
            // Something was not as asked for while it was read: none of it counts.
            (loaded, step) = (None, None);
            got.channels.clear();
        }
        let at = self.at();
        let mut check = SupplyCheck {
            loads: self.turn(turn).unwrap_or_default(),
            reference: self.reference,
            idle,
            step,
            loaded,
            verdict: Verdict::NotTested,
            reason: refused.or_else(|| self.no_supply()).unwrap_or_default(),
        };
        if reset {
            check.verdict = Verdict::Fail;
            let they = if check.loads.len() > 1 { "they were" } else { "it was" };
            let cause = self.reset_cause();
            check.reason = format!("the probe was reset when {they} switched on ({cause})");
        } else {
            check = sag::judge(&self.board, check);
        }
        if reset || sag::too_much(&self.board, &check) {
            self.too_much = check.loads.first().copied();
        }
        let on = check.loads.clone();
        self.tally.supply(&self.board, &check);
        self.tell(Event::Supply { at: at.clone(), check });
        if reset {
            return self.prepare(now, After::Load(turn + 1));
        }
        self.tell_checks_under_load(&at, &on, got);
        self.begin_load(now, turn + 1);
    }

    /// Why the supply was not measured, on a board whose probe cannot.
    fn no_supply(&self) -> Option<String> {
        self.board.no_supply_reading().map(|why| format!("{why}, not measured"))
    }

    fn tell_checks_under_load(&mut self, at: &StepAt, loads: &[usize], mut got: Got) {
        for channel in self.channels() {
            if let (Some(readings), Some(proof)) =
                (got.channels.get_mut(&channel), self.proofs.get(&channel))
            {
                readings.charge = proof.charge;
                readings.pulled = proof.pulled;
                readings.level_pulled = proof.level_pulled;
                readings.level_discharged = proof.level_discharged;
            }
            let mut on = self.closed_for(channel);
            on.extend(loads.iter().map(|&load| self.board.loads[load].id.clone()));
            for check in self.judge(&got, channel, &on) {
                self.tell_check(at, check);
            }
        }
    }
}
