//! Clients open the emulated board's port like any serial port.

mod common;

use std::io::{self, Read, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use emulated_board::{Emulator, Image, Pace, Wires, serve};
use serialport::SerialPort;

/// Lines as they come from the server.
struct Lines(Sender<String>, Vec<u8>);

impl Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        for &byte in bytes {
            if byte == b'\n' {
                let line = String::from_utf8(std::mem::take(&mut self.1)).unwrap();
                self.0.send(line).unwrap();
            } else {
                self.1.push(byte);
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

struct Served {
    port: String,
    hands: Sender<String>,
    says: Receiver<String>,
    thread: JoinHandle<io::Result<()>>,
}

impl Served {
    fn new(pace: Pace, world: Wires) -> Served {
        let (elf, _) = common::firmware("pins");
        let emulator = Emulator::new(&Image::read(&elf).unwrap(), world).unwrap();
        let (hands, commands) = channel();
        let (say, says) = channel();
        let thread =
            std::thread::spawn(move || serve(emulator, pace, &commands, &mut Lines(say, vec![])));
        let mut served = Served { port: String::new(), hands, says, thread };
        served.port = served.port_line();
        served
    }

    fn port_line(&self) -> String {
        let line = self.says.recv_timeout(Duration::from_secs(10)).unwrap();
        line.strip_prefix("port ").unwrap().to_owned()
    }

    fn command(&self, line: &str) -> String {
        self.hands.send(line.into()).unwrap();
        self.says.recv_timeout(Duration::from_secs(10)).unwrap()
    }

    fn client(&self) -> Box<dyn SerialPort> {
        serialport::new(&self.port, 250_000).timeout(Duration::from_secs(10)).open().unwrap()
    }

    fn quit(self) {
        assert_eq!(self.command("quit"), "ok");
        self.thread.join().unwrap().unwrap();
    }
}

fn ask(client: &mut Box<dyn SerialPort>, request: &str) -> String {
    client.write_all(request.as_bytes()).unwrap();
    let mut reply = Vec::new();
    while reply.last() != Some(&b'\n') {
        let mut byte = [0];
        client.read_exact(&mut byte).unwrap();
        reply.push(byte[0]);
    }
    String::from_utf8(reply).unwrap().trim_end().to_owned()
}

#[test]
fn every_byte_value_passes_unaltered_both_ways_and_nothing_is_echoed() {
    for pace in [Pace::Real, Pace::Free] {
        let board = Served::new(pace, Wires::new());
        let mut client = board.client();
        let all: Vec<u8> = (0..=255).collect();
        client.write_all(b"=").unwrap();
        client.write_all(&all).unwrap();
        let mut back = vec![0; 256];
        client.read_exact(&mut back).unwrap();
        assert_eq!(back, all);
        client.set_timeout(Duration::from_millis(20)).unwrap();
        assert!(client.read(&mut back).is_err(), "more came than was sent");
        board.quit();
    }
}

#[test]
fn bytes_that_the_board_sends_before_a_client_sets_the_line_up_do_not_come_back_to_it() {
    let board = Served::new(Pace::Free, Wires::new().with(14, 2.5, 0.0));
    // A plain file, no raw mode set by the client: the line must be raw from its creation.
    let mut plain = std::fs::OpenOptions::new().read(true).write(true).open(&board.port).unwrap();
    plain.write_all(b"a0a0").unwrap();
    let (say, says) = channel();
    // A plain file has no timeout: read in a thread that a failing test leaves behind.
    std::thread::spawn(move || {
        let mut back = [0; 8];
        plain.read_exact(&mut back).map(|()| say.send(back))
    });
    let back = says.recv_timeout(Duration::from_secs(10));
    assert_eq!(back.as_ref(), Ok(b"512\n512\n"));
    board.quit();
}

#[test]
fn hands_change_what_a_client_reads() {
    let board = Served::new(Pace::Free, Wires::new().with(14, 2.5, 0.0));
    let mut client = board.client();
    assert_eq!(ask(&mut client, "a0"), "512");
    assert_eq!(board.command("14=1.0,0"), "ok");
    assert_eq!(ask(&mut client, "a0"), "204");
    for wrong in ["14", "99=open", "14=x,y", "J1=3"] {
        assert!(board.command(wrong).starts_with("error: "), "{wrong}");
    }
    board.quit();
}

#[test]
fn eeprom_stays_over_reset_and_over_unplugging_and_the_cause_differs() {
    let mut board = Served::new(Pace::Free, Wires::new());
    let mut client = board.client();
    ask(&mut client, "eB");
    assert_eq!(board.command("reset"), "ok");
    assert_eq!((ask(&mut client, "r"), ask(&mut client, "E")), ("2".into(), "66".into()));
    assert_eq!(board.command("brownout"), "ok");
    assert_eq!(ask(&mut client, "r"), "4");
    assert_eq!(board.command("unplug"), "ok");
    let mut byte = [0];
    // Gone, not late: the read ends at once with nothing or an error.
    let gone = Instant::now();
    assert!(!matches!(client.read(&mut byte), Ok(1)));
    assert!(gone.elapsed() < Duration::from_secs(5));
    drop(client);
    assert!(board.command("reset").starts_with("error: unplugged"));
    board.hands.send("plug".into()).unwrap();
    board.port = board.port_line();
    assert_eq!(board.says.recv().unwrap(), "ok");
    let mut client = board.client();
    assert_eq!((ask(&mut client, "r"), ask(&mut client, "E")), ("1".into(), "66".into()));
    board.quit();
}

/// Whether an ordinary user can open the port; root can, whatever flag another has set.
fn opens(port: &str) -> bool {
    let mut open = Command::new("sh");
    open.args(["-c", "exec 3<>\"$1\"", "sh", port]).stderr(Stdio::null());
    if rustix::process::geteuid().is_root() {
        open.uid(65534).gid(65534);
    }
    open.status().unwrap().success()
}

#[test]
fn a_client_that_took_the_line_alone_and_was_killed_does_not_block_the_next() {
    let board = Served::new(Pace::Free, Wires::new());
    let everyone = std::fs::Permissions::from_mode(0o666);
    std::fs::set_permissions(&board.port, everyone).unwrap();
    // As a killed client leaves it: exclusive, closed, never released. The flag may be cleared
    // before the second client comes, so that it is set until one has met it.
    let take_alone_and_die = || {
        let client = std::fs::OpenOptions::new().read(true).write(true).open(&board.port).unwrap();
        rustix::termios::ioctl_tiocexcl(&client).unwrap();
    };
    let met = (0..100).any(|_| {
        take_alone_and_die();
        !opens(&board.port)
    });
    assert!(met, "the flag never kept a client out, so nothing is tested here");
    let deadline = Instant::now() + Duration::from_secs(5);
    while !opens(&board.port) {
        assert!(Instant::now() < deadline, "still busy");
    }
    board.quit();
}

#[test]
fn at_real_pace_emulated_time_takes_its_time_and_at_free_pace_a_request_does_not() {
    let ten = "f".repeat(10); // ten times 6 conversions and more: about 8.5 ms, one at a time
    let time = |pace| {
        let board = Served::new(pace, Wires::new());
        let mut client = board.client();
        ask(&mut client, "f");
        let from = Instant::now();
        for request in ten.chars() {
            ask(&mut client, &request.to_string());
        }
        let took = from.elapsed();
        board.quit();
        took
    };
    // 6 conversions of 13 clocks, 12 more clocks for the first: 0.72 ms; only the lower bound is
    // certain on a busy machine.
    assert!(time(Pace::Real) >= Duration::from_micros(7_200));
    assert!(time(Pace::Free) < Duration::from_secs(5));
}
