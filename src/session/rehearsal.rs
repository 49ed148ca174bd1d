//! Runs a unit on a virtual clock: a virtual board and an automatic operator. The same seed gives
//! the same record to the byte.

use super::hands::{Automatic, Deed, as_typed};
use super::{Act, Conductor};
use crate::bench::command::Ran;
use crate::bench::{Procedure, Summary};
use crate::probe::virtual_board::VirtualBoard;
use crate::screen::Screen;
use crate::store::{Attempt, StoreError};
use std::time::Duration;

/// Longest step of the virtual clock while nothing is due.
const STEP: Duration = Duration::from_millis(5);

/// Runs are over in minutes; one that is not has lost its way.
const LONGEST: Duration = Duration::from_secs(3600);

/// Leads one virtual unit through its run, as fast as it can be computed.
pub fn run<P: Procedure>(
    mut conductor: Conductor<P>,
    board: &mut VirtualBoard,
    hands: &mut Automatic,
    screen: &mut dyn Screen,
    attempt: &mut Attempt,
) -> Result<Summary, StoreError> {
    let mut now = Duration::ZERO;
    let mut acts = conductor.start(now);
    loop {
        let mut task = None;
        for act in acts {
            match act {
                // Virtual units are not flashed.
                Act::Run(asked) => task = Some(asked),
                Act::Rate(rate) => board.set_line(rate),
                Act::Write(bytes) => board.write(&bytes),
                Act::Keep(rows) => attempt.append(&rows)?,
                Act::Show(event) => {
                    screen.show(now, &event);
                    hands.see(now, &event);
                }
                Act::End(summary) => return Ok(*summary),
            }
        }
        if let Some(task) = task {
            acts = conductor.ran(now, Ran::nobody(task));
            continue;
        }
        let due = [conductor.wake_at(), hands.next_at(), board.ready_at()];
        let next = due.into_iter().flatten().min().unwrap_or(now + STEP);
        now = next.clamp(now, now + STEP).max(board.elapsed());
        board.advance_to(now);
        let bytes = board.read();
        acts = if !bytes.is_empty() {
            conductor.bytes(now, &bytes)
        } else if let Some(deed) = hands.due(now) {
            match deed {
                Deed::Place(jumper, place) => {
                    board.place(jumper, place);
                    Vec::new()
                }
                Deed::Power(on) => {
                    board.power(on);
                    Vec::new()
                }
                Deed::Press(key) => conductor.key(now, key),
                Deed::Value(shown) => conductor.typed(now, as_typed(shown)),
            }
        } else if conductor.wake_at().is_some_and(|at| at <= now) {
            conductor.tick(now)
        } else {
            Vec::new()
        };
        if now > LONGEST {
            acts.extend(conductor.lost(now, "the rehearsal did not end in an hour".into()));
        }
    }
}
