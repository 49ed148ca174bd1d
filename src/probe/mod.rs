//! The probe: the small test firmware on the board that answers for its pins.

pub mod core;
