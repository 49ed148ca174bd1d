//! Strapwise: proves, unit by unit, that every jumper position of a small microcontroller board is
//! read as the option it stands for, with how much margin, and names what to lift when it is not.
//!
//! Data moves one way: board file, board, circuit, window, walk, bench, record, lot, report. The
//! modules that compute know no clock, file, thread or terminal; `tests/layers.rs` keeps it so.

pub mod board;
pub mod probe;
pub mod units;
