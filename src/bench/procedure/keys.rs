//! What a key of the operator does, state by state.

use super::*;

impl Bench {
    pub(super) fn key(&mut self, now: Duration, key: Key) {
        if self.waiting {
            // Only these two wait for a key while they ask the probe.
            if matches!(self.state, State::Moving { .. } | State::Asking { .. }) {
                self.keyed = Some(key);
            }
            return;
        }
        let state = std::mem::replace(&mut self.state, State::Over);
        match (state, key) {
            (State::Ready { prompt: Prompt::Cautions }, Key::Yes) => match self.metered() {
                true => self.begin_meter(),
                false => self.begin_supply(now),
            },
            (State::Ready { prompt: Prompt::PowerOn { .. } }, Key::Yes) => self.greet(),
            (State::Ready { prompt: Prompt::FlashProbe { .. } }, Key::Yes) => self.flash_probe(),
            (State::Ready { prompt: Prompt::FlashProbe { why } }, Key::No) => {
                self.finish(now, Some(Cut::Probe(why)));
            }
            (State::Ready { prompt: Prompt::Report { expected } }, Key::Yes | Key::No) => {
                self.said_of_report(now, expected, key == Key::Yes);
            }
            (State::Ready { prompt: Prompt::OtherUnit { .. } }, Key::Yes) => {
                self.look_at_fuses(now);
            }
            (State::Ready { prompt: Prompt::OtherUnit { written } }, Key::No) => {
                self.not_this_unit(&written);
            }
            (State::Ready { prompt: Prompt::OnPurpose { turn, .. } }, Key::Yes) => {
                self.look_at_deed(now, turn);
            }
            (State::Ready { prompt: Prompt::AsItWas { .. } }, Key::Yes) => self.look_as_it_was(now),
            (State::Ready { prompt: Prompt::AsItWas { .. } }, Key::No) => {
                self.start_anew("the operator wants it so");
                self.begin_step(now);
            }
            (State::Ready { .. }, Key::Yes) => self.moved(now, MovedBy::SaidSo),
            // Where the readings can tell, a word is taken only when it was asked for.
            // It is never more than a word: a reading that shows what was asked for needs none.
            (State::Moving { watch, .. }, Key::Yes) if watch.takes_a_word() => {
                self.take_a_word(now, &watch);
            }
            (State::Moving { watch, next, .. }, Key::No | Key::Again) => {
                self.watch_on(watch, next);
            }
            (State::Asking { question, left, .. }, Key::Yes | Key::No) => {
                self.answered(now, question, key == Key::Yes, left);
            }
            (other, _) => self.state = other,
        }
    }
}
