//! A product put on by a real avrdude, Debian's, through a stand-in for a serial boot loader.
//!
//! The stand-in speaks what avrdude's programmer `arduino` needs of the STK500 protocol (Atmel
//! application note AVR061, by which the bytes below are named; from memory). No chip is behind it.

#![cfg(target_os = "linux")]

mod cli_support;

use cli_support::{Bench, Ended, PROGRAM, record, small_board};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};

/// Signature bytes of the ATmega328P and of the ATmega2560, from their data sheets.
const ATMEGA328P: [u8; 3] = [0x1E, 0x95, 0x0F];
const ATMEGA2560: [u8; 3] = [0x1E, 0x98, 0x01];

/// Four bytes at address 0, in Intel hex.
const PRODUCT: &str = ":040000000C94340028\n:00000001FF\n";

/// A boot loader's flash, and the port that it is at.
struct Loader {
    port: String,
    flash: Arc<Mutex<Vec<u8>>>,
    /// Held open, so that the far end can be read while nobody else has it open.
    _near: File,
}

impl Loader {
    fn start(signature: [u8; 3]) -> Loader {
        let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&far).unwrap();
        unlockpt(&far).unwrap();
        let port = ptsname(&far, Vec::new()).unwrap().into_string().unwrap();
        let near = File::options().read(true).write(true).open(&port).unwrap();
        let mut modes = tcgetattr(&near).unwrap();
        modes.make_raw();
        tcsetattr(&near, OptionalActions::Now, &modes).unwrap();
        let flash = Arc::new(Mutex::new(vec![0xFF; 32 << 10]));
        let mine = flash.clone();
        // It ends with the test program, whose end closes the port.
        std::thread::spawn(move || serve(&mut File::from(far), signature, &mine));
        Loader { port, flash, _near: near }
    }
}

fn serve(far: &mut File, signature: [u8; 3], flash: &Mutex<Vec<u8>>) -> Option<()> {
    let take = |far: &mut File, n: usize| {
        let mut bytes = vec![0; n];
        far.read_exact(&mut bytes).ok().map(|()| bytes)
    };
    let mut address = 0;
    loop {
        let answer = match take(far, 1)?[0] {
            // Get sync, enter and leave programming.
            b'0' | b'P' | b'Q' => take(far, 1).map(|_| vec![])?,
            // Get parameter: of the versions, the minor one of the software says that `E` has six
            // bytes.
            b'A' => take(far, 2).map(|p| vec![if p[0] == 0x82 { 0x10 } else { 1 }])?,
            // Set device, set device extended.
            b'B' => take(far, 21).map(|_| vec![])?,
            b'E' => take(far, 6).map(|_| vec![])?,
            // Read signature.
            b'u' => take(far, 1).map(|_| signature.to_vec())?,
            // Universal: an instruction of the chip, of which only the signature is asked for.
            b'V' => vec![*signature.get(usize::from(take(far, 5)?[2])).unwrap_or(&0)],
            // Load address, in words.
            b'U' => {
                let bytes = take(far, 3)?;
                address = 2 * usize::from(u16::from_le_bytes([bytes[0], bytes[1]]));
                vec![]
            }
            // Program page, read page.
            b'd' => {
                let head = take(far, 3)?;
                let bytes = take(far, usize::from(u16::from_be_bytes([head[0], head[1]])))?;
                take(far, 1)?;
                flash.lock().ok()?[address..address + bytes.len()].copy_from_slice(&bytes);
                vec![]
            }
            b't' => {
                let head = take(far, 4)?;
                let n = usize::from(u16::from_be_bytes([head[0], head[1]]));
                flash.lock().ok()?[address..address + n].to_vec()
            }
            // The end of a command whose beginning was thrown away on opening.
            b' ' => continue,
            other => panic!("the stand-in does not know 0x{other:02X}"),
        };
        far.write_all(&[&[0x14], &answer[..], &[0x10]].concat()).ok()?;
    }
}

fn run(folder: &Path, loader: &Loader) -> Ended {
    let version = Command::new("avrdude").arg("-?").output();
    version.expect("avrdude is missing; install it with: sudo apt-get install avrdude");
    fs::write(folder.join("product.hex"), PRODUCT).unwrap();
    let commands = format!(
        "[commands]\nproduct_file = \"product.hex\"\nflash_product = [\"avrdude\", \"-p\", \
         \"m328p\", \"-c\", \"arduino\", \"-P\", \"{}\", \"-D\", \"-U\", \"flash:w:{{file}}:i\"]\n",
        loader.port
    );
    let board = folder.join("board.toml");
    fs::write(&board, format!("{}\n{commands}", small_board())).unwrap();
    let mut command = Command::new(PROGRAM);
    command.arg("bench").arg(board);
    command.args(["--port", "virtual", "--still", "0.1", "--lot", "L1", "--unit", "U1"]);
    let mut bench = Bench::spawn(command.arg("--results").arg(folder));
    bench.enter_until(|_| false);
    bench.end()
}

#[test]
fn avrdude_puts_the_product_on_and_its_end_is_in_the_record() {
    let (folder, loader) = (tempfile::tempdir().unwrap(), Loader::start(ATMEGA328P));
    let ended = run(folder.path(), &loader);
    assert_eq!(ended.code, Some(0), "{}\n{}", ended.out, ended.err);
    assert_eq!(loader.flash.lock().unwrap()[..5], [0x0C, 0x94, 0x34, 0x00, 0xFF]);
    let rows = record(&folder.path().join("blinker/L1/U1-1.csv"));
    let flashed = rows.iter().find(|r| r["rule"] == "command").unwrap();
    assert!(flashed["note"].contains("program avrdude") && flashed["note"].contains("exit 0"));
}

#[test]
fn a_chip_that_avrdude_refuses_gets_no_product_and_the_unit_is_incomplete() {
    let (folder, loader) = (tempfile::tempdir().unwrap(), Loader::start(ATMEGA2560));
    let ended = run(folder.path(), &loader);
    assert_eq!(ended.code, Some(5), "{}\n{}", ended.out, ended.err);
    let why = ended.out.lines().find(|l| l.contains("because the product was not flashed"));
    let why = why.unwrap_or_else(|| panic!("{}", ended.out));
    assert!(why.contains("avrdude ended with exit code 1") && why.contains("signature"), "{why}");
    assert!(loader.flash.lock().unwrap().iter().all(|&b| b == 0xFF), "nothing was written");
}
