//! Generated board files: every valid one has windows or is told why not, every damaged one is read
//! or told, and none takes long.

use super::{channel, file, jumper, options, resistor};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::time::{Duration, Instant};
use strapwise::board;
use strapwise::report;
use strapwise::window;

/// Longest time for one board, far above what it takes on an idle machine.
const PATIENCE: Duration = Duration::from_secs(20);

const NETS: [&str; 8] = ["VCC", "GND", "A", "B", "C", "D", "E", "F"];
const PINS: [&str; 6] = ["PC0", "PC1", "PC2", "PD2", "PD3", "PD4"];
const VALUES: [&str; 8] = ["1R", "47R", "1k", "4k7", "10k", "100k", "1M", "10M"];

/// Two different nets.
fn pair() -> impl Strategy<Value = [&'static str; 2]> {
    (0..NETS.len(), 1..NETS.len()).prop_map(|(a, d)| [NETS[a], NETS[(a + d) % NETS.len()]])
}

/// What a board file is made of, by chance.
#[derive(Clone, Debug)]
struct Draw {
    resistors: Vec<([&'static str; 2], usize)>,
    jumpers: Vec<(Vec<[&'static str; 2]>, bool)>,
    channels: Vec<(usize, bool)>,
    meter: Option<[&'static str; 2]>,
    source: Option<([&'static str; 2], bool)>,
    all: usize,
}

fn draw() -> impl Strategy<Value = Draw> {
    let jumper = (proptest::collection::vec(pair(), 1..4), any::<bool>());
    (
        proptest::collection::vec((pair(), 0..VALUES.len()), 1..14),
        proptest::collection::vec(jumper, 0..5),
        proptest::collection::vec((2..NETS.len(), any::<bool>()), 1..4),
        proptest::option::of(pair()),
        proptest::option::of((pair(), any::<bool>())),
        0..5_usize,
    )
        .prop_map(|(resistors, jumpers, channels, meter, source, all)| Draw {
            resistors,
            jumpers,
            channels,
            meter,
            source,
            all,
        })
}

fn text(draw: &Draw) -> String {
    let mut parts = Vec::new();
    // Every net has a part, so that channels may name any.
    for (i, net) in NETS.iter().enumerate().skip(1) {
        parts.push(resistor(&format!("RN{i}"), ["VCC", net], "10M"));
    }
    for (i, (between, value)) in draw.resistors.iter().enumerate() {
        parts.push(resistor(&format!("R{i}"), *between, VALUES[*value]));
    }
    let mut delivery = String::new();
    let mut bits = Vec::new();
    for (i, (joins, open)) in draw.jumpers.iter().enumerate() {
        let names = ["p", "q", "r"];
        let positions: Vec<(&str, &str, &str)> =
            joins.iter().zip(names).map(|([a, b], name)| (name, *a, *b)).collect();
        parts.push(jumper(&format!("J{i}"), &positions, *open));
        delivery += &format!("J{i} = \"p\"\n");
        if positions.len() + usize::from(*open) == 2 && bits.len() < draw.all {
            bits.push(format!("J{i}"));
        }
    }
    if let Some((between, volts)) = draw.source {
        let feed = if volts { "volts = \"3V3\"" } else { "amperes = \"1mA\"" };
        parts.push(format!(
            "[[source]]\nid = \"S1\"\nbetween = {between:?}\n{feed}\ntolerance = \"5%\"\n"
        ));
    }
    for (i, &(net, analog)) in draw.channels.iter().enumerate() {
        let pin = if analog { PINS[i] } else { PINS[i + 3] };
        let kind = if analog { "analog" } else { "digital" };
        parts.push(channel(&format!("CH{i}"), NETS[net], pin, kind, ""));
    }
    if let Some(between) = draw.meter {
        parts
            .push(format!("[[channel]]\nid = \"OHMS\"\nbetween = {between:?}\nkind = \"meter\"\n"));
    }
    if !bits.is_empty() {
        parts.push(options(&["CH0"], &format!("all = {bits:?}")));
    }
    file(&delivery, &parts)
}

/// Takes a board file as far as it goes.
fn go_through(text: &str) -> Result<bool, TestCaseError> {
    let began = Instant::now();
    let read = board::parse("generated.toml", text);
    let good = match read {
        Err(problems) => {
            prop_assert!(!problems.list.is_empty());
            false
        }
        Ok(board) => match window::windows(&board) {
            Ok(windows) => {
                for (w, c) in windows.channels.iter().zip(&board.channels) {
                    for class in &w.classes {
                        prop_assert!(class.design.low <= class.design.high, "{}: {class:?}", c.id);
                        prop_assert!(class.margin_code >= 0.0, "{}: {class:?}", c.id);
                    }
                }
                prop_assert!(!report::windows::text(&board, &windows).is_empty());
                true
            }
            Err(problems) => {
                prop_assert!(!problems.is_empty());
                for problem in &problems {
                    prop_assert!(problem.to_string().len() > 20, "{problem:?}");
                }
                true
            }
        },
    };
    prop_assert!(began.elapsed() < PATIENCE, "{:?}", began.elapsed());
    Ok(good)
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(3),
        ..ProptestConfig::with_cases(150)
    })]

    #[test]
    fn a_generated_board_has_windows_or_a_clear_problem(draw in draw()) {
        let text = text(&draw);
        let read = go_through(&text)?;
        // Only a position that sits on its neighbour's pins' nets, or a source between the rails,
        // makes such a file no board.
        let fine = draw.source.is_none_or(|(between, _)| !between.iter().all(|n| ["VCC", "GND"].contains(n)));
        prop_assert!(read || !fine, "{text}\n{:?}", board::parse("generated.toml", &text).err());
    }

    #[test]
    fn a_damaged_generated_board_is_read_or_told(
        draw in draw(),
        cuts in proptest::collection::vec((any::<usize>(), 0..6_usize), 1..5),
    ) {
        const WORDS: [&str; 6] = ["", "0", "\"-5k\"", "\"GND\"", "[", "\"PD0\""];
        let mut text = text(&draw);
        for (at, word) in cuts {
            let words: Vec<&str> = text.split_inclusive([' ', '\n']).collect();
            let at = at % words.len();
            let put = format!("{} ", WORDS[word]);
            text = words.iter().enumerate().map(|(i, w)| if i == at { put.as_str() } else { w }).collect();
        }
        go_through(&text)?;
    }
}
