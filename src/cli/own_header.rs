//! What a header of `c-header` says, by the names that `c-header` gives.

use super::Failure;
use crate::board::{Board, CodeWindow, Decoding, Pattern};
use crate::c_header::CHeader;
use crate::report::c_names::{self, AnalogNames, SetNames};
use crate::window::{self, Windows};

/// Statements for the channels and sets whose names the header has.
///
/// Nothing where the board has no windows: no header could have been written for it.
pub fn stated(board: &Board, header: &CHeader) -> Result<Vec<Decoding>, Failure> {
    let Ok(windows) = window::windows(board) else { return Ok(Vec::new()) };
    let mut found = Vec::new();
    for (set, names) in c_names::names(board, &windows).sets.iter().enumerate() {
        for analog in &names.analog {
            found.extend(windows_stated(&windows, analog, header)?);
        }
        found.extend(patterns_stated(set, names, header)?);
    }
    Ok(found)
}

fn windows_stated(
    windows: &Windows,
    names: &AnalogNames,
    header: &CHeader,
) -> Result<Option<Decoding>, Failure> {
    let channel = names.channel;
    if !names.windows.iter().any(|(low, _)| header.knows(low)) {
        return Ok(None);
    }
    let classes = windows.channels[channel].classes.iter();
    let window = |(class, (low, high)): (&window::Class, &(String, String))| {
        // Places tell windows of one option apart.
        let option = class.name.split(" or ").next().unwrap_or(&class.name).to_string();
        Ok(CodeWindow { option, low: number(header, low)?, high: number(header, high)? })
    };
    let windows = classes.zip(&names.windows).map(window).collect::<Result<_, Failure>>()?;
    Ok(Some(Decoding::Windows { channel, windows }))
}

fn patterns_stated(
    set: usize,
    names: &SetNames,
    header: &CHeader,
) -> Result<Option<Decoding>, Failure> {
    if !names.patterns.iter().any(|(mask, _)| header.knows(mask)) {
        return Ok(None);
    }
    let pattern = |(mask, levels): &(String, String)| {
        let bits = |name: &str| number(header, name).map(|n| n as u64);
        Ok(Pattern { mask: bits(mask)?, bits: bits(levels)? })
    };
    let rows = names.patterns.iter().map(pattern).collect::<Result<_, Failure>>()?;
    Ok(Some(Decoding::Patterns { set, rows }))
}

fn number(header: &CHeader, name: &str) -> Result<f64, Failure> {
    let found = header.numbers(name).map_err(|e| Failure::input(e.to_string()))?;
    match found[..] {
        [one] => Ok(one),
        _ => Err(Failure::input(format!("`{name}` in the header has several values"))),
    }
}
