//! `read BOARD`: one look at a unit as it lies there.

use super::connection::{ByMeter, Connection, needs_probe, nonce};
use super::{Exit, Failure, FormatArgument, load_for_probe, samples, setting, windows_of};
use crate::bench::reading::{Located, Look, Reader, tightest};
use crate::bench::supply::{self, By, VoltsCheck};
use crate::bench::{Cut, ProbeInfo, Verdict};
use crate::board::{Board, Meaning, Place, Setting};
use crate::probe::exchange::Opening;
use crate::record::fold::Folder;
use crate::record::{Head, calibration};
use crate::report::table::{Cell, Form, Table};
use crate::report::{card, wrap};
use crate::screen::Silent;
use crate::session::Conductor;
use crate::session::live::{self, Line, NoRecord};
use crate::store;
use crate::window::Windows;
use jiff::Timestamp;
use std::path::PathBuf;
use std::sync::Arc;

/// Options of `read`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// Compare with a setting, for example "J1=3 J2=open", or `delivery`
    #[arg(long, value_name = "SETTING")]
    expect: Option<String>,
    /// Serial number of the unit: its supply is then read as a meter calibrated it at the bench
    #[arg(long, value_name = "ID")]
    unit: Option<String>,
    /// The lot that the unit belongs to
    #[arg(long, value_name = "ID", default_value = "bench", requires = "unit")]
    lot: String,
    /// Where its records are
    #[arg(long, value_name = "DIR", default_value = "results", requires = "unit")]
    results: PathBuf,
    #[command(flatten)]
    samples: samples::Samples,
    /// Form of the table
    #[arg(long, value_enum, default_value_t)]
    format: FormatArgument,
    #[command(flatten)]
    connection: Connection,
}

const AFTER: &str = "--samples PROFILE --csv FILE keeps every conversion of a noisy channel; \
                     --samples PROFILE --load VENT, or --samples supply --load VENT, shows the dip \
                     as a load goes on, and when it is over. A burst of which conversions are \
                     missing is taken again, five times at most; what is missing then is named, \
                     and the exit code is 5.";

/// Reads a unit once.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load_for_probe(&options.board)?;
    needs_probe(&board, &options.board)?;
    if let Some(plan) = options.samples.plan(&board)? {
        let line = options.connection.open(&board, &board.delivery, ByMeter::No)?;
        return options.samples.run((&options.board, &board), plan, line, options.format.into());
    }
    let windows = windows_of(&board)?;
    let expected = match &options.expect {
        Some(text) => setting::places(&board, "--expect", text)?,
        None => Vec::new(),
    };
    let by = by(options, &board)?;
    let fill = expected.iter().fold(board.delivery.clone(), |s, &(j, p)| s.with(j, p));
    let line = options.connection.open(&board, &board.delivery, ByMeter::No)?;
    let look = match look(&board, windows, fill, line)? {
        Ok((look, _)) => look,
        Err(exit) => return Ok(exit),
    };
    let form = Form::from(options.format);
    let mut table = table(&board, &look, &expected);
    // Only where the probe can read it.
    let supply = look.supply.map(|burst| supply::judge(&board, Some(burst), by));
    table.rows.extend(supply.as_ref().map(|check| supply_cells(&board, check)));
    let text = match form {
        Form::Text => for_people(table) + &closing(&board, &look),
        form => table.print(form),
    };
    super::print(&text)?;
    let wrong = supply.is_some_and(|check| check.verdict == Verdict::Fail);
    Ok(if wrong { Exit::Fail } else { verdict(&look, &expected) })
}

/// One look at a unit and who answered, the jumpers that no reading shows taken to be in the
/// setting `fill`; or how the program ends where somebody stopped it.
pub(super) fn look(
    board: &Arc<Board>,
    windows: Arc<Windows>,
    fill: Setting,
    (line, opening): (Line, Opening),
) -> Result<Result<(Look, ProbeInfo), Exit>, Failure> {
    let reader = Reader::new(board.clone(), windows, fill);
    let exchange = opening.exchange(nonce());
    let folder = Folder::new(board.clone(), Head::default(), Timestamp::now());
    let mut conductor = Conductor::new(board.clone(), reader, exchange, folder);
    let summary = live::run(&mut conductor, line, &mut Silent, &mut NoRecord, None)?;
    match (&summary.cut, conductor.procedure().look()) {
        (Some(Cut::Stopped), _) => Ok(Err(Exit::Interrupted)),
        (Some(Cut::NoKeys), _) => Ok(Err(Exit::Incomplete)),
        (Some(Cut::Probe(why) | Cut::Command(why)), _) => Err(Failure::lost(why.clone())),
        (None, None) => Err(Failure::lost("nothing was read".into())),
        (None, Some(look)) => Ok(Ok((look.clone(), conductor.procedure().who().clone()))),
    }
}

/// What the supply's voltage is taken from.
fn by(options: &Options, board: &Board) -> Result<By, Failure> {
    let Some(unit) = &options.unit else { return Ok(By::DataSheet) };
    let mut records = store::read_lot(&options.results, &board.name, &options.lot)?;
    records.retain(|record| record.unit == *unit);
    if records.is_empty() {
        let (lot, folder) = (&options.lot, options.results.display());
        return Err(Failure::input(format!(
            "--unit {unit}: no record of it in lot {lot} under {folder}; look at the serial \
             number, --lot and --results, or leave --unit out"
        )));
    }
    records.sort_by_key(|record| record.attempt);
    let rows = records.iter().flat_map(|record| &record.rows);
    Ok(calibration::last(board, rows).map_or(By::DataSheet, By::Calibration))
}

fn supply_cells(board: &Board, check: &VoltsCheck) -> Vec<Cell> {
    let reads = check.volts.map_or(String::new(), |volts| format!("{:.2} V", volts.0));
    let net = board.net_name(board.supply.net);
    let name = match &check.by {
        By::Calibration(c) => format!("{net}, calibrated {}", c.on),
        _ => format!("{net}, give or take {:.0} %", 100.0 * supply::share_off(board)),
    };
    cells("supply", name, reads, "", check.verdict.word(), &check.reason)
}

fn table(board: &Arc<Board>, look: &Look, expected: &[(usize, Place)]) -> Table {
    let mut table = Table::new(&["what", "name", "reads", "expected", "verdict", "reason"]);
    for (jumper, located) in look.jumpers.iter().enumerate() {
        let j = &board.jumpers[jumper];
        let want = expected.iter().find(|(e, _)| *e == jumper).map(|&(_, p)| p);
        let reads = match located {
            Located::At(place) => j.place_name(*place).to_string(),
            Located::OneOf(places) => {
                let names: Vec<&str> = places.iter().map(|&p| j.place_name(p)).collect();
                names.join(" or ")
            }
            Located::Nowhere => "no position".to_string(),
        };
        let verdict = match (located, want) {
            (Located::Nowhere, _) => Verdict::Fail.word(),
            (Located::At(place), Some(want)) if *place != want => Verdict::Fail.word(),
            (Located::OneOf(_), _) => Verdict::NotTested.word(),
            _ => Verdict::Pass.word(),
        };
        let want = want.map_or("", |p| j.place_name(p));
        let label = card::header_name(j);
        table.rows.push(cells("jumper", label, reads, want, verdict, ""));
    }
    for (set, option) in board.options.iter().zip(&look.options) {
        // Jumpers that are not named are not compared, so they make no option either.
        let named = |m: &&Meaning| m.places.iter().all(|place| expected.contains(place));
        let want = set.when.iter().find(named).map_or("", |m| m.means.as_str());
        let reads = option.clone().unwrap_or("no option".into());
        let wrong = option.is_none() || (!want.is_empty() && reads != want);
        let verdict = if wrong { Verdict::Fail } else { Verdict::Pass };
        table.rows.push(cells(
            "option",
            card::set_name(set).to_string(),
            reads,
            want,
            verdict.word(),
            "",
        ));
    }
    for check in look.checks.iter().filter(|c| c.verdict != Verdict::Pass) {
        let channel = &board.channels[check.channel];
        let code = check.burst.map_or(String::new(), |b| format!("{:.1}", b.mean));
        let name = format!("{} {}", channel.id, check.mode.word());
        let word = check.verdict.word();
        table.rows.push(cells("doubt", name, code, "", word, &check.reason));
    }
    table
}

fn cells(
    what: &str,
    name: String,
    reads: String,
    want: &str,
    verdict: &str,
    why: &str,
) -> Vec<Cell> {
    vec![
        what.into(),
        name.into(),
        Cell::text(reads),
        Cell::text(want),
        verdict.into(),
        Cell::text(why),
    ]
}

/// The table without its reasons, which follow it in lines of their own.
fn for_people(mut table: Table) -> String {
    table.columns.pop();
    let mut reasons = String::new();
    for row in &mut table.rows {
        if let (Some(Cell::Text(why)), Some(Cell::Text(name))) = (row.pop(), row.get(1)) {
            let lines = wrap::lines(&format!("{name}: {why}"), WIDTH);
            reasons += &format!("{}\n", lines.join("\n"));
        }
    }
    let blank = if reasons.is_empty() { "" } else { "\n" };
    format!("{}{blank}{reasons}", table.print(Form::Text))
}

/// Columns of a terminal that sentences stay within.
const WIDTH: usize = 78;

fn closing(board: &Board, look: &Look) -> String {
    let Some(check) = tightest(look) else { return String::new() };
    let (Some(code), Some(pct)) = (check.margin_code, check.margin_pct) else {
        return String::new();
    };
    let id = &board.channels[check.channel].id;
    let position = &check.position;
    format!("\nsmallest margin {code:.1} codes ({pct:.0} % of nominal): {id} {position}\n")
}

/// Fails on a wrong option or place; a place that no reading shows is no failure here.
fn verdict(look: &Look, expected: &[(usize, Place)]) -> Exit {
    let elsewhere = |&(jumper, want): &(usize, Place)| match &look.jumpers[jumper] {
        Located::At(place) => *place != want,
        Located::OneOf(places) => !places.contains(&want),
        Located::Nowhere => true,
    };
    let no_option = look.options.iter().any(Option::is_none);
    let worst = look.checks.iter().map(|c| c.verdict).max().unwrap_or(Verdict::NotTested);
    if no_option || expected.iter().any(elsewhere) {
        return Exit::Fail;
    }
    Exit::of(crate::bench::UnitVerdict::of(worst))
}
