//! How long a diagnosis takes on the two boards of the issue: 60 resistors with 12 jumpers in six
//! groups, and one coupled group of 30 resistors.

use super::boards;
use super::diagnose_support::{evidence, unit};
use rand::SeedableRng;
use rand::seq::IndexedRandom;
use rand_chacha::ChaCha8Rng;
use strapwise::board;
use strapwise::diagnose::{Causes, Evidence, Options, diagnose};
use strapwise::faults::{Fault, modelled};
use strapwise::walk;
use strapwise::window;

/// Units timed of each kind.
const UNITS: usize = 5;

pub fn print() {
    println!("SPEED, one thread, milliseconds of processor time\n");
    for (name, text) in [
        ("60 resistors, 12 jumpers", boards::twelve_jumpers()),
        ("one group of 30", boards::coupled()),
    ] {
        let board = board::parse(name, &text).unwrap_or_else(|e| panic!("{e}"));
        let windows = window::windows(&board).unwrap_or_else(|e| panic!("{name}: {e:?}"));
        let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
        let options = Options::default();
        let hypotheses = Causes::single(&board, &options.weights).hypotheses.len();
        println!("{name}: {} settings, {hypotheses} hypotheses of single causes", walk.steps.len());
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let hard = |f: &Fault| matches!(f, Fault::ResistorValue { .. } | Fault::ContactOpen { .. });
        let faults: Vec<Fault> = modelled(&board).into_iter().filter(hard).collect();
        for two in [false, true] {
            let mut times = Vec::new();
            let mut tries = 0;
            while times.len() < UNITS && tries < 200 {
                tries += 1;
                let count = if two { 2 } else { 1 };
                let planted: Vec<Fault> = faults.sample(&mut rng, count).copied().collect();
                let built = unit(&board, &planted, &mut rng);
                let seen = evidence(&board, &walk, &built, &mut rng);
                let began = processor();
                let found = diagnose(&board, &seen, &options);
                let took = processor() - began;
                // Whether pairs were gone into is what is to be timed.
                if !seen_nothing(&seen) && found.pairs == two {
                    times.push(took);
                }
            }
            times.sort_by(f64::total_cmp);
            let (Some(&worst), middle) = (times.last(), times.len() / 2) else { continue };
            let what = if two { "single causes and all pairs" } else { "single causes" };
            println!("  {what}: median {:.1} ms, longest {worst:.1} ms", times[middle]);
        }
    }
    println!();
}

fn seen_nothing(evidence: &Evidence) -> bool {
    evidence.readings.is_empty()
}

/// Milliseconds that this thread has had a processor: what others do on the machine does not count
/// (Linux; elsewhere it is not told).
fn processor() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let nanoseconds = text.split_whitespace().next().and_then(|n| n.parse::<f64>().ok());
    nanoseconds.unwrap_or(f64::NAN) / 1e6
}
