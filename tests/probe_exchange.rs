//! One question at a time over a line that loses, repeats, delays and garbles bytes.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::time::Duration;
use strapwise::probe::exchange::{Exchange, Outcome, QUIET, TRIES};
use strapwise::probe::faulty::{Faults, Faulty};
use strapwise::probe::message::{Cause, Pull, Reply, Request, wire};

const START: Duration = Duration::ZERO;

fn ms(n: u64) -> Duration {
    Duration::from_millis(n)
}

fn level(n: u16) -> Request {
    Request::Level { channel: 2, n, pull: Pull::Off, settle_us: 0 }
}

/// A probe that answers `MEAS:LEV? n` by `n,n`, whatever stands in the line otherwise, as the link
/// lays down: with tag and CRC over the line as it was heard.
fn probe(heard: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    for line in heard.split_inclusive(|&b| b == b'\n').filter(|l| l.ends_with(b"\n")) {
        let text = String::from_utf8_lossy(wire::without_terminator(line)).into_owned();
        let mut parts = text.split('"');
        let (Some(program), Some(tag)) = (parts.next(), parts.next()) else { continue };
        let asked = program.trim_start_matches("MEAS:LEV? ").split(',').next();
        let n: u16 = asked.and_then(|n| n.parse().ok()).unwrap_or(0);
        out.extend(wire::seal(line, &format!("{n},{n}"), 0, tag));
    }
    out
}

fn answer(n: u32) -> Option<Outcome> {
    Some(Outcome::Reply(Reply::Level { n, ones: n }))
}

/// Runs the clock up to the next wake and returns what is written then.
fn wake(exchange: &mut Exchange, now: &mut Duration) -> Option<Vec<u8>> {
    *now = exchange.wake_at()?;
    exchange.tick(*now)
}

#[test]
fn an_answer_counts_the_same_whole_halved_or_byte_by_byte() {
    for portion in [1, 7, usize::MAX] {
        let mut exchange = Exchange::new(1);
        let sent = exchange.request(START, level(16));
        for piece in probe(&sent).chunks(portion) {
            assert_eq!(exchange.take(), None);
            exchange.bytes(ms(1), piece);
        }
        assert_eq!(exchange.take(), answer(16), "in portions of {portion}");
        assert_eq!(exchange.take(), None, "an outcome is handed over once");
        assert_eq!(exchange.thrown().bytes, 0);
    }
}

#[test]
fn a_request_beyond_the_probes_limits_is_refused_without_being_sent() {
    let mut exchange = Exchange::new(1);
    assert!(exchange.request(ms(7), level(1001)).is_empty());
    assert_eq!((exchange.busy(), exchange.wake_at()), (false, Some(ms(7))));
    assert_eq!(exchange.tick(ms(7)), None);
    let Some(Outcome::Refused { code: -222, text }) = exchange.take() else { panic!("refused") };
    assert_eq!(text, "the number of reads is 1001, the probe takes 1 to 1000");
    assert_eq!((exchange.take(), exchange.wake_at()), (None, None));
    let sent = exchange.request(ms(8), level(1000));
    exchange.bytes(ms(9), &probe(&sent));
    assert_eq!(exchange.take(), answer(1000));
}

#[test]
fn nothing_is_sent_in_the_boot_loaders_quiet_time() {
    let mut exchange = Exchange::new(1);
    exchange.opened(START);
    assert!(exchange.request(ms(5), level(16)).is_empty());
    exchange.bytes(ms(900), b"\x00\xffboot banner\r\n123");
    assert_eq!(exchange.tick(ms(1999)), None);
    assert_eq!(exchange.wake_at(), Some(QUIET));
    let sent = exchange.tick(QUIET).expect("the quiet time has passed");
    assert_eq!(sent[0], b'\n', "a line feed ends what the probe may hold half of");
    exchange.bytes(ms(2001), &probe(&sent));
    assert_eq!(exchange.take(), answer(16));
    assert_eq!(exchange.thrown().bytes, 18);
    assert_eq!(exchange.take_log(), ["\\x00\\xffboot banner\\r\\n123"]);
}

#[test]
fn a_silent_probe_is_asked_three_times_and_then_lost() {
    let (mut exchange, mut now) = (Exchange::new(1), START);
    let first = exchange.request(now, level(16));
    let mut sent = 1;
    while let Some(again) = wake(&mut exchange, &mut now) {
        sent += 1;
        assert_eq!(again[1..], first[..], "asked again in the same words");
    }
    assert_eq!(sent, TRIES);
    assert_eq!(exchange.take(), Some(Outcome::Lost { tries: TRIES }));
    assert_eq!(exchange.wake_at(), None);
    // Three waits, and the boot loader's time before the last try.
    assert_eq!(now, level(16).timeout() * 3 + QUIET);
}

#[test]
fn rates_are_tried_by_turns_until_one_brings_an_answer_and_then_it_stays() {
    let mut exchange = Exchange::new(1).at_rates(&[250_000, 38_400]);
    let (mut now, mut rates) = (START, vec![exchange.rate()]);
    exchange.request(now, level(16));
    let mut last = Vec::new();
    while let Some(sent) = wake(&mut exchange, &mut now) {
        rates.push(exchange.rate());
        last = sent;
    }
    assert_eq!(rates, [250_000, 38_400, 250_000, 38_400]);
    assert_eq!(exchange.take(), Some(Outcome::Lost { tries: 4 }));
    assert!(now > QUIET, "the boot loader's time lies between the rounds: {now:?}");
    // Asked again, it begins again; the answer at the second rate settles which it is.
    exchange.request(now, level(16));
    assert_eq!(exchange.rate(), 250_000);
    exchange.bytes(now, b"\xf8\x00half of something at the wrong rate");
    last.clear();
    last.extend(wake(&mut exchange, &mut now).expect("the other rate"));
    exchange.bytes(now, &probe(&last));
    assert_eq!((exchange.take(), exchange.rate()), (answer(16), 38_400));
    exchange.request(now, level(8));
    let mut sent = 1;
    while wake(&mut exchange, &mut now).is_some() {
        sent += 1;
        assert_eq!(exchange.rate(), 38_400);
    }
    assert_eq!(sent, TRIES);
    assert_eq!(exchange.rates(), [38_400]);
}

#[test]
fn a_slow_line_is_given_the_time_that_its_bytes_take() {
    let raw = Request::Raw {
        channel: 14,
        n: 320,
        pull_up: false,
        settle_us: 0,
        discard: 0,
        prescaler: 128,
        bits: 10,
    };
    // Ten frames of 68 bytes with their comma are 177 ms at 38,400 baud, ten bits a byte.
    let longer = raw.timeout_at(38_400) - raw.timeout();
    assert!(longer >= ms(177), "{longer:?}");
    assert_eq!(raw.timeout_at(250_000), raw.timeout());
}

#[test]
fn an_answer_after_the_loss_is_ignored_and_the_line_goes_on() {
    let (mut exchange, mut now) = (Exchange::new(1), START);
    let first = exchange.request(now, level(16));
    while wake(&mut exchange, &mut now).is_some() {}
    assert_eq!(exchange.take(), Some(Outcome::Lost { tries: TRIES }));
    let second = exchange.request(now, level(8));
    exchange.bytes(now, &probe(&first));
    assert_eq!(exchange.take(), None);
    exchange.bytes(now, &probe(&second));
    assert_eq!(exchange.take(), answer(8));
}

#[test]
fn an_answer_of_an_earlier_opening_is_ignored() {
    let mut earlier = Exchange::new(1);
    let old = probe(&earlier.request(START, level(16)));
    let mut exchange = Exchange::new(2);
    let sent = exchange.request(START, level(16));
    exchange.bytes(START, &old);
    assert_eq!(exchange.take(), None);
    exchange.bytes(START, &probe(&sent));
    assert_eq!(exchange.take(), answer(16));
}

#[test]
fn an_answer_that_names_another_request_is_ignored_though_its_check_is_right() {
    let mut exchange = Exchange::new(1);
    let sent = exchange.request(START, level(16));
    exchange.bytes(START, &wire::seal(&sent, "16,16", 0, "1.2"));
    assert_eq!(exchange.take(), None);
    exchange.bytes(START, &probe(&sent));
    assert_eq!(exchange.take(), answer(16));
}

#[test]
fn a_repeated_answer_does_not_answer_the_next_request() {
    let mut exchange = Exchange::new(1);
    let first = probe(&exchange.request(START, level(16)));
    exchange.bytes(START, &first);
    exchange.bytes(START, &first);
    assert_eq!(exchange.take(), answer(16));
    let _ = exchange.request(ms(1), level(16));
    exchange.bytes(ms(2), &first);
    assert_eq!(exchange.take(), None);
}

#[test]
fn the_tag_stays_within_what_the_probe_takes() {
    let mut exchange = Exchange::new(u32::MAX);
    for _ in 0..70_000 {
        let sent = exchange.request(START, level(16));
        let text = String::from_utf8_lossy(&sent).into_owned();
        let tag = text.split('"').nth(1).expect("requests are tagged");
        assert!(tag.len() <= wire::TAG_MAX, "{tag}");
    }
}

#[test]
fn a_newer_request_replaces_the_one_outstanding() {
    let mut exchange = Exchange::new(1);
    let burst = exchange.request(START, level(16));
    let abort = exchange.request(ms(1), Request::Abort);
    exchange.bytes(ms(2), &probe(&burst));
    assert_eq!(exchange.take(), None);
    let tag = String::from_utf8_lossy(&abort);
    let tag = tag.split('"').nth(1).expect("requests are tagged");
    exchange.bytes(ms(3), &wire::seal(&abort, "", 0, tag));
    assert_eq!(exchange.take(), Some(Outcome::Reply(Reply::Done)));
}

#[test]
fn a_request_that_was_changed_on_its_way_shows_through_the_check() {
    let (mut exchange, mut now) = (Exchange::new(1), START);
    let sent = exchange.request(now, level(16));
    // The probe hears and faithfully answers another question under the same tag.
    let heard = String::from_utf8_lossy(&sent).replace("(@2)", "(@3)").into_bytes();
    exchange.bytes(ms(1), &probe(&heard));
    assert_eq!(exchange.take(), None);
    let again = wake(&mut exchange, &mut now).expect("asked again");
    exchange.bytes(now, &probe(&again));
    assert_eq!(exchange.take(), answer(16));
}

#[test]
fn a_refusal_is_told_in_words() {
    let mut exchange = Exchange::new(1);
    let sent = exchange.request(START, Request::Output { pin: 9, on: true });
    exchange.bytes(START, &wire::seal(&sent, "", -221, "1.1"));
    let Some(Outcome::Refused { code: -221, text }) = exchange.take() else { panic!("refused") };
    assert!(text.contains("not named as one that may be driven"), "{text}");
}

#[test]
fn an_answer_of_another_version_is_named_not_repeated() {
    let mut exchange = Exchange::new(1);
    let sent = exchange.request(START, level(16));
    exchange.bytes(START, &wire::seal(&sent, "16", 0, "1.1"));
    let Some(Outcome::Unreadable(problem)) = exchange.take() else { panic!("unreadable") };
    assert!(problem.to_string().contains("1 fields where 2 belong"), "{problem}");
    assert!(!exchange.busy());
}

#[test]
fn a_reset_in_between_is_waited_out_and_shows_in_the_boot_count() {
    let (mut exchange, mut now) = (Exchange::new(1), START);
    let _ = exchange.request(now, Request::Boot);
    // In the boot loader both tries go unheard; it says something of its own.
    exchange.bytes(ms(40), b"\x14\x10");
    let _ = wake(&mut exchange, &mut now).expect("second try");
    let third = wake(&mut exchange, &mut now).expect("third try");
    assert!(now >= QUIET, "the last try waits until the boot loader is through");
    exchange.bytes(now, b"\n");
    exchange.bytes(now, &wire::seal(&third[1..], "8,EXTERNAL,310", 0, "1.1"));
    let boot = Reply::Boot { count: 8, cause: Cause::External, uptime: ms(310) };
    assert_eq!(exchange.take(), Some(Outcome::Reply(boot)));
    assert_eq!(exchange.thrown().bytes, 3);
}

#[test]
fn a_line_without_end_is_held_in_bounds_and_counted() {
    let mut exchange = Exchange::new(1);
    let sent = exchange.request(START, level(16));
    for thousands in 1..=1000 {
        exchange.bytes(ms(1), &[b'U'; 1000]);
        let held = thousands * 1000 - exchange.thrown().bytes;
        assert!(held <= 224, "{held} bytes held");
    }
    exchange.bytes(ms(2), b"\n");
    exchange.bytes(ms(3), &probe(&sent));
    assert_eq!(exchange.take(), answer(16));
    assert_eq!(exchange.thrown().bytes, 1_000_001);
    let log = exchange.take_log();
    assert_eq!(log.len(), 1);
    assert_eq!(log[0], "U".repeat(64));
}

/// One request over a bad line each way, until it ends.
fn converse(
    exchange: &mut Exchange,
    [there, back]: &mut [Faulty; 2],
    now: &mut Duration,
    request: Request,
) -> Outcome {
    let sent = exchange.request(*now, request);
    there.send(*now, &sent);
    loop {
        let due = [exchange.wake_at(), there.next(), back.next()];
        *now = due.into_iter().flatten().min().expect("a request ends").max(*now);
        let heard = there.arrived(*now);
        back.send(*now, &probe(&heard));
        exchange.bytes(*now, &back.arrived(*now));
        if let Some(outcome) = exchange.take() {
            return outcome;
        }
        there.send(*now, &exchange.tick(*now).unwrap_or_default());
        if let Some(outcome) = exchange.take() {
            return outcome;
        }
    }
}

#[test]
fn over_a_bad_line_every_answer_is_the_right_one_or_none() {
    let faults = Faults {
        drop: 0.002,
        corrupt: 0.002,
        double: 0.002,
        lose: 0.1,
        repeat: 0.1,
        late: (0.2, ms(3000)),
    };
    let (mut answered, mut lost) = (0, 0);
    for seed in 0..40u32 {
        let mut line = [0, 1].map(|way| Faulty::new(faults, u64::from(seed * 2 + way)));
        let mut exchange = Exchange::new(seed);
        let mut now = START;
        exchange.opened(now);
        for n in 1..50u16 {
            match converse(&mut exchange, &mut line, &mut now, level(n)) {
                Outcome::Lost { tries } => {
                    assert_eq!(tries, TRIES);
                    lost += 1;
                }
                outcome => {
                    assert_eq!(Some(outcome), answer(n.into()), "seed {seed}");
                    answered += 1;
                }
            }
        }
    }
    assert_eq!(answered + lost, 40 * 49);
    assert!(answered > 1500, "{answered} answered, {lost} lost");
    assert!(lost > 0, "the line was bad enough to lose some");
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: RngSeed::Fixed(329), ..Default::default() })]

    #[test]
    fn any_bytes_before_the_answer_are_thrown_away_and_the_answer_still_counts(
        pieces in prop::collection::vec(any::<Vec<u8>>(), 0..20),
    ) {
        let mut exchange = Exchange::new(7);
        let sent = exchange.request(START, level(16));
        let mut noise: u64 = 1;
        for piece in &pieces {
            noise += piece.len() as u64;
            exchange.bytes(ms(1), piece);
        }
        exchange.bytes(ms(2), b"\n");
        exchange.bytes(ms(3), &probe(&sent));
        prop_assert_eq!(exchange.take(), answer(16));
        prop_assert_eq!(exchange.thrown().bytes, noise);
    }
}
