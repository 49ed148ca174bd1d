//! The live view, on the probe's own core and a virtual clock.

mod bench_support;

use bench_support::vent_controller;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::watching::{Pace, Round, Watched, Watcher};
use strapwise::bench::{
    Answer, Ask, Boot, Burst, Cut, Driven, Event, Input, Key, Output, ProbeInfo, Procedure, Summary,
};
use strapwise::board::{Board, Place};
use strapwise::probe::exchange::Exchange;
use strapwise::probe::virtual_board::VirtualBoard;
use strapwise::probe::world::{ResetCause, World};
use strapwise::record::Head;
use strapwise::record::fold::Folder;
use strapwise::report::watch::View;
use strapwise::session::{Act, Conductor};
use strapwise::window::{self, Windows};

const PACE: Pace = Pace {
    every: Duration::from_secs(1),
    count: None,
    wait: Duration::from_secs(5),
    histogram: None,
    record: false,
};

/// Longest step of the clock while nothing is due.
const STEP: Duration = Duration::from_millis(5);

/// A board that is watched.
struct Table {
    board: Arc<Board>,
    windows: Arc<Windows>,
    conductor: Conductor<Watcher>,
    unit: VirtualBoard,
    plugged: bool,
    now: Duration,
    writes: usize,
    seen: Vec<Watched>,
    /// Told lines, kind and text.
    told: Vec<(&'static str, String)>,
    view: View,
    summary: Option<Summary>,
}

impl Table {
    fn new(pace: Pace) -> Table {
        let board = vent_controller();
        let windows = Arc::new(window::windows(&board).expect("windows"));
        let watcher = Watcher::new(board.clone(), windows.clone(), board.delivery.clone(), pace);
        let mut exchange = Exchange::with_quiet(7, Duration::ZERO);
        exchange.opened(Duration::ZERO);
        let began = "2026-01-05T08:00:00Z".parse().expect("a time");
        let folder = Folder::new(board.clone(), Head::default(), began);
        let mut unit = VirtualBoard::new(World::new(board.clone(), 1));
        unit.place_all(&board.delivery);
        let view = View::new(board.clone(), windows.clone(), "live.csv", pace.record, false);
        let mut table = Table {
            conductor: Conductor::new(board.clone(), watcher, exchange, folder),
            board,
            windows,
            unit,
            plugged: true,
            now: Duration::ZERO,
            writes: 0,
            seen: Vec::new(),
            told: Vec::new(),
            view,
            summary: None,
        };
        let acts = table.conductor.start(Duration::ZERO);
        table.carry_out(acts);
        table
    }

    fn carry_out(&mut self, acts: Vec<Act>) {
        for act in acts {
            match act {
                Act::Rate(rate) => panic!("there is one rate: {rate}"),
                Act::Run(task) => panic!("a view runs nothing: {task:?}"),
                Act::Write(bytes) => {
                    self.writes += 1;
                    if self.plugged {
                        self.unit.write(&bytes);
                    }
                }
                Act::Show(Event::Watched(watched)) => {
                    self.view.take(self.now, &watched);
                    self.told.extend(self.view.lines(&watched));
                    self.seen.push(watched);
                }
                Act::Show(Event::Finished(summary)) => self.summary = Some(summary),
                Act::Show(_) | Act::End(_) | Act::Keep(_) => {}
            }
        }
    }

    fn step(&mut self) {
        let due = [self.conductor.wake_at(), self.unit.ready_at()].into_iter().flatten().min();
        self.now = due.unwrap_or(self.now + STEP).clamp(self.now, self.now + STEP);
        self.now = self.now.max(self.unit.elapsed());
        self.unit.advance_to(self.now);
        let bytes = self.unit.read();
        let acts = if !bytes.is_empty() && self.plugged {
            self.conductor.bytes(self.now, &bytes)
        } else if self.conductor.wake_at().is_some_and(|at| at <= self.now) {
            self.conductor.tick(self.now)
        } else {
            Vec::new()
        };
        self.carry_out(acts);
    }

    fn until(&mut self, wanted: impl Fn(&Table) -> bool) {
        for _ in 0..200_000 {
            if wanted(self) {
                return;
            }
            assert!(self.summary.is_none(), "over: {:?}", self.summary);
            self.step();
        }
        panic!("it does not come: {:?}", self.told);
    }

    fn wait(&mut self, time: Duration) {
        let end = self.now + time;
        self.until(|t| t.now >= end);
    }

    fn rounds(&self) -> Vec<&Round> {
        let round = |w: &'_ Watched| matches!(w, Watched::Round(_));
        let rounds = self.seen.iter().filter(|w| round(w));
        rounds.map(|w| if let Watched::Round(r) = w { &**r } else { unreachable!() }).collect()
    }

    /// Reads on until so many more rounds are complete.
    fn read(&mut self, more: usize) -> &Round {
        let wanted = self.rounds().len() + more;
        self.until(|t| t.rounds().len() >= wanted);
        self.rounds()[wanted - 1]
    }

    fn letter(&mut self, letter: char) {
        let acts = self.conductor.letter(self.now, letter);
        self.carry_out(acts);
    }

    fn key(&mut self, key: Key) {
        let acts = self.conductor.key(self.now, key);
        self.carry_out(acts);
    }

    fn unplug(&mut self) {
        self.plugged = false;
        self.unit.power(false);
        let acts = self.conductor.lost(self.now, "unplugged".into());
        self.carry_out(acts);
    }

    fn plug_in(&mut self) {
        self.plugged = true;
        self.unit.power(true);
        self.conductor.opened(self.now);
    }

    fn channel(&self, id: &str) -> usize {
        self.board.channels.iter().position(|c| c.id == id).expect("a channel")
    }

    fn told_of(&self, kind: &str) -> Vec<&str> {
        self.told.iter().filter(|(k, _)| *k == kind).map(|(_, text)| text.as_str()).collect()
    }
}

#[test]
fn a_round_shows_every_channel_with_its_proof_beside_the_circuit() {
    let mut table = Table::new(PACE);
    let round = table.read(1).clone();
    assert_eq!(round.look.checks.len(), table.board.channels.len());
    let profile = table.channel("PROFILE");
    let check = round.look.checks.iter().find(|c| c.channel == profile).expect("it is read");
    assert_eq!((check.position.as_str(), check.driven), ("J1=3", Driven::ByPullUp));
    let burst = check.burst.expect("a burst");
    // Whole periods of 50 and 60 Hz, so that the noise shown is the bench's.
    assert_eq!(burst.n, 961);
    assert!(burst.sd > 0.0);
    let shift = check.pull_up_shift.expect("a pull-up");
    let good = round.shifts[profile].expect("a prediction");
    assert!(good.low < shift && shift < good.high, "{shift} in {good:?}");
    let expected = window::expect(&table.board, &round.look.setting, profile);
    assert_eq!(check.expected_code, Some(expected.code));
    let supply = round.supply.expect("the supply");
    // 1.1 V nominal against 5 V: 1.1 * 1024 / 5 = 225.3 (A8 of the check values: 225 is 5.006 V).
    assert!((supply.mean - 225.3).abs() < 25.0, "{supply:?}");
}

#[test]
fn a_shunt_that_is_moved_is_told_and_nothing_else_is_told_again() {
    let mut table = Table::new(PACE);
    table.read(4);
    let seen = table.told_of("seen").len();
    assert_eq!(seen, table.board.channels.len(), "each channel once: {:#?}", table.told);
    let j1 = table.board.jumper("J1").expect("J1");
    table.unit.place(j1, Place::At(3));
    table.read(2);
    let new = table.told_of("seen")[seen..].to_vec();
    assert!(new.iter().all(|l| l.starts_with("PROFILE ")), "{new:?}");
    let last = new.last().expect("it was told");
    assert!(last.contains("J1=4 orchids") && last.contains("circuit 187"), "{last}");
}

#[test]
fn an_open_pin_is_told_as_one_that_nothing_drives() {
    let mut table = Table::new(PACE);
    let j1 = table.board.jumper("J1").expect("J1");
    table.unit.place(j1, Place::Open);
    table.read(2);
    let line = table.told_of("seen").into_iter().rfind(|l| l.starts_with("PROFILE ")).unwrap();
    assert!(line.contains("nothing drives it: open"), "{line}");
}

#[test]
fn a_view_ends_by_itself_after_its_rounds() {
    let mut table = Table::new(Pace { count: Some(2), ..PACE });
    table.until(|t| t.summary.is_some());
    assert_eq!(table.rounds().len(), 2);
    assert_eq!(table.summary.as_ref().and_then(|s| s.cut.clone()), None);
    let began = Duration::from_secs(1);
    assert!(table.now > began && table.now < 3 * began, "a round a second: {:?}", table.now);
}

#[test]
fn while_it_pauses_the_probe_is_asked_nothing_but_a_round_at_a_key() {
    let mut table = Table::new(PACE);
    table.read(1);
    table.key(Key::No);
    table.wait(Duration::from_secs(1));
    let (writes, rounds) = (table.writes, table.rounds().len());
    table.wait(Duration::from_secs(20));
    assert_eq!((table.writes, table.rounds().len()), (writes, rounds));
    table.key(Key::Yes);
    table.wait(Duration::from_secs(5));
    assert_eq!(table.rounds().len(), rounds + 1);
    table.letter('p');
    table.read(2);
}

#[test]
fn the_histogram_counts_every_conversion_and_begins_anew_when_the_shunt_moves() {
    let mut table = Table::new(PACE);
    table.read(1);
    table.letter('h');
    let round = table.read(2).clone();
    let codes = round.codes.clone().expect("codes");
    assert_eq!(codes.channel, table.channel("PROFILE"));
    let total = |round: &Round| round.codes.as_ref().map_or(0, |c| c.counts.values().sum::<u64>());
    let full = round.look.checks[0].burst.expect("a burst");
    let (first, last) = (codes.counts.keys().min().unwrap(), codes.counts.keys().max().unwrap());
    assert!(first <= &full.min && last >= &full.max);
    let before = total(&round);
    assert_eq!(before % 961, 0, "no conversion is lost");
    assert_eq!(total(table.read(1)), before + 961);
    let j1 = table.board.jumper("J1").expect("J1");
    table.unit.place(j1, Place::At(0));
    let moved = table.read(2).clone();
    assert!(total(&moved) <= 2 * 961, "counted from nothing: {}", total(&moved));
    let drawn = table.view.histogram(80);
    assert!(drawn[0].starts_with("PROFILE: "), "{drawn:#?}");
    let analog = table.board.channels.iter().filter(|c| c.id != "PROFILE");
    let others = analog.filter(|c| c.kind == strapwise::board::Kind::Analog).count();
    for _ in 0..=others {
        table.letter('h');
    }
    assert!(table.read(2).codes.is_none(), "after the last channel comes none");
    assert!(table.view.histogram(80).is_empty());
}

#[test]
fn a_port_that_goes_away_is_told_waited_for_and_gone_on_with() {
    let mut table = Table::new(PACE);
    table.read(2);
    table.unplug();
    let away = table.told_of("away");
    assert!(away[0].contains("the port is gone (unplugged); waiting 5 s"), "{away:?}");
    table.wait(Duration::from_secs(2));
    table.plug_in();
    table.read(2);
    assert_eq!(table.told_of("away").len(), 1);
    let back = table.told_of("probe");
    assert!(back.last().is_some_and(|l| l.contains("is back")), "{back:?}");
    assert!(table.view.picture(80).iter().all(|l| !l.contains("waiting")));
}

#[test]
fn a_port_that_goes_away_in_a_pause_is_told_at_once() {
    let mut table = Table::new(PACE);
    table.read(1);
    table.key(Key::No);
    table.wait(Duration::from_secs(2));
    table.unplug();
    assert_eq!(table.told_of("away").len(), 1);
    assert!(table.view.picture(80).iter().any(|l| l.contains("waiting 5 s")));
}

#[test]
fn a_probe_that_does_not_come_back_in_time_ends_the_view_as_lost() {
    for after_rounds in [1, 2, 3] {
        let mut table = Table::new(PACE);
        table.read(after_rounds);
        table.wait(Duration::from_millis(150) * after_rounds as u32);
        let gone_at = table.now;
        table.unplug();
        table.until(|t| t.summary.is_some());
        let cut = table.summary.and_then(|s| s.cut);
        let Some(Cut::Probe(why)) = cut else { panic!("{cut:?}") };
        assert!(why.contains("did not come back in 5 s"), "{why}");
        let took = table.now - gone_at;
        assert!(took >= PACE.wait && took < PACE.wait + Duration::from_secs(1), "{took:?}");
    }
}

#[test]
fn a_reset_in_a_round_makes_it_void() {
    let mut table = Table::new(PACE);
    table.read(2);
    let writes = table.writes;
    table.until(|t| t.writes > writes + 6);
    let rounds = table.rounds().len();
    table.unit.reset(ResetCause::External);
    table.until(|t| t.seen.iter().any(|w| matches!(w, Watched::Reset(_))));
    assert_eq!(table.rounds().len(), rounds, "the round under way is not shown");
    table.read(1);
    assert!(table.told_of("note").iter().any(|l| l.contains("that round is void")));
}

#[test]
fn however_it_is_stopped_the_switches_are_off() {
    for quits in [true, false] {
        let mut table = Table::new(PACE);
        table.read(1);
        let k1 = table.board.switches.iter().find(|s| s.id == "K1").unwrap().pin.number;
        for _ in 0..200_000 {
            if table.unit.world().level(k1) {
                break;
            }
            table.step();
        }
        assert!(table.unit.world().level(k1), "the round closes it");
        if quits {
            table.letter('q');
        } else {
            let acts = table.conductor.stop(table.now);
            table.carry_out(acts);
        }
        table.until(|t| t.summary.is_some());
        assert!(!table.unit.world().level(k1));
        let cut = table.summary.and_then(|s| s.cut);
        assert_eq!(cut, (!quits).then_some(Cut::Stopped));
    }
}

#[test]
fn the_picture_fits_any_width_and_says_more_on_a_wide_one() {
    let mut table = Table::new(Pace { histogram: Some(0), ..PACE });
    table.read(2);
    let windows = table.windows.clone();
    assert!(!windows.channels.is_empty());
    for width in [40, 79, 80, 132, 200] {
        let picture = table.view.picture(width);
        let widest = picture.iter().map(|l| l.chars().count()).max();
        assert!(widest <= Some(width), "{width}: {picture:#?}");
        assert!(picture.iter().all(|l| !l.contains('\x1b')));
    }
    let narrow = table.view.picture(79).join("\n");
    for word in ["PROFILE", "J1=3", "J6=fitted or open", "crop profile tomatoes", "q quit"] {
        assert!(narrow.contains(word), "{word} in\n{narrow}");
    }
    assert!(!narrow.contains('…'), "nothing is cut off at 80 columns:\n{narrow}");
    let wide = table.view.picture(200).join("\n");
    assert!(wide.contains("good unit here") && wide.contains("supply out"), "{wide}");
}

/// Something that happens to a watcher, in whatever order.
#[derive(Clone, Debug)]
enum Happens {
    Answer(u16),
    Silent,
    Wrong,
    Refused,
    Reset,
    Letter(char),
    Key(Key),
    Gone,
    Tick(u16),
    Stop,
}

fn anything() -> impl Strategy<Value = Happens> {
    let letter = prop::sample::select(vec!['p', 'h', 'r', 'x', '1']).prop_map(Happens::Letter);
    let key = prop::sample::select(vec![Key::Yes, Key::No, Key::Again]).prop_map(Happens::Key);
    prop_oneof![
        60 => (0u16..1024).prop_map(Happens::Answer),
        2 => Just(Happens::Silent),
        1 => Just(Happens::Wrong),
        2 => Just(Happens::Refused),
        1 => Just(Happens::Reset),
        3 => letter,
        3 => key,
        1 => Just(Happens::Gone),
        6 => (1u16..5000).prop_map(Happens::Tick),
        1 => prop_oneof![Just(Happens::Stop), Just(Happens::Letter('q'))],
    ]
}

fn fitting(ask: &Ask, code: u16, boot: &Boot) -> Answer {
    let (mean, q) = (f64::from(code), code);
    let burst =
        |n: u16| Burst { n: n.into(), mean, sd: 0.5, lag1: 0.0, min: q, max: q, q01: q, q99: q };
    match *ask {
        Ask::Who | Ask::Return => Answer::Who(ProbeInfo {
            model: "PROBE-ATMEGA328P".into(),
            boot: boot.clone(),
            ..ProbeInfo::default()
        }),
        Ask::Boot => Answer::Boot(boot.clone()),
        Ask::Burst { n, .. } | Ask::Supply { n } => Answer::Burst(burst(n)),
        Ask::Codes { n, .. } => Answer::Codes(burst(n), vec![code; usize::from(code % 40)]),
        Ask::Level { n, .. } => Answer::Level { n: n.into(), ones: u32::from(code % (n + 1)) },
        Ask::Charge { .. } => Answer::Charge { first: mean, last: mean / 2.0 },
        _ => Answer::Done,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: RngSeed::Fixed(4), cases: 200, ..Default::default() })]

    #[test]
    fn whatever_happens_one_thing_is_asked_at_a_time_and_the_end_comes_once(
        history in prop::collection::vec(anything(), 1..400)
    ) {
        let board = vent_controller();
        let windows = Arc::new(window::windows(&board).expect("windows"));
        let mut view = View::new(board.clone(), windows.clone(), "live.csv", false, true);
        let mut watcher = Watcher::new(board.clone(), windows, board.delivery.clone(), PACE);
        let mut now = Duration::ZERO;
        let mut boot = Boot { count: 1, cause: "POWER".into(), uptime_ms: 1000 };
        let mut asked: Option<Ask> = None;
        let mut ends = 0;
        let mut outputs = watcher.handle(now, Input::Start);
        for happens in history {
            for output in outputs.drain(..) {
                prop_assert_eq!(ends, 0, "nothing follows the end");
                match output {
                    Output::Run(task) => panic!("a view runs nothing: {task:?}"),
                    Output::Ask(ask) => {
                        prop_assert!(asked.is_none(), "{:?} while {:?}", ask, asked);
                        asked = Some(ask);
                    }
                    Output::Event(Event::Watched(watched)) => {
                        view.take(now, &watched);
                        view.lines(&watched);
                        let picture = view.picture(79);
                        prop_assert!(picture.iter().all(|l| l.chars().count() <= 79));
                    }
                    Output::Event(Event::Finished(_)) => ends += 1,
                    Output::Event(_) => {}
                }
            }
            boot.uptime_ms += 50;
            now += Duration::from_millis(50);
            let mut answer = |asked: &mut Option<Ask>, make: &dyn Fn(&Ask) -> Answer| {
                let given = asked.take().map(|ask| make(&ask));
                given.map_or(Vec::new(), |a| watcher.handle(now, Input::Answer(a)))
            };
            outputs = match happens {
                Happens::Answer(code) => answer(&mut asked, &|ask| fitting(ask, code, &boot)),
                Happens::Silent => answer(&mut asked, &|_| Answer::Silent),
                Happens::Wrong => answer(&mut asked, &|_| Answer::Level { n: 0, ones: 0 }),
                Happens::Refused => answer(&mut asked, &|_| Answer::Refused("-222".into())),
                Happens::Reset => {
                    boot = Boot { count: boot.count + 1, cause: "EXTERNAL".into(), uptime_ms: 5 };
                    Vec::new()
                }
                Happens::Letter(letter) => watcher.letter(now, letter),
                Happens::Key(key) => watcher.handle(now, Input::Key(key)),
                Happens::Gone if watcher.may_be_silent() => {
                    let mut outputs = watcher.gone(now, "unplugged");
                    if asked.take().is_some() {
                        prop_assert!(!outputs.iter().any(|o| matches!(o, Output::Ask(_))));
                        outputs.extend(watcher.handle(now, Input::Answer(Answer::Silent)));
                    }
                    outputs
                }
                Happens::Gone => watcher.handle(now, Input::Lost("unplugged".into())),
                Happens::Tick(ms) => {
                    now += Duration::from_millis(ms.into());
                    watcher.handle(now, Input::Tick)
                }
                Happens::Stop => watcher.handle(now, Input::Stop),
            };
        }
        prop_assert!(!watcher.over() || watcher.wake_at().is_none());
    }
}
