//! Whatever a board file holds, it is read or told what is wrong with it, never more.

use super::DEMO;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use strapwise::board;

/// Reads a text; every problem of it stands at a place that the text has.
fn read_or_told(text: &str) -> Result<(), TestCaseError> {
    let Err(problems) = board::parse("any.toml", text) else { return Ok(()) };
    prop_assert!(!problems.list.is_empty());
    let lines: Vec<&str> = text.split('\n').collect();
    for problem in &problems.list {
        prop_assert!((1..=lines.len()).contains(&problem.line), "{}", problem);
        let width = lines[problem.line - 1].chars().count();
        prop_assert!((1..=width + 1).contains(&problem.column), "{}", problem);
        prop_assert!(!problem.what.is_empty() && !problem.do_next.is_empty(), "{}", problem);
        prop_assert!(!problem.what.contains('\n'), "{}", problem);
    }
    let places: Vec<_> = problems.list.iter().map(|p| (p.line, p.column)).collect();
    prop_assert!(places.is_sorted());
    Ok(())
}

/// One change to the lines of a file.
#[derive(Clone, Debug)]
enum Edit {
    Delete(usize),
    Duplicate(usize),
    Swap(usize, usize),
    Token(usize, String),
}

/// Tokens that have broken parsers before.
const STRANGE: &[&str] = &[
    "",
    "[",
    "]]",
    "{",
    "=",
    "\"",
    "'''",
    "-1",
    "1e9",
    "nan",
    "\"\"",
    "\"\\u0000\"",
    "1979-05-27",
    "[[[[",
    "{a={a={a=1}}}",
    "a.b.c = 1",
    "99999999999",
];

/// Tokens of board files, and some that are in none.
fn token() -> impl Strategy<Value = String> {
    let known: Vec<&str> = DEMO.split([' ', '\n', ',']).filter(|t| !t.is_empty()).collect();
    prop_oneof![
        4 => proptest::sample::select(known).prop_map(str::to_string),
        1 => "\\PC{0,8}",
        1 => proptest::sample::select(STRANGE).prop_map(str::to_string),
    ]
}

fn edit() -> impl Strategy<Value = Edit> {
    let line = 0..DEMO.lines().count();
    prop_oneof![
        line.clone().prop_map(Edit::Delete),
        line.clone().prop_map(Edit::Duplicate),
        (line.clone(), line).prop_map(|(a, b)| Edit::Swap(a, b)),
        (any::<usize>(), token()).prop_map(|(at, token)| Edit::Token(at, token)),
    ]
}

/// Replaces one word of a text, counted over spaces, line ends and commas.
fn replace_word(text: &str, which: usize, word: &str) -> String {
    let mut pieces: Vec<&str> = text.split_inclusive([' ', '\n', ',']).collect();
    if pieces.is_empty() {
        return text.to_string();
    }
    let which = which % pieces.len();
    let end = pieces[which].chars().last().filter(|c| " \n,".contains(*c));
    let word = format!("{word}{}", end.map(String::from).unwrap_or_default());
    pieces[which] = &word;
    pieces.concat()
}

fn apply(text: &str, edit: &Edit) -> String {
    if let Edit::Token(which, word) = edit {
        return replace_word(text, *which, word);
    }
    let mut lines: Vec<&str> = text.lines().collect();
    let count = lines.len().max(1);
    match *edit {
        Edit::Delete(at) if !lines.is_empty() => {
            lines.remove(at % count);
        }
        Edit::Duplicate(at) if !lines.is_empty() => lines.insert(at % count, lines[at % count]),
        Edit::Swap(a, b) if !lines.is_empty() => lines.swap(a % count, b % count),
        _ => {}
    }
    lines.join("\n")
}

#[test]
fn a_file_nested_without_end_is_told_so() {
    let dotted = "a.".repeat(300_000);
    for text in [
        format!("{dotted}a = 1"),
        format!("[{dotted}a]"),
        format!("a = {}", "[".repeat(500_000)),
        format!("a = {}", "{a=".repeat(300_000)),
    ] {
        let problems = board::parse("any.toml", &text).map(|_| ()).expect_err("no board");
        assert!(problems.list[0].do_next.contains("three tables deep"), "{problems}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(1),
        ..ProptestConfig::with_cases(400)
    })]

    #[test]
    fn any_text_is_read_or_told_what_is_wrong(text in "(\\PC|\n|\t|\"|=|\\[|\\]|\\{|\\}){0,200}") {
        read_or_told(&text)?;
    }

    #[test]
    fn any_bytes_are_read_or_told_what_is_wrong(
        bytes in proptest::collection::vec(any::<u8>(), 0..200)
    ) {
        let problems = board::parse_bytes("any.toml", &bytes).map(|_| ()).expect_err("no board");
        prop_assert!(!problems.list.is_empty());
    }

    #[test]
    fn a_damaged_demo_file_is_read_or_told_what_is_wrong(
        edits in proptest::collection::vec(edit(), 1..6)
    ) {
        let damaged = edits.iter().fold(DEMO.to_string(), |text, edit| apply(&text, edit));
        read_or_told(&damaged)?;
    }

    #[test]
    fn a_damaged_description_of_a_chip_is_read_or_told_what_is_wrong(
        edits in proptest::collection::vec(edit(), 1..4)
    ) {
        let whole = super::chips::generic();
        let damaged = edits.iter().fold(whole, |text, edit| apply(&text, edit));
        read_or_told(&damaged)?;
    }

    #[test]
    fn a_demo_file_cut_off_anywhere_is_told_what_is_missing(at in 0..DEMO.len()) {
        let cut = (0..=at).rev().find(|&i| DEMO.is_char_boundary(i)).unwrap_or(0);
        read_or_told(&DEMO[..cut])?;
    }
}
