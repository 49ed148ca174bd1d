//! The serial port: the one place where bytes leave and enter the program.
//!
//! One thread owns the port, reads and writes with blocking calls, and hands what happens to a
//! callback; it is never joined, because a driver may hang on close. No handle is cloned (dropping
//! a clone clears the exclusive flag), nothing is flushed (it can hang for ever), and nothing is
//! inferred from the text of an error.

mod explain;
mod known;

pub use explain::{Facts, PortError, Refusal, explain};
pub use known::{CHIPS, Chip, chip};

use serialport::{ErrorKind, SerialPort, SerialPortType};
use std::io;
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;

/// Line rate of the probe: exact at 16 MHz, where 115,200 is 2.1 % off.
pub const BAUD: u32 = 250_000;

/// Line rate for chips on their internal oscillator.
pub const BAUD_SLOW: u32 = 38_400;

/// The rates that a probe may have, in the order in which they are tried.
pub const RATES: [u32; 2] = [BAUD, BAUD_SLOW];

/// The rate that resets many boards into their boot loader, and all below it.
const RESETTING: u32 = 1200;

/// How long a read waits; also the longest that bytes to write wait.
const SLICE: Duration = Duration::from_millis(5);

/// What happens on a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PortEvent {
    /// Bytes have arrived.
    Bytes(Vec<u8>),
    /// The device is gone or failed, with what the system calls it; nothing follows.
    Gone(String),
}

/// A port as the system lists it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// Name to open it by.
    pub name: String,
    /// USB vendor and product number.
    pub usb: Option<(u16, u16)>,
    /// Serial number of the USB device. It tells bridges apart, not units.
    pub serial: Option<String>,
    /// Product text of the USB device.
    pub product: Option<String>,
    /// Where the USB device is plugged in: bus and the chain of sockets, `1-1.4`.
    pub location: Option<String>,
}

impl Listed {
    /// A port of which nothing but the name is known.
    pub fn named(name: &str) -> Listed {
        Listed { name: name.into(), usb: None, serial: None, product: None, location: None }
    }

    /// The port at the place where this one was: a board that is plugged in again may get another
    /// name. The same USB ids and serial number at the same location; of two such ports none.
    pub fn again<'a>(&self, now: &'a [Listed]) -> Option<&'a Listed> {
        self.location.as_ref()?;
        let same = |l: &&Listed| {
            (l.usb, &l.serial, &l.location) == (self.usb, &self.serial, &self.location)
        };
        let mut found = now.iter().filter(same);
        found.next().filter(|_| found.next().is_none())
    }
}

/// Whether a port is there, whoever has it.
pub fn present(name: &str) -> bool {
    // A port that the system does not list may have a name in its file system all the same.
    let named = cfg!(unix) && std::path::Path::new(name).exists();
    named || list().is_ok_and(|ports| ports.iter().any(|port| port.name == name))
}

/// The ports of this machine, by name. On macOS only the call-out (`cu.`) devices.
///
/// # Errors
/// [`PortError::Other`] when the system does not tell.
pub fn list() -> Result<Vec<Listed>, PortError> {
    let ports = serialport::available_ports()
        .map_err(|e| PortError::Other { name: "list of ports".into(), text: e.description })?;
    let mut out: Vec<Listed> = ports
        .into_iter()
        .filter(|p| !(cfg!(target_os = "macos") && p.port_name.starts_with("/dev/tty.")))
        .map(|p| match p.port_type {
            SerialPortType::UsbPort(usb) => Listed {
                name: p.port_name,
                usb: Some((usb.vid, usb.pid)),
                serial: usb.serial_number,
                product: usb.product,
                location: usb.location.map(|l| l.to_string()),
            },
            _ => Listed::named(&p.port_name),
        })
        .collect();
    out.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(out)
}

/// An open port. Dropping it lets the port go.
#[derive(Debug)]
pub struct Port {
    /// None once it is let go.
    out: Option<Sender<Out>>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Port {
    /// Waits until the thread has let the port go, so that it can be opened again at once.
    fn drop(&mut self) {
        self.out = None;
        if let Some(thread) = self.thread.take() {
            // A thread that has come to grief holds nothing any more.
            let _ = thread.join();
        }
    }
}

/// What the thread that owns the port is to do.
#[derive(Debug)]
enum Out {
    Bytes(Vec<u8>),
    Rate(u32),
}

impl Port {
    /// Opens a port, sets DTR and RTS (boards with USB of their own stay silent without), and
    /// starts the thread that owns it. Opening resets many boards: the caller stays silent for
    /// the boot loader's time. `events` is called from that thread.
    ///
    /// # Errors
    /// [`PortError`], each telling what helps.
    pub fn open(
        name: &str,
        baud: u32,
        events: Box<dyn Fn(PortEvent) + Send>,
    ) -> Result<Port, PortError> {
        if baud <= RESETTING {
            return Err(PortError::Rate(baud));
        }
        let mut port = serialport::new(name, baud)
            .timeout(SLICE)
            .open()
            .map_err(|e| explain(facts(name, &e)))?;
        // Pseudo-terminals have no such lines; a board that misses them stays silent and is
        // reported lost.
        let _ = port.write_data_terminal_ready(true);
        let _ = port.write_request_to_send(true);
        let (out, inbox) = channel();
        let thread = thread::Builder::new()
            .name(format!("port {name}"))
            .spawn(move || events(PortEvent::Gone(serve(port.as_mut(), &inbox, &events))))
            .map_err(|e| PortError::Other { name: name.into(), text: e.to_string() })?;
        Ok(Port { out: Some(out), thread: Some(thread) })
    }

    /// Hands bytes to the port; `false` when it is gone.
    pub fn write(&self, bytes: Vec<u8>) -> bool {
        self.send(Out::Bytes(bytes))
    }

    /// Sets the rate of the line, without opening the port again, which would reset many boards;
    /// `false` when the port is gone, or the rate is one that is never set.
    pub fn set_rate(&self, baud: u32) -> bool {
        baud > RESETTING && self.send(Out::Rate(baud))
    }

    fn send(&self, out: Out) -> bool {
        self.out.as_ref().is_some_and(|to| to.send(out).is_ok())
    }
}

/// Reads and writes until the port fails or its owner lets it go; returns why.
fn serve(
    port: &mut dyn SerialPort,
    inbox: &Receiver<Out>,
    events: &(dyn Fn(PortEvent) + Send),
) -> String {
    let mut buffer = [0; 1024];
    loop {
        match inbox.try_recv() {
            Ok(Out::Rate(baud)) => {
                if let Err(e) = port.set_baud_rate(baud) {
                    return format!("the port does not take {baud} baud: {e}");
                }
            }
            Ok(Out::Bytes(bytes)) => {
                if let Err(e) = port.write_all(&bytes) {
                    return format!("writing failed: {e}");
                }
            }
            Err(TryRecvError::Empty) => {}
            Err(TryRecvError::Disconnected) => return "closed".into(),
        }
        match port.read(&mut buffer) {
            // A port that is gone reads as nothing, for ever.
            Ok(0) => return "unplugged".into(),
            Ok(n) => events(PortEvent::Bytes(buffer[..n].to_vec())),
            Err(e) if matches!(e.kind(), io::ErrorKind::TimedOut | io::ErrorKind::Interrupted) => {}
            Err(e) => return format!("reading failed: {e}"),
        }
    }
}

/// What is known about a port that did not open.
fn facts(name: &str, error: &serialport::Error) -> Facts {
    let listed: Vec<String> =
        list().unwrap_or_default().into_iter().map(|listed| listed.name).collect();
    let there = listed.iter().any(|l| l == name) || std::path::Path::new(name).exists();
    let refusal = match error.kind {
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => Refusal::Denied,
        ErrorKind::NoDevice => Refusal::Taken,
        _ if std::path::Path::new(name).is_dir() => Refusal::NoLine,
        // The crate keeps of ENOTTY the system's words alone.
        _ if error.description == "Not a typewriter"
            || error.description == "Inappropriate ioctl for device" =>
        {
            Refusal::NoLine
        }
        _ => Refusal::Other(error.description.clone()),
    };
    Facts {
        name: name.to_string(),
        there,
        listed,
        owner: system::owner(name),
        holders: if refusal == Refusal::Taken { system::holders(name) } else { Vec::new() },
        refusal,
    }
}

#[cfg(unix)]
mod system {
    use std::fs;
    use std::os::unix::fs::MetadataExt as _;

    /// Owner and group of a file, by name where the system has one.
    pub fn owner(path: &str) -> Option<(String, String)> {
        let meta = fs::metadata(path).ok()?;
        let name = |file: &str, id: u32| {
            let text = fs::read_to_string(file).unwrap_or_default();
            name_of(&text, id).unwrap_or_else(|| id.to_string())
        };
        Some((name("/etc/passwd", meta.uid()), name("/etc/group", meta.gid())))
    }

    /// The name with this number in a file of `name:password:number:...` lines.
    pub fn name_of(text: &str, id: u32) -> Option<String> {
        let id = id.to_string();
        let mut lines = text.lines().map(|l| l.split(':').collect::<Vec<_>>());
        let line = lines.find(|fields| fields.get(2) == Some(&id.as_str()))?;
        line.first().map(|name| (*name).to_string())
    }

    /// Programs that hold a device open, where `/proc` shows them to this user. This one only where
    /// no other does: it has just tried to open the device itself.
    pub fn holders(path: &str) -> Vec<String> {
        let Ok(device) = fs::canonicalize(path) else { return Vec::new() };
        let processes = fs::read_dir("/proc").into_iter().flatten().flatten();
        let holders = processes.filter_map(|process| {
            // `self` and `thread-self` stand there too.
            let id: u32 = process.file_name().to_str()?.parse().ok()?;
            let files = fs::read_dir(process.path().join("fd")).ok()?;
            let holds = files.flatten().any(|f| fs::read_link(f.path()).is_ok_and(|t| t == device));
            let name = fs::read_to_string(process.path().join("comm")).ok().filter(|_| holds)?;
            Some((id, format!("{} (process {id})", name.trim())))
        });
        let (own, others): (Vec<_>, Vec<_>) =
            holders.partition(|&(id, _)| id == std::process::id());
        let told = if others.is_empty() { own } else { others };
        told.into_iter().map(|(_, text)| text).collect()
    }
}

#[cfg(not(unix))]
mod system {
    /// Device files have no owner here.
    pub fn owner(_path: &str) -> Option<(String, String)> {
        None
    }

    /// The system does not tell.
    pub fn holders(_path: &str) -> Vec<String> {
        Vec::new()
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use serialport::TTYPort;
    use std::io::{Read as _, Write as _};
    use std::sync::mpsc;

    const WAIT: Duration = Duration::from_secs(10);

    /// A pseudo-terminal: its far end and the name of its near end.
    fn pair() -> (TTYPort, String) {
        let (far, near) = TTYPort::pair().expect("a pseudo-terminal");
        (far, near.name().expect("the near end has a name"))
    }

    fn open(name: &str) -> (Result<Port, PortError>, mpsc::Receiver<PortEvent>) {
        let (sender, events) = mpsc::channel();
        let forward = move |event| {
            let _ = sender.send(event);
        };
        (Port::open(name, BAUD, Box::new(forward)), events)
    }

    #[test]
    fn bytes_go_both_ways_and_the_end_is_told() {
        let (mut far, name) = pair();
        let (port, events) = open(&name);
        let port = port.expect("the port is free");
        far.set_timeout(WAIT).expect("any timeout will do");
        assert!(port.write(b"*IDN?\n".to_vec()));
        let mut heard = [0; 6];
        far.read_exact(&mut heard).expect("the probe hears");
        assert_eq!(&heard, b"*IDN?\n");
        far.write_all(b"Strapwise\n").expect("the probe answers");
        let mut said = Vec::new();
        while said.len() < 10 {
            match events.recv_timeout(WAIT) {
                Ok(PortEvent::Bytes(bytes)) => said.extend(bytes),
                other => panic!("{other:?}"),
            }
        }
        assert_eq!(said, b"Strapwise\n");
        drop(far);
        assert!(matches!(events.recv_timeout(WAIT), Ok(PortEvent::Gone(_))));
        assert!(events.recv_timeout(WAIT).is_err(), "nothing follows");
    }

    #[test]
    fn a_port_that_another_program_has_is_told_with_its_holder() {
        let (_far, name) = pair();
        let (first, _events) = open(&name);
        let _first = first.expect("the port is free");
        let (second, _) = open(&name);
        let error = second.expect_err("the port is taken");
        assert!(matches!(&error, PortError::Busy { holders, .. } if !holders.is_empty()));
        let me = format!("(process {})", std::process::id());
        assert!(error.to_string().contains(&me), "{error}");
    }

    #[test]
    fn a_port_that_is_not_there_is_told_with_those_that_are() {
        let (port, _) = open("/dev/ttyNONE7");
        let error = port.expect_err("there is no such port");
        assert!(matches!(error, PortError::Absent { .. }));
        let listed = vec!["/dev/ttyUSB0".into(), "/dev/ttyUSB1".into()];
        let error = PortError::Absent { name: "/dev/ttyUSB7".into(), listed };
        assert_eq!(
            error.to_string(),
            "/dev/ttyUSB7: no such port; there are /dev/ttyUSB0, /dev/ttyUSB1"
        );
    }

    #[test]
    fn a_forbidden_port_names_the_command_that_helps() {
        let owner = Some(("root".into(), "dialout".into()));
        let error = PortError::Forbidden { name: "/dev/ttyUSB0".into(), owner };
        assert!(error.to_string().contains("sudo usermod -aG dialout $USER"), "{error}");
        assert_eq!(system::owner("/"), Some(("root".into(), "root".into())));
        let groups = "tty:x:5:\ndialout:x:20:ann,bob\n";
        assert_eq!(system::name_of(groups, 20), Some("dialout".into()));
        assert_eq!(system::name_of(groups, 21), None);
    }

    #[test]
    fn a_board_that_is_plugged_in_again_is_found_by_its_place() {
        let at = |name: &str, location: &str| Listed {
            usb: Some((0x1A86, 0x7523)),
            location: Some(location.into()),
            ..Listed::named(name)
        };
        let was = at("/dev/ttyUSB0", "1-1.4");
        let now = [at("/dev/ttyUSB0", "1-1.3"), at("/dev/ttyUSB1", "1-1.4")];
        assert_eq!(was.again(&now).map(|l| l.name.as_str()), Some("/dev/ttyUSB1"));
        let other = Listed { usb: Some((0x0403, 0x6001)), ..at("/dev/ttyUSB0", "1-1.4") };
        assert_eq!(was.again(&[other]), None, "another chip in the same socket");
        let twice = [at("/dev/ttyUSB1", "1-1.4"), at("/dev/ttyUSB2", "1-1.4")];
        assert_eq!(was.again(&twice), None, "two ports of one device");
        assert_eq!(Listed::named("/dev/ttyS0").again(&[Listed::named("/dev/ttyS0")]), None);
    }

    #[test]
    fn the_rate_that_resets_boards_is_refused() {
        let port = Port::open("/dev/ttyNONE7", 1200, Box::new(|_| {}));
        assert_eq!(port.err(), Some(PortError::Rate(1200)));
        let (_far, name) = pair();
        let (port, _events) = open(&name);
        assert!(!port.expect("the port is free").set_rate(1200));
    }
}
