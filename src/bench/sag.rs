//! The supply under load, through the internal reference.
//!
//! The converter reads the reference against the supply, so the code rises as the supply falls. As
//! a change it is sharp: sag = 1 - idle code / loaded code, whatever the reference's true voltage.
//! As volts it carries the reference's tolerance (±9 % on the ATmega328P) until a meter reading
//! calibrates the unit.

use super::supply::Metered;
use super::{Burst, SagByMeter, SupplyCheck, Verdict};
use crate::board::Board;
use crate::board::chip::Chip;
use crate::units::Volts;
use crate::window::adc;

/// What the bursts say in volts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sag {
    /// Supply without load, by the reference as a meter has told it, else by the nominal one.
    pub idle: Volts,
    /// Supply on load, likewise.
    pub loaded: Volts,
    /// Sag as a share of the supply.
    pub ratio: f64,
    /// Sag in volts: of the supply without load where a meter has told the reference, else of the
    /// nominal supply.
    pub sag: Volts,
    /// Lowest on load: the 99 % quantile of the code, since the code rises as the supply falls,
    /// against the same quantile without load, taken off the idle voltage.
    pub lowest: Volts,
    /// What of that is sure, in volts as the sag: a quantile is a whole code, so that of
    /// two the difference may be one code less. At least the sag.
    pub dip: Volts,
    /// The same of the conversions right behind the switching, against those before it; none where
    /// it was not read so.
    pub at_switching: Option<Volts>,
}

/// The supply that a mean code of the reference stands for: Vref * scale / code (A8 of the
/// ATmega328P figures: code 225 is 5.006 V). `None` for a chip without an internal reference.
pub fn supply_volts(chip: &Chip, code: f64) -> Option<Volts> {
    adc::supply_of(code, chip.internal.first()?.typical, chip)
}

/// The share of the supply that is missing at a code of the internal reference, against another.
pub fn share(before: f64, code: f64) -> f64 {
    if code > 0.0 { 1.0 - before / code } else { 0.0 }
}

/// The sag that two bursts show; none while one is missing or impossible.
pub fn figures(board: &Board, check: &SupplyCheck) -> Option<Sag> {
    if let Some(SagByMeter { idle, loaded: Metered { volts: loaded, .. } }) = check.by_meter {
        let sag = Volts(idle.0 - loaded.0);
        let ratio = sag.0 / idle.0;
        // A meter shows no dips.
        let (lowest, dip, at_switching) = (loaded, sag, None);
        return Some(Sag { idle, loaded, ratio, sag, lowest, dip, at_switching });
    }
    let (idle, loaded) = (check.idle?, check.loaded?);
    if idle.mean <= 0.0 || loaded.mean <= 0.0 {
        return None;
    }
    let ratio = 1.0 - idle.mean / loaded.mean;
    let (dip, sure) = dip(&idle, &loaded)?;
    let volts = |code: f64| match check.reference {
        Some(reference) => adc::supply_of(code, reference, &board.chip),
        None => supply_volts(&board.chip, code),
    };
    let idle_volts = volts(idle.mean)?;
    let full = check.reference.map_or(board.supply.volts, |_| idle_volts);
    Some(Sag {
        idle: idle_volts,
        loaded: volts(loaded.mean)?,
        ratio,
        sag: Volts(ratio * full.0),
        lowest: Volts(idle_volts.0 * (1.0 - dip.max(ratio))),
        dip: Volts(sure.max(ratio) * full.0),
        at_switching: check.step.and_then(|step| {
            let (_, sure) = self::dip(&step.before, &step.after)?;
            Some(Volts(sure * full.0))
        }),
    })
}

/// How far the supply dips in one of two equal bursts of the reference against the other, low
/// quantile against low quantile, as a share of it: as they stand, and what of that is sure.
fn dip(before: &Burst, after: &Burst) -> Option<(f64, f64)> {
    let (before, after) = (f64::from(before.q99), f64::from(after.q99));
    let share = |after: f64| 1.0 - before / after;
    (before > 0.0 && after > 0.0).then(|| (share(after), share((after - 1.0).max(before))))
}

/// The sags that good dummy loads cause together. The largest ones add up at most; resistors draw
/// less at the lower supply, so of the smallest ones the currents add up: with `g = s / (1 - s)` a
/// divider of the supply's resistance and the load sags by `s = g / (1 + g)`.
pub fn limits(board: &Board, loads: &[usize]) -> (Volts, Volts) {
    let sags = || loads.iter().map(|&load| board.loads[load].sag);
    let full = board.supply.volts.0;
    if let [load] = loads {
        return board.loads[*load].sag;
    }
    let share = |volts: Volts| volts.0 / full;
    let g: f64 = sags().map(|(least, _)| share(least) / (1.0 - share(least)).max(1e-9)).sum();
    (Volts(full * g / (1.0 + g)), Volts(sags().map(|(_, most)| most.0).sum()))
}

/// The deepest dip that good dummy loads cause as they go on together: what each may dip by alone,
/// its largest sag where the board file says no more.
fn deepest(board: &Board, loads: &[usize]) -> Volts {
    let dip = |&load: &usize| {
        let load = &board.loads[load];
        load.dip.unwrap_or(load.sag.1).0
    };
    Volts(loads.iter().map(dip).sum())
}

/// Judges loads by the sag that their dummies must cause, and by how far the supply dips.
pub fn judge(board: &Board, mut check: SupplyCheck) -> SupplyCheck {
    let Some(sag) = figures(board, &check) else {
        check.verdict = Verdict::NotTested;
        if check.reason.is_empty() {
            check.reason = "no reading of the supply".into();
        }
        return check;
    };
    let (least, most) = limits(board, &check.loads);
    let deepest = deepest(board, &check.loads);
    let alone = check.loads.len() == 1;
    (check.verdict, check.reason) = if sag.sag.0 < least.0 {
        let what = if alone { "it draws nothing" } else { "together they draw less than alone" };
        (Verdict::Fail, format!("sag {} is under {least}: {what}", sag.sag))
    } else if sag.sag.0 > most.0 {
        (Verdict::Fail, format!("sag {} is over {most}", sag.sag))
    } else if sag.dip.0 > most.0 {
        let what = "the supply dips now and then";
        (Verdict::Fail, format!("a dip of {} is over {most}: {what}", sag.dip))
    } else if let Some(dip) = sag.at_switching.filter(|dip| dip.0 > deepest.0) {
        let they = if alone { "it goes" } else { "they go" };
        let what = "a dummy that draws more at first has its `dip` in the board file";
        (Verdict::Fail, format!("a dip of {dip} as {they} on is over {deepest}: {what}"))
    } else {
        (Verdict::Pass, String::new())
    };
    check
}

/// Whether the loads drew more than good ones.
pub fn too_much(board: &Board, check: &SupplyCheck) -> bool {
    let (_, most) = limits(board, &check.loads);
    figures(board, check).is_some_and(|sag| sag.dip.0 > most.0)
}
