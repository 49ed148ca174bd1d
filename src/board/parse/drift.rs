//! Temperatures, ageing and resistor arrays.

use super::super::{Array, Assumed, Drift, InUse, Resistor};
use super::Reading;
use super::log::Log;
use super::names::Names;
use super::table::{Fields, tables};
use crate::units::{self, Allow, Celsius, Misread, Ratio};

const TEMPCO: &str = "\"100ppm/K\"";
const AGEING: &str = "\"0.5%\"";

/// A temperature coefficient, lowest and highest, and whether it is called assumed.
type Tempco = ((Ratio, Ratio), bool);

/// A text without `assumed` at its end, and whether it stood there.
fn assumed(text: &str) -> (&str, bool) {
    let text = text.trim();
    match text.rsplit_once(' ') {
        Some((figure, "assumed")) => (figure.trim_end(), true),
        _ => (text, false),
    }
}

/// Reads a temperature coefficient: `100ppm/K` or `100ppm/K assumed`.
pub(super) fn tempco(text: &str) -> Result<Tempco, Misread> {
    let (figure, guess) = assumed(text);
    Ok((units::tempco(figure)?, guess))
}

/// Reads an ageing: `0.5%` or `0.5% assumed`.
pub(super) fn ageing(text: &str) -> Result<(Ratio, bool), Misread> {
    let (figure, guess) = assumed(text);
    let share = Ratio::read(figure, Allow::NonNegative)?;
    if share.0 < 1.0 {
        return Ok((share, guess));
    }
    let what = format!("`{text}` is not below 100 %");
    Err(Misread { what, do_next: "write it like `0.5%`".into() })
}

/// What a table says under `tempco` and `ageing`.
fn drifts(log: &mut Log<'_>, part: &Fields<'_>) -> Option<Drift> {
    let tempco = part.optional("tempco", |k| part.measured(log, k, TEMPCO, tempco));
    let ageing = part.optional("ageing", |k| part.measured(log, k, AGEING, ageing));
    Some(drift(tempco?, ageing?))
}

/// The same with the array that the part belongs to, one of `arrays`.
pub(super) fn drift_of(log: &mut Log<'_>, part: &Fields<'_>, arrays: &[String]) -> Option<Drift> {
    let drift = drifts(log, part);
    let array = part.optional("array", |k| {
        let name = part.text(log, k, "\"RN1\"")?;
        let found = Names::indices(log, &[name], arrays, "array", &part.name)?;
        found.first().copied()
    });
    Some(Drift { array: array?, ..drift? })
}

/// The drift of these figures, of a part that is in no array.
pub(super) fn drift(tempco: Option<Tempco>, ageing: Option<(Ratio, bool)>) -> Drift {
    Drift {
        assumed: Assumed {
            tempco: tempco.is_some_and(|t| t.1),
            ageing: ageing.is_some_and(|a| a.1),
        },
        tempco: tempco.map(|t| t.0),
        ageing: ageing.map(|a| a.0),
        array: None,
    }
}

impl<'a> Reading<'a, '_> {
    /// `[use]`; the table and each of its keys may be left out.
    pub(super) fn in_use(&mut self, root: &Fields<'a>) -> Option<InUse> {
        if root.get("use").is_none() {
            return Some(InUse::default());
        }
        let keys = ["temperature", "bench_temperature", "tempco", "ageing", "contact"];
        let part = self.single(root, "use", &keys)?;
        let log = &mut self.log;
        let temperature =
            part.optional("temperature", |k| part.measured(log, k, "\"-10..60\"", Celsius::range))?;
        let bench = part.optional("bench_temperature", |k| {
            part.measured(log, k, "\"15..35\"", Celsius::range)
        })?;
        let Drift { tempco, ageing, assumed, .. } = drifts(log, &part)?;
        let contact =
            part.optional("contact", |k| part.quantity(log, k, "\"0.1R\"", Allow::NonNegative))?;
        Some(InUse { temperature, bench, tempco, ageing, contact, assumed })
    }

    /// What a resistor says of temperature, time and its array.
    pub(super) fn drift(&mut self, part: &Fields<'a>) -> Option<Drift> {
        drift_of(&mut self.log, part, &self.names.arrays)
    }

    pub(super) fn arrays(&mut self, root: &Fields<'a>) -> Vec<Array> {
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "array") {
            let (part, id) = self.part(table, "array", "\"RN1\"", &["id", "ratio", "tracking"]);
            self.names.arrays.extend(id.clone());
            let ratio = part.share(&mut self.log, "ratio", "\"0.1%\"");
            let tracking = part.optional("tracking", |k| {
                let both = part.measured(&mut self.log, k, "\"5ppm/K\"", units::tempco)?;
                Some(Ratio(both.1.0.max(-both.0.0)))
            });
            if let (Some(id), Some(ratio), Some(tracking)) = (id, ratio, tracking) {
                found.push(Array { id, ratio, tracking });
            }
        }
        found
    }

    /// Resistors of one array are made alike, and an array has at least two.
    pub(super) fn check_arrays(
        &mut self,
        root: &Fields<'a>,
        arrays: &[Array],
        resistors: &[Resistor],
    ) {
        for (a, table) in tables(&mut self.log, root, "array").into_iter().enumerate() {
            let Some(array) = arrays.get(a) else { return };
            let mut members = resistors.iter().filter(|r| r.drift.array == Some(a));
            let (Some(first), Some(second)) = (members.next(), members.next()) else {
                let what = format!("{} has fewer than two resistors", array.id);
                let do_next = format!("write `array = \"{}\"` in each resistor of it", array.id);
                self.log.add(table.at, what, do_next);
                continue;
            };
            let differs = |r: &&Resistor| {
                let (a, b) = (first.drift, r.drift);
                r.tolerance != first.tolerance || a.tempco != b.tempco || a.ageing != b.ageing
            };
            if let Some(odd) = std::iter::once(second).chain(members).find(differs) {
                let what = format!(
                    "{} and {} of {} differ in `tolerance`, `tempco` or `ageing`",
                    first.id, odd.id, array.id
                );
                self.log.add(table.at, what, "give all resistors of an array the same");
            }
        }
    }
}
