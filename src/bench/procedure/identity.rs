//! Who the unit is: a number on its chip, kept there for the run and taken away again.
//!
//! With it the chip counts its boots, and one unit cannot be taken for another. What stood in its
//! place belongs to the product: it is recorded first, and put back at the end.

use super::*;
use crate::faults;

impl Bench {
    pub(super) fn greeted(&mut self, now: Duration, answer: Answer) {
        if let Some(why) = probe_problem(&self.board, &answer) {
            return self.no_probe_there(now, why);
        }
        let Answer::Who(info) = answer else { return };
        self.take_boot(now, Some(info.boot.clone()));
        self.came_with.clone_from(&info.identity);
        if info.identity.is_empty() && self.unit.identity != 0 {
            self.state = State::Keeping { found: info };
            self.ask(Ask::Slots);
        } else {
            self.known(now, info);
        }
    }

    /// What stands in the identity's place has been read.
    pub(super) fn kept(&mut self, now: Duration, answer: Answer, found: ProbeInfo) {
        let Answer::Slots(slots) = answer else { return self.nameless(now, &answer, found) };
        self.tell(Event::Kept(slots.clone()));
        self.unit.former = Some(slots);
        self.state = State::Owning { found };
        self.ask(Ask::Own { identity: self.unit.identity, unit: self.unit.serial.clone() });
    }

    /// The identity has been written.
    pub(super) fn owned(&mut self, now: Duration, answer: Answer, found: ProbeInfo) {
        if answer != Answer::Done {
            return self.nameless(now, &answer, found);
        }
        self.state = State::Renaming { found };
        self.ask(Ask::Who);
    }

    /// Who is there now that it has an identity.
    pub(super) fn renamed(&mut self, now: Duration, answer: Answer, found: ProbeInfo) {
        match answer {
            Answer::Who(info) if !info.identity.is_empty() => {
                self.take_boot(now, Some(info.boot.clone()));
                self.known(now, info);
            }
            other => self.nameless(now, &other, found),
        }
    }

    /// The run goes on without an identity: a reset shows by the chip's clock alone.
    fn nameless(&mut self, now: Duration, answer: &Answer, found: ProbeInfo) {
        let why = match answer {
            Answer::Refused(why) => why.clone(),
            _ => "the probe has none after it was written".to_string(),
        };
        self.tell(Event::NoIdentity(why));
        self.known(now, found);
    }

    fn known(&mut self, now: Duration, info: ProbeInfo) {
        let (written, serial) = (info.unit.clone(), &self.unit.serial);
        let other = !written.is_empty() && !serial.is_empty() && written != *serial;
        self.identity.clone_from(&info.identity);
        self.tell(Event::Probe(info));
        self.tell_coverage();
        match other {
            true => self.wait_for_key(Prompt::OtherUnit { written }),
            false => self.look_at_fuses(now),
        }
    }

    pub(super) fn tell_coverage(&mut self) {
        let coverage = &self.walk.coverage;
        let unseen = coverage.unseen_in_words(&self.board);
        let (shown, of) = (coverage.seen.len(), coverage.seen.len() + coverage.unseen.len());
        let smallest = self.walk.smallest_shown(&self.board, &self.windows).to_vec();
        let never = faults::never_seen(&self.board);
        self.tell(Event::Covers { shown, of, unseen, smallest, never });
    }

    /// The operator says that this is another unit than the one to be tested.
    pub(super) fn not_this_unit(&mut self, written: &str) {
        let why = format!(
            "the chip carries the identity of unit {written}, not of {}: test it as {written}, or \
             plug in the right unit",
            self.unit.serial
        );
        self.unit.former = None;
        self.end(Some(Cut::Probe(why)), false);
    }

    /// Everything is off: what stood in the identity's place is put back, then the run is over.
    pub(super) fn put_back(&mut self, now: Duration, cut: Option<Cut>) {
        match self.unit.former.take() {
            Some(slots) => {
                self.state = State::PuttingBack { cut };
                self.ask(Ask::PutBack(slots));
            }
            None => self.close(now, cut),
        }
    }

    /// It has been put back, or not.
    pub(super) fn was_put_back(&mut self, now: Duration, answer: Answer, cut: Option<Cut>) {
        match answer {
            Answer::Refused(why) => self.tell(Event::NoIdentity(format!(
                "what stood in its place could not be put back ({why}); this record has it"
            ))),
            _ => self.tell(Event::PutBack),
        }
        self.close(now, cut);
    }
}
