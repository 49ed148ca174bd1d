//! What ngspice made of the board's circuits, with and without defects.
//!
//! One table for each defect that changes the circuit: for every place of the jumpers that have a
//! part in it, and every state of the switches, what each channel's net is against ground (voltage
//! and source resistance), and how both move with each resistor, with the contact of a seated shunt
//! and with a closed switch. Parts of a unit are drawn by these slopes: at 1 % the straight line is
//! good to some hundredths of a code (`solve.rs` measures it).

use std::collections::HashMap;
use strapwise::board::{Board, Level, NetId, Place, Setting};
use strapwise::circuit::{self, Group};
use strapwise::faults::{Built, Fault};
use strapwise::units::Ohms;

/// The tables as they are kept.
pub const KEPT: &[u8] = include_bytes!("vent-controller.tables");

/// First bytes of a file of tables.
pub const MAGIC: &[u8] = b"SWTABLE1";

/// Jumpers, switches, nets and parts that are solved together.
#[derive(Clone, Debug)]
pub struct Cluster {
    pub nets: Vec<NetId>,
    pub jumpers: Vec<usize>,
    pub switches: Vec<usize>,
    pub channels: Vec<usize>,
    pub resistors: Vec<usize>,
    /// Resistors that questions ask about.
    pub lamps: Vec<usize>,
}

impl Cluster {
    fn of(board: &Board, groups: &[&Group]) -> Cluster {
        let nets: Vec<NetId> = groups.iter().flat_map(|g| g.nets.iter().copied()).collect();
        let holds = |between: [NetId; 2]| between.iter().any(|n| nets.contains(n));
        let pick = |count: usize, inside: &dyn Fn(usize) -> bool| {
            (0..count).filter(|&i| inside(i)).collect::<Vec<usize>>()
        };
        let resistors = pick(board.resistors.len(), &|i| holds(board.resistors[i].between));
        let asked =
            |r: &usize| board.questions.iter().any(|q| q.lit.contains(r) || q.dark.contains(r));
        Cluster {
            jumpers: groups.iter().flat_map(|g| g.jumpers.iter().copied()).collect(),
            switches: pick(board.switches.len(), &|i| holds(board.switches[i].between)),
            channels: pick(board.channels.len(), &|i| nets.contains(&board.channels[i].net)),
            lamps: resistors.iter().copied().filter(asked).collect(),
            resistors,
            nets,
        }
    }

    /// Places of a jumper, `open` last whether the maker uses it or not.
    fn radix(board: &Board, jumper: usize) -> usize {
        board.jumpers[jumper].positions.len() + 1
    }

    /// How many states there are.
    pub fn states(&self, board: &Board) -> usize {
        let places: usize = self.jumpers.iter().map(|&j| Cluster::radix(board, j)).product();
        places << self.switches.len()
    }

    /// The number of a state.
    pub fn state(&self, board: &Board, seat: &Setting, closed: &dyn Fn(usize) -> bool) -> usize {
        let mut number = 0;
        for &jumper in &self.jumpers {
            let last = Cluster::radix(board, jumper) - 1;
            let digit = if let Place::At(p) = seat.0[jumper] { p } else { last };
            number = number * (last + 1) + digit;
        }
        self.switches.iter().fold(number, |n, &s| n * 2 + usize::from(closed(s)))
    }

    /// The setting and the closed switches that a number stands for, other jumpers open.
    pub fn picked(&self, board: &Board, mut number: usize) -> (Setting, Vec<usize>) {
        let mut closed = Vec::new();
        for &switch in self.switches.iter().rev() {
            if number % 2 == 1 {
                closed.push(switch);
            }
            number /= 2;
        }
        let mut setting = Setting::all_open(board);
        for &jumper in self.jumpers.iter().rev() {
            let radix = Cluster::radix(board, jumper);
            if number % radix < radix - 1 {
                setting = setting.with(jumper, Place::At(number % radix));
            }
            number /= radix;
        }
        (setting, closed)
    }

    /// Bytes of one channel in one state, and of one state.
    pub fn node_bytes(&self) -> usize {
        2 * (2 + 2 * self.resistors.len() + 2 + 2 * self.switches.len())
    }

    pub fn state_bytes(&self) -> usize {
        2 + self.channels.len() * self.node_bytes()
    }
}

/// Whether a defect changes the circuit; the others are in the pins, the hands or the loads, and the
/// world knows them by itself.
pub fn electrical(fault: &Fault) -> bool {
    matches!(
        fault,
        Fault::ResistorOpen { .. }
            | Fault::ResistorShorted { .. }
            | Fault::ResistorValue { .. }
            | Fault::ResistorOff { .. }
            | Fault::ResistorsSwapped { .. }
            | Fault::ContactResistive { .. }
            | Fault::PinsBridged { .. }
            | Fault::HeadersBridged { .. }
            | Fault::SecondShunt { .. }
            | Fault::PinLeaks { .. }
            | Fault::ChannelsBridged { .. }
    )
}

/// The clusters of a unit, each with the defects that change it.
pub fn clusters(board: &Board, faults: &[Fault]) -> Vec<(Cluster, Vec<Fault>)> {
    let groups = circuit::groups(board);
    let mut joined: Vec<(Vec<usize>, Vec<Fault>)> =
        (0..groups.len()).map(|g| (vec![g], Vec::new())).collect();
    for fault in faults.iter().copied().filter(electrical) {
        let reach = fault.reach(board);
        let touched = |g: &usize| reach.touches(board, &groups[*g]);
        let (mine, mut rest): (Vec<_>, Vec<_>) =
            joined.into_iter().partition(|(members, _)| members.iter().any(&touched));
        let mut one = (Vec::new(), Vec::new());
        for (members, faults) in mine {
            one.0.extend(members);
            one.1.extend(faults);
        }
        one.0.sort_unstable();
        one.1.push(fault);
        rest.push(one);
        joined = rest;
    }
    let members = |list: &[usize]| list.iter().map(|&g| &groups[g]).collect::<Vec<_>>();
    joined.into_iter().map(|(list, f)| (Cluster::of(board, &members(&list)), f)).collect()
}

/// The key of a table: its cluster and defects, in any order.
pub fn key(cluster: &Cluster, faults: &[Fault]) -> u64 {
    let mut texts: Vec<String> = faults.iter().map(|f| format!("{f:?}")).collect();
    texts.sort();
    fnv(format!("{:?} {:?}", cluster.nets, texts).bytes())
}

/// FNV-1a, 64 bits (Fowler, Noll, Vo; offset and prime from memory).
pub fn fnv(bytes: impl Iterator<Item = u8>) -> u64 {
    bytes.fold(0xCBF2_9CE4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01B3))
}

/// Ranges that two bytes are spread over: slopes of the share of the supply and of the logarithm of
/// the source by the logarithm of a resistor; of both by an ohm of contact or switch.
pub const SLOPES: [f64; 4] = [0.5, 2.0, 0.05, 4.0];
const LEAST: f64 = 1e-4;
const DECADES: f64 = 13.0;

pub fn pack_slope(value: f64, range: f64) -> [u8; 2] {
    let scaled = (value / range).clamp(-1.0, 1.0) * f64::from(i16::MAX);
    (scaled.round() as i16).to_le_bytes()
}

pub fn pack_ratio(ratio: f64) -> [u8; 2] {
    ((ratio.clamp(0.0, 1.0) * f64::from(u16::MAX)).round() as u16).to_le_bytes()
}

/// A source resistance by its logarithm; 0 is a net that nothing drives.
pub fn pack_source(source: Option<f64>) -> [u8; 2] {
    let Some(ohms) = source else { return [0, 0] };
    let share = (ohms.max(LEAST) / LEAST).log10() / DECADES;
    (1 + (share.min(1.0) * 65534.0).round() as u16).to_le_bytes()
}

/// One net against ground.
#[derive(Clone, Debug)]
pub struct Entry {
    /// Share of the supply.
    pub ratio: f64,
    /// Ohms; none where nothing drives it.
    pub source: Option<f64>,
    /// By resistor of the cluster: slopes of the share and of the source's logarithm.
    pub by_resistor: Vec<[f64; 2]>,
    /// By an ohm of contact: slopes of the share and of the source.
    pub by_contact: [f64; 2],
    /// The same by switch of the cluster.
    pub by_switch: Vec<[f64; 2]>,
}

/// One state of a cluster.
#[derive(Clone, Debug)]
pub struct State {
    /// Whether it shorts the supply.
    pub short: bool,
    /// By lamp of the cluster: whether it glows.
    pub lit: Vec<bool>,
    /// By channel of the cluster.
    pub channels: Vec<Entry>,
}

/// Every table by its key.
pub struct Tables {
    bytes: HashMap<u64, &'static [u8]>,
}

impl Tables {
    /// The tables that are kept, if they are those of this board.
    pub fn kept(board: &Board) -> Result<Tables, String> {
        Tables::of(board, KEPT, "cargo run --release --example simulate -- --solve")
    }

    /// The tables of a file; `again` is the command that makes it.
    pub fn of(board: &Board, file: &'static [u8], again: &str) -> Result<Tables, String> {
        let again = format!("solve anew: {again}");
        let rest = file.strip_prefix(MAGIC).ok_or(format!("no file of tables; {again}"))?;
        let (of, mut rest) = rest.split_at_checked(8).ok_or(format!("cut short; {again}"))?;
        if of != fingerprint(board).to_le_bytes() {
            return Err(format!(
                "the tables are those of another circuit than the board's; {again}"
            ));
        }
        let mut bytes = HashMap::new();
        while let Some((head, tail)) = rest.split_at_checked(12) {
            let key = u64::from_le_bytes(head[..8].try_into().expect("eight bytes"));
            let length = u32::from_le_bytes(head[8..].try_into().expect("four bytes")) as usize;
            let (table, next) = tail.split_at_checked(length).ok_or("a table is cut short")?;
            bytes.insert(key, table);
            rest = next;
        }
        Ok(Tables { bytes })
    }

    /// Takes the tables of another file as well.
    pub fn join(&mut self, other: Tables) {
        self.bytes.extend(other.bytes);
    }

    /// Whether a combination of defects has been solved.
    pub fn has(&self, board: &Board, faults: &[Fault]) -> bool {
        clusters(board, faults).iter().all(|(c, f)| self.bytes.contains_key(&key(c, f)))
    }

    /// The states of a cluster with these defects.
    pub fn states(&self, board: &Board, cluster: &Cluster, faults: &[Fault]) -> Option<Vec<State>> {
        let table = self.bytes.get(&key(cluster, faults))?;
        let size = cluster.state_bytes();
        (table.len() == size * cluster.states(board))
            .then(|| table.chunks_exact(size).map(|s| unpack(cluster, s)).collect())
    }
}

/// Everything of a board that a table depends on.
pub fn fingerprint(board: &Board) -> u64 {
    // What is solved, and no more: how a part may drift later changes no table.
    let resistors: Vec<_> =
        board.resistors.iter().map(|r| (&r.id, r.between, r.ohms, r.tolerance)).collect();
    let jumpers: Vec<_> = board.jumpers.iter().map(|j| (&j.id, &j.positions)).collect();
    let switches: Vec<_> =
        board.switches.iter().map(|s| (&s.id, s.between, s.on, s.drop)).collect();
    let text =
        format!("{:?} {:?} {resistors:?} {jumpers:?} {switches:?}", board.nets, board.supply.volts);
    fnv(text.bytes())
}

fn unpack(cluster: &Cluster, bytes: &[u8]) -> State {
    let lit = (0..cluster.lamps.len()).map(|i| bytes[1] >> i & 1 == 1).collect();
    let channels = bytes[2..].chunks_exact(cluster.node_bytes().max(1));
    State { short: bytes[0] == 1, lit, channels: channels.map(|c| entry(cluster, c)).collect() }
}

fn entry(cluster: &Cluster, bytes: &[u8]) -> Entry {
    let word = |i: usize| u16::from_le_bytes([bytes[2 * i], bytes[2 * i + 1]]);
    let slope = |i: usize, range: f64| f64::from(word(i) as i16) / f64::from(i16::MAX) * range;
    let pair =
        |i: usize, ranges: usize| [slope(i, SLOPES[ranges]), slope(i + 1, SLOPES[ranges + 1])];
    let n = cluster.resistors.len();
    let source = match word(1) {
        0 => None,
        w => Some(LEAST * 10_f64.powf(f64::from(w - 1) / 65534.0 * DECADES)),
    };
    Entry {
        ratio: f64::from(word(0)) / f64::from(u16::MAX),
        source,
        by_resistor: (0..n).map(|r| pair(2 + 2 * r, 0)).collect(),
        by_contact: pair(2 + 2 * n, 2),
        by_switch: (0..cluster.switches.len()).map(|s| pair(4 + 2 * n + 2 * s, 2)).collect(),
    }
}

/// How a unit with these defects is built, its other parts nominal.
pub fn built(board: &Board, faults: &[Fault]) -> Built {
    let mut built = Built::good(board, circuit::Parts::nominal(board));
    for &fault in faults {
        built.plant(board, fault);
    }
    built
}

/// Soft defects on a grid that is far finer than what any of them is seen from: by part and kind, in
/// order of size.
pub fn soft(board: &Board) -> Vec<Vec<Fault>> {
    let mut series = Vec::new();
    let steps = |from: f64, by: f64, count: i32| {
        (0..count).map(move |k| from * by.powi(k)).collect::<Vec<f64>>()
    };
    for resistor in 0..board.resistors.len() {
        for sign in [-1.0, 1.0] {
            let ratio = |x: f64| (sign * x).exp();
            let off = |x| Fault::ResistorOff { resistor, ratio: ratio(x) };
            series.push(steps(0.004, 1.3, 22).into_iter().map(off).collect());
        }
    }
    for (jumper, j) in board.jumpers.iter().enumerate() {
        for position in 0..j.positions.len() {
            let poor = |x| Fault::ContactResistive { jumper, position, ohms: Ohms(x) };
            series.push(steps(20.0, 1.5, 20).into_iter().map(poor).collect());
        }
    }
    for channel in 0..board.channels.len() {
        for to in [Level::Low, Level::High] {
            // From the weakest leak to the strongest.
            let leak = |x: f64| Fault::PinLeaks { channel, to, ohms: Ohms(1e7 / x) };
            series.push(steps(1.0, 1.6, 24).into_iter().map(leak).collect());
        }
    }
    series
}
