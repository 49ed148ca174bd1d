//! Joins probe, operator, clock, store and screens.
//!
//! The conductor is the part without clock or I/O; `rehearsal` drives it on a virtual clock, `live`
//! on the real one.

pub mod commands;
pub mod conductor;
pub mod hands;
pub mod live;
pub mod rehearsal;
pub mod roll_call;
pub mod translate;

pub use conductor::{Act, Conductor};
