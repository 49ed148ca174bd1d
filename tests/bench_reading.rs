//! One look at a unit as it lies there.

mod bench_support;

use bench_support::vent_controller;
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::reading::Reader;
use strapwise::bench::{
    Answer, Ask, Boot, Burst, Cut, Event, Input, Output, ProbeInfo, Procedure, Summary, UnitVerdict,
};
use strapwise::window;

/// Answers anything with something of the right kind; the supply is read at half scale.
fn answer(ask: &Ask, boot: &Boot) -> Answer {
    let half =
        Burst { n: 961, mean: 512.0, min: 512, max: 512, q01: 512, q99: 512, ..Burst::default() };
    match ask {
        Ask::Who => Answer::Who(ProbeInfo {
            model: "PROBE-ATMEGA328P".into(),
            boot: boot.clone(),
            ..ProbeInfo::default()
        }),
        Ask::Boot => Answer::Boot(boot.clone()),
        Ask::Burst { .. } | Ask::Supply { .. } => Answer::Burst(half),
        Ask::Level { n, .. } => Answer::Level { n: u32::from(*n), ones: 0 },
        Ask::Charge { .. } => Answer::Charge { first: 512.0, last: 512.0 },
        _ => Answer::Done,
    }
}

/// A look, led by what happens at each ask: the input that follows it.
struct Looking {
    reader: Reader,
    asks: Vec<Ask>,
    summary: Option<Summary>,
}

impl Looking {
    fn new() -> Looking {
        let board = vent_controller();
        let windows = Arc::new(window::windows(&board).expect("windows"));
        let reader = Reader::new(board.clone(), windows, board.delivery.clone());
        Looking { reader, asks: Vec::new(), summary: None }
    }

    fn tell(&mut self, input: Input) -> bool {
        let before = self.asks.len();
        for output in self.reader.handle(Duration::from_secs(1), input) {
            match output {
                Output::Ask(ask) => self.asks.push(ask),
                Output::Event(Event::Finished(summary)) => self.summary = Some(summary),
                Output::Run(task) => panic!("a look runs nothing: {task:?}"),
                Output::Event(_) => {}
            }
        }
        assert!(self.asks.len() - before <= 1, "asked twice at once");
        self.asks.len() > before
    }

    fn boot(count: u32) -> Boot {
        Boot { count, cause: "POWER".into(), uptime_ms: 5000 }
    }

    fn answer(&mut self, boots: u32) -> bool {
        let ask = self.asks.last().expect("an ask").clone();
        self.tell(Input::Answer(answer(&ask, &Looking::boot(boots))))
    }
}

#[test]
fn a_look_reads_everything_and_leaves_everything_off() {
    let mut looking = Looking::new();
    assert!(looking.tell(Input::Start) && !looking.tell(Input::Start), "begins once");
    while looking.answer(3) {}
    let summary = looking.summary.expect("a look ends");
    assert!(summary.cut.is_none() && looking.reader.look().is_some());
    let off = looking.asks.iter().position(|a| *a == Ask::AllOff).expect("all off");
    assert!(looking.asks[off..].iter().all(|a| !matches!(a, Ask::Switch { .. })));
}

#[test]
fn a_stop_during_a_look_switches_everything_off_first() {
    let mut looking = Looking::new();
    looking.tell(Input::Start);
    while !matches!(looking.asks.last(), Some(Ask::Switch { on: true, .. })) {
        assert!(looking.answer(3));
    }
    assert!(!looking.tell(Input::Stop), "an answer is under way");
    assert!(looking.answer(3));
    assert_eq!(looking.asks.last(), Some(&Ask::AllOff));
    assert!(looking.summary.is_none(), "over before everything is off");
    looking.answer(3);
    let summary = looking.summary.expect("the end");
    assert_eq!((summary.verdict, summary.cut), (UnitVerdict::Incomplete, Some(Cut::Stopped)));
}

#[test]
fn a_reset_during_a_look_makes_it_void() {
    let mut looking = Looking::new();
    looking.tell(Input::Start);
    for _ in 0..5 {
        looking.answer(3);
    }
    while looking.answer(4) {}
    let summary = looking.summary.expect("the end");
    assert_eq!(summary.verdict, UnitVerdict::Incomplete);
    let Some(Cut::Probe(why)) = summary.cut else { panic!("not void") };
    assert!(why.contains("reset") && looking.reader.look().is_none());
}
