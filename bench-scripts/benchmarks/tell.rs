//! Lines of a benchmark that may be piped into `head`.

/// As `println!`, but ends the benchmark quietly once nobody reads on.
macro_rules! tell {
    ($($line:tt)*) => {
        $crate::tell::line(format_args!($($line)*))
    };
}

/// Prints a line; ends the program where the reader of its output has gone.
///
/// # Panics
/// When standard output fails in another way.
pub fn line(line: std::fmt::Arguments) {
    use std::io::{ErrorKind, Write};
    match writeln!(std::io::stdout(), "{line}") {
        Ok(()) => {}
        Err(e) if e.kind() == ErrorKind::BrokenPipe => std::process::exit(0),
        Err(e) => panic!("standard output: {e}"),
    }
}
