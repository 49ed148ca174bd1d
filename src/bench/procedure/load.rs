//! Loads switched on one after another, then all at once: what the supply does, and every channel
//! with it.

use super::super::supply::or_skip;
use super::super::{SagByMeter, meter, sag};
use super::supply::MOST_TRIES;
use super::*;

/// What was read of the supply without and with loads.
#[derive(Debug, Default)]
struct Read {
    idle: Option<Burst>,
    step: Option<SwitchedOn>,
    loaded: Option<Burst>,
    by_meter: Option<SagByMeter>,
}

/// A person measures the supply on load.
#[derive(Debug)]
pub(super) struct Sagging {
    turn: usize,
    /// What was read of the channels meanwhile.
    got: Got,
    /// The supply without load, by the same meter.
    idle: Volts,
    at: Volting,
}

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
        let reference = self.reference;
        let (idle, step, loaded, by_meter) = (None, None, None, None);
        let check = SupplyCheck { loads, reference, idle, step, loaded, by_meter, verdict, reason };
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
    pub(super) fn switched(&mut self, now: Duration, turn: usize, got: &Got, idle: Option<Burst>) {
        let read = self.board.chip.reads_supply;
        let reset = read && self.rebooted(now, got);
        if reset || !got.refused.is_empty() {
            let read = Read { idle, ..Read::default() };
            return self.load_done(now, turn, got.clone(), read, reset);
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
        // They stay on while a person measures.
        match self.idle_by_meter {
            Some(_) if self.board.supply.by_meter => sweep.ask(Ask::Boot, Keep::Boot),
            _ => self.loads_off(sweep, loads),
        }
    }

    fn loads_off(&self, mut sweep: Sweep, loads: &[usize]) -> Sweep {
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
        if let Some(idle) = self.idle_by_meter
            && self.board.supply.by_meter
            && !reset
            && got.refused.is_empty()
        {
            return self.ask_sag(now, Sagging { turn, got, idle, at: Volting::default() }, None);
        }
        let read = Read { idle, step, loaded: got.supply, by_meter: None };
        self.load_done(now, turn, got, read, reset);
    }

    /// The loads are on: a person measures what that makes of the supply.
    fn ask_sag(&mut self, now: Duration, asked: Sagging, refused: Option<String>) {
        let loads = self.turn(asked.turn).unwrap_or_default();
        let (sweep, next) = (Sweep::new(), now + HEARTBEAT);
        self.state = State::Sagging { asked: Box::new(asked), sweep, next };
        self.prompt(Prompt::SupplyVolts { loads, refused });
    }

    /// The operator typed what a meter shows of the supply on load.
    pub(super) fn sag_typed(&mut self, now: Duration, text: &str) {
        if self.waiting {
            // The probe is being asked whether it is still there.
            self.typed_ahead = Some(text.to_string());
            return;
        }
        let State::Sagging { asked, .. } = std::mem::replace(&mut self.state, State::Over) else {
            return;
        };
        let Sagging { turn, got, idle, mut at } = *asked;
        at.tries += 1;
        let again = |at| Sagging { turn, got: got.clone(), idle, at };
        let typed = match super::super::supply::read(text) {
            Err(why) if at.tries < MOST_TRIES => {
                return self.ask_sag(now, again(at), Some(or_skip(&why)));
            }
            Err(_) => None,
            Ok(typed) => typed.map(|loaded| SagByMeter { idle, loaded }),
        };
        let judged = sag::judge(&self.board, self.supply_check(turn, &typed));
        let bad =
            typed.as_ref().map(|t| t.loaded.volts).filter(|_| judged.verdict != Verdict::Pass);
        if bad.is_some_and(|volts| !meter::same_volts(at.doubted, volts)) && at.tries < MOST_TRIES {
            at.doubted = bad;
            let why = format!(
                "{}. Look at the tips and the meter's range, then type what it shows, again if it \
                 is the same",
                judged.reason
            );
            return self.ask_sag(now, again(at), Some(why));
        }
        let sweep = self.loads_off(Sweep::new(), &self.turn(turn).unwrap_or_default());
        self.state = State::Unloading { turn, got: Box::new(got), by_meter: typed, sweep };
        self.go_on(now);
    }

    /// The probe answered while a person measures: one that was reset has switched the loads off.
    pub(super) fn still_on(&mut self, now: Duration, asked: Box<Sagging>, heard: &Got) {
        if self.rebooted(now, heard) {
            return self.load_done(now, asked.turn, asked.got, Read::default(), true);
        }
        let (sweep, next) = (Sweep::new(), now + HEARTBEAT);
        self.state = State::Sagging { asked, sweep, next };
        if let Some(text) = self.typed_ahead.take() {
            self.sag_typed(now, &text);
        }
    }

    /// The loads are off again after a person measured.
    pub(super) fn unloaded(
        &mut self,
        now: Duration,
        turn: usize,
        mut got: Got,
        by_meter: Option<SagByMeter>,
        last: &Got,
    ) {
        let reset = self.rebooted(now, last);
        got.refused.extend(last.refused.clone());
        self.load_done(now, turn, got, Read { by_meter, ..Read::default() }, reset);
    }

    fn supply_check(&self, turn: usize, by_meter: &Option<SagByMeter>) -> SupplyCheck {
        SupplyCheck {
            loads: self.turn(turn).unwrap_or_default(),
            reference: self.reference,
            idle: None,
            step: None,
            loaded: None,
            by_meter: by_meter.clone(),
            verdict: Verdict::NotTested,
            reason: String::new(),
        }
    }

    /// Judges what was read without and with the loads.
    fn load_done(&mut self, now: Duration, turn: usize, mut got: Got, mut read: Read, reset: bool) {
        let refused = got.refused.first().cloned();
        if refused.is_some() {
            // Something was not as asked for while it was read: none of it counts.
            read = Read { idle: read.idle, ..Read::default() };
            got.channels.clear();
        }
        let at = self.at();
        let mut check = SupplyCheck {
            idle: read.idle,
            step: read.step,
            loaded: read.loaded,
            reason: refused.or_else(|| self.no_supply()).unwrap_or_default(),
            ..self.supply_check(turn, &read.by_meter)
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
        let why = self.board.no_supply_reading()?;
        Some(match self.board.supply.by_meter {
            true => "the supply was not measured by meter".to_string(),
            false => {
                format!("{why}, not measured: `by_meter = true` in [supply] has a meter do it")
            }
        })
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
