//! Strapwise: proves, unit by unit, that every jumper position of a small microcontroller board is
//! read as the option it stands for, with how much margin, and names what to lift when it is not.
//!
//! Data moves one way: board file, board, circuit, window, walk, bench, record, lot, report. The
//! modules that compute know no clock, file, thread or terminal; `tests/layers.rs` keeps it so.

pub mod bench;
pub mod board;
pub mod c_header;
pub mod circuit;
pub mod cli;
pub mod diagnose;
pub mod faults;
pub mod lot;
pub mod probe;
pub mod record;
pub mod report;
pub mod screen;
pub mod session;
pub mod store;
pub mod units;
pub mod walk;
pub mod window;
