//! What a person measured or looked at, as it is typed.

use super::Failure;
use super::diagnose_talk::yes_or_no;
use crate::bench::meter;
use crate::board::{Board, NetId, Setting};
use crate::diagnose::{Evidence, Look, Measurement, Meter};
use crate::report::{diagnosis_look, diagnosis_meter};
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
        match given.iter().find(|known| known.same(&new)) {
            Some(known) if known.contradicts(board, &new) => {
                let [known, new] = [known, &new].map(|m| shown(&m.measurement(), m.value()));
                return Err(Failure::input(format!(
                    "--meter '{text}': the same is given as {known} and as {new}; measure again, \
                     and give one of them"
                )));
            }
            Some(_) => {}
            None => given.push(new),
        }
    }
    evidence.meter.extend(given);
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
    let at = |setting: &Setting, usual: &Setting| {
        let moved = (0..board.jumpers.len()).filter(|&j| setting.0[j] != usual.0[j]);
        let place = |j: usize| {
            let jumper = &board.jumpers[j];
            format!("{}={}", jumper.id, jumper.place_name(setting.0[j]))
        };
        let places: Vec<String> = moved.map(place).collect();
        if places.is_empty() { String::new() } else { format!("@{}", places.join(",")) }
    };
    match meter {
        Meter::Volts { net, setting, volts } => {
            let at = at(setting, &board.delivery);
            (format!("{}{at}", board.net_name(*net)), format!("{}V", volts.0))
        }
        Meter::Ohms { between: [a, b], setting, joined, ohms } => {
            let at = at(setting, &Setting::all_open(board));
            let joined = if *joined { "+joined" } else { "" };
            let [a, b] = [a, b].map(|&net| board.net_name(net));
            let value = match ohms.0.is_finite() {
                true => format!("{}R", ohms.0),
                false => "open".to_string(),
            };
            (format!("{a}:{b}{joined}{at}"), value)
        }
    }
}
