//! Drawn units: within the worst case, as the law of propagation says, the same for the same seed.

mod circuit_support;

use circuit_support::{Maker, profile_ladder, setting};
use strapwise::board::{Array, Board, Feed, Kind, Meter, NetId, Reference, Source};
use strapwise::units::{Ratio, Volts};
use strapwise::window::monte_carlo::{Law, MonteCarlo, STRETCH, Stretch, Tally, stretches};
use strapwise::window::{expect, rss::rss, windows};

fn draw(board: &Board, law: Law, seed: u64, units: u64) -> (Vec<String>, Tally) {
    let windows = windows(board).expect("windows");
    let plan = MonteCarlo::new(board, &windows, law);
    assert!(plan.left_out().is_empty());
    let mut tally = Tally::default();
    for stretch in stretches(units) {
        tally.merge(&plan.run(seed, stretch));
    }
    (plan.positions().iter().map(|p| p.name.clone()).collect(), tally)
}

#[test]
fn every_unit_of_a_sound_ladder_reads_its_own_options_within_the_worst_case() {
    let board = profile_ladder();
    for law in [Law::Uniform, Law::Normal] {
        let (names, tally) = draw(&board, law, 1, 40_000);
        assert_eq!(names, ["J1=1", "J1=2", "J1=3", "J1=4", "J1=5"]);
        assert_eq!((tally.units, tally.good), (40_000, 40_000));
        for (name, readings) in names.iter().zip(&tally.readings) {
            let band = expect(&board, &setting(&board, name), 0).design;
            assert_eq!(readings.right, 40_000);
            let (low, high) = (f64::from(readings.low), f64::from(readings.high));
            assert!(band.low.floor() <= low && high <= band.high, "{name}: {low} {high} {band:?}");
        }
    }
}

/// The spread of the drawn codes is that of the root sum of squares: the drift of a resistor is a
/// product of two rectangular figures there and one here, so a little less.
#[test]
fn drawn_codes_have_the_mean_and_spread_of_the_root_sum_of_squares() {
    let mut board = profile_ladder();
    board.in_use.tempco = Some((Ratio(0.0), Ratio(0.0)));
    let (names, tally) = draw(&board, Law::Uniform, 7, 200_000);
    for (name, readings) in names.iter().zip(&tally.readings).skip(1).take(3) {
        let found = rss(&board, &setting(&board, name), 0).expect("driven");
        let mean = readings.mean(tally.units);
        assert!((mean - found.code).abs() < 0.05, "{name}: {mean}, not {}", found.code);
        let deviation = readings.deviation(tally.units);
        assert!((deviation / found.u - 1.0).abs() < 0.02, "{name}: {deviation}, not {}", found.u);
    }
}

/// A normal law cut at three deviations has 0.9733 of its variance left (by its own integral,
/// 1 - 6 phi(3) / (2 Phi(3) - 1)), a rectangular one a third of the limit squared.
#[test]
fn a_normal_law_is_narrower_by_its_own_integral() {
    let mut board = profile_ladder();
    let chip = std::sync::Arc::make_mut(&mut board.chip);
    for figure in [&mut chip.offset, &mut chip.gain, &mut chip.inl, &mut chip.dnl] {
        figure.lsb = 0.0;
    }
    // Coarse parts, so that truncation does not matter.
    for r in &mut board.resistors {
        r.tolerance = Ratio(0.04);
    }
    let deviation = |law| draw(&board, law, 3, 200_000).1.readings[2].deviation(200_000);
    let ratio = deviation(Law::Normal) / deviation(Law::Uniform);
    let expected = (0.9733_f64 / 9.0).sqrt() / (1.0_f64 / 3.0).sqrt();
    assert!((ratio - expected).abs() < 0.01, "{ratio}, not {expected}");
}

#[test]
fn the_same_seed_gives_the_same_figures_whoever_draws_which_stretch() {
    let board = profile_ladder();
    let windows = windows(&board).expect("windows");
    let plan = MonteCarlo::new(&board, &windows, Law::Normal);
    let units = 2 * STRETCH + 1234;
    let all: Vec<Stretch> = stretches(units).collect();
    assert_eq!(all.iter().map(|s| s.units).sum::<u64>(), units);
    let tally = |order: &[usize], seed: u64| {
        let mut sum = Tally::default();
        for &i in order {
            sum.merge(&plan.run(seed, all[i]));
        }
        sum
    };
    assert_eq!(tally(&[0, 1, 2], 9), tally(&[2, 0, 1], 9));
    assert_ne!(tally(&[0, 1, 2], 9), tally(&[0, 1, 2], 10));
    assert_ne!(tally(&[0, 0, 2], 9), tally(&[0, 1, 2], 9));
    assert_eq!(stretches(0).count(), 0);
}

/// With parts of 50 % some units read the neighbour or none.
#[test]
fn a_tight_design_has_an_expected_yield_below_one() {
    let mut board = profile_ladder();
    let windows = windows(&board).expect("windows");
    for r in &mut board.resistors {
        r.tolerance = Ratio(0.5);
    }
    // The windows of the sound board, units of loose parts.
    let plan = MonteCarlo::new(&board, &windows, Law::Uniform);
    let tally = plan.run(5, Stretch { stream: 0, units: 10_000 });
    let share = tally.expected_yield();
    assert!(share > 0.2 && share < 0.99, "{share}");
    let worst = tally.readings.iter().map(|r| r.right).min().expect("positions");
    assert!(tally.good <= worst && worst < 10_000);
}

#[test]
fn units_of_an_array_spread_less_than_units_of_separate_parts() {
    let mut board = profile_ladder();
    for r in &mut board.resistors[..4] {
        r.tolerance = Ratio(0.05);
    }
    let separate = draw(&board, Law::Uniform, 2, 20_000).1.readings[2].deviation(20_000);
    board.arrays.push(Array { id: "RN1".into(), ratio: Ratio(0.001), tracking: Some(Ratio(0.0)) });
    for r in &mut board.resistors[..4] {
        r.drift.array = Some(0);
    }
    let array = draw(&board, Law::Uniform, 2, 20_000).1.readings[2].deviation(20_000);
    assert!(array * 2.0 < separate, "{array} {separate}");
}

/// A switch with a drop is solved unit by unit; a pin with its pull-up on is compiled.
#[test]
fn switches_with_a_drop_and_pins_with_a_pull_up_are_drawn_too() {
    let board = Maker::new()
        .resistor("R1", "OUT", "GND", 10e3, 0.01)
        .resistor("R2", "BIT", "FAR", 470.0, 0.05)
        .switch("K1", ["FEED", "OUT"], "PD5", [10.0, 100.0], [0.1, 0.3])
        .jumper("J1", &[("up", "VCC", "FEED")], true)
        .jumper("J2", &[("fitted", "FAR", "GND")], true)
        .channel_with("OUT", "OUT", "PC0", Kind::Analog, false, &[0])
        .channel_with("BIT", "BIT", "PD2", Kind::Digital, true, &[])
        .options("feed", &["OUT"], &[("J1=up", "on"), ("J1=open", "off")])
        .options("bit", &["BIT"], &[("J2=fitted", "0"), ("J2=open", "1")])
        .done();
    let (names, tally) = draw(&board, Law::Uniform, 11, 2000);
    assert_eq!(names, ["J1=up", "J1=open", "J2=fitted", "J2=open"]);
    assert_eq!(tally.good, 2000);
    // A drop of 0.2 V from 5 V and 55 ohms before 10 kilohms: 0.96 less half a percent.
    let mean = tally.readings[0].mean(2000) / 1024.0;
    assert!((mean - 0.9545).abs() < 0.002, "{mean}");
    let band = expect(&board, &board.delivery, 0).design;
    assert!(f64::from(tally.readings[0].low) >= band.low.floor());
    assert!(f64::from(tally.readings[0].high) <= band.high);
}

/// A fixed reference of 1.0 to 1.2 V and a source of 12 V: drawn codes spread as the root sum of
/// squares says, and stay within the worst case.
#[test]
fn a_fixed_reference_and_a_further_source_are_drawn_too() {
    let mut maker = Maker::new()
        .resistor("R1", "TWELVE", "OUT", 22e3, 0.01)
        .resistor("R2", "OUT", "GND", 1e3, 0.01)
        .jumper("J1", &[("on", "BESIDE", "GND")], false)
        .channel("OUT", "OUT", "PC0", Kind::Analog)
        .options("o", &["OUT"], &[("J1=on", "on")]);
    let between = [maker.net("TWELVE"), maker.net("GND")];
    let (id, feed) = ("V2".into(), Feed::Volts(Volts(12.0)));
    maker.0.sources.push(Source { id, between, feed, tolerance: Ratio(0.02) });
    let mut board = maker.done();
    board.in_use.tempco = Some((Ratio(0.0), Ratio(0.0)));
    let internal = *board.chip.internal.first().expect("a reference");
    board.firmware.reference = Reference::Internal(internal);
    let (_, tally) = draw(&board, Law::Uniform, 4, 20_000);
    assert_eq!(tally.good, 20_000);
    let found = rss(&board, &board.delivery, 0).expect("driven");
    let (mean, deviation) = (tally.readings[0].mean(20_000), tally.readings[0].deviation(20_000));
    assert!((mean / found.code - 1.0).abs() < 0.01, "{mean}, not {}", found.code);
    assert!((deviation / found.u - 1.0).abs() < 0.03, "{deviation}, not {}", found.u);
    let band = expect(&board, &board.delivery, 0).design;
    let (low, high) = (f64::from(tally.readings[0].low), f64::from(tally.readings[0].high));
    assert!(band.low.floor() <= low && high <= band.high, "{low} {high} {band:?}");
}

/// Resistors in series that shunts short, read by a meter of 1 % and three digits.
fn series() -> Board {
    let meter = Meter { accuracy: Ratio(0.01), digits: 3, counts: 2000 };
    let mut board = Maker::new()
        .resistor("R1", "A", "N1", 100.0, 0.01)
        .resistor("R2", "N1", "N2", 220.0, 0.05)
        .jumper("J1", &[("fitted", "A", "N1")], true)
        .jumper("J2", &[("fitted", "N1", "N2")], true)
        .channel("OHMS", "A", "PC0", Kind::Analog)
        .options(
            "ohms",
            &["OHMS"],
            &[
                ("J1=fitted J2=open", "220"),
                ("J1=open J2=fitted", "100"),
                ("J1=open J2=open", "320"),
            ],
        )
        .done();
    let against = NetId(board.nets.iter().position(|n| n == "N2").expect("the net"));
    board.channels[0].kind = Kind::Meter { against, meter };
    board
}

#[test]
fn a_meter_reads_drawn_units_within_the_worst_case_and_as_the_root_sum_of_squares_says() {
    let mut board = series();
    board.in_use.tempco = Some((Ratio(0.0), Ratio(0.0)));
    let (names, tally) = draw(&board, Law::Uniform, 11, 100_000);
    let windows = windows(&board).expect("windows");
    let plan = MonteCarlo::new(&board, &windows, Law::Uniform);
    assert_eq!(names.len(), 3);
    assert_eq!(tally.good, 100_000);
    for (place, (position, readings)) in plan.positions().iter().zip(&tally.readings).enumerate() {
        let worth = plan.worth(place);
        let band = expect(&board, &position.setting, 0).design;
        let (low, high) = (worth * f64::from(readings.low), worth * f64::from(readings.high));
        assert!(band.low - worth <= low && high <= band.high, "{position:?}: {low} {high}");
        let found = rss(&board, &position.setting, 0).expect("driven");
        let mean = worth * readings.mean(tally.units);
        assert!((mean - found.code).abs() < 0.02 * found.u, "{mean}, not {}", found.code);
        let deviation = worth * readings.deviation(tally.units);
        assert!((deviation / found.u - 1.0).abs() < 0.02, "{deviation}, not {}", found.u);
        assert!(band.low <= found.band.low && found.band.high <= band.high, "{found:?}");
    }
}
