//! `bench` from the command line, on a virtual unit, by a script that answers what is asked.

mod cli_support;

use cli_support::{Bench, PROGRAM, asks, board, kind, moved_to, names, record, rows, strapwise};
use std::path::{Path, PathBuf};
use std::process::Command;

fn lot(results: &Path) -> PathBuf {
    results.join("vent-controller/L1")
}

fn verdict_of(record_rows: &[std::collections::HashMap<String, String>]) -> (&str, &str) {
    let last = record_rows.last().unwrap();
    (&last["row"], &last["verdict"])
}

#[test]
fn a_good_unit_led_through_the_whole_sequence_passes() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = Bench::start(results.path(), "U1");
    bench.enter_until(|_| false);
    let ended = bench.end();
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    assert!(ended.out.contains("U1 PASS"), "{}", ended.out);
    let help = ended.out.lines().filter(|l| l.contains("virtual unit: Enter does it")).count();
    assert_eq!(help, 1, "the keys of the virtual unit are told once: {}", ended.out);
    assert!(ended.out.contains("smallest remaining margin"), "{}", ended.out);
    assert!(!ended.out.contains('\x1b'), "no escape sequences in a pipe");
    let rows_kept = record(&lot(results.path()).join("U1-1.csv"));
    assert_eq!(verdict_of(&rows_kept), ("unit", "PASS"));
    let told = ended.out.lines().filter(|l| kind(l) == "moved").count();
    let kept = rows_kept.iter().filter(|r| r["rule"] == "move believed").count();
    assert_eq!(told, kept, "every move that was told is in the record");
    let lot = std::fs::read(lot(results.path()).join("lot.csv")).unwrap();
    assert_eq!(rows(&lot)[0]["verdict"], "PASS");
}

#[test]
fn the_cautions_stand_before_anything_that_is_to_be_done() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = Bench::start(results.path(), "U1");
    bench.enter_until(|l| kind(l) == "do");
    bench.close_input();
    let said: Vec<&str> = bench.said.iter().map(|l| kind(l)).collect();
    let cautions = said.iter().filter(|k| **k == "caution").count();
    assert_eq!(cautions, 7, "four cautions, two dummy loads, one key: {:#?}", bench.said);
    assert_eq!(said.last(), Some(&"do"));
    bench.end();
}

#[test]
fn a_shunt_one_place_too_far_is_doubted_and_put_right() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = Bench::start(results.path(), "U1");
    bench.enter_until(|l| l.contains("J1: put a shunt on position 1")).unwrap();
    bench.press("n");
    let doubt = bench.enter_until(|l| kind(l) == "ask").unwrap();
    assert!(doubt.contains("J1 reads as 2: is the shunt on 1"), "{doubt}");
    bench.press("n");
    bench.enter_until(moved_to("J1=1")).unwrap();
    let check = bench.enter_until(|l| kind(l) == "check").unwrap();
    assert!(check.contains("seedlings") && check.ends_with("pass"), "{check}");
    bench.close_input();
    bench.end();
}

#[test]
fn a_wrong_place_insisted_on_is_read_as_it_is_and_fails() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = Bench::start(results.path(), "U1");
    bench.enter_until(|l| l.contains("J1: put a shunt on position 1")).unwrap();
    bench.press("n");
    bench.enter_until(|l| kind(l) == "ask").unwrap();
    bench.press("");
    let moved = bench.enter_until(moved_to("J1=1")).unwrap();
    assert!(moved.contains("said so"), "{moved}");
    let check = bench.enter_until(|l| kind(l) == "check").unwrap();
    assert!(check.contains("PROFILE") && check.contains(" fail: "), "{check}");
    bench.close_input();
    let ended = bench.end();
    assert!(ended.out.contains("U1 FAIL"), "{}", ended.out);
}

#[test]
fn a_lamp_answered_dark_fails_the_unit() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = Bench::start(results.path(), "U1");
    let question = |l: &str| l.contains("Are both lamps dark?");
    bench.enter_until(question).unwrap();
    bench.press("n");
    let answer = bench.enter_until(|l| kind(l) == "answer").unwrap();
    assert!(answer.contains("lamps-dark: no fail"), "{answer}");
    bench.close_input();
    let ended = bench.end();
    assert!(ended.out.contains("U1 FAIL"), "a fail stays one when the rest is missing");
    let rows = record(&lot(results.path()).join("U1-1.csv"));
    assert!(rows.iter().any(|r| r["row"] == "question" && r["answer"] == "no"));
}

#[test]
fn nobody_at_the_keys_ends_incomplete_with_the_record_kept() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = Bench::start(results.path(), "U1");
    bench.enter_until(|l| kind(l) == "check").unwrap();
    bench.close_input();
    let ended = bench.end();
    assert_eq!(ended.err, "");
    assert!(ended.out.contains("standard input has ended"), "{}", ended.out);
    assert!(ended.out.contains("U1 INCOMPLETE"), "{}", ended.out);
    assert_eq!(ended.code, Some(5));
    assert!(ended.out.contains("because standard input ended"), "{}", ended.out);
    let rows_kept = record(&lot(results.path()).join("U1-1.csv"));
    assert_eq!(verdict_of(&rows_kept), ("unit", "INCOMPLETE"));
    assert!(rows_kept.iter().any(|r| r["row"] == "check"), "what was read is kept");
    let lot = std::fs::read(lot(results.path()).join("lot.csv")).unwrap();
    assert_eq!(rows(&lot)[0]["verdict"], "INCOMPLETE");
}

#[test]
fn standard_input_closed_from_the_start_ends_incomplete() {
    let results = tempfile::tempdir().unwrap();
    let path = board();
    let (board, folder) = (path.to_str().unwrap(), results.path().to_str().unwrap());
    let fixed = ["--port", "virtual", "--lot", "L1", "--unit", "U1", "--results", folder];
    let ended = strapwise(&[&["bench", board], &fixed[..]].concat());
    assert!(ended.out.contains("U1 INCOMPLETE"), "{}{}", ended.out, ended.err);
    assert_eq!(ended.code, Some(5));
    assert_eq!(names(&lot(results.path())), ["U1-1.csv", "lot.csv"]);
}

#[test]
fn keys_without_end_do_not_hold_the_bench_up() {
    let results = tempfile::tempdir().unwrap();
    let mut flood = Command::new("sh");
    flood.args(["-c", "yes '' | \"$0\" \"$@\"", PROGRAM, "bench"]).arg(board());
    flood.args(["--port", "virtual", "--still", "0.1", "--lot", "L1", "--unit", "U1"]);
    flood.arg("--results").arg(results.path());
    let mut bench = Bench::spawn(&mut flood);
    assert!(bench.enter_until(moved_to("J1=1")).is_some(), "{:#?}", bench.said);
    bench.enter_until(|_| false);
    assert!(!bench.said.iter().any(|l| l.contains("does not answer")), "{:#?}", bench.said);
    bench.end();
}

#[test]
fn each_check_told_before_a_kill_is_in_the_record_and_the_next_run_is_attempt_2() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = Bench::start(results.path(), "U1");
    bench.enter_until(|l| l.contains("PROFILE") && kind(l) == "check").unwrap();
    bench.enter_until(moved_to("J1=2")).unwrap();
    bench.kill();
    let killed = bench.end();
    let path = lot(results.path()).join("U1-1.csv");
    let left = std::fs::read(&path).unwrap();
    let whole = rows(&left[..=left.iter().rposition(|&b| b == b'\n').unwrap()]);
    let checks: Vec<&str> = killed.out.lines().filter(|l| kind(l) == "check").collect();
    assert!(checks.len() >= 7, "{}", killed.out);
    for line in checks {
        let channel = line[17..].split_whitespace().next().unwrap();
        let verdict = line.rsplit(' ').next().unwrap();
        let same = |r: &&std::collections::HashMap<String, String>| {
            r["row"] == "check" && r["channel"] == channel && r["verdict"] == verdict
        };
        assert!(whole.iter().any(|r| same(&r)), "`{line}` is not in the record");
    }
    let told = |of: &str| killed.out.lines().filter(|l| kind(l) == of).count();
    let kept = |of: &str| whole.iter().filter(|r| r["row"] == of).count();
    assert!(kept("check") >= told("check") && kept("question") >= told("answer"));

    let mut again = Bench::start(results.path(), "U1");
    again.enter_until(|l| kind(l) == "do").unwrap();
    again.close_input();
    let ended = again.end();
    assert!(ended.out.contains("U1-2.csv"), "{}", ended.out);
    let kept = std::fs::read(&path).unwrap();
    assert!(kept.starts_with(&left[..left.iter().rposition(|&b| b == b'\n').unwrap()]));
    assert!(names(&lot(results.path())).contains(&"U1-2.csv".to_string()));
}

#[test]
fn a_second_bench_on_the_same_lot_is_told_who_holds_it() {
    let results = tempfile::tempdir().unwrap();
    let mut first = Bench::start(results.path(), "U1");
    first.enter_until(|l| kind(l) == "do").unwrap();
    let second = Bench::start(results.path(), "U2").end();
    assert_eq!(second.code, Some(2), "{}", second.err);
    assert!(second.err.contains("the lot is in use by process"), "{}", second.err);
    assert!(second.err.contains(&first.id().to_string()), "{}", second.err);
    assert!(second.err.contains("or give another lot"), "{}", second.err);
    assert!(!names(&lot(results.path())).contains(&"U2-1.csv".to_string()));
    first.close_input();
    first.end();
}

#[test]
fn a_results_folder_that_is_a_file_is_refused_before_anything_is_asked() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("results");
    std::fs::write(&file, "notes").unwrap();
    let ended = Bench::start(&file, "U1").end();
    assert_eq!((ended.code, ended.out.as_str()), (Some(3), ""), "{}", ended.err);
    assert!(ended.err.contains(file.to_str().unwrap()), "{}", ended.err);
    assert!(ended.err.contains("a file of that name is in the way"), "{}", ended.err);
    assert_eq!(std::fs::read(&file).unwrap(), b"notes");
}

#[test]
fn the_answers_asked_for_are_all_kinds_of_lines_that_wait_for_a_key() {
    assert!(asks("    0.0 do       [1/13] J1: put a shunt on position 1, between pins 1 and 2."));
    assert!(asks("    0.0 caution  Press Enter when that is so."));
    assert!(!asks("    0.0 check    ADDR0 high, J2=open pass"));
}

#[cfg(target_os = "linux")]
mod linux {
    use super::*;

    fn signal(name: &str, bench: &Bench) {
        let sent = Command::new("kill").arg(name).arg(bench.id().to_string()).status().unwrap();
        assert!(sent.success());
    }

    #[test]
    fn a_request_to_stop_ends_in_order_with_a_unit_row_whoever_sends_it() {
        for name in ["-INT", "-TERM", "-HUP"] {
            let results = tempfile::tempdir().unwrap();
            let mut bench = Bench::start(results.path(), "U1");
            bench.enter_until(moved_to("J1=1")).unwrap();
            signal(name, &bench);
            let ended = bench.end();
            assert_eq!((ended.code, ended.err.as_str()), (Some(130), ""), "{name}");
            assert!(ended.out.contains("stopping: everything is switched off"), "{}", ended.out);
            let rows_kept = record(&lot(results.path()).join("U1-1.csv"));
            assert_eq!(verdict_of(&rows_kept), ("unit", "INCOMPLETE"), "{name}");
            let lot = std::fs::read(lot(results.path()).join("lot.csv")).unwrap();
            assert_eq!(rows(&lot)[0]["verdict"], "INCOMPLETE");
        }
    }

    #[test]
    fn a_place_that_cannot_be_written_is_told_before_anything_is_asked() {
        let ended = Bench::start(Path::new("/proc/results"), "U1").end();
        assert_eq!((ended.code, ended.out.as_str()), (Some(3), ""), "{}", ended.err);
        assert!(ended.err.contains("/proc/results: cannot make the folder"), "{}", ended.err);
    }

    /// A bench whose files may not grow beyond some blocks of 512 bytes: stands for a full disk.
    fn on_a_small_disk(results: &Path, blocks: u32) -> Bench {
        let mut command = Command::new("sh");
        let limit = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\"");
        command.args(["-c", &limit, PROGRAM, "bench"]).arg(board());
        command.args(["--port", "virtual", "--still", "0.1", "--lot", "L1", "--unit", "U1"]);
        command.arg("--results").arg(results);
        Bench::spawn(&mut command)
    }

    #[test]
    fn a_disk_that_fills_up_stops_the_test_and_loses_nothing_that_was_told() {
        let results = tempfile::tempdir().unwrap();
        let mut bench = on_a_small_disk(results.path(), 52);
        bench.enter_until(|_| false);
        let ended = bench.end();
        assert_eq!(ended.code, Some(3), "{}\n{}", ended.out, ended.err);
        assert!(ended.err.contains("U1-1.csv"), "{}", ended.err);
        assert!(ended.err.contains("earlier ones are safe"), "{}", ended.err);
        assert!(!ended.out.contains("PASS"), "{}", ended.out);
        let rows_kept = record(&lot(results.path()).join("U1-1.csv"));
        let told = |of: &str| ended.out.lines().filter(|l| kind(l) == of).count();
        let kept = |of: &str| rows_kept.iter().filter(|r| r["row"] == of).count();
        assert!(told("check") > 3, "{}", ended.out);
        assert!(kept("check") >= told("check"), "{} told", told("check"));
        assert!(kept("question") >= told("answer"));
    }

    #[test]
    fn a_disk_that_is_full_from_the_start_leaves_no_attempt_behind() {
        let results = tempfile::tempdir().unwrap();
        let ended = on_a_small_disk(results.path(), 0).end();
        assert_eq!((ended.code, ended.out.as_str()), (Some(3), ""), "{}", ended.err);
        assert!(ended.err.contains("U1-1.csv"), "{}", ended.err);
        assert_eq!(names(&lot(results.path())), Vec::<String>::new());
    }
}

/// The example that a meter reads alone, run without a port.
fn decade(results: &Path) -> Bench {
    let board = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/examples/decade.toml");
    let mut command = Command::new(PROGRAM);
    command.arg("bench").arg(board).args(["--lot", "L1", "--unit", "U1"]);
    command.arg("--results").arg(results);
    Bench::spawn(&mut command)
}

fn wants_value(line: &str) -> bool {
    kind(line) == "meter" && line.contains("type what the meter shows")
}

#[test]
fn values_are_typed_line_by_line_without_a_port_and_garbage_is_refused() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = decade(results.path());
    bench.enter_until(wants_value).unwrap();
    bench.press("ten megs");
    let refused = bench.enter_until(|l| kind(l) == "meter").unwrap();
    assert!(refused.contains("`ten megs` is not a resistance"), "{refused}");
    bench.enter_until(wants_value).unwrap();
    bench.press("10M");
    let check = bench.enter_until(|l| kind(l) == "check").unwrap();
    assert!(check.contains("10 MΩ typed in, 10 megohm pass"), "{check}");
    bench.close_input();
    let ended = bench.end();
    assert_eq!((ended.code, ended.err.as_str()), (Some(5), ""), "{}", ended.out);
    assert!(ended.out.contains("U1 INCOMPLETE"), "{}", ended.out);
    let rows = record(&results.path().join("decade/L1/U1-1.csv"));
    let value = rows.iter().find(|r| r["mode"] == "meter").unwrap();
    assert_eq!((value["answer"].as_str(), value["ohm"].as_str()), ("10M", "10000000.000"));
    assert!(rows.iter().any(|r| r["rule"] == "value asked again"), "told, so it is kept");
}

#[test]
fn a_pipe_that_never_ends_does_not_keep_a_meter_waiting() {
    let results = tempfile::tempdir().unwrap();
    let board = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/examples/decade.toml");
    let mut flood = Command::new("sh");
    flood.args(["-c", "yes '' | \"$0\" \"$@\"", PROGRAM, "bench"]).arg(board);
    flood.args(["--lot", "L1", "--unit", "U1", "--results"]).arg(results.path());
    let mut bench = Bench::spawn(&mut flood);
    bench.enter_until(|_| false);
    assert!(bench.said.iter().any(|l| l.contains("U1 INCOMPLETE")), "{:#?}", bench.said.last());
    bench.end();
}

#[test]
fn a_note_at_any_prompt_is_in_the_record_and_answers_nothing() {
    let results = tempfile::tempdir().unwrap();
    let mut bench = Bench::start(results.path(), "U1");
    bench.enter_until(|l| l.contains("J1: put a shunt on position 1")).unwrap();
    bench.press("# pin 2 of J1 is bent");
    let noted = bench.enter_until(|l| kind(l) == "noted").unwrap();
    assert!(noted.contains("pin 2 of J1 is bent"), "{noted}");
    bench.press("");
    bench.enter_until(|l| kind(l) == "ask").unwrap();
    bench.press("#");
    bench.press("# a lamp flickered");
    bench.press("");
    bench.enter_until(|_| false);
    assert_eq!(bench.end().code, Some(0));
    let rows = record(&lot(results.path()).join("U1-1.csv"));
    let notes: Vec<(&str, &str)> = rows
        .iter()
        .filter(|r| r["rule"] == "remark")
        .map(|r| (r["step"].as_str(), r["note"].as_str()))
        .collect();
    assert_eq!(notes, [("2", "pin 2 of J1 is bent"), ("14", "a lamp flickered")]);
}
