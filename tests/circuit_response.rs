//! What a net would be with other parts, without solving again: held against solving again.

mod circuit_support;

use circuit_support::Maker;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use strapwise::board::chip::ATMEGA328P;
use strapwise::board::{Board, Level, NetId, Setting, Switch};
use strapwise::circuit::{Change, Circuit, Node, Parts, Response};
use strapwise::units::{Ohms, Volts};

const NETWORKS: u64 = 400;

/// A board with random resistors, and some of its nets perhaps joined to nothing else.
fn network(rng: &mut ChaCha8Rng) -> Board {
    let inner = rng.random_range(1..10);
    let name = |i: usize| match i {
        0 => "VCC".to_string(),
        1 => "GND".to_string(),
        i => format!("N{i}"),
    };
    let mut maker = Maker::new();
    for i in 0..inner + 2 {
        maker.net(&name(i));
    }
    for r in 0..rng.random_range(inner..2 * inner + 3) {
        let [a, b] = two(rng, inner + 2);
        let ohms = 10_f64.powf(rng.random_range(1.0..6.0));
        maker = maker.resistor(&format!("R{r}"), &name(a), &name(b), ohms, 0.01);
    }
    maker.done()
}

fn two(rng: &mut ChaCha8Rng, n: usize) -> [usize; 2] {
    let a = rng.random_range(0..n);
    [a, (a + rng.random_range(1..n)) % n]
}

/// A switch of some ohms, with a drop.
fn switch(id: &str, between: [NetId; 2]) -> Switch {
    Switch {
        id: id.into(),
        label: id.into(),
        between,
        pin: ATMEGA328P.pin("PD5").expect("a pin of the chip").clone(),
        active: Level::High,
        on: (Ohms(5.0), Ohms(500.0)),
        drop: (Volts(0.1), Volts(0.3)),
    }
}

/// One difference, as a change and as the parts of another unit.
fn difference(rng: &mut ChaCha8Rng, board: &Board, parts: &mut Parts) -> Change {
    let ohms = match rng.random_range(0..4) {
        0 => f64::INFINITY,
        1 => 0.02,
        _ => 10_f64.powf(rng.random_range(1.0..6.0)),
    };
    if rng.random_range(0..3) == 0 {
        let between = two(rng, board.nets.len()).map(NetId);
        let ohms = if ohms.is_finite() { ohms } else { 47e3 };
        parts.bridges.push((between, Ohms(ohms)));
        return Change { between, siemens: 1.0 / ohms, resistor: None };
    }
    let resistor = rng.random_range(0..board.resistors.len());
    let old = std::mem::replace(&mut parts.resistors[resistor], Ohms(ohms));
    let siemens = 1.0 / ohms - 1.0 / old.0;
    Change { between: board.resistors[resistor].between, siemens, resistor: Some(resistor) }
}

fn alike(a: Node, b: Node) -> bool {
    match (a, b) {
        (Node::Floating, Node::Floating) => true,
        (Node::Driven { volts, source }, Node::Driven { volts: v, source: s }) => {
            (volts.0 - v.0).abs() < 1e-5 && (source.0 - s.0).abs() < 0.05 + 1e-4 * s.0
        }
        _ => false,
    }
}

#[test]
fn parts_changed_afterwards_are_as_good_as_parts_solved_anew() {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let (mut floating, mut driven, mut glanced) = (0, 0, 0);
    for case in 0..NETWORKS {
        let board = network(&mut rng);
        let setting = Setting::all_open(&board);
        let response = Response::new(&board, &Parts::nominal(&board), &setting, &[]);
        for _ in 0..8 {
            let mut parts = Parts::nominal(&board);
            let count = rng.random_range(0..3);
            let mut changes: Vec<Change> =
                (0..count).map(|_| difference(&mut rng, &board, &mut parts)).collect();
            // One part is of one other value.
            let twice = |(i, c): (usize, &Change)| {
                c.resistor.is_some() && changes[..i].iter().any(|d| d.resistor == c.resistor)
            };
            if changes.iter().enumerate().any(twice) {
                continue;
            }
            changes.retain(|c| c.siemens != 0.0);
            // More than one change at a floating piece is not claimed.
            let floats = |c: &Change| c.between.iter().any(|&n| response.node(n) == Node::Floating);
            if changes.len() > 1 && changes.iter().any(floats) {
                continue;
            }
            let anew = Circuit::solve(&board, &parts, &setting, &[]);
            for net in (0..board.nets.len()).map(NetId) {
                let (fast, slow) = (response.changed(net, &changes), anew.node(net));
                assert!(alike(fast, slow), "{case}: {fast:?} {slow:?} {changes:?}");
                // The quick way either says the same or leaves it to the careful one.
                if let Some(quick) = response.glance(net, &changes) {
                    assert!(alike(quick, slow), "{case}: {quick:?} {slow:?} {changes:?}");
                    glanced += 1;
                }
                match slow {
                    Node::Floating => floating += 1,
                    Node::Driven { .. } => driven += 1,
                }
            }
        }
    }
    assert!(floating > 1000 && driven > 1000, "{floating} floating, {driven} driven");
    assert!(glanced > 1000, "{glanced}");
}

#[test]
fn slopes_are_those_of_a_small_step() {
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let mut compared = 0;
    for case in 0..100 {
        let board = network(&mut rng);
        let setting = Setting::all_open(&board);
        let nominal = Parts::nominal(&board);
        let response = Response::new(&board, &nominal, &setting, &[]);
        let mut parts = nominal.clone();
        let changes = [difference(&mut rng, &board, &mut parts)];
        for net in (0..board.nets.len()).map(NetId) {
            for (resistor, volts, source) in response.slopes(net, &changes).by_resistor {
                const STEP: f64 = 1e-5;
                let at = |factor: f64| {
                    let mut parts = parts.clone();
                    parts.resistors[resistor].0 *= factor;
                    match Circuit::solve(&board, &parts, &setting, &[]).node(net) {
                        Node::Driven { volts, source } => (volts.0, source.0),
                        Node::Floating => panic!("{case}: a driven net floats"),
                    }
                };
                let (up, down) = (at(STEP.exp()), at((-STEP).exp()));
                let step = ((up.0 - down.0) / (2.0 * STEP), (up.1 - down.1) / (2.0 * STEP));
                assert!((volts - step.0).abs() < 1e-4, "{case}: {volts} {step:?}");
                assert!(
                    (source - step.1).abs() < 0.05 + 1e-3 * step.1.abs(),
                    "{case}: {source} {step:?}"
                );
                compared += 1;
            }
        }
    }
    assert!(compared > 1000, "{compared}");
}

#[test]
fn slopes_of_closed_switches_are_those_of_a_small_step_too() {
    const STEP: f64 = 1e-5;
    let mut rng = ChaCha8Rng::seed_from_u64(13);
    let (mut reached, mut not_reached) = (0, 0);
    for case in 0..200 {
        let mut board = network(&mut rng);
        for i in 0..2 {
            let between = two(&mut rng, board.nets.len()).map(NetId);
            board.switches.push(switch(&format!("K{i}"), between));
        }
        let (setting, closed) = (Setting::all_open(&board), [0, 1]);
        let mut parts = Parts::nominal(&board);
        // One without a drop among them.
        parts.switches[0].drop.0 = rng.random_range(0.0..0.5);
        parts.switches[1].drop.0 = 0.0;
        let response = Response::new(&board, &parts, &setting, &closed);
        for net in (0..board.nets.len()).map(NetId) {
            let solved = |change: &dyn Fn(&mut Parts)| {
                let mut parts = parts.clone();
                change(&mut parts);
                match Circuit::solve(&board, &parts, &setting, &closed).node(net) {
                    Node::Driven { volts, source } => (volts.0, source.0),
                    Node::Floating => (0.0, 0.0),
                }
            };
            let slopes = response.slopes(net, &[]).by_switch;
            for switch in 0..2 {
                let known = slopes.iter().find(|s| s.switch == switch);
                let (volts, ohms) = known.map_or((0.0, 0.0), |s| s.by_resistance);
                let by_drop = known.map_or(0.0, |s| s.by_drop);
                let on = |f: f64| solved(&move |p| p.switches[switch].on.0 *= f);
                let (up, down) = (on(STEP.exp()), on((-STEP).exp()));
                let step = ((up.0 - down.0) / (2.0 * STEP), (up.1 - down.1) / (2.0 * STEP));
                assert!((volts - step.0).abs() < 1e-4, "{case}: {volts} {step:?}");
                assert!((ohms - step.1).abs() < 0.05 + 1e-3 * step.1.abs(), "{case}: {ohms}");
                if switch == 0 {
                    let drop = |by: f64| solved(&move |p| p.switches[0].drop.0 += by).0;
                    let step = (drop(STEP) - drop(-STEP)) / (2.0 * STEP);
                    assert!((by_drop - step).abs() < 1e-3, "{case}: {by_drop} {step}");
                    reached += usize::from(by_drop.abs() > 0.01);
                    not_reached += usize::from(known.is_none());
                }
            }
        }
    }
    assert!(reached > 100 && not_reached > 100, "{reached} {not_reached}");
}
