//! Limits that the system sets. The one door to `signal-hook`.

use super::Failure;

/// Makes a write beyond the limit on file sizes (`ulimit -f`) an error that can be told: without
/// this the system ends the program by `SIGXFSZ`, and the operator does not learn why.
#[cfg(unix)]
pub fn tell_of_large_files() -> Result<(), Failure> {
    use signal_hook::consts::SIGXFSZ;
    use std::sync::Arc;
    // Nobody looks at the flag: that the signal is caught is enough for the write to fail.
    signal_hook::flag::register(SIGXFSZ, Arc::default())
        .map(drop)
        .map_err(|e| Failure::lost(format!("the program cannot start: {e}")))
}

/// Other systems have no such signal.
#[cfg(not(unix))]
pub fn tell_of_large_files() -> Result<(), Failure> {
    Ok(())
}
