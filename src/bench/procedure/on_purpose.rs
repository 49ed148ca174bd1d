//! Faults made on purpose on a unit that is known to be good: does this bench call them?
//!
//! After the last step a shunt is left off, then one is put a place along. Each must fail the
//! delivery setting, and be called by name; put right, each must read as before.

use super::super::evidence::Watch;
use super::super::shape;
use super::*;
use crate::board::{Place, Setting};

/// A shunt moved on purpose, or put right again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Deed {
    jumper: usize,
    to: Place,
    wrong: bool,
}

impl Bench {
    /// The deeds, in order: a shunt left off, one a place along, each put right again. A jumper
    /// serves whose readings name the place that its shunt is at.
    fn deeds(&self) -> Vec<Deed> {
        let delivered = self.delivered();
        let mut deeds = Vec::new();
        let mut made = |wrong: &dyn Fn(usize) -> Vec<Place>| {
            let jumpers = (0..self.board.jumpers.len()).filter(|&j| !self.board.jumpers[j].power);
            let places = jumpers.flat_map(|j| wrong(j).into_iter().map(move |p| (j, p)));
            let named = |&(j, p): &(usize, Place)| self.names(&delivered, j, p);
            if let Some((jumper, to)) = places.into_iter().find(named) {
                deeds.push(Deed { jumper, to, wrong: true });
                deeds.push(Deed { jumper, to: delivered.0[jumper], wrong: false });
            }
        };
        made(&|j| match delivered.0[j] {
            Place::At(_) => vec![Place::Open],
            Place::Open => Vec::new(),
        });
        made(&|j| match delivered.0[j] {
            Place::At(at) => {
                let count = self.board.jumpers[j].positions.len();
                let along = [at.checked_add(1), at.checked_sub(1)].into_iter().flatten();
                along.filter(|&p| p < count).map(Place::At).collect()
            }
            Place::Open => Vec::new(),
        });
        deeds
    }

    fn delivered(&self) -> Setting {
        self.walk.steps.last().map_or(self.board.delivery.clone(), |step| step.setting.clone())
    }

    /// Whether the readings of a good unit name this place of a jumper, the others as delivered.
    fn names(&self, delivered: &Setting, jumper: usize, place: Place) -> bool {
        let channels = self.board.sees(jumper);
        let expect = |setting: &Setting, channel| self.board.expect(setting, channel);
        let shown = |p: Place| {
            let setting = delivered.with(jumper, p);
            shape::shapes(&self.board, &self.windows, &expect, &setting, channels)
        };
        let (is, wrong) = (shown(delivered.0[jumper]), shown(place));
        wrong != is && self.watch_of(delivered, jumper).reads_as(&wrong) == Some(place)
    }

    fn watch_of(&self, delivered: &Setting, jumper: usize) -> Watch {
        let place = delivered.0[jumper];
        let made = Move { jumper, from: place, to: place };
        Watch::new(&self.board, &self.windows, delivered, made, &self.last, self.config.still)
    }

    /// After the loads: the next deed, or the end.
    pub(super) fn begin_deed(&mut self, turn: usize) {
        let deeds = self.deeds();
        match deeds.get(turn) {
            Some(&Deed { jumper, to, wrong }) => {
                self.wait_for_key(Prompt::OnPurpose { turn, jumper, to, wrong });
            }
            None => {
                if deeds.iter().filter(|deed| deed.wrong).count() < 2 {
                    let reason = "faults on purpose: no jumper of this board names both a shunt \
                                  left off and one a place along";
                    self.tally.count(Verdict::NotTested, "on purpose", || reason.to_string());
                }
                self.end(None, false);
            }
        }
    }

    /// The operator says that it is done: what do the readings say?
    pub(super) fn look_at_deed(&mut self, now: Duration, turn: usize) {
        let Some(&deed) = self.deeds().get(turn) else { return self.end(None, false) };
        let board = self.board.clone();
        let mut sweep = Sweep::new();
        for &channel in board.sees(deed.jumper) {
            sweep = sweep.measure(&board, channel);
        }
        let sweep = sweep.ask(Ask::Boot, Keep::Boot);
        self.state = State::OnPurpose { turn, deed, sweep };
        self.go_on(now);
    }

    pub(super) fn looked_at_deed(&mut self, now: Duration, turn: usize, deed: Deed, got: &Got) {
        if self.rebooted(now, got) {
            let why = format!("the probe was reset ({})", self.reset_cause());
            if self.attempt >= MOST_ATTEMPTS {
                return self.end(Some(Cut::Probe(format!("{why}: {STEADY_FIRST}"))), false);
            }
            let at = self.at();
            self.tell(Event::Voided { at, why: format!("{why}; it is read again") });
            self.attempt += 1;
            return self.begin_deed(turn);
        }
        self.attempt = 1;
        let Deed { jumper, to, wrong } = deed;
        let delivered = self.delivered();
        let mut seen = shape::seen_shapes(&self.board, &self.windows, got);
        let own = self.board.sees(jumper);
        for (channel, shape) in seen.iter_mut().enumerate() {
            if !own.contains(&channel) {
                *shape = Shape::Unknown;
            }
        }
        let read = self.watch_of(&delivered, jumper).reads_as(&seen);
        // Judged as the delivery setting, which it should not pass for.
        let passes = own.iter().all(|&channel| {
            self.judge(got, channel, &self.closed_for(channel))
                .iter()
                .all(|check| check.verdict == Verdict::Pass)
        });
        let j = &self.board.jumpers[jumper];
        let reads = read.map_or("no position", |p| j.place_name(p));
        let (id, place) = (&j.id, j.place_name(to));
        let reason = match (wrong, passes) {
            (true, true) => format!("{id} was put on {place} on purpose, and passed"),
            _ if read != Some(to) => format!("{id} was put on {place}, and reads as {reads}"),
            (false, false) => format!("{id} was put right, and does not pass"),
            _ => String::new(),
        };
        let verdict = if reason.is_empty() { Verdict::Pass } else { Verdict::Fail };
        let label = format!("{id}={place} on purpose");
        self.tally.count(verdict, &label, || reason.clone());
        self.tell(Event::OnPurpose { jumper, place: to, wrong, read, verdict, reason });
        self.begin_deed(turn + 1);
    }
}
