//! One slip each in the demo's board file, and what its author is told: line, column, what is
//! wrong, what to do next.

/// A text of the demo file, what stands there instead, and the one problem that it gives.
pub struct Slip {
    /// Replaced at its first place.
    pub from: &'static str,
    /// What stands there instead.
    pub to: &'static str,
    /// Line, column and what is wrong.
    pub told: &'static str,
    /// What to do about it.
    pub do_next: &'static str,
}

const fn slip(
    from: &'static str,
    to: &'static str,
    told: &'static str,
    do_next: &'static str,
) -> Slip {
    Slip { from, to, told, do_next }
}

/// The slips, in the order of the demo file's parts.
pub const SLIPS: &[Slip] = &[
    slip(
        "format = 1",
        "format = 7",
        "3:10: the format of this board file is not known",
        "this program reads `format = 1`; a newer one may read it",
    ),
    slip(
        r#"name = "vent-controller""#,
        r#"name = "vent controller""#,
        "6:8: the board's name `vent controller` has a space; only letters, digits, \
         `.`, `_` and `-` may stand in it",
        r#"the name is also the folder of its records; write it like `name = "vent-controller"`"#,
    ),
    slip(
        r#"name = "vent-controller""#,
        r#"name = "aux""#,
        "6:8: the board's name `aux` cannot name a file: `AUX` is a device to some computers",
        r#"the name is also the folder of its records; write it like `name = "vent-controller"`"#,
    ),
    slip(
        r#"chip = "atmega328p""#,
        r#"chip = "atmega328""#,
        "9:8: the chip `atmega328` is not known",
        "did you mean `atmega328p`?",
    ),
    slip(
        r#"volts = "5V""#,
        "volts = 5",
        "14:9: `volts` of [supply] is a number without quotes",
        r#"write `volts = "5V"`"#,
    ),
    slip(
        r#"volts = "5V""#,
        r#"volts = "5 ohm""#,
        "14:9: `volts` of [supply]: `5 ohm` is a resistance, not a voltage",
        "write it like `5V`, `3V3` or `80mV`",
    ),
    slip(
        "tolerance = \"5%\"\nsource",
        "tolerance = \"5\"\nsource",
        "15:13: `tolerance` of [supply]: `5` carries neither % nor ppm",
        "write it like `1%`, `0.5 %` or `250ppm`",
    ),
    slip(
        r#"ground = "GND""#,
        r#"ground = "GMD""#,
        "13:10: no part joins the ground of the supply, GMD",
        "did you mean `GND`?",
    ),
    slip(
        "net = \"VCC\"\nground = \"GND\"",
        "net = \"VCC\"\nground = \"VCC\"",
        "13:10: supply and ground are both VCC",
        "name the net at 0 V in `ground`",
    ),
    slip(
        r#"aref = "capacitor" "#,
        r#"aref = "vcc" "#,
        "17:8: `aref` of [supply] cannot be `vcc`",
        r#"write `aref = "capacitor"` or `"supply"` or `"external"`"#,
    ),
    slip(
        "J5 = \"wet\"\nJ6",
        "J6",
        "20:1: [delivery] gives no place for J5",
        r#"add `J5 = "…"`: how the shunt sits when a unit leaves"#,
    ),
    slip(
        "J2 = \"fitted\"\nJ3",
        "J2 = \"fited\"\nJ3",
        "22:6: [delivery]: J2 has no place `fited`",
        "did you mean `fitted`?",
    ),
    slip(
        "J1 = \"3\"\n",
        "J1 = \"open\"\n",
        "21:6: [delivery]: J1 has no place `open`",
        "add `open = true` to J1 if it may be left without a shunt",
    ),
    slip(
        "J1 = \"3\"\n",
        "J1 = 3\n",
        "21:6: [delivery]: the place of J1 is not text",
        r#"put it in quotes: `J1 = "1"`"#,
    ),
    slip(
        "J6 = \"fitted\"\n\n#",
        "J6 = \"fitted\"\nJ66 = \"open\"\n\n#",
        "27:1: [delivery] names the jumper `J66`, which is not in the file",
        "did you mean `J6`?",
    ),
    slip(
        "conversions = 4",
        "conversions = 0",
        "30:15: `conversions` of [firmware] is no whole number from 1 to 4096",
        "write `conversions = 1`",
    ),
    slip(
        r#"gap = "25%""#,
        r#"gap = "125%""#,
        "33:7: `gap` of [firmware]: `125%` is not below 100 %",
        "write it like `1%`",
    ),
    slip(
        r#"id = "R2""#,
        r#"id = "R1""#,
        "43:6: `R1` is already the id of a resistor",
        "give this resistor an id of its own",
    ),
    slip(
        r#"id = "R2""#,
        r#"id = "J1""#,
        "72:6: `J1` is already the id of a resistor",
        "give this jumper an id of its own",
    ),
    slip(
        r#"id = "R2""#,
        r#"id = "R 2""#,
        "43:6: the id `R 2` has a space; only letters, digits, `.`, `_` and `-` may stand in it",
        r#"write it like `id = "R1"`"#,
    ),
    slip(
        r#"value = "2k7""#,
        r#"value = "0R""#,
        "45:9: `value` of R2: `0R` must be above zero",
        "write it like `2k2`, `4.7 kΩ` or `470 ohm`",
    ),
    slip(
        r#"value = "2k7""#,
        r#"value = "-2k7""#,
        "45:9: `value` of R2: `-2k7` must be above zero",
        "write it like `2k2`, `4.7 kΩ` or `470 ohm`",
    ),
    slip(
        r#"value = "2k7""#,
        r#"value = "2q7""#,
        "45:9: `value` of R2: `2q7` is not a resistance",
        "write it like `2k2`, `4.7 kΩ` or `470 ohm`",
    ),
    slip(
        r#"value = "2k7""#,
        r#"value = "10m""#,
        "45:9: `value` of R2: `10m` has an `m` that may mean milli or mega",
        "write `mΩ` for milli or `M` for mega",
    ),
    slip(
        r#"between = ["TAP3", "TAP4"]"#,
        r#"between = ["TAP3", "TAP3"]"#,
        "50:11: R3 joins TAP3 to itself",
        "put the two different nets in `between`",
    ),
    slip(
        r#"between = ["TAP3", "TAP4"]"#,
        r#"between = ["TAP3"]"#,
        "50:11: `between` of R3 is not a pair of nets",
        r#"write `between = ["VCC", "TAP2"]`"#,
    ),
    slip(
        r#"value = "10n""#,
        r#"value = "10nV""#,
        "69:9: `value` of C5: `10nV` is a voltage, not a capacitance",
        "write it like `100n`, `4n7` or `10 uF`",
    ),
    slip(
        r#"on_resistance = "1R..50R""#,
        r#"on_resistance = "50R..1R""#,
        "184:17: `on_resistance` of K1: the first end of `50R..1R` is the larger one",
        "write the smaller value first",
    ),
    slip(
        r#"on_resistance = "1R..50R""#,
        r#"on_resistance = "1..50R""#,
        "184:17: `on_resistance` of K1: only the second end of `1..50R` carries a unit",
        "write the smaller and the larger value with `..` between, each with its unit, \
         for example `15mV..120mV` or `1R..50R`",
    ),
    slip(
        "on_resistance = \"1R..50R\"\n",
        "",
        "178:1: K1 has neither `on_resistance` nor `drop`",
        "add `on_resistance = \"1R..50R\"` or `drop = \"0.1V..0.3V\"` from the data sheet \
         of the switch",
    ),
    slip(
        "pin = \"PD5\"\nactive",
        "pin = \"ADC6\"\nactive",
        "182:7: ADC6 cannot be driven, so it switches nothing",
        "give K1 a pin that can be an output",
    ),
    slip(
        "pin = \"PD5\"\nactive",
        "pin = \"PC0\"\nactive",
        "86:7: PC0 is already the pin of K1",
        "give PROFILE a pin of its own",
    ),
    slip(
        "active = \"high\"\non_resistance = \"1R..50R\"",
        "active = \"hi\"\non_resistance = \"1R..50R\"",
        "183:10: `active` of K1 cannot be `hi`",
        r#"write `active = "low"` or `"high"`"#,
    ),
    slip(
        r#"{ name = "3", pins = [5, 6]"#,
        r#"{ name = "3", pins = [5, 5]"#,
        "77:24: `pins` of position 3 of J1 is not a pair of header pins",
        "write `pins = [1, 2]`, or `[[1, 2], [3, 4]]` for a shunt of two poles",
    ),
    slip(
        r#"{ name = "3", pins = [5, 6]"#,
        r#"{ name = "3", pins = [[5, 6], [7, 8]]"#,
        "77:3: position 3 of J1 has 2 of `pins` and 1 of `joins`",
        "give every pole one pair in `pins` and in `joins`",
    ),
    slip(
        r#"joins = ["TAP3", "PICK"] }"#,
        r#"joins = ["PICK", "PICK"] }"#,
        "77:40: position 3 of J1 joins PICK to itself",
        "put the two different nets in `joins`",
    ),
    slip(
        r#"joins = ["FEED", "GND"] }"#,
        r#"joins = ["GND", "FEED"] }"#,
        "191:3: pin 2 of J5 is on FEED and on GND",
        "a header pin is on one net; write `joins` in the order of `pins`",
    ),
    slip(
        r#"net = "PROFILE""#,
        r#"net = "PROFLE""#,
        "85:7: PROFILE names the net `PROFLE`, which no part joins",
        "did you mean `PROFILE`?",
    ),
    slip(
        r#"pin = "PC0""#,
        r#"pin = "PD7""#,
        "86:7: PROFILE is analog, but PD7 has no converter input",
        "use one of PC0, PC1, PC2, PC3, PC4, PC5, ADC6, ADC7",
    ),
    slip(
        r#"pin = "PC0""#,
        r#"pin = "PD0""#,
        "86:7: PROFILE cannot use PD0",
        "the probe's serial line needs PD0; use another pin",
    ),
    slip(
        r#"pin = "PC0""#,
        r#"pin = "PC1""#,
        "218:7: PC1 is already the pin of PROFILE",
        "give LOOP a pin of its own",
    ),
    slip(
        r#"pin = "PC0""#,
        r#"pin = "P0""#,
        "86:7: the ATmega328P has no pin `P0`",
        "did you mean `PB0`?",
    ),
    slip(
        "pin = \"PD2\"\nkind = \"digital\"",
        "pin = \"ADC7\"\nkind = \"digital\"",
        "142:7: ADDR0 is digital, but ADC7 can only be converted",
        r#"write `kind = "analog"` or use another pin"#,
    ),
    slip(
        "pin = \"PC0\"\nkind = \"analog\"",
        "pin = \"ADC7\"\nkind = \"analog\"\npull_up = true",
        "88:11: ADC7 has no pull-up",
        "take `pull_up` out or use another pin",
    ),
    slip(
        "pin = \"PC0\"\nkind = \"analog\"",
        "pin = \"PC0\"\nkind = \"analog\"\npull_up = true",
        "88:11: PROFILE is analog and has `pull_up = true`",
        "take `pull_up` out; a pull-up of some 20 to 50 kΩ gives no window",
    ),
    slip(
        "pin = \"PC0\"\nkind = \"analog\"",
        "pin = \"PC0\"\nkind = \"analog\"\ndischarge = true",
        "88:13: PROFILE is analog and has `discharge = true`",
        "take `discharge` out: charge sharing tests an analog pin",
    ),
    slip(
        "discharge = true            # shows",
        "pull_up = true\ndischarge = true            # shows",
        "144:11: ADDR0 has `pull_up = true` and `discharge = true`",
        "take `discharge` out: the pin's own pull-up proves itself",
    ),
    slip(
        "id = \"C5\"\nbetween = [\"PROFILE\", \"GND\"]\nvalue = \"10n\"",
        "id = \"C5\"\nbetween = [\"ADDR0\", \"GND\"]\nvalue = \"100n\"",
        "144:13: ADDR0 has more than 47 nF at its pin, too much to discharge",
        "take `discharge` out; an open pull-up is then not seen",
    ),
    slip(
        r#"closes = ["K1"]"#,
        r#"closes = ["K11"]"#,
        "220:11: LOOP names the switch `K11`, which is not in the file",
        "did you mean `K1`?",
    ),
    slip(
        r#"closes = ["K1"]"#,
        r#"closes = "K1""#,
        "220:10: `closes` of LOOP is text",
        r#"write `closes = ["K1"]`"#,
    ),
    slip(
        r#"channels = ["LOOP"]"#,
        r#"channels = ["LOPO"]"#,
        "225:13: contact names the channel `LOPO`, which is not in the file",
        "did you mean `LOOP`?",
    ),
    slip(
        r#"channels = ["LOOP"]"#,
        r#"channels = ["PROFILE"]"#,
        "225:13: PROFILE is already read for profile",
        "put both into one set of options, or read another channel",
    ),
    slip(
        r#"{ J5 = "dry", means"#,
        r#"{ J5 = "wet", means"#,
        "228:3: contact lists one setting twice",
        "it means `supply out` already; correct one of the two",
    ),
    slip(
        r#"{ J1 = "2", means = "herbs" }"#,
        "{ J1 = \"2\", J3 = \"open\", means = \"herbs\" },\n  { J1 = \"2\", means = \"dill\" }",
        "96:3: a setting of profile means both `herbs` and `dill`",
        "name in both entries a jumper whose places tell them apart",
    ),
    slip(
        r#"{ J1 = "2", means = "herbs" }"#,
        r#"{ J1 = "6", means = "herbs" }"#,
        "95:10: profile: J1 has no place `6`",
        "use one of `1`, `2`, `3`, `4`, `5`",
    ),
    slip(
        r#"{ J1 = "2", means = "herbs" }"#,
        r#"{ J1 = "open", means = "herbs" }"#,
        "95:10: profile: J1 has no place `open`",
        "add `open = true` to J1 if it may be left without a shunt",
    ),
    slip(
        r#"{ J1 = "2", means = "herbs" }"#,
        r#"{ means = "herbs" }"#,
        "95:3: an entry of profile names no jumper",
        r#"write `{ J1 = "1", means = "seedlings" }`"#,
    ),
    slip(
        r#"pin = "PB1""#,
        r#"pin = "PD6""#,
        "293:7: PD6 is already the pin of Q1",
        "give VENT a pin of its own",
    ),
    slip(
        r#"sag = "15mV..120mV""#,
        "sag = \"15mV..120mV\"\n[[bus]]\nid = \"I2C\"\nsda = \"PC4\"\nscl = \"PC5\"",
        "297:1: no part is on the bus I2C, so nothing is asked on it",
        "add a `[[bus_part]]` with `bus = \"I2C\"`, or take it out",
    ),
    slip(
        r#"sag = "15mV..120mV""#,
        "sag = \"15mV..120mV\"\n[[bus]]\nid = \"I2C\"\nsda = \"PC0\"\nscl = \"PC5\"\n[[bus_part]]\nid = \"U3\"\nbus = \"I2C\"\naddress = 0x68",
        "299:7: PC0 is already the pin of PROFILE",
        "give I2C a pin of its own",
    ),
    slip(
        r#"sag = "15mV..120mV""#,
        "sag = \"15mV..120mV\"\n[[bus]]\nid = \"I2C\"\nsda = \"PC4\"\nscl = \"ADC6\"\n[[bus_part]]\nid = \"U3\"\nbus = \"I2C\"\naddress = 0x68",
        "300:7: ADC6 cannot be pulled low, so it carries no bus",
        "name the pin at SCL of I2C",
    ),
    slip(
        r#"sag = "15mV..120mV""#,
        "sag = \"15mV..120mV\"\n[[bus]]\nid = \"I2C\"\nsda = \"PC4\"\nscl = \"PC5\"\n[[bus_part]]\nid = \"U3\"\nbus = \"I2D\"\naddress = 0x68",
        "303:7: U3 names the bus `I2D`, which is not in the file",
        "did you mean `I2C`?",
    ),
    slip(
        r#"sag = "15mV..120mV""#,
        "sag = \"15mV..120mV\"\n[[bus]]\nid = \"I2C\"\nsda = \"PC4\"\nscl = \"PC5\"\n[[bus_part]]\nid = \"U3\"\nbus = \"I2C\"\naddress = 0xD0",
        "304:11: `address` of U3 is no whole number from 0x08 to 0x77",
        "write the 7-bit address, without the bit for reading: `address = 0x68`",
    ),
    slip(
        r#"sag = "15mV..120mV""#,
        "sag = \"15mV..120mV\"\ndip = \"100mV\"",
        "297:7: `dip` of VENT is less than its largest sag",
        "it is how far the supply may dip as it goes on; leave it out where that is no more than \
         the sag",
    ),
    slip(
        r#"sag = "15mV..120mV""#,
        r#"sag = "0mV..120mV""#,
        "296:7: `sag` of VENT: `0mV` must be above zero",
        "write it like `5V`, `3V3` or `80mV`",
    ),
    slip(
        r#"sag = "15mV..120mV""#,
        r#"sag = "120mV""#,
        "296:7: `sag` of VENT: `120mV` is not a range",
        "write the smaller and the larger value with `..` between, each with its unit, \
         for example `15mV..120mV` or `1R..50R`",
    ),
    slip(
        "off = \"low\"\ndummy = \"8",
        "off = false\ndummy = \"8",
        "302:7: `off` of MAT is true or false without quotes",
        r#"write `off = "low"`"#,
    ),
    slip(
        "expect = \"yes\"\nwhen = { J6 = \"open\" }",
        "expect = \"maybe\"\nwhen = { J6 = \"open\" }",
        "262:10: `expect` of lamps-dark cannot be `maybe`",
        r#"write `expect = "yes"` or `"no"`"#,
    ),
    slip(
        r#"dark = ["R30", "R31"]"#,
        r#"dark = ["R30", "R3l"]"#,
        "265:16: lamps-dark names the resistor `R3l`, which is not in the file",
        "did you mean `R30`?",
    ),
    slip(
        r#"lit = ["R30", "R31"]"#,
        r#"lit = ["R30", "R30"]"#,
        "273:15: lamps-lit names `R30` twice",
        "take the second one out",
    ),
    slip(
        r#"lit = ["R30", "R31"]"#,
        "lit = [\"R30\", \"R31\"]\ndark = [\"R31\"]",
        "274:8: lamps-lit has R31 both lit and dark",
        "take it out of one of the two lists",
    ),
    slip(
        "[[capacitor]]",
        "[capacitor]",
        "66:1: `capacitor` is a table, but there can be several",
        "write `[[capacitor]]` before each",
    ),
    slip(
        "[[load]]\nid = \"MAT\"",
        "[[laod]]\nid = \"MAT\"",
        "298:3: the board file has no key `laod`",
        "did you mean `load`?",
    ),
    slip(
        r#"aref = "capacitor" "#,
        "aref = capacitor ",
        "17:8: `capacitor` stands without quotes\n    \
         17 | aref = capacitor          # a capacitor to ground and nothing else\n       \
         |        ^",
        r#"put text between two quotes on one line: `value = "2k2"`"#,
    ),
    slip(
        r#"tolerance = "5%"
source"#,
        r#"volts = "3.3V"
source"#,
        "15:1: `volts` stands here a second time\n    \
         15 | volts = \"3.3V\"\n       \
         | ^",
        "take one of the two out; of parts there can be several, with `[[resistor]]` and the like \
         before each",
    ),
];
