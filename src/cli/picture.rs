//! `--svg FILE`: a picture beside the text.

use super::Failure;
use super::written::Written;
use std::path::{Path, PathBuf};

/// Where a picture goes.
#[derive(Debug, clap::Args)]
pub struct PictureFile {
    /// Draw it too, into this SVG file, as wide as an A4 sheet
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Write over the file where it is there already, and is an SVG file
    #[arg(long, requires = "svg")]
    replace: bool,
}

impl PictureFile {
    /// Whether the picture may be written there, before there is anything to draw; `inputs` are the
    /// files that the command reads.
    pub fn allowed(&self, inputs: &[&Path]) -> Result<(), Failure> {
        self.file(inputs).map_or(Ok(()), |file| file.allowed())
    }

    /// Draws and writes the picture, where one is asked for, and says so on standard error, so that
    /// a table on standard output stays a table.
    pub fn write(&self, inputs: &[&Path], draw: impl FnOnce() -> String) -> Result<(), Failure> {
        let Some(file) = self.file(inputs) else { return Ok(()) };
        file.allowed()?;
        let done = if file.write(draw().as_bytes())? { "replaced" } else { "written" };
        super::complain(&format!("{}: picture {done}", file.path.display()));
        Ok(())
    }

    fn file<'a>(&'a self, inputs: &'a [&'a Path]) -> Option<Written<'a>> {
        let (path, replace) = (self.svg.as_deref()?, self.replace);
        Some(Written { path, replace, inputs, kind: "SVG picture", is_kind: &is_svg })
    }
}

/// Whether a file begins as an SVG picture does: its element, with nothing but XML before it.
fn is_svg(head: &[u8]) -> bool {
    let text = String::from_utf8_lossy(head);
    let text = text.trim_start_matches('\u{feff}').trim_start();
    text.starts_with('<') && text.contains("<svg")
}
