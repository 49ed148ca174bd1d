//! `windows` and `read` from the command line.

mod cli_support;

use cli_support::{Ended, board, rows, strapwise};
use std::process::{Command, Stdio};

fn windows(form: &str) -> String {
    let path = board();
    let ended = strapwise(&["windows", path.to_str().unwrap(), "--format", form]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    ended.out
}

fn read(arguments: &[&str]) -> Ended {
    let path = board();
    strapwise(&[&["read", path.to_str().unwrap(), "--port", "virtual"], arguments].concat())
}

#[test]
fn the_windows_fit_a_terminal_of_80_columns() {
    let text = windows("text");
    let widest = text.lines().max_by_key(|l| l.chars().count()).unwrap();
    assert!(widest.chars().count() <= 80, "{} columns: {widest}", widest.chars().count());
}

#[test]
fn the_windows_are_the_same_in_json_as_in_csv() {
    let csv = rows(windows("csv").as_bytes());
    let json: Vec<serde_json::Map<String, serde_json::Value>> =
        serde_json::from_str(&windows("json")).unwrap();
    assert_eq!(csv.len(), json.len());
    for (row, object) in csv.iter().zip(&json) {
        assert_eq!(row.len(), object.len());
        for (column, cell) in row {
            match &object[column] {
                serde_json::Value::Null => assert_eq!(cell, "", "{column}"),
                serde_json::Value::String(text) => assert_eq!(cell, text, "{column}"),
                number => {
                    let of_cell: f64 = cell.parse().unwrap();
                    assert_eq!(number.as_f64(), Some(of_cell), "{column}");
                }
            }
        }
    }
}

#[test]
fn the_windows_as_text_show_the_figures_of_the_csv() {
    let text = windows("text");
    let csv = rows(windows("csv").as_bytes());
    assert_eq!(csv.iter().filter(|r| r["channel"] == "PROFILE").count(), 5);
    let mut channel = "";
    let mut shown = 0;
    for line in text.lines() {
        if let Some((id, _)) = line.split_once(" on P") {
            channel = id;
        }
        let words: Vec<&str> = line.split_whitespace().collect();
        let of_line = |r: &&std::collections::HashMap<String, String>| {
            r["channel"] == channel && words.first() == Some(&r["position"].as_str())
        };
        let Some(row) = csv.iter().find(of_line) else { continue };
        shown += 1;
        for figure in ["volts", "code", "window", "margin", "margin_pct"] {
            let shown = if row[figure].is_empty() { "-" } else { &row[figure] };
            assert!(words.contains(&shown), "{figure} of {row:?} not in: {line}");
        }
    }
    let positions = csv.iter().filter(|r| !r["channel"].is_empty());
    assert_eq!(shown, positions.count(), "each position of the CSV has its line:\n{text}");
    let figures: Vec<_> = csv.iter().filter(|r| r["channel"].is_empty()).collect();
    assert!(figures.iter().all(|r| ["max", "typ", "assumed"].contains(&r["from"].as_str())));
    let typical = figures.iter().filter(|r| r["from"] == "typ");
    assert_eq!(typical.count(), text.matches("twice its typical figure").count());
}

#[test]
fn what_might_be_changed_is_said_in_every_form_of_the_windows() {
    let text = std::fs::read_to_string(board()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("fast.toml");
    std::fs::write(&path, text.replace("\"125kHz\"", "\"1MHz\"")).unwrap();
    let name = path.to_str().unwrap();
    let advice = "a converter clock of 1 MHz costs 5 more codes of error: slow it to 200 kHz";
    let printed = strapwise(&["windows", name]).out;
    let line = printed.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(line.contains(&format!("advice: {advice}")), "{printed}");
    let csv = rows(strapwise(&["windows", name, "--format", "csv"]).out.as_bytes());
    assert!(csv.iter().any(|r| r["from"] == "advice" && r["note"] == advice), "{csv:?}");
    let json = strapwise(&["windows", name, "--format", "json"]).out;
    assert!(json.contains(advice), "{json}");
}

#[test]
fn tables_in_a_pipe_have_no_escape_sequences() {
    let looks = [windows("text"), windows("csv"), windows("json"), read(&[]).out];
    assert!(looks.iter().all(|text| !text.is_empty() && !text.contains('\x1b')));
}

#[test]
fn a_reader_that_closes_the_windows_early_is_no_error() {
    let mut command = Command::new(cli_support::PROGRAM);
    command.arg("windows").arg(board()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    drop(child.stdout.take());
    let ended = Ended::from(child.wait_with_output().unwrap());
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
}

#[test]
fn a_unit_in_its_delivery_setting_reads_as_expected() {
    let ended = read(&["--expect", "delivery"]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    assert!(ended.out.contains("tomatoes"), "{}", ended.out);
    assert!(ended.out.contains("smallest margin"), "{}", ended.out);
}

#[test]
fn a_shunt_elsewhere_than_expected_fails_and_is_named() {
    let ended = read(&["--expect", "J1=2", "--format", "csv"]);
    assert_eq!(ended.code, Some(1), "{}", ended.out);
    let rows = rows(ended.out.as_bytes());
    let j1 = rows.iter().find(|r| r["name"].starts_with("J1 ")).unwrap();
    assert_eq!((&*j1["reads"], &*j1["expected"], &*j1["verdict"]), ("3", "2", "fail"));
}

#[test]
fn jumpers_that_are_not_named_in_the_expectation_are_not_compared() {
    let ended = read(&["--expect", "J1=2", "--format", "csv"]);
    let failed: Vec<String> = rows(ended.out.as_bytes())
        .into_iter()
        .filter(|r| r["verdict"] == "fail")
        .map(|r| r["name"].clone())
        .collect();
    assert_eq!(failed, ["J1 crop profile", "crop profile"], "{}", ended.out);
}

#[test]
fn an_expected_jumper_or_place_that_the_board_does_not_have_is_refused_with_those_it_has() {
    let unknown =
        [("J9=1", "J1, J2, J3, J4, J5, J6"), ("J1=9", "1, 2, 3, 4, 5"), ("J1", "for example J1=3")];
    for (wrong, known) in unknown {
        let ended = read(&["--expect", wrong]);
        assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{wrong}");
        assert!(ended.err.contains(wrong) && ended.err.contains(known), "{}", ended.err);
    }
}

#[test]
fn a_look_fits_a_terminal_of_80_columns() {
    for expected in ["delivery", "J1=2 J4=fitted"] {
        let text = read(&["--expect", expected]).out;
        let widest = text.lines().max_by_key(|l| l.chars().count()).unwrap();
        assert!(widest.chars().count() <= 80, "{} columns: {widest}", widest.chars().count());
        let lamps = text.lines().find(|l| l.contains("J6")).unwrap();
        assert!(lamps.contains("fitted or open") && lamps.contains("not tested"), "{lamps}");
    }
}

#[test]
fn every_conversion_of_a_channel_is_kept_in_a_file_that_is_not_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("noise.csv");
    let file = file.to_str().unwrap();
    let asked = ["--samples", "PROFILE", "--conversions", "500", "--csv", file];
    let ended = read(&asked);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    assert!(ended.out.contains("PROFILE: 500 conversions, mean "), "{}", ended.out);
    assert!(ended.out.lines().all(|l| l.chars().count() <= 80), "{}", ended.out);
    let kept = rows(&std::fs::read(file).unwrap());
    assert_eq!(kept.len(), 500);
    let codes: Vec<f64> = kept.iter().map(|r| r["code"].parse().unwrap()).collect();
    // J1 at 3: 3.7 of 8.2 kOhm, by hand.
    let mean = codes.iter().sum::<f64>() / 500.0;
    assert!((mean - 1024.0 * 3.7 / 8.2).abs() < 12.0, "{mean}");
    let said = format!("mean {mean:.2}");
    assert!(ended.out.contains(&said), "the probe's own sum: {said} in {}", ended.out);
    // 104 µs apart at 16 MHz and prescaler 128.
    assert_eq!((kept[499]["conversion"].as_str(), kept[499]["t_us"].as_str()), ("499", "51896"));
    let again = read(&asked);
    assert_eq!(again.code, Some(2), "{}", again.out);
    assert!(again.err.contains("--replace"), "{}", again.err);
    assert_eq!(read(&[&asked[..], &["--replace"]].concat()).code, Some(0));
}

#[test]
fn a_load_that_goes_on_shows_in_the_supply_and_one_that_draws_nothing_does_not() {
    let ended = read(&["--samples", "supply", "--load", "VENT", "--conversions", "400"]);
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""), "{}", ended.out);
    // Where its lines break depends on the figures.
    let said = ended.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in ["without load: 400", "VCC, VENT on: 400", "lower"] {
        assert!(said.contains(words), "{words} in {said}");
    }
    // 228.7, give or take the hum that a mean of 100 conversions, 10 ms, leaves.
    let steady = said.split("on at ").nth(1).and_then(|s| s.split(',').next()).unwrap();
    assert!((228.2..229.3).contains(&steady.parse::<f64>().unwrap()), "{said}");
    let channel = read(&["--samples", "HUMID", "--load", "MAT", "--format", "csv"]);
    let kept = rows(channel.out.as_bytes());
    assert!(kept.len() == 961 && kept.iter().all(|r| r["load"] == "MAT"), "{}", channel.out);
}

#[test]
fn samples_that_cannot_be_taken_are_refused_with_what_can() {
    for (asked, words) in [
        (&["--samples", "ADDR0"][..], "the analog channels are PROFILE, LOOP, HUMID"),
        (&["--samples", "supply"], "add --load"),
        (&["--samples", "PROFILE", "--load", "FAN"], "the loads are VENT, MAT"),
        (&["--samples", "PROFILE", "--load", "MAT", "--conversions", "1001"], "1000 at most"),
        (&["--load", "MAT"], "--samples"),
        (&["--samples", "PROFILE", "--expect", "delivery"], "cannot be used with"),
    ] {
        let ended = read(asked);
        assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{asked:?}");
        assert!(ended.err.contains(words), "{words} in {}", ended.err);
    }
}
