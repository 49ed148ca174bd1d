//! The demo board with the probe in it, asked over the link: the probe's own C core on the physics
//! of one unit.

use std::sync::Arc;
use std::time::Duration;
use strapwise::board::{Board, Place, Setting, parse};
use strapwise::probe::exchange::{Exchange, Outcome};
use strapwise::probe::faulty::{Faults, Faulty};
use strapwise::probe::message::{Burst, Cause, Presence, Pull, Reply, Request, UNIT_NAME_MAX};
use strapwise::probe::virtual_board::VirtualBoard;
use strapwise::probe::world::{ResetCause, World};

const PROFILE: u8 = 14;
const ADDR0: u8 = 2;
const CONTACT: u8 = 5;
const VENT: u8 = 9;
const MAT: u8 = 10;

fn demo() -> Board {
    let text = include_str!("../protocols/vent-controller.toml");
    parse("vent-controller.toml", text).expect("the demo board file is sound")
}

/// A bench: the virtual board, the exchange and the time between them.
struct Bench {
    board: VirtualBoard,
    exchange: Exchange,
    now: Duration,
}

impl Bench {
    fn new(seed: u64) -> Bench {
        let board = VirtualBoard::new(World::new(Arc::new(demo()), seed));
        Bench { board, exchange: Exchange::with_quiet(9, Duration::ZERO), now: Duration::ZERO }
    }

    fn of(board: Board) -> Bench {
        let board = VirtualBoard::new(World::new(Arc::new(board), 1));
        Bench { board, exchange: Exchange::with_quiet(9, Duration::ZERO), now: Duration::ZERO }
    }

    fn outcome(&mut self, request: Request) -> Outcome {
        let mut sent = self.exchange.request(self.now, request);
        loop {
            self.board.write(&sent);
            let due = [self.board.ready_at(), self.exchange.wake_at()];
            self.now = due.into_iter().flatten().min().expect("a request ends").max(self.now);
            self.board.advance_to(self.now);
            let heard = self.board.read();
            self.exchange.bytes(self.now, &heard);
            sent = self.exchange.tick(self.now).unwrap_or_default();
            if let Some(outcome) = self.exchange.take() {
                return outcome;
            }
        }
    }

    fn ask(&mut self, request: Request) -> Reply {
        match self.outcome(request) {
            Outcome::Reply(reply) => reply,
            other => panic!("{other:?}"),
        }
    }

    fn burst(&mut self, channel: u8, pull_up: bool) -> Burst {
        let settle_us = if pull_up { 2_000 } else { 0 };
        let request =
            Request::Burst { channel, n: 961, pull_up, settle_us, discard: 1, prescaler: 128 };
        match self.ask(request) {
            Reply::Burst(burst) => burst,
            other => panic!("{other:?}"),
        }
    }

    /// Codes of the pin at the start and at the end of charge sharing.
    fn charge(&mut self, channel: u8, pairs: u16) -> (f64, f64) {
        match self.ask(Request::Charge { channel, pairs }) {
            Reply::Charge { first, last, .. } => (f64::from(first) / 4.0, f64::from(last) / 4.0),
            other => panic!("{other:?}"),
        }
    }

    fn supply(&mut self) -> Burst {
        match self.ask(Request::Supply { n: 961 }) {
            Reply::Burst(burst) => burst,
            other => panic!("{other:?}"),
        }
    }

    fn ones(&mut self, channel: u8, pull: Pull) -> (u32, u32) {
        match self.ask(Request::Level { channel, n: 16, pull, settle_us: 500 }) {
            Reply::Level { n, ones } => (ones, n),
            other => panic!("{other:?}"),
        }
    }

    fn boot(&mut self) -> (u32, Cause, Duration) {
        match self.ask(Request::Boot) {
            Reply::Boot { count, cause, uptime } => (count, cause, uptime),
            other => panic!("{other:?}"),
        }
    }

    fn place(&mut self, jumper: &str, position: &str) {
        let board = self.board.world().board().clone();
        let at = board.jumper(jumper).expect("a jumper of the demo");
        let place = board.jumpers[at].place(position).expect("a place of it");
        self.board.place(at, place);
        self.now += Duration::from_millis(500);
        self.board.advance_to(self.now);
    }
}

#[test]
fn the_probe_says_nothing_until_asked_and_then_who_it_is() {
    let mut bench = Bench::new(1);
    bench.now = Duration::from_secs(5);
    bench.board.advance_to(bench.now);
    assert_eq!(bench.board.read(), b"");
    let Reply::Identified { maker, model, serial, .. } = bench.ask(Request::Identify) else {
        panic!("it tells who it is")
    };
    assert_eq!(
        (maker.as_str(), model.as_str(), serial.as_str()),
        ("Strapwise", "PROBE-ATMEGA328P", "0")
    );
    assert_eq!(bench.ask(Request::Version), Reply::Version("1999.0".into()));
    assert_eq!(bench.ask(Request::SelfTest), Reply::SelfTest(0));
}

#[test]
fn every_position_of_the_ladder_reads_within_a_few_codes() {
    // 8.2, 6.4, 3.7, 1.5 and 0 kΩ of the 8.2 kΩ between supply and ground.
    let taps = [8.2_f64, 6.4, 3.7, 1.5, 0.0].map(|k| (k / 8.2 * 1024.0).min(1023.0));
    for seed in 0..4 {
        let mut bench = Bench::new(seed);
        for (position, tap) in ["1", "2", "3", "4", "5"].into_iter().zip(taps) {
            bench.place("J1", position);
            let burst = bench.burst(PROFILE, false);
            assert!((burst.mean() - tap).abs() < 7.0, "J1={position}: {} for {tap}", burst.mean());
            assert!(burst.sd() < 1.2 && burst.max - burst.min < 9, "{burst:?}");
        }
    }
}

#[test]
fn a_burst_takes_the_time_of_its_conversions() {
    let mut bench = Bench::new(2);
    bench.place("J1", "3");
    let before = bench.now;
    bench.burst(PROFILE, false);
    let took = bench.now - before;
    // 962 conversions of 104 µs and some hundred bytes of 40 µs.
    assert!((100..115).contains(&took.as_millis()), "{took:?}");
}

#[test]
fn an_answer_is_not_heard_before_its_conversions_are_over() {
    let mut bench = Bench::new(2);
    bench.board.write(b"MEAS:BURS? 961,OFF,0,1,128,(@14)\n");
    bench.board.advance_to(Duration::from_millis(99));
    assert_eq!(bench.board.read(), b"");
    bench.board.advance_to(Duration::from_millis(110));
    assert!(bench.board.read().starts_with(b"961,"));
}

#[test]
fn the_hum_of_the_mains_shows_in_the_autocorrelation_only_when_it_is_there() {
    let lag1 = |hum: f64| {
        let mut bench = Bench::new(3);
        bench.place("J1", "3");
        bench.board.world().converter_mut().hum = hum;
        bench.burst(PROFILE, false).lag1().expect("the codes vary")
    };
    // The autocorrelation of white noise over 961 codes scatters by 1/sqrt(961) = 0.03.
    assert!(lag1(0.0).abs() < 0.15, "{}", lag1(0.0));
    assert!(lag1(5.0) > 0.8, "{}", lag1(5.0));
}

#[test]
fn the_end_taps_prove_that_they_are_driven() {
    let mut bench = Bench::new(4);
    bench.place("J1", "1");
    let (first, last) = bench.charge(PROFILE, 64);
    assert!(first > 1015.0 && last > 1015.0, "at the supply it stays: {first} {last}");
    bench.place("J1", "5");
    let pulled = bench.burst(PROFILE, true).mean();
    // 1 kΩ against 29 to 38 kΩ of pull-up.
    assert!((26.0..36.0).contains(&pulled), "at ground the pull-up lifts it a little: {pulled}");
}

#[test]
fn an_open_pin_is_found_by_the_pull_up_and_by_charge_sharing() {
    let mut bench = Bench::new(5);
    bench.place("J1", "2");
    let tap = bench.burst(PROFILE, false).mean();
    bench.place("J1", "open");
    let kept = bench.burst(PROFILE, false).mean();
    assert!((kept - tap).abs() < 60.0, "the charge of the tap looks like the tap: {kept}");
    let pulled = bench.burst(PROFILE, true).mean();
    assert!(pulled > 1015.0, "{pulled}");
    // 10 nF on the pin give 14 pF in 10 nF a pair: 1,000 pairs leave exp(-1.4) = 25 %.
    let (first, last) = bench.charge(PROFILE, 1000);
    assert!((0.2..0.3).contains(&(last / first)), "{first} {last}");
}

#[test]
fn address_bits_follow_their_shunts_and_a_missing_pull_up_shows() {
    let mut bench = Bench::new(6);
    assert_eq!(bench.ones(ADDR0, Pull::Off), (16, 16));
    bench.place("J2", "fitted");
    assert_eq!(bench.ones(ADDR0, Pull::Off), (0, 16));
    assert_eq!(bench.ones(ADDR0, Pull::Up), (0, 16), "the shunt holds it against the pull-up");
    bench.board.world().change_parts(|p| p.resistors[5].0 = f64::INFINITY);
    bench.place("J2", "open");
    assert_eq!(bench.ones(ADDR0, Pull::Off), (0, 16), "without R11 the pin keeps its charge");
}

#[test]
fn a_discharge_shows_a_missing_resistor_behind_a_charge_that_is_left() {
    let mut bench = Bench::new(6);
    assert_eq!(bench.ones(ADDR0, Pull::Off), (16, 16));
    bench.board.world().change_parts(|p| p.resistors[5].0 = f64::INFINITY);
    assert_eq!(bench.ones(ADDR0, Pull::Off), (16, 16), "an input alone cannot tell");
    assert_eq!(bench.ask(Request::AllowDischarge { pins: vec![ADDR0] }), Reply::Done);
    assert_eq!(bench.ones(ADDR0, Pull::Discharged), (0, 16));
    bench.board.world().change_parts(|p| p.resistors[5].0 = 10e3);
    assert_eq!(bench.ones(ADDR0, Pull::Discharged), (16, 16));
}

#[test]
fn loads_sag_the_supply_as_their_range_says() {
    let mut bench = Bench::new(7);
    assert_eq!(bench.ask(Request::Allow { pins: vec![VENT, MAT], off_high: false }), Reply::Done);
    let idle = bench.supply();
    let supply = bench.board.world().parts().supply.0;
    let loads = demo().loads;
    for (pin, load) in [VENT, MAT].into_iter().zip(loads) {
        assert_eq!(bench.ask(Request::Output { pin, on: true }), Reply::Done);
        assert_eq!(bench.ask(Request::OutputState { pin }), Reply::Output(true));
        let loaded = bench.supply();
        assert_eq!(bench.ask(Request::Output { pin, on: false }), Reply::Done);
        let sag = supply * (1.0 - idle.mean() / loaded.mean());
        let middle = (load.sag.0.0 + load.sag.1.0) / 2.0;
        assert!((sag / middle - 1.0).abs() < 0.25, "{}: {sag} for {middle}", load.id);
    }
    assert!((bench.supply().mean() - idle.mean()).abs() < 0.3, "off again");
}

#[test]
fn a_pin_that_was_not_named_is_not_driven() {
    let mut bench = Bench::new(8);
    let outcome = bench.outcome(Request::Output { pin: VENT, on: true });
    assert!(matches!(outcome, Outcome::Refused { code: -221, .. }), "{outcome:?}");
    let outcome = bench.outcome(Request::Allow { pins: vec![1], off_high: false });
    assert!(matches!(outcome, Outcome::Refused { code: -222, .. }), "{outcome:?}");
}

#[test]
fn outputs_go_off_when_the_link_falls_silent() {
    let mut bench = Bench::new(9);
    bench.ask(Request::Allow { pins: vec![VENT], off_high: false });
    bench.ask(Request::Hold { ms: 1000 });
    bench.ask(Request::Output { pin: VENT, on: true });
    bench.now += Duration::from_millis(500);
    bench.board.advance_to(bench.now);
    assert_eq!(bench.ask(Request::OutputState { pin: VENT }), Reply::Output(true));
    bench.now += Duration::from_millis(1500);
    bench.board.advance_to(bench.now);
    assert_eq!(bench.ask(Request::OutputState { pin: VENT }), Reply::Output(false));
}

#[test]
fn the_vent_contact_is_read_while_its_switch_is_closed() {
    let mut bench = Bench::new(10);
    bench.ask(Request::Allow { pins: vec![CONTACT], off_high: false });
    for (place, on, share) in [
        ("wet", false, 0.5),
        // Half the 47 kΩ divider against 10 kΩ to the supply, or to ground.
        ("wet", true, 1.0 - 0.5 * 10.0 / 33.5),
        ("dry", true, 0.5 * 10.0 / 33.5),
        ("open", true, 0.5),
    ] {
        bench.place("J5", place);
        bench.ask(Request::Output { pin: CONTACT, on });
        let code = bench.burst(15, false).mean();
        assert!((code - share * 1024.0).abs() < 10.0, "J5={place}: {code} for {share}");
    }
}

#[test]
fn boots_are_counted_once_a_number_is_written() {
    let mut bench = Bench::new(11);
    let (_, cause, _) = bench.boot();
    assert_eq!(cause, Cause::Power);
    let none = Reply::Identity { identity: 0, unit: String::new() };
    assert_eq!(bench.ask(Request::Identity), none);
    let before = [1, 2].map(|slot| bench.ask(Request::Slot { slot }));
    let unit = "0\"".repeat(UNIT_NAME_MAX / 2);
    bench.ask(Request::WriteIdentity { identity: 0xC0FFEE, unit: unit.clone() });
    assert_eq!(bench.ask(Request::Identity), Reply::Identity { identity: 0xC0FFEE, unit });
    let (count, _, uptime) = bench.boot();
    bench.board.reset(ResetCause::External);
    assert_eq!(bench.boot().0, count + 1);
    assert_eq!(bench.boot().1, Cause::External);
    assert!(bench.boot().2 < uptime);
    bench.board.power(false);
    bench.now += Duration::from_secs(2);
    assert_eq!(bench.outcome(Request::Boot), Outcome::Lost { tries: 3 });
    bench.board.power(true);
    assert_eq!((bench.boot().0, bench.boot().1), (count + 2, Cause::Power));
    for (slot, bytes) in [1, 2].into_iter().zip(before) {
        let Reply::Slot(bytes) = bytes else { panic!("the bytes of the slot") };
        bench.ask(Request::WriteSlot { slot, bytes: bytes.clone() });
        assert_eq!(bench.ask(Request::Slot { slot }), Reply::Slot(bytes));
    }
    assert_eq!(bench.ask(Request::Identity), none, "the former contents are back");
}

#[test]
fn what_a_boot_loader_hears_is_lost_and_the_exchange_waits_it_out() {
    let world = World::new(Arc::new(demo()), 12);
    let board = VirtualBoard::with_boot_loader(world, Duration::from_millis(1500));
    let mut bench = Bench { board, exchange: Exchange::new(9), now: Duration::ZERO };
    bench.board.write(b"*IDN?\n");
    bench.board.advance_to(Duration::from_millis(1400));
    assert_eq!(bench.board.read(), b"");
    bench.exchange.opened(bench.now);
    assert!(matches!(bench.ask(Request::Boot), Reply::Boot { .. }));
    assert!(bench.now >= Duration::from_secs(2));
}

#[test]
fn the_same_seed_gives_the_same_bytes() {
    let run = |seed| {
        let mut bench = Bench::new(seed);
        bench.board.place_all(&Setting(demo().delivery.0.clone()));
        let burst = bench.burst(PROFILE, true);
        (burst, bench.supply(), bench.now)
    };
    assert_eq!(run(13), run(13));
    assert_ne!(run(13).0, run(14).0);
}

#[test]
fn over_a_bad_line_the_probe_still_gives_only_true_readings() {
    let faults = Faults {
        drop: 0.001,
        corrupt: 0.001,
        double: 0.001,
        lose: 0.05,
        repeat: 0.05,
        late: (0.1, Duration::from_millis(900)),
    };
    let mut bench = Bench::new(15);
    bench.place("J1", "3");
    let truth = bench.burst(PROFILE, false).mean();
    let (mut there, mut back) = (Faulty::new(faults, 1), Faulty::new(faults, 2));
    let (mut read, mut lost) = (0, 0);
    for _ in 0..60 {
        let request = Request::Burst {
            channel: PROFILE,
            n: 961,
            pull_up: false,
            settle_us: 0,
            discard: 1,
            prescaler: 128,
        };
        let sent = bench.exchange.request(bench.now, request);
        there.send(bench.now, &sent);
        let outcome = loop {
            let due = [bench.board.ready_at(), bench.exchange.wake_at(), there.next(), back.next()];
            bench.now = due.into_iter().flatten().min().expect("it ends").max(bench.now);
            bench.board.advance_to(bench.now);
            bench.board.write(&there.arrived(bench.now));
            back.send(bench.now, &bench.board.read());
            bench.exchange.bytes(bench.now, &back.arrived(bench.now));
            there.send(bench.now, &bench.exchange.tick(bench.now).unwrap_or_default());
            if let Some(outcome) = bench.exchange.take() {
                break outcome;
            }
        };
        match outcome {
            Outcome::Reply(Reply::Burst(burst)) => {
                assert!((burst.mean() - truth).abs() < 0.3, "{} for {truth}", burst.mean());
                read += 1;
            }
            Outcome::Lost { .. } => lost += 1,
            other => panic!("{other:?}"),
        }
    }
    assert!(read > 45, "{read} read, {lost} lost");
}

#[test]
fn a_hand_may_leave_every_shunt_off() {
    let mut bench = Bench::new(16);
    bench.board.place_all(&Setting(vec![Place::Open; demo().jumpers.len()]));
    assert_eq!(bench.ones(ADDR0, Pull::Off), (16, 16));
    assert!(bench.burst(15, false).mean() > 490.0, "the loop rests at half the supply");
}

#[test]
fn a_part_answers_on_its_bus_only_while_a_jumper_gives_it_its_supply() {
    let demo = include_str!("../protocols/vent-controller.toml");
    for pull_ups in [false, true] {
        let more = format!(
            "[[jumper]]\nid = \"J9\"\nlabel = \"clock\"\nopen = true\npower = true\n\
             [[jumper.positions]]\nname = \"fed\"\npins = [1, 2]\njoins = [\"VCC\", \"VCLOCK\"]\n\
             [[resistor]]\nid = \"R99\"\nbetween = [\"VCLOCK\", \"GND\"]\nvalue = \"10k\"\n\
             tolerance = \"5%\"\n\
             [[bus]]\nid = \"I2C\"\nsda = \"PC4\"\nscl = \"PC5\"\npull_ups = {pull_ups}\n\
             [[bus_part]]\nid = \"U3\"\nbus = \"I2C\"\naddress = 0x68\nsupply = \"VCLOCK\"\n\
             [delivery]\nJ9 = \"fed\"\n"
        );
        let text = demo.replace("[delivery]\n", &more);
        let board = parse("bus.toml", &text).unwrap_or_else(|problems| panic!("{problems}"));
        let jumper = board.jumper("J9").expect("the jumper");
        let fed = board.jumpers[jumper].place("fed").expect("its place");
        let mut bench = Bench::of(board);
        bench.ask(Request::AllowDischarge { pins: vec![18, 19] });
        let asked = |bench: &mut Bench, address, pull_up| match bench.ask(Request::Presence {
            address,
            pull_up,
            sda: 18,
            scl: 19,
        }) {
            Reply::Presence(found) => found,
            other => panic!("{other:?}"),
        };
        assert_eq!(asked(&mut bench, 0x68, pull_ups), Presence::Silent, "no shunt");
        bench.board.place(jumper, fed);
        assert_eq!(asked(&mut bench, 0x68, pull_ups), Presence::Answers);
        assert_eq!(asked(&mut bench, 0x50, pull_ups), Presence::Silent, "nobody's address");
        // Without the chip's pull-ups nothing holds the lines where the board has no resistors.
        let held = if pull_ups { Presence::HeldLow } else { Presence::Answers };
        assert_eq!(asked(&mut bench, 0x68, false), held);
        bench.board.place(jumper, Place::Open);
        assert_eq!(asked(&mut bench, 0x68, pull_ups), Presence::Silent);
    }
}
