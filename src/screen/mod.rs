//! What the operator sees: observers of events that send nothing back but keys.

mod bell;
pub mod keys;
pub mod patience;
pub mod plain;
pub mod terminal;
pub mod watching;

use crate::bench::Event;
use std::time::Duration;

/// An observer of a run. Every method does nothing unless a screen has something to show.
pub trait Screen {
    /// Shows an event that has been recorded already. `t` is the time since the beginning.
    fn show(&mut self, t: Duration, event: &Event) {
        let _ = (t, event);
    }

    /// Shows what has been typed of a value so far.
    fn typing(&mut self, text: &str) {
        let _ = text;
    }

    /// Shows what has been typed of a note so far; none when that is over.
    fn noting(&mut self, text: Option<&str>) {
        let _ = text;
    }

    /// Whether nobody sees any more what is shown: a view ends then, and a run in which somebody has
    /// to answer.
    fn unseen(&self) -> bool {
        false
    }

    /// Shows a line that belongs to no event.
    fn say(&mut self, line: &str) {
        let _ = line;
    }
}

/// A screen that shows nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Silent;

impl Screen for Silent {}
