//! The probe: the small test firmware on the board, and the way to it.
//!
//! [`message`] holds what is asked and answered as plain data, [`exchange`] one question at a time
//! over a line that loses and garbles bytes. Both are told the time and touch no port; the bytes
//! themselves are laid down in `protocols/probe-link.md`.

pub mod core;
pub mod exchange;
pub mod faulty;
pub mod inquiry;
pub mod message;
pub mod port;
pub mod virtual_board;
pub mod world;
