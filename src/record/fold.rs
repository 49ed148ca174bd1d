//! Folds the bench's events into rows.

use super::former::{KEPT, PUT_BACK, slots_text};
use super::release::RETEST;
use super::resume::{self, ANOTHER_CHANGED, NO_CHANGE, RESUMED, VALUES_KNOWN};
use super::{Head, Row, RowKind};
use crate::bench::command::Ran;
use crate::bench::supply::{self, By, VoltsCheck};
use crate::bench::{
    Burst, Check, Event, Mode, Presence, Prompt, Rule, StepAt, Summary, SupplyCheck, TypedIn,
    Verdict, sag,
};
use crate::board::{Board, Fuses, Level, Task};
use crate::window::{Band, Limits, adc};
use jiff::{SignedDuration, Timestamp};
use std::sync::Arc;
use std::time::Duration;

/// Cautions that every record carries.
pub const CAUTIONS: &str = "live equipment off the outputs and the named dummy loads on; power off \
     before power jumpers are moved; extra-low voltage only; ESD care; local codes and licensed \
     practice come first; this record does not certify a safety system";

/// What the closing row says of all the others.
pub const RELATES_TO: &str = "relates to this unit as it was tested, and to the checks in this \
     record; to be handed on whole or not at all";

/// Turns events into rows, one unit attempt long.
#[derive(Debug)]
pub struct Folder {
    board: Arc<Board>,
    head: Head,
    began: Timestamp,
    seq: u64,
    /// The rows of an attempt that this one may go on from.
    earlier: Vec<Row>,
}

impl Folder {
    /// A folder for one attempt that began at `began` by the wall clock. `head` holds what is known
    /// before the probe has answered.
    pub fn new(board: Arc<Board>, mut head: Head, began: Timestamp) -> Folder {
        head.board.clone_from(&board.name);
        head.revision.clone_from(&board.revision);
        head.board_sha256.clone_from(&board.sha256);
        head.supply_source.clone_from(&board.supply.source);
        head.chip = board.chip.part.to_string();
        Folder { board, head, began, seq: 0, earlier: Vec::new() }
    }

    /// The same for an attempt that may take over steps of an earlier one, with the rows of that.
    #[must_use]
    pub fn going_on_from(mut self, rows: Vec<Row>) -> Folder {
        self.earlier = rows;
        self
    }

    /// The rows that an event makes, `t` after the beginning. The live picture makes none.
    pub fn fold(&mut self, t: Duration, event: &Event) -> Vec<Row> {
        match event {
            Event::Live(_) | Event::Watched(_) => Vec::new(),
            Event::Probe(info) => {
                self.head.probe = format!("{} {}", info.model, info.version);
                self.head.identity.clone_from(&info.identity);
                self.head.boot = Some(u64::from(info.boot.count));
                self.head.reset_cause = info.boot.cause.to_lowercase();
                vec![self.event(t, "probe found", CAUTIONS)]
            }
            Event::Note(note) => vec![self.event(t, "note", note)],
            Event::Remark { at, text } => {
                let row = self.event(t, "remark", text);
                vec![self.step(row, at)]
            }
            Event::Retest(retest) => {
                let note = retest.held.clone().unwrap_or_default();
                let mut row = self.event(t, RETEST, &note);
                row.reason.clone_from(&retest.reason);
                vec![row]
            }
            Event::Resumed { attempt, values, steps, why } => {
                self.resumed(t, *attempt, *values, *steps, why)
            }
            Event::OnPurpose { jumper, place, wrong, verdict, reason, .. } => {
                let what = if *wrong { "on purpose" } else { "put right" };
                let mut row = self.event(t, "fault on purpose", what);
                let j = &self.board.jumpers[*jumper];
                row.jumper.clone_from(&j.id);
                row.position = j.place_name(*place).to_string();
                row.verdict = verdict.word().to_string();
                row.reason.clone_from(reason);
                vec![row]
            }
            Event::Delivery(setting) => {
                let note = format!("board file: {}", self.board.delivery.text(&self.board));
                let mut row = self.event(t, "delivery setting", &note);
                row.setting = setting.text(&self.board);
                vec![row]
            }
            Event::Covers { shown, of, unseen, smallest, never } => {
                let mut rows = self.covers(t, [*shown, *of], unseen);
                rows.extend(smallest.iter().map(|what| self.event(t, "smallest shown", what)));
                rows.push(self.event(t, "never seen", never));
                rows
            }
            Event::Kept(slots) => vec![self.event(t, KEPT, &slots_text(slots))],
            Event::PutBack => vec![self.event(t, PUT_BACK, "")],
            Event::NoIdentity(why) => vec![self.event(t, "no identity", why)],
            Event::Prompt { at, prompt, .. } => self.prompted(t, at, prompt),
            Event::Moved(at) => {
                let row = self.event(t, "move believed", "");
                vec![self.step(row, at)]
            }
            Event::Check { at, check } => vec![self.check(t, at, check)],
            Event::Volts(check) => vec![self.volts(t, check)],
            Event::Supply { at, check } => vec![self.supply(t, at, check)],
            Event::Presence { at, part, found } => {
                let row =
                    self.event(t, "part on a bus", &presence_note(&self.board, *part, *found));
                vec![self.step(row, at)]
            }
            Event::Answered { at, question, yes, verdict } => {
                vec![self.answered(t, at, *question, *yes, *verdict)]
            }
            Event::Fuses { found, verdict, reason } => {
                vec![self.fuses(t, *found, *verdict, reason)]
            }
            Event::Rails { typed, band, verdict, reason } => {
                vec![self.rails(t, typed.as_ref(), *band, *verdict, reason)]
            }
            Event::Running(task) => vec![self.running(t, *task)],
            Event::Ran(ran) => vec![self.ran(t, ran)],
            Event::Reported { expected, said, verdict, reason } => {
                let mut row = self.row(t, RowKind::Report);
                row.rule = Task::Report.word().to_string();
                row.limit_source = "delivery setting".to_string();
                row.option_expected = expected.join("; ");
                row.answer = said.as_deref().map(one_line).unwrap_or_default();
                row.verdict = verdict.word().to_string();
                row.reason.clone_from(reason);
                vec![row]
            }
            Event::Rebooted(boot) => {
                self.head.boot = Some(u64::from(boot.count));
                self.head.reset_cause = boot.cause.to_lowercase();
                vec![self.event(t, "probe reset", &boot.cause)]
            }
            Event::Voided { at, why } => {
                let row = self.event(t, "step void", why);
                vec![self.step(row, at)]
            }
            Event::Finished(summary) => vec![self.finished(t, summary)],
        }
    }

    /// Which values and steps of an earlier attempt count, and their rows.
    fn resumed(
        &mut self,
        t: Duration,
        attempt: u64,
        values: usize,
        steps: usize,
        why: &str,
    ) -> Vec<Row> {
        let (rule, note) = match (values, steps) {
            (0, 0) => (RESUMED, format!("from the start, not from attempt {attempt}: {why}")),
            (0, _) => (
                RESUMED,
                format!(
                    "every channel shows what it showed in attempt {attempt} at this step; {why}"
                ),
            ),
            _ => (VALUES_KNOWN, format!("{values} values of attempt {attempt} count: {why}")),
        };
        let mut row = self.event(t, rule, &note);
        row.step = (steps > 0).then_some(steps as u64);
        row.step_try = row.step.map(|_| 1);
        let mut rows = vec![row];
        for mut former in resume::taken_over(&self.earlier, values, steps) {
            self.seq += 1;
            former.seq = self.seq;
            former.head.attempt = self.head.attempt;
            rows.push(former);
        }
        rows
    }

    /// What a pass of this record means: how many modelled defects show, and each that does not.
    fn covers(
        &mut self,
        t: Duration,
        [shown, of]: [usize; 2],
        unseen: &[(String, String)],
    ) -> Vec<Row> {
        let note = format!("{shown} of {of} modelled defects show in this sequence");
        let mut rows = vec![self.event(t, "coverage", &note)];
        for (by, defects) in unseen {
            rows.push(self.event(t, "not shown", &format!("by {by}: {defects}")));
        }
        rows
    }

    fn row(&mut self, t: Duration, kind: RowKind) -> Row {
        self.seq += 1;
        let since = SignedDuration::try_from(t).unwrap_or(SignedDuration::ZERO);
        Row {
            row: kind,
            seq: self.seq,
            at: self.began.checked_add(since).unwrap_or(self.began),
            t_ms: u64::try_from(t.as_millis()).ok(),
            head: self.head.clone(),
            ..Row::default()
        }
    }

    fn event(&mut self, t: Duration, rule: &str, note: &str) -> Row {
        let mut row = self.row(t, RowKind::Event);
        row.rule = rule.to_string();
        row.note = note.to_string();
        row
    }

    fn step(&self, mut row: Row, at: &StepAt) -> Row {
        // People count from 1.
        row.step = Some(at.step as u64 + 1);
        row.step_try = Some(u64::from(at.attempt));
        row.setting = at.setting.text(&self.board);
        if let Some((jumper, place)) = at.moved {
            let j = &self.board.jumpers[jumper];
            row.jumper.clone_from(&j.id);
            row.position = j.place_name(place).to_string();
        }
        row.moved_by = at.moved_by.map_or(String::new(), |m| m.word().to_string());
        row
    }

    /// Only what was asked beyond the plain sequence is kept: doubts are part of the evidence.
    fn prompted(&mut self, t: Duration, at: &StepAt, prompt: &Prompt) -> Vec<Row> {
        let (rule, note) = match prompt {
            Prompt::Doubt { jumper, asked, reads_as } if *reads_as == Some(*asked) => {
                let j = &self.board.jumpers[*jumper];
                let read = j.place_name(*asked);
                (NO_CHANGE, format!("{} read as {read} before it was asked for", j.id))
            }
            Prompt::Doubt { jumper, asked, reads_as } => {
                let j = &self.board.jumpers[*jumper];
                let reads = reads_as.map_or("no position", |p| j.place_name(p));
                let asked = j.place_name(*asked);
                ("doubt", format!("{} reads as {reads}, asked for {asked}", j.id))
            }
            Prompt::Strayed { jumper, channel, .. } => {
                let (jumper, channel) =
                    (&self.board.jumpers[*jumper], &self.board.channels[*channel]);
                (ANOTHER_CHANGED, format!("{} while {} was moved", channel.id, jumper.id))
            }
            Prompt::Meter { refused: None, of: (1, _), .. } | Prompt::Rails { refused: None } => {
                ("by meter", CAUTIONS.to_string())
            }
            Prompt::FlashProbe { why } => ("no probe", why.clone()),
            Prompt::Rails { refused: Some(why) } => ("value asked again", why.clone()),
            Prompt::Meter { channel, refused: Some(why), .. } => {
                ("value asked again", format!("{}: {why}", self.board.channels[*channel].id))
            }
            Prompt::SupplyVolts { refused: Some(why), .. } => {
                ("value asked again", format!("supply: {why}"))
            }
            Prompt::OtherUnit { written } => ("identity of another unit", written.clone()),
            Prompt::Unstable { jumper } => {
                ("unstable contact", self.board.jumpers[*jumper].id.clone())
            }
            _ => return Vec::new(),
        };
        let row = self.event(t, rule, &note);
        let mut row = self.step(row, at);
        if let Prompt::Meter { .. } | Prompt::SupplyVolts { .. } = prompt {
            (row.step, row.step_try) = (None, None);
        }
        vec![row]
    }

    fn check(&mut self, t: Duration, at: &StepAt, check: &Check) -> Row {
        let row = self.row(t, RowKind::Check);
        let mut row = self.step(row, at);
        put_reading(&mut row, &self.board, check);
        row.u_code = check.u_code;
        row.k = check.k;
        match check.mode {
            Mode::Meter => put_ohms(&mut row, check),
            Mode::Mean | Mode::AsProduct => {
                row.expected_code = check.expected_code;
                row.band_low_code = check.bench_band.map(|b| b.low);
                row.band_high_code = check.bench_band.map(|b| b.high);
                put_limits(&mut row, check.limits.as_ref());
            }
        }
        row.limit_source.clone_from(&check.limit_source);
        row.option_expected = check.option_expected.clone().unwrap_or_default();
        row.option_read = check.option_read.clone().unwrap_or_default();
        let finite = |x: Option<f64>| x.filter(|x| x.is_finite());
        row.margin_code = finite(check.margin_code);
        let lsb_mv = 1000.0 * adc::lsb(self.board.reference(), &self.board.chip).0;
        row.margin_mv = row.margin_code.map(|code| code * lsb_mv);
        row.margin_pct = finite(check.margin_pct);
        row.remaining_margin_code = finite(check.remaining_code);
        row.rule = check.rule.word().to_string();
        row.verdict = check.verdict.word().to_string();
        row.reason.clone_from(&check.reason);
        row
    }

    fn volts(&mut self, t: Duration, check: &VoltsCheck) -> Row {
        let mut row = self.row(t, RowKind::Volts);
        row.channel = "supply".to_string();
        if let Some(burst) = &check.burst {
            row.pin = "internal reference".to_string();
            put_burst(&mut row, burst);
        }
        row.supply_mv = check.volts.map(|volts| 1000.0 * volts.0);
        if let By::Meter(metered) = &check.by {
            row.answer.clone_from(&metered.text);
        }
        let (low, high) = supply::limits(&self.board);
        let by = match &check.by {
            By::DataSheet => "by the nominal reference".to_string(),
            By::Calibration(c) => format!("by the reference as calibrated on {}", c.on),
            By::Meter(_) | By::NoMeter => "by meter".to_string(),
        };
        let reference = check.reference(&self.board);
        let reference = reference.map(|r| format!("; reference {:.1} mV", 1000.0 * r.0));
        row.note = format!(
            "{:.0} to {:.0} mV, {by}{}",
            1000.0 * low.0,
            1000.0 * high.0,
            reference.unwrap_or_default()
        );
        row.limit_source = "board file".to_string();
        row.rule = check.rule().word().to_string();
        row.verdict = check.verdict.word().to_string();
        row.reason.clone_from(&check.reason);
        row
    }

    fn supply(&mut self, t: Duration, at: &StepAt, check: &SupplyCheck) -> Row {
        let kind = if check.loads.len() > 1 { RowKind::Loads } else { RowKind::Supply };
        let row = self.row(t, kind);
        let mut row = self.step(row, at);
        row.load = self.board.load_names(&check.loads, " ");
        row.channel = "supply".to_string();
        match &check.by_meter {
            Some(by_meter) => row.answer.clone_from(&by_meter.loaded.text),
            None => row.pin = "internal reference".to_string(),
        }
        if let Some(burst) = &check.loaded {
            put_burst(&mut row, burst);
        }
        row.expected_code = check.idle.map(|b| b.mean);
        if let Some(sag) = sag::figures(&self.board, check) {
            row.supply_mv = Some(1000.0 * sag.idle.0);
            row.supply_loaded_mv = Some(1000.0 * sag.loaded.0);
            row.sag_mv = Some(1000.0 * sag.sag.0);
            row.sag_pct = Some(100.0 * sag.ratio);
            let switching = sag
                .at_switching
                .map(|dip| format!(", as it goes on a dip of {:.0} mV", 1000.0 * dip.0));
            row.note = match check.by_meter {
                Some(_) => "by meter, which shows no dips".to_string(),
                None => format!(
                    "lowest {:.0} mV, a dip of {:.0} mV{}; dips under 0.2 ms are not seen; millivolts \
                 by the {} reference",
                    1000.0 * sag.lowest.0,
                    1000.0 * sag.dip.0,
                    switching.unwrap_or_default(),
                    if check.reference.is_some() { "calibrated" } else { "nominal" }
                ),
            };
        }
        row.limit_source = "board file".to_string();
        let typed = check.by_meter.is_some();
        row.rule = if typed { Rule::TypedIn } else { Rule::Simple }.word().to_string();
        row.verdict = check.verdict.word().to_string();
        row.reason.clone_from(&check.reason);
        row
    }

    fn answered(
        &mut self,
        t: Duration,
        at: &StepAt,
        question: usize,
        yes: bool,
        verdict: Verdict,
    ) -> Row {
        let row = self.row(t, RowKind::Question);
        let mut row = self.step(row, at);
        let q = &self.board.questions[question];
        row.rule.clone_from(&q.id);
        row.answer = if yes { "yes" } else { "no" }.to_string();
        row.option_expected = if q.expect { "yes" } else { "no" }.to_string();
        row.verdict = verdict.word().to_string();
        row.note.clone_from(&q.ask);
        row
    }

    fn fuses(
        &mut self,
        t: Duration,
        found: Option<[u8; 4]>,
        verdict: Verdict,
        reason: &str,
    ) -> Row {
        let mut row = self.row(t, RowKind::Fuses);
        row.rule = "fuses".to_string();
        row.limit_source = "board file".to_string();
        row.option_expected = self.board.fuses.map(|f| f.text()).unwrap_or_default();
        row.option_read = found.map(|f| Fuses(f.map(Some)).text()).unwrap_or_default();
        row.verdict = verdict.word().to_string();
        row.reason = reason.to_string();
        row
    }

    /// Supply to ground: no channel, and no option.
    fn rails(
        &mut self,
        t: Duration,
        typed: Option<&TypedIn>,
        band: Band,
        verdict: Verdict,
        reason: &str,
    ) -> Row {
        let finite = |ohms: f64| Some(ohms).filter(|ohms| ohms.is_finite());
        let mut row = self.row(t, RowKind::Check);
        row.mode = Mode::Meter.word().to_string();
        row.answer = typed.map(|t| t.text.clone()).unwrap_or_default();
        row.ohm = typed.and_then(|t| finite(t.ohms.0));
        row.band_low_ohm = finite(band.low);
        row.band_high_ohm = finite(band.high);
        row.limit_source = "board file".to_string();
        row.rule = "supply to ground".to_string();
        row.verdict = verdict.word().to_string();
        row.reason = reason.to_string();
        row
    }

    fn running(&mut self, t: Duration, task: Task) -> Row {
        let line = self.board.commands.get(task).map(|c| c.words.join(" ")).unwrap_or_default();
        self.event(t, "command begun", &format!("{}: {line}", task.word()))
    }

    /// Program, file, digest, exit code and time of a command.
    fn ran(&mut self, t: Duration, ran: &Ran) -> Row {
        let mut parts = vec![ran.task.word().to_string()];
        if let Some((program, arguments)) = ran.words.split_first() {
            parts.push(format!("program {program}"));
            parts.push(format!("arguments {}", arguments.join(" ")));
        }
        if let Some(file) = &ran.file {
            let digest = file.sha256.as_deref().unwrap_or("cannot be read");
            parts.push(format!("file {}", file.path));
            parts.push(format!("sha256 {digest}"));
        }
        parts.push(ran.exit.map_or("no exit code".into(), |code| format!("exit {code}")));
        parts.push(format!("{:.1} s", ran.took.as_secs_f64()));
        let mut row = self.event(t, "command", &one_line(&parts.join("; ")));
        row.reason = ran.problem.as_deref().map(one_line).unwrap_or_default();
        row
    }

    fn finished(&mut self, t: Duration, summary: &Summary) -> Row {
        let mut row = self.row(t, RowKind::Unit);
        row.verdict = summary.verdict.word().to_string();
        row.reason = summary.reasons.join("; ");
        if let Some(worst) = &summary.worst {
            row.channel.clone_from(&self.board.channels[worst.channel].id);
            row.setting = worst.setting.text(&self.board);
            row.margin_code = Some(worst.margin_code);
            row.margin_pct = Some(worst.margin_pct);
            row.remaining_margin_code = Some(worst.remaining_code);
        }
        if let Some(sag) = &summary.sag {
            row.load = self.board.load_names(&sag.loads, " ");
            row.sag_pct = Some(100.0 * sag.ratio);
            row.sag_mv = Some(1000.0 * sag.volts.0);
        }
        row.rule = "worst required check".to_string();
        row.note = RELATES_TO.to_string();
        row
    }
}

/// What a part on a bus did, and what that says.
pub fn presence_note(board: &Board, part: usize, found: Option<Presence>) -> String {
    let part = &board.bus_parts[part];
    let what = match found {
        Some(Presence::Answers) => "answers, so it has its supply",
        Some(Presence::Silent) => "silent, which proves nothing",
        Some(Presence::HeldLow) => "not asked, the bus is held low",
        None => "not asked",
    };
    format!("{} at 0x{:02X}: {what}", part.id, part.address)
}

/// Text of a program on one line, and not without end.
fn one_line(text: &str) -> String {
    const LONGEST: usize = 1000;
    let words = text.split(char::is_control).map(str::trim).filter(|word| !word.is_empty());
    words.collect::<Vec<&str>>().join(" / ").chars().take(LONGEST).collect()
}

/// What was read of a channel, without what it means.
pub(super) fn put_reading(row: &mut Row, board: &Board, check: &Check) {
    let channel = &board.channels[check.channel];
    row.channel.clone_from(&channel.id);
    row.pin = channel.pin.name.to_string();
    row.mode = check.mode.word().to_string();
    row.pull = if check.pull_up { "on" } else { "off" }.to_string();
    row.load = check.on.join(" ");
    if let Some(burst) = &check.burst {
        put_burst(row, burst);
    }
    row.pullup_shift_code = check.pull_up_shift;
    row.driven_proof = check.driven.word().to_string();
}

fn put_burst(row: &mut Row, burst: &Burst) {
    row.n = Some(u64::from(burst.n));
    row.mean_code = Some(burst.mean);
    row.sd_code = Some(burst.sd);
    row.min_code = Some(u64::from(burst.min));
    row.max_code = Some(u64::from(burst.max));
}

/// A meter reads no pin, pulls at none and proves nothing of one. Figures that are infinite are left
/// empty.
fn put_ohms(row: &mut Row, check: &Check) {
    let finite = |ohms: f64| Some(ohms).filter(|ohms| ohms.is_finite());
    (row.pull, row.driven_proof) = (String::new(), String::new());
    (row.step, row.step_try) = (None, None);
    if let Some(typed) = &check.typed {
        row.answer.clone_from(&typed.text);
        row.ohm = finite(typed.ohms.0);
    }
    row.expected_ohm = check.expected_code.and_then(finite);
    row.band_low_ohm = check.bench_band.and_then(|b| finite(b.low));
    row.band_high_ohm = check.bench_band.and_then(|b| finite(b.high));
    if let Some(Limits::Ohms { low, high }) = check.limits {
        row.window_low_ohm = finite(low.0);
        row.window_high_ohm = finite(high.0);
    }
}

/// Limits of a digital channel are those of the share of ones: 0 or 1.
fn put_limits(row: &mut Row, limits: Option<&Limits>) {
    let (low, high) = match limits {
        None | Some(Limits::Ohms { .. }) => return,
        Some(Limits::Codes { low, high }) => (*low, *high),
        Some(Limits::Level(Level::Low)) => (0, 0),
        Some(Limits::Level(Level::High)) => (1, 1),
    };
    row.window_low_code = Some(u64::from(low));
    row.window_high_code = Some(u64::from(high));
}
