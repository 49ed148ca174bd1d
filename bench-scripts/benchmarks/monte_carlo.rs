//! How long drawn units take on two threads: the five-position ladder, and one node of a network
//! of twelve. `run` beside this file sets the figures against other programs'.
//!
//! First the operating points of the network alone. Then a line for each: board, law, units, seconds on the clock (median and best of seven), processor
//! seconds of both threads together (mean), and the units that read right. With the argument
//! `parts` it prints the network instead, a line a resistor: ends and ohms.

#[macro_use]
mod tell;
mod boards;

use std::time::Instant;
use strapwise::board::parse;
use strapwise::circuit::{LANES, Lanes, Program, Registers};
use strapwise::window::monte_carlo::{Law, MonteCarlo, Tally, stretches};
use strapwise::window::{bench_spread, windows};

const THREADS: usize = 2;
const RUNS: usize = 7;

/// Processor time of this process so far, in steps of 10 ms (Linux); 0 where it is not known.
fn processor_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let ticks = |field: usize| -> f64 {
        let after = stat.rsplit(')').next().unwrap_or_default();
        after.split_whitespace().nth(field).and_then(|t| t.parse().ok()).unwrap_or(0.0)
    };
    (ticks(11) + ticks(12)) / 100.0
}

fn draw(plan: &MonteCarlo, units: u64) -> Tally {
    let mut sum = Tally::default();
    std::thread::scope(|scope| {
        let share = |of: usize| {
            let mut tally = Tally::default();
            for stretch in stretches(units).skip(of).step_by(THREADS) {
                tally.merge(&plan.run(1, stretch));
            }
            tally
        };
        let threads: Vec<_> = (0..THREADS).map(|of| scope.spawn(move || share(of))).collect();
        for thread in threads {
            sum.merge(&thread.join().expect("no panic"));
        }
    });
    sum
}

/// Operating points of the network: the compiled circuit alone, every value new each time.
fn points() -> Result<(), Box<dyn std::error::Error>> {
    let board = parse("network", &boards::network())?;
    let net = board.channels[0].net;
    let spread = bench_spread(&board, false);
    let program =
        Program::new(&board, &board.delivery, &[], net, &spread).ok_or("the net floats")?;
    let mut values: Vec<Lanes> = program.inputs().iter().map(|_| [1e-4; LANES]).collect();
    let mut registers = Registers::default();
    let (points, mut sum) = (4_000_000, 0.0);
    let (before, start) = (processor_seconds(), Instant::now());
    for block in 0..points / LANES {
        for (input, lanes) in values.iter_mut().enumerate() {
            let by = 1e-9 * ((block * 31 + input * 7) % 1000) as f64;
            lanes.iter_mut().enumerate().for_each(|(lane, g)| *g = 1e-4 + by * (lane + 1) as f64);
        }
        sum += program.run(|i| &values[i], &mut registers)[0];
    }
    let (processor, clock) = (processor_seconds() - before, start.elapsed().as_secs_f64());
    tell!("network point {points} {clock:.4} {clock:.4} {processor:.4} {sum:.3}");
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    if std::env::args().any(|a| a == "parts") {
        for (a, b, ohms) in boards::twelve_nodes() {
            tell!("{a} {b} {ohms}");
        }
        return Ok(());
    }
    points()?;
    for (name, text) in [("ladder", boards::ladder()), ("network", boards::network())] {
        let board = parse(name, &text)?;
        let windows = windows(&board).map_err(|p| format!("{p:?}"))?;
        for law in [Law::Uniform, Law::Normal] {
            let plan = MonteCarlo::new(&board, &windows, law);
            let units = 1_000_000;
            let mut times: Vec<f64> = Vec::new();
            let mut tally = Tally::default();
            let before = processor_seconds();
            for _ in 0..RUNS {
                let start = Instant::now();
                tally = draw(&plan, units);
                times.push(start.elapsed().as_secs_f64());
            }
            let processor = (processor_seconds() - before) / RUNS as f64;
            times.sort_by(f64::total_cmp);
            let law = format!("{law:?}").to_lowercase();
            let (median, best) = (times[RUNS / 2], times[0]);
            tell!("{name} {law} {units} {median:.4} {best:.4} {processor:.4} {}", tally.good);
        }
    }
    Ok(())
}
