//! What is said when what is on the port is not the probe.

use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::reading::Reader;
use strapwise::bench::{Cut, Event};
use strapwise::board::{Board, Setting, parse};
use strapwise::probe::exchange::Exchange;
use strapwise::record::Head;
use strapwise::record::fold::Folder;
use strapwise::session::{Act, Conductor};
use strapwise::window;

/// A look at a unit on a line where `answer` comes after each request; the reason of its end.
fn end_of(answer: &[u8]) -> String {
    let board: Board =
        parse("demo", include_str!("../protocols/vent-controller.toml")).expect("it is a board");
    let board = Arc::new(board);
    let windows = Arc::new(window::windows(&board).expect("windows"));
    let reader = Reader::new(board.clone(), windows, Setting::all_open(&board));
    let mut exchange = Exchange::with_quiet(7, Duration::ZERO);
    exchange.opened(Duration::ZERO);
    let began = "2026-01-05T08:00:00Z".parse().expect("a time");
    let folder = Folder::new(board.clone(), Head::default(), began);
    let mut conductor = Conductor::new(board, reader, exchange, folder);
    let mut now = Duration::ZERO;
    let mut acts = conductor.start(now);
    for _ in 0..100 {
        let sent = acts.iter().any(|a| matches!(a, Act::Write(_)));
        for act in &acts {
            if let Act::Show(Event::Finished(summary)) = act {
                let Some(Cut::Probe(why)) = &summary.cut else { panic!("{summary:?}") };
                return why.clone();
            }
        }
        acts = if sent && !answer.is_empty() {
            conductor.bytes(now, answer)
        } else {
            now = conductor.wake_at().expect("it waits for something");
            conductor.tick(now)
        };
    }
    panic!("the look does not end");
}

#[test]
fn a_sketch_that_talks_for_itself_is_not_called_silent() {
    let why = end_of(b"Hello, world\r\n");
    assert!(why.contains("sends, but not as the probe does (\"Hello, world\\r\\n\")"), "{why}");
    assert!(why.contains("the right port") && why.contains("250000 baud"), "{why}");
}

#[test]
fn bytes_of_another_line_rate_that_end_no_line_count_too() {
    let why = end_of(b"\xf8\x00\x80");
    assert!(why.contains("another rate"), "{why}");
    assert!(why.len() < 400, "{why}");
}

#[test]
fn a_line_where_nothing_comes_is_called_silent() {
    let why = end_of(b"");
    assert!(why.contains("the probe does not answer (3 tries at 250000 baud)"), "{why}");
    assert!(!why.contains("another rate"), "{why}");
}
