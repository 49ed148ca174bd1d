//! The line to a unit: a probe on a serial port, or a virtual unit.

use super::Failure;
use crate::board::{Board, Setting};
use crate::probe::port::BAUD;
use crate::probe::virtual_board::VirtualBoard;
use crate::probe::world::World;
use crate::session::hands::ByHand;
use crate::session::live::Line;
use jiff::Timestamp;
use std::sync::Arc;
use std::time::Duration;

/// Options of every command that talks to a unit.
#[derive(Debug, clap::Args)]
pub struct Connection {
    /// Serial port of the probe, or `virtual` for a unit without hardware
    #[arg(long, value_name = "PORT")]
    port: String,
    /// Seconds of silence after opening the port, for the boot loader
    #[arg(long, value_name = "SECONDS", default_value_t = 2.0)]
    quiet: f64,
    /// Seed of the virtual unit
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

impl Connection {
    /// Whether the unit is one without hardware.
    pub fn is_virtual(&self) -> bool {
        self.port == "virtual"
    }

    /// Opens the line, and says how long it has to be quiet. A virtual unit is a good one with its
    /// shunts in a setting.
    pub fn open(&self, board: &Arc<Board>, shunts: &Setting) -> Result<(Line, Duration), Failure> {
        let quiet = seconds("--quiet", self.quiet, 0.0)?;
        if !self.is_virtual() {
            return Ok((Line::open(&self.port, BAUD)?, quiet));
        }
        let mut unit = VirtualBoard::new(World::new(board.clone(), self.seed));
        unit.place_all(shunts);
        let hands = ByHand::with(board.clone(), shunts.clone());
        Ok((Line::Virtual { board: Box::new(unit), hands }, Duration::ZERO))
    }
}

/// A number of seconds from the command line.
pub fn seconds(name: &str, value: f64, least: f64) -> Result<Duration, Failure> {
    if (least..=60.0).contains(&value) {
        return Ok(Duration::from_secs_f64(value));
    }
    Err(Failure::input(format!("{name} {value}: give seconds from {least} to 60")))
}

/// A number that differs between openings of the line.
pub fn nonce() -> u32 {
    Timestamp::now().subsec_nanosecond().unsigned_abs() ^ std::process::id()
}
