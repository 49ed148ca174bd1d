//! What a name may be made of: designators, channels, units, lots and the board itself.
//!
//! Names become folders, file names, cells of a spreadsheet and words on a command line, so they
//! are kept to characters that survive all four.

/// Longest name, in characters.
pub const LONGEST: usize = 64;

/// Checks the name of a part, a place, a channel, a unit or a lot: 1 to [`LONGEST`] of the ASCII
/// letters, digits, `.`, `_` and `-`, the first a letter or a digit, the last no point.
///
/// # Errors
/// The reason, to be read after the name: `` has a space; letters, digits, … only ``.
pub fn check_id(id: &str) -> Result<(), String> {
    if id.is_empty() {
        return Err("is empty".into());
    }
    if id.chars().count() > LONGEST {
        return Err(format!("is longer than {LONGEST} characters"));
    }
    let allowed = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-');
    if let Some(bad) = id.chars().find(|&c| !allowed(c)) {
        let shown = match bad {
            ' ' => "a space".to_string(),
            c if c.is_control() || c.is_whitespace() => "a character that cannot be seen".into(),
            c => format!("`{c}`"),
        };
        return Err(format!("has {shown}; only letters, digits, `.`, `_` and `-` may stand in it"));
    }
    if !id.starts_with(|c: char| c.is_ascii_alphanumeric()) {
        return Err("does not start with a letter or a digit".into());
    }
    if id.ends_with('.') {
        return Err("ends in a point".into());
    }
    Ok(())
}

/// Checks a name that becomes a folder or a file: [`check_id`], and none of the device names that
/// Windows keeps for itself (`CON`, `PRN`, `AUX`, `NUL`, `COM1`…, `LPT1`…), alone or before a
/// point.
///
/// # Errors
/// The reason, to be read after the name.
pub fn check_file_id(id: &str) -> Result<(), String> {
    check_id(id)?;
    let stem = id.split('.').next().unwrap_or(id).to_ascii_uppercase();
    let numbered = |device: &str| {
        let rest = stem.strip_prefix(device);
        rest.is_some_and(|n| n.len() == 1 && n.bytes().all(|b| b.is_ascii_digit()))
    };
    let device = matches!(stem.as_str(), "CON" | "PRN" | "AUX" | "NUL");
    if device || numbered("COM") || numbered("LPT") {
        return Err(format!("cannot name a file: `{stem}` is a device to some computers"));
    }
    Ok(())
}

/// Says what a spreadsheet makes of a name when it opens a record: `007` loses its zeros, `1E5`
/// becomes 100000, `3-4` becomes a date. `None` when the name stays as it is.
pub fn spreadsheet_warning(id: &str) -> Option<String> {
    let all_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    let number = |s: &str| match s.split_once('.') {
        Some((whole, fraction)) => all_digits(&format!("{whole}{fraction}")),
        None => all_digits(s),
    };
    if all_digits(id) {
        if id.len() > 1 && id.starts_with('0') {
            let bare = id.trim_start_matches('0');
            let bare = if bare.is_empty() { "0" } else { bare };
            return Some(format!("a spreadsheet shows `{id}` as {bare}; put a letter before it"));
        }
        // Spreadsheets keep 15 significant digits.
        return (id.len() > 15).then(|| {
            format!("a spreadsheet rounds `{id}` after 15 digits; put a letter before it")
        });
    }
    if let Some((mantissa, exponent)) = id.split_once(['e', 'E']) {
        let exponent = exponent.strip_prefix('-').unwrap_or(exponent);
        if number(mantissa) && all_digits(exponent) {
            return Some(format!(
                "a spreadsheet takes `{id}` for a number with an exponent; \
                 put another letter before it"
            ));
        }
    }
    if number(id) {
        return Some(format!(
            "a spreadsheet takes `{id}` for a number or a date; put a letter before it"
        ));
    }
    is_date(id).then(|| format!("a spreadsheet takes `{id}` for a date; put a letter before it"))
}

/// Whether a name looks like a date: two or three numbers or a month's name, with points or dashes.
fn is_date(id: &str) -> bool {
    const MONTHS: [&str; 12] = [
        "january",
        "february",
        "march",
        "april",
        "may",
        "june",
        "july",
        "august",
        "september",
        "october",
        "november",
        "december",
    ];
    let parts: Vec<&str> = id.split(['-', '.']).collect();
    let small = |s: &&str| !s.is_empty() && s.len() <= 4 && s.bytes().all(|b| b.is_ascii_digit());
    let month = |s: &&str| {
        let word = s.to_ascii_lowercase();
        word.len() >= 3 && MONTHS.iter().any(|m| m.starts_with(&word))
    };
    // `MAR2` and `2MAR`: a month and a number without a sign between.
    let letters = id.trim_matches(|c: char| c.is_ascii_digit());
    let glued = letters.len() == 3 && letters.len() < id.len() && month(&letters);
    let joined = (2..=3).contains(&parts.len())
        && parts.iter().filter(|p| month(p)).count() <= 1
        && parts.iter().any(small)
        && parts.iter().all(|p| small(p) || month(p));
    glued || joined
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn designators_and_serials_in_use_are_names() {
        for id in ["R1", "J1.A", "0042", "VC-2024_07", "a", &"x".repeat(64)] {
            assert_eq!(check_id(id), Ok(()), "{id}");
        }
    }

    #[test]
    fn what_could_leave_its_folder_or_break_a_command_is_no_name() {
        for id in ["", ".", "..", "../x", "-rf", "a b", "a/b", "a\\b", "a.", "Ω", "a\n", "_a"] {
            assert!(check_id(id).is_err(), "{id}");
        }
        assert!(check_id(&"x".repeat(65)).is_err());
        let why = check_id("R 1").expect_err("a space");
        assert!(why.starts_with("has a space"), "{why}");
    }

    #[test]
    fn a_device_of_windows_names_no_file() {
        // Microsoft Learn, "Naming Files, Paths, and Namespaces" (from memory).
        for id in ["con", "AUX", "nul.txt", "COM1", "lpt9.a"] {
            assert_eq!(check_id(id), Ok(()), "{id}");
            assert!(check_file_id(id).is_err(), "{id}");
        }
        for id in ["console", "COM", "COM10", "vent.con"] {
            assert_eq!(check_file_id(id), Ok(()), "{id}");
        }
    }

    #[test]
    fn a_serial_that_a_spreadsheet_would_change_is_told() {
        // Common practice, no source: what spreadsheets do on opening a CSV file.
        for id in ["007", "1E5", "12e3", "3-4", "1.2.2024", "2024-05-01", "1.10", "MAR2", "3-may"] {
            assert!(spreadsheet_warning(id).is_some(), "{id}");
        }
        let digits = "1234567890123456";
        assert!(spreadsheet_warning(digits).is_some_and(|w| w.contains("15 digits")));
        assert!(spreadsheet_warning("007").is_some_and(|w| w.contains("as 7;")));
    }

    #[test]
    fn a_serial_that_a_spreadsheet_keeps_is_left_alone() {
        for id in ["7", "42", "0", "A007", "VC-12", "B-2024-05", "E5", "1E5X", "market-3", "R1"] {
            assert_eq!(spreadsheet_warning(id), None, "{id}");
        }
    }
}
