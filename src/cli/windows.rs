//! `windows BOARD`.

use super::spread::SpreadArguments;
use super::{Exit, Failure, FormatArgument, load, windows_of};
use crate::report::table::Form;
use crate::report::windows;
use std::path::PathBuf;

/// Options of `windows`.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// Form of the table
    #[arg(long, value_enum, default_value_t)]
    format: FormatArgument,
    #[command(flatten)]
    spread: SpreadArguments,
}

/// Prints the windows of a board.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    let windows = windows_of(&board)?;
    if options.spread.asked() {
        super::print(&options.spread.print(&board, &windows, options.format.into()))?;
        return Ok(Exit::Pass);
    }
    let text = match Form::from(options.format) {
        Form::Text => windows::text(&board, &windows),
        form => windows::table(&board, &windows).print(form),
    };
    super::print(&text)?;
    Ok(Exit::Pass)
}
