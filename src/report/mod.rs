//! Text, tables and pictures as strings; somebody else opens files and terminals.

pub mod bill;
pub mod coverage;
pub mod design;
pub mod header;
pub mod letters;
mod positions;
pub mod table;
pub mod windows;
pub mod words;
pub mod wrap;
