//! The fuses that the chip must have.

use super::super::{FUSE_NAMES, Fuses};
use super::Reading;
use super::table::Fields;
use crate::units::Misread;

impl<'a> Reading<'a, '_> {
    /// The `[fuses]` table; `Some(None)` when there is none, `None` when it is wrong.
    pub(super) fn fuses(&mut self, root: &Fields<'a>) -> Option<Option<Fuses>> {
        if root.get("fuses").is_none() {
            return Some(None);
        }
        let part = self.single(root, "fuses", &FUSE_NAMES)?;
        let mut fuses = Fuses::default();
        for (name, byte) in FUSE_NAMES.iter().zip(&mut fuses.0) {
            if part.get(name).is_some() {
                *byte = Some(part.measured(&mut self.log, name, "\"FF\"", byte_of)?);
            }
        }
        if fuses == Fuses::default() {
            let what = "[fuses] states no byte";
            self.log.add(part.at, what, "add `low`, `high`, `extended` or `lock`, or take it out");
            return None;
        }
        Some(Some(fuses))
    }
}

/// Two hexadecimal digits, with or without `0x`.
fn byte_of(text: &str) -> Result<u8, Misread> {
    let digits = text.strip_prefix("0x").unwrap_or(text);
    let two = digits.len() == 2 && digits.bytes().all(|b| b.is_ascii_hexdigit());
    u8::from_str_radix(digits, 16).ok().filter(|_| two).ok_or_else(|| Misread {
        what: format!("`{text}` is no byte of two hexadecimal digits"),
        do_next: "write it as a programmer shows it, like `\"FD\"`".into(),
    })
}
