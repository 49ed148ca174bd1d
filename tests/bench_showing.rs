//! Switches held closed for somebody to look: by the clock that it is told, and no longer.

use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::showing::Shower;
use strapwise::bench::{Answer, Ask, Boot, Cut, Event, Input, Output, ProbeInfo, Procedure};
use strapwise::board::parse;

const HOLD: Duration = Duration::from_secs(6);

/// A procedure, answered as a probe answers, at its own times.
struct Told {
    shower: Shower,
    now: Duration,
    asks: Vec<Ask>,
    cut: Option<Option<Cut>>,
}

impl Told {
    fn new() -> Told {
        let text = include_str!("../protocols/vent-controller.toml");
        let board = Arc::new(parse("demo", text).unwrap());
        let (asks, now) = (Vec::new(), Duration::ZERO);
        Told { shower: Shower::new(board, vec![1], HOLD), now, asks, cut: None }
    }

    fn take(&mut self, outputs: Vec<Output>) {
        for output in outputs {
            match output {
                Output::Ask(ask) => self.asks.push(ask),
                Output::Event(Event::Finished(summary)) => self.cut = Some(summary.cut),
                other => panic!("{other:?}"),
            }
        }
    }

    fn tell(&mut self, input: Input) {
        let outputs = self.shower.handle(self.now, input);
        self.take(outputs);
    }

    /// Answers until it waits for the time, or is over.
    fn answer(&mut self, uptime_ms: u32) {
        let mut answered = self.asks.len().saturating_sub(1);
        while answered < self.asks.len() {
            let boot = Boot { count: 3, cause: "POWER".into(), uptime_ms };
            let answer = match self.asks[answered] {
                Ask::Who => Answer::Who(ProbeInfo {
                    model: "PROBE-ATMEGA328P".into(),
                    version: env!("CARGO_PKG_VERSION").into(),
                    boot,
                    ..ProbeInfo::default()
                }),
                Ask::Boot => Answer::Boot(boot),
                _ => Answer::Done,
            };
            answered += 1;
            self.tell(Input::Answer(answer));
        }
    }

    fn begin() -> Told {
        let mut told = Told::new();
        told.tell(Input::Start);
        told.answer(1000);
        told
    }
}

#[test]
fn the_lamps_are_on_for_the_stated_time_and_the_line_is_never_silent_for_long() {
    let mut told = Told::begin();
    let on = Ask::Switch { switch: 1, on: true };
    assert_eq!(told.asks, [Ask::Who, Ask::Prepare, on]);
    let mut beats = 0;
    while told.cut.is_none() {
        let wake = told.shower.wake_at().expect("it waits for the time");
        // The probe lets go after three seconds of silence: `protocols/probe-link.md`.
        assert!(wake - told.now <= Duration::from_secs(2), "{wake:?}");
        told.now = wake;
        let before = told.asks.len();
        told.tell(Input::Tick);
        beats += told.asks[before..].iter().filter(|a| **a == Ask::Boot).count();
        told.answer(1000 + u32::try_from(told.now.as_millis()).unwrap());
    }
    assert_eq!((told.now, beats, told.cut), (HOLD, 5, Some(None)));
    let off = Ask::Switch { switch: 1, on: false };
    assert_eq!(told.asks[told.asks.len() - 2..], [off, Ask::AllOff]);
}

#[test]
fn a_request_to_stop_switches_them_off_at_once() {
    let mut told = Told::begin();
    told.now = Duration::from_millis(500);
    told.tell(Input::Stop);
    assert_eq!(told.asks.last(), Some(&Ask::AllOff));
    told.answer(1500);
    assert_eq!(told.cut, Some(Some(Cut::Stopped)));
}

#[test]
fn a_chip_that_is_reset_meanwhile_showed_nothing() {
    let mut told = Told::begin();
    told.now = Duration::from_secs(1);
    told.tell(Input::Tick);
    told.answer(20);
    let Some(Some(Cut::Probe(why))) = &told.cut else { panic!("{:?}", told.cut) };
    assert!(why.contains("was reset while its outputs were on"), "{why}");
}
