//! What a person measured or looked at, as it is typed.

use super::Failure;
use super::diagnose_talk::yes_or_no;
use crate::bench::meter;
use crate::board::{Board, NetId, Setting};
use crate::diagnose::{Evidence, Look, Measurement, Meter, far_off};
use crate::report::{diagnosis_look, diagnosis_meter, diagnosis_next};
use crate::units::{Allow, Ohms, Volts, read};

/// Extra-low voltage ends at 60 V of direct current (IEC 61140, from memory).
const MOST_VOLTS: f64 = 60.0;

/// Takes the options `--meter` and `--look` into the evidence.
///
/// # Errors
/// An option that cannot be read, and two that contradict each other.
pub fn take(
    board: &Board,
    evidence: &mut Evidence,
    meters: &[String],
    looks: &[String],
) -> Result<(), Failure> {
    let mut given: Vec<Meter> = Vec::new();
    for text in meters {
        let new = metered(board, text)
            .map_err(|why| Failure::input(format!("--meter '{text}': {why}")))?;
        if let Some(why) = no_supply(board, &new) {
            evidence.left_out.push(format!("--meter {text}: {why}"));
            continue;
        }
        match given.iter().find(|known| known.same(&new)) {
            Some(known) if known.contradicts(board, &new) => {
                let [known, new] = [known, &new].map(|m| shown(&m.measurement(), m.value()));
                return Err(Failure::input(format!(
                    "--meter '{text}': the same is given as {known} and as {new}; measure again, \
                     and give one of them"
                )));
            }
            // Measured twice, and the same.
            Some(_) | None => given.push(new),
        }
    }
    for meter in given {
        evidence.measured(board, meter);
    }
    for text in looks {
        let (look, yes) =
            looked(board, text).map_err(|why| Failure::input(format!("--look '{text}': {why}")))?;
        match evidence.looks.iter().find(|(known, _)| known.same(&look)) {
            Some((_, said)) if *said != yes => {
                let what = "is yes and no at once; look again, and give one of them";
                return Err(Failure::input(format!("--look '{text}': {what}")));
            }
            Some(_) => {}
            None => evidence.looks.push((look, yes)),
        }
    }
    Ok(())
}

/// Why volts of the supply net are none that the unit was read on: nothing is scaled by them.
pub fn no_supply(board: &Board, meter: &Meter) -> Option<String> {
    let supply = &board.supply;
    let Meter::Volts { net, volts, .. } = meter else { return None };
    (*net == supply.net && far_off(board, *volts)).then(|| {
        format!(
            "the board file has {} for {}, give or take {:.0} %; find out first why it is {volts}",
            supply.volts,
            board.net_name(supply.net),
            100.0 * supply.tolerance.0
        )
    })
}

/// A value as a meter shows it.
fn shown(measurement: &Measurement, value: f64) -> String {
    diagnosis_meter::exactly(matches!(measurement, Measurement::Ohms { .. }), value)
}

/// `WHAT:WHERE=yes` or `=no`.
///
/// # Errors
/// What is wrong with it, and how to write it.
pub fn looked(board: &Board, text: &str) -> Result<(Look, bool), String> {
    let wrong = |why: String| format!("{why}; write it like second-shunt:J1=no");
    let (what, said) = text.rsplit_once('=').ok_or_else(|| wrong("there is no =".into()))?;
    Ok((diagnosis_look::named(board, what).map_err(wrong)?, yes_or_no(said).map_err(wrong)?))
}

/// What a meter showed, in volts or ohms.
pub fn value(text: &str, ohms: bool) -> Result<f64, String> {
    match ohms {
        true if meter::over_range(text) => Ok(f64::INFINITY),
        true => read::<Ohms>(text, Allow::NonNegative).map(|o| o.0).map_err(|e| e.to_string()),
        false => match read::<Volts>(text, Allow::Any) {
            Ok(volts) if volts.0.abs() > MOST_VOLTS => {
                Err(format!("`{text}` is more than {MOST_VOLTS:.0} V, which no such board has"))
            }
            read => read.map(|v| v.0).map_err(|e| e.to_string()),
        },
    }
}

/// `NET=VOLTS`, `NET:NET=OHMS`, with `+joined` and `@SETTING` before the equals sign.
///
/// # Errors
/// What is wrong with it, and how to write it.
pub fn metered(board: &Board, text: &str) -> Result<Meter, String> {
    let wrong = |why: String| format!("{why}; write it like TAP3=2.31V or TAP2:TAP3=2k7");
    let (what, shown) = text.rsplit_once('=').ok_or_else(|| wrong("there is no =".into()))?;
    let (nets, at) = match what.split_once('@') {
        Some((nets, at)) => (nets, Some(at)),
        None => (what, None),
    };
    let (nets, joined) = match nets.strip_suffix("+joined") {
        Some(nets) => (nets, true),
        None => (nets, false),
    };
    let net = |name: &str| -> Result<NetId, String> {
        let found = board.nets.iter().position(|n| n == name);
        found.map(NetId).ok_or_else(|| wrong(format!("the board has no net {name}")))
    };
    let setting = |usual: Setting| match at {
        None => Ok(usual),
        Some(text) => super::setting::places(board, "--meter", text)
            .map(|places| places.into_iter().fold(usual, |s, (j, p)| s.with(j, p)))
            .map_err(|failure| failure.text),
    };
    match nets.split_once(':') {
        Some((a, b)) if a == b => Err(wrong(format!("{a} is given as both ends"))),
        Some((a, b)) => Ok(Meter::Ohms {
            between: [net(a)?, net(b)?],
            setting: setting(Setting::all_open(board))?,
            joined,
            ohms: Ohms(value(shown, true).map_err(wrong)?),
        }),
        None if joined => Err(wrong("volts are measured with the power on".into())),
        None => Ok(Meter::Volts {
            net: net(nets)?,
            setting: setting(board.delivery.clone())?,
            volts: Volts(value(shown, false).map_err(wrong)?),
        }),
    }
}

/// A value as [`metered`] takes it, to the last digit: what was measured, and what was shown.
pub fn spelled(board: &Board, meter: &Meter) -> (String, String) {
    let what = diagnosis_next::flag(board, &meter.measurement()).unwrap_or_default();
    let shown = match meter {
        Meter::Volts { volts, .. } => format!("{}V", volts.0),
        Meter::Ohms { ohms, .. } if ohms.0.is_finite() => format!("{}R", ohms.0),
        Meter::Ohms { .. } => "open".to_string(),
    };
    (what, shown)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::parse;
    use proptest::prelude::*;

    fn demo() -> Board {
        parse("demo", include_str!("../../protocols/vent-controller.toml")).unwrap()
    }

    proptest! {
        #[test]
        fn what_is_kept_of_a_meter_is_read_as_it_was(
            nets in (0usize..64, 0usize..64),
            places in proptest::collection::vec(0usize..8, 16),
            (joined, open) in (any::<bool>(), any::<bool>()),
            value in prop_oneof![0.0..60.0f64, 0.0..2e7f64, 1e-9..1e-3f64],
        ) {
            let board = demo();
            let [a, b] = [nets.0, nets.1].map(|n| NetId(n % board.nets.len()));
            let place = |(j, n): (usize, &usize)| {
                let all = board.jumpers[j].places();
                (j, all[n % all.len()])
            };
            let places = places.iter().take(board.jumpers.len()).enumerate().map(place);
            let setting = places.fold(board.delivery.clone(), |s, (j, p)| s.with(j, p));
            let volts = Volts(f64::min(value, MOST_VOLTS));
            let ohms = Ohms(if open { f64::INFINITY } else { value });
            let volts = Meter::Volts { net: a, setting: setting.clone(), volts };
            let ohms = Meter::Ohms { between: [a, b], setting, joined, ohms };
            for meter in [Some(volts), (a != b).then_some(ohms)].into_iter().flatten() {
                let (what, shown) = spelled(&board, &meter);
                prop_assert_eq!(metered(&board, &format!("{what}={shown}")), Ok(meter));
            }
        }
    }
}
