//! One line per event, for pipes, logs and screen readers.

use super::Screen;
use crate::bench::{Event, Mode, Verdict};
use crate::board::Board;
use crate::report::words;
use std::io::Write;
use std::sync::Arc;
use std::time::Duration;

/// Lines on any writer.
pub struct Plain<W: Write> {
    board: Arc<Board>,
    unit: String,
    out: W,
    /// Whether a line could not be written: nobody reads any more.
    gone: bool,
}

impl<W: Write> Plain<W> {
    /// Lines about one unit.
    pub fn new(board: Arc<Board>, unit: &str, out: W) -> Plain<W> {
        Plain { board, unit: unit.to_string(), out, gone: false }
    }

    fn line(&mut self, text: &str) {
        let written = writeln!(self.out, "{text}").and_then(|()| self.out.flush());
        self.gone |= written.is_err();
    }
}

/// Whether an event is worth a line: a good second reading of the same pin is not.
pub fn worth_a_line(event: &Event) -> bool {
    match event {
        Event::Check { check, .. } => {
            let second = check.mode == Mode::AsProduct && check.margin_code.is_some();
            check.verdict != Verdict::Pass || !second
        }
        _ => true,
    }
}

impl<W: Write> Screen for Plain<W> {
    fn show(&mut self, t: Duration, event: &Event) {
        if !worth_a_line(event) {
            return;
        }
        let seconds = t.as_secs_f64();
        for (kind, text) in words::event(&self.board, &self.unit, event) {
            self.line(&format!("{seconds:7.1} {kind:<8} {text}"));
        }
    }

    fn say(&mut self, line: &str) {
        self.line(line);
    }

    fn unseen(&self) -> bool {
        self.gone
    }
}
