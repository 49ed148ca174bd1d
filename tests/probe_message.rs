//! What is asked of the probe and what comes back, as bytes.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::time::Duration;
use strapwise::probe::message::{
    Burst, Cause, Pull, Reference, Reply, ReplyError, Request, UNIT_NAME_MAX, unit_name_problem,
    wire,
};

fn line(request: &Request) -> String {
    String::from_utf8(request.encode("a7")).expect("requests are ASCII")
}

/// Burst figures of a list of codes, straight from their definitions.
fn burst(codes: &[u16]) -> Burst {
    let wide: Vec<u64> = codes.iter().map(|&c| c.into()).collect();
    let mut sorted = codes.to_vec();
    sorted.sort_unstable();
    let wrapped = wide.iter().zip(wide.iter().cycle().skip(1));
    Burst {
        n: u32::try_from(codes.len()).expect("short"),
        sum: wide.iter().sum(),
        sumsq: wide.iter().map(|c| c * c).sum(),
        min: sorted[0],
        max: sorted[sorted.len() - 1],
        lag1: wrapped.map(|(a, b)| a * b).sum(),
        q01: sorted[0],
        q99: sorted[sorted.len() - 1],
    }
}

fn burst_of(n: u16) -> Request {
    Request::Burst { channel: 14, n, pull_up: false, settle_us: 0, discard: 1, prescaler: 128 }
}

#[test]
fn requests_are_written_as_the_link_lays_down() {
    let asked = [
        (Request::Identify, "*IDN? \"a7\"\n"),
        (Request::Boot, "SYST:BOOT? \"a7\"\n"),
        (
            Request::WriteIdentity { identity: 0xC0FFEE, unit: "A-\"7\"".into() },
            "SYST:IDEN #HC0FFEE,\"A-\"\"7\"\"\",\"a7\"\n",
        ),
        (Request::Fuses, "SYST:FUS? \"a7\"\n"),
        (Request::Slot { slot: 2 }, "MEM:SLOT? 2,\"a7\"\n"),
        (Request::WriteSlot { slot: 1, bytes: vec![0xFF, 0x0A] }, "MEM:SLOT 1,\"FF0A\",\"a7\"\n"),
        (burst_of(961), "MEAS:BURS? 961,OFF,0,1,128,(@14),\"a7\"\n"),
        (
            Request::Level { channel: 2, n: 16, pull: Pull::Up, settle_us: 500 },
            "MEAS:LEV? 16,ON,500,(@2),\"a7\"\n",
        ),
        (
            Request::Level { channel: 2, n: 16, pull: Pull::Discharged, settle_us: 50 },
            "MEAS:LEV? 16,DISC,50,(@2),\"a7\"\n",
        ),
        (
            Request::Product {
                previous: 15,
                channel: 14,
                n: 4,
                discard: 1,
                prescaler: 64,
                reference: Reference::Internal,
            },
            "MEAS:PROD? 4,1,64,INT,(@15),(@14),\"a7\"\n",
        ),
        (Request::AllowDischarge { pins: vec![2, 4] }, "OUTP:DISC (@2,4),\"a7\"\n"),
        (
            Request::AllowReferences { references: vec![Reference::Supply, Reference::External] },
            "SYST:REF SUPP,EXT,\"a7\"\n",
        ),
        (Request::Charge { channel: 14, pairs: 64 }, "MEAS:CHAR? 64,(@14),\"a7\"\n"),
        (Request::Supply { n: 961 }, "MEAS:SUPP? 961,\"a7\"\n"),
        (Request::Allow { pins: vec![9, 10], off_high: false }, "OUTP:ALL LOW,(@9,10),\"a7\"\n"),
        (Request::Output { pin: 9, on: true }, "OUTP ON,(@9),\"a7\"\n"),
        (Request::OutputState { pin: 9 }, "OUTP? (@9),\"a7\"\n"),
        (Request::Hold { ms: 3000 }, "OUTP:HOLD 3000,\"a7\"\n"),
        (Request::Abort, "ABOR \"a7\"\n"),
        (Request::Reset, "*RST \"a7\"\n"),
        (Request::NextError, "SYST:ERR? \"a7\"\n"),
    ];
    for (request, text) in asked {
        assert_eq!(line(&request), text);
    }
}

#[test]
fn a_burst_over_mains_periods_is_given_its_own_time_and_a_margin() {
    // 961 conversions at 125 kHz span 100 ms (design, section 6); 13 converter clocks each
    // (ATmega328P data sheet 8271H, section 24.4).
    let wait = burst_of(961).timeout();
    assert!(wait > Duration::from_millis(400) && wait < Duration::from_millis(401), "{wait:?}");
}

#[test]
fn every_request_is_given_longer_than_the_probe_takes_at_its_limits() {
    // Limits and times as protocols/probe-link.md has them.
    let (channel, pull_up, settle_us) = (14, true, 1_000_000);
    let burst = |prescaler| Request::Burst {
        channel,
        n: 65_535,
        pull_up,
        settle_us,
        discard: 100,
        prescaler,
    };
    let product = |prescaler| Request::Product {
        previous: 15,
        channel,
        n: 65_535,
        discard: 100,
        prescaler,
        reference: Reference::Internal,
    };
    let unit = String::from("007");
    let limits = [
        // 104 µs a conversion at 128; at 16 the processor is slower than the converter: 42 µs.
        (burst(128), 1000 + 6827),
        (burst(16), 1000 + 2757),
        (Request::Level { channel, n: 1000, pull: Pull::Up, settle_us }, 1000 + 100),
        (
            Request::Level { channel, n: 1000, pull: Pull::Discharged, settle_us: 1000 },
            1000 + 100 + 20,
        ),
        (product(128), 50 + 6827),
        (product(16), 50 + 2757),
        (Request::Charge { channel, pairs: 2000 }, 416),
        (Request::Supply { n: 65_535 }, 2 + 6816),
        (Request::WriteIdentity { identity: 1, unit }, 600),
        (Request::WriteSlot { slot: 1, bytes: vec![0xFF; 80] }, 300),
    ];
    for (request, takes) in limits {
        let wait = request.timeout().as_millis();
        assert!((takes + 250..takes * 2 + 500).contains(&wait), "{wait} ms for {request:?}");
    }
}

#[test]
fn the_longest_requests_fit_the_probes_line() {
    // Up to 224 bytes count as the line, up to 20 characters as a tag (protocols/probe-link.md).
    let unit = "\"".repeat(UNIT_NAME_MAX);
    assert_eq!(unit_name_problem(&unit), None);
    let longest = [
        Request::WriteIdentity { identity: u32::MAX, unit },
        Request::WriteSlot { slot: 2, bytes: vec![0xFF; 80] },
    ];
    for request in longest {
        let line = request.encode(&"t".repeat(wire::TAG_MAX));
        assert!(line.len() <= 224, "{} bytes: {request:?}", line.len());
    }
}

#[test]
fn the_check_word_is_the_published_one() {
    // CRC-16/IBM-3740 over "123456789" is 0x29B1, over "A" 0xB915 (crc-catalog 2.5.0 and
    // crcmod 1.7; check-values F5, F6).
    assert_eq!(wire::check_word(b"123456789", b""), 0x29B1);
    assert_eq!(wire::check_word(b"12345\r\n", b"6789"), 0x29B1);
    assert_eq!(wire::check_word(b"A\n", b""), 0xB915);
}

#[test]
fn burst_statistics_agree_with_the_certified_sets() {
    // NIST StRD NumAcc1: 10000001, 10000003, 10000002 has mean 10000002 and deviation 1.
    // The codes are shifted into 16 bits; a shift leaves the deviation as it is.
    let acc1 = burst(&[60001, 60003, 60002]);
    assert_eq!((acc1.mean(), acc1.sd()), (60002.0, 1.0));
    // NIST StRD NumAcc2: 1.2 once, then 1.1 and 1.3 by turns 500 times: mean 1.2, deviation 0.1,
    // lag-1 autocorrelation -0.999 (check-values 4a); in tenths here. The first code is the mean,
    // so the wrapped product adds nothing.
    let acc2: Vec<u16> = std::iter::once(12).chain([11, 13].repeat(500)).collect();
    let acc2 = burst(&acc2);
    assert_eq!(acc2.mean(), 12.0);
    assert!((acc2.sd() - 1.0).abs() < 1e-12, "{}", acc2.sd());
    let r = acc2.lag1().expect("the codes vary");
    assert!((r + 0.999).abs() < 1e-12, "{r}");
}

#[test]
fn a_burst_without_any_deviation_has_no_autocorrelation() {
    let still = burst(&[1023; 961]);
    assert_eq!((still.mean(), still.sd(), still.lag1()), (1023.0, 0.0, None));
}

#[test]
fn sums_that_do_not_belong_together_give_no_autocorrelation() {
    let odd = Burst { lag1: 0, ..burst(&[500, 501, 500, 502]) };
    assert_eq!(odd.lag1(), None);
}

#[test]
fn figures_that_contradict_each_other_are_refused() {
    let good = burst(&[500, 501, 502]);
    let bad = [
        Burst { n: 4, ..good },
        Burst { sum: 10, ..good },
        Burst { sumsq: 3, ..good },
        Burst { min: 502, ..good },
        Burst { q01: 499, ..good },
        Burst { q01: 502, q99: 501, ..good },
        Burst { q99: 600, ..good },
    ];
    for burst in bad {
        let frame = opened(&burst_of(3), &Reply::Burst(burst));
        assert_eq!(burst_of(3).reply(&frame.data), Err(ReplyError::Contradiction), "{burst:?}");
    }
    let other = opened(&burst_of(9), &Reply::Burst(good));
    assert_eq!(burst_of(9).reply(&other.data), Err(ReplyError::Contradiction));
}

#[test]
fn a_reply_of_another_shape_names_the_field() {
    let frame = opened(&Request::Boot, &Reply::Version("3,DIPPED,12".into()));
    let problem = Request::Boot.reply(&frame.data).expect_err("no such cause");
    assert!(problem.to_string().contains("\"DIPPED\" where the reset cause belongs"), "{problem}");
    let frame = opened(&Request::Boot, &Reply::Done);
    assert_eq!(Request::Boot.reply(&frame.data), Err(ReplyError::Fields { expected: 3, found: 0 }));
}

#[test]
fn a_unit_name_that_does_not_fit_the_slot_is_named_beforehand() {
    assert_eq!(unit_name_problem("2024-007"), None);
    assert!(unit_name_problem(&"x".repeat(UNIT_NAME_MAX + 1)).is_some_and(|t| t.contains("64")));
    assert!(unit_name_problem("Prüfling").is_some_and(|t| t.contains("'ü'")));
}

fn opened(request: &Request, reply: &Reply) -> wire::Frame {
    let asked = request.encode("a7");
    let sent = wire::seal(&asked, &reply.text(), 0, "a7");
    assert!(sent.len() <= request.largest_reply(), "{} bytes for {request:?}", sent.len());
    wire::open(&asked, &sent).expect("sealed a moment ago")
}

#[test]
fn every_reply_is_read_back_as_it_was_written() {
    let unit = "U \"7\", left".to_string();
    let pairs = [
        (
            Request::Identify,
            Reply::Identified {
                maker: "Strapwise".into(),
                model: "PROBE-ATMEGA328P".into(),
                serial: "C0FFEE".into(),
                firmware: "1.0".into(),
            },
        ),
        (Request::Version, Reply::Version("1999.0".into())),
        (Request::SelfTest, Reply::SelfTest(0)),
        (
            Request::Boot,
            Reply::Boot { count: 7, cause: Cause::BrownOut, uptime: Duration::from_millis(4321) },
        ),
        (Request::Fuses, Reply::Fuses { low: 0xFF, high: 0xDE, extended: 0xFD, lock: 0xCF }),
        (Request::Identity, Reply::Identity { identity: 0xDEAD_BEEF, unit }),
        (Request::Slot { slot: 1 }, Reply::Slot((0..80).collect())),
        (burst_of(4), Reply::Burst(burst(&[1, 2, 3, 2]))),
        (
            Request::Level { channel: 2, n: 9, pull: Pull::Off, settle_us: 0 },
            Reply::Level { n: 9, ones: 9 },
        ),
        (
            Request::Charge { channel: 14, pairs: 64 },
            Reply::Charge { pairs: 64, first: 4092, last: 0 },
        ),
        (Request::OutputState { pin: 9 }, Reply::Output(true)),
        (Request::NextError, Reply::Error { code: -113, text: "Undefined header".into() }),
        (Request::Abort, Reply::Done),
    ];
    for (request, reply) in pairs {
        let frame = opened(&request, &reply);
        assert_eq!((frame.error, frame.tag.as_str()), (0, "a7"));
        assert_eq!(request.reply(&frame.data), Ok(reply));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: RngSeed::Fixed(328), ..Default::default() })]

    #[test]
    fn any_line_of_bytes_is_refused_with_a_reason_or_read(bytes in any::<Vec<u8>>()) {
        let asked = Request::Boot.encode("a7");
        if let Ok(frame) = wire::open(&asked, &bytes) {
            let _ = Request::Boot.reply(&frame.data);
        }
    }

    #[test]
    fn any_fields_behind_a_valid_check_are_refused_with_a_reason_or_read(
        data in "[ -~]{0,80}", error in any::<i16>(),
    ) {
        let asked = burst_of(961).encode("a7");
        if let Ok(frame) = wire::open(&asked, &wire::seal(&asked, &data, error, "a7")) {
            prop_assert_eq!(frame.error, error);
            let _ = burst_of(961).reply(&frame.data);
        }
    }

    #[test]
    fn a_single_damaged_byte_on_either_way_is_always_seen(
        at in 0usize..70, with in any::<u8>(), there in any::<bool>(),
    ) {
        let asked = burst_of(4).encode("a7");
        let reply = Reply::Burst(burst(&[500, 501, 502, 501])).text();
        let (mut heard, mut said) = (asked.clone(), Vec::new());
        if there {
            let at = at % (heard.len() - 1);
            prop_assume!(heard[at] != with);
            heard[at] = with;
            said.extend(wire::seal(&heard, &reply, 0, "a7"));
        } else {
            said.extend(wire::seal(&asked, &reply, 0, "a7"));
            let at = at % (said.len() - 1);
            prop_assume!(!said[at].eq_ignore_ascii_case(&with));
            said[at] = with;
        }
        prop_assert!(wire::open(&asked, &said).is_err());
    }

    #[test]
    fn hexadecimal_bytes_survive(bytes in any::<Vec<u8>>()) {
        prop_assert_eq!(wire::unhex(&wire::hex(&bytes)), Some(bytes));
    }
}
