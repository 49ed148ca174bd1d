//! A sign of life while something takes long.

use indicatif::ProgressBar;
use std::io::IsTerminal;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

/// What is done within this needs no sign.
const AT_ONCE: Duration = Duration::from_millis(500);

/// Does a piece of work. Where it takes long and a person watches, a line on standard error says
/// what is done and since when, and is gone with the work.
pub fn patience<T>(what: &'static str, work: impl FnOnce() -> T) -> T {
    if !std::io::stderr().is_terminal() {
        return work();
    }
    std::thread::scope(|scope| {
        let (working, done) = channel::<()>();
        scope.spawn(move || {
            if done.recv_timeout(AT_ONCE) != Err(RecvTimeoutError::Timeout) {
                return;
            }
            let line = ProgressBar::new_spinner();
            let style =
                indicatif::ProgressStyle::with_template("{msg}, {elapsed} ... Ctrl-C stops");
            line.set_style(style.unwrap_or_else(|_| indicatif::ProgressStyle::default_spinner()));
            line.set_message(what);
            line.enable_steady_tick(Duration::from_millis(250));
            // An error is the other end gone: the work is done, or has panicked.
            let _ = done.recv();
            line.finish_and_clear();
        });
        let result = work();
        drop(working);
        result
    })
}
