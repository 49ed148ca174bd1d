//! Before the power: a person measures with a meter and types what it shows.
//!
//! The probe is silent meanwhile. What is expected is not shown before the value has been typed, so
//! that nobody copies it. A value that no good unit gives is asked for once more: a letter is easily
//! left out, and the second is judged whatever it is.

use super::super::meter::{self, MOST_TRIES, Said};
use super::*;
use crate::board::Setting;
use crate::units::Ohms;
use crate::walk::meter as stops;

impl Bench {
    /// Whether a person has to measure before the power is on.
    pub(super) fn metered(&self) -> bool {
        !self.walk.metered.is_empty() || self.rails_first()
    }

    /// Whether the unit may have no power, and nobody has looked for its probe yet.
    pub(super) fn before_power(&self) -> bool {
        let waits = matches!(
            self.state,
            State::Ready { .. } | State::Rails { .. } | State::Metering { .. }
        );
        self.metered() && self.boot.is_none() && waits
    }

    pub(super) fn begin_meter(&mut self) {
        if !stops::needs_power(&self.board) {
            self.tell_coverage();
        }
        match self.rails_first() {
            true => self.ask_rails(0, None, None),
            false => self.begin_stops(),
        }
    }

    /// The first value; one that is known already where an earlier attempt is gone on from.
    pub(super) fn begin_stops(&mut self) {
        let at = self.telling_value().map(|at| Metering { known: true, ..self.values()[at] });
        self.ask_meter(at.unwrap_or_default(), None);
    }

    /// Everything that is asked for, in order.
    pub(super) fn values(&self) -> Vec<Metering> {
        let stops = self.walk.metered.iter().enumerate();
        let of = |(stop, channels)| {
            (0..channels).map(move |channel| Metering { stop, channel, ..Metering::default() })
        };
        stops.map(|(stop, s)| (stop, s.channels.len())).flat_map(of).collect()
    }

    /// Asks for a value; the moves only with the first one of a stop.
    pub(super) fn ask_meter(&mut self, at: Metering, refused: Option<String>) {
        let stop = &self.walk.metered[at.stop];
        let count: usize = self.walk.metered.iter().map(|s| s.channels.len()).sum();
        let before: usize = self.walk.metered[..at.stop].iter().map(|s| s.channels.len()).sum();
        let whole = at.stop == 0 || at.known || at.anew;
        let fresh = (at.channel == 0 || at.known || at.anew) && refused.is_none();
        let shunts = match fresh {
            true if whole => Shunts::All(stop.setting.clone()),
            true => Shunts::Moved(stop.moves.clone()),
            false => Shunts::Moved(Vec::new()),
        };
        let known_from = self.earlier.as_ref().filter(|_| at.known).map(|e| e.attempt);
        let channel = stop.channels[at.channel];
        let of = (before + at.channel + 1, count);
        self.state = State::Metering { at };
        self.prompt(Prompt::Meter { channel, shunts, of, known_from, refused });
    }

    /// The operator typed a line.
    pub(super) fn typed(&mut self, now: Duration, text: &str) {
        let mut at = match self.state {
            State::Rails { tries, doubted } => {
                return self.rails_typed(now, tries, doubted, text);
            }
            State::Metering { at } => at,
            _ => return,
        };
        at.tries += 1;
        if at.known {
            return self.typed_again(now, at, text);
        }
        let stop = &self.walk.metered[at.stop];
        let (channel, setting) = (stop.channels[at.channel], stop.setting.clone());
        let judge = |typed| meter::judge(&self.board, &self.windows, &setting, channel, typed);
        let check = match meter::read(text) {
            Err(why) if at.tries < MOST_TRIES => return self.ask_meter(at, Some(why)),
            Err(_) | Ok(Said::Skip) => judge(None),
            Ok(Said::Value(typed)) => judge(Some(typed)),
        };
        let shown = check.typed.as_ref().map(|t| t.ohms);
        let bad = shown.filter(|_| check.verdict != Verdict::Pass);
        let once_more = bad.is_some_and(|ohms| !meter::same(at.doubted, ohms));
        if once_more && at.tries < MOST_TRIES {
            at.doubted = bad;
            let ohms = check.typed.map_or(String::new(), |t| t.ohms.to_string());
            let why = format!(
                "{ohms} is not what a good unit shows here: look at the tips, the shunts and the \
                 meter's range (k, M), then type what it shows, again if it is the same"
            );
            return self.ask_meter(at, Some(why));
        }
        let step = self.at();
        self.tell_check(&step, check);
        let stop = &self.walk.metered[at.stop];
        let next = match at.channel + 1 < stop.channels.len() {
            true => Metering { stop: at.stop, channel: at.channel + 1, ..Metering::default() },
            false => Metering { stop: at.stop + 1, ..Metering::default() },
        };
        let shunts = stop.setting.clone();
        self.next_value(now, next, &shunts);
    }

    /// The value that comes next, the shunts being where they are; the power after the last one.
    pub(super) fn next_value(&mut self, now: Duration, next: Metering, shunts: &Setting) {
        match next.stop < self.walk.metered.len() {
            true => self.ask_meter(next, None),
            false => self.power_on(now, shunts),
        }
    }

    /// Everything is measured, the shunts are like this: now the power, where anything needs it.
    pub(super) fn power_on(&mut self, now: Duration, last: &Setting) {
        if !stops::needs_power(&self.board) {
            return self.close(now, None);
        }
        // Straight to where an earlier attempt is gone on from.
        let resumed = self.to_resume_at();
        self.at_base = resumed.is_none();
        let to = resumed.unwrap_or_else(|| self.walk.steps[0].setting.clone());
        self.wait_for_key(Prompt::PowerOn { moves: stops::moves(last, &to) });
    }

    /// The setting of the stop and on whose word it is so.
    pub(super) fn at_meter(&self, at: Metering) -> StepAt {
        let setting = self.walk.metered[at.stop].setting.clone();
        StepAt { step: 0, attempt: 1, setting, moved: None, moved_by: Some(MovedBy::SaidSo) }
    }
}

/// Which value is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Metering {
    /// Index of the stop.
    pub(super) stop: usize,
    /// Index among its channels.
    pub(super) channel: usize,
    /// Lines typed for it.
    pub(super) tries: u8,
    /// The value that no good unit gives for which it was asked for again.
    pub(super) doubted: Option<Ohms>,
    /// Whether the shunts are elsewhere than after the value before.
    pub(super) anew: bool,
    /// Whether it is known from an earlier attempt and asked for to see that the unit is the same.
    pub(super) known: bool,
}
