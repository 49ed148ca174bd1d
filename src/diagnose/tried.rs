//! Whether a unit reads wrong where something is tried on it: where it does not, it reads as it
//! should after the trial as well, whatever is wrong with it elsewhere.

use super::evidence::Evidence;
use super::look::{Between, Look};
use super::measure::{Measurement, expected};
use crate::board::{Board, Place, Setting};
use crate::circuit::{self, Group, Parts};
use crate::faults::{Built, Fault, answer};

/// Share of full scale by which a code is off that some window would still take.
const OFF: f64 = 0.01;

/// Whether a unit with these defects reads otherwise than a good one where a trial is judged; none
/// for a look that no reading judges. Of a blade or an iron that is anything that is wrong in the
/// circuit, since it is judged where most is.
pub(super) fn reads_wrong(board: &Board, look: &Look, faults: &[Fault]) -> Option<bool> {
    let groups = circuit::groups(board);
    let of_jumper = |j: usize| groups.iter().find(|g| g.jumpers.contains(&j));
    let of_channel = |c: usize| groups.iter().find(|g| g.nets.contains(&board.channels[c].net));
    let touched = |group: Option<&Group>| {
        group.is_none_or(|g| faults.iter().any(|f| f.reach(board).touches(board, g)))
    };
    let wrong = match *look {
        Look::OtherShunt { jumper, position } => {
            let setting = board.delivery.with(jumper, Place::At(position));
            touched(of_jumper(jumper)) && differs(board, of_jumper(jumper), &setting, faults)
        }
        Look::Scraped(pins) | Look::Desoldered(pins) => match pins {
            Between::Header { jumper, .. } => touched(of_jumper(jumper)),
            Between::Headers { jumpers, .. } => jumpers.iter().any(|&j| touched(of_jumper(j))),
            Between::Chip { channels } => channels.iter().any(|&c| touched(of_channel(c))),
        },
        Look::Resoldered { channel } => touched(of_channel(channel)),
        _ => return None,
    };
    Some(wrong)
}

/// Whether the unit's own shunt was seen where another one is to be tried.
pub(super) fn is_due(evidence: &Evidence, look: &Look) -> bool {
    let Look::OtherShunt { jumper, position } = *look else { return true };
    let there = |setting: &Setting| setting.0[jumper] == Place::At(position);
    evidence.readings.iter().any(|r| there(&r.setting))
        || evidence.answers.iter().any(|(setting, ..)| there(setting))
}

/// Whether a channel of a group, or where it has none a question, tells these defects from none.
fn differs(board: &Board, group: Option<&Group>, setting: &Setting, faults: &[Fault]) -> bool {
    let good = Built::good(board, Parts::nominal(board));
    let mut built = good.clone();
    faults.iter().for_each(|&f| built.plant(board, f));
    let own = |&c: &usize| group.is_some_and(|g| g.nets.contains(&board.channels[c].net));
    let channels: Vec<usize> = (0..board.channels.len()).filter(own).collect();
    if channels.is_empty() {
        let mut questions = board.questions.iter();
        return questions
            .any(|q| answer(board, &built, setting, q) != answer(board, &good, setting, q));
    }
    let off = OFF * f64::from(board.chip.full_scale);
    channels.into_iter().any(|channel| {
        let reading = Measurement::Reading { channel, setting: setting.clone() };
        let [is, should] = [&built, &good].map(|unit| expected(board, unit, &reading).0);
        (is - should).abs() > off
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::parse;

    #[test]
    fn what_reads_right_at_a_place_does_so_with_another_shunt_too() {
        let text = include_str!("../../protocols/vent-controller.toml");
        let board = parse("demo", text).expect("a board");
        let jumper = |id: &str| board.jumpers.iter().position(|j| j.id == id).expect("a jumper");
        let resistor =
            |id: &str| board.resistors.iter().position(|r| r.id == id).expect("a resistor");
        let at = |id: &str| Look::OtherShunt { jumper: jumper(id), position: 0 };
        let yes = |look: Look, faults: &[Fault]| look.yes(&board, faults);
        // Nothing is wrong there: in the whole unit, or in this circuit.
        assert!(yes(at("J3"), &[]) > 0.9);
        assert!(yes(at("J3"), &[Fault::ResistorOpen { resistor: resistor("R1") }]) > 0.9);
        // An open pull-up is wrong with the header open only.
        assert!(yes(at("J3"), &[Fault::ResistorOpen { resistor: resistor("R12") }]) > 0.9);
        let open = Fault::ContactOpen { jumper: jumper("J3"), position: 0 };
        assert_eq!(yes(at("J3"), &[open]), 0.5);
        let channel = board.channel("ADDR1").expect("a channel");
        let level = crate::board::Level::High;
        assert!(yes(at("J3"), &[Fault::PinStuck { channel, level }]) < 0.1);
        // No channel is at the lamps' header: they are what is looked at.
        assert!(yes(at("J6"), &[]) > 0.9);
        assert!(yes(at("J6"), &[Fault::ResistorOpen { resistor: resistor("R30") }]) < 0.1);
    }
}
