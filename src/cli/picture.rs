//! `--svg FILE`: a picture beside the text.

use super::Failure;
use crate::store;
use std::path::PathBuf;

/// Where a picture goes.
#[derive(Debug, clap::Args)]
pub struct PictureFile {
    /// Draw it too, into this SVG file, as wide as an A4 sheet
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Write over the file where it is there already
    #[arg(long, requires = "svg")]
    replace: bool,
}

impl PictureFile {
    /// Draws and writes the picture, where one is asked for, and says so on standard error, so that
    /// a table on standard output stays a table.
    pub fn write(&self, draw: impl FnOnce() -> String) -> Result<(), Failure> {
        let Some(path) = &self.svg else { return Ok(()) };
        let replaced = store::write_file(path, draw().as_bytes(), self.replace)?;
        let done = if replaced { "replaced" } else { "written" };
        super::complain(&format!("{}: picture {done}", path.display()));
        Ok(())
    }
}
