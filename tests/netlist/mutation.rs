//! Whatever stands in a netlist or a bill, it is read or told, at a place that the file has.

use super::{board_file, read};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use strapwise::board;

const NETLIST: &str = include_str!("../../protocols/examples/netlist.cir");
const BILL: &str = include_str!("../../protocols/examples/netlist.csv");
const BOARD: &str = include_str!("../../protocols/examples/netlist.toml");

/// Words that have broken readers of netlists and tables before.
const STRANGE: &[&str] = &[
    "",
    "+",
    "*",
    ".end",
    ".ends",
    ".subckt",
    "0",
    "-1k",
    "1e999",
    "1e-999",
    "10F",
    "1Ω",
    "k",
    ".",
    "R1-R99999999",
    "R5-R1",
    "-",
    "\"",
    "\"\"\"",
    "\u{feff}",
    "10k 1% 1%",
    "µ",
    "e",
    "1e",
    "=",
    "R=",
    "VCC",
    "gnd",
    "DC",
    "AC",
    "\t",
    "\u{0}",
];

fn words(text: &str, edits: &[(usize, usize)]) -> String {
    let mut text = text.to_string();
    for &(at, word) in edits {
        let pieces: Vec<&str> = text.split_inclusive([' ', '\n', ',']).collect();
        let at = at % pieces.len().max(1);
        let put = format!("{} ", STRANGE[word]);
        let piece = |(i, p): (usize, &&str)| if i == at { put.clone() } else { p.to_string() };
        text = pieces.iter().enumerate().map(piece).collect();
    }
    text
}

/// Every problem stands at a place that its file has.
fn read_or_told(board: &str, netlist: &str, bill: &str) -> Result<(), TestCaseError> {
    let mut beside = |name: &str| match name {
        "netlist.cir" => Ok(netlist.as_bytes().to_vec()),
        "netlist.csv" => Ok(bill.as_bytes().to_vec()),
        _ => Err("not found".to_string()),
    };
    let Err(problems) = board::parse_beside("netlist.toml", board.as_bytes(), &mut beside) else {
        return Ok(());
    };
    prop_assert!(!problems.list.is_empty());
    for problem in &problems.list {
        let text = match problem.file.as_str() {
            "netlist.toml" => board,
            "netlist.cir" => netlist,
            "netlist.csv" => bill,
            other => return Err(TestCaseError::fail(format!("no file {other}"))),
        };
        let line = text.split('\n').nth(problem.line.saturating_sub(1));
        prop_assert!(line.is_some(), "{problem}");
        let width = line.map_or(0, |l| l.chars().count());
        prop_assert!((1..=width + 1).contains(&problem.column), "{problem}");
        prop_assert!(!problem.what.is_empty() && !problem.do_next.is_empty(), "{problem}");
        prop_assert!(!problem.what.contains('\n'), "{problem}");
    }
    Ok(())
}

fn edits() -> impl Strategy<Value = Vec<(usize, usize)>> {
    proptest::collection::vec((any::<usize>(), 0..STRANGE.len()), 0..5)
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(7),
        ..ProptestConfig::with_cases(120)
    })]

    #[test]
    fn damaged_netlists_and_bills_are_read_or_told(
        netlist in edits(),
        bill in edits(),
        board in edits(),
    ) {
        read_or_told(&words(BOARD, &board), &words(NETLIST, &netlist), &words(BILL, &bill))?;
        read_or_told(BOARD, &words(NETLIST, &netlist), &words(BILL, &bill))?;
    }

    #[test]
    fn any_text_for_a_netlist_is_read_or_told(text in "(\\PC|\n|[RCVI]1|0|k| ){0,120}") {
        read_or_told(BOARD, &text, BILL)?;
        read_or_told(BOARD, &format!("title\n{text}"), BILL)?;
    }

    #[test]
    fn any_text_for_a_bill_is_read_or_told(text in "(\\PC|\n|,|\"|;|R1){0,120}") {
        read_or_told(BOARD, NETLIST, &text)?;
        read_or_told(BOARD, NETLIST, &format!("reference,value\n{text}"))?;
    }

    #[test]
    fn any_bytes_beside_a_board_file_are_read_or_told(
        bytes in proptest::collection::vec(any::<u8>(), 0..200)
    ) {
        let mut beside = |_: &str| Ok(bytes.clone());
        let read = board::parse_beside("netlist.toml", BOARD.as_bytes(), &mut beside);
        prop_assert!(read.is_err());
    }
}

#[test]
fn a_range_of_designators_without_end_costs_no_memory() {
    let bill =
        "reference,value,tolerance\nR1-R99999999999999999999,10k,1%\nR1-R4000000000,10k,1%\n";
    let more =
        "[[resistor]]\nid = \"R1\"\nbetween = [\"TAP1\", \"GND\"]\n[bom]\nfile = \"b.csv\"\n";
    assert!(read(&board_file(more), &[("b.csv", bill)]).is_ok());
}
