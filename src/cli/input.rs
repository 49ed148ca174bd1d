//! Opens board files and other files of the user's, and says what to do where that cannot be done.

use super::Failure;
use crate::board::{self, Board};
use std::fs::{self, File};
use std::io::{self, ErrorKind, Read};
use std::path::Path;
use std::sync::Arc;

/// What a board file is called.
const BOARD_FILE: &str = "a board file";

/// Such files are small; anything larger is none.
const LARGEST_FILE: u64 = 1 << 20;

/// A netlist or bill of materials larger than this is none.
const LARGEST_BESIDE: u64 = 16 << 20;

/// An example that comes with the program.
const EXAMPLE: &str = "protocols/vent-controller.toml";

/// Reads and checks a board file.
pub fn load(path: &Path) -> Result<Arc<Board>, Failure> {
    let bytes = read_bytes(path, BOARD_FILE)?;
    let name = path.display().to_string();
    read_board(board::parse_beside(&name, &bytes, &mut |file| beside(&path.with_file_name(file))))
}

/// Reads a small file; `kind` is what messages call it.
pub fn read_bytes(path: &Path, kind: &str) -> Result<Vec<u8>, Failure> {
    let name = path.display();
    let bytes = read(path, LARGEST_FILE)
        .map_err(|e| Failure::input(format!("{name}: {}", advice(path, kind, &e))))?;
    if bytes.len() as u64 <= LARGEST_FILE {
        return Ok(bytes);
    }
    let size = match fs::metadata(path).map_or(0, |m| m.len()) {
        known if known > LARGEST_FILE => format!("{known} bytes long"),
        _ => "without an end in sight".to_string(),
    };
    let what = format!("{name} is {size}, {kind} has {LARGEST_FILE} bytes at most");
    Err(Failure::input(format!("{what}; give the path of {kind}")))
}

/// Reads a file that a board file names.
fn beside(path: &Path) -> Result<Vec<u8>, String> {
    if fs::metadata(path).is_ok_and(|found| !found.is_file()) {
        return Err("it is no file".into());
    }
    let bytes = read(path, LARGEST_BESIDE).map_err(|e| e.to_string())?;
    if bytes.len() as u64 > LARGEST_BESIDE {
        return Err(format!("it has more bytes than {LARGEST_BESIDE}, which are the most"));
    }
    Ok(bytes)
}

/// Reads and checks the file of a board that is to be read through the probe.
pub fn load_for_probe(path: &Path) -> Result<Arc<Board>, Failure> {
    let board = load(path)?;
    match crate::bench::no_probe(&board) {
        Some(why) => Err(Failure::input(format!("{}: {why}", path.display()))),
        None => Ok(board),
    }
}

/// Checks the text of a board file.
pub fn parse(name: &str, text: &str) -> Result<Arc<Board>, Failure> {
    read_board(board::parse(name, text))
}

fn read_board(read: Result<Board, board::Problems>) -> Result<Arc<Board>, Failure> {
    read.map(Arc::new).map_err(|problems| Failure::input(problems.to_string()))
}

/// The bytes of a file, one more than the most at the most: a device may go on for ever.
fn read(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    File::open(path)?.take(most + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// What is in the way, and what to do.
fn advice(path: &Path, kind: &str, error: &io::Error) -> String {
    let is_board = kind == BOARD_FILE;
    let example = if is_board { format!(", for example {EXAMPLE}") } else { String::new() };
    if path.is_dir() {
        let found = if is_board { board_in(path) } else { None };
        let found = found.map_or(String::new(), |f| format!(", for example {f}"));
        return format!("this is a folder; give the path of {kind} in it{found}");
    }
    match error.kind() {
        ErrorKind::NotFound => {
            let longer = format!("{}.toml", path.display());
            if is_board && Path::new(&longer).is_file() {
                return format!("there is no such file; did you mean {longer}?");
            }
            format!(
                "there is no such file; give the path of {kind}{example}, and look which folder \
                 you are in"
            )
        }
        ErrorKind::PermissionDenied => {
            "you may not read this file; ask its owner, or copy it to a folder of yours".into()
        }
        _ => format!("{error}; give the path of {kind}{example}"),
    }
}

/// The first TOML file of a folder by name.
fn board_in(folder: &Path) -> Option<String> {
    let entries = fs::read_dir(folder).ok()?.flatten().map(|e| e.path());
    let toml = entries.filter(|p| p.extension().is_some_and(|e| e == "toml"));
    toml.map(|p| p.display().to_string()).min()
}
