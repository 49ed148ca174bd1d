//! Bursts, outputs and identity: what must hold whatever the host does.

use crate::stand_in::{Fixed, ask, next_error, probe, reset};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use strapwise::probe::core::{Core, EEPROM_SIZE, PinMode, RESET_EXTERNAL, RESET_POWER};

/// So many cases, the same ones in every run.
fn seeded(cases: u32) -> ProptestConfig {
    ProptestConfig { cases, rng_seed: RngSeed::Fixed(328), ..Default::default() }
}

// ---- bursts ------------------------------------------------------------------------------------

fn nearest_rank(sorted: &[u16], percent: usize) -> u16 {
    sorted[(sorted.len() * percent).div_ceil(100) - 1]
}

fn reply_to_burst(codes: &[u16]) -> String {
    let mut core = probe();
    core.pins().script = codes.to_vec();
    ask(&mut core, &format!("MEAS:BURS? {},OFF,0,0,128,(@14)", codes.len()))
}

fn expected_burst(codes: &[u16]) -> String {
    let wide: Vec<u64> = codes.iter().map(|&c| u64::from(c)).collect();
    let mut sorted = codes.to_vec();
    sorted.sort_unstable();
    format!(
        "{},{},{},{},{},{},{},{}",
        codes.len(),
        wide.iter().sum::<u64>(),
        wide.iter().map(|c| c * c).sum::<u64>(),
        sorted[0],
        sorted[sorted.len() - 1],
        // In a circle: the last code's neighbour is the first.
        wide.iter().zip(wide.iter().cycle().skip(1)).map(|(a, b)| a * b).sum::<u64>(),
        nearest_rank(&sorted, 1),
        nearest_rank(&sorted, 99),
    )
}

#[test]
fn the_longest_burst_at_full_scale_loses_nothing() {
    let codes = vec![1023; 65_535];
    assert_eq!(reply_to_burst(&codes), expected_burst(&codes));
}

#[test]
fn the_longest_burst_of_every_code_is_exact_to_the_last_digit() {
    // A walk over the whole scale with steps that differ, so that every sum has all its digits.
    let codes: Vec<u16> = (0..65_535_u32).map(|i| ((i * 7919 + i / 64) % 1024) as u16).collect();
    assert_eq!((codes.iter().min(), codes.iter().max()), (Some(&0), Some(&1023)));
    let (reply, expected) = (reply_to_burst(&codes), expected_burst(&codes));
    // The bins lie round the first code, 0: the lower quantile is exact, the upper the extreme.
    let sums = |text: &str| text.split(',').take(7).map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(sums(&reply), sums(&expected));
    assert!(reply.ends_with(",1023"), "{reply}");
}

#[test]
fn a_quantile_beyond_the_bins_is_given_as_the_extreme() {
    // 500 first, then a tenth far below the bins: the 1 % quantile lies below them.
    let mut codes = vec![500; 90];
    codes.extend([300, 310, 320, 330, 340, 350, 360, 370, 380, 390]);
    let reply = reply_to_burst(&codes);
    let fields: Vec<&str> = reply.split(',').collect();
    assert_eq!((fields[6], fields[7]), ("300", "500"));
}

proptest! {
    #![proptest_config(seeded(64))]

    #[test]
    fn the_sums_of_a_burst_are_exact(
        first in 0_u16..=1023, around in prop::collection::vec(-30_i32..=30, 0..600),
    ) {
        let mut codes = vec![first];
        codes.extend(around.iter().map(|d| (i32::from(first) + d).clamp(0, 1023) as u16));
        prop_assert_eq!(reply_to_burst(&codes), expected_burst(&codes));
    }
}

// ---- damage ------------------------------------------------------------------------------------

/// Bytes that a broken link may bring: noise, and pieces of real commands.
fn garbage() -> impl Strategy<Value = Vec<u8>> {
    let pieces = vec![
        "*IDN?",
        "MEAS:BURS? 4,ON,0,1,128,(@14)",
        "OUTP:ALL LOW,(@9)",
        "OUTP ON,(@9)",
        ",\"t\"",
        "MEM:SLOT? 1",
        "SYST:IDEN 7,\"u\"",
        ";",
        "\n",
        "(@",
        "\"",
        "#H",
        "1E9",
        ":",
        " ",
        "?",
        "SYST:ERR?",
        "\r\n",
        "MEAS:CHAR? 4,(@16)",
        "*RST",
        "'",
        ";SLOT? 2",
        "*TST? \"q\"",
        "\t",
    ];
    let piece = prop_oneof![
        3 => prop::collection::vec(any::<u8>(), 0..40),
        5 => prop::sample::select(pieces).prop_map(|s| s.as_bytes().to_vec()),
    ];
    prop::collection::vec(piece, 0..40).prop_map(|v| v.concat())
}

/// The longest answer for its request is a slot: 164 bytes for the 8 of `SLOT? 1;`; a line has 224
/// bytes and at most one tag.
const LONGEST_REPLY: usize = 224 / 8 * 164 + 64;

proptest! {
    #![proptest_config(seeded(256))]

    #[test]
    fn any_bytes_give_bounded_output_and_the_next_line_is_answered(bytes in garbage()) {
        let mut core = probe();
        core.receive(&bytes);
        core.receive(b"\n");
        let lines = bytes.iter().filter(|b| **b == b'\n').count() + 1;
        prop_assert!(core.take_output().len() <= lines * LONGEST_REPLY);
        prop_assert_eq!(ask(&mut core, "*OPC?"), "1");
        prop_assert_eq!(core.pins().touched[..2].iter().sum::<u32>(), 0, "the link's own pins");
        prop_assert_eq!(core.pins().touched[20..].iter().sum::<u32>(), 0, "pins without a port");
    }

    #[test]
    fn bytes_one_at_a_time_give_what_they_give_together(bytes in garbage()) {
        let (mut whole, mut single) = (probe(), probe());
        whole.receive(&bytes);
        for byte in &bytes {
            single.receive(&[*byte]);
            single.poll();
        }
        prop_assert_eq!(whole.take_output(), single.take_output());
        prop_assert_eq!(&whole.pins().modes, &single.pins().modes);
    }
}

#[test]
fn a_line_too_long_is_thrown_away_to_its_end() {
    let mut core = probe();
    let fits = format!("*OPC?{}", " ".repeat(219));
    assert_eq!(ask(&mut core, &fits), "1");
    assert_eq!(ask(&mut core, &format!("{fits} ")), "");
    assert_eq!(ask(&mut core, "*OPC?"), "1");
    assert_eq!(ask(&mut core, "SYST:ERR?"), "-363,\"Input buffer overrun\"");
}

// ---- outputs -----------------------------------------------------------------------------------

#[test]
fn a_host_that_falls_silent_switches_the_outputs_off() {
    let mut core = probe();
    ask(&mut core, "OUTP:ALL HIGH,(@9);:OUTP ON,(@9)");
    core.pins().clock_us += 3_000_000;
    core.poll();
    assert_eq!(core.pins().modes[9], PinMode::Low, "heard within the hold time");
    core.pins().clock_us += 1_000;
    core.poll();
    assert_eq!(core.pins().modes[9], PinMode::High);
    assert_eq!(ask(&mut core, "SYST:ERR?;:OUTP? (@9)"), "-365,\"Time out error\";0");
}

#[test]
fn a_line_that_takes_longer_than_the_hold_time_ends_with_outputs_off() {
    let mut core = probe();
    ask(&mut core, "OUTP:ALL LOW,(@9);HOLD 100");
    let slow = "OUTP ON,(@9);:MEAS:BURS? 1,OFF,200000,0,128,(@14);BURS? 1,OFF,0,0,128,(@14),\"s\"";
    let reply = ask(&mut core, slow);
    assert!(reply.starts_with("1,512,262144,512,512,262144,512,512,-365,\"s\",#H"), "{reply}");
    assert_eq!(core.pins().modes[9], PinMode::Low);
}

#[test]
fn no_pull_up_goes_on_a_driven_pin_and_measuring_leaves_it_driven() {
    let mut core = probe();
    ask(&mut core, "OUTP:ALL HIGH,(@14)");
    assert_eq!(ask(&mut core, "MEAS:BURS? 1,ON,0,0,128,(@14)"), "");
    assert_eq!(next_error(&mut core), -221);
    assert_eq!(ask(&mut core, "MEAS:LEV? 3,OFF,0,(@14)"), "3,3");
    assert_eq!(core.pins().modes[14], PinMode::High);
}

#[test]
fn a_reset_lets_every_pin_go_that_the_host_had_named() {
    let mut core = probe();
    ask(&mut core, "OUTP:ALL LOW,(@9,10);:OUTP ON,(@9)");
    reset(&mut core, RESET_EXTERNAL);
    assert!(core.pins().modes.iter().all(|mode| *mode == PinMode::Input));
    ask(&mut core, "OUTP ON,(@9)");
    assert_eq!(next_error(&mut core), -221);
}

// ---- identity ----------------------------------------------------------------------------------

/// A probe on a board whose EEPROM holds somebody's data.
fn strangers_board() -> Core<Fixed> {
    let mut pins = Fixed::new();
    for (at, byte) in pins.eeprom.iter_mut().enumerate() {
        *byte = (at * 31 % 253) as u8;
    }
    Core::new(pins)
}

#[test]
fn a_strangers_eeprom_is_not_written_before_an_identity_is() {
    let mut core = strangers_board();
    for _ in 0..3 {
        let slots = ask(&mut core, "*RST;*TST?;:SYST:BOOT?;:MEM:SLOT? 1;SLOT? 2");
        assert!(slots.starts_with("0;0,POWER,"), "{slots}");
        reset(&mut core, RESET_POWER);
    }
    assert_eq!(core.pins().writes, 0);
    assert_eq!(ask(&mut core, "SYST:BOOT?"), "0,POWER,1234");
}

#[test]
fn what_stood_in_the_slots_can_be_put_back() {
    let mut core = strangers_board();
    let before = core.pins().eeprom.clone();
    let kept = [ask(&mut core, "MEM:SLOT? 1"), ask(&mut core, "MEM:SLOT? 2")];
    ask(&mut core, "SYST:IDEN #HABCD1234,\"VC-001\"");
    reset(&mut core, RESET_POWER);
    assert_eq!(ask(&mut core, "SYST:BOOT?"), "1,POWER,1234");
    assert_eq!(core.pins().eeprom[..EEPROM_SIZE - 160], before[..EEPROM_SIZE - 160]);
    ask(&mut core, &format!("MEM:SLOT 1,{}", kept[0]));
    ask(&mut core, &format!("MEM:SLOT 2,{}", kept[1].to_lowercase()));
    assert_eq!(core.pins().eeprom, before);
    assert_eq!(next_error(&mut core), 0);
}

#[test]
fn the_boot_count_survives_either_slot_being_damaged() {
    let mut counts = Vec::new();
    for slot in 0..2 {
        let mut core = probe();
        ask(&mut core, "SYST:IDEN 77,\"VC-002\"");
        for _ in 0..4 {
            reset(&mut core, RESET_EXTERNAL);
        }
        core.pins().eeprom[EEPROM_SIZE - 160 + slot * 80 + 20] ^= 1;
        reset(&mut core, RESET_EXTERNAL);
        let reply = ask(&mut core, "SYST:BOOT?;IDEN?");
        assert!(reply.ends_with(",EXTERNAL,1234;#H0000004D,\"VC-002\""), "{slot}: {reply}");
        counts.push(reply.split(',').next().expect("count").to_owned());
    }
    // One slot holds 4, the other 3: without the former this boot is the fourth once more.
    counts.sort();
    assert_eq!(counts, ["4", "5"]);
}

#[test]
fn a_power_cut_at_any_write_leaves_an_identity() {
    for cut in 0..40 {
        let mut core = probe();
        ask(&mut core, "SYST:IDEN 77,\"VC-002\"");
        core.pins().writes_left = cut;
        ask(&mut core, "SYST:IDEN 78,\"VC-003\"");
        core.pins().writes_left = usize::MAX;
        reset(&mut core, RESET_POWER);
        let reply = ask(&mut core, "SYST:IDEN?");
        let good = ["#H0000004D,\"VC-002\"", "#H0000004E,\"VC-003\""];
        assert!(good.contains(&reply.as_str()), "after {cut} writes: {reply}");
    }
}

#[test]
fn an_eeprom_that_does_not_keep_what_is_written_is_reported() {
    let mut core = probe();
    core.pins().writes_left = 10;
    assert!(ask(&mut core, "SYST:IDEN 5,\"x\",\"t\"").starts_with("-240,\"t\",#H"));
}

#[test]
fn many_probes_run_side_by_side() {
    let threads: Vec<_> = (1..5_u32)
        .map(|i| {
            std::thread::spawn(move || {
                let mut core = probe();
                ask(&mut core, &format!("SYST:IDEN {i},\"u{i}\""));
                (i, ask(&mut core, "SYST:IDEN?"))
            })
        })
        .collect();
    for thread in threads {
        let (i, reply) = thread.join().expect("a probe in a thread");
        assert_eq!(reply, format!("#H{i:08X},\"u{i}\""));
    }
}
