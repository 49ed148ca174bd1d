//! Whatever happens at the bench, in whatever order: the procedure keeps its promises.

mod bench_support;

use bench_support::vent_controller;
use proptest::prelude::*;
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use strapwise::bench::{
    Answer, Ask, Bench, Boot, Burst, Config, Event, Input, Key, Output, Presence, ProbeInfo,
    Procedure, Summary, UnitId, UnitVerdict, Verdict,
};
use strapwise::board::{Board, Fuses};
use strapwise::walk::{self, Walk};
use strapwise::window::{self, Windows};

/// One thing that happens.
#[derive(Clone, Debug)]
enum Happens {
    /// The probe answers what it was asked, with these figures.
    Fits { code: u16, spread: u8, boots: u8 },
    /// The probe answers anything at all.
    Any(Answer),
    /// The operator presses a key.
    Key(Key),
    /// The clock moves on.
    Tick(u16),
    /// Somebody starts it again.
    Start,
}

/// One end of a history.
#[derive(Clone, Copy, Debug)]
enum End {
    Lost,
    Stop,
}

fn burst() -> impl Strategy<Value = Burst> {
    let float = prop_oneof![any::<f64>(), -10.0..1100.0];
    (any::<u32>(), float, any::<f64>(), any::<f64>(), any::<[u16; 4]>()).prop_map(
        |(n, mean, sd, lag1, [min, max, q01, q99])| Burst { n, mean, sd, lag1, min, max, q01, q99 },
    )
}

fn boot() -> impl Strategy<Value = Boot> {
    (0u32..3, any::<u32>()).prop_map(|(count, uptime_ms)| Boot {
        count,
        cause: "UNKNOWN".into(),
        uptime_ms,
    })
}

fn who() -> impl Strategy<Value = Answer> {
    let model = prop_oneof![Just("PROBE-ATMEGA328P".to_string()), ".{0,12}"];
    (model, boot())
        .prop_map(|(model, boot)| Answer::Who(ProbeInfo { model, boot, ..ProbeInfo::default() }))
}

fn anything() -> impl Strategy<Value = Answer> {
    prop_oneof![
        who(),
        boot().prop_map(Answer::Boot),
        Just(Answer::Done),
        burst().prop_map(Answer::Burst),
        any::<(u32, u32)>().prop_map(|(n, ones)| Answer::Level { n, ones }),
        any::<[u8; 4]>().prop_map(Answer::Fuses),
        any::<(f64, f64)>().prop_map(|(first, last)| Answer::Charge { first, last }),
        ".{0,20}".prop_map(Answer::Refused),
    ]
}

fn happens() -> impl Strategy<Value = Happens> {
    let key = prop_oneof![Just(Key::Yes), Just(Key::No), Just(Key::Again)];
    let fits = (0u16..1024, any::<u8>(), prop::bool::weighted(0.01));
    prop_oneof![
        12 => fits.prop_map(|(code, spread, boots)| {
            Happens::Fits { code, spread, boots: u8::from(boots) }
        }),
        1 => anything().prop_map(Happens::Any),
        2 => key.prop_map(Happens::Key),
        4 => any::<u16>().prop_map(Happens::Tick),
        1 => Just(Happens::Start),
    ]
}

/// An answer that fits the ask.
fn fitting(ask: &Ask, code: u16, spread: u8, boot: &Boot) -> Answer {
    let (mean, sd) = (f64::from(code), f64::from(spread) / 64.0);
    let (min, max) = (code.saturating_sub(2), code.saturating_add(2).min(1023));
    let burst = |n: u16| Burst { n: n.into(), mean, sd, lag1: 0.1, min, max, q01: min, q99: max };
    match *ask {
        Ask::Who | Ask::Return => Answer::Who(ProbeInfo {
            model: "PROBE-ATMEGA328P".into(),
            boot: boot.clone(),
            ..ProbeInfo::default()
        }),
        Ask::Boot => Answer::Boot(boot.clone()),
        Ask::Burst { n, .. } | Ask::Supply { n } => Answer::Burst(burst(n)),
        Ask::Codes { n, .. } => Answer::Codes(burst(n), vec![code; 3]),
        Ask::Product { .. } => Answer::Burst(burst(4)),
        Ask::Level { n, .. } => {
            Answer::Level { n: n.into(), ones: if code > 512 { n.into() } else { 0 } }
        }
        Ask::Charge { .. } => Answer::Charge { first: mean, last: mean },
        Ask::Fuses => Answer::Fuses([0xFF, 0xDE, 0xFD, 0xCF]),
        Ask::Slots => Answer::Slots([vec![0xFF; 4], vec![0xFF; 4]]),
        Ask::Own { .. } | Ask::PutBack(_) => Answer::Done,
        Ask::Step { n, .. } => {
            let codes = vec![Some(code); usize::from(n)];
            Answer::Samples { before: Some(burst(n)), burst: burst(n), codes }
        }
        Ask::Presence { .. } => Answer::Presence(Presence::Silent),
        Ask::Samples { .. } => panic!("no bench asks this: {ask:?}"),
        Ask::Prepare | Ask::Switch { .. } | Ask::Load { .. } | Ask::AllOff => Answer::Done,
    }
}

/// A bench, and what it must keep to at every moment.
struct Watched {
    bench: Bench,
    now: Duration,
    boot: Boot,
    under_way: Option<Ask>,
    worst: Option<Verdict>,
    summaries: Vec<Summary>,
}

impl Watched {
    fn new() -> Watched {
        static DESIGN: OnceLock<(Arc<Board>, Arc<Windows>, Arc<Walk>)> = OnceLock::new();
        let (board, windows, walk) = DESIGN
            .get_or_init(|| {
                let mut board = Arc::unwrap_or_clone(vent_controller());
                board.fuses = Some(Fuses([Some(0xFF), Some(0xDE), None, None]));
                let board = Arc::new(board);
                let windows = window::windows(&board).expect("windows");
                let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
                (board, Arc::new(windows), Arc::new(walk))
            })
            .clone();
        Watched {
            bench: Bench::new(
                board,
                windows,
                walk,
                UnitId { identity: 7, ..UnitId::default() },
                Config::default(),
            ),
            now: Duration::ZERO,
            boot: Boot { count: 0, cause: "POWER".into(), uptime_ms: 1000 },
            under_way: None,
            worst: None,
            summaries: Vec::new(),
        }
    }

    fn tell(&mut self, input: Input) {
        if matches!(input, Input::Answer(_) | Input::Lost(_)) {
            self.under_way = None;
        }
        let was_over = self.bench.over();
        for output in self.bench.handle(self.now, input) {
            assert!(!was_over, "says something after the end: {output:?}");
            match output {
                Output::Ask(ask) => {
                    assert!(self.under_way.is_none(), "two asks at once: {ask:?}");
                    self.under_way = Some(ask);
                }
                Output::Run(task) => panic!("the board names no command: {task:?}"),
                Output::Event(event) => self.event(event),
            }
        }
        assert_eq!(self.bench.over(), !self.summaries.is_empty());
        let waits = self.under_way.is_some() && self.bench.wake_at().is_some();
        assert!(!waits, "wants to be woken while it waits for an answer");
    }

    fn event(&mut self, event: Event) {
        let verdict = match event {
            Event::Check { check, .. } => check.verdict,
            Event::Supply { check, .. } => check.verdict,
            Event::Answered { verdict, .. } | Event::Fuses { verdict, .. } => verdict,
            Event::Finished(summary) => return self.summaries.push(summary),
            _ => return,
        };
        self.worst = self.worst.max(Some(verdict));
    }

    fn happen(&mut self, what: &Happens) {
        self.now += Duration::from_millis(7);
        self.boot.uptime_ms += 7;
        match what {
            Happens::Fits { code, spread, boots } => {
                let Some(ask) = self.under_way.clone() else { return };
                self.boot.count += u32::from(*boots);
                let answer = fitting(&ask, *code, *spread, &self.boot);
                self.tell(Input::Answer(answer));
            }
            Happens::Any(answer) => {
                if self.under_way.is_some() {
                    self.tell(Input::Answer(answer.clone()));
                }
            }
            Happens::Key(key) => self.tell(Input::Key(*key)),
            Happens::Tick(ms) => {
                self.now += Duration::from_millis(u64::from(*ms));
                self.boot.uptime_ms += u32::from(*ms);
                self.tell(Input::Tick);
            }
            Happens::Start => self.tell(Input::Start),
        }
    }

    fn end(&mut self, end: End) {
        match end {
            End::Lost => self.tell(Input::Lost("gone".into())),
            End::Stop => {
                self.tell(Input::Stop);
                // The answer under way, that to switching everything off, and that to putting back
                // what had stood in the identity's place.
                for _ in 0..3 {
                    if let Some(ask) = self.under_way.clone() {
                        let off = ask == Ask::AllOff;
                        self.tell(Input::Answer(fitting(&ask, 1, 0, &self.boot.clone())));
                        let back = matches!(self.under_way, Some(Ask::PutBack(_)));
                        let ends = self.bench.over() || back;
                        assert!(!off || ends, "goes on after everything is off");
                    }
                }
            }
        }
        assert!(self.bench.over(), "goes on after {end:?}");
        assert_eq!(self.summaries.len(), 1, "one run has one end");
        let summary = &self.summaries[0];
        if summary.verdict == UnitVerdict::Pass {
            assert_eq!(self.worst, Some(Verdict::Pass), "{summary:?}");
            assert!(summary.cut.is_none());
        } else {
            assert!(!summary.reasons.is_empty(), "not a pass, and no reason: {summary:?}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..Default::default() })]

    #[test]
    fn whatever_happens_the_bench_asks_one_thing_at_a_time_and_ends_when_it_is_told_to(
        history in prop::collection::vec(happens(), 0..600),
        end in prop_oneof![Just(End::Lost), Just(End::Stop)],
    ) {
        let mut watched = Watched::new();
        watched.tell(Input::Start);
        for what in &history {
            watched.happen(what);
        }
        watched.end(end);
    }

    #[test]
    fn a_run_that_is_never_started_can_be_ended(
        keys in prop::collection::vec(happens(), 0..5),
        end in prop_oneof![Just(End::Lost), Just(End::Stop)],
    ) {
        let mut watched = Watched::new();
        for what in keys.iter().filter(|w| !matches!(w, Happens::Start)) {
            watched.happen(what);
        }
        watched.end(end);
    }
}
