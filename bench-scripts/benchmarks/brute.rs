//! What a channel may show, by going through every corner of what varies: what the bands and the
//! visibility of defects are held against. A nodal solver and a list of what varies of its own; of
//! the library it takes the board file's figures and the share that a conversion leaves unsettled.

use strapwise::board::{Board, Kind, Level, NetId, Place, Setting};
use strapwise::faults::Fault;
use strapwise::window::{AGEING, Band, CONTACT_MAX, TEMPCO, settle};

/// Kelvin between the temperature that resistors are specified at and the farther end of where the
/// board is when the file does not say: -10 to 60 °C in use, 15 to 35 °C on the bench.
const KELVIN: (f64, f64) = (35.0, 10.0);

/// What is taken for nothing in a contact: far below what a code shows, far above what the digits of
/// a solution lose.
const NO_OHMS: f64 = 1e-5;

/// Contact of a shunt that a defect adds, and a resistor that is bridged: some 20 mΩ (common
/// practice, no source).
const SEATED: f64 = 0.02;

/// Over what the parts of a unit are spread.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Over {
    /// Everything allowed in use.
    Use,
    /// What differs from unit to unit on the bench.
    Bench,
}

/// A resistance between two nets with the ends of its range.
#[derive(Clone, Copy, Debug)]
struct Branch {
    between: [NetId; 2],
    ohms: [f64; 2],
}

/// Shares of the supply that a pin may have, its pull-up off and on.
#[derive(Clone, Copy, Debug)]
pub struct Shares {
    /// Pull-up off.
    pub off: Band,
    /// Pull-up on, from the weakest to the strongest.
    pub on: Band,
}

/// What going through all corners found.
#[derive(Clone, Copy, Debug)]
pub enum Found {
    /// Nothing holds the net.
    Floats,
    /// Too many corners to go through.
    TooMany,
    /// The extremes.
    Shares(Shares),
}

/// The parts of a unit in a setting that is meant, with a defect if there is one; `None` for a
/// defect that is no change of the circuit.
fn branches(
    board: &Board,
    meant: &Setting,
    over: Over,
    fault: Option<Fault>,
) -> Option<Vec<Branch>> {
    let mut values: Vec<f64> = board.resistors.iter().map(|r| r.ohms.0).collect();
    let mut seat = meant.clone();
    let (mut poor, mut added) = (None, Vec::new());
    let fixed = |between: [NetId; 2], ohms: f64| Branch { between, ohms: [ohms; 2] };
    match fault {
        None => {}
        Some(Fault::ResistorOpen { resistor }) => values[resistor] = f64::INFINITY,
        Some(Fault::ResistorShorted { resistor }) => values[resistor] = SEATED,
        Some(Fault::ResistorValue { resistor, ohms }) => values[resistor] = ohms.0,
        Some(Fault::ResistorOff { resistor, ratio }) => values[resistor] *= ratio,
        Some(Fault::ResistorsSwapped { resistors: [a, b] }) => values.swap(a, b),
        Some(Fault::ContactOpen { jumper, position }) if seat.0[jumper] == Place::At(position) => {
            seat.0[jumper] = Place::Open;
        }
        Some(Fault::ContactResistive { jumper, position, ohms }) => {
            poor = Some((jumper, position, ohms.0));
        }
        Some(Fault::SecondShunt { jumper, position }) if seat.0[jumper] != Place::At(position) => {
            let joins = &board.jumpers[jumper].positions[position].joins;
            added.extend(joins.iter().map(|&between| fixed(between, SEATED)));
        }
        // Where the shunt is elsewhere there is nothing of either.
        Some(Fault::ContactOpen { .. } | Fault::SecondShunt { .. }) => {}
        Some(Fault::CountedFromWrongEnd { jumper }) => {
            if let Place::At(position) = seat.0[jumper] {
                let positions = board.jumpers[jumper].positions.len();
                seat.0[jumper] = Place::At(positions - 1 - position);
            }
        }
        Some(
            Fault::PinsBridged { between, ohms, .. } | Fault::HeadersBridged { between, ohms, .. },
        ) => added.push(fixed(between, ohms.0)),
        Some(Fault::PinLeaks { channel, to, ohms }) => {
            let rail = if to == Level::High { board.supply.net } else { board.supply.ground };
            added.push(fixed([board.channels[channel].net, rail], ohms.0));
        }
        Some(_) => return None,
    }
    let mut found = added;
    for (r, ohms) in board.resistors.iter().zip(values).filter(|(_, ohms)| ohms.is_finite()) {
        let off = match over {
            Over::Use => r.tolerance.0 + AGEING + TEMPCO * KELVIN.0,
            Over::Bench => r.tolerance.0 + TEMPCO * KELVIN.1,
        };
        let ohms = [ohms * (1.0 - off), ohms * (1.0 + off)];
        found.push(Branch { between: r.between, ohms });
    }
    for (j, place) in seat.0.iter().enumerate() {
        let Place::At(p) = *place else { continue };
        for &between in &board.jumpers[j].positions[p].joins {
            let ohms = match poor {
                Some((jumper, position, ohms)) if (jumper, position) == (j, p) => [ohms; 2],
                _ => [NO_OHMS, CONTACT_MAX.0],
            };
            found.push(Branch { between, ohms });
        }
    }
    Some(found)
}

/// One piece of a circuit between ideal rails.
struct Piece {
    /// Its branches; an end is a node, or none for ground and the number of nodes for the supply.
    branches: Vec<([Option<usize>; 2], [f64; 2])>,
    nodes: usize,
    /// Per node, how many pins leak into it.
    pins: Vec<f64>,
    driven: bool,
}

impl Piece {
    /// That which holds a net: node 0.
    fn around(board: &Board, net: NetId, all: &[Branch]) -> Piece {
        let rails = [board.supply.net, board.supply.ground];
        let mut nets = vec![net];
        let mut at = 0;
        while at < nets.len() {
            let here = nets[at];
            for b in all.iter().filter(|b| b.between.contains(&here)) {
                let more = b.between.into_iter().filter(|n| !rails.contains(n));
                let more: Vec<NetId> = more.filter(|n| !nets.contains(n)).collect();
                nets.extend(more);
            }
            at += 1;
        }
        let end = |n: NetId| match nets.iter().position(|&m| m == n) {
            Some(node) => Some(node),
            None if n == board.supply.net => Some(nets.len()),
            None => None,
        };
        let mine = |b: &&Branch| b.between.iter().any(|n| nets.contains(n));
        let inside: Vec<&Branch> = all.iter().filter(mine).collect();
        let pins = |n: &NetId| board.channels.iter().filter(|c| c.net == *n).count() as f64;
        Piece {
            nodes: nets.len(),
            pins: nets.iter().map(pins).collect(),
            driven: inside.iter().any(|b| b.between.iter().any(|n| rails.contains(n))),
            branches: inside.iter().map(|b| (b.between.map(end), b.ohms)).collect(),
        }
    }

    /// Share of the supply at node 0, its source resistance, and the ohms that all leaking pins
    /// together move it through.
    fn solve(&self, ohms: &[f64], rows: &mut [Vec<f64>]) -> [f64; 3] {
        let n = self.nodes;
        for row in rows.iter_mut() {
            row.fill(0.0);
        }
        for ((ends, _), ohms) in self.branches.iter().zip(ohms) {
            let siemens = 1.0 / ohms;
            for (here, there) in [(ends[0], ends[1]), (ends[1], ends[0])] {
                let Some(i) = here.filter(|&i| i < n) else { continue };
                rows[i][i] += siemens;
                match there {
                    Some(j) if j < n => rows[i][j] -= siemens,
                    Some(_) => rows[i][n] += siemens,
                    None => {}
                }
            }
        }
        rows[0][n + 1] = 1.0;
        // Gauss and Jordan; a diagonally dominant matrix needs no pivoting.
        for k in 0..n {
            let pivot = std::mem::take(&mut rows[k]);
            for (i, row) in rows.iter_mut().enumerate().filter(|(i, r)| *i != k && r[k] != 0.0) {
                debug_assert!(i < n);
                let factor = row[k] / pivot[k];
                for (x, p) in row.iter_mut().zip(&pivot).skip(k) {
                    *x -= factor * p;
                }
            }
            rows[k] = pivot;
        }
        let leaks = (0..n).map(|i| self.pins[i] * rows[i][n + 1] / rows[i][i]).sum();
        [rows[0][n] / rows[0][0], rows[0][n + 1] / rows[0][0], leaks]
    }
}

/// The extremes at a channel's pin, over all corners; `most` is the logarithm to base 2 of the
/// corners that are gone through at most. `None` for a defect that is no change of the circuit.
pub fn shares(
    board: &Board,
    meant: &Setting,
    channel: usize,
    over: Over,
    fault: Option<Fault>,
    most: usize,
) -> Option<Found> {
    let all = branches(board, meant, over, fault)?;
    let piece = Piece::around(board, board.channels[channel].net, &all);
    if !piece.driven {
        return Some(Found::Floats);
    }
    let vary = |i: &usize| piece.branches[*i].1[0] < piece.branches[*i].1[1];
    let varying: Vec<usize> = (0..piece.branches.len()).filter(vary).collect();
    if varying.len() > most {
        return Some(Found::TooMany);
    }
    let empty = Band { low: f64::INFINITY, high: f64::NEG_INFINITY };
    let mut found = Shares { off: empty, on: empty };
    let mut rows = vec![vec![0.0; piece.nodes + 2]; piece.nodes];
    let mut ohms: Vec<f64> = piece.branches.iter().map(|(_, ohms)| ohms[0]).collect();
    let lowest = board.supply.volts.0 * (1.0 - board.supply.tolerance.0);
    let leakage = board.chip.leakage.0 / lowest;
    let (strong, weak) = board.chip.pull_up;
    for corner in 0_u32..1 << varying.len() {
        for (bit, &i) in varying.iter().enumerate() {
            ohms[i] = piece.branches[i].1[(corner >> bit & 1) as usize];
        }
        let [share, source, leaks] = piece.solve(&ohms, &mut rows);
        let mut reach = |band: fn(&mut Shares) -> &mut Band, share: f64, leak: f64| {
            let band = band(&mut found);
            band.low = band.low.min(share - leak);
            band.high = band.high.max(share + leak);
        };
        reach(|s| &mut s.off, share, leakage * leaks);
        for pull in [strong.0, weak.0] {
            // A source behind its resistance against a resistor to the supply.
            let x = source / pull;
            reach(|s| &mut s.on, (share + x) / (1.0 + x), leakage * leaks / (1.0 + x));
        }
    }
    Some(Found::Shares(found))
}

/// The codes that a converter of the board's chip may give for shares of the supply: its errors
/// either way, and the count that truncation takes. A digital channel has none of them.
pub fn codes(board: &Board, channel: usize, shares: Band) -> Band {
    let chip = &*board.chip;
    let (low, high) = (shares.low * chip.scale, shares.high * chip.scale);
    if board.channels[channel].kind == Kind::Digital {
        return Band { low, high };
    }
    let top = f64::from(chip.full_scale);
    let error = |code: f64| {
        let parts = [chip.offset, chip.inl, chip.dnl].map(|figure| figure.worst());
        parts.iter().sum::<f64>() + chip.gain.worst() * (code / top).clamp(0.0, 1.0)
    };
    let held = |code: f64| code.clamp(0.0, top);
    Band { low: held(low - error(low) - 1.0), high: held(high + error(high)) }
}

/// The design band with what is left of the channel read before, which may have been at any code.
pub fn unsettled(board: &Board, meant: &Setting, channel: usize, band: Band) -> Band {
    if board.channels[channel].kind == Kind::Digital {
        return band;
    }
    let left = settle::settling(board, meant, &board.channels[channel]).map_or(0.0, |s| s.left);
    let top = f64::from(board.chip.full_scale);
    let high = band.high + left * (board.chip.scale - band.high);
    Band { low: band.low * (1.0 - left), high: high.min(top) }
}
