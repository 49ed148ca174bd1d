//! Records as CSV: what is written, what is read back, what is refused.

use jiff::Timestamp;
use proptest::prelude::*;
use strapwise::record::{Head, Row, RowKind, csv};

fn check() -> Row {
    Row {
        row: RowKind::Check,
        seq: 7,
        at: "2026-03-04T05:06:07.089Z".parse().unwrap(),
        t_ms: Some(12_345),
        head: Head { board: "vent".into(), unit: "U1".into(), attempt: 1, ..Head::default() },
        channel: "PROFILE".into(),
        mean_code: Some(511.5),
        margin_code: Some(-3.25),
        verdict: "fail".into(),
        ..Row::default()
    }
}

fn note(text: &str) -> Row {
    Row { note: text.into(), ..check() }
}

fn file_of(rows: &[Row]) -> Vec<u8> {
    let mut bytes = csv::header_line::<Row>();
    bytes.extend(csv::rows_lines(rows));
    bytes
}

fn text_of(row: &Row) -> String {
    String::from_utf8(csv::rows_lines(std::slice::from_ref(row))).unwrap()
}

/// The last cell of a row as it stands in the file, quotes and all; no cell before holds a comma.
fn note_cell(text: &str) -> String {
    let line = text_of(&note(text));
    let columns = csv::header::<Row>().len();
    line.splitn(columns, ',').last().unwrap().strip_suffix("\r\n").unwrap().to_string()
}

fn read(bytes: &[u8]) -> Result<Vec<Row>, String> {
    csv::read::<Row>("u.csv", bytes).map(|parsed| parsed.rows).map_err(|e| e.to_string())
}

#[test]
fn the_columns_stand_in_the_order_that_was_agreed() {
    let expected = "format, row, seq, at, t_ms, board, revision, board_sha256, lot, unit, attempt, \
        operator, station, tool, probe, chip, identity, boot, reset_cause, supply_source, step, \
        step_try, setting, jumper, position, moved_by, channel, pin, mode, pull, load, n, \
        mean_code, sd_code, min_code, max_code, pullup_shift_code, driven_proof, u_code, k, \
        expected_code, band_low_code, band_high_code, window_low_code, window_high_code, \
        ohm, expected_ohm, band_low_ohm, band_high_ohm, window_low_ohm, window_high_ohm, \
        limit_source, option_expected, option_read, margin_code, margin_mv, margin_pct, \
        remaining_margin_code, supply_mv, supply_loaded_mv, sag_mv, sag_pct, answer, rule, \
        verdict, reason, note";
    assert_eq!(csv::header::<Row>().join(", "), expected);
}

#[test]
fn what_is_missing_is_an_empty_cell_and_never_zero() {
    let line = text_of(&check());
    let cells: Vec<&str> = line.trim_end().split(',').collect();
    let filled: Vec<(&str, &str)> =
        csv::header::<Row>().into_iter().zip(cells).filter(|(_, cell)| !cell.is_empty()).collect();
    let expected = [
        ("format", "2"),
        ("row", "check"),
        ("seq", "7"),
        ("at", "2026-03-04T05:06:07.089Z"),
        ("t_ms", "12345"),
        ("board", "vent"),
        ("unit", "U1"),
        ("attempt", "1"),
        ("channel", "PROFILE"),
        ("mean_code", "511.500"),
        ("margin_code", "-3.250"),
        ("verdict", "fail"),
    ];
    assert_eq!(filled, expected);
}

/// RFC 4180, section 2, rules 1 and 4 to 7 (check value F2): `"b CRLF bb"` and `"b""bb"`.
#[test]
fn a_line_end_a_quote_and_a_comma_are_quoted_as_rfc_4180_has_it() {
    assert_eq!(note_cell("b\r\nbb"), "\"b\r\nbb\"");
    assert_eq!(note_cell("b\"bb"), "\"b\"\"bb\"");
    assert_eq!(note_cell("b,bb"), "\"b,bb\"");
    assert_eq!(note_cell("b\rbb"), "\"b\rbb\"");
    assert_eq!(note_cell(" b bb "), " b bb ", "spaces are data (rule 4)");
    assert!(csv::header_line::<Row>().ends_with(b",note\r\n"), "CRLF line ends (rule 1)");
}

/// RFC 4180, section 2, rules 5 to 7 (check value F2): `"aaa","b CRLF bb","ccc"` and
/// `"aaa","b""bb","ccc"`, here as operator, station and tool.
#[test]
fn cells_in_quotes_are_read_as_rfc_4180_has_it() {
    for (quoted, middle) in
        [("\"aaa\",\"b\r\nbb\",\"ccc\"", "b\r\nbb"), ("\"aaa\",\"b\"\"bb\",\"ccc\"", "b\"bb")]
    {
        let line = text_of(&check()).replace(",U1,1,,,,", &format!(",U1,1,{quoted},"));
        let mut expected = check();
        expected.head.operator = "aaa".into();
        expected.head.station = middle.into();
        expected.head.tool = "ccc".into();
        let file = [csv::header_line::<Row>(), line.into_bytes()].concat();
        assert_eq!(read(&file).unwrap(), [expected]);
    }
}

#[test]
fn a_file_with_plain_line_feeds_reads_the_same() {
    let text = String::from_utf8(file_of(&[check(), check()])).unwrap();
    assert_eq!(read(text.replace("\r\n", "\n").as_bytes()).unwrap(), [check(), check()]);
}

#[test]
fn a_file_with_a_byte_order_mark_reads_the_same() {
    let marked = [b"\xef\xbb\xbf".to_vec(), file_of(&[check()])].concat();
    assert_eq!(read(&marked).unwrap(), [check()]);
}

#[test]
fn a_quote_in_the_middle_of_a_cell_hides_no_line_behind_it() {
    let text = String::from_utf8(file_of(&[note("5 in"), check()])).unwrap();
    assert_eq!(read(text.replace("5 in", "5\" in").as_bytes()).unwrap(), [note("5\" in"), check()]);
}

/// OWASP, CSV Injection (check value F3): `=1+2";=1+2` becomes `"'=1+2"";=1+2"`.
#[test]
fn free_text_that_a_spreadsheet_would_run_gets_an_apostrophe() {
    assert_eq!(note_cell("=1+2\";=1+2"), "\"'=1+2\"\";=1+2\"");
    for (text, cell) in [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
        ("\r=1", "\"'\r=1\""),
        ("\n=1", "\"'\n=1\""),
        ("'=1", "''=1"),
        ("'tis fine", "'tis fine"),
        ("J1=3", "J1=3"),
    ] {
        assert_eq!(note_cell(text), cell);
        assert_eq!(read(&file_of(&[note(text)])).unwrap(), [note(text)]);
    }
}

/// Check value F3: a column of numbers is left alone.
#[test]
fn a_negative_number_stays_a_number() {
    assert!(text_of(&check()).contains(",-3.250,"));
}

#[test]
fn a_figure_that_rounds_to_zero_carries_no_minus() {
    let row = Row { margin_code: Some(-0.0004), sag_mv: Some(-0.0), ..check() };
    let line = text_of(&row);
    assert!(line.contains(",0.000,") && line.contains(",0.00,"), "{line}");
}

#[test]
fn what_is_no_finite_number_is_a_missing_figure() {
    let row = Row { margin_code: Some(f64::NAN), sag_mv: Some(f64::INFINITY), ..check() };
    let missing = Row { margin_code: None, sag_mv: None, ..check() };
    assert_eq!(text_of(&row), text_of(&missing));
}

/// RFC 3339, section 5.8 (check value F4), with the milliseconds since 1970 that stand there.
#[test]
fn times_are_read_as_rfc_3339_has_them() {
    for (text, ms) in [
        ("1985-04-12T23:20:50.52Z", 482_196_050_520),
        ("1985-04-12t23:20:50.52z", 482_196_050_520),
        ("1996-12-19T16:39:57-08:00", 851_042_397_000),
        ("1996-12-20T00:39:57Z", 851_042_397_000),
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
    ] {
        let line = text_of(&check()).replace("2026-03-04T05:06:07.089Z", text);
        let file = [csv::header_line::<Row>(), line.into_bytes()].concat();
        assert_eq!(read(&file).unwrap()[0].at, Timestamp::from_millisecond(ms).unwrap(), "{text}");
    }
}

/// RFC 3339, section 5.8 (check value F4): the two ways to write the leap second are one time.
#[test]
fn a_leap_second_is_read_alike_in_every_zone() {
    let at = |text: &str| {
        let line = text_of(&check()).replace("2026-03-04T05:06:07.089Z", text);
        read(&[csv::header_line::<Row>(), line.into_bytes()].concat()).unwrap()[0].at
    };
    assert_eq!(at("1990-12-31T23:59:60Z"), at("1990-12-31T15:59:60-08:00"));
}

/// RFC 3339, section 5.8: the first example, with the digits that records always have.
#[test]
fn times_are_written_as_rfc_3339_in_utc_to_the_millisecond() {
    let row = Row { at: Timestamp::from_millisecond(482_196_050_520).unwrap(), ..check() };
    assert!(text_of(&row).contains(",1985-04-12T23:20:50.520Z,"));
}

/// What reading says of a file whose last row (on line 4) was changed.
fn refusal(from: &str, to: &str) -> String {
    let text = String::from_utf8(file_of(&[note("two\r\nlines"), check()])).unwrap();
    let (before, after) = text.rsplit_once(from).unwrap();
    read(format!("{before}{to}{after}").as_bytes()).unwrap_err()
}

#[test]
fn a_broken_cell_is_named_with_file_line_column_and_what_to_do() {
    for (from, to, column, what) in [
        ("511.500", "5ll", "mean_code", "`5ll` is not a number"),
        ("511.500", "NaN", "mean_code", "`NaN` is not a number"),
        ("12345", "-5", "t_ms", "`-5` is not a whole number"),
        ("U1,1,", "U1,,", "attempt", "`` is not a whole number"),
        (
            "check,7",
            "czech,7",
            "row",
            "`czech` is no kind of row (check, question, supply, loads, volts, fuses, report, event, unit)",
        ),
        (
            "2026-03-04T05:06:07.089Z",
            "04.03.26",
            "at",
            "`04.03.26` is not a time such as 1985-04-12T23:20:50.520Z (RFC 3339)",
        ),
    ] {
        let expected = format!(
            "u.csv, line 4, column {column}: {what}; was the file changed by a spreadsheet? put \
             the original back, or correct this cell by hand"
        );
        assert_eq!(refusal(from, to), expected);
    }
}

#[test]
fn a_line_with_a_cell_too_many_is_named() {
    assert_eq!(
        refusal("511.500", "511,500"),
        "u.csv, line 4: there are 68 cells, not 67; put the original back, or correct this line by \
         hand"
    );
}

#[test]
fn a_file_of_a_newer_format_is_refused_with_what_to_do() {
    let text = String::from_utf8(file_of(&[check()])).unwrap();
    let newer = text.replace("format,row", "format,more,row").replace("2,check", "3,x,check");
    assert_eq!(
        read(newer.as_bytes()).unwrap_err(),
        "u.csv, line 2, column format: format `3` is not known here, only format 2; read this file \
         with the version of Strapwise that wrote it (column `tool`)"
    );
}

#[test]
fn a_file_with_other_columns_is_refused_with_the_first_that_differs() {
    let text = String::from_utf8(file_of(&[check()])).unwrap();
    for (from, to, what) in [
        (",lot,", ",batch,", "column 9 is `batch`, not `lot`"),
        (",note", "", "the column `note` is missing"),
        (",note", ",note,more", "there is a column `more` too many"),
    ] {
        let expected = format!(
            "u.csv, line 1: {what}; this is no file of format 2: put the original back, or move \
             the file out of the folder"
        );
        assert_eq!(read(text.replace(from, to).as_bytes()).unwrap_err(), expected);
    }
}

#[test]
fn bytes_that_are_no_text_are_named_with_their_line() {
    let mut bytes = file_of(&[check(), check()]);
    let at = bytes.len() - 4;
    bytes[at] = 0xff;
    assert_eq!(
        read(&bytes).unwrap_err(),
        "u.csv, line 3: the line is not UTF-8; save it as UTF-8 CSV, put a copy back, or move the file \
         out of the folder"
    );
}

#[test]
fn a_torn_last_line_is_left_out_wherever_it_is_torn() {
    let whole = file_of(&[check(), note("one, \"two\"\r\nthree")]);
    let kept = file_of(&[check()]).len();
    for length in kept..whole.len() {
        let parsed = csv::read::<Row>("u.csv", &whole[..length]).unwrap();
        assert_eq!((parsed.whole, parsed.rows), (kept, vec![check()]), "torn at {length}");
    }
}

#[test]
fn a_file_without_a_whole_line_has_no_rows() {
    let header = csv::header_line::<Row>();
    for length in 0..header.len() {
        let parsed = csv::read::<Row>("u.csv", &header[..length]).unwrap();
        assert_eq!((parsed.whole, parsed.rows), (0, vec![]));
    }
    assert_eq!(read(&header).unwrap(), []);
}

fn figure(decimals: i32) -> impl Strategy<Value = Option<f64>> {
    let scale = 10f64.powi(decimals);
    proptest::option::of((-9_000_000_000i64..9_000_000_000).prop_map(move |i| i as f64 / scale))
}

fn text() -> impl Strategy<Value = String> {
    prop_oneof![any::<String>(), "['=+@\\-\t\r\n\",;a ]{0,6}"]
}

prop_compose! {
    fn any_row()(
        kind in 0..RowKind::ALL.len(),
        counts in (any::<u64>(), any::<u64>(), any::<Option<u64>>(), any::<Option<u64>>()),
        ms in -60_000_000_000_000i64..200_000_000_000_000,
        codes in (figure(3), figure(3), figure(3)),
        small in (figure(2), figure(2)),
        words in proptest::array::uniform5(text()),
    ) -> Row {
        let [unit, setting, note, answer, reason] = words;
        Row {
            row: RowKind::ALL[kind],
            seq: counts.0,
            at: Timestamp::from_millisecond(ms).unwrap(),
            t_ms: counts.2,
            head: Head { unit, attempt: counts.1, boot: counts.3, ..Head::default() },
            setting,
            min_code: counts.3,
            mean_code: codes.0,
            margin_code: codes.1,
            remaining_margin_code: codes.2,
            k: small.0,
            sag_mv: small.1,
            answer,
            reason,
            note,
            ..Row::default()
        }
    }
}

proptest! {
    #[test]
    fn rows_with_any_text_come_back_as_they_were(
        rows in proptest::collection::vec(any_row(), 0..4)
    ) {
        let bytes = file_of(&rows);
        let parsed = csv::read::<Row>("u.csv", &bytes).unwrap();
        prop_assert_eq!(parsed.whole, bytes.len());
        prop_assert_eq!(&parsed.rows, &rows);
        prop_assert_eq!(file_of(&parsed.rows), bytes);
    }

    #[test]
    fn a_record_changed_anywhere_is_read_or_refused_with_its_name(
        rows in proptest::collection::vec(any_row(), 1..3),
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        cut in any::<prop::sample::Index>(),
    ) {
        let mut bytes = file_of(&rows);
        for (at, byte) in changes {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        bytes.truncate(cut.index(bytes.len()) + 1);
        match csv::read::<Row>("u.csv", &bytes) {
            Ok(parsed) => prop_assert!(parsed.whole <= bytes.len()),
            Err(e) => prop_assert!(e.to_string().starts_with("u.csv")),
        }
    }

    #[test]
    fn any_bytes_are_read_or_refused_with_their_name(bytes in any::<Vec<u8>>()) {
        match csv::read::<Row>("u.csv", &bytes) {
            Ok(parsed) => prop_assert!(parsed.whole <= bytes.len()),
            Err(e) => prop_assert!(e.to_string().starts_with("u.csv")),
        }
    }
}
