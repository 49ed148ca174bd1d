//! The list: every modelled defect of a board.

use super::Fault;
use crate::board::{Board, Jumper, Kind, Level, NetId, Position};
use crate::circuit;
use crate::units::Ohms;
use std::collections::BTreeMap;

/// The factors of wrong values that are modelled: the neighbouring decades, mis-picked reels being
/// the commonest mistake of hand assembly (common practice, no source).
const DECADES: [f64; 2] = [0.1, 10.0];

/// A resistor that is off by so many times its tolerance stands for those out of tolerance.
const TIMES_TOLERANCE: f64 = 10.0;

/// A poor contact: a kilohm stands for those that are neither good nor open (advice of our own).
pub const RESISTIVE: Ohms = Ohms(1e3);

/// A leak at a pin: flux residue, a pin that was overloaded (advice of our own).
pub const LEAK: Ohms = Ohms(10e3);

/// A bridge of solder (advice of our own: far below any resistor of a jumper circuit).
const SOLDER: Ohms = Ohms(0.1);

/// Every modelled defect of a board.
pub fn modelled(board: &Board) -> Vec<Fault> {
    let mut faults = Vec::new();
    for resistor in 0..board.resistors.len() {
        of_resistor(board, resistor, &mut faults);
    }
    swapped(board, &mut faults);
    for (jumper, j) in board.jumpers.iter().enumerate() {
        of_jumper(jumper, j, &mut faults);
    }
    faults.extend(beside_each_other(board));
    mistaken(board, &mut faults);
    for (channel, c) in board.channels.iter().enumerate() {
        if matches!(c.kind, Kind::Meter { .. }) {
            continue;
        }
        faults.push(Fault::PinOpen { channel });
        for level in [Level::Low, Level::High] {
            faults.push(Fault::PinStuck { channel, level });
            faults.push(Fault::PinLeaks { channel, to: level, ohms: LEAK });
        }
        if c.pull_up {
            faults.push(Fault::PullUpMissing { channel });
        }
    }
    faults.extend(side_by_side(board));
    for switch in 0..board.switches.len() {
        faults.push(Fault::SwitchStaysOpen { switch });
        faults.push(Fault::SwitchStaysClosed { switch });
    }
    for load in 0..board.loads.len() {
        faults.push(Fault::LoadDead { load });
        faults.push(Fault::LoadShorted { load });
    }
    faults
}

fn of_resistor(board: &Board, resistor: usize, faults: &mut Vec<Fault>) {
    let r = &board.resistors[resistor];
    faults.push(Fault::ResistorOpen { resistor });
    faults.push(Fault::ResistorShorted { resistor });
    let value = |ohms: f64| Fault::ResistorValue { resistor, ohms: Ohms(ohms) };
    let decades = DECADES.map(|f| r.ohms.0 * f);
    faults.extend(decades.map(value));
    let mut others: Vec<f64> = board.resistors.iter().map(|other| other.ohms.0).collect();
    others.sort_by(f64::total_cmp);
    others.dedup();
    let apart = |a: f64, b: f64| (a / b - 1.0).abs() > 3.0 * r.tolerance.0;
    let known = |ohms: f64| decades.iter().chain([&r.ohms.0]).any(|&d| !apart(ohms, d));
    faults.extend(others.into_iter().filter(|&ohms| !known(ohms)).map(value));
    let off = TIMES_TOLERANCE * r.tolerance.0;
    // Beyond that it stands for no drift any more.
    if off < 0.9 {
        faults.extend([1.0 - off, 1.0 + off].map(|ratio| Fault::ResistorOff { resistor, ratio }));
    }
}

/// Resistors of one group that may sit in each other's places; of different groups, each of them
/// is one of another value.
fn swapped(board: &Board, faults: &mut Vec<Fault>) {
    for group in circuit::groups(board) {
        let inside = |&r: &usize| board.resistors[r].between.iter().any(|n| group.nets.contains(n));
        let members: Vec<usize> = (0..board.resistors.len()).filter(inside).collect();
        for (i, &a) in members.iter().enumerate() {
            for &b in &members[i + 1..] {
                let [ra, rb] = [a, b].map(|r| &board.resistors[r]);
                let apart = (ra.ohms.0 / rb.ohms.0).ln().abs();
                if apart > 3.0 * ra.tolerance.0.max(rb.tolerance.0) {
                    faults.push(Fault::ResistorsSwapped { resistors: [a, b] });
                }
            }
        }
    }
}

fn of_jumper(jumper: usize, j: &Jumper, faults: &mut Vec<Fault>) {
    for position in 0..j.positions.len() {
        faults.push(Fault::ContactOpen { jumper, position });
        faults.push(Fault::ContactResistive { jumper, position, ohms: RESISTIVE });
        if has_room_for_two(j, position) {
            faults.push(Fault::SecondShunt { jumper, position });
        }
    }
    for ([a, b], between) in neighbours(j, &j.pin_nets()) {
        faults.push(Fault::PinsBridged { jumper, pins: [a, b], between, ohms: SOLDER });
    }
    if j.positions.len() > 1 {
        faults.push(Fault::CountedFromWrongEnd { jumper });
    }
}

/// Whether a shunt on this position leaves another one free.
fn has_room_for_two(j: &Jumper, position: usize) -> bool {
    let pins = |p: &Position| p.pins.concat();
    let taken = pins(&j.positions[position]);
    let free = |p: &Position| pins(p).iter().all(|pin| !taken.contains(pin));
    j.positions.iter().any(free)
}

/// Pins side by side whose nets differ. A header whose shunts all join an odd pin with the next
/// one has two rows, with the odd pins in one of them (common practice, no source).
fn neighbours(j: &Jumper, nets: &BTreeMap<u16, NetId>) -> Vec<([u16; 2], [NetId; 2])> {
    let poles: Vec<[u16; 2]> = j.positions.iter().flat_map(|p| p.pins.iter().copied()).collect();
    let two_rows = poles.len() > 1 && poles.iter().all(|&[a, b]| a % 2 == 1 && b == a + 1);
    let mut found = Vec::new();
    for (&pin, &net) in nets {
        let across = (!two_rows || pin % 2 == 1).then_some(pin + 1);
        let along = two_rows.then_some(pin + 2);
        for other in [across, along].into_iter().flatten() {
            match nets.get(&other) {
                Some(&to) if to != net => found.push(([pin, other], [net, to])),
                _ => {}
            }
        }
    }
    found
}

/// Pins of two headers side by side whose nets differ.
fn beside_each_other(board: &Board) -> impl Iterator<Item = Fault> + '_ {
    let apart = board.neighbours.iter().filter(|n| n.nets[0] != n.nets[1]);
    apart.map(|n| Fault::HeadersBridged {
        jumpers: n.jumpers,
        pins: n.pins,
        between: n.nets,
        ohms: SOLDER,
    })
}

/// Headers that look alike: as many positions, moved alike.
fn mistaken(board: &Board, faults: &mut Vec<Fault>) {
    for (a, first) in board.jumpers.iter().enumerate() {
        for (b, second) in board.jumpers.iter().enumerate().skip(a + 1) {
            let alike = first.positions.len() == second.positions.len()
                && (first.open, first.power) == (second.open, second.power);
            if alike {
                faults.push(Fault::HeadersMistaken { jumpers: [a, b] });
            }
        }
    }
}

/// Channels whose pins are neighbours: ports run along the edges of the package.
fn side_by_side(board: &Board) -> Vec<Fault> {
    let place = |c: usize| {
        let number = board.channels[c].pin.number;
        board.chip.pins.iter().position(|p| p.number == number)
    };
    let port = |c: usize| board.channels[c].pin.name.get(..2).map(str::to_string);
    let channels = 0..board.channels.len();
    let mut found = Vec::new();
    for a in channels.clone() {
        for b in channels.clone().skip(a + 1) {
            let (Some(at), Some(beside)) = (place(a), place(b)) else { continue };
            let nets = [a, b].map(|c| board.channels[c].net);
            if at.abs_diff(beside) == 1 && port(a) == port(b) && nets[0] != nets[1] {
                found.push(Fault::ChannelsBridged { channels: [a, b], ohms: SOLDER });
            }
        }
    }
    found
}
