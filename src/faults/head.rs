//! What a pass says besides the list of defects: how small a fault of each channel shows, and what no
//! reading shows at all; for the head of a record.

use super::{Least, Scale, least, scale};
use crate::board::Board;
use crate::board::chip::Probe;
use crate::units::Ohms;
use crate::window::Windows;

/// What no reading by a probe on the board itself ever shows, whatever the sequence.
const NEVER_SEEN: &str = "No probe on the board itself sees: nets that no channel reads; the \
    values of digital pull-ups; a whole ladder whose parts are off by one factor inside the range \
    of the chip's own pull-up; a supply that is off by less than the reference's tolerance; errors \
    that the test and the product have in common; contacts that are good now and bad later; the \
    probe's own pins; a wrong label; shorts to nets that are not in the board file; shunts that \
    are not the unit's own.";

/// The same, with what is particular to a board.
pub fn never_seen(board: &Board) -> String {
    let mut never = NEVER_SEEN.to_string();
    if board.chip.probe != Probe::None
        && let Some(why) = board.no_supply_reading()
    {
        never += &match board.supply.by_meter {
            true => format!(
                " Here {why}: its voltage and its sag under each load are what a person reads on a \
                 meter, to its last digit, and dips are not seen."
            ),
            false => format!(" Here {why}: measure it by a meter."),
        };
    }
    let parts: Vec<String> = board.bus_parts.iter().map(|part| part.id.clone()).collect();
    if !parts.is_empty() {
        never += &format!(
            " {} asked by address on the bus: an answer proves the supply of that part, silence \
             proves nothing, and neither bears on the verdict.",
            match &parts[..] {
                [one] => format!("{one} is"),
                _ => format!("{} are", parts.join(", ")),
            }
        );
    }
    never
}

/// For each analog channel the smallest poor contact, wrong resistor and scale error that a sequence
/// is sure to show, in words; see [`least`] and [`scale`].
pub fn smallest_shown(
    board: &Board,
    windows: &Windows,
    looks: impl IntoIterator<Item = (crate::board::Setting, Vec<usize>)>,
) -> Vec<String> {
    let looks: Vec<_> = looks.into_iter().collect();
    let scales = scale(board, windows, looks.iter().cloned());
    let one = |l: &Least| {
        let of_scale = scales.iter().find(|s| s.channel == l.channel);
        in_words(board, l, of_scale)
    };
    least(board, windows, looks.iter().cloned()).iter().map(one).collect()
}

fn in_words(board: &Board, least: &Least, scale: Option<&Scale>) -> String {
    let contact = match least.contact {
        Some(ohms) => format!("a contact from {} on", Ohms(ohms.0.round())),
        None => "no poor contact at each position".to_string(),
    };
    let percent = |share: Option<f64>, what: &str| match share {
        Some(share) => format!("{:.0} % {what}", 100.0 * share),
        None => format!("at no size {what}"),
    };
    let times = |factor: Option<f64>, what: &str| match factor {
        Some(factor) => format!("{factor:.2} times {what}"),
        None => format!("at no factor {what}"),
    };
    let large = percent(least.too_large.map(|f| f - 1.0), "too large");
    let small = percent(least.too_small.map(|f| 1.0 - 1.0 / f), "too small");
    let all = scale.map_or(String::new(), |s| {
        let (large, small) = (times(s.too_large, "too large"), times(s.too_small, "too small"));
        format!("; all of its resistors together {large}, {small}")
    });
    let id = &board.channels[least.channel].id;
    format!("{id}: {contact}; any resistor {large}, {small}{all}")
}
