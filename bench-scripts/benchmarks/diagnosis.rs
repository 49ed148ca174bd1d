//! How often the diagnosis is right, on simulated units with planted defects, and how long it takes.
//!
//!     cargo run --release --example diagnosis [-- UNITS [SEED] [--world shared|ngspice] [--misses]
//!                                                 [--pairs] [--odds drawn]]
//!     cargo run --release --example diagnosis -- --speed
//!     cargo run --release --example diagnosis -- --solve
//!
//! Prints, by class of defect: units, those told from a good one, and of these how many have the
//! right class of causes first, the right cause first, the right class among the first three, and
//! how many are wrongly said to have no modelled cause. Then how far the stated probabilities hold,
//! pairs of defects, causes that are not in the list, and what the proposed measurements settle: by
//! meter alone, and with looks, which err as often as `Look::rates` says, in the second world one and
//! a half times as often.
//!
//! All of it twice: in a world that shares the solver (`diagnosis/shared.rs`), on two boards, and in
//! the world of `simulate` (`diagnosis/independent.rs`), where ngspice solved the circuits and the
//! bench runs whole unit tests. `--misses` tells every unit whose right class is not first, `--pairs`
//! draws units with two defects only, `--odds drawn` gives the diagnosis the odds by which the units
//! are drawn, `--solve` has ngspice solve the circuits that only this benchmark needs.

#[macro_use]
mod tell;
#[path = "../../tests/diagnose_support/mod.rs"]
mod diagnose_support;

mod boards;
mod simulation;

#[path = "diagnosis/count.rs"]
mod count;
#[path = "diagnosis/independent.rs"]
mod independent;
#[path = "diagnosis/shared.rs"]
mod shared;
#[path = "diagnosis/speed.rs"]
mod speed;
#[path = "diagnosis/world.rs"]
mod world;

use count::Tally;
use independent::Independent;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use shared::Shared;
use std::process::ExitCode;
use strapwise::diagnose::Options;
use world::{Manner, World, run};

const THREADS: usize = 2;

const USAGE: &str = "diagnosis [UNITS [SEED]] [--world shared|ngspice] [--misses] [--pairs] \
                     [--odds drawn] | --speed | --solve";

/// What was asked for.
struct Wanted {
    units: usize,
    seed: u64,
    worlds: Vec<String>,
    misses: bool,
    pairs: bool,
    drawn: bool,
}

fn wanted() -> Result<Wanted, String> {
    let mut wanted = Wanted {
        units: 5000,
        seed: 1,
        worlds: vec!["shared".into(), "ngspice".into()],
        misses: false,
        pairs: false,
        drawn: false,
    };
    let mut arguments = std::env::args().skip(1);
    let mut numbers = 0;
    while let Some(word) = arguments.next() {
        let mut of = |known: &[&str]| {
            let value = arguments.next().filter(|v| known.contains(&v.as_str()));
            value.ok_or(format!("{word} takes {}; {USAGE}", known.join(" or ")))
        };
        match word.as_str() {
            "--world" => wanted.worlds = vec![of(&["shared", "ngspice"])?],
            "--odds" => wanted.drawn = of(&["drawn"])? == "drawn",
            "--misses" => wanted.misses = true,
            "--pairs" => wanted.pairs = true,
            "--speed" => wanted.worlds.clear(),
            number => {
                let value: u64 =
                    number.parse().map_err(|_| format!("'{number}' is no number; {USAGE}"))?;
                match numbers {
                    0 => wanted.units = value as usize,
                    _ => wanted.seed = value,
                }
                numbers += 1;
            }
        }
    }
    Ok(wanted)
}

/// Runs one world on all threads, each with a share of the units.
fn all<W: World>(
    make: impl Fn() -> Result<W, String> + Sync,
    wanted: &Wanted,
    units: usize,
) -> Result<Tally, String> {
    let share = |of: usize| -> Result<Tally, String> {
        let mut rng = ChaCha8Rng::seed_from_u64(wanted.seed * 1000 + of as u64);
        let mut world = make()?;
        let mut options = Options::default();
        if wanted.drawn {
            options.weights = count::odds(world.board());
        }
        let manner = Manner { options, misses: wanted.misses, pairs: wanted.pairs };
        Ok(run(&mut world, units / THREADS, &manner, &mut rng))
    };
    let mut sum = Tally::default();
    std::thread::scope(|scope| {
        let threads: Vec<_> = (0..THREADS).map(|of| scope.spawn(move || share(of))).collect();
        for thread in threads {
            sum.add(thread.join().map_err(|_| "a thread panicked")??);
        }
        Ok(sum)
    })
}

fn timed(name: &str, tally: &Tally) {
    let count: usize = tally.singles.values().map(|c| c.units).sum();
    let each = 1e3 * tally.time.as_secs_f64() / count.max(1) as f64;
    tell!("{name}: {each:.1} ms a unit with one defect, one thread");
}

fn main() -> ExitCode {
    match answer() {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("diagnosis: {why}");
            ExitCode::from(2)
        }
    }
}

fn answer() -> Result<(), String> {
    if std::env::args().nth(1).as_deref() == Some("--solve") {
        let board = simulation::strata::vent_controller();
        return std::fs::write(independent::TABLES, independent::tables(&board))
            .map_err(|e| e.to_string());
    }
    let wanted = wanted()?;
    speed::print();
    if wanted.worlds.iter().any(|w| w == "shared") {
        tell!("A WORLD THAT SHARES THE SOLVER\n");
        let vent = include_str!("../../protocols/vent-controller.toml");
        let twelve = boards::twelve_jumpers();
        let mut sum = Tally::default();
        for (name, text) in [("vent-controller", vent), ("twelve jumpers", &twelve)] {
            let tally = all(|| Ok(Shared::new(name, text)), &wanted, wanted.units / 2)?;
            timed(name, &tally);
            sum.add(tally);
        }
        sum.print();
    }
    if wanted.worlds.iter().any(|w| w == "ngspice") {
        tell!("\nA WORLD THAT NGSPICE SOLVED, WHOLE UNIT TESTS OF THE BENCH\n");
        let mut tally = all(Independent::new, &wanted, wanted.units)?;
        timed("vent-controller", &tally);
        tally.print();
    }
    Ok(())
}
