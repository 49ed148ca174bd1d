//! A picture that is drawn again in its place, with lines above it that stay.

use super::style;
use indicatif::ProgressBar;

/// A picture at the bottom of the terminal.
pub struct Pane {
    /// One bar with all lines in its message, so that they are drawn in one go.
    bar: ProgressBar,
}

impl Pane {
    /// A pane with nothing in it.
    pub fn new() -> Pane {
        let bar = ProgressBar::new(1);
        bar.set_style(style("{msg}"));
        Pane { bar }
    }

    /// Draws the picture anew.
    pub fn draw(&self, picture: &[String]) {
        self.bar.set_message(picture.join("\n"));
    }

    /// A line above the picture, which stays.
    pub fn above(&self, line: &str) {
        self.bar.println(line);
    }

    /// Leaves the picture as lines that stay.
    pub fn leave(&self) {
        let picture = self.bar.message();
        self.bar.finish_and_clear();
        // A cleared bar prints nothing above itself any more.
        let lines = indicatif::MultiProgress::new();
        // A closed terminal is no reason to stop.
        let _ = lines.println(picture);
    }
}

impl Default for Pane {
    fn default() -> Pane {
        Pane::new()
    }
}
