//! The measurement that would settle most, in words.

use super::diagnosis::{SHOWN, own_places, paragraph, places, rounded, sentence};
use super::diagnosis_look;
use crate::board::{Board, Kind, NetId, Place, Setting};
use crate::circuit;
use crate::diagnose::{Cause, Diagnosis, Evidence, Measurement, OPEN_FROM, Suggestion, ohms_ends};
use crate::units::Ohms;

/// Said of a unit that reads as a good one does.
pub(super) const NOTHING: &str = "By these readings nothing has to be lifted or measured.";

/// What to measure next, and what it should show; of a unit of which nothing speaks for a defect,
/// what would tell most all the same.
pub(super) fn text(
    board: &Board,
    evidence: &Evidence,
    diagnosis: &Diagnosis,
    next: &[Suggestion],
    good: bool,
) -> String {
    let Some(best) = next.first() else {
        if let Some(mended) = mended(board, evidence) {
            return format!("\n{}", paragraph(&mended, 0));
        }
        if good {
            return format!("\n{NOTHING}\n");
        }
        let first = diagnosis.classes.first();
        return match first {
            Some(class) if class.causes.len() > 1 && class.causes[0].probability < 0.95 => {
                "\nNothing more can be measured that tells these apart: look at the joints.\n"
                    .to_string()
            }
            _ => String::new(),
        };
    };
    let next = match &best.measurement {
        _ if good => format!("{NOTHING} What would tell most of the rest, if wanted"),
        Measurement::Look(_) => "Next".to_string(),
        _ => "Measure next".to_string(),
    };
    let what = measurement(board, &best.measurement);
    let mut out = format!("\n{}", paragraph(&format!("{next}: {what}"), 0));
    out += &expectations(board, diagnosis, best);
    let first = best.supply_first.as_ref().and_then(|first| flag(board, first));
    if let Some(first) = &first {
        let supply = board.net_name(board.supply.net);
        let what = format!(
            "these are for {} exactly: measure {supply} as well, --meter '{first}=VALUE'",
            board.supply.volts
        );
        out += &paragraph(&what, 3);
    }
    let add = add_own(board, &best.measurement);
    match add {
        Some(add) => out += &paragraph(&format!("then add {add} to this command"), 3),
        None => out += &paragraph("with the unit on the bench, --port PORT leads there", 3),
    }
    out
}

/// What is left to do of a unit that a trial mended.
pub(super) fn mended(board: &Board, evidence: &Evidence) -> Option<String> {
    let done = diagnosis_look::trial(board, evidence.mended()?)?;
    Some(format!("The unit was mended by this: {done}. It has to be tested anew, whole (`bench`)."))
}

/// What to add to the command line for what a measurement shows, and for the supply where that is
/// measured first; none for what only the probe reads.
pub(super) fn add(board: &Board, next: &Suggestion) -> Option<String> {
    let first = next.supply_first.as_ref().and_then(|first| add_own(board, first));
    let own = add_own(board, &next.measurement)?;
    Some(first.into_iter().chain([own]).collect::<Vec<String>>().join(" "))
}

fn add_own(board: &Board, measurement: &Measurement) -> Option<String> {
    match measurement {
        Measurement::Look(look) => {
            Some(format!("--look '{}=yes' or '=no'", diagnosis_look::flag(board, *look)))
        }
        by_meter => flag(board, by_meter).map(|flag| format!("--meter '{flag}=VALUE'")),
    }
}

/// What a measurement should show under each leading cause.
pub(super) fn expectations(board: &Board, diagnosis: &Diagnosis, next: &Suggestion) -> String {
    let cause = |&(class, at, ..): &(usize, usize, f64, f64)| &diagnosis.classes[class].causes[at];
    // A class is named by the good unit in it.
    let mut expected: Vec<_> = next.expected.iter().collect();
    if let Some(good) = expected.iter().position(|e| cause(e).faults.is_empty())
        && let Some(first) = expected.iter().position(|e| e.0 == expected[good].0)
    {
        expected[first..=good].rotate_right(1);
    }
    // Causes under which it shows the same stand together, likeliest first.
    let mut outcomes: Vec<(String, Vec<String>)> = Vec::new();
    for of in expected {
        let (sentence, shown) = (sentence(board, cause(of)), shown(board, cause(of), next, of));
        match outcomes.iter_mut().find(|(known, _)| *known == shown) {
            Some((_, causes)) => causes.push(sentence),
            None => outcomes.push((shown, vec![sentence])),
        }
    }
    let line = |(shown, causes): &(String, Vec<String>)| {
        let more = match causes.len().saturating_sub(TOGETHER) {
            0 => String::new(),
            more => format!("; or with {more} more"),
        };
        let named: Vec<&str> = causes.iter().take(TOGETHER).map(String::as_str).collect();
        paragraph(&format!("{shown} if {}{more}", named.join("; if ")), 3)
    };
    outcomes.iter().take(SHOWN).map(line).collect()
}

/// What a measurement should show under one cause.
pub(super) fn shown(
    board: &Board,
    cause: &Cause,
    next: &Suggestion,
    &(_, _, value, sd): &(usize, usize, f64, f64),
) -> String {
    let one = |value| quantity(board, &next.measurement, value, sd);
    // What lies between the rails of the unit decides, which nobody knows.
    match ohms_ends(board, &cause.faults, &next.measurement).map(|(a, b)| (one(a), one(b))) {
        Some((low, high)) if low == high => low,
        Some((low, high)) => format!("{low} to {high}"),
        None => one(value),
    }
}

/// Causes named of those under which a measurement shows the same.
const TOGETHER: usize = 2;

/// What to do for a measurement.
pub fn measurement(board: &Board, measurement: &Measurement) -> String {
    let net = |n| board.net_name(n);
    match measurement {
        Measurement::Volts { net: n, setting } => {
            let places = own_places(board, *n, setting);
            let places = if places.is_empty() { places } else { format!(", {places}") };
            let ground = net(board.supply.ground);
            let open = open_switches(board, *n);
            format!("volts of {} against {ground}, power on{places}{open}", net(*n))
        }
        Measurement::Ohms { between: [a, b], setting, joined } => {
            let bare = *setting == Setting::all_open(board);
            let shunts = match bare {
                true => "every shunt off".to_string(),
                false => format!("every shunt off but {}", seated(board, setting)),
            };
            let rails =
                format!(", {} joined to {}", net(board.supply.net), net(board.supply.ground));
            let rails = if *joined { rails } else { String::new() };
            format!("ohms from {} to {}, power off, {shunts}{rails}", net(*a), net(*b))
        }
        Measurement::Reading { channel, setting } => format!(
            "the code of {} with {}",
            board.channels[*channel].id,
            places(board, *channel, setting)
        ),
        Measurement::Look(look) => diagnosis_look::question(board, *look),
    }
}

/// The switches that bear on a net: what the chip does with them is part of what is measured.
fn open_switches(board: &Board, net: NetId) -> String {
    let group = circuit::group_of(board, net);
    let nets = group.map_or(Vec::new(), |g| g.nets);
    let near = board.switches.iter().filter(|s| s.between.iter().any(|n| nets.contains(n)));
    near.map(|s| format!(", {} open", s.id)).collect()
}

/// The shunts that are seated in a setting.
fn seated(board: &Board, setting: &Setting) -> String {
    let seated = board.jumpers.iter().zip(&setting.0).filter(|(_, place)| **place != Place::Open);
    let each = seated.map(|(jumper, &place)| format!("{}={}", jumper.id, jumper.place_name(place)));
    each.collect::<Vec<String>>().join(" ")
}

/// How the command line names a measurement with a meter; none for any other.
pub fn flag(board: &Board, measurement: &Measurement) -> Option<String> {
    let at = |setting: &Setting, usual: &Setting| {
        let moved = (0..board.jumpers.len()).filter(|&j| setting.0[j] != usual.0[j]);
        let place = |j: usize| {
            let jumper = &board.jumpers[j];
            format!("{}={}", jumper.id, jumper.place_name(setting.0[j]))
        };
        let moved: Vec<String> = moved.map(place).collect();
        if moved.is_empty() { String::new() } else { format!("@{}", moved.join(",")) }
    };
    let name = |n| board.net_name(n);
    match measurement {
        Measurement::Volts { net, setting } => {
            Some(format!("{}{}", name(*net), at(setting, &board.delivery)))
        }
        Measurement::Ohms { between: [a, b], setting, joined } => {
            let joined = if *joined { "+joined" } else { "" };
            let at = at(setting, &Setting::all_open(board));
            Some(format!("{}:{}{joined}{at}", name(*a), name(*b)))
        }
        Measurement::Reading { .. } | Measurement::Look(_) => None,
    }
}

fn quantity(board: &Board, measurement: &Measurement, value: f64, sd: f64) -> String {
    match measurement {
        Measurement::Volts { .. } => format!("{value:.2} V"),
        Measurement::Ohms { .. } if value >= OPEN_FROM => "open".to_string(),
        // A hand-held meter and its leads show no less.
        Measurement::Ohms { .. } if value < 1.0 => "under 1 Ω".to_string(),
        Measurement::Ohms { .. } => Ohms(rounded(value)).to_string(),
        Measurement::Reading { .. } if value < 0.0 => "open".to_string(),
        Measurement::Reading { channel, .. } if board.channels[*channel].kind == Kind::Digital => {
            // As if low were the lowest code and high the highest.
            let levels = [(0.0, "low"), (f64::from(board.chip.full_scale), "high")];
            let level = levels.iter().find(|(code, _)| value == *code);
            level.map_or("between low and high", |(_, word)| *word).to_string()
        }
        Measurement::Look(_) if value > 0.3 => format!("yes ({})", times(value)),
        Measurement::Look(_) => format!("no ({})", times(1.0 - value)),
        Measurement::Reading { .. } => format!("{value:.0} (give or take {:.0})", 2.0 * sd),
    }
}

/// How often an answer is given, for people.
fn times(share: f64) -> String {
    match 100.0 * share {
        of if of >= 99.5 => "nearly always".to_string(),
        of => format!("{of:.0} of 100 times"),
    }
}
