//! What only a meter reads never passes by default on the bench.

mod bench_support;

use bench_support::board_of;
use bench_support::full::run;
use std::sync::Arc;
use strapwise::bench::UnitVerdict;
use strapwise::probe::world::World;
use strapwise::record::RowKind;
use strapwise::window;

/// One channel that the probe reads, and a pair of nets for a meter, each with a jumper of its own.
const BOARD: &str = r#"format = 1
[board]
name = "meter"
revision = "A"
chip = "atmega328p"
[supply]
net = "VCC"
ground = "GND"
volts = "5V"
tolerance = "5%"
source = "bench supply"
aref = "capacitor"
[delivery]
J1 = "fitted"
J2 = "fitted"
[[resistor]]
id = "R1"
between = ["VCC", "PIN"]
value = "10k"
tolerance = "1%"
[[resistor]]
id = "R2"
between = ["PIN", "LEG"]
value = "10k"
tolerance = "1%"
[[resistor]]
id = "R3"
between = ["A", "MID"]
value = "1k"
tolerance = "1%"
[[resistor]]
id = "R4"
between = ["MID", "B"]
value = "2k2"
tolerance = "1%"
[[jumper]]
id = "J1"
positions = [{ name = "fitted", pins = [1, 2], joins = ["LEG", "GND"] }]
open = true
[[jumper]]
id = "J2"
positions = [{ name = "fitted", pins = [1, 2], joins = ["MID", "B"] }]
open = true
[[channel]]
id = "PIN"
net = "PIN"
pin = "PC0"
kind = "analog"
[[channel]]
id = "OHMS"
between = ["A", "B"]
kind = "meter"
[[options]]
id = "mode"
channels = ["PIN"]
all = ["J1"]
[[options]]
id = "gain"
channels = ["OHMS"]
all = ["J2"]
"#;

#[test]
fn a_unit_with_something_left_to_a_meter_is_incomplete_and_says_what_to_measure() {
    let board = board_of(BOARD);
    let windows = Arc::new(window::windows(&board).expect("windows"));
    let run = run(&board, &windows, World::new(board.clone(), 1));
    assert_eq!(run.summary.verdict, UnitVerdict::Incomplete, "{:?}", run.summary.reasons);
    let reasons = run.summary.reasons.join("\n");
    assert!(reasons.contains("measure A to B with a meter, the power off"), "{reasons}");
    let rows: Vec<_> = run.rows.iter().filter(|r| r.row == RowKind::Check).collect();
    assert!(rows.iter().any(|r| r.channel == "PIN" && r.verdict == "pass"));
    let ohms: Vec<_> = rows.iter().filter(|r| r.channel == "OHMS").collect();
    assert!(!ohms.is_empty());
    for row in ohms {
        assert_eq!((row.verdict.as_str(), row.pin.as_str()), ("not tested", "meter"));
        assert!(row.window_low_code.is_none() && row.expected_code.is_none());
    }
}
