//! What the probe answers, and what becomes of a sweep that has been worked off.

use super::*;

impl Bench {
    /// Asks what the sweep in hand wants next, or takes what it has read.
    pub(super) fn go_on(&mut self, now: Duration) {
        let Some(sweep) = self.state.sweep() else { return };
        match sweep.next() {
            Some(ask) => self.ask(ask),
            None => self.swept(now),
        }
    }

    pub(super) fn answer(&mut self, now: Duration, answer: Answer) {
        if self.asks_who_is_there() {
            return match std::mem::replace(&mut self.state, State::Over) {
                State::Keeping { found } => self.kept(now, answer, found),
                State::Owning { found } => self.owned(now, answer, found),
                State::Renaming { found } => self.renamed(now, answer, found),
                State::Fuses => self.fuses_read(now, answer),
                State::PuttingBack { cut } => self.was_put_back(now, answer, cut),
                State::Cycling { silent, .. } => self.called(now, answer, silent),
                _ => self.greeted(now, answer),
            };
        }
        if let State::Ending { cut, asked } = &mut self.state {
            let cut = cut.take();
            return if *asked { self.put_back(now, cut) } else { self.end(cut, false) };
        }
        let Some(sweep) = self.state.sweep() else { return };
        sweep.answer(answer);
        self.go_on(now);
    }

    fn asks_who_is_there(&self) -> bool {
        matches!(
            self.state,
            State::Greeting
                | State::Keeping { .. }
                | State::Owning { .. }
                | State::Renaming { .. }
                | State::Fuses
                | State::PuttingBack { .. }
                | State::Cycling { .. }
        )
    }

    /// A sweep has been worked off.
    fn swept(&mut self, now: Duration) {
        let state = std::mem::replace(&mut self.state, State::Over);
        match state {
            State::Preparing { sweep, then } => self.prepared(now, &sweep, then),
            State::Supplying { sweep, by, asked } => {
                self.supply_read(now, sweep.got(), by, asked);
            }
            State::OnPurpose { turn, deed, sweep } => {
                self.looked_at_deed(now, turn, deed, sweep.got());
            }
            State::Resuming { sweep, patterns } => {
                self.looked_as_it_was(now, sweep.got(), &patterns);
            }
            State::Moving { watch, sweep: Some(sweep), .. } => {
                self.glanced(now, watch, sweep.got());
            }
            State::Measuring { sweep, first, rounds } => {
                self.measured(now, sweep.got().clone(), first, rounds);
            }
            State::Asking { question, left, sweep, next } => {
                let heartbeat = sweep.got().boot.is_some();
                let got = sweep.got().clone();
                let reset = heartbeat && self.rebooted(now, &got);
                self.state = State::Asking { question, left, sweep, next };
                if reset {
                    self.void_by_reset(now);
                } else if !heartbeat {
                    // Asked only now that the switches are closed: there is something to see.
                    self.prompt(Prompt::Question { question });
                }
            }
            State::Answering { question, yes, left, sweep } => {
                // Of a probe that was reset nobody knows what the operator saw.
                if self.rebooted(now, sweep.got()) {
                    return self.void_by_reset(now);
                }
                // Nor of what had gone off by itself before the answer.
                if let Some(refused) = sweep.got().refused.first() {
                    let why = format!("the question was not seen to its end: {refused}");
                    return self.void(now, &why);
                }
                self.count_answer(question, yes);
                self.ask_next_question(now, left);
            }
            State::Presence { sweep } => self.present(now, sweep.got()),
            State::Idling { turn, sweep } => self.idled(now, turn, sweep.got()),
            State::Switching { turn, sweep, idle } => {
                self.switched(now, turn, sweep.got(), idle);
            }
            State::Loading { turn, sweep, idle, step } => {
                self.loaded(now, turn, sweep.got().clone(), idle, step);
            }
            State::Sagging { asked, sweep, .. } => self.still_on(now, asked, sweep.got()),
            State::Unloading { turn, got, by_meter, sweep } => {
                self.unloaded(now, turn, *got, by_meter, sweep.got());
            }
            other => self.state = other,
        }
    }

    pub(super) fn prepare(&mut self, now: Duration, then: After) {
        let sweep = Sweep::new().ask(Ask::Prepare, Keep::No).ask(Ask::Boot, Keep::Boot);
        self.state = State::Preparing { sweep, then };
        self.go_on(now);
    }

    fn prepared(&mut self, now: Duration, sweep: &Sweep, then: After) {
        if let Some(refused) = sweep.got().refused.first() {
            let why = format!("the probe refused the board file's pins: {refused}");
            return self.close(now, Some(Cut::Probe(why)));
        }
        if then != After::Cautions {
            // A second reset right away is found by the next look.
            self.take_boot(now, sweep.got().boot.clone());
        } else {
            self.rebooted(now, sweep.got());
        }
        match then {
            // They were told before the meter came out.
            After::Cautions if self.metered() => self.begin_supply(now),
            After::Cautions => self.wait_for_key(Prompt::Cautions),
            After::Supply => self.begin_supply(now),
            After::Step => self.begin_step(now),
            After::Powered => self.powered(now),
            After::Load(turn) => self.begin_load(now, turn),
        }
    }
}
