//! The measurement that would settle most, in words.

use super::diagnosis::{SHOWN, own_places, paragraph, places, rounded, sentence};
use super::diagnosis_look;
use crate::board::{Board, Setting};
use crate::diagnose::{Diagnosis, Measurement, Suggestion};
use crate::units::Ohms;

/// What to measure next, and what it should show.
pub(super) fn text(board: &Board, diagnosis: &Diagnosis, next: &[Suggestion]) -> String {
    let Some(best) = next.first() else {
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
        Measurement::Look(_) => "Next",
        _ => "Measure next",
    };
    let what = measurement(board, &best.measurement);
    let mut out = format!("\n{}", paragraph(&format!("{next}: {what}"), 0));
    for (class, at, value, sd) in best.expected.iter().take(SHOWN) {
        let cause = &diagnosis.classes[*class].causes[*at];
        let line =
            format!("{} if {}", quantity(&best.measurement, *value, *sd), sentence(board, cause));
        out += &paragraph(&line, 3);
    }
    let first = best.supply_first.as_ref().and_then(|first| flag(board, first));
    if let Some(first) = &first {
        let supply = board.net_name(board.supply.net);
        let what = format!(
            "these are for {} exactly: measure {supply} as well, --meter '{first}=VALUE'",
            board.supply.volts
        );
        out += &paragraph(&what, 3);
    }
    let add = match &best.measurement {
        Measurement::Look(look) => {
            Some(format!("--look '{}=yes' or '=no'", diagnosis_look::flag(board, *look)))
        }
        by_meter => flag(board, by_meter).map(|flag| format!("--meter '{flag}=VALUE'")),
    };
    if let Some(add) = add {
        out += &paragraph(&format!("then add {add} to this command"), 3);
    }
    out
}

/// What to do for a measurement.
pub fn measurement(board: &Board, measurement: &Measurement) -> String {
    let net = |n| board.net_name(n);
    match measurement {
        Measurement::Volts { net: n, setting } => format!(
            "volts of {} against {}, power on, {}",
            net(*n),
            net(board.supply.ground),
            own_places(board, *n, setting)
        ),
        Measurement::Ohms { between: [a, b], setting, joined } => {
            let bare = *setting == Setting::all_open(board);
            let shunts = match bare {
                true => "every shunt off".to_string(),
                false => setting.text(board),
            };
            let rails =
                format!(", {} joined to {}", net(board.supply.net), net(board.supply.ground));
            let rails = if *joined { rails } else { String::new() };
            format!("ohms from {} to {}, power off, {shunts}{rails}", net(*a), net(*b))
        }
        Measurement::Reading { channel, setting } => format!(
            "the code of {} with {} (`read` shows it)",
            board.channels[*channel].id,
            places(board, *channel, setting)
        ),
        Measurement::Look(look) => diagnosis_look::question(board, *look),
    }
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

fn quantity(measurement: &Measurement, value: f64, sd: f64) -> String {
    match measurement {
        Measurement::Volts { .. } => format!("{value:.2} V"),
        Measurement::Ohms { .. } if value >= 20e6 => "open".to_string(),
        Measurement::Ohms { .. } => Ohms(rounded(value.max(0.01))).to_string(),
        Measurement::Reading { .. } if value < 0.0 => "open".to_string(),
        Measurement::Look(_) if value > 0.3 => format!("yes ({:.0} of 100 times)", 100.0 * value),
        Measurement::Look(_) => format!("no ({:.0} of 100 times)", 100.0 * (1.0 - value)),
        Measurement::Reading { .. } => format!("{value:.0} (give or take {:.0})", 2.0 * sd),
    }
}
