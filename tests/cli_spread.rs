//! `windows --spread` and `--monte-carlo` from the command line.

mod cli_support;

use cli_support::{board, rows, strapwise};

fn windows(arguments: &[&str]) -> String {
    let path = board();
    let ended = strapwise(&[&["windows", path.to_str().unwrap()], arguments].concat());
    assert_eq!((ended.code, ended.err.as_str()), (Some(0), ""));
    ended.out
}

#[test]
fn the_same_seed_prints_the_same_bytes_and_another_seed_others() {
    for form in ["text", "csv", "json"] {
        let run =
            |seed: &str| windows(&["--monte-carlo", "40000", "--seed", seed, "--format", form]);
        assert_eq!(run("5"), run("5"));
        assert_ne!(run("5"), run("6"));
    }
}

#[test]
fn the_root_sum_of_squares_stands_between_the_ends_of_the_worst_case() {
    let table = rows(windows(&["--spread", "--format", "csv"]).as_bytes());
    assert_eq!(table.len(), 5 + 3 * 2 + 3);
    for row in &table {
        let figure = |column: &str| row[column].parse::<f64>().unwrap();
        assert!(figure("worst_low") <= figure("rss_low"), "{row:?}");
        assert!(figure("rss_high") <= figure("worst_high"), "{row:?}");
        assert!(!row.contains_key("right"));
    }
}

#[test]
fn the_last_row_counts_the_units_that_read_every_position_right() {
    for law in ["uniform", "normal"] {
        let arguments = ["--monte-carlo", "3000", "--distribution", law, "--format", "csv"];
        let table = rows(windows(&arguments).as_bytes());
        let last = table.last().unwrap();
        assert_eq!((last["channel"].as_str(), last["units"].as_str()), ("all", "3000"));
        assert_eq!((last["right"].as_str(), last["right_share"].as_str()), ("3000", "1.000000"));
        assert!(table.iter().all(|r| r["units"] == "3000"));
    }
}

#[test]
fn the_text_fits_80_columns_and_gives_the_expected_yield() {
    let text = windows(&["--monte-carlo", "3000", "--seed", "2"]);
    assert!(text.contains("expected yield: 100.0000 percent; 0 of 3000 units"), "{text}");
    assert!(text.contains("seed 2"));
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

#[test]
fn a_seed_without_units_and_too_few_units_are_refused() {
    let path = board();
    for arguments in [&["--seed", "3"][..], &["--monte-carlo", "1"], &["--monte-carlo", "many"]] {
        let ended = strapwise(&[&["windows", path.to_str().unwrap()], arguments].concat());
        assert_eq!(ended.code, Some(2), "{arguments:?}");
        assert!(ended.err.contains("--monte-carlo"), "{}", ended.err);
    }
}

#[test]
fn a_resistance_read_by_meter_has_its_row_in_ohms() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/protocols/examples/decade.toml");
    let arguments = ["windows", path, "--monte-carlo", "3000"];
    let ended = strapwise(&[&arguments[..], &["--format", "csv"]].concat());
    let table = rows(ended.out.as_bytes());
    let (last, positions) = table.split_last().unwrap();
    assert_eq!((positions.len(), last["right"].as_str()), (11, "3000"));
    for row in positions {
        let figure = |column: &str| row[column].parse::<f64>().unwrap();
        assert_eq!(row["unit"], "ohm");
        assert!(figure("worst_low") <= figure("rss_low"), "{row:?}");
        assert!(figure("rss_high") <= figure("worst_high"), "{row:?}");
        assert!(figure("worst_low") <= figure("drawn_low"), "{row:?}");
        assert!(figure("drawn_high") <= figure("worst_high"), "{row:?}");
    }
    let ended = strapwise(&arguments);
    assert!(ended.out.contains("9.77k..10.2k"), "{}", ended.out);
    assert!(!ended.out.contains("not drawn"), "{}", ended.out);
    assert!(ended.out.lines().all(|l| l.chars().count() <= 80), "{}", ended.out);
}
