//! What the bench asks of the probe, in its own words, and what the probe answers.

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
    /// A burst with its codes, as the pin stands, pull-up off.
    Codes {
        /// Channel index.
        channel: usize,
        /// Conversions.
        n: u16,
        /// Conversions thrown away first.
        discard: u16,
        /// Wait before the first conversion, in microseconds.
        settle_us: u32,
    },
    /// The same, to be told which codes did not come through the line.
    Samples {
        /// Channel index.
        channel: usize,
        /// Conversions.
        n: u16,
        /// Conversions thrown away first.
        discard: u16,
        /// Wait before the first conversion, in microseconds.
        settle_us: u32,
    },
    /// A burst with loads off, and one with its codes in which they go on; off again after.
    Step {
        /// Channel index; the internal reference against the supply without one.
        channel: Option<usize>,
        /// Load indices; they go on together.
        loads: Vec<usize>,
        /// Conversions of each of the two.
        n: u16,
    },
    /// A burst of an analog channel as the product takes it in its round: the channel before is
    /// converted, then this one at once, with the product's clock, discard and count.
    Product {
        /// Channel index.
        channel: usize,
        /// The channel that the product reads before.
        before: usize,
    },
    /// Whether a part on an I2C bus answers to its address.
    Presence {
        /// Index of the part.
        part: usize,
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
    /// The chip's fuses and lock bits.
    Fuses,
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
    /// Why it is tested again; none at a first attempt, and after one that had no fault.
    pub retest: Option<Retest>,
    /// What is noted of it beforehand; empty when nothing is.
    pub note: String,
}

/// Why a unit is tested again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Retest {
    /// What the operator says.
    pub reason: String,
    /// Why it is no better than HOLD however it does now; none where it may pass.
    pub held: Option<String>,
}

/// What a part did when its address was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Presence {
    /// It answered, so it has its supply.
    Answers,
    /// Nobody answered.
    Silent,
    /// The bus was low all the time, so nothing was asked.
    HeldLow,
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
    /// To [`Ask::Codes`]: the summary of all, and the codes that came through the line.
    Codes(Burst, Vec<u16>),
    /// To [`Ask::Samples`] and [`Ask::Step`].
    Samples {
        /// The burst without load, of a step.
        before: Option<Burst>,
        /// The summary of all conversions whose codes these are.
        burst: Burst,
        /// Every code in its place; `None` where it did not come through the line.
        codes: Vec<Option<u16>>,
    },
    /// To digital reads: how many, and how many were high.
    Level {
        /// Reads.
        n: u32,
        /// Of them high.
        ones: u32,
    },
    /// To [`Ask::Presence`].
    Presence(Presence),
    /// To [`Ask::Slots`].
    Slots(Slots),
    /// To [`Ask::Fuses`]: low, high and extended byte, lock bits.
    Fuses([u8; 4]),
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
