//! `bench BOARD`: leads an operator through one unit.

use super::connection::{ByMeter, Connection, nonce, seconds};
use super::{Exit, Failure, load_for_probe, release, setting, walk_to, windows_of};
use crate::bench::supply::{self, Known};
use crate::bench::{Bench, Config, Cut, Retest, Slots, Summary, UnitId};
use crate::board::{Board, Setting, ids};
use crate::lot::{self, History};
use crate::probe::exchange::Exchange;
use crate::record::fold::Folder;
use crate::record::release::{REASONS, is_repair};
use crate::record::{Head, calibration, former};
use crate::report::coverage;
use crate::screen::Screen;
use crate::screen::plain::Plain;
use crate::screen::terminal::Terminal;
use crate::session::Conductor;
use crate::session::live::{self, Line};
use crate::store::Store;
use crate::walk::Walk;
use crate::window::Windows;
use jiff::Timestamp;
use std::io::{IsTerminal, stdout};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

/// This program and its version, for the record.
pub const TOOL: &str = concat!("strapwise ", env!("CARGO_PKG_VERSION"));

/// Options of `bench`.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    pub(super) board: PathBuf,
    /// Serial number of the unit
    #[arg(long, value_name = "ID", required_unless_present = "release")]
    unit: Option<String>,
    /// Take a unit off HOLD instead of testing one: needs --reason and --operator
    #[arg(long, value_name = "ID", conflicts_with_all = ["unit", "deliver", "port"])]
    release: Option<String>,
    /// Why a unit is tested again after a fail (reseated, slip, repaired, or in your own words), or
    /// why it is released
    #[arg(long, value_name = "TEXT")]
    pub(super) reason: Option<String>,
    /// Setting that this unit leaves with, for example "J1=2 J3=open"; jumpers that are not named
    /// leave as the board file has it
    #[arg(long, value_name = "SETTING")]
    deliver: Option<String>,
    /// What a meter shows of the unit's supply just now, for example 5.02V: calibrates the chip's
    /// internal reference, also for later attempts in this lot
    #[arg(long, value_name = "VOLTS", conflicts_with = "release")]
    supply_volts: Option<String>,
    /// Units made together
    #[arg(long, value_name = "ID", default_value = "bench")]
    pub(super) lot: String,
    /// Who tests
    #[arg(long, value_name = "NAME", default_value = "")]
    pub(super) operator: String,
    /// Name of the bench, for the record
    #[arg(long, value_name = "NAME", default_value = "")]
    station: String,
    /// Where records go
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub(super) results: PathBuf,
    /// Seconds that a reading must stand before a move is believed
    #[arg(long, value_name = "SECONDS", default_value_t = 0.5)]
    still: f64,
    #[command(flatten)]
    connection: Connection,
}

/// Leads an operator through one unit.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    if let Some(unit) = &options.release {
        return release::run(options, unit);
    }
    let id = options.unit.clone().unwrap_or_default();
    let reason = release::reason(options.reason.as_deref())?;
    let board = load_for_probe(&options.board)?;
    let by_meter = ByMeter::of(&board);
    let windows = windows_of(&board)?;
    let delivery = match &options.deliver {
        Some(text) => setting::delivery(&board, "--deliver", text)?,
        None => board.delivery.clone(),
    };
    let walk = walk_to(&board, &windows, &delivery)?;
    for (what, id) in [("unit", &id), ("lot", &options.lot)] {
        ids::check_file_id(id).map_err(|why| Failure::input(format!("{what} '{id}': {why}")))?;
        if let Some(warning) = ids::spreadsheet_warning(id) {
            eprintln!("strapwise: {what} '{id}': {warning}");
        }
    }
    let still = seconds("--still", options.still, 0.1)?;
    let store = Store::open(&options.results, &board.name, &options.lot)?;
    for mended in store.mended() {
        eprintln!("strapwise: {mended}");
    }
    let retest = retest(&store, &id, reason)?;
    let supply = supply(&store, &board, options, &id, retest.as_ref())?;
    let (line, quiet) = options.connection.open(&board, &Setting::all_open(&board), by_meter)?;
    let unit = Unit {
        board: board.clone(),
        windows,
        walk,
        retest,
        supply,
        id,
        lot: options.lot.clone(),
        operator: options.operator.clone(),
        station: options.station.clone(),
        config: Config { still, ..Config::default() },
    };
    let summary = unit.run(&store, line, quiet)?;
    Ok(exit(&summary))
}

/// Why the unit is tested again; a unit that failed, or is on HOLD, is not tested again without a
/// reason.
fn retest(store: &Store, unit: &str, reason: Option<String>) -> Result<Option<Retest>, Failure> {
    let mut records = store.records()?;
    records.retain(|record| record.unit == unit);
    records.sort_by_key(|record| record.attempt);
    let history = History::of(&records.iter().collect::<Vec<_>>());
    match (history.needs_reason(), reason) {
        (Some(why), None) => Err(Failure::input(format!(
            "unit '{unit}': {why}; say why it is tested again: --reason {}, or in your own words",
            REASONS.join(", --reason ")
        ))),
        (None, Some(_)) if history.attempts == 0 => Err(Failure::input(format!(
            "--reason: unit '{unit}' has no earlier attempt in this lot; leave it out, or look at \
             the serial number"
        ))),
        (_, Some(reason)) => Ok(Some(Retest { held: history.held(&reason), reason })),
        (None, None) => Ok(None),
    }
}

/// What is known of the unit's supply: a meter's reading now, and what one said of the chip before
/// and since the last repair.
fn supply(
    store: &Store,
    board: &Board,
    options: &Options,
    unit: &str,
    retest: Option<&Retest>,
) -> Result<Known, Failure> {
    let metered = match options.supply_volts.as_deref().map(supply::read) {
        None => None,
        Some(Ok(Some(metered))) => Some(metered),
        Some(Ok(None)) => {
            return Err(Failure::input("--supply-volts: leave it out instead".into()));
        }
        Some(Err(why)) => return Err(Failure::input(format!("--supply-volts: {why}"))),
    };
    if retest.is_some_and(|retest| is_repair(&retest.reason)) {
        return Ok(Known { metered, calibration: None });
    }
    let mut records = store.records()?;
    records.retain(|record| record.unit == unit);
    records.sort_by_key(|record| record.attempt);
    let rows = records.iter().flat_map(|record| &record.rows);
    Ok(Known { metered, calibration: calibration::last(board, rows) })
}

/// The exit code of a run.
pub fn exit(summary: &Summary) -> Exit {
    match summary.cut {
        Some(Cut::Probe(_)) => Exit::Lost,
        Some(Cut::Stopped) => Exit::Interrupted,
        // Nothing was asked to stop: the unit is merely not wholly tested.
        Some(Cut::NoKeys) => Exit::Incomplete,
        None => Exit::of(summary.verdict),
    }
}

/// One unit about to be tested by a person.
pub struct Unit {
    /// The board.
    pub board: Arc<Board>,
    /// Its windows.
    pub windows: Arc<Windows>,
    /// Its sequence.
    pub walk: Arc<Walk>,
    /// Serial number.
    pub id: String,
    /// Why it is tested again.
    pub retest: Option<Retest>,
    /// What is known of its supply.
    pub supply: Known,
    /// Lot.
    pub lot: String,
    /// Who tests.
    pub operator: String,
    /// Where.
    pub station: String,
    /// What may be set.
    pub config: Config,
}

impl Unit {
    /// Runs it on the real clock and makes the lot's table new.
    pub fn run(&self, store: &Store, line: Line, quiet: Duration) -> Result<Summary, Failure> {
        let former = self.owed(store)?;
        let mut attempt = store.begin(&self.id)?;
        let number = attempt.number();
        let nonce = nonce();
        let mut conductor = self.conductor(number, former, Timestamp::now(), nonce, quiet);
        let terminal = stdout().is_terminal();
        let mut screen = self.screen(terminal);
        let folder = store.folder().display();
        screen.say(&format!("record {folder}/{}-{number}.csv", self.id));
        screen.say(&format!("sequence: {}", coverage::effort(&self.board, &self.walk)));
        let keys = Some(live::Keys { person: std::io::stdin().is_terminal(), needed: true });
        let summary = live::run(&mut conductor, line, screen.as_mut(), &mut attempt, keys);
        // Whatever happened, the lot's table says what is on disk.
        let table = store.rebuild_lot(lot::table_csv);
        let summary = summary?;
        table?;
        Ok(summary)
    }

    /// What an earlier attempt that was cut short still owes to the unit's chip.
    fn owed(&self, store: &Store) -> Result<Option<Slots>, Failure> {
        let mut records = store.records()?;
        records.retain(|record| record.unit == self.id);
        records.sort_by_key(|record| record.attempt);
        Ok(former::owed(records.iter().flat_map(|record| &record.rows)))
    }

    /// The machine of one attempt, still without clock or port.
    pub fn conductor(
        &self,
        attempt: u64,
        former: Option<Slots>,
        began: Timestamp,
        nonce: u32,
        quiet: Duration,
    ) -> Conductor<Bench> {
        let head = Head {
            lot: self.lot.clone(),
            unit: self.id.clone(),
            attempt,
            operator: self.operator.clone(),
            station: self.station.clone(),
            tool: TOOL.to_string(),
            ..Head::default()
        };
        let (board, windows, walk) = (&self.board, &self.windows, &self.walk);
        // Odd, and so never 0; far apart for nonces that are close.
        let identity = nonce.wrapping_mul(0x9E37_79B1) | 1;
        let retest = self.retest.clone();
        let unit = UnitId { serial: self.id.clone(), identity, former, retest };
        let bench = Bench::new(board.clone(), windows.clone(), walk.clone(), unit, self.config)
            .supplied(self.supply.clone());
        let mut exchange = Exchange::with_quiet(nonce, quiet);
        exchange.opened(Duration::ZERO);
        let folder = Folder::new(self.board.clone(), head, began);
        Conductor::new(self.board.clone(), bench, exchange, folder)
    }

    fn screen(&self, terminal: bool) -> Box<dyn Screen> {
        let board = self.board.clone();
        if !terminal {
            return Box::new(Plain::new(board, &self.id, stdout()));
        }
        let colour = std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
        Box::new(Terminal::new(board, self.windows.clone(), &self.id, colour))
    }
}
