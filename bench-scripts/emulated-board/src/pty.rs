//! A pseudo-terminal in place of the serial port.

use std::io;
use std::os::fd::OwnedFd;
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{OFlags, fcntl_setfl};
use rustix::io::{Errno, read, write};
use rustix::pty::{OpenptFlags, grantpt, ioctl_tiocgptpeer, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, ioctl_tiocnxcl, tcgetattr, tcsetattr};

/// One pseudo-terminal; dropping it is the cable pulled out.
pub struct Pty {
    master: OwnedFd,
    /// Kept open, so that clients may come and go without a hang-up between them.
    slave: OwnedFd,
    path: String,
}

impl Pty {
    /// Opens one in raw mode: a client that has not set the line up yet would have the board's
    /// bytes echoed back to the board.
    pub fn open() -> io::Result<Pty> {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let master = openpt(flags)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let path = ptsname(&master, Vec::new())?.to_string_lossy().into_owned();
        let slave = ioctl_tiocgptpeer(&master, flags)?;
        let mut line = tcgetattr(&slave)?;
        line.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &line)?;
        fcntl_setfl(&master, OFlags::NONBLOCK)?;
        Ok(Pty { master, slave, path })
    }

    /// The name by which clients open it, for example `/dev/pts/4`.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// What clients have written, after waiting for at most `wait`; empty when nothing.
    pub fn receive(&self, wait: Duration) -> io::Result<Vec<u8>> {
        let mut fds = [PollFd::new(&self.master, PollFlags::IN)];
        let wait = Timespec {
            tv_sec: i64::try_from(wait.as_secs()).unwrap_or(i64::MAX),
            tv_nsec: i64::from(wait.subsec_nanos()),
        };
        match poll(&mut fds, Some(&wait)) {
            Ok(0) | Err(Errno::INTR) => return Ok(Vec::new()),
            Ok(_) => {}
            Err(e) => return Err(e.into()),
        }
        let mut bytes = vec![0; 4096];
        match read(&self.master, &mut bytes) {
            Ok(count) => {
                bytes.truncate(count);
                Ok(bytes)
            }
            Err(Errno::AGAIN | Errno::INTR) => Ok(Vec::new()),
            Err(e) => Err(e.into()),
        }
    }

    /// Writes to the clients. Bytes that nobody reads while the line's buffer is full are lost,
    /// as on a wire.
    pub fn send(&self, mut bytes: &[u8]) -> io::Result<()> {
        while !bytes.is_empty() {
            match write(&self.master, bytes) {
                Ok(count) => bytes = &bytes[count..],
                Err(Errno::INTR) => {}
                Err(Errno::AGAIN) => return Ok(()),
                Err(e) => return Err(e.into()),
            }
        }
        Ok(())
    }

    /// Lets other clients open the line although one that asked for it alone was killed; such a
    /// client leaves a pseudo-terminal busy for all but root.
    pub fn release_exclusive(&self) -> io::Result<()> {
        Ok(ioctl_tiocnxcl(&self.slave)?)
    }
}
