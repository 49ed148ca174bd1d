//! The row of a record: every column, its meaning and its unit.
//!
//! Rows are complete in themselves: each names its board, lot, unit, attempt, probe and boot, so
//! that rows of many records can be put under each other. Text that is missing is empty, a figure
//! that is missing is `None`; both are an empty cell. `protocols/records.md` says the same for
//! people, and a test holds the two together.

use jiff::Timestamp;

use super::column::{Cells, Columns, Format, MEND_CELL, columns, shown};

/// What a row tells.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum RowKind {
    /// One channel read in one setting and judged.
    Check,
    /// A question and its answer.
    Question,
    /// The supply, without and with a load.
    Supply,
    /// The supply, without and with all loads at once.
    Loads,
    /// The supply's voltage itself.
    Volts,
    /// The chip's fuses.
    Fuses,
    /// What the product says it reads, against the delivery setting.
    Report,
    /// Something that happened: a move, a reset, a caution, a mended file.
    #[default]
    Event,
    /// The verdict on the unit; the last such row of a record holds.
    Unit,
}

impl RowKind {
    /// All kinds, in the order of the enum.
    pub const ALL: [RowKind; 9] = [
        RowKind::Check,
        RowKind::Question,
        RowKind::Supply,
        RowKind::Loads,
        RowKind::Volts,
        RowKind::Fuses,
        RowKind::Report,
        RowKind::Event,
        RowKind::Unit,
    ];

    /// The word in the column `row`.
    pub fn word(self) -> &'static str {
        match self {
            RowKind::Check => "check",
            RowKind::Question => "question",
            RowKind::Supply => "supply",
            RowKind::Loads => "loads",
            RowKind::Volts => "volts",
            RowKind::Fuses => "fuses",
            RowKind::Report => "report",
            RowKind::Event => "event",
            RowKind::Unit => "unit",
        }
    }
}

impl Columns for RowKind {
    fn names(name: &'static str, out: &mut Vec<&'static str>) {
        out.push(name);
    }

    fn print(&self, _: usize, out: &mut Vec<String>) {
        out.push(self.word().to_string());
    }

    fn parse(cells: &mut Cells) -> Result<Self, String> {
        let text = String::parse(cells)?;
        RowKind::ALL.into_iter().find(|kind| kind.word() == text).ok_or_else(|| {
            let known = RowKind::ALL.map(RowKind::word).join(", ");
            format!("`{}` is no kind of row ({known}); {MEND_CELL}", shown(&text))
        })
    }
}

columns! {
    /// The columns that stay the same from row to row until the probe boots again.
    pub struct Head {
        /// Name of the board file's board.
        board: String,
        /// Revision of the board.
        revision: String,
        /// SHA-256 of the board file's bytes, lower-case hex.
        board_sha256: String,
        /// Lot.
        lot: String,
        /// Serial number of the unit.
        unit: String,
        /// Attempt at this unit in this lot, from 1.
        attempt: u64,
        /// Who tests.
        operator: String,
        /// Where the bench is.
        station: String,
        /// This program and its version.
        tool: String,
        /// The probe's answer to `*IDN?`.
        probe: String,
        /// The microcontroller, by part number.
        chip: String,
        /// The probe's identity in hex, kept on the unit.
        identity: String,
        /// Boot count of the probe.
        boot: Option<u64>,
        /// Why the probe last started: power, brownout, external, watchdog, unknown.
        reset_cause: String,
        /// What feeds the unit, in the board file's words.
        supply_source: String,
    }
}

columns! {
    /// One row of a record.
    pub struct Row {
        /// Version of the file format.
        format: Format,
        /// What the row tells.
        row: RowKind,
        /// Number of the row in its record, from 1.
        seq: u64,
        /// Wall-clock time, UTC.
        at: Timestamp,
        /// Milliseconds since the attempt began, by a clock that is never set.
        t_ms: Option<u64>,
        /// Board, unit, probe and the rest that stays the same.
        head: Head,
        /// Number of the step in the sequence, from 1.
        step: Option<u64>,
        /// Number of the try at this step, from 1; only the last try of a step counts.
        step_try: Option<u64>,
        /// One position for every jumper, `J1=3 J2=open`.
        setting: String,
        /// The jumper that was moved for this step.
        jumper: String,
        /// Where it was moved to.
        position: String,
        /// Evidence on which the move was accepted: changed, through open, power cycle, said so.
        moved_by: String,
        /// Channel read.
        channel: String,
        /// Pin of the chip, as its data sheet names it.
        pin: String,
        /// How it was read: mean (whole mains periods), as_product, or meter (by a person).
        mode: String,
        /// The pin's pull-up while reading: off or on.
        pull: String,
        /// Loads and switches that were on while reading, by name.
        load: String,
        /// Conversions in the burst.
        n: Option<u64>,
        /// Mean of the burst, in codes; on a digital channel the share of ones, 0 to 1.
        mean_code: Option<f64> [3],
        /// Standard deviation of the conversions, in codes.
        sd_code: Option<f64> [3],
        /// Smallest code of the burst.
        min_code: Option<u64>,
        /// Largest code of the burst.
        max_code: Option<u64>,
        /// By how many codes the pull-up moved the reading.
        pullup_shift_code: Option<f64> [3],
        /// What proved the pin driven: pull-up, charge sharing; or open, not shown.
        driven_proof: String,
        /// Expanded uncertainty of the mean, in codes.
        u_code: Option<f64> [3],
        /// Coverage factor of `u_code`.
        k: Option<f64> [2],
        /// Code of the nominal unit.
        expected_code: Option<f64> [3],
        /// Lower end of the bench band, in codes.
        band_low_code: Option<f64> [3],
        /// Upper end of the bench band, in codes.
        band_high_code: Option<f64> [3],
        /// Smallest code that the firmware takes as this option.
        window_low_code: Option<u64>,
        /// Largest code that the firmware takes as this option.
        window_high_code: Option<u64>,
        /// What a person read on a meter, in ohms; empty too when it was over range.
        ohm: Option<f64> [3],
        /// Resistance of the nominal unit.
        expected_ohm: Option<f64> [3],
        /// Lower end of the bench band of a meter's readings, in ohms.
        band_low_ohm: Option<f64> [3],
        /// Upper end of the bench band, in ohms; empty where there is none.
        band_high_ohm: Option<f64> [3],
        /// Smallest resistance that counts as this option.
        window_low_ohm: Option<f64> [3],
        /// Largest resistance that counts as this option; empty where there is none.
        window_high_ohm: Option<f64> [3],
        /// Where the limits come from: design band, input levels, specification.
        limit_source: String,
        /// The option that the setting stands for.
        option_expected: String,
        /// The option that the reading stands for; empty when it stands for none.
        option_read: String,
        /// From the reading to the nearest threshold, less uncertainty and spread, in codes.
        margin_code: Option<f64> [3],
        /// The same in millivolts at the pin.
        margin_mv: Option<f64> [2],
        /// The same in percent of the nominal unit's.
        margin_pct: Option<f64> [2],
        /// What temperature, ageing and sag leave of the margin, in codes.
        remaining_margin_code: Option<f64> [3],
        /// Supply without load, in millivolts.
        supply_mv: Option<f64> [2],
        /// Supply with the load on, in millivolts.
        supply_loaded_mv: Option<f64> [2],
        /// Sag in millivolts.
        sag_mv: Option<f64> [2],
        /// Sag in percent of the supply without load.
        sag_pct: Option<f64> [2],
        /// The operator's answer: yes or no, or a meter's reading as it was typed.
        answer: String,
        /// The question's id, the rule that judged, or the kind of event.
        rule: String,
        /// Check verdict (pass, marginal, not tested, fail) or unit verdict (PASS, HOLD,
        /// INCOMPLETE, FAIL).
        verdict: String,
        /// Why, in words.
        reason: String,
        /// Anything else, in words.
        note: String,
    }
}

impl Row {
    /// Whether the row is judged and counts towards the unit's verdict.
    pub fn is_check(&self) -> bool {
        !matches!(self.row, RowKind::Event | RowKind::Unit)
    }

    /// What was checked and where: `PROFILE J1=3`, `PROFILE J1=3 with VENT`, `supply with VENT`,
    /// `PROFILE in step 12` where no jumper was moved, `SENSOR 10 kilohm` by meter.
    pub fn checked(&self) -> String {
        let what = match self.row {
            RowKind::Supply | RowKind::Loads => "supply",
            RowKind::Question => &self.rule,
            _ if self.channel.is_empty() => &self.rule,
            _ => &self.channel,
        };
        let mut text = what.to_string();
        match (self.row, self.step) {
            (RowKind::Supply | RowKind::Loads, _) => {}
            (RowKind::Check, None) if !self.option_expected.is_empty() => {
                text += &format!(" {}", self.option_expected);
            }
            _ if !self.jumper.is_empty() => text += &format!(" {}={}", self.jumper, self.position),
            (_, Some(step)) => text += &format!(" in step {step}"),
            (_, None) => {}
        }
        if !self.load.is_empty() {
            text += &format!(" with {}", self.load);
        }
        text
    }
}
