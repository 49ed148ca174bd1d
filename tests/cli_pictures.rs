//! `card`, and `--svg` of `card` and `windows`, from the command line.

mod cli_support;

use cli_support::{Ended, board, rows, strapwise};
use std::path::Path;

/// A picture of the maker's own.
const OWN: &str = "<svg><!-- the maker's own --></svg>";

fn draw(command: &str, file: &Path, more: &[&str]) -> Ended {
    let board = board();
    let given = [command, board.to_str().unwrap(), "--svg", file.to_str().unwrap()];
    strapwise(&[&given, more].concat())
}

#[test]
fn a_picture_is_written_beside_the_table_and_the_table_stays_a_table() {
    let folder = tempfile::tempdir().unwrap();
    for command in ["windows", "card"] {
        let file = folder.path().join(format!("{command}.svg"));
        let ended = draw(command, &file, &["--format", "csv"]);
        assert_eq!(ended.code, Some(0), "{}", ended.err);
        assert!(ended.err.contains(file.to_str().unwrap()), "{}", ended.err);
        assert!(rows(ended.out.as_bytes()).len() > 10, "{}", ended.out);
        let svg = std::fs::read_to_string(&file).unwrap();
        assert!(roxmltree::Document::parse(&svg).is_ok());
    }
}

#[test]
fn a_file_that_is_there_is_left_as_it_is_unless_it_may_be_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("card.svg");
    std::fs::write(&file, OWN).unwrap();
    let ended = draw("card", &file, &[]);
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{}", ended.err);
    assert!(ended.err.contains("left as it is") && ended.err.contains("--replace"));
    assert_eq!(std::fs::read_to_string(&file).unwrap(), OWN);
    let ended = draw("card", &file, &["--replace"]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    assert!(ended.err.contains("picture replaced"), "{}", ended.err);
    assert!(std::fs::read_to_string(&file).unwrap().contains("</svg>"));
    assert_eq!(cli_support::names(folder.path()).len(), 1, "nothing is left beside it");
}

#[test]
fn a_folder_that_is_missing_is_named() {
    let ended = draw("card", Path::new("/nowhere/at/all/card.svg"), &[]);
    assert_eq!(ended.code, Some(2), "{}", ended.err);
    assert!(ended.err.contains("no folder /nowhere/at/all"), "{}", ended.err);
}

#[test]
fn the_card_as_text_fits_80_columns_and_marks_the_delivery_setting() {
    let board = board();
    let text = strapwise(&["card", board.to_str().unwrap()]).out;
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    let marked: Vec<&str> = text.lines().filter(|l| l.contains("delivery")).collect();
    // J1, J5, J6 and the row of the bus address.
    assert_eq!(marked.len(), 4, "{text}");
    assert!(marked.iter().all(|l| l.trim_start().starts_with('>')), "{text}");
    assert!(marked[0].contains("tomatoes"), "{text}");
}

#[test]
fn the_card_as_csv_has_a_row_for_each_place_and_each_address() {
    let board = board();
    let csv = strapwise(&["card", board.to_str().unwrap(), "--format", "csv"]).out;
    let rows = rows(csv.as_bytes());
    // J1 five, J5 three, J6 two, eight addresses.
    assert_eq!(rows.len(), 18);
    let leaves: Vec<&str> =
        rows.iter().filter(|r| r["delivery"] == "yes").map(|r| r["setting"].as_str()).collect();
    assert_eq!(leaves, ["J1=3", "J5=wet", "J6=fitted", "J2=fitted J3=open J4=open"]);
}

#[test]
fn a_long_option_is_broken_so_that_the_card_fits_80_columns() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("long.toml");
    let long = "tomatoes ".to_string() + &"and other fruit that likes it warm and moist ".repeat(3);
    let text =
        std::fs::read_to_string(board()).unwrap().replace("\"tomatoes\"", &format!("{long:?}"));
    std::fs::write(&file, text).unwrap();
    let ended = strapwise(&["card", file.to_str().unwrap()]);
    assert_eq!(ended.code, Some(0), "{}", ended.err);
    let widest = ended.out.lines().map(|l| l.chars().count()).max();
    assert!(widest.is_some_and(|n| n <= 80), "{}", ended.out);
    let words = |s: &str| s.split_whitespace().map(str::to_string).collect::<Vec<_>>().join(" ");
    let told = words(&ended.out).replace(" delivery", "");
    assert!(told.contains(&words(&long)), "whole: {}", ended.out);
}

#[test]
fn what_a_meter_alone_reads_is_explained_without_a_converter() {
    let path = board().with_file_name("examples").join("decade.toml");
    let text = strapwise(&["windows", path.to_str().unwrap()]).out;
    assert!(text.contains("margin: ohms from the worst good unit"), "{text}");
    assert!(!text.contains("LSB") && !text.contains("codes of"), "{text}");
}

#[test]
fn the_card_of_twenty_eight_headers_fits_80_columns_too() {
    let path = board().with_file_name("examples").join("decade.toml");
    let text = strapwise(&["card", path.to_str().unwrap()]).out;
    let widest = text.lines().map(|l| l.chars().count()).max();
    assert!(widest.is_some_and(|n| n <= 80), "{text}");
    assert_eq!(text.matches("J28=").count(), 11, "each of the eleven settings in full: {text}");
    assert_eq!(text.matches("< delivery").count(), 1, "{text}");
}
