//! Chips, references and converter clocks: what a board file may say of them, and what its author
//! is told when it does not fit.

use super::SMALL;
use strapwise::board::chip::{Figure, InputLevel, Internal, Point, Probe, Provenance};
use strapwise::board::{self, Aref, Board, Reference};
use strapwise::units::{Amperes, Farads, Hertz, Ohms, Ratio, Volts};

fn read(text: &str) -> Board {
    board::parse("small.toml", text).unwrap_or_else(|p| panic!("{p}\n{text}"))
}

fn told(text: &str) -> String {
    board::parse("small.toml", text).map(|_| ()).expect_err("the file has a mistake").to_string()
}

/// The small file with its lines on AREF replaced and a `[firmware]` table.
fn with(aref: &str, firmware: &str) -> String {
    let text = SMALL.replace("aref = \"supply\"\n", &format!("{aref}\n"));
    text.replace("[[resistor]]", &format!("[firmware]\n{firmware}\n[[resistor]]"))
}

/// A chip that the file describes.
const CHIP: &str = r#"[chip]
part = "XY1234"
supply = "2.7V..5.5V"
bits = 12
offset = "3 LSB typ"
gain = "4 LSB max"
inl = "2 typ"
dnl = "1 LSB assumed"
usable = "2%..98%"
bad_codes = [1024]
correction = [[0, 100], [2000, 2100.5], [4095, 3900]]
internal = "1.2V"
internal_tolerance = "2% typ"
own_aref = true
leakage = "50nA typ"
pull_up = "30k..60k max"
vil = "0.8V"
vih = "65%"
sampling = "5k max"
hold = "8pF typ"
sample_clocks = 2.5
conversion_clocks = 15
adc_clock = "100kHz..2MHz"
ground_input = true
pins = [
  { name = "A0", adc = 0, pull_up = true, digital = true },
  { name = "A1", adc = 1 },
  { name = "D0", digital = true, reserved = true },
]
"#;

/// The small file with that chip.
pub fn generic() -> String {
    let text = SMALL.replace("chip = \"atmega328p\"", "chip = \"generic\"");
    format!("{}{CHIP}", text.replace("pin = \"PC0\"", "pin = \"A0\""))
}

#[test]
fn a_chip_that_the_file_describes_reads_as_its_author_meant() {
    let chip = read(&generic()).chip;
    let figure = |lsb: f64, from: Provenance| Figure { lsb, from };
    assert_eq!((&*chip.name, &*chip.part, chip.probe), ("generic", "XY1234", Probe::None));
    assert_eq!((chip.scale, chip.full_scale), (4096.0, 4095));
    assert_eq!(chip.offset, figure(3.0, Provenance::Typical));
    assert_eq!(chip.gain, figure(4.0, Provenance::Max));
    assert_eq!(chip.inl, figure(2.0, Provenance::Typical));
    assert_eq!((chip.dnl, chip.total), (figure(1.0, Provenance::Assumed), None));
    assert_eq!((chip.usable, &*chip.bad_codes), ((Ratio(0.02), Ratio(0.98)), &[1024][..]));
    assert_eq!(chip.correction[1], Point { read: 2000.0, meant: 2100.5 });
    // A typical tolerance of 2 % counts double.
    let Internal { low, typical, high, .. } = chip.internal[0];
    assert_eq!((low, typical, high), (Volts(1.2 * 0.96), Volts(1.2), Volts(1.2 * 1.04)));
    assert_eq!((chip.leakage, chip.leakage_from), (Amperes(1e-7), Provenance::Typical));
    assert_eq!(chip.pull_up, (Ohms(30e3), Ohms(60e3)));
    assert_eq!(chip.levels[0].vil, InputLevel::At(Volts(0.8)));
    // 0.8 V of the highest supply, 5.25 V.
    assert!((chip.vil.0 - 0.8 / 5.25).abs() < 1e-12 && chip.vih == Ratio(0.65));
    assert_eq!((chip.sampling.ohms, chip.sampling.hold), (Ohms(5e3), Farads(16e-12)));
    assert_eq!((chip.sampling.clocks, chip.sampling.conversion), (2.5, 15.0));
    assert_eq!((chip.clock.least, chip.clock.most), (Hertz(100e3), Hertz(2e6)));
    assert!(chip.ground_input && !chip.shared_aref);
    let pins: Vec<_> = chip.pins.iter().map(|p| (&*p.name, p.adc, p.pull_up, p.digital)).collect();
    let expected =
        [("A0", Some(0), true, true), ("A1", Some(1), false, false), ("D0", None, false, true)];
    assert_eq!(pins, expected);
}

#[test]
fn a_chip_with_a_total_error_and_a_scale_of_its_own_needs_no_parts_of_it() {
    let mut text = generic();
    for (from, to) in [
        ("bits = 12", "bits = 10\nscale = 1023"),
        ("offset = \"3 LSB typ\"\ngain = \"4 LSB max\"\n", "total = \"6 LSB max\"\n"),
        ("inl = \"2 typ\"\ndnl = \"1 LSB assumed\"\n", ""),
        ("correction = [[0, 100], [2000, 2100.5], [4095, 3900]]\n", ""),
        ("bad_codes = [1024]\n", ""),
    ] {
        assert!(text.contains(from), "{from}");
        text = text.replace(from, to);
    }
    let chip = read(&text).chip;
    assert_eq!((chip.scale, chip.full_scale), (1023.0, 1023));
    assert_eq!(chip.total, Some(Figure { lsb: 6.0, from: Provenance::Max }));
    assert!(chip.correction.is_empty() && chip.bad_codes.is_empty());
}

/// A mistake in the description of a chip: what stands there instead, what is wrong, what to do.
#[test]
fn each_slip_in_the_description_of_a_chip_is_told_where_it_is() {
    let base = generic();
    let line = |before: &str| before.matches('\n').count() + 1;
    let first = line(&base[..base.find("[chip]").expect("the table")]);
    for (from, to, what, do_next) in [
        ("bits = 12", "bits = 20", "8: `bits` of [chip] is no whole number from 6 to 16", "`bits"),
        (
            "offset = \"3 LSB typ\"",
            "offset = \"3 LSB\"",
            "10: `offset` of [chip]: `3 LSB` does not say where the figure comes from",
            "end it with `max`, `typ` or `assumed`, like \"2 LSB typ\"",
        ),
        (
            "offset = \"3 LSB typ\"",
            "offset = \"3% typ\"",
            "10: `offset` of [chip]: `3%` is no number of counts",
            "write it like `2 LSB`",
        ),
        (
            "gain = \"4 LSB max\"\n",
            "",
            "1: [chip] has no `gain`",
            "add `gain = \"2 LSB typ\"` to it",
        ),
        (
            "usable = \"2%..98%\"",
            "usable = \"98%..2%\"",
            "10: `usable` of [chip]: `98%..2%` is no part of the range from 0 to 100 %",
            "write it like \"5%..95%\"",
        ),
        (
            "bad_codes = [1024]",
            "bad_codes = [4096]",
            "13: `bad_codes` of [chip] is no list of codes up to 4095",
            "write it like `bad_codes = [512, 1536]`",
        ),
        (
            "[2000, 2100.5]",
            "[2000, 90]",
            "25: the point [2000, 90] does not rise above the one before",
            "put the points in order",
        ),
        (
            "[2000, 2100.5]",
            "[2000]",
            "25: a point of `correction` is no pair of codes up to 4095",
            "write each point as [code read, code meant]",
        ),
        (
            "correction = [[0, 100], [2000, 2100.5], [4095, 3900]]",
            "correction = [[0, 100]]",
            "14: `correction` of [chip] is no list of 2 to 1000",
            "write each point as [code read, code meant]",
        ),
        (
            "internal = \"1.2V\"\n",
            "",
            "22: `internal_tolerance` stands without `internal`",
            "add `internal = \"1.1V\"`, or take it out",
        ),
        (
            "internal_tolerance = \"2% typ\"",
            "internal_tolerance = \"60% typ\"",
            "22: `internal_tolerance` of [chip]: `60% typ` leaves nothing of the reference",
            "write it like \"9% max\"",
        ),
        (
            "leakage = \"50nA typ\"",
            "leakage = \"50nF typ\"",
            "11: `leakage` of [chip]: `50nF` is a capacitance, not a current",
            "write it like `1uA`",
        ),
        (
            "vih = \"65%\"",
            "vih = \"10%\"",
            "7: `vih` is not above `vil` over the whole supply",
            "write the lowest high level",
        ),
        (
            "pull_up = \"30k..60k max\"\n",
            "",
            "3: A0 has a pull-up, but the chip states none",
            "add `pull_up = \"20k..50k max\"` to [chip]",
        ),
        (
            "sample_clocks = 2.5",
            "sample_clocks = 0",
            "17: `sample_clocks` of [chip] is no number from 0.5 to 4096",
            "write `sample_clocks = 1.5`",
        ),
        (
            "name = \"A1\", adc = 1",
            "name = \"A1\", adc = 0",
            "3: the name or the input of A1 is that of another pin",
            "give each pin its own `name` and `adc`",
        ),
        (
            "name = \"A1\", adc = 1",
            "name = \"A1\", acd = 1",
            "18: a pin of the chip has no key `acd`",
            "did you mean `adc`?",
        ),
    ] {
        assert!(base.contains(from), "`{from}` is not in the file");
        let told = told(&base.replacen(from, to, 1));
        // The line in the file is where the slip is made, or the table that lacks a key.
        let at = match to.is_empty() && what.contains("has no") {
            true => first,
            false => line(&base[..base.find(from).expect("it is there")]),
        };
        let found = |expected: &str| told.lines().next().is_some_and(|l| l.contains(expected));
        let at = if what.starts_with("3: A0") { at + 9 } else { at };
        assert!(found(&format!("small.toml:{at}:{what}")), "{at}:{what}\n{told}");
        assert!(told.lines().nth(1).is_some_and(|l| l.contains(do_next)), "{do_next}\n{told}");
    }
}

#[test]
fn a_chip_is_named_or_described_not_both_and_not_neither() {
    let both = told(&format!("{SMALL}{CHIP}"));
    assert!(both.contains("`[chip]` describes a chip, but the board has the atmega328p"), "{both}");
    assert!(both.contains("write `chip = \"generic\"` in [board], or take `[chip]` out"), "{both}");
    let neither = told(&SMALL.replace("atmega328p", "generic"));
    assert!(neither.contains("the board file has no `[chip]` table"), "{neither}");
    let near = told(&SMALL.replace("atmega328p", "atmega4808"));
    let expected =
        "small.toml:6:8: the chip `atmega4808` is not known\n    did you mean `atmega4809`?";
    assert!(near.contains(expected), "{near}");
}

#[test]
fn a_pin_that_the_chip_needs_itself_is_refused_whatever_the_chip() {
    let text = generic().replace("pin = \"A0\"", "pin = \"D0\"");
    let expected = "the chip itself needs D0; use another pin";
    assert!(told(&text).contains(expected), "{}", told(&text));
}

#[test]
fn the_reference_follows_the_wiring_of_aref_where_the_file_does_not_say() {
    let external = "aref = \"external\"\naref_volts = \"4.096V\"\naref_tolerance = \"0.5%\"";
    let board = read(&with(external, ""));
    let ends = (Volts(4.096 * 0.995), Volts(4.096), Volts(4.096 * 1.005));
    assert_eq!(board.supply.aref, Aref::External(ends.0, ends.1, ends.2));
    assert_eq!(board.firmware.reference, Reference::External(ends.0, ends.1, ends.2));
    assert_eq!(board.reference(), Volts(4.096));
    assert_eq!(read(&with(external, "reference = \"external\"")).reference(), Volts(4.096));
    assert_eq!(read(SMALL).firmware.reference, Reference::Supply);
    let internal = read(&with("aref = \"capacitor\"", "reference = \"internal\""));
    assert_eq!(internal.reference(), Volts(1.1));
    assert_eq!(internal.firmware.reference.word(), "internal");
}

#[test]
fn a_reference_that_the_wiring_of_aref_does_not_allow_is_told_with_what_to_write() {
    let external = "aref = \"external\"\naref_volts = \"4.096V\"\naref_tolerance = \"0.5%\"";
    for (aref, reference, what, do_next) in [
        (
            "aref = \"supply\"",
            "internal",
            "15:13: AREF is joined to the supply, which the internal reference would be joined to",
            "write `reference = \"supply\"`, or leave AREF with a capacitor only",
        ),
        (
            "aref = \"capacitor\"",
            "external",
            "15:13: nothing feeds AREF a voltage of its own",
            "write `aref = \"external\"` with its `aref_volts` in [supply], or another reference",
        ),
        (
            "aref = \"supply\"",
            "external",
            "15:13: nothing feeds AREF a voltage of its own",
            "AREF is at the supply: write `reference = \"supply\"`",
        ),
        (
            external,
            "internal",
            "17:13: AREF has a voltage of its own, which another reference would be joined to",
            "write `reference = \"external\"`, or take the voltage off AREF",
        ),
        (
            external,
            "supply",
            "17:13: AREF has a voltage of its own, which another reference would be joined to",
            "write `reference = \"external\"`, or take the voltage off AREF",
        ),
    ] {
        let told = told(&with(aref, &format!("reference = \"{reference}\"")));
        assert!(told.contains(what) && told.contains(do_next), "{told}");
    }
    // Chips whose references come to pins of their own may choose.
    let free = with(external, "reference = \"internal\"\nreference_volts = \"1.5V\"")
        .replace("atmega328p", "atmega4809")
        .replace("pin = \"PC0\"", "pin = \"PD0\"");
    assert_eq!(read(&free).reference(), Volts(1.5));
    assert!(read(&free).chip.total.is_some_and(|t| t.lsb == 35.0));
    let taken = told(&free.replace("pin = \"PD0\"", "pin = \"PD7\""));
    assert!(taken.contains("A cannot use PD7"), "{taken}");
    let none = free.replace("1.5V", "1.8V");
    assert!(told(&none).contains("has no internal reference of 1.8 V"), "{}", told(&none));
    assert!(told(&none).contains("it has 2.5 V, 550 mV, 1.1 V, 1.5 V, 4.3 V"), "{}", told(&none));
}

#[test]
fn what_does_not_fit_the_supply_or_the_clock_of_the_chip_is_told() {
    for (text, what, do_next) in [
        (
            SMALL.replace("atmega328p", "samd21").replace("PC0", "PA02"),
            "small.toml:10:9: the SAMD21 works at 1.62 V to 3.63 V, not at 5 V",
            "correct `volts`, or `chip` in [board]",
        ),
        (
            with("aref = \"supply\"", "adc_clock = \"2MHz\""),
            "small.toml:15:13: the converter of the ATmega328P is clocked at 50 kHz to 1 MHz, not at \
             2 MHz",
            "write `adc_clock = \"125 kHz\"`",
        ),
        (
            with("aref = \"external\"\naref_volts = \"6V\"\naref_tolerance = \"1%\"", ""),
            "small.toml:14:14: the reference of 6 V is above the supply of 5 V",
            "a reference must not be above the supply; correct one of the two",
        ),
        (
            with("aref = \"external\"\naref_tolerance = \"1%\"", ""),
            "small.toml:7:1: [supply] has no `aref_volts`",
            "add `aref_volts = \"4.096V\"` to it",
        ),
        (
            with("aref = \"capacitor\"\naref_volts = \"4V\"", ""),
            "small.toml:14:14: `aref_volts` is only for an AREF with a voltage of its own",
            "write `aref = \"external\"`, or take it out",
        ),
        (
            with("aref = \"capacitor\"", "reference = \"internal\"")
                .replace("atmega328p", "rp2040")
                .replace("PC0", "GPIO26")
                .replace("5V", "3V3"),
            "small.toml:15:13: the RP2040 has no internal reference",
            "write `reference = \"supply\"`",
        ),
        (
            with("aref = \"capacitor\"", "sample_clocks = \"2\""),
            "small.toml:15:17: `sample_clocks` of [firmware] is no number from 0.5 to 4096",
            "write `sample_clocks = 2.5`",
        ),
        (
            with("aref = \"capacitor\"", "reference = \"bandgap\""),
            "small.toml:15:13: `reference` of [firmware] cannot be `bandgap`",
            "write `reference = \"supply\"` or `\"internal\"` or `\"external\"`",
        ),
    ] {
        assert_eq!(told(&text), format!("{what}\n    {do_next}"));
    }
}

#[test]
fn clock_and_sampling_are_the_chips_unless_the_firmware_sets_them() {
    let board = read(&with("aref = \"capacitor\"", "sample_clocks = 4\nadc_clock = \"1MHz\""));
    assert_eq!(board.chip.sampling.clocks, 4.0);
    assert!(board.chip.extra.is_some_and(|f| f.lsb == 2.5));
    let text = SMALL.replace("atmega328p", "rp2040").replace("PC0", "GPIO26").replace("5V", "3V3");
    let board = read(&text);
    assert_eq!((board.firmware.adc_clock, board.chip.sampling.clocks), (Hertz(48e6), 24.0));
    assert!((board.chip.vih.0 - 2.0 / (3.3 * 0.95)).abs() < 1e-12);
}
