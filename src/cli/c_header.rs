//! `c-header BOARD`.

use super::{Exit, Failure, load, windows_of};
use crate::report::c_header;
use crate::store;
use std::path::PathBuf;

/// Options of `c-header`.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// File to write; without it the header goes to standard output
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Write over the file where it is there already
    #[arg(long, requires = "out")]
    replace: bool,
}

/// Writes the C header of a board.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    let windows = windows_of(&board)?;
    let text = c_header::text(&board, &windows).map_err(Failure::input)?;
    match &options.out {
        None => super::print(&text)?,
        Some(path) => {
            store::write_file(path, text.as_bytes(), options.replace)?;
        }
    }
    Ok(Exit::Pass)
}
