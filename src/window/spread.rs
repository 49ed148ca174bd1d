//! What may vary on a good board: the board file's figures, and the assumptions that stand in for
//! those it does not give.

use crate::board::{Board, Channel, NetId, Resistor};
use crate::circuit::{self, Common, Pulled, Spread};
use crate::units::{Celsius, Ohms, Volts};

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

/// A half-width either way: what a resistor has by itself, and what all of its array share.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Split {
    pub own: f64,
    pub common: f64,
}

impl Split {
    /// Two parts of an array may be `apart`, and each `whole` off at most.
    fn of(whole: f64, apart: Option<f64>) -> Split {
        let own = apart.map_or(whole, |apart| (apart / 2.0).min(whole));
        Split { own, common: whole - own }
    }
}

/// What a resistor's value is made of, relative to nominal: the one place where the worst case,
/// the root sum of squares and the drawn units have it from.
#[derive(Clone, Copy, Debug)]
pub(super) struct Makeup {
    pub ohms: f64,
    /// As made.
    pub tolerance: Split,
    /// Middle of the temperature coefficient, per kelvin: 0 when only its size is known.
    pub drift: f64,
    /// Half the width of the coefficient, per kelvin.
    pub loose: Split,
    /// Over its life.
    pub ageing: f64,
    pub array: Option<usize>,
    /// Whether coefficient and ageing are assumptions.
    pub assumed: (bool, bool),
}

impl Makeup {
    pub fn of(board: &Board, r: &Resistor) -> Makeup {
        let use_ = &board.in_use;
        let given = r.drift.tempco.or(use_.tempco);
        let (low, high) = given.map_or((-TEMPCO, TEMPCO), |(a, b)| (a.0, b.0));
        let ageing = r.drift.ageing.or(use_.ageing);
        let array = r.drift.array.and_then(|a| board.arrays.get(a));
        let tracking = array.and_then(|a| a.tracking).map(|t| t.0);
        Makeup {
            ohms: r.ohms.0,
            tolerance: Split::of(r.tolerance.0, array.map(|a| a.ratio.0)),
            drift: (low + high) / 2.0,
            loose: Split::of((high - low) / 2.0, tracking),
            ageing: ageing.map_or(AGEING, |a| a.0),
            array: r.drift.array.filter(|_| array.is_some()),
            assumed: (
                match r.drift.tempco {
                    Some(_) => r.drift.assumed.tempco,
                    None => given.is_none() || use_.assumed.tempco,
                },
                match r.drift.ageing {
                    Some(_) => r.drift.assumed.ageing,
                    None => ageing.is_none() || use_.assumed.ageing,
                },
            ),
        }
    }

    /// How far it drifts, in words.
    fn drifts(&self) -> String {
        let half = self.loose.own + self.loose.common;
        let ppm = |share: f64| 1e6 * share;
        match self.signed() {
            false => format!("drift by up to {:.0} ppm/K either way", ppm(half)),
            true => format!(
                "drift by {:.0} to {:.0} ppm/K",
                ppm(self.drift - half),
                ppm(self.drift + half)
            ),
        }
    }

    /// How far it ages, in words.
    fn ages(&self) -> String {
        let percent = format!("{:.2}", 100.0 * self.ageing);
        let percent = percent.strip_suffix('0').unwrap_or(&percent);
        format!("age by up to {percent} % either way")
    }

    /// Whether its coefficient has a sign, so that it drifts together with others.
    fn signed(&self) -> bool {
        self.drift != 0.0
    }
}

/// Kelvin that the board in use may be from [`SPECIFIED_AT`].
pub(super) fn kelvin_in_use(board: &Board) -> (f64, f64) {
    kelvin(board.in_use.temperature.unwrap_or(TEMPERATURE))
}

fn kelvin((low, high): (Celsius, Celsius)) -> (f64, f64) {
    (low.0 - SPECIFIED_AT.0, high.0 - SPECIFIED_AT.0)
}

/// The farther end of a range of kelvin.
pub(super) fn farthest((low, high): (f64, f64)) -> f64 {
    low.abs().max(high.abs())
}

fn spread(board: &Board, at: (Celsius, Celsius), aged: bool, pull_up: bool) -> Spread {
    let kelvin = kelvin(at);
    let farthest = farthest(kelvin);
    let mut temperature = Common { range: kelvin, moves: Vec::new() };
    let mut arrays = vec![Common { range: (0.0, 0.0), moves: Vec::new() }; board.arrays.len()];
    let mut resistors = Vec::with_capacity(board.resistors.len());
    for (i, r) in board.resistors.iter().enumerate() {
        let made = Makeup::of(board, r);
        let mut own = made.tolerance.own + if aged { made.ageing } else { 0.0 };
        let alone = made.signed() && made.array.is_none();
        // A signed coefficient of a part by itself goes with the temperature, ends and all.
        let loose = if alone { made.loose.own } else { 0.0 };
        own += (made.loose.own - loose) * farthest;
        if made.signed() {
            temperature.moves.push((i, (made.drift - loose, made.drift + loose)));
        }
        if let Some(common) = made.array.and_then(|a| arrays.get_mut(a)) {
            let shared = made.tolerance.common + made.loose.common * farthest;
            common.range = (-shared, shared);
            common.moves.push((i, (1.0, 1.0)));
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
        contact: (Ohms(0.0), contact_max(board)),
        leakage: board.chip.leakage,
        pull_up: pull_up.then_some(board.chip.pull_up),
        also_pulled: None,
    }
}

/// Largest resistance of a seated contact of a good unit.
pub fn contact_max(board: &Board) -> Ohms {
    board.in_use.contact.unwrap_or(CONTACT_MAX)
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
    let made: Vec<Makeup> = board.resistors.iter().map(|r| Makeup::of(board, r)).collect();
    lines.extend(alike(board, |i| made[i].assumed.0.then(|| made[i].drifts())));
    lines.extend(alike(board, |i| made[i].assumed.1.then(|| made[i].ages())));
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

/// One line for the resistors of which the same is assumed, in the order of the first of them.
fn alike(board: &Board, said: impl Fn(usize) -> Option<String>) -> Vec<String> {
    let mut found: Vec<(String, Vec<&str>)> = Vec::new();
    for (i, r) in board.resistors.iter().enumerate() {
        let Some(what) = said(i) else { continue };
        match found.iter_mut().find(|(w, _)| *w == what) {
            Some((_, ids)) => ids.push(&r.id),
            None => found.push((what, vec![&r.id])),
        }
    }
    let named = |ids: &[&str]| match ids.len() {
        n if n == board.resistors.len() => "resistors".to_string(),
        1..=5 => ids.join(", "),
        n => format!("{}, {} and {} more resistors", ids[0], ids[1], n - 2),
    };
    found.iter().map(|(what, ids)| format!("{}: {what} (assumed)", named(ids))).collect()
}
