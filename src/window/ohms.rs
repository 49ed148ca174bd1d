//! What a meter shows between two nets of a board without power.
//!
//! The resistance between two nets rises with every resistance of the network and falls with none
//! (Rayleigh's monotonicity law; Doyle and Snell, Random Walks and Electric Networks, chapter 4),
//! so its extremes are those of the board with all parts at one end. Sources are unplugged. Between
//! the rails there may be anything besides the parts of the board file: the chip and its supply.

use super::classes::Draft;
use super::{Band, Class, Expected, Limits, bench_spread, design_spread};
use crate::board::{Board, Kind, Meter, NetId, Resistor, Setting};
use crate::circuit::{Circuit, Group, Node, Parts, Spread, groups};
use crate::units::{Ohms, Ratio, Volts};
use crate::window::WindowProblem;

/// How many times the highest resistance of the other positions an open circuit has at least, as
/// the windows of a meter take it.
const DECADE: f64 = 10.0;
/// The same where there is no other position, in ohms: more than damp hands between the tips.
const OPEN_ALONE: f64 = 10e6;

/// The meter from supply to ground: 1 % and three and a half digits (assumed; a short lies far off).
const RAILS: Meter = Meter { accuracy: Ratio(0.01), digits: 1, counts: 2000 };

/// What a hand-held meter shows at least, in ohms: a tenth (common practice, no source).
const SHOWN: f64 = 0.1;

/// A board with one tip of a meter for its ground, and its supply nowhere: the source resistance
/// of the other tip is what the meter shows, found without subtracting anything.
pub(super) struct Tips {
    pub board: Board,
    pub tip: NetId,
    /// What joins the rails besides the parts of the file, unless the tips are at the rails.
    rails: Option<[NetId; 2]>,
}

impl Tips {
    pub fn new(board: &Board, tips: [NetId; 2]) -> Tips {
        let rails = [board.supply.net, board.supply.ground];
        let between = !rails.iter().all(|rail| tips.contains(rail));
        let mut seen = board.clone();
        seen.sources.clear();
        seen.supply.net = NetId(seen.nets.len());
        seen.nets.push(String::new());
        seen.supply.ground = tips[1];
        Tips { board: seen, tip: tips[0], rails: between.then_some(rails) }
    }

    /// Ohms between the tips; infinite where nothing joins them.
    fn ohms(&self, setting: &Setting, resistors: Vec<Ohms>, contact: Ohms, rails: Ohms) -> f64 {
        self.ohms_of(self.parts(resistors, contact), setting, rails)
    }

    fn parts(&self, resistors: Vec<Ohms>, contact: Ohms) -> Parts {
        let mut parts = Parts::nominal(&self.board);
        parts.resistors = resistors;
        parts.contacts.iter_mut().flatten().for_each(|c| *c = contact);
        parts
    }

    fn ohms_of(&self, mut parts: Parts, setting: &Setting, rails: Ohms) -> f64 {
        parts.bridges.extend(self.rails.map(|between| (between, rails)));
        match Circuit::solve(&self.board, &parts, setting, &[]).node(self.tip) {
            Node::Driven { source, .. } => source.0,
            Node::Floating => f64::INFINITY,
        }
    }

    fn band(&self, setting: &Setting, spread: &Spread, meter: &Meter) -> Band {
        self.band_with(setting, spread, meter, &|parts| parts)
    }

    /// The band of units whose parts are changed like this.
    fn band_with(
        &self,
        setting: &Setting,
        spread: &Spread,
        meter: &Meter,
        change: &dyn Fn(Parts) -> Parts,
    ) -> Band {
        // With all at one end at once, what they have in common included.
        let all: Vec<(Ohms, Ohms)> = (0..spread.resistors.len()).map(|i| spread.ends(i)).collect();
        let ends = |pick: fn(&(Ohms, Ohms)) -> Ohms| all.iter().map(pick).collect();
        let low = change(self.parts(ends(|r| r.0), spread.contact.0));
        let high = change(self.parts(ends(|r| r.1), spread.contact.1));
        let low = self.ohms_of(low, setting, Ohms(0.0));
        let high = self.ohms_of(high, setting, Ohms(f64::INFINITY));
        let off = |ohms: f64| meter.error(Ohms(ohms)).0;
        // A meter that shows 0 shows no less than it can.
        let low = Some(low - off(low)).filter(|low| *low >= SHOWN).unwrap_or(0.0);
        Band { low, high: high + off(high) }
    }

    /// Ohms of a nominal board where something joins the tips; `None` where nothing does, and where
    /// they depend on what joins the rails besides the parts of the file, which nobody knows.
    pub fn settled(&self, setting: &Setting) -> Option<f64> {
        let with = |rails: f64| self.ohms_of(Parts::nominal(&self.board), setting, Ohms(rails));
        let (low, high) = (with(0.0), with(f64::INFINITY));
        (high.is_finite() && high - low <= 1e-9 * high).then_some(high)
    }

    fn nominal(&self, setting: &Setting) -> f64 {
        let resistors = self.board.resistors.iter().map(|r| r.ohms).collect();
        self.ohms(setting, resistors, crate::circuit::SEATED, Ohms(f64::INFINITY))
    }
}

/// Ohms that a meter shows between two nets of a unit with these parts, without power: with the
/// supply net joined to ground by a lead, and with nothing between them besides the parts of the
/// board. Infinite where nothing joins the nets.
pub fn ohms_between(
    board: &Board,
    parts: &Parts,
    setting: &Setting,
    tips: [NetId; 2],
) -> (f64, f64) {
    let seen = Tips::new(board, tips);
    let with = |rails: f64| seen.ohms_of(parts.clone(), setting, Ohms(rails));
    (with(0.0), with(f64::INFINITY))
}

/// What a meter may show from supply to ground of a good unit without power, its error included;
/// `None` where the board file does not ask for it.
///
/// At most what the parts of the file give; beside them there may be the chip and more, down to what
/// the file says (`beside`). The meter is the one assumed for channels that say nothing of theirs.
pub fn rails_band(board: &Board, setting: &Setting) -> Option<Band> {
    let beside = board.supply.before_power?;
    let tips = Tips::new(board, [board.supply.net, board.supply.ground]);
    let perfect = Meter { accuracy: Ratio(0.0), digits: 0, counts: RAILS.counts };
    let parts = tips.band(setting, &bench_spread(board, false), &perfect);
    let low = 1.0 / (1.0 / parts.low.max(1e-9) + 1.0 / beside.0);
    let off = |ohms: f64| RAILS.error(Ohms(ohms)).0;
    Some(Band { low: (low - off(low)).max(0.0), high: parts.high + off(parts.high) })
}

/// The jumpers and nets that a resistance between two nets depends on: those of every group that
/// touches both tips.
pub(super) fn group(board: &Board, tips: [NetId; 2]) -> Group {
    let seen = Tips::new(board, tips);
    let mut board = seen.board;
    // Groups end at both tips.
    board.supply.net = seen.tip;
    if let (Some(between), Some(any)) = (seen.rails, board.resistors.first().cloned()) {
        board.resistors.push(Resistor { between, ..any });
    }
    let touches = |group: &Group, tip: NetId| {
        let joins = |[a, b]: [NetId; 2]| {
            (a == tip && group.nets.contains(&b)) || (b == tip && group.nets.contains(&a))
        };
        let positions = group.jumpers.iter().flat_map(|&j| &board.jumpers[j].positions);
        board.resistors.iter().any(|r| joins(r.between))
            || positions.flat_map(|p| p.joins.iter().flatten()).any(|&net| net == tip)
    };
    let mut found = Group { jumpers: Vec::new(), nets: Vec::new() };
    for group in groups(&board).into_iter().filter(|g| tips.iter().all(|&tip| touches(g, tip))) {
        found.jumpers.extend(group.jumpers);
        found.nets.extend(group.nets);
    }
    found.jumpers.sort_unstable();
    found.nets.sort_unstable();
    found
}

/// What a meter shows between two nets; every code of it is in ohms.
pub(super) fn expected(
    board: &Board,
    setting: &Setting,
    tips: [NetId; 2],
    meter: &Meter,
) -> Expected {
    let tips = Tips::new(board, tips);
    let ohms = tips.nominal(setting);
    let node = match ohms.is_finite() {
        true => Node::Driven { volts: Volts(0.0), source: Ohms(ohms) },
        false => Node::Floating,
    };
    Expected {
        node,
        code: ohms,
        level: None,
        design: tips.band(setting, &design_spread(board, false), meter),
        bench: tips.band(setting, &bench_spread(board, false), meter),
        pulled: None,
    }
}

/// What a perfect meter shows of one unit at a channel that is read by meter; infinite where
/// nothing joins the tips, and at every other channel.
pub fn measured(board: &Board, parts: &Parts, setting: &Setting, channel: usize) -> Ohms {
    let channel = &board.channels[channel];
    let Kind::Meter { against, .. } = channel.kind else { return Ohms(f64::INFINITY) };
    Ohms(ohms_between(board, parts, setting, [channel.net, against]).1)
}

/// What a meter may show on the bench of units whose parts are changed like this, its error
/// included; everything at a channel that is not read by meter.
pub fn measured_band(
    board: &Board,
    setting: &Setting,
    channel: usize,
    change: &dyn Fn(Parts) -> Parts,
) -> Band {
    let channel = &board.channels[channel];
    let Kind::Meter { against, meter } = channel.kind else {
        return Band { low: 0.0, high: f64::INFINITY };
    };
    let tips = Tips::new(board, [channel.net, against]);
    tips.band_with(setting, &bench_spread(board, false), &meter, change)
}

/// Gives every class its limits in ohms, as codes get theirs: a share of the distance between two
/// neighbouring bands is no option. Below the lowest band is 0 Ω, above the highest an open
/// circuit.
pub(super) fn classes(board: &Board, drafts: &[Draft]) -> Vec<Class> {
    let kept = (1.0 - board.firmware.gap.0.clamp(0.0, 1.0)) / 2.0;
    let open_from = open_from(drafts);
    let class = |draft: &Draft| {
        let band = draft.design;
        let open = band.low.is_infinite();
        let low_end = if open { open_from } else { band.low };
        let others = || drafts.iter().map(|d| d.design);
        let below = others().filter(|d| d.high < band.low).map(|d| d.high).fold(0.0, f64::max);
        let above = others().filter(|d| d.low > band.high).map(|d| d.low);
        let above = above.fold(open_from, f64::min);
        let low = low_end - (low_end - below) * kept;
        let high = if band.high.is_finite() {
            band.high + (above - band.high).max(0.0) * kept
        } else {
            f64::INFINITY
        };
        let nominal = if open { low_end } else { draft.code };
        let side = |limit: f64, edge: f64| ((limit - edge).abs(), (limit - nominal).abs());
        let sides = [
            (low > 0.0).then(|| side(low, low_end)),
            high.is_finite().then(|| side(high, band.high)),
        ];
        let tightest = sides.into_iter().flatten().min_by(|a, b| a.0.total_cmp(&b.0));
        let (margin, whole) = tightest.unwrap_or((f64::INFINITY, f64::INFINITY));
        let percent = if whole > 0.0 && whole.is_finite() { 100.0 * margin / whole } else { 100.0 };
        Class {
            places: draft.places.clone(),
            also: draft.also.clone(),
            rows: draft.rows.clone(),
            name: draft.name(board),
            means: draft.means(board),
            volts: None,
            code: draft.code,
            design: draft.design,
            bench: draft.bench,
            limits: Limits::Ohms { low: Ohms(low), high: Ohms(high) },
            margin_code: margin,
            margin_pct: percent.min(100.0),
            by: "design band",
        }
    };
    drafts.iter().map(class).collect()
}

/// Lowest resistance that the windows take as an open circuit.
fn open_from(drafts: &[Draft]) -> f64 {
    let highest =
        drafts.iter().map(|d| d.design.high).filter(|h| h.is_finite()).fold(0.0, f64::max);
    if highest > 0.0 { DECADE * highest } else { OPEN_ALONE }
}

/// Two positions whose resistances overlap, with the parts that matter most.
pub(super) fn overlap(
    board: &Board,
    channel: usize,
    against: NetId,
    below: &Draft,
    above: &Draft,
) -> WindowProblem {
    let channel = &board.channels[channel];
    let tips = Tips::new(board, [channel.net, against]);
    let spread = design_spread(board, false);
    let nominal: Vec<Ohms> = board.resistors.iter().map(|r| r.ohms).collect();
    let seated = crate::circuit::SEATED;
    let mut moved = vec![0.0; nominal.len()];
    for draft in [below, above] {
        let at_nominal = tips.nominal(&draft.setting);
        for (i, moved) in moved.iter_mut().enumerate() {
            let mut resistors = nominal.clone();
            resistors[i] = spread.ends(i).1;
            let ohms = tips.ohms(&draft.setting, resistors, seated, Ohms(f64::INFINITY));
            let by = ohms - at_nominal;
            *moved += if by.is_finite() { by } else { 0.0 };
        }
    }
    let least = 1e-6 * below.design.high;
    let mut order: Vec<usize> = (0..moved.len()).filter(|&i| moved[i] > least).collect();
    order.sort_by(|&a, &b| moved[b].total_cmp(&moved[a]));
    let band = |d: &Draft| (Ohms(d.design.low), Ohms(d.design.high));
    WindowProblem::OverlapOhms {
        channel: channel.id.clone(),
        below: (below.name(board), band(below)),
        above: (above.name(board), band(above)),
        parts: order.into_iter().take(2).map(|i| board.resistors[i].id.clone()).collect(),
    }
}
