//! One step: a move led through and believed, its channels measured and judged.

use super::super::evidence::{Sight, Telling};
use super::super::{Mode, judge, shape};
use super::*;
use crate::board::Setting;

impl Bench {
    pub(super) fn begin_step(&mut self, now: Duration) {
        self.moved_by = None;
        let step = self.walk.steps[self.step].clone();
        let Some(made) = step.made else {
            return match self.step {
                0 => self.begin(now, step.setting),
                _ => {
                    self.prompt(Prompt::HandsOff);
                    self.measure(now);
                }
            };
        };
        if self.board.jumpers[made.jumper].power {
            return self.cycle_power(now, made);
        }
        let watch = self.watch(&step.setting, made);
        self.ask_to_move(made, watch.telling());
        self.state = State::Moving { watch: Box::new(watch), sweep: None, next: now };
    }

    /// The shunts as the sequence begins, or as an earlier attempt left them.
    fn begin(&mut self, now: Duration, to: Setting) {
        if self.ask_to_resume() {
            return;
        }
        match self.at_base {
            // They were put so before the power was switched on.
            true => self.moved(now, MovedBy::SaidSo),
            false => self.wait_for_key(Prompt::Clear { to }),
        }
    }

    pub(super) fn watch(&mut self, to: &Setting, made: Move) -> Watch {
        self.glance.fill(Shape::Unknown);
        let still = self.config.still;
        let watch = Watch::new(&self.board, &self.windows, to, made, &self.last, still);
        if self.attempt > 1 { watch.once_more() } else { watch }
    }

    fn ask_to_move(&mut self, made: Move, telling: Telling) {
        let (jumper, from, to) = (made.jumper, made.from, made.to);
        self.prompt(Prompt::Move { jumper, from, to, key_needed: telling == Telling::Key });
    }

    pub(super) fn glanced(&mut self, now: Duration, mut watch: Box<Watch>, got: &Got) {
        if self.rebooted(now, got) {
            return self.void_by_reset(now);
        }
        if !got.channels.is_empty() {
            // The hand is led by its own readings, not by those beside them.
            let own = self.board.sees(watch.jumper());
            let mut live = shape::live(&self.board, &self.windows, got);
            live.retain(|l| own.contains(&l.channel));
            self.tell(Event::Live(live));
        }
        let jumper = watch.jumper();
        let next = now + self.config.pause;
        self.glance = shape::seen_shapes(&self.board, &self.windows, got);
        match watch.look(now, &self.board, &self.windows, got) {
            Sight::Believed(by) => return self.moved(now, by),
            Sight::Doubt(reads_as) => {
                let step = &self.walk.steps[self.step];
                let asked = step.setting.0[jumper];
                self.prompt(Prompt::Doubt { jumper, asked, reads_as });
            }
            Sight::Unstable => self.prompt(Prompt::Unstable { jumper }),
            Sight::Strayed(channel) => {
                let asked = self.walk.steps[self.step].setting.0[jumper];
                self.prompt(Prompt::Strayed { jumper, asked, channel });
            }
            Sight::Wait => {}
        }
        self.state = State::Moving { watch, sweep: None, next };
    }

    pub(super) fn moved(&mut self, now: Duration, by: MovedBy) {
        self.moved_by = Some(by);
        let at = self.at();
        self.tell(Event::Moved(at));
        self.measure(now);
    }

    /// The operator says that the shunt is there. A reading that stood there before the move, or that
    /// changed with it and should not have, shows nothing of this header, whatever is said: the shunt
    /// may sit on another, or a contact close by itself.
    pub(super) fn take_a_word(&mut self, now: Duration, watch: &Watch) {
        let j = &self.board.jumpers[watch.jumper()];
        let place = j.place_name(self.walk.steps[self.step].setting.0[watch.jumper()]);
        let label = format!("{}={place}", j.id);
        let against = match watch.strayed() {
            Some(channel) => {
                let other = &self.board.channels[channel].id;
                Some(format!("{label}: {other} changed with it, and only {} was moved", j.id))
            }
            None => watch.unshown().then(|| {
                format!("{label}: it read so before the move was asked for, nothing shows it")
            }),
        };
        if let Some(reason) = against {
            self.tally.count(Verdict::NotTested, &label, || reason.clone());
        }
        self.moved(now, MovedBy::SaidSo);
    }

    /// The operator says that it is not there, or that another shunt was moved as well.
    pub(super) fn watch_on(&mut self, mut watch: Box<Watch>, next: Duration) {
        let strayed = watch.strayed().is_some();
        watch.go_on();
        if let Some(made) = self.walk.steps[self.step].made.filter(|_| strayed) {
            self.ask_to_move(made, watch.telling());
        }
        self.state = State::Moving { watch, sweep: None, next };
    }

    /// What was looked at is what the next step starts from.
    pub(super) fn keep_glance(&mut self, got: &Got) {
        let seen = shape::seen_shapes(&self.board, &self.windows, got);
        for (last, shape) in self.last.iter_mut().zip(seen) {
            if shape != Shape::Unknown {
                *last = shape;
            }
        }
    }

    /// What stands in this step is what the next one starts from.
    fn keep_shapes(&mut self, got: &Got) {
        let own = self.walk.steps[self.step].made.map_or(&[][..], |m| self.board.sees(m.jumper));
        let measured = shape::seen_shapes(&self.board, &self.windows, got);
        for (channel, last) in self.last.iter_mut().enumerate() {
            let glanced = self.glance[channel];
            match measured[channel] {
                Shape::Unknown if own.contains(&channel) && glanced != Shape::Unknown => {
                    *last = glanced;
                }
                Shape::Unknown => {}
                shape => *last = shape,
            }
        }
    }

    /// Channels that a step must judge. A setting that stands for no option is not judged.
    pub(super) fn channels(&self) -> Vec<usize> {
        let step = &self.walk.steps[self.step];
        let channels = step.reads.iter().copied();
        let stands =
            |&c: &usize| self.windows.channels[c].class_of_setting(&step.setting).is_some();
        channels.filter(stands).collect()
    }

    fn measure(&mut self, now: Duration) {
        let mut sweep = Sweep::new();
        let judged = self.channels();
        for &channel in &judged {
            sweep = sweep.measure(&self.board, channel);
        }
        // What the first moves start from is to be known, whether it stands for an option or not.
        if self.step == 0 {
            let moved = |&c: &usize| self.board.is_moved(c) && !judged.contains(&c);
            for channel in (0..self.board.channels.len()).filter(moved) {
                sweep = sweep.glance(&self.board, channel);
            }
        }
        let sweep = sweep.ask(Ask::Boot, Keep::Boot);
        self.state = State::Measuring { sweep, first: Got::default(), rounds: 0 };
        self.go_on(now);
    }

    pub(super) fn judge(&self, got: &Got, channel: usize, on: &[String]) -> Vec<Check> {
        let setting = &self.walk.steps[self.step.min(self.walk.steps.len() - 1)].setting;
        let readings = got.channels.get(&channel).cloned().unwrap_or_default();
        let expected = self.board.expect(setting, channel);
        judge::against(&self.board, &self.windows, setting, channel, on, &readings, &expected)
    }

    pub(super) fn closed_for(&self, channel: usize) -> Vec<String> {
        let closes = &self.board.channels[channel].closes;
        closes.iter().map(|&s| self.board.switches[s].id.clone()).collect()
    }

    pub(super) fn measured(&mut self, now: Duration, got: Got, first: Got, rounds: u8) {
        if self.rebooted(now, &got) {
            return self.void_by_reset(now);
        }
        let got = if rounds == 0 { got } else { self.worse(first, got) };
        if rounds < 2 {
            let near: Vec<usize> =
                self.channels().into_iter().filter(|&c| self.near(&got, c)).collect();
            if !near.is_empty() {
                let mut sweep = Sweep::new();
                for channel in near {
                    sweep = sweep.again(&self.board, channel);
                }
                let sweep = sweep.ask(Ask::Boot, Keep::Boot);
                self.state = State::Measuring { sweep, first: got, rounds: rounds + 1 };
                return self.go_on(now);
            }
        }
        for refused in &got.refused {
            self.tally.count(Verdict::NotTested, "probe", || refused.clone());
        }
        self.tell_checks(&got);
        self.keep_shapes(&got);
        self.proofs = got.channels;
        let holds = |(i, q): (usize, &crate::board::Question)| {
            let setting = &self.walk.steps[self.step].setting;
            let now = !self.asked[i] && q.when.iter().all(|&(j, p)| setting.0[j] == p);
            now.then_some(i)
        };
        let left = self.board.questions.iter().enumerate().filter_map(holds).collect();
        self.ask_next_question(now, left);
    }

    /// Whether a channel's reading lies so near a limit that two more bursts are wanted.
    fn near(&self, got: &Got, channel: usize) -> bool {
        self.judge(got, channel, &[]).iter().any(|c| {
            c.mode == Mode::Mean
                && c.margin_code.zip(c.u_code).is_some_and(|(m, u)| m.abs() < judge::NEAR * u)
        })
    }

    /// The readings with, for each channel, the burst that leaves the smaller margin.
    fn worse(&self, mut first: Got, again: Got) -> Got {
        for (channel, readings) in again.channels {
            let mut second = first.clone();
            second.channels.entry(channel).or_default().mean = readings.mean;
            let margin = |got: &Got| {
                let checks = self.judge(got, channel, &[]);
                checks.first().and_then(|c| c.margin_code).unwrap_or(f64::NEG_INFINITY)
            };
            if margin(&second) < margin(&first) {
                first = second;
            }
        }
        first
    }

    fn tell_checks(&mut self, got: &Got) {
        let at = self.at();
        let setting = at.setting.clone();
        for channel in self.channels() {
            let on = self.closed_for(channel);
            for check in self.judge(got, channel, &on) {
                self.tell_check(&at, check);
            }
            let rests = !on.is_empty() && self.board.channels[channel].kind == Kind::Analog;
            if rests {
                let burst = got.rest.get(&channel).copied();
                let expected = self.board.expect_at_rest(&setting, channel);
                let check = judge::at_rest_against(&self.board, channel, burst, &expected);
                self.tell_check(&at, check);
            }
        }
    }

    pub(super) fn tell_check(&mut self, at: &StepAt, check: Check) {
        self.tally.check(&self.board, at, &check);
        self.tell(Event::Check { at: at.clone(), check });
    }
}
