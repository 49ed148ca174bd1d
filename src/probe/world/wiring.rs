//! The board as it is wired now: its circuit solved, and what pulls at every pin.

use super::*;

/// Resistance of a pin that drives, in ohms: 0.5 V at 20 mA (8271H section 30, from memory).
const DRIVER: f64 = 25.0;

/// How many times its sag a shorted load makes.
const SHORTED: f64 = 10.0;

/// What decides the voltages of the board.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(super) struct Wiring {
    setting: Setting,
    closed: Vec<usize>,
    loads: Vec<usize>,
}

/// What comes of it.
#[derive(Debug)]
pub(super) struct Solved {
    pub circuit: Circuit,
    /// Per channel; `None` when it floats.
    channels: Vec<Option<Pull>>,
    /// Volts between the rails under the loads.
    supply: f64,
}

fn solve(board: &Board, built: &Built, defects: &Defects, sags: &[f64], wiring: &Wiring) -> Solved {
    let dead = |i: &usize| defects.dead_loads.contains(i) || built.dead_loads.contains(i);
    let times = |i: usize| if built.shorted_loads.contains(&i) { SHORTED } else { 1.0 };
    let drawing = wiring.loads.iter().filter(|i| !dead(i));
    let sag: f64 = drawing.map(|&i| sags[i] * times(i)).sum();
    let supply = built.parts.supply.0 - sag;
    let lifts = defects.ground_shift.iter().filter(|(i, _)| wiring.loads.contains(i));
    let lift: f64 = lifts.map(|(_, v)| v.0).sum();
    let loaded = Parts { supply: Volts(supply), ..built.parts.clone() };
    let seat = built.seat(board, &wiring.setting);
    let circuit = Circuit::solve(board, &loaded, &seat, &wiring.closed);
    let channels = board.channels.iter().enumerate().map(|(i, c)| {
        let Node::Driven { volts, source } = circuit.node(c.net) else { return None };
        // The jumper circuits hang between the supply and their lifted ground.
        let volts = lift + volts.0 * (supply - lift) / supply;
        match built.joints[i] {
            Joint::Sound => Some(Pull { volts, ohms: source.0 }),
            Joint::Open => None,
            Joint::Stuck(level) => {
                Some(Pull::rail(if level == Level::High { supply } else { 0.0 }))
            }
        }
    });
    let channels = channels.collect();
    Solved { channels, circuit, supply }
}

impl World {
    fn wiring(&self) -> Wiring {
        let switches = self.board.switches.iter().enumerate();
        let loads = self.board.loads.iter().enumerate();
        let closed = switches.filter(|(_, s)| self.drives(s.pin.number, s.active));
        let on = loads.filter(|(_, l)| self.drives(l.pin.number, l.off.other()));
        Wiring {
            setting: self.setting.clone(),
            closed: closed.map(|(i, _)| i).collect(),
            loads: on.map(|(i, _)| i).collect(),
        }
    }

    /// The board as it is wired now. Solved once for each wiring.
    pub(super) fn solved(&mut self) -> &Solved {
        let wiring = self.wiring();
        let World { board, built, defects, sags, solved, .. } = self;
        solved.entry(wiring).or_insert_with_key(|w| solve(board, built, defects, sags, w))
    }

    /// Tells every pin what pulls at it now.
    pub(super) fn rewire(&mut self) {
        let (supply, channels) = {
            let solved = self.solved();
            (solved.supply, solved.channels.clone())
        };
        self.vcc = supply;
        for (pin, chip_pin) in self.pins.iter_mut().zip(self.board.chip.pins.iter()) {
            let open = self.defects.open_pins.contains(&chip_pin.number);
            let net = pin.channel.filter(|_| !open).and_then(|c| channels[c]);
            let net = net.unwrap_or(Pull::OPEN);
            let pulls = pin.channel.is_none_or(|c| !self.built.no_pull_up.contains(&c));
            pin.charge.pull = match pin.mode {
                PinMode::Input => net,
                PinMode::PullUp if chip_pin.pull_up && pulls => net.with(supply, pin.pull_up),
                PinMode::PullUp => net,
                PinMode::Low => net.with(0.0, DRIVER),
                PinMode::High => net.with(supply, DRIVER),
            };
        }
    }
}
