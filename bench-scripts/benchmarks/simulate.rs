//! Whole unit tests of the demo's board, simulated: how often bad units pass and good ones do not.
//!
//!     cargo run --release --example simulate [-- RUNS [SEED]]
//!     cargo run --release --example simulate -- --one STRATUM SEED
//!     cargo run --release --example simulate -- --solve
//!
//! Runs so many units of each of four strata on two threads and prints one table by class of defect,
//! then every run that broke what must hold; `--one` tells such a run event by event. `--solve` has
//! ngspice solve the tables anew, which is needed when the board file or the list of defects changes.

#[macro_use]
mod tell;

mod simulation;

use simulation::strata::{Site, Stratum, vent_controller};
use simulation::tables::Tables;
use simulation::{all, solve};
use std::process::ExitCode;
use std::time::Instant;

const TABLES: &str = concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/bench-scripts/benchmarks/simulation/vent-controller.tables"
);

const USAGE: &str = "simulate [RUNS [SEED]] | --one good|hard|soft|two SEED | --solve | --straight";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let done = match words[..] {
        ["--solve"] => {
            std::fs::write(TABLES, solve::solve(&vent_controller())).map_err(|e| e.to_string())
        }
        ["--straight"] => straight(),
        ["--one", stratum, seed] => one(stratum, seed),
        [] => many("2000", "1"),
        [runs] => many(runs, "1"),
        [runs, seed] => many(runs, seed),
        _ => Err(USAGE.to_string()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("simulate: {why}");
            ExitCode::from(2)
        }
    }
}

fn number(text: &str) -> Result<u64, String> {
    text.parse().map_err(|_| format!("'{text}' is no number; {USAGE}"))
}

fn many(runs: &str, seed: &str) -> Result<(), String> {
    let (runs, seed) = (number(runs)?, number(seed)?);
    let began = Instant::now();
    let tally = all(runs, seed)?;
    let seconds = began.elapsed().as_secs_f64();
    tell!("{}", tally.text().trim_end());
    let (count, asks) = (tally.runs() as f64, tally.asks as f64);
    tell!(
        "version {}, seed {seed}: {count} runs in {seconds:.1} s on two threads, {:.0} a second, \
         {:.0} asks a run; {} passes on an answer that was not true",
        env!("CARGO_PKG_VERSION"),
        count / seconds,
        asks / count,
        tally.lied
    );
    Ok(())
}

fn one(stratum: &str, seed: &str) -> Result<(), String> {
    let found = Stratum::ALL.into_iter().find(|s| s.word() == stratum);
    let stratum = found.ok_or(format!("'{stratum}' is no stratum; {USAGE}"))?;
    let mut site = Site::new()?;
    let unit = site.one(stratum, number(seed)?, true);
    for fault in &unit.faults {
        tell!("defect: {} ({:?})", fault.text(&site.design), unit.claim);
    }
    tell!("slips: {}; missing in the record: {:?}", unit.slips, unit.outcome.missing);
    Ok(())
}

/// How straight the straight lines are.
fn straight() -> Result<(), String> {
    let board = vent_controller();
    let (codes, share) = solve::straightness(&board, &Tables::kept(&board)?, 200);
    tell!("parts at their ends: {codes:.3} codes, source {:.2} % off at most", 100.0 * share);
    Ok(())
}
