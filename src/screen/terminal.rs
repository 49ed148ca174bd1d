//! The terminal: what to do in plain words with a drawing of the header, the live reading, a bar
//! for the sequence, the verdict in large letters. The one door to `indicatif`.
//!
//! Results never go through the bar: they are lines of their own above it.

mod pane;

pub use pane::Pane;

use super::Screen;
use super::bell::{Bell, Sound};
use super::keys::columns;
use super::plain::worth_a_line;
use crate::bench::{Event, Live, Prompt, StepAt, UnitVerdict};
use crate::board::{Board, Kind, Place};
use crate::report::{header, letters, words, wrap};
use crate::window::{Limits, Windows};
use indicatif::{MultiProgress, ProgressBar, ProgressStyle};
use std::sync::Arc;
use std::time::Duration;

/// Escape sequences of the few colours; empty when colour is off. Words and signs say the same.
struct Paint {
    good: &'static str,
    bad: &'static str,
    loud: &'static str,
    off: &'static str,
}

const COLOUR: Paint = Paint { good: "\x1b[32m", bad: "\x1b[31m", loud: "\x1b[1m", off: "\x1b[0m" };
const PLAIN: Paint = Paint { good: "", bad: "", loud: "", off: "" };

/// The screen of a terminal.
pub struct Terminal {
    board: Arc<Board>,
    windows: Arc<Windows>,
    unit: String,
    lines: MultiProgress,
    sequence: ProgressBar,
    live: ProgressBar,
    paint: Paint,
    /// Whether a note is being typed.
    noting: bool,
    bell: Bell,
}

impl Terminal {
    /// A screen about one unit. `colour` is off under `NO_COLOR`.
    pub fn new(board: Arc<Board>, windows: Arc<Windows>, unit: &str, colour: bool) -> Terminal {
        let lines = MultiProgress::new();
        let live = lines.add(ProgressBar::new(1));
        let sequence = lines.add(ProgressBar::new(1));
        live.set_style(style("  {wide_msg}"));
        sequence.set_style(style("  {msg} {pos}/{len} {bar:30} {elapsed}"));
        Terminal {
            board,
            windows,
            unit: unit.to_string(),
            lines,
            sequence,
            live,
            paint: if colour { COLOUR } else { PLAIN },
            noting: false,
            bell: Bell::new(true),
        }
    }

    /// The same without sounds.
    #[must_use]
    pub fn silent(self) -> Terminal {
        Terminal { bell: Bell::new(false), ..self }
    }

    fn line(&self, text: &str) {
        // A closed terminal is no reason to stop a test: the record is on disk.
        let _ = self.lines.println(text);
    }

    /// A sentence, broken between words where the terminal is narrow.
    fn prose(&self, paint: &str, text: &str) {
        let off = if paint.is_empty() { "" } else { self.paint.off };
        for row in wrap::lines(text, columns() - 3) {
            self.line(&format!("  {paint}{row}{off}"));
        }
    }

    /// What happened, with its kind in front.
    fn entry(&self, kind: &str, text: &str) {
        let kinds = std::iter::once(kind).chain(std::iter::repeat(""));
        for (kind, row) in kinds.zip(wrap::lines(text, columns() - 12)) {
            self.line(&format!("  {kind:<8} {row}"));
        }
    }

    fn prompt(&mut self, at: &StepAt, steps: usize, asked: &Prompt) {
        // Moves are counted; taking all shunts off and the delivery setting are none.
        let moves = steps.saturating_sub(2);
        let (what, done, of) = match asked {
            Prompt::Meter { of: (number, count), .. } => ("value", number - 1, *count),
            _ => ("move", at.step.min(moves), moves),
        };
        self.sequence.set_message(what);
        self.sequence.set_length(of as u64);
        self.sequence.set_position(done as u64);
        self.line("");
        if let Prompt::Move { jumper, to, .. }
        | Prompt::MoveUnpowered { jumper, to, .. }
        | Prompt::OnPurpose { jumper, to, .. }
        | Prompt::Doubt { jumper, asked: to, .. } = asked
        {
            self.drawing(*jumper, *to);
        }
        for text in words::prompt(&self.board, asked) {
            self.prose(self.paint.loud, &text);
        }
        if let Prompt::Meter { .. } | Prompt::Rails { .. } | Prompt::SupplyVolts { .. } = asked {
            self.live.set_message("> _");
        } else {
            self.live.set_message("");
        }
        if matches!(
            asked,
            Prompt::Doubt { .. }
                | Prompt::Strayed { .. }
                | Prompt::Unstable { .. }
                | Prompt::Meter { refused: Some(_), .. }
                | Prompt::Rails { refused: Some(_) }
                | Prompt::SupplyVolts { refused: Some(_), .. }
        ) {
            self.bell.ring(Sound::WrongPlace);
        }
    }

    fn drawing(&self, jumper: usize, to: Place) {
        for row in header::drawing(&self.board.jumpers[jumper], to) {
            self.line(&format!("    {row}"));
        }
    }

    fn picture(&self, live: &[Live]) {
        // What is typed is not to be painted over.
        if self.noting {
            return;
        }
        let channel = |l: &Live| {
            let c = &self.board.channels[l.channel];
            let windows = &self.windows.channels[l.channel];
            let reads = |class: Option<usize>| {
                let class = class.map(|i| &windows.classes[i]);
                class.map_or("no option".to_string(), |k| {
                    let limits = match k.limits {
                        Limits::Codes { low, high } => format!(" [{low}..{high}]"),
                        Limits::Level(_) | Limits::Ohms { .. } => String::new(),
                    };
                    format!("{}{limits}", k.name)
                })
            };
            match (l.open, c.kind) {
                (true, _) => format!("{} open", c.id),
                (_, Kind::Analog) => {
                    format!("{} {:.0} = {}", c.id, l.code, reads(windows.class_of_code(l.code)))
                }
                (_, Kind::Digital) if l.code > 0.99 => format!("{} high", c.id),
                (_, Kind::Digital) if l.code < 0.01 => format!("{} low", c.id),
                (_, Kind::Digital) => format!("{} between", c.id),
                (_, Kind::Meter { .. }) => format!("{} by meter", c.id),
            }
        };
        let text: Vec<String> = live.iter().map(channel).collect();
        self.live.set_message(text.join("   "));
    }

    fn verdict(&self, verdict: UnitVerdict) {
        let paint = match verdict {
            UnitVerdict::Pass => self.paint.good,
            _ => self.paint.bad,
        };
        self.line("");
        for row in letters::rows(verdict.word()) {
            self.line(&format!("  {paint}{row}{}", self.paint.off));
        }
    }
}

fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar())
}

impl Screen for Terminal {
    fn show(&mut self, _: Duration, event: &Event) {
        match event {
            Event::Live(live) => return self.picture(live),
            Event::Prompt { at, steps, prompt } => return self.prompt(at, *steps, prompt),
            Event::Finished(summary) => {
                self.live.finish_and_clear();
                self.sequence.finish_and_clear();
                self.verdict(summary.verdict);
                self.bell.ring(Sound::UnitDone);
            }
            Event::Moved(_) => self.bell.ring(Sound::MoveSeen),
            _ => {}
        }
        if !worth_a_line(event) {
            return;
        }
        for (kind, text) in words::event(&self.board, &self.unit, event) {
            self.entry(kind, &text);
        }
    }

    fn typing(&mut self, text: &str) {
        self.live.set_message(format!("> {text}_"));
    }

    fn noting(&mut self, text: Option<&str>) {
        self.noting = text.is_some();
        self.live.set_message(text.map_or(String::new(), |text| format!("# {text}_")));
    }

    fn say(&mut self, line: &str) {
        self.prose("", line);
    }
}
