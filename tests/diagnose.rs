//! Which part to lift, on units with planted defects.

mod diagnose_support;

use diagnose_support::{evidence, unit};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::time::Instant;
use strapwise::board::{self, Board};
use strapwise::diagnose::{Options, diagnose};
use strapwise::faults::{self, Fault};
use strapwise::walk::{self, Walk};
use strapwise::window;

fn vent_controller() -> (Board, Walk) {
    let text = include_str!("../protocols/vent-controller.toml");
    let board = board::parse("vent-controller.toml", text).expect("the demo's board");
    let windows = window::windows(&board).expect("windows");
    let walk = walk::plan(&board, &windows, &board.delivery).expect("a sequence");
    (board, walk)
}

#[test]
fn zz() {
    let (board, walk) = vent_controller();
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut by_class: BTreeMap<&str, [usize; 4]> = BTreeMap::new();
    let began = Instant::now();
    let faults = faults::modelled(&board);
    for &fault in &faults {
        let built = unit(&board, &[fault], &mut rng);
        let seen = evidence(&board, &walk, &built, &mut rng);
        let d = diagnose(&board, &seen, &Options::default());
        let first = &d.classes[0];
        let has = |c: &strapwise::diagnose::Class| c.causes.iter().any(|c| same(&c.faults, fault));
        let e = by_class.entry(fault.class()).or_default();
        e[0] += 1;
        let good = first.causes.iter().any(|c| c.faults.is_empty());
        e[1] += usize::from(has(first));
        e[2] += usize::from(good);
        e[3] += usize::from(!d.explained);
        if !has(first) && !good {
            println!(
                "ZZ {} | {:.3} {} | fit {:.1e} pairs {} | first {:?}",
                fault.text(&board),
                first.probability,
                first
                    .causes
                    .iter()
                    .map(|c| c
                        .faults
                        .iter()
                        .map(|f| f.text(&board))
                        .collect::<Vec<_>>()
                        .join(" + "))
                    .collect::<Vec<_>>()
                    .join(", "),
                d.fit,
                d.pairs,
                d.classes.iter().position(has)
            );
        }
    }
    println!("ZZ {:?} each", began.elapsed() / faults.len() as u32);
    for (c, e) in by_class {
        println!("ZZ {c}: {e:?}");
    }
}

fn same(a: &[Fault], b: Fault) -> bool {
    let [a] = a else { return false };
    match (*a, b) {
        (Fault::ResistorOff { resistor: a, .. }, Fault::ResistorOff { resistor: b, .. }) => a == b,
        (
            Fault::ContactResistive { jumper: a, position: p, .. },
            Fault::ContactResistive { jumper: b, position: q, .. },
        ) => (a, p) == (b, q),
        (Fault::PinLeaks { channel: a, to: p, .. }, Fault::PinLeaks { channel: b, to: q, .. }) => {
            (a, p) == (b, q)
        }
        (a, b) => a == b,
    }
}
