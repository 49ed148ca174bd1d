//! The `strapwise` command: arguments in, an exit code out, every error printed once.

use std::process::ExitCode;

fn main() -> ExitCode {
    strapwise::cli::run()
}
