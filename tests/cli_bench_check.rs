//! Checking the bench with a unit that is known to be good, from the command line.

mod cli_support;

use cli_support::{Bench, Ended, PROGRAM, record};
use std::path::Path;
use std::process::Command;

/// A ladder of four taps, which a run goes through in two seconds.
const LADDER: &str = r#"
format = 1
[board]
name = "rate"
revision = "A"
about = "A lamp at one of four rates"
chip = "atmega328p"
[supply]
net = "VCC"
ground = "GND"
volts = "5V"
tolerance = "5%"
source = "bench supply"
aref = "capacitor"
[delivery]
J1 = "3"
[[resistor]]
id = "R1"
between = ["VCC", "A"]
value = "1k"
tolerance = "5%"
[[resistor]]
id = "R2"
between = ["A", "B"]
value = "1k"
tolerance = "5%"
[[resistor]]
id = "R3"
between = ["B", "GND"]
value = "1k"
tolerance = "5%"
[[jumper]]
id = "J1"
label = "rate"
positions = [
  { name = "1", pins = [1, 2], joins = ["VCC", "PICK"] },
  { name = "2", pins = [3, 4], joins = ["A", "PICK"] },
  { name = "3", pins = [5, 6], joins = ["B", "PICK"] },
  { name = "4", pins = [7, 8], joins = ["GND", "PICK"] },
]
[[channel]]
id = "RATE"
label = "rate"
net = "PICK"
pin = "PC0"
kind = "analog"
[[options]]
id = "rate"
label = "rate"
channels = ["RATE"]
when = [
  { J1 = "1", means = "still" },
  { J1 = "2", means = "slow" },
  { J1 = "3", means = "fast" },
  { J1 = "4", means = "off" },
]
"#;

/// A whole check of the bench on the virtual unit with this seed.
fn check(results: &Path, seed: &str) -> Ended {
    let file = results.join("rate.toml");
    std::fs::write(&file, LADDER).unwrap();
    let mut command = Command::new(PROGRAM);
    command.arg("bench").arg(file);
    command.args(["--port", "virtual", "--seed", seed, "--still", "0.1"]);
    command.args(["--check-bench", "--unit", "REF", "--lot", "L1", "--results"]).arg(results);
    let mut bench = Bench::spawn(&mut command);
    bench.enter_until(|_| false);
    bench.end()
}

#[test]
fn a_bench_is_as_it_was_until_its_good_unit_reads_otherwise() {
    let results = tempfile::tempdir().unwrap();
    let first = check(results.path(), "1");
    assert_eq!(first.code, Some(0), "{}", first.out);
    assert!(first.out.contains("J1 reads as open, and is refused pass"), "{}", first.out);
    assert!(first.out.contains("J1 reads as 4, and is refused pass"), "{}", first.out);
    assert!(first.out.contains("later ones are held against this one"), "{}", first.out);
    let second = check(results.path(), "1");
    assert_eq!(second.code, Some(0), "{}", second.out);
    assert!(second.out.ends_with("1 earlier run\nthe bench is as it was"), "{}", second.out);
    // Another unit with the same name is as good as another bench.
    let other = check(results.path(), "2");
    assert_eq!(other.code, Some(1), "{}", other.out);
    assert!(other.out.contains("the bench is not to be trusted"), "{}", other.out);
    let rows = record(&results.path().join("rate/L1/REF-3.csv"));
    let last = rows.last().unwrap();
    assert_eq!((&*last["rule"], &*last["verdict"]), ("bench check", "fail"));
    assert!(last["reason"].contains("RATE at J1=2"), "{}", last["reason"]);
}
