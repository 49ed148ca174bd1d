//! Builds boards in a line per part, for tests of circuits and windows.
#![allow(dead_code)]

use std::sync::Arc;
use strapwise::board::chip::ATMEGA328P;
use strapwise::board::{
    Aref, Board, Channel, Commands, Drift, Firmware, InUse, Jumper, Kind, Level, Meaning, NetId,
    OptionSet, Pace, Place, Position, Reference, Resistor, Setting, Supply, Switch,
};
use strapwise::units::{Celsius, Hertz, Ohms, Ratio, Volts};

/// A board under construction; nets come into being when they are first named.
pub struct Maker(pub Board);

impl Maker {
    /// An empty board: 5 V between VCC and GND, no tolerance of the supply, a gap of a quarter.
    pub fn new() -> Maker {
        Maker(Board {
            name: "bench".into(),
            revision: "A".into(),
            about: String::new(),
            sha256: String::new(),
            chip: Arc::new(ATMEGA328P.clone()),
            clock: Hertz(16e6),
            nets: vec!["VCC".into(), "GND".into()],
            supply: Supply {
                net: NetId(0),
                ground: NetId(1),
                volts: Volts(5.0),
                tolerance: Ratio(0.05),
                source: "bench supply".into(),
                aref: Aref::Capacitor,
                before_power: None,
                all_loads: true,
                calibrate: false,
                by_meter: false,
            },
            // Resistors are specified at 25 °C, so that on this bench their tolerance is all.
            in_use: InUse { bench: Some((Celsius(25.0), Celsius(25.0))), ..InUse::default() },
            arrays: vec![],
            resistors: vec![],
            capacitors: vec![],
            sources: vec![],
            switches: vec![],
            jumpers: vec![],
            neighbours: vec![],
            channels: vec![],
            options: vec![],
            loads: vec![],
            bus_parts: vec![],
            pace: Pace::default(),
            firmware: Firmware {
                conversions: 1,
                discard: 1,
                adc_clock: Hertz(125e3),
                reference: Reference::Supply,
                gap: Ratio(0.25),
            },
            thresholds: vec![],
            delivery: Setting(vec![]),
            accepted: Vec::new(),
            questions: vec![],
            fuses: None,
            commands: Commands::default(),
            odds: Default::default(),
        })
    }

    pub fn net(&mut self, name: &str) -> NetId {
        let nets = &mut self.0.nets;
        let at = nets.iter().position(|n| n == name).unwrap_or_else(|| {
            nets.push(name.into());
            nets.len() - 1
        });
        NetId(at)
    }

    pub fn supply(mut self, volts: f64) -> Maker {
        self.0.supply.volts = Volts(volts);
        self
    }

    pub fn gap(mut self, ratio: f64) -> Maker {
        self.0.firmware.gap = Ratio(ratio);
        self
    }

    pub fn resistor(mut self, id: &str, a: &str, b: &str, ohms: f64, tolerance: f64) -> Maker {
        let between = [self.net(a), self.net(b)];
        let (ohms, tolerance) = (Ohms(ohms), Ratio(tolerance));
        let drift = Drift::default();
        self.0.resistors.push(Resistor { id: id.into(), between, ohms, tolerance, drift });
        self
    }

    /// A header; every position joins one pair of nets. It is delivered at its first place.
    pub fn jumper(mut self, id: &str, positions: &[(&str, &str, &str)], open: bool) -> Maker {
        let positions: Vec<Position> = positions
            .iter()
            .zip(0..)
            .map(|(&(name, a, b), i)| Position {
                name: name.into(),
                pins: vec![[2 * i + 1, 2 * i + 2]],
                joins: vec![[self.net(a), self.net(b)]],
            })
            .collect();
        self.0.jumpers.push(Jumper {
            id: id.into(),
            label: id.into(),
            positions,
            open,
            parked: false,
            power: false,
        });
        self.0.delivery.0.push(Place::At(0));
        self
    }

    pub fn switch(
        mut self,
        id: &str,
        nets: [&str; 2],
        pin: &str,
        on: [f64; 2],
        drop: [f64; 2],
    ) -> Maker {
        let between = nets.map(|n| self.net(n));
        self.0.switches.push(Switch {
            id: id.into(),
            label: id.into(),
            between,
            pin: ATMEGA328P.pin(pin).expect("a pin of the chip").clone(),
            active: Level::High,
            on: (Ohms(on[0]), Ohms(on[1])),
            drop: (Volts(drop[0]), Volts(drop[1])),
        });
        self
    }

    pub fn channel(self, id: &str, net: &str, pin: &str, kind: Kind) -> Maker {
        self.channel_with(id, net, pin, kind, false, &[])
    }

    pub fn channel_with(
        mut self,
        id: &str,
        net: &str,
        pin: &str,
        kind: Kind,
        pull_up: bool,
        closes: &[usize],
    ) -> Maker {
        let net = self.net(net);
        self.0.channels.push(Channel {
            id: id.into(),
            label: id.into(),
            net,
            pin: ATMEGA328P.pin(pin).expect("a pin of the chip").clone(),
            kind,
            pull_up,
            closes: closes.to_vec(),
            discharge: false,
        });
        self
    }

    /// An option set; each row is places like `J1=3 J2=open` and the option.
    pub fn options(mut self, id: &str, channels: &[&str], rows: &[(&str, &str)]) -> Maker {
        let board = &self.0;
        let when = rows
            .iter()
            .map(|(places, means)| Meaning {
                places: places
                    .split_whitespace()
                    .map(|pair| {
                        let (id, place) = pair.split_once('=').expect("jumper=place");
                        let jumper = board.jumper(id).expect("a jumper of the board");
                        let place = board.jumpers[jumper].place(place).expect("a place of it");
                        (jumper, place)
                    })
                    .collect(),
                means: (*means).into(),
            })
            .collect();
        let channels =
            channels.iter().map(|c| board.channel(c).expect("a channel of the board")).collect();
        self.0.options.push(OptionSet { id: id.into(), label: id.into(), channels, when });
        self
    }

    pub fn done(self) -> Board {
        self.0
    }
}

/// A net of a finished board.
pub fn net(board: &Board, name: &str) -> NetId {
    NetId(board.nets.iter().position(|n| n == name).expect("a net of the board"))
}

/// A setting like `J1=3 J2=open`; jumpers not named stay as delivered.
pub fn setting(board: &Board, places: &str) -> Setting {
    places.split_whitespace().fold(board.delivery.clone(), |setting, pair| {
        let (id, place) = pair.split_once('=').expect("jumper=place");
        let jumper = board.jumper(id).expect("a jumper of the board");
        setting.with(jumper, board.jumpers[jumper].place(place).expect("a place of it"))
    })
}

/// The ladder of the demo board: five taps picked by J1 through 1 kΩ.
pub fn profile_ladder() -> Board {
    let taps = [("1", "VCC"), ("2", "TAP2"), ("3", "TAP3"), ("4", "TAP4"), ("5", "GND")]
        .map(|(name, net)| (name, net, "PICK"));
    Maker::new()
        .resistor("R1", "VCC", "TAP2", 1.8e3, 0.01)
        .resistor("R2", "TAP2", "TAP3", 2.7e3, 0.01)
        .resistor("R3", "TAP3", "TAP4", 2.2e3, 0.01)
        .resistor("R4", "TAP4", "GND", 1.5e3, 0.01)
        .resistor("R5", "PICK", "PROFILE", 1e3, 0.05)
        .jumper("J1", &taps, false)
        .channel("PROFILE", "PROFILE", "PC0", Kind::Analog)
        .options(
            "profile",
            &["PROFILE"],
            &[
                ("J1=1", "seedlings"),
                ("J1=2", "herbs"),
                ("J1=3", "tomatoes"),
                ("J1=4", "orchids"),
                ("J1=5", "cacti"),
            ],
        )
        .done()
}

/// Name of a net of [`network`]: 0 is the supply, 1 is ground.
pub fn numbered(net: usize) -> String {
    match net {
        0 => "VCC".into(),
        1 => "GND".into(),
        n => format!("N{n}"),
    }
}

/// A board of resistors between numbered nets, with an analog channel at net 2.
pub fn network(nets: usize, resistors: &[(usize, usize, f64)], tolerance: f64) -> Board {
    let mut maker = Maker::new();
    for n in 0..nets + 2 {
        maker.net(&numbered(n));
    }
    for (i, &(a, b, ohms)) in resistors.iter().enumerate() {
        maker = maker.resistor(&format!("R{}", i + 1), &numbered(a), &numbered(b), ohms, tolerance);
    }
    maker.channel("N2", "N2", "PC0", Kind::Analog).done()
}
