//! How long a diagnosis takes on the two boards of the issue: 60 resistors with 12 jumpers in six
//! groups, and one coupled group of 30 resistors.

use super::boards;
use super::diagnose_support::{evidence, unit};
use rand::SeedableRng;
use rand::seq::IndexedRandom;
use rand_chacha::ChaCha8Rng;
use std::time::Instant;
use strapwise::board::{self, Board};
use strapwise::diagnose::{Causes, Evidence, Options, corrections, diagnose, suggest};
use strapwise::faults::{Fault, modelled};
use strapwise::walk::{self, Walk};
use strapwise::window;

/// The board of the demo.
const DEMO: &str = include_str!("../../../protocols/vent-controller.toml");

/// Units timed of each kind.
const UNITS: usize = 5;

pub fn print() {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    tell!(
        "SPEED, milliseconds of processor time of all threads, and by the clock on {cores} cores\n"
    );
    for (name, text) in [
        ("60 resistors, 12 jumpers", boards::twelve_jumpers()),
        ("one group of 30", boards::coupled()),
        ("the demo's board", DEMO.to_string()),
    ] {
        let board = board::parse(name, &text).unwrap_or_else(|e| panic!("{e}"));
        let windows = window::windows(&board).unwrap_or_else(|e| panic!("{name}: {e:?}"));
        let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
        let options = Options::default();
        let hypotheses = Causes::single(&board, &options.weights).hypotheses.len();
        tell!("{name}: {} settings, {hypotheses} hypotheses of single causes", walk.steps.len());
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let hard = |f: &Fault| matches!(f, Fault::ResistorValue { .. } | Fault::ContactOpen { .. });
        let faults: Vec<Fault> = modelled(&board).into_iter().filter(hard).collect();
        let mut proposals = Vec::new();
        for two in [false, true] {
            let mut times = Vec::new();
            let mut tries = 0;
            while times.len() < UNITS && tries < 200 {
                tries += 1;
                let count = if two { 2 } else { 1 };
                let planted: Vec<Fault> = faults.sample(&mut rng, count).copied().collect();
                let built = unit(&board, &planted, &mut rng);
                let seen = evidence(&board, &walk, &built, &mut rng);
                let (began, clock) = (processor(), Instant::now());
                let found = diagnose(&board, &seen, &options);
                let took = (processor() - began, 1e3 * clock.elapsed().as_secs_f64());
                // As a unit on the bench is led: most is open after its first look.
                let mut first = seen.clone();
                first.readings.retain(|r| r.setting == board.delivery);
                let open = diagnose(&board, &first, &options);
                let clock = Instant::now();
                // Once a cause is nearly certain nothing is proposed, and that takes no time.
                if !suggest(&board, &first, &open).is_empty() {
                    proposals.push(1e3 * clock.elapsed().as_secs_f64());
                }
                // Whether pairs were gone into is what is to be timed.
                if !seen_nothing(&seen) && found.pairs == two {
                    times.push(took);
                }
            }
            let middle = |of: fn(&(f64, f64)) -> f64| {
                let mut all: Vec<f64> = times.iter().map(of).collect();
                all.sort_by(f64::total_cmp);
                (all.get(all.len() / 2).copied(), all.last().copied())
            };
            let (Some(work), most_work) = middle(|t| t.0) else { continue };
            let (Some(clock), most_clock) = middle(|t| t.1) else { continue };
            let [most_work, most_clock] = [most_work, most_clock].map(|t| t.unwrap_or(f64::NAN));
            let what = if two { "single causes and all pairs" } else { "single causes" };
            tell!(
                "  {what}: median {work:.1} ms of work, {clock:.1} ms by the clock; longest \
                 {most_work:.1} and {most_clock:.1} ms"
            );
        }
        proposals.sort_by(f64::total_cmp);
        if let (Some(middle), Some(most)) = (proposals.get(proposals.len() / 2), proposals.last()) {
            tell!(
                "  the next measurement, of {} units: median {middle:.1} ms by the clock; longest \
                 {most:.1} ms",
                proposals.len()
            );
        }
        trusted(&board, &walk, &mut rng);
    }
    tell!("");
}

/// Three good units against a file that has one end of a resistor at another net.
fn trusted(board: &Board, walk: &Walk, rng: &mut ChaCha8Rng) {
    let units: Vec<Evidence> = (0..3)
        .map(|_| {
            let built = unit(board, &[], rng);
            evidence(board, walk, &built, rng)
        })
        .collect();
    let mut file = board.clone();
    file.resistors[0].between[1] = file.resistors[2].between[1];
    let (began, clock) = (processor(), Instant::now());
    let found = corrections(&file, &units);
    let (work, clock) = (processor() - began, 1e3 * clock.elapsed().as_secs_f64());
    let right = found.iter().filter(|c| c.explained == units.len()).count();
    tell!(
        "  three units known good and a wrong net in the file: {work:.0} ms of work, {clock:.0} ms \
         by the clock; {right} entries that explain them"
    );
}

fn seen_nothing(evidence: &Evidence) -> bool {
    evidence.readings.is_empty()
}

/// Milliseconds that the threads of this program have had a processor: what others do on the machine
/// does not count (Linux; elsewhere it is not told).
fn processor() -> f64 {
    let Ok(threads) = std::fs::read_dir("/proc/self/task") else { return f64::NAN };
    let of = |thread: std::io::Result<std::fs::DirEntry>| {
        let text = std::fs::read_to_string(thread.ok()?.path().join("schedstat")).ok()?;
        text.split_whitespace().next()?.parse::<f64>().ok()
    };
    threads.filter_map(of).sum::<f64>() / 1e6
}
