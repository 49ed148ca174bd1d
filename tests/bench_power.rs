//! Shunts that are moved with the power off.

mod bench_support;

use bench_support::full::run;
use bench_support::{Stand, board_of};
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::{Answer, Ask, Cut, Event, MovedBy, Prompt, UnitVerdict};
use strapwise::board::Board;
use strapwise::probe::world::World;
use strapwise::window;

const SECOND: Duration = Duration::from_secs(1);

/// The vent controller, the feed of whose contact is moved with the power off.
fn feed_by_power() -> Arc<Board> {
    let text = std::fs::read_to_string("protocols/vent-controller.toml").expect("the board file");
    board_of(&text.replace("label = \"vent contact feed\"", "label = \"feed\"\npower = true"))
}

fn asked_to_cut_power() -> Stand {
    let mut stand = Stand::with(feed_by_power());
    assert!(stand.obey_until(|p| matches!(p, Prompt::MoveUnpowered { .. })));
    stand
}

#[test]
fn a_move_with_the_power_off_is_believed_by_silence_and_one_more_boot() {
    let mut stand = Stand::with(feed_by_power());
    stand.expect_verdict(UnitVerdict::Pass);
    for place in ["dry", "wet"] {
        assert_eq!(stand.believed("J5", place), [MovedBy::PowerCycle], "J5={place}");
    }
    assert_eq!(stand.believed("J1", "1"), [MovedBy::Changed]);
}

#[test]
fn a_shunt_moved_under_power_is_not_believed() {
    let mut stand = asked_to_cut_power();
    let first = stand.walk_place("J5");
    stand.fit("J5", &first).wait(20 * SECOND);
    assert!(stand.believed("J5", &first).is_empty());
    stand.power(false).wait(2 * SECOND).power(true).wait(4 * SECOND);
    assert_eq!(stand.believed("J5", &first), [MovedBy::PowerCycle]);
}

#[test]
fn a_reset_is_no_power_cycle() {
    let mut stand = asked_to_cut_power();
    let first = stand.walk_place("J5");
    stand.fit("J5", &first);
    stand.reset_probe().wait(5 * SECOND);
    assert!(stand.believed("J5", &first).is_empty());
    assert!(stand.events.iter().any(|e| matches!(e, Event::Voided { .. })), "and it is said so");
    stand.expect_verdict(UnitVerdict::Pass);
}

#[test]
fn power_cut_with_the_shunt_left_where_it_was_is_asked_about() {
    let mut stand = asked_to_cut_power();
    let first = stand.walk_place("J5");
    stand.power(false).wait(2 * SECOND).power(true);
    assert!(matches!(stand.next_prompt(), Some(Prompt::Doubt { .. })));
    assert!(stand.believed("J5", &first).is_empty());
}

#[test]
fn another_unit_that_comes_back_ends_the_run() {
    let mut stand = asked_to_cut_power();
    stand.power(false).wait(2 * SECOND);
    stand.identity.0 = "11111111".into();
    stand.power(true).wait(4 * SECOND);
    let summary = stand.summary();
    assert!(matches!(&summary.cut, Some(Cut::Probe(why)) if why.contains("another unit")));
    assert_eq!(summary.verdict, UnitVerdict::Incomplete);
}

#[test]
fn a_chip_that_answers_nonsense_while_it_boots_is_called_again() {
    let mut nonsense = 3;
    let mut stand = Stand::with(feed_by_power()).answered_by(move |ask, answer| match ask {
        Ask::Return if answer != Answer::Silent && nonsense > 0 => {
            nonsense -= 1;
            Answer::Refused("-100 Command error".into())
        }
        _ => answer,
    });
    stand.expect_verdict(UnitVerdict::Pass);
}

#[test]
fn the_whole_stack_goes_through_a_power_cycle() {
    let board = feed_by_power();
    let windows = Arc::new(window::windows(&board).expect("windows"));
    let run = run(&board, &windows, World::new(board.clone(), 5));
    assert_eq!(run.summary.verdict, UnitVerdict::Pass, "{:?}", run.summary.reasons);
    let cycled = run.rows.iter().filter(|r| r.moved_by == "power cycle").map(|r| r.head.boot);
    let boots: Vec<_> = cycled.collect();
    assert!(boots.first() < boots.last(), "every cut is one more boot: {boots:?}");
}

#[test]
fn a_parked_shunt_is_called_so() {
    let text = std::fs::read_to_string("protocols/vent-controller.toml").expect("the board file");
    let text = text.replacen(
        "joins = [\"ADDR1\", \"GND\"] }]\nopen = true",
        "joins = [\"ADDR1\", \"GND\"] }]\nparked = true",
        1,
    );
    let board = board_of(&text.replacen("J3 = \"open\"", "J3 = \"parked\"", 1));
    assert!(board.delivery.text(&board).contains("J3=parked"), "{}", board.delivery.text(&board));
    Stand::with(board).expect_verdict(UnitVerdict::Pass);
}
