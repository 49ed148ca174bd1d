//! What may vary on a good board: the board file's figures, and the assumptions that stand in for
//! those it does not give.

use crate::board::{Array, Board, Channel, NetId, Resistor};
use crate::circuit::{self, Common, Pulled, Spread};
use crate::units::{Celsius, Ohms, Ratio, Volts};

/// Temperature coefficient of a resistor for which none is given, per kelvin: assumed, the usual
/// figure of thick-film chips (common practice, no source).
pub const TEMPCO: f64 = 100e-6;
/// Temperature at which resistors have their specified value (MIL-STD-202, method 304).
pub const SPECIFIED_AT: Celsius = Celsius(25.0);
/// Temperatures in use when the board file gives none: assumed.
pub const TEMPERATURE: (Celsius, Celsius) = (Celsius(-10.0), Celsius(60.0));
/// Temperatures on the bench when the board file gives none: assumed, those of a room.
pub const BENCH_TEMPERATURE: (Celsius, Celsius) = (Celsius(15.0), Celsius(35.0));
/// Relative change of a resistor over its life: assumed, the usual figure of thick-film chips
/// (common practice, no source).
pub const AGEING: f64 = 0.005;
/// Largest resistance of a seated contact of a good unit (common practice, no source).
pub const CONTACT_MAX: Ohms = Ohms(0.1);

/// What may vary in use.
pub fn design_spread(board: &Board, pull_up: bool) -> Spread {
    let temperature = board.in_use.temperature.unwrap_or(TEMPERATURE);
    spread(board, temperature, true, pull_up)
}

/// What may vary from unit to unit on the bench.
pub fn bench_spread(board: &Board, pull_up: bool) -> Spread {
    let temperature = board.in_use.bench.unwrap_or(BENCH_TEMPERATURE);
    spread(board, temperature, false, pull_up)
}

/// The pull-ups that the product has on at other pins while it reads this channel, where they reach
/// it. `None` when there are none.
pub fn also_pulled(board: &Board, channel: &Channel) -> Option<Pulled> {
    let others = board.channels.iter().filter(|c| c.pull_up && c.net != channel.net);
    let nets: Vec<NetId> = others.map(|c| c.net).collect();
    if nets.is_empty() {
        return None;
    }
    let group = circuit::group_of(board, channel.net)?;
    let nets: Vec<NetId> = nets.into_iter().filter(|n| group.nets.contains(n)).collect();
    (!nets.is_empty()).then_some(Pulled { nets, ohms: board.chip.pull_up })
}

/// What one resistor may be off by: relative to nominal, each either way but for the coefficient.
struct Off {
    tolerance: f64,
    tempco: (f64, f64),
    ageing: f64,
}

impl Off {
    fn of(board: &Board, r: &Resistor, aged: bool) -> Off {
        let given = r.drift.tempco.or(board.in_use.tempco);
        let tempco = given.map_or((-TEMPCO, TEMPCO), |(a, b)| (a.0, b.0));
        let ageing = r.drift.ageing.or(board.in_use.ageing).map_or(AGEING, |a| a.0);
        Off { tolerance: r.tolerance.0, tempco, ageing: if aged { ageing } else { 0.0 } }
    }

    /// Half the width of the coefficient.
    fn loose(&self) -> f64 {
        (self.tempco.1 - self.tempco.0) / 2.0
    }

    /// Whether only the size of the coefficient is known.
    fn unsigned(&self) -> bool {
        self.tempco.0 == -self.tempco.1
    }
}

/// Kelvin from [`SPECIFIED_AT`] to the ends of a range.
fn kelvin((low, high): (Celsius, Celsius)) -> (f64, f64) {
    (low.0 - SPECIFIED_AT.0, high.0 - SPECIFIED_AT.0)
}

fn spread(board: &Board, at: (Celsius, Celsius), aged: bool, pull_up: bool) -> Spread {
    let kelvin = kelvin(at);
    let farthest = kelvin.0.abs().max(kelvin.1.abs());
    let mut temperature = Common { range: kelvin, moves: Vec::new() };
    let mut arrays = vec![Common { range: (0.0, 0.0), moves: Vec::new() }; board.arrays.len()];
    let mut resistors = Vec::with_capacity(board.resistors.len());
    for (i, r) in board.resistors.iter().enumerate() {
        let off = Off::of(board, r, aged);
        let mut own = off.tolerance + off.ageing;
        if off.unsigned() {
            own += off.tempco.1 * farthest;
        }
        let mut tempco = off.tempco;
        if let Some(a) = r.drift.array
            && let (Some(array), Some(common)) = (board.arrays.get(a), arrays.get_mut(a))
        {
            if !off.unsigned() {
                // The part that all of the array share goes with the temperature.
                own += off.loose() * farthest;
                let middle = (tempco.0 + tempco.1) / 2.0;
                tempco = (middle, middle);
            }
            let apart = (apart(array, &off, farthest) / 2.0).min(own);
            common.range = (apart - own, own - apart);
            common.moves.push((i, (1.0, 1.0)));
            own = apart;
        }
        if !off.unsigned() {
            temperature.moves.push((i, tempco));
        }
        let ohms = r.ohms.0;
        resistors.push((Ohms(ohms * (1.0 - own).max(0.0)), Ohms(ohms * (1.0 + own))));
    }
    let supply = board.supply.volts.0;
    let tolerance = board.supply.tolerance.0;
    arrays.push(temperature);
    Spread {
        supply: (Volts(supply * (1.0 - tolerance)), Volts(supply * (1.0 + tolerance))),
        resistors,
        common: arrays,
        contact: (Ohms(0.0), board.in_use.contact.unwrap_or(CONTACT_MAX)),
        leakage: board.chip.leakage,
        pull_up: pull_up.then_some(board.chip.pull_up),
        also_pulled: None,
    }
}

/// How far two resistors of an array may be from each other: as made, over the temperature, and
/// with age, which is not known to be common.
fn apart(array: &Array, off: &Off, kelvin: f64) -> f64 {
    let tracking = array.tracking.map_or(2.0 * off.loose(), |Ratio(t)| t);
    array.ratio.0 + tracking * kelvin + 2.0 * off.ageing
}

/// What the resistors and contacts rest on without the board file saying so, a line each.
pub fn assumptions(board: &Board) -> Vec<String> {
    let mut lines = Vec::new();
    let range = |(low, high): (Celsius, Celsius)| format!("{} to {} °C", low.0, high.0);
    let use_ = &board.in_use;
    if use_.temperature.is_none() {
        lines.push(format!("in use the board has {} (assumed)", range(TEMPERATURE)));
    }
    if use_.bench.is_none() {
        lines.push(format!("on the bench it has {} (assumed)", range(BENCH_TEMPERATURE)));
    }
    let lacking = |given: &dyn Fn(&Resistor) -> bool| {
        let ids: Vec<&str> =
            board.resistors.iter().filter(|r| !given(r)).map(|r| r.id.as_str()).collect();
        match ids.len() {
            0 => None,
            n if n == board.resistors.len() => Some("resistors".to_string()),
            1..=5 => Some(ids.join(", ")),
            n => Some(format!("{}, {} and {} more resistors", ids[0], ids[1], n - 2)),
        }
    };
    if use_.tempco.is_none()
        && let Some(which) = lacking(&|r| r.drift.tempco.is_some())
    {
        let ppm = TEMPCO * 1e6;
        lines.push(format!("{which}: drift by up to {ppm:.0} ppm/K either way (assumed)"));
    }
    if use_.ageing.is_none()
        && let Some(which) = lacking(&|r| r.drift.ageing.is_some())
    {
        lines.push(format!("{which}: age by up to {:.1} % either way (assumed)", AGEING * 100.0));
    }
    if use_.contact.is_none() {
        lines.push(format!("a seated shunt has 0 to {} ohm (assumed)", CONTACT_MAX.0));
    }
    for (a, array) in board.arrays.iter().enumerate() {
        let member = board.resistors.iter().find(|r| r.drift.array == Some(a));
        if array.tracking.is_none() && member.is_some() {
            lines.push(format!(
                "{}: its resistors drift apart by as much as their coefficients allow (assumed)",
                array.id
            ));
        }
    }
    lines
}
