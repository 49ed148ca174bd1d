//! What a record says of how it came about: the decision rule of each reading, the expected time.
//! The risk that the guarded rule leaves is computed in `bench_judge.rs`.

mod bench_support;

use bench_support::{Stand, vent_controller};
use strapwise::bench::{Mode, Rule, UnitVerdict};
use strapwise::board::Kind;
use strapwise::{walk, window};

/// ILAC-G8:09/2019, 4.2: 'binary', 'simple acceptance', 'guard band' w (by a secondary source).
#[test]
fn every_reading_says_its_rule() {
    let mut stand = Stand::with(vent_controller());
    stand.expect_verdict(UnitVerdict::Pass);
    let mut seen = Vec::new();
    for check in stand.checks() {
        let wanted = match (check.kind, check.mode) {
            _ if check.limit_source.ends_with("switch open") => Rule::GuardedRejection,
            (Kind::Analog, Mode::Mean) => Rule::Guarded,
            _ => Rule::Simple,
        };
        assert_eq!(check.rule, wanted, "{check:?}");
        assert!(check.rule.word().starts_with("binary, "));
        seen.push(check.rule);
    }
    for rule in [Rule::Guarded, Rule::Simple, Rule::GuardedRejection] {
        assert!(seen.contains(&rule), "{rule:?} judges nothing of the demo's board");
    }
}

#[test]
fn the_expected_time_counts_moves_headers_questions_and_power_cycles() {
    let board = vent_controller();
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    let jumpers: Vec<usize> = walk.steps.iter().filter_map(|s| s.made.map(|m| m.jumper)).collect();
    let others = jumpers.windows(2).filter(|pair| pair[0] != pair[1]).count();
    let cycles = jumpers.iter().filter(|&&j| board.jumpers[j].power).count();
    let whole = 4 * jumpers.len() + others + 12 * cycles + 4 * board.questions.len();
    assert_eq!(walk.seconds(&board), whole as f64);

    let mut slower = (*board).clone();
    slower.pace.shunt = 10.0;
    let more = walk.seconds(&slower) - walk.seconds(&board);
    assert_eq!(more, 6.0 * jumpers.len() as f64);
}
