//! The thresholds of the product's firmware: checked against the circuit, and written as C.

mod boards;
mod check;
mod command;
mod header;
