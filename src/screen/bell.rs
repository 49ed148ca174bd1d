//! The terminal's bell: three sounds, told apart by their number.

use std::io::{Write, stdout};
use std::thread::{self, JoinHandle};
use std::time::Duration;

/// What is told by sound to somebody who looks at the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sound {
    /// A move was seen: once.
    MoveSeen,
    /// Something is not where it should be: twice.
    WrongPlace,
    /// The unit is done: three times.
    UnitDone,
}

/// Between two strokes: most terminals make one sound of two that follow at once.
const APART: Duration = Duration::from_millis(180);

/// Strikes the bell beside whatever else goes on; silent unless it is switched on.
#[derive(Debug, Default)]
pub struct Bell {
    on: bool,
    ringing: Option<JoinHandle<()>>,
}

impl Bell {
    /// One that sounds, or does not.
    pub fn new(on: bool) -> Bell {
        Bell { on, ringing: None }
    }

    /// Sounds, unless it is sounding still.
    pub fn ring(&mut self, sound: Sound) {
        if !self.on || self.ringing.as_ref().is_some_and(|r| !r.is_finished()) {
            return;
        }
        let strokes = match sound {
            Sound::MoveSeen => 1,
            Sound::WrongPlace => 2,
            Sound::UnitDone => 3,
        };
        self.ringing = Some(thread::spawn(move || {
            for stroke in 0..strokes {
                if stroke > 0 {
                    thread::sleep(APART);
                }
                // A terminal that has gone needs no sound.
                let _ = stdout().write_all(b"\x07").and_then(|()| stdout().flush());
            }
        }));
    }
}

impl Drop for Bell {
    /// The last sound is heard to its end.
    fn drop(&mut self) {
        if let Some(ringing) = self.ringing.take() {
            let _ = ringing.join();
        }
    }
}
