//! Lines that are drawn again in their place, with lines above them that stay.

use indicatif::{MultiProgress, ProgressBar, ProgressStyle};

/// A picture at the bottom of the terminal.
pub struct Pane {
    lines: MultiProgress,
    rows: Vec<ProgressBar>,
}

impl Pane {
    /// A pane with nothing in it.
    pub fn new() -> Pane {
        Pane { lines: MultiProgress::new(), rows: Vec::new() }
    }

    /// Draws the picture anew.
    pub fn draw(&mut self, picture: &[String]) {
        while self.rows.len() < picture.len() {
            let row = self.lines.add(ProgressBar::new(1));
            let style = ProgressStyle::with_template("{msg}");
            row.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
            self.rows.push(row);
        }
        for row in self.rows.drain(picture.len()..) {
            row.finish_and_clear();
            self.lines.remove(&row);
        }
        for (row, line) in self.rows.iter().zip(picture) {
            row.set_message(line.clone());
        }
    }

    /// A line above the picture, which stays.
    pub fn above(&self, line: &str) {
        // A closed terminal is no reason to stop.
        let _ = self.lines.println(line);
    }

    /// Leaves the picture as it stands.
    pub fn leave(&mut self) {
        for row in self.rows.drain(..) {
            row.abandon();
        }
    }
}

impl Default for Pane {
    fn default() -> Pane {
        Pane::new()
    }
}
