//! What a record says of how it came about: the decision rule of each reading, the expected time.
//! The risk that the guarded rule leaves is computed in `bench_judge.rs`.

mod bench_support;

use bench_support::{Stand, vent_controller};
use strapwise::bench::{Answer, Ask, Burst, Mode, Rule, UnitVerdict};
use strapwise::board::Kind;
use strapwise::{walk, window};

/// ILAC-G8:09/2019, 4.2: 'binary', 'simple acceptance', 'guard band' w (by a secondary source).
#[test]
fn every_reading_says_its_rule() {
    let mut stand = Stand::with(vent_controller());
    stand.expect_verdict(UnitVerdict::Pass);
    let humid = stand.channel("HUMID");
    let mut seen = Vec::new();
    for check in stand.checks() {
        let wanted = match (check.kind, check.mode) {
            _ if check.limit_source.ends_with("switch open") => Rule::GuardedRejection,
            // Nothing is told from its reading, so no option can be taken for another.
            _ if check.channel == humid => Rule::GuardedRejection,
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

/// The demo's unit with its humidity input at a code.
fn humid_reads(code: f64) -> Stand {
    let mut stand = Stand::with(vent_controller());
    let humid = stand.channel("HUMID");
    stand = stand.answered_by(move |ask, answer| match (ask, answer) {
        (
            Ask::Burst { channel, pull_up: false, .. } | Ask::Product { channel, .. },
            Answer::Burst(burst),
        ) if *channel == humid => Answer::Burst(Burst {
            mean: code,
            sd: 0.8,
            min: (code - 2.0).max(0.0) as u16,
            max: (code + 2.0) as u16,
            ..burst
        }),
        (_, answer) => answer,
    });
    stand
}

#[test]
fn an_input_without_options_may_read_what_the_worst_good_unit_gives() {
    let band = {
        let mut stand = Stand::with(vent_controller());
        stand.expect_verdict(UnitVerdict::Pass);
        let humid = stand.channel("HUMID");
        let check = stand.checks().into_iter().find(|c| c.channel == humid).expect("HUMID is read");
        check.bench_band.expect("a band")
    };
    // Its pin leaks as much as the data sheet allows, its converter is as far off as it may be.
    humid_reads(band.high).expect_verdict(UnitVerdict::Pass);
    humid_reads(band.high + 1.0).expect_verdict(UnitVerdict::Hold);
    let summary = humid_reads(band.high + 10.0).expect_verdict(UnitVerdict::Fail);
    assert!(summary.reasons[0].contains("where good units lie"), "{:?}", summary.reasons);
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
