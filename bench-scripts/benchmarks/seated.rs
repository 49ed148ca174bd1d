//! From a shunt seated to the verdict of its readings, by the clock of the wall: the program itself,
//! the image that is flashed, in the emulator at the pace of the chip.
//!
//!     cargo bench --manifest-path bench-scripts/emulated-board/Cargo.toml --bench seated -- RUNS
//!
//! Timed from the moment at which the contact closes to the line with the last verdict of the step,
//! as the operator sees it. The hand's own time is not in it. Moves that no reading can tell are
//! left out, since they wait for a key.

#[macro_use]
mod tell;

#[path = "../../tests/emulated/stand.rs"]
#[allow(dead_code, reason = "shared with the tests on the emulated board")]
mod stand;

use stand::{BOARD, Emulated, bench_as};
use std::path::Path;
use std::time::Instant;
use strapwise::board::{self, Board, Setting};
use strapwise::window::settle;

/// What is asked of a channel without a capacitor, in seconds, with the rule of half a second.
const ASKED: f64 = 0.8;

/// The usual rule: how long a reading must stand, in seconds.
const STILL: &str = "0.5";

/// A shunt seated, and the verdict on it.
struct Seated {
    /// The line that asked for it.
    asked: String,
    jumper: String,
    seconds: f64,
}

fn main() {
    let number = |text: String| text.parse::<usize>().ok();
    let runs = std::env::args().skip(1).find_map(number).unwrap_or(1);
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(BOARD);
    let text = std::fs::read_to_string(&file).expect("the board file");
    let board = board::parse(BOARD, &text).expect("a board without problems");

    let seated: Vec<Seated> = (0..runs).flat_map(|_| one_run()).collect();
    tell!("from a shunt seated to the verdict, {STILL} s rule, {runs} runs of the whole unit");
    let mut over = 0;
    for s in &seated {
        let allowed = ASKED + settles(&board, &s.jumper);
        let late = s.seconds > allowed;
        over += usize::from(late);
        let mark = if late { "over" } else { "" };
        tell!("  {:5.2} s of {allowed:.2} s  {:4}  {}", s.seconds, mark, s.asked);
    }
    let mut seconds: Vec<f64> = seated.iter().map(|s| s.seconds).collect();
    seconds.sort_by(f64::total_cmp);
    let (Some(most), false) = (seconds.last(), seconds.is_empty()) else {
        panic!("no move was seen");
    };
    let median = seconds[seconds.len() / 2];
    tell!(
        "median {median:.2} s (asked: under {ASKED} s), longest {most:.2} s; {over} of {} moves over",
        seconds.len()
    );
}

/// One good unit led through the bench.
fn one_run() -> Vec<Seated> {
    let mut seated: Vec<Seated> = Vec::new();
    let mut open: Option<(String, Option<Seated>)> = None;
    let run = bench_as(&mut Emulated::new(&[]), STILL, &mut |line, unit| {
        let now = Instant::now();
        match line.split_whitespace().nth(1).unwrap_or_default() {
            "check" => {
                if let (Some((asked, last)), Some(since)) = (&mut open, unit.seated()) {
                    let seconds = (now - since).as_secs_f64();
                    let jumper = asked.split(':').next().unwrap_or_default().to_string();
                    *last = Some(Seated { asked: asked.clone(), jumper, seconds });
                }
            }
            "do" | "ask" | "verdict" => {
                seated.extend(open.take().and_then(|(_, last)| last));
                let asked = line.split_once("] ").map(|(_, asked)| asked.to_string());
                // A move that a key ends is as slow as the hand on the key.
                open = asked.filter(|a| !a.contains("press Enter")).map(|a| (a, None));
            }
            _ => {}
        }
        false
    });
    assert_eq!(run.unit()["verdict"], "PASS", "{}", run.lines.join("\n"));
    seated
}

/// What the capacitors at the channels of a jumper take more: 20 times R and C, the slowest of them,
/// in seconds.
fn settles(board: &Board, jumper: &str) -> f64 {
    let Some(jumper) = board.jumper(jumper) else { return 0.0 };
    let places = board.jumpers[jumper].places();
    let settings: Vec<Setting> =
        places.into_iter().map(|place| board.delivery.with(jumper, place)).collect();
    let channels = board.channels.iter().filter(|c| board.capacitance(c.net).0 > 0.0);
    let each = channels.flat_map(|c| settings.iter().filter_map(|s| settle::settling(board, s, c)));
    each.map(|s| 20.0 * s.source.0 * s.capacitor.0).fold(0.0, f64::max)
}
