//! The line to a unit: a probe on a serial port, or a virtual unit.

use super::Failure;
use crate::board::{Board, Setting};
use crate::probe::exchange::Opening;
use crate::probe::port::{BAUD, RATES};
use crate::probe::virtual_board::VirtualBoard;
use crate::probe::world::World;
use crate::session::hands::ByHand;
use crate::session::live::Line;
use crate::walk::meter;
use jiff::Timestamp;
use std::fs::Metadata;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Options of every command that talks to a unit.
#[derive(Debug, clap::Args)]
pub struct Connection {
    /// Serial port of the probe, or `virtual` for a unit without hardware
    #[arg(long, value_name = "PORT")]
    port: Option<String>,
    /// Seconds of silence after opening the port, for the boot loader
    #[arg(long, value_name = "SECONDS", default_value_t = 2.0)]
    quiet: f64,
    /// Line rate of the probe; without it 250000 is tried first, then 38400
    #[arg(long, value_name = "RATE", value_parser = clap::value_parser!(u32).range(1201..))]
    baud: Option<u32>,
    /// Seed of the virtual unit
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// What a person measures of a unit with a meter, and so whether its port has to be there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByMeter {
    /// Nothing.
    No,
    /// Something, before the unit has power.
    First,
    /// Everything: there is no probe.
    Alone,
}

impl ByMeter {
    /// Of a whole run.
    pub fn of(board: &Board) -> ByMeter {
        match meter::channels(board).is_empty() && board.supply.before_power.is_none() {
            true => ByMeter::No,
            false if meter::needs_power(board) => ByMeter::First,
            false => ByMeter::Alone,
        }
    }
}

/// Refuses a board that no probe reads, in a command that does nothing but read by the probe.
pub fn needs_probe(board: &Board, file: &Path) -> Result<(), Failure> {
    match ByMeter::of(board) {
        ByMeter::No | ByMeter::First => Ok(()),
        ByMeter::Alone => Err(Failure::input(format!(
            "{}: no probe reads this board; `bench` leads through what a meter measures",
            file.display()
        ))),
    }
}

impl Connection {
    /// Whether a unit is to be talked to.
    pub fn given(&self) -> bool {
        self.port.is_some()
    }

    /// Refuses what can be no port however the unit is plugged in; one that comes with the unit
    /// may not be there yet.
    pub fn may_be_port(&self) -> Result<(), Failure> {
        let Some(port) = self.port.as_deref().filter(|port| cfg!(unix) && *port != VIRTUAL) else {
            return Ok(());
        };
        let path = Path::new(port);
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
        let why = match std::fs::metadata(path) {
            Ok(found) => match no_port_but(&found) {
                Some(what) => format!("is {what}, which is no serial port"),
                None => return Ok(()),
            },
            Err(_) if folder.is_none_or(|folder| !folder.is_dir()) => {
                "there is no such port".into()
            }
            Err(_) => return Ok(()),
        };
        Err(Failure::input(format!(
            "--port {port}: {why}; `strapwise ports` names those that are there"
        )))
    }

    /// Whether the unit is one without hardware.
    pub fn is_virtual(&self) -> bool {
        self.port.as_deref() == Some("virtual")
    }

    /// Opens the line, and says how to begin on it. A virtual unit is a good one with its
    /// shunts in a setting.
    pub fn open(
        &self,
        board: &Arc<Board>,
        shunts: &Setting,
        by_meter: ByMeter,
    ) -> Result<(Line, Opening), Failure> {
        let quiet = seconds("--quiet", self.quiet, 0.0)?;
        let rates = self.baud.map_or(RATES.to_vec(), |rate| vec![rate]);
        let first = rates.first().copied().unwrap_or(BAUD);
        let opening = Opening { quiet, rates };
        match (self.port.as_deref(), by_meter) {
            (Some(VIRTUAL), _) => Ok((virtual_unit(board, shunts, self.seed), Opening::at_once())),
            (_, ByMeter::Alone) => Ok((Line::Nowhere, opening)),
            (Some(port), ByMeter::First) => Ok((Line::open_when_there(port, first)?, opening)),
            (Some(port), ByMeter::No) => Ok((Line::open(port, first)?, opening)),
            (None, _) => Err(no_port()),
        }
    }

    /// The same for the unit with this number, from 0: each virtual one is another.
    pub fn open_nth(
        &self,
        board: &Arc<Board>,
        shunts: &Setting,
        by_meter: ByMeter,
        number: u64,
    ) -> Result<(Line, Opening), Failure> {
        match self.port.as_deref() {
            Some(VIRTUAL) => {
                let seed = self.seed.wrapping_add(number);
                Ok((virtual_unit(board, shunts, seed), Opening::at_once()))
            }
            _ => self.open(board, shunts, by_meter),
        }
    }

    /// Whether the options can be used at all.
    pub fn check(&self, by_meter: ByMeter) -> Result<(), Failure> {
        seconds("--quiet", self.quiet, 0.0)?;
        match (&self.port, by_meter) {
            (None, ByMeter::No | ByMeter::First) => Err(no_port()),
            _ => Ok(()),
        }
    }

    /// The port as given; empty where none is.
    pub fn port_name(&self) -> &str {
        self.port.as_deref().unwrap_or_default()
    }

    /// The serial port, if it is one.
    pub fn serial_port(&self) -> Option<&str> {
        self.port.as_deref().filter(|port| *port != VIRTUAL)
    }
}

/// What something is that bears the name of a port and can be none, as far as it shows without being
/// opened: opening a port resets many boards.
#[cfg(unix)]
fn no_port_but(found: &Metadata) -> Option<&'static str> {
    use std::os::unix::fs::{FileTypeExt as _, MetadataExt as _};
    // Character devices without a line that every such system has.
    let without_line = ["/dev/null", "/dev/zero", "/dev/full", "/dev/random", "/dev/urandom"];
    let same = |name: &&str| std::fs::metadata(name).is_ok_and(|own| own.rdev() == found.rdev());
    let kind = found.file_type();
    match () {
        () if kind.is_dir() => Some("a folder"),
        () if kind.is_file() => Some("a file"),
        () if kind.is_block_device() => Some("a disk"),
        () if kind.is_fifo() || kind.is_socket() => Some("a pipe between programs"),
        () if without_line.iter().any(same) => Some("a device without a line"),
        () => None,
    }
}

/// The same where a port has no name among the files.
#[cfg(not(unix))]
fn no_port_but(_: &Metadata) -> Option<&'static str> {
    None
}

fn no_port() -> Failure {
    Failure::input(
        "no --port: give the serial port of the probe, for example --port /dev/ttyUSB0, or --port \
         virtual for a unit without hardware"
            .into(),
    )
}

/// The port that is no hardware.
const VIRTUAL: &str = "virtual";

/// A good unit, drawn by its seed.
fn virtual_unit(board: &Arc<Board>, shunts: &Setting, seed: u64) -> Line {
    let mut unit = VirtualBoard::new(World::new(board.clone(), seed));
    unit.place_all(shunts);
    let hands = ByHand::with(board.clone(), shunts.clone());
    Line::Virtual { board: Box::new(unit), hands }
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
