//! `watch` from the command line, on a virtual unit and over a pseudo-terminal.

mod cli_support;
#[cfg(target_os = "linux")]
#[path = "cli_support/served.rs"]
mod served;

use cli_support::{Bench, Ended, PROGRAM, board, kind, rows, strapwise};
use std::path::Path;
use std::process::{Command, Stdio};

fn watch(arguments: &[&str]) -> Ended {
    let path = board();
    let fixed = ["watch", path.to_str().unwrap(), "--port", "virtual", "--every", "0.1"];
    strapwise(&[&fixed[..], arguments].concat())
}

/// A view whose lines are read as they come, and whose keys are typed.
fn live(arguments: &[&str]) -> Bench {
    let mut command = Command::new(PROGRAM);
    command.arg("watch").arg(board()).args(["--port", "virtual", "--every", "0.1"]);
    Bench::spawn(command.args(arguments))
}

fn until(view: &mut Bench, wanted: impl Fn(&str) -> bool) -> String {
    loop {
        let line = view.line().unwrap_or_else(|| panic!("it ended: {:#?}", view.said));
        if wanted(&line) {
            return line;
        }
    }
}

#[test]
fn in_a_pipe_each_channel_is_told_once_until_it_changes() {
    let ended = watch(&["--count", "3"]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    let seen: Vec<&str> = ended.out.lines().filter(|l| kind(l) == "seen").collect();
    assert_eq!(seen.len(), 6, "the board has six channels: {}", ended.out);
    assert!(seen[0].contains("J1=3 tomatoes; circuit 462.0"), "{}", seen[0]);
    assert!(ended.out.contains("each round closes K1"), "{}", ended.out);
    assert!(ended.out.lines().last().unwrap().ends_with("end      3 rounds"), "{}", ended.out);
    assert!(!ended.out.contains('\x1b'), "no escape sequences in a pipe");
}

#[test]
fn a_shunt_of_the_virtual_unit_moves_at_a_key_and_is_told() {
    let mut view = live(&[]);
    until(&mut view, |l| kind(l) == "supply");
    view.press("1");
    let line = until(&mut view, |l| l.contains("PROFILE ") && l.contains("J1=4"));
    assert!(line.contains("orchids"), "{line}");
    view.press("q");
    let ended = view.end();
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    let told = ended.out.lines().filter(|l| l.contains("ADDR0 ")).count();
    assert_eq!(told, 1, "what did not change is not told again: {}", ended.out);
}

#[test]
fn keys_pause_the_view_and_show_a_histogram() {
    let mut view = live(&[]);
    until(&mut view, |l| kind(l) == "supply");
    view.press("h");
    assert!(until(&mut view, |l| kind(l) == "note").contains("histogram of PROFILE"));
    view.press("n");
    assert!(until(&mut view, |l| kind(l) == "note").contains("paused"));
    view.press("n");
    assert!(until(&mut view, |l| kind(l) == "note").contains("goes on"));
    // Two shunts seen to move, so that a whole round with codes lies between.
    for place in ["J1=4", "J1=5"] {
        view.press("1");
        until(&mut view, |l| l.contains("PROFILE ") && l.contains(place));
    }
    view.press("q");
    let ended = view.end();
    assert_eq!(ended.code, Some(0), "{}", ended.out);
    let title = ended.out.lines().find(|l| l.starts_with("PROFILE: ")).unwrap();
    assert!(title.contains(" conversions, mean 0."), "{title}");
}

#[test]
fn a_histogram_asked_for_stands_at_the_end() {
    let ended = watch(&["--count", "2", "--histogram", "LOOP"]);
    let title = ended.out.lines().find(|l| l.starts_with("LOOP: ")).unwrap();
    assert!(title.starts_with("LOOP: 1922 conversions, mean 869."), "{title}");
    assert!(ended.out.lines().any(|l| l.contains("|#")), "{}", ended.out);
    let refused = watch(&["--histogram", "ADDR0"]);
    assert_eq!((refused.code, refused.out.as_str()), (Some(2), ""));
    assert!(refused.err.contains("PROFILE, LOOP"), "{}", refused.err);
}

#[test]
fn a_converter_of_twelve_bits_has_its_histogram_too() {
    let file = example("vent-rp2040.toml");
    let fixed = ["watch", &file, "--port", "virtual", "--every", "0.1"];
    let ended = strapwise(&[&fixed[..], &["--count", "2", "--histogram", "PROFILE"]].concat());
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    let title = ended.out.lines().find(|l| l.starts_with("PROFILE: ")).unwrap();
    assert!(title.starts_with("PROFILE: 1922 conversions, mean 130"), "{title}");
    assert!(!ended.out.contains("supply"), "that probe cannot read the supply: {}", ended.out);
}

#[test]
fn a_board_that_no_probe_reads_is_sent_to_the_bench() {
    let ended = strapwise(&["watch", &example("decade.toml"), "--port", "virtual"]);
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""));
    assert!(ended.err.contains("no probe reads this board; `bench`"), "{}", ended.err);
}

fn example(name: &str) -> String {
    format!("{}/protocols/examples/{name}", env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn rounds_go_to_a_file_behind_those_of_a_former_view() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("live.csv");
    let name = path.to_str().unwrap();
    for views in 1..=2 {
        let ended = watch(&["--count", "2", "--csv", name]);
        assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
        let bytes = std::fs::read(&path).unwrap();
        let text = String::from_utf8(bytes.clone()).unwrap();
        assert_eq!(text.matches("format,at,").count(), 1, "one header");
        assert_eq!(text.matches('\n').count(), text.matches("\r\n").count(), "RFC 4180");
        let rows = rows(&bytes);
        assert_eq!(rows.len(), views * 2 * 6, "a row for each channel in each round");
        let profile = rows.iter().rfind(|r| r["channel"] == "PROFILE").unwrap();
        assert_eq!((&*profile["reads_as"], &*profile["option"]), ("J1=3", "tomatoes"));
        assert_eq!((&*profile["n"], &*profile["expected_code"]), ("961", "462.0"));
        assert!(profile["code"].parse::<f64>().is_ok() && profile["at"].ends_with('Z'));
        let digital = rows.iter().find(|r| r["channel"] == "ADDR0").unwrap();
        assert_eq!((&*digital["volts"], &*digital["sd"]), ("", ""), "what is not read is empty");
    }
}

#[test]
fn a_file_of_something_else_is_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notes.csv");
    std::fs::write(&path, "my notes\n").unwrap();
    let ended = watch(&["--count", "1", "--csv", path.to_str().unwrap()]);
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{}", ended.err);
    assert!(ended.err.contains("was left as it is"), "{}", ended.err);
    assert_eq!(std::fs::read(&path).unwrap(), b"my notes\n");
}

#[test]
fn a_torn_last_line_does_not_eat_the_next_row() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("live.csv");
    let name = path.to_str().unwrap();
    watch(&["--count", "1", "--csv", name]);
    let whole = std::fs::read(&path).unwrap();
    let torn = whole.len() - 20;
    std::fs::write(&path, &whole[..torn]).unwrap();
    let ended = watch(&["--count", "1", "--csv", name]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    assert!(ended.err.contains("ended in a torn line"), "{}", ended.err);
    assert_eq!(rows(&std::fs::read(&path).unwrap()).len(), 5 + 6);
    let kept = std::fs::read(folder.path().join("live.csv.torn")).unwrap();
    assert!(whole[..torn].ends_with(&kept) && !kept.is_empty());
}

#[test]
fn the_key_for_writing_makes_a_file_of_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new(PROGRAM);
    command.current_dir(folder.path()).arg("watch").arg(board());
    let mut view = Bench::spawn(command.args(["--port", "virtual", "--every", "0.1"]));
    until(&mut view, |l| kind(l) == "supply");
    assert_eq!(cli_support::names(folder.path()), [""; 0], "nothing is written unasked");
    view.press("r");
    until(&mut view, |l| l.ends_with("writing vent-controller-live-1.csv"));
    view.press("1");
    until(&mut view, |l| l.contains("J1=4"));
    view.press("q");
    assert_eq!(view.end().code, Some(0));
    let rows = rows(&std::fs::read(folder.path().join("vent-controller-live-1.csv")).unwrap());
    assert!(rows.iter().any(|r| r["reads_as"] == "J1=4"), "on disk before it is told");
}

#[test]
fn a_reader_that_closes_the_view_ends_it() {
    let mut command = Command::new(PROGRAM);
    command.arg("watch").arg(board()).args(["--port", "virtual", "--every", "0.1"]);
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    drop(child.stdout.take());
    let ended = Ended::from(child.wait_with_output().unwrap());
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
}

#[test]
fn times_that_make_no_sense_are_refused() {
    for wrong in [["--every", "0"], ["--wait", "0"], ["--count", "0"], ["--every", "nan"]] {
        let path = board();
        let fixed = ["watch", path.to_str().unwrap(), "--port", "virtual"];
        let ended = strapwise(&[&fixed[..], &wrong].concat());
        assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{wrong:?}");
        assert!(ended.err.contains(wrong[0]), "{}", ended.err);
    }
}

#[cfg(target_os = "linux")]
mod linux {
    use super::*;
    use served::{Served, demo_unit};
    use strapwise::board::Place;

    fn on(port: &str, arguments: &[&str]) -> Bench {
        let mut command = Command::new(PROGRAM);
        command.arg("watch").arg(board()).args(["--port", port, "--quiet", "0.1"]);
        Bench::spawn(command.args(["--every", "0.1"]).args(arguments))
    }

    #[test]
    fn over_a_port_a_shunt_that_is_moved_is_told() {
        let unit = Served::start(demo_unit);
        let mut view = on(&unit.name, &[]);
        until(&mut view, |l| l.contains("PROFILE ") && l.contains("J1=3 tomatoes"));
        unit.with(|board| board.place(0, Place::At(1)));
        until(&mut view, |l| l.contains("PROFILE ") && l.contains("J1=2 herbs"));
        view.press("q");
        assert_eq!(view.end().code, Some(0));
    }

    #[test]
    fn a_port_that_goes_away_is_told_and_ends_as_lost_in_the_stated_time() {
        let unit = Served::start(demo_unit);
        let mut view = on(&unit.name, &["--wait", "1"]);
        until(&mut view, |l| kind(l) == "supply");
        drop(unit);
        let away = until(&mut view, |l| kind(l) == "away");
        assert!(away.contains("the port is gone") && away.contains("waiting 1 s"), "{away}");
        let ended = view.end();
        assert_eq!(ended.code, Some(3), "{}", ended.out);
        assert!(ended.err.contains("did not come back in 1 s"), "{}", ended.err);
    }

    #[test]
    fn a_board_that_is_plugged_in_again_is_gone_on_with() {
        // A name that leads to one pseudo-terminal and then to another stands for the port.
        let folder = tempfile::tempdir().unwrap();
        let port = folder.path().join("port");
        let unit = Served::start(demo_unit);
        std::os::unix::fs::symlink(&unit.name, &port).unwrap();
        let mut view = on(port.to_str().unwrap(), &["--wait", "60"]);
        until(&mut view, |l| l.contains("J1=3 tomatoes"));
        std::fs::remove_file(&port).unwrap();
        drop(unit);
        until(&mut view, |l| kind(l) == "away");
        let unit = Served::start(|| {
            let mut unit = demo_unit();
            unit.place(0, Place::At(1));
            unit
        });
        std::os::unix::fs::symlink(&unit.name, &port).unwrap();
        until(&mut view, |l| kind(l) == "probe" && l.contains("is back"));
        until(&mut view, |l| l.contains("J1=2 herbs"));
        view.press("q");
        assert_eq!(view.end().code, Some(0));
    }

    #[test]
    fn a_unit_that_loses_its_supply_is_gone_on_with_when_it_is_back() {
        let unit = Served::start(demo_unit);
        let mut view = on(&unit.name, &["--wait", "60"]);
        until(&mut view, |l| kind(l) == "supply");
        unit.with(|board| board.power(false));
        until(&mut view, |l| kind(l) == "away");
        unit.with(|board| {
            board.place(0, Place::At(1));
            board.power(true);
        });
        until(&mut view, |l| kind(l) == "probe" && l.contains("is back"));
        until(&mut view, |l| l.contains("J1=2 herbs"));
        view.press("q");
        assert_eq!(view.end().code, Some(0));
    }

    #[test]
    fn a_request_to_stop_ends_in_order() {
        for name in ["-INT", "-TERM"] {
            let mut view = live(&[]);
            until(&mut view, |l| kind(l) == "supply");
            let id = view.id().to_string();
            assert!(Command::new("kill").args([name, &id]).status().unwrap().success());
            let ended = view.end();
            assert_eq!((ended.code, ended.err.as_str()), (Some(130), ""), "{name}");
            assert!(ended.out.contains("everything is switched off"), "{}", ended.out);
        }
    }

    #[test]
    fn a_disk_that_fills_up_ends_the_view_and_keeps_whole_rows() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("live.csv");
        let mut command = Command::new("sh");
        let limit = "trap '' XFSZ; ulimit -f 8; exec \"$0\" \"$@\"";
        command.args(["-c", limit, PROGRAM, "watch"]).arg(board());
        command.args(["--port", "virtual", "--every", "0.1", "--csv"]).arg(&path);
        let ended = Bench::spawn(&mut command).end();
        assert_eq!(ended.code, Some(3), "{}\n{}", ended.out, ended.err);
        assert!(ended.err.contains("earlier ones are safe"), "{}", ended.err);
        assert!(Path::new(&path).metadata().unwrap().len() <= 4096);
        let again = watch(&["--count", "1", "--csv", path.to_str().unwrap()]);
        assert_eq!(again.code, Some(0), "{}", again.err);
        assert!(!rows(&std::fs::read(&path).unwrap()).is_empty());
    }
}
