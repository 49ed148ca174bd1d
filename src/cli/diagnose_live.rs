//! A unit on the bench, led through those settings only that still tell something of its defect.

use super::connection::{ByMeter, Connection, needs_probe};
use super::read::look;
use super::{Exit, Failure, windows_of};
use crate::bench::{Check, Driven, Mode};
use crate::board::{Board, Kind, Setting};
use crate::diagnose::{Evidence, Proof, Read, Reading};
use crate::window::Windows;
use std::io::{BufRead, stdin};
use std::path::Path;
use std::sync::Arc;

/// The unit and the person at it.
pub struct Live<'a> {
    board: &'a Arc<Board>,
    windows: Arc<Windows>,
    connection: &'a Connection,
    looks: u64,
    /// Where the shunts are; none before the first look.
    setting: Option<Setting>,
}

impl<'a> Live<'a> {
    /// A unit that has not been looked at yet.
    pub fn new(
        board: &'a Arc<Board>,
        file: &Path,
        connection: &'a Connection,
    ) -> Result<Live<'a>, Failure> {
        needs_probe(board, file)?;
        let windows = windows_of(board)?;
        Ok(Live { board, windows, connection, looks: 0, setting: None })
    }

    /// Has the shunts put where a setting has them, and reads every channel.
    pub fn look(
        &mut self,
        setting: &Setting,
        evidence: &mut Evidence,
    ) -> Result<Result<(), Exit>, Failure> {
        if !self.put(setting)? {
            return Ok(Err(Exit::Incomplete));
        }
        let line = self.connection.open(self.board, setting, ByMeter::No)?;
        let seen = match look(self.board, self.windows.clone(), setting.clone(), line)? {
            Ok(seen) => seen,
            Err(exit) => return Ok(Err(exit)),
        };
        self.looks += 1;
        let plain = |c: &&Check| c.mode == Mode::Mean || c.kind == Kind::Digital;
        let readings = seen.checks.iter().filter(plain);
        evidence.readings.extend(readings.filter_map(|c| self.reading(setting, c)));
        Ok(Ok(()))
    }

    /// Asks for the moves and waits for the word that they were made; false when there is nobody.
    fn put(&mut self, setting: &Setting) -> Result<bool, Failure> {
        let moves = match &self.setting {
            None => vec![format!("set {}", setting.text(self.board))],
            Some(old) => (0..self.board.jumpers.len())
                .filter(|&j| old.0[j] != setting.0[j])
                .map(|j| {
                    let jumper = &self.board.jumpers[j];
                    format!("move {} to {}", jumper.id, jumper.place_name(setting.0[j]))
                })
                .collect(),
        };
        self.setting = Some(setting.clone());
        if moves.is_empty() {
            return Ok(true);
        }
        super::print(&format!("\n{}, then press Enter\n", moves.join(", ")))?;
        let mut line = String::new();
        let length = stdin().lock().read_line(&mut line).unwrap_or(0);
        Ok(length > 0)
    }

    fn reading(&self, setting: &Setting, check: &Check) -> Option<Reading> {
        let burst = check.burst?;
        let read = match check.kind {
            Kind::Meter { .. } => return None,
            Kind::Digital => Read::Level { ones: burst.mean },
            Kind::Analog => Read::Code {
                mean: burst.mean,
                sd: burst.sd,
                n: f64::from(burst.n.max(1)),
                pulled: check.pull_up_shift.map(|shift| burst.mean + shift),
            },
        };
        let proof = match check.driven {
            driven if driven.proved() => Proof::Driven,
            Driven::Open => Proof::Open,
            _ => Proof::NotShown,
        };
        Some(Reading {
            step: self.looks,
            setting: setting.clone(),
            closed: self.board.channels[check.channel].closes.clone(),
            channel: check.channel,
            read,
            proof,
        })
    }
}
