//! What a command writes, with or without `--replace`, is never put in the place of a file that it
//! reads, nor of one of another kind.

mod cli_support;

use cli_support::{Ended, board, strapwise};
use std::path::{Path, PathBuf};

const RECORD: &str = include_str!("../results/example/vent-controller/demo-7/V001-1.csv");

/// A folder with a board file and a record.
struct Bench {
    folder: tempfile::TempDir,
    board: PathBuf,
    record: PathBuf,
}

fn bench() -> Bench {
    let folder = tempfile::tempdir().unwrap();
    let (file, record) = (folder.path().join("board.toml"), folder.path().join("V001-1.csv"));
    std::fs::copy(board(), &file).unwrap();
    std::fs::write(&record, RECORD).unwrap();
    Bench { folder, board: file, record }
}

fn text(path: &Path) -> String {
    path.to_str().unwrap().to_string()
}

/// Whether it ended without a word on standard output, told what, and left the file alone.
fn refused(ended: &Ended, why: &str, file: &Path, held: &[u8]) {
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""), "{}", ended.err);
    assert!(ended.err.contains(why) && ended.err.contains("left as it is"), "{}", ended.err);
    assert_eq!(std::fs::read(file).unwrap(), held, "{}", file.display());
}

#[cfg(unix)]
#[test]
fn a_picture_takes_the_place_of_neither_record_nor_board_file() {
    let b = bench();
    let of = std::fs::read(&b.board).unwrap();
    let link = b.folder.path().join("link.svg");
    std::os::unix::fs::symlink(&b.record, &link).unwrap();
    let given = [text(&b.board), text(&b.record)];
    let to = |file: &Path, more: &[&str]| {
        let given = ["diagnose", &given[0], &given[1], "--svg", &text(file)].map(str::to_string);
        let all: Vec<&str> = given.iter().map(String::as_str).chain(more.iter().copied()).collect();
        strapwise(&all)
    };
    for more in [&["--replace"][..], &[]] {
        refused(&to(&b.record, more), "this command reads that file", &b.record, RECORD.as_bytes());
        refused(&to(&link, more), "this command reads that file", &b.record, RECORD.as_bytes());
        refused(&to(&b.board, more), "this command reads that file", &b.board, &of);
    }
    let other = b.folder.path().join("V002-1.csv");
    std::fs::write(&other, RECORD).unwrap();
    refused(&to(&other, &["--replace"]), "this is no SVG picture", &other, RECORD.as_bytes());
    // A picture of another program, and an empty file, may go.
    let drawn = b.folder.path().join("drawn.svg");
    for before in ["\u{feff}<!-- by hand -->\n<svg/>", "<?xml version=\"1.0\"?><svg/>", ""] {
        std::fs::write(&drawn, before).unwrap();
        let ended = to(&drawn, &["--replace"]);
        assert!(ended.err.contains("drawn.svg: picture replaced"), "{}", ended.err);
        assert!(std::fs::read_to_string(&drawn).unwrap().contains("</svg>"));
    }
}

#[test]
fn no_command_writes_over_the_board_file_that_it_reads() {
    let b = bench();
    let of = std::fs::read(&b.board).unwrap();
    let file = text(&b.board);
    let samples = ["--port", "virtual", "--quiet", "0", "--samples", "PROFILE", "--conversions"];
    for command in [
        &["windows", &file, "--svg", &file, "--replace"][..],
        &["card", &file, "--svg", &file, "--replace"],
        &["c-header", &file, "--out", &file, "--replace"],
        &[&["read", &file][..], &samples, &["50", "--csv", &file, "--replace"]].concat(),
    ] {
        refused(&strapwise(command), "this command reads that file", &b.board, &of);
    }
    let record = text(&b.record);
    let kept = RECORD.as_bytes();
    for (command, kind) in [
        (&["windows", &file, "--svg", &record, "--replace"][..], "no SVG picture"),
        (&["card", &file, "--svg", &record, "--replace"], "no SVG picture"),
        (&["c-header", &file, "--out", &record, "--replace"], "no header that c-header"),
        (
            &[&["read", &file][..], &samples, &["50", "--csv", &record, "--replace"]].concat(),
            "no table of conversions",
        ),
    ] {
        refused(&strapwise(command), kind, &b.record, kept);
    }
    let ended = strapwise(&["watch", &file, "--port", "virtual", "--count", "1", "--csv", &record]);
    assert!(ended.code == Some(2) && ended.err.contains("left as it is"), "{}", ended.err);
    assert_eq!(std::fs::read(&b.record).unwrap(), kept);
    let new = text(&b.folder.path().join("new.toml"));
    let ended = strapwise(&["new", &new, "--ladder", "mode: positions=5", "--bom", &new]);
    assert!(ended.code == Some(2) && ended.err.contains("another name"), "{}", ended.err);
    assert!(!Path::new(&new).exists());
}
