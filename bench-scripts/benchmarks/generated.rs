//! Boards drawn with a seed, as board files, to plan sequences for: ordinary ones, and ones that
//! are hard to plan. Invented: circuits as makers draw them, values from the E24 series.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::fmt::Write;

/// Values of one decade (IEC 60063, E24) that the boards take.
const VALUES: [f64; 12] = [1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2];

/// A board file under way.
pub struct Draft {
    rng: ChaCha8Rng,
    body: String,
    jumpers: usize,
    resistors: usize,
    channels: usize,
    analog: usize,
    digital: usize,
    delivery: String,
}

/// Fewest and most jumpers of a board, and resistors.
const JUMPERS: std::ops::RangeInclusive<usize> = 3..=12;
const RESISTORS: std::ops::RangeInclusive<usize> = 14..=60;

/// An ordinary board: ladders with and without a load, weighted bits with an open position,
/// address bits against pull-ups, three-pin selects.
pub fn ordinary(seed: u64) -> String {
    drawn(seed, |draft, room| match draft.below(if room < 2 { 3 } else { 5 }) {
        0 => draft.ladder(),
        1 => draft.address(1),
        2 => draft.select(),
        3 => draft.weighted(room.min(3), true),
        _ => draft.loaded_ladder(),
    })
}

/// A hard board: also weighted bits without an open position, addresses coded by resistors, and
/// ladders behind isolators.
pub fn hard(seed: u64) -> String {
    drawn(seed, |draft, room| match draft.below(if room < 3 { 2 } else { 6 }) {
        0 => draft.ladder(),
        1 => draft.address(1),
        2 => draft.weighted(room.min(5), false),
        3 => draft.coded(room.min(3)),
        4 => draft.isolated(false),
        _ if room > 3 => draft.isolated(true),
        _ => draft.isolated(false),
    })
}

/// One circuit by itself, of each kind in turn: small enough to go through everything.
#[allow(dead_code)]
pub fn single(seed: u64) -> String {
    let mut draft = Draft::new(seed);
    match seed % 8 {
        0 => draft.ladder(),
        1 => draft.loaded_ladder(),
        2 => draft.weighted(3, true),
        3 => draft.weighted(3, false),
        4 => draft.coded(2),
        5 => draft.isolated(false),
        6 => draft.select(),
        _ => draft.address(2),
    }
    draft.done(&format!("single-{seed}"))
}

/// One pin with so many weighted bits, each fitted or left off.
#[allow(dead_code)]
pub fn one_group(bits: usize) -> String {
    let mut draft = Draft::new(1);
    draft.weighted(bits, true);
    draft.done("one-group")
}

/// Circuits until the board has as many jumpers as drawn; drawn again until the resistors are
/// within their range too.
fn drawn(seed: u64, mut more: impl FnMut(&mut Draft, usize)) -> String {
    for attempt in 0.. {
        let mut draft = Draft::new(seed * 1000 + attempt);
        let wanted = draft.rng.random_range(JUMPERS);
        while draft.jumpers < wanted {
            let room = wanted - draft.jumpers;
            more(&mut draft, room);
        }
        if RESISTORS.contains(&draft.resistors) && JUMPERS.contains(&draft.jumpers) {
            return draft.done(&format!("board-{seed}"));
        }
    }
    unreachable!("some attempt fits")
}

impl Draft {
    fn new(seed: u64) -> Draft {
        Draft {
            rng: ChaCha8Rng::seed_from_u64(seed),
            body: String::new(),
            jumpers: 0,
            resistors: 0,
            channels: 0,
            analog: 0,
            digital: 0,
            delivery: String::new(),
        }
    }

    fn below(&mut self, end: usize) -> usize {
        self.rng.random_range(0..end)
    }

    /// A value of this decade.
    fn value(&mut self, decade: f64) -> f64 {
        decade * VALUES[self.below(VALUES.len())]
    }

    fn resistor(&mut self, a: &str, b: &str, ohms: f64) {
        self.resistors += 1;
        let _ = write!(
            self.body,
            "[[resistor]]\nid = \"R{}\"\nbetween = [\"{a}\", \"{b}\"]\nvalue = \"{ohms:.1} ohm\"\n\
             tolerance = \"1%\"\n\n",
            self.resistors
        );
    }

    /// A jumper whose positions join these nets in the order of its pins: two pins each, or three
    /// with the middle one in both. Delivered in any place that it is used in.
    fn jumper(&mut self, joins: &[(&str, &str)], three_pin: bool, open: bool) {
        self.jumpers += 1;
        let id = self.jumpers;
        let mut list = Vec::new();
        for (i, (a, b)) in joins.iter().enumerate() {
            let first = if three_pin { i + 1 } else { 2 * i + 1 };
            list.push(format!(
                "{{ name = \"{}\", pins = [{first}, {}], joins = [\"{a}\", \"{b}\"] }}",
                i + 1,
                first + 1
            ));
        }
        let _ = write!(
            self.body,
            "[[jumper]]\nid = \"J{id}\"\npositions = [{}]\nopen = {open}\n\n",
            list.join(", ")
        );
        let place = match self.below(joins.len() + usize::from(open)) {
            p if p == joins.len() => "open".to_string(),
            p => (p + 1).to_string(),
        };
        let _ = writeln!(self.delivery, "J{id} = \"{place}\"");
    }

    fn channel(&mut self, net: &str, pin: &str, kind: &str) {
        self.channels += 1;
        let _ = write!(
            self.body,
            "[[channel]]\nid = \"A{}\"\nnet = \"{net}\"\npin = \"{pin}\"\nkind = \"{kind}\"\n\n",
            self.channels
        );
    }

    fn analog(&mut self, net: &str) {
        let at = self.analog;
        self.analog += 1;
        let port = if at < 8 { 'F' } else { 'K' };
        self.channel(net, &format!("P{port}{}", at % 8), "analog");
    }

    fn digital(&mut self, net: &str) {
        let at = self.digital;
        self.digital += 1;
        let port = if at < 8 { 'A' } else { 'C' };
        self.channel(net, &format!("P{port}{}", at % 8), "digital");
    }

    /// Resistors in a row between two nets; the nets between them.
    fn row(&mut self, from: &str, to: &str, resistors: usize) -> Vec<String> {
        let stem = format!("N{}", self.resistors);
        let inner: Vec<String> = (1..resistors).map(|i| format!("{stem}-{i}")).collect();
        let mut last = from.to_string();
        for net in inner.iter().chain([&to.to_string()]) {
            let ohms = self.value(1e3);
            self.resistor(&last, net, ohms);
            last = net.clone();
        }
        inner
    }

    /// A row of resistors, a tap of which is picked and read behind a resistor.
    fn ladder_between(&mut self, top: &str, bottom: &str) -> (String, String) {
        let taps = 3 + self.below(4);
        // Between two taps there may be two resistors, where one value is not to be had.
        let each = 1 + self.below(2);
        let inner = self.row(top, bottom, each * (taps - 1));
        let inner: Vec<String> = inner.into_iter().skip(each - 1).step_by(each).collect();
        let (pick, pin) = (format!("PICK{}", self.jumpers), format!("PIN{}", self.jumpers));
        let all = std::iter::once(top).chain(inner.iter().map(String::as_str)).chain([bottom]);
        let joins: Vec<(&str, &str)> = all.map(|tap| (tap, pick.as_str())).collect();
        self.jumper(&joins, false, false);
        self.resistor(&pick, &pin, 1000.0);
        self.analog(&pin);
        (pick, pin)
    }

    fn ladder(&mut self) {
        self.ladder_between("VCC", "GND");
    }

    /// A ladder whose pin another jumper loads.
    fn loaded_ladder(&mut self) {
        let (_, pin) = self.ladder_between("VCC", "GND");
        let load = format!("LOAD{}", self.jumpers);
        let ohms = self.value(1e4);
        self.resistor(&pin, &load, ohms);
        self.jumper(&[("VCC", &load), (&load, "GND")], true, true);
    }

    /// Bits that each join a resistor to the supply, or left off or joined to ground; against a
    /// pull-down where they may be left off.
    fn weighted(&mut self, bits: usize, open: bool) {
        let pin = format!("PIN{}", self.jumpers);
        let unit = self.value(1e3);
        if open {
            self.resistor(&pin, "GND", 2.2 * unit);
        }
        for bit in 0..bits {
            let net = format!("BIT{}", self.jumpers);
            self.resistor(&net, &pin, unit * 2_f64.powi(bit as i32));
            let joins: &[(&str, &str)] =
                if open { &[("VCC", &net)] } else { &[("VCC", &net), (&net, "GND")] };
            self.jumper(joins, !open, open);
        }
        self.analog(&pin);
    }

    /// An address coded by resistors: each jumper puts one of some resistors to ground.
    fn coded(&mut self, jumpers: usize) {
        let pin = format!("PIN{}", self.jumpers);
        let up = self.value(1e3);
        self.resistor("VCC", &pin, up);
        for j in 0..jumpers {
            let nets: Vec<String> =
                (0..2 + self.below(2)).map(|i| format!("CODE{}-{i}", self.jumpers)).collect();
            for net in &nets {
                let ohms = self.value(1e3 * 3_f64.powi(j as i32));
                self.resistor(net, &pin, ohms);
            }
            let joins: Vec<(&str, &str)> = nets.iter().map(|n| (n.as_str(), "GND")).collect();
            self.jumper(&joins, false, true);
        }
        self.analog(&pin);
    }

    /// One ladder, or two, behind an isolator in their supply and one in their return.
    fn isolated(&mut self, two: bool) {
        let (top, bottom) = (format!("FEED{}", self.jumpers), format!("BACK{}", self.jumpers));
        self.jumper(&[("VCC", &top)], false, true);
        if !two {
            self.jumper(&[(&bottom, "GND")], false, true);
        }
        let bottom = if two { "GND".to_string() } else { bottom };
        self.ladder_between(&top, &bottom);
        if two {
            self.ladder_between(&top, &bottom);
        }
        // A resistor holds what is cut off.
        self.resistor(&top, "GND", 47e3);
    }

    /// Bits against pull-ups, each at a pin of its own.
    fn address(&mut self, bits: usize) {
        for _ in 0..bits {
            let net = format!("BIT{}", self.jumpers);
            self.resistor("VCC", &net, 10e3);
            self.jumper(&[(&net, "GND")], false, true);
            self.digital(&net);
        }
    }

    /// A three-pin header that feeds an output, looped back to a pin at rest at half the supply.
    fn select(&mut self) {
        let (feed, pin) = (format!("FEED{}", self.jumpers), format!("PIN{}", self.jumpers));
        self.jumper(&[("VCC", &feed), (&feed, "GND")], true, true);
        let wire = self.value(1e3);
        self.resistor(&feed, &pin, wire);
        self.resistor("VCC", &pin, 47e3);
        self.resistor(&pin, "GND", 47e3);
        self.analog(&pin);
    }

    fn done(self, name: &str) -> String {
        format!(
            "format = 1\n\n[board]\nname = \"{name}\"\nrevision = \"A\"\nchip = \"atmega2560\"\n\n\
             [supply]\nnet = \"VCC\"\nground = \"GND\"\nvolts = \"5V\"\ntolerance = \"5%\"\n\
             source = \"bench supply\"\naref = \"capacitor\"\n\n[delivery]\n{}\n{}",
            self.delivery, self.body
        )
    }
}
