//! The image that is flashed, on an emulated chip, in process: the same replies as the core on the
//! host, and what only the image can show: registers, interrupts, timing, memory.

#[path = "../probe_link/stand_in.rs"]
#[allow(dead_code, reason = "shared with the tests of the core on the host")]
mod stand_in;

#[path = "../circuit_support/mod.rs"]
mod circuit_support;

#[path = "link.rs"]
mod link;

use circuit_support::Maker;
use emulated_board::{
    Assembled, Conversion, Emulator, Image, Input, Part, PinMode, ResetCause, Wires,
    World as ChipWorld,
};
use link::{OnChip, START, WITHIN, ask, tell};
use stand_in::Fixed;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use strapwise::board::{Capacitor, Kind, NetId};
use strapwise::probe::message::{Raw, Reply, Request};
use strapwise::units::Farads;

fn image() -> Image {
    let path = "../probe/image/strapwise-probe-atmega328p.hex";
    Image::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap()
}

fn board<W: ChipWorld>(world: W) -> Emulator<W> {
    let mut board = Emulator::new(&image(), world).unwrap();
    board.run_for(START).unwrap();
    board
}

// ---- the link document, the core on the host ----------------------------------------------------

#[test]
fn every_example_of_the_link_document_holds_on_the_image() {
    link::every_example_holds(&|| board(OnChip(Fixed::new())));
}

#[test]
fn the_image_answers_byte_for_byte_as_the_core_on_the_host() {
    link::answers_as_the_core_on_the_host(&mut board(OnChip(Fixed::new())));
}

// ---- bursts ------------------------------------------------------------------------------------

/// Codes that change with every conversion, different for each input.
struct Changing {
    state: u32,
    now: Duration,
    made: Vec<(Conversion, u16, Duration)>,
    /// Pins that were driven high or low, and when.
    driven: Vec<(u8, PinMode, Duration)>,
}

impl Changing {
    fn new() -> Self {
        Changing { state: 1, now: Duration::ZERO, made: Vec::new(), driven: Vec::new() }
    }
}

impl ChipWorld for Changing {
    fn advance(&mut self, now: Duration) {
        self.now = now;
    }

    fn set_mode(&mut self, pin: u8, mode: PinMode) {
        if matches!(mode, PinMode::High | PinMode::Low) {
            self.driven.push((pin, mode, self.now));
        }
    }

    fn convert(&mut self, conversion: Conversion) -> u16 {
        // Numerical Recipes' quick generator, from memory; any other would do.
        self.state = self.state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let base = match conversion.input {
            Input::Pin(mux) => 100 + 120 * u16::from(mux),
            _ => 0,
        };
        let code = base + (self.state >> 27) as u16;
        self.made.push((conversion, code, self.now));
        code
    }

    fn read(&mut self, _: u8) -> bool {
        false
    }
}

fn burst_of(codes: &[u16]) -> String {
    let wide: Vec<u64> = codes.iter().map(|&code| u64::from(code)).collect();
    let next = wide.iter().cycle().skip(1);
    let mut sorted = codes.to_vec();
    sorted.sort_unstable();
    let rank = |percent: usize| sorted[(codes.len() * percent).div_ceil(100) - 1];
    let sum: u64 = wide.iter().sum();
    let squares: u64 = wide.iter().map(|code| code * code).sum();
    let lag: u64 = wide.iter().zip(next).map(|(a, b)| a * b).sum();
    let (low, high) = (sorted[0], sorted[codes.len() - 1]);
    format!("{},{sum},{squares},{low},{high},{lag},{},{}", codes.len(), rank(1), rank(99))
}

#[test]
fn a_burst_is_exactly_the_conversions_made_of_its_channel_none_lost_none_twice() {
    let mut board = board(Changing::new());
    for (channel, prescaler, n) in [
        (14, 128, 961),
        (15, 64, 500),
        (16, 32, 500),
        (17, 16, 200),
        (20, 64, 10_000),
        (21, 128, 65_535),
    ] {
        board.world().made.clear();
        let first_use = board.counts().conversions == 0;
        let reply = ask(&mut board, &format!("MEAS:BURS? {n},OFF,0,3,{prescaler},(@{channel})"));
        let made = std::mem::take(&mut board.world().made);
        // One is thrown away when the converter goes on, three as asked; a free-running converter
        // has begun one more when it is stopped.
        let skip = 3 + usize::from(first_use);
        assert!((skip + n..=skip + n + 1).contains(&made.len()), "{channel}: {}", made.len());
        assert!(made.iter().all(|(c, ..)| c.input == Input::Pin(channel - 14)));
        assert!(made.iter().all(|(c, ..)| c.prescaler == prescaler));
        assert!(made.iter().all(|(c, ..)| c.reference == emulated_board::Reference::Avcc));
        let codes: Vec<u16> = made[skip..skip + n].iter().map(|(_, code, _)| *code).collect();
        assert_eq!(reply, burst_of(&codes), "channel {channel}, prescaler {prescaler}");
    }
}

#[test]
fn a_burst_of_961_conversions_spans_whole_periods_of_50_and_60_hz() {
    let mut board = board(Changing::new());
    ask(&mut board, "MEAS:BURS? 961,OFF,0,1,128,(@14)");
    let at: Vec<Duration> = board.world().made.iter().skip(2).map(|(.., at)| *at).collect();
    // 13 clocks of 125 kHz (8271H section 24.4): 104 µs a conversion, 960 steps are 99.84 ms,
    // 961 conversions 99.944 ms: 5 periods of 20 ms, 6 of 16.7 ms. The emulator starts the next
    // conversion with the instruction that runs, so up to 4 cycles late.
    let span = at[960] - at[0];
    let late = Duration::from_nanos(250) * 960;
    let exact = Duration::from_micros(104) * 960;
    assert!(span >= exact && span <= exact + late, "{span:?}");
}

/// Asks for raw samples as the host does; what came of them, and the codes that were converted.
fn raw(board: &mut Emulator<Changing>, n: u16, prescaler: u8) -> (Raw, Vec<u16>, Duration) {
    ask(board, "MEAS:BURS? 1,OFF,0,0,128,(@15)"); // the converter is on
    board.world().made.clear();
    let request = Request::Raw {
        channel: 14,
        n,
        pull_up: false,
        settle_us: 0,
        discard: 0,
        prescaler,
        bits: 10,
    };
    let line = request.encode("t");
    let sent = board.request(&line, WITHIN).unwrap();
    let answer = request.open(&line, &sent).unwrap();
    assert_eq!(answer.frame.error, 0);
    let Ok(Reply::Raw(raw)) = answer.reply(&request) else { panic!("raw samples") };
    let made = std::mem::take(&mut board.world().made);
    let span = made[usize::from(n) - 1].2 - made[0].2;
    (raw, made[..usize::from(n)].iter().map(|(_, code, _)| *code).collect(), span)
}

#[test]
fn raw_samples_are_streamed_at_the_whole_rate_of_the_converter() {
    let mut board = board(Changing::new());
    let (before, n) = (board.counts().sent, 19_220);
    let (raw, codes, span) = raw(&mut board, n, 128);
    assert!(raw.lost().is_empty(), "{:?}", raw.lost());
    assert!(raw.codes() == Some(codes), "2 s of conversions, every one on the line");
    let rate = f64::from(n - 1) / span.as_secs_f64();
    let bytes = (board.counts().sent - before) as f64 / span.as_secs_f64();
    println!("{rate:.0} codes a second in the emulator, {bytes:.0} of 25,000 bytes a second");
    // 16 MHz / 128 / 13 = 9,615 a second on silicon (8271H section 24.4); the emulator is up to
    // 4 cycles of 1,664 late with each conversion.
    assert!(rate > 0.9 * 16e6 / 128.0 / 13.0, "{rate}");
    assert!(bytes < 25_000.0);
}

#[test]
fn a_load_is_switched_inside_a_burst_at_a_known_conversion_whatever_the_line_does() {
    let mut board = board(Changing::new());
    tell(&mut board, "OUTP:ALL LOW,(@9)");
    ask(&mut board, "MEAS:BURS? 1,OFF,0,0,128,(@15)"); // the converter is on
    for (command, channel) in [("MEAS:STEP?", Some(14)), ("MEAS:SUPP:STEP?", None)] {
        board.world().made.clear();
        board.world().driven.clear();
        let request = Request::Step { channel, loads: vec![9], before: 200, after: 1000, bits: 10 };
        let line = request.encode("t");
        assert!(line.starts_with(command.as_bytes()));
        let sent = board.request(&line, WITHIN).unwrap();
        let answer = request.open(&line, &sent).unwrap();
        assert_eq!(answer.frame.error, 0);
        let Ok(Reply::Step { before, lead, after }) = answer.reply(&request) else {
            panic!("a step")
        };
        let world = board.world();
        let at = |level| world.driven.iter().rfind(|(p, l, _)| (*p, *l) == (9, level)).unwrap().2;
        let (on, off) = (at(PinMode::High), at(PinMode::Low));
        // Each conversion with the time at which its input was sampled.
        let (idle, rest): (Vec<_>, Vec<_>) = world.made.iter().partition(|(.., t)| *t < on);
        // One that selects the input, eight dropped, one under way at the end of the first burst,
        // and a frame of the second, whose last one is under way as the load goes on.
        let codes: Vec<u16> = idle[9..209].iter().map(|(_, code, _)| *code).collect();
        assert_eq!((before.sum, idle.len()), (codes.iter().map(|&c| u64::from(c)).sum(), 242));
        let codes: Vec<u16> = idle[210..].iter().map(|(_, code, _)| *code).collect();
        assert_eq!(lead, codes, "the codes up to the load");
        let codes: Vec<u16> = rest[..1000].iter().map(|(_, code, _)| *code).collect();
        assert_eq!(after.codes(), Some(codes), "every code that was converted on load");
        let (under_way, first) = (on - idle[241].2, rest[0].2 - on);
        println!("{command} on {under_way:?} into a conversion, the next begins {first:?} later");
        // Its input is sampled 12 µs after a conversion begins (8271H section 24.4).
        let (sampled, soon) = (Duration::from_micros(12), Duration::from_micros(104));
        assert!(under_way < soon - sampled && first < soon, "{under_way:?}, {first:?}");
        let pace = rest[0].2 - idle[241].2;
        assert!(pace < Duration::from_micros(106), "the burst went on without a gap: {pace:?}");
        // A frame may be under way when the last conversion ends: 67 bytes of 40 µs.
        assert!(off > rest[999].2 && off - rest[999].2 < Duration::from_millis(4));
        assert_eq!(board.mode(9), Some(PinMode::Low));
    }
}

/// An image built by the build script with these options.
fn built(options: &[&str]) -> Image {
    let called = options.concat();
    let out = std::env::temp_dir().join(format!("probe{called}-{}", std::process::id()));
    let build = Path::new(env!("CARGO_MANIFEST_DIR")).join("../probe/build");
    let mut command = std::process::Command::new(build);
    let built = command.args(options).arg("--out").arg(&out).output().unwrap();
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    println!("{}", String::from_utf8_lossy(&built.stdout));
    let hex = Image::read(&out.join("strapwise-probe-atmega328p.hex")).unwrap();
    std::fs::remove_dir_all(&out).unwrap();
    hex
}

#[test]
fn at_8_mhz_an_image_of_its_own_answers_and_takes_half_as_many_conversions() {
    let image = built(&["--baud", "38400", "--clock", "8000000"]);
    let mut board = Emulator::at(8_000_000, Part::Atmega328p, &image, Changing::new()).unwrap();
    board.run_for(START).unwrap();
    let before = board.now();
    let reply = ask(&mut board, "*IDN?");
    assert!(reply.starts_with("Strapwise,PROBE-ATMEGA328P,0,"), "{reply}");
    // 8 MHz / 16 / 13 is 38,462 baud: 260 µs a byte of ten bits.
    let bytes = u32::try_from("*IDN?\n".len() + reply.len() + 1).unwrap();
    let (line, took) = (Duration::from_micros(260) * bytes, board.now() - before);
    assert!(took > line - Duration::from_micros(600) && took < line * 2, "{took:?} for {line:?}");
    // Exactly the conversions made, none lost, 208 µs apart: 13 clocks of 62.5 kHz.
    let (raw, codes, span) = raw(&mut board, 961, 128);
    assert_eq!(raw.burst.sum, codes.iter().map(|&c| u64::from(c)).sum::<u64>());
    let (exact, late) = (Duration::from_micros(208) * 960, Duration::from_nanos(500) * 960);
    assert!(span >= exact && span <= exact + late, "{span:?}");
    // A millisecond is one: outputs go off after three seconds of silence.
    tell(&mut board, "OUTP:ALL LOW,(@9)");
    tell(&mut board, "OUTP ON,(@9)");
    board.run_for(Duration::from_millis(2900)).unwrap();
    assert_eq!(board.mode(9), Some(PinMode::High));
    board.run_for(Duration::from_millis(200)).unwrap();
    assert_eq!(board.mode(9), Some(PinMode::Low));
}

#[test]
fn the_image_for_the_slower_line_answers_at_its_rate_and_says_which_samples_it_leaves_out() {
    let hex = built(&["--baud", "38400"]);
    let mut board = Emulator::new(&hex, Changing::new()).unwrap();
    board.run_for(START).unwrap();
    let before = board.now();
    let reply = ask(&mut board, "*IDN?");
    assert!(reply.starts_with("Strapwise,PROBE-ATMEGA328P,0,"), "{reply}");
    // 16 MHz / 16 / 26 is 38,462 baud: 260 µs a byte of ten bits, the request and the reply.
    let bytes = u32::try_from("*IDN?\n".len() + reply.len() + 1).unwrap();
    let line = Duration::from_micros(260) * bytes;
    let took = board.now() - before;
    assert!(took > line - Duration::from_micros(600) && took < line * 2, "{took:?} for {line:?}");
    let (raw, codes, _) = raw(&mut board, 961, 128);
    let lost: u32 = raw.lost().iter().map(|r| r.end - r.start).sum();
    // A frame is on the line for 17.4 ms, while 167 conversions are made.
    println!("{lost} of 961 codes left out at 38,400 baud");
    assert!((640..900).contains(&lost), "{lost}");
    assert_eq!(raw.burst.sum, codes.iter().map(|&c| u64::from(c)).sum::<u64>());
}

#[test]
fn where_the_line_is_too_slow_whole_frames_are_left_out_and_named() {
    let mut board = board(Changing::new());
    let (raw, codes, _) = raw(&mut board, 2_000, 64);
    let lost: u32 = raw.lost().iter().map(|r| r.end - r.start).sum();
    // 32 conversions of 52 µs are over in 1.66 ms, a frame is on the line for 2.68 ms: between
    // a third and three quarters cannot be sent, as the processor has the rest of the time only.
    println!("{lost} of 2000 codes left out at prescaler 64");
    assert!((666..1_500).contains(&lost), "{lost}");
    assert!(raw.lost().iter().all(|r| r.start % 32 == 0));
    for frame in &raw.frames {
        let first = frame.first as usize;
        assert_eq!(frame.codes, codes[first..first + frame.codes.len()]);
    }
    assert_eq!(raw.burst.sum, codes.iter().map(|&c| u64::from(c)).sum::<u64>());
}

#[test]
fn a_code_is_added_up_in_a_third_of_a_conversion_at_most() {
    // At prescaler 16 each conversion is started at the end of the interrupt: what lies between
    // two starts beyond 13 clocks is what the interrupt took, with way in and out.
    let cycles = |board: &mut Emulator<Changing>, command: &str| {
        ask(board, "MEAS:BURS? 1,OFF,0,0,128,(@15)");
        board.world().made.clear();
        ask(board, &format!("{command} 961,OFF,0,0,16,(@14)"));
        let made = &board.world().made;
        let steps = made.windows(2).map(|w| (w[1].2 - w[0].2).as_nanos() as f64 * 0.016 - 208.0);
        let steps: Vec<f64> = steps.collect();
        (steps.iter().sum::<f64>() / 960.0, steps.iter().fold(0.0, |a: f64, b| a.max(*b)))
    };
    let mut board = board(Changing::new());
    for command in ["MEAS:BURS?", "MEAS:RAW?"] {
        let (mean, most) = cycles(&mut board, command);
        println!("{command} {mean:.0} cycles a conversion, {most:.0} at most, of 1664");
        assert!(mean < 1664.0 / 3.0 && most < 1664.0 / 2.0);
    }
}

// ---- what the pins do --------------------------------------------------------------------------

fn numbers(reply: &str) -> Vec<u64> {
    reply.split(',').map(|n| n.parse().unwrap()).collect()
}

#[test]
fn a_pull_up_moves_a_driven_pin_by_its_source_resistance_and_is_off_again_afterwards() {
    // 10 kΩ and 100 kΩ to ground against 35 kΩ: 1024*10/45 = 227.6, 1024*100/135 = 758.5.
    let mut board = board(Wires::new().with(14, 0.0, 10e3).with(15, 0.0, 100e3));
    for (channel, code) in [(14, 227), (15, 758)] {
        let off = ask(&mut board, &format!("MEAS:BURS? 4,OFF,0,1,128,(@{channel})"));
        let on = ask(&mut board, &format!("MEAS:BURS? 4,ON,200,1,128,(@{channel})"));
        assert_eq!((numbers(&off)[1], numbers(&on)[1]), (0, 4 * code));
        assert_eq!(board.mode(channel), Some(PinMode::Input));
    }
}

#[test]
fn charge_sharing_walks_an_open_pin_to_zero_and_leaves_a_driven_one() {
    let mut board = board(Wires::new().with(14, 5.0, 1e3));
    assert_eq!(ask(&mut board, "MEAS:CHAR? 20,(@14)"), "20,4092,4092");
    ask(&mut board, "MEAS:BURS? 4,ON,100,0,128,(@15)"); // charges the open pin to the supply
    let walked = numbers(&ask(&mut board, "MEAS:CHAR? 20,(@15)"));
    // 15 pF shared with 14 pF: 15/29 is left each time, nothing after 20 of them. The first four
    // are 529, 273, 141 and 73 of 1024.
    assert_eq!(walked[0], 20);
    assert!((1000..=1020).contains(&walked[1]), "{walked:?}");
    assert_eq!(walked[2], 0);
}

/// PD2 open, PD3 at the supply by 10 kΩ, PD4 likewise with 100 nF to ground.
fn digital_pins() -> Assembled {
    let board = Maker::new()
        .resistor("R1", "VCC", "FAST", 10e3, 0.0)
        .resistor("R2", "VCC", "SLOW", 10e3, 0.0)
        .channel("OPEN", "OPEN", "PD2", Kind::Digital)
        .channel("FAST", "FAST", "PD3", Kind::Digital)
        .channel("SLOW", "SLOW", "PD4", Kind::Digital);
    let mut board = board.done();
    let between = [circuit_support::net(&board, "SLOW"), NetId(1)];
    board.capacitors.push(Capacitor { id: "C1".into(), between, farads: Farads(100e-9) });
    Assembled::new(Arc::new(board), 1)
}

#[test]
fn after_a_discharge_an_open_pin_reads_low_and_a_driven_one_as_it_is_driven() {
    let mut board = board(digital_pins());
    let kept = ask(&mut board, "MEAS:LEV? 20,ON,20000,(@2);LEV? 20,OFF,0,(@2)");
    assert_eq!(kept, "20,20;20,20", "the charge of the pull-up stays for a while");
    tell(&mut board, "OUTP:DISC (@2:4)");
    // One time constant of 10 kΩ and 100 nF is 1 ms, 0.6 of the supply (VIH) 0.92 ms.
    for (pin, settle, ones) in [(2, 50, 0), (3, 0, 20), (3, 50, 20), (4, 50, 0), (4, 2000, 20)] {
        let reply = ask(&mut board, &format!("MEAS:LEV? 20,DISC,{settle},(@{pin})"));
        assert_eq!(reply, format!("20,{ones}"), "PD{pin} after {settle} µs");
        assert_eq!(board.mode(pin), Some(PinMode::Input));
    }
}

#[test]
fn a_discharge_drives_the_pin_low_for_ten_to_twenty_microseconds_each_time() {
    let mut board = board(Wires::new().with(2, 5.0, 10e3));
    tell(&mut board, "OUTP:DISC (@2)");
    board.world().events.clear();
    assert_eq!(ask(&mut board, "MEAS:LEV? 200,DISC,20,(@2)"), "200,200");
    let events = std::mem::take(&mut board.world().events);
    let modes: Vec<(Duration, PinMode)> = events
        .into_iter()
        .filter_map(|(at, event)| match event {
            emulated_board::Event::Mode(2, mode) => Some((at, mode)),
            _ => None,
        })
        .collect();
    assert_eq!(modes.len(), 400);
    let mut longest = Duration::ZERO;
    for pair in modes.chunks(2) {
        let [(low, PinMode::Low), (free, PinMode::Input)] = *pair else { panic!("{pair:?}") };
        longest = longest.max(free - low);
        let range = Duration::from_micros(10)..Duration::from_micros(20);
        assert!(range.contains(&(free - low)), "{:?}", free - low);
    }
    println!("longest discharge {longest:?}");
}

#[test]
fn a_product_burst_converts_the_channel_before_once_and_then_its_own_without_a_pause() {
    let mut board = board(Changing::new());
    ask(&mut board, "MEAS:BURS? 1,OFF,0,0,128,(@16)"); // the converter is on
    for (reference, word) in
        [(emulated_board::Reference::Avcc, "SUPP"), (emulated_board::Reference::Internal, "INT")]
    {
        ask(&mut board, "SYST:REF SUPP,INT;REF?");
        ask(&mut board, &format!("MEAS:PROD? 1,0,128,{word},(@15),(@14)")); // the reference is in
        board.world().made.clear();
        let reply = ask(&mut board, &format!("MEAS:PROD? 4,1,128,{word},(@15),(@14)"));
        let made = std::mem::take(&mut board.world().made);
        assert!((6..=7).contains(&made.len()), "one before, one dropped, four: {}", made.len());
        let inputs: Vec<Input> = made.iter().map(|(c, ..)| c.input).collect();
        assert_eq!(inputs[..2], [Input::Pin(1), Input::Pin(0)]);
        assert!(inputs[2..].iter().all(|i| *i == Input::Pin(0)));
        assert!(made.iter().all(|(c, ..)| c.reference == reference && c.prescaler == 128));
        let codes: Vec<u16> = made[2..6].iter().map(|(_, code, _)| *code).collect();
        assert_eq!(reply, burst_of(&codes));
        // 104 µs of conversion, and the few that changing the channel takes.
        let pause = made[1].2 - made[0].2;
        assert!(pause < Duration::from_micros(125), "{pause:?}");
    }
}

#[test]
fn the_supply_is_read_off_the_bandgap_and_a_sag_shows() {
    let mut board = board(Wires::new());
    assert_eq!(numbers(&ask(&mut board, "MEAS:SUPP? 10"))[1], 2250); // 1.1*1024/5 = 225.28
    board.world().supply = 4.5;
    assert_eq!(numbers(&ask(&mut board, "MEAS:SUPP? 10"))[1], 2500); // 1.1*1024/4.5 = 250.3
}

/// The two lines of a bus at PC4 and PC5 with a part at 0x68.
struct Lines {
    part: strapwise::probe::world::Responder,
    /// Whether resistors hold the lines high.
    held: bool,
    modes: [PinMode; 22],
    now: Duration,
    /// When the clock rose.
    clocks: Vec<Duration>,
}

impl Lines {
    fn new(held: bool) -> Lines {
        let part = strapwise::probe::world::Responder::new(&[0x68]);
        let modes = [PinMode::Input; 22];
        Lines { part, held, modes, now: Duration::ZERO, clocks: Vec::new() }
    }

    fn high(&self, pin: usize) -> bool {
        match self.modes[pin] {
            PinMode::Low => false,
            PinMode::High => panic!("a line of a bus is never driven high"),
            PinMode::PullUp => true,
            PinMode::Input => self.held,
        }
    }
}

impl ChipWorld for Lines {
    fn advance(&mut self, now: Duration) {
        self.now = now;
    }

    fn set_mode(&mut self, pin: u8, mode: PinMode) {
        let clock = self.high(19);
        self.modes[usize::from(pin)] = mode;
        if !clock && self.high(19) {
            self.clocks.push(self.now);
        }
        let (sda, scl) = (self.high(18), self.high(19));
        self.part.lines(sda, scl);
    }

    fn convert(&mut self, _: Conversion) -> u16 {
        0
    }

    fn read(&mut self, pin: u8) -> bool {
        self.high(usize::from(pin)) && !(pin == 18 && self.part.pulls())
    }
}

#[test]
fn a_part_on_a_bus_answers_to_its_address_within_standard_mode() {
    // Resistors of the board, or the chip's own pull-ups, hold the lines.
    for (held, pull) in [(true, "OFF"), (true, "ON"), (false, "ON")] {
        let mut board = board(Lines::new(held));
        tell(&mut board, "OUTP:DISC (@18,19)");
        let asked = |address: u8| format!("MEAS:ACKN? {address},{pull},(@18),(@19)");
        let found: Vec<String> = (0x66..0x6A).map(|a| ask(&mut board, &asked(a))).collect();
        assert_eq!(found, ["0", "0", "1", "0"], "{held}, {pull}");
        assert_eq!([18, 19].map(|pin| board.mode(pin)), [Some(PinMode::Input); 2]);
        let clocks = std::mem::take(&mut board.world().clocks);
        let shortest = clocks.windows(2).map(|w| w[1] - w[0]).min().unwrap();
        let most = clocks.windows(2).map(|w| w[1] - w[0]).filter(|d| d.as_millis() < 1).max();
        println!("a clock takes {shortest:?} to {most:?}");
        // Standard mode has 100 kHz at most (UM10204 table 10, from memory).
        assert!(shortest > Duration::from_micros(20), "{shortest:?}");
        assert!(
            most < Some(Duration::from_micros(100)),
            "a bus that times out has 10 kHz: {most:?}"
        );
    }
    // Nothing holds them: the clock does not rise.
    let mut board = board(Lines::new(false));
    tell(&mut board, "OUTP:DISC (@18,19)");
    let before = board.now();
    assert_eq!(ask(&mut board, "MEAS:ACKN? 104,OFF,(@18),(@19)"), "2");
    let took = board.now() - before;
    let wait = Request::Presence { address: 104, pull_up: false, sda: 18, scl: 19 }.timeout();
    println!("a bus held low is told after {took:?}");
    assert!(took + Duration::from_millis(200) < wait, "{took:?} of {wait:?}");
}

#[test]
fn outputs_go_off_after_silence_and_let_go_at_a_reset() {
    let mut board = board(Wires::new());
    tell(&mut board, "OUTP:ALL LOW,(@9)");
    tell(&mut board, "OUTP ON,(@9)");
    board.run_for(Duration::from_millis(2900)).unwrap();
    assert_eq!(board.mode(9), Some(PinMode::High));
    board.run_for(Duration::from_millis(200)).unwrap();
    assert_eq!(board.mode(9), Some(PinMode::Low));
    tell(&mut board, "OUTP ON,(@9)");
    board.reset(ResetCause::External);
    assert_eq!(board.mode(9), Some(PinMode::Input));
    board.run_for(Duration::from_secs(1)).unwrap();
    assert_eq!(board.mode(9), Some(PinMode::Input));
}

#[test]
fn an_output_is_never_driven_on_for_a_moment_when_it_is_named() {
    for (level, wrong) in [("LOW", PinMode::High), ("HIGH", PinMode::Low)] {
        let mut board = board(Wires::new());
        tell(&mut board, &format!("OUTP:ALL {level},(@9)"));
        let driven = board.world().events.iter().any(
            |(_, event)| matches!(event, emulated_board::Event::Mode(9, mode) if *mode == wrong),
        );
        assert!(!driven, "{level}");
    }
}

// ---- boot and memory ---------------------------------------------------------------------------

#[test]
fn a_fresh_board_says_nothing_leaves_its_eeprom_alone_and_its_converter_off() {
    let mut board = board(Wires::new());
    board.run_for(Duration::from_secs(2)).unwrap();
    board.reset(ResetCause::External);
    board.run_for(Duration::from_secs(2)).unwrap();
    assert_eq!(board.take_sent(), b"");
    assert!(board.eeprom().iter().all(|&byte| byte == 0xff));
    assert_eq!(board.counts().conversions, 0);
    assert!((0..20).all(|pin| board.mode(pin) == Some(PinMode::Input)));
}

#[test]
fn each_reset_counts_once_an_identity_is_written_and_foreign_bytes_stay() {
    let mut board = board(Wires::new());
    let product: Vec<u8> = (0..864).map(|i| (i % 251) as u8).collect();
    board.write_eeprom(0, &product).unwrap();
    tell(&mut board, "SYST:IDEN #HC0FFEE,\"U1\"");
    let causes = [
        (ResetCause::External, "EXTERNAL"),
        (ResetCause::PowerOn, "POWER"),
        (ResetCause::BrownOut, "BROWNOUT"),
        (ResetCause::Unknown, "UNKNOWN"),
    ];
    for (boots, (cause, name)) in (1..).zip(causes) {
        board.reset(cause);
        board.run_for(START).unwrap();
        let reply = ask(&mut board, "SYST:BOOT?");
        assert!(reply.starts_with(&format!("{boots},{name},")), "{reply}");
    }
    assert_eq!(board.eeprom()[..864], product);
}

#[test]
fn what_comes_during_a_burst_is_kept_and_answered_after_it() {
    let mut board = board(Changing::new());
    board.send(b"MEAS:BURS? 961,OFF,0,1,128,(@14)\n");
    board.run_for(Duration::from_millis(20)).unwrap();
    board.send(b"*OPC?\n*IDN?\n");
    board.run_for(Duration::from_millis(100)).unwrap();
    let sent = String::from_utf8(board.take_sent()).unwrap();
    let lines: Vec<&str> = sent.lines().collect();
    assert!(lines[0].starts_with("961,") && lines[1] == "1", "{sent}");
    assert!(lines[2].starts_with("Strapwise,PROBE-ATMEGA328P,0,"), "{sent}");
    assert_eq!(board.counts().overruns, 0);
}

#[test]
fn a_kibibyte_of_memory_suffices_with_the_stack_whatever_was_asked() {
    let mut board = board(Changing::new());
    ask(&mut board, "SYST:IDEN #H1,\"0123456789012345678901234567890123456789\",\"t\"");
    ask(&mut board, "MEAS:BURS? 961,ON,100,1,16,(@14),\"0123456789abcdef\"");
    ask(&mut board, "MEAS:RAW? 961,ON,100,1,128,(@14),\"0123456789abcdef\"");
    tell(&mut board, "OUTP:ALL LOW,(@9)");
    ask(&mut board, "MEAS:STEP? 961,961,(@14),(@9),\"0123456789abcdef\"");
    tell(&mut board, "OUTP:DISC (@18,19)");
    ask(&mut board, "MEAS:ACKN? 104,ON,(@18),(@19),\"0123456789abcdef\"");
    ask(&mut board, "MEM:SLOT? 1;SLOT? 2;:MEAS:CHAR? 8,(@14);:SYST:ERR?;*TST?,\"t\"");
    board.send(&[b'x'; 300]);
    tell(&mut board, "");
    ask(&mut board, "SYST:ERR?;ERR?;ERR?;ERR?");
    let used = board.ram_use();
    println!("SRAM of 2048: {used:?}");
    assert!(used.variables + used.stack <= 1024, "{used:?}");
}
