//! `c-header BOARD`.

use super::{Exit, Failure, load, windows_of};
use crate::report::c_header;
use crate::store;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

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

/// Bytes of a file in which the mark is looked for: it stands in the first remark.
const HEAD: u64 = 4096;

/// Whether a file is a header that this command wrote, or is not there.
fn is_own(path: &Path) -> bool {
    let Ok(file) = File::open(path) else { return true };
    let mut head = Vec::new();
    let read = file.take(HEAD).read_to_end(&mut head);
    read.is_ok() && String::from_utf8_lossy(&head).contains(c_header::MARK)
}

/// Writes the C header of a board.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    let windows = windows_of(&board)?;
    let text = c_header::text(&board, &windows).map_err(Failure::input)?;
    match &options.out {
        None => super::print(&text)?,
        Some(path) if options.replace && path.is_file() && !is_own(path) => {
            return Err(Failure::input(format!(
                "{}: this is no header that c-header has written, and was left as it is; give \
                 another name",
                path.display()
            )));
        }
        Some(path) => {
            store::write_file(path, text.as_bytes(), options.replace)?;
        }
    }
    Ok(Exit::Pass)
}
