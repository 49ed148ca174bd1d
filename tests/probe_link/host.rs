//! The host's own requests, carried by its own framing, answered by the probe's core.

use crate::stand_in::{Fixed, probe};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use strapwise::probe::core::Core;
use strapwise::probe::message::wire::TAG_MAX;
use strapwise::probe::message::{Cause, Pull, Reference, Reply, Request, UNIT_NAME_MAX};

/// Asks as the host does and opens the answer as it does; its error number, and the reply read.
fn carry(core: &mut Core<Fixed>, request: &Request, tag: &str) -> (i16, Option<Reply>) {
    let line = request.encode(tag);
    core.receive(&line);
    let sent = core.take_output();
    let what = format!("{request:?}: {}", String::from_utf8_lossy(&sent));
    assert!(sent.len() <= request.largest_reply(), "longer than the host keeps: {what}");
    let answer = request.open(&line, &sent).unwrap_or_else(|e| panic!("{what}: {e}"));
    assert_eq!(answer.frame.tag, tag, "{what}");
    (answer.frame.error, answer.reply(request).ok())
}

fn answer(core: &mut Core<Fixed>, request: &Request) -> Reply {
    let (error, reply) = carry(core, request, "c0ffee.1");
    assert_eq!(error, 0, "{request:?}");
    reply.unwrap_or_else(|| panic!("{request:?}: no reply of its kind"))
}

fn burst(channel: u8, pull_up: bool) -> Request {
    Request::Burst { channel, n: 961, pull_up, settle_us: 500, discard: 1, prescaler: 128 }
}

#[test]
fn every_question_of_the_host_is_answered_in_its_kind() {
    let mut core = probe();
    let Reply::Identified { maker, model, serial, .. } = answer(&mut core, &Request::Identify)
    else {
        panic!("not an identity");
    };
    assert_eq!([&*maker, &*model, &*serial], ["Strapwise", "PROBE-ATMEGA328P", "0"]);
    assert_eq!(answer(&mut core, &Request::Version), Reply::Version("1999.0".into()));
    assert_eq!(answer(&mut core, &Request::SelfTest), Reply::SelfTest(0));
    let Reply::Boot { count: 0, cause: Cause::Power, .. } = answer(&mut core, &Request::Boot)
    else {
        panic!("a first boot by power-on that is not counted");
    };
    let fuses = Reply::Fuses { low: 0xFF, high: 0xDE, extended: 0xFD, lock: 0xCF };
    assert_eq!(answer(&mut core, &Request::Fuses), fuses);
    let none = Reply::Identity { identity: 0, unit: String::new() };
    assert_eq!(answer(&mut core, &Request::Identity), none);
    let empty = Reply::Error { code: 0, text: "No error".into() };
    assert_eq!(answer(&mut core, &Request::NextError), empty);
    for (request, mean) in
        [(burst(14, false), 512.0), (burst(14, true), 661.0), (Request::Supply { n: 961 }, 225.0)]
    {
        let Reply::Burst(burst) = answer(&mut core, &request) else { panic!("{request:?}") };
        assert_eq!((burst.n, burst.mean(), burst.sd()), (961, mean, 0.0), "{request:?}");
    }
    for (channel, pull, ones) in [(3, Pull::Up, 200), (3, Pull::Off, 0), (4, Pull::Off, 200)] {
        let level = Request::Level { channel, n: 200, pull, settle_us: 100 };
        assert_eq!(answer(&mut core, &level), Reply::Level { n: 200, ones }, "{level:?}");
    }
    let charge = answer(&mut core, &Request::Charge { channel: 14, pairs: 100 });
    assert_eq!(charge, Reply::Charge { pairs: 100, first: 2048, last: 2048 });
}

#[test]
fn a_pin_is_discharged_and_a_reference_selected_only_when_the_host_has_named_it() {
    let mut core = probe();
    let level = Request::Level { channel: 5, n: 100, pull: Pull::Discharged, settle_us: 50 };
    let (previous, channel) = (14, 18);
    let reference = Reference::Internal;
    let product =
        Request::Product { previous, channel, n: 1, discard: 1, prescaler: 128, reference };
    for refused in [&level, &product] {
        assert_eq!(carry(&mut core, refused, "t").0, -221, "{refused:?}");
    }
    assert_eq!(core.pins().reference, Reference::Supply);
    let pins = Request::AllowDischarge { pins: vec![4, 5] };
    assert_eq!(answer(&mut core, &pins), Reply::Done);
    assert_eq!(answer(&mut core, &level), Reply::Level { n: 100, ones: 0 });
    let references = vec![Reference::Supply, Reference::Internal];
    assert_eq!(answer(&mut core, &Request::AllowReferences { references }), Reply::Done);
    let Reply::Burst(burst) = answer(&mut core, &product) else { panic!("{product:?}") };
    assert_eq!(burst.sum, 800);
    answer(&mut core, &Request::Supply { n: 1 });
    assert_eq!(core.pins().reference, Reference::Supply);
}

fn raw(n: u16) -> Request {
    let (pull_up, prescaler, bits) = (false, 128, 10);
    Request::Raw { channel: 14, n, pull_up, settle_us: 0, discard: 0, prescaler, bits }
}

/// Codes that differ from their neighbours, over the whole scale.
fn scripted(n: u16) -> (Core<Fixed>, Vec<u16>) {
    let codes: Vec<u16> = (0..n).map(|i| (u32::from(i) * 389 % 1024) as u16).collect();
    let mut core = probe();
    core.pins().script = codes.clone();
    (core, codes)
}

#[test]
fn raw_samples_come_back_code_by_code_with_the_sums_of_the_burst() {
    for n in [1, 31, 32, 33, 64, 961, 65_535] {
        let (mut core, codes) = scripted(n);
        let Reply::Raw(raw) = answer(&mut core, &raw(n)) else { panic!("raw samples") };
        assert_eq!((raw.codes(), raw.lost()), (Some(codes), vec![]), "{n}");
        let (mut core, _) = scripted(n);
        let Request::Raw { channel, n, pull_up, settle_us, discard, prescaler, .. } = self::raw(n)
        else {
            panic!("raw samples")
        };
        let burst = Request::Burst { channel, n, pull_up, settle_us, discard, prescaler };
        assert_eq!(answer(&mut core, &burst), Reply::Burst(raw.burst), "{n}");
    }
}

#[test]
fn a_byte_damaged_in_a_frame_costs_its_samples_and_no_others_and_never_gives_a_wrong_one() {
    let (mut core, codes) = scripted(100);
    let request = raw(100);
    let line = request.encode("t");
    core.receive(&line);
    let sent = core.take_output();
    let (mut with_holes, mut refused) = (0, 0);
    for (at, flip) in (0..sent.len() - 1).flat_map(|at| [1_u8, 3, 0x10, 0x80].map(|f| (at, f))) {
        let mut damaged = sent.clone();
        damaged[at] ^= flip;
        let Ok(answer) = request.open(&line, &damaged) else {
            refused += 1;
            continue;
        };
        let Ok(Reply::Raw(raw)) = answer.reply(&request) else { panic!("byte {at} ^ {flip}") };
        let missing: u32 = raw.lost().iter().map(|r| r.end - r.start).sum();
        assert!((1..=64).contains(&missing) || at % 67 == 66, "byte {at}: {:?}", raw.lost());
        for frame in &raw.frames {
            let first = frame.first as usize;
            assert_eq!(frame.codes, codes[first..first + frame.codes.len()], "byte {at}");
        }
        with_holes += usize::from(missing > 0);
    }
    println!("{with_holes} with samples missing, {refused} not taken at all");
    assert!(with_holes > 3 * refused, "{with_holes}, {refused}");
}

#[test]
fn a_frame_that_never_came_is_named_by_the_numbers_of_its_conversions() {
    let (mut core, codes) = scripted(100);
    let request = raw(100);
    let line = request.encode("t");
    core.receive(&line);
    let sent = core.take_output();
    // Three frames of 67 bytes with their commas, then one of four codes.
    let short = [&sent[..67], &sent[134..]].concat();
    let raw = request.open(&line, &short).expect("the sums stand").reply(&request);
    let Ok(Reply::Raw(raw)) = raw else { panic!("{raw:?}") };
    assert_eq!((raw.codes(), &*raw.lost()), (None, std::slice::from_ref(&(32..64))));
    assert_eq!(raw.frames[1].codes, codes[64..96]);
    assert_eq!(u64::from(raw.burst.n), 100);
}

#[test]
fn frames_of_another_request_are_not_taken_for_those_of_this_one() {
    let (mut core, _) = scripted(40);
    let request = raw(40);
    let [first, second] = ["a", "b"].map(|tag| {
        let line = request.encode(tag);
        core.receive(&line);
        (line, core.take_output())
    });
    let mixed = [&first.1[..67], &second.1[67..]].concat();
    let answer = request.open(&second.0, &mixed).expect("the sums stand");
    let Ok(Reply::Raw(raw)) = answer.reply(&request) else { panic!("raw samples") };
    assert_eq!(*raw.lost(), *std::slice::from_ref(&(0..32)));
}

#[test]
fn a_load_goes_on_inside_a_burst_and_every_code_round_it_comes_back() {
    let mut core = probe();
    let step = |channel, load| Request::Step {
        channel,
        loads: vec![load],
        before: 100,
        after: 200,
        bits: 10,
    };
    assert_eq!(carry(&mut core, &step(Some(19), 9), "n").0, -221, "it is not allowed yet");
    answer(&mut core, &Request::Allow { pins: vec![9], off_high: false });
    for (channel, off, on) in [(Some(19), 400, [380, 390, 396]), (None, 225, [231, 228, 227])] {
        let Reply::Step { before, lead, after } = answer(&mut core, &step(channel, 9)) else {
            panic!("a step")
        };
        assert_eq!((before.n, before.min, before.max), (100, off, off));
        assert_eq!(lead, [off; 32], "up to the one that is under way as it goes on");
        let codes = after.codes().expect("every frame has come");
        assert_eq!((codes.len(), &codes[..3]), (200, &on[..]));
        assert!(codes[3..].iter().all(|code| *code == on[2]), "{codes:?}");
        let state = Request::OutputState { pin: 9 };
        assert_eq!(answer(&mut core, &state), Reply::Output(false), "off again");
    }
}

#[test]
fn of_a_step_a_damaged_frame_costs_its_own_codes_and_the_figures_stand() {
    let mut core = probe();
    answer(&mut core, &Request::Allow { pins: vec![9], off_high: false });
    let request =
        Request::Step { channel: Some(19), loads: vec![9], before: 4, after: 100, bits: 10 };
    let line = request.encode("t");
    core.receive(&line);
    let mut sent = core.take_output();
    let second = sent.windows(2).enumerate().filter(|(_, w)| w == b"#2").nth(2).expect("frames").0;
    sent[second + 20] ^= 1;
    let answer = request.open(&line, &sent).expect("the figures stand").reply(&request);
    let Ok(Reply::Step { before, after, .. }) = answer else { panic!("{answer:?}") };
    assert_eq!((before.mean(), after.burst.min), (400.0, 380));
    assert_eq!((after.codes(), &*after.lost()), (None, std::slice::from_ref(&(32..64))));
}

/// Requests with figures on both sides of every limit.
fn any_request() -> impl Strategy<Value = Request> {
    let n = || prop::sample::select(vec![0_u16, 1, 3, 4, 10, 1000, 1001, 2000, 2001]);
    let settle = || prop::sample::select(vec![0_u32, 500, 1000, 1001, 1_000_000, 1_000_001]);
    let discard = || prop::sample::select(vec![0_u16, 100, 101, 256, u16::MAX]);
    let prescaler = || prop::sample::select(vec![0_u8, 8, 16, 32, 64, 127, 128, 255]);
    let pull = prop::sample::select(vec![Pull::Off, Pull::Up, Pull::Discharged]);
    let (channel, previous, reference) = (14, 15, Reference::Supply);
    prop_oneof![
        (n(), discard()).prop_map(move |(n, discard)| Request::Raw {
            channel,
            n,
            pull_up: false,
            settle_us: 0,
            discard,
            prescaler: 128,
            bits: 10,
        }),
        (n(), settle(), discard(), prescaler()).prop_map(
            move |(n, settle_us, discard, prescaler)| Request::Burst {
                channel,
                n,
                pull_up: true,
                settle_us,
                discard,
                prescaler
            }
        ),
        (n(), discard(), prescaler()).prop_map(move |(n, discard, prescaler)| Request::Product {
            previous,
            channel,
            n,
            discard,
            prescaler,
            reference
        }),
        (n(), pull, settle()).prop_map(|(n, pull, settle_us)| Request::Level {
            channel: 4,
            n,
            pull,
            settle_us
        }),
        n().prop_map(move |pairs| Request::Charge { channel, pairs }),
        n().prop_map(|n| Request::Supply { n }),
        (n(), n(), any::<bool>()).prop_map(|(before, after, pin)| Request::Step {
            channel: pin.then_some(19),
            loads: vec![10],
            before,
            after,
            bits: 10,
        }),
        prop::sample::select(vec![0, 99, 100, 60_000, 60_001]).prop_map(|ms| Request::Hold { ms }),
        (0..2_u32, prop::sample::select(vec![0, 64, 65])).prop_map(|(identity, length)| {
            Request::WriteIdentity { identity, unit: "x".repeat(length) }
        }),
        (0..4_u8).prop_map(|slot| Request::Slot { slot }),
        (0..4_u8, 79..82_usize)
            .prop_map(|(slot, n)| Request::WriteSlot { slot, bytes: vec![255; n] }),
        (any::<bool>(), 0..3_usize)
            .prop_map(|(off_high, n)| Request::Allow { pins: vec![9; n], off_high }),
        prop::sample::select(vec![0, 7, 8, 80, 119, 120, 255])
            .prop_map(|address| { Request::Presence { address, pull_up: true, sda: 12, scl: 13 } }),
        (0..3_usize).prop_map(|n| Request::AllowDischarge { pins: vec![4; n] }),
        (0..3_usize).prop_map(move |n| Request::AllowReferences { references: vec![reference; n] }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 600, rng_seed: RngSeed::Fixed(328), ..Default::default()
    })]

    #[test]
    fn what_the_probe_would_refuse_is_known_before_it_is_sent(request in any_request()) {
        let mut core = probe();
        prop_assert_eq!(carry(&mut core, &Request::AllowDischarge { pins: vec![4, 12, 13] }, "t").0, 0);
        let loads = Request::Allow { pins: vec![10], off_high: false };
        prop_assert_eq!(carry(&mut core, &loads, "t").0, 0);
        let line = request.encode("t");
        core.receive(&line);
        let sent = core.take_output();
        // A line that the probe cannot even read ends without a tag or is thrown away.
        let error = request.open(&line, &sent).map_or(-363, |answer| answer.frame.error);
        prop_assert_eq!(request.problem().is_none(), error == 0, "{:?}: {}", request, error);
    }
}

#[test]
fn every_order_of_the_host_is_carried_out() {
    let mut core = probe();
    let allow = Request::Allow { pins: vec![9, 10], off_high: true };
    for order in [allow, Request::Output { pin: 9, on: true }, Request::Hold { ms: 1000 }] {
        assert_eq!(answer(&mut core, &order), Reply::Done, "{order:?}");
    }
    let state = Request::OutputState { pin: 9 };
    assert_eq!(answer(&mut core, &state), Reply::Output(true));
    for order in [Request::Abort, Request::Reset] {
        assert_eq!(answer(&mut core, &Request::Output { pin: 9, on: true }), Reply::Done);
        assert_eq!(answer(&mut core, &order), Reply::Done, "{order:?}");
        assert_eq!(answer(&mut core, &state), Reply::Output(false), "after {order:?}");
    }
    assert_eq!(carry(&mut core, &Request::Output { pin: 11, on: true }, "n").0, -221);
}

#[test]
fn the_longest_unit_name_and_tag_pass_through_the_line_both_ways() {
    // Quotes are doubled on the line: the longest that it can become.
    let unit = "\"".repeat(UNIT_NAME_MAX);
    let tag = "t".repeat(TAG_MAX);
    let mut core = probe();
    let write = Request::WriteIdentity { identity: u32::MAX, unit: unit.clone() };
    assert_eq!(carry(&mut core, &write, &tag), (0, Some(Reply::Done)));
    let written = Reply::Identity { identity: u32::MAX, unit };
    assert_eq!(carry(&mut core, &Request::Identity, &tag), (0, Some(written.clone())));

    for slot in 1..=2 {
        let (error, reply) = carry(&mut core, &Request::Slot { slot }, &tag);
        let Some(Reply::Slot(bytes)) = reply else { panic!("slot {slot}: error {error}") };
        let back = Request::WriteSlot { slot, bytes };
        assert_eq!(carry(&mut core, &back, &tag), (0, Some(Reply::Done)), "slot {slot}");
    }
    assert_eq!(carry(&mut core, &Request::Identity, &tag), (0, Some(written)));
    let long = Request::WriteIdentity { identity: 1, unit: "x".repeat(UNIT_NAME_MAX + 1) };
    assert_eq!(carry(&mut core, &long, &tag).0, -151);
}
