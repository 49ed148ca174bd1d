//! Who is on which port: every port that may carry a probe is asked, all at once, the others are
//! left in peace.

use crate::probe::inquiry::{Heard, Inquiry};
use crate::probe::port::{self, BAUD, Chip, Listed, Port, PortError, PortEvent};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::thread;
use std::time::{Duration, Instant};

/// What became of one port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Found {
    /// It was asked.
    Heard(Heard),
    /// It was not: no USB-serial chip that is known, and not named.
    NotAsked,
    /// It did not open, or went away while it was asked.
    Closed(PortError),
}

/// A port and who is on it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// As the system lists it.
    pub listed: Listed,
    /// The USB-serial chip, where it is a known one.
    pub chip: Option<Chip>,
    /// What became of it.
    pub found: Found,
}

/// Goes through the ports `listed` and the ones `named` besides. Asks those with a known chip
/// (where `candidates` are to be asked at all) and those named, each by a call of `ask` in a
/// thread of its own.
pub fn call(
    mut listed: Vec<Listed>,
    named: &[String],
    candidates: bool,
    ask: impl Fn(&str) -> Found + Sync,
) -> Vec<Entry> {
    for name in named {
        if !listed.iter().any(|l| l.name == *name) {
            listed.push(Listed::named(name));
        }
    }
    let ask = &ask;
    let one = |listed: Listed| {
        let chip = port::chip(listed.usb);
        let wanted = named.contains(&listed.name) || candidates && chip.is_some();
        move || {
            let found = if wanted { ask(&listed.name) } else { Found::NotAsked };
            Entry { listed, chip, found }
        }
    };
    thread::scope(|scope| {
        let started: Vec<_> = listed.into_iter().map(|l| scope.spawn(one(l))).collect();
        // A thread that died has said so itself; its port is missing from the list.
        started.into_iter().filter_map(|thread| thread.join().ok()).collect()
    })
}

/// Opens a port, stays silent for `quiet`, asks, and lets the port go: all within `limit`.
pub fn ask(name: &str, nonce: u32, quiet: Duration, limit: Duration) -> Found {
    let (send, events) = channel();
    let forward = move |event| {
        // Nobody listens any more once the answer is known.
        let _ = send.send(event);
    };
    let port = match Port::open(name, BAUD, Box::new(forward)) {
        Ok(port) => port,
        Err(error) => return Found::Closed(error),
    };
    let began = Instant::now();
    let (mut inquiry, bytes) = Inquiry::new(nonce, quiet, limit);
    let mut rate = BAUD;
    write(&port, bytes);
    loop {
        if let Some(heard) = inquiry.heard() {
            return Found::Heard(heard.clone());
        }
        let wait = inquiry.wake_at().saturating_sub(began.elapsed());
        let bytes = match events.recv_timeout(wait) {
            Ok(PortEvent::Bytes(bytes)) => inquiry.bytes(began.elapsed(), &bytes),
            Err(RecvTimeoutError::Timeout) => inquiry.tick(began.elapsed()),
            Ok(PortEvent::Gone(text)) => return gone(name, text),
            Err(RecvTimeoutError::Disconnected) => return gone(name, "closed".into()),
        };
        if inquiry.rate() != rate {
            rate = inquiry.rate();
            // A port that has gone says so by its event.
            let _ = port.set_rate(rate);
        }
        write(&port, bytes);
    }
}

fn write(port: &Port, bytes: Vec<u8>) {
    if !bytes.is_empty() {
        // A port that has gone says so by its event.
        let _ = port.write(bytes);
    }
}

fn gone(name: &str, text: String) -> Found {
    Found::Closed(PortError::Other { name: name.into(), text })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Mutex;

    fn usb(name: &str, usb: (u16, u16)) -> Listed {
        Listed { usb: Some(usb), ..Listed::named(name) }
    }

    /// The names that were asked, in order of names.
    fn asked(named: &[&str], candidates: bool) -> (Vec<String>, Vec<Entry>) {
        let listed = vec![
            Listed::named("/dev/ttyS0"),
            usb("/dev/ttyUSB0", (0x1A86, 0x7523)),
            usb("/dev/ttyACM0", (0x1FFF, 0x0001)),
        ];
        let named: Vec<String> = named.iter().map(|n| n.to_string()).collect();
        let asked = Mutex::new(Vec::new());
        let ask = |name: &str| {
            asked.lock().expect("nobody died").push(name.to_string());
            Found::Heard(Heard::Silent)
        };
        let entries = call(listed, &named, candidates, ask);
        let mut asked = asked.into_inner().expect("nobody died");
        asked.sort();
        (asked, entries)
    }

    #[test]
    fn only_known_chips_are_asked_unless_a_port_is_named() {
        let (names, entries) = asked(&[], true);
        assert_eq!(names, ["/dev/ttyUSB0"]);
        assert_eq!(entries.len(), 3, "the others are listed all the same");
        assert_eq!(entries[1].chip.map(|c| c.part), Some("CH340"));
        assert_eq!(entries[2].found, Found::NotAsked);
        assert_eq!(asked(&["/dev/ttyACM0"], true).0, ["/dev/ttyACM0", "/dev/ttyUSB0"]);
        assert_eq!(asked(&[], false).0, [""; 0]);
        assert_eq!(asked(&["/dev/ttyS0"], false).0, ["/dev/ttyS0"]);
    }

    #[test]
    fn a_port_that_is_named_is_asked_even_if_the_system_does_not_list_it() {
        let (names, entries) = asked(&["/dev/pts/7"], false);
        assert_eq!(names, ["/dev/pts/7"]);
        assert_eq!(entries[3].listed, Listed::named("/dev/pts/7"));
    }
}
