//! Text, tables and pictures as strings; somebody else opens files and terminals.

pub mod bill;
pub mod c_header;
pub mod c_names;
pub mod card;
pub mod card_picture;
pub mod coverage;
pub mod design;
pub mod diagnosis;
pub mod diagnosis_next;
pub mod diagnosis_picture;
pub mod header;
pub mod histogram;
pub mod letters;
mod pins;
pub mod ports;
mod positions;
pub mod spread;
pub mod svg;
pub mod table;
pub mod thresholds;
pub mod watch;
pub mod windows;
pub mod windows_picture;
mod windows_scale;
pub mod words;
pub mod wrap;
