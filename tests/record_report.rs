//! What a test report holds by ISO/IEC 17025:2017, 7.8.2.1 and 7.8.6 (secondary sources), item by
//! item, against the record of a whole run.

mod bench_support;

use bench_support::{Stand, vent_controller};
use jiff::Timestamp;
use strapwise::bench::UnitVerdict;
use strapwise::record::fold::Folder;
use strapwise::record::{Head, Row, csv};

const DOCUMENT: &str = include_str!("../protocols/records.md");

/// Item, what it is, where it stands.
fn items() -> Vec<[&'static str; 3]> {
    let (_, part) = DOCUMENT.split_once("\n## What a test report holds\n").expect("the section");
    let rows = part.lines().filter(|line| line.starts_with("| `"));
    rows.map(|line| {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        [cells[0].trim_matches('`'), cells[1], cells[2]]
    })
    .collect()
}

/// The record of a good unit, as a table.
fn record() -> (Vec<String>, Vec<Vec<String>>) {
    let mut stand = Stand::new();
    stand.expect_verdict(UnitVerdict::Pass);
    let head = Head {
        lot: "2026-06".into(),
        unit: "V001".into(),
        attempt: 1,
        operator: "Grace".into(),
        station: "bench 2".into(),
        tool: "strapwise".into(),
        ..Head::default()
    };
    let mut folder = Folder::new(vent_controller(), head, Timestamp::UNIX_EPOCH);
    let rows: Vec<Row> = stand.events.iter().flat_map(|e| folder.fold(stand.now, e)).collect();
    let columns = csv::header::<Row>().iter().map(|c| c.to_string()).collect();
    let text = [csv::header_line::<Row>(), csv::rows_lines(&rows)].concat();
    let mut reader = ::csv::Reader::from_reader(&text[..]);
    let lines = reader.records().map(|r| r.unwrap().iter().map(str::to_string).collect());
    (columns, lines.collect())
}

/// The words in backticks, each with the word before it.
fn named(place: &str) -> Vec<(&str, &str)> {
    let mut found = Vec::new();
    let mut parts = place.split('`');
    while let (Some(before), Some(name)) = (parts.next(), parts.next()) {
        found.push((before.trim_matches([',', ' ']), name));
    }
    found
}

#[test]
fn every_item_of_the_standard_s_list_is_there_or_said_to_be_the_maker_s() {
    let letters: Vec<String> = ('a'..='p').map(String::from).chain(["7.8.6".into()]).collect();
    assert_eq!(items().iter().map(|i| i[0]).collect::<Vec<_>>(), letters);
    let (columns, lines) = record();
    let column = |name: &str| columns.iter().position(|c| c == name);
    let (row, rule) = (column("row").unwrap(), column("rule").unwrap());
    for [item, what, place] in items() {
        if place.starts_with("not in a record: ") {
            assert!(["a", "b", "e", "h", "k", "p"].contains(&item), "{item} is in the record");
            continue;
        }
        assert!(!named(place).is_empty(), "{item}, {what}, stands nowhere");
        for (kind, name) in named(place) {
            let found = match kind {
                "row" => lines.iter().any(|l| l[row] == name),
                "event" => lines.iter().any(|l| l[row] == "event" && l[rule] == name),
                _ => {
                    let at = column(name).unwrap_or_else(|| panic!("{item}: no column {name}"));
                    lines.iter().any(|l| !l[at].is_empty())
                }
            };
            assert!(found, "{item}, {what}: {kind} {name} says nothing in a whole record");
        }
    }
}

#[test]
fn identification_stands_on_every_row_and_the_end_is_marked() {
    let (columns, lines) = record();
    let column = |name: &str| columns.iter().position(|c| c == name).unwrap();
    for name in ["board", "board_sha256", "lot", "unit", "attempt", "operator", "station", "tool"] {
        let cells: Vec<&str> = lines.iter().map(|l| l[column(name)].as_str()).collect();
        assert!(!cells[0].is_empty() && cells.iter().all(|c| *c == cells[0]), "{name}");
    }
    let last = lines.last().unwrap();
    assert_eq!(last[column("row")], "unit");
    assert!(last[column("note")].contains("relates to this unit"), "{last:?}");
    let judged = |l: &&Vec<String>| l[column("row")] == "check";
    assert!(lines.iter().filter(judged).all(|l| !l[column("rule")].is_empty()));
    assert!(lines.iter().filter(judged).all(|l| !l[column("verdict")].is_empty()));
}

#[test]
fn the_head_says_how_small_a_fault_of_each_channel_shows_and_what_is_never_seen() {
    let (columns, lines) = record();
    let column = |name: &str| columns.iter().position(|c| c == name).expect("a column");
    let (rule, note) = (column("rule"), column("note"));
    let of = |name: &str| -> Vec<String> {
        lines.iter().filter(|l| l[rule] == name).map(|l| l[note].clone()).collect()
    };
    let smallest = of("smallest shown");
    let of_loop = smallest.iter().find(|text| text.starts_with("LOOP: ")).expect("the loopback");
    for figure in ["a contact from ", " % too large", " times too small"] {
        assert!(of_loop.contains(figure), "{of_loop}");
    }
    let [never] = &of("never seen")[..] else { panic!("once") };
    assert!(never.contains("nets that no channel reads"), "{never}");
}
