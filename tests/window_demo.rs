//! The demo board's file through circuit and windows and back to its options.

use strapwise::board::{Board, Kind, Setting};
use strapwise::circuit::{Parts, short};
use strapwise::window::{Windows, expect, option_read, windows};

fn demo() -> Board {
    let text = include_str!("../protocols/vent-controller.toml");
    strapwise::board::parse("vent-controller.toml", text).expect("the demo board is sound")
}

/// The class that each channel of a set reads on the nominal unit.
fn read(board: &Board, windows: &Windows, set: usize, at: &Setting) -> Option<String> {
    let class = |&channel: &usize| {
        let expected = expect(board, at, channel);
        let windows = &windows.channels[channel];
        let class = match board.channels[channel].kind {
            Kind::Analog => {
                windows.class_of_code(expected.code.min(f64::from(board.chip.full_scale)))
            }
            Kind::Digital => expected.level.and_then(|l| windows.class_of_level(l)),
            Kind::Meter { .. } => panic!("no meter reads the board of the demo"),
        };
        (channel, class)
    };
    let classes: Vec<_> = board.options[set].channels.iter().map(class).collect();
    option_read(board, windows, set, &classes)
}

#[test]
fn every_option_of_the_demo_board_is_read_back_from_its_setting() {
    let board = demo();
    let windows = windows(&board).expect("the demo board has windows");
    for (set, options) in board.options.iter().enumerate() {
        for row in &options.when {
            let at = row.places.iter().fold(board.delivery.clone(), |s, &(j, p)| s.with(j, p));
            assert_eq!(read(&board, &windows, set, &at).as_ref(), Some(&row.means));
        }
    }
    let delivered: Vec<Option<String>> =
        (0..board.options.len()).map(|s| read(&board, &windows, s, &board.delivery)).collect();
    let expected = ["tomatoes", "1", "supply out"].map(|o| Some(o.to_string()));
    assert_eq!(delivered, expected);
}

#[test]
fn every_channel_of_the_demo_board_has_margin() {
    let board = demo();
    for channel in windows(&board).expect("the demo board has windows").channels {
        for class in channel.classes.iter().filter(|_| channel.set.is_some()) {
            let id = &board.channels[channel.channel].id;
            assert!(class.margin_code > 30.0, "{id} {}: {}", class.name, class.margin_code);
            assert!(class.margin_pct > 70.0, "{id} {}: {}", class.name, class.margin_pct);
        }
    }
}

#[test]
fn no_setting_of_the_demo_board_shorts_its_supply_with_every_switch_closed() {
    let board = demo();
    let parts = Parts::nominal(&board);
    let closed: Vec<usize> = (0..board.switches.len()).collect();
    let mut settings = vec![Setting::all_open(&board)];
    for (jumper, j) in board.jumpers.iter().enumerate() {
        let places = j.places();
        settings = settings
            .iter()
            .flat_map(|s| places.iter().map(move |&place| s.with(jumper, place)))
            .collect();
    }
    assert_eq!(settings.len(), 5 * 2 * 2 * 2 * 3 * 2);
    for setting in settings {
        assert_eq!(short(&board, &parts, &setting, &closed), None, "{}", setting.text(&board));
    }
}

#[test]
fn the_band_of_a_channel_without_options_is_shown_as_the_window_that_it_makes() {
    let board = demo();
    let text = strapwise::report::windows::text(&board, &windows(&board).expect("windows"));
    let mut lines = text.lines().skip_while(|l| !l.starts_with("HUMID"));
    let row = lines.nth(2).expect("a row");
    // A mean may lie between two codes, up to 27.7 here.
    assert_eq!(row, "  any       -       0.000   0.0  0..28  0..28     0  -       -");
}
