//! `protocols/records.md` against the program.

use strapwise::lot::UnitLine;
use strapwise::record::cause::Confirmed;
use strapwise::record::live::LiveRow;
use strapwise::record::{Row, csv};

const DOCUMENT: &str = include_str!("../protocols/records.md");

/// The rows of the table in a section, cell by cell.
fn table(section: &str) -> Vec<Vec<&'static str>> {
    let (_, after) = DOCUMENT.split_once(&format!("\n## {section}\n")).unwrap();
    let part = after.split("\n## ").next().unwrap();
    let rows = part.lines().filter(|line| line.starts_with("| `"));
    rows.map(|line| line.trim_matches('|').split('|').map(str::trim).collect()).collect()
}

fn names(section: &str) -> Vec<&'static str> {
    table(section).iter().map(|row| row[0].trim_matches('`')).collect()
}

#[test]
fn every_column_is_explained_in_its_order() {
    assert_eq!(names("The record"), csv::header::<Row>());
    assert_eq!(names("The lot"), csv::header::<UnitLine>());
    assert_eq!(names("The live view"), csv::header::<LiveRow>());
    assert_eq!(names("Confirmed causes"), csv::header::<Confirmed>());
}

#[test]
fn every_column_says_its_meaning_and_when_it_is_empty() {
    for row in [table("The record"), table("The lot"), table("The live view")].concat() {
        assert_eq!(row.len(), 4, "{row:?}");
        assert!(!row[2].is_empty() && !row[3].is_empty(), "{row:?}");
    }
}

#[test]
fn a_unit_in_a_column_s_name_is_the_one_that_is_explained() {
    for row in [table("The record"), table("The lot")].concat() {
        let name = row[0].trim_matches('`');
        let expected = match name.rsplit_once('_').map(|(_, end)| end) {
            Some("code") => "codes",
            Some("mv") => "mV",
            Some("pct") => "%",
            Some("ms") => "ms",
            Some("ohm") => "Ω",
            None if name == "ohm" => "Ω",
            _ => "",
        };
        assert_eq!(row[1], expected, "{name}");
    }
}
