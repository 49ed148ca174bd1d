//! Who the unit is: the number on its chip, and what stood in its place before.

mod bench_support;

use bench_support::Stand;
use strapwise::bench::{Answer, Ask, Cut, Event, Key, Prompt, Slots, UnitId, UnitVerdict};

fn unit(serial: &str) -> UnitId {
    UnitId { serial: serial.into(), identity: 0xC0FFEE, former: None, ..UnitId::default() }
}

/// A unit whose chip has no identity.
fn fresh(serial: &str) -> Stand {
    let mut stand = Stand::named(unit(serial));
    stand.identity = Default::default();
    stand
}

fn kept(stand: &Stand) -> Option<&Slots> {
    stand.events.iter().find_map(|e| match e {
        Event::Kept(slots) => Some(slots),
        _ => None,
    })
}

fn put_back(stand: &Stand) -> bool {
    stand.events.contains(&Event::PutBack)
}

#[test]
fn what_stood_in_the_identity_s_place_is_kept_first_and_put_back_at_the_end() {
    let mut stand = fresh("G017");
    let before = stand.slots.clone();
    stand.expect_verdict(UnitVerdict::Pass);
    assert_eq!(kept(&stand), Some(&before));
    let at = |wanted: &dyn Fn(&Event) -> bool| stand.events.iter().position(wanted);
    let probe = at(&|e| matches!(e, Event::Probe(info) if info.identity == "00C0FFEE"));
    assert!(at(&|e| matches!(e, Event::Kept(_))) < probe && probe.is_some());
    assert!(put_back(&stand) && stand.slots == before, "{:?}", stand.slots);
}

#[test]
fn a_stop_puts_back_what_was_there_too() {
    let mut stand = fresh("G017");
    let before = stand.slots.clone();
    stand.prompted_move("J1", "1").stop();
    assert_eq!(stand.summary().cut, Some(Cut::Stopped));
    assert!(put_back(&stand) && stand.slots == before);
}

#[test]
fn a_chip_that_keeps_nothing_is_tested_without_an_identity() {
    let mut stand = fresh("G017").answered_by(|ask, answer| match ask {
        Ask::Slots => Answer::Refused("-240 Hardware error".into()),
        _ => answer,
    });
    stand.expect_verdict(UnitVerdict::Pass);
    let why = |e: &Event| matches!(e, Event::NoIdentity(why) if why.contains("-240"));
    assert!(stand.events.iter().any(why));
    assert!(!put_back(&stand));
}

#[test]
fn after_a_run_that_was_cut_the_next_one_puts_back_what_the_first_had_found() {
    let first: Slots = [vec![1, 2, 3, 4], vec![5, 6, 7, 8]];
    let owing = UnitId { former: Some(first.clone()), ..unit("G017") };
    let mut stand = Stand::named(owing);
    stand.identity = ("00C0FFEE".into(), "G017".into());
    stand.expect_verdict(UnitVerdict::Pass);
    assert!(kept(&stand).is_none(), "what is there is an identity, not the product's");
    assert!(put_back(&stand) && stand.slots == first);
}

#[test]
fn a_chip_with_the_identity_of_another_unit_is_asked_about() {
    let other = || {
        let mut stand = Stand::named(unit("G017"));
        stand.identity = ("0BADCAFE".into(), "G016".into());
        stand.start();
        assert_eq!(stand.next_prompt(), Some(Prompt::OtherUnit { written: "G016".into() }));
        stand
    };
    let mut no = other();
    no.press(Key::No);
    while no.step() {}
    let summary = no.summary();
    assert_eq!(summary.verdict, UnitVerdict::Incomplete);
    assert!(summary.reasons[0].contains("G016"), "{:?}", summary.reasons);
    let mut yes = other();
    yes.press(Key::Yes);
    yes.expect_verdict(UnitVerdict::Pass);
}
