//! How a defect changes the circuit, as changes that a solved circuit answers without solving again.

use super::Fault;
use crate::board::{Board, Level, NetId, Place, Setting};
use crate::circuit::{Change, Group, SEATED};
use crate::units::Ohms;
use std::borrow::Cow;

/// The net of a rail.
pub(super) fn rail(board: &Board, level: Level) -> NetId {
    if level == Level::High { board.supply.net } else { board.supply.ground }
}

/// What of a board a defect can bear on.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reach {
    /// Nets that it sits at; rails carry nothing on.
    pub nets: Vec<NetId>,
    /// Jumpers that it sits at.
    pub jumpers: Vec<usize>,
    /// The one channel that it bears on, where its net is not touched.
    pub channel: Option<usize>,
}

impl Reach {
    /// Whether the defect bears on what a group holds.
    pub fn touches(&self, board: &Board, group: &Group) -> bool {
        let net = |n: &NetId| group.nets.contains(n);
        self.nets.iter().any(net)
            || self.jumpers.iter().any(|j| group.jumpers.contains(j))
            || self.channel.is_some_and(|c| net(&board.channels[c].net))
    }
}

impl Fault {
    /// What the defect can bear on.
    pub fn reach(self, board: &Board) -> Reach {
        let nets = |nets: &[NetId]| Reach { nets: nets.to_vec(), ..Reach::default() };
        let jumpers = |jumpers: &[usize]| Reach { jumpers: jumpers.to_vec(), ..Reach::default() };
        let channel = |channel| Reach { channel: Some(channel), ..Reach::default() };
        match self {
            Fault::ResistorOpen { resistor }
            | Fault::ResistorShorted { resistor }
            | Fault::ResistorValue { resistor, .. }
            | Fault::ResistorOff { resistor, .. } => nets(&board.resistors[resistor].between),
            Fault::ResistorsSwapped { resistors } => {
                nets(&resistors.map(|r| board.resistors[r].between).concat())
            }
            Fault::ContactOpen { jumper, .. }
            | Fault::ContactResistive { jumper, .. }
            | Fault::SecondShunt { jumper, .. }
            | Fault::CountedFromWrongEnd { jumper } => jumpers(&[jumper]),
            Fault::HeadersMistaken { jumpers: both } => jumpers(&both),
            Fault::PinsBridged { between, .. } | Fault::HeadersBridged { between, .. } => {
                nets(&between)
            }
            Fault::PinOpen { channel: c }
            | Fault::PinStuck { channel: c, .. }
            | Fault::PullUpMissing { channel: c } => channel(c),
            Fault::PinLeaks { channel, .. } => nets(&[board.channels[channel].net]),
            Fault::ChannelsBridged { channels, .. } => {
                nets(&channels.map(|c| board.channels[c].net))
            }
            Fault::SwitchStaysOpen { switch } | Fault::SwitchStaysClosed { switch } => {
                nets(&board.switches[switch].between)
            }
            Fault::LoadDead { .. } | Fault::LoadShorted { .. } => Reach::default(),
        }
    }

    /// Where the shunts are for the circuit that [`Fault::changes`] are made to.
    pub(crate) fn seat<'s>(self, board: &Board, meant: &'s Setting) -> Cow<'s, Setting> {
        let at = |jumper: usize, position: usize| meant.0[jumper] == Place::At(position);
        match self {
            Fault::ContactOpen { jumper, position }
            | Fault::ContactResistive { jumper, position, .. }
                if at(jumper, position) =>
            {
                Cow::Owned(meant.with(jumper, Place::Open))
            }
            Fault::CountedFromWrongEnd { jumper } => match meant.0[jumper] {
                Place::Open => Cow::Borrowed(meant),
                Place::At(position) => {
                    let last = board.jumpers[jumper].positions.len() - 1;
                    Cow::Owned(meant.with(jumper, Place::At(last - position)))
                }
            },
            Fault::HeadersMistaken { jumpers: [a, b] } if meant.0[a] != meant.0[b] => {
                let mut seat = meant.clone();
                seat.0.swap(a, b);
                Cow::Owned(seat)
            }
            _ => Cow::Borrowed(meant),
        }
    }

    /// The switches that are closed when these are commanded to be.
    pub(crate) fn closed(self, commanded: &[usize]) -> Cow<'_, [usize]> {
        match self {
            Fault::SwitchStaysOpen { switch } if commanded.contains(&switch) => {
                Cow::Owned(commanded.iter().copied().filter(|&s| s != switch).collect())
            }
            Fault::SwitchStaysClosed { switch } if !commanded.contains(&switch) => {
                Cow::Owned(commanded.iter().copied().chain([switch]).collect())
            }
            _ => Cow::Borrowed(commanded),
        }
    }

    /// What is added to and taken from the nominal circuit in a setting that is meant.
    pub(crate) fn changes(self, board: &Board, meant: &Setting) -> Vec<Change> {
        let at = |jumper: usize, position: usize| meant.0[jumper] == Place::At(position);
        let bridge =
            |between, ohms: Ohms| Change { between, siemens: 1.0 / ohms.0, resistor: None };
        let poles = |jumper: usize, position: usize, ohms: Ohms| {
            let joins = &board.jumpers[jumper].positions[position].joins;
            joins.iter().map(|&between| bridge(between, ohms)).collect()
        };
        match self {
            Fault::ResistorOpen { resistor } => vec![other(board, resistor, f64::INFINITY)],
            Fault::ResistorShorted { resistor } => vec![other(board, resistor, SEATED.0)],
            Fault::ResistorValue { resistor, ohms } => vec![other(board, resistor, ohms.0)],
            Fault::ResistorOff { resistor, ratio } => {
                vec![other(board, resistor, board.resistors[resistor].ohms.0 * ratio)]
            }
            Fault::ResistorsSwapped { resistors: [a, b] } => {
                let ohms = |r: usize| board.resistors[r].ohms.0;
                vec![other(board, a, ohms(b)), other(board, b, ohms(a))]
            }
            Fault::ContactResistive { jumper, position, ohms } if at(jumper, position) => {
                poles(jumper, position, ohms)
            }
            // Where the unit's own shunt sits there already, a second one adds nothing.
            Fault::SecondShunt { jumper, position } if !at(jumper, position) => {
                poles(jumper, position, SEATED)
            }
            Fault::PinsBridged { between, ohms, .. }
            | Fault::HeadersBridged { between, ohms, .. } => vec![bridge(between, ohms)],
            Fault::PinLeaks { channel, to, ohms } => {
                vec![bridge([board.channels[channel].net, rail(board, to)], ohms)]
            }
            Fault::ChannelsBridged { channels, ohms } => {
                vec![bridge(channels.map(|c| board.channels[c].net), ohms)]
            }
            _ => Vec::new(),
        }
    }

    /// What the pin of a channel sees whatever its net does; none where the net is what it sees.
    pub(crate) fn pin(self, channel: usize) -> Option<super::Joint> {
        match self {
            Fault::PinOpen { channel: c } if c == channel => Some(super::Joint::Open),
            Fault::PinStuck { channel: c, level } if c == channel => {
                Some(super::Joint::Stuck(level))
            }
            _ => None,
        }
    }
}

/// A resistor of another value.
fn other(board: &Board, resistor: usize, ohms: f64) -> Change {
    let r = &board.resistors[resistor];
    let siemens = 1.0 / ohms - 1.0 / r.ohms.0;
    Change { between: r.between, siemens, resistor: Some(resistor) }
}
