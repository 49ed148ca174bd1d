//! Joins the bench to the probe's language and to the record, still without clock or I/O.
//!
//! Order is the point: an event becomes rows, the rows go to disk, then the screen is told, then
//! the probe is asked the next thing. Whoever drives the conductor carries its acts out in order.

use super::translate;
use crate::bench::command::Ran;
use crate::bench::{Answer, Ask, Event, Input, Key, Output, Procedure, Summary};
use crate::board::{Board, Task};
use crate::probe::exchange::{Exchange, Outcome};
use crate::probe::message::{Reply, Request};
use crate::record::Row;
use crate::record::fold::Folder;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

/// Something to be done, in order.
#[derive(Clone, Debug)]
pub enum Act {
    /// Set the line to this rate, in baud.
    Rate(u32),
    /// Send these bytes to the probe.
    Write(Vec<u8>),
    /// Run a command of the maker's, with the port free for it, and tell what came of it.
    Run(Task),
    /// Put these rows on disk, and only then go on.
    Keep(Vec<Row>),
    /// Show this.
    Show(Event),
    /// The run is over.
    End(Box<Summary>),
}

/// One unit's run: procedure, probe exchange and record.
#[derive(Debug)]
pub struct Conductor<P> {
    board: Arc<Board>,
    bench: P,
    exchange: Exchange,
    /// The rate that the line has.
    rate: u32,
    folder: Folder,
    asked: Option<Ask>,
    left: VecDeque<Request>,
    replies: Vec<Reply>,
    /// Whether the probe has answered on this line.
    met: bool,
    /// What the run came to, once that has been told.
    summary: Option<Summary>,
    acts: Vec<Act>,
}

impl<P: Procedure> Conductor<P> {
    /// A conductor for one run of a procedure, on a line that has the first of the exchange's rates.
    pub fn new(board: Arc<Board>, bench: P, exchange: Exchange, folder: Folder) -> Conductor<P> {
        Conductor {
            board,
            bench,
            rate: exchange.rate(),
            exchange,
            folder,
            asked: None,
            left: VecDeque::new(),
            replies: Vec::new(),
            met: false,
            summary: None,
            acts: Vec::new(),
        }
    }

    /// Whether the run is over.
    pub fn over(&self) -> bool {
        self.bench.over()
    }

    /// The procedure, to be asked what it came to.
    pub fn procedure(&self) -> &P {
        &self.bench
    }

    /// When the conductor wants to be told the time, if nothing happens before.
    pub fn wake_at(&self) -> Option<Duration> {
        [self.bench.wake_at(), self.exchange.wake_at()].into_iter().flatten().min()
    }

    /// Begins.
    pub fn start(&mut self, now: Duration) -> Vec<Act> {
        self.tell(now, Input::Start)
    }

    /// The operator pressed a key.
    pub fn key(&mut self, now: Duration, key: Key) -> Vec<Act> {
        self.tell(now, Input::Key(key))
    }

    /// The operator typed a line.
    pub fn typed(&mut self, now: Duration, text: String) -> Vec<Act> {
        self.tell(now, Input::Typed(text))
    }

    /// A command that was asked for has been run, or could not be.
    pub fn ran(&mut self, now: Duration, ran: Ran) -> Vec<Act> {
        self.tell(now, Input::Ran(ran))
    }

    /// Whether a line is to be typed, and keys are its letters.
    pub fn wants_text(&self) -> bool {
        self.bench.wants_text()
    }

    /// Whether a key answers what was asked last.
    pub fn wants_key(&self) -> bool {
        self.bench.wants_key()
    }

    /// The port is gone.
    pub fn lost(&mut self, now: Duration, why: String) -> Vec<Act> {
        if !self.bench.may_be_silent() {
            return self.tell(now, Input::Lost(why));
        }
        let asked = self.asked.is_some();
        let outputs = self.bench.gone(now, &why);
        self.carry(now, outputs);
        if asked {
            self.conclude(now, Input::Answer(Answer::Silent));
        }
        std::mem::take(&mut self.acts)
    }

    /// A note was typed; an empty one is none.
    pub fn remark(&mut self, now: Duration, text: &str) -> Vec<Act> {
        if text.is_empty() {
            return Vec::new();
        }
        let outputs = self.bench.remark(now, text);
        self.carry(now, outputs);
        std::mem::take(&mut self.acts)
    }

    /// A letter was typed.
    pub fn letter(&mut self, now: Duration, letter: char) -> Vec<Act> {
        let outputs = self.bench.letter(now, letter);
        self.carry(now, outputs);
        std::mem::take(&mut self.acts)
    }

    /// Whether the port may go away just now without an end of the run.
    pub fn may_be_silent(&self) -> bool {
        self.bench.may_be_silent()
    }

    /// A port that was gone has been opened again.
    pub fn opened(&mut self, now: Duration) {
        self.exchange.opened(now);
    }

    /// The operator wants to stop.
    pub fn stop(&mut self, now: Duration) -> Vec<Act> {
        self.tell(now, Input::Stop)
    }

    /// Nobody can press a key any more.
    pub fn no_keys(&mut self, now: Duration) -> Vec<Act> {
        self.tell(now, Input::NoKeys)
    }

    /// Bytes came from the probe.
    pub fn bytes(&mut self, now: Duration, bytes: &[u8]) -> Vec<Act> {
        self.exchange.bytes(now, bytes);
        self.settle(now);
        std::mem::take(&mut self.acts)
    }

    /// It is the time that `wake_at` named.
    pub fn tick(&mut self, now: Duration) -> Vec<Act> {
        if let Some(bytes) = self.exchange.tick(now) {
            self.write(bytes);
        }
        self.settle(now);
        self.tell(now, Input::Tick)
    }

    fn write(&mut self, bytes: Vec<u8>) {
        if self.exchange.rate() != self.rate {
            self.rate = self.exchange.rate();
            self.acts.push(Act::Rate(self.rate));
        }
        self.acts.push(Act::Write(bytes));
    }

    fn tell(&mut self, now: Duration, input: Input) -> Vec<Act> {
        let outputs = self.bench.handle(now, input);
        self.carry(now, outputs);
        std::mem::take(&mut self.acts)
    }

    fn carry(&mut self, now: Duration, outputs: Vec<Output>) {
        for output in outputs {
            match output {
                Output::Ask(ask) => self.ask(now, ask),
                Output::Run(task) => self.acts.push(Act::Run(task)),
                Output::Event(event) => {
                    let rows = self.folder.fold(now, &event);
                    if !rows.is_empty() {
                        self.acts.push(Act::Keep(rows));
                    }
                    if let Event::Finished(summary) = &event {
                        self.summary = Some(summary.clone());
                    }
                    self.acts.push(Act::Show(event));
                }
            }
        }
        // A command may follow the verdict.
        if self.bench.over() {
            self.acts.extend(self.summary.take().map(|s| Act::End(Box::new(s))));
        }
    }

    fn ask(&mut self, now: Duration, ask: Ask) {
        self.left = translate::requests(&self.board, &ask).into();
        self.replies.clear();
        self.asked = Some(ask);
        self.request(now);
    }

    /// Sends the next request of the ask in hand, or hands the answer to the bench.
    fn request(&mut self, now: Duration) {
        if let Some(request) = self.left.pop_front() {
            let bytes = self.exchange.request(now, request);
            // The line may have to stay quiet for a while yet.
            if !bytes.is_empty() {
                self.write(bytes);
            }
        } else if let Some(ask) = self.asked.take() {
            let answer = translate::answer(&ask, &self.replies);
            self.answer(now, answer);
        }
    }

    fn answer(&mut self, now: Duration, answer: Answer) {
        let outputs = self.bench.handle(now, Input::Answer(answer));
        self.carry(now, outputs);
    }

    /// Takes what the exchange has concluded.
    fn settle(&mut self, now: Duration) {
        while let Some(outcome) = self.exchange.take() {
            match outcome {
                Outcome::Reply(reply) => {
                    self.met = true;
                    self.replies.push(reply);
                    self.request(now);
                }
                Outcome::Refused { code, text } => {
                    self.conclude(now, Input::Answer(Answer::Refused(format!("{code} {text}"))));
                }
                Outcome::Unreadable(problem) => {
                    let why = format!(
                        "the probe speaks another version of the link ({problem}): flash the image \
                         that came with this program"
                    );
                    self.conclude(now, Input::Lost(why));
                }
                Outcome::Lost { .. } if self.bench.may_be_silent() => {
                    self.conclude(now, Input::Answer(Answer::Silent));
                }
                Outcome::Lost { tries } => {
                    let why = self.silence(tries);
                    self.conclude(now, Input::Lost(why));
                }
            }
        }
    }

    /// Why no answer came, as far as can be told.
    fn silence(&self, tries: u32) -> String {
        // Once the probe has been met, half an answer is a cable that was pulled.
        let rates: Vec<String> = self.exchange.rates().iter().map(u32::to_string).collect();
        let rates = rates.join(" and ");
        match self.exchange.babble().filter(|_| !self.met) {
            Some(said) => format!(
                "something on the port sends, but not as the probe does (\"{said}\"): is it the \
                 right port? If so, another program is on the board, or it talks at another rate \
                 than {rates} baud: flash the probe with bench-scripts/probe/flash"
            ),
            None => format!(
                "the probe does not answer ({tries} tries at {rates} baud): look at the cable and the supply; a \
                 board without the probe is flashed with bench-scripts/probe/flash"
            ),
        }
    }

    /// The ask in hand is over, one way or the other.
    fn conclude(&mut self, now: Duration, input: Input) {
        self.left.clear();
        self.asked = None;
        let outputs = self.bench.handle(now, input);
        self.carry(now, outputs);
    }
}
