//! Runs a unit on the real clock: a probe on a port or a virtual board, a person at the keys.

mod desk;
mod serial;
mod typed;

pub use desk::{Desk, Said};
use serial::Heard;
pub use serial::Serial;

use super::commands::Runner;
use super::hands::ByHand;
use super::{Act, Conductor};
use crate::bench::command::Ran;
use crate::bench::watching::Watched;
use crate::bench::{Event, Procedure, Summary};
use crate::board::Task;
use crate::probe::virtual_board::VirtualBoard;
use crate::record::Row;
use crate::screen::Screen;
use crate::screen::keys::{SingleKeys, Typed};
use crate::store::{Attempt, StoreError};
use std::fmt;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::mpsc::Receiver;
use tokio::task::JoinHandle;

/// Why a run could not go on.
#[derive(Debug)]
pub enum SessionError {
    /// The record could not be written.
    Store(StoreError),
    /// The port could not be opened.
    Port(String),
}

impl fmt::Display for SessionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SessionError::Store(error) => error.fmt(f),
            SessionError::Port(text) => f.write_str(text),
        }
    }
}

impl std::error::Error for SessionError {}

impl From<StoreError> for SessionError {
    fn from(error: StoreError) -> SessionError {
        SessionError::Store(error)
    }
}

/// Where rows go before the screen is told.
pub trait Keep {
    /// Returns when the rows are safe.
    fn keep(&mut self, rows: &[Row]) -> Result<(), StoreError>;

    /// Takes something of the live view, `t` after the beginning; returns when what is to be kept
    /// of it is safe.
    fn watched(&mut self, t: Duration, watched: &Watched) -> Result<(), StoreError> {
        let _ = (t, watched);
        Ok(())
    }
}

impl Keep for Attempt {
    fn keep(&mut self, rows: &[Row]) -> Result<(), StoreError> {
        self.append(rows)
    }
}

/// For a look that leaves no record.
#[derive(Clone, Copy, Debug)]
pub struct NoRecord;

impl Keep for NoRecord {
    fn keep(&mut self, _: &[Row]) -> Result<(), StoreError> {
        Ok(())
    }
}

/// Where the probe is.
pub enum Line {
    /// On a serial port, read by a thread of its own.
    Port(Serial),
    /// Nowhere: the board is read by meter alone.
    Nowhere,
    /// A virtual board and the keys that stand for hands.
    Virtual {
        /// The board.
        board: Box<VirtualBoard>,
        /// The person who moves its shunts by keys.
        hands: ByHand,
    },
}

/// How often a virtual board is looked at.
const LOOK: Duration = Duration::from_millis(5);

impl Line {
    /// Opens a serial port.
    pub fn open(name: &str, baud: u32) -> Result<Line, SessionError> {
        Serial::open(name, baud).map(Line::Port)
    }

    /// The same where the unit may still be without power: a port that is not there yet is opened
    /// when it comes.
    pub fn open_when_there(name: &str, baud: u32) -> Result<Line, SessionError> {
        Serial::open_when_there(name, baud).map(Line::Port)
    }

    fn write(&mut self, bytes: Vec<u8>) {
        match self {
            Line::Port(serial) => serial.write(bytes),
            // Nobody listens.
            Line::Nowhere => {}
            Line::Virtual { board, .. } => board.write(&bytes),
        }
    }

    fn set_rate(&mut self, rate: u32) {
        match self {
            Line::Port(serial) => serial.set_rate(rate),
            Line::Nowhere => {}
            Line::Virtual { board, .. } => board.set_line(rate),
        }
    }

    /// Waits for the next thing from the probe.
    async fn next(&mut self, began: Instant) -> Heard {
        match self {
            Line::Port(serial) => serial.next().await,
            Line::Nowhere => std::future::pending().await,
            // Looks before it waits: keys that come without end must not hold the board up.
            Line::Virtual { board, .. } => loop {
                board.advance_to(began.elapsed());
                let bytes = board.read();
                if !bytes.is_empty() {
                    return Heard::Bytes(bytes);
                }
                tokio::time::sleep(LOOK).await;
            },
        }
    }
}

/// Keys that may wait to be taken; a program that writes more is kept waiting.
const TYPED_AHEAD: usize = 64;

/// Requests to stop: Ctrl-C, and where there is such a thing a hang-up or a polite kill.
///
/// Listens as long as it lives, so that a request during a write to the disk is not lost.
struct Stops {
    #[cfg(unix)]
    signals: [tokio::signal::unix::Signal; 3],
    #[cfg(windows)]
    ctrl_c: tokio::signal::windows::CtrlC,
}

#[cfg(unix)]
impl Stops {
    fn listen() -> std::io::Result<Stops> {
        use tokio::signal::unix::{SignalKind, signal};
        let interrupt = signal(SignalKind::interrupt())?;
        let terminate = signal(SignalKind::terminate())?;
        let hangup = signal(SignalKind::hangup())?;
        Ok(Stops { signals: [interrupt, terminate, hangup] })
    }

    async fn next(&mut self) {
        let [interrupt, terminate, hangup] = &mut self.signals;
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
            _ = hangup.recv() => {}
        }
    }
}

#[cfg(windows)]
impl Stops {
    fn listen() -> std::io::Result<Stops> {
        Ok(Stops { ctrl_c: tokio::signal::windows::ctrl_c()? })
    }

    async fn next(&mut self) {
        self.ctrl_c.recv().await;
    }
}

/// One run: everything that the loop carries out acts with.
struct Run<'a> {
    line: Line,
    screen: &'a mut dyn Screen,
    record: &'a mut dyn Keep,
    typed: &'a mut Receiver<Typed>,
    single: Option<SingleKeys>,
    began: Instant,
    person: bool,
    needed: bool,
    /// What a person has typed of a value so far.
    value: String,
    /// Letters typed since the last key that are of no use: a word, which no key ends.
    stray: String,
    /// What was asked last.
    asked: Option<Event>,
    /// The note that is being typed.
    note: Option<String>,
    runner: Option<Arc<Runner>>,
    /// The command that is being run.
    job: Option<(Task, JoinHandle<Ran>)>,
}

/// Letters of a value that are kept; more are no value.
const LONGEST_VALUE: usize = 60;

/// Where answers come from.
#[derive(Clone, Copy, Debug)]
pub struct Keys {
    /// A person types: keys typed before a prompt are forgotten. A program's lines are not.
    pub person: bool,
    /// Somebody must answer: the run ends when nobody can any more.
    pub needed: bool,
}

/// Leads one unit through its run. Without `keys` nothing is asked of anybody.
pub fn run<P: Procedure>(
    conductor: &mut Conductor<P>,
    line: Line,
    screen: &mut dyn Screen,
    record: &mut dyn Keep,
    keys: Option<Keys>,
) -> Result<Summary, SessionError> {
    Desk::new(keys)?.run(conductor, line, screen, record, None)
}

/// What a command came to; one that there is nobody to run comes to nothing.
async fn done(job: &mut Option<(Task, JoinHandle<Ran>)>) -> Ran {
    match job {
        Some((task, handle)) => handle.await.unwrap_or_else(|_| Ran::nobody(*task)),
        None => std::future::pending().await,
    }
}

impl<'a> Run<'a> {
    fn new(
        line: Line,
        screen: &'a mut dyn Screen,
        record: &'a mut dyn Keep,
        typed: &'a mut Receiver<Typed>,
        keys: Option<Keys>,
        runner: Option<Arc<Runner>>,
    ) -> Run<'a> {
        Run {
            line,
            screen,
            record,
            typed,
            single: keys.map(|_| SingleKeys::begin()),
            began: Instant::now(),
            person: keys.is_some_and(|k| k.person),
            needed: keys.is_none_or(|k| k.needed),
            value: String::new(),
            stray: String::new(),
            asked: None,
            note: None,
            runner,
            job: None,
        }
    }

    /// Begins a command, with the port free for it.
    fn begin(&mut self, task: Task) {
        match &mut self.line {
            Line::Port(serial) if task.before_the_test() => serial.let_go(),
            // What runs after the test is the product's: nobody opens its port again.
            Line::Port(_) => self.line = Line::Nowhere,
            Line::Nowhere | Line::Virtual { .. } => {}
        }
        let runner = self.runner.clone();
        let run = move || runner.map_or_else(|| Ran::nobody(task), |runner| runner.run(task));
        self.job = Some((task, tokio::task::spawn_blocking(run)));
    }

    /// A command has ended; the port is opened again where the probe is wanted next.
    fn ended<P: Procedure>(&mut self, conductor: &mut Conductor<P>, ran: Ran) -> Vec<Act> {
        self.job = None;
        let now = self.began.elapsed();
        // One that is not there yet is opened when it comes.
        if let Line::Port(serial) = &mut self.line
            && serial.reopen().is_ok()
        {
            conductor.opened(now);
        }
        conductor.ran(now, ran)
    }

    async fn lead<P: Procedure>(
        mut self,
        conductor: &mut Conductor<P>,
        stops: &mut Stops,
    ) -> Result<Summary, SessionError> {
        let mut stopped = false;
        let mut acts = conductor.start(Duration::ZERO);
        loop {
            if let Some(summary) = self.carry_out(acts)? {
                return Ok(summary);
            }
            let now = self.began.elapsed();
            if self.screen.unseen() && !stopped {
                stopped = true;
                // Whoever cannot see what is asked cannot answer it.
                acts = if self.needed { conductor.no_keys(now) } else { conductor.stop(now) };
                continue;
            }
            let wake = conductor.wake_at().map(|at| at.saturating_sub(now));
            let sleep = tokio::time::sleep(wake.unwrap_or(Duration::from_secs(3600)));
            acts = tokio::select! {
                heard = self.line.next(self.began), if self.job.is_none() => {
                    self.heard(conductor, heard)
                }
                ran = done(&mut self.job) => self.ended(conductor, ran),
                Some(typed) = self.typed.recv() => self.typed(conductor, typed),
                () = sleep, if wake.is_some() => conductor.tick(self.began.elapsed()),
                () = stops.next() => {
                    if stopped {
                        drop(self.single);
                        std::process::exit(130);
                    }
                    stopped = true;
                    self.screen.say("stopping: everything is switched off");
                    conductor.stop(self.began.elapsed())
                }
            };
        }
    }

    fn heard<P: Procedure>(&mut self, conductor: &mut Conductor<P>, heard: Heard) -> Vec<Act> {
        let now = self.began.elapsed();
        match heard {
            Heard::Bytes(bytes) => conductor.bytes(now, &bytes),
            Heard::Gone(why) => {
                if let (true, Line::Port(serial)) = (conductor.may_be_silent(), &mut self.line) {
                    serial.let_go();
                }
                conductor.lost(now, why)
            }
            Heard::Back(moved) => {
                if let Some(name) = moved {
                    self.screen.say(&format!("the board is on {name} now"));
                }
                conductor.opened(now);
                Vec::new()
            }
        }
    }

    /// Carries acts out in their order; the record is on disk before the screen is told.
    fn carry_out(&mut self, acts: Vec<Act>) -> Result<Option<Summary>, SessionError> {
        for act in acts {
            match act {
                Act::Rate(rate) => self.line.set_rate(rate),
                Act::Write(bytes) => self.line.write(bytes),
                Act::Run(task) => self.begin(task),
                Act::Keep(rows) => {
                    if let Err(error) = self.record.keep(&rows) {
                        return Err(self.broken_off(error));
                    }
                }
                Act::Show(event) => {
                    if let Event::Watched(watched) = &event
                        && let Err(error) = self.record.watched(self.began.elapsed(), watched)
                    {
                        return Err(self.broken_off(error));
                    }
                    if matches!(event, Event::Prompt { .. }) && self.person {
                        self.forget_typed();
                    }
                    self.screen.show(self.began.elapsed(), &event);
                    if matches!(event, Event::Prompt { .. }) {
                        self.asked = Some(event.clone());
                    }
                    if let Line::Virtual { hands, .. } = &mut self.line {
                        hands.see(&event);
                        if matches!(event, Event::Prompt { .. })
                            && let Some(help) = hands.help()
                        {
                            self.screen.say(help);
                        }
                    }
                }
                Act::End(summary) => return Ok(Some(*summary)),
            }
        }
        Ok(None)
    }

    /// What cannot be kept ends the run, with everything off.
    fn broken_off(&mut self, error: StoreError) -> SessionError {
        self.line.write(b"\nABOR\n".to_vec());
        error.into()
    }
}
