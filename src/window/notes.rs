//! What the bands rest on, figure by figure with its provenance, and what a maker might change.

use super::settle::{self, ENOUGH, Remedies, Settling};
use super::{ChannelWindows, Class, Windows};
use crate::board::chip::{Figure, Provenance};
use crate::board::{Board, Channel, Kind, Reference, Setting};
use crate::units::Volts;

/// Codes that limits and nominal codes keep from a bad code of the converter. Advice of our own:
/// the step there is some nine codes wide.
pub const CLEAR: u16 = 10;

/// A figure of the chip that bands rest on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// What it is and how large.
    pub text: String,
    /// Where it comes from.
    pub from: Provenance,
}

/// Every figure of the chip and of the reference that this board's bands rest on.
pub fn figures(board: &Board) -> Vec<Note> {
    let chip = &board.chip;
    let mut notes = Vec::new();
    // What a meter reads with the power off has nothing of the chip in it.
    if board.channels.iter().all(|c| matches!(c.kind, Kind::Meter { .. })) {
        return notes;
    }
    let mut note = |text: String, from: Provenance| notes.push(Note { text, from });
    for (name, figure) in errors(board) {
        note(format!("{name} of the {} up to {} LSB", chip.part, figure.worst()), figure.from);
    }
    let leakage = crate::units::Amperes(chip.leakage.0);
    note(format!("a pin of the {} leaks up to {leakage}", chip.part), chip.leakage_from);
    let (low, high) = chip.pull_up;
    note(format!("pull-ups of the {} have {low} to {high}", chip.part), chip.pull_up_from);
    if board.channels.iter().any(|c| c.kind == Kind::Digital) {
        let volts = |share: f64| Volts(share * board.supply.volts.0);
        let (vil, vih) = (volts(chip.vil.0), volts(chip.vih.0));
        note(format!("low is up to {vil}, high from {vih}"), chip.levels_from);
    }
    if board.channels.iter().any(|c| c.kind == Kind::Analog) {
        let s = &chip.sampling;
        let text = format!(
            "the {} samples {} through {} for {} clocks of {}",
            chip.part, s.hold, s.ohms, s.clocks, board.firmware.adc_clock
        );
        note(text, s.from);
    }
    if let Reference::Internal(i) = board.firmware.reference {
        note(format!("the internal reference has {} to {}", i.low, i.high), i.from);
    }
    notes
}

/// The converter's errors by name, as they enter.
fn errors(board: &Board) -> Vec<(&'static str, Figure)> {
    let chip = &board.chip;
    let mut found = match chip.total {
        Some(total) => vec![("total error", total)],
        None => vec![
            ("offset", chip.offset),
            ("gain error", chip.gain),
            ("INL", chip.inl),
            ("DNL", chip.dnl),
        ],
    };
    found.extend(chip.extra.map(|extra| ("further error at this clock", extra)));
    found
}

/// The lines on the chip that no limit of its data sheet bears.
pub(super) fn of_the_chip(board: &Board) -> Vec<String> {
    let line = |note: Note| match note.from {
        Provenance::Max => None,
        Provenance::Typical => Some(format!("{}: twice its typical figure (assumed)", note.text)),
        Provenance::Assumed => Some(format!("{} (assumed)", note.text)),
    };
    figures(board).into_iter().filter_map(line).collect()
}

/// What would make the design better, a line each: what is wrong, and what to change.
pub fn advice(board: &Board, windows: &Windows) -> Vec<String> {
    let mut lines: Vec<String> = reference(board).into_iter().chain(clock(board)).collect();
    for (channel, w) in board.channels.iter().zip(&windows.channels) {
        if channel.kind == Kind::Analog {
            lines.extend(unsettled(board, channel, w));
            lines.extend(w.classes.iter().filter_map(|c| bad_code(board, channel, c)));
            lines.extend(w.classes.iter().filter_map(|c| unusable(board, channel, c)));
        }
    }
    lines
}

/// An internal reference that is farther off than the supply is no help.
fn reference(board: &Board) -> Option<String> {
    let Reference::Internal(i) = board.firmware.reference else { return None };
    let ends = (i.high.0 / i.typical.0 - 1.0).max(1.0 - i.low.0 / i.typical.0);
    let whole = i.total.map_or(0.0, |t| t.worst() / f64::from(board.chip.full_scale));
    let off = ends.max(whole);
    let supply = board.supply.tolerance.0;
    (off >= supply).then(|| {
        format!(
            "the internal reference may be off by {:.1} percent, the supply by {:.1} percent \
             only: write `reference = \"supply\"` in [firmware], which cancels both at a divider",
            100.0 * off,
            100.0 * supply
        )
    })
}

fn clock(board: &Board) -> Option<String> {
    let (above, figure) = board.chip.clock.beyond?;
    board.chip.extra.is_some().then(|| {
        format!(
            "a converter clock of {} costs {} more codes of error: slow it to {above}",
            board.firmware.adc_clock,
            figure.worst()
        )
    })
}

/// The setting of a channel that settles worst, if that is not enough.
fn unsettled(board: &Board, channel: &Channel, w: &ChannelWindows) -> Option<String> {
    let of = |class: &'_ Class| {
        let at = |places: &Vec<_>| -> Setting {
            places.iter().fold(board.delivery.clone(), |s, &(j, p)| s.with(j, p))
        };
        let mut settings: Vec<Setting> =
            std::iter::once(&class.places).chain(&class.also).map(at).collect();
        settings.dedup();
        let name = if class.name.is_empty() { "any setting" } else { &class.name }.to_string();
        settings
            .into_iter()
            .filter_map(|s| settle::settling(board, &s, channel))
            .max_by(|a, b| a.left.total_cmp(&b.left))
            .map(|s| (name, s))
    };
    let (name, worst) =
        w.classes.iter().filter_map(of).max_by(|a, b| a.1.left.total_cmp(&b.1.left))?;
    let codes = worst.codes(&board.chip);
    (codes > ENOUGH).then(|| {
        let remedies = settle::remedies(&board.chip, &board.firmware, &worst);
        format!(
            "{}: in {name} a sample from {} keeps up to {codes:.1} codes of the channel read \
             before; {}",
            channel.id,
            worst.source,
            changes(&worst, &remedies)
        )
    })
}

/// The remedies in words, each by itself.
fn changes(now: &Settling, remedies: &Remedies) -> String {
    let mut ways = Vec::new();
    if let Some(source) = remedies.source.filter(|s| s.0 < now.source.0) {
        ways.push(format!("lower its resistors to a source of {source}"));
    }
    ways.extend(remedies.clock.map(|clock| format!("slow the converter to {clock}")));
    ways.extend(remedies.discard.map(|n| format!("throw {n} conversions away")));
    ways.extend(remedies.capacitor.map(|c| format!("put {c} from the pin to ground")));
    if ways.is_empty() {
        return "lower its resistors and slow the converter".to_string();
    }
    ways.join(", or ")
}

/// A position whose nominal code, or whose band, lies at a step of the converter.
fn bad_code(board: &Board, channel: &Channel, class: &Class) -> Option<String> {
    let clear = f64::from(CLEAR);
    let near = |code: &&u16| {
        let code = f64::from(**code);
        class.design.low - clear < code && code < class.design.high + clear
    };
    let bad = *board.chip.bad_codes.iter().find(near)?;
    let nominal = (class.code - f64::from(bad)).abs();
    let what = if nominal < clear { "nominal code" } else { "band" };
    Some(format!(
        "{}: the {what} of {} ({:.0}; {:.0} to {:.0}) is at code {bad}, where the converter of the \
         {} makes a step: choose resistors that move it {CLEAR} codes clear of it",
        channel.id, class.name, class.code, class.design.low, class.design.high, board.chip.part
    ))
}

/// A position beyond the range for which the converter's errors are stated.
fn unusable(board: &Board, channel: &Channel, class: &Class) -> Option<String> {
    let (low, high) = board.chip.usable;
    let scale = board.chip.scale;
    let meant = board.chip.means(class.code);
    let outside =
        (low.0 > 0.0 && meant < low.0 * scale) || (high.0 < 1.0 && meant > high.0 * scale);
    outside.then(|| {
        format!(
            "{}: {} reads code {:.0}, beyond the {:.0} to {:.0} percent of the range for which the \
             errors of the {} are stated: its window takes all codes to the end of the scale",
            channel.id,
            if class.name.is_empty() { "any setting" } else { &class.name },
            class.code,
            100.0 * low.0,
            100.0 * high.0,
            board.chip.part
        )
    })
}
