//! The procedure at the bench as a state machine.
//!
//! It is told the time and what happened (`handle`), and says what it wants measured, what the
//! operator should be told and when it wants to be woken. It has no clock and touches nothing.
//! `judge` is where a code becomes a verdict; `evidence` is where a move is
//! believed, by what the channels look like (`shape`), also those that it has no part in (`beside`).

mod ask;
mod beside;
pub mod command;
mod design;
mod event;
pub mod evidence;
pub mod judge;
pub mod meter;
mod otherwise;
pub mod procedure;
pub mod reading;
pub mod resume;
pub mod sag;
pub mod sampling;
pub mod shape;
pub mod showing;
pub mod supply;
pub mod sweep;
mod tally;
mod visit;
pub mod watching;

use crate::board::chip::Probe;
use crate::board::{Board, Reference, Task};
use crate::walk::meter as stops;
use std::time::Duration;

pub use ask::{Answer, Ask, Boot, Burst, Presence, ProbeInfo, Pull, Retest, Slots, UnitId};
pub use design::Design;
pub use event::{
    Check, Cut, Driven, Event, LargestSag, Live, Mode, MovedBy, Prompt, Rule, SagByMeter, Shunts,
    StepAt, Summary, SupplyCheck, SwitchedOn, TypedIn, Worst,
};
pub use otherwise::{Otherwise, otherwise};
pub use procedure::{Bench, Config};

/// A state machine that is told what happened and says what it wants done.
pub trait Procedure {
    /// Tells it what happened at `now`; it says what it wants done, in order.
    fn handle(&mut self, now: Duration, input: Input) -> Vec<Output>;

    /// When it wants to be told the time, if nothing happens before.
    fn wake_at(&self) -> Option<Duration>;

    /// Whether it is over.
    fn over(&self) -> bool;

    /// Whether the probe may be silent or unplugged just now: the operator was asked to cut its
    /// power.
    fn may_be_silent(&self) -> bool {
        false
    }

    /// Whether a line is to be typed, and keys are its letters.
    fn wants_text(&self) -> bool {
        false
    }

    /// Whether a key answers what was asked last: that something is done, or yes or no.
    fn wants_key(&self) -> bool {
        false
    }

    /// Somebody noted something, at whatever prompt.
    fn remark(&mut self, now: Duration, text: &str) -> Vec<Output> {
        let _ = (now, text);
        Vec::new()
    }

    /// A letter was typed, which only a live view has a use for.
    fn letter(&mut self, now: Duration, letter: char) -> Vec<Output> {
        let _ = (now, letter);
        Vec::new()
    }

    /// The port has gone away while that may happen. An ask under way is answered with silence
    /// next, so nothing new is asked before.
    fn gone(&mut self, now: Duration, why: &str) -> Vec<Output> {
        let _ = (now, why);
        Vec::new()
    }
}

/// Why no probe can read this board as its product does, or `None` when one can or none is needed.
pub fn no_probe(board: &Board) -> Option<String> {
    if !stops::needs_power(board) {
        return None;
    }
    let part = &board.chip.part;
    if board.chip.probe == Probe::None {
        return Some(format!(
            "there is no probe for the {part} yet, so nothing can be read from it; `windows` works \
             with it"
        ));
    }
    let reference = board.firmware.reference;
    let why = match reference {
        Reference::Supply => return None,
        // Of several internal ones the probe selects the usual one.
        Reference::Internal(i) if board.chip.internal.first() != Some(&i) => {
            format!("its internal reference of {}", i.typical)
        }
        Reference::Internal(_) | Reference::External(..) if board.chip.ground_input => return None,
        Reference::Internal(_) | Reference::External(..) => {
            format!("its {} reference", reference.word())
        }
    };
    Some(format!(
        "the probe of the {part} cannot read against {why} as the product does, so nothing can be \
         judged; `windows` works with it"
    ))
}

/// Why what answered is not the probe for this board, or `None` when it is.
fn probe_problem(board: &Board, answer: &Answer) -> Option<String> {
    if let Some(why) = no_probe(board) {
        return Some(why);
    }
    let Answer::Who(info) = answer else {
        return Some("what answers there did not say who it is".into());
    };
    let part = &board.chip.part;
    let right = info.model.to_ascii_uppercase().ends_with(&part.to_ascii_uppercase());
    let way = match board.chip.probe {
        Probe::Sketch => {
            "upload the sketch that `bench-scripts/probe/build --sketch` puts together"
        }
        Probe::Image | Probe::None => {
            "flash bench-scripts/probe/image onto the board with bench-scripts/probe/flash"
        }
    };
    (!right).then(|| format!("'{}' is not the probe for the {part}: {way}", info.model))
}

/// What a check came to. Ordered from best to worst, so that the worst is the maximum.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    /// Reads right, with margin, and looks like a good unit.
    Pass,
    /// Reads right, but lies outside what a good unit shows here and now.
    Marginal,
    /// No valid reading.
    NotTested,
    /// The firmware reads, or might read, another option or none.
    Fail,
}

impl Verdict {
    /// The word for records and screens.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Pass => "pass",
            Verdict::Marginal => "marginal",
            Verdict::NotTested => "not tested",
            Verdict::Fail => "fail",
        }
    }
}

/// What a unit came to: the worst of its required checks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum UnitVerdict {
    /// Every required check passed.
    Pass,
    /// A check was marginal: leaves only by a named person's release.
    Hold,
    /// Something was not tested.
    Incomplete,
    /// A check failed.
    Fail,
}

impl UnitVerdict {
    /// The word for records and screens.
    pub fn word(self) -> &'static str {
        match self {
            UnitVerdict::Pass => "PASS",
            UnitVerdict::Hold => "HOLD",
            UnitVerdict::Incomplete => "INCOMPLETE",
            UnitVerdict::Fail => "FAIL",
        }
    }

    /// The verdict that the worst check makes.
    pub fn of(worst: Verdict) -> UnitVerdict {
        match worst {
            Verdict::Pass => UnitVerdict::Pass,
            Verdict::Marginal => UnitVerdict::Hold,
            Verdict::NotTested => UnitVerdict::Incomplete,
            Verdict::Fail => UnitVerdict::Fail,
        }
    }
}

/// A key of the operator: three answer everything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Key {
    /// Enter: yes, done, go on.
    Yes,
    /// Space: no.
    No,
    /// Backspace: again.
    Again,
}

/// What happened, told to the bench.
#[derive(Clone, Debug, PartialEq)]
pub enum Input {
    /// Begin.
    Start,
    /// The probe answered what was asked.
    Answer(Answer),
    /// The operator pressed a key.
    Key(Key),
    /// The operator typed a line, where one was asked for.
    Typed(String),
    /// A command that was asked for has been run, or could not be.
    Ran(command::Ran),
    /// Nothing happened, but it is the time that `wake_at` named.
    Tick,
    /// The probe is gone, with the reason in words.
    Lost(String),
    /// The operator wants to stop.
    Stop,
    /// Nobody can press a key any more.
    NoKeys,
}

/// What the bench wants done, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// Ask the probe.
    Ask(Ask),
    /// Run a command of the maker's.
    Run(Task),
    /// Something to record, then to show.
    Event(Event),
}
