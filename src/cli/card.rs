//! `card BOARD`.

use super::picture::PictureFile;
use super::{Exit, Failure, FormatArgument, load};
use crate::report::table::Form;
use crate::report::{card, card_picture};
use std::path::PathBuf;

/// Options of `card`.
#[derive(Debug, clap::Args)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// Form of the table
    #[arg(long, value_enum, default_value_t)]
    format: FormatArgument,
    #[command(flatten)]
    picture: PictureFile,
}

/// Prints the jumper card of a board.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    options.picture.write(&[&options.board], || card_picture::picture(&board))?;
    let text = match Form::from(options.format) {
        Form::Text => card::text(&board),
        form => card::table(&board).print(form),
    };
    super::print(&text)?;
    Ok(Exit::Pass)
}
