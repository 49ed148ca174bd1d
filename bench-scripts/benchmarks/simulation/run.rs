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
use strapwise::record::{Head, Row, RowKind, csv, former, resume};
use strapwise::walk::Walk;

/// How often the probe may be asked before a run counts as endless.
const ENDLESS: usize = 100_000;

/// The number that the bench writes to the chip.
const IDENTITY: u32 = 0xC0FFEE;

/// What a run is like.
#[derive(Clone, Copy)]
pub struct Manner {
    pub slips: Slips,
    pub mishaps: Mishaps,
    pub seed: u64,
    /// Whether the operator stops it after so many asks.
    pub stopped_at: Option<usize>,
    /// Whether the program dies, and how.
    pub killed: Option<Kill>,
    /// Whether every event is printed.
    pub told: bool,
}

/// The program dies while a unit is on the bench, and is started again to go on.
#[derive(Clone, Copy)]
pub struct Kill {
    /// After so many asks.
    pub at: usize,
    /// Bytes at the end of the record that never reached the disk.
    pub torn: usize,
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
    /// The record; that of the last attempt where there are two.
    pub rows: Vec<Row>,
    /// Whether the program was killed, and whether readings from before then counted after it.
    pub resumed: Option<bool>,
}

/// Runs one unit.
pub fn run(design: &Arc<Design>, walk: &Arc<Walk>, case: &Case, manner: &Manner) -> Outcome {
    let unit = UnitId { serial: "S1".into(), identity: IDENTITY, ..UnitId::default() };
    let bench = Bench::of(design.clone(), walk.clone(), unit, Config::default());
    let world = World::new(design, case, manner.mishaps, manner.seed);
    let hands = Hands::new(design, manner.slips, !manner.seed);
    let folder = Folder::new(design.board().clone(), Head::default(), Timestamp::UNIX_EPOCH);
    let mut stand = Stand {
        design,
        walk,
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
        resumed: None,
    };
    stand.tell(Input::Start);
    while stand.summary.is_none() && stand.asks < ENDLESS {
        if let Some(kill) = manner.killed.filter(|k| k.at == stand.asks && stand.resumed.is_none())
        {
            stand.killed(kill.torn);
        }
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
        resumed: stand.resumed,
    }
}

/// Bench, unit, operator and record of one run.
struct Stand<'a> {
    design: &'a Arc<Design>,
    walk: &'a Arc<Walk>,
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
    resumed: Option<bool>,
}

/// How long it takes until a program that died is started again.
const STARTED_AGAIN: Duration = Duration::from_secs(30);

impl Stand<'_> {
    /// The program dies and is started again, with what the disk holds of the record. The probe
    /// switches everything off, and is reset when its port is opened again.
    fn killed(&mut self, torn: usize) {
        let mut bytes = csv::header_line::<Row>();
        bytes.extend(csv::rows_lines(&self.rows));
        bytes.truncate(bytes.len().saturating_sub(torn));
        let cut = csv::read::<Row>("S1-1.csv", &bytes).expect("a torn tail is left out").rows;
        let board = self.design.board();
        let earlier = resume::earlier(board, 1, &cut);
        let identity = u32::from_str_radix(&earlier.identity, 16).unwrap_or(IDENTITY);
        let former = former::owed(&cut);
        let unit = UnitId { serial: "S1".into(), identity, former, ..UnitId::default() };
        let (design, walk) = (self.design.clone(), self.walk.clone());
        self.bench = Bench::of(design, walk, unit, Config::default()).resuming(earlier);
        let head = Head { attempt: 2, ..Head::default() };
        let folder = Folder::new(board.clone(), head, Timestamp::UNIX_EPOCH);
        self.folder = folder.going_on_from(cut);
        self.rows.clear();
        self.asked = None;
        self.resumed = Some(false);
        self.now += STARTED_AGAIN;
        self.hands.leave();
        self.world.left(self.now);
        self.tell(Input::Start);
    }

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
                        tell!(
                            "{:9.3} hand: {jumper} to {place:?} {poor:.1}",
                            self.now.as_secs_f64()
                        );
                    }
                    self.world.put(jumper, place, poor);
                }
                Some(Deed::Press(key)) => {
                    if self.told {
                        tell!("{:9.3} key {key:?}", self.now.as_secs_f64());
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
            tell!("{:9.3} {event:?}", self.now.as_secs_f64());
        }
        let rows = self.folder.fold(self.now, &event);
        if !kept(&event, &rows) {
            self.missing.push(format!("{event:?}"));
        }
        self.rows.extend(rows);
        match event {
            Event::Prompt { ref prompt, .. } => self.hands.see(self.now, prompt, &self.world),
            Event::Finished(summary) => self.summary = Some(summary),
            Event::Resumed { steps: 1.., .. } => self.resumed = Some(true),
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
