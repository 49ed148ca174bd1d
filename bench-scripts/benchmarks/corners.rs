//! Bands and visibility of drawn boards against every corner of what varies, gone through by a
//! solver of its own (`brute.rs`): `cargo run --release --example corners -- [--seed N]
//! [--decisions N] [--told]`.
//!
//! The limits: bands within 0.05 codes, no decision wrong in 10,000. `falsely seen` is the dangerous
//! one: some good unit reads as a faulty one may. `little room` is seen with less than the code of
//! room that is promised, `missed` unseen although every corner lies beyond with that room,
//! `held back` unseen where only the pull-up's reading shows it by less than is asked of it, which
//! is no error. With `--told` a line for each.

#[macro_use]
mod tell;
mod brute;
mod decisions;
mod generated;

use decisions::{CLOSE, tally};
use std::time::Instant;

/// Corners that are gone through for one band: 2 to this power.
const MOST: usize = 12;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let after = |flag: &str| {
        let at = arguments.iter().position(|a| a == flag)?;
        arguments.get(at + 1)
    };
    let seed = after("--seed").map_or(Ok(1), |text| text.parse::<u64>())?;
    let decisions = after("--decisions").map_or(Ok(10_000), |text| text.parse::<usize>())?;
    let clock = Instant::now();
    let tally = tally(seed, decisions, MOST);
    if arguments.iter().any(|a| a == "--told") {
        tally.told.iter().for_each(|line| tell!("{line}"));
    }
    tell!("{} boards, {:.0} s", tally.boards, clock.elapsed().as_secs_f64());
    tell!("\nband      compared  worst difference, codes (limit {CLOSE})");
    for (name, d) in ["bench", "pulled", "design"].iter().zip(tally.bands) {
        tell!("{name:<8}  {:>8}  {:.6}", d.bands, d.worst);
    }
    tell!("\nreading   decisions   seen  falsely seen  little room  missed  held back");
    for (name, d) in ["analog", "digital"].iter().zip(tally.decisions) {
        tell!(
            "{name:<8}  {:>9}  {:>5}  {:>12}  {:>11}  {:>6}  {:>9}",
            d.all,
            d.seen,
            d.false_seen,
            d.short,
            d.missed,
            d.held_back
        );
    }
    Ok(())
}
