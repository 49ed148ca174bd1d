//! The board file: the demo reads as its author meant, and mistakes are told with their place.

mod chips;
mod commands;
mod drift;
mod mutation;
mod neighbours;
mod odds;
mod slips;

use strapwise::board::{self, Aref, Board, Kind, Level, NetId, Place, Problems, Setting};
use strapwise::units::{Farads, Hertz, Ohms, Ratio, Volts};

const DEMO: &str = include_str!("../../protocols/vent-controller.toml");

fn demo() -> Board {
    board::parse("vent.toml", DEMO).unwrap_or_else(|problems| panic!("{problems}"))
}

/// The problems of the demo file with one text in it replaced by another.
fn broken(from: &str, to: &str) -> Problems {
    assert_eq!(DEMO.matches(from).count(), 1, "`{from}` is not once in the demo file");
    problems(&DEMO.replace(from, to))
}

fn problems(text: &str) -> Problems {
    board::parse("vent.toml", text).map(|_| ()).expect_err("the file has a mistake")
}

#[test]
fn the_demo_board_reads_as_its_author_meant() {
    let board = demo();
    let net = |name: &str| NetId(board.nets.iter().position(|n| n == name).expect("a net"));
    assert_eq!((board.name.as_str(), board.revision.as_str()), ("vent-controller", "B"));
    assert_eq!(board.chip.part, "ATmega328P");
    assert_eq!(board.supply.volts, Volts(5.0));
    assert_eq!(board.supply.tolerance, Ratio(0.05));
    assert_eq!((board.supply.net, board.supply.ground), (net("VCC"), net("GND")));
    assert_eq!(board.supply.aref, Aref::Capacitor);

    assert_eq!(board.resistors.len(), 14);
    let r3 = &board.resistors[2];
    assert_eq!((r3.id.as_str(), r3.ohms, r3.tolerance), ("R3", Ohms(2200.0), Ratio(0.01)));
    assert_eq!(r3.between, [net("TAP3"), net("TAP4")]);
    assert_eq!(board.capacitors[0].farads, Farads(10e-9));

    let k1 = &board.switches[0];
    assert_eq!((&*k1.pin.name, k1.active), ("PD5", Level::High));
    assert_eq!((k1.on, k1.drop), ((Ohms(1.0), Ohms(50.0)), (Volts(0.0), Volts(0.0))));

    let j5 = &board.jumpers[4];
    assert_eq!(j5.places(), [Place::At(0), Place::At(1), Place::Open]);
    assert_eq!(j5.positions[1].pins, [[2, 3]]);
    assert_eq!(j5.positions[1].joins, [[net("FEED"), net("GND")]]);
    assert!(!board.jumpers[0].open);

    let loop_back = &board.channels[4];
    assert_eq!((loop_back.id.as_str(), loop_back.kind), ("LOOP", Kind::Analog));
    assert_eq!((loop_back.closes.as_slice(), loop_back.pull_up), (&[0][..], false));

    assert_eq!(board.firmware.conversions, 4);
    assert_eq!((board.firmware.adc_clock, board.firmware.gap), (Hertz(125e3), Ratio(0.25)));
    assert_eq!(board.loads[0].sag, (Volts(0.015), Volts(0.12)));
    assert_eq!(board.delivery.text(&board), "J1=3 J2=fitted J3=open J4=open J5=wet J6=fitted");
    let address = &board.options[1];
    assert_eq!(address.meaning(&board.delivery), Some("1"));
    assert_eq!(address.meaning(&Setting::all_open(&board)), Some("0"));
    assert_eq!(board.questions[1].lit, [11, 12]);
    assert!(board.questions[1].expect && board.questions[1].dark.is_empty());
}

#[test]
fn the_pace_of_the_hands_can_be_stated_key_by_key() {
    let text = include_str!("../../protocols/vent-controller.toml");
    let with = |pace: &str| board::parse("pace.toml", &format!("{text}\n[pace]\n{pace}\n"));
    let board = with("move = 6.5\nmeter = 20").unwrap_or_else(|p| panic!("{p}"));
    assert_eq!((board.pace.shunt, board.pace.meter, board.pace.question), (6.5, 20.0, 4.0));
    for (wrong, told) in [
        ("move = -1", "`move` of [pace] is no number from 0 to 3600"),
        ("moves = 4", "did you mean `move`"),
    ] {
        let problems = with(wrong).expect_err(wrong).to_string();
        assert!(problems.contains(told), "{problems}");
    }
}

#[test]
fn the_example_in_the_protocols_page_is_a_whole_board_file() {
    let page = include_str!("../../protocols/README.md");
    let (_, rest) = page.split_once("```toml\n").expect("an example in the page");
    let (example, _) = rest.split_once("```").expect("the end of the example");
    let board = board::parse("README.md", example).unwrap_or_else(|p| panic!("{p}"));
    assert_eq!(board.name, "blinker");
    assert_eq!(board.firmware.conversions, 1);
    assert_eq!(board.options[0].meaning(&board.delivery), Some("one flash a second"));
}

/// The least that a board file holds.
const SMALL: &str = r#"format = 1
delivery = {}
[board]
name = "small"
revision = "A"
chip = "atmega328p"
[supply]
net = "VCC"
ground = "GND"
volts = "5V"
tolerance = "5%"
source = "bench"
aref = "supply"
[[resistor]]
id = "R1"
between = ["VCC", "GND"]
value = "1k"
tolerance = "1%"
[[channel]]
id = "A"
net = "VCC"
pin = "PC0"
kind = "analog"
"#;

fn small(from: &str, to: &str) -> Problems {
    assert!(SMALL.contains(from), "`{from}` is not in the small file");
    problems(&SMALL.replacen(from, to, 1))
}

#[test]
fn the_file_is_known_by_the_sha_256_of_its_bytes() {
    // Digest of SMALL by `sha256sum` of GNU coreutils.
    let board = board::parse("small.toml", SMALL).unwrap_or_else(|p| panic!("{p}"));
    assert_eq!(board.sha256, "ca337185302a6e1a19137d8854c413b9dcaf0fba70f7727fb1b4a4e62701840f");
}

#[test]
fn what_may_be_left_out_has_its_documented_default() {
    let board = board::parse("small.toml", SMALL).unwrap_or_else(|p| panic!("{p}"));
    assert_eq!((board.about.as_str(), board.supply.aref), ("", Aref::Supply));
    assert_eq!((board.firmware.conversions, board.firmware.discard), (1, 1));
    assert_eq!((board.firmware.adc_clock, board.firmware.gap), (Hertz(125e3), Ratio(0.25)));
    assert_eq!(board.channels[0].label, "");
}

#[test]
fn a_switch_takes_a_single_figure_for_half_as_much_either_way() {
    let switch = |keys: &str| {
        let text = format!(
            "{SMALL}[[switch]]\nid = \"K1\"\nbetween = [\"VCC\", \"OUT\"]\npin = \"PD5\"\n\
             active = \"low\"\n{keys}\n"
        );
        let board = board::parse("small.toml", &text).unwrap_or_else(|p| panic!("{p}"));
        (board.switches[0].on, board.switches[0].drop)
    };
    let none = (Volts(0.0), Volts(0.0));
    assert_eq!(switch("on_resistance = \"20R\""), ((Ohms(10.0), Ohms(30.0)), none));
    let assumed = (Ohms(0.5), Ohms(1.5));
    assert_eq!(switch("drop = \"0.2V\""), (assumed, (Volts(0.1), Volts(0.2 * 1.5))));
    let both = switch("on_resistance = \"1R..5R\"\ndrop = \"0V..0.3V\"");
    assert_eq!(both, ((Ohms(1.0), Ohms(5.0)), (Volts(0.0), Volts(0.3))));
}

#[test]
fn a_shunt_of_two_poles_joins_two_pairs() {
    let text = SMALL.replace("delivery = {}", "delivery = { J1 = \"on\" }");
    let text = format!(
        "{text}[[jumper]]\nid = \"J1\"\npositions = [{{ name = \"on\", \
         pins = [[1, 2], [3, 4]], joins = [[\"VCC\", \"A\"], [\"GND\", \"B\"]] }}]\n"
    );
    let board = board::parse("small.toml", &text).unwrap_or_else(|p| panic!("{p}"));
    let position = &board.jumpers[0].positions[0];
    assert_eq!(position.pins, [[1, 2], [3, 4]]);
    let names: Vec<[&str; 2]> =
        position.joins.iter().map(|pair| pair.map(|net| board.net_name(net))).collect();
    assert_eq!(names, [["VCC", "A"], ["GND", "B"]]);
}

#[test]
fn each_slip_is_told_where_it_is_and_what_to_do_about_it() {
    for slip in slips::SLIPS {
        assert!(DEMO.contains(slip.from), "`{}` is not in the demo file", slip.from);
        let told = problems(&DEMO.replacen(slip.from, slip.to, 1)).to_string();
        let expected = format!("vent.toml:{}\n    {}", slip.told, slip.do_next);
        assert_eq!(told, expected, "for `{}` instead of `{}`", slip.to, slip.from);
    }
}

#[test]
fn several_mistakes_are_told_together_in_the_order_of_the_file() {
    let text = DEMO
        .replacen("pin = \"PC1\"", "pin = \"PD1\"", 1)
        .replacen("value = \"2k7\"", "vaule = \"2k7\"", 1)
        .replacen("J2 = \"fitted\"", "J2 = \"fited\"", 1);
    let expected = "\
vent.toml:22:6: [delivery]: J2 has no place `fited`
    did you mean `fitted`?
vent.toml:42:1: R2 has no `value`
    add `value = \"2k2\"` to it
vent.toml:45:1: R2 has no key `vaule`
    did you mean `value`?
vent.toml:218:7: LOOP cannot use PD1
    the probe's serial line needs PD1; use another pin";
    assert_eq!(problems(&text).to_string(), expected);
}

#[test]
fn a_part_with_a_mistake_keeps_its_name_for_the_rest_of_the_file() {
    // J1 is malformed, yet [delivery] and the options that name it are not called wrong.
    let told = broken("{ name = \"3\", pins = [5, 6]", "{ name = \"3\", pins = [5]");
    assert_eq!(told.list.len(), 1, "{told}");
    let told = broken("id = \"K1\"", "id = \"K1\"\nlabel2 = \"x\"");
    assert_eq!(told.list.len(), 1, "{told}");
}

#[test]
fn a_misspelt_option_word_is_told_from_a_jumper() {
    let told = broken("{ J1 = \"2\", means = \"herbs\" }", "{ J1 = \"2\", mean = \"herbs\" }");
    let expected = "\
vent.toml:95:3: an entry of profile has no `means`
    add `means = \"seedlings\"` to it
vent.toml:95:15: profile names the jumper `mean`, which is not in the file
    did you mean `means`?";
    assert_eq!(told.to_string(), expected);
}

#[test]
fn a_column_counts_characters_not_bytes() {
    let told = small("delivery = {}", "delivery = { \"µµ\" = \"1\" }");
    let place = (told.list[0].line, told.list[0].column);
    assert_eq!(place, (2, 14), "{told}");
    let told = small("source = \"bench\"", "source = \"µµ\" \"bench\"");
    assert_eq!((told.list[0].line, told.list[0].column), (12, 15), "{told}");
}

#[test]
fn a_file_without_its_tables_says_which_are_missing() {
    let told = problems("format = 1\n");
    let whats: Vec<&str> = told.list.iter().map(|p| p.what.as_str()).collect();
    let missing = |table: &str| format!("the board file has no `[{table}]` table");
    assert_eq!(whats, [missing("board"), missing("supply"), missing("delivery")]);
    assert_eq!(problems("").list[0].what, "the board file has no `format`");
}

#[test]
fn a_board_that_nothing_reads_is_no_board() {
    let (without, _) = SMALL.split_once("[[channel]]").expect("a channel");
    assert_eq!(
        problems(without).to_string(),
        "vent.toml:1:1: the board has no channel, so nothing would be read\n    \
         add a `[[channel]]` for each pin that the probe reads"
    );
}

#[test]
fn a_file_that_is_no_text_is_told_where_it_stops_being_text() {
    let told = board::parse_bytes("vent.toml", b"format = 1\nname = \"\xff\"\n");
    let told = told.map(|_| ()).expect_err("not UTF-8").to_string();
    let expected = "vent.toml:2:9: the byte 0xFF here is no UTF-8 text\n    \
                    save the file as UTF-8 in the editor; if it is no text, name the right file";
    assert_eq!(told, expected);
    assert!(board::parse_bytes("vent.toml", DEMO.as_bytes()).is_ok());
    // Editors on Windows put a byte order mark and CR LF into files.
    let windows = format!("\u{feff}{}", DEMO.replace('\n', "\r\n"));
    assert!(board::parse_bytes("vent.toml", windows.as_bytes()).is_ok());
}

#[test]
fn a_file_beyond_the_limits_is_refused_before_it_is_read() {
    let long = format!("{SMALL}# {}", "x".repeat(1 << 20));
    assert!(problems(&long).list[0].what.contains("1048576 at most"));
    let many = format!("{SMALL}{}", "[[load]]\n".repeat(10_000));
    assert!(problems(&many).list[0].what.contains("10000 are the most"), "{}", problems(&many));
}

#[test]
fn a_file_with_very_many_mistakes_shows_the_first_of_them_and_counts_the_rest() {
    let told = problems(&format!("{SMALL}{}", "[[load]]\n".repeat(1000)));
    assert_eq!((told.list.len(), told.more), (50, 4950));
    assert!(told.to_string().ends_with("\nand 4950 more; put these right first"));
}

#[test]
fn mistakes_in_the_toml_are_told_together_one_for_each_line_with_its_text() {
    let text = "format = 1\n[board\nname \"x\"\n[supply]\nvolts = 5V\nnet = \"VCC\n";
    let told = problems(text).to_string();
    let expected = "\
vent.toml:2:7: the heading of the table is not closed
    2 | [board
      |       ^
    close it as in `[board]` or `[[resistor]]`, on a line of its own
vent.toml:3:6: there is no `=` after the key
    3 | name \"x\"
      |      ^
    write `key = value`, text in quotes, one key on a line; `#` begins a remark
vent.toml:5:9: `5V` stands without quotes
    5 | volts = 5V
      |         ^
    put text between two quotes on one line: `value = \"2k2\"`
vent.toml:6:11: the text is not closed: a quote is missing
    6 | net = \"VCC
      |           ^
    put text between two quotes on one line: `value = \"2k2\"`";
    assert_eq!(told, expected);
}

#[test]
fn of_a_long_line_only_what_is_round_the_mistake_is_shown() {
    let text = format!("about = \"{}\" x \n", "ä".repeat(5000));
    let told = problems(&text).to_string();
    let longest = told.lines().map(|l| l.chars().count()).max();
    assert!(longest.is_some_and(|n| n <= 80), "{told}");
    let lines: Vec<&str> = told.lines().collect();
    let mark = lines[2].chars().position(|c| c == '^').expect("a mark");
    assert_eq!(lines[1].chars().nth(mark), Some('x'), "{told}");
}
