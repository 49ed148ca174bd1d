//! A board that is read partly with a meter, before the power is on.

/// One channel that the probe reads, and a pair of nets for a meter, each with a jumper of its own.
pub const BOARD: &str = r#"format = 1
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
