//! Names of C for what a board file names: derived, the same every time, none twice.

use crate::board::{Board, Kind};
use crate::window::{Class, Windows};
use std::collections::HashSet;

/// Characters kept of the names that a C name is made of, so that the whole stays within the 63
/// that C99 tells apart (5.2.4.1).
const PART: usize = 16;
/// The same for an option or a position.
const LAST_PART: usize = 20;

/// The names of one header.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CNames {
    /// Include guard.
    pub guard: String,
    /// By option set.
    pub sets: Vec<SetNames>,
}

/// The names of one option set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetNames {
    /// Tag of the enumeration.
    pub tag: String,
    /// Enumerator of no option.
    pub none: String,
    /// Enumerator of a header without shunt that is no option.
    pub open: String,
    /// Distinct options in the order of the rows, each with its enumerator.
    pub options: Vec<(String, String)>,
    /// The function that decodes.
    pub function: String,
    /// Analog channels in the order of the set.
    pub analog: Vec<AnalogNames>,
    /// Digital channels in the order of the set, each with the macro of its bit.
    pub digital: Vec<(usize, String)>,
    /// By row: macros of the bits that matter and of their levels; empty without digital channels.
    pub patterns: Vec<(String, String)>,
}

/// The names of an analog channel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AnalogNames {
    /// Channel index.
    pub channel: usize,
    /// Parameter of the decode function.
    pub parameter: String,
    /// By class: macros of the lowest and of the highest code.
    pub windows: Vec<(String, String)>,
    /// Macros for a header without shunt.
    pub open: (String, String),
}

/// Names given so far.
#[derive(Default)]
struct Given(HashSet<String>);

impl Given {
    /// The stem, with a number behind it where one of the names made of it was given before.
    fn stem(&mut self, stem: &str, suffixes: &[&str]) -> String {
        let free = |stem: &String| suffixes.iter().all(|s| !self.0.contains(&format!("{stem}{s}")));
        let numbered = (2_u32..).map(|n| format!("{stem}_{n}"));
        let found = std::iter::once(stem.to_string()).chain(numbered).find(free);
        let found = found.unwrap_or_else(|| stem.to_string());
        self.0.extend(suffixes.iter().map(|s| format!("{found}{s}")));
        found
    }

    fn name(&mut self, name: &str) -> String {
        self.stem(name, &[""])
    }

    fn pair(&mut self, stem: &str, suffixes: [&str; 2]) -> (String, String) {
        let stem = self.stem(stem, &suffixes);
        let [a, b] = suffixes.map(|s| format!("{stem}{s}"));
        (a, b)
    }
}

/// Letters and digits of a name, in capitals, everything else as `_`; at most `most` characters.
fn part(name: &str, most: usize) -> String {
    let mut made = String::new();
    for c in name.chars() {
        if c.is_ascii_alphanumeric() {
            made.push(c.to_ascii_uppercase());
        } else if !made.ends_with('_') && !made.is_empty() {
            made.push('_');
        }
        if made.len() >= most {
            break;
        }
    }
    made.trim_end_matches('_').to_string()
}

/// What every name begins with. C keeps names that begin with a digit, and those of the fixed
/// integer types (C99 7.26.8), for itself; a keyword (6.4.1) has no `_` in it but at its front,
/// and so is never met.
fn prefix(board: &Board) -> String {
    let name = part(&board.name, PART);
    let kept = name.starts_with(|c: char| c.is_ascii_digit())
        || name.starts_with("INT")
        || name.starts_with("UINT")
        || name.is_empty();
    if kept { format!("BOARD_{name}").trim_end_matches('_').to_string() } else { name }
}

/// The names for a board and its windows.
pub fn names(board: &Board, windows: &Windows) -> CNames {
    let prefix = prefix(board);
    let mut given = Given::default();
    let guard = given.name(&format!("{prefix}_OPTIONS_H"));
    let mut channels = vec![None; board.channels.len()];
    for (c, channel) in board.channels.iter().enumerate() {
        let stem = format!("{prefix}_{}", part(&channel.id, PART));
        channels[c] = Some(given.stem(&stem, &["_BIT", "_OPEN_LOW", "_OPEN_HIGH"]));
    }
    let mut stem_of = |c: usize| channels[c].take().unwrap_or_default();
    let sets = (0..board.options.len())
        .map(|set| set_names(board, windows, set, &prefix, &mut given, &mut stem_of))
        .collect();
    CNames { guard, sets }
}

fn set_names(
    board: &Board,
    windows: &Windows,
    set: usize,
    prefix: &str,
    given: &mut Given,
    stem_of: &mut impl FnMut(usize) -> String,
) -> SetNames {
    let options = &board.options[set];
    let stem = given.stem(&format!("{prefix}_{}", part(&options.id, PART)), &["_NONE", "_OPEN"]);
    let mut distinct: Vec<(String, String)> = Vec::new();
    for (row, meaning) in options.when.iter().enumerate() {
        if !distinct.iter().any(|(means, _)| *means == meaning.means) {
            let name = match part(&meaning.means, LAST_PART) {
                // Nothing of a name in another script is left.
                empty if empty.is_empty() => format!("ROW_{}", row + 1),
                name => name,
            };
            distinct.push((meaning.means.clone(), given.name(&format!("{stem}_{name}"))));
        }
    }
    let lower = stem.to_lowercase();
    let mut parameters = Given(HashSet::from(["levels".to_string()]));
    let mut analog = Vec::new();
    let mut digital = Vec::new();
    for &channel in &options.channels {
        let stem = stem_of(channel);
        if board.channels[channel].kind == Kind::Digital {
            digital.push((channel, format!("{stem}_BIT")));
        }
        if board.channels[channel].kind != Kind::Analog {
            continue;
        }
        let id = part(&board.channels[channel].id, PART).to_lowercase();
        let alone = options.channels.len() == 1;
        let name = if alone { "code".to_string() } else { format!("{id}_code") };
        let classes = windows.channels.get(channel).map(|w| w.classes.as_slice());
        let window = |class: &Class| {
            let name = part(class.means.as_deref().unwrap_or(&class.name), LAST_PART);
            let name = if name.is_empty() { "WINDOW".to_string() } else { name };
            given.pair(&format!("{stem}_{name}"), ["_LOW", "_HIGH"])
        };
        analog.push(AnalogNames {
            channel,
            parameter: parameters.name(&name),
            windows: classes.unwrap_or_default().iter().map(window).collect(),
            open: (format!("{stem}_OPEN_LOW"), format!("{stem}_OPEN_HIGH")),
        });
    }
    let rows = if digital.is_empty() { 0 } else { options.when.len() };
    let patterns = (1..=rows)
        .map(|row| given.pair(&format!("{stem}_ROW_{row}"), ["_MASK", "_LEVELS"]))
        .collect();
    SetNames {
        none: format!("{stem}_NONE"),
        open: format!("{stem}_OPEN"),
        options: distinct,
        function: given.name(&format!("{lower}_read")),
        tag: lower,
        analog,
        digital,
        patterns,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_letters_digits_and_single_underscores_are_left_of_a_name() {
        for (from, to) in [
            ("vent-controller", "VENT_CONTROLLER"),
            ("J1=3 or J1=4", "J1_3_OR_J1_4"),
            ("  a--b  ", "A_B"),
            ("größer", "GR_ER"),
            ("Ω", ""),
        ] {
            assert_eq!(part(from, LAST_PART), to, "{from}");
        }
        assert_eq!(part("a-very-long-name-for-an-option", LAST_PART), "A_VERY_LONG_NAME_FOR");
    }

    #[test]
    fn a_name_that_was_given_before_gets_a_number() {
        let mut given = Given::default();
        assert_eq!(given.name("A"), "A");
        assert_eq!(given.name("A"), "A_2");
        assert_eq!(given.name("A_2"), "A_2_2");
        assert_eq!(given.pair("B", ["_LOW", "_HIGH"]), ("B_LOW".into(), "B_HIGH".into()));
        assert_eq!(given.name("B_HIGH"), "B_HIGH_2");
        assert_eq!(given.pair("B", ["_LOW", "_HIGH"]).1, "B_2_HIGH");
    }
}
