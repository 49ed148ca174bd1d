//! The order of settings that the operator is led through.

use crate::board::{Board, Place, Setting};

/// One shunt moved once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Move {
    /// Jumper index.
    pub jumper: usize,
    /// From here.
    pub from: Place,
    /// To here.
    pub to: Place,
}

/// A setting to be measured, and the move that leads to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// The setting.
    pub setting: Setting,
    /// The move from the step before; none for the first and the last.
    pub made: Option<Move>,
}

/// The sequence: the first step is the start, the last the delivery setting with hands off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Walk {
    /// The steps in order.
    pub steps: Vec<Step>,
}

impl Walk {
    /// How many shunts are moved.
    pub fn moves(&self) -> usize {
        self.steps.iter().filter(|s| s.made.is_some()).count()
    }
}

/// Plans the sequence from a board without shunts to its delivery setting.
///
/// Jumper by jumper, every place that the maker uses is visited once and the delivery place last,
/// so that nothing is moved twice: as many moves as there are places besides `open`, and one more
/// for each jumper that leaves open.
pub fn plan(board: &Board, delivery: &Setting) -> Walk {
    let mut setting = Setting::all_open(board);
    let mut steps = vec![Step { setting: setting.clone(), made: None }];
    for (jumper, header) in board.jumpers.iter().enumerate() {
        let last = delivery.0[jumper];
        let others = header.places().into_iter().filter(|&p| p != Place::Open && p != last);
        for to in others.chain([last]) {
            let from = setting.0[jumper];
            if to != from {
                setting = setting.with(jumper, to);
                let made = Some(Move { jumper, from, to });
                steps.push(Step { setting: setting.clone(), made });
            }
        }
    }
    steps.push(Step { setting, made: None });
    Walk { steps }
}
