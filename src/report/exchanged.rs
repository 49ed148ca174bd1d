//! Resistors that sit in each other's places, in different circuits: a reading shows each of them
//! as one of another value, and often only one of the two.

use super::diagnosis::paragraph;
use crate::board::Board;
use crate::circuit;
use crate::diagnose::Cause;
use crate::faults::Fault;
use crate::units::Ohms;

/// Resistors at most that are named as the other of the two.
const NAMED: usize = 4;

/// Values that are the same but for their rounding.
fn same(a: Ohms, b: Ohms) -> bool {
    (a.0 / b.0 - 1.0).abs() < 1e-3
}

/// Two resistors of which each has the other's value.
pub(super) fn both(board: &Board, cause: &Cause) -> Option<Fault> {
    let value = |r: usize| board.resistors[r].ohms;
    match cause.faults[..] {
        [
            Fault::ResistorValue { resistor: a, ohms: of_b },
            Fault::ResistorValue { resistor: b, ohms: of_a },
        ] if same(of_a, value(a)) && same(of_b, value(b)) => {
            Some(Fault::ResistorsSwapped { resistors: [a, b] })
        }
        _ => None,
    }
}

/// Where to look for the part that belongs in the place of one of another value: a line, if the
/// board has one in a circuit of its own, where it may show nothing.
pub(super) fn elsewhere(board: &Board, cause: &Cause) -> String {
    let [Fault::ResistorValue { resistor, ohms }] = cause.faults[..] else { return String::new() };
    let nets = |r: usize| board.resistors[r].between;
    let apart = |r: usize| {
        let mut groups = circuit::groups(board).into_iter();
        let touches = |r: usize, g: &circuit::Group| nets(r).iter().any(|net| g.nets.contains(net));
        !groups.any(|g| touches(r, &g) && touches(resistor, &g))
    };
    let others: Vec<&str> = (0..board.resistors.len())
        .filter(|&r| r != resistor && same(board.resistors[r].ohms, ohms) && apart(r))
        .map(|r| board.resistors[r].id.as_str())
        .collect();
    // Of a value that is everywhere nothing is said.
    if others.is_empty() || others.len() > NAMED {
        return String::new();
    }
    let (ids, own) = (others.join(", "), board.resistors[resistor].ohms);
    paragraph(&format!("{ohms} belongs at {ids}: look whether {own} is there"), 3)
}
