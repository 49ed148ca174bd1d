//! `watch BOARD`: every channel live, beside what the circuit predicts.

use super::connection::{ByMeter, Connection, needs_probe, nonce, seconds};
use super::{Exit, Failure, load_for_probe, windows_of};
use crate::bench::Cut;
use crate::bench::watching::{Pace, Watched, Watcher};
use crate::board::{Board, Kind};
use crate::record::fold::Folder;
use crate::record::{Head, Row, live as rows};
use crate::report::watch;
use crate::report::watch::View;
use crate::screen::Screen;
use crate::screen::watching::{Lines, Picture};
use crate::session::Conductor;
use crate::session::live::{self, Keep};
use crate::store::{LiveLog, StoreError};
use crate::window::Windows;
use jiff::Timestamp;
use std::io::{IsTerminal, stdin, stdout};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Options of `watch`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// Seconds from the beginning of a round through all channels to the next
    #[arg(long, value_name = "SECONDS", default_value_t = 1.0)]
    every: f64,
    /// End after so many rounds
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    count: Option<u64>,
    /// Write every round to a file, behind what a former view wrote there
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Show how often each code comes on a channel
    #[arg(long, value_name = "CHANNEL")]
    histogram: Option<String>,
    /// Seconds that a probe which went away is waited for
    #[arg(long, value_name = "SECONDS", default_value_t = 30.0)]
    wait: f64,
    #[command(flatten)]
    connection: Connection,
}

const AFTER: &str = "Keys: Space pauses and goes on, Enter reads a round at once, h shows the \
                     histogram of the next analog channel, r writes rounds to a file or stops it, \
                     q quits. In a pipe each is a line of its own (n for Space), and a channel is \
                     told only when it changes. On a virtual unit the digits 1 to 9 move the \
                     shunt of that jumper one place on.\n\nThe circuit's figures are those of the \
                     setting that the readings show; jumpers that no reading shows count as \
                     delivered. A view judges no unit: `bench` does. Exit codes: 0 ended, 2 usage \
                     or input, 3 probe lost or I/O, 130 interrupted.";

/// Watches a board until it is told to stop.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load_for_probe(&options.board)?;
    needs_probe(&board, &options.board)?;
    let windows = windows_of(&board)?;
    let pace = pace(options, &board)?;
    let log = log(options, &board)?;
    let (line, opening) = options.connection.open(&board, &board.delivery, ByMeter::No)?;
    let watcher = Watcher::new(board.clone(), windows.clone(), board.delivery.clone(), pace);
    let exchange = opening.exchange(nonce());
    let began = Timestamp::now();
    let folder = Folder::new(board.clone(), Head::default(), began);
    let mut conductor = Conductor::new(board.clone(), watcher, exchange, folder);
    let file = log.path().display().to_string();
    let is_virtual = options.connection.is_virtual();
    let view = View::new(board.clone(), windows.clone(), &file, pace.record, is_virtual);
    let mut screen = screen(view);
    for caution in watch::cautions(&board) {
        screen.say(&caution);
    }
    let recording = pace.record;
    let mut recorder = Recorder { board, windows, began, log, recording };
    let keys = live::Keys { person: stdin().is_terminal(), needed: false };
    let summary = live::run(&mut conductor, line, screen.as_mut(), &mut recorder, Some(keys))?;
    match summary.cut {
        Some(Cut::Probe(why) | Cut::Command(why)) => Err(Failure::lost(why)),
        Some(Cut::Stopped) if !screen.unseen() => Ok(Exit::Interrupted),
        Some(Cut::Stopped | Cut::NoKeys) | None => Ok(Exit::Pass),
    }
}

fn pace(options: &Options, board: &Board) -> Result<Pace, Failure> {
    let channel = |id: &String| {
        let analog = board.channels.iter().enumerate().filter(|(_, c)| c.kind == Kind::Analog);
        let found = analog.clone().find(|(_, c)| c.id == *id).map(|(i, _)| i);
        found.ok_or_else(|| {
            let known: Vec<&str> = analog.map(|(_, c)| c.id.as_str()).collect();
            let known = known.join(", ");
            Failure::input(format!("--histogram {id}: the analog channels are {known}"))
        })
    };
    Ok(Pace {
        every: seconds("--every", options.every, 0.1)?,
        count: options.count,
        wait: seconds("--wait", options.wait, 1.0)?,
        histogram: options.histogram.as_ref().map(channel).transpose()?,
        record: options.csv.is_some(),
    })
}

/// The file that was named, or one that is made when the key is pressed.
fn log(options: &Options, board: &Board) -> Result<LiveLog, Failure> {
    let Some(path) = &options.csv else { return Ok(LiveLog::later(Path::new(""), &board.name)) };
    let (log, mended) = LiveLog::open(path)?;
    if let Some(mended) = mended {
        super::complain(&mended.to_string());
    }
    Ok(log)
}

fn screen(view: View) -> Box<dyn Screen> {
    match stdout().is_terminal() {
        true => Box::new(Picture::new(view)),
        false => Box::new(Lines::new(view, stdout())),
    }
}

/// Writes rounds to the file while it is asked to.
struct Recorder {
    board: Arc<Board>,
    windows: Arc<Windows>,
    began: Timestamp,
    log: LiveLog,
    recording: bool,
}

impl Keep for Recorder {
    fn keep(&mut self, _: &[Row]) -> Result<(), StoreError> {
        // A view is no record of a unit.
        Ok(())
    }

    fn watched(&mut self, t: Duration, watched: &Watched) -> Result<(), StoreError> {
        match watched {
            Watched::Recording(recording) => self.recording = *recording,
            Watched::Round(round) if self.recording => {
                let rows = rows::rows(&self.board, &self.windows, self.began, t, round);
                self.log.append(&rows)?;
            }
            _ => {}
        }
        Ok(())
    }
}
