//! Whole unit tests in a simulated world: a sample of what `cargo run --release --example simulate`
//! runs by the hundred thousand.

#[macro_use]
#[path = "../bench-scripts/benchmarks/tell.rs"]
mod tell;

#[path = "../bench-scripts/benchmarks/simulation/mod.rs"]
mod simulation;

use simulation::count::{Tally, upper};
use simulation::strata::{Claim, Site, Stratum, vent_controller};
use simulation::tables::Tables;
use simulation::{all, solve};
use std::sync::OnceLock;

/// Units of each stratum.
const RUNS: u64 = 1000;

fn sample() -> &'static Tally {
    static SAMPLE: OnceLock<Tally> = OnceLock::new();
    SAMPLE.get_or_init(|| all(RUNS, 1).unwrap_or_else(|why| panic!("{why}")))
}

#[test]
fn no_unit_with_a_seen_defect_passes_and_good_ones_do_and_every_run_ends_on_record() {
    let tally = sample();
    assert_eq!(tally.runs(), 4 * RUNS);
    assert!(tally.broken.is_empty(), "\n{}", tally.broken.join("\n"));
}

#[test]
fn every_stratum_is_as_hard_as_it_is_meant_to_be() {
    let count = |stratum: Stratum, claim: Claim| {
        let lines = sample().lines.iter().filter(|((s, c, _), _)| (*s, *c) == (stratum, claim));
        lines.map(|(_, count)| count.runs).sum::<u64>()
    };
    assert_eq!(count(Stratum::Good, Claim::Good), RUNS);
    for stratum in [Stratum::Hard, Stratum::Soft, Stratum::Two] {
        assert!(count(stratum, Claim::Seen) > RUNS / 3, "{stratum:?}");
    }
    let classes = sample().lines.keys().filter(|(s, ..)| *s == Stratum::Hard);
    assert!(classes.count() > 15, "few classes of defects");
    // A bad day at the bench costs some runs, and some answers are not true.
    let lost: u64 = sample().lines.values().map(|c| c.incomplete).sum();
    assert!(0 < lost && lost < RUNS / 2, "{lost} runs incomplete");
    // The program dies in some, and most of these go on from what was measured.
    let [killed, resumed] = sample().killed;
    assert!(RUNS / 20 < killed && killed / 2 < resumed, "{resumed} of {killed} went on");
}

#[test]
fn the_same_seed_is_the_same_run() {
    let mut site = Site::new().unwrap_or_else(|why| panic!("{why}"));
    let mut told = |stratum| {
        let unit = site.one(stratum, 7, false);
        format!("{:?} {:?} {}", unit.faults, unit.outcome.summary, unit.outcome.asks)
    };
    for stratum in Stratum::ALL {
        assert_eq!(told(stratum), told(stratum));
    }
}

#[test]
fn straight_lines_stand_for_drawn_parts_within_a_tenth_of_a_code() {
    let board = vent_controller();
    let kept = Tables::kept(&board).unwrap_or_else(|why| panic!("{why}"));
    let (codes, share) = solve::straightness(&board, &kept, 40);
    assert!(codes < 0.1 && share < 0.01, "{codes} codes, source {share}");
}

#[test]
fn the_upper_limit_is_that_of_clopper_and_pearson() {
    // None of n: 1 - 0.05^(1/n), the rule of three. 1 of 10: 39.4 % (Clopper and Pearson, two-sided
    // 90 %, recomputed by hand from the binomial sum).
    assert!((upper(0, 300) - (1.0 - 0.05_f64.powf(1.0 / 300.0))).abs() < 1e-9);
    let p = upper(1, 10);
    let below = (1.0 - p).powi(10) + 10.0 * p * (1.0 - p).powi(9);
    assert!((below - 0.05).abs() < 1e-9, "{p}");
    assert_eq!(upper(5, 5), 1.0);
}
