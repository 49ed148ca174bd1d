//! The store: what is on the disk after a stop at any moment, and who may write.

use std::fs::{self, File};
use std::io;
use std::path::Path;

use strapwise::lot;
use strapwise::record::{Head, Record, Row, RowKind, csv};
use strapwise::store::{self, Attempt, ErrorKind, Sink, Store};

fn row(attempt: &Attempt, unit: &str, seq: u64) -> Row {
    Row {
        row: RowKind::Check,
        seq,
        at: "2026-03-04T05:06:07.089Z".parse().unwrap(),
        t_ms: Some(seq * 100),
        head: Head {
            board: "vent".into(),
            lot: "L1".into(),
            unit: unit.into(),
            attempt: attempt.number(),
            operator: "Ada".into(),
            ..Head::default()
        },
        channel: "PROFILE".into(),
        mean_code: Some(500.0 + seq as f64),
        note: "said \"yes\",\r\nthen went on".into(),
        verdict: "pass".into(),
        ..Row::default()
    }
}

fn closing(attempt: &Attempt, unit: &str, seq: u64, verdict: &str) -> Row {
    Row { row: RowKind::Unit, verdict: verdict.into(), ..row(attempt, unit, seq) }
}

fn open(root: &Path) -> Store {
    Store::open(root, "vent", "L1").unwrap()
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| !name.starts_with(".lock"))
        .collect();
    names.sort();
    names
}

fn rows_of(records: &[Record], file: &str) -> Vec<Row> {
    let record = records.iter().find(|record| record.file == file).unwrap();
    assert_eq!(record.problem, None);
    record.rows.clone()
}

#[test]
fn rows_are_in_the_file_when_append_returns() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    let mut attempt = store.begin("U1").unwrap();
    assert_eq!(attempt.path(), root.path().join("vent/L1/U1-1.csv"));
    for seq in 1..4 {
        attempt.append(&[row(&attempt, "U1", seq)]).unwrap();
        let bytes = fs::read(attempt.path()).unwrap();
        let parsed = csv::read::<Row>("", &bytes).unwrap();
        assert_eq!((parsed.whole, parsed.rows.len()), (bytes.len(), seq as usize));
    }
}

#[test]
fn a_retest_is_a_new_file_and_the_first_stays_as_it_was() {
    let root = tempfile::tempdir().unwrap();
    let mut first = open(root.path()).begin("U1").unwrap();
    first.append(&[closing(&first, "U1", 1, "FAIL")]).unwrap();
    let before = fs::read(first.path()).unwrap();
    drop(first);
    let store = open(root.path());
    let second = store.begin("U1").unwrap();
    let third = store.begin("U1").unwrap();
    assert_eq!((second.number(), third.number()), (2, 3));
    assert_eq!(fs::read(root.path().join("vent/L1/U1-1.csv")).unwrap(), before);
    assert_eq!(names(store.folder()), ["U1-1.csv", "U1-2.csv", "U1-3.csv"]);
}

#[test]
fn attempts_go_on_behind_the_highest_also_where_one_was_taken_away() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    for name in ["U1-2.csv", "U1-11.csv", "U1-x-40.csv", "U1-012.csv", "U1-99.csv.torn"] {
        fs::write(store.folder().join(name), "").unwrap();
    }
    assert_eq!(store.begin("U1").unwrap().number(), 12);
    assert_eq!(store.begin("U1-x").unwrap().number(), 41);
    assert_eq!(store.begin("U2").unwrap().number(), 1);
}

#[test]
fn a_row_of_another_unit_is_refused_and_nothing_is_written() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    let mut attempt = store.begin("U1").unwrap();
    let before = fs::read(attempt.path()).unwrap();
    let rows = [row(&attempt, "U1", 1), row(&attempt, "U2", 2)];
    let error = attempt.append(&rows).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Usage);
    assert!(error.what.contains("unit U2"), "{error}");
    assert_eq!(fs::read(attempt.path()).unwrap(), before);
}

#[test]
fn ids_that_are_no_file_names_are_refused_with_the_reason() {
    let root = tempfile::tempdir().unwrap();
    for id in ["", "../up", "a/b", "a b", ".hidden", "ü", "con", "LPT1.x", &"x".repeat(65)] {
        for error in [
            Store::open(root.path(), id, "L1").unwrap_err(),
            Store::open(root.path(), "vent", id).unwrap_err(),
            store::read_lot(root.path(), "vent", id).unwrap_err(),
            open(root.path()).begin(id).err().unwrap(),
        ] {
            assert_eq!(error.kind, ErrorKind::Usage, "{id}");
            let named = format!("the name `{id}` of the ");
            assert!(error.what.starts_with(&named) && error.next.ends_with(" name"), "{error}");
        }
    }
    assert_eq!(names(root.path()), ["vent"]);
}

#[test]
fn two_units_that_some_disks_cannot_tell_apart_are_refused() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    store.begin("u1").unwrap();
    let error = store.begin("U1").err().unwrap();
    assert_eq!(error.what, "unit u1 is in this lot, so U1 cannot be");
}

#[test]
fn the_second_one_to_open_a_lot_is_told_who_has_it() {
    let root = tempfile::tempdir().unwrap();
    let first = open(root.path());
    let error = Store::open(root.path(), "vent", "L1").unwrap_err();
    assert_eq!(error.kind, ErrorKind::Held);
    let who = format!("the lot is in use by process {} on ", std::process::id());
    assert!(error.what.starts_with(&who) && error.what.contains(" since 20"), "{error}");
    assert_eq!(error.next, "finish there first, or give another lot");
    let other = Store::open(root.path(), "vent", "L2");
    assert!(other.is_ok(), "another lot is free");
    drop(first);
    assert!(Store::open(root.path(), "vent", "L1").is_ok(), "free again");
}

#[test]
fn a_lot_stays_taken_while_one_of_its_records_is_open() {
    let root = tempfile::tempdir().unwrap();
    let attempt = open(root.path()).begin("U1").unwrap();
    assert_eq!(Store::open(root.path(), "vent", "L1").unwrap_err().kind, ErrorKind::Held);
    drop(attempt);
    assert!(Store::open(root.path(), "vent", "L1").is_ok());
}

#[test]
fn a_note_that_a_killed_process_left_does_not_hold_the_lot() {
    let root = tempfile::tempdir().unwrap();
    let folder = root.path().join("vent/L1");
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join(".lock"), "").unwrap();
    fs::write(folder.join(".lock-holder"), "process 1 on nowhere").unwrap();
    fs::write(folder.join(".unfinished-abc"), "half a lot").unwrap();
    let store = open(root.path());
    assert_eq!(names(store.folder()), [] as [&str; 0], "what was unfinished is swept");
}

/// A record with rows 1 to 4, and where its last two lines begin.
fn four_rows(root: &Path) -> (Vec<u8>, [usize; 2]) {
    let store = open(root);
    let mut attempt = store.begin("U1").unwrap();
    let mut lengths = Vec::new();
    for seq in 1..5 {
        lengths.push(fs::metadata(attempt.path()).unwrap().len() as usize);
        attempt.append(&[row(&attempt, "U1", seq)]).unwrap();
    }
    (fs::read(attempt.path()).unwrap(), [lengths[2], lengths[3]])
}

#[test]
fn a_kill_at_any_byte_of_the_last_two_rows_loses_nothing_that_was_whole() {
    let root = tempfile::tempdir().unwrap();
    let (bytes, [third, fourth]) = four_rows(root.path());
    let folder = root.path().join("vent/L1");
    let whole = csv::read::<Row>("", &bytes).unwrap().rows;
    for length in third..=bytes.len() {
        fs::write(folder.join("U1-1.csv"), &bytes[..length]).unwrap();
        let store = open(root.path());
        let kept = if length < fourth { 2 } else { 3 + length / bytes.len() };
        let at = if length < fourth { third } else { fourth };
        let rows = rows_of(&store.records().unwrap(), "U1-1.csv");
        assert_eq!(rows[..kept], whole[..kept], "cut at {length}");
        if length == at || length == bytes.len() {
            assert_eq!((store.mended().len(), rows.len()), (0, kept));
            continue;
        }
        let mended = &store.mended()[0];
        assert_eq!((mended.bytes, &*mended.torn), (length - at, "U1-1.csv.torn"));
        assert_eq!(fs::read(folder.join("U1-1.csv.torn")).unwrap(), &bytes[at..length]);
        fs::remove_file(folder.join("U1-1.csv.torn")).unwrap();
        let [note] = &rows[kept..] else { panic!("one row tells of it: {rows:?}") };
        assert_eq!((note.row, &*note.rule), (RowKind::Event, store::MENDED_RULE));
        assert_eq!((note.seq, note.t_ms), (kept as u64 + 1, None));
        assert_eq!(note.head, whole[0].head);
        assert_eq!(note.note, format!("{} bytes, now in U1-1.csv.torn", length - at));
    }
}

#[test]
fn a_record_torn_in_its_header_is_kept_as_an_interrupted_attempt() {
    let root = tempfile::tempdir().unwrap();
    let (bytes, _) = four_rows(root.path());
    let folder = root.path().join("vent/L1");
    for length in [1, 6, 200] {
        fs::write(folder.join("U1-1.csv"), &bytes[..length]).unwrap();
        let store = open(root.path());
        let rows = rows_of(&store.records().unwrap(), "U1-1.csv");
        assert_eq!(rows.len(), 1);
        assert_eq!((&*rows[0].head.unit, rows[0].head.attempt), ("U1", 1));
        let table = lot::Table::of(&store.records().unwrap());
        assert_eq!(
            (&*table.lines[0].verdict, &*table.lines[0].note),
            ("INCOMPLETE", "interrupted")
        );
        assert_eq!(store.begin("U1").unwrap().number(), 2);
        fs::remove_file(folder.join("U1-2.csv")).unwrap();
    }
    let torn = ["U1-1.csv.torn", "U1-1.csv.torn-2", "U1-1.csv.torn-3"];
    assert_eq!(names(&folder)[1..], torn, "no torn bytes are lost to later ones");
}

#[test]
fn a_record_mended_once_is_left_alone_afterwards() {
    let root = tempfile::tempdir().unwrap();
    let (bytes, _) = four_rows(root.path());
    let path = root.path().join("vent/L1/U1-1.csv");
    fs::write(&path, &bytes[..bytes.len() - 3]).unwrap();
    drop(open(root.path()));
    let mended = fs::read(&path).unwrap();
    assert_eq!(open(root.path()).mended(), []);
    assert_eq!(fs::read(&path).unwrap(), mended);
}

/// A file on a disk with room for some bytes, whose sync may fail.
struct SmallDisk {
    file: File,
    room: usize,
    sync_fails: bool,
}

impl Sink for SmallDisk {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        let fit = bytes.len().min(self.room);
        self.room -= fit;
        self.file.append(&bytes[..fit])?;
        if fit < bytes.len() { Err(io::ErrorKind::StorageFull.into()) } else { Ok(()) }
    }

    fn sync(&mut self) -> io::Result<()> {
        if self.sync_fails && self.room == 0 {
            return Err(io::Error::other("bad sector"));
        }
        self.file.sync()
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.file.cut(length)
    }
}

fn small_disk(store: &Store, room: usize, sync_fails: bool) -> Result<Attempt, store::StoreError> {
    store.begin_into("U1", |file| Box::new(SmallDisk { file, room, sync_fails }))
}

fn one_row() -> usize {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    let mut attempt = store.begin("U1").unwrap();
    attempt.append(&[row(&attempt, "U1", 1)]).unwrap();
    fs::metadata(attempt.path()).unwrap().len() as usize - csv::header_line::<Row>().len()
}

#[test]
fn on_a_full_disk_every_row_acknowledged_is_there_and_the_error_says_so() {
    let header = csv::header_line::<Row>().len();
    for spare in [0, 1, one_row() / 2, one_row() - 1] {
        let root = tempfile::tempdir().unwrap();
        let store = open(root.path());
        let mut attempt = small_disk(&store, header + one_row() + spare, false).unwrap();
        attempt.append(&[row(&attempt, "U1", 1)]).unwrap();
        let error = attempt.append(&[row(&attempt, "U1", 2)]).unwrap_err();
        assert_eq!(
            error.to_string(),
            format!(
                "{}: the last rows could not be written (earlier ones are safe): the disk is \
                 full; free some space on it, then go on",
                attempt.path().display()
            )
        );
        assert_eq!(error.kind, ErrorKind::Io);
        let rows = rows_of(&store.records().unwrap(), "U1-1.csv");
        assert_eq!(rows, [row(&attempt, "U1", 1)]);
    }
}

/// A disk that is full until something is deleted elsewhere, and cannot shorten files meanwhile.
struct FullForAWhile {
    file: File,
    failures: u32,
}

impl Sink for FullForAWhile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        if self.failures == 2 && bytes != csv::header_line::<Row>() {
            self.failures -= 1;
            self.file.append(&bytes[..10])?;
            return Err(io::ErrorKind::StorageFull.into());
        }
        self.file.append(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync()
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        if self.failures == 1 {
            self.failures -= 1;
            return Err(io::ErrorKind::ReadOnlyFilesystem.into());
        }
        self.file.cut(length)
    }
}

#[test]
fn after_room_was_made_the_same_rows_can_be_written_and_no_half_line_stays() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    let sink = |file| Box::new(FullForAWhile { file, failures: 2 }) as Box<dyn Sink>;
    let mut attempt = store.begin_into("U1", sink).unwrap();
    let rows = [row(&attempt, "U1", 1), row(&attempt, "U1", 2)];
    attempt.append(&rows).unwrap_err();
    attempt.append(&rows).unwrap();
    assert_eq!(rows_of(&store.records().unwrap(), "U1-1.csv"), rows);
}

#[test]
fn after_a_failed_sync_the_record_takes_no_more_and_says_to_begin_again() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    let room = csv::header_line::<Row>().len() + 2 * one_row();
    let mut attempt = small_disk(&store, room, true).unwrap();
    attempt.append(&[row(&attempt, "U1", 1)]).unwrap();
    for seq in [2, 3] {
        let error = attempt.append(&[row(&attempt, "U1", seq)]).unwrap_err();
        assert!(error.next.ends_with("test the unit again as a new attempt"), "{error}");
    }
    let rows = rows_of(&store.records().unwrap(), "U1-1.csv");
    assert_eq!(rows[0], row(&attempt, "U1", 1));
}

#[test]
fn a_record_that_could_not_begin_leaves_no_attempt_behind() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    let error = small_disk(&store, 10, false).err().unwrap();
    assert!(error.what.ends_with("the disk is full"), "{error}");
    assert_eq!(store.begin("U1").unwrap().number(), 1);
}

/// The kernel's own full disk.
#[cfg(target_os = "linux")]
#[test]
fn the_kernel_s_full_device_gives_the_same_error() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    let full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let error = store.begin_into("U1", |_| Box::new(full)).err().unwrap();
    assert!(error.to_string().ends_with("the disk is full; free some space on it, then go on"));
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let root = tempfile::tempdir().unwrap();
    fs::write(root.path().join("results"), "a file").unwrap();
    let error = Store::open(&root.path().join("results"), "vent", "L1").unwrap_err();
    assert_eq!(error.kind, ErrorKind::Io);
    assert!(error.what.starts_with("cannot make the folder: "), "{error}");
}

#[test]
fn a_lot_that_does_not_exist_is_named_and_not_made() {
    let root = tempfile::tempdir().unwrap();
    let error = store::read_lot(root.path(), "vent", "L1").unwrap_err();
    assert_eq!(
        error.to_string(),
        format!(
            "{}: cannot list the records: it is not there (any more); look whether the disk is \
             still plugged in and the name is right",
            root.path().join("vent/L1").display()
        )
    );
    assert_eq!(names(root.path()), [] as [&str; 0]);
}

#[test]
fn the_lot_file_is_the_same_after_each_unit_as_made_from_scratch() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    for (unit, verdict) in [("U10", "PASS"), ("U9", "FAIL"), ("U9", "PASS"), ("U11", "HOLD")] {
        let mut attempt = store.begin(unit).unwrap();
        attempt.append(&[row(&attempt, unit, 1), closing(&attempt, unit, 2, verdict)]).unwrap();
        store.rebuild_lot(lot::table_csv).unwrap();
        let bytes = fs::read(store.folder().join(store::LOT_FILE)).unwrap();
        let scratch = store::read_lot(root.path(), "vent", "L1").unwrap();
        assert_eq!(bytes, lot::table_csv(&scratch));
    }
    let after_each = fs::read(store.folder().join(store::LOT_FILE)).unwrap();
    fs::remove_file(store.folder().join(store::LOT_FILE)).unwrap();
    drop(store);
    let store = open(root.path());
    store.rebuild_lot(lot::table_csv).unwrap();
    assert_eq!(fs::read(store.folder().join(store::LOT_FILE)).unwrap(), after_each);
    let lines = csv::read::<lot::UnitLine>("lot.csv", &after_each).unwrap().rows;
    let seen: Vec<_> =
        lines.iter().map(|l| (&*l.unit, l.attempts, &*l.first_verdict, &*l.verdict)).collect();
    let expected =
        [("U9", 2, "FAIL", "PASS"), ("U10", 1, "PASS", "PASS"), ("U11", 1, "HOLD", "HOLD")];
    assert_eq!(seen, expected);
    assert!(names(store.folder()).iter().all(|name| !name.starts_with('.')), "nothing unfinished");
}

#[test]
fn a_lot_file_from_an_earlier_run_is_replaced_as_a_whole() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    let path = store.folder().join(store::LOT_FILE);
    fs::write(&path, "old and much longer than the new one\r\n".repeat(100)).unwrap();
    store.rebuild_lot(lot::table_csv).unwrap();
    assert_eq!(fs::read(&path).unwrap(), lot::table_csv(&[]));
}

#[test]
fn a_broken_record_is_named_and_its_unit_incomplete_while_the_others_stand() {
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    for unit in ["U1", "U2", "U3"] {
        let mut attempt = store.begin(unit).unwrap();
        attempt.append(&[closing(&attempt, unit, 1, "PASS")]).unwrap();
    }
    let path = |name: &str| store.folder().join(name);
    let text = fs::read_to_string(path("U2-1.csv")).unwrap();
    fs::write(path("U2-1.csv"), text.replace("501.000", "501.oo0")).unwrap();
    fs::rename(path("U3-1.csv"), path("U4-1.csv")).unwrap();
    let records = store.rebuild_lot(lot::table_csv).unwrap();
    let problems: Vec<String> =
        records.iter().filter_map(|r| r.problem.as_ref()).map(|p| p.to_string()).collect();
    assert!(problems[0].starts_with(&format!(
        "{}, line 2, column mean_code: `501.oo0` is not a number; ",
        path("U2-1.csv").display()
    )));
    assert_eq!(
        problems[1],
        format!(
            "{}: it holds a row of board vent, lot L1, unit U3, attempt 1; give the file its own \
             name and folder back",
            path("U4-1.csv").display()
        )
    );
    let table = lot::Table::of(&records);
    let verdicts: Vec<_> = table.lines.iter().map(|l| (&*l.unit, &*l.verdict)).collect();
    assert_eq!(verdicts, [("U1", "PASS"), ("U2", "INCOMPLETE"), ("U4", "INCOMPLETE")]);
    assert!(table.lines[1].note.starts_with("record unreadable: line 2, column mean_code: "));
}

#[cfg(unix)]
#[test]
fn others_may_read_the_lot_file_as_they_may_a_record() {
    use std::os::unix::fs::PermissionsExt;
    let root = tempfile::tempdir().unwrap();
    let store = open(root.path());
    store.begin("U1").unwrap();
    store.rebuild_lot(lot::table_csv).unwrap();
    let mode =
        |name: &str| fs::metadata(store.folder().join(name)).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(store::LOT_FILE), mode("U1-1.csv"));
}
