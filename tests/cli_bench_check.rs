//! Checking the bench with a unit that is known to be good, from the command line.

mod cli_support;

use cli_support::{Bench, Ended, PROGRAM, board, record};
use std::path::Path;
use std::process::Command;

/// A whole check of the bench on the virtual unit with this seed.
fn check(results: &Path, seed: &str) -> Ended {
    let mut command = Command::new(PROGRAM);
    command.arg("bench").arg(board());
    command.args(["--port", "virtual", "--seed", seed, "--still", "0.1"]);
    command.args(["--check-bench", "--unit", "REF", "--lot", "L1", "--results"]).arg(results);
    let mut bench = Bench::spawn(&mut command);
    bench.enter_until(|_| false);
    bench.end()
}

#[test]
fn a_bench_is_as_it_was_until_its_good_unit_reads_otherwise() {
    let results = tempfile::tempdir().unwrap();
    let first = check(results.path(), "1");
    assert_eq!(first.code, Some(0), "{}", first.out);
    assert!(first.out.contains("J1 reads as open, and is refused pass"), "{}", first.out);
    assert!(first.out.contains("J1 reads as 4, and is refused pass"), "{}", first.out);
    assert!(first.out.contains("later ones are held against this one"), "{}", first.out);
    let second = check(results.path(), "1");
    assert_eq!(second.code, Some(0), "{}", second.out);
    assert!(second.out.ends_with("1 earlier run\nthe bench is as it was"), "{}", second.out);
    // Another unit with the same name is as good as another bench.
    let other = check(results.path(), "2");
    assert_eq!(other.code, Some(1), "{}", other.out);
    assert!(other.out.contains("the bench is not to be trusted"), "{}", other.out);
    let rows = record(&results.path().join("vent-controller/L1/REF-3.csv"));
    let last = rows.last().unwrap();
    assert_eq!((&*last["rule"], &*last["verdict"]), ("bench check", "fail"));
    assert!(last["reason"].contains("LOOP with K1 on at J1=3"), "{}", last["reason"]);
}
