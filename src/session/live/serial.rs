//! A serial port that may go away and come back.

use super::SessionError;
use crate::probe::port::{self, Listed, Port, PortError, PortEvent};
use std::time::Duration;
use tokio::sync::mpsc::{self, UnboundedReceiver};

/// A serial port that may go away and come back.
pub struct Serial {
    name: String,
    baud: u32,
    /// As the system listed it when it was opened first.
    listed: Option<Listed>,
    /// The port and what it sends; none while it is gone.
    open: Option<(Port, UnboundedReceiver<PortEvent>)>,
}

impl Serial {
    pub(super) fn open(name: &str, baud: u32) -> Result<Serial, SessionError> {
        let mut serial = Serial::closed(name, baud);
        serial.reopen().map_err(|e| SessionError::Port(e.to_string()))?;
        Ok(serial)
    }

    /// The same where the unit may still be without power: a port that is not there yet is opened
    /// when it comes.
    pub(super) fn open_when_there(name: &str, baud: u32) -> Result<Serial, SessionError> {
        let mut serial = Serial::closed(name, baud);
        match serial.reopen() {
            Ok(()) | Err(PortError::Absent { .. }) => Ok(serial),
            Err(e) => Err(SessionError::Port(e.to_string())),
        }
    }

    fn closed(name: &str, baud: u32) -> Serial {
        Serial { name: name.to_string(), baud, listed: None, open: None }
    }

    /// Opens the port that was gone, whatever it is called now; its name where that is a new one.
    fn come_back(&mut self) -> Option<Option<String>> {
        let now = port::list().unwrap_or_default();
        let moved = self.listed.as_ref().and_then(|l| l.again(&now)).map(|l| l.name.clone());
        let moved = moved.filter(|name| *name != self.name);
        let before = self.name.clone();
        self.name = moved.clone().unwrap_or(self.name.clone());
        if self.reopen().is_err() {
            self.name = before;
            return None;
        }
        Some(moved)
    }

    /// Opens it by its name.
    pub(super) fn reopen(&mut self) -> Result<(), PortError> {
        let (send, events) = mpsc::unbounded_channel();
        // A receiver that is gone means that the session is over.
        let forward = move |event| drop(send.send(event));
        let port = Port::open(&self.name, self.baud, Box::new(forward))?;
        self.open = Some((port, events));
        if self.listed.is_none() {
            let now = port::list().unwrap_or_default();
            self.listed = now.into_iter().find(|l| l.name == self.name);
        }
        Ok(())
    }

    /// Hands bytes to the port. A port that has gone says so by its event, and while it is gone
    /// nobody listens.
    pub(super) fn write(&self, bytes: Vec<u8>) {
        if let Some((port, _)) = &self.open {
            let _ = port.write(bytes);
        }
    }

    /// Sets the rate of the line; a port that comes back is opened with it.
    pub(super) fn set_rate(&mut self, baud: u32) {
        self.baud = baud;
        if let Some((port, _)) = &self.open {
            // A port that has gone says so by its event.
            let _ = port.set_rate(baud);
        }
    }

    /// Lets a port go that is gone: a handle that is held changes its name.
    pub(super) fn let_go(&mut self) {
        self.open = None;
    }

    /// Waits for what comes next.
    pub(super) async fn next(&mut self) -> Heard {
        loop {
            match &mut self.open {
                Some((_, events)) => {
                    return match events.recv().await {
                        Some(PortEvent::Bytes(bytes)) => Heard::Bytes(bytes),
                        Some(PortEvent::Gone(why)) => Heard::Gone(why),
                        None => Heard::Gone("the port was closed".into()),
                    };
                }
                None => {
                    tokio::time::sleep(AGAIN).await;
                    if let Some(moved) = self.come_back() {
                        return Heard::Back(moved);
                    }
                }
            }
        }
    }
}

/// What comes from the line.
pub(super) enum Heard {
    /// Bytes.
    Bytes(Vec<u8>),
    /// The port is gone, with what the system calls it.
    Gone(String),
    /// A port that was gone is open again, perhaps under another name.
    Back(Option<String>),
}

/// Pause between two tries to open a port that is gone.
const AGAIN: Duration = Duration::from_millis(300);
