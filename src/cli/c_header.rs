//! `c-header BOARD`.

use super::{Exit, Failure, load, windows_of};
use crate::report::c_header;
use std::path::PathBuf;

/// Options of `c-header`.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// File to write; without it the header goes to standard output
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Writes the C header of a board.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    let windows = windows_of(&board)?;
    let text = c_header::text(&board, &windows).map_err(Failure::input)?;
    match &options.out {
        None => super::print(&text)?,
        Some(path) => std::fs::write(path, text)
            .map_err(|e| Failure::lost(format!("{}: {e}; give another file", path.display())))?,
    }
    Ok(Exit::Pass)
}
