//! What outlives a unit's run: the keyboard, requests to stop, and the runtime that waits for them.

use super::{Keep, Keys, Line, Run, SessionError, Stops, TYPED_AHEAD};
use crate::bench::{Key, Procedure, Summary};
use crate::screen::Screen;
use crate::screen::keys::{self, Typed};
use crate::session::Conductor;
use crate::session::commands::Runner;
use std::sync::Arc;
use std::time::Duration;
use tokio::runtime::{Builder, Runtime};
use tokio::sync::mpsc::{self, Receiver};

/// How often a thing that is waited for is looked at.
const LOOK: Duration = Duration::from_millis(100);

/// What came of waiting between two units.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Said {
    /// A line was typed, its blanks at the ends taken off.
    Line(String),
    /// What was waited for is so.
    Seen,
    /// Standard input has ended.
    End,
    /// A request to stop.
    Stop,
}

/// One keyboard for any number of runs, one after another.
pub struct Desk {
    runtime: Option<Runtime>,
    stops: Stops,
    typed: Receiver<Typed>,
    keys: Option<Keys>,
}

impl Desk {
    /// A desk; without `keys` nothing is asked of anybody.
    ///
    /// # Errors
    /// When the system gives no runtime.
    pub fn new(keys: Option<Keys>) -> Result<Desk, SessionError> {
        let cannot_start =
            |e: std::io::Error| SessionError::Port(format!("the session cannot start: {e}"));
        let runtime = Builder::new_current_thread().enable_all().build().map_err(cannot_start)?;
        // The signals belong to the runtime that waits for them.
        let stops = runtime.block_on(async { Stops::listen() }).map_err(cannot_start)?;
        let typed = if keys.is_some() { keyboard() } else { mpsc::channel(1).1 };
        Ok(Desk { runtime: Some(runtime), stops, typed, keys })
    }

    /// Leads one unit through its run. Commands of the maker's are run by `runner`, if there is one.
    ///
    /// # Errors
    /// When the record cannot be written.
    pub fn run<P: Procedure>(
        &mut self,
        conductor: &mut Conductor<P>,
        line: Line,
        screen: &mut dyn Screen,
        record: &mut dyn Keep,
        runner: Option<Runner>,
    ) -> Result<Summary, SessionError> {
        let runner = runner.map(Arc::new);
        let run = Run::new(line, screen, record, &mut self.typed, self.keys, runner);
        let (runtime, stops) = (self.runtime.as_ref(), &mut self.stops);
        let gone = || SessionError::Port("the session is over".into());
        runtime.ok_or_else(gone)?.block_on(run.lead(conductor, stops))
    }

    /// Throws away what a person typed before anything was asked: nothing typed early names the next
    /// unit, or says that hands are off. It comes before the question, so that a quick answer counts.
    pub fn forget_typed(&mut self) {
        let person = self.keys.is_some_and(|k| k.person);
        while person && self.typed.try_recv().is_ok() {}
    }

    /// Waits until something is so, a line is typed, or nobody is there any more.
    pub fn wait(&mut self, seen: impl FnMut() -> bool) -> Said {
        let Some(runtime) = &self.runtime else { return Said::End };
        runtime.block_on(wait(&mut self.typed, &mut self.stops, seen))
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        // The keyboard's thread may wait for a key for ever; it is not waited for.
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

async fn wait(
    typed: &mut Receiver<Typed>,
    stops: &mut Stops,
    mut seen: impl FnMut() -> bool,
) -> Said {
    let mut line = String::new();
    loop {
        if seen() {
            return Said::Seen;
        }
        tokio::select! {
            key = typed.recv() => match key {
                None | Some(Typed::End) => return Said::End,
                Some(Typed::Line(text)) => return Said::Line(text.trim().to_string()),
                Some(Typed::Key(Key::Yes)) => return Said::Line(line.trim().to_string()),
                Some(Typed::Key(Key::No)) => line.push(' '),
                Some(Typed::Key(Key::Again)) => drop(line.pop()),
                Some(Typed::Letter(letter)) if line.len() < super::LONGEST_VALUE => line.push(letter),
                Some(Typed::Letter(_)) => {}
            },
            () = stops.next() => return Said::Stop,
            () = tokio::time::sleep(LOOK) => {}
        }
    }
}

/// Starts the thread that reads the keys.
fn keyboard() -> Receiver<Typed> {
    let (send, receive) = mpsc::channel(TYPED_AHEAD);
    std::thread::spawn(move || keys::read(|typed| send.blocking_send(typed).is_ok()));
    receive
}
