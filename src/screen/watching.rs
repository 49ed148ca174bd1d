//! The live view on a terminal, and in lines for pipes.

use super::Screen;
use super::keys::width;
use super::terminal::Pane;
use crate::bench::Event;
use crate::report::watch::View;
use std::io::Write;
use std::time::Duration;

/// A picture that is drawn again with each round.
pub struct Picture {
    view: View,
    pane: Pane,
}

impl Picture {
    /// A picture of a view.
    pub fn new(view: View) -> Picture {
        Picture { view, pane: Pane::new() }
    }
}

impl Screen for Picture {
    fn show(&mut self, t: Duration, event: &Event) {
        match event {
            Event::Watched(watched) => {
                self.view.take(t, watched);
                self.pane.draw(&self.view.picture(width().saturating_sub(1)));
            }
            Event::Finished(_) => {
                self.view.end();
                self.pane.draw(&self.view.picture(width().saturating_sub(1)));
                self.pane.leave();
            }
            _ => {}
        }
    }

    fn say(&mut self, line: &str) {
        self.pane.above(line);
    }
}

/// One line for each thing that changes, for pipes, logs and screen readers.
pub struct Lines<W: Write> {
    view: View,
    out: W,
    closed: bool,
}

/// Columns of a histogram in a pipe.
const COLUMNS: usize = 78;

impl<W: Write> Lines<W> {
    /// Lines about a view.
    pub fn new(view: View, out: W) -> Lines<W> {
        Lines { view, out, closed: false }
    }

    fn line(&mut self, text: &str) {
        let written = writeln!(self.out, "{text}").and_then(|()| self.out.flush());
        self.closed |= written.is_err();
    }
}

impl<W: Write> Screen for Lines<W> {
    fn show(&mut self, t: Duration, event: &Event) {
        let seconds = t.as_secs_f64();
        match event {
            Event::Watched(watched) => {
                self.view.take(t, watched);
                for (kind, text) in self.view.lines(watched) {
                    self.line(&format!("{seconds:7.1} {kind:<8} {text}"));
                }
            }
            Event::Finished(_) => {
                for text in self.view.histogram(COLUMNS) {
                    self.line(&text);
                }
                let rounds = self.view.rounds();
                self.line(&format!("{seconds:7.1} end      {rounds} rounds"));
            }
            _ => {}
        }
    }

    fn unseen(&self) -> bool {
        self.closed
    }

    fn say(&mut self, line: &str) {
        self.line(line);
    }
}
