//! The house rules as a test: who may import whom, and what computing modules must not contain.
//!
//! The table is the one in DEVELOPERS.md. When a change needs another import, change the table in
//! both places and say why.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// For each module, the modules of this crate that it may name.
const MAY_IMPORT: &[(&str, &[&str])] = &[
    ("units", &[]),
    // Reads constants out of C; what they mean to a board is the caller's business.
    ("c_header", &[]),
    ("board", &["units"]),
    ("circuit", &["board", "units"]),
    ("window", &["circuit", "board", "units"]),
    ("faults", &["window", "circuit", "board", "units"]),
    ("walk", &["faults", "window", "circuit", "board", "units"]),
    ("bench", &["walk", "faults", "window", "circuit", "board", "units"]),
    ("probe", &["units"]),
    // The virtual board runs the probe's own core against the solved circuit.
    ("probe/world", &["probe", "faults", "circuit", "board", "units"]),
    ("probe/virtual_board", &["probe", "faults", "circuit", "board", "units"]),
    ("record", &["bench", "window", "board", "units"]),
    ("store", &["record", "board"]),
    ("lot", &["record", "faults", "board", "units"]),
    ("diagnose", &["record", "faults", "window", "circuit", "board", "units"]),
    (
        "report",
        &[
            "diagnose", "lot", "record", "bench", "walk", "faults", "window", "circuit", "board",
            "units",
        ],
    ),
    ("screen", &["bench", "report", "window", "board", "units"]),
    (
        "session",
        &[
            "screen", "report", "lot", "store", "record", "probe", "bench", "walk", "faults",
            "window", "circuit", "board", "units",
        ],
    ),
    (
        "cli",
        &[
            "session", "screen", "report", "diagnose", "lot", "store", "record", "probe", "bench",
            "walk", "faults", "window", "circuit", "board", "c_header", "units",
        ],
    ),
    ("main", &["cli"]),
];

/// Each outside crate has one door: the only files (or folders) that may name it. `csv` has two:
/// the record's table is ours and read strictly, a bill of materials is whatever table the maker's
/// schematic editor wrote, and `board` may not know of records. So has `sha2`: the board file's own
/// digest, and those of the files that the maker's commands flash, which nobody else opens. `rayon`
/// has one although computing modules hold no thread: pairs of defects are too many for one core,
/// and what comes back from its door keeps the order of the work, whatever the number of threads.
const DOORS: &[(&str, &[&str])] = &[
    ("serialport", &["probe/port"]),
    ("indicatif", &["screen/terminal", "screen/patience"]),
    ("rustix", &["screen/keys"]),
    ("csv", &["record/csv", "board/parse/bill"]),
    ("clap", &["cli"]),
    ("signal_hook", &["cli/limits"]),
    ("serde_json", &["report/table", "report/json"]),
    ("toml", &["board/parse"]),
    ("sha2", &["board/parse", "session/commands"]),
    ("rayon", &["diagnose/cores"]),
    ("statrs", &["bench/judge", "window/gum", "window/draw", "diagnose"]),
    ("tokio", &["session/live"]),
    ("tempfile", &["store"]),
    ("jiff", &["record", "store", "lot", "cli"]),
];

/// Crates that share their name with a module of ours: only `use` tells them apart.
const SHADOWED: &[&str] = &["csv"];

/// Modules that compute: no clock, file, thread, print or async in them.
const COMPUTING: &[&str] = &[
    "units", "c_header", "board", "circuit", "window", "faults", "walk", "bench", "probe",
    "record", "lot", "diagnose", "report",
];

/// Files under a computing module that are a door to the world.
const WORLDLY: &[&str] = &["probe/port"];

const FORBIDDEN: &[&str] = &[
    "std::fs",
    "std::net",
    "std::thread",
    "std::env",
    "std::process",
    "Instant::now",
    "SystemTime",
    "Timestamp::now",
    "println!",
    "eprintln!",
    "print!(",
    "dbg!",
    "async ",
    ".await",
    "stdin()",
    "stdout()",
];

fn sources() -> BTreeMap<String, String> {
    fn walk(folder: &Path, out: &mut Vec<PathBuf>) {
        let entries = fs::read_dir(folder).expect("the source folder can be read");
        for entry in entries {
            let path = entry.expect("its entries can be read").path();
            if path.is_dir() {
                walk(&path, out);
            } else if path.extension().is_some_and(|e| e == "rs") {
                out.push(path);
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    walk(&root, &mut files);
    let named = |path: PathBuf| {
        let name = path.strip_prefix(&root).expect("under src").with_extension("");
        let name = name.to_string_lossy().replace('\\', "/");
        (name, code(&fs::read_to_string(&path).expect("a source file is text")))
    };
    files.into_iter().map(named).collect()
}

/// A source without comments and without its test module.
fn code(source: &str) -> String {
    let source = source.split("#[cfg(test)]").next().unwrap_or_default();
    let code = |line: &str| line.split("//").next().unwrap_or_default().to_string();
    source.lines().map(code).collect::<Vec<_>>().join("\n")
}

/// The entry of a table that a file falls under: the longest prefix of its name.
fn entry<T: Copy>(table: &[(&'static str, T)], file: &str) -> Option<(&'static str, T)> {
    let under = |prefix: &str| file == prefix || file.starts_with(&format!("{prefix}/"));
    table.iter().copied().filter(|(p, _)| under(p)).max_by_key(|(p, _)| p.len())
}

/// Modules of this crate that a source names, as `crate::x` or inside `use crate::{x, y::z}`.
fn imports(source: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (at, _) in source.match_indices("crate::") {
        let rest = &source[at + "crate::".len()..];
        if let Some(list) = rest.strip_prefix('{') {
            let mut depth = 0;
            let mut word = String::new();
            for c in list.chars() {
                match c {
                    '{' => depth += 1,
                    '}' if depth == 0 => break,
                    '}' => depth -= 1,
                    ',' if depth == 0 => found.push(std::mem::take(&mut word)),
                    c if depth == 0 => word.push(c),
                    _ => {}
                }
            }
            found.push(word);
        } else {
            found.push(rest.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect());
        }
    }
    let head = |w: String| w.trim().split("::").next().unwrap_or_default().trim().to_string();
    found.into_iter().map(head).filter(|w| !w.is_empty()).collect()
}

#[test]
fn a_benchmark_that_is_piped_into_head_ends_quietly() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench-scripts/benchmarks");
    let mut folders = vec![folder];
    let mut looked_at = 0;
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()) {
            if entry.is_dir() {
                folders.push(entry);
            } else if entry.extension().is_some_and(|e| e == "rs") && !entry.ends_with("tell.rs") {
                let text = std::fs::read_to_string(&entry).unwrap();
                looked_at += 1;
                for line in text.lines() {
                    let prints = [" println!", " print!", "(println!", "| println!"];
                    let panics = prints.iter().any(|p| line.contains(p));
                    assert!(!panics, "{}: `tell!` instead: {line}", entry.display());
                }
            }
        }
    }
    assert!(looked_at > 15, "{looked_at}");
}

#[test]
fn nobody_imports_what_the_table_does_not_allow() {
    let mut wrong = Vec::new();
    for (file, source) in sources() {
        if file == "lib" {
            continue;
        }
        let Some((module, allowed)) = entry(MAY_IMPORT, &file) else {
            wrong.push(format!("src/{file}.rs belongs to no module of the table"));
            continue;
        };
        let own = module.split('/').next().unwrap_or(module);
        for import in imports(&source) {
            if import != own && !allowed.contains(&import.as_str()) {
                wrong.push(format!("src/{file}.rs ({module}) names {import}"));
            }
        }
    }
    assert!(wrong.is_empty(), "against the import table:\n{}", wrong.join("\n"));
}

#[test]
fn each_outside_crate_has_one_door() {
    let mut wrong = Vec::new();
    for (file, source) in sources() {
        for (krate, doors) in DOORS {
            let named = source.contains(&format!("use {krate}::"))
                || source.contains(&format!("use ::{krate}::"))
                || !SHADOWED.contains(krate)
                    && source.match_indices(&format!("{krate}::")).any(|(at, _)| {
                        let before = source[..at].chars().last();
                        !before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':')
                    });
            let inside = doors.iter().any(|d| file == *d || file.starts_with(&format!("{d}/")));
            if named && !inside {
                wrong.push(format!("src/{file}.rs names {krate}, whose door is {doors:?}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn what_computes_has_no_clock_file_thread_or_terminal() {
    let mut wrong = Vec::new();
    for (file, source) in sources() {
        let module = file.split('/').next().unwrap_or_default();
        let worldly = WORLDLY.iter().any(|w| file == *w || file.starts_with(&format!("{w}/")));
        if !COMPUTING.contains(&module) || worldly {
            continue;
        }
        for word in FORBIDDEN {
            if source.contains(word) {
                wrong.push(format!("src/{file}.rs contains `{word}`"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn unsafe_stands_only_where_the_probe_core_is_called() {
    let careless = |(file, source): &(String, String)| {
        file != "probe/core" && source.split_whitespace().any(|w| w == "unsafe")
    };
    let wrong: Vec<String> = sources().into_iter().filter(careless).map(|(f, _)| f).collect();
    assert!(wrong.is_empty(), "unsafe in {wrong:?}");
}

#[test]
fn the_table_itself_goes_one_way() {
    // Every module may only import modules that stand above it in the table, so there is no cycle.
    for (i, (module, allowed)) in MAY_IMPORT.iter().enumerate() {
        for name in *allowed {
            let above = MAY_IMPORT[..i].iter().any(|(m, _)| m == name);
            assert!(above, "{module} may import {name}, which does not stand above it");
        }
    }
}

#[test]
fn developers_md_shows_the_same_table() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md");
    let page = fs::read_to_string(path).expect("DEVELOPERS.md is there");
    for (module, allowed) in MAY_IMPORT {
        let imports = if allowed.is_empty() { "nothing".to_string() } else { allowed.join(", ") };
        let row = format!("| `{module}` | {imports} |");
        assert!(page.contains(&row), "DEVELOPERS.md lacks the row\n{row}");
    }
}
