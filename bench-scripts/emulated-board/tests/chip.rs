//! The emulated chip does what the data sheet says where the emulator library alone does not.

mod common;

use std::time::Duration;

use emulated_board::{Emulator, Event, Fault, Image, Input, PinMode, ResetCause, Wires};

const SOON: Duration = Duration::from_millis(50);

fn board(world: Wires) -> Emulator<Wires> {
    let (elf, _) = common::firmware("pins");
    let mut board = Emulator::new(&Image::read(&elf).unwrap(), world).unwrap();
    board.run_for(Duration::from_millis(1)).unwrap();
    board
}

fn ask(board: &mut Emulator<Wires>, command: &str) -> String {
    let reply = board.request(command.as_bytes(), SOON).unwrap();
    String::from_utf8(reply).unwrap().trim_end().to_owned()
}

#[test]
fn a_known_voltage_gives_the_code_of_a_1024_scale() {
    // Vin * 1024 / Vref, floor (data sheet 8271H, "ADC Conversion Result"): 2.5 V of 5 V is 512,
    // where a 1023 scale gives 511; full scale stays 1023.
    let world = Wires::new().with(14, 2.5, 0.0).with(15, 5.0, 0.0).with(16, 0.0, 0.0);
    let mut board = board(world.with(17, 3.3, 0.0).with(20, 1.0, 0.0));
    assert_eq!(ask(&mut board, "a0"), "512");
    assert_eq!(ask(&mut board, "a1"), "1023");
    assert_eq!(ask(&mut board, "a2"), "0");
    assert_eq!(ask(&mut board, "a3"), "675"); // 3.3 * 1024 / 5 = 675.84
    assert_eq!(ask(&mut board, "a6"), "204"); // ADC6 has no port: 1 * 1024 / 5 = 204.8
}

#[test]
fn the_bandgap_and_the_internal_ground_are_inputs_of_the_world() {
    let mut board = board(Wires::new());
    assert_eq!(ask(&mut board, "a>"), "225"); // mux 14: 1.1 * 1024 / 5 = 225.28
    assert_eq!(ask(&mut board, "a?"), "0"); // mux 15
    board.world().supply = 4.5; // a sag moves the bandgap's code at once
    assert_eq!(ask(&mut board, "a>"), "250"); // 1.1 * 1024 / 4.5 = 250.31
}

#[test]
fn a_pull_up_lifts_a_node_by_its_source_resistance() {
    // 10 kΩ and 100 kΩ to ground against 35 kΩ: 1024*10/45 = 227.6, 1024*100/135 = 758.5.
    let mut board = board(Wires::new().with(14, 0.0, 10e3).with(15, 0.0, 100e3));
    assert_eq!((ask(&mut board, "a0"), ask(&mut board, "u0")), ("0".into(), "227".into()));
    assert_eq!((ask(&mut board, "a1"), ask(&mut board, "u1")), ("0".into(), "758".into()));
}

#[test]
fn a_floating_input_keeps_the_sample_of_its_neighbour_in_part() {
    let mut board = board(Wires::new().with(14, 5.0, 0.0));
    assert_eq!(ask(&mut board, "a0"), "1023");
    // 14 pF at 5 V shared with 15 pF at 0 V: 5 * 14/29 V, code 494.3.
    assert_eq!(ask(&mut board, "a1"), "494");
}

#[test]
fn a_channel_changed_during_a_conversion_counts_for_the_next_one() {
    let mut board = board(Wires::new().with(14, 1.0, 0.0).with(15, 4.0, 0.0));
    assert_eq!(ask(&mut board, "c01"), "204");
    assert_eq!(ask(&mut board, "c10"), "819");
}

#[test]
fn free_running_conversions_are_each_of_their_own_channel() {
    let mut world = Wires::new();
    for channel in 0..6 {
        world = world.with(14 + channel, 0.5 + f64::from(channel) * 0.5, 0.0);
    }
    let mut board = board(world);
    // 0.5 V steps of 5 V: 102.4 codes each.
    assert_eq!(ask(&mut board, "f"), "102,204,307,409,512,614");
    let made = board.world().take_conversions();
    let inputs: Vec<Input> = made.iter().map(|(c, _)| c.input).take(6).collect();
    assert_eq!(inputs, (0..6).map(Input::Pin).collect::<Vec<_>>());
    assert!(made[0].0.first && made[1..].iter().all(|(c, _)| !c.first));
    assert!(made.iter().all(|(c, _)| c.prescaler == 128));
}

#[test]
fn the_converter_takes_13_clocks_of_8_microseconds_when_it_runs_freely() {
    let mut board = board(Wires::new());
    ask(&mut board, "f");
    let at: Vec<Duration> = board.world().events.iter().map(|(at, _)| *at).collect();
    // The first takes 25 clocks, each next 13 (data sheet, "Prescaling and Conversion Timing"),
    // and the emulator may be late by the instruction it is in.
    let late = Duration::from_micros(2);
    let first = at[1] - at[0];
    assert!(first >= Duration::from_micros(200) && first < Duration::from_micros(200) + late);
    for pair in at[1..].windows(2) {
        let step = pair[1] - pair[0];
        assert!(step >= Duration::from_micros(104) && step < Duration::from_micros(104) + late);
    }
}

#[test]
fn a_left_adjusted_result_has_its_upper_eight_bits_in_adch() {
    let mut board = board(Wires::new().with(14, 3.3, 0.0));
    assert_eq!(ask(&mut board, "l0"), "168"); // 675 >> 2
}

#[test]
fn a_pin_driven_low_from_outside_reads_low_though_its_pull_up_is_on() {
    let mut board = board(Wires::new().with(2, 0.0, 100.0).with(3, 5.0, 100.0));
    ask(&mut board, "d21");
    assert_eq!(board.mode(2), Some(PinMode::PullUp));
    assert_eq!(ask(&mut board, "i2"), "0");
    assert_eq!(ask(&mut board, "i3"), "1");
    ask(&mut board, "d41"); // an open one follows its pull-up
    assert_eq!(ask(&mut board, "i4"), "1");
}

#[test]
fn a_driven_pin_reads_back_what_it_drives_and_the_world_is_told_when() {
    let mut board = board(Wires::new().with(5, 0.0, 1e3));
    let before = board.now();
    ask(&mut board, "d53");
    assert_eq!(ask(&mut board, "i5"), "1");
    let events = board.world().events.clone();
    let modes: Vec<Event> = events.iter().map(|(_, e)| *e).collect();
    // The port is written before its direction, so the pull-up is on for a moment.
    let (up, high) = (Event::Mode(5, PinMode::PullUp), Event::Mode(5, PinMode::High));
    assert_eq!(modes, [up, high]);
    assert!(before < events[0].0 && events[0].0 < events[1].0);
}

#[test]
fn a_disabled_digital_input_reads_low_and_pull_up_disable_means_no_pull_up() {
    let mut board = board(Wires::new().with(14, 5.0, 0.0));
    assert_eq!(ask(&mut board, "I0"), "0"); // DIDR0 (data sheet, "Digital Input Disable Register 0")
    ask(&mut board, "d41");
    ask(&mut board, "n"); // PUD in MCUCR
    assert_eq!(board.mode(4), Some(PinMode::Input));
}

#[test]
fn eeprom_lives_through_resets_and_the_reset_cause_is_told() {
    let mut board = board(Wires::new());
    assert_eq!((ask(&mut board, "r"), ask(&mut board, "E")), ("1".into(), "255".into()));
    ask(&mut board, "eA");
    for (cause, bits) in [
        (ResetCause::External, "2"),
        (ResetCause::BrownOut, "4"),
        (ResetCause::Watchdog, "8"),
        (ResetCause::PowerOn, "1"),
    ] {
        let before = board.now();
        board.reset(cause);
        board.run_for(Duration::from_millis(1)).unwrap();
        assert!(board.now() > before, "time went back over a reset");
        assert_eq!((ask(&mut board, "r"), ask(&mut board, "E")), (bits.into(), "65".into()));
    }
    assert_eq!(board.eeprom()[..2], [b'A', 0xff]);
}

#[test]
fn eeprom_written_by_a_programmer_or_in_the_image_is_read_by_the_program() {
    let (elf, _) = common::firmware("pins");
    let mut image = Image::read(&elf).unwrap();
    image.eeprom.push((0, vec![7, 8]));
    let mut board = Emulator::new(&image, Wires::new()).unwrap();
    board.run_for(Duration::from_millis(1)).unwrap();
    assert_eq!(ask(&mut board, "E"), "7");
    board.write_eeprom(0, &[9]).unwrap();
    assert_eq!((ask(&mut board, "E"), board.eeprom()[1]), ("9".into(), 8));
    let outside = Fault::DoesNotFit { at: 1023, size: 2 };
    assert_eq!(board.write_eeprom(1023, &[0; 2]), Err(outside));
}

#[test]
fn a_reset_lets_all_pins_go() {
    let mut board = board(Wires::new());
    ask(&mut board, "d63");
    board.reset(ResetCause::External);
    assert_eq!(board.mode(6), Some(PinMode::Input));
    let last = board.world().events.last().map(|(_, e)| *e);
    assert_eq!(last, Some(Event::Mode(6, PinMode::Input)));
}

#[test]
fn bytes_pass_the_line_unaltered_at_the_rate_of_the_baud_registers() {
    let mut board = board(Wires::new());
    let all: Vec<u8> = (0..=255).collect();
    board.send(b"=");
    board.send(&all);
    let before = board.now();
    board.run_for(Duration::from_millis(12)).unwrap();
    assert_eq!(board.take_sent(), all);
    assert_eq!((board.counts().overruns, board.counts().unheard), (0, 0));
    // 257 bytes of ten bits at 250,000 baud last 10.28 ms.
    let took = board.now() - before - board.quiet_for();
    assert!(
        took > Duration::from_micros(10_200) && took < Duration::from_micros(10_500),
        "{took:?}"
    );
}

#[test]
fn bytes_are_lost_before_the_receiver_is_on_and_when_nobody_reads_them() {
    let (elf, _) = common::firmware("pins");
    let mut board = Emulator::new(&Image::read(&elf).unwrap(), Wires::new()).unwrap();
    board.send(b"E");
    board.run_for(Duration::from_millis(1)).unwrap();
    assert_eq!(board.counts().unheard, 1);
    board.send(b"x12345"); // sleeps for ever with interrupts off
    let ended = board.run_for(Duration::from_millis(1));
    assert!(matches!(ended, Err(Fault::Stopped { .. })), "{ended:?}");
}

#[test]
fn a_silent_program_is_no_reply_and_a_broken_image_is_refused() {
    let mut board = board(Wires::new());
    let silent = board.request(b"zzz", SOON);
    assert_eq!(silent, Err(Fault::NoReply { after: SOON, got: vec![] }));
    for text in ["", "hello", ":00000001FF\n", ":0400000001020304F2\n"] {
        assert!(Image::from_hex(text).is_err(), "{text:?}");
    }
    assert!(Image::from_elf(b"\x7fELF").is_err());
    let far = Image { flash: vec![(0x7fff, vec![1, 2])], eeprom: vec![] };
    let refused = Emulator::new(&far, Wires::new()).err();
    assert_eq!(refused, Some(Fault::DoesNotFit { at: 0x7fff, size: 2 }));
}

#[test]
fn elf_and_hex_of_one_build_are_the_same_program() {
    let (elf, hex) = common::firmware("pins");
    let flat = |image: Image| {
        let mut memory = vec![0xff; 0x8000];
        for (at, bytes) in image.flash {
            memory[at as usize..at as usize + bytes.len()].copy_from_slice(&bytes);
        }
        memory
    };
    assert_eq!(flat(Image::read(&elf).unwrap()), flat(Image::read(&hex).unwrap()));
}

#[test]
fn memory_that_the_program_used_is_measured() {
    let mut board = board(Wires::new());
    ask(&mut board, "f");
    let used = board.ram_use();
    assert_eq!(used.variables + used.stack + used.untouched, 2048);
    // got[8], codes[6], written, taken, cause, done: 24 bytes of variables.
    assert_eq!(used.variables, 24);
    assert!(used.stack > 4 && used.stack < 100, "{used:?}");
}

#[test]
fn the_same_run_gives_the_same_cycles_in_several_threads() {
    let (elf, _) = common::firmware("pins");
    let image = Image::read(&elf).unwrap();
    let run = || {
        let mut board = Emulator::new(&image, Wires::new().with(14, 1.0, 10e3)).unwrap();
        board.run_for(Duration::from_millis(1)).unwrap();
        let replies: Vec<String> =
            ["f", "a0", "u0", "d43", "i4"].iter().map(|c| ask(&mut board, c)).collect();
        (replies, board.cycle(), board.world().events.clone())
    };
    let first = run();
    std::thread::scope(|scope| {
        let others: Vec<_> = (0..4).map(|_| scope.spawn(run)).collect();
        for other in others {
            assert_eq!(other.join().unwrap(), first);
        }
    });
}

#[test]
#[should_panic(expected = "a world gone wrong")]
fn a_panic_of_the_world_reaches_the_caller() {
    struct Wrong;
    impl emulated_board::World for Wrong {
        fn advance(&mut self, _: Duration) {}
        fn set_mode(&mut self, _: u8, _: PinMode) {}
        fn convert(&mut self, _: emulated_board::Conversion) -> u16 {
            panic!("a world gone wrong")
        }
        fn read(&mut self, _: u8) -> bool {
            false
        }
    }
    let (elf, _) = common::firmware("pins");
    let mut board = Emulator::new(&Image::read(&elf).unwrap(), Wrong).unwrap();
    board.run_for(Duration::from_millis(1)).unwrap();
    let _ = board.request(b"a0", SOON);
}
