//! `bench BOARD`: leads an operator through one unit.

use super::connection::{Connection, nonce, seconds};
use super::{Exit, Failure, load_for_probe, walk_of, windows_of};
use crate::bench::{Bench, Config, Cut, Slots, Summary, UnitId};
use crate::board::{Board, Setting, ids};
use crate::lot;
use crate::probe::exchange::Exchange;
use crate::record::fold::Folder;
use crate::record::{Head, former};
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

/// Options of `bench`.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// Serial number of the unit
    #[arg(long, value_name = "ID")]
    unit: String,
    /// Units made together
    #[arg(long, value_name = "ID", default_value = "bench")]
    lot: String,
    /// Who tests
    #[arg(long, value_name = "NAME", default_value = "")]
    operator: String,
    /// Name of the bench, for the record
    #[arg(long, value_name = "NAME", default_value = "")]
    station: String,
    /// Where records go
    #[arg(long, value_name = "DIR", default_value = "results")]
    results: PathBuf,
    /// Seconds that a reading must stand before a move is believed
    #[arg(long, value_name = "SECONDS", default_value_t = 0.5)]
    still: f64,
    #[command(flatten)]
    connection: Connection,
}

/// Leads an operator through one unit.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load_for_probe(&options.board)?;
    let windows = windows_of(&board)?;
    let walk = walk_of(&board, &windows)?;
    for (what, id) in [("unit", &options.unit), ("lot", &options.lot)] {
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
    let (line, quiet) = options.connection.open(&board, &Setting::all_open(&board))?;
    let unit = Unit {
        board: board.clone(),
        windows,
        walk,
        id: options.unit.clone(),
        lot: options.lot.clone(),
        operator: options.operator.clone(),
        station: options.station.clone(),
        config: Config { still, ..Config::default() },
    };
    let summary = unit.run(&store, line, quiet)?;
    Ok(exit(&summary))
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
            tool: concat!("strapwise ", env!("CARGO_PKG_VERSION")).to_string(),
            ..Head::default()
        };
        let (board, windows, walk) = (&self.board, &self.windows, &self.walk);
        // Odd, and so never 0; far apart for nonces that are close.
        let identity = nonce.wrapping_mul(0x9E37_79B1) | 1;
        let unit = UnitId { serial: self.id.clone(), identity, former };
        let bench = Bench::new(board.clone(), windows.clone(), walk.clone(), unit, self.config);
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
