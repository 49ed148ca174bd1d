//! The single conversions of a channel: what they say, and as a table.

use super::histogram;
use super::table::{Cell, Form, Table};
use super::wrap;
use crate::bench::Burst;
use crate::bench::sag;
use crate::bench::sampling::{Dip, Plan, Taken};
use crate::board::Board;
use crate::window::adc;
use std::collections::BTreeMap;
use std::ops::Range;

/// Clocks of the chip from one conversion to the next: 13 of the converter's, with its prescaler
/// of 128 (ATmega328P, 8271H section 24.4). 104 µs at 16 MHz.
const CLOCKS: f64 = 13.0 * 128.0;

fn us(board: &Board, conversions: usize) -> f64 {
    conversions as f64 * CLOCKS / board.clock.0 * 1e6
}

/// Columns of a terminal that lines stay within.
const WIDTH: usize = 78;

/// Most ranges of missing conversions that are named one by one.
const NAMED: usize = 8;

/// Every conversion in a row of its own, one that did not come with an empty cell.
pub fn table(board: &Board, taken: &Taken) -> Table {
    let load = taken.plan.load.map_or(String::new(), |load| board.loads[load].id.clone());
    let mut table = Table::new(&["conversion", "t_us", "channel", "load", "code"]);
    table.rows.extend(taken.codes.iter().enumerate().map(|(i, code)| {
        vec![
            Cell::Number(i as f64, 0),
            Cell::Number(us(board, i), 0),
            name(board, &taken.plan).into(),
            Cell::text(load.clone()),
            Cell::number(code.map(f64::from), 0),
        ]
    }));
    table
}

/// What was taken in the form asked for; for people its figures, for programs every conversion.
pub fn print(board: &Board, taken: &Taken, form: Form) -> String {
    if form != Form::Text {
        return table(board, taken).print(form);
    }
    let mut lines = Vec::new();
    if let Some(before) = &taken.before {
        lines.push(figures("without load", before));
    }
    let what = taken.plan.load.map_or(String::new(), |l| format!(", {} on", board.loads[l].id));
    lines.push(figures(&format!("{}{what}", name(board, &taken.plan)), &taken.burst));
    lines.extend(missing(taken));
    lines.extend(dipped(board, taken));
    let mut text = String::new();
    for line in lines {
        text += &format!("{}\n", wrap::lines(&line, WIDTH).join("\n"));
    }
    let mut counts = BTreeMap::new();
    for code in taken.codes.iter().flatten() {
        *counts.entry(*code).or_insert(0) += 1;
    }
    if !counts.is_empty() {
        text += "\n";
        let title = format!("codes of {}", name(board, &taken.plan));
        for line in histogram::bars(&title, &counts, None, WIDTH) {
            text += &format!("{line}\n");
        }
    }
    text
}

fn name(board: &Board, plan: &Plan) -> String {
    match plan.channel {
        Some(channel) => board.channels[channel].id.clone(),
        None => board.net_name(board.supply.net).to_string(),
    }
}

fn figures(what: &str, burst: &Burst) -> String {
    format!(
        "{what}: {} conversions, mean {:.2}, deviation {:.2}, lag-1 {:.2}, codes {} to {}",
        burst.n, burst.mean, burst.sd, burst.lag1, burst.min, burst.max
    )
}

fn missing(taken: &Taken) -> Option<String> {
    let (lost, missing, n) = (taken.lost(), taken.missing(), taken.codes.len());
    if missing == 0 {
        return None;
    }
    let which = |range: &Range<usize>| format!("{} to {}", range.start, range.end - 1);
    let mut named: Vec<String> = lost.iter().take(NAMED).map(which).collect();
    if lost.len() > NAMED {
        named.push(format!("{} more", lost.len() - NAMED));
    }
    let why = match taken.too_slow() {
        true => {
            "the line is too slow for every code, as it is at 38,400 baud: the probe leaves whole \
             frames out"
                .to_string()
        }
        false => {
            let again = if taken.tries > 1 {
                format!("taken {} times, the best one kept", taken.tries)
            } else {
                "taken once".to_string()
            };
            format!(
                "the line damaged their frames ({again}), and the probe has no room to keep them"
            )
        }
    };
    Some(format!(
        "missing: conversions {}, {missing} of {n}: {why}. The figures above are over all of them.",
        named.join(", ")
    ))
}

fn dipped(board: &Board, taken: &Taken) -> Vec<String> {
    let (Some(dip), Some(load)) = (taken.dip(), taken.plan.load) else { return Vec::new() };
    let load = &board.loads[load].id;
    let supply = taken.plan.channel.is_none();
    let off = |code: f64| match supply {
        true => supply_off(board, dip.before, code),
        false => channel_off(board, dip.before, code),
    };
    let what = match dip.beyond > 0.0 {
        false => format!("no code is farther off with {load} on than without: no dip is seen"),
        true => format!(
            "farthest at conversion {}, {} after {load} went on: code {}, {}; {:.1} codes farther \
             than any without load",
            dip.at,
            milliseconds(board, dip.at),
            dip.farthest,
            off(f64::from(dip.farthest)),
            dip.beyond
        ),
    };
    vec![what, settled(board, &dip, &off(dip.steady))]
}

fn settled(board: &Board, dip: &Dip, off: &str) -> String {
    match dip.settled {
        Some(0) => format!("steady from the first conversion on at {:.1}, {off}", dip.steady),
        Some(at) => format!(
            "steady from conversion {at}, {}, on at {:.1}, {off}",
            milliseconds(board, at),
            dip.steady
        ),
        None => format!("not steady by the end, where the mean is {:.1}, {off}", dip.steady),
    }
}

fn milliseconds(board: &Board, conversions: usize) -> String {
    format!("{:.1} ms", us(board, conversions) / 1000.0)
}

fn channel_off(board: &Board, before: f64, code: f64) -> String {
    let lsb = adc::lsb(board.reference(), &board.chip).0;
    format!("{:+.1} codes ({:+.0} mV)", code - before, 1000.0 * lsb * (code - before))
}

/// The code of the internal reference rises as the supply falls; see [`sag`].
fn supply_off(board: &Board, before: f64, code: f64) -> String {
    let share = sag::share(before, code);
    let volts = board.supply.volts.0;
    format!("the supply {:.1} % ({:.0} mV) lower", 100.0 * share, 1000.0 * share * volts)
}
