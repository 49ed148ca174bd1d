//! How long a sequence takes an operator's hands.

use super::{Move, Walk, meter};
use crate::board::Board;

/// Seconds to ask a part on a bus, once the unit is as it leaves: no hand is busy meanwhile, so that
/// it adds to the rest. Some 80 bytes both ways at 38,400 baud, the slower rate of the probe.
const ASKED_ON_BUS: f64 = 0.02;

impl Walk {
    /// Seconds that moves, questions and a meter take at the pace of the board file, and the parts
    /// asked on a bus; what the probe reads meanwhile, and looking for the next header, comes on top.
    pub fn seconds(&self, board: &Board) -> f64 {
        let pace = &board.pace;
        let mut hand = Hand { board, last: None, seconds: 0.0 };
        // Where the shunts were before is not known: each that is wanted is put.
        if let Some(first) = self.metered.first() {
            let off = crate::board::Setting::all_open(board);
            hand.moves(&meter::moves(&off, &first.setting));
        }
        for stop in &self.metered {
            hand.moves(&stop.moves);
            hand.seconds += pace.meter * stop.channels.len() as f64;
        }
        if let (Some(last), Some(first)) = (self.metered.last(), self.steps.first())
            && meter::needs_power(board)
        {
            hand.moves(&meter::moves(&last.setting, &first.setting));
        }
        for made in self.steps.iter().filter_map(|step| step.made) {
            hand.moves(&[made]);
            if board.jumpers[made.jumper].power {
                hand.seconds += pace.power_cycle;
            }
        }
        let asked = board.questions.iter().filter(|q| {
            let holds = |step: &super::Step| q.when.iter().all(|&(j, p)| step.setting.0[j] == p);
            self.steps.iter().any(holds)
        });
        hand.seconds
            + pace.question * asked.count() as f64
            + pace.meter * supply_by_meter(board) as f64
            + ASKED_ON_BUS * board.bus_parts.len() as f64
    }

    /// How often a shunt is moved on another header than the one before.
    pub fn header_changes(&self) -> usize {
        let moved: Vec<usize> = self.steps.iter().filter_map(|s| Some(s.made?.jumper)).collect();
        moved.windows(2).filter(|pair| pair[0] != pair[1]).count()
    }

    /// Values that are read by meter.
    pub fn values(&self) -> usize {
        self.metered.iter().map(|stop| stop.channels.len()).sum()
    }
}

/// Values of the supply that are read by meter: to ground before the power is on, without load, and
/// with each load and with all of them where the probe reads none of it.
fn supply_by_meter(board: &Board) -> usize {
    let supply = &board.supply;
    let loads = board.loads.len();
    let together = usize::from(loads > 1 && supply.all_loads);
    let on_load = if supply.by_meter { loads + together } else { 0 };
    usize::from(supply.before_power.is_some())
        + usize::from(supply.calibrate || supply.by_meter)
        + on_load
}

/// A hand on its way from header to header.
struct Hand<'a> {
    board: &'a Board,
    last: Option<usize>,
    seconds: f64,
}

impl Hand<'_> {
    fn moves(&mut self, moves: &[Move]) {
        for made in moves {
            self.seconds += self.board.pace.shunt;
            if self.last.is_some_and(|last| last != made.jumper) {
                self.seconds += self.board.pace.other_header;
            }
            self.last = Some(made.jumper);
        }
    }
}
