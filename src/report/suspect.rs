//! Whom to suspect when units fail alike: rather what they have in common than each of them.

use crate::board::Board;
use crate::diagnose::{self, Cause, Diagnosis, Evidence, Options, SETTLED};
use crate::faults::Fault;
use crate::lot::{Table, UnitLine};
use crate::record::Record;

/// Units that fail the same check before what they share is suspected.
const AGREEING: usize = 3;

/// Records that are weighed at most: each takes a while.
const WEIGHED: usize = 3;

/// Causes shown that the readings do not tell apart.
const SHOWN: usize = 3;

/// What to say after a unit of a lot has been tested: nothing, unless the first unit of the lot
/// failed, or three of them fail the same check. The one cause that would explain them is named
/// where it holds 95 % in each.
pub fn lines(board: &Board, records: &[Record], unit: &str) -> Vec<String> {
    let table = Table::of(records);
    let Some(mine) = table.lines.iter().find(|l| l.unit == unit && l.verdict == "FAIL") else {
        return Vec::new();
    };
    let (said, alike) = match agreeing(&table, mine) {
        Some((check, alike)) => {
            let units: Vec<&str> = alike.iter().map(|l| l.unit.as_str()).collect();
            let units = units.join(", ");
            let what = "the board file or the reel is the first suspect, not each unit";
            (format!("{units} fail alike ({check}): {what}."), alike)
        }
        None if table.lines.len() == 1 => {
            let what = "the board file is the first suspect, then the unit";
            (format!("{unit} is the first unit of this lot and fails: {what}."), vec![mine])
        }
        None => return Vec::new(),
    };
    vec![said, explanation(board, records, &alike)]
}

/// The checks that a unit fails.
fn checks(line: &UnitLine) -> impl Iterator<Item = &str> {
    line.failing.split("; ").filter(|check| !check.is_empty())
}

/// A check that this unit and enough others fail, and those units, the latest last.
fn agreeing<'a>(table: &'a Table, mine: &'a UnitLine) -> Option<(&'a str, Vec<&'a UnitLine>)> {
    let failing = |check: &str| -> Vec<&UnitLine> {
        let fails = |l: &&UnitLine| l.verdict == "FAIL" && checks(l).any(|c| c == check);
        table.lines.iter().filter(fails).collect()
    };
    let groups = checks(mine).map(|check| (check, failing(check)));
    let enough = groups.filter(|(_, group)| group.len() >= AGREEING);
    // Of several the one that most share, and of those the first in the record.
    let more = |best: (&'a str, Vec<&'a UnitLine>), next: (&'a str, Vec<&'a UnitLine>)| {
        if next.1.len() > best.1.len() { next } else { best }
    };
    let (check, mut alike) = enough.reduce(more)?;
    alike.sort_by_key(|line| line.ended_at);
    Some((check, alike))
}

/// The one cause that would explain the latest of these units, or that there is none.
fn explanation(board: &Board, records: &[Record], alike: &[&UnitLine]) -> String {
    let latest = alike.iter().rev().take(WEIGHED);
    let found: Option<Vec<Diagnosis>> = latest
        .map(|line| {
            let record = records.iter().find(|r| r.file == line.file)?;
            let evidence = Evidence::of(board, &record.rows);
            let weigh = || diagnose::diagnose(board, &evidence, &Options::default());
            (!evidence.is_empty()).then(weigh)
        })
        .collect();
    match common(&found.unwrap_or_default()) {
        Some((causes, probability)) => {
            let words = |c: &&Cause| {
                let faults: Vec<String> = c.faults.iter().map(|f| f.text(board)).collect();
                faults.join(" and ")
            };
            let causes: Vec<String> = causes.iter().take(SHOWN).map(words).collect();
            let whom = if alike.len() == 1 { "it" } else { "them" };
            let percent = (100.0 * probability).floor();
            let apart =
                if causes.len() > 1 { "; the readings do not tell these apart" } else { "" };
            let causes = causes.join(", or ");
            format!("One cause would explain {whom} ({percent:.0} %): {causes}{apart}.")
        }
        None => {
            "No single cause holds 95 % in all; `strapwise diagnose` weighs each record.".into()
        }
    }
}

/// The causes that lead in all of these, and how likely they are in the least of them.
fn common(found: &[Diagnosis]) -> Option<(Vec<&Cause>, f64)> {
    let leading = |d: &'_ Diagnosis| d.explained.then(|| d.classes.first().cloned()).flatten();
    let mut least = 1.0_f64;
    for diagnosis in found {
        least = least.min(leading(diagnosis)?.probability);
    }
    let (first, others) = found.split_first()?;
    let shared = |cause: &&Cause| {
        let has = |d: &Diagnosis| d.classes[0].causes.iter().any(|c| same(c, cause));
        !cause.faults.is_empty() && others.iter().all(has)
    };
    let causes: Vec<&Cause> = first.classes[0].causes.iter().filter(shared).collect();
    (least > SETTLED && !causes.is_empty()).then_some((causes, least))
}

/// Whether two causes are the same defects; a fitted value differs from unit to unit.
fn same(a: &Cause, b: &Cause) -> bool {
    a.faults.len() == b.faults.len()
        && a.faults.iter().zip(&b.faults).all(|(a, b)| without_value(*a) == without_value(*b))
}

/// The defect with any value that is fitted to readings left out.
fn without_value(fault: Fault) -> Fault {
    use crate::units::Ohms;
    let ohms = Ohms(0.0);
    match fault {
        Fault::ResistorValue { resistor, .. } | Fault::ResistorOff { resistor, .. } => {
            Fault::ResistorOff { resistor, ratio: 0.0 }
        }
        Fault::ContactResistive { jumper, position, .. } => {
            Fault::ContactResistive { jumper, position, ohms }
        }
        Fault::PinLeaks { channel, to, .. } => Fault::PinLeaks { channel, to, ohms },
        Fault::PinsBridged { jumper, pins, between, .. } => {
            Fault::PinsBridged { jumper, pins, between, ohms }
        }
        Fault::HeadersBridged { jumpers, pins, between, .. } => {
            Fault::HeadersBridged { jumpers, pins, between, ohms }
        }
        Fault::ChannelsBridged { channels, .. } => Fault::ChannelsBridged { channels, ohms },
        other => other,
    }
}
