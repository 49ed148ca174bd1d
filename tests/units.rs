//! Values read and printed as the trade writes them.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use strapwise::units::{
    Allow, Amperes, Code, Farads, Hertz, Misread, Ohms, Quantity, Ratio, Volts, range,
    range_or_single, read,
};

fn ohms(text: &str) -> f64 {
    read::<Ohms>(text, Allow::Positive).unwrap_or_else(|e| panic!("{e}")).0
}

fn refused<Q: Quantity + std::fmt::Debug>(text: &str) -> Misread {
    read::<Q>(text, Allow::Positive).expect_err("no such value")
}

#[test]
fn letter_codes_of_resistors_are_read_as_the_standard_has_them() {
    // IEC 60062:2016, examples as tabulated in Wikipedia, "RKM code".
    for (code, value) in [
        ("R47", 0.47),
        ("4R7", 4.7),
        ("470R", 470.0),
        ("4K7", 4.7e3),
        ("47K", 47e3),
        ("47K3", 47.3e3),
        ("470K", 470e3),
        ("4M7", 4.7e6),
    ] {
        assert_eq!(ohms(code), value, "{code}");
    }
    // IEC 60062; R10, 1K0, 2M2 and the letters L to G as on probsee.com's page on the code;
    // 0R33 and 4K99 from memory.
    for (code, value) in [
        ("2K2", 2.2e3),
        ("1M0", 1e6),
        ("1K0", 1e3),
        ("2M2", 2.2e6),
        ("R10", 0.10),
        ("0R33", 0.33),
        ("4K99", 4.99e3),
        ("4L7", 4.7e-3),
        ("1G0", 1e9),
    ] {
        assert_eq!(ohms(code), value, "{code}");
    }
}

#[test]
fn lower_case_letters_of_schematics_are_read_too() {
    // Common practice, no source.
    assert_eq!(ohms("2k2"), 2.2e3);
    assert_eq!(ohms("4r7"), 4.7);
    let farads = |text| read::<Farads>(text, Allow::Positive).map(|f| f.0);
    assert_eq!(farads("100n"), Ok(100e-9));
    assert_eq!(farads("4n7"), Ok(4.7e-9));
    assert_eq!(farads("10u"), Ok(10e-6));
    assert_eq!(farads("4p7"), Ok(4.7e-12));
    assert_eq!(read::<Volts>("3V3", Allow::Positive), Ok(Volts(3.3)));
}

#[test]
fn prefixes_and_units_of_the_si_are_read_with_or_without_a_space() {
    // SI brochure, 9th edition, table 7 (prefixes).
    for (text, value) in [
        ("2.2k", 2.2e3),
        ("4.7 kΩ", 4.7e3),
        ("4.7 k\u{2126}", 4.7e3),
        ("470 ohm", 470.0),
        ("470", 470.0),
        ("10 mΩ", 10e-3),
        ("2k2 Ω", 2.2e3),
        (".5 Ω", 0.5),
        ("1.5 Mohm", 1.5e6),
    ] {
        assert_eq!(ohms(text), value, "{text}");
    }
    let volts = |text| read::<Volts>(text, Allow::Any).map(|v| v.0);
    assert_eq!(volts("5V"), Ok(5.0));
    assert_eq!(volts("80mV"), Ok(80e-3));
    assert_eq!(volts("-12.5 mV"), Ok(-12.5e-3));
    assert_eq!(read::<Farads>("10nF", Allow::Positive), Ok(Farads(10e-9)));
    assert_eq!(read::<Hertz>("125kHz", Allow::Positive), Ok(Hertz(125e3)));
    assert_eq!(read::<Hertz>("16 MHz", Allow::Positive), Ok(Hertz(16e6)));
    for micro in ["1uA", "1µA", "1 μA"] {
        assert_eq!(read::<Amperes>(micro, Allow::Positive), Ok(Amperes(1e-6)), "{micro}");
    }
}

#[test]
fn a_unit_that_does_not_fit_says_what_was_expected() {
    let told = refused::<Ohms>("5V").to_string();
    assert_eq!(
        told,
        "`5V` is a voltage, not a resistance: write it like `2k2`, `4.7 kΩ` or `470 ohm`"
    );
    assert_eq!(refused::<Volts>("4.7 kΩ").what, "`4.7 kΩ` is a resistance, not a voltage");
    assert_eq!(refused::<Farads>("1mA").what, "`1mA` is a current, not a capacitance");
    assert_eq!(refused::<Hertz>("10nF").what, "`10nF` is a capacitance, not a frequency");
    assert_eq!(refused::<Amperes>("50 Hz").what, "`50 Hz` is a frequency, not a current");
}

#[test]
fn what_can_be_meant_two_ways_is_refused() {
    // 4E7: the E of some makers' codes against the exponent; 10m: milli against mega.
    assert_eq!(refused::<Ohms>("4E7").what, "`4E7` is not a resistance");
    assert_eq!(refused::<Ohms>("1e3").what, "`1e3` is not a resistance");
    assert_eq!(
        refused::<Ohms>("10m").to_string(),
        "`10m` has an `m` that may mean milli or mega: write `mΩ` for milli or `M` for mega"
    );
    assert!(refused::<Hertz>("1m5").what.contains("milli or mega"));
    assert!(refused::<Ohms>("2,2k").what.contains("the decimal sign is a point"));
    assert!(Ratio::read("0.01", Allow::Positive).is_err());
    assert!(Ratio::read("1", Allow::Positive).is_err());
}

#[test]
fn what_is_no_value_is_refused() {
    for text in [
        "", " ", "R", "k", "Ω", ".", "-", "+", "1.2.3", "4.7K7", "2k2k", "2k 2", "1 2", "--1",
        "nan", "inf", "∞", "2kk", "1KV", "0x10", "1_000", "4K7F",
    ] {
        assert!(read::<Ohms>(text, Allow::Any).is_err(), "`{text}`");
    }
    assert!(read::<Ohms>(&"9".repeat(400), Allow::Any).is_err());
}

#[test]
fn the_sign_is_judged_by_what_the_value_is_for() {
    assert_eq!(read::<Volts>("0V", Allow::NonNegative), Ok(Volts(0.0)));
    assert_eq!(read::<Volts>("-1V", Allow::Any), Ok(Volts(-1.0)));
    assert_eq!(refused::<Ohms>("0R").what, "`0R` must be above zero");
    assert_eq!(refused::<Ohms>("-2k2").what, "`-2k2` must be above zero");
    let negative = read::<Volts>("-1V", Allow::NonNegative).expect_err("negative");
    assert_eq!(negative.what, "`-1V` must not be negative");
}

#[test]
fn a_range_has_its_smaller_value_first_and_both_its_units() {
    let volts = |text| range::<Volts>(text, Allow::NonNegative);
    assert_eq!(volts("15mV..120mV"), Ok((Volts(0.015), Volts(0.12))));
    assert_eq!(volts("0 .. 120 mV"), Ok((Volts(0.0), Volts(0.12))));
    assert_eq!(volts("1..2"), Ok((Volts(1.0), Volts(2.0))));
    // 1.5 V to 120 V, or 1.5 mV to 120 mV?
    let told = volts("1.5..120V").expect_err("one unit").what;
    assert_eq!(told, "only the second end of `1.5..120V` carries a unit");
    assert!(volts("120mV..15mV").expect_err("reversed").what.contains("the larger one"));
    assert!(volts("15mV").expect_err("one value").what.contains("is not a range"));
    assert!(volts("15mV..").is_err());
    assert!(volts("1V..2V..3V").is_err());
    assert!(volts("15mV..1A").expect_err("a current").what.contains("a current"));
}

#[test]
fn a_single_value_stands_for_a_range_round_it() {
    let around = |text| range_or_single::<Ohms>(text, Allow::Positive, Ratio(0.5));
    assert_eq!(around("20R"), Ok((Ohms(10.0), Ohms(30.0))));
    assert_eq!(around("1R..50R"), Ok((Ohms(1.0), Ohms(50.0))));
}

#[test]
fn tolerances_are_percent_or_parts_per_million() {
    let ratio = |text| Ratio::read(text, Allow::NonNegative);
    assert_eq!(ratio("1%"), Ok(Ratio(0.01)));
    assert_eq!(ratio("±5 %"), Ok(Ratio(0.05)));
    assert_eq!(ratio("0.1%"), Ok(Ratio(0.001)));
    assert_eq!(ratio("250ppm"), Ok(Ratio(250e-6)));
    assert_eq!(ratio("-1%").expect_err("negative").what, "`-1%` must not be negative");
    assert!(ratio("%").is_err());
    assert!(ratio("one %").is_err());
}

#[test]
fn values_are_printed_with_four_digits_and_a_prefix() {
    assert_eq!(Ohms(2200.0).to_string(), "2.2 kΩ");
    assert_eq!(Volts(4.99).to_string(), "4.99 V");
    assert_eq!(Volts(0.0123).to_string(), "12.3 mV");
    assert_eq!(Ohms(47.3e3).to_string(), "47.3 kΩ");
    // 4k7 beside 10k is 3197.2789 ohms.
    assert_eq!(Ohms(3197.2789).to_string(), "3.197 kΩ");
    assert_eq!(Ohms(470.0).to_string(), "470 Ω");
    assert_eq!(Ohms(1e6).to_string(), "1 MΩ");
    assert_eq!(Farads(1e-8).to_string(), "10 nF");
    assert_eq!(Amperes(235.93e-6).to_string(), "235.9 µA");
    assert_eq!(Hertz(125e3).to_string(), "125 kHz");
    assert_eq!(Volts(-0.0123).to_string(), "-12.3 mV");
    assert_eq!(Volts(0.0).to_string(), "0 V");
}

#[test]
fn rounding_up_moves_to_the_next_prefix() {
    assert_eq!(Volts(0.99996).to_string(), "1 V");
    assert_eq!(Volts(0.99994).to_string(), "999.9 mV");
    assert_eq!(Ohms(999_960.0).to_string(), "1 MΩ");
}

#[test]
fn a_missing_value_is_printed_as_missing() {
    assert_eq!(Volts(f64::NAN).to_string(), "no value");
    assert_eq!(Ohms(f64::INFINITY).to_string(), "∞ Ω");
    assert_eq!(Ratio(f64::NAN).to_string(), "no value");
    assert_eq!(Code(f64::NAN).to_string(), "no value");
}

#[test]
fn ratios_and_codes_have_their_own_print() {
    assert_eq!(Ratio(0.01).to_string(), "1 %");
    assert_eq!(Ratio(0.0125).to_string(), "1.25 %");
    assert_eq!(Ratio(0.001).to_string(), "0.1 %");
    assert_eq!(Ratio(250e-6).to_string(), "250 ppm");
    assert_eq!(Ratio(0.0).to_string(), "0 %");
    assert_eq!(Code(512.0).to_string(), "512");
    assert_eq!(Code(869.26).to_string(), "869.3");
    assert_eq!(Code(-0.01).to_string(), "0");
}

#[test]
fn width_and_precision_of_the_format_are_kept() {
    assert_eq!(format!("[{:>8}]", Ohms(2200.0)), "[  2.2 kΩ]");
    assert_eq!(format!("[{:8}]", Ohms(2200.0)), "[2.2 kΩ  ]");
    assert_eq!(format!("{:.3}", Ohms(3197.2789)), "3.2 kΩ");
    assert_eq!(format!("{:.2}", Code(869.256)), "869.26");
}

/// Printed, read again and printed again, a value stays as it is to within its last digit.
fn survives<Q: Quantity + std::fmt::Display>(value: f64) -> Result<(), TestCaseError> {
    let printed = Q::from_si(value).to_string();
    let back: Q = read(&printed, Allow::Any)
        .map_err(|e| TestCaseError::fail(format!("{printed} is not read: {e}")))?;
    // Four significant digits: half of the last one is at most 5e-4 of the value.
    prop_assert!((back.si() - value).abs() <= 5.01e-4 * value.abs(), "{} for {}", printed, value);
    prop_assert_eq!(back.to_string(), printed);
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(1),
        ..ProptestConfig::with_cases(500)
    })]

    #[test]
    fn what_is_printed_is_read_back(digits in -9999.0..9999.0, power in -15..10) {
        let value = digits * 10f64.powi(power);
        survives::<Volts>(value)?;
        survives::<Ohms>(value)?;
        survives::<Farads>(value)?;
        survives::<Amperes>(value)?;
        survives::<Hertz>(value)?;
    }

    #[test]
    fn a_printed_tolerance_is_read_back(size in 1e-7..10.0) {
        let printed = Ratio(size).to_string();
        let back = Ratio::read(&printed, Allow::Positive).expect("a tolerance").0;
        prop_assert!((back - size).abs() <= 5.01e-4 * size, "{} for {}", printed, size);
    }

    #[test]
    fn any_text_is_a_value_or_is_told_why_not(text in "(\\PC|[0-9.kKRMmΩV%,-]){0,50}") {
        if let Ok(value) = read::<Ohms>(&text, Allow::Positive) {
            prop_assert!(value.0 > 0.0 && value.0.is_finite());
        }
        if let Ok((low, high)) = range::<Volts>(&text, Allow::NonNegative) {
            prop_assert!(0.0 <= low.0 && low.0 <= high.0 && high.0.is_finite());
        }
        if let Err(told) = Ratio::read(&text, Allow::NonNegative) {
            prop_assert!(!told.what.is_empty() && !told.do_next.is_empty());
        }
    }
}
