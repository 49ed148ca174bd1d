//! The full stack: conductor, the probe's own C core on a virtual unit, an automatic operator.

use jiff::Timestamp;
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::{Bench, Config, Event, Summary, UnitId};
use strapwise::board::Board;
use strapwise::probe::exchange::Exchange;
use strapwise::probe::virtual_board::VirtualBoard;
use strapwise::probe::world::World;
use strapwise::record::fold::Folder;
use strapwise::record::{Head, Row};
use strapwise::session::hands::{Automatic, Deed, as_typed};
use strapwise::session::{Act, Conductor};
use strapwise::walk;
use strapwise::window::Windows;

/// What a run on the full stack left behind.
pub struct Run {
    pub summary: Summary,
    pub events: Vec<Event>,
    pub rows: Vec<Row>,
    pub unit: VirtualBoard,
    pub now: Duration,
}

/// Something that happens to the unit when an event is shown; true cuts the line from then on.
pub type Mishap<'a> = &'a mut dyn FnMut(&Event, &mut VirtualBoard) -> bool;

/// Longest step of the clock while nothing is due.
const STEP: Duration = Duration::from_millis(5);

/// Runs one unit by an operator who does what is asked.
pub fn run(board: &Arc<Board>, windows: &Arc<Windows>, world: World) -> Run {
    run_with(board, windows, world, &mut |_, _| false)
}

/// The same with a mishap.
pub fn run_with(
    board: &Arc<Board>,
    windows: &Arc<Windows>,
    world: World,
    mishap: Mishap<'_>,
) -> Run {
    let walk = Arc::new(walk::plan(board, windows, &board.delivery).expect("a sequence"));
    let unit =
        UnitId { serial: "V1".into(), identity: 0xC0FFEE, former: None, ..UnitId::default() };
    let bench = Bench::new(board.clone(), windows.clone(), walk, unit, Config::default());
    let began: Timestamp = "2026-03-02T08:00:00Z".parse().expect("a time");
    let folder = Folder::new(board.clone(), Head::default(), began);
    let exchange = Exchange::with_quiet(1, Duration::ZERO);
    let mut conductor = Conductor::new(board.clone(), bench, exchange, folder);
    let mut hands = Automatic::new(board.clone(), world.built().clone());
    let mut unit = VirtualBoard::new(world);
    let (mut now, mut cut) = (Duration::ZERO, false);
    let (mut events, mut rows) = (Vec::new(), Vec::new());
    let mut acts = conductor.start(now);
    loop {
        for act in acts {
            match act {
                Act::Write(bytes) if !cut => unit.write(&bytes),
                Act::Write(_) => {}
                Act::Keep(kept) => rows.extend(kept),
                Act::Show(event) => {
                    hands.see(now, &event);
                    cut |= mishap(&event, &mut unit);
                    events.push(event);
                }
                Act::Rate(rate) => panic!("there is one rate: {rate}"),
                Act::Run(task) => panic!("no command is run here: {task:?}"),
                Act::End(summary) => return Run { summary: *summary, events, rows, unit, now },
            }
        }
        let due = [conductor.wake_at(), hands.next_at(), unit.ready_at()];
        let next = due.into_iter().flatten().min().unwrap_or(now + STEP);
        now = next.clamp(now, now + STEP).max(unit.elapsed());
        assert!(now < Duration::from_secs(3600), "the run does not end");
        unit.advance_to(now);
        let bytes = if cut { Vec::new() } else { unit.read() };
        acts = if !bytes.is_empty() {
            conductor.bytes(now, &bytes)
        } else if let Some(deed) = hands.due(now) {
            match deed {
                Deed::Place(jumper, place) => {
                    unit.place(jumper, place);
                    Vec::new()
                }
                Deed::Power(on) => {
                    unit.power(on);
                    Vec::new()
                }
                Deed::Press(key) => conductor.key(now, key),
                Deed::Value(ohms) => conductor.typed(now, as_typed(ohms)),
            }
        } else if conductor.wake_at().is_some_and(|at| at <= now) {
            conductor.tick(now)
        } else {
            Vec::new()
        };
    }
}
