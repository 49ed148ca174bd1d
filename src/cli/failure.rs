//! How a command ends.

use crate::bench::UnitVerdict;
use crate::session::live::SessionError;
use crate::store::{ErrorKind, StoreError};
use std::fmt;
use std::process::ExitCode;

/// The exit codes of the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// Everything passed.
    Pass,
    /// A unit failed.
    Fail,
    /// The arguments or a file cannot be used.
    Usage,
    /// The probe or a file was lost.
    Lost,
    /// A unit is held.
    Hold,
    /// A unit was not wholly tested.
    Incomplete,
    /// The operator stopped it.
    Interrupted,
}

impl Exit {
    /// The code of a unit's verdict.
    pub fn of(verdict: UnitVerdict) -> Exit {
        match verdict {
            UnitVerdict::Pass => Exit::Pass,
            UnitVerdict::Fail => Exit::Fail,
            UnitVerdict::Hold => Exit::Hold,
            UnitVerdict::Incomplete => Exit::Incomplete,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(match exit {
            Exit::Pass => 0,
            Exit::Fail => 1,
            Exit::Usage => 2,
            Exit::Lost => 3,
            Exit::Hold => 4,
            Exit::Incomplete => 5,
            Exit::Interrupted => 130,
        })
    }
}

/// Why a command could not do its work: where, what, what next.
#[derive(Debug)]
pub struct Failure {
    /// The exit code.
    pub exit: Exit,
    /// The words.
    pub text: String,
}

impl Failure {
    /// Arguments or a file that cannot be used.
    pub fn input(text: String) -> Failure {
        Failure { exit: Exit::Usage, text }
    }

    /// The probe or a file was lost.
    pub fn lost(text: String) -> Failure {
        Failure { exit: Exit::Lost, text }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Failure {
        let exit = match error.kind {
            ErrorKind::Usage | ErrorKind::Held => Exit::Usage,
            ErrorKind::Io => Exit::Lost,
        };
        Failure { exit, text: error.to_string() }
    }
}

impl From<SessionError> for Failure {
    fn from(error: SessionError) -> Failure {
        match error {
            SessionError::Store(error) => error.into(),
            SessionError::Port(text) => Failure::lost(text),
        }
    }
}
