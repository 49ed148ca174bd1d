//! A unit on a pseudo-terminal: the probe's own core on the virtual board, in a thread.

#![allow(dead_code, reason = "each test file uses its own part of this")]

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::tcgetattr;
use std::fs::File;
use std::io::{Read as _, Write as _};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use strapwise::probe::virtual_board::VirtualBoard;

/// What is done to the unit.
type Deed = Box<dyn FnOnce(&mut VirtualBoard) + Send>;

/// A unit that can be opened by name. Dropping it is pulling the plug.
pub struct Served {
    pub name: String,
    deeds: Option<Sender<Deed>>,
    thread: Option<JoinHandle<()>>,
}

impl Served {
    /// Serves what `make` makes; the board itself stays in the thread.
    pub fn start(make: impl FnOnce() -> VirtualBoard + Send + 'static) -> Served {
        // Not inherited by programs that any test starts: they would hold the line open.
        let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&far).unwrap();
        unlockpt(&far).unwrap();
        let name = ptsname(&far, Vec::new()).unwrap().into_string().unwrap();
        let mut far = File::from(far);
        let (deeds, inbox) = channel();
        let thread = std::thread::spawn(move || serve(&mut far, make(), &inbox));
        Served { name, deeds: Some(deeds), thread: Some(thread) }
    }

    /// Does something to the unit.
    pub fn with(&self, deed: impl FnOnce(&mut VirtualBoard) + Send + 'static) {
        self.deeds.as_ref().unwrap().send(Box::new(deed)).unwrap();
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.deeds = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn serve(far: &mut File, mut board: VirtualBoard, inbox: &Receiver<Deed>) {
    let began = Instant::now();
    let mut buffer = [0; 256];
    // While nobody has the near end open, the far one fails at once: then the wait is here.
    let mut alone = false;
    loop {
        let pause = Duration::from_millis(if alone { 2 } else { 0 });
        match inbox.recv_timeout(pause) {
            Ok(deed) => deed(&mut board),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
        }
        alone = false;
        let wait = Timespec { tv_sec: 0, tv_nsec: 2_000_000 };
        let mut ready = [PollFd::new(&*far, PollFlags::IN)];
        let come = poll(&mut ready, Some(&wait)).unwrap() > 0;
        if come {
            match far.read(&mut buffer) {
                Ok(n) => {
                    board.advance_to(began.elapsed());
                    // A pseudo-terminal carries any rate; it tells the one that was set.
                    board.set_line(tcgetattr(&*far).unwrap().output_speed());
                    board.write(&buffer[..n]);
                }
                Err(_) => alone = true,
            }
        }
        board.advance_to(began.elapsed());
        let bytes = board.read();
        if !bytes.is_empty() && !alone {
            far.write_all(&bytes).unwrap();
        }
    }
}

/// The demo's unit in its delivery setting, with a probe for chips on their internal oscillator.
pub fn slow_unit() -> VirtualBoard {
    demo_unit().at_rate(38_400)
}

/// The demo's unit in its delivery setting.
pub fn demo_unit() -> VirtualBoard {
    let text = include_str!("../../protocols/vent-controller.toml");
    let board = Arc::new(strapwise::board::parse("demo", text).unwrap());
    let mut unit = VirtualBoard::new(strapwise::probe::world::World::new(board.clone(), 1));
    unit.place_all(&board.delivery);
    unit
}
