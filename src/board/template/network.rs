//! Templates that the converter reads: the ladder and the weighted network.

use super::sheet::{GROUND, SUPPLY, Sheet, quoted};
use super::{Form, Ladder, Rail, Weighted};
use crate::units::{Farads, Ohms, Ratio};

/// Most positions of a jumper in a board file, `open` not counted.
pub(super) const MOST_TAPS: usize = 200;
/// Most shunts of a weighted network: 256 rows of options.
pub(super) const MOST_SHUNTS: usize = 8;

/// The net of a rail.
pub(super) fn rail(rail: Rail) -> &'static str {
    match rail {
        Rail::Supply => SUPPLY,
        Rail::Ground => GROUND,
    }
}

/// Draws a ladder.
pub(super) fn ladder(sheet: &mut Sheet, ladder: &Ladder) -> Result<(), String> {
    let name = &ladder.name;
    let taps = ladder.ends.taps(ladder.ohms.len());
    let places = taps + usize::from(ladder.pull.is_some());
    if ladder.ohms.is_empty() || places < 2 || taps > MOST_TAPS {
        return Err(format!(
            "the ladder {name} has {places} places; give it 2 to {MOST_TAPS} by its values and ends"
        ));
    }
    let hidden = ladder.pull.is_some_and(|(to, _)| ladder.ends.has(to));
    if hidden {
        return Err(format!(
            "the ladder {name} has a tap at the rail that `open` is pulled to, so both read alike; \
             take the other ends or the other pull"
        ));
    }
    if !ladder.options.is_empty() && ladder.options.len() != places {
        return Err(format!(
            "the ladder {name} has {places} places but {} options; name one for each",
            ladder.options.len()
        ));
    }
    let pin_net = name.to_uppercase();
    sheet.claim(name)?;
    let pick = if ladder.input.is_some() { format!("{pin_net}_PICK") } else { pin_net.clone() };
    let last = ladder.ohms.len();
    let node = |i: usize| match i {
        0 => SUPPLY.to_string(),
        i if i == last => GROUND.to_string(),
        i => format!("{pin_net}_T{i}"),
    };
    sheet
        .heading(&format!("{name}: a ladder from {SUPPLY} to {GROUND}, one tap picked by a shunt"));
    for (i, &ohms) in ladder.ohms.iter().enumerate() {
        sheet.resistor([&node(i), &node(i + 1)], ohms, ladder.tolerance);
    }
    if let Some((to, ohms)) = ladder.pull {
        sheet.resistor([&pick, rail(to)], ohms, ladder.tolerance);
    }
    let first = usize::from(!ladder.ends.has(Rail::Supply));
    let positions: Vec<_> = (0..taps)
        .map(|t| ((t + 1).to_string(), [2 * t + 1, 2 * t + 2], [node(first + t), pick.clone()]))
        .collect();
    behind(sheet, [&pick, &pin_net], ladder.input, ladder.capacitor, ladder.tolerance);
    let jumper = sheet.jumper(name, &positions, ladder.pull.is_some());
    let mut names: Vec<String> = positions.into_iter().map(|p| p.0).collect();
    if ladder.pull.is_some() {
        names.push("open".to_string());
    }
    let row = |(i, place): (usize, &String)| {
        let means = ladder.options.get(i).unwrap_or(place);
        format!("{{ {jumper} = {}, means = {} }}", quoted(place), quoted(means))
    };
    let rows: Vec<String> = names.iter().enumerate().map(row).collect();
    analog(sheet, name, &rows)
}

/// What stands between a network and the pin.
fn behind(
    sheet: &mut Sheet,
    [from, pin]: [&str; 2],
    input: Option<Ohms>,
    capacitor: Option<Farads>,
    tolerance: Ratio,
) {
    if let Some(ohms) = input {
        sheet.resistor([from, pin], ohms, tolerance);
    }
    if let Some(farads) = capacitor {
        sheet.capacitor(pin, farads);
    }
}

/// An analog channel at the net of a template and its option set.
fn analog(sheet: &mut Sheet, name: &str, rows: &[String]) -> Result<(), String> {
    let id = name.to_uppercase();
    let pin = sheet.analog_pin(&format!("the channel {id}"))?;
    channel(sheet, [&id, name, &id, &pin, "analog"], false, &[]);
    options(sheet, name, &[&id], rows);
    Ok(())
}

/// A channel: id, label, net, pin, kind; whether its pull-up is on; what it closes.
pub(super) fn channel(sheet: &mut Sheet, words: [&str; 5], pull_up: bool, closes: &[&str]) {
    let meanings = [
        "name",
        "what it carries, for screens",
        "net at the pin",
        "the pin, as the data sheet names it",
        "\"analog\": by the converter; \"digital\": as a level",
    ];
    let names = ["id", "label", "net", "pin", "kind"];
    let mut keys: Vec<_> = (0..5).map(|i| (names[i], quoted(words[i]), meanings[i])).collect();
    if pull_up {
        keys.push(("pull_up", "true".into(), "the product switches the pin's pull-up on"));
    }
    if !closes.is_empty() {
        let closes = super::sheet::list(closes);
        keys.push(("closes", closes, "switches closed while the product reads it"));
    }
    sheet.table("channel", &keys);
}

/// A set of options named like its template; the id of a channel may differ only in case.
pub(super) fn options(sheet: &mut Sheet, name: &str, channels: &[&str], rows: &[String]) {
    let lines: String = rows.iter().map(|r| format!("  {r},\n")).collect();
    let keys = [
        ("id", quoted(&option_id(name)), "name"),
        ("label", quoted(name), "for screens"),
        ("channels", super::sheet::list(channels), "channels that it is read from"),
        ("when", format!("[\n{lines}]"), "places of jumpers, and the option that they mean"),
    ];
    sheet.table("options", &keys);
}

fn option_id(name: &str) -> String {
    let lower = name.to_lowercase();
    if lower == name.to_uppercase() { format!("{lower}-options") } else { lower }
}

/// Draws a weighted network.
pub(super) fn weighted(sheet: &mut Sheet, weighted: &Weighted) -> Result<(), String> {
    let name = &weighted.name;
    let shunts = weighted.ohms.len();
    if !(1..=MOST_SHUNTS).contains(&shunts) {
        return Err(format!(
            "the weighted network {name} has {shunts} shunts; give it 1 to {MOST_SHUNTS}"
        ));
    }
    let pin_net = name.to_uppercase();
    sheet.claim(name)?;
    let sum = if weighted.input.is_some() { format!("{pin_net}_SUM") } else { pin_net.clone() };
    sheet.heading(&format!(
        "{name}: a weighted network of {shunts} shunts, every setting told apart"
    ));
    let leg = |bit: usize| format!("{pin_net}_B{bit}");
    for (bit, &ohms) in weighted.ohms.iter().enumerate() {
        sheet.resistor([&sum, &leg(bit)], ohms, weighted.tolerance);
    }
    if let Form::TwoPin { to, pull } = weighted.form {
        let from = rail(to.other());
        sheet.resistor([&sum, from], pull, weighted.tolerance);
    }
    behind(sheet, [&sum, &pin_net], weighted.input, weighted.capacitor, weighted.tolerance);
    let jumpers: Vec<String> = (0..shunts)
        .map(|bit| {
            let label = format!("{name} bit {bit}");
            match weighted.form {
                Form::TwoPin { to, .. } => {
                    let nets = [leg(bit), rail(to).to_string()];
                    sheet.jumper(&label, &[("fitted".to_string(), [1, 2], nets)], true)
                }
                Form::ThreePin => {
                    let up = ("high".to_string(), [1, 2], [SUPPLY.to_string(), leg(bit)]);
                    let down = ("low".to_string(), [2, 3], [leg(bit), GROUND.to_string()]);
                    sheet.jumper(&label, &[up, down], false)
                }
            }
        })
        .collect();
    let places = match weighted.form {
        Form::TwoPin { .. } => ["open", "fitted"],
        Form::ThreePin => ["low", "high"],
    };
    let rows = numbered(&jumpers, places);
    analog(sheet, name, &rows)
}

/// A row for every number of as many bits as there are jumpers; bit 0 is the first.
pub(super) fn numbered(jumpers: &[String], places: [&str; 2]) -> Vec<String> {
    (0_usize..1 << jumpers.len())
        .map(|number| {
            let bit = |(bit, jumper): (usize, &String)| {
                format!("{jumper} = {}", quoted(places[number >> bit & 1]))
            };
            let pairs: Vec<String> = jumpers.iter().enumerate().rev().map(bit).collect();
            format!("{{ {}, means = \"{number}\" }}", pairs.join(", "))
        })
        .collect()
}
