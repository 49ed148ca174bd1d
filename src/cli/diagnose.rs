//! `diagnose BOARD RECORD`: which part to lift.

use super::connection::Connection;
use super::diagnose_found;
use super::diagnose_kept::{Kept, evidence_of};
use super::diagnose_lead::{Lead, So};
use super::diagnose_live::Live;
use super::diagnose_odds::Odds;
use super::diagnose_same::Of;
use super::diagnose_talk::Talk;
use super::diagnose_typed;
use super::picture::PictureFile;
use super::{Exit, Failure, FormatArgument, load, read_bytes};
use crate::board::Board;
use crate::diagnose::{self, Class, Evidence, Filed, Gap, SETTLED};
use crate::record::led::NO_TEST;
use crate::record::{Head, Row, RowKind, csv};
use crate::report::diagnosis_trust::Trusted;
use crate::report::table::Form;
use crate::report::{diagnosis, diagnosis_meter, diagnosis_picture, diagnosis_table, wrap};
use crate::screen::keys::columns;
use std::io::{IsTerminal, Write, stdin};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Options of `diagnose`.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// Record of the unit; with --trust the records of several
    records: Vec<PathBuf>,
    /// What a meter showed: NET=VOLTS, or NET:NET=OHMS without power (`open` for none)
    #[arg(long, value_name = "READING")]
    meter: Vec<String>,
    /// What a look told: `second-shunt:J1=no`, `bridge:J1:1-3=yes`, `printed:R3:2k2=yes`
    #[arg(long, value_name = "WHAT:WHERE=yes|no")]
    look: Vec<String>,
    /// The units are known good by other means: say what of the board file they contradict
    #[arg(long, conflicts_with_all = ["meter", "look", "port", "svg", "weight"])]
    trust: bool,
    /// How likely a kind of defect is beforehand, for example "resistor open=6"
    #[arg(long, value_name = "KIND=WEIGHT")]
    weight: Vec<String>,
    /// What was found in the unit, for example "resistor open: R3, cracked": kept in the lot's
    /// causes.csv, where it counts for the other units; `nothing` where somebody looked in vain,
    /// `none` takes back what was kept
    #[arg(
        long,
        value_name = "KIND: WORDS",
        conflicts_with_all = ["trust", "meter", "look", "port", "svg", "weight", "format"]
    )]
    found: Option<String>,
    /// File for what is read and answered, written as it goes; else diagnosis1.csv and so on in
    /// results/<board>, or beside the record by its name: V001-1.diagnosis1.csv
    #[arg(long, value_name = "FILE", requires = "port", conflicts_with_all = ["trust", "found"])]
    keep: Option<PathBuf>,
    /// Form of the table
    #[arg(long, value_enum, default_value_t)]
    format: FormatArgument,
    #[command(flatten)]
    picture: PictureFile,
    #[command(flatten)]
    connection: Connection,
}

const EXAMPLES: &str = "Volts are against ground, power on, in the delivery setting; give those of \
the supply net as well, which they are shares of: VCC=5.02V. Ohms are with every shunt off. \
Another setting follows an @, with commas: TAP3@J1=2,J2=open=2.31V. Ohms with the supply net joined \
to ground: TAP2:TAP3+joined=2k7.\n\n\
What can be looked for: second-shunt:J1, bridge:J1:1-3 (pins of a header), bridge:J1:3:J2:1 (of \
two), chip-bridge:CHANNEL:CHANNEL, other-value:R3 (printed on it), printed:R3:2k2 (in place of the \
board file's value), joint:R3 (bad), across:R3 (solder), pin-joint:CHANNEL (bad), wrong-end:J3, \
mistaken:J1:J2, answer:QUESTION and lamp:QUESTION:R30 (asked again in a test). What can be tried: \
other-shunt:J4:on (reads right with another one), scraped:J1:1-3 (reads right after a blade), \
desoldered:J1:1-3 and chip-desoldered:CHANNEL:CHANNEL (reads right once the solder is drawn off), \
resoldered:CHANNEL (reads right with the joint soldered anew), lifted:R3 (out of tolerance with \
one end lifted). A look may err, and is weighed so.\n\n\
With --port the unit on the bench is led through what settles most, shunts, power and leads \
included; Enter leaves a measurement out, `b` takes the last answer back, `q` ends with what is \
concluded.\n\n\
Examples:\n  \
diagnose my.toml results/my/L1/U7-1.csv\n  \
diagnose my.toml results/my/L1/U7-1.csv --meter TAP3=2.31V --meter TAP2:TAP3=2k7\n  \
diagnose my.toml results/my/L1/U7-1.csv --look second-shunt:J1=no\n  \
diagnose my.toml --port /dev/ttyUSB0\n  \
diagnose my.toml results/my/L1/U7-1.csv --port /dev/ttyUSB0\n  \
diagnose my.toml --trust results/my/L1/U1-1.csv results/my/L1/U2-1.csv\n  \
diagnose my.toml results/my/L1/U7-1.csv --found \"resistor open: R3, cracked\"\n\n\
Exit codes: 0 one cause holds 95 % with no look at it due, or nothing shows; 5 it is still open, or a \
check failed that no part explains; 1 no modelled cause explains the readings, 2 usage or input. With \
--trust: 0 the units agree with the board file, 1 they do not, 5 nobody knows, since none of them was \
read in all of it.";

/// Reasons that are named for which rows are left out.
const NAMED: usize = 5;

/// Weighs the causes.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    if options.trust {
        return trust(options, &board);
    }
    if let Some(found) = &options.found {
        let [record] = &options.records[..] else {
            let what = "--found: give the record of the unit that it was found in";
            return Err(Failure::input(what.into()));
        };
        let Known { evidence, head, .. } = evidence(&board, record)?;
        return diagnose_found::keep(&board, record, (&head, &evidence), found);
    }
    // A unit is not led through an hour for a picture that cannot be written then.
    let inputs: Vec<&Path> =
        std::iter::once(&options.board).chain(&options.records).map(PathBuf::as_path).collect();
    options.picture.allowed(&inputs)?;
    let Known { mut evidence, text, head, rows } = known(options, &board)?;
    let record = options.records.first().map(PathBuf::as_path);
    let of = record.map(|record| (record, &head));
    let before = (evidence.meter.clone(), evidence.looks.len());
    diagnose_typed::take(&board, &mut evidence, &options.meter, &options.look)?;
    let odds = Odds::of(&board, &options.weight, of)?;
    let of = of.map(|(_, head)| head);
    let told = Told { board: &board, form: options.format.into(), head: &text, odds: &odds };
    let so = match options.connection.given() {
        true => {
            options.connection.may_be_port()?;
            let unit = Of::rows(&rows);
            let mut kept = Kept::new(&board, options.keep.as_deref(), record, rows)?;
            let typed = evidence.meter.iter().filter(|m| !before.0.contains(m)).cloned();
            kept.given(&typed.collect::<Vec<_>>(), &evidence.looks[before.1..]);
            let live = Live::new(&board, &options.board, &options.connection, unit, kept)?;
            at_the_bench(&told, live, &mut evidence)?
        }
        false => at_the_desk(&told, &mut evidence)?,
    };
    let so = match so {
        Ok(so) => so,
        Err(exit) => return Ok(exit),
    };
    let unit = of.map_or("", |head| head.unit.as_str());
    let draw = || diagnosis_picture::picture(&board, &evidence, &so.found, unit);
    options.picture.write(&inputs, draw)?;
    // What a meter contradicts is settled once it was measured again.
    let settled = so.apart.is_none()
        && so.found.classes.first().is_some_and(|class| {
            // A unit that failed is not good for want of a part that would be why.
            let good = class.causes.iter().any(|cause| cause.faults.is_empty());
            let failed = good && !evidence.rows.failed.is_empty();
            let whole = evidence.is_whole(&board);
            // A cause that leads for what nobody saw is looked for first.
            !failed && settled(class, whole) && ((good && whole) || so.next.is_empty())
        });
    Ok(match (so.found.explained, settled) {
        (false, _) => Exit::Fail,
        (true, true) => Exit::Pass,
        (true, false) => Exit::Incomplete,
    })
}

/// Whether a class is the answer: one cause, or nothing to lift where everything was read. Repairs that
/// have nothing in common are none, however likely they are together.
pub(super) fn settled(class: &Class, whole: bool) -> bool {
    let good = whole && class.causes.iter().any(|cause| cause.faults.is_empty());
    let first = class.causes.first().map_or(0.0, |cause| cause.probability);
    let holds = if good { class.probability } else { first };
    holds > SETTLED
}

/// What is known of a unit beforehand.
#[derive(Default)]
struct Known {
    evidence: Evidence,
    /// What it is known by, in words.
    text: String,
    /// The same in full.
    head: Head,
    rows: Vec<Row>,
}

fn known(options: &Options, board: &Board) -> Result<Known, Failure> {
    match &options.records[..] {
        [record] => evidence(board, record),
        [] if !options.connection.given() => {
            let what = "give the record of the unit, or --port for the unit on the bench, for example \
                        `diagnose BOARD results/BOARD/LOT/UNIT-1.csv` or `diagnose BOARD --port \
                        /dev/ttyUSB0`";
            Err(Failure::input(what.into()))
        }
        [] => {
            let text = format!("{} {}\n\n", board.name, board.revision);
            Ok(Known { text, ..Known::default() })
        }
        _ => {
            let what = "one record at a time; several are for units known good, with --trust";
            Err(Failure::input(what.into()))
        }
    }
}

/// Tells what a record says, and asks a person at a terminal for what would settle more.
fn at_the_desk(told: &Told, evidence: &mut Evidence) -> Result<Result<So, Exit>, Failure> {
    let mut lead = Lead::new(told.board, &told.odds.weights, None);
    let so = lead.so_far(evidence);
    told.tell(evidence, &so)?;
    if !matches!(told.form, Form::Text) || !stdin().is_terminal() {
        return Ok(Ok(so));
    }
    if let Some(exit) = lead.lead(&mut Talk::new(false)?, evidence)? {
        return Ok(Err(exit));
    }
    let so = lead.conclusion(evidence);
    if lead.has_asked() {
        super::print("\n")?;
        told.tell(evidence, &so)?;
    }
    Ok(Ok(so))
}

/// Leads a unit on the bench, and tells what is concluded.
fn at_the_bench(
    told: &Told,
    live: Live,
    evidence: &mut Evidence,
) -> Result<Result<So, Exit>, Failure> {
    let mut lead = Lead::new(told.board, &told.odds.weights, Some(live));
    let mut talk = Talk::new(!matches!(told.form, Form::Text))?;
    talk.say(&beforehand(told.board))?;
    let stopped = lead.lead(&mut talk, evidence)?;
    if let Some(live) = lead.live.as_ref().filter(|live| live.kept.begun()) {
        talk.say(&format!("\nkept in {}\n", live.kept.file()))?;
    }
    if let Some(exit) = stopped {
        return Ok(Err(exit));
    }
    let so = lead.conclusion(evidence);
    talk.say("\n")?;
    told.tell(evidence, &so)?;
    Ok(Ok(so))
}

/// What is done to a unit on the bench while it is led.
fn beforehand(board: &Board) -> String {
    let closed: Vec<&str> = (0..board.switches.len())
        .filter(|s| board.channels.iter().any(|c| c.closes.contains(s)))
        .map(|s| board.switches[s].id.as_str())
        .collect();
    match closed.is_empty() {
        true => String::new(),
        false => format!(
            "each look closes {} for a moment: take live equipment off the outputs\n",
            closed.join(", ")
        ),
    }
}

/// How the conclusion is told.
struct Told<'a> {
    board: &'a Arc<Board>,
    form: Form,
    head: &'a str,
    odds: &'a Odds,
}

impl Told<'_> {
    fn tell(&self, evidence: &Evidence, so: &So) -> Result<(), Failure> {
        let (board, found) = (self.board, &so.found);
        let text = match self.form {
            Form::Text => {
                let apart = so.apart.as_ref();
                let apart = apart.map(|a| diagnosis_meter::apart(board, evidence, found, a));
                let apart = apart.map_or(String::new(), |apart| apart + "\n");
                let text = diagnosis::text(board, evidence, found, &so.next, columns());
                let text = self.head.to_string() + &apart + &text + &self.odds.text(board);
                wrap::page(&text, columns())
            }
            form => {
                let notes = self.head.split("\n").filter(|line| line.starts_with("note: "));
                let notes: Vec<String> =
                    notes.map(str::to_string).chain(self.odds.notes()).collect();
                let apart = so.apart.as_ref();
                let apart = apart.map(|a| diagnosis_meter::apart(board, evidence, found, a));
                let aside = diagnosis_table::Aside { apart, next: &so.next, notes: &notes };
                diagnosis_table::table(board, evidence, found, &aside).print(form)
            }
        };
        super::print(&text)
    }
}

fn trust(options: &Options, board: &Board) -> Result<Exit, Failure> {
    if options.records.is_empty() {
        let what = "--trust: give the records of units known good, for example `diagnose BOARD --trust \
                    results/BOARD/LOT/*-1.csv`; there is none";
        return Err(Failure::input(what.into()));
    }
    let (mut trusted, mut names): (Vec<Evidence>, Vec<String>) = Default::default();
    for record in &options.records {
        let Known { evidence, head, rows, .. } = evidence(board, record)?;
        // A unit counts once, whatever the file is called.
        if trusted.contains(&evidence) {
            let said = "the same readings as another record, counted once";
            // A closed standard error ends nothing.
            let _ = writeln!(std::io::stderr(), "strapwise: {}: {said}", record.display());
            continue;
        }
        trusted.push(evidence);
        let ended = rows.iter().any(|row| row.row == RowKind::Unit);
        let cut = if ended { "" } else { ", cut short" };
        names.push(format!("{} (unit {}{cut})", record.display(), head.unit));
    }
    let found = diagnose::corrections(board, &trusted);
    let apart = diagnose::apart(board, &trusted, &found);
    let gaps: Vec<Gap> = trusted.iter().map(|unit| Gap::of(board, unit)).collect();
    let filed: Vec<Vec<Filed>> = trusted.iter().map(|unit| unit.filed.clone()).collect();
    let said = Trusted { units: &names, found: &found, apart: &apart, gaps: &gaps, filed: &filed };
    super::print(&match options.format.into() {
        Form::Text => wrap::page(&said.text(board), columns()),
        form => diagnosis_table::trusted(board, &said).print(form),
    })?;
    let contradicted = filed.iter().any(|filed| !filed.is_empty());
    Ok(match found.is_empty() && apart.is_empty() && !contradicted {
        true if Gap::common(&gaps).is_none() => Exit::Pass,
        // Nobody knows whether they agree in what none of them was read in.
        true => Exit::Incomplete,
        false => Exit::Fail,
    })
}

/// Rows that are left out, those for the same reason in one line.
fn together(left_out: &[String]) -> Vec<String> {
    let mut reasons: Vec<(&str, Vec<&str>)> = Vec::new();
    let mut others = Vec::new();
    for text in left_out {
        let row = text.strip_prefix("row ").and_then(|rest| rest.split_once(": "));
        match (row, reasons.iter_mut().find(|(why, _)| row.is_some_and(|(_, w)| w == *why))) {
            (Some((row, _)), Some((_, rows))) => rows.push(row),
            (Some((row, why)), None) => reasons.push((why, vec![row])),
            (None, _) => others.push(text.clone()),
        }
    }
    let line = |(why, rows): (&str, Vec<&str>)| match &rows[..] {
        [one] => format!("row {one}: {why}"),
        [first, second] => format!("rows {first} and {second}: {why}"),
        [first, second, rest @ ..] => {
            format!("rows {first}, {second} and {} more: {why}", rest.len())
        }
        [] => why.to_string(),
    };
    let mut lines: Vec<String> = reasons.into_iter().map(line).chain(others).collect();
    let more = lines.len().saturating_sub(NAMED);
    if more > 0 {
        lines.truncate(NAMED);
        lines.push(format!("and {more} more"));
    }
    lines
}

/// A record of which no row is of the board's chip is of no unit of this board.
fn right_chip(board: &Board, name: &str, rows: &[Row]) -> Result<(), Failure> {
    let named = rows.iter().filter(|row| !row.head.chip.is_empty());
    let others: Option<Vec<String>> = named.map(|row| diagnose::other_chip(board, row)).collect();
    match others.as_deref() {
        Some([first, ..]) => Err(Failure::input(format!(
            "{name}: {first}; give the file of that board, or correct `chip` in it and test the unit \
             again"
        ))),
        Some([]) | None => Ok(()),
    }
}

/// Rows of others in a record are left out where they are few; where they are many, nobody knows
/// whose record it is.
fn one_unit(name: &str, rows: &[Row]) -> Result<(), Failure> {
    let Some(first) = rows.first() else { return Ok(()) };
    let others: Vec<String> =
        rows.iter().filter_map(|row| diagnose::foreign(&first.head, &row.head)).collect();
    let Some(other) = others.first().filter(|_| 3 * others.len() > rows.len()) else {
        return Ok(());
    };
    Err(Failure::input(format!(
        "{name}: {} of {} rows are not of this record's unit ({other}); give a record that `bench` \
         wrote, of one attempt at one unit",
        others.len(),
        rows.len()
    )))
}

/// The evidence of a record, and what it is a record of.
fn evidence(board: &Board, path: &Path) -> Result<Known, Failure> {
    let name = path.display().to_string();
    let bytes = read_bytes(path, "a record")?;
    let parsed = csv::read::<Row>(&name, &bytes).map_err(|e| Failure::input(e.to_string()))?;
    let Some(first) = parsed.rows.first() else {
        let what = "holds no rows; give a record that `bench` wrote";
        return Err(Failure::input(format!("{name}: {what}")));
    };
    let of = &first.head;
    if of.board != board.name {
        return Err(Failure::input(format!(
            "{name}: a record of the board {}, the board file is of {}; give the file of that board",
            of.board, board.name
        )));
    }
    right_chip(board, &name, &parsed.rows)?;
    one_unit(&name, &parsed.rows)?;
    let mut evidence = evidence_of(board, &parsed.rows);
    if evidence.is_empty() {
        let beside = wrap::page(&diagnosis::beside_text(board, &evidence), columns());
        let none = "there is no reading in it to conclude from";
        let why = match &together(&evidence.left_out)[..] {
            [] => "test the unit again".to_string(),
            wrong => {
                format!("put the original back, or test the unit again:\n{}", wrong.join("\n"))
            }
        };
        let text = format!("{name}: {none}; {why}\n{beside}");
        return Err(Failure::input(text.trim_end().into()));
    }
    let mut head = format!("{} {}, {}\n", board.name, of.revision, whose(&parsed.rows, of));
    if of.revision != board.revision {
        head += &format!(
            "note: the record is of revision {}, the board file of {}\n",
            of.revision, board.revision
        );
    } else if of.board_sha256 != board.sha256 {
        head += "note: the board file has been changed since this record was made\n";
    }
    if parsed.whole < bytes.len() {
        head += "note: the record ends in half a line, which is left out\n";
    }
    evidence.left_out = together(&evidence.left_out);
    Ok(Known { evidence, text: head + "\n", head: of.clone(), rows: parsed.rows })
}

/// Which unit rows are of, and how its test ended; of a diagnosis, when it was.
fn whose(rows: &[Row], of: &Head) -> String {
    let led = rows.iter().rev().find(|row| row.head.attempt == NO_TEST);
    let led = led.map(|row| format!("diagnosis of {}", row.at.strftime("%Y-%m-%d %H:%M UTC")));
    let own = |row: &&Row| diagnose::foreign(of, &row.head).is_none();
    let tested = (of.attempt != NO_TEST).then(|| {
        let verdict = rows.iter().rev().find(|r| r.row == RowKind::Unit && own(r));
        let verdict = verdict.map_or("cut short", |r| r.verdict.as_str());
        format!("unit {}, attempt {}: {verdict}", of.unit, of.attempt)
    });
    let unit = (!of.unit.is_empty()).then(|| format!("unit {}", of.unit));
    match (tested.or(unit), led) {
        (Some(unit), Some(led)) => format!("{unit}; {led}"),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => String::new(),
    }
}
