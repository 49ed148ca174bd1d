//! What the check says of thresholds, in the maker's words.

use crate::boards::{address, external, ideal, ladder, load, parse, quarters, resistor};
use strapwise::board::{Board, CodeWindow, Compare, Decoding};
use strapwise::window::{Check, FindingKind, Grade, Limits, check, windows};

fn thresholds(codes: &[f64]) -> Decoding {
    thresholds_for(codes, &[])
}

fn thresholds_for(codes: &[f64], options: &[&str]) -> Decoding {
    let options = options.iter().map(|o| o.to_string()).collect();
    Decoding::Thresholds { channel: 0, codes: codes.to_vec(), compare: Compare::Below, options }
}

fn bits(board: &Board, low_is_one: bool) -> Decoding {
    let channels = board.options[0].channels.clone();
    Decoding::Bits { set: 0, channels, low_is_one, options: Vec::new() }
}

fn checked(board: &Board, said: Decoding) -> Check {
    check(board, &[said]).unwrap_or_else(|e| panic!("{e:?}"))
}

fn kinds(check: &Check) -> Vec<FindingKind> {
    check.findings.iter().map(|f| f.kind).collect()
}

fn refused(board: &Board, said: Decoding) -> String {
    let wrong = check(board, &[said]).expect_err("nothing wrong was found");
    wrong.iter().map(|m| m.to_string()).collect::<Vec<_>>().join("\n")
}

/// Common practice, no source: four equal resistors of 2 kΩ at 5 V give taps at 1.25, 2.5 and
/// 3.75 V, read as about 255, 511 and 767 on a scale of 0 to 1023, with thresholds midway near
/// 128, 384, 640 and 896.
#[test]
fn midway_thresholds_of_the_four_resistor_ladder_are_right_and_only_lack_gaps() {
    let board = ideal(parse(&ladder(&["a", "b", "c", "d", "e"], "0%")), 1024.0);
    let check = checked(&board, thresholds(&[128.0, 384.0, 640.0, 896.0]));
    for (position, code) in check.positions.iter().zip([0.0, 255.0, 511.0, 767.0, 1023.0]) {
        let band = position.band.expect("an analog position");
        assert!(band.low - 1.0 <= code && code <= band.high + 1.0, "{position:?}");
        assert_eq!(position.grade, Grade::Pass, "{position:?}");
        // Half of 256 codes less what drift and ageing take.
        let margin = position.margin_code.expect("a margin");
        assert!((118.0..=128.5).contains(&margin), "{position:?}");
        assert!(position.margin_pct.is_some_and(|p| p > 92.0), "{position:?}");
    }
    assert_eq!(kinds(&check), [FindingKind::Gap; 4]);
    assert_eq!(check.grade(), Grade::Marginal);
}

#[test]
fn a_threshold_on_the_wrong_side_is_told_with_how_far_and_what_to_take_instead() {
    let board = parse(&quarters());
    // 256 is the nominal code of b itself.
    let check = checked(&board, thresholds(&[256.0, 384.0, 640.0, 896.0]));
    let wrong: Vec<_> = check.positions.iter().filter(|p| p.grade == Grade::Fail).collect();
    let [b] = wrong[..] else { panic!("{wrong:?}") };
    assert_eq!((b.place.as_str(), b.option.as_str()), ("J1=1", "b"));
    assert_eq!(b.reads, ["a", "b"]);
    let off = 256.0 - b.band.unwrap().low;
    assert!((b.margin_code.unwrap() + off).abs() < 1e-9, "{b:?}");
    let finding = check.findings.iter().find(|f| f.kind == FindingKind::Threshold).unwrap();
    let whole = 256 - b.band.unwrap().low.ceil() as u16;
    assert!(finding.what.contains(&format!("off by {whole} codes")), "{}", finding.what);
    let low = b.proposal.unwrap().0;
    assert_eq!(finding.change, format!("lower the threshold to {low}"));
    assert_eq!(check.grade(), Grade::Fail);
}

#[test]
fn where_a_window_ends_with_the_scale_no_threshold_is_to_be_raised_to_its_end() {
    let board = parse(&quarters());
    // The highest codes are taken for `a` once more, and the lowest for `e`.
    let options = ["e", "a", "b", "c", "d", "e", "a"];
    let said = thresholds_for(&[2.0, 128.0, 384.0, 640.0, 896.0, 1020.0], &options);
    let check = checked(&board, said);
    let found: Vec<&str> = check
        .findings
        .iter()
        .filter(|f| f.kind == FindingKind::Threshold)
        .map(|f| f.change.as_str())
        .collect();
    let window = |option: &str| {
        let of = check.positions.iter().find(|p| p.option == option).unwrap();
        let (low, high) = of.proposal.unwrap();
        format!("take {low}..{high} for {option}")
    };
    assert_eq!(found, [window("a"), window("e")]);
    assert!(found[0].contains(" 0..") && found[1].contains("..1023 "), "{found:?}");
}

#[test]
fn a_window_that_is_too_narrow_is_told_as_the_window_to_take() {
    let board = parse(&quarters());
    let windows = |b: (u16, u16)| {
        let own = [("a", (0_u16, 60_u16)), ("b", b), ("c", (448, 576)), ("d", (704, 832))];
        let list = own.into_iter().chain([("e", (960, 1023))]);
        let windows = list.map(|(option, (low, high))| CodeWindow {
            low: f64::from(low),
            high: f64::from(high),
            option: option.into(),
        });
        Decoding::Windows { channel: 0, windows: windows.collect() }
    };
    assert_eq!(checked(&board, windows((192, 320))).grade(), Grade::Pass);
    // Beyond either end the firmware reads nothing: no threshold is there to be moved.
    let check = checked(&board, windows((256, 257)));
    let b = check.positions.iter().find(|p| p.option == "b").unwrap();
    let (low, high) = b.proposal.unwrap();
    let found: Vec<_> =
        check.findings.iter().filter(|f| f.kind == FindingKind::Threshold).collect();
    assert_eq!(found.len(), 2, "{found:?}");
    for finding in found {
        assert_eq!(finding.change, format!("take {low}..{high} for b"));
    }
    // The codes of the table are those of the findings.
    let (from, to) = b.codes.unwrap();
    assert!(check.findings.iter().any(|f| f.what.contains(&format!("gives down to {from}"))));
    assert!(check.findings.iter().any(|f| f.what.contains(&format!("gives up to {to}"))));
}

#[test]
fn the_windows_of_the_board_itself_leave_their_own_margins_and_nothing_to_say() {
    for text in [quarters(), ladder(&["x", "y"], "5%"), ladder(&["p", "q", "r", "p"], "1%")] {
        let board = parse(&text);
        let own = windows(&board).unwrap();
        let window = |class: &strapwise::window::Class| {
            let Limits::Codes { low, high } = class.limits else { panic!("codes") };
            CodeWindow { option: class.name.clone(), low: low.into(), high: high.into() }
        };
        let taken = own.channels[0].classes.iter().map(window).collect();
        let check = checked(&board, Decoding::Windows { channel: 0, windows: taken });
        assert_eq!((check.grade(), check.findings.len()), (Grade::Pass, 0), "{check:?}");
        for (position, class) in check.positions.iter().zip(&own.channels[0].classes) {
            assert!((position.margin_code.unwrap() - class.margin_code).abs() < 1e-9);
            assert!((position.margin_pct.unwrap() - class.margin_pct).abs() < 1e-9);
        }
    }
}

#[test]
fn no_code_inside_a_reported_margin_is_misread_and_the_next_one_is() {
    let board = parse(&quarters());
    let codes = [150.0, 380.0, 600.0, 900.0];
    let check = checked(&board, thresholds(&codes));
    let read = |code: f64| codes.iter().filter(|&&t| code >= t).count();
    for (i, position) in check.positions.iter().enumerate() {
        let (band, margin) = (position.band.unwrap(), position.margin_code.unwrap());
        let (low, high) = ((band.low - margin).ceil(), (band.high + margin).floor());
        assert!((low.max(0.0) as u16..=(high.min(1023.0)) as u16).all(|c| read(f64::from(c)) == i));
        assert!(read((band.low - margin - 1.0).ceil()) != i || read(band.high + margin + 1.0) != i);
    }
}

#[test]
fn a_threshold_belongs_where_the_comparison_puts_it() {
    let board = parse(&quarters());
    let takes = |compare: Compare| {
        let codes = vec![128.0, 384.0, 640.0, 896.0];
        let said = Decoding::Thresholds { channel: 0, codes, compare, options: vec![] };
        checked(&board, said).positions[1].takes
    };
    assert_eq!(takes(Compare::Below), Some((128, 383)));
    assert_eq!(takes(Compare::UpTo), Some((129, 384)));
}

#[test]
fn thresholds_may_be_listed_from_above_and_with_what_each_range_means() {
    let board = parse(&quarters());
    let up = checked(&board, thresholds(&[128.0, 384.0, 640.0, 896.0]));
    let down = thresholds_for(&[896.0, 640.0, 384.0, 128.0], &["e", "d", "c", "b", "a"]);
    assert_eq!(checked(&board, down), up);
    let swapped = thresholds_for(&[128.0, 384.0, 640.0, 896.0], &["a", "c", "b", "d", "e"]);
    let check = checked(&board, swapped);
    let reads: Vec<String> = check.positions.iter().map(|p| p.reads.join(" ")).collect();
    assert_eq!(reads, ["a", "c", "b", "d", "e"]);
    assert_eq!(check.positions.iter().filter(|p| p.grade == Grade::Fail).count(), 2);
}

#[test]
fn thresholds_with_gaps_between_them_have_no_gap_missing() {
    let board = parse(&quarters());
    let pairs = [100.0, 156.0, 356.0, 412.0, 612.0, 668.0, 868.0, 924.0];
    let check = checked(&board, thresholds(&pairs));
    assert_eq!((check.grade(), kinds(&check)), (Grade::Pass, vec![]), "{check:?}");
    // A maker who wants no gaps says so in the board file.
    let none = quarters() + "[firmware]\ngap = \"0%\"\n";
    let check = checked(&parse(&none), thresholds(&[128.0, 384.0, 640.0, 896.0]));
    assert_eq!((check.grade(), kinds(&check)), (Grade::Pass, vec![]), "{check:?}");
}

#[test]
fn what_does_not_fit_the_board_is_refused_with_what_would() {
    let board = parse(&quarters());
    for (said, what) in [
        (thresholds(&[128.0, 384.0]), "2 thresholds make 3 ranges for 5 options (a, b, c, d, e)"),
        (thresholds(&[128.0, 384.0, 300.0, 896.0]), "threshold 300 follows 384"),
        (thresholds_for(&[128.0], &["a"]), "1 thresholds make 2 ranges, but 1 options are listed"),
        (thresholds_for(&[128.0], &["a", "z"]), "PICK has no option or position `z`"),
    ] {
        let told = refused(&board, said);
        assert!(told.contains(what) && told.contains("; "), "{told}");
    }
}

/// The firmware's `1023 * ratio` on a chip that gives `1024 * ratio`, and the other way round.
#[test]
fn a_scale_of_the_other_kind_is_told_where_it_makes_a_difference() {
    let names: Vec<String> = (0..64).map(|i| format!("o{i}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let tight = ladder(&names, "0%");
    let midway = |scale: f64| -> Vec<f64> {
        (0..63).map(|i| (scale * (f64::from(i) + 0.5) / 63.0).round()).collect()
    };
    for (chip, firmware, told) in [
        (1024.0, 1023.0, true),
        (1024.0, 1024.0, false),
        (1023.0, 1024.0, true),
        (1023.0, 1023.0, false),
    ] {
        let board = ideal(parse(&tight), chip);
        let check = checked(&board, thresholds(&midway(firmware)));
        let found = check.findings.iter().find(|f| f.kind == FindingKind::Scale);
        assert_eq!(found.is_some(), told, "chip {chip}, firmware {firmware}: {found:?}");
        if let Some(found) = found {
            let said = format!("the thresholds fit code = {firmware} * Vin / Vref");
            assert!(found.what.starts_with(&said), "{}", found.what);
            let list = found.change.split(" are ").nth(1).unwrap();
            let proposed: Vec<f64> = list.split(", ").map(|n| n.parse().unwrap()).collect();
            assert_eq!(proposed.len(), 63);
            for (i, n) in (0..63).zip(proposed) {
                let exact = chip * (f64::from(i) + 0.5) / 63.0;
                assert!((n - exact).abs() < 0.51, "{n} for {exact}");
            }
        }
    }
    // With 120 codes of margin one code more or less is nothing to speak of.
    let wide = [1023.0 / 8.0, 1023.0 * 3.0 / 8.0, 1023.0 * 5.0 / 8.0, 1023.0 * 7.0 / 8.0];
    let check = checked(&parse(&quarters()), thresholds(&wide.map(f64::round)));
    assert!(!kinds(&check).contains(&FindingKind::Scale), "{check:?}");
}

#[test]
fn a_full_scale_of_1024_on_a_converter_that_ends_at_1023_is_told() {
    let board = parse(&quarters());
    let check = checked(&board, thresholds(&[128.0, 384.0, 640.0, 1024.0]));
    let found = check.findings.iter().find(|f| f.kind == FindingKind::Scale).expect("no finding");
    assert_eq!(found.grade, Grade::Fail);
    assert!(found.what.contains("asks for 1024, but 1023 is the highest"), "{}", found.what);
    assert_eq!(check.positions[4].takes, None);
}

#[test]
fn address_bits_read_the_right_way_round_pass_and_the_wrong_way_round_are_named() {
    let board = parse(&address(3, external, false));
    let right = checked(&board, bits(&board, true));
    assert_eq!((right.grade(), right.findings.len()), (Grade::Pass, 0), "{right:?}");
    assert!(right.positions.iter().all(|p| p.reads == [p.option.clone()]));
    let wrong = checked(&board, bits(&board, false));
    assert_eq!((wrong.grade(), kinds(&wrong)), (Grade::Fail, vec![FindingKind::Polarity]));
    let what = &wrong.findings[0].what;
    assert_eq!(what, "low and high are taken the wrong way round on BIT0, BIT1, BIT2");
}

#[test]
fn address_bits_in_the_wrong_order_are_no_question_of_polarity() {
    let board = parse(&address(3, external, false));
    let channels = board.options[0].channels.iter().rev().copied().collect();
    let said = Decoding::Bits { set: 0, channels, low_is_one: true, options: Vec::new() };
    let check = checked(&board, said);
    assert_eq!(kinds(&check), [FindingKind::Threshold]);
    let what = &check.findings[0].what;
    assert!(what.ends_with("means 1, but the firmware reads 4"), "{what}");
}

#[test]
fn an_address_header_without_pull_ups_is_told_whatever_the_firmware_does() {
    let bare = parse(&address(2, |_| String::new(), false));
    let check = checked(&bare, bits(&bare, true));
    assert!(check.findings.iter().all(|f| f.kind == FindingKind::PullUp), "{check:?}");
    assert_eq!(check.findings[0].name, "BIT0");
    let change = &check.findings[0].change;
    assert!(change.contains("from A0 to VCC") && change.contains("pull_up = true"), "{change}");
    assert_eq!(check.grade(), Grade::Fail);
    let internal = parse(&address(2, |_| String::new(), true));
    assert_eq!(checked(&internal, bits(&internal, true)).grade(), Grade::Pass);
}

#[test]
fn options_that_are_no_numbers_are_listed_by_their_number() {
    let text = address(1, external, false).replace("\"0\" }", "\"slow\" }");
    let board = parse(&text.replace("means = \"1\"", "means = \"fast\""));
    let told = refused(&board, bits(&board, true));
    assert!(told.starts_with("the options of address are no numbers: slow, fast"), "{told}");
    let options = vec!["slow".to_string(), "fast".to_string()];
    let channels = board.options[0].channels.clone();
    let said = Decoding::Bits { set: 0, channels, low_is_one: true, options };
    assert_eq!(checked(&board, said).grade(), Grade::Pass);
}

#[test]
fn a_channel_of_which_nothing_is_said_is_not_tested_and_never_passes() {
    let board = parse(&quarters());
    let check = check(&board, &[]).unwrap();
    assert_eq!((check.grade(), kinds(&check)), (Grade::NotTested, vec![FindingKind::Untested]));
    assert_eq!(Check::default().grade(), Grade::NotTested);
}

/// With the pin as an input that leaks 1 µA (ATmega328P, Atmel-8271H section 29.2): 10 kΩ holds
/// the gate within 10 mV of ground, 4.7 MΩ lets it rise past the input's low level of 1.5 V.
#[test]
fn a_load_pin_that_nothing_holds_in_reset_is_told() {
    let gate = |value: &str| resistor("RG", "GATE", "GND", value, "5%");
    let net = "net = \"GATE\"";
    for (load, what) in [
        (load("", ""), Some("no resistor in the board file holds PB4 off")),
        (load(net, &resistor("RS", "GATE", "BASE", "1k", "5%")), Some("GATE floats")),
        (load(net, &resistor("RU", "GATE", "VCC", "10k", "5%")), Some("which is not off")),
        (load(net, &gate("4M7")), Some("which is not off")),
        (load(net, &gate("10k")), None),
        (load(net, &gate("100k")), None),
    ] {
        let board = parse(&(quarters() + "[firmware]\ngap = \"0%\"\n" + &load));
        let check = checked(&board, thresholds(&[128.0, 384.0, 640.0, 896.0]));
        let found = check.findings.iter().find(|f| f.kind == FindingKind::Load);
        assert_eq!(found.is_some(), what.is_some(), "{load}: {found:?}");
        assert!(found.is_none_or(|f| f.what.contains(what.unwrap_or_default())), "{found:?}");
        let grade = if what.is_some() { Grade::Marginal } else { Grade::Pass };
        assert_eq!(check.grade(), grade);
    }
}

#[test]
fn positions_that_no_thresholds_can_tell_apart_fail_with_the_parts_that_matter() {
    let board = parse(&ladder(&["a", "b", "c", "d", "e", "f", "g", "h", "i"], "20%"));
    let codes: Vec<f64> = (0..8).map(|i| 64.0 + 128.0 * f64::from(i)).collect();
    let check = checked(&board, thresholds(&codes));
    assert_eq!(check.grade(), Grade::Fail);
    let found = check.findings.iter().find(|f| f.kind == FindingKind::Circuit).unwrap();
    assert!(found.what.contains("overlap by"), "{}", found.what);
    assert!(found.change.contains("matter most"), "{}", found.change);
}

#[test]
fn what_the_board_file_says_of_the_firmware_is_taken_up() {
    let text = quarters()
        + "[[thresholds]]\nchannel = \"PICK\"\ncodes = [896, 640.5, 384, 128]\ncompare = \">\"\n\
           options = [\"e\", \"d\", \"c\", \"b\", \"a\"]\n";
    let codes = vec![896.0, 640.5, 384.0, 128.0];
    let options = ["e", "d", "c", "b", "a"].map(String::from).to_vec();
    let expected = Decoding::Thresholds { channel: 0, codes, compare: Compare::UpTo, options };
    assert_eq!(parse(&text).thresholds, [expected]);
    let text = quarters()
        + "[[thresholds]]\nchannel = \"PICK\"\nwindows = [{ option = \"a\", low = 0, high = 9 }]\n";
    let window = CodeWindow { option: "a".into(), low: 0.0, high: 9.0 };
    let expected = Decoding::Windows { channel: 0, windows: vec![window] };
    assert_eq!(parse(&text).thresholds, [expected]);
    let text = address(2, external, false)
        + "[[thresholds]]\nset = \"address\"\nbits = [\"BIT1\", \"BIT0\"]\nlow = 1\n";
    let channels = vec![1, 0];
    let expected = Decoding::Bits { set: 0, channels, low_is_one: true, options: vec![] };
    assert_eq!(parse(&text).thresholds, [expected]);
}

#[test]
fn slips_in_what_the_board_file_says_are_told_with_line_and_advice() {
    let lines = quarters().lines().count();
    for (entry, line, what, do_next) in [
        ("channel = \"PICK\"\n", 1, "has no `codes`", "add `codes = [128"),
        ("channel = \"PICX\"\ncodes = [1]\n", 2, "a channel that is not in the file", "`PICK`?"),
        ("channel = \"PICK\"\ncodes = [-1]\n", 3, "no list of 1 to 1024 codes", "write `codes"),
        ("channel = \"PICK\"\ncodes = [\"1\"]\n", 3, "no list of 1 to 1024", "write `codes"),
        ("channel = \"PICK\"\ncodes = [1]\nlow = 1\n", 4, "has `low` beside", "take one of them"),
        ("channel = \"PICK\"\ncodes = [1]\ncompare = \"=\"\n", 4, "cannot be `=`", "or `\"<=\"`"),
        ("channel = \"PICK\"\nwindows = []\n", 1, "no list of 1 to 1024", "write `windows"),
        ("set = \"whic\"\n", 2, "a set of options that is not", "did you mean `which`?"),
        ("set = \"which\"\n", 1, "does not name the digital channels", "analog channel has an"),
        (
            "channel = \"PICK\"\nwindows = [{ option = \"a\", low = 9, high = 1 }]\n",
            3,
            "ends before it begins",
            "the lower code in `low`",
        ),
        (
            "channel = \"PICK\"\ncodes = [1]\n[[thresholds]]\nchannel = \"PICK\"\ncodes = [2]\n",
            4,
            "stands here a second time",
            "take one of the two out",
        ),
    ] {
        let text = format!("{}[[thresholds]]\n{entry}", quarters());
        let problems = strapwise::board::parse("b.toml", &text).expect_err(entry);
        let [problem] = &problems.list[..] else { panic!("{entry}: {problems}") };
        assert_eq!(problem.line, lines + line, "{problem}");
        assert!(problem.what.contains(what), "{problem}");
        assert!(problem.do_next.contains(do_next), "{problem}");
    }
}

#[test]
fn a_setting_that_shorts_the_supply_fails_whatever_the_thresholds_are() {
    let both = "[[jumper]]\nid = \"J9\"\nopen = true\npositions = [{ name = \"on\", \
                pins = [1, 2], joins = [\"VCC\", \"GND\"] }]\n";
    let board = parse(
        &quarters()
            .replace("[[jumper]]", &format!("{both}[[jumper]]"))
            .replace("J1 = \"1\"\n", "J1 = \"1\"\nJ9 = \"open\"\n"),
    );
    let check =
        checked(&board, thresholds(&[100.0, 156.0, 356.0, 412.0, 612.0, 668.0, 868.0, 924.0]));
    let found: Vec<_> = check.findings.iter().filter(|f| f.kind == FindingKind::Circuit).collect();
    assert!(found.iter().any(|f| f.what.contains("shorts the supply")), "{check:?}");
    assert_eq!(check.grade(), Grade::Fail);
}

#[test]
fn a_gap_and_a_load_that_the_maker_accepts_pass_with_the_reason_and_a_misreading_does_not() {
    let entry = "[[accepted]]\ndefects = [\"options without a gap\", \"load not held off in \
                 reset\"]\nreason = \"shown on a display\"\n";
    let load = "[[load]]\nid = \"MAT\"\npin = \"PB2\"\noff = \"low\"\n\
                dummy = \"15 ohm resistor\"\nsag = \"15mV..120mV\"\n";
    let text = format!("{}\n{load}", quarters());
    let midway = [128.0, 384.0, 640.0, 896.0];
    let before = checked(&parse(&text), thresholds(&midway));
    assert_eq!(before.grade(), Grade::Marginal);
    let board = parse(&format!("{text}\n{entry}"));
    let check = checked(&board, thresholds(&midway));
    assert_eq!(check.findings.len(), before.findings.len());
    assert_eq!(check.grade(), Grade::Pass, "{:?}", check.findings);
    for finding in &check.findings {
        assert!(!finding.open() && finding.change == "accepted: shown on a display", "{finding:?}");
    }
    let said = strapwise::report::thresholds::text(&board, &check);
    assert!(said.contains("nothing to put right") || said.contains("nothing to put\n"), "{said}");
    // Of the load alone: the gaps stay to be put right.
    let alone = "[[accepted]]\nparts = [\"MAT\"]\ndefects = [\"load not held off in reset\"]\n\
                 reason = \"a relay\"\n";
    let check = checked(&parse(&format!("{text}\n{alone}")), thresholds(&midway));
    let open: Vec<_> = check.findings.iter().filter(|f| f.open()).map(|f| f.kind).collect();
    assert_eq!(open, [FindingKind::Gap; 4]);
    // What is misread is misread.
    let check = checked(&board, thresholds(&[256.0, 384.0, 640.0, 896.0]));
    assert_eq!(check.grade(), Grade::Fail);
}
