//! One unit's whole test, and what must hold of it whatever happens.

use super::hands::{Deed, Hands, Slips};
use super::unit::Case;
use super::world::{Mishaps, World};
use jiff::Timestamp;
use std::sync::Arc;
use std::time::Duration;
use strapwise::bench::{
    Bench, Config, Design, Event, Input, Output, Procedure, Prompt, Summary, UnitId,
};
use strapwise::record::fold::Folder;
use strapwise::record::{Head, Row, RowKind};
use strapwise::walk::Walk;

/// How often the probe may be asked before a run counts as endless.
const ENDLESS: usize = 100_000;

/// What a run is like.
#[derive(Clone, Copy)]
pub struct Manner {
    pub slips: Slips,
    pub mishaps: Mishaps,
    pub seed: u64,
    /// Whether the operator stops it after so many asks.
    pub stopped_at: Option<usize>,
    /// Whether every event is printed.
    pub told: bool,
}

/// What a run came to.
pub struct Outcome {
    /// None when the run did not end.
    pub summary: Option<Summary>,
    /// What was told to the operator and is not in the record.
    pub missing: Vec<String>,
    /// Whether the operator said something that was not so.
    pub lied: bool,
    pub asks: usize,
    /// The record.
    pub rows: Vec<Row>,
}

/// Runs one unit.
pub fn run(design: &Arc<Design>, walk: &Arc<Walk>, case: &Case, manner: &Manner) -> Outcome {
    let unit = UnitId { serial: "S1".into(), identity: 0xC0FFEE, ..UnitId::default() };
    let bench = Bench::of(design.clone(), walk.clone(), unit, Config::default());
    let world = World::new(design, case, manner.mishaps, manner.seed);
    let hands = Hands::new(design, manner.slips, !manner.seed);
    let folder = Folder::new(design.board().clone(), Head::default(), Timestamp::UNIX_EPOCH);
    let mut stand = Stand {
        bench,
        world,
        hands,
        folder,
        now: Duration::from_secs(60),
        asked: None,
        asks: 0,
        summary: None,
        missing: Vec::new(),
        rows: Vec::new(),
        told: manner.told,
    };
    stand.tell(Input::Start);
    while stand.summary.is_none() && stand.asks < ENDLESS {
        if manner.stopped_at.is_some_and(|at| stand.asks == at) {
            stand.tell(Input::Stop);
        }
        if !stand.step() {
            break;
        }
    }
    Outcome {
        summary: stand.summary,
        missing: stand.missing,
        lied: stand.hands.lied,
        asks: stand.asks,
        rows: stand.rows,
    }
}

/// Bench, unit, operator and record of one run.
struct Stand<'a> {
    bench: Bench,
    world: World<'a>,
    hands: Hands<'a>,
    folder: Folder,
    now: Duration,
    asked: Option<strapwise::bench::Ask>,
    asks: usize,
    summary: Option<Summary>,
    missing: Vec<String>,
    rows: Vec<Row>,
    told: bool,
}

impl Stand<'_> {
    /// The next thing that happens; false when nothing ever would.
    fn step(&mut self) -> bool {
        if let Some(ask) = self.asked.take() {
            let answered = self.now + self.world.takes(&ask);
            self.hands_until(answered);
            self.now = answered;
            let input = match self.world.answer(self.now, &ask) {
                Some(answer) => Input::Answer(answer),
                None => Input::Lost("the probe does not answer".into()),
            };
            self.tell(input);
            return true;
        }
        match (self.bench.wake_at(), self.hands.next_at()) {
            (Some(wake), due) if due.is_none_or(|due| wake <= due) => {
                self.now = self.now.max(wake);
                self.tell(Input::Tick);
                true
            }
            (_, Some(due)) => {
                self.hands_until(due);
                true
            }
            _ => self.hands.remind(self.now),
        }
    }

    /// Lets the operator do what is due until then.
    fn hands_until(&mut self, until: Duration) {
        while let Some(at) = self.hands.next_at().filter(|&at| at <= until) {
            self.now = self.now.max(at);
            match self.hands.due(self.now) {
                Some(Deed::Put(jumper, place, poor)) => {
                    if self.told {
                        println!(
                            "{:9.3} hand: {jumper} to {place:?} {poor:.1}",
                            self.now.as_secs_f64()
                        );
                    }
                    self.world.put(jumper, place, poor);
                }
                Some(Deed::Press(key)) => {
                    if self.told {
                        println!("{:9.3} key {key:?}", self.now.as_secs_f64());
                    }
                    self.tell(Input::Key(key));
                }
                None => return,
            }
        }
    }

    fn tell(&mut self, input: Input) {
        for output in self.bench.handle(self.now, input) {
            match output {
                Output::Ask(ask) => {
                    self.asks += 1;
                    self.asked = Some(ask);
                }
                Output::Event(event) => self.event(event),
                // The demo's board names no commands.
                Output::Run(run) => unreachable!("{run:?}"),
            }
        }
    }

    fn event(&mut self, event: Event) {
        if matches!(event, Event::Live(_)) {
            return;
        }
        if self.told {
            println!("{:9.3} {event:?}", self.now.as_secs_f64());
        }
        let rows = self.folder.fold(self.now, &event);
        if !kept(&event, &rows) {
            self.missing.push(format!("{event:?}"));
        }
        self.rows.extend(rows);
        match event {
            Event::Prompt { ref prompt, .. } => self.hands.see(self.now, prompt, &self.world),
            Event::Finished(summary) => self.summary = Some(summary),
            _ => {}
        }
    }
}

/// Whether what an event tells the operator stands in its rows.
fn kept(event: &Event, rows: &[Row]) -> bool {
    let one = |kind: RowKind, verdict: &str, reason: &str| {
        rows.iter().any(|r| r.row == kind && r.verdict == verdict && r.reason == reason)
    };
    match event {
        Event::Check { check, .. } => {
            one(RowKind::Check, check.verdict.word(), &check.reason)
                && rows[0].mean_code == check.burst.map(|b| b.mean)
        }
        Event::Supply { check, .. } => {
            let kind = if check.loads.len() > 1 { RowKind::Loads } else { RowKind::Supply };
            one(kind, check.verdict.word(), &check.reason)
        }
        Event::Volts(check) => one(RowKind::Volts, check.verdict.word(), &check.reason),
        Event::Answered { verdict, yes, .. } => {
            let said = if *yes { "yes" } else { "no" };
            rows.iter().any(|r| r.verdict == verdict.word() && r.answer == said)
        }
        Event::Finished(summary) => {
            one(RowKind::Unit, summary.verdict.word(), &summary.reasons.join("; "))
        }
        Event::Voided { why, .. } => rows.iter().any(|r| r.note == *why),
        Event::Moved(at) => {
            let by = at.moved_by.map_or("", |m| m.word());
            rows.iter().any(|r| r.moved_by == by)
        }
        // The plain sequence asks in the order that the board file and the rows of its moves show.
        Event::Prompt { prompt, .. } => {
            let odd = matches!(
                prompt,
                Prompt::Doubt { .. } | Prompt::Strayed { .. } | Prompt::Unstable { .. }
            );
            !odd || !rows.is_empty()
        }
        _ => !rows.is_empty(),
    }
}
