//! A process that writes a record is killed: what it said it had written is there.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};

use strapwise::record::{Head, Row};
use strapwise::store::{ErrorKind, Store};

const ROOT: &str = "STRAPWISE_TEST_ROOT";

/// The process to be killed: writes rows and says the number of each one after it is written.
/// Without the variable it has nothing to do.
#[test]
#[ignore = "run by the test below, in a process of its own"]
fn write_rows_until_killed() {
    let Some(root) = std::env::var_os(ROOT) else { return };
    let store = Store::open(Path::new(&root), "vent", "L1").unwrap();
    let mut attempt = store.begin("U1").unwrap();
    let head = Head {
        board: "vent".into(),
        lot: "L1".into(),
        unit: "U1".into(),
        attempt: attempt.number(),
        ..Head::default()
    };
    for seq in 1..100_000 {
        let row = Row { seq, head: head.clone(), note: "x".repeat(2000), ..Row::default() };
        attempt.append(&[row]).unwrap();
        println!("written {seq}");
    }
}

#[test]
fn rows_that_a_killed_process_had_told_are_there_and_the_lot_is_free_again() {
    let root = tempfile::tempdir().unwrap();
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "write_rows_until_killed", "--ignored", "--nocapture"])
        .env(ROOT, root.path())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
    // The first number stands behind the test runner's own words on the same line.
    let mut told = lines.filter_map(|line| line.rsplit_once("written ")?.1.parse::<u64>().ok());
    assert_eq!(told.by_ref().take(20).last(), Some(20));
    let held = Store::open(root.path(), "vent", "L1").unwrap_err();
    child.kill().unwrap();
    child.wait().unwrap();
    assert_eq!(held.kind, ErrorKind::Held);
    assert!(held.what.contains(&format!("process {} on ", child.id())), "{held}");

    let last = told.last().unwrap_or(20);
    let store = Store::open(root.path(), "vent", "L1").unwrap();
    let records = store.records().unwrap();
    assert_eq!(records[0].problem, None);
    let seqs: Vec<u64> = records[0].rows.iter().map(|row| row.seq).collect();
    assert!(seqs.len() as u64 >= last, "{} rows of {last}", seqs.len());
    assert!(seqs.iter().copied().eq(1..=seqs.len() as u64), "{seqs:?}");
    assert_eq!(store.begin("U1").unwrap().number(), 2);
}
