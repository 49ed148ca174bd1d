//! Templates round digital pins: address bits, feeds, returns and outputs.

use super::network::{channel, numbered, options, rail};
use super::sheet::{GROUND, SUPPLY, Sheet, list, quoted};
use super::{Address, Isolate, Output, Rail, Select};
use crate::board::Level;

/// Most bits of an address: 256 rows of options.
const MOST_BITS: usize = 8;
/// Most lamps behind one driver.
const MOST_LAMPS: usize = 32;

/// Draws the bits of an address.
pub(super) fn address(sheet: &mut Sheet, address: &Address) -> Result<(), String> {
    let Address { name, bits, to, pull } = address;
    if !(1..=MOST_BITS).contains(bits) {
        return Err(format!("the address {name} has {bits} bits; give it 1 to {MOST_BITS}"));
    }
    if *to == Rail::Supply && pull.is_none() {
        return Err(format!(
            "the address {name} has its shunts at the supply, where the chip's own pull-up cannot \
             hold the other level; give it a pull-down"
        ));
    }
    sheet.claim(name)?;
    let against = match (to, pull) {
        (_, None) => "the chip's own pull-ups",
        (Rail::Ground, Some(_)) => "pull-ups",
        (Rail::Supply, Some(_)) => "pull-downs",
    };
    sheet.heading(&format!("{name}: {bits} bits against {against}, a fitted shunt is a 1"));
    let nets: Vec<String> = (0..*bits).map(|b| format!("{}{b}", name.to_uppercase())).collect();
    for net in &nets {
        sheet.claim(net)?;
        if let Some((ohms, tolerance)) = pull {
            sheet.resistor([rail(to.other()), net], *ohms, *tolerance);
        }
    }
    let mut jumpers = Vec::new();
    for (bit, net) in nets.iter().enumerate() {
        let joins = [net.clone(), rail(*to).to_string()];
        let positions = [("fitted".to_string(), [1, 2], joins)];
        jumpers.push(sheet.jumper(&format!("{name} bit {bit}"), &positions, true));
    }
    for (bit, net) in nets.iter().enumerate() {
        let pin = sheet.digital_pin(&format!("the channel {net}"), pull.is_none())?;
        let label = format!("{name} bit {bit}");
        channel(sheet, [net, &label, net, &pin, "digital"], pull.is_none(), &[]);
    }
    let channels: Vec<&str> = nets.iter().map(String::as_str).collect();
    options(sheet, name, &channels, &numbered(&jumpers, ["open", "fitted"]));
    Ok(())
}

/// Draws a feed: header, switch, loopback.
pub(super) fn select(sheet: &mut Sheet, select: &Select) -> Result<(), String> {
    let name = &select.name;
    let id = name.to_uppercase();
    sheet.claim(name)?;
    sheet.heading(&format!("{name}: supply, ground or nothing to a switched output, looped back"));
    let (feed, out) = (format!("{id}_FEED"), format!("{id}_OUT"));
    let switch = sheet.switch(name, [&feed, &out], select.on)?;
    let positions = [
        ("wet".to_string(), [1, 2], [SUPPLY.to_string(), feed.clone()]),
        ("dry".to_string(), [2, 3], [feed, GROUND.to_string()]),
    ];
    let jumper = sheet.jumper(&format!("{name} feed"), &positions, true);
    sheet.resistor([&out, &id], select.wire, select.tolerance);
    sheet.resistor([SUPPLY, &id], select.rest, select.tolerance);
    sheet.resistor([&id, GROUND], select.rest, select.tolerance);
    let pin = sheet.analog_pin(&format!("the channel {id}"))?;
    let label = format!("{name}, looped back");
    channel(sheet, [&id, &label, &id, &pin, "analog"], false, &[&switch]);
    let row = |(place, means): (&str, &str)| {
        format!("{{ {jumper} = {}, means = {} }}", quoted(place), quoted(means))
    };
    let rows = [("wet", "supply out"), ("dry", "ground out"), ("open", "nothing out")].map(row);
    options(sheet, name, &[&id], &rows);
    Ok(())
}

/// Draws lamps with a common return that a jumper isolates; the operator is asked.
pub(super) fn isolate(sheet: &mut Sheet, isolate: &Isolate) -> Result<(), String> {
    let name = &isolate.name;
    if !(1..=MOST_LAMPS).contains(&isolate.ohms.len()) {
        let lamps = isolate.ohms.len();
        return Err(format!("{name} has {lamps} lamps; give it 1 to {MOST_LAMPS} resistors"));
    }
    let id = name.to_uppercase();
    sheet.claim(name)?;
    sheet.heading(&format!("{name}: a jumper isolates the common return; the operator is asked"));
    let (lamps, back) = (format!("{id}_LAMPS"), format!("{id}_RETURN"));
    let switch = sheet.switch(&format!("{name} driver"), [SUPPLY, &lamps], isolate.on)?;
    let mut resistors = Vec::new();
    for &ohms in &isolate.ohms {
        resistors.push(sheet.resistor([&lamps, &back], ohms, isolate.tolerance));
    }
    let positions = [("fitted".to_string(), [1, 2], [back, GROUND.to_string()])];
    let jumper = sheet.jumper(&format!("{name} return"), &positions, true);
    let resistors: Vec<&str> = resistors.iter().map(String::as_str).collect();
    let lower = name.to_lowercase();
    for (place, state) in [("open", "dark"), ("fitted", "lit")] {
        let question = format!("{lower}-{state}");
        sheet.claim(&question)?;
        let keys = [
            ("id", quoted(&question), "name, for the record"),
            ("ask", quoted(&format!("Is every lamp of {name} {state}?")), "answered by yes or no"),
            ("expect", quoted("yes"), "the answer of a good unit"),
            (
                "when",
                format!("{{ {jumper} = {} }}", quoted(place)),
                "places that must hold when it is asked",
            ),
            ("closes", list(&[&switch]), "switches closed while it is asked"),
            (state, list(&resistors), "for rehearsal: lamps that this is about"),
        ];
        sheet.table("question", &keys);
    }
    Ok(())
}

/// Draws an output with its dummy load.
pub(super) fn output(sheet: &mut Sheet, output: &Output) -> Result<(), String> {
    let name = &output.name;
    let id = name.to_uppercase();
    sheet.claim(name)?;
    sheet.heading(&format!("{name}: an output that draws current"));
    let pin = sheet.digital_pin(&format!("the output {id}"), false)?;
    let off = match output.off {
        Level::Low => "low",
        Level::High => "high",
    };
    let keys = [
        ("id", quoted(&id), "name"),
        ("label", quoted(name), "what it drives"),
        ("pin", quoted(&pin), "the pin that switches it"),
        ("off", quoted(off), "level at which it is off"),
        ("dummy", quoted(&output.dummy), "the dummy load to fit on the bench"),
        (
            "sag",
            quoted(&format!("{:.9}..{:.9}", output.sag.0, output.sag.1)),
            "sag of the supply that a good unit shows",
        ),
    ];
    sheet.table("load", &keys);
    Ok(())
}
