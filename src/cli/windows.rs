//! `windows BOARD`.

use super::picture::PictureFile;
use super::spread::SpreadArguments;
use super::{Exit, Failure, FormatArgument, load, walk_to, windows_of};
use crate::report::table::Form;
use crate::report::{coverage, windows, windows_picture};
use crate::window;
use std::path::PathBuf;

/// Options of `windows`.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// What a pass means: the modelled defects that the sequence shows, and what shows the others
    #[arg(long)]
    coverage: bool,
    /// The same for a sequence through every combination of jumpers that belong together
    #[arg(long, requires = "coverage")]
    all: bool,
    /// Form of the table
    #[arg(long, value_enum, default_value_t)]
    format: FormatArgument,
    #[command(flatten)]
    spread: SpreadArguments,
    #[command(flatten)]
    picture: PictureFile,
}

/// Prints the windows of a board.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    let form = Form::from(options.format);
    let windows = windows_of(&board);
    if windows.is_err() && form == Form::Text {
        // What stands in the way is told best beside the bands themselves.
        super::print(&windows::bands(&board, &window::bands(&board)))?;
    }
    let windows = windows?;
    let draw = || windows_picture::picture(&board, &windows);
    options.picture.write(&[&options.board], draw)?;
    if options.coverage {
        let walk = walk_to(&board, &windows, &board.delivery, options.all)?;
        let text = match form {
            Form::Text => coverage::text(&board, &windows, &walk),
            form => coverage::table(&board, &windows, &walk).print(form),
        };
        super::print(&text)?;
        return Ok(Exit::Pass);
    }
    if options.spread.asked() {
        super::print(&options.spread.print(&board, &windows, form))?;
        return Ok(Exit::Pass);
    }
    let text = match form {
        Form::Text => windows::text(&board, &windows),
        form => windows::table(&board, &windows).print(form),
    };
    super::print(&text)?;
    Ok(Exit::Pass)
}
