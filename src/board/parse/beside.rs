//! The files that a board file names: found by whoever reads the board file, read here.

use super::Reading;
use super::log::Log;
use super::table::Fields;
use sha2::Digest;
use std::path::Path;

/// Largest netlist or bill of materials in bytes.
const MOST_BYTES: usize = 16 << 20;

/// A file beside the board file.
pub(super) struct Companion {
    /// Its path as messages show it.
    pub(super) name: String,
    pub(super) text: String,
}

impl<'a> Reading<'a, '_> {
    /// The file under `file` of a table; its bytes are counted into the board's checksum.
    pub(super) fn companion(&mut self, part: &Fields<'a>, like: &str) -> Option<Companion> {
        let path = part.text(&mut self.log, "file", like)?;
        let name = Path::new(self.file).with_file_name(path.it).display().to_string();
        let bytes = match (self.beside)(path.it) {
            Ok(bytes) if bytes.len() <= MOST_BYTES => bytes,
            Ok(bytes) => {
                let what = format!("{name} has {} bytes; {MOST_BYTES} are the most", bytes.len());
                self.log.add(path.at, what, "check that this is the file meant");
                return None;
            }
            Err(why) => {
                let why = why.replace(char::is_control, " ");
                let what = format!("{name} cannot be read: {why}");
                self.log.add(path.at, what, "write its path as seen from the board file's folder");
                return None;
            }
        };
        self.sha256.update(&bytes);
        match String::from_utf8(bytes) {
            Ok(text) => Some(Companion { name, text }),
            Err(error) => {
                let good = error.utf8_error().valid_up_to();
                let text = String::from_utf8_lossy(&error.as_bytes()[..good]).into_owned();
                let mut log = Log::new(&name, &text);
                log.add(good, "this is no UTF-8 text", "save the file as UTF-8 in the editor");
                self.log.absorb(log);
                None
            }
        }
    }
}
