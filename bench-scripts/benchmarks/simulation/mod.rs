//! Whole unit tests by the thousand: the bench alone, in a world that ngspice solved.
//!
//! `tables` holds what ngspice made of the board's circuits and `solve` asks it; `unit` draws a unit
//! and `world` with its `converter` answers for it what the bench asks; `hands` is the operator,
//! `meter` what is measured after it; `run` plays one test and watches what must hold; `strata` says
//! which units are tested and `count` what they came to.

#![allow(dead_code, reason = "the command and the test each use their own part")]

pub mod converter;
pub mod count;
pub mod hands;
pub mod meter;
pub mod run;
pub mod solve;
pub mod strata;
pub mod tables;
pub mod unit;
pub mod world;

use count::Tally;
use std::thread;
use strata::{Site, Stratum};

/// Runs as many units of every stratum, from a seed on, on two threads.
pub fn all(runs: u64, seed: u64) -> Result<Tally, String> {
    let share = |half: u64| -> Result<Tally, String> {
        let mut site = Site::new()?;
        let board = site.design.board().clone();
        let mut tally = Tally::default();
        for stratum in Stratum::ALL {
            for i in (half..runs).step_by(2) {
                let unit =
                    site.one(stratum, seed.wrapping_mul(1_000_000_000).wrapping_add(i), false);
                tally.add(&board, &unit);
            }
        }
        Ok(tally)
    };
    thread::scope(|scope| {
        let other = scope.spawn(|| share(1));
        let mut sum = share(0)?;
        sum.join(other.join().map_err(|_| "a thread panicked")??);
        Ok(sum)
    })
}
