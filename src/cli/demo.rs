//! `demo`: the main job on built-in virtual units.

use super::bench::{Unit, exit, keys};
use super::{Exit, Failure, parse, walk_of, windows_of};
use crate::bench::supply::Known;
use crate::bench::{Config, Summary, UnitVerdict};
use crate::board::Board;
use crate::faults::{Coverage, Fault};
use crate::lot;
use crate::probe::exchange::Opening;
use crate::probe::virtual_board::VirtualBoard;
use crate::probe::world::World;
use crate::report::table::{Cell, Form, Table};
use crate::screen::plain::Plain;
use crate::screen::{Screen, Silent};
use crate::session::hands::{Automatic, ByHand};
use crate::session::live::{Desk, Line};
use crate::session::rehearsal;
use crate::store::Store;
use jiff::Timestamp;
use rand::{RngExt, SeedableRng, seq::IndexedRandom};
use rand_chacha::ChaCha8Rng;
use std::io::stdout;
use std::path::PathBuf;
use std::sync::Arc;

/// The demo's board file, so that the demo needs no other file.
const BOARD: &str = include_str!("../../protocols/vent-controller.toml");

/// When the demo's virtual clock starts.
const BEGAN: &str = "2026-01-05T08:00:00Z";

/// Units in the demo's lot, and how many of them get a defect.
const UNITS: usize = 6;
const DEFECTS: usize = 2;

/// Options of `demo`.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// The same seed gives the same units, defects and readings
    #[arg(long, default_value_t = 7)]
    seed: u64,
    /// Be the operator of one virtual unit yourself
    #[arg(long)]
    by_hand: bool,
    /// Show every unit's run line by line
    #[arg(long)]
    verbose: bool,
    /// Where records go
    #[arg(long, value_name = "DIR", default_value = "results")]
    results: PathBuf,
}

/// Runs the demo. It ends well when every planted defect was caught and nothing else was.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = parse("protocols/vent-controller.toml", BOARD)?;
    if options.by_hand { by_hand(options, board) } else { lot(options, board) }
}

/// What every unit of a lot has in common.
fn first_unit(board: &Arc<Board>, id: &str, lot: &str, operator: &str) -> Result<Unit, Failure> {
    let windows = windows_of(board)?;
    let walk = walk_of(board, &windows)?;
    Ok(Unit {
        earlier: None,
        board: board.clone(),
        windows,
        walk,
        id: id.to_string(),
        retest: None,
        note: String::new(),
        supply: Known::default(),
        lot: lot.to_string(),
        operator: operator.to_string(),
        station: "demo".to_string(),
        silent: false,
        config: Config::default(),
        commands: None,
    })
}

fn by_hand(options: &Options, board: Arc<Board>) -> Result<Exit, Failure> {
    let store = Store::open(&options.results, &board.name, "by-hand")?;
    let unit = first_unit(&board, "H001", "by-hand", "")?;
    let virtual_unit = VirtualBoard::new(World::new(board.clone(), options.seed));
    let line = Line::Virtual { board: Box::new(virtual_unit), hands: ByHand::new(board) };
    let mut desk = Desk::new(Some(keys()))?;
    let summary = unit.run(&mut desk, &store, line, &Opening::at_once())?;
    Ok(exit(&summary))
}

/// Defects for some of the units, drawn from those that the sequence can see.
fn draw(coverage: &Coverage, seed: u64) -> Vec<Option<Fault>> {
    let kinds: [fn(&Fault) -> bool; 3] = [
        |f| matches!(f, Fault::ResistorOpen { .. } | Fault::ResistorValue { .. }),
        |f| matches!(f, Fault::ContactOpen { .. }),
        |f| matches!(f, Fault::SwitchStaysOpen { .. } | Fault::SwitchStaysClosed { .. }),
    ];
    let seen: Vec<Fault> = coverage.seen.iter().map(|&(fault, _)| fault).collect();
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut planted = vec![None; UNITS];
    let mut kinds = kinds.to_vec();
    while planted.iter().flatten().count() < DEFECTS && !kinds.is_empty() {
        let kind = kinds.swap_remove(rng.random_range(0..kinds.len()));
        let of_kind: Vec<Fault> = seen.iter().copied().filter(kind).collect();
        let free: Vec<usize> = (0..UNITS).filter(|&u| planted[u].is_none()).collect();
        if let (Some(&fault), Some(&unit)) = (of_kind.choose(&mut rng), free.choose(&mut rng)) {
            planted[unit] = Some(fault);
        }
    }
    planted
}

/// A lot that does not exist yet, so that a demo run never adds to another.
fn fresh_lot(options: &Options, board: &Board) -> String {
    let base = format!("demo-{}", options.seed);
    let taken = |lot: &String| options.results.join(&board.name).join(lot).exists();
    let mut names = std::iter::once(base.clone()).chain((2..).map(|n| format!("{base}-{n}")));
    names.find(|lot| !taken(lot)).unwrap_or(base)
}

fn lot(options: &Options, board: Arc<Board>) -> Result<Exit, Failure> {
    let lot = fresh_lot(options, &board);
    let store = Store::open(&options.results, &board.name, &lot)?;
    let mut unit = first_unit(&board, "V001", &lot, "automatic operator")?;
    let planted = draw(&unit.walk.coverage, options.seed);
    let mut table = Table::new(&["unit", "verdict", "failing_checks", "worst_margin", "where"]);
    let mut caught = String::new();
    let mut as_planted = true;
    let mut began: Timestamp =
        BEGAN.parse().map_err(|e| Failure::input(format!("the demo's clock: {e}")))?;
    for (i, fault) in planted.iter().enumerate() {
        unit.id = format!("V{:03}", i + 1);
        let seed = options.seed.wrapping_mul(1000).wrapping_add(i as u64);
        let mut world = World::new(board.clone(), seed);
        if let Some(fault) = fault {
            world.plant(*fault);
        }
        let summary = rehearse(&unit, &store, world, (began, seed), options.verbose)?;
        began = began
            .checked_add(jiff::SignedDuration::try_from(summary.took).unwrap_or_default())
            .unwrap_or(began);
        as_planted &= fault.is_some() == (summary.verdict != UnitVerdict::Pass);
        table.rows.push(row(&board, &unit.id, &summary));
        if let Some(fault) = fault {
            let why = summary.reasons.first().map_or("not caught", String::as_str);
            caught += &format!("  {}: {}\n    {why}\n", unit.id, fault.text(&board));
        }
    }
    store.rebuild_lot(lot::table_csv)?;
    let moves = unit.walk.moves();
    let mut text = format!(
        "Glasshouse vent controller: {UNITS} virtual units, {moves} shunt moves each, seed {}\n\n",
        options.seed
    );
    text += &table.print(Form::Text);
    text += "\nWorst margin: codes that remain after drift in use, of the tightest option.\n";
    text += &format!("Planted defects, and what the bench said:\n{caught}");
    text += &format!(
        "\nRecords are in {}\nNext: `strapwise demo --by-hand` makes you the operator;\n      \
         `strapwise windows protocols/vent-controller.toml` shows the limits.\n",
        store.folder().display()
    );
    super::print(&text)?;
    if as_planted {
        return Ok(Exit::Pass);
    }
    super::complain("the demo's verdicts are not those of its planted defects");
    Ok(Exit::Fail)
}

fn rehearse(
    unit: &Unit,
    store: &Store,
    world: World,
    (began, seed): (Timestamp, u64),
    verbose: bool,
) -> Result<Summary, Failure> {
    let mut attempt = store.begin(&unit.id)?;
    let nonce = seed as u32;
    let conductor = unit.conductor(attempt.number(), None, began, nonce, &Opening::at_once());
    let mut hands = Automatic::new(unit.board.clone(), world.built().clone());
    let mut screen: Box<dyn Screen> = match verbose {
        true => Box::new(Plain::new(unit.board.clone(), &unit.id, stdout())),
        false => Box::new(Silent),
    };
    let mut board = VirtualBoard::new(world);
    let summary = rehearsal::run(conductor, &mut board, &mut hands, screen.as_mut(), &mut attempt)?;
    Ok(summary)
}

fn row(board: &Board, unit: &str, summary: &Summary) -> Vec<Cell> {
    let at = summary.worst.as_ref();
    let place = at.map(|w| format!("{} {}", board.channels[w.channel].id, w.position));
    vec![
        unit.into(),
        summary.verdict.word().into(),
        Cell::text(few(&summary.failing)),
        Cell::number(at.map(|w| w.remaining_code), 1),
        Cell::text(place.unwrap_or_default()),
    ]
}

/// The first two of a list and how many more.
fn few(labels: &[String]) -> String {
    match labels {
        [] => String::new(),
        [one] => one.clone(),
        [one, two] => format!("{one}, {two}"),
        [one, two, rest @ ..] => format!("{one}, {two} +{}", rest.len()),
    }
}
