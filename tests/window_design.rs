//! Resistor choice: against brute force, against the bands of the windows, within its limits.

use proptest::prelude::*;
use strapwise::board::template::{Ends, Microcontroller, Rail};
use strapwise::board::{parse, parse_chip};
use strapwise::units::{Amperes, Ohms, Ratio, Series, Volts};
use strapwise::window::design::{Choice, How, Network, Request, design, margin};
use strapwise::window::windows;

fn request(network: Network, stock: &[f64]) -> Request {
    Request {
        network,
        chip: "atmega328p".into(),
        supply: Volts(5.0),
        supply_tolerance: Ratio(0.05),
        stock: stock.iter().copied().map(Ohms).collect(),
        tolerance: Ratio(0.01),
        in_use: Default::default(),
        input: None,
        current: Amperes(1e-3),
        source: Ohms(10e3),
        runners_up: 4,
    }
}

fn ladder(positions: usize, ends: Ends, open: Option<(Rail, Option<Ohms>)>) -> Network {
    Network::Ladder { positions, ends, open }
}

fn e24() -> Vec<f64> {
    Series::E24.between(Ohms(10.0), Ohms(1e6)).iter().map(|r| r.0).collect()
}

/// The margin of a set through the whole way of a board file, if it is within the limits.
fn through_the_board(request: &Request, ohms: &[Ohms], pull: Option<Ohms>) -> f64 {
    let plan = request.plan("brute", request.template("brute", ohms, pull));
    let board = parse("brute", &plan.write().unwrap().text).unwrap();
    margin(&board, request.network)
}

/// Largest current and source resistance by hand for a ladder without pull: Ohm's law over the
/// sum, Thévenin at each tap, both at the corners that `design_spread` has (1 % and 0.85 %).
fn ladder_within_limits(ohms: &[f64]) -> bool {
    let (low, high) = (1.0 - 0.0185, 1.0 + 0.0185);
    let whole: f64 = ohms.iter().sum();
    let mut below = 0.0;
    let mut source = 0.0_f64;
    for r in ohms {
        below += r;
        source = source.max(below * (whole - below) / whole * high);
    }
    5.25 / (whole * low) <= 1e-3 && source <= 10e3
}

/// Every tuple of so many values.
fn tuples(stock: &[f64], n: usize) -> Vec<Vec<f64>> {
    (0..n).fold(vec![vec![]], |sets, _| {
        let longer = |set: &Vec<f64>| {
            let set = set.clone();
            stock.iter().map(move |&r| [set.clone(), vec![r]].concat()).collect::<Vec<_>>()
        };
        sets.iter().flat_map(longer).collect()
    })
}

fn ohms(values: &[f64]) -> Vec<Ohms> {
    values.iter().copied().map(Ohms).collect()
}

#[test]
fn the_best_ladder_of_a_small_stock_is_the_one_that_brute_force_finds() {
    let stock = [1.2e3, 1.5e3, 1.8e3, 2.2e3, 10e3];
    for ends in [Ends::Both, Ends::Supply, Ends::Ground, Ends::None] {
        let request = request(ladder(4, ends, None), &stock);
        let found = design(&request).unwrap();
        assert_eq!(found.how, How::Exact);
        let mut all: Vec<f64> = tuples(&stock, ends.resistors(4))
            .iter()
            .filter(|set| ladder_within_limits(set))
            .map(|set| through_the_board(&request, &ohms(set), None))
            .collect();
        all.sort_by(|a, b| b.total_cmp(a));
        assert_eq!(found.choices.len(), 5);
        for (choice, brute) in found.choices.iter().zip(&all) {
            // Within a tenth of a code fewer different values go first.
            assert!((choice.margin - brute).abs() < 0.1, "{ends:?}: {choice:?}, not {brute}");
        }
        assert!(found.bound >= all[0], "{ends:?}: bound {} below {}", found.bound, all[0]);
    }
}

#[test]
fn the_best_ladder_with_a_pull_is_the_one_that_brute_force_finds() {
    let stock = [1e3, 1.8e3, 2.2e3, 3.3e3, 4.7e3, 6.8e3, 9.1e3];
    for (ends, to) in [(Ends::Supply, Rail::Ground), (Ends::Ground, Rail::Supply)] {
        let request = request(ladder(3, ends, Some((to, None))), &stock);
        let found = design(&request).unwrap();
        assert_eq!(found.how, How::Exact);
        let within = |choice: &Choice| choice.current.0 <= 1e-3 && choice.source.0 <= 10e3;
        assert!(found.choices.iter().all(within), "{:?}", found.choices);
        let best = tuples(&stock, 4)
            .iter()
            .filter(|set| pulled_within_limits(&set[..3], set[3], to))
            .map(|set| through_the_board(&request, &ohms(&set[..3]), Some(Ohms(set[3]))))
            .fold(f64::MIN, f64::max);
        assert!((found.choices[0].margin - best).abs() < 0.1, "{:?}, not {best}", found.choices[0]);
        assert!(found.bound >= best);
    }
}

/// The limits of a ladder whose rail tap is opposite to its pull; resistors from supply to ground.
fn pulled_within_limits(set: &[f64], pull: f64, to: Rail) -> bool {
    let (low, high) = (1.0 - 0.0185, 1.0 + 0.0185);
    let beside = |a: f64, b: f64| a * b / (a + b);
    let whole: f64 = set.iter().sum();
    let mut least = beside(whole, pull);
    let mut source = pull;
    let mut above = 0.0;
    for r in &set[..set.len() - 1] {
        above += r;
        let below = whole - above;
        least = least.min(match to {
            Rail::Ground => above + beside(below, pull),
            Rail::Supply => beside(above, pull) + below,
        });
        source = source.max(beside(beside(above, below), pull));
    }
    5.25 / (least * low) <= 1e-3 && source * high <= 10e3
}

const WEIGHTS: [f64; 8] = [2.7e3, 3.9e3, 4.7e3, 6.8e3, 9.1e3, 10e3, 15e3, 20e3];

/// The best margin of three shunts with these values, every set tried.
fn best_weighted(request: &Request) -> f64 {
    let (low, high) = (1.0 - 0.0185, 1.0 + 0.0185);
    let pull = match request.network {
        Network::TwoPin { pull, .. } => pull,
        _ => None,
    };
    let within = |set: &Vec<f64>| {
        let whole: f64 = set.iter().map(|r| 1.0 / r).sum();
        let drawn = match pull {
            Some(p) => 1.0 / (p.0 + 1.0 / whole),
            None => (1..7_usize)
                .map(|s| {
                    let on: f64 = (0..3).filter(|b| s >> b & 1 == 1).map(|b| 1.0 / set[b]).sum();
                    on * (whole - on) / whole
                })
                .fold(0.0, f64::max),
        };
        let source = pull.map_or(1.0 / whole, |p| p.0);
        5.25 * drawn / low <= 1e-3 && source * high <= 10e3
    };
    let falling = |set: &Vec<f64>| set.windows(2).all(|p| p[0] >= p[1]);
    let sets: Vec<Vec<f64>> =
        tuples(&WEIGHTS, 3).into_iter().filter(|s| falling(s) && within(s)).collect();
    let best = sets.iter().map(|set| through_the_board(request, &ohms(set), pull));
    best.fold(f64::MIN, f64::max)
}

fn weighted_forms() -> [Network; 3] {
    [
        Network::TwoPin { shunts: 3, to: Rail::Supply, pull: Some(Ohms(4.7e3)) },
        Network::TwoPin { shunts: 3, to: Rail::Ground, pull: Some(Ohms(4.7e3)) },
        Network::ThreePin { shunts: 3 },
    ]
}

#[test]
fn the_best_weighted_networks_are_those_that_brute_force_finds() {
    for network in weighted_forms() {
        let request = request(network, &WEIGHTS);
        let found = design(&request).unwrap();
        assert_eq!(found.how, How::Exact);
        let best = best_weighted(&request);
        assert!(best > 0.0, "{network:?}: the stock tells nothing apart");
        let choice = &found.choices[0];
        assert!((choice.margin - best).abs() < 0.1, "{network:?}: {choice:?}, not {best}");
        assert!(found.bound >= best, "{network:?}: bound {} below {best}", found.bound);
    }
}

/// A converter of 12 bits that is far from straight, and stated for a part of its range only:
/// steep in the middle, flat at the top.
fn bent(usable: &str) -> Microcontroller {
    let table = format!(
        "[chip]\npart = \"XY9\"\nsupply = \"2V..5.5V\"\nbits = 12\ntotal = \"5 LSB max\"\n\
         usable = \"{usable}\"\n\
         correction = [[0, 150], [900, 1300], [3300, 2600], [4000, 4095]]\n\
         leakage = \"50nA max\"\nvil = \"30%\"\nvih = \"70%\"\n\
         pins = [{{ name = \"A0\", adc = 0 }}]\n"
    );
    Microcontroller::Described(parse_chip("chip.toml", table.as_bytes()).expect("a chip"))
}

#[test]
fn resistors_for_a_converter_that_is_not_straight_are_those_that_brute_force_finds() {
    let stock = [1.2e3, 1.5e3, 1.8e3, 2.2e3, 10e3];
    for usable in ["0%..100%", "4%..95%"] {
        for network in [ladder(4, Ends::Both, None), ladder(3, Ends::None, None)] {
            let request = Request { chip: bent(usable), ..request(network, &stock) };
            let found = design(&request).unwrap();
            assert_eq!(found.how, How::Exact, "{usable} {network:?}");
            let all = tuples(&stock, if network == ladder(4, Ends::Both, None) { 3 } else { 4 });
            let best = all
                .iter()
                .filter(|set| ladder_within_limits(set))
                .map(|set| through_the_board(&request, &ohms(set), None))
                .fold(f64::MIN, f64::max);
            assert!(
                (found.choices[0].margin - best).abs() < 0.1,
                "{usable}: {found:?}, not {best}"
            );
            assert!(found.bound >= best, "{usable}: bound {} below {best}", found.bound);
        }
        for network in weighted_forms() {
            let request = Request { chip: bent(usable), ..request(network, &WEIGHTS) };
            let (found, best) = (design(&request).unwrap(), best_weighted(&request));
            assert_eq!(found.how, How::Exact, "{usable} {network:?}");
            let margin = found.choices.first().map_or(0.0, |c| c.margin);
            assert!(
                (margin - best.max(0.0)).abs() < 0.1,
                "{usable} {network:?}: {found:?}, {best}"
            );
            assert!(found.bound >= best, "{usable} {network:?}: bound {}", found.bound);
        }
    }
}

#[test]
fn a_board_for_a_described_chip_carries_its_table() {
    let request = Request { chip: bent("4%..95%"), ..request(ladder(3, Ends::Both, None), &e24()) };
    let plan = request.plan("board", request.template("net", &ohms(&[1.8e3, 1.8e3]), None));
    let board = parse("board.toml", &plan.write().unwrap().text).unwrap();
    let Microcontroller::Described(described) = &request.chip else { unreachable!() };
    assert_eq!((&*board.chip.name, &*board.chip.part), ("generic", "XY9"));
    assert_eq!(board.chip.correction, described.chip.correction);
}

#[test]
fn the_margin_is_the_one_that_the_windows_of_the_written_board_leave() {
    let networks = [
        ladder(8, Ends::Both, None),
        ladder(4, Ends::Supply, Some((Rail::Ground, None))),
        ladder(3, Ends::None, Some((Rail::Supply, Some(Ohms(6.8e3))))),
        Network::TwoPin { shunts: 3, to: Rail::Supply, pull: Some(Ohms(4.7e3)) },
        Network::TwoPin { shunts: 2, to: Rail::Ground, pull: None },
        Network::ThreePin { shunts: 4 },
    ];
    for network in networks {
        let request = request(network, &e24());
        let best = design(&request).unwrap().choices.remove(0);
        let plan = request.plan("board", request.template("net", &best.ohms, best.pull));
        let board = parse("board.toml", &plan.write().unwrap().text).unwrap();
        let classes = windows(&board).unwrap().channels.remove(0).classes;
        let mut bands: Vec<_> = classes.iter().map(|c| c.design).collect();
        bands.sort_by(|a, b| a.low.total_cmp(&b.low));
        let mut distances: Vec<f64> =
            bands.windows(2).map(|pair| pair[1].low - pair[0].high).collect();
        if let Network::Ladder { ends: Ends::None, .. } = network {
            // Open is pulled up; a pin at ground reads up to 5.5 codes: offset 4, INL 1 and DNL
            // 0.5, the doubled typical figures of Atmel 8161D table 28-7.
            distances.push(bands[0].low - 5.5);
        }
        let smallest = distances.into_iter().fold(f64::INFINITY, f64::min);
        assert!((best.margin - smallest).abs() < 1e-9, "{network:?}: {best:?}, not {smallest}");
    }
}

#[test]
fn every_chip_has_its_own_margin_and_an_exact_search() {
    let mut margins = Vec::new();
    for (chip, volts) in
        [("atmega328p", 5.0), ("atmega4809", 5.0), ("samd21", 3.3), ("rp2040", 3.3)]
    {
        let mut request = request(ladder(5, Ends::Both, None), &e24());
        request.chip = chip.into();
        request.supply = Volts(volts);
        let found = design(&request).unwrap();
        // Exact only where search and windows agree to a hundredth of a code.
        assert_eq!(found.how, How::Exact, "{chip}");
        assert!(found.choices[0].margin <= found.bound, "{chip}");
        margins.push(found.choices[0].margin / found.scale);
    }
    assert!(margins.iter().all(|m| (0.15..0.25).contains(m)), "{margins:?}");
}

#[test]
fn equal_margins_go_to_the_set_with_fewer_different_values() {
    let found = design(&request(ladder(5, Ends::Both, None), &e24())).unwrap();
    for pair in found.choices.windows(2) {
        let step = |c: &Choice| (c.margin * 10.0).round();
        assert!(step(&pair[0]) >= step(&pair[1]));
        if step(&pair[0]) == step(&pair[1]) {
            assert!(pair[0].different <= pair[1].different, "{pair:?}");
        }
    }
}

#[test]
fn equal_resistors_are_best_without_tolerance_and_reach_the_bound() {
    // An equal division has the largest smallest distance; what is left is the converter's error.
    let mut request = request(ladder(5, Ends::Both, None), &[2.2e3, 2.4e3, 2.7e3]);
    request.tolerance = Ratio(0.0);
    let found = design(&request).unwrap();
    assert_eq!(found.choices[0].different, 1);
    assert!(found.bound - found.choices[0].margin < 5.0, "{found:?}");
}

#[test]
fn too_many_positions_for_the_converter_are_named_impossible_by_the_bound() {
    let found = design(&request(ladder(60, Ends::Both, None), &e24())).unwrap();
    assert!(found.choices.is_empty() && found.bound < 0.0, "{found:?}");
    let two_pin = Network::TwoPin { shunts: 4, to: Rail::Supply, pull: None };
    let found = design(&request(two_pin, &e24())).unwrap();
    assert!(found.choices.is_empty() && found.bound < 0.0, "{found:?}");
}

#[test]
fn the_same_request_gives_the_same_outcome() {
    let request = request(Network::ThreePin { shunts: 3 }, &e24());
    assert_eq!(design(&request), design(&request));
}

#[test]
fn requests_that_make_no_sense_are_refused_with_what_to_change() {
    let good = request(ladder(4, Ends::Both, None), &e24());
    let cases: Vec<(Request, &str)> = vec![
        (Request { network: ladder(1, Ends::Both, None), ..good.clone() }, "give 2 to 64"),
        (Request { network: ladder(65, Ends::Both, None), ..good.clone() }, "give 2 to 64"),
        (
            Request { network: ladder(4, Ends::Both, Some((Rail::Ground, None))), ..good.clone() },
            "both read alike",
        ),
        (Request { network: Network::ThreePin { shunts: 9 }, ..good.clone() }, "give 1 to 8"),
        (Request { stock: vec![], ..good.clone() }, "0 values to choose from"),
        (Request { stock: vec![Ohms(-1.0)], ..good.clone() }, "above zero"),
        (Request { stock: vec![Ohms(f64::NAN)], ..good.clone() }, "above zero"),
        (Request { chip: "z80".into(), ..good.clone() }, "`z80` is not known"),
        (Request { tolerance: Ratio(0.9), ..good.clone() }, "under 50 %"),
        (Request { supply: Volts(0.0), ..good.clone() }, "above zero"),
        (Request { current: Amperes(1e-9), ..good.clone() }, "raise the limit"),
        (Request { source: Ohms(1e9), ..good.clone() }, "lower the limit"),
        (Request { input: Some(Ohms(20e3)), ..good.clone() }, "take a smaller one"),
    ];
    for (request, words) in cases {
        let error = design(&request).unwrap_err();
        assert!(error.contains(words), "{error}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn whatever_the_stock_the_choice_keeps_the_limits_and_stays_under_the_bound(
        stock in prop::collection::vec(10.0..1e5_f64, 1..30),
        positions in 2_usize..8,
        ends in prop::sample::select(vec![Ends::Both, Ends::Supply, Ends::Ground, Ends::None]),
        tolerance in 0.0..0.06_f64,
        current in 2e-4..1e-2_f64,
        source in 1e3..5e4_f64,
    ) {
        let request = Request {
            tolerance: Ratio(tolerance),
            current: Amperes(current),
            source: Ohms(source),
            ..request(ladder(positions, ends, None), &stock)
        };
        let found = design(&request).unwrap();
        for choice in &found.choices {
            prop_assert!(choice.margin > 0.0 && choice.margin <= found.bound + 1e-6);
            prop_assert!(choice.current.0 <= current * (1.0 + 1e-9));
            prop_assert!(choice.source.0 <= source * (1.0 + 1e-4), "{:?}", choice.source);
            prop_assert!(choice.ohms.iter().all(|r| stock.contains(&r.0)));
        }
    }
}
