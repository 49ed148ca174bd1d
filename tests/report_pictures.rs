//! The pictures for print: windows and jumper card, for the demo's board and for boards with many
//! positions and long names.

use proptest::prelude::*;
use roxmltree::{Document, Node};
use std::collections::BTreeSet;
use std::fmt::Write;
use strapwise::board::{Board, Place, parse};
use strapwise::report::svg::Font;
use strapwise::report::{card_picture, windows_picture};
use strapwise::window::{Limits, windows};

fn demo() -> Board {
    parse("demo", include_str!("../protocols/vent-controller.toml")).expect("it is a board")
}

/// A ladder with as many taps on one header, address bits, a header of two poles and one whose
/// positions share pins without lying in a row.
fn wide(taps: usize, bits: usize, name: &str, text: &str) -> Board {
    let quoted = |t: &str| format!("\"{}\"", t.replace('\\', "\\\\").replace('"', "\\\""));
    let text = |n: usize| quoted(&format!("{text} {n}"));
    let mut t = format!(
        "format = 1\n[board]\nname = \"{name}\"\nrevision = {}\nabout = {}\nchip = \"atmega328p\"\n\
         [supply]\nnet = \"VCC\"\nground = \"GND\"\nvolts = \"5V\"\ntolerance = \"5%\"\n\
         source = \"bench\"\naref = \"capacitor\"\n[delivery]\nP = \"open\"\nS = \"{name}\"\n\
         L = \"{name}0\"\n",
        text(0),
        text(1)
    );
    for bit in 0..bits {
        let _ = writeln!(t, "B{bit} = \"open\"");
    }
    for tap in 1..taps {
        let above = if tap == 1 { "VCC".to_string() } else { format!("T{}", tap - 1) };
        let below = if tap + 1 == taps { "GND".to_string() } else { format!("T{tap}") };
        let _ = writeln!(
            t,
            "[[resistor]]\nid = \"R{tap}\"\nbetween = [\"{above}\", \"{below}\"]\n\
             value = \"1k\"\ntolerance = \"0.1%\""
        );
    }
    let net = |tap: usize| match tap {
        0 => "VCC".to_string(),
        t if t + 1 == taps => "GND".to_string(),
        t => format!("T{t}"),
    };
    let _ = writeln!(t, "[[jumper]]\nid = \"L\"\nlabel = {}\npositions = [", text(2));
    for tap in 0..taps {
        let (a, b) = (2 * tap + 1, 2 * tap + 2);
        let net = net(tap);
        let _ = writeln!(
            t,
            "{{ name = \"{name}{tap}\", pins = [{a}, {b}], joins = [\"{net}\", \"PICK\"] }},"
        );
    }
    t += "]\n[[channel]]\nid = \"LADDER\"\nnet = \"PICK\"\npin = \"PC0\"\nkind = \"analog\"\n";
    let _ = writeln!(t, "[[options]]\nid = \"ladder\"\nchannels = [\"LADDER\"]\nwhen = [");
    for tap in 0..taps {
        let _ = writeln!(t, "{{ L = \"{name}{tap}\", means = {} }},", text(100 + tap));
    }
    t += "]\n";
    let pins = ["PD2", "PD3", "PD4", "PD5", "PD6", "PD7", "PB0", "PB1"];
    for (bit, pin) in pins.iter().enumerate().take(bits) {
        let _ = writeln!(
            t,
            "[[resistor]]\nid = \"RB{bit}\"\nbetween = [\"VCC\", \"A{bit}\"]\nvalue = \"10k\"\n\
             tolerance = \"5%\"\n[[jumper]]\nid = \"B{bit}\"\nlabel = {}\npositions = \
             [{{ name = \"fitted\", pins = [1, 2], joins = [\"A{bit}\", \"GND\"] }}]\nopen = true\n\
             [[channel]]\nid = \"CH{bit}\"\nlabel = {}\nnet = \"A{bit}\"\npin = \"{pin}\"\n\
             kind = \"digital\"",
            text(20 + bit),
            text(30 + bit)
        );
    }
    let channels: Vec<String> = (0..bits).map(|b| format!("\"CH{b}\"")).collect();
    let _ =
        writeln!(t, "[[options]]\nid = \"bits\"\nchannels = [{}]\nwhen = [", channels.join(","));
    for value in 0..1usize << bits {
        let place = |b: usize| if value >> b & 1 == 1 { "fitted" } else { "open" };
        let places: Vec<String> = (0..bits).map(|b| format!("B{b} = \"{}\"", place(b))).collect();
        let _ = writeln!(t, "{{ {}, means = \"address {value}\" }},", places.join(", "));
    }
    let _ = writeln!(
        t,
        "]\n[[jumper]]\nid = \"P\"\npositions = [{{ name = \"both\", pins = [[1, 2], [4, 5]], \
         joins = [[\"VCC\", \"X\"], [\"V\", \"Y\"]] }}]\nopen = true\n\
         [[jumper]]\nid = \"S\"\npositions = [\
         {{ name = \"{name}\", pins = [1, 2], joins = [\"X\", \"Y\"] }},\
         {{ name = \"across\", pins = [1, 3], joins = [\"X\", \"Z\"] }}]\n\
         [[resistor]]\nid = \"RZ\"\nbetween = [\"Z\", \"GND\"]\nvalue = \"1k\"\ntolerance = \"1%\"\n\
         [[resistor]]\nid = \"RV\"\nbetween = [\"V\", \"GND\"]\nvalue = \"1k\"\ntolerance = \"1%\"\n\
         [[resistor]]\nid = \"RX\"\nbetween = [\"X\", \"GND\"]\nvalue = \"1k\"\ntolerance = \"1%\"\n\
         [[resistor]]\nid = \"RY\"\nbetween = [\"VCC\", \"Y\"]\nvalue = \"1k\"\ntolerance = \"1%\"\n\
         [[load]]\nid = \"LOAD\"\npin = \"PB2\"\noff = \"low\"\ndummy = \"15 ohm\"\n\
         sag = \"15mV..120mV\""
    );
    parse("wide", &t).unwrap_or_else(|e| panic!("{e}\n{t}"))
}

fn widest() -> Board {
    wide(16, 7, &"W".repeat(60), &"a long name of an option ".repeat(7))
}

fn pictures(board: &Board) -> [String; 2] {
    let windows = windows(board).expect("its positions can be told apart");
    [windows_picture::picture(board, &windows), card_picture::picture(board)]
}

fn number(node: Node, name: &str) -> f64 {
    node.attribute(name).and_then(|v| v.parse().ok()).unwrap_or_else(|| panic!("{name}: {node:?}"))
}

/// Left, top, right, bottom.
#[derive(Clone, Copy, Debug)]
struct Edges(f64, f64, f64, f64);

impl Edges {
    /// Whether two areas share more than a hair.
    fn meets(self, other: Edges) -> bool {
        let hair = 0.05;
        self.0 + hair < other.2
            && other.0 + hair < self.2
            && self.1 + hair < other.3
            && other.1 + hair < self.3
    }

    fn within(self, other: Edges) -> bool {
        let hair = 0.05;
        other.0 - hair <= self.0
            && other.1 - hair <= self.1
            && self.2 <= other.2 + hair
            && self.3 <= other.3 + hair
    }
}

/// The space of a text: letters with their accents and feet take 0.95 em above and 0.24 em below
/// the line (ascender with accent and descender of DejaVu Sans 2.37).
fn text_edges(node: Node) -> Edges {
    let size = number(node, "font-size");
    let font = Font { size, bold: node.attribute("font-weight") == Some("bold") };
    let wide = font.width(node.text().unwrap_or_default());
    let (x, y) = (number(node, "x"), number(node, "y"));
    let left = match node.attribute("text-anchor") {
        Some("middle") => x - wide / 2.0,
        Some("end") => x - wide,
        _ => x,
    };
    Edges(left, y - 0.95 * size, left + wide, y + 0.24 * size)
}

fn rect_edges(node: Node) -> Edges {
    let (x, y) = (number(node, "x"), number(node, "y"));
    Edges(x, y, x + number(node, "width"), y + number(node, "height"))
}

fn line_edges(node: Node) -> Edges {
    let [x1, y1, x2, y2] = ["x1", "y1", "x2", "y2"].map(|n| number(node, n));
    let half = number(node, "stroke-width") / 2.0;
    Edges(x1.min(x2) - half, y1.min(y2) - half, x1.max(x2) + half, y1.max(y2) + half)
}

/// Everything drawn is inside the sheet, and no text meets another text, a line or a box's edge.
fn tidy(svg: &str) {
    let document = Document::parse(svg).expect("it is well-formed XML");
    let root = document.root_element();
    let view: Vec<f64> =
        root.attribute("viewBox").unwrap().split(' ').map(|n| n.parse().unwrap()).collect();
    let sheet = Edges(view[0], view[1], view[2], view[3]);
    let drawn = || root.children().filter(Node::is_element);
    let named = |tag: &'static str| drawn().filter(move |n| n.has_tag_name(tag));
    let texts: Vec<(Edges, &str)> =
        named("text").map(|n| (text_edges(n), n.text().unwrap_or_default())).collect();
    let boxes: Vec<Edges> = named("rect").map(rect_edges).collect();
    let lines: Vec<Edges> = named("line").map(line_edges).collect();
    for edges in texts.iter().map(|t| t.0).chain(boxes.iter().copied()).chain(lines.clone()) {
        assert!(edges.within(sheet), "{edges:?} is outside the sheet {sheet:?}");
    }
    for (i, (a, text)) in texts.iter().enumerate() {
        for (b, other) in &texts[..i] {
            assert!(!a.meets(*b), "`{text}` {a:?} lies on `{other}` {b:?}");
        }
        for edges in &boxes {
            let apart = !a.meets(*edges) || a.within(*edges);
            assert!(apart, "`{text}` {a:?} crosses the edge of {edges:?}");
        }
        for edges in &lines {
            assert!(!a.meets(*edges), "`{text}` {a:?} is struck through by {edges:?}");
        }
    }
}

/// All text of a picture in reading order, without blanks, so that it is the same however it was
/// broken into lines.
fn words(svg: &str) -> String {
    let document = Document::parse(svg).expect("it is well-formed XML");
    let texts = document.descendants().filter(|n| n.has_tag_name("text"));
    texts.filter_map(|n| n.text()).collect::<String>().split_whitespace().collect()
}

fn squeezed(text: &str) -> String {
    text.split_whitespace().collect()
}

#[test]
fn nothing_overlaps_on_the_pictures_of_the_demos_board() {
    for svg in pictures(&demo()) {
        tidy(&svg);
    }
}

#[test]
fn nothing_overlaps_with_sixteen_options_on_a_channel_seven_bits_and_long_names() {
    for svg in pictures(&widest()) {
        tidy(&svg);
    }
}

#[test]
fn nothing_overlaps_with_twenty_eight_headers_read_in_ohms_by_a_meter() {
    let text = include_str!("../protocols/examples/decade.toml");
    let board = parse("decade", text).expect("it is a board");
    let [windows, card] = pictures(&board);
    tidy(&windows);
    tidy(&card);
    let words = words(&windows);
    for option in board.options.iter().flat_map(|set| &set.when) {
        assert!(words.contains(&squeezed(&option.means)), "{}", option.means);
    }
    // Each of eleven options: a shunt on every header but the few that are open.
    let open: usize = board.options[0]
        .when
        .iter()
        .map(|m| m.places.iter().filter(|(_, p)| *p == Place::Open).count())
        .sum();
    let shunts = card.matches("stroke-linecap=\"round\"").count();
    assert_eq!(shunts, 28 * board.options[0].when.len() - open);
}

#[test]
fn the_pictures_are_as_wide_as_an_a4_sheet() {
    // ISO 216: A4 is 210 mm wide.
    for svg in pictures(&demo()) {
        let document = Document::parse(&svg).unwrap();
        assert_eq!(document.root_element().attribute("width"), Some("210.0mm"));
    }
}

#[test]
fn the_windows_of_the_demos_board_fit_one_a4_sheet() {
    // ISO 216: A4 is 297 mm high.
    let [svg, _] = pictures(&demo());
    let document = Document::parse(&svg).unwrap();
    let height = document.root_element().attribute("height").unwrap().trim_end_matches("mm");
    assert!(height.parse::<f64>().unwrap() <= 297.0, "{height} mm");
}

#[test]
fn every_option_and_every_limit_stands_on_the_picture_of_the_windows() {
    for board in [demo(), widest()] {
        let windows = windows(&board).unwrap();
        let words = words(&windows_picture::picture(&board, &windows));
        for (channel, w) in board.channels.iter().zip(&windows.channels) {
            assert!(words.contains(&squeezed(&channel.label)), "{}", channel.label);
            for class in &w.classes {
                assert!(words.contains(&squeezed(&class.name)), "{}", class.name);
                let option = class.means.as_deref().unwrap_or_default();
                assert!(words.contains(&squeezed(option)), "{option}");
                let limits = match class.limits {
                    Limits::Codes { low, high } => format!("window{low}..{high}"),
                    Limits::Level(level) => format!("reads{level:?}").to_lowercase(),
                    Limits::Ohms { .. } => panic!("the demo reads nothing by meter"),
                };
                assert!(words.contains(&limits), "{limits} of {}", class.name);
            }
        }
    }
}

#[test]
fn a_window_is_drawn_as_wide_as_its_codes_are_of_the_scale() {
    let board = demo();
    let windows = windows(&board).unwrap();
    let svg = windows_picture::picture(&board, &windows);
    let document = Document::parse(&svg).unwrap();
    let tick = |label: &str| {
        let node =
            document.descendants().find(|n| n.has_tag_name("text") && n.text() == Some(label));
        number(node.unwrap(), "x")
    };
    let (left, right) = (tick("0"), tick("1023"));
    let per_code = (right - left) / 1023.0;
    for class in windows.channels.iter().flat_map(|w| &w.classes) {
        let Limits::Codes { low, high } = class.limits else { continue };
        let from = left + per_code * (f64::from(low) - 0.5);
        let wide = per_code * f64::from(high - low + 1);
        let drawn = |n: &Node| {
            n.attribute("fill") == Some("#fff")
                && (number(*n, "x") - from).abs() < 0.2
                && (number(*n, "width") - wide).abs() < 0.3
        };
        let boxes = document.root_element().children().filter(|n| n.has_tag_name("rect"));
        // Once among all windows, once in its own row.
        assert!(boxes.filter(drawn).count() >= 2, "{} {low}..{high}", class.name);
    }
}

#[test]
fn the_card_shows_every_header_pin_place_and_option() {
    for board in [demo(), widest()] {
        let svg = card_picture::picture(&board);
        let words = words(&svg);
        assert!(words.contains(&squeezed(&board.name)));
        assert!(words.contains(&squeezed(&format!("revision {}", board.revision))));
        for jumper in &board.jumpers {
            let heading = squeezed(&format!("{} {}", jumper.id, jumper.label));
            assert!(words.contains(&heading), "{heading}");
            for position in &jumper.positions {
                assert!(words.contains(&position.name), "{}", position.name);
            }
            for place in jumper.places() {
                assert!(words.contains(jumper.place_name(place)), "{}", jumper.id);
            }
        }
        for meaning in board.options.iter().flat_map(|set| &set.when) {
            assert!(words.contains(&squeezed(&meaning.means)), "{}", meaning.means);
        }
    }
}

#[test]
fn the_card_shows_each_pin_of_the_ladder_with_its_number() {
    let svg = card_picture::picture(&demo());
    let document = Document::parse(&svg).unwrap();
    let texts: BTreeSet<&str> = document
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .filter_map(|n| n.text())
        .collect();
    for pin in 1..=10 {
        assert!(texts.contains(pin.to_string().as_str()), "pin {pin}");
    }
}

#[test]
fn the_card_of_a_header_of_thirty_positions_can_be_read_and_fits_a_sheet() {
    for text in ["option", "a long name of an option"] {
        let board = wide(30, 1, "p", text);
        let svg = card_picture::picture(&board);
        tidy(&svg);
        let document = Document::parse(&svg).unwrap();
        // Of an A4 sheet, 842 points high (ISO 216), it leaves a third to the other headers.
        let boxes = document.descendants().filter(|n| n.has_tag_name("rect")).map(rect_edges);
        let long = boxes
            .filter(|b| (540.0..560.0).contains(&(b.2 - b.0)))
            .map(|b| b.3 - b.1)
            .fold(0.0, f64::max);
        assert!((100.0..842.0 * 2.0 / 3.0).contains(&long), "{long} points");
        let shunts = document.descendants().filter(|n| n.attribute("stroke-linecap").is_some());
        let wide: Vec<f64> = shunts.map(|n| number(n, "stroke-width")).collect();
        // A millimetre is 2.83 points.
        assert!(wide.len() >= 30 && wide.iter().all(|w| *w > 3.6), "{wide:?}");
        let written = |wanted: &str| {
            document
                .descendants()
                .filter(|n| n.tag_name().name() == "text")
                .any(|n| n.text() == Some(wanted))
        };
        for pin in 1..=60 {
            assert!(written(&pin.to_string()), "pin {pin}");
        }
        assert!(words(&svg).contains(&squeezed("p29: pins 59-60")));
    }
}

#[test]
fn the_card_marks_the_delivery_setting_once_for_each_header_and_table() {
    // Three headers that stand alone and one table of bits.
    let svg = card_picture::picture(&demo());
    let document = Document::parse(&svg).unwrap();
    let marks: Vec<f64> = document
        .descendants()
        .filter(|n| n.has_tag_name("text") && n.text() == Some("delivery"))
        .map(|n| number(n, "y"))
        .collect();
    assert_eq!(marks.len(), 4);
    let feet = |text: &str| {
        let node =
            document.descendants().find(|n| n.has_tag_name("text") && n.text() == Some(text));
        number(node.unwrap_or_else(|| panic!("no {text}")), "y")
    };
    // The delivery setting is J1=3, tomatoes; J5=wet, supply out.
    for option in ["tomatoes", "supply out"] {
        assert!(marks.iter().any(|y| (y - feet(option)).abs() < 10.0), "{option} is not marked");
    }
    let pointers = document.descendants().filter(|n| n.has_tag_name("path")).count();
    assert_eq!(pointers, 4, "a sign beside each word");
}

#[test]
fn the_card_draws_a_shunt_for_each_place_that_has_one() {
    // J1: five; J5: two; J6: one; three address bits, each fitted in four of eight rows.
    let svg = card_picture::picture(&demo());
    assert_eq!(svg.matches("stroke-linecap=\"round\"").count(), 5 + 2 + 1 + 12);
}

#[test]
fn the_card_has_its_caution_only_where_the_board_drives_loads() {
    let mut board = demo();
    assert!(card_picture::picture(&board).contains("Caution:"));
    board.loads.clear();
    assert!(!card_picture::picture(&board).contains("Caution:"));
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 24, failure_persistence: None, ..ProptestConfig::default()
    })]
    #[test]
    fn whatever_the_names_nothing_overlaps_and_nothing_leaves_the_sheet(
        taps in 2usize..16, many in 16usize..50, bits in 1usize..6, name in "[A-Za-z][A-Za-z0-9_-]{0,50}",
        text in "[ -~äßΩ漢]{0,150}",
    ) {
        prop_assume!(!["open", "parked"].contains(&name.as_str()));
        for svg in pictures(&wide(taps, bits, &name, &format!("x{text}"))) {
            tidy(&svg);
        }
        tidy(&card_picture::picture(&wide(many, bits, &name, &format!("x{text}"))));
    }
}
