//! What happens at the bench: what is asked of the operator, what is read and what it comes to.
//!
//! Events go to the record first, then to the screens.

use super::command::Ran;
use super::supply::{Metered, VoltsCheck};
use super::watching::Watched;
use super::{Boot, Burst, Presence, ProbeInfo, Retest, Slots, UnitVerdict, Verdict};
use crate::board::{Kind, Place, Setting, Task};
use crate::units::{Ohms, Volts};
use crate::walk::Move;
use crate::window::{Band, Limits};
use std::time::Duration;

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
    /// By a person with a meter.
    Meter,
}

impl Mode {
    /// The word for records.
    pub fn word(self) -> &'static str {
        match self {
            Mode::Mean => "mean",
            Mode::AsProduct => "as_product",
            Mode::Meter => "meter",
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

/// What a person read on a meter and typed: evidence of lower rank than the probe's.
#[derive(Clone, Debug, PartialEq)]
pub struct TypedIn {
    /// The text as typed.
    pub text: String,
    /// What it means; infinite is over range.
    pub ohms: Ohms,
}

/// How a reading is held against its limits, so that its verdict carries a known risk.
///
/// Words and risks are those of ILAC-G8:09/2019, 4.2, which ISO/IEC 17025:2017, 7.8.6, asks to be
/// stated with every statement of conformity (both by secondary sources). The specific risk is the
/// chance that what lies on the acceptance limit does not conform; see `tests/bench_judge.rs`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// Accepted within the limits less a guard band of the expanded uncertainty: the risk of
    /// accepting wrongly is under 2.5 %.
    Guarded,
    /// Rejected only beyond the limits by the expanded uncertainty: the risk of rejecting wrongly is
    /// under 2.5 %.
    GuardedRejection,
    /// Accepted within the limits as they are: up to 50 % on the limit itself. Where the limits are
    /// compared with a reading as the firmware takes it, nothing is uncertain.
    Simple,
    /// The same with a value that a person read and typed, evidence of lower rank; its limits hold
    /// the meter's error, but for the voltage of the supply.
    TypedIn,
}

impl Rule {
    /// The words for records.
    pub fn word(self) -> &'static str {
        match self {
            Rule::Guarded => "binary, guard band w = U",
            Rule::GuardedRejection => "binary, guarded rejection w = U",
            Rule::Simple => "binary, simple acceptance w = 0",
            Rule::TypedIn => "binary, simple acceptance w = 0, typed in",
        }
    }
}

/// A reading judged. What is said in codes is in ohms for a channel that is read by meter.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// Channel index.
    pub channel: usize,
    /// How it was taken.
    pub mode: Mode,
    /// Analog, digital or by meter.
    pub kind: Kind,
    /// Whether the pull-up was on.
    pub pull_up: bool,
    /// Switches closed and loads on while it was taken, by name.
    pub on: Vec<String>,
    /// The burst; digital reads are given as a burst of 0 and 1. None when there was no reading.
    pub burst: Option<Burst>,
    /// The decision rule.
    pub rule: Rule,
    /// What was typed of a meter's reading; none when there was none.
    pub typed: Option<TypedIn>,
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
    /// Of a channel read by meter its option, or what is not as delivered.
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

/// Loads switched on together, and what the supply did.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplyCheck {
    /// Load indices: one, or all at once.
    pub loads: Vec<usize>,
    /// The internal reference as a meter has told it; none where it has not.
    pub reference: Option<Volts>,
    /// The internal reference read without load.
    pub idle: Option<Burst>,
    /// The same as they went on.
    pub step: Option<SwitchedOn>,
    /// The internal reference read on load.
    pub loaded: Option<Burst>,
    /// What a person read on a meter instead; none where nobody did.
    pub by_meter: Option<SagByMeter>,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, when it is not a pass.
    pub reason: String,
}

/// The supply without and with loads, as a person read it on a meter.
#[derive(Clone, Debug, PartialEq)]
pub struct SagByMeter {
    /// Without load, before the first move.
    pub idle: Volts,
    /// On load.
    pub loaded: Metered,
}

/// The internal reference against the supply as loads went on, switched inside a burst.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SwitchedOn {
    /// Without load, up to a few milliseconds before.
    pub before: Burst,
    /// On load, from the first conversion behind the one that was under way: within 0.2 ms.
    pub after: Burst,
}

/// Where the shunts go before something is measured by meter.
#[derive(Clone, Debug, PartialEq)]
pub enum Shunts {
    /// Nothing is known of them yet: all are put like this.
    All(Setting),
    /// These are moved; the others stay.
    Moved(Vec<Move>),
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
    /// Put the shunts somewhere, measure with a meter, type what it shows. Nothing expected is
    /// said.
    Meter {
        /// Channel index.
        channel: usize,
        /// The shunts.
        shunts: Shunts,
        /// Number of the value, from 1, and how many there are.
        of: (usize, usize),
        /// The attempt that this value is known from, where it is measured once more so that those
        /// before it need not be.
        known_from: Option<u64>,
        /// Why what was typed before was not taken.
        refused: Option<String>,
    },
    /// Take every shunt off, measure from supply to ground, type what the meter shows.
    Rails {
        /// Why what was typed before was not taken.
        refused: Option<String>,
    },
    /// Nobody answers as the probe: may it replace what is on the unit?
    FlashProbe {
        /// What was found instead.
        why: String,
    },
    /// The product is on the unit: does it report this?
    Report {
        /// Line by line.
        expected: Vec<String>,
    },
    /// Measure the supply with a meter, the power on, and type what it shows.
    SupplyVolts {
        /// Loads that are on meanwhile.
        loads: Vec<usize>,
        /// Why what was typed before was not taken.
        refused: Option<String>,
    },
    /// Everything is measured: make these moves, switch the power on, press Enter.
    PowerOn {
        /// The moves.
        moves: Vec<Move>,
    },
    /// Put the shunts as they were when an earlier attempt was cut short, press Enter.
    AsItWas {
        /// Number of the attempt.
        attempt: u64,
        /// Where the shunts were.
        setting: Setting,
    },
    /// The unit is known to be good: move this shunt on purpose, or put it right again, press Enter.
    OnPurpose {
        /// Number of the deed, from 0.
        turn: usize,
        /// Jumper index.
        jumper: usize,
        /// Where the shunt goes.
        to: Place,
        /// Whether that is wrong.
        wrong: bool,
    },
    /// Put the shunts as the sequence begins, off but for those that a meter alone sees, press
    /// Enter.
    Clear {
        /// That setting.
        to: Setting,
    },
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
    /// A channel that this jumper has no part in has changed too: is this one where it should be, and
    /// was nothing else touched?
    Strayed {
        /// Jumper index.
        jumper: usize,
        /// Where it should be.
        asked: Place,
        /// The channel.
        channel: usize,
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
    /// Something noted of the unit.
    Note(String),
    /// The supply without load was judged.
    Volts(VoltsCheck),
    /// The unit is tested again.
    Retest(Retest),
    /// An attempt that was cut short is gone on from, or not.
    Resumed {
        /// Number of the attempt.
        attempt: u64,
        /// How many of the values that were measured before the power was on count.
        values: usize,
        /// How many of its steps count; neither these nor values where it starts anew.
        steps: usize,
        /// Why it starts anew, or what shows that it may go on.
        why: String,
    },
    /// A shunt was moved on purpose, or put right again, and this is what the bench made of it.
    OnPurpose {
        /// Jumper index.
        jumper: usize,
        /// Where the shunt is.
        place: Place,
        /// Whether that is wrong.
        wrong: bool,
        /// Where it reads as being.
        read: Option<Place>,
        /// Pass where the bench called it.
        verdict: Verdict,
        /// Why not.
        reason: String,
    },
    /// The operator noted something.
    Remark {
        /// Where.
        at: StepAt,
        /// What.
        text: String,
    },
    /// This unit leaves with another setting than the board file's.
    Delivery(Setting),
    /// What the sequence shows of the modelled defects, and what not.
    Covers {
        /// Defects that it shows.
        shown: usize,
        /// Of so many.
        of: usize,
        /// What shows the others, and which it shows, in words.
        unseen: Vec<(String, String)>,
        /// The smallest faults of each channel that it shows, in words.
        smallest: Vec<String>,
        /// What no probe on the board ever shows, in words.
        never: String,
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
    /// Something of the live view; it leaves no row in a record.
    Watched(Watched),
    /// The move was believed.
    Moved(StepAt),
    /// A reading was judged.
    Check {
        /// Where in the sequence.
        at: StepAt,
        /// The reading and its verdict.
        check: Check,
    },
    /// A load was tried, or all at once.
    Supply {
        /// Where in the sequence.
        at: StepAt,
        /// What the supply did.
        check: SupplyCheck,
    },
    /// A part on an I2C bus was asked whether it is there.
    Presence {
        /// Where in the sequence.
        at: StepAt,
        /// Index of the part.
        part: usize,
        /// What it did; none when it could not be asked.
        found: Option<Presence>,
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
    /// The chip's fuses were compared with those of the board file.
    Fuses {
        /// As the chip reads them; `None` when they could not be read.
        found: Option<[u8; 4]>,
        /// The verdict.
        verdict: Verdict,
        /// Why it is no pass.
        reason: String,
    },
    /// A person measured from supply to ground before the power was on.
    Rails {
        /// What was typed; none where it was left out.
        typed: Option<TypedIn>,
        /// What a good unit shows, in ohms.
        band: Band,
        /// The verdict.
        verdict: Verdict,
        /// Why it is no pass.
        reason: String,
    },
    /// A command of the maker's is about to be run.
    Running(Task),
    /// It has been run, or could not be.
    Ran(Ran),
    /// What the product says it reads was compared with the setting that the unit leaves with.
    Reported {
        /// What it has to report, line by line.
        expected: Vec<String>,
        /// What it printed, or the operator's yes or no; none where nobody said anything.
        said: Option<String>,
        /// The verdict.
        verdict: Verdict,
        /// Why it is no pass.
        reason: String,
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
    /// The largest sag.
    pub sag: Option<LargestSag>,
    /// Checks judged.
    pub checks: usize,
    /// Modelled defects that no reading of the sequence is sure to show.
    pub unseen: usize,
    /// How the run was cut short, where it was.
    pub cut: Option<Cut>,
    /// Time from start to end.
    pub took: Duration,
}

/// The largest sag of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct LargestSag {
    /// The loads that drew it.
    pub loads: Vec<usize>,
    /// As a share of the supply.
    pub ratio: f64,
    /// In volts.
    pub volts: Volts,
}

/// Why a run ended before its last step.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cut {
    /// The probe went away or is not the right one.
    Probe(String),
    /// A command of the maker's that had to come first was not done.
    Command(String),
    /// The operator stopped it.
    Stopped,
    /// Standard input ended, or nobody could see what was asked, so nobody could answer any more.
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
