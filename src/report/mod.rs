//! Text, tables and pictures as strings; somebody else opens files and terminals.

pub mod header;
pub mod letters;
pub mod spread;
pub mod table;
pub mod windows;
pub mod words;
pub mod wrap;
