//! Names that are safe as file names on every system.

/// Names that Windows keeps for devices, also with an extension.
const DEVICES: [&str; 4] = ["con", "prn", "aux", "nul"];

/// Letters, digits, `.`, `_`, `-`, at most 64, not beginning with `.`; no device name.
pub(super) fn check_id(id: &str) -> Result<(), String> {
    let stem = id.split('.').next().unwrap_or_default().to_ascii_lowercase();
    let port = stem.strip_prefix("com").or_else(|| stem.strip_prefix("lpt"));
    let numbered = port.is_some_and(|n| n.len() == 1 && n.bytes().all(|b| b.is_ascii_digit()));
    let allowed = |b: u8| b.is_ascii_alphanumeric() || b"._-".contains(&b);
    if id.is_empty() || id.len() > 64 {
        Err(format!("`{id}` has {} characters, not 1 to 64", id.chars().count()))
    } else if !id.bytes().all(allowed) {
        Err(format!("`{id}` has other characters than letters, digits, `.`, `_` and `-`"))
    } else if id.starts_with('.') {
        Err(format!("`{id}` begins with a point"))
    } else if DEVICES.contains(&stem.as_str()) || numbered {
        Err(format!("`{id}` is a device's name on Windows"))
    } else {
        Ok(())
    }
}
