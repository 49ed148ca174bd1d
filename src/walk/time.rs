//! How long a sequence takes an operator's hands.

use super::{Move, Walk, meter};
use crate::board::Board;

impl Walk {
    /// Seconds that moves, questions and a meter take at the pace of the board file; what the probe
    /// reads meanwhile, and looking for the next header, comes on top.
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
        // Supply to ground before the power is on, and the supply itself, both by meter.
        let supply = [board.supply.before_power.is_some(), board.supply.calibrate];
        let by_meter = supply.into_iter().filter(|&asked| asked).count();
        hand.seconds + pace.question * asked.count() as f64 + pace.meter * by_meter as f64
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
