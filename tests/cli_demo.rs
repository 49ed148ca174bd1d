//! The demo from the command line: what it prints, what it leaves on disk.

mod cli_support;

use cli_support::{Ended, names, record, rows, strapwise};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::LazyLock;

/// One demo run and where its records are.
struct Demo {
    ended: Ended,
    _folder: tempfile::TempDir,
    results: PathBuf,
}

impl Demo {
    fn run() -> Demo {
        let folder = tempfile::tempdir().unwrap();
        let results = folder.path().to_path_buf();
        let ended = strapwise(&["demo", "--seed", "7", "--results", results.to_str().unwrap()]);
        Demo { ended, _folder: folder, results }
    }

    fn lot(&self) -> PathBuf {
        self.results.join("vent-controller/demo-7")
    }
}

/// Shared by the tests that only look at it.
static DEMO: LazyLock<Demo> = LazyLock::new(Demo::run);

fn records(lot: &Path) -> Vec<PathBuf> {
    let files = names(lot).into_iter().filter(|n| n != "lot.csv");
    files.map(|n| lot.join(n)).collect()
}

#[test]
fn the_same_seed_gives_the_same_table_and_the_same_record_bytes() {
    let again = Demo::run();
    let without_folder = |d: &Demo| d.ended.out.replace(d.results.to_str().unwrap(), "");
    assert_eq!(without_folder(&DEMO), without_folder(&again));
    assert_eq!(names(&DEMO.lot()), names(&again.lot()));
    assert_eq!(names(&DEMO.lot()).len(), 7, "six records and lot.csv");
    for name in names(&DEMO.lot()) {
        let read = |d: &Demo| std::fs::read(d.lot().join(&name)).unwrap();
        assert!(read(&DEMO) == read(&again), "{name} differs");
    }
}

#[test]
fn another_seed_gives_other_readings() {
    let folder = tempfile::tempdir().unwrap();
    let results = folder.path().to_str().unwrap();
    let ended = strapwise(&["demo", "--seed", "8", "--results", results]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    let of = |lot: &Path| std::fs::read(lot.join("V001-1.csv")).unwrap();
    assert!(of(&folder.path().join("vent-controller/demo-8")) != of(&DEMO.lot()));
}

#[test]
fn the_two_planted_units_do_not_pass_and_all_others_do() {
    assert_eq!(DEMO.ended.code, Some(0), "{}", DEMO.ended.err);
    let lines: Vec<&str> = DEMO.ended.out.lines().collect();
    let words = |l: &str| -> Vec<String> { l.split_whitespace().map(String::from).collect() };
    let table = lines.iter().map(|l| words(l)).filter(|w| w.len() > 3 && w[0].starts_with('V'));
    let verdicts: Vec<(String, String)> =
        table.filter(|w| !w[0].ends_with(':')).map(|w| (w[0].clone(), w[1].clone())).collect();
    assert_eq!(verdicts.len(), 6, "{}", DEMO.ended.out);
    let planted: Vec<&str> = lines
        .iter()
        .filter_map(|l| l.strip_prefix("  V").and_then(|_| l.trim().split_once(':')))
        .map(|(unit, _)| unit)
        .collect();
    assert_eq!(planted.len(), 2, "{}", DEMO.ended.out);
    for (unit, verdict) in &verdicts {
        assert_eq!(verdict != "PASS", planted.contains(&unit.as_str()), "{unit} {verdict}");
    }
}

#[test]
fn every_row_of_a_record_carries_board_lot_unit_and_attempt() {
    for path in records(&DEMO.lot()) {
        let name = path.file_stem().unwrap().to_str().unwrap().to_string();
        let rows = record(&path);
        assert!(rows.len() > 40, "{name} has {} rows", rows.len());
        for row in rows {
            assert_eq!(row["board"], "vent-controller");
            assert_eq!(row["lot"], "demo-7");
            assert_eq!(format!("{}-{}", row["unit"], row["attempt"]), name);
        }
    }
}

#[test]
fn a_record_ends_in_the_only_unit_row_and_it_carries_the_verdict() {
    let lot = std::fs::read(DEMO.lot().join("lot.csv")).unwrap();
    for (path, line) in records(&DEMO.lot()).iter().zip(rows(&lot)) {
        let rows = record(path);
        assert_eq!(rows.iter().filter(|r| r["row"] == "unit").count(), 1);
        let last = rows.last().unwrap();
        assert_eq!(last["row"], "unit");
        assert_eq!((&last["unit"], &last["verdict"]), (&line["unit"], &line["verdict"]));
    }
}

#[test]
fn a_figure_that_is_missing_is_an_empty_cell() {
    for path in records(&DEMO.lot()) {
        for row in record(&path) {
            let figures = ["n", "mean_code", "u_code", "margin_code", "sag_mv", "supply_mv"];
            let read = match row["row"].as_str() {
                "event" | "question" => figures.iter().all(|f| row[*f].is_empty()),
                "check" => row["sag_mv"].is_empty() && row["supply_mv"].is_empty(),
                "volts" => row["sag_mv"].is_empty() && !row["supply_mv"].is_empty(),
                "supply" | "loads" => row["margin_code"].is_empty() && !row["sag_mv"].is_empty(),
                _ => row["n"].is_empty() && row["mean_code"].is_empty(),
            };
            assert!(read, "{row:?}");
            let junk = |cell: &String| ["NaN", "inf", "-inf", "None", "null"].contains(&&cell[..]);
            assert!(!row.values().any(junk), "{row:?}");
        }
    }
}

#[test]
fn the_lot_has_a_line_for_each_unit_and_equals_a_rebuild_from_the_records() {
    let lot = std::fs::read(DEMO.lot().join("lot.csv")).unwrap();
    let units: Vec<String> = rows(&lot).into_iter().map(|r| r["unit"].clone()).collect();
    assert_eq!(units, ["V001", "V002", "V003", "V004", "V005", "V006"]);
    let records = strapwise::store::read_lot(&DEMO.results, "vent-controller", "demo-7").unwrap();
    assert!(strapwise::lot::table_csv(&records) == lot, "lot.csv differs from its rebuild");
}

#[test]
fn a_second_demo_in_the_same_folder_starts_a_lot_of_its_own() {
    let demo = Demo::run();
    let before = std::fs::read(demo.lot().join("V001-1.csv")).unwrap();
    let ended = strapwise(&["demo", "--results", demo.results.to_str().unwrap()]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    assert_eq!(names(&demo.results.join("vent-controller")), ["demo-7", "demo-7-2"]);
    assert!(before == std::fs::read(demo.lot().join("V001-1.csv")).unwrap());
    assert_eq!(names(&demo.lot()).len(), 7);
}

#[test]
fn the_demo_leaves_a_pipe_free_of_escape_sequences() {
    assert!(!DEMO.ended.out.contains('\x1b'));
    let folder = tempfile::tempdir().unwrap();
    let results = folder.path().to_str().unwrap();
    let told = strapwise(&["demo", "--verbose", "--results", results]);
    assert!(told.out.lines().count() > 300, "--verbose tells every event");
    assert!(!told.out.contains('\x1b') && !told.err.contains('\x1b'));
}

#[test]
fn a_reader_that_closes_the_pipe_early_is_no_error() {
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new(cli_support::PROGRAM);
    command.args(["demo", "--verbose", "--results"]).arg(folder.path());
    let mut child =
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).stdin(Stdio::null()).spawn().unwrap();
    drop(child.stdout.take());
    let ended = Ended::from(child.wait_with_output().unwrap());
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    let lot = folder.path().join("vent-controller/demo-7");
    assert_eq!(names(&lot), names(&DEMO.lot()), "the records are whole nevertheless");
}

#[cfg(unix)]
#[test]
fn a_limit_on_file_sizes_is_told_and_does_not_kill_the_program() {
    let folder = tempfile::tempdir().unwrap();
    let mut limited = Command::new("sh");
    limited.args(["-c", "ulimit -f 8; exec \"$0\" demo --results \"$1\"", cli_support::PROGRAM]);
    limited.arg(folder.path());
    let ended = Ended::from(limited.output().unwrap());
    assert_eq!(ended.code, Some(3), "{}", ended.err);
    assert!(ended.err.contains("ulimit -f") && ended.err.contains("V001-1.csv"), "{}", ended.err);
}
