//! `bench BOARD`: leads an operator through one unit, or through a lot (`lot_flow`).

use super::connection::{ByMeter, Connection, nonce, seconds};
use super::orders::Orders;
use super::{
    Exit, Failure, bench_check, load_for_probe, lot_flow, release, setting, walk_to, windows_of,
};
use crate::bench::supply::{self, Known};
use crate::bench::{Bench, Config, Cut, Retest, Slots, Summary, UnitId};
use crate::board::{Board, Setting, ids};
use crate::lot::{self, History};
use crate::probe::exchange::Opening;
use crate::record::fold::Folder;
use crate::record::release::{REASONS, is_repair};
use crate::record::{Head, Record, calibration, former, resume};
use crate::report::{coverage, suspect};
use crate::screen::Screen;
use crate::screen::plain::Plain;
use crate::screen::terminal::Terminal;
use crate::session::Conductor;
use crate::session::commands::Runner;
use crate::session::live::{self, Desk, Line};
use crate::store::Store;
use crate::units::Volts;
use crate::walk::Walk;
use crate::window::Windows;
use jiff::Timestamp;
use std::io::{IsTerminal, stdout};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// This program and its version, for the record.
pub const TOOL: &str = concat!("strapwise ", env!("CARGO_PKG_VERSION"));

/// Options of `bench`.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    pub(super) board: PathBuf,
    /// Serial number of the unit; without it a lot is tested, one unit after another, each asked
    /// for its serial number
    #[arg(long, value_name = "ID")]
    unit: Option<String>,
    /// First serial number of a lot: each unit is proposed the next one
    #[arg(long, value_name = "ID", conflicts_with_all = ["unit", "release"])]
    pub(super) next: Option<String>,
    /// Order list (CSV with columns unit, setting and note): the setting that each unit leaves with
    #[arg(long, value_name = "FILE", conflicts_with_all = ["deliver", "release"])]
    orders: Option<PathBuf>,
    /// Take a unit off HOLD instead of testing one: needs --reason and --operator
    #[arg(long, value_name = "ID", conflicts_with_all = ["unit", "deliver", "port"])]
    release: Option<String>,
    /// Why a unit is tested again after a fail (reseated, slip, repaired, or in your own words), or
    /// why it is released
    #[arg(long, value_name = "TEXT")]
    pub(super) reason: Option<String>,
    /// Check the bench with this unit, which is known to be good: its readings are held against its
    /// earlier runs, and faults made on purpose must be called
    #[arg(long, requires = "unit", conflicts_with_all = ["release", "resume", "deliver", "orders"])]
    check_bench: bool,
    /// Go on from the unit's last attempt, which was cut short, at the last step whose readings the
    /// unit still shows
    #[arg(long, requires = "unit", conflicts_with_all = ["release", "reason"])]
    resume: bool,
    /// Setting that this unit leaves with, for example "J1=2 J3=open"; jumpers that are not named
    /// leave as the board file has it
    #[arg(long, value_name = "SETTING")]
    deliver: Option<String>,
    /// What a meter shows of the unit's supply just now, for example 5.02V: calibrates the chip's
    /// internal reference, also for later attempts in this lot
    #[arg(long, value_name = "VOLTS", conflicts_with = "release", requires = "unit")]
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
    /// Read every combination of jumpers that belong together, one shunt a move, not only as many as
    /// the proof needs
    #[arg(long)]
    all: bool,
    /// Without the bell, which tells a move seen by one stroke, something wrong by two, a unit done by
    /// three
    #[arg(long)]
    silent: bool,
    /// Seconds that a reading must stand before a move is believed
    #[arg(long, value_name = "SECONDS", default_value_t = 0.5)]
    still: f64,
    #[command(flatten)]
    pub(super) connection: Connection,
}

/// Leads an operator through one unit, or through a lot.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    if let Some(unit) = &options.release {
        return release::run(options, unit);
    }
    let reason = release::reason(options.reason.as_deref())?;
    let prepared = Prepared::new(options)?;
    let Some(id) = &options.unit else {
        return match reason {
            None => options
                .connection
                .check(prepared.by_meter)
                .and_then(|()| lot_flow::run(options, &prepared)),
            Some(_) => Err(Failure::input(
                "--reason: of which unit? Give it with --unit; without one, a unit that is tested \
                 again is asked about"
                    .into(),
            )),
        };
    };
    prepared.known(id)?;
    let (retest, earlier) = match options.resume {
        true => (None, Some(prepared.cut(id)?)),
        false => (prepared.retest(id, reason)?, None),
    };
    let unit = Unit { earlier, ..prepared.unit(options, id, retest)? };
    let (line, opening) = prepared.open(options, 0)?;
    let mut desk = Desk::new(Some(keys()))?;
    let summary = unit.run(&mut desk, &prepared.store, line, &opening)?;
    if options.check_bench {
        return bench_check::close(&prepared, id, &summary);
    }
    super::say(&prepared.suspects(id)?)?;
    Ok(exit(&summary))
}

/// Where answers come from.
pub fn keys() -> live::Keys {
    live::Keys { person: std::io::stdin().is_terminal(), needed: true }
}

/// What all units of a lot have in common.
pub struct Prepared {
    board: Arc<Board>,
    windows: Arc<Windows>,
    /// How units leave that no order is for.
    delivery: Setting,
    orders: Option<Orders>,
    by_meter: ByMeter,
    still: Duration,
    /// The lot.
    pub store: Store,
}

impl Prepared {
    fn new(options: &Options) -> Result<Prepared, Failure> {
        let board = load_for_probe(&options.board)?;
        let windows = windows_of(&board)?;
        let delivery = match &options.deliver {
            Some(text) => setting::delivery(&board, "--deliver", text)?,
            None => board.delivery.clone(),
        };
        walk_to(&board, &windows, &delivery, options.all)?;
        let orders = options.orders.as_ref().map(|path| Orders::read(&board, path)).transpose()?;
        check_id("lot", &options.lot)?;
        if let Some(id) = options.unit.as_ref().or(options.next.as_ref()) {
            check_id("unit", id)?;
        }
        for (flag, text) in [("--operator", &options.operator), ("--station", &options.station)] {
            if text.chars().any(char::is_control) {
                let why = "a name in one line, without control characters, goes into every record";
                return Err(Failure::input(format!("{flag}: {why}")));
            }
        }
        let still = seconds("--still", options.still, 0.1)?;
        let store = Store::open(&options.results, &board.name, &options.lot)?;
        for mended in store.mended() {
            super::complain(&mended.to_string());
        }
        let by_meter = ByMeter::of(&board);
        Ok(Prepared { board, windows, delivery, orders, by_meter, still, store })
    }

    /// Whether a unit has power, and so its port, before anything is asked.
    pub fn powered_at_first(&self) -> bool {
        self.by_meter == ByMeter::No
    }

    /// Whether this may be a unit of the lot.
    pub fn known(&self, id: &str) -> Result<(), Failure> {
        check_id("unit", id)?;
        self.orders.as_ref().map_or(Ok(()), |orders| orders.of(id).map(drop))
    }

    /// Opens the line to the unit with this number, from 0: on virtual hardware each is another.
    pub fn open(&self, options: &Options, number: u64) -> Result<(Line, Opening), Failure> {
        let shunts = Setting::all_open(&self.board);
        options.connection.open_nth(&self.board, &shunts, self.by_meter, number)
    }

    /// One unit about to be tested.
    pub fn unit(
        &self,
        options: &Options,
        id: &str,
        retest: Option<Retest>,
    ) -> Result<Unit, Failure> {
        let order = self.orders.as_ref().map(|orders| orders.of(id)).transpose()?;
        let delivery = order.map_or(&self.delivery, |order| &order.setting);
        let port = options.connection.port_name().to_string();
        let folder = options.board.parent().map(Path::to_path_buf).unwrap_or_default();
        let supply = supply(&self.store, &self.board, options, id, retest.as_ref())?;
        Ok(Unit {
            earlier: None,
            supply,
            board: self.board.clone(),
            windows: self.windows.clone(),
            walk: walk_to(&self.board, &self.windows, delivery, options.all)?,
            retest,
            note: order.map_or(String::new(), |order| order.note.clone()),
            id: id.to_string(),
            lot: options.lot.clone(),
            operator: options.operator.clone(),
            station: options.station.clone(),
            silent: options.silent,
            config: Config {
                still: self.still,
                on_purpose: options.check_bench,
                ..Config::default()
            },
            commands: Some(Place { folder, port }),
        })
    }

    /// The unit's last attempt, which was cut short by the same board file; where nothing was
    /// measured in it, the one before.
    pub fn cut(&self, unit: &str) -> Result<Record, Failure> {
        let mut records = self.store.records()?;
        records.retain(|record| record.unit == unit);
        records.sort_by_key(|record| record.attempt);
        let Some(mut last) = records.pop() else {
            return Err(Failure::input(format!(
                "--resume: unit '{unit}' has no earlier attempt in {}; leave it out, or give its \
                 --lot",
                self.store.folder().display()
            )));
        };
        self.goes_on(&last)?;
        while self.is_bare(&last)
            && let Some(before) = records.pop()
            && self.goes_on(&before).is_ok()
        {
            last = before;
        }
        Ok(last)
    }

    /// Whether nothing was measured in an attempt, and nothing is left to be put back after it.
    fn is_bare(&self, record: &Record) -> bool {
        let done = resume::earlier(&self.board, record.attempt, &record.rows);
        done.steps.is_empty() && done.values.is_empty() && done.put_back
    }

    /// Whether an attempt was cut short, by the same board file.
    fn goes_on(&self, last: &Record) -> Result<(), Failure> {
        let refused = |why: &str| Err(Failure::input(format!("--resume: {why}")));
        if let Some(problem) = &last.problem {
            return refused(&format!("{} cannot be read: {problem}", last.file));
        }
        let (verdict, _) = lot::verdict(last);
        if verdict != "INCOMPLETE" {
            return refused(&format!(
                "attempt {} at unit '{}' was not cut short, it ended with {verdict}; leave it out",
                last.attempt, last.unit
            ));
        }
        let made_by = last.rows.iter().map(|row| &row.head.board_sha256).find(|s| !s.is_empty());
        if made_by.is_some_and(|sha256| *sha256 != self.board.sha256) {
            return refused(&format!(
                "the board file has changed since attempt {}; test the unit from the start, \
                 without --resume",
                last.attempt
            ));
        }
        Ok(())
    }

    /// What a unit has been through in this lot.
    pub fn history(&self, unit: &str) -> Result<History, Failure> {
        let mut records = self.store.records()?;
        records.retain(|record| record.unit == unit);
        records.sort_by_key(|record| record.attempt);
        Ok(History::of(&records.iter().collect::<Vec<_>>()))
    }

    /// Whom to suspect after this unit has been tested, line by line.
    pub fn suspects(&self, unit: &str) -> Result<String, Failure> {
        let lines = suspect::lines(&self.board, &self.store.records()?, unit);
        Ok(lines.iter().map(|line| format!("{line}\n")).collect())
    }

    /// Why the unit is tested again; a unit that failed, or is on HOLD, is not tested again without
    /// a reason.
    fn retest(&self, unit: &str, reason: Option<String>) -> Result<Option<Retest>, Failure> {
        let history = self.history(unit)?;
        match (history.needs_reason(), reason) {
            (Some(why), None) => Err(Failure::input(format!(
                "unit '{unit}': {why}; say why it is tested again: --reason {}, or in your own \
                 words",
                REASONS.join(", --reason ")
            ))),
            (None, Some(_)) if history.attempts == 0 => Err(Failure::input(format!(
                "--reason: unit '{unit}' has no earlier attempt in this lot; leave it out, or look \
                 at the serial number"
            ))),
            (_, Some(reason)) => Ok(Some(Retest { held: history.held(&reason), reason })),
            (None, None) => Ok(None),
        }
    }
}

/// A name that becomes one of a file.
fn check_id(what: &str, id: &str) -> Result<(), Failure> {
    ids::check_file_id(id).map_err(|why| Failure::input(format!("{what} '{id}': {why}")))?;
    if let Some(warning) = ids::spreadsheet_warning(id) {
        super::complain(&format!("{what} '{id}': {warning}"));
    }
    Ok(())
}

/// Whether a supply is none that the board could have: half of the nominal one off, which is a slip
/// of the fingers or of the range.
fn far_off(board: &Board, volts: Volts) -> bool {
    (volts.0 / board.supply.volts.0 - 1.0).abs() > 0.5
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
        Some(Ok(Some(metered))) if far_off(board, metered.volts) => {
            return Err(Failure::input(format!(
                "--supply-volts: {} is far from the {} of the board file; read the meter again",
                metered.volts, board.supply.volts
            )));
        }
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
        Some(Cut::Command(_)) => Exit::Incomplete,
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
    /// The attempt to go on from.
    pub earlier: Option<Record>,
    /// What the order list says of it; empty when nothing.
    pub note: String,
    /// What is known of its supply.
    pub supply: Known,
    /// Lot.
    pub lot: String,
    /// Who tests.
    pub operator: String,
    /// Where.
    pub station: String,
    /// Whether there are no sounds.
    pub silent: bool,
    /// What may be set.
    pub config: Config,
    /// What the maker's commands need; without it none are run.
    pub commands: Option<Place>,
}

/// Where the maker's commands find things.
pub struct Place {
    /// The folder of the board file.
    pub folder: PathBuf,
    /// The port as the command line has it.
    pub port: String,
}

impl Unit {
    /// Runs it on the real clock and makes the lot's table new.
    pub fn run(
        &self,
        desk: &mut Desk,
        store: &Store,
        line: Line,
        opening: &Opening,
    ) -> Result<Summary, Failure> {
        let former = self.owed(store)?;
        let mut attempt = store.begin(&self.id)?;
        let number = attempt.number();
        let nonce = nonce();
        let mut conductor = self.conductor(number, former, Timestamp::now(), nonce, opening);
        let terminal = stdout().is_terminal();
        let mut screen = self.screen(terminal);
        let folder = store.folder().display();
        screen.say(&format!("record {folder}/{}-{number}.csv", self.id));
        screen.say(&format!("sequence: {}", coverage::effort(&self.board, &self.walk)));
        let runner = self.runner(attempt.path());
        let summary = desk.run(&mut conductor, line, screen.as_mut(), &mut attempt, runner);
        // Whatever happened, the lot's table says what is on disk.
        let table = store.rebuild_lot(lot::table_csv);
        let summary = summary?;
        table?;
        Ok(summary)
    }

    /// Who runs the maker's commands for the attempt with this record.
    fn runner(&self, record: &Path) -> Option<Runner> {
        self.commands.as_ref().map(|place| Runner {
            board: self.board.clone(),
            folder: place.folder.clone(),
            port: place.port.clone(),
            unit: self.id.clone(),
            saved: record.with_extension("saved"),
            record: record.to_path_buf(),
        })
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
        opening: &Opening,
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
        let mut identity = nonce.wrapping_mul(0x9E37_79B1) | 1;
        let earlier =
            self.earlier.as_ref().map(|cut| resume::earlier(board, cut.attempt, &cut.rows));
        // Its rows will stand beside the new ones.
        if let Some(old) = &earlier
            && let Ok(old @ 1..) = u32::from_str_radix(&old.identity, 16)
        {
            identity = old;
        }
        let retest = self.retest.clone();
        let (serial, note) = (self.id.clone(), self.note.clone());
        let unit = UnitId { serial, identity, former, retest, note };
        let bench = Bench::new(board.clone(), windows.clone(), walk.clone(), unit, self.config)
            .supplied(self.supply.clone());
        let rows = self.earlier.as_ref().map(|cut| cut.rows.clone()).unwrap_or_default();
        let bench = match earlier {
            Some(earlier) => bench.resuming(earlier),
            None => bench,
        };
        let exchange = opening.exchange(nonce);
        let folder = Folder::new(self.board.clone(), head, began).going_on_from(rows);
        Conductor::new(self.board.clone(), bench, exchange, folder)
    }

    fn screen(&self, terminal: bool) -> Box<dyn Screen> {
        let board = self.board.clone();
        if !terminal {
            return Box::new(Plain::new(board, &self.id, stdout()));
        }
        let colour = std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
        let terminal = Terminal::new(board, self.windows.clone(), &self.id, colour);
        Box::new(if self.silent { terminal.silent() } else { terminal })
    }
}
