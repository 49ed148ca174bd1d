//! The procedure at the bench as a state machine.
//!
//! It is told the time and what happened (`handle`), and says what it wants measured, what the
//! operator should be told and when it wants to be woken. It has no clock and touches nothing.
//! `judge` is where a code becomes a verdict; `evidence` is where a move is believed.

pub mod evidence;
pub mod judge;
pub mod procedure;
pub mod reading;
pub mod sag;
pub mod sweep;
mod tally;

use crate::board::{Board, Kind, Place, Reference, Setting};
use crate::window::{Band, Limits};
use std::time::Duration;

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
}

/// Why no probe can read this board as its product does, or `None` when one can.
pub fn no_probe(board: &Board) -> Option<String> {
    let part = &board.chip.part;
    if !board.chip.probe {
        return Some(format!(
            "there is no probe for the {part} yet, so nothing can be read from it; `windows` works \
             with it"
        ));
    }
    let reference = board.firmware.reference;
    let against = match reference {
        Reference::Supply => return None,
        Reference::Internal(_) | Reference::External(..) => reference.word(),
    };
    Some(format!(
        "the probe reads against the supply and the product against its {against} reference, so \
         their codes differ and nothing can be judged yet; `windows` works with it"
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
    (!right).then(|| {
        format!(
            "'{}' is not the probe for the {part}: flash bench-scripts/probe/image onto the board \
             with bench-scripts/probe/flash",
            info.model
        )
    })
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

/// Something that the bench wants from the probe. One is outstanding at a time.
#[derive(Clone, Debug, PartialEq)]
pub enum Ask {
    /// Who is there: chip, version, identity, boot.
    Who,
    /// Name the pins that may be driven, each with its off level, and drive them off.
    Prepare,
    /// Boot count, reset cause and time since the boot.
    Boot,
    /// Who is there, where it may be nobody.
    Return,
    /// A burst of conversions of an analog channel.
    Burst {
        /// Channel index.
        channel: usize,
        /// Conversions.
        n: u16,
        /// Whether the pin's pull-up is on.
        pull_up: bool,
        /// Conversions thrown away first.
        discard: u16,
        /// Wait before the first conversion, in microseconds.
        settle_us: u32,
    },
    /// A burst of an analog channel as the product takes it in its round: the channel before is
    /// converted, then this one at once, with the product's clock, discard and count.
    Product {
        /// Channel index.
        channel: usize,
        /// The channel that the product reads before.
        before: usize,
    },
    /// A number of digital reads of a channel.
    Level {
        /// Channel index.
        channel: usize,
        /// Reads.
        n: u16,
        /// What is done to the pin.
        pull: Pull,
        /// Wait before the first read, or after each discharge, in microseconds.
        settle_us: u32,
    },
    /// Charge sharing: alternate conversions of 0 V and of the pin.
    Charge {
        /// Channel index.
        channel: usize,
        /// Pairs of conversions.
        pairs: u16,
    },
    /// A burst of the internal reference against the supply.
    Supply {
        /// Conversions.
        n: u16,
    },
    /// Close or open a switch of the board.
    Switch {
        /// Switch index.
        switch: usize,
        /// Closed or open.
        on: bool,
    },
    /// Switch a load on or off.
    Load {
        /// Load index.
        load: usize,
        /// On or off.
        on: bool,
    },
    /// Everything off.
    AllOff,
    /// What stands where an identity is written.
    Slots,
    /// Write an identity, from which on boots are counted.
    Own {
        /// Random number, not 0.
        identity: u32,
        /// Serial number of the unit.
        unit: String,
    },
    /// Put back what had stood where the identity was written.
    PutBack(Slots),
}

/// The bytes of the two places of the chip's memory that an identity takes.
pub type Slots = [Vec<u8>; 2];

/// Who the unit on the bench is.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct UnitId {
    /// Serial number.
    pub serial: String,
    /// Number to be written to a chip that has no identity; 0 writes none.
    pub identity: u32,
    /// What an earlier attempt, cut short, found where it wrote its identity.
    pub former: Option<Slots>,
}

/// What is done to a digital pin while it is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pull {
    /// Nothing.
    Off,
    /// Its pull-up is on.
    Up,
    /// It is driven low for some microseconds and let go before each read.
    Discharged,
}

/// What the probe answered.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// To [`Ask::Who`].
    Who(ProbeInfo),
    /// To [`Ask::Return`], from nobody.
    Silent,
    /// To [`Ask::Boot`].
    Boot(Boot),
    /// Done, nothing to say.
    Done,
    /// To a burst.
    Burst(Burst),
    /// To digital reads: how many, and how many were high.
    Level {
        /// Reads.
        n: u32,
        /// Of them high.
        ones: u32,
    },
    /// To [`Ask::Slots`].
    Slots(Slots),
    /// To charge sharing: mean codes of the first and the last conversions of the pin.
    Charge {
        /// Mean of the first.
        first: f64,
        /// Mean of the last.
        last: f64,
    },
    /// The probe refused, in its words.
    Refused(String),
}

/// Who the probe says it is.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct ProbeInfo {
    /// Model, for example `PROBE-ATMEGA328P`.
    pub model: String,
    /// Firmware version.
    pub version: String,
    /// Identity kept on the chip, hex; empty when none has been written.
    pub identity: String,
    /// Unit that the identity was written for; empty when none.
    pub unit: String,
    /// The boot it is in.
    pub boot: Boot,
}

/// One run of the probe since a reset.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Boot {
    /// Boots counted since the identity was written.
    pub count: u32,
    /// Reset cause in the probe's word; `UNKNOWN` is never taken for 'no brown-out'.
    pub cause: String,
    /// Milliseconds since the boot.
    pub uptime_ms: u32,
}

/// The summary of a burst, in codes.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Burst {
    /// Conversions.
    pub n: u32,
    /// Mean.
    pub mean: f64,
    /// Standard deviation (n - 1).
    pub sd: f64,
    /// Lag-1 autocorrelation.
    pub lag1: f64,
    /// Smallest.
    pub min: u16,
    /// Largest.
    pub max: u16,
    /// 1 % quantile.
    pub q01: u16,
    /// 99 % quantile.
    pub q99: u16,
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
    /// Something to record, then to show.
    Event(Event),
}

/// How a move came to be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MovedBy {
    /// A new stable pattern.
    Changed,
    /// The pattern left for the one without a shunt and came back.
    ThroughOpen,
    /// The power was cut for it: silence, then one more boot, and the readings agree.
    PowerCycle,
    /// The operator's key.
    SaidSo,
}

impl MovedBy {
    /// The word for records.
    pub fn word(self) -> &'static str {
        match self {
            MovedBy::Changed => "changed",
            MovedBy::ThroughOpen => "through open",
            MovedBy::PowerCycle => "power cycle",
            MovedBy::SaidSo => "said so",
        }
    }
}

/// Where in the sequence something happened.
#[derive(Clone, Debug, PartialEq)]
pub struct StepAt {
    /// Number of the step, from 0.
    pub step: usize,
    /// How often it has been begun, from 1.
    pub attempt: u32,
    /// The setting asked for.
    pub setting: Setting,
    /// The jumper moved and its place, where one was moved.
    pub moved: Option<(usize, Place)>,
    /// How the move was believed; none while it is not.
    pub moved_by: Option<MovedBy>,
}

/// How a reading was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// Averaged over whole mains periods.
    Mean,
    /// As the product takes it.
    AsProduct,
}

impl Mode {
    /// The word for records.
    pub fn word(self) -> &'static str {
        match self {
            Mode::Mean => "mean",
            Mode::AsProduct => "as_product",
        }
    }
}

/// Whether something drives the pin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Driven {
    /// The pull-up moved it as the circuit predicts.
    ByPullUp,
    /// Charge sharing left it where it was.
    ByCharge,
    /// It came back after a discharge.
    ByDischarge,
    /// Nothing drives it.
    Open,
    /// The pin cannot tell.
    NotShown,
}

impl Driven {
    /// The word for records.
    pub fn word(self) -> &'static str {
        match self {
            Driven::ByPullUp => "pull-up",
            Driven::ByCharge => "charge sharing",
            Driven::ByDischarge => "discharge",
            Driven::Open => "open",
            Driven::NotShown => "not shown",
        }
    }

    /// Whether the pin has been proved to be driven.
    pub fn proved(self) -> bool {
        matches!(self, Driven::ByPullUp | Driven::ByCharge | Driven::ByDischarge)
    }
}

/// A reading judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// Channel index.
    pub channel: usize,
    /// How it was taken.
    pub mode: Mode,
    /// Analog or digital.
    pub kind: Kind,
    /// Whether the pull-up was on.
    pub pull_up: bool,
    /// Switches closed and loads on while it was taken, by name.
    pub on: Vec<String>,
    /// The burst; digital reads are given as a burst of 0 and 1. None when there was no reading.
    pub burst: Option<Burst>,
    /// Code with the pull-up on less code with it off.
    pub pull_up_shift: Option<f64>,
    /// The driven proof.
    pub driven: Driven,
    /// Expanded uncertainty of the mean in codes.
    pub u_code: Option<f64>,
    /// Its coverage factor; see [`judge::coverage`].
    pub k: Option<f64>,
    /// Nominal code.
    pub expected_code: Option<f64>,
    /// Codes of a good unit here and now.
    pub bench_band: Option<Band>,
    /// What the firmware takes as the option.
    pub limits: Option<Limits>,
    /// Where the limits come from.
    pub limit_source: String,
    /// The place that the reading should stand for, `J1=3`; empty for a channel without jumpers.
    pub position: String,
    /// The option that the setting stands for.
    pub option_expected: Option<String>,
    /// The option that this channel's reading stands for; none between windows.
    pub option_read: Option<String>,
    /// From the reading to the nearest threshold, less uncertainty and spread.
    pub margin_code: Option<f64>,
    /// The same in percent: 100 % is the nominal unit, 0 % the limit.
    pub margin_pct: Option<f64>,
    /// What temperature, ageing and sag leave of it.
    pub remaining_code: Option<f64>,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, when it is not a pass.
    pub reason: String,
}

/// A load switched on, and what the supply did.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplyCheck {
    /// Load index.
    pub load: usize,
    /// The internal reference read without load.
    pub idle: Option<Burst>,
    /// The internal reference read on load.
    pub loaded: Option<Burst>,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, when it is not a pass.
    pub reason: String,
}

/// What the operator is asked to do or to answer.
#[derive(Clone, Debug, PartialEq)]
pub enum Prompt {
    /// Read the cautions, fit the dummy loads, press Enter.
    Cautions,
    /// The chip carries the identity of another unit: is it this one all the same?
    OtherUnit {
        /// The serial number that it was written for.
        written: String,
    },
    /// Take every shunt off, press Enter.
    Clear,
    /// Move one shunt.
    Move {
        /// Jumper index.
        jumper: usize,
        /// From here.
        from: Place,
        /// To here.
        to: Place,
        /// Whether the readings can tell; if not, a key is asked for.
        key_needed: bool,
    },
    /// Cut the power, move one shunt, switch the power on.
    MoveUnpowered {
        /// Jumper index.
        jumper: usize,
        /// From here.
        from: Place,
        /// To here.
        to: Place,
    },
    /// The reading is steady and not what was asked for: is the shunt really there?
    Doubt {
        /// Jumper index.
        jumper: usize,
        /// Where it should be.
        asked: Place,
        /// Where it reads as being, if anywhere.
        reads_as: Option<Place>,
    },
    /// The contact does not come to rest.
    Unstable {
        /// Jumper index.
        jumper: usize,
    },
    /// A question of the board file.
    Question {
        /// Question index.
        question: usize,
    },
    /// The last step: nothing to move, hands off.
    HandsOff,
}

/// Something that happened, to be recorded and then shown.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// The probe answered and is the right one.
    Probe(ProbeInfo),
    /// What the sequence shows of the modelled defects, and what not.
    Covers {
        /// Defects that it shows.
        shown: usize,
        /// Each of the others, with what shows it.
        unseen: Vec<(String, String)>,
    },
    /// What stood where an identity is about to be written; to be put back at the end.
    Kept(Slots),
    /// It has been put back.
    PutBack,
    /// The chip keeps no identity, with the reason; resets are found by its clock alone.
    NoIdentity(String),
    /// The operator is asked for something.
    Prompt {
        /// Where in the sequence.
        at: StepAt,
        /// How many steps there are.
        steps: usize,
        /// What is asked.
        prompt: Prompt,
    },
    /// A picture of the live readings; never recorded, never judged.
    Live(Vec<Live>),
    /// The move was believed.
    Moved(StepAt),
    /// A reading was judged.
    Check {
        /// Where in the sequence.
        at: StepAt,
        /// The reading and its verdict.
        check: Check,
    },
    /// A load was tried.
    Supply {
        /// Where in the sequence.
        at: StepAt,
        /// What the supply did.
        check: SupplyCheck,
    },
    /// A question was answered.
    Answered {
        /// Where in the sequence.
        at: StepAt,
        /// Question index.
        question: usize,
        /// The answer.
        yes: bool,
        /// The verdict.
        verdict: Verdict,
    },
    /// The probe has been reset: from here on rows belong to this boot.
    Rebooted(Boot),
    /// The probe was reset in a step: its readings are void, it is done again.
    Voided {
        /// Where in the sequence.
        at: StepAt,
        /// Why, in words.
        why: String,
    },
    /// The run is over.
    Finished(Summary),
}

/// One channel of the live picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Live {
    /// Channel index.
    pub channel: usize,
    /// Code, or 0 and 1 for digital channels.
    pub code: f64,
    /// Whether the pin looks open.
    pub open: bool,
}

/// How the run ended.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// The unit's verdict.
    pub verdict: UnitVerdict,
    /// Why it is not a pass, worst first.
    pub reasons: Vec<String>,
    /// The checks that did not pass, worst first, in few letters: `PROFILE J1=3`.
    pub failing: Vec<String>,
    /// The option reading with the smallest remaining margin.
    pub worst: Option<Worst>,
    /// Largest sag as a share of the supply, and the load.
    pub sag: Option<(usize, f64)>,
    /// Checks judged.
    pub checks: usize,
    /// Modelled defects that no reading of the sequence is sure to show.
    pub unseen: usize,
    /// How the run was cut short, where it was.
    pub cut: Option<Cut>,
    /// Time from start to end.
    pub took: Duration,
}

/// Why a run ended before its last step.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cut {
    /// The probe went away or is not the right one.
    Probe(String),
    /// The operator stopped it.
    Stopped,
    /// Standard input ended, so nobody could answer any more.
    NoKeys,
}

/// The tightest reading of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct Worst {
    /// Channel index.
    pub channel: usize,
    /// The place that it stands for, `J1=3`.
    pub position: String,
    /// The setting in which it was read.
    pub setting: Setting,
    /// Margin in codes.
    pub margin_code: f64,
    /// Margin in percent of the nominal unit's.
    pub margin_pct: f64,
    /// Remaining margin in codes.
    pub remaining_code: f64,
    /// What this reading was judged.
    pub verdict: Verdict,
}
