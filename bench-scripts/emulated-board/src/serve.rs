//! The board on a bench: a port for clients, commands for whoever plays the operator's hands.

use std::io::{self, Write};
use std::sync::mpsc::{Receiver, TryRecvError};
use std::time::{Duration, Instant};

use crate::emulator::{Emulator, Fault, ResetCause};
use crate::pty::Pty;
use crate::world::World;

/// Emulated time without a byte, a conversion or a changed pin after which a request that brings
/// no reply counts as done.
const DONE: Duration = Duration::from_millis(100);
/// Emulated time that a program gets to start before a reset is answered by `ok`.
const START: Duration = Duration::from_millis(5);
/// How long the line is waited for before the chip goes on.
const NAP: Duration = Duration::from_millis(1);
/// Emulated time run in one go.
const STEP: Duration = Duration::from_millis(1);
/// A host that is behind by more than this lets the emulated clock slip instead of racing.
const SLIP: Duration = Duration::from_millis(200);
const EXCLUSIVE_EVERY: Duration = Duration::from_millis(100);

/// How emulated time follows the clock on the wall.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// Second for second.
    Real,
    /// As fast as possible from a request to its reply, second for second between them, so that
    /// the wait is short and the board's clock stays plausible.
    Free,
}

/// A world that hands can change.
pub trait Hands: World {
    /// Does what a command line says, such as `J1=3`; the error says what is possible.
    fn command(&mut self, line: &str) -> Result<(), String>;
}

/// Serves the board until `quit` or the end of the commands. Says `port <name>` first, and then
/// `ok` or `error: <what>` for each command: `reset`, `brownout`, `power` (off and on), `unplug`
/// (closes the port, power off), `plug` (a new `port` line), `hand` (a hand is on its way: answered
/// after 0.2 s of the board's time), `quit`; any other goes to the world.
pub fn serve<W: Hands>(
    emulator: Emulator<W>,
    pace: Pace,
    commands: &Receiver<String>,
    out: &mut impl Write,
) -> io::Result<()> {
    let mut server = Server {
        emulator,
        pace,
        pty: None,
        origin: Instant::now(),
        awaiting: false,
        halted: false,
        released: Instant::now(),
        hand: None,
    };
    server.plug(out)?;
    loop {
        if let Some(there) = server.hand {
            if server.emulator.now() < there && server.pty.is_some() && !server.halted {
                server.turn()?;
                continue;
            }
            server.hand = None;
            writeln!(out, "ok")?;
            out.flush()?;
        }
        match commands.try_recv() {
            Ok(line) => {
                if !server.obey(line.trim(), out)? {
                    return Ok(());
                }
            }
            Err(TryRecvError::Disconnected) => return Ok(()),
            Err(TryRecvError::Empty) => server.turn()?,
        }
    }
}

/// What a hand takes to reach the board, at least.
const HAND: Duration = Duration::from_millis(200);

struct Server<W: Hands> {
    emulator: Emulator<W>,
    pace: Pace,
    /// None while unplugged.
    pty: Option<Pty>,
    /// The instant on the wall at which emulated time was zero.
    origin: Instant,
    /// Bytes came in and no line end has gone out since.
    awaiting: bool,
    /// The program cannot go on before a reset.
    halted: bool,
    released: Instant,
    /// When the hand that is on its way has reached the board, in the board's time.
    hand: Option<Duration>,
}

impl<W: Hands> Server<W> {
    fn plug(&mut self, out: &mut impl Write) -> io::Result<()> {
        let pty = Pty::open()?;
        // Announced when the program listens, else a quick client's first bytes fall on a
        // receiver that is still off.
        self.start(ResetCause::PowerOn);
        writeln!(out, "port {}", pty.path())?;
        out.flush()?;
        self.pty = Some(pty);
        Ok(())
    }

    fn start(&mut self, cause: ResetCause) {
        self.emulator.reset(cause);
        self.emulator.take_sent();
        let run = self.emulator.run_for(START);
        self.halted = run.is_err();
        self.awaiting = false;
        report(run);
        self.rebase();
    }

    /// Makes emulated time now what the clock on the wall says now.
    fn rebase(&mut self) {
        let now = Instant::now();
        self.origin = now.checked_sub(self.emulator.now()).unwrap_or(now);
    }

    /// Answers one command; false at `quit`.
    fn obey(&mut self, line: &str, out: &mut impl Write) -> io::Result<bool> {
        let plugged = self.pty.is_some();
        let done = match line {
            "" => return Ok(true),
            "hand" => {
                self.hand = Some(self.emulator.now() + HAND);
                return Ok(true);
            }
            "quit" => Ok(()),
            "reset" | "brownout" | "power" if !plugged => Err("unplugged; plug it in first".into()),
            "reset" => {
                self.start(ResetCause::External);
                Ok(())
            }
            "brownout" => {
                self.start(ResetCause::BrownOut);
                Ok(())
            }
            "power" => {
                self.start(ResetCause::PowerOn);
                Ok(())
            }
            "unplug" if !plugged => Err("unplugged already".into()),
            "unplug" => {
                self.pty = None;
                Ok(())
            }
            "plug" if plugged => Err("plugged in already; unplug it first".into()),
            "plug" => {
                self.plug(out)?;
                Ok(())
            }
            other => self.emulator.world().command(other),
        };
        match done {
            Ok(()) => writeln!(out, "ok")?,
            Err(what) => writeln!(out, "error: {what}")?,
        }
        out.flush()?;
        Ok(line != "quit")
    }

    /// Moves bytes and time on by a little.
    fn turn(&mut self) -> io::Result<()> {
        let Some(pty) = &self.pty else {
            std::thread::sleep(NAP);
            return Ok(());
        };
        if self.released.elapsed() >= EXCLUSIVE_EVERY {
            pty.release_exclusive()?;
            self.released = Instant::now();
        }
        let hurry = self.pace == Pace::Free && self.awaiting && !self.halted;
        let bytes = pty.receive(if hurry { Duration::ZERO } else { NAP })?;
        if !bytes.is_empty() {
            self.awaiting = true;
            self.emulator.send(&bytes);
        }
        self.run(hurry);
        let sent = self.emulator.take_sent();
        if sent.contains(&b'\n') && !self.emulator.line_busy() {
            self.awaiting = false;
        }
        if let Some(pty) = &self.pty {
            pty.send(&sent)?;
        }
        Ok(())
    }

    fn run(&mut self, hurry: bool) {
        if self.halted {
            return;
        }
        let run = if hurry {
            let run = self.emulator.run_for(STEP);
            self.rebase();
            if self.emulator.quiet_for() >= DONE {
                self.awaiting = false;
            }
            run
        } else {
            let due = self.origin.elapsed();
            if due > self.emulator.now() + SLIP {
                self.rebase();
                return;
            }
            let cycles = self.emulator.cycles_of(due);
            self.emulator.run_until(cycles)
        };
        self.halted = run.is_err();
        report(run);
    }
}

/// Says why the program cannot go on.
fn report(run: Result<(), Fault>) {
    if let Err(fault) = run {
        eprintln!("emulated-board: {fault}");
    }
}
