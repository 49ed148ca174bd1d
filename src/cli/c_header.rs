//! `c-header BOARD`.

use super::written::Written;
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
    /// Write over a header that this command has written
    #[arg(long, requires = "out")]
    replace: bool,
}

/// Whether a file is a header that this command wrote: the mark stands in its first remark.
fn is_own(head: &[u8]) -> bool {
    String::from_utf8_lossy(head).contains(c_header::MARK)
}

/// Writes the C header of a board.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    let windows = windows_of(&board)?;
    let text = c_header::text(&board, &windows).map_err(Failure::input)?;
    match &options.out {
        None => super::print(&text)?,
        Some(path) => {
            let (replace, kind) = (options.replace, "header that c-header has written");
            let inputs = [options.board.as_path()];
            let file = Written { path, replace, inputs: &inputs, kind, is_kind: &is_own };
            file.write(text.as_bytes())?;
        }
    }
    Ok(Exit::Pass)
}
