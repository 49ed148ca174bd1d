//! Causes that are not in the parts, in words: what it would be, what speaks for and against it.

use super::diagnosis::paragraph;
use crate::board::{Board, Fuses, brown_out, clock, fuse_bits};
use crate::circuit;
use crate::diagnose::{Beside, Failed, Misread, Read, Report, Reset, Right, TakenBack};
use crate::units::Volts;

/// Readings that are named.
const NAMED: usize = 3;

/// One cause: its sentence, and what speaks for and against it.
struct Told {
    sentence: String,
    points: Vec<String>,
}

/// Everything beside the parts; empty where no row speaks of any.
pub(super) fn text(board: &Board, found: &[Beside]) -> String {
    if found.is_empty() {
        return String::new();
    }
    let mut out = "\nBeside the parts (no odds are known of these):\n".to_string();
    for told in found.iter().map(|beside| told(board, beside)) {
        out += &paragraph(&format!("- {}", told.sentence), 0);
        out += &told.points.iter().map(|point| paragraph(point, 3)).collect::<String>();
    }
    out
}

/// For programs: the kind, and the sentence.
pub(super) fn row(board: &Board, beside: &Beside) -> (&'static str, String) {
    let kind = match beside {
        Beside::Fuses { .. } => "fuses",
        Beside::Reset { .. } => "reset",
        Beside::Unmoved { .. } => "not moved",
        Beside::NoAnswer { .. } => "no answer",
        Beside::Report { .. } | Beside::Thresholds(_) => "firmware",
        Beside::Supply { .. } => "supply",
        Beside::Loose(_) => "loose contact",
        Beside::Failed(_) => "failed check",
    };
    (kind, told(board, beside).sentence)
}

fn told(board: &Board, beside: &Beside) -> Told {
    match beside {
        Beside::Fuses { expected, found, resets } => fuses(board, expected, *found, resets),
        Beside::Reset { resets, level } => reset(board, resets, *level),
        Beside::Unmoved { jumper, channel, read, stays, values } => {
            let jumper = &board.jumpers[*jumper];
            let (j, c) = (&jumper.id, &board.channels[*channel].id);
            let read = shown(*read);
            let stayed = match stays {
                Some(place) => format!("stayed where it was ({j}={})", jumper.place_name(*place)),
                None => "was not moved".to_string(),
            };
            Told {
                sentence: format!("the shunt of {j} {stayed}, or another header was taken for it"),
                points: vec![
                    format!(
                        "for: {c} read {read} throughout, where a good unit has {values} values, \
                         and moves were taken on a word"
                    ),
                    format!("look for {j} on the board, and test again"),
                ],
            }
        }
        Beside::NoAnswer { expected } => no_answer(expected.as_ref()),
        Beside::Report { report, right, defect, misread } => {
            reported(board, report, right, *defect, misread)
        }
        Beside::Thresholds(misread) => Told {
            sentence: "the product's firmware would misread this unit, whose readings are right: \
                       its thresholds, as the board file has them"
                .into(),
            points: misread.iter().take(NAMED).map(|m| misread_text(board, m)).collect(),
        },
        Beside::Supply { volts, reason } => supply(board, *volts, reason),
        Beside::Loose(back) => loose(board, back),
        Beside::Failed(checks) => failed(checks),
    }
}

fn shown(read: Read) -> String {
    match read {
        Read::Code { mean, .. } => format!("{mean:.0}"),
        Read::Level { ones } if ones > 0.5 => "high".into(),
        Read::Level { .. } => "low".into(),
    }
}

/// The supply that a unit failed with.
fn supply(board: &Board, volts: Volts, reason: &str) -> Told {
    let filed = &board.supply;
    let volts = Volts((volts.0 * 100.0).round() / 100.0);
    let sentence = format!(
        "the supply that fed the unit was at {volts}, where the board file has {}, give or take {:.0} \
         %: that check failed, and no part of the unit explains it",
        filed.volts,
        100.0 * filed.tolerance.0
    );
    let mut points: Vec<String> = Vec::new();
    if !reason.is_empty() {
        points.push(format!("for: {reason}"));
    }
    let source = match filed.source.as_str() {
        "" => "what feeds it, its lead and its plug".to_string(),
        source => format!("what feeds it ({source}), its lead and its plug"),
    };
    let net = board.net_name(filed.net);
    points.push(format!("measure {net} at the chip and at the plug; look at {source}"));
    Told { sentence, points }
}

/// Parts of a circuit that are named as those to be moved.
const MOVED: usize = 6;

/// A contact that comes and goes.
fn loose(board: &Board, back: &TakenBack) -> Told {
    let c = &board.channels[back.channel];
    let at = super::diagnosis::places(board, back.channel, &back.setting);
    let with = if at.is_empty() { String::new() } else { format!(" {at}") };
    let ([first, later], steps) =
        ([back.first, back.later].map(|(r, _)| shown(r)), [back.first.1, back.later.1]);
    let group = circuit::group_of(board, c.net);
    let (nets, jumpers) = group.map_or((vec![c.net], Vec::new()), |g| (g.nets, g.jumpers));
    let headers = jumpers.iter().map(|&j| format!("the shunt of {}", board.jumpers[j].id));
    let of = board.resistors.iter().filter(|r| r.between.iter().any(|n| nets.contains(n)));
    let mut of: Vec<_> = of.collect();
    // Those at the pin bear on it in every place of the shunt.
    of.sort_by_key(|r| !r.between.contains(&c.net));
    let parts = of.iter().map(|r| r.id.clone());
    let pin = [format!("the pin {}", c.pin.name)];
    let mut moved: Vec<String> = headers.chain(parts).chain(pin).collect();
    let more = moved.len().saturating_sub(MOVED + 1);
    if more > 1 {
        let pin = moved.pop().unwrap_or_default();
        moved.truncate(MOVED);
        moved.push(format!("{more} more parts of its circuit"));
        moved.push(pin);
    }
    let last = moved.pop().unwrap_or_default();
    let moved = if moved.is_empty() { last } else { format!("{} and {last}", moved.join(", ")) };
    Told {
        sentence: format!(
            "a contact of {} comes and goes: a check failed that no part explains",
            c.id
        ),
        points: vec![
            format!(
                "for: {}{with} read {first} in step {} and {later} in step {}, the shunts the same",
                c.id, steps[0], steps[1]
            ),
            format!("`watch` {} while you press on {moved}, one after the other", c.id),
        ],
    }
}

/// Checks that nothing explains.
fn failed(checks: &[Failed]) -> Told {
    let named: Vec<&str> = checks.iter().take(NAMED).map(|check| check.what.as_str()).collect();
    let more = match checks.len().saturating_sub(NAMED) {
        0 => String::new(),
        more => format!(", and {more} more"),
    };
    let (is, it) = match checks {
        [_] => ("a check failed that no part explains", "it"),
        _ => ("checks failed that no part explains", "they"),
    };
    let why = checks.iter().take(NAMED).filter(|check| !check.reason.is_empty());
    let mut points: Vec<String> =
        why.map(|check| format!("{}: {}", check.what, check.reason)).collect();
    let passes = if checks.len() == 1 { "passes" } else { "pass" };
    points.push(format!("test the unit again: where {it} {passes} then, a contact comes and goes"));
    Told { sentence: format!("{is}: {}{more}", named.join(", ")), points }
}

/// What differs, byte by byte, and what it does.
fn fuses(board: &Board, expected: &Fuses, found: [u8; 4], resets: &[Reset]) -> Told {
    let bits = board.chip.fuse_bits.unwrap_or_default();
    let differs = expected.differs(found, bits).join(", ");
    let mut points = Vec::new();
    let changed = |byte: usize| expected.0[byte].filter(|e| (e ^ found[byte]) & bits[byte] != 0);
    let own = fuse_bits(&board.chip.name);
    if let (Some(byte), false) = (changed(0), own.is_empty()) {
        let (is, should) = (clock(found[0]), clock(byte));
        if is != should {
            points.push(format!("it runs by {is} instead of {should}"));
            points.push(
                "against: the probe answered at its line rate, which a clock that is not the \
                 probe's own spoils; the product may still have been built for the other"
                    .into(),
            );
        } else if (byte ^ found[0]) & 0x30 != 0 {
            points.push("it waits another time before it starts".into());
        }
    }
    if let (Some(byte), false) = (changed(2), own.is_empty()) {
        let (is, should) = (level(brown_out(found[2])), level(brown_out(byte)));
        points.push(format!("its brown-out detector is {is} instead of {should}"));
        points.extend(by_resets(board, resets, brown_out(found[2])));
    }
    for bit in own {
        let Some(byte) = changed(bit.byte) else { continue };
        if (byte ^ found[bit.byte]) & bit.mask != 0 {
            let programmed = found[bit.byte] & bit.mask == 0;
            let is = match programmed {
                true => "is programmed: the chip",
                false => "is not programmed, with which the chip",
            };
            points.push(format!("{} {is} {}", bit.name, bit.does));
            if bit.name == "WDTON" && programmed {
                let by = resets.iter().filter(|r| r.cause == "watchdog").count();
                points.push(match by {
                    0 => "against: no reset by the watchdog is in the record".into(),
                    _ => "for: the record has resets by the watchdog".into(),
                });
            }
        }
    }
    if changed(3).is_some() {
        points.push("the lock bits bear on reading and writing the program, on no reading".into());
    }
    points.push("set them right, and test again".into());
    Told { sentence: format!("the chip's fuses are not the board file's: {differs}"), points }
}

fn level(volts: Option<Volts>) -> String {
    match volts {
        Some(volts) if volts.0 == 0.0 => "off".to_string(),
        Some(volts) => format!("at {volts}"),
        None => "at a reserved code".to_string(),
    }
}

/// What resets say of a brown-out detector at this level.
fn by_resets(board: &Board, resets: &[Reset], level: Option<Volts>) -> Vec<String> {
    let Some(level) = level else { return Vec::new() };
    let brown: Vec<&Reset> = resets.iter().filter(|r| r.cause == "brownout").collect();
    let supply = board.supply.volts;
    match (level.0 > 0.0, brown.is_empty(), resets.is_empty()) {
        (true, false, _) => vec![format!(
            "for: {}, by the brown-out detector, so the supply of {supply} fell to some {level}",
            when(board, &brown)
        )],
        (true, true, false) => vec![format!(
            "against: {}, but not by the brown-out detector ({})",
            when(board, &resets.iter().collect::<Vec<_>>()),
            causes(resets)
        )],
        (false, _, false) => vec![format!(
            "for: {} ({}); without a detector the chip runs on as its supply fails, and may do \
             anything before",
            when(board, &resets.iter().collect::<Vec<_>>()),
            causes(resets)
        )],
        (_, _, true) => vec!["against: the record has no reset".to_string()],
    }
}

fn causes(resets: &[Reset]) -> String {
    let mut each: Vec<&str> = resets.iter().map(|r| r.cause.as_str()).collect();
    each.sort_unstable();
    each.dedup();
    let each: Vec<String> = each.iter().map(|cause| format!("cause: {cause}")).collect();
    each.join(", ")
}

/// When the chip was reset.
fn when(board: &Board, resets: &[&Reset]) -> String {
    let mut loads: Vec<String> = resets
        .iter()
        .filter(|r| !r.loads.is_empty())
        .map(|r| board.load_names(&r.loads, " and "))
        .collect();
    loads.sort();
    loads.dedup();
    let steps = resets.iter().filter(|r| r.loads.is_empty()).count();
    let mut parts = Vec::new();
    if !loads.is_empty() {
        parts.push(format!("as {} was switched on", loads.join(", and as ")));
    }
    match steps {
        0 => {}
        1 => parts.push("once in a step".to_string()),
        many => parts.push(format!("{many} times in steps")),
    }
    format!("the chip was reset {}", parts.join(" and "))
}

/// Resets with the fuses as they should be, or not known.
fn reset(board: &Board, resets: &[Reset], level: Option<Volts>) -> Told {
    let all: Vec<&Reset> = resets.iter().collect();
    let source = match board.supply.source.as_str() {
        "" => "the supply that feeds it".to_string(),
        source => format!("what feeds it ({source})"),
    };
    let sentence = format!(
        "{} ({}): {source} may be too weak, or a contact or lead of it poor",
        when(board, &all),
        causes(resets)
    );
    let mut points = match level {
        Some(volts) if volts.0 == 0.0 => {
            vec!["by the fuses its brown-out detector is off, as it should be".to_string()]
        }
        Some(_) => by_resets(board, resets, level),
        None if board.fuses.is_none() => vec![
            "whether a brown-out fuse set too high is why, the record cannot tell: the board file \
             states no [fuses], so none were read"
                .to_string(),
        ],
        None => vec!["the fuses could not be read".to_string()],
    };
    if resets.iter().any(|r| !r.loads.is_empty()) {
        points.push(
            "measure the supply at the board as the load goes on: where it stays up there, the \
             fault is between there and the chip"
                .into(),
        );
    }
    Told { sentence, points }
}

fn no_answer(expected: Option<&Fuses>) -> Told {
    let mut points = vec![
        "the rows cannot tell these apart: no probe on the chip, another clock by its fuses than \
         the probe was built for, no supply, the cable"
            .to_string(),
    ];
    points.push(match expected {
        Some(fuses) => {
            format!("read the fuses with a programmer: the board file has {}", fuses.text())
        }
        None => "read the fuses with a programmer; `[fuses]` in the board file has them looked at"
            .to_string(),
    });
    Told { sentence: "the probe never answered".into(), points }
}

fn reported(
    board: &Board,
    report: &Report,
    right: &[Right],
    defect: bool,
    misread: &[Misread],
) -> Told {
    let said = match report.said.as_str() {
        "" | "no" => "is said to read something else than".to_string(),
        said => format!("says '{said}' instead of"),
    };
    let sentence = format!(
        "the product's firmware {said} {}: its thresholds, or another program",
        report.expected
    );
    let mut points = Vec::new();
    for right in right.iter().take(NAMED) {
        let id = &board.channels[right.channel].id;
        points.push(format!(
            "for: {id} reads {:.0} in the delivery setting, which is right for {}",
            right.code, right.option
        ));
    }
    points.extend(misread.iter().take(NAMED).map(|m| misread_text(board, m)));
    if defect {
        points.push("against: readings of the unit are wrong too, see the causes above".into());
    }
    if misread.is_empty() && board.thresholds.is_empty() {
        points.push(
            "`check-thresholds` holds the firmware's numbers against the circuit; the board file \
             states none"
                .into(),
        );
    }
    Told { sentence, points }
}

fn misread_text(board: &Board, misread: &Misread) -> String {
    let Right { channel, setting, code, option } = &misread.reading;
    let at = super::diagnosis::places(board, *channel, setting);
    let id = &board.channels[*channel].id;
    format!(
        "for: {id} {at} reads {code:.0}, which is right for {option}; these thresholds may take it \
         for {}",
        misread.as_one_of.join(" or ")
    )
}
